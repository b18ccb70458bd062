//! Compiles `schema/*.proto` with a pure-Rust compiler, so that nobody needs `protoc`.

use std::error::Error;

const SCHEMAS: [&str; 7] = [
    "schema/plan.proto",
    "schema/runs.proto",
    "schema/looks.proto",
    "schema/agents.proto",
    "schema/members.proto",
    "schema/upkeep.proto",
    "schema/forecast.proto",
];

fn main() -> Result<(), Box<dyn Error>> {
    let services = std::env::var_os("CARGO_FEATURE_SERVICES").is_some();
    let descriptors = protox::compile(SCHEMAS, ["schema"])?;
    tonic_prost_build::configure()
        .build_client(services)
        .build_server(services)
        .bytes(".tidemill.v1.BlobChunk.data")
        .bytes(".tidemill.v1.BlobChunk.packed")
        .bytes(".tidemill.v1.WholeBlob.data")
        .compile_fds(descriptors)?;
    println!("cargo:rerun-if-changed=schema");
    Ok(())
}
