//! The sheet: a row per variant, a column per step, the picture in the cell, the state in words beside its colour.

use maud::{Markup, html};
use tidemill_proto::state;
use tidemill_proto::v1::{ItemRow, ItemState, SignOffRow};

use crate::facts::{FindPicture, RunFacts, is_mesh};
use crate::figures::Figure;
use crate::words;

/// More figures than this are folded away in a cell.
const FIGURES_IN_A_CELL: usize = 4;

/// Where cells lead: `None` within a report, else the address of the page of a run's items.
pub type Links<'a> = Option<&'a str>;

/// A state in its word beside its colour.
pub fn state_mark(of: ItemState) -> Markup {
    let word = state::word(of);
    html! { span class={ "state " (word) } { (word) } }
}

/// A variant's sign-off in words.
pub fn sign_off_mark(row: &SignOffRow) -> Markup {
    let text = match row.state.as_str() {
        "approved" => "approved",
        "rejected" => "rejected",
        "void" => "changed since its sign-off",
        "unfinished" => "not finished",
        _ => "waits for a look",
    };
    html! {
        span class={ "sign " (row.state) } { (text) }
        @if !row.person.is_empty() && (row.state == "approved" || row.state == "rejected") { " by " (row.person) }
        @if !row.note.is_empty() { " " q { (row.note) } }
    }
}

/// The whole sheet, in tables of at most `rows_at_once` variants.
pub fn sheet(facts: &RunFacts, find: &FindPicture<'_>, links: Links<'_>, rows_at_once: usize) -> Markup {
    let arranged = facts.arrangement();
    let parts: Vec<(usize, &[Vec<Option<usize>>])> = arranged
        .rows
        .chunks(rows_at_once.max(1))
        .enumerate()
        .map(|(part, rows)| (part * rows_at_once.max(1), rows))
        .collect();
    let many = parts.len() > 1;
    html! {
        @for (first, rows) in parts {
            @let table = html! {
                div.wide tabindex="0" role="region" aria-label={ "Sheet, variants " (first + 1) " to " (first + rows.len()) } {
                    table.sheet {
                        thead { tr {
                            th scope="col" { "variant" }
                            @for step in &arranged.columns { th scope="col" { (facts.plan.steps[*step].name) } }
                        } }
                        tbody {
                            @for (at, cells) in rows.iter().enumerate() {
                                @let name = &facts.plan.variants[first + at].name;
                                tr id={ "variant-" (name) } data-variant=(name) {
                                    th scope="row" {
                                        span.name { (name) }
                                        @if let Some(signed) = facts.sign_offs.get(name) { div.look { (sign_off_mark(signed)) } }
                                    }
                                    @for cell in cells {
                                        @match cell {
                                            Some(index) => td id={ "item-" (index) } data-state=(state::word(facts.row(*index).state())) { (item_cell(facts, *index, find, links)) },
                                            None => td.empty { "no item" },
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            };
            @if many {
                details open[first == 0] {
                    summary {
                        (facts.plan.variants[first].name) " to " (facts.plan.variants[first + rows.len() - 1].name)
                        " (" (rows.len()) " variants)"
                    }
                    (table)
                }
            } @else { (table) }
        }
        @if !arranged.groups.is_empty() {
            h3 { "Over several variants" }
            div.groups {
                @for index in &arranged.groups {
                    section.card id={ "item-" (index) } data-state=(state::word(facts.row(*index).state())) { (group_card(facts, *index, find, links)) }
                }
            }
        }
    }
}

/// The inside of a group's card.
pub fn group_card(facts: &RunFacts, index: usize, find: &FindPicture<'_>, links: Links<'_>) -> Markup {
    html! {
        h4 { (facts.row(index).address) }
        (item_cell(facts, index, find, links))
    }
}

/// The inside of one cell.
pub fn item_cell(facts: &RunFacts, index: usize, find: &FindPicture<'_>, links: Links<'_>) -> Markup {
    let row = facts.row(index);
    let figures = facts
        .figures
        .get(&row.index)
        .map(Vec::as_slice)
        .unwrap_or_default();
    // Within a report all is there at once; on the page pictures come as one scrolls.
    let loading = if links.is_some() { "lazy" } else { "eager" };
    let pictures = pictures(facts, &row, find, loading);
    let link = links.map(|base| format!("{base}/{}", row.address));
    html! {
        @if let Some(pictures) = pictures { div.pictures { (pictures) } }
        @else if links.is_some() && !facts.wishes(&row).is_empty() { div.coming { "picture comes" } }
        div.line {
            @match &link {
                Some(link) => a href=(link) aria-label={ (row.address) ": " (state::word(row.state())) } { (state_mark(row.state())) },
                None => (state_mark(row.state())),
            }
            @if row.elapsed_ms > 0 { span.small { (words::duration(row.elapsed_ms)) } }
        }
        @if !row.reason.is_empty() { p.reason { (row.reason) } }
        @if figures.len() > FIGURES_IN_A_CELL {
            @let broken = figures.iter().take_while(|figure| figure.kept == Some(false)).count();
            @if broken > 0 { (figure_list(&figures[..broken])) }
            @let figures = &figures[broken..];
            @if !figures.is_empty() { details { summary.small { (figures.len()) " figures" } (figure_list(figures)) } }
        } @else if !figures.is_empty() { (figure_list(figures)) }
    }
}

fn pictures(facts: &RunFacts, row: &ItemRow, find: &FindPicture<'_>, loading: &str) -> Option<Markup> {
    let wishes = facts.wishes(row);
    let found: Vec<_> = wishes
        .iter()
        .filter_map(|(output, wish)| find(wish).map(|source| (output, wish, source)))
        .collect();
    (!found.is_empty()).then(|| {
        html! {
            @for (output, wish, source) in &found {
                @let what = if is_mesh(&wish.extension) { "mesh" } else { "map" };
                @if source.frames > 1 {
                    span.turn tabindex="0" role="img" style={ "--frames:" (source.frames) }
                        aria-label={ (row.address) ", " (what) " " (output.name) ", turns when pointed at" } {
                        img src=(source.address) alt="" loading=(loading);
                    }
                } @else {
                    img.still src=(source.address) loading=(loading)
                        alt={ (row.address) ", " (what) " " (output.name) } title=(output.name);
                }
            }
        }
    })
}

/// Figures with their verdicts in words.
pub fn figure_list(figures: &[Figure]) -> Markup {
    html! {
        dl.figures {
            @for figure in figures {
                div {
                    dt { (figure.name) }
                    dd { (figure.value) @match figure.kept {
                        Some(true) => span.kept { " kept" },
                        Some(false) => span.broken { " broken" },
                        None => "",
                    } }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::PictureSource;
    use crate::facts::tests::facts;

    #[test]
    fn every_item_has_a_cell_with_its_state_in_words() {
        let facts = facts();
        let find = |_: &_| {
            Some(PictureSource {
                address: "data:,".into(),
                frames: 1,
            })
        };
        let text = sheet(&facts, &find, None, 50).into_string();
        for index in 0..5 {
            assert_eq!(text.matches(&format!("id=\"item-{index}\"")).count(), 1, "{text}");
        }
        assert!(
            text.contains(">cut-off</span>") && text.contains("exit code &lt;3&gt;"),
            "{text}"
        );
        assert_eq!(text.matches("<img").count(), 3);
        assert_eq!(text.matches("<details").count(), 0);
        let parted = sheet(&facts, &find, None, 1).into_string();
        assert_eq!(parted.matches("<details").count(), 2);
    }
}
