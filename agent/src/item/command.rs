//! Arguments of an external program. Pure: no shell, no look at the disk.

use std::collections::BTreeMap;

use tidemill_proto::v1::{Argument, Item, Part, Program, part};

use super::paths::{self, BadName};

/// Why arguments cannot be built.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(crate) enum CommandError {
    #[error(transparent)]
    Name(#[from] BadName),
    #[error("the plan is damaged: an argument names the {what} {name:?}, which the item does not have")]
    Unknown { what: &'static str, name: String },
    #[error(
        "the argument with {{{input}}} has other text too, but {{{input}}} gathers {files} files: let it stand alone, or use {{{input}.list}}"
    )]
    Gathers { input: String, files: usize },
}

/// Arguments, and what must be written before the program starts.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct CommandLine {
    /// Without the program itself.
    pub arguments: Vec<String>,
    /// List files: path and content.
    pub lists: BTreeMap<String, String>,
}

/// Builds the arguments of `program`. `files` holds, for each input, the paths of its staged files in order.
pub(crate) fn build(
    program: &Program,
    item: &Item,
    files: &BTreeMap<String, Vec<String>>,
) -> Result<CommandLine, CommandError> {
    let mut line = CommandLine::default();
    for argument in &program.arguments {
        if let Some(gathered) = gathered_alone(argument, item, files)? {
            line.arguments.extend(gathered.iter().cloned());
            continue;
        }
        let mut text = String::new();
        for part in &argument.parts {
            text.push_str(&part_text(part, item, files, &mut line.lists)?);
        }
        line.arguments.push(text);
    }
    Ok(line)
}

/// The files of a gathering input, if the argument is exactly that.
fn gathered_alone<'a>(
    argument: &Argument,
    item: &Item,
    files: &'a BTreeMap<String, Vec<String>>,
) -> Result<Option<&'a [String]>, CommandError> {
    let [
        Part {
            kind: Some(part::Kind::Input(name)),
        },
    ] = argument.parts.as_slice()
    else {
        return Ok(None);
    };
    let gathers = item.inputs.iter().any(|input| input.name == *name && input.many);
    Ok(if gathers {
        Some(files_of(name, item, files)?)
    } else {
        None
    })
}

fn part_text(
    part: &Part,
    item: &Item,
    files: &BTreeMap<String, Vec<String>>,
    lists: &mut BTreeMap<String, String>,
) -> Result<String, CommandError> {
    match part.kind.as_ref() {
        None => Err(CommandError::Unknown {
            what: "part",
            name: String::new(),
        }),
        Some(part::Kind::Text(text)) => Ok(text.clone()),
        Some(part::Kind::Input(name)) => match files_of(name, item, files)? {
            [file] => Ok(file.clone()),
            several => Err(CommandError::Gathers {
                input: name.clone(),
                files: several.len(),
            }),
        },
        Some(part::Kind::InputList(name)) => {
            let listed: String = files_of(name, item, files)?
                .iter()
                .flat_map(|file| [file.as_str(), "\n"])
                .collect();
            let path = paths::list_file(name)?;
            lists.insert(path.clone(), listed);
            Ok(path)
        }
        Some(part::Kind::Output(name)) => {
            let output = item.outputs.iter().find(|output| output.name == *name);
            let output = output.ok_or_else(|| CommandError::Unknown {
                what: "output",
                name: name.clone(),
            })?;
            Ok(paths::output_file(output)?)
        }
    }
}

/// Staged files of an input; a partial item's may have none.
fn files_of<'a>(
    name: &str,
    item: &Item,
    files: &'a BTreeMap<String, Vec<String>>,
) -> Result<&'a [String], CommandError> {
    match files.get(name) {
        Some(files) => Ok(files),
        None if item.inputs.iter().any(|input| input.name == name) => Ok(&[]),
        None => Err(CommandError::Unknown {
            what: "input",
            name: name.to_owned(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tidemill_proto::v1::{Input, Output};

    fn argument(parts: &[part::Kind]) -> Argument {
        Argument {
            parts: parts
                .iter()
                .map(|kind| Part {
                    kind: Some(kind.clone()),
                })
                .collect(),
        }
    }
    fn text(text: &str) -> part::Kind {
        part::Kind::Text(text.into())
    }
    fn item() -> Item {
        Item {
            inputs: vec![
                Input {
                    name: "maps".into(),
                    many: true,
                    ..Input::default()
                },
                Input {
                    name: "model".into(),
                    ..Input::default()
                },
            ],
            outputs: vec![Output {
                name: "small".into(),
                extension: ".png".into(),
                ..Output::default()
            }],
            ..Item::default()
        }
    }
    fn files() -> BTreeMap<String, Vec<String>> {
        let maps = vec![
            "in/maps/0000/maps.png".to_owned(),
            "in/maps/0002/maps.png".to_owned(),
        ];
        BTreeMap::from([
            ("maps".into(), maps),
            ("model".into(), vec!["in/model/model.obj".into()]),
        ])
    }
    fn built(arguments: Vec<Argument>) -> Result<CommandLine, CommandError> {
        build(
            &Program {
                tool: "cp".into(),
                arguments,
            },
            &item(),
            &files(),
        )
    }

    #[test]
    fn parts_are_joined_and_nothing_is_split_or_quoted() {
        let line = built(vec![
            argument(&[text("-o")]),
            argument(&[text("--out="), part::Kind::Output("small".into())]),
            argument(&[part::Kind::Input("model".into())]),
            argument(&[text("a b; $(c) \"d\"")]),
            argument(&[text("")]),
        ])
        .unwrap();
        assert_eq!(
            line.arguments,
            [
                "-o",
                "--out=out/small.png",
                "in/model/model.obj",
                "a b; $(c) \"d\"",
                ""
            ]
        );
        assert!(line.lists.is_empty());
    }

    #[test]
    fn a_gathering_input_alone_becomes_one_argument_for_each_file() {
        let line = built(vec![
            argument(&[part::Kind::Input("maps".into())]),
            argument(&[text("end")]),
        ])
        .unwrap();
        assert_eq!(
            line.arguments,
            ["in/maps/0000/maps.png", "in/maps/0002/maps.png", "end"]
        );
        let mixed = built(vec![argument(&[
            text("--maps="),
            part::Kind::Input("maps".into()),
        ])]);
        assert_eq!(
            mixed,
            Err(CommandError::Gathers {
                input: "maps".into(),
                files: 2
            })
        );
    }

    #[test]
    fn a_list_is_a_file_with_one_path_a_line() {
        let line = built(vec![argument(&[text("@"), part::Kind::InputList("maps".into())])]).unwrap();
        assert_eq!(line.arguments, ["@in/maps.list"]);
        assert_eq!(
            line.lists["in/maps.list"],
            "in/maps/0000/maps.png\nin/maps/0002/maps.png\n"
        );
    }

    #[test]
    fn names_that_the_item_does_not_have_are_refused() {
        let input = built(vec![argument(&[part::Kind::Input("high".into())])]);
        assert_eq!(
            input,
            Err(CommandError::Unknown {
                what: "input",
                name: "high".into()
            })
        );
        let output = built(vec![argument(&[part::Kind::Output("mesh".into())])]);
        assert_eq!(
            output,
            Err(CommandError::Unknown {
                what: "output",
                name: "mesh".into()
            })
        );
    }
}
