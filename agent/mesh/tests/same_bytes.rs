//! The same model and recipe give the same bytes: whatever the number of threads, and again. `tests/same_bytes` compares builds
//! and processors.

#[path = "../examples/chain_digests/chain.rs"]
mod chain;

#[test]
fn a_recipe_writes_the_same_bytes_on_one_two_and_seven_threads_and_again() {
    let digests = |threads| {
        let folder = tempfile::tempdir().expect("a folder");
        chain::digests(folder.path(), threads).expect("a sound recipe")
    };
    let one = digests(1);
    assert_eq!(one.lines().count(), 11, "{one}");
    for threads in [1, 2, 7] {
        assert_eq!(one, digests(threads), "on {threads} threads");
    }
}
