//! What base models say about themselves against what the manifest asks of them: tags and size.

use std::collections::BTreeSet;

use tidemill_ops::declare::{Declaration, SettingKind};

use crate::diagnostics::Report;
use crate::nearest;
use crate::read::{ActionDecl, CallDecl, SourceDecl, StepDecl, VariantsDecl};
use crate::survey::{ModelFacts, Survey};
use crate::units;
use crate::variants::Population;

/// Models outside of these lengths are probably in another unit than declared, in metres.
const USUAL_LENGTH_M: std::ops::RangeInclusive<f64> = 0.01..=50.0;

/// Formats that carry no unit and no up axis of their own.
pub(crate) fn carries_no_unit(extension: &str) -> bool {
    [".obj", ".ply"].contains(&extension)
}

/// What the steps of a manifest do with base models.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct ModelUse {
    /// Some operation reads them.
    pub(crate) read: bool,
    /// Every chain that reads them has a `tag` before anything that names tags: their own tags need not be right, and rules
    /// that miss fail at their item.
    pub(crate) tagged_first: bool,
}

impl ModelUse {
    /// Of the steps as they are written.
    pub(crate) fn of(steps: &[StepDecl], operations: &[Declaration]) -> Self {
        let mut found = Self {
            read: false,
            tagged_first: true,
        };
        for step in steps {
            let reads_models = step
                .from
                .iter()
                .any(|from| matches!(from.source, SourceDecl::Model));
            if let (Some(ActionDecl::Operations(calls)), true) = (&step.action, reads_models) {
                found.read = true;
                found.tagged_first &= gives_tags_first(calls, operations);
            }
        }
        found.tagged_first &= found.read;
        found
    }
}

/// A call of `tag` stands before every call that goes by tags. Moving or rebuilding a mesh first does no harm.
fn gives_tags_first(calls: &[CallDecl], operations: &[Declaration]) -> bool {
    for call in calls {
        if call.op.value == "tag" {
            return true;
        }
        let Some(declaration) = operations.iter().find(|known| known.name == call.op.value) else {
            return false;
        };
        let goes_by_tags = call.settings.iter().any(|(name, _)| {
            let setting = declaration.setting(&name.value);
            setting.is_some_and(|setting| {
                matches!(
                    setting.kind,
                    SettingKind::Tag | SettingKind::Tags | SettingKind::TagLimits { .. }
                )
            })
        });
        if goes_by_tags || declaration.uses_tags {
            return false;
        }
    }
    false
}

/// Checks every model that a variant uses.
pub(crate) fn check(
    decl: &VariantsDecl,
    population: &Population,
    survey: &Survey,
    model_use: ModelUse,
    report: &mut Report<'_>,
) {
    let mut used: BTreeSet<usize> = population
        .variants
        .iter()
        .filter_map(|variant| variant.model)
        .collect();
    if used.is_empty() {
        // Something kept variants from being made; what is wrong with the models is worth saying all the same.
        used.extend(0..population.models.len());
    }
    for model in used {
        let path = &population.models[model].path;
        let Some(file) = survey.files.get(path) else {
            continue;
        };
        match &file.model {
            Some(Ok(facts)) => {
                check_tags(path, facts, decl, population, model_use.tagged_first, report);
                check_size(path, facts, decl, population, report);
            }
            Some(Err(why)) if !decl.tags.is_empty() || model_use.read => {
                report
                    .error(
                        "unreadable-model",
                        &population.span,
                        format!("`{path}` cannot be read as a model: {why}"),
                    )
                    .hint("mend the file, or leave it out with `exclude`");
            }
            None if !decl.tags.is_empty() => {
                report
                    .error("unreadable-model", &population.span, format!("`{path}` was not read as a model, so its tags are unknown"))
                    .hint("tags are read from `.obj`, `.glb`, `.gltf` and `.ply`; without `tags` any file will do");
            }
            _ => {}
        }
    }
}

