//! Machines of a test: network namespaces with an address each, wired to one switch, whose cables can be cut. Everything
//! lies in namespaces that the test makes and removes, so that nothing of the machine's own network changes. Linux, root
//! and `ip` (Debian's package iproute2); elsewhere [`Network::make`] says what is missing.

use std::collections::BTreeMap;
use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

use crate::link::Way;
use crate::studio::wrapped;

/// The machine with the coordinator; the switch stands in its namespace.
pub const MILL: &str = "mill";
/// The machine of the person who submits.
pub const DESK: &str = "desk";
/// Addresses for documentation (RFC 5737), which nobody routes.
const SUBNET: &str = "198.51.100";
/// A hardware address that no machine has (locally administered, IEEE 802): what goes there is lost without a word.
const NOWHERE: &str = "02:00:00:00:ff:ff";

/// A switch and the machines on it. Removed on drop.
pub struct Network {
    prefix: String,
    /// Last number of each machine's address.
    machines: BTreeMap<String, u8>,
}

impl Network {
    /// A switch, the coordinator's machine, a desk, and further machines by name; `None`: not to be had here, which is said.
    pub fn make(machines: &[&str]) -> Option<Self> {
        if !crate::faults::is_root() {
            crate::faults::skip("network namespaces need root");
            return None;
        }
        if !Command::new("ip")
            .arg("-Version")
            .output()
            .is_ok_and(|output| output.status.success())
        {
            crate::faults::skip("there is no `ip` (Debian's package iproute2)");
            return None;
        }
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let mut network = Self {
            prefix: format!("tidemill-{}-{count}-", std::process::id()),
            machines: BTreeMap::new(),
        };
        if let Err(problem) = network.try_add_mill() {
            crate::faults::skip(&format!("network namespaces cannot be made here: {problem}"));
            return None;
        }
        for (number, name) in [DESK].iter().chain(machines).enumerate() {
            network.add(name, u8::try_from(number + 2).expect("a few machines"));
        }
        Some(network)
    }

    fn try_add_mill(&mut self) -> Result<(), String> {
        let space = self.space(MILL);
        run(&["netns", "add", &space])?;
        self.machines.insert(MILL.to_owned(), 1);
        let address = format!("{}/24", self.address(MILL));
        run(&["-n", &space, "link", "set", "lo", "up"])?;
        run(&["-n", &space, "link", "add", "switch", "type", "bridge"])?;
        run(&["-n", &space, "address", "add", &address, "dev", "switch"])?;
        run(&["-n", &space, "link", "set", "switch", "up"])
    }

    fn add(&mut self, name: &str, number: u8) {
        let (mill, space) = (self.space(MILL), self.space(name));
        ip(&["netns", "add", &space]);
        self.machines.insert(name.to_owned(), number);
        let (address, port) = (format!("{}/24", self.address(name)), port(name));
        ip(&["-n", &space, "link", "set", "lo", "up"]);
        ip(&[
            "-n", &mill, "link", "add", &port, "type", "veth", "peer", "name", "cable", "netns", &space,
        ]);
        ip(&["-n", &mill, "link", "set", &port, "master", "switch", "up"]);
        ip(&["-n", &space, "address", "add", &address, "dev", "cable"]);
        ip(&["-n", &space, "link", "set", "cable", "up"]);
    }

    /// The address of a machine, without a port.
    pub fn address(&self, name: &str) -> String {
        format!("{SUBNET}.{}", self.machines[name])
    }

    /// The same command on a machine. Its process keeps its number: nothing stands in between.
    pub fn on(&self, name: &str, command: &Command) -> Command {
        let mut inside = Command::new("nsenter");
        inside
            .arg(format!("--net=/run/netns/{}", self.space(name)))
            .arg("--");
        wrapped(inside, command)
    }

    /// Cuts the cable between a machine and the coordinator's. Both ways: its plug is pulled. One way: what one of the two
    /// sends to the other gets lost.
    pub fn cut(&self, name: &str, way: Way) {
        let (mill, space) = (self.space(MILL), self.space(name));
        match way {
            Way::Both => ip(&["-n", &mill, "link", "set", &port(name), "down"]),
            Way::Up => lose(&space, &self.address(MILL), "cable"),
            Way::Down => lose(&mill, &self.address(name), "switch"),
        }
    }

    /// Mends what [`Self::cut`] cut.
    pub fn mend(&self, name: &str, way: Way) {
        let (mill, space) = (self.space(MILL), self.space(name));
        match way {
            Way::Both => ip(&["-n", &mill, "link", "set", &port(name), "up"]),
            Way::Up => find_again(&space, &self.address(MILL), "cable"),
            Way::Down => find_again(&mill, &self.address(name), "switch"),
        }
    }

    fn space(&self, name: &str) -> String {
        format!("{}{name}", self.prefix)
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        for name in self.machines.keys() {
            // What still runs there keeps the namespace, without a name, until it ends.
            let _ = run(&["netns", "delete", &self.space(name)]);
        }
    }
}

/// A link's name holds at most 15 bytes.
fn port(name: &str) -> String {
    format!("to-{name}")
}

fn lose(space: &str, address: &str, link: &str) {
    ip(&[
        "-n",
        space,
        "neighbour",
        "replace",
        address,
        "lladdr",
        NOWHERE,
        "dev",
        link,
        "nud",
        "permanent",
    ]);
}

fn find_again(space: &str, address: &str, link: &str) {
    ip(&["-n", space, "neighbour", "delete", address, "dev", link]);
}

fn ip(arguments: &[&str]) {
    if let Err(problem) = run(arguments) {
        panic!("{problem}");
    }
}

fn run(arguments: &[&str]) -> Result<(), String> {
    let output = Command::new("ip")
        .args(arguments)
        .output()
        .map_err(|error| format!("ip: {error}"))?;
    if output.status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&output.stderr);
    Err(format!("ip {}: {}", arguments.join(" "), said.trim()))
}
