//! Digests of all that a recipe writes, for comparing builds and machines: `chain_digests [THREADS]`. `tests/same_bytes` does so.

#[path = "chain_digests/chain.rs"]
mod chain;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let threads = std::env::args().nth(1).map_or(Ok(2), |threads| threads.parse())?;
    let folder = tempfile::tempdir()?;
    print!("{}", chain::digests(folder.path(), threads)?);
    Ok(())
}