fn check_tags(
    path: &str,
    facts: &ModelFacts,
    decl: &VariantsDecl,
    population: &Population,
    tagged_first: bool,
    report: &mut Report<'_>,
) {
    if decl.tags.is_empty() {
        return;
    }
    if tagged_first {
        return remark_tags(path, facts, decl, population, report);
    }
    let known: Vec<&str> = decl.tags.iter().map(|tag| tag.name.as_str()).collect();
    if facts.untagged > 0 {
        let total = facts.untagged + facts.tags.values().sum::<u64>();
        let message = format!("`{path}` has {} without a tag, of {total}", faces(facts.untagged));
        report
            .error("untagged-faces", &population.span, message)
            .hint(format!(
                "give each face one of the materials {}",
                nearest::quoted(&known)
            ));
    }
    let absent: Vec<&str> = known
        .iter()
        .copied()
        .filter(|tag| facts.tags.get(*tag).is_none_or(|count| *count == 0))
        .collect();
    let mut strangers: BTreeSet<&str> = BTreeSet::new();
    for (tag, count) in facts
        .tags
        .iter()
        .filter(|(tag, count)| **count > 0 && !known.contains(&tag.as_str()))
    {
        strangers.insert(tag);
        let message = format!(
            "`{path}` has {} with the tag `{tag}`, which the manifest does not know",
            faces(*count)
        );
        // A tag that the model lacks is the likelier one to be meant.
        let hint = nearest::nearest(tag, absent.iter().copied())
            .or_else(|| nearest::nearest(tag, known.iter().copied()))
            .map(|near| format!("did you mean `{near}`?"))
            .unwrap_or_else(|| {
                format!(
                    "rename the material, or add it to `tags`; known here: {}",
                    nearest::quoted(&known)
                )
            });
        report
            .error("unknown-model-tag", &population.span, message)
            .hint(hint);
    }
    for tag in decl
        .tags
        .iter()
        .filter(|tag| tag.required && absent.contains(&tag.name.as_str()))
    {
        let misnamed = strangers
            .iter()
            .find(|stranger| nearest::nearest(stranger, [tag.name.as_str()]).is_some());
        let hint = match misnamed {
            Some(stranger) => format!(
                "its tag `{stranger}` is probably meant to be `{}`",
                tag.name.value
            ),
            None => format!(
                "tag some faces, or let models do without it: `{} = {{ color = \"#{:06X}\", required = false }}`",
                tag.name.value, tag.color
            ),
        };
        report
            .error(
                "missing-tag",
                &tag.name.span,
                format!("`{path}` has no face with the tag `{}`", tag.name.value),
            )
            .label("required of every model")
            .hint(hint);
    }
}

/// Where rules give the tags, what a model says about itself is worth one line, and no reason to stop.
fn remark_tags(
    path: &str,
    facts: &ModelFacts,
    decl: &VariantsDecl,
    population: &Population,
    report: &mut Report<'_>,
) {
    let known = |tag: &str| decl.tags.iter().any(|known| known.name.value == tag);
    let strangers = facts.tags.iter().filter(|(tag, _)| !known(tag));
    let left: u64 = facts.untagged + strangers.map(|(_, count)| count).sum::<u64>();
    if left > 0 {
        let message = format!(
            "`{path}` has {} without a tag that the manifest knows; the rules of `tag` must catch them",
            faces(left)
        );
        report
            .remark("tags-by-rule", &population.span, message)
            .hint("`complete = true` in the last `tag` fails an item whose faces were not all caught");
    }
}

fn faces(count: u64) -> String {
    if count == 1 {
        "1 face".to_owned()
    } else {
        format!("{count} faces")
    }
}

/// Longest side of a model's box, in metres.
pub(crate) fn longest_side_m(path: &str, facts: &ModelFacts, decl: &VariantsDecl) -> Option<f64> {
    let (least, greatest) = facts.bounds?;
    let factor = if carries_no_unit(&crate::paths::extension(path)) {
        units::metres_per(&decl.units).unwrap_or(1.0)
    } else {
        1.0
    };
    let sides = least
        .iter()
        .zip(&greatest)
        .map(|(least, greatest)| (greatest - least) * factor);
    sides.reduce(f64::max)
}

fn check_size(
    path: &str,
    facts: &ModelFacts,
    decl: &VariantsDecl,
    population: &Population,
    report: &mut Report<'_>,
) {
    let Some(side) = longest_side_m(path, facts, decl) else {
        return;
    };
    if USUAL_LENGTH_M.contains(&side) {
        return;
    }
    let size = if side < *USUAL_LENGTH_M.start() {
        "small"
    } else {
        "large"
    };
    let entry = report.remark(
        "unusual-size",
        &population.span,
        format!(
            "`{path}` is unusually {size}: its longest side is {} m",
            crate::settings::rounded(side)
        ),
    );
    if carries_no_unit(&crate::paths::extension(path)) {
        entry.hint(format!(
            "is it really in {}? `units` says so; a file of this format carries no unit",
            decl.units
        ));
    }
}
