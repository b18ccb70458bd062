//! Runs a whole chain: reads the named values, applies the operations in order, writes what was asked for.

mod files;
mod worker;

use std::collections::{BTreeMap, HashMap};
use std::path::PathBuf;

use rayon::prelude::*;
use tidemill_ops::{Call, Chain, ChainReport};

use crate::map::MapError;
use crate::operations::{self, Context, OperationError};
use crate::read::ReadError;
use crate::value::Value;
use crate::write::WriteError;

pub use worker::worker_main;

/// Why a chain gave nothing. Each says which input, operation or output it was.
#[derive(Debug, thiserror::Error)]
pub enum ChainError {
    /// An input model cannot be read.
    #[error("input `{input}`{label}: {source}", label = labelled(label))]
    Model {
        /// The value's name.
        input: String,
        /// The variant's name; may be empty.
        label: String,
        /// What is wrong.
        source: ReadError,
    },
    /// An input map cannot be read.
    #[error("input `{input}`{label}: {source}", label = labelled(label))]
    Map {
        /// The value's name.
        input: String,
        /// The variant's name; may be empty.
        label: String,
        /// What is wrong.
        source: MapError,
    },
    /// An input that is neither a model, nor a map, nor data, or whose data is no JSON.
    #[error("input `{input}`{label}: {problem}", label = labelled(label))]
    Input {
        /// The value's name.
        input: String,
        /// The variant's name; may be empty.
        label: String,
        /// What is wrong and what to do.
        problem: String,
    },
    /// No such operation, or not in this version.
    #[error("operation {number}, `{op}`: {problem}")]
    Unknown {
        /// Place in the chain, from 1.
        number: usize,
        /// Its name.
        op: String,
        /// What is wrong and what to do.
        problem: String,
    },
    /// An operation refused its input or its settings.
    #[error("operation {number}, `{op}`: {source}")]
    Operation {
        /// Place in the chain, from 1.
        number: usize,
        /// Its name.
        op: String,
        /// What is wrong.
        source: OperationError,
    },
    /// An operation measured something that breaks a limit. Data that was there by then is written.
    #[error("operation {number}, `{op}`: {problem}")]
    Broken {
        /// Place in the chain, from 1.
        number: usize,
        /// Its name.
        op: String,
        /// Figures and limits, in words.
        problem: String,
        /// What was measured until then, and which outputs are written.
        report: Box<ChainReport>,
    },
    /// A value that is asked for does not exist, or cannot be written in that format.
    #[error("output `{output}`: {problem}")]
    Output {
        /// The value's name.
        output: String,
        /// What is wrong and what to do.
        problem: String,
    },
    /// A mesh cannot be written.
    #[error("output `{output}`: {source}")]
    WriteMesh {
        /// The value's name.
        output: String,
        /// What is wrong.
        source: WriteError,
    },
    /// A map cannot be written.
    #[error("output `{output}`: {source}")]
    WriteMap {
        /// The value's name.
        output: String,
        /// What is wrong.
        source: MapError,
    },
    /// The system refused to write.
    #[error("cannot write {path}: {source}", path = path.display())]
    WriteFile {
        /// Which.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// The threads could not be started.
    #[error("cannot start {threads} threads: {problem}")]
    Threads {
        /// How many.
        threads: usize,
        /// What is wrong.
        problem: String,
    },
}

fn labelled(label: &str) -> String {
    if label.is_empty() {
        String::new()
    } else {
        format!(" of `{label}`")
    }
}

/// Runs a chain with its number of threads. The written bytes do not depend on that number.
pub fn run_chain(chain: &Chain) -> Result<ChainReport, ChainError> {
    run_chain_with_log(chain, &|_| {})
}

/// As [`run_chain`], telling `log` what happens, one line at a time.
pub fn run_chain_with_log(chain: &Chain, log: &(dyn Fn(&str) + Sync)) -> Result<ChainReport, ChainError> {
    let threads = chain.threads.max(1);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|error| ChainError::Threads {
            threads,
            problem: error.to_string(),
        })?;
    pool.install(|| run(chain, log))
}

