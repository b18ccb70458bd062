//! The job of the worker program, from a planned item and its staged inputs. Pure.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

use tidemill_ops::{Call, Chain, ChainInput, ChainOutput, InputFile, Setting, TagColor};
use tidemill_proto::v1::{Binding, Input, Operation, Operations, StagedInput, Start, Tag, Value, value};

use super::paths::{self, BadName};

/// Where a blob can be read in place, by its digest.
pub(crate) type BlobPaths = HashMap<Vec<u8>, PathBuf>;

/// Why a chain cannot be built.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum ChainError {
    #[error(transparent)]
    Name(#[from] BadName),
    #[error("the plan is damaged: {0}")]
    Damaged(&'static str),
}

/// The chain of `start`'s item. Every staged blob has its path in `blobs`; outputs go below `folder`.
pub(crate) fn build(
    start: &Start,
    operations: &Operations,
    blobs: &BlobPaths,
    folder: &Path,
) -> Result<Chain, ChainError> {
    let item = start
        .item
        .as_ref()
        .ok_or(ChainError::Damaged("a start without an item"))?;
    let inputs = item
        .inputs
        .iter()
        .map(|input| chain_input(input, &start.inputs, blobs));
    let outputs = item.outputs.iter().map(|output| {
        Ok(ChainOutput {
            name: output.name.clone(),
            path: folder.join(paths::output_file(output)?),
            extension: output.extension.clone(),
        })
    });
    Ok(Chain {
        calls: operations.chain.iter().map(call).collect::<Result<_, _>>()?,
        inputs: inputs.collect::<Result<_, _>>()?,
        outputs: outputs.collect::<Result<_, ChainError>>()?,
        tags: start.tags.iter().map(tag_color).collect(),
        threads: usize::try_from(start.millicores / 1000).unwrap_or(1).max(1),
    })
}

fn call(operation: &Operation) -> Result<Call, ChainError> {
    let settings = operation.settings.iter().map(|field| {
        let value = field
            .value
            .as_ref()
            .ok_or(ChainError::Damaged("a setting without a value"))?;
        Ok((field.name.clone(), setting(value)?))
    });
    Ok(Call {
        op: operation.name.clone(),
        version: operation.version,
        settings: settings.collect::<Result<_, ChainError>>()?,
        inputs: bindings(&operation.inputs),
        outputs: bindings(&operation.outputs),
    })
}

fn bindings(bindings: &[Binding]) -> BTreeMap<String, String> {
    bindings
        .iter()
        .map(|binding| (binding.port.clone(), binding.value.clone()))
        .collect()
}

fn setting(value: &Value) -> Result<Setting, ChainError> {
    Ok(
        match value
            .kind
            .as_ref()
            .ok_or(ChainError::Damaged("a value of no kind"))?
        {
            value::Kind::Number(number) => Setting::Number(*number),
            value::Kind::Text(text) => Setting::Text(text.clone()),
            value::Kind::Flag(flag) => Setting::Flag(*flag),
            value::Kind::List(list) => {
                Setting::List(list.values.iter().map(setting).collect::<Result<_, _>>()?)
            }
        },
    )
}

fn chain_input(input: &Input, staged: &[StagedInput], blobs: &BlobPaths) -> Result<ChainInput, ChainError> {
    let staged: Vec<_> = staged
        .iter()
        .filter(|staged| staged.input == input.name)
        .collect();
    let missing = (0..input.sources.len())
        .filter(|position| !staged.iter().any(|staged| staged.index as usize == *position))
        .map(|position| (position, input.sources[position].label.clone()));
    let missing = missing.collect();
    let files = staged.into_iter().map(|staged| {
        let companions = staged
            .companions
            .iter()
            .map(|companion| Ok((companion.name.clone(), blob_path(blobs, &companion.digest)?)));
        Ok(InputFile {
            path: blob_path(blobs, &staged.digest)?,
            extension: staged.extension.clone(),
            label: staged.label.clone(),
            position: staged.index as usize,
            companions: companions.collect::<Result<_, ChainError>>()?,
        })
    });
    Ok(ChainInput {
        name: input.name.clone(),
        many: input.many,
        files: files.collect::<Result<_, ChainError>>()?,
        missing,
        units: input.units.clone(),
        up: input.up.clone(),
    })
}

fn blob_path(blobs: &BlobPaths, digest: &[u8]) -> Result<PathBuf, ChainError> {
    blobs
        .get(digest)
        .cloned()
        .ok_or(ChainError::Damaged("an input that was not staged"))
}

fn tag_color(tag: &Tag) -> TagColor {
    let [_, red, green, blue] = tag.color.to_be_bytes();
    TagColor {
        name: tag.name.clone(),
        rgb: [red, green, blue],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tidemill_proto::v1::{Companion, Field, Item, Output, Source, ValueList};

    fn words(words: &[&str]) -> Value {
        let text = |word: &&str| Value {
            kind: Some(value::Kind::Text((*word).into())),
        };
        Value {
            kind: Some(value::Kind::List(ValueList {
                values: words.iter().map(text).collect(),
            })),
        }
    }

    #[test]
    fn a_start_becomes_a_chain_with_gaps_marked() {
        let source = |label: &str| Source {
            label: label.into(),
            ..Source::default()
        };
        let operations = Operations {
            chain: vec![Operation {
                name: "bake".into(),
                version: 1,
                settings: vec![Field {
                    name: "maps".into(),
                    value: Some(words(&["tag-id"])),
                }],
                inputs: vec![Binding {
                    port: "high".into(),
                    value: "high".into(),
                }],
                ..Operation::default()
            }],
        };
        let start = Start {
            item: Some(Item {
                inputs: vec![Input {
                    name: "maps".into(),
                    many: true,
                    sources: vec![source("crate-small"), source("crate-tall")],
                    ..Input::default()
                }],
                outputs: vec![Output {
                    name: "sheet".into(),
                    extension: ".png".into(),
                    ..Output::default()
                }],
                ..Item::default()
            }),
            inputs: vec![StagedInput {
                input: "maps".into(),
                index: 1,
                digest: vec![1],
                label: "crate-tall".into(),
                extension: ".png".into(),
                companions: vec![Companion {
                    name: "a.mtl".into(),
                    digest: vec![2],
                    size: 1,
                }],
                ..StagedInput::default()
            }],
            tags: vec![Tag {
                name: "timber".into(),
                color: 0xE6_9F_00,
            }],
            millicores: 1900,
            ..Start::default()
        };
        let blobs = BlobPaths::from([(vec![1], "/store/a".into()), (vec![2], "/store/b".into())]);
        let chain = build(&start, &operations, &blobs, Path::new("/slot")).unwrap();
        assert_eq!(chain.threads, 1);
        assert_eq!(chain.tags[0].rgb, [0xE6, 0x9F, 0]);
        assert_eq!(chain.inputs[0].missing, [(0, "crate-small".to_owned())]);
        assert_eq!(
            (chain.inputs[0].files[0].position, chain.inputs[0].files.len()),
            (1, 1)
        );
        assert_eq!(
            chain.inputs[0].files[0].companions["a.mtl"],
            Path::new("/store/b")
        );
        assert_eq!(chain.outputs[0].path, Path::new("/slot/out/sheet.png"));
        assert_eq!(
            chain.calls[0].settings["maps"],
            Setting::List(vec![Setting::Text("tag-id".into())])
        );
        let unstaged = build(&start, &operations, &BlobPaths::new(), Path::new("/slot"));
        assert_eq!(unstaged, Err(ChainError::Damaged("an input that was not staged")));
    }
}
