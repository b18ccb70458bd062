//! A coordinator and agents as processes of their own, over loopback.

#![allow(clippy::unwrap_used)] // a test that cannot go on has failed

use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tidemill_tests::Sandbox;
use tidemill_tests::project::quay;
use tidemill_tests::sandbox::binary;

struct Studio {
    address: String,
    coordinator: Child,
    agents: Vec<Child>,
}

impl Studio {
    /// A coordinator with its data below the sandbox, reached on a free loopback port.
    fn open(sandbox: &Sandbox) -> Self {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        drop(listener);
        let coordinator = Self::coordinator(sandbox, &address);
        let studio = Self {
            address,
            coordinator,
            agents: Vec::new(),
        };
        studio.wait_until_reachable(sandbox);
        studio
    }

    fn coordinator(sandbox: &Sandbox, address: &str) -> Child {
        Command::new(binary("tidemill-coordinator"))
            .args(["serve", "--listen", address, "--data"])
            .arg(sandbox.root().join("studio"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(std::fs::File::create(sandbox.root().join("coordinator.log")).unwrap())
            .spawn()
            .unwrap()
    }

    fn wait_until_reachable(&self, sandbox: &Sandbox) {
        let deadline = Instant::now() + Duration::from_secs(20);
        while self.tidemill(sandbox, &["agents", "--json"]).code != 0 {
            assert!(
                Instant::now() < deadline,
                "{:?}",
                self.tidemill(sandbox, &["agents"])
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn join(&mut self, sandbox: &Sandbox, name: &str) {
        let config = sandbox.root().join(format!("{name}.toml"));
        std::fs::write(
            &config,
            "through_coordinator = true\n[tool.cp]\npath = \"/bin/cp\"\n\n[tool.sh]\npath = \"/bin/sh\"\n",
        )
        .unwrap();
        let agent = Command::new(binary("tidemill-agent"))
            .args(["--at", &self.address, "--name", name, "--cores", "1"])
            .arg("--data")
            .arg(sandbox.root().join(name))
            .arg("--config")
            .arg(config)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(std::fs::File::create(sandbox.root().join(format!("{name}.log"))).unwrap())
            .spawn()
            .unwrap();
        self.agents.push(agent);
    }

    fn tidemill(&self, sandbox: &Sandbox, arguments: &[&str]) -> tidemill_tests::Outcome {
        let mut all = vec!["--at", self.address.as_str()];
        all.extend(arguments);
        sandbox.tidemill(&all)
    }
}

impl Drop for Studio {
    fn drop(&mut self) {
        for child in self.agents.iter_mut().chain([&mut self.coordinator]) {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

#[test]
fn two_agents_without_a_shared_folder_make_what_one_machine_makes() {
    let alone = quay();
    assert_eq!(alone.run(&[]).code, 0);

    let sandbox = quay();
    let mut studio = Studio::open(&sandbox);
    studio.join(&sandbox, "ash");
    studio.join(&sandbox, "elm");
    let outcome = studio.tidemill(&sandbox, &["run", "manifest.toml", "--json"]);
    assert_eq!(outcome.code, 0, "{outcome:?}");
    assert_eq!(outcome.count("done"), 18, "{outcome:?}");

    let files = sandbox.files("out");
    assert_eq!(files, alone.files("out"));
    for file in files {
        let read = |sandbox: &Sandbox| std::fs::read(sandbox.project().join("out").join(&file)).unwrap();
        assert!(
            read(&sandbox) == read(&alone),
            "{file} differs between one machine and two"
        );
    }

    let agents = studio.tidemill(&sandbox, &["agents", "--json"]);
    let names: Vec<String> = agents
        .objects("agent")
        .iter()
        .map(|row| row["name"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(names.len(), 2, "{agents:?}");

    let second = studio.tidemill(&sandbox, &["run", "manifest.toml", "--json"]);
    assert_eq!((second.code, second.count("reused")), (0, 18), "{second:?}");
}

#[test]
fn a_coordinator_that_was_killed_goes_on_with_the_run() {
    let sandbox = quay();
    let notes = sandbox.root().join("notes");
    sandbox.write(
        "slow.sh",
        format!(
            "echo \"$3\" >> '{}'\nsleep 0.5\ncp \"$1\" \"$2\"\n",
            notes.display()
        ),
    );
    sandbox.edit(
        "manifest.toml",
        "from = { map = \"maps.tag-id\" }\nprogram = [\"cp\", \"{map}\", \"{copy}\"]",
        "from = { map = \"maps.tag-id\", script = { file = \"slow.sh\" } }\nprogram = [\"sh\", \"{script}\", \"{map}\", \"{copy}\", \"{variant}\"]",
    );
    let mut studio = Studio::open(&sandbox);
    studio.join(&sandbox, "ash");
    let left = studio.tidemill(&sandbox, &["run", "manifest.toml", "--leave", "--json"]);
    assert_eq!(left.code, 0, "{left:?}");

    let deadline = Instant::now() + Duration::from_secs(60);
    while std::fs::read_to_string(&notes)
        .unwrap_or_default()
        .lines()
        .count()
        < 1
    {
        assert!(Instant::now() < deadline);
        std::thread::sleep(Duration::from_millis(20));
    }
    studio.coordinator.kill().unwrap();
    studio.coordinator.wait().unwrap();
    std::thread::sleep(Duration::from_millis(300));
    studio.coordinator = Studio::coordinator(&sandbox, &studio.address);
    studio.wait_until_reachable(&sandbox);

    let watched = studio.tidemill(&sandbox, &["watch", "quay", "--json"]);
    assert_eq!(watched.code, 0, "{watched:?}");
    let ran = std::fs::read_to_string(&notes).unwrap();
    let mut variants: Vec<&str> = ran.lines().collect();
    variants.sort_unstable();
    assert_eq!(
        variants,
        tidemill_tests::project::VARIANTS,
        "each item ran once, in spite of the kill"
    );
    let delivered = studio.tidemill(&sandbox, &["deliver", "quay", "--json"]);
    assert_eq!(delivered.code, 0, "{delivered:?}");
    assert_eq!(sandbox.files("out").len(), 18);
}