fn run(chain: &Chain, log: &dyn Fn(&str)) -> Result<ChainReport, ChainError> {
    let last_uses = LastUses::of(chain);
    let mut values: BTreeMap<String, Value> = BTreeMap::new();
    for input in &chain.inputs {
        let value = files::load(input)?;
        log(&format!("read `{}`: {}", input.name, value.description()));
        values.insert(input.name.clone(), value);
    }
    let mut report = ChainReport::default();
    for (index, call) in chain.calls.iter().enumerate() {
        let produced = apply(chain, index + 1, call, &values)?;
        for (port, value) in produced.outputs {
            let name = call.outputs.get(&port).unwrap_or(&port);
            log(&format!("{}: `{name}` is {}", call.op, value.description()));
            values.insert(name.clone(), value);
        }
        values.retain(|name, _| last_uses.is_needed_after(name, index));
        report.figures.push((call.op.clone(), produced.figures));
        if let Some(problem) = produced.failure {
            report.findings = write_data(chain, &values, log)?;
            return Err(ChainError::Broken {
                number: index + 1,
                op: call.op.clone(),
                problem,
                report: Box::new(report),
            });
        }
    }
    let colors = if colors_are_in_the_key(chain) {
        chain.tags.as_slice()
    } else {
        &[]
    };
    // Packing many maps takes as long as some operations, so files are written side by side.
    let written: Vec<Result<usize, ChainError>> = chain
        .outputs
        .par_iter()
        .map(|output| {
            let value = values.get(&output.name).ok_or_else(|| ChainError::Output {
                output: output.name.clone(),
                problem: "no operation made a value of that name".to_owned(),
            })?;
            files::write(output, value, colors)
        })
        .collect();
    for (output, bytes) in chain.outputs.iter().zip(written) {
        let bytes = bytes?;
        log(&format!("wrote `{}`: {bytes} bytes", output.name));
    }
    Ok(report)
}

/// Writes the outputs that are data and already there; gives their names.
fn write_data(
    chain: &Chain,
    values: &BTreeMap<String, Value>,
    log: &dyn Fn(&str),
) -> Result<Vec<String>, ChainError> {
    let mut written = Vec::new();
    for output in &chain.outputs {
        if let Some(value @ Value::Data(_)) = values.get(&output.name) {
            let bytes = files::write(output, value, &[])?;
            log(&format!("wrote `{}`: {bytes} bytes", output.name));
            written.push(output.name.clone());
        }
    }
    Ok(written)
}

/// The manifest's colours may reach a file only where a declaration says so: otherwise equal keys could give other bytes.
fn colors_are_in_the_key(chain: &Chain) -> bool {
    chain
        .calls
        .iter()
        .any(|call| tidemill_ops::find(&call.op).is_some_and(|declaration| declaration.uses_tags))
}

fn apply(
    chain: &Chain,
    number: usize,
    call: &Call,
    values: &BTreeMap<String, Value>,
) -> Result<operations::Produced, ChainError> {
    let unknown = |problem: String| ChainError::Unknown {
        number,
        op: call.op.clone(),
        problem,
    };
    let (Some(declaration), Some(operation)) = (tidemill_ops::find(&call.op), operations::find(&call.op))
    else {
        return Err(unknown(
            "there is no such operation here; this agent may be older than the coordinator".to_owned(),
        ));
    };
    if declaration.version != call.version {
        let problem = format!(
            "version {} was asked for, but this agent has version {}",
            call.version, declaration.version
        );
        return Err(unknown(problem));
    }
    let mut inputs = BTreeMap::new();
    for (port, name) in &call.inputs {
        let value = values
            .get(name)
            .ok_or_else(|| unknown(format!("there is no value `{name}` for `{port}`")))?;
        inputs.insert(port.as_str(), value.clone());
    }
    operation(&Context {
        call,
        inputs,
        tags: &chain.tags,
    })
    .map_err(|source| ChainError::Operation {
        number,
        op: call.op.clone(),
        source,
    })
}

/// For each value the last call that reads it, so that a mesh is not kept longer than it is needed.
struct LastUses<'a> {
    last_call: HashMap<&'a str, usize>,
}

impl<'a> LastUses<'a> {
    fn of(chain: &'a Chain) -> Self {
        let mut last_call = HashMap::new();
        for (index, call) in chain.calls.iter().enumerate() {
            last_call.extend(call.inputs.values().map(|name| (name.as_str(), index)));
        }
        last_call.extend(
            chain
                .outputs
                .iter()
                .map(|output| (output.name.as_str(), usize::MAX)),
        );
        Self { last_call }
    }

    fn is_needed_after(&self, name: &str, call: usize) -> bool {
        self.last_call.get(name).is_some_and(|last| *last > call)
    }
}
