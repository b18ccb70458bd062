//! Which surveyed files are base models.

use globset::GlobMatcher;

use super::{Base, ModelFile, fields, newest};
use crate::diagnostics::Report;
use crate::paths;
use crate::read::variants::compile;
use crate::read::{At, VariantsDecl};
use crate::survey::Survey;

/// Tells base models from other files: the same for the survey and for the plan.
#[derive(Debug, Clone)]
pub struct ModelFilter {
    models: GlobMatcher,
    excludes: Vec<Exclude>,
    folder: String,
}

#[derive(Debug, Clone)]
struct Exclude {
    matcher: GlobMatcher,
    /// A pattern without `/` is about file names in any folder.
    names_only: bool,
}

impl Exclude {
    fn matches(&self, path: &str) -> bool {
        let file = path.rsplit('/').next().unwrap_or(path);
        self.matcher.is_match(if self.names_only { file } else { path })
    }
}

impl ModelFilter {
    /// `None` if a pattern cannot be read.
    pub(crate) fn new<'p>(models: &str, excludes: impl Iterator<Item = &'p str>) -> Option<Self> {
        let excludes = excludes.map(|pattern| {
            let matcher = compile(pattern).ok()?;
            Some(Exclude {
                matcher,
                names_only: !pattern.contains('/'),
            })
        });
        let excludes = excludes.collect::<Option<Vec<_>>>()?;
        let fixed = models.split(['*', '?', '[', '{']).next().unwrap_or("");
        let folder = fixed.rsplit_once('/').map_or("", |(folder, _)| folder).to_owned();
        Some(Self {
            models: compile(models).ok()?,
            excludes,
            folder,
        })
    }

    /// Whether a path, relative to the manifest, is a base model.
    pub fn matches(&self, path: &str) -> bool {
        self.models.is_match(path) && !self.excludes.iter().any(|exclude| exclude.matches(path))
    }

    /// The folder below which all base models are; empty for the manifest's own.
    pub fn folder(&self) -> &str {
        &self.folder
    }
}

/// One base for each model that the pattern selects.
pub(super) fn bases(
    pattern: &At<String>,
    decl: &VariantsDecl,
    survey: &Survey,
    models: &mut Vec<ModelFile>,
    report: &mut Report<'_>,
) -> Vec<Base> {
    let excludes = decl.excludes.iter().map(At::as_str);
    let Some(filter) = ModelFilter::new(&pattern.value, excludes) else {
        return Vec::new();
    };
    let files = survey.files.iter().filter(|(_, file)| !file.folder);
    let all: Vec<&str> = files
        .map(|(path, _)| path.as_str())
        .filter(|path| filter.models.is_match(path))
        .collect();
    for (exclude, written) in filter.excludes.iter().zip(&decl.excludes) {
        if !all.is_empty() && !all.iter().any(|path| exclude.matches(path)) {
            report.remark(
                "unused-exclude",
                &written.span,
                format!("`{}` excludes nothing", written.value),
            );
        }
    }
    let kept: Vec<&str> = all.iter().copied().filter(|path| filter.matches(path)).collect();
    if kept.is_empty() {
        let (message, hint) = if all.is_empty() {
            let hint =
                "check the folder and the extension; `*` stays within one folder, `**/` crosses folders";
            (format!("no file matches `{}`", pattern.value), hint)
        } else {
            let message = format!(
                "`exclude` leaves none of the {} files that match `{}`",
                all.len(),
                pattern.value
            );
            (message, "exclude less")
        };
        report
            .error("empty-pattern", &pattern.span, message)
            .label("no base model")
            .hint(hint);
    }
    let kept = match &decl.newest {
        Some(template) => newest::choose(template, &kept, report),
        None => kept
            .iter()
            .map(|path| ModelFile {
                path: (*path).to_owned(),
                stem: paths::stem(path).to_owned(),
            })
            .collect(),
    };
    let mut bases = Vec::new();
    for model in kept {
        let values = match &decl.fields {
            Some(template) => fields::read(template, &model, report),
            None => Some(Vec::new()),
        };
        let origin = model.path.clone();
        models.push(model);
        if let Some(values) = values {
            bases.push(Base {
                model: Some(models.len() - 1),
                values,
                origin,
            });
        }
    }
    bases
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stars_stay_within_a_folder() {
        let filter = ModelFilter::new("base/*.obj", ["*_old.obj", "base/x*"].into_iter()).unwrap();
        assert!(filter.matches("base/crate.obj"));
        assert!(!filter.matches("base/more/crate.obj"));
        assert!(!filter.matches("base/crate_old.obj"));
        assert!(!filter.matches("base/x1.obj"));
        assert_eq!(filter.folder(), "base");
        let deep = ModelFilter::new("base/**/*.{obj,glb}", std::iter::empty()).unwrap();
        assert!(deep.matches("base/a/b/c.glb") && deep.matches("base/c.obj"));
        assert_eq!(
            ModelFilter::new("*.obj", std::iter::empty()).unwrap().folder(),
            ""
        );
    }
}
