//! `show`: a run with its items, or single items with all that is known about them.

use tidemill_page::figures::Figure;
use tidemill_proto::v1::{Estimate, ItemInput, ItemRow, ItemView, MadeOutput, RunRow, RunState, Wait};
use tidemill_proto::{Digest, state};

use super::with_run;
use crate::arguments::{Targets, run_and_items};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::follow::picture::counts_in_words;
use crate::follow::print_run;
use crate::looks::item_figures;
use crate::output::json::{Item, elapsed_ms, run_word};
use crate::output::{human, table};
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;

/// Shorter waits are not worth a word.
const SHORTEST_WAIT_MS: u64 = 1000;
/// Inputs that are shown; a gathering item may have thousands.
const MOST_INPUTS: usize = 24;

/// Shows a run or items.
pub async fn show(
    arguments: &Targets,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let (pick, items) = run_and_items(&arguments.targets)?;
    with_run(&pick, settings, Purpose::Ask, printer, async |session, run| {
        if items.is_empty() {
            let rows = session.rpc.items(&run.run, "").await?;
            show_run(&run, &rows, printer);
            return Ok(ExitStatus::AllDone);
        }
        for item in &items {
            let view = session.rpc.show_item(&run.run, item).await?;
            let row = view.row.clone().unwrap_or_default();
            if printer.is_json() {
                printer.object(&Item::view(&run.run, &row, &view));
            } else {
                printer.data(item_text(&run.run, &row, &view));
                let figures = item_figures(&row, &session.rpc).await;
                if !figures.is_empty() {
                    printer.data(indented(&figures_table(&figures)));
                }
            }
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}

fn show_run(run: &RunRow, rows: &[ItemRow], printer: &Printer) {
    print_run(run, printer);
    if printer.is_json() {
        for row in rows {
            printer.object(&Item::row(&run.run, row));
        }
        return;
    }
    printer.data(run_text(run));
    if rows.is_empty() {
        return;
    }
    let mut items = table::with_heads(&["item", "state", ">tries", ">took", ">memory", "agent", "reason"]);
    for row in rows {
        items.add_row(vec![
            row.address.clone().into(),
            table::state_cell(row.state()),
            nonzero(u64::from(row.attempts), |n| n.to_string()).into(),
            nonzero(row.elapsed_ms, human::duration).into(),
            nonzero(row.peak_memory_bytes, human::size).into(),
            row.agent.clone().into(),
            row.reason.clone().into(),
        ]);
    }
    printer.data("");
    printer.data(table::text(&items));
}

fn run_text(run: &RunRow) -> String {
    let mut lines = vec![format!(
        "{}: {}: {}",
        run.run,
        run_word(run),
        counts_in_words(run)
    )];
    let mut by = format!("submitted {}", human::moment(run.submitted_ms));
    if !run.person.is_empty() {
        by.push_str(&format!(" by {}", run.person));
    }
    if !run.folder.is_empty() {
        by.push_str(&format!(" from {}", run.folder));
    }
    lines.push(by);
    let mut spent = vec![human::count(
        usize::try_from(run.attempts).unwrap_or(usize::MAX),
        "attempt",
        "attempts",
    )];
    if elapsed_ms(run) > 0 {
        spent.push(format!("took {}", human::duration(elapsed_ms(run))));
    }
    if run.cpu_ms > 0 {
        spent.push(format!("{} of processor time", human::duration(run.cpu_ms)));
    }
    lines.push(spent.join(", "));
    let preference = human::preference(run.priority, run.share);
    let marks = [
        (run.draft, "a draft: not delivered without --to".to_owned()),
        (
            !run.until.is_empty(),
            format!("until {}: not delivered without --to", run.until),
        ),
        (
            run.state() != RunState::Ended && !preference.is_empty(),
            preference,
        ),
        (run.stopped_by_person, "stopped by a person".to_owned()),
        (!run.note.is_empty(), run.note.clone()),
    ];
    lines.extend(
        marks
            .into_iter()
            .filter(|(is_so, _)| *is_so)
            .map(|(_, text)| text),
    );
    lines.join("\n")
}

fn item_text(run: &str, row: &ItemRow, view: &ItemView) -> String {
    let mut lines = vec![format!("{run}/{}: {}", row.address, state::word(row.state()))];
    let facts = [
        ("reason", row.reason.clone()),
        ("waits", view.waits_for.trim_start_matches("waits ").to_owned()),
        ("made by", view.made_by.clone()),
        ("reads from", view.upstream.join(", ")),
        ("read by", view.downstream.join(", ")),
        (
            "key",
            Digest::from_slice(&view.key)
                .map(|key| key.to_string())
                .unwrap_or_default(),
        ),
    ];
    lines.extend(
        facts
            .into_iter()
            .filter(|(_, text)| !text.is_empty())
            .map(|(name, text)| format!("  {name:<11} {text}")),
    );
    lines.push(indented(&needs_table(view)));
    if !view.inputs.is_empty() {
        lines.push(indented(&inputs_table(&view.inputs)));
    }
    for made in [&row.outputs, &row.findings] {
        if !made.is_empty() {
            lines.push(indented(&outputs_table(made)));
        }
    }
    let waits = waits_in_words(&view.waits, human::now_ms());
    if !waits.is_empty() {
        lines.push(format!("  waited      {waits}"));
    }
    if !view.attempts_made.is_empty() {
        let mut attempts = table::with_heads(&[
            ">attempt",
            "outcome",
            "agent",
            "started",
            ">took",
            ">processor",
            ">memory",
            "reason",
        ]);
        for attempt in &view.attempts_made {
            let measured = attempt.measured.unwrap_or_default();
            attempts.add_row([
                attempt.number.to_string(),
                attempt.outcome.clone(),
                attempt.agent.clone(),
                human::moment(attempt.started_ms),
                human::duration(measured.elapsed_ms),
                human::duration(measured.user_ms + measured.system_ms),
                nonzero(measured.peak_memory_bytes, human::size),
                attempt.reason.clone(),
            ]);
        }
        lines.push(indented(&table::text(&attempts)));
    }
    lines.join("\n")
}

/// `3 min 5 s for a/game, 12 s after attempt 1 was lost`; what is shorter than a second is left out.
fn waits_in_words(waits: &[Wait], now_ms: i64) -> String {
    let words = waits.iter().filter_map(|wait| {
        let is_over = wait.until_ms > 0;
        let until_ms = if is_over { wait.until_ms } else { now_ms };
        let ms = u64::try_from(until_ms - wait.from_ms).unwrap_or(0);
        let still = if is_over { "" } else { " so far" };
        (ms >= SHORTEST_WAIT_MS).then(|| format!("{}{still} {}", human::duration(ms), wait.reason))
    });
    words.collect::<Vec<_>>().join(", ")
}

/// What is read; of many files of one input the first.
fn inputs_table(inputs: &[ItemInput]) -> String {
    let mut read = table::with_heads(&["input", "from", ">size", "digest"]);
    for input in inputs.iter().take(MOST_INPUTS) {
        let from = match input.beside.as_str() {
            "" => input.from.clone(),
            beside => format!("{beside}, beside {}", input.from),
        };
        read.add_row([
            input.name.clone(),
            from,
            nonzero(input.size, human::size),
            Digest::from_slice(&input.digest)
                .map(|digest| digest.short())
                .unwrap_or_else(|_| "not there".to_owned()),
        ]);
    }
    let mut text = table::text(&read);
    if inputs.len() > MOST_INPUTS {
        text.push_str(&format!(
            "\nand {} more; `--json` has all",
            inputs.len() - MOST_INPUTS
        ));
    }
    text
}

fn figures_table(figures: &[Figure]) -> String {
    let mut measured = table::with_heads(&["figure", ">measured", "budget"]);
    for figure in figures {
        let kept = match figure.kept {
            Some(true) => "kept",
            Some(false) => "broken",
            None => "",
        };
        measured.add_row([figure.name.as_str(), figure.value.as_str(), kept]);
    }
    table::text(&measured)
}

fn outputs_table(outputs: &[MadeOutput]) -> String {
    let mut made = table::with_heads(&["output", "path", ">size", "digest"]);
    for output in outputs {
        made.add_row([
            output.name.clone(),
            output.path.clone(),
            human::size(output.size),
            Digest::from_slice(&output.digest)
                .map(|digest| digest.short())
                .unwrap_or_default(),
        ]);
    }
    table::text(&made)
}

/// What is believed of an item beside what was measured of it.
fn needs_table(view: &ItemView) -> String {
    let measured = view.attempts_made.iter().filter_map(|attempt| attempt.measured);
    let measured = measured.fold(None, |most: Option<Estimate>, one| {
        let most = most.unwrap_or_default();
        Some(Estimate {
            memory_bytes: most.memory_bytes.max(one.peak_memory_bytes),
            millicores: 0,
            elapsed_ms: one.elapsed_ms, // of the last attempt
        })
    });
    let columns = [
        ("declared", view.declared.as_ref()),
        ("learned", view.learned.as_ref()),
        ("booked", view.booked.as_ref()),
        ("measured", measured.as_ref()),
    ];
    let known: Vec<_> = columns
        .into_iter()
        .filter_map(|(name, estimate)| Some((name, estimate?)))
        .collect();
    let heads: Vec<String> = known.iter().map(|(name, _)| format!(">{name}")).collect();
    let heads: Vec<&str> = std::iter::once("needs")
        .chain(heads.iter().map(String::as_str))
        .collect();
    let mut needs = table::with_heads(&heads);
    let mut row = |name: &str, show: &dyn Fn(&Estimate) -> String| {
        let values = known.iter().map(|(_, estimate)| show(estimate));
        needs.add_row(std::iter::once(name.to_owned()).chain(values).collect::<Vec<_>>());
    };
    row("memory", &|one| nonzero(one.memory_bytes, human::size));
    row("cores", &|one| {
        nonzero(u64::from(one.millicores), |_| human::cores(one.millicores))
    });
    row("time", &|one| nonzero(one.elapsed_ms, human::duration));
    table::text(&needs)
}

fn indented(text: &str) -> String {
    text.lines()
        .map(|line| format!("  {line}"))
        .collect::<Vec<_>>()
        .join("\n")
}

fn nonzero(value: u64, show: impl Fn(u64) -> String) -> String {
    if value == 0 { String::new() } else { show(value) }
}

#[cfg(test)]
mod tests {
    use tidemill_proto::v1::{Attempt, ItemState};

    use super::*;

    #[test]
    fn an_item_shows_what_is_known_and_no_more() {
        let row = ItemRow {
            address: "a/game".into(),
            state: ItemState::Failed.into(),
            ..ItemRow::default()
        };
        let view = ItemView {
            upstream: vec!["a/weathered".into()],
            declared: Some(Estimate {
                memory_bytes: 1 << 30,
                millicores: 1000,
                elapsed_ms: 0,
            }),
            attempts_made: vec![Attempt {
                number: 1,
                outcome: "failed".into(),
                ..Attempt::default()
            }],
            ..ItemView::default()
        };
        let text = anstream::adapter::strip_str(&item_text("dock.1", &row, &view)).to_string();
        assert!(
            text.starts_with("dock.1/a/game: failed\n  reads from  a/weathered\n"),
            "{text}"
        );
        assert!(!text.contains("made by") && text.contains("attempt"), "{text}");
        assert!(text.contains("declared") && !text.contains("learned"), "{text}");
    }

    #[test]
    fn what_is_believed_stands_beside_what_was_measured() {
        let estimate = |gibibytes: u64, elapsed_ms| {
            Some(Estimate {
                memory_bytes: gibibytes << 30,
                millicores: 1000,
                elapsed_ms,
            })
        };
        let view = ItemView {
            declared: estimate(10, 0),
            learned: estimate(2, 3_000),
            attempts_made: vec![Attempt {
                measured: Some(tidemill_proto::v1::Measured {
                    peak_memory_bytes: 1 << 30,
                    elapsed_ms: 2_500,
                    ..Default::default()
                }),
                ..Attempt::default()
            }],
            ..ItemView::default()
        };
        let text = anstream::adapter::strip_str(&needs_table(&view)).to_string();
        let memory = text.lines().find(|line| line.contains("memory")).unwrap();
        let words: Vec<&str> = memory.split_whitespace().collect();
        assert_eq!(
            words,
            ["memory", "10.0", "GiB", "2.0", "GiB", "1.0", "GiB"],
            "{text}"
        );
    }
}
