//! What a terminal shows of a run while it goes on: as many lines as there is room for, whatever the number of items.
//! Pure.

use tidemill_proto::v1::{AgentRow, ItemRow, StateCounts};

use super::picture::{Picture, counts_in_words, words_of};
use super::tally::{finished, total};
use crate::output::human;

/// Room on a terminal, in characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// Lines.
    pub rows: usize,
    /// Characters in a line.
    pub columns: usize,
}

/// Lines of each part where there is plenty of room.
const MOST_STEPS: usize = 10;
const MOST_FAILED: usize = 4;
const MOST_AGENTS: usize = 4;
const MOST_RUNNING: usize = 8;
/// Whatever the room, running items get so many lines.
const LEAST_RUNNING: usize = 2;
/// A name longer than this is cut in a list.
const NAME_WIDTH: usize = 24;

/// The lines, from top to bottom; none is longer than the room.
pub fn lines(picture: &Picture, agents: &[AgentRow], room: Room, now_ms: i64) -> Vec<String> {
    // One line stays for the cursor, one for what is printed above.
    let mut left = room.rows.saturating_sub(2).max(3);
    let mut lines = vec![headline(picture, room, now_ms)];
    let words = counts_in_words(&picture.run);
    let remarks = remarks(picture);
    if !words.is_empty() || !remarks.is_empty() {
        lines.push(format!("  {words}{remarks}"));
    }
    left = left.saturating_sub(lines.len());
    let reserved = LEAST_RUNNING.min(picture.running().count());

    let mut add = |part: Vec<String>, keep: usize| {
        let room = left.saturating_sub(keep);
        let taken = part.len().min(room);
        left -= taken;
        lines.extend(part.into_iter().take(taken));
    };
    let failed = failed_lines(picture);
    let keep_failed = failed.len().min(2);
    add(step_lines(picture, room), reserved + keep_failed + 1);
    add(
        variant_line(picture).into_iter().collect(),
        reserved + keep_failed,
    );
    add(failed, reserved);
    add(agent_lines(agents), reserved);
    add(running_lines(picture, now_ms), 0);
    lines
        .iter()
        .map(|line| console::truncate_str(line, room.columns.saturating_sub(1).max(20), "…").into_owned())
        .collect()
}

fn headline(picture: &Picture, room: Room, now_ms: i64) -> String {
    let all = picture.run.counts.unwrap_or_default();
    let mut text = format!(
        "{}  {}  {} of {}",
        picture.run.run,
        bar(&all, if room.columns >= 120 { 40 } else { 20 }),
        finished(&all),
        total(&all)
    );
    if let Some(ms) = picture.remaining_ms(now_ms) {
        text.push_str(&format!(", about {} to go", human::duration(ms)));
    }
    text
}

fn remarks(picture: &Picture) -> String {
    let paused = if picture.run.paused { "paused" } else { "" };
    let texts = [paused, &picture.run.note]
        .into_iter()
        .filter(|text| !text.is_empty());
    texts.map(|text| format!(" ({text})")).collect()
}

/// `[=====>    ]`
fn bar(counts: &StateCounts, width: usize) -> String {
    let (done, all) = (finished(counts) as usize, total(counts) as usize);
    let filled = (done * width).checked_div(all).unwrap_or(0);
    let head = usize::from(filled < width && done > 0);
    format!(
        "[{}{}{}]",
        "=".repeat(filled),
        ">".repeat(head),
        " ".repeat(width - filled - head)
    )
}

