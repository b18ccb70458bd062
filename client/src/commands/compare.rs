//! `compare`: what differs between two runs: first what somebody changed, then what came of it.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use futures::{StreamExt as _, TryStreamExt as _};
use schemars::JsonSchema;
use serde::Serialize;
use tidemill_agent::paint::draw::tag_color;
use tidemill_ops::TagColor;
use tidemill_page::facts::extension_of;
use tidemill_proto::v1::{ItemAttempts, ItemRow, Plan};

use super::with_session;
use crate::arguments::{Compare, RunPick};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::looks::Looks;
use crate::looks::differ::{Difference, Pair, measure, pair as read_pair};
use crate::looks::gather::blob;
use crate::looks::plans::{PlanDifference, differences};
use crate::looks::side_by_side::side_by_side;
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
    /// Where the picture of both lies, with `--pictures`.
    picture: Option<Cow<'a, str>>,
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
        let (mut runs, mut tools) = (Vec::new(), Vec::new());
        for named in [&arguments.before, &arguments.after] {
            let row = rpc.find(&RunPick::Named(named.clone())).await?;
            tools.push(row.tools);
            let run = row.run;
            let (plan, items) = (rpc.plan(&run).await?, rpc.items(&run, "").await?);
            let attempts = Looks::over(&rpc).attempts(&run).await?;
            runs.push((run, plan, items, attempts));
        }
        let [before, after] = runs.as_slice() else {
            return Err(Failure::wrong("two runs are compared"));
        };
        let mut of_plans = differences(&before.1, &after.1);
        if let [was, is] = tools.as_slice() {
            of_plans.add_tools(&after.1, was, is);
        }
        tell_plans(&of_plans, printer);
        let differing = differing(&before.2, &after.2);
        let gallery = arguments.pictures.as_deref();
        let gallery = gallery.map(|folder| Gallery::of(folder, &before.0, &after.0, &after.1));
        let measured = measured(&differing, arguments.at_most, gallery.transpose()?, &rpc).await?;
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

/// What was measured of a pair, and where its picture lies.
struct Measured {
    difference: Difference,
    picture: Option<PathBuf>,
}

/// Where pictures go, and what stands on them.
struct Gallery {
    folder: PathBuf,
    names: [String; 2],
    tags: Vec<TagColor>,
}

impl Gallery {
    fn of(folder: &Path, before: &str, after: &str, plan: &Plan) -> Result<Self, Failure> {
        std::fs::create_dir_all(folder).map_err(|error| Failure::file("make", folder, &error))?;
        Ok(Self {
            folder: folder.to_owned(),
            names: [before.to_owned(), after.to_owned()],
            tags: plan.tags.iter().map(tag_color).collect(),
        })
    }

    /// Names of items are those of a manifest; in a file's name only plain characters stay.
    fn path(&self, place: usize, title: &str) -> PathBuf {
        let plain = |letter: char| match letter {
            letter if letter.is_alphanumeric() || matches!(letter, '-' | '_' | '=') => letter,
            _ => '.',
        };
        let name: String = title.chars().map(plain).take(120).collect();
        self.folder.join(format!("{:03}.{name}.png", place + 1))
    }
}

async fn measured(
    differing: &[Differing<'_>],
    at_most: usize,
    gallery: Option<Gallery>,
    rpc: &Rpc,
) -> Result<Vec<Measured>, Failure> {
    let gallery = gallery.map(Arc::new);
    let of = |(place, pair): (usize, &Differing<'_>)| {
        let (before, after) = (pair.before.to_vec(), pair.after.to_vec());
        let extension = extension_of(pair.path).unwrap_or_default();
        let title = format!("{} {}", pair.item, pair.output);
        let gallery = gallery.clone();
        async move {
            let bytes = tokio::join!(blob(rpc, &before), blob(rpc, &after));
            let (Ok(before), Ok(after)) = bytes else {
                return Ok(Measured {
                    difference: Difference::Other("one of them is no longer in the store".to_owned()),
                    picture: None,
                });
            };
            let work = move || {
                let pair = read_pair(&extension, &before, &after);
                let difference = measure(&pair);
                let picture = match &gallery {
                    Some(gallery) => hang(gallery, place, &title, &pair, &difference)?,
                    None => None,
                };
                Ok(Measured { difference, picture })
            };
            tokio::task::spawn_blocking(work)
                .await
                .unwrap_or_else(|error| Err(Failure::work(error.to_string())))
        }
    };
    let pairs: Vec<_> = differing.iter().enumerate().take(at_most).map(of).collect();
    futures::stream::iter(pairs).buffered(AT_ONCE).try_collect().await
}

/// Writes the picture of a pair, if there is something to draw.
fn hang(
    gallery: &Gallery,
    place: usize,
    title: &str,
    pair: &Pair,
    difference: &Difference,
) -> Result<Option<PathBuf>, Failure> {
    let names = [gallery.names[0].as_str(), gallery.names[1].as_str()];
    let Some(png) = side_by_side(pair, title, names, &difference.in_words(), &gallery.tags) else {
        return Ok(None);
    };
    let path = gallery.path(place, title);
    std::fs::write(&path, png).map_err(|error| Failure::file("write", &path, &error))?;
    Ok(Some(path))
}

fn tell_outputs(differing: &[Differing<'_>], measured: &[Measured], printer: &Printer) {
    if differing.is_empty() {
        return;
    }
    let mut list = table::with_heads(&["output that differs", "how much"]);
    for (index, pair) in differing.iter().enumerate() {
        let measured = measured.get(index);
        let difference = measured.map(|measured| &measured.difference);
        let words = difference.map_or_else(|| "not measured (--at-most)".to_owned(), Difference::in_words);
        let picture = measured.and_then(|measured| measured.picture.as_deref());
        let mut object = OutputObject {
            kind: "output-difference",
            item: pair.item,
            output: pair.output,
            path: pair.path,
            words: &words,
            picture: picture.map(|path| path.to_string_lossy()),
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
    if printer.is_json() {
        return;
    }
    printer.data("");
    printer.data(table::text(&list));
    let pictures: Vec<&Path> = measured.iter().filter_map(|one| one.picture.as_deref()).collect();
    if let Some(folder) = pictures.first().and_then(|path| path.parent()) {
        printer.data("");
        printer.data(format_args!(
            "wrote {} into {}",
            human::count(pictures.len(), "picture", "pictures"),
            folder.display()
        ));
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
