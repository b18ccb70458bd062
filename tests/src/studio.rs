//! A coordinator and agents as processes of their own, with their data below a sandbox.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::Sandbox;
use crate::memory_limit::MemoryLimit;
use crate::network::{DESK, MILL, Network};
use crate::sandbox::{Outcome, binary, finish};

/// A process that is ended when it is dropped.
pub struct Process(Child);

impl Process {
    /// Starts it, with its errors in `log`.
    pub fn start(mut command: Command, log: PathBuf) -> Self {
        let log = std::fs::File::options()
            .create(true)
            .append(true)
            .open(log)
            .expect("a log file");
        let child = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap_or_else(|error| panic!("{command:?}: {error}"));
        Self(child)
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.0.id()
    }

    /// Whether it has ended.
    pub fn has_ended(&mut self) -> bool {
        self.0.try_wait().expect("wait for a child").is_some()
    }

    /// On Linux SIGKILL: nothing of it runs any more when this returns.
    pub fn kill(mut self) {
        self.end();
    }

    fn end(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.end();
    }
}

/// One coordinator and its agents.
pub struct Studio<'a> {
    sandbox: &'a Sandbox,
    /// Where the coordinator listens.
    pub address: String,
    /// Further arguments of `serve`.
    pub serve: Vec<String>,
    /// Set for the coordinator and the agents.
    pub environment: Vec<(String, String)>,
    /// The coordinator, while it runs.
    pub coordinator: Option<Process>,
    /// The agents that run, by name.
    pub agents: BTreeMap<String, Process>,
    /// Machines on which all these run; `None`: on this one.
    pub network: Option<&'a Network>,
    /// Memory limits of agents, by name.
    pub limits: BTreeMap<String, &'a MemoryLimit>,
}

impl<'a> Studio<'a> {
    /// Chooses a free loopback port; nothing runs yet.
    pub fn plan(sandbox: &'a Sandbox, serve: &[&str]) -> Self {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a free port");
        Self {
            sandbox,
            address: listener.local_addr().expect("its address").to_string(),
            serve: serve.iter().map(|&text| text.to_owned()).collect(),
            environment: Vec::new(),
            coordinator: None,
            agents: BTreeMap::new(),
            network: None,
            limits: BTreeMap::new(),
        }
    }

    /// A coordinator on a machine of its own, reached over TLS, which answers the person at the desk; and the invitation.
    pub fn open_on(network: &'a Network, sandbox: &'a Sandbox, serve: &[&str]) -> (Self, String) {
        let mut studio = Self::plan(sandbox, serve);
        studio.address = format!("{}:7420", network.address(MILL));
        studio.network = Some(network);
        let mut init = studio.coordinator_command("init");
        init.args(["--name", &network.address(MILL)]);
        let made = finish(init);
        assert_eq!(made.code, 0, "{made:?}");
        let invitation = made.stdout.trim().to_owned();
        studio.start_coordinator();
        studio.wait_for("the desk to join", || {
            finish(studio.on(DESK, sandbox.command(&["join", &invitation]))).code == 0
        });
        studio.wait_until_reachable();
        (studio, invitation)
    }

    /// The command on one of the network's machines, if there is a network.
    fn on(&self, machine: &str, command: Command) -> Command {
        match self.network {
            Some(network) => network.on(machine, &command),
            None => command,
        }
    }

    /// A coordinator that answers.
    pub fn open(sandbox: &'a Sandbox, serve: &[&str]) -> Self {
        let mut studio = Self::plan(sandbox, serve);
        studio.start_coordinator();
        studio.wait_until_reachable();
        studio
    }

    /// Where everything of the test lies.
    pub fn sandbox(&self) -> &Sandbox {
        self.sandbox
    }

    /// The coordinator's data folder.
    pub fn data(&self) -> PathBuf {
        self.sandbox.root().join("studio")
    }

    /// `tidemill-coordinator` with this studio's data folder, for a further command.
    pub fn coordinator_command(&self, command: &str) -> Command {
        let mut line = Command::new(binary("tidemill-coordinator"));
        line.arg(command).arg("--data").arg(self.data());
        line
    }

    /// Starts the coordinator, or starts it again.
    pub fn start_coordinator(&mut self) {
        let mut command = self.coordinator_command("serve");
        command.args(["--listen", &self.address]).args(&self.serve);
        command.envs(self.environment.iter().cloned());
        let log = self.sandbox.root().join("coordinator.log");
        self.coordinator = Some(Process::start(self.on(MILL, command), log));
    }

