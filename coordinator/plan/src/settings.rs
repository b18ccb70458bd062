//! A setting's value against its declaration: type, range, words.

use tidemill_ops::declare::{SettingDecl, SettingKind};
use tidemill_ops::limits::{TAG_LIMIT_FORMS, tag_limit};
use tidemill_proto::key::number_text;
use tidemill_proto::v1::{Value, ValueList, value};

use crate::diagnostics::Report;
use crate::nearest;
use crate::read::{At, Literal, Template};
use crate::variants::scope::{CompiledTemplate, Names, Scope};
use crate::variants::{FieldValue, ModelFile, Scalar, Variant, plain_number};

/// What a manifest gives to a setting.
#[derive(Debug, Clone)]
pub(crate) enum Given {
    /// The same for all items.
    Fixed(Value),
    /// Depends on the item.
    One(CompiledTemplate),
    /// Depends on the item.
    List(Vec<CompiledTemplate>),
    /// Depends on the item: tags and their numbers, sorted.
    Pairs(Vec<(String, Given)>),
    /// Wrong, and said so.
    Broken,
}

/// What is wrong with a value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Problem {
    pub(crate) code: &'static str,
    pub(crate) message: String,
    pub(crate) hint: Option<String>,
}

/// What a value is read for: the setting, and how messages name it.
pub(crate) struct Target<'t> {
    pub(crate) decl: &'t SettingDecl,
    /// `displace`, or `displace#2` for the second of its chain.
    pub(crate) operation: &'t str,
    /// The manifest's tags.
    pub(crate) tags: &'t [String],
}

