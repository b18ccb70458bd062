//! `doc`: pages that are made from the command line's own declaration.

use std::path::Path;

use clap::CommandFactory as _;

use crate::arguments::{CommandLine, Page, SchemaOf};
use crate::complete;
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::printer::Printer;

/// Prints completions, the manual page or a schema.
pub fn doc(page: &Page, printer: &Printer) -> Result<ExitStatus, Failure> {
    let mut bytes = Vec::new();
    match page {
        Page::Completions { shell } => {
            // By its name, so that it is found wherever it is installed.
            bytes = complete::script(&shell.to_string(), Path::new("tidemill"))
                .map_err(|error| Failure::work(format!("the script cannot be made: {error}")))?;
        }
        Page::Man => manual(CommandLine::command(), &mut bytes)
            .map_err(|error| Failure::work(format!("the manual page cannot be made: {error}")))?,
        Page::Schema { of } => {
            let schema = match of {
                SchemaOf::Manifest => tidemill_plan::schema(tidemill_ops::all()),
                SchemaOf::Json => crate::output::schema::schema(),
            };
            bytes = format!("{schema:#}\n").into_bytes();
        }
    }
    printer.raw(&bytes);
    Ok(ExitStatus::AllDone)
}

/// One page: the whole program, then each command with its arguments.
fn manual(mut command: clap::Command, bytes: &mut Vec<u8>) -> std::io::Result<()> {
    command.build();
    clap_mangen::Man::new(command.clone()).render(bytes)?;
    for inner in command
        .get_subcommands()
        .filter(|inner| inner.get_name() != "help")
    {
        let name = format!("tidemill {}", inner.get_name());
        let page = clap_mangen::Man::new(inner.clone().bin_name(name.clone()));
        bytes.extend_from_slice(format!(".SH \"{}\"\n", name.to_uppercase()).as_bytes());
        page.render_synopsis_section(bytes)?;
        page.render_description_section(bytes)?;
        page.render_options_section(bytes)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_manual_names_every_command() {
        let mut bytes = Vec::new();
        manual(CommandLine::command(), &mut bytes).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        for command in CommandLine::command().get_subcommands() {
            let heading = format!("TIDEMILL {}", command.get_name().to_uppercase());
            assert!(text.contains(&heading), "{heading}");
        }
    }
}
