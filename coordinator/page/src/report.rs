//! The morning report: one HTML file with everything inside, for a mail or a shelf. Pure.

use std::collections::{BTreeMap, HashMap};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use tidemill_proto::state;
use tidemill_proto::v1::{Attempt, ItemState, PictureWish, RunState};

use crate::STYLE;
use crate::facts::{PictureSource, RunFacts};
use crate::sheet::{sheet, sign_off_mark, state_mark};
use crate::timeline::timeline;
use crate::words;

/// So many variants stand in one table; more are folded away in tables of that many.
const ROWS_AT_ONCE: usize = 100;
/// Of failures with the same words so many are shown, the others by name only.
const ALIKE: usize = 4;
/// So many kinds of failures come with the end of the log; the others with their reason.
const FAILURES_IN_FULL: usize = 40;
/// So many lines of a log's end are shown.
const LOG_LINES: usize = 12;
/// So many items are named as the slowest and the hungriest.
const NAMED: usize = 8;

/// Pictures by the digest of what they show, each as it stands in the file.
pub type Inlined = HashMap<Vec<u8>, PictureSource>;

/// The whole file.
pub fn report(facts: &RunFacts, pictures: &Inlined, now_ms: i64) -> String {
    let find = |wish: &PictureWish| pictures.get(&wish.digest).cloned();
    let title = format!("{}: report", facts.run.run);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                a.skip href="#sheet" { "To the sheet" }
                header {
                    p.mill { "Tidemill report" }
                    h1 { (facts.run.run) }
                    (about(facts))
                }
                nav aria-label="Parts of the report" {
                    ul {
                        li { a href="#result" { "result" } }
                        @if !facts.failed().is_empty() { li { a href="#failures" { "failures" } } }
                        li { a href="#look" { "sign-off" } }
                        li { a href="#sheet" { "sheet" } }
                        li { a href="#time" { "who ran what" } }
                        li { a href="#cost" { "slow and hungry" } }
                    }
                }
                main {
                    section #result { h2 { "Result" } (headline(facts, now_ms)) }
                    @if !facts.failed().is_empty() { section #failures { h2 { "What failed" } (failures(facts)) } }
                    section #look { h2 { "Sign-off" } (sign_off(facts)) }
                    section #sheet { h2 { "Sheet" } (sheet(facts, &find, None, ROWS_AT_ONCE)) }
                    section #time { h2 { "Who ran what, when" } (timeline(facts, now_ms)) }
                    section #cost { h2 { "Slow and hungry" } (costs(facts)) }
                }
                footer { p { "Written " (words::moment(now_ms)) ". Everything is in this file; it needs no network." } }
            }
        }
    }
    .into_string()
}

/// One line on where a run comes from.
pub fn about(facts: &RunFacts) -> Markup {
    let run = &facts.run;
    html! {
        p.about {
            (words::run_word(run)) ", submitted " (words::moment(run.submitted_ms))
            @if !run.person.is_empty() { " by " (run.person) }
            @if !run.folder.is_empty() { " from " code { (run.folder) } }
            @if run.draft { ", a draft" }
            @if !run.until.is_empty() { ", until " (run.until) }
            @if run.state() != RunState::Ended && run.priority != 0 { ", priority " (run.priority) }
            @if run.state() != RunState::Ended && run.share > 1 { ", share " (run.share) }
            @if run.stopped_by_person { ", stopped by a person" }
            @if !run.note.is_empty() { ". " (run.note) }
        }
    }
}

/// How long the run took, or takes so far.
pub fn elapsed_ms(facts: &RunFacts, now_ms: i64) -> u64 {
    let end = if facts.run.ended_ms > 0 {
        facts.run.ended_ms
    } else {
        now_ms
    };
    u64::try_from(end - facts.run.submitted_ms).unwrap_or(0)
}

/// The headline: counts by state, time, cores, and what reuse saved.
pub fn headline(facts: &RunFacts, now_ms: i64) -> Markup {
    let counts = facts.run.counts.unwrap_or_default();
    let elapsed = elapsed_ms(facts, now_ms);
    let saved_ms: u64 = facts.saved.values().map(|saved| saved.elapsed_ms).sum();
    let cores = facts.run.cpu_ms as f64 / elapsed.max(1) as f64;
    html! {
        ul.counts {
            @for (of, count) in words::counts(&counts) {
                li { span.number { (count) } (state_mark(of)) }
            }
        }
        dl.headline {
            div { dt { "time" } dd { (words::duration(elapsed)) } }
            div { dt { "processor time" } dd { (words::duration(facts.run.cpu_ms)) } }
            div { dt { "cores busy on average" } dd { (format!("{cores:.1}")) } }
            div { dt { "attempts" } dd { (facts.run.attempts) } }
            div { dt { "reuse saved" } dd { @if saved_ms > 0 { (words::duration(saved_ms)) } @else { "nothing" } } }
            div { dt { "variants" } dd { (facts.plan.variants.len()) } }
        }
    }
}

