//! A resolved chain of operations, as the worker program receives it.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

/// The whole job of one worker process.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chain {
    /// Applied in order.
    pub calls: Vec<Call>,
    /// The named values that are there at first.
    pub inputs: Vec<ChainInput>,
    /// The named values that must be written at the end.
    pub outputs: Vec<ChainOutput>,
    /// The manifest's tags, in its order: index + 1 is the tag's number in data maps.
    pub tags: Vec<TagColor>,
    /// Threads that the operations may use, at least 1. Never changes a byte of the result.
    pub threads: usize,
}

/// One operation with everything filled in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Call {
    /// Name of the operation.
    pub op: String,
    /// Version of its declaration; the worker refuses another one.
    pub version: u32,
    /// By name, complete except for settings whose default is absent.
    pub settings: BTreeMap<String, Setting>,
    /// Port to value name.
    pub inputs: BTreeMap<String, String>,
    /// Port (or name in the list setting) to value name.
    pub outputs: BTreeMap<String, String>,
}

/// A setting's value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Setting {
    /// `true` or `false`.
    Flag(bool),
    /// Whole numbers too.
    Number(f64),
    /// Words, tags, text.
    Text(String),
    /// Lists.
    List(Vec<Setting>),
}

/// A tag of the manifest.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TagColor {
    /// Its name: the material name of the faces that carry it.
    pub name: String,
    /// sRGB.
    pub rgb: [u8; 3],
}

/// One named value that is there at first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChainInput {
    /// Its name in the chain.
    pub name: String,
    /// Whether it gathers; then `files` may hold any number.
    pub many: bool,
    /// In variant order, without the missing ones.
    pub files: Vec<InputFile>,
    /// Labels of the variants whose file is missing (partial step), with their position among all.
    pub missing: Vec<(usize, String)>,
    /// Length unit of OBJ and PLY files: `mm`, `cm`, `m`, `in`, `ft`; empty: metres.
    #[serde(default)]
    pub units: String,
    /// Up axis of OBJ and PLY files: `y` or `z`; empty: `y`.
    #[serde(default)]
    pub up: String,
}

/// A file that is read in place; its path says nothing about its format.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InputFile {
    /// Where the bytes are.
    pub path: PathBuf,
    /// Format, as an extension with its dot: `.obj`.
    pub extension: String,
    /// The variant's name.
    pub label: String,
    /// Position among all sources, missing ones counted.
    pub position: usize,
    /// Files that the model refers to, by the name that it uses.
    #[serde(default)]
    pub companions: BTreeMap<String, PathBuf>,
}

/// One named value that must be written at the end.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChainOutput {
    /// Its name in the chain.
    pub name: String,
    /// Where to write; its extension is the format.
    pub path: PathBuf,
    /// Format, as an extension with its dot: `.glb`.
    pub extension: String,
}

/// What a finished worker prints as its last line on standard output, as JSON: remarks are for the log.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ChainReport {
    /// One for each call: operation and measured figures, such as the error that a reduction reached.
    pub figures: Vec<(String, BTreeMap<String, f64>)>,
    /// Of a chain that failed by what it measured: names of the outputs that were written all the same, data only.
    #[serde(default)]
    pub findings: Vec<String>,
}
