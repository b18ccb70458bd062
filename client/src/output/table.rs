//! Tables without lines between cells: they read as well in a file as on a terminal.

use comfy_table::{Attribute, Cell, CellAlignment, Color, ContentArrangement, Table};
use tidemill_proto::state;
use tidemill_proto::v1::ItemState;

/// A table with these column heads. A head that starts with `>` aligns its column to the right.
pub fn with_heads(heads: &[&str]) -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Dynamic);
    // The printer takes the colours out where they are not wanted.
    table.enforce_styling();
    table.set_header(
        heads
            .iter()
            .map(|head| Cell::new(head.trim_start_matches('>')).add_attribute(Attribute::Bold)),
    );
    for (index, head) in heads.iter().enumerate() {
        if let Some(column) = table.column_mut(index) {
            // Text starts at the left edge of the line, two spaces lie between columns.
            column.set_padding((0, if index + 1 == heads.len() { 0 } else { 2 }));
            if head.starts_with('>') {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
    }
    table
}

/// The text of a table, without blanks at the ends of lines.
pub fn text(table: &Table) -> String {
    table
        .to_string()
        .lines()
        .map(trimmed)
        .collect::<Vec<_>>()
        .join("\n")
}

/// Without blanks at the end, also where colours are reset behind them.
fn trimmed(line: &str) -> String {
    let visible = anstream::adapter::strip_str(line).to_string();
    let blanks = visible.len() - visible.trim_end().len();
    let Some(start) = line.len().checked_sub(blanks).filter(|_| blanks > 0) else {
        return line.to_owned();
    };
    if line.is_char_boundary(start) && line[start..].bytes().all(|byte| byte == b' ') {
        return line[..start].to_owned();
    }
    let mut kept = String::new();
    let mut text_left = visible.trim_end().chars().count();
    let mut escape = false;
    for c in line.chars() {
        match (escape, c) {
            (false, '\u{1b}') => escape = true,
            (true, 'm') => {
                escape = false;
                kept.push(c);
                continue;
            }
            (false, _) if text_left == 0 => continue,
            (false, _) => text_left -= 1,
            (true, _) => {}
        }
        kept.push(c);
    }
    kept
}

/// An item's state in its word and colour. The colours are of Okabe and Ito's palette, which people with
/// any colour vision can tell apart; the word alone says the same.
pub fn state_cell(state: ItemState) -> Cell {
    let cell = Cell::new(state::word(state));
    match state_color(state) {
        Some(color) => cell.fg(Color::AnsiValue(color)),
        None => cell,
    }
}

/// A state's colour among the 256 that nearly every terminal has: the nearest to the palette's. `None`: the
/// terminal's own.
pub fn state_color(state: ItemState) -> Option<u8> {
    match state {
        ItemState::Unspecified | ItemState::Waiting | ItemState::Ready => None,
        ItemState::Running => Some(74),
        ItemState::Done => Some(36),
        ItemState::Reused => Some(25),
        ItemState::Failed => Some(166),
        ItemState::CutOff => Some(178),
        ItemState::Stopped => Some(175),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_start_at_the_edge_and_end_without_blanks() {
        let mut table = with_heads(&["item", ">size"]);
        table
            .add_row(["a/game", "9"])
            .add_row(["crate-large/game", "1000"]);
        let plain = anstream::adapter::strip_str(&text(&table)).to_string();
        let lines: Vec<&str> = plain.lines().collect();
        assert_eq!(
            lines,
            [
                "item              size",
                "a/game               9",
                "crate-large/game  1000"
            ]
        );
    }

    #[test]
    fn blanks_behind_a_colour_go_and_the_colour_stays_whole() {
        assert_eq!(trimmed("a \u{1b}[1mb  \u{1b}[0m  "), "a \u{1b}[1mb\u{1b}[0m");
        assert_eq!(trimmed("ä  "), "ä");
        assert_eq!(trimmed("a"), "a");
        assert_eq!(trimmed("   "), "");
    }

    #[test]
    fn a_state_without_colour_still_has_its_word() {
        let mut table = with_heads(&["state"]);
        table.add_row([state_cell(ItemState::CutOff)]);
        assert!(
            anstream::adapter::strip_str(&text(&table))
                .to_string()
                .contains("cut-off")
        );
    }
}
