//! What was measured, by step signature: read from the record when first asked for, written back now and then.

use std::collections::HashMap;

use tidemill_proto::Digest;

use super::Engine;
use super::commit::Rows;
use crate::estimate::{Learned, Sample, estimate};
use crate::forecast::expect;
use crate::query::archive::Archive;
use crate::record::rows::{EstimateRecord, SampleRecord};
use crate::record::{keys, pack};
use crate::scheduler::{Amount, Estimate, ItemId};

/// Learned estimates that were needed since the start.
#[derive(Debug, Default)]
pub struct Learning {
    known: HashMap<Digest, Known>,
}

#[derive(Debug, Default)]
struct Known {
    learned: Learned,
    changed: bool,
}

impl Learning {
    fn get(&mut self, archive: &Archive, signature: Digest) -> &mut Known {
        self.known.entry(signature).or_insert_with(|| {
            let row = archive
                .row::<EstimateRecord>(&keys::estimate(&signature))
                .unwrap_or_else(|error| {
                    tracing::warn!(%error, "what was learned about a step cannot be read; learning anew");
                    None
                });
            let mut known = Known::default();
            for sample in row.map(|row| row.samples).unwrap_or_default() {
                known.learned.add(Sample {
                    input_bytes: sample.input_bytes,
                    peak_memory_bytes: sample.peak_memory_bytes,
                    elapsed_ms: sample.elapsed_ms,
                });
            }
            known
        })
    }
}

impl Engine {
    /// Under what an item's attempts are learned: the signature of its step with the tool's version, and the step
    /// itself, whose signature changes with every parameter.
    fn signatures(&self, item: ItemId, tool: Option<&str>) -> Option<(Digest, Digest)> {
        let run = self.runs.get(&item.run)?;
        let plan = run.board.plan();
        let planned = plan.item(item.index).ok()?;
        let step = run.signatures.get(planned.step as usize)?;
        let name = &plan.step_of(&planned)?.name;
        Some((
            expect::signature(*step, tool),
            expect::family(name, &plan.manifest),
        ))
    }

    /// What an item is expected to need: declared first, learned afterwards.
    pub(super) fn estimate(
        &mut self,
        item: ItemId,
        input_bytes: u64,
        tool: Option<&str>,
    ) -> Option<Estimate> {
        let run = self.runs.get(&item.run)?;
        let needs = run.board.plan().item(item.index).ok()?.needs.unwrap_or_default();
        let declared = Estimate {
            need: Amount {
                millicores: needs.millicores,
                memory_bytes: needs.memory_bytes,
            },
            elapsed_ms: (needs.seconds > 0).then(|| needs.seconds.saturating_mul(1000)),
        };
        let (signature, family) = self.signatures(item, tool)?;
        let before = self.learning.get(&self.archive, family).learned.clone();
        let known = self.learning.get(&self.archive, signature);
        Some(estimate(declared, &known.learned, Some(&before), input_bytes))
    }

    /// Adds a measured attempt of an item.
    pub(super) fn learn(&mut self, item: ItemId, sample: Sample) {
        let tool = self.runs.get(&item.run).and_then(|run| {
            let planned = run.board.plan().item(item.index).ok()?;
            run.tools.get(super::plan::tool_of(&planned)?).cloned()
        });
        let Some((signature, family)) = self.signatures(item, tool.as_deref()) else {
            return;
        };
        for digest in [signature, family] {
            let known = self.learning.get(&self.archive, digest);
            known.learned.add(sample);
            known.changed = true;
        }
    }

    /// Writes what was learned since the last time; nobody waits for it.
    pub(super) fn write_learned(&mut self) {
        let mut rows = Rows::default();
        for (signature, known) in self.learning.known.iter_mut().filter(|(_, known)| known.changed) {
            known.changed = false;
            let samples = known.learned.samples().iter();
            let row = EstimateRecord {
                samples: samples
                    .map(|sample| SampleRecord {
                        input_bytes: sample.input_bytes,
                        peak_memory_bytes: sample.peak_memory_bytes,
                        elapsed_ms: sample.elapsed_ms,
                    })
                    .collect(),
            };
            rows.push(pack::put_short(keys::estimate(signature), &row));
        }
        if !rows.is_empty() {
            rows.submit_unwaited(self.committer.as_ref());
        }
    }
}
