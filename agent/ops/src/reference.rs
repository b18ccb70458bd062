//! The reference page, made from the declarations alone, so that page, manifest check and worker cannot differ.

use crate::Declaration;
use crate::declare::{Default, Outputs, Port, SettingDecl, SettingKind};

/// The page as Markdown.
pub fn reference(declarations: &[Declaration]) -> String {
    let mut page = String::from(
        "# The built-in operations\n\n\
         This page is made from the operations' own declarations: `cargo run -p tidemill-ops --example reference` writes it anew, and a \
         test fails while it is out of date. The manifest check reads the same declarations: an unknown setting or a value out of range is \
         an error at its line.\n\n\
         In a chain an operation reads the value of a port's name (`in = { port = \"value\" }` for another one) and adds its outputs \
         (`as = \"value\"` for another name). Lengths are metres, +Y is up, +Z is the front.\n\n\
         | operation | what it does |\n| --- | --- |\n",
    );
    for declaration in declarations {
        let name = declaration.name;
        page.push_str(&format!(
            "| [`{name}`](#{name}) | {} |\n",
            cell(declaration.summary)
        ));
    }
    for declaration in declarations {
        page.push_str(&section(declaration));
    }
    page
}

fn section(declaration: &Declaration) -> String {
    let mut text = format!(
        "\n## {}\n\n{}\n\nVersion {}",
        declaration.name, declaration.summary, declaration.version
    );
    text.push_str(match (declaration.uses_tags, declaration.uses_labels) {
        (true, true) => "; the manifest's tags and their colours and the variants' names count for reuse.\n",
        (true, false) => "; the manifest's tags and their colours count for reuse.\n",
        (false, true) => "; the variants' names count for reuse.\n",
        (false, false) => ".\n",
    });
    text.push_str("\n| reads | kind | meaning |\n| --- | --- | --- |\n");
    for port in declaration.inputs {
        text.push_str(&port_row(port));
    }
    text.push_str("\n| adds | kind | meaning |\n| --- | --- | --- |\n");
    match declaration.outputs {
        Outputs::Fixed(ports) => ports.iter().for_each(|port| text.push_str(&port_row(port))),
        Outputs::Named { setting, kind } => text.push_str(&format!(
            "| each name in `{setting}` | {} | What `{setting}` says. |\n",
            kind.word()
        )),
    }
    if declaration.settings.is_empty() {
        text.push_str("\nIt has no settings.\n");
        return text;
    }
    text.push_str("\n| setting | takes | unit | default | meaning |\n| --- | --- | --- | --- | --- |\n");
    for setting in declaration.settings {
        text.push_str(&setting_row(setting));
    }
    text
}

fn port_row(port: &Port) -> String {
    let many = if port.many { ", gathered" } else { "" };
    let optional = if port.optional { ", optional" } else { "" };
    format!(
        "| `{}` | {}{many}{optional} | {} |\n",
        port.name,
        port.kind.word(),
        cell(port.summary)
    )
}

fn setting_row(setting: &SettingDecl) -> String {
    let takes = match setting.kind {
        SettingKind::Number { least, most } => format!("number, {least} to {most}"),
        SettingKind::Whole { least, most } => format!("whole number, {least} to {most}"),
        SettingKind::Flag => "`true` or `false`".to_owned(),
        SettingKind::Word(words) => one_of("", words),
        SettingKind::Words(words) => one_of("list of ", words),
        SettingKind::Tag => "a tag of the manifest".to_owned(),
        SettingKind::Tags => "list of tags of the manifest".to_owned(),
        SettingKind::TagLimits { least, most } => {
            format!(
                "list of limits for tags, {}; numbers {least} to {most}",
                crate::limits::TAG_LIMIT_FORMS
            )
        }
        SettingKind::TagNumbers { least, most } => {
            format!("table of tags of the manifest, each with a number, {least} to {most}")
        }
        SettingKind::Text => "text".to_owned(),
    };
    let default = match setting.default {
        Default::Required => "required".to_owned(),
        Default::Absent => "none".to_owned(),
        Default::Number(number) => number.to_string(),
        Default::Flag(flag) => format!("`{flag}`"),
        Default::Word(word) => format!("`{word}`"),
    };
    format!(
        "| `{}` | {takes} | {} | {default} | {} |\n",
        setting.name,
        setting.unit,
        cell(setting.summary)
    )
}

fn one_of(before: &str, words: &[&str]) -> String {
    let words: Vec<String> = words.iter().map(|word| format!("`{word}`")).collect();
    format!("{before}{}", words.join(", "))
}

/// A bar would end the table's cell.
fn cell(text: &str) -> String {
    text.replace('|', "\\|")
}
