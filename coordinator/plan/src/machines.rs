//! Needs that no machine can ever satisfy, where the machines are known beforehand.

use bytesize::ByteSize;
use tidemill_proto::v1::Needs;

use crate::Machine;
use crate::diagnostics::Report;
use crate::steps::CompiledStep;

/// Reports each step of which no item could ever start. Says nothing where no machine is known.
pub(crate) fn check<'s>(
    steps: impl Iterator<Item = &'s CompiledStep<'s, 's>>,
    machines: &[Machine],
    report: &mut Report<'_>,
) {
    if machines.is_empty() {
        return;
    }
    for step in steps.filter(|step| step.needs.declared) {
        if machines.iter().any(|machine| satisfies(machine, &step.needs)) {
            continue;
        }
        let lacking = lacking(&step.needs, machines);
        report
            .error(
                "need-too-large",
                &step.decl.needs.span,
                format!("`{}` can never run here: {lacking}", step.decl.name.value),
            )
            .label("no machine has that")
            .hint(
                "declare what an item really takes (it is measured from the first one on), or run it in a studio \
                 that has such a machine",
            );
    }
}

fn satisfies(machine: &Machine, needs: &Needs) -> bool {
    needs.memory_bytes <= machine.memory_bytes
        && needs.millicores <= machine.millicores
        && needs.offers.iter().all(|offer| machine.offers.contains(offer))
}

fn memory(bytes: u64) -> String {
    ByteSize::b(bytes).display().iec().to_string()
}

/// What is short, each beside the most that any machine has of it.
fn lacking(needs: &Needs, machines: &[Machine]) -> String {
    let most_memory = machines
        .iter()
        .map(|machine| machine.memory_bytes)
        .max()
        .unwrap_or(0);
    let most_cores = machines
        .iter()
        .map(|machine| machine.millicores)
        .max()
        .unwrap_or(0);
    let mut parts = Vec::new();
    if needs.memory_bytes > most_memory {
        let (needed, there) = (memory(needs.memory_bytes), memory(most_memory));
        parts.push(format!(
            "it needs {needed} of memory, and at most {there} can be lent"
        ));
    }
    if needs.millicores > most_cores {
        let cores = |millicores: u32| f64::from(millicores) / 1000.0;
        parts.push(format!(
            "it needs {} cores, and there are {}",
            cores(needs.millicores),
            cores(most_cores)
        ));
    }
    for offer in &needs.offers {
        if !machines.iter().any(|machine| machine.offers.contains(offer)) {
            parts.push(format!("no machine offers `{offer}`"));
        }
    }
    if parts.is_empty() {
        return "no single machine has all that it needs at once".to_owned();
    }
    parts.join("; ")
}
