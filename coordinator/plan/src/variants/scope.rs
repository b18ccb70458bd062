//! What a placeholder means, and where it may stand.

use super::{FieldValue, ModelFile, Variant};
use crate::diagnostics::Report;
use crate::nearest;
use crate::read::{At, Piece, Template};

/// The names that placeholders may use.
#[derive(Debug)]
pub(crate) struct Names {
    /// File fields, axes and CSV columns, sorted.
    pub(crate) fields: Vec<String>,
    /// `{stem}` and `{model}` mean something.
    pub(crate) with_models: bool,
    /// Some names could not be read: an unknown one may be right.
    pub(crate) unsure: bool,
}

/// For what a placeholder would be filled in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Scope<'s> {
    /// For a variant that has no name yet.
    Naming,
    /// For a variant.
    Variant,
    /// For a group of variants that have this field in common.
    Group(&'s str, Slot),
    /// For all variants together.
    All,
}

/// What a placeholder stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Slot {
    Stem,
    Model,
    Variant,
    /// Index in [`Names::fields`].
    Field(usize),
}

/// A template whose placeholders are known.
#[derive(Debug, Clone)]
pub(crate) struct CompiledTemplate {
    parts: Vec<CompiledPart>,
}

/// A part of a [`CompiledTemplate`].
#[derive(Debug, Clone)]
pub(crate) enum CompiledPart {
    Text(String),
    Slot(Slot),
}

impl Names {
    /// The slot of a name, wherever it may stand.
    pub(crate) fn slot(&self, name: &str) -> Option<Slot> {
        match name {
            "stem" if self.with_models => Some(Slot::Stem),
            "model" if self.with_models => Some(Slot::Model),
            "variant" => Some(Slot::Variant),
            _ => {
                let found = self.fields.binary_search_by(|field| field.as_str().cmp(name));
                found.ok().map(Slot::Field)
            }
        }
    }

    /// The slot of a placeholder in its scope; an unknown one is an error. `others` are names that mean
    /// something else there (inputs, outputs), for the hint.
    pub(crate) fn find(
        &self,
        name: &At<String>,
        scope: Scope<'_>,
        others: &[&str],
        report: &mut Report<'_>,
    ) -> Option<Slot> {
        let Some(slot) = self.slot(&name.value) else {
            if !self.unsure {
                let known = self.known(scope);
                let known = known.iter().map(String::as_str).chain(others.iter().copied());
                report
                    .error(
                        "unknown-placeholder",
                        &name.span,
                        format!("there is no `{{{}}}`", name.value),
                    )
                    .label("unknown placeholder")
                    .maybe_hint(nearest::hint(&name.value, known));
            }
            return None;
        };
        let here = match scope {
            Scope::Variant => true,
            Scope::Naming => slot != Slot::Variant,
            Scope::Group(_, group) => slot == group,
            Scope::All => false,
        };
        if here {
            return Some(slot);
        }
        let why = match scope {
            Scope::Group(field, _) => {
                format!("in a group only `{{{field}}}` is the same for all its variants")
            }
            Scope::All => "what belongs to all variants together can use no field of one".to_owned(),
            _ => "a variant's name cannot be made of itself".to_owned(),
        };
        report
            .error(
                "placeholder-not-here",
                &name.span,
                format!("`{{{}}}` has no single value here", name.value),
            )
            .hint(why);
        None
    }

    /// Names that have a value in a scope, for hints.
    pub(crate) fn known(&self, scope: Scope<'_>) -> Vec<String> {
        match scope {
            Scope::All => Vec::new(),
            Scope::Group(field, _) => vec![field.to_owned()],
            Scope::Naming | Scope::Variant => {
                let mut known = self.fields.clone();
                if self.with_models {
                    known.extend(["stem", "model"].map(str::to_owned));
                }
                if scope == Scope::Variant {
                    known.push("variant".to_owned());
                }
                known
            }
        }
    }

    /// Looks all placeholders up; `None` after an error.
    pub(crate) fn compile(
        &self,
        template: &Template,
        scope: Scope<'_>,
        report: &mut Report<'_>,
    ) -> Option<CompiledTemplate> {
        let parts: Vec<Option<CompiledPart>> = template
            .pieces
            .iter()
            .map(|piece| match piece {
                Piece::Text(text) => Some(CompiledPart::Text(text.clone())),
                Piece::Name(name) => self.find(name, scope, &[], report).map(CompiledPart::Slot),
            })
            .collect();
        Some(CompiledTemplate {
            parts: parts.into_iter().collect::<Option<_>>()?,
        })
    }
}

impl CompiledTemplate {
    /// The text for one variant; for a group, for any of its variants.
    pub(crate) fn resolve(&self, models: &[ModelFile], variant: &Variant) -> String {
        let mut text = String::new();
        self.resolve_into(models, variant, &mut text);
        text
    }

    /// Appends the text for one variant.
    pub(crate) fn resolve_into(&self, models: &[ModelFile], variant: &Variant, text: &mut String) {
        for part in &self.parts {
            text.push_str(match part {
                CompiledPart::Text(text) => text,
                CompiledPart::Slot(slot) => slot.text(models, variant),
            });
        }
    }

    /// The text, if it is the same for all.
    pub(crate) fn as_fixed(&self) -> Option<String> {
        self.parts
            .iter()
            .map(|part| match part {
                CompiledPart::Text(text) => Some(text.as_str()),
                CompiledPart::Slot(_) => None,
            })
            .collect()
    }

    /// A field's value with its type if the template is exactly one placeholder, else text.
    pub(crate) fn value(&self, models: &[ModelFile], variant: &Variant) -> FieldValue {
        match self.parts.as_slice() {
            [CompiledPart::Slot(Slot::Field(index))] => variant.values[*index].clone(),
            _ => FieldValue::text(&self.resolve(models, variant)),
        }
    }

    /// The text with `filler` in the place of each placeholder.
    pub(crate) fn outline(&self, filler: &str) -> String {
        let texts = self.parts.iter().map(|part| match part {
            CompiledPart::Text(text) => text.as_str(),
            CompiledPart::Slot(_) => filler,
        });
        texts.collect()
    }
}

impl Slot {
    /// The text of this slot for one variant.
    pub(crate) fn text<'v>(self, models: &'v [ModelFile], variant: &'v Variant) -> &'v str {
        let model = || variant.model.and_then(|index| models.get(index));
        match self {
            Self::Stem => model().map_or("", |model| &model.stem),
            Self::Model => model().map_or("", |model| &model.path),
            Self::Variant => &variant.name,
            Self::Field(index) => variant.values.get(index).map_or("", |value| &value.text),
        }
    }
}
