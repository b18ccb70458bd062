//! Calls for the tests of single operations.

use tidemill_ops::{Call, Setting};

use super::{Context, Operation};
use crate::Mesh;
use crate::value::Value;

/// A setting's value from what tests write.
#[derive(Debug, Clone)]
pub struct Written(Setting);

impl From<f64> for Written {
    fn from(number: f64) -> Self {
        Self(Setting::Number(number))
    }
}

impl From<&str> for Written {
    fn from(text: &str) -> Self {
        Self(Setting::Text(text.to_owned()))
    }
}

impl From<bool> for Written {
    fn from(flag: bool) -> Self {
        Self(Setting::Flag(flag))
    }
}

impl<const N: usize> From<[&str; N]> for Written {
    fn from(words: [&str; N]) -> Self {
        Self(Setting::List(
            words.map(|word| Setting::Text(word.to_owned())).into(),
        ))
    }
}

/// A call with these settings and no others.
pub fn call(op: &str, settings: &[(&str, Written)]) -> Call {
    Call {
        op: op.to_owned(),
        version: 1,
        settings: settings
            .iter()
            .map(|(name, written)| ((*name).to_owned(), written.0.clone()))
            .collect(),
        inputs: [].into(),
        outputs: [].into(),
    }
}

/// The first output of an operation, which must be a mesh.
pub fn mesh_of(operation: Operation, mesh: &Mesh, call: &Call) -> Mesh {
    let produced = operation(&Context {
        call,
        inputs: [("mesh", Value::Mesh(mesh.clone().into()))].into(),
        tags: &[],
    })
    .unwrap();
    match &produced.outputs[0].1 {
        Value::Mesh(mesh) => (**mesh).clone(),
        other => panic!("{}", other.description()),
    }
}
