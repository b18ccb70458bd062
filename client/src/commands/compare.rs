//! `compare`: what differs between two runs: first what somebody changed, then what came of it.

use std::collections::BTreeMap;

use futures::StreamExt as _;
use schemars::JsonSchema;
use serde::Serialize;
use tidemill_page::facts::extension_of;
use tidemill_proto::v1::{ItemAttempts, ItemRow, Plan};

use super::with_session;
use crate::arguments::{Compare, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::looks::Looks;
use crate::looks::differ::{Difference, measure};
use crate::looks::gather::blob;
use crate::looks::plans::{PlanDifference, differences};
use crate::output::{human, table};
use crate::printer::Printer;
use crate::rpc::Rpc;
use crate::session::Purpose;
use crate::settings::Settings;

/// So many pairs of outputs are measured at the same time: each is held in memory.
const AT_ONCE: usize = 2;

/// `kind = "changed"`: a setting, argument or file that differs.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct ChangedObject<'a> {
    #[schemars(extend("const" = "changed"))]
    kind: &'static str,
    name: &'a str,
    before: &'a str,
    after: &'a str,
    items: usize,
}

/// `kind = "variant"`: one that only one of the runs has.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct VariantObject<'a> {
    #[schemars(extend("const" = "variant"))]
    kind: &'static str,
    variant: &'a str,
    change: &'static str,
}

/// `kind = "output-difference"`: an output whose bytes differ, and how much, where that can be measured.
#[derive(Debug, Default, Serialize, JsonSchema)]
pub(crate) struct OutputObject<'a> {
    #[schemars(extend("const" = "output-difference"))]
    kind: &'static str,
    item: &'a str,
    output: &'a str,
    path: &'a str,
    changed_share: Option<f64>,
    greatest: Option<f64>,
    mean_m: Option<f64>,
    greatest_m: Option<f64>,
    triangles_before: Option<usize>,
    triangles_after: Option<usize>,
    words: &'a str,
}

/// `kind = "step-difference"`: what a step took in each run.
#[derive(Debug, Serialize, JsonSchema)]
pub(crate) struct StepObject<'a> {
    #[schemars(extend("const" = "step-difference"))]
    kind: &'static str,
    step: &'a str,
    attempts: [usize; 2],
    elapsed_ms: [u64; 2],
    peak_memory_bytes: [u64; 2],
}

/// Compares two runs, the first as the earlier.
pub async fn compare(
    arguments: &Compare,
    settings: &Settings,
    printer: &Printer,
) -> Result<ExitStatus, Failure> {
    with_session(settings, Purpose::Read, printer, async |session| {
        let rpc = session.rpc.clone();
        let mut runs = Vec::new();
        for named in [&arguments.before, &arguments.after] {
            let run = rpc.find(&RunPick::Named(named.clone())).await?.run;
            let (plan, items) = (rpc.plan(&run).await?, rpc.items(&run, "").await?);
            let attempts = Looks::over(&rpc).attempts(&run).await?;
            runs.push((run, plan, items, attempts));
        }
        let [before, after] = runs.as_slice() else {
            return Err(Failure::wrong("two runs are compared"));
        };
        let of_plans = differences(&before.1, &after.1);
        tell_plans(&of_plans, printer);
        let differing = differing(&before.2, &after.2);
        let measured = measured(&differing, arguments.at_most, &rpc).await;
        tell_outputs(&differing, &measured, printer);
        tell_steps(
            &step_figures(&before.1, &before.3),
            &step_figures(&after.1, &after.3),
            printer,
        );
        if !printer.is_json() && of_plans == PlanDifference::default() && differing.is_empty() {
            printer.data(format_args!("{} and {} are the same", before.0, after.0));
        }
        Ok(ExitStatus::AllDone)
    })
    .await
}

fn tell_plans(found: &PlanDifference, printer: &Printer) {
    for changed in &found.changed {
        printer.object(&ChangedObject {
            kind: "changed",
            name: &changed.name,
            before: &changed.before,
            after: &changed.after,
            items: changed.items,
        });
        if !printer.is_json() {
            let or_none = |text: &str| {
                if text.is_empty() {
                    "nothing".to_owned()
                } else {
                    text.to_owned()
                }
            };
            printer.data(format_args!(
                "{} {} -> {} ({})",
                changed.name,
                or_none(&changed.before),
                or_none(&changed.after),
                human::count(changed.items, "item", "items")
            ));
        }
    }
    for (names, change) in [(&found.added, "added"), (&found.removed, "removed")] {
        for name in names {
            printer.object(&VariantObject {
                kind: "variant",
                variant: name,
                change,
            });
            if !printer.is_json() {
                printer.data(format_args!("variant {change}: {name}"));
            }
        }
    }
}

/// An output that both runs have, with different bytes.
struct Differing<'a> {
    item: &'a str,
    output: &'a str,
    path: &'a str,
    before: &'a [u8],
    after: &'a [u8],
}

fn differing<'a>(before: &'a [ItemRow], after: &'a [ItemRow]) -> Vec<Differing<'a>> {
    let later: BTreeMap<&str, &ItemRow> = after.iter().map(|row| (row.address.as_str(), row)).collect();
    let mut found = Vec::new();
    for row in before {
        let Some(other) = later.get(row.address.as_str()) else {
            continue;
        };
        for made in &row.outputs {
            let same_name = other.outputs.iter().find(|output| output.name == made.name);
            if let Some(output) = same_name.filter(|output| output.digest != made.digest) {
                found.push(Differing {
                    item: &row.address,
                    output: &made.name,
                    path: &output.path,
                    before: &made.digest,
                    after: &output.digest,
                });
            }
        }
    }
    found
}

