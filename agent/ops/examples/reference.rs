//! Writes `agent/ops/REFERENCE.md` anew from the declarations.

fn main() -> std::io::Result<()> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("REFERENCE.md");
    std::fs::write(&path, tidemill_ops::reference(tidemill_ops::all()))?;
    println!("wrote {}", path.display());
    Ok(())
}