fn step_lines(picture: &Picture, room: Room) -> Vec<String> {
    let steps = picture.tally().steps();
    // Where one step is all there is, the headline says it.
    if steps.len() < 2 {
        return Vec::new();
    }
    // Steps at work are what is looked for; the others in the plan's order behind them.
    let mut order: Vec<usize> = (0..steps.len()).collect();
    if steps.len() > MOST_STEPS {
        order.sort_by_key(|number| {
            let counts = &steps[*number].1;
            (counts.running == 0, finished(counts) == total(counts), *number)
        });
        order.truncate(MOST_STEPS - 1);
        order.sort_unstable();
    }
    let width = order
        .iter()
        .map(|number| console::measure_text_width(&steps[*number].0))
        .max();
    let width = width.unwrap_or(0).min(NAME_WIDTH);
    let most = order.iter().map(|number| total(&steps[*number].1)).max();
    let digits = most.unwrap_or(0).to_string().len();
    let bar_width = if room.columns >= 120 { 20 } else { 10 };
    let mut lines: Vec<String> = order
        .iter()
        .map(|number| {
            let (name, counts) = &steps[*number];
            let name = console::pad_str(name, width, console::Alignment::Left, Some("…"));
            let (done, all) = (finished(counts), total(counts));
            format!(
                "  {name}  {}  {done:>digits$} of {all:<digits$}  {}",
                bar(counts, bar_width),
                words_of(counts)
            )
        })
        .collect();
    if order.len() < steps.len() {
        lines.push(format!(
            "  and {}",
            human::count(steps.len() - order.len(), "other step", "other steps")
        ));
    }
    lines
}

fn variant_line(picture: &Picture) -> Option<String> {
    let counts = picture.tally().variants();
    let spoilt = match counts.spoilt {
        0 => String::new(),
        some => format!(", {some} with failures"),
    };
    let one = human::count(counts.all, "variant", "variants");
    (counts.all > 1).then(|| format!("  {} of {one} complete{spoilt}", counts.complete))
}

/// The newest first.
fn failed_lines(picture: &Picture) -> Vec<String> {
    let failed = picture.tally().failed();
    let rows = failed.iter().rev().filter_map(|index| picture.items.get(*index));
    let mut lines: Vec<String> = rows
        .take(MOST_FAILED)
        .map(|row| format!("  failed  {}  {}", row.address, row.reason))
        .collect();
    if failed.len() > MOST_FAILED {
        let more = failed.len() - MOST_FAILED;
        lines.push(format!(
            "  failed  and {more} more: `tidemill show {}`",
            picture.run.run
        ));
    }
    lines
}

/// Those that do the most first.
fn agent_lines(agents: &[AgentRow]) -> Vec<String> {
    let mut agents: Vec<&AgentRow> = agents.iter().collect();
    agents.sort_by_key(|row| (std::cmp::Reverse(row.booked_millicores), &row.name));
    let mut lines: Vec<String> = agents
        .iter()
        .take(MOST_AGENTS)
        .map(|row| agent_line(row))
        .collect();
    if agents.len() > MOST_AGENTS {
        let rest = &agents[MOST_AGENTS..];
        let idle = rest.iter().filter(|row| row.booked_millicores == 0).count();
        let others = human::count(rest.len(), "other agent", "other agents");
        lines.push(format!("  and {others} ({idle} idle)"));
    }
    lines
}

fn agent_line(row: &AgentRow) -> String {
    let mut text = format!(
        "  {}: {:.1} of {}, {} of {} booked",
        row.name,
        f64::from(row.booked_millicores) / 1000.0,
        human::cores(row.lent_millicores),
        human::size(row.booked_memory_bytes),
        human::size(row.lent_memory_bytes),
    );
    if row.load_cores >= 0.05 {
        text.push_str(&format!(", others use {:.1} cores", row.load_cores));
    }
    if row.state != "here" {
        text.push_str(&format!(", {}", row.state));
    }
    if !row.note.is_empty() {
        text.push_str(&format!(" ({})", row.note));
    }
    text
}

