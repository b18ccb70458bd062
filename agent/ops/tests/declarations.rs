//! The declarations hold together, and the reference page shows them as they are.

use std::collections::BTreeSet;

use tidemill_ops::declare::{Default, Outputs, SettingDecl, SettingKind};

#[test]
fn the_reference_page_is_up_to_date() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("REFERENCE.md");
    let page = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        page.replace("\r\n", "\n") == tidemill_ops::reference(tidemill_ops::all()),
        "{} is out of date; write it anew with `cargo run -p tidemill-ops --example reference`",
        path.display()
    );
}

#[test]
fn names_are_told_apart_and_everything_is_described() {
    let mut operations = BTreeSet::new();
    for declaration in tidemill_ops::all() {
        let op = declaration.name;
        assert!(operations.insert(op), "`{op}` is there twice");
        assert!(!declaration.inputs.is_empty(), "`{op}` reads nothing");
        let fixed = match declaration.outputs {
            Outputs::Fixed(ports) => ports,
            Outputs::Named { setting, .. } => {
                let names = declaration.setting(setting).map(|setting| setting.kind);
                assert!(matches!(names, Some(SettingKind::Words(_))), "{op}");
                &[]
            }
        };
        for ports in [declaration.inputs, fixed] {
            let names: BTreeSet<&str> = ports.iter().map(|port| port.name).collect();
            assert_eq!(names.len(), ports.len(), "`{op}` has two ports of one name");
        }
        let names: BTreeSet<&str> = declaration.settings.iter().map(|setting| setting.name).collect();
        assert_eq!(
            names.len(),
            declaration.settings.len(),
            "`{op}` has two settings of one name"
        );
        // Words of the manifest that stand beside the settings.
        assert!(
            ["op", "in", "as"].iter().all(|taken| !names.contains(taken)),
            "{op}"
        );
        let ports = declaration.inputs.iter().chain(fixed).map(|port| port.summary);
        let settings = declaration.settings.iter().map(|setting| setting.summary);
        for summary in ports.chain(settings).chain([declaration.summary]) {
            assert!(summary.ends_with('.'), "{op}: {summary:?} is no sentence");
        }
    }
}

#[test]
fn every_default_is_a_value_that_the_setting_takes() {
    for declaration in tidemill_ops::all() {
        for setting in declaration.settings {
            assert!(
                takes_its_default(setting),
                "{}.{}",
                declaration.name,
                setting.name
            );
        }
    }
}

fn takes_its_default(setting: &SettingDecl) -> bool {
    match (setting.default, setting.kind) {
        (Default::Required | Default::Absent, _) => true,
        (Default::Number(number), SettingKind::Number { least, most }) => (least..=most).contains(&number),
        (Default::Number(number), SettingKind::Whole { least, most }) => {
            number.fract() == 0.0 && (least as f64..=most as f64).contains(&number)
        }
        (Default::Flag(_), SettingKind::Flag) => true,
        (Default::Word(word), SettingKind::Word(words)) => words.contains(&word),
        (Default::Word(_), SettingKind::Text) => true,
        _ => false,
    }
}