async fn measured(differing: &[Differing<'_>], at_most: usize, rpc: &Rpc) -> Vec<Difference> {
    let of = |pair: &Differing<'_>| {
        let (before, after) = (pair.before.to_vec(), pair.after.to_vec());
        let extension = extension_of(pair.path).unwrap_or_default();
        async move {
            let bytes = tokio::join!(blob(rpc, &before), blob(rpc, &after));
            let (Ok(before), Ok(after)) = bytes else {
                return Difference::Other("one of them is no longer in the store".to_owned());
            };
            tokio::task::spawn_blocking(move || measure(&extension, &before, &after))
                .await
                .unwrap_or_else(|error| Difference::Other(error.to_string()))
        }
    };
    let pairs: Vec<_> = differing.iter().take(at_most).map(of).collect();
    futures::stream::iter(pairs).buffered(AT_ONCE).collect().await
}

fn tell_outputs(differing: &[Differing<'_>], measured: &[Difference], printer: &Printer) {
    if differing.is_empty() {
        return;
    }
    let mut list = table::with_heads(&["output that differs", "how much"]);
    for (index, pair) in differing.iter().enumerate() {
        let difference = measured.get(index);
        let words = match difference {
            Some(Difference::Pixels {
                changed_share,
                greatest,
            }) => {
                format!(
                    "{:.2} % of pixels, at most {:.1} % of the range",
                    changed_share * 100.0,
                    greatest * 100.0
                )
            }
            Some(Difference::Surface {
                mean_m,
                greatest_m,
                triangles: [before, after],
            }) => {
                let count = if before == after {
                    String::new()
                } else {
                    format!(", {before} -> {after} triangles")
                };
                format!(
                    "{:.2} mm on average, at most {:.2} mm{count}",
                    mean_m * 1000.0,
                    greatest_m * 1000.0
                )
            }
            Some(Difference::Other(words)) => words.clone(),
            None => "not measured (--at-most)".to_owned(),
        };
        let mut object = OutputObject {
            kind: "output-difference",
            item: pair.item,
            output: pair.output,
            path: pair.path,
            words: &words,
            ..OutputObject::default()
        };
        match difference {
            Some(Difference::Pixels {
                changed_share,
                greatest,
            }) => {
                object.changed_share = Some(*changed_share);
                object.greatest = Some(*greatest);
            }
            Some(Difference::Surface {
                mean_m,
                greatest_m,
                triangles,
            }) => {
                object.mean_m = Some(*mean_m);
                object.greatest_m = Some(*greatest_m);
                object.triangles_before = Some(triangles[0]);
                object.triangles_after = Some(triangles[1]);
            }
            _ => {}
        }
        printer.object(&object);
        list.add_row([format!("{} {}", pair.item, pair.output), words]);
    }
    if !printer.is_json() {
        printer.data("");
        printer.data(table::text(&list));
    }
}

/// Attempts, time of all together and highest memory, by the step's name.
fn step_figures<'a>(plan: &'a Plan, attempts: &[ItemAttempts]) -> BTreeMap<&'a str, (usize, u64, u64)> {
    let mut found: BTreeMap<&str, (usize, u64, u64)> = BTreeMap::new();
    for row in attempts {
        let item = plan.items.get(row.index as usize);
        let Some(step) = item.and_then(|item| plan.steps.get(item.step as usize)) else {
            continue;
        };
        for measured in row.attempts.iter().filter_map(|attempt| attempt.measured) {
            let figures = found.entry(&step.name).or_default();
            figures.0 += 1;
            figures.1 += measured.elapsed_ms;
            figures.2 = figures.2.max(measured.peak_memory_bytes);
        }
    }
    found
}

fn tell_steps(
    before: &BTreeMap<&str, (usize, u64, u64)>,
    after: &BTreeMap<&str, (usize, u64, u64)>,
    printer: &Printer,
) {
    let mut list = table::with_heads(&["step", ">attempts", ">time", ">peak memory"]);
    let names: std::collections::BTreeSet<&&str> = before.keys().chain(after.keys()).collect();
    let arrow = |before: String, after: String| {
        if before == after {
            before
        } else {
            format!("{before} -> {after}")
        }
    };
    for step in &names {
        let of =
            |figures: &BTreeMap<&str, (usize, u64, u64)>| figures.get(**step).copied().unwrap_or_default();
        let (was, is) = (of(before), of(after));
        printer.object(&StepObject {
            kind: "step-difference",
            step,
            attempts: [was.0, is.0],
            elapsed_ms: [was.1, is.1],
            peak_memory_bytes: [was.2, is.2],
        });
        list.add_row([
            (**step).to_owned(),
            arrow(was.0.to_string(), is.0.to_string()),
            arrow(human::duration(was.1), human::duration(is.1)),
            arrow(human::size(was.2), human::size(is.2)),
        ]);
    }
    if !printer.is_json() && !names.is_empty() {
        printer.data("");
        printer.data(table::text(&list));
    }
}