fn running_lines(picture: &Picture, now_ms: i64) -> Vec<String> {
    let line = |row: &ItemRow| {
        let for_ms = u64::try_from(now_ms - row.changed_ms).unwrap_or(0);
        let agent = if row.agent.is_empty() {
            String::new()
        } else {
            format!("  on {}", row.agent)
        };
        format!("  running {}  {}{agent}", row.address, human::duration(for_ms))
    };
    picture.running().take(MOST_RUNNING).map(line).collect()
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::{ItemState, RunRow, WatchEvent, watch_event};

    use super::*;

    fn picture(variants: usize, steps: usize) -> Picture {
        let mut picture = Picture::default();
        let mut counts = StateCounts::default();
        for number in 0..variants * steps {
            let (variant, step) = (number / steps, number % steps);
            let state = match variant % 5 {
                0 => ItemState::Done,
                1 if variant < 300 && step == 0 => ItemState::Failed,
                1 => ItemState::CutOff,
                2 if step == 0 => ItemState::Running,
                _ => ItemState::Waiting,
            };
            *tidemill_proto::state::count_mut(&mut counts, state).unwrap() += 1;
            let row = ItemRow {
                index: number as u32,
                address: format!("bollard-{variant:05}/step-{step}"),
                state: state.into(),
                agent: "ash".into(),
                reason: if state == ItemState::Failed {
                    "exit code 3".into()
                } else {
                    String::new()
                },
                ..ItemRow::default()
            };
            picture.apply(WatchEvent {
                event: Some(watch_event::Event::Item(row)),
            });
        }
        let run = RunRow {
            run: "dock.3".into(),
            counts: Some(counts),
            finish_estimate_ms: 60_000,
            ..RunRow::default()
        };
        picture.apply(WatchEvent {
            event: Some(watch_event::Event::Run(run)),
        });
        picture
    }

    fn agents(count: usize) -> Vec<AgentRow> {
        (0..count)
            .map(|number| AgentRow {
                name: format!("ash-{number}"),
                state: "here".into(),
                lent_millicores: 4000,
                booked_millicores: 2000 * u32::from(number < 3),
                lent_memory_bytes: 8 << 30,
                load_cores: 1.25,
                ..AgentRow::default()
            })
            .collect()
    }

    #[test]
    fn it_fits_any_terminal_whatever_the_number_of_items() {
        for (variants, steps) in [(1, 1), (5, 2), (250, 4), (2500, 4), (300, 30)] {
            let picture = picture(variants, steps);
            for room in [(24, 80), (50, 160), (10, 40), (5, 20), (3, 1)] {
                let room = Room {
                    rows: room.0,
                    columns: room.1,
                };
                let lines = lines(&picture, &agents(200), room, 0);
                assert!(
                    lines.len() <= room.rows.saturating_sub(2).max(3),
                    "{room:?}: {lines:#?}"
                );
                let widest = lines
                    .iter()
                    .map(|line| console::measure_text_width(line))
                    .max()
                    .unwrap();
                assert!(widest < room.columns.max(21), "{room:?}: {lines:#?}");
            }
        }
    }

    #[test]
    fn steps_variants_failures_agents_and_running_items_each_have_their_lines() {
        let picture = picture(2500, 4);
        let lines = lines(
            &picture,
            &agents(5),
            Room {
                rows: 24,
                columns: 80,
            },
            0,
        );
        let has = |text: &str| assert!(lines.iter().any(|line| line.contains(text)), "{text}: {lines:#?}");
        assert!(
            lines[0].starts_with("dock.3  [") && lines[0].ends_with("of 10000, about 1 min to go"),
            "{lines:#?}"
        );
        has("500 running, 2000 done, 60 failed, 1940 cut-off");
        has("step-0  [");
        has("1000 of 2500  500 running, 500 done, 60 failed, 440");
        has("1000 of 2500 variants complete, 500 with failures");
        has("failed  bollard-00296/step-0  exit code 3");
        has("failed  and 56 more: `tidemill show dock.3`");
        has("ash-0: 2.0 of 4 cores, 0 B of 8.0 GiB booked, others use 1.2 cores");
        has("and 1 other agent (1 idle)");
        has("running bollard-00002/step-0");
    }

    #[test]
    fn an_item_that_runs_again_is_no_longer_pinned() {
        let mut picture = picture(5, 1);
        assert_eq!(picture.tally().failed().len(), 1);
        let row = ItemRow {
            index: picture.tally().failed()[0] as u32,
            address: "bollard-00001/step-0".into(),
            state: ItemState::Done.into(),
            ..ItemRow::default()
        };
        picture.apply(WatchEvent {
            event: Some(watch_event::Event::Item(row)),
        });
        assert!(picture.tally().failed().is_empty());
        assert_eq!(picture.tally().steps()[0].1.failed, 0);
        assert_eq!(picture.tally().variants().spoilt, 0);
    }
}
