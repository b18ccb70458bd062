//! Who may use whom: the one-way dependencies of the workspace.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::collections::BTreeSet;
use std::process::Command;

/// Packages that `package` pulls in when it is built alone, itself left out.
fn dependencies(package: &str) -> BTreeSet<String> {
    let output = Command::new(env!("CARGO"))
        .args([
            "tree",
            "--package",
            package,
            "--edges",
            "normal",
            "--prefix",
            "none",
            "--offline",
            "--format",
            "{p}",
        ])
        .current_dir(tidemill_tests::sandbox::repository())
        .output()
        .expect("cargo tree");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8_lossy(&output.stdout);
    let names = text
        .lines()
        .filter_map(|line| line.split(' ').next())
        .map(str::to_owned);
    names.filter(|name| name != package && !name.is_empty()).collect()
}

fn ours(package: &str) -> BTreeSet<String> {
    dependencies(package)
        .into_iter()
        .filter(|name| name.starts_with("tidemill"))
        .collect()
}

fn set(names: &[&str]) -> BTreeSet<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

#[test]
fn each_crate_uses_only_what_it_may() {
    assert_eq!(ours("tidemill-ops"), set(&[]));
    assert_eq!(ours("tidemill-proto"), set(&[]));
    assert_eq!(ours("tidemill-mesh"), set(&["tidemill-ops"]));
    assert_eq!(ours("tidemill-plan"), set(&["tidemill-ops", "tidemill-proto"]));
    assert_eq!(ours("tidemill-store"), set(&["tidemill-proto"]));
    assert_eq!(
        ours("tidemill-coordinator"),
        set(&[
            "tidemill-ops",
            "tidemill-page",
            "tidemill-plan",
            "tidemill-proto",
            "tidemill-store"
        ])
    );
    assert_eq!(ours("tidemill-page"), set(&["tidemill-proto"]));
    assert_eq!(
        ours("tidemill-agent"),
        set(&[
            "tidemill-mesh",
            "tidemill-ops",
            "tidemill-proto",
            "tidemill-store"
        ])
    );
}

#[test]
fn the_pure_crates_pull_neither_an_async_runtime_nor_a_network() {
    for package in ["tidemill-plan", "tidemill-mesh", "tidemill-ops"] {
        let all = dependencies(package);
        assert!(all.len() > 3, "{all:?}");
        for barred in ["tokio", "tonic", "hyper", "sled", "socket2", "mio"] {
            assert!(!all.contains(barred), "{package} pulls {barred}");
        }
    }
}

#[test]
fn one_tls_provider_only() {
    // Two providers in one graph make the first TLS connection panic.
    for package in ["tidemill", "tidemill-agent", "tidemill-coordinator"] {
        assert!(!dependencies(package).contains("aws-lc-rs"), "{package}");
    }
}
