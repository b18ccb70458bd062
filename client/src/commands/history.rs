//! `history`: runs that fit, and sums over all of them.

use std::path::Path;

use tidemill_proto::state;
use tidemill_proto::v1::{SearchRequest, SearchRow, SearchSums, StandingCounts};

use super::{trends, with_session};
use crate::arguments::{Approval, History};
use crate::exit::ExitStatus;
use crate::failure::{Failure, nearest};
use crate::follow::picture::counts_in_words;
use crate::follow::print_run;
use crate::looks::Looks;
use crate::manifest::ManifestFile;
use crate::output::history_json::{HistorySums, RunFigures, StepTook, Trend, reuse_share};
use crate::output::json::{elapsed_ms, run_word};
use crate::output::{human, table};
use crate::printer::Printer;
use crate::session::Purpose;
use crate::settings::Settings;
use crate::when::stretch;

/// All columns, with a mark for those aligned to the right.
const COLUMNS: [&str; 15] = [
    "run",
    "state",
    "submitted",
    ">took",
    "items",
    "by",
    ">processor",
    ">memory",
    ">made",
    ">attempts",
    "agents",
    "approval",
    ">step-median",
    ">step-longest",
    ">step-memory",
];
const USUAL: [&str; 6] = ["run", "state", "submitted", "took", "items", "by"];
const USUAL_FOR_A_STEP: [&str; 7] = [
    "run",
    "submitted",
    "items",
    "step-median",
    "step-longest",
    "step-memory",
    "by",
];

