//! What lies in the manifest's folder: lists, hashes and reads only what the manifest wants.
//!
//! # Layout
//! - [`walk`]: which files a pattern means.
//! - [`digests`]: digests of files, remembered by size, times and identity.
//! - [`facts`]: what model files say about themselves, remembered by digest.
//! - [`remember`]: the file that keeps both between runs.

pub mod digests;
mod facts;
pub mod remember;
mod walk;

use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};

use bytes::Bytes;
use rayon::prelude::*;
use tidemill_plan::{Companion, ModelFacts, Survey, SurveyedFile, Wanted};
use tidemill_proto::Digest;
use tidemill_store::{Tree, TreeEntry};

use crate::failure::{Failure, io_words};
use digests::Digests;
use remember::Memory;

/// A survey, and where the bytes of every blob in it are.
#[derive(Debug, Default)]
pub struct Surveyed {
    /// What the plan is made from.
    pub survey: Survey,
    /// Where to take the bytes from that the store lacks.
    pub sources: HashMap<Digest, BlobSource>,
    /// A tree's own blob and the blobs it names.
    pub parts: HashMap<Digest, Vec<Digest>>,
}

/// Where the bytes of a blob are.
#[derive(Debug, Clone)]
pub enum BlobSource {
    /// In this file, of this size.
    File(PathBuf, u64),
    /// In memory: the listing of a folder.
    Memory(Bytes),
}

/// Surveys `root`, the manifest's folder. What was remembered in the data folder saves hashing and reading.
///
/// A wanted file that is not there is left out: the plan says so with its place in the manifest.
pub fn survey(root: &Path, wanted: &Wanted, data: &Path) -> Result<Surveyed, Failure> {
    let memory_file = remember::file_for(data, root, &wanted.manifest);
    let memory = Memory::load(&memory_file);
    let digests = Digests::new(root, &memory);
    let mut result = Surveyed::default();

    for csv in wanted.csv_files.iter().filter(|path| walk::stays_inside(path)) {
        match std::fs::read_to_string(walk::join(root, csv)) {
            Ok(text) => drop(result.survey.texts.insert(csv.clone(), text)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(Failure::file("read", &walk::join(root, csv), &error)),
        }
    }
    let mut models: BTreeSet<String> = match &wanted.models {
        Some(pattern) => walk::matching(root, pattern)?,
        None => BTreeSet::new(),
    };
    models.extend(result.survey.texts.values().flat_map(|text| models_of_csv(text)));

    let facts = facts::Facts::new(&memory);
    let surveyed: Vec<(String, SurveyedFile)> = models
        .par_iter()
        .map(|path| Ok(survey_model(path, wanted, &digests, &facts)?.map(|file| (path.clone(), file))))
        .collect::<Result<Vec<_>, Failure>>()?
        .into_iter()
        .flatten()
        .collect();
    for (path, file) in surveyed {
        let folder = path.rsplit_once('/').map(|(folder, _)| folder);
        for companion in &file.companions {
            let beside = folder.map_or_else(
                || companion.name.clone(),
                |folder| format!("{folder}/{}", companion.name),
            );
            let source = BlobSource::File(walk::join(root, &beside), companion.size);
            result.sources.insert(companion.digest, source);
        }
        result.add(root, path, file);
    }
    for path in wanted.files.iter().filter(|path| walk::stays_inside(path)) {
        if result.survey.files.contains_key(path) {
            continue;
        }
        if let Some((digest, size)) = digests.of(path).map_err(|error| unreadable(root, path, &error))? {
            result.add(root, path.clone(), plain_file(digest, size));
        }
    }
    for path in wanted.folders.iter().filter(|path| walk::stays_inside(path)) {
        survey_folder(root, path, &digests, &mut result)?;
    }
    // What could not be remembered is found again next time.
    let _ = remember::save(
        &memory_file,
        &memory,
        digests.into_entries(),
        facts.into_entries(),
    );
    Ok(result)
}

impl Surveyed {
    fn add(&mut self, root: &Path, path: String, file: SurveyedFile) {
        self.sources
            .insert(file.digest, BlobSource::File(walk::join(root, &path), file.size));
        self.survey.files.insert(path, file);
    }
}

fn plain_file(digest: Digest, size: u64) -> SurveyedFile {
    SurveyedFile {
        digest,
        size,
        model: None,
        companions: Vec::new(),
        folder: false,
    }
}

fn survey_model(
    path: &str,
    wanted: &Wanted,
    digests: &Digests<'_>,
    facts: &facts::Facts<'_>,
) -> Result<Option<SurveyedFile>, Failure> {
    let root = digests.root();
    let Some((digest, size)) = digests.of(path).map_err(|error| unreadable(root, path, &error))? else {
        return Ok(None);
    };
    let mut file = plain_file(digest, size);
    if !wanted.tags && !facts::is_model(path) {
        return Ok(Some(file));
    }
    let found = facts
        .of_model(root, path, digest)
        .map_err(|error| unreadable(root, path, &error))?;
    let mut model: Result<ModelFacts, String> = found.facts.clone();
    for companion in facts.companions(path, &found, digests) {
        match companion {
            facts::Beside::Found(companion) => file.companions.push(companion),
            facts::Beside::Absent { name, needed: true } if model.is_ok() => {
                model = Err(format!("it refers to {name:?}, which is not in its folder"));
            }
            facts::Beside::Absent { .. } => {}
        }
    }
    file.companions.sort();
    file.companions.dedup();
    // Without tags a model may be any file: whether it reads as one is the concern of the step that reads it.
    file.model = Some(model).filter(|model| wanted.tags || model.is_ok());
    Ok(Some(file))
}

fn survey_folder(
    root: &Path,
    path: &str,
    digests: &Digests<'_>,
    result: &mut Surveyed,
) -> Result<(), Failure> {
    if !walk::join(root, path).is_dir() {
        return Ok(());
    }
    if let Some(link) = walk::link_below(root, path) {
        return Err(Failure::wrong(format!(
            "the folder {path} cannot be taken: {link} is a symbolic link"
        ))
        .hint("put the file itself there"));
    }
    let mut entries = Vec::new();
    let mut total = 0;
    for inner in walk::below(root, path)? {
        let full = format!("{path}/{inner}");
        let Some((digest, size)) = digests
            .of(&full)
            .map_err(|error| unreadable(root, &full, &error))?
        else {
            continue;
        };
        let source = walk::join(root, &full);
        total += size;
        entries.push(TreeEntry {
            path: inner,
            digest,
            size,
            executable: crate::os::is_executable(&source),
        });
        result.sources.insert(digest, BlobSource::File(source, size));
    }
    let tree = Tree::new(entries)
        .map_err(|reason| Failure::wrong(format!("the folder {path} cannot be taken: {reason}")))?;
    let bytes = Bytes::from(tree.encode());
    let digest = Digest::of(&bytes);
    result
        .parts
        .insert(digest, tree.entries().iter().map(|entry| entry.digest).collect());
    result.sources.insert(digest, BlobSource::Memory(bytes));
    let folder = SurveyedFile {
        digest,
        size: total,
        model: None,
        companions: Vec::new(),
        folder: true,
    };
    result.survey.files.insert(path.to_owned(), folder);
    Ok(())
}

/// Values of the column `model` of a CSV file. What is wrong with the file is the plan's to say.
fn models_of_csv(text: &str) -> BTreeSet<String> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(text.as_bytes());
    let Some(column) = reader
        .headers()
        .ok()
        .and_then(|headers| headers.iter().position(|header| header == "model"))
    else {
        return BTreeSet::new();
    };
    let rows = reader.records().flatten();
    let cells = rows.filter_map(|row| row.get(column).map(str::to_owned));
    cells
        .filter(|path| !path.is_empty() && walk::stays_inside(path))
        .collect()
}

