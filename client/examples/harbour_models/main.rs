//! Writes the base models of the harbour demo, an invented set of dock props: bollards, crates and troughs of timber and iron.
//!
//! `cargo run -p tidemill --example harbour_models` writes them anew; with `--check` it writes nothing and exits with 1 if a file
//! on disk differs. Every part is a closed shell, and every face carries exactly one material. Metres, +Y up, standing on y = 0.

use std::path::Path;
use std::process::ExitCode;

mod bollards;
mod crates;
mod fittings;
mod model;
mod troughs;

fn main() -> ExitCode {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/harbour/base");
    let check = std::env::args().any(|argument| argument == "--check");
    let mut files: Vec<(String, String)> = all_props()
        .into_iter()
        .map(|(name, model)| (format!("{name}.obj"), model.to_obj(name)))
        .collect();
    files.push(("harbour.mtl".to_owned(), MATERIALS.to_owned()));
    let mut failed = false;
    for (name, text) in &files {
        let path = folder.join(name);
        if check {
            let same = std::fs::read_to_string(&path).is_ok_and(|found| found == *text);
            if !same {
                eprintln!("{} differs from what this program writes", path.display());
                failed = true;
            }
        } else if let Err(error) = std::fs::create_dir_all(&folder).and_then(|()| std::fs::write(&path, text))
        {
            eprintln!("cannot write {}: {error}", path.display());
            failed = true;
        }
    }
    if failed {
        ExitCode::FAILURE
    } else {
        ExitCode::SUCCESS
    }
}

/// Three families of three sizes, each size built in its own way.
fn all_props() -> Vec<(&'static str, model::Model)> {
    vec![
        ("bollard-small", bollards::small()),
        ("bollard-medium", bollards::medium()),
        ("bollard-large", bollards::large()),
        ("crate-small", crates::small()),
        ("crate-medium", crates::medium()),
        ("crate-large", crates::large()),
        ("trough-small", troughs::small()),
        ("trough-medium", troughs::medium()),
        ("trough-large", troughs::large()),
    ]
}

const MATERIALS: &str = "# The two materials of the harbour's props.\n\
    newmtl timber\nKd 0.52 0.36 0.20\nKs 0.02 0.02 0.02\nNs 8\n\n\
    newmtl iron\nKd 0.20 0.21 0.23\nKs 0.30 0.30 0.30\nNs 40\n";