/// Failed items by what they failed of, in the order of the plan; of many that say the same the first few are shown.
fn failures(facts: &RunFacts) -> Markup {
    let mut by_reason: Vec<(String, Vec<usize>)> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    for index in facts.failed() {
        let reason = facts.row(index).reason;
        let place = *places.entry(reason.clone()).or_insert(by_reason.len());
        match by_reason.get_mut(place) {
            Some((_, items)) => items.push(index),
            None => by_reason.push((reason, vec![index])),
        }
    }
    html! {
        @for (group, (_, items)) in by_reason.iter().enumerate() {
            @for index in items.iter().take(ALIKE) { (failure(facts, *index, group < FAILURES_IN_FULL)) }
            @if items.len() > ALIKE {
                details {
                    summary { (items.len() - ALIKE) " more failed with the same words" }
                    ul.plain { @for index in &items[ALIKE..] { li { (facts.row(*index).address) } } }
                }
            }
        }
    }
}

fn failure(facts: &RunFacts, index: usize, with_log: bool) -> Markup {
    let row = facts.row(index);
    let attempts = facts
        .attempts
        .get(&row.index)
        .map(Vec::as_slice)
        .unwrap_or_default();
    html! {
        article.failure {
            h3 { (row.address) " " (state_mark(ItemState::Failed)) }
            p.reason { (row.reason) }
            @if with_log { (log_end(attempts)) }
            p.small { (attempts.len()) @if attempts.len() == 1 { " attempt" } @else { " attempts" }
                @if !row.agent.is_empty() { ", the last on " (row.agent) }
                @if let Some(cut) = cut_off_by(facts, index) { "; " (cut) }
            }
        }
    }
}

/// The last lines that an item wrote.
pub fn log_end(attempts: &[Attempt]) -> Markup {
    let tail = attempts
        .last()
        .map(|attempt| attempt.log_tail.as_str())
        .unwrap_or_default();
    let lines: Vec<&str> = tail.lines().collect();
    let shown = lines[lines.len().saturating_sub(LOG_LINES)..].join("\n");
    html! { @if !shown.trim().is_empty() { pre.log tabindex="0" { (shown) } } }
}

/// How many items wait behind a failed one in vain.
fn cut_off_by(facts: &RunFacts, index: usize) -> Option<String> {
    let address = &facts.plan.items.get(index)?.address;
    let cut = facts
        .items
        .iter()
        .filter(|row| row.state() == ItemState::CutOff && row.reason.contains(address.as_str()))
        .count();
    match cut {
        0 => None,
        1 => Some("1 item is cut off by it".to_owned()),
        many => Some(format!("{many} items are cut off by it")),
    }
}

fn sign_off(facts: &RunFacts) -> Markup {
    let with = |states: &[&str]| -> Vec<&str> {
        let rows = facts
            .sign_offs
            .values()
            .filter(|row| states.contains(&row.state.as_str()));
        rows.map(|row| row.variant.as_str()).collect()
    };
    let waiting = with(&["unseen", "void"]);
    html! {
        p {
            (with(&["approved"]).len()) " approved, " (with(&["rejected"]).len()) " rejected, "
            (waiting.len()) " waiting for a look, " (with(&["unfinished"]).len()) " not finished."
        }
        @if !waiting.is_empty() {
            details open[waiting.len() <= 12] {
                summary { "Waiting for a look" }
                ul.plain { @for name in &waiting { li { a href={ "#variant-" (name) } { (name) } } } }
            }
            p.small { "Sign off with " code { "tidemill approve " (facts.run.run) " VARIANT" } " or "
                code { "tidemill reject " (facts.run.run) " VARIANT --note TEXT" } "." }
        }
        @for row in facts.sign_offs.values().filter(|row| row.state == "rejected" || row.state == "void") {
            p { strong { (row.variant) } ": " (sign_off_mark(row))
                @if !row.changed.is_empty() { " (" (row.changed.join(", ")) ")" } }
        }
    }
}

/// What a step took, over all its attempts that ended well.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
struct StepCost {
    attempts: usize,
    elapsed_ms: Vec<u64>,
    cpu_ms: u64,
    peak_memory_bytes: u64,
    reused: usize,
}

fn step_costs(facts: &RunFacts) -> BTreeMap<usize, StepCost> {
    let mut costs: BTreeMap<usize, StepCost> = BTreeMap::new();
    for (index, item) in facts.plan.items.iter().enumerate() {
        let cost = costs.entry(item.step as usize).or_default();
        let row = facts.row(index);
        cost.reused += usize::from(row.state() == ItemState::Reused);
        for attempt in facts.attempts.get(&(index as u32)).into_iter().flatten() {
            let measured = attempt.measured.unwrap_or_default();
            cost.attempts += 1;
            cost.elapsed_ms.push(measured.elapsed_ms);
            cost.cpu_ms += measured.user_ms + measured.system_ms;
            cost.peak_memory_bytes = cost.peak_memory_bytes.max(measured.peak_memory_bytes);
        }
        cost.elapsed_ms.sort_unstable();
    }
    costs
}