impl Target<'_> {
    /// Reads what the manifest says; errors are added to the report.
    pub(crate) fn compile(
        &self,
        written: &At<Literal>,
        names: &Names,
        scope: Scope<'_>,
        report: &mut Report<'_>,
    ) -> Given {
        let errors = report.errors();
        let given = match &written.value {
            Literal::List(entries) => {
                let templates = entries.iter().map(|entry| match &entry.value {
                    Literal::Text(text) => {
                        let template = Template::parse(&At::new(text.clone(), entry.span.clone()), report)?;
                        names.compile(&template, scope, report)
                    }
                    other => {
                        let message = format!(
                            "each entry of {} must be text, not {}",
                            self.name(),
                            other.type_word()
                        );
                        report.error("wrong-type", &entry.span, message);
                        None
                    }
                });
                let templates: Vec<Option<CompiledTemplate>> = templates.collect();
                templates.into_iter().collect::<Option<_>>().map(Given::List)
            }
            Literal::Text(text) => {
                let template = Template::parse(&At::new(text.clone(), written.span.clone()), report);
                template
                    .and_then(|template| names.compile(&template, scope, report))
                    .map(Given::One)
            }
            Literal::Table(entries) => {
                return self.compile_table(entries, written, names, scope, report);
            }
            Literal::Number(_) | Literal::Flag(_) => {
                let field = match written.value {
                    Literal::Number(number) => FieldValue {
                        text: number_text(number),
                        scalar: Scalar::Number(number),
                    },
                    Literal::Flag(flag) => FieldValue {
                        text: flag.to_string(),
                        scalar: Scalar::Flag(flag),
                    },
                    _ => FieldValue::text(""),
                };
                return self.settle(self.one(&field, false), written, report);
            }
        };
        match given {
            Some(Given::One(template)) => match template.as_fixed() {
                Some(text) => self.settle(self.one(&FieldValue::text(&text), false), written, report),
                None if self.decl.kind.is_list()
                    || matches!(self.decl.kind, SettingKind::TagNumbers { .. }) =>
                {
                    self.settle(Err(self.wrong_type("text")), written, report)
                }
                None => Given::One(template),
            },
            Some(Given::List(templates)) => {
                let fixed: Option<Vec<String>> = templates.iter().map(CompiledTemplate::as_fixed).collect();
                match fixed {
                    Some(texts) => {
                        // Each wrong entry is pointed at by itself.
                        let entries = match &written.value {
                            Literal::List(entries) => entries.as_slice(),
                            _ => &[],
                        };
                        let wrong = entries.iter().zip(&texts);
                        let wrong = wrong.filter_map(|(at, text)| Some((at, self.entry(text).err()?)));
                        let wrong: Vec<(&At<Literal>, Problem)> = wrong.collect();
                        if wrong.is_empty() {
                            return self.settle(self.list(&texts), written, report);
                        }
                        for (at, problem) in wrong {
                            self.settle(Err(problem), at, report);
                        }
                        Given::Broken
                    }
                    None if self.decl.kind.is_list() => Given::List(templates),
                    None => self.settle(Err(self.wrong_type("a list")), written, report),
                }
            }
            _ => {
                debug_assert!(
                    report.errors() > errors || names.unsure,
                    "a broken value was said to be broken"
                );
                Given::Broken
            }
        }
    }

    /// A table of tags and numbers; each wrong entry is pointed at by itself.
    fn compile_table(
        &self,
        entries: &[(At<String>, At<Literal>)],
        written: &At<Literal>,
        names: &Names,
        scope: Scope<'_>,
        report: &mut Report<'_>,
    ) -> Given {
        let Some(entry) = self.table_entry() else {
            return self.settle(Err(self.wrong_type("a table")), written, report);
        };
        if entries.is_empty() {
            return self.settle(Err(self.empty()), written, report);
        }
        let number = self.with(&entry);
        let mut sound = true;
        let mut pairs: Vec<(String, Given)> = Vec::with_capacity(entries.len());
        for (tag, value) in entries {
            if let Err(problem) = self.known_tag(&tag.value) {
                report
                    .error(problem.code, &tag.span, problem.message)
                    .maybe_hint(problem.hint);
                sound = false;
            }
            let given = number.compile(value, names, scope, report);
            sound &= !matches!(given, Given::Broken);
            pairs.push((tag.value.clone(), given));
        }
        if !sound {
            return Given::Broken;
        }
        // The order of writing means nothing.
        pairs.sort_by(|one, two| one.0.cmp(&two.0));
        let fixed: Option<Vec<(String, Value)>> = pairs
            .iter()
            .map(|(tag, given)| match given {
                Given::Fixed(value) => Some((tag.clone(), value.clone())),
                _ => None,
            })
            .collect();
        match fixed {
            Some(fixed) => Given::Fixed(pairs_value(fixed)),
            None => Given::Pairs(pairs),
        }
    }

    /// What a value in the table of this setting must be; `None` if it is no table.
    fn table_entry(&self) -> Option<SettingDecl> {
        match self.decl.kind {
            SettingKind::TagNumbers { least, most } => Some(SettingDecl {
                kind: SettingKind::Number { least, most },
                ..*self.decl
            }),
            _ => None,
        }
    }

    fn with<'t>(&'t self, decl: &'t SettingDecl) -> Target<'t> {
        Target {
            decl,
            operation: self.operation,
            tags: self.tags,
        }
    }

    fn settle(
        &self,
        result: Result<Value, Problem>,
        written: &At<Literal>,
        report: &mut Report<'_>,
    ) -> Given {
        match result {
            Ok(value) => Given::Fixed(value),
            Err(problem) => {
                report
                    .error(problem.code, &written.span, problem.message)
                    .maybe_hint(problem.hint);
                Given::Broken
            }
        }
    }

    /// The value for one item; `None` if it was broken from the start.
    pub(crate) fn fill(
        &self,
        given: &Given,
        models: &[ModelFile],
        variant: &Variant,
    ) -> Option<Result<Value, Problem>> {
        match given {
            Given::Fixed(value) => Some(Ok(value.clone())),
            Given::One(template) => Some(self.one(&template.value(models, variant), true)),
            Given::List(templates) => {
                let texts: Vec<String> = templates
                    .iter()
                    .map(|template| template.resolve(models, variant))
                    .collect();
                Some(self.list(&texts))
            }
            Given::Pairs(pairs) => {
                let entry = self.table_entry()?;
                let number = self.with(&entry);
                let mut values = Vec::with_capacity(pairs.len());
                for (tag, given) in pairs {
                    match number.fill(given, models, variant)? {
                        Ok(value) => values.push((tag.clone(), value)),
                        Err(problem) => return Some(Err(problem)),
                    }
                }
                Some(Ok(pairs_value(values)))
            }
            Given::Broken => None,
        }
    }

    /// `from_field`: the value comes from a placeholder, so that text may be a number.
    fn one(&self, field: &FieldValue, from_field: bool) -> Result<Value, Problem> {
        let number = match field.scalar {
            Scalar::Number(number) => Some(number),
            Scalar::Text if from_field => plain_number(&field.text),
            _ => None,
        };
        let found = match field.scalar {
            Scalar::Number(_) => "a number".to_owned(),
            Scalar::Flag(_) => "true or false".to_owned(),
            Scalar::Text => format!("the text `{}`", field.text),
        };
        let kind = match self.decl.kind {
            SettingKind::Number { least, most } => value::Kind::Number(self.within(
                number.ok_or_else(|| self.wrong_type(&found))?,
                least,
                most,
            )?),
            SettingKind::Whole { least, most } => {
                let number = number.ok_or_else(|| self.wrong_type(&found))?;
                if number.fract() != 0.0 {
                    return Err(self.wrong_type(&number_text(number)));
                }
                value::Kind::Number(self.within(number, least as f64, most as f64)?)
            }
            SettingKind::Flag => match field.scalar {
                Scalar::Flag(flag) => value::Kind::Flag(flag),
                Scalar::Text if from_field && field.text == "true" => value::Kind::Flag(true),
                Scalar::Text if from_field && field.text == "false" => value::Kind::Flag(false),
                _ => return Err(self.wrong_type(&found)),
            },
            SettingKind::Word(words) => {
                self.known_word(&field.text, words, "unknown-word")?;
                value::Kind::Text(field.text.clone())
            }
            SettingKind::Tag => {
                self.known_tag(&field.text)?;
                value::Kind::Text(field.text.clone())
            }
            SettingKind::Text if from_field || field.scalar == Scalar::Text => {
                value::Kind::Text(field.text.clone())
            }
            SettingKind::Text
            | SettingKind::Words(_)
            | SettingKind::Tags
            | SettingKind::TagLimits { .. }
            | SettingKind::TagNumbers { .. } => {
                return Err(self.wrong_type(&found));
            }
        };
        Ok(Value { kind: Some(kind) })
    }

    fn list(&self, texts: &[String]) -> Result<Value, Problem> {
        if !self.decl.kind.is_list() {
            return Err(self.wrong_type("a list"));
        }
        if texts.is_empty() {
            return Err(self.empty());
        }
        for (index, text) in texts.iter().enumerate() {
            self.entry(text)?;
            if texts[..index].contains(text) {
                return Err(self.problem("duplicate-value", format!("{} has `{text}` twice", self.name())));
            }
        }
        let values = texts.iter().map(|text| Value {
            kind: Some(value::Kind::Text(text.clone())),
        });
        Ok(Value {
            kind: Some(value::Kind::List(ValueList {
                values: values.collect(),
            })),
        })
    }

    /// Checks one entry of a list.
    fn entry(&self, text: &str) -> Result<(), Problem> {
        match self.decl.kind {
            SettingKind::Words(words) => self.known_word(text, words, "unknown-word"),
            SettingKind::Tags => self.known_tag(text),
            SettingKind::TagLimits { least, most } => {
                let limit = tag_limit(text).ok_or_else(|| self.no_limit(text))?;
                self.known_tag(limit.tag)?;
                for number in [limit.least, limit.most].into_iter().flatten() {
                    self.within(number, least, most)?;
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }

    /// Checks a value that came in a plan.
    pub(crate) fn recheck(&self, value: &Value) -> Result<(), Problem> {
        match &value.kind {
            Some(value::Kind::Number(number)) if number.is_finite() => {
                let field = FieldValue {
                    text: number_text(*number),
                    scalar: Scalar::Number(*number),
                };
                self.one(&field, false).map(drop)
            }
            Some(value::Kind::Flag(flag)) => self
                .one(
                    &FieldValue {
                        text: flag.to_string(),
                        scalar: Scalar::Flag(*flag),
                    },
                    false,
                )
                .map(drop),
            Some(value::Kind::Text(text)) => self.one(&FieldValue::text(text), false).map(drop),
            Some(value::Kind::List(list)) if matches!(self.decl.kind, SettingKind::TagNumbers { .. }) => {
                self.recheck_pairs(list)
            }
            Some(value::Kind::List(list)) => {
                let texts: Option<Vec<String>> = list
                    .values
                    .iter()
                    .map(|entry| match &entry.kind {
                        Some(value::Kind::Text(text)) => Some(text.clone()),
                        _ => None,
                    })
                    .collect();
                self.list(&texts.ok_or_else(|| self.wrong_type("a list of other things"))?)
                    .map(drop)
            }
            _ => Err(self.wrong_type("nothing")),
        }
    }

    fn recheck_pairs(&self, list: &ValueList) -> Result<(), Problem> {
        let Some(entry) = self.table_entry().filter(|_| !list.values.is_empty()) else {
            return Err(self.empty());
        };
        let number = self.with(&entry);
        let mut before: Option<&str> = None;
        for pair in &list.values {
            let Some(value::Kind::List(pair)) = &pair.kind else {
                return Err(self.wrong_type("a list of other things"));
            };
            let [tag, value] = pair.values.as_slice() else {
                return Err(self.wrong_type("a list of other things"));
            };
            let Some(value::Kind::Text(tag)) = &tag.kind else {
                return Err(self.wrong_type("a list of other things"));
            };
            self.known_tag(tag)?;
            number.recheck(value)?;
            if before.is_some_and(|before| before >= tag.as_str()) {
                let message = format!("{} has `{tag}` twice, or out of order", self.name());
                return Err(self.problem("duplicate-value", message));
            }
            before = Some(tag);
        }
        Ok(())
    }

    fn empty(&self) -> Problem {
        self.problem("empty-list", format!("{} needs at least one entry", self.name()))
    }

    fn within(&self, number: f64, least: f64, most: f64) -> Result<f64, Problem> {
        if (least..=most).contains(&number) {
            return Ok(number);
        }
        let (least, most, number) = (number_text(least), number_text(most), number_text(number));
        let unit = if self.decl.unit.is_empty() {
            String::new()
        } else {
            format!(" {}", self.decl.unit)
        };
        let message = format!(
            "{} must be between {least} and {most}{unit}, not {number}",
            self.name()
        );
        Err(self.problem("out-of-range", message))
    }

    fn known_word(&self, text: &str, words: &[&str], code: &'static str) -> Result<(), Problem> {
        if words.contains(&text) {
            return Ok(());
        }
        let mut problem = self.problem(code, format!("{} cannot be `{text}`", self.name()));
        problem.hint = nearest::hint(text, words.iter().copied());
        Err(problem)
    }

    fn known_tag(&self, text: &str) -> Result<(), Problem> {
        let tags: Vec<&str> = self.tags.iter().map(String::as_str).collect();
        let mut result = self.known_word(text, &tags, "unknown-tag");
        if let Err(problem) = &mut result {
            problem.message = format!(
                "{} names the tag `{text}`, which the manifest does not know",
                self.name()
            );
            if tags.is_empty() {
                problem.hint = Some("add it to `tags` of `[variants]`".to_owned());
            }
        }
        result
    }

    fn wrong_type(&self, found: &str) -> Problem {
        let wanted = match self.decl.kind {
            SettingKind::Number { .. } => "a number",
            SettingKind::Whole { .. } => "a whole number",
            SettingKind::Flag => "true or false",
            SettingKind::Word(_) => "a word",
            SettingKind::Words(_) => "a list of words",
            SettingKind::Tag => "a tag",
            SettingKind::Tags => "a list of tags",
            SettingKind::TagLimits { .. } => "a list of limits for tags",
            SettingKind::TagNumbers { .. } => "a table of tags and numbers",
            SettingKind::Text => "text",
        };
        self.problem(
            "wrong-type",
            format!("{} must be {wanted}, not {found}", self.name()),
        )
    }

    fn no_limit(&self, text: &str) -> Problem {
        let mut problem = self.problem(
            "no-limit",
            format!("{} cannot read `{text}` as a limit", self.name()),
        );
        problem.hint = Some(format!("write {TAG_LIMIT_FORMS}"));
        problem
    }

    fn name(&self) -> String {
        format!("`{}` of `{}`", self.decl.name, self.operation)
    }

    fn problem(&self, code: &'static str, message: String) -> Problem {
        Problem {
            code,
            message,
            hint: None,
        }
    }
}

/// Tags and numbers as a plan holds them: a list of pairs.
fn pairs_value(pairs: Vec<(String, Value)>) -> Value {
    let list = |values| Value {
        kind: Some(value::Kind::List(ValueList { values })),
    };
    let text = |tag| Value {
        kind: Some(value::Kind::Text(tag)),
    };
    list(
        pairs
            .into_iter()
            .map(|(tag, number)| list(vec![text(tag), number]))
            .collect(),
    )
}

/// A length with three figures that count, for people.
pub(crate) fn rounded(number: f64) -> String {
    if number == 0.0 || !number.is_finite() {
        return number_text(number);
    }
    let digits = (2 - number.abs().log10().floor() as i32).clamp(0, 9) as usize;
    let text = format!("{number:.digits$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_for_people() {
        for (number, text) in [
            (1234.56, "1235"),
            (0.0012345, "0.00123"),
            (2.0, "2"),
            (1.0e-12, "0"),
            (0.0, "0"),
            (100.0, "100"),
        ] {
            assert_eq!(rounded(number), text);
        }
    }

    fn target(decl: &SettingDecl) -> Target<'_> {
        Target {
            decl,
            operation: "op",
            tags: &[],
        }
    }

    #[test]
    fn numeric_text_counts_only_where_it_comes_from_a_field() {
        let decl = SettingDecl {
            name: "voxel",
            kind: SettingKind::Whole { least: 1, most: 9 },
            unit: "m",
            default: tidemill_ops::declare::Default::Required,
            summary: "",
        };
        let target = target(&decl);
        assert!(target.one(&FieldValue::text("4"), true).is_ok());
        assert_eq!(
            target.one(&FieldValue::text("4"), false).unwrap_err().code,
            "wrong-type"
        );
        assert_eq!(
            target.one(&FieldValue::text("4.5"), true).unwrap_err().code,
            "wrong-type"
        );
        assert_eq!(
            target.one(&FieldValue::text("10"), true).unwrap_err().code,
            "out-of-range"
        );
        assert_eq!(
            target.one(&FieldValue::text("10"), true).unwrap_err().message,
            "`voxel` of `op` must be between 1 and 9 m, not 10"
        );
    }
}
