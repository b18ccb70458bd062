//! `doc`: pages that are made from the command line's own declaration.

use clap::CommandFactory as _;

use crate::arguments::{CommandLine, Page};
use crate::exit::ExitStatus;
use crate::failure::Failure;
use crate::printer::Printer;

/// Prints completions or the manual page.
pub fn doc(page: &Page, printer: &Printer) -> Result<ExitStatus, Failure> {
    let mut bytes = Vec::new();
    let mut command = CommandLine::command();
    match page {
        Page::Completions { shell } => clap_complete::generate(*shell, &mut command, "tidemill", &mut bytes),
        Page::Man => manual(command, &mut bytes)
            .map_err(|error| Failure::work(format!("the manual page cannot be made: {error}")))?,
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