/// Lists runs.
pub async fn history(
    arguments: &History,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    let request = request(arguments)?;
    let columns = columns(arguments)?;
    with_session(settings, Purpose::Ask, printer, async |session| {
        let (sums, rows) = Looks::over(&session.rpc).search(request).await?;
        if printer.is_json() {
            print_json(&rows, arguments, printer);
            sums.trends.iter().for_each(|trend| printer.object(&Trend::of(trend)));
            printer.object(&HistorySums::of(&sums));
        } else if arguments.csv {
            let text = if arguments.trends {
                trends::csv_text(&sums.trends)?
            } else {
                csv_text(&rows, &columns)?
            };
            printer.raw(text.as_bytes());
        } else if sums.runs == 0 {
            printer.note(match sums.hint.as_str() {
                "" if is_plain(arguments) => "there are no runs yet",
                "" => "no run fits",
                hint => hint,
            });
        } else if arguments.trends {
            printer.data(trends::text(&sums.trends));
        } else {
            if !arguments.sums {
                print_table(&rows, &columns, printer);
            }
            print_sums(&sums, rows.len(), arguments, printer);
        }
        if sums.behind > 0 {
            printer.warning(format_args!(
                "{} not gathered yet: what asks for steps, variants, agents, memory or approval does not find them; ask again in a minute",
                human::count(usize::try_from(sums.behind).unwrap_or(usize::MAX), "run is", "runs are"),
            ));
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}

fn request(arguments: &History) -> Result<SearchRequest, Failure> {
    let (from_ms, to_ms) = match &arguments.when {
        Some(text) => stretch(text, &jiff::ZonedDateTime::now())?,
        None => (0, 0),
    };
    let known: Vec<&str> = ["open", "paused", "ended"]
        .into_iter()
        .chain(state::ALL.map(state::word))
        .collect();
    if let Some(bad) = arguments
        .state
        .iter()
        .find(|word| !known.contains(&word.as_str()))
    {
        let hint = match nearest(bad, known.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("states are {}", known.join(", ")),
        };
        return Err(Failure::wrong(format!("`{bad}` is no state")).hint(hint));
    }
    Ok(SearchRequest {
        manifest: arguments
            .manifest
            .as_deref()
            .map(manifest_name)
            .transpose()?
            .unwrap_or_default(),
        from_ms,
        to_ms,
        states: arguments.state.clone(),
        variant: arguments.variant.clone(),
        step: arguments.step.clone(),
        agent: arguments.agent.clone(),
        person: arguments.person.clone(),
        tool: arguments.tool.clone(),
        approval: arguments
            .approval
            .map(Approval::word)
            .unwrap_or_default()
            .to_owned(),
        longer_ms: milliseconds(arguments.longer_than),
        shorter_ms: milliseconds(arguments.shorter_than),
        memory_over_bytes: arguments.memory_over.map_or(0, |size| size.as_u64()),
        memory_under_bytes: arguments.memory_under.map_or(0, |size| size.as_u64()),
        trends: arguments.trends,
        sort: arguments.sort.word().to_owned(),
        offset: arguments.skip,
        limit: arguments.limit,
    })
}

fn milliseconds(time: Option<std::time::Duration>) -> u64 {
    time.map_or(0, |time| u64::try_from(time.as_millis()).unwrap_or(u64::MAX))
}

/// Nothing was asked but all runs.
fn is_plain(arguments: &History) -> bool {
    let plain = SearchRequest {
        sort: arguments.sort.word().to_owned(),
        offset: arguments.skip,
        limit: arguments.limit,
        trends: arguments.trends,
        ..SearchRequest::default()
    };
    request(arguments).is_ok_and(|request| request == plain)
}

fn columns(arguments: &History) -> Result<Vec<&'static str>, Failure> {
    let named = |name: &str| {
        COLUMNS
            .into_iter()
            .find(|column| column.trim_start_matches('>') == name)
    };
    let usual: &[&str] = if arguments.step.is_empty() {
        &USUAL
    } else {
        &USUAL_FOR_A_STEP
    };
    if arguments.columns.is_empty() {
        return Ok(usual.iter().filter_map(|name| named(name)).collect());
    }
    let read = |name: &String| {
        named(name).ok_or_else(|| {
            let known: Vec<&str> = COLUMNS
                .iter()
                .map(|column| column.trim_start_matches('>'))
                .collect();
            Failure::wrong(format!("there is no column `{name}`"))
                .hint(format!("columns are {}", known.join(", ")))
        })
    };
    arguments.columns.iter().map(read).collect()
}

/// What stands in a column. `plain`: for programs, in ms and bytes.
fn value(row: &SearchRow, column: &str, plain: bool) -> String {
    let run = row.run.clone().unwrap_or_default();
    let step = row.step.unwrap_or_default();
    let time = |ms: u64| match (plain, ms) {
        (true, ms) => ms.to_string(),
        (false, 0) => String::new(),
        (false, ms) => human::duration(ms),
    };
    let size = |bytes: u64| match (plain, bytes) {
        (true, bytes) => bytes.to_string(),
        (false, 0) => String::new(),
        (false, bytes) => human::size(bytes),
    };
    match column.trim_start_matches('>') {
        "run" => run.run.clone(),
        "state" => run_word(&run).to_owned(),
        "submitted" if plain => jiff::Timestamp::from_millisecond(run.submitted_ms)
            .map(|at| at.to_string())
            .unwrap_or_default(),
        "submitted" => human::moment(run.submitted_ms),
        "took" => time(elapsed_ms(&run)),
        "items" => counts_in_words(&run),
        "by" => match (run.draft, run.until.as_str()) {
            (false, "") => run.person.clone(),
            (true, _) => format!("{} (draft)", run.person),
            (false, until) => format!("{} (until {until})", run.person),
        },
        "processor" => time(run.cpu_ms),
        "memory" => size(row.peak_memory_bytes),
        "made" => size(row.made_bytes),
        "attempts" => run.attempts.to_string(),
        "agents" => row.agents.join(" "),
        "approval" => row.standing.as_ref().map(standing_in_words).unwrap_or_default(),
        "step-median" => time(step.median_ms),
        "step-longest" => time(step.longest_ms),
        _ => size(step.peak_memory_bytes),
    }
}

/// `3 approved, 1 void, 96 wait for a look`.
fn standing_in_words(counts: &StandingCounts) -> String {
    let words = [
        (counts.rejected, "rejected"),
        (counts.void, "void"),
        (counts.approved, "approved"),
        (counts.unseen, "to be looked at"),
        (counts.unfinished, "not finished"),
    ];
    let words = words.iter().filter(|(count, _)| *count > 0);
    words
        .map(|(count, word)| format!("{count} {word}"))
        .collect::<Vec<_>>()
        .join(", ")
}

fn print_table(rows: &[SearchRow], columns: &[&str], printer: &Printer) {
    let mut runs = table::with_heads(columns);
    for row in rows {
        runs.add_row(
            columns
                .iter()
                .map(|column| value(row, column, false))
                .collect::<Vec<_>>(),
        );
    }
    printer.data(table::text(&runs));
}

fn csv_text(rows: &[SearchRow], columns: &[&str]) -> Result<String, Failure> {
    let unit = |column: &&str| match column.trim_start_matches('>') {
        name @ ("took" | "processor" | "step-median" | "step-longest") => format!("{name}_ms"),
        name @ ("memory" | "made" | "step-memory") => format!("{name}_bytes"),
        name => name.to_owned(),
    };
    let failed = |error: csv::Error| Failure::work(format!("the list cannot be written: {error}"));
    let mut out = csv::Writer::from_writer(Vec::new());
    out.write_record(columns.iter().map(unit)).map_err(failed)?;
    for row in rows {
        out.write_record(columns.iter().map(|column| value(row, column, true)))
            .map_err(failed)?;
    }
    csv_written(out)
}

/// All that was written, as text.
pub(super) fn csv_written(out: csv::Writer<Vec<u8>>) -> Result<String, Failure> {
    let bytes = out
        .into_inner()
        .map_err(|error| Failure::work(format!("the list cannot be written: {error}")))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn print_json(rows: &[SearchRow], arguments: &History, printer: &Printer) {
    if arguments.sums || arguments.trends {
        return;
    }
    for row in rows {
        let run = row.run.clone().unwrap_or_default();
        print_run(&run, printer);
        printer.object(&RunFigures::of(&run.run, row));
        if let Some(step) = &row.step {
            printer.object(&StepTook::of(&run.run, &arguments.step, step));
        }
    }
}

fn print_sums(sums: &SearchSums, shown: usize, arguments: &History, printer: &Printer) {
    let counts = sums.items.unwrap_or_default();
    let items: u32 = state::ALL.iter().map(|of| state::count(&counts, *of)).sum();
    let words = format!(
        "{}, {}, {:.1} core hours, {:.0} % reused, {} made",
        human::count(usize::try_from(sums.runs).unwrap_or(usize::MAX), "run", "runs"),
        human::count(items as usize, "item", "items"),
        sums.cpu_ms as f64 / 3_600_000.0,
        reuse_share(sums) * 100.0,
        human::size(sums.made_bytes),
    );
    if arguments.sums {
        printer.data(words);
        return;
    }
    printer.note(format_args!("in all {words}"));
    if sums.runs > u64::from(arguments.skip) + shown as u64 {
        printer.hint(format_args!(
            "`--skip {}` shows the next",
            arguments.skip as usize + shown
        ));
    }
}

/// A manifest's name: as it is, or from the file that is named.
fn manifest_name(text: &str) -> Result<String, Failure> {
    if !Path::new(text).is_file() {
        return Ok(text.to_owned());
    }
    let file = ManifestFile::read(Path::new(text))?;
    match tidemill_plan::wanted(&file.text, &file.name) {
        Ok(wanted) => Ok(wanted.manifest),
        Err(_) => Err(
            Failure::wrong(format!("{text} is no sound manifest, so its name is not known")).hint(format!(
                "`tidemill check {text}` says what is wrong; or give the name itself"
            )),
        ),
    }
}