fn costs(facts: &RunFacts) -> Markup {
    let mut steps: Vec<(usize, StepCost)> = step_costs(facts).into_iter().collect();
    steps.sort_by_key(|(_, cost)| std::cmp::Reverse(cost.elapsed_ms.iter().sum::<u64>()));
    let mut attempts: Vec<(String, &Attempt)> = facts
        .attempts
        .iter()
        .flat_map(|(index, attempts)| {
            let address = facts.row(*index as usize).address;
            attempts.iter().map(move |attempt| (address.clone(), attempt))
        })
        .collect();
    let time = |attempt: &Attempt| attempt.measured.unwrap_or_default().elapsed_ms;
    let memory = |attempt: &Attempt| attempt.measured.unwrap_or_default().peak_memory_bytes;
    let named = |attempts: &[(String, &Attempt)], show: &dyn Fn(&Attempt) -> String| {
        html! { ol { @for (address, attempt) in attempts.iter().take(NAMED) { li { (address) ": " (show(attempt)) } } } }
    };
    attempts.sort_by_key(|(_, attempt)| std::cmp::Reverse(time(attempt)));
    let slowest = named(&attempts, &|attempt| words::duration(time(attempt)));
    attempts.sort_by_key(|(_, attempt)| std::cmp::Reverse(memory(attempt)));
    let hungriest = named(&attempts, &|attempt| words::size(memory(attempt)));
    html! {
        div.wide tabindex="0" role="region" aria-label="Steps by the time they took" {
            table.costs {
                thead { tr {
                    th scope="col" { "step" } th.number scope="col" { "attempts" } th.number scope="col" { "reused" }
                    th.number scope="col" { "time, all" } th.number scope="col" { "median" } th.number scope="col" { "longest" }
                    th.number scope="col" { "processor" } th.number scope="col" { "peak memory" }
                } }
                tbody { @for (step, cost) in &steps { tr {
                    th scope="row" { (facts.plan.steps[*step].name) }
                    td.number { (cost.attempts) }
                    td.number { (cost.reused) }
                    td.number { (words::duration(cost.elapsed_ms.iter().sum())) }
                    td.number { (words::duration(cost.elapsed_ms.get(cost.elapsed_ms.len() / 2).copied().unwrap_or(0))) }
                    td.number { (words::duration(cost.elapsed_ms.last().copied().unwrap_or(0))) }
                    td.number { (words::duration(cost.cpu_ms)) }
                    td.number { (words::size(cost.peak_memory_bytes)) }
                } } }
            }
        }
        @if !attempts.is_empty() {
            div.pair {
                div { h3 { "Slowest" } (slowest) }
                div { h3 { "Hungriest" } (hungriest) }
            }
        }
    }
}

/// A data URI of a PNG file (RFC 2397, RFC 4648).
pub fn data_uri(png: &[u8]) -> String {
    format!("data:image/png;base64,{}", STANDARD.encode(png))
}

/// All words of states, for a legend or a filter.
pub fn state_words() -> Vec<&'static str> {
    state::ALL.map(state::word).to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::tests::facts;
    use tidemill_proto::v1::{ItemRow, StateCounts};

    #[test]
    fn data_uris_are_base64() {
        // The examples of RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(
                data_uri(plain.as_bytes()),
                format!("data:image/png;base64,{coded}")
            );
        }
    }

    #[test]
    fn many_failures_of_one_kind_do_not_hide_another() {
        let mut facts = RunFacts::default();
        for index in 0..11 {
            facts.items.push(ItemRow {
                address: format!("crate-{index}/picky"),
                state: ItemState::Failed.into(),
                reason: if index == 10 { "no seat" } else { "no grain" }.into(),
                index,
                ..ItemRow::default()
            });
        }
        let text = failures(&facts).into_string();
        assert_eq!(text.matches("<article").count(), ALIKE + 1);
        assert!(text.contains("6 more failed with the same words"), "{text}");
        assert!(text.contains("<li>crate-9/picky</li>") && text.contains("crate-10/picky"));
    }

    #[test]
    fn failures_stand_before_the_sheet_and_text_cannot_become_markup() {
        let mut facts = facts();
        facts.run.run = "dock.3".into();
        facts.run.counts = Some(StateCounts {
            done: 2,
            reused: 1,
            failed: 1,
            cut_off: 1,
            ..StateCounts::default()
        });
        facts.attempts.insert(
            1,
            vec![Attempt {
                log_tail: "<script>alert(1)</script>".into(),
                ..Attempt::default()
            }],
        );
        let text = report(&facts, &Inlined::new(), 1_000);
        let at = |what: &str| text.find(what).unwrap_or_else(|| panic!("{what}"));
        assert!(at("id=\"failures\"") < at("id=\"sheet\""));
        assert!(!text.contains("<script"), "no script, whatever a log says");
        assert!(text.contains("&lt;script&gt;alert(1)"));
        assert!(
            !text.contains("http://") && !text.contains("https://"),
            "it needs no network"
        );
    }
}
