//! Where everything lies in an item's folder. Neutral names, the same on every machine, so that the key of a
//! program's item need not know them. Pure.
//!
//! ```text
//! in/model/model.obj            input `model`; its companions beside it, under the names that it uses
//! in/maps/0003/maps.png         fourth source of the gathering input `maps`
//! in/maps.list                  paths of all of them, one a line, where the program asks for it
//! out/mesh.glb                  output `mesh`; a folder output `tiles` is out/tiles/
//! tmp/                          HOME and the place for temporary files
//! ```
//! Paths are relative to the folder, with `/` between parts.

use tidemill_proto::v1::{Companion, Input, Output, StagedInput};

/// Folder of inputs.
pub(crate) const IN: &str = "in";
/// Folder of outputs.
pub(crate) const OUT: &str = "out";
/// Folder for whatever the program wants to write elsewhere.
pub(crate) const TMP: &str = "tmp";

/// A name of the plan that must not become a path.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the plan is damaged: {what} {name:?} cannot be a file name")]
pub(crate) struct BadName {
    what: &'static str,
    name: String,
}

/// Folder of one staged input: the model's companions lie in it too.
pub(crate) fn input_folder(input: &Input, staged: &StagedInput) -> Result<String, BadName> {
    let name = one_part("the input", &input.name)?;
    Ok(if input.many {
        format!("{IN}/{name}/{:04}", staged.index)
    } else {
        format!("{IN}/{name}")
    })
}

/// The staged file; for a tree, the folder.
pub(crate) fn input_file(input: &Input, staged: &StagedInput) -> Result<String, BadName> {
    let folder = input_folder(input, staged)?;
    let name = &input.name;
    Ok(if staged.folder {
        format!("{folder}/{name}")
    } else {
        format!("{folder}/{name}{}", extension(&staged.extension)?)
    })
}

/// Where a companion lies: below its model's folder, never outside.
pub(crate) fn companion_file(folder: &str, companion: &Companion) -> Result<String, BadName> {
    for part in companion.name.split('/') {
        one_part("the companion", part)?;
    }
    Ok(format!("{folder}/{}", companion.name))
}

/// The text file that lists the files of a gathering input.
pub(crate) fn list_file(input: &str) -> Result<String, BadName> {
    Ok(format!("{IN}/{}.list", one_part("the input", input)?))
}

/// Where an output must be written; a folder output's path has no trailing `/`.
pub(crate) fn output_file(output: &Output) -> Result<String, BadName> {
    Ok(format!("{OUT}/{}", output_name(output)?))
}

/// Its name within [`OUT`].
pub(crate) fn output_name(output: &Output) -> Result<String, BadName> {
    let name = one_part("the output", &output.name)?;
    Ok(if output.folder {
        name.to_owned()
    } else {
        format!("{name}{}", extension(&output.extension)?)
    })
}

fn extension(text: &str) -> Result<&str, BadName> {
    if text.is_empty() || text.starts_with('.') && text.len() > 1 && is_one_part(&text[1..]) {
        return Ok(text);
    }
    Err(BadName {
        what: "the extension",
        name: text.to_owned(),
    })
}

fn one_part<'a>(what: &'static str, name: &'a str) -> Result<&'a str, BadName> {
    if is_one_part(name) {
        Ok(name)
    } else {
        Err(BadName {
            what,
            name: name.to_owned(),
        })
    }
}

/// Neither a path, nor a way up, nor a drive or stream of Windows.
fn is_one_part(name: &str) -> bool {
    !name.is_empty() && name != "." && name != ".." && !name.contains(['/', '\\', ':', '\0', '\n', '\r'])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input(name: &str, many: bool) -> Input {
        Input {
            name: name.into(),
            many,
            ..Input::default()
        }
    }

    fn staged(index: u32, extension: &str, folder: bool) -> StagedInput {
        StagedInput {
            index,
            extension: extension.into(),
            folder,
            ..StagedInput::default()
        }
    }

    #[test]
    fn files_have_neutral_names() {
        assert_eq!(
            input_file(&input("model", false), &staged(0, ".obj", false)).unwrap(),
            "in/model/model.obj"
        );
        assert_eq!(
            input_file(&input("maps", true), &staged(3, ".png", false)).unwrap(),
            "in/maps/0003/maps.png"
        );
        assert_eq!(
            input_file(&input("tiles", false), &staged(0, "", true)).unwrap(),
            "in/tiles/tiles"
        );
        let output = |extension: &str, folder| Output {
            name: "mesh".into(),
            path: "../elsewhere.glb".into(),
            extension: extension.into(),
            folder,
        };
        assert_eq!(output_file(&output(".glb", false)).unwrap(), "out/mesh.glb");
        assert_eq!(output_file(&output("", true)).unwrap(), "out/mesh");
        let companion = |name: &str| Companion {
            name: name.into(),
            ..Companion::default()
        };
        assert_eq!(
            companion_file("in/model", &companion("maps/rust.png")).unwrap(),
            "in/model/maps/rust.png"
        );
    }

    #[test]
    fn no_name_becomes_a_path_outside() {
        for bad in ["", ".", "..", "a/b", "a\\b", "/a", "c:", "a\nb", "a\0b"] {
            assert!(
                input_folder(&input(bad, false), &staged(0, "", false)).is_err(),
                "{bad:?}"
            );
            assert!(list_file(bad).is_err(), "{bad:?}");
        }
        for bad in ["../up.mtl", "/etc/passwd", "a//b", "a/../../b", "c:x"] {
            let companion = Companion {
                name: bad.into(),
                ..Companion::default()
            };
            assert!(companion_file("in/model", &companion).is_err(), "{bad:?}");
        }
        for bad in ["obj", ".", "./x", ".o/j"] {
            assert!(
                input_file(&input("model", false), &staged(0, bad, false)).is_err(),
                "{bad:?}"
            );
        }
    }
}
