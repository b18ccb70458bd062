//! The same folder gives the same bytes, however it is listed and however the manifest is laid out inside.

mod common;

use common::{DOCK, dock, model, plan};
use proptest::prelude::*;
use prost::Message;
use tidemill_plan::{Companion, Survey};
use tidemill_proto::Digest;

const AXES: [&str; 3] = ["seed", "tide", "coat"];

/// A manifest with three axes, their names and values in the given order.
fn manifest(names: &[usize], values: &[usize]) -> String {
    let axes: Vec<String> = names
        .iter()
        .map(|name| {
            let values: Vec<String> = values
                .iter()
                .map(|value| format!("\"{}{value}\"", AXES[*name]))
                .collect();
            format!("{} = [{}]", AXES[*name], values.join(", "))
        })
        .collect();
    DOCK.replace("seed = [11, 12]", &axes.join("\n"))
        .replace("{stem}-s{seed}", "{stem}-{seed}-{tide}-{coat}")
        .replace("seed = \"{seed}\"", "seed = 5")
}

fn order(length: usize) -> impl Strategy<Value = Vec<usize>> {
    Just((0..length).collect::<Vec<usize>>()).prop_shuffle()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_order_of_the_inputs_changes_a_byte(
        files in order(6), companions in order(4), names in order(3), values in order(3)
    ) {
        let survey = |files: &[usize], companions: &[usize]| {
            let mut survey = Survey::default();
            for index in files {
                let path = format!("base/crate-{index}.obj");
                let mut file = model(&path);
                file.companions = companions
                    .iter()
                    .map(|index| {
                        let name = format!("picture{index}.png");
                        Companion { digest: Digest::of(name.as_bytes()), name, size: 9 }
                    })
                    .collect();
                survey.files.insert(path, file);
            }
            survey
        };
        let sorted = plan(&manifest(&[0, 1, 2], &[0, 1, 2]), &survey(&[0, 1, 2, 3, 4, 5], &[0, 1, 2, 3]));
        let shuffled = plan(&manifest(&names, &values), &survey(&files, &companions));
        prop_assert_eq!(sorted.encode_to_vec(), shuffled.encode_to_vec());
    }

    /// Whatever is done to the text of a manifest, there is an answer: a plan or errors, never a panic.
    #[test]
    fn no_text_is_too_broken(cut in 0..DOCK.len(), length in 0usize..40, insert in "[\\[\\]{}\"=.,#a-z0-9/é\n-]{0,12}") {
        let mut text = DOCK.to_owned();
        let boundary = |mut at: usize| { while !text.is_char_boundary(at) { at -= 1; } at };
        let (start, end) = (boundary(cut), boundary((cut + length).min(text.len())));
        text.replace_range(start..end, &insert);
        let survey = dock();
        let _ = tidemill_plan::wanted(&text, "dock.toml");
        match common::plan_with(&text, &survey, &Default::default()) {
            Ok(planned) => prop_assert_eq!(tidemill_plan::recheck(&planned.plan, tidemill_ops::all()), Ok(())),
            Err(diagnostics) => prop_assert!(diagnostics.errors() > 0 && !diagnostics.render(false, 80).is_empty()),
        }
    }

    /// Whatever bytes come over the wire, the answer is yes or no, never a panic.
    #[test]
    fn no_plan_is_too_damaged(changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6)) {
        let mut bytes = plan(DOCK, &dock()).encode_to_vec();
        for (index, byte) in changes {
            let at = index.index(bytes.len());
            bytes[at] = byte;
        }
        if let Ok(damaged) = tidemill_proto::v1::Plan::decode(bytes.as_slice()) {
            let _ = tidemill_plan::recheck(&damaged, tidemill_ops::all());
        }
    }
}

#[test]
fn the_order_of_files_in_a_folder_is_no_part_of_a_plan() {
    let mut backwards = Survey::default();
    for (path, file) in dock().files.into_iter().rev() {
        backwards.files.insert(path, file);
    }
    assert_eq!(
        plan(DOCK, &dock()).encode_to_vec(),
        plan(DOCK, &backwards).encode_to_vec()
    );
}