fn unreadable(root: &Path, path: &str, error: &std::io::Error) -> Failure {
    Failure::wrong(format!(
        "cannot read {}: {}",
        walk::join(root, path).display(),
        io_words(error)
    ))
}

/// For [`facts`]: a companion that was found.
fn companion(name: &str, digest: Digest, size: u64) -> Companion {
    Companion {
        name: name.to_owned(),
        digest,
        size,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn models_of_a_csv_are_its_model_column() {
        let text = "name,model\na, base/a.obj\nb,../b.obj\nc,\nd,base/a.obj\n";
        assert_eq!(models_of_csv(text), BTreeSet::from(["base/a.obj".to_owned()]));
        assert!(models_of_csv("name\na\n").is_empty());
    }

    #[test]
    fn a_survey_finds_what_is_wanted_and_leaves_out_what_is_absent() {
        let folder = tempfile::tempdir().unwrap();
        let data = tempfile::tempdir().unwrap();
        for (path, text) in [
            ("base/a.txt", "a"),
            ("base/deep/b.txt", "b"),
            ("base/c.md", "c"),
            ("kit/x/y.txt", "y"),
        ] {
            let path = folder.path().join(path);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        let wanted = Wanted {
            manifest: "quay".into(),
            models: Some("base/*.txt".into()),
            files: BTreeSet::from([
                "base/c.md".to_owned(),
                "base/absent".to_owned(),
                "../out".to_owned(),
            ]),
            folders: BTreeSet::from(["kit".to_owned()]),
            ..Wanted::default()
        };
        for round in 0..2 {
            let surveyed = survey(folder.path(), &wanted, data.path()).unwrap();
            let paths: Vec<&str> = surveyed.survey.files.keys().map(String::as_str).collect();
            assert_eq!(paths, ["base/a.txt", "base/c.md", "kit"], "round {round}");
            assert_eq!(surveyed.survey.files["base/a.txt"].digest, Digest::of(b"a"));
            let kit = &surveyed.survey.files["kit"];
            assert!(kit.folder && kit.size == 1);
            assert_eq!(surveyed.parts[&kit.digest], [Digest::of(b"y")]);
            assert!(surveyed.sources.contains_key(&Digest::of(b"y")));
        }
    }
}