    /// Ends the coordinator as a failing machine does.
    pub fn kill_coordinator(&mut self) {
        self.coordinator.take().expect("a coordinator").kill();
    }

    /// Waits until the coordinator answers.
    pub fn wait_until_reachable(&self) {
        self.wait_for("the coordinator to answer", || {
            self.tidemill(&["agents", "--json"]).code == 0
        });
    }

    /// The command line of an agent with one core, `/bin/cp` and `/bin/sh`; `at` is where it finds the coordinator.
    pub fn agent_command(&self, name: &str, at: &[&str]) -> Command {
        let tools = "[tool.cp]\npath = \"/bin/cp\"\n\n[tool.sh]\npath = \"/bin/sh\"\n";
        let mut command = self.configured_agent(name, at, tools);
        command.args(["--cores", "1", "--memory", "1 GiB"]);
        command
    }

    /// The command line of an agent with a configuration of its own.
    pub fn configured_agent(&self, name: &str, at: &[&str], config: &str) -> Command {
        let file = self.sandbox.root().join(format!("{name}.toml"));
        std::fs::write(&file, config).expect("write a configuration");
        let mut command = Command::new(binary("tidemill-agent"));
        command
            .args(at)
            .args(["--name", name, "--dedicated"])
            .arg("--data")
            .arg(self.sandbox.root().join(name))
            .arg("--config")
            .arg(file);
        command
    }

    /// Starts an agent, or starts it again.
    pub fn start_agent(&mut self, name: &str) {
        let address = self.address.clone();
        self.start_agent_at(name, &["--at", &address]);
    }

    /// As [`Self::start_agent`], with another way to the coordinator.
    pub fn start_agent_at(&mut self, name: &str, at: &[&str]) {
        let mut command = self.agent_command(name, at);
        command.envs(self.environment.iter().cloned());
        self.start_agent_by(name, command);
    }

    /// As [`Self::start_agent`], with a command line of its own.
    pub fn start_agent_by(&mut self, name: &str, command: Command) {
        let mut command = self.on(name, command);
        if let Some(limit) = self.limits.get(name) {
            command = limit.inside(&command);
        }
        let log = self.sandbox.root().join(format!("{name}.log"));
        self.agents.insert(name.to_owned(), Process::start(command, log));
    }

    /// Ends an agent as a failing machine does.
    pub fn kill_agent(&mut self, name: &str) {
        self.agents.remove(name).expect("an agent").kill();
    }

    /// Runs `tidemill` against the coordinator, to its end.
    pub fn tidemill(&self, arguments: &[&str]) -> Outcome {
        let mut all = vec!["--at", self.address.as_str()];
        all.extend(arguments);
        finish(self.on(DESK, self.sandbox.command(&all)))
    }

    /// Rows of all agents.
    pub fn agent_rows(&self) -> Vec<Value> {
        self.tidemill(&["agents", "--json"]).objects("agent")
    }

    /// Waits, at most a minute.
    pub fn wait_for(&self, what: &str, is_there: impl FnMut() -> bool) {
        self.wait_longer(what, Duration::from_secs(60), is_there);
    }

    /// Waits; what the processes wrote stands in the failure.
    pub fn wait_longer(&self, what: &str, limit: Duration, mut is_there: impl FnMut() -> bool) {
        let deadline = Instant::now() + limit;
        while !is_there() {
            assert!(
                Instant::now() < deadline,
                "waited too long for {what}\n{}",
                self.logs()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// The last lines that each process wrote.
    pub fn logs(&self) -> String {
        let mut text = String::new();
        for entry in std::fs::read_dir(self.sandbox.root())
            .into_iter()
            .flatten()
            .flatten()
        {
            let path = entry.path();
            if path.extension().is_some_and(|extension| extension == "log") {
                let log = std::fs::read_to_string(&path).unwrap_or_default();
                let lines: Vec<&str> = log.lines().collect();
                let last = lines[lines.len().saturating_sub(25)..].join("\n");
                text.push_str(&format!("== {}\n{last}\n", path.display()));
            }
        }
        text
    }
}

/// A command that ends in running another one, with that one's arguments, folder and environment.
pub(crate) fn wrapped(mut outer: Command, inner: &Command) -> Command {
    outer.arg(inner.get_program()).args(inner.get_args());
    if let Some(folder) = inner.get_current_dir() {
        outer.current_dir(folder);
    }
    for (key, value) in inner.get_envs() {
        match value {
            Some(value) => outer.env(key, value),
            None => outer.env_remove(key),
        };
    }
    outer.stdin(Stdio::null());
    outer
}
