//! A short run of mutated files against every reader; `examples/fuzz_readers.rs` is the long one.

#[path = "../fuzz/mod.rs"]
mod fuzz;

use std::time::Duration;

#[global_allocator]
static ALLOCATOR: fuzz::memory::Counting = fuzz::memory::Counting;

#[test]
fn no_mutant_makes_a_reader_panic_hang_or_take_all_memory() {
    for (name, target) in fuzz::Target::ALL {
        let ran = fuzz::run(target, 7, Duration::from_secs(3), &fuzz::Watched::default());
        let problems: Vec<&str> = ran.findings.iter().map(|(problem, _)| problem.as_str()).collect();
        assert!(
            problems.is_empty(),
            "{name}: {problems:?}; the example `fuzz_readers` writes the files"
        );
        // Damage that never gets past the first check would find nothing.
        assert!(
            ran.sound * 50 > ran.files && ran.sound < ran.files,
            "{name}: {} of {}",
            ran.sound,
            ran.files
        );
    }
}
