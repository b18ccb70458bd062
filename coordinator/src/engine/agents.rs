//! The agents that the engine knows: who is here, what each has, and what an item may require of one.

use std::collections::{HashMap, HashSet};

use tidemill_proto::v1::{AgentRow, Hello, Report, ToAgent, ToolQuestion, Welcome, to_agent};

use super::event::{AgentSender, LinkId};
use super::tools::ToolBook;
use crate::scheduler::{AgentId, AgentSpec, AgentView, Amount, Budget, RequirementId};

/// What an item requires of an agent beside cores and memory.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
pub struct Requirement {
    /// Program name and exact version.
    pub tool: Option<(String, String)>,
    /// Built-in operations with their versions, sorted.
    pub operations: Vec<(String, u32)>,
    /// What it must offer, sorted.
    pub offers: Vec<String>,
}

/// What an agent has of all that may be required.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Possession {
    /// Program names and exact versions.
    pub tools: HashSet<(String, String)>,
    /// Built-in operations with their versions.
    pub operations: HashSet<(String, u32)>,
    /// What else it offers.
    pub offers: HashSet<String>,
}

impl Possession {
    /// Whether all that is required is there.
    pub fn meets(&self, requirement: &Requirement) -> bool {
        requirement.tool.iter().all(|tool| self.tools.contains(tool))
            && requirement
                .operations
                .iter()
                .all(|operation| self.operations.contains(operation))
            && requirement.offers.iter().all(|offer| self.offers.contains(offer))
    }
}

/// One agent, here or away.
#[derive(Debug)]
pub struct Agent {
    /// Who it is, as it last said.
    pub hello: Hello,
    /// The stream that it is reached through; `None`: away.
    pub link: Option<(LinkId, AgentSender)>,
    /// Messages that wait until it was welcomed: the first one on a stream is always Welcome.
    pub held_back: Option<Vec<ToAgent>>,
    /// What it lends.
    pub report: Report,
    /// When its lending hours end, by this machine's clock.
    pub closes_at_ms: Option<i64>,
    /// Unix time of its last message.
    pub seen_ms: i64,
    /// When the items of a lost agent are placed again.
    pub gone_at_ms: Option<i64>,
    /// Items that it finished since this coordinator started.
    pub finished: u64,
}

/// All agents, by number.
#[derive(Debug, Default)]
pub struct AgentBook {
    agents: Vec<Agent>,
    by_uuid: HashMap<String, AgentId>,
    by_link: HashMap<LinkId, AgentId>,
    requirements: Vec<Requirement>,
    by_requirement: HashMap<Requirement, RequirementId>,
    /// What agents said about programs.
    pub tools: ToolBook,
}

impl AgentBook {
    /// The agent behind a stream.
    pub fn of_link(&self, link: LinkId) -> Option<AgentId> {
        self.by_link.get(&link).copied()
    }

    /// One agent.
    pub fn get(&self, agent: AgentId) -> Option<&Agent> {
        self.agents.get(agent.0 as usize)
    }

    /// One agent, to change.
    pub fn get_mut(&mut self, agent: AgentId) -> Option<&mut Agent> {
        self.agents.get_mut(agent.0 as usize)
    }

    /// All agents with their numbers.
    pub fn iter(&self) -> impl Iterator<Item = (AgentId, &Agent)> {
        self.agents
            .iter()
            .enumerate()
            .map(|(index, agent)| (AgentId(index as u32), agent))
    }

    /// Whether any agent is here.
    pub fn any_here(&self) -> bool {
        self.agents.iter().any(|agent| agent.link.is_some())
    }

    /// An agent opened a stream. An older stream of the same agent is dropped. Answers its number and whether
    /// it was known before.
    pub fn joined(
        &mut self,
        link: LinkId,
        hello: Hello,
        sender: AgentSender,
        now_ms: i64,
    ) -> (AgentId, bool) {
        let uuid = hello.agent.clone();
        let report = hello.budget.clone().unwrap_or_default();
        let known = self.by_uuid.get(&uuid).copied();
        let id = match known {
            Some(id) => {
                if let Some((old, _)) = self.agents[id.0 as usize].link.take() {
                    self.by_link.remove(&old);
                }
                let agent = &mut self.agents[id.0 as usize];
                agent.hello = hello;
                agent.link = Some((link, sender));
                agent.held_back = Some(Vec::new());
                agent.closes_at_ms = closes_at_ms(&report, now_ms);
                agent.report = report;
                agent.seen_ms = now_ms;
                agent.gone_at_ms = None;
                id
            }
            None => {
                let id = AgentId(self.agents.len() as u32);
                let link = Some((link, sender));
                self.agents.push(Agent {
                    hello,
                    link,
                    held_back: Some(Vec::new()),
                    closes_at_ms: closes_at_ms(&report, now_ms),
                    report,
                    seen_ms: now_ms,
                    gone_at_ms: None,
                    finished: 0,
                });
                self.by_uuid.insert(uuid, id);
                id
            }
        };
        self.by_link.insert(link, id);
        self.tools.forget(id);
        for tool in &self.agents[id.0 as usize].hello.tools {
            self.tools.answered(&tool.name, id, &tool.exact);
        }
        (id, known.is_some())
    }

    /// An agent said what it lends now.
    pub fn reported(&mut self, agent: AgentId, report: Report, now_ms: i64) {
        let Some(agent) = self.get_mut(agent) else { return };
        let closes = closes_at_ms(&report, now_ms);
        // Messages take a moment; the hours have not moved for that.
        let moved = match (closes, agent.closes_at_ms) {
            (Some(new), Some(old)) => (new - old).abs() > SAME_MOMENT_MS,
            (new, old) => new != old,
        };
        if moved {
            agent.closes_at_ms = closes;
        }
        agent.report = report;
    }

    /// A stream ended; `None` if it was already replaced by a newer one.
    pub fn left(&mut self, link: LinkId) -> Option<AgentId> {
        let id = self.by_link.remove(&link)?;
        self.agents[id.0 as usize].link = None;
        self.tools.forget(id);
        Some(id)
    }

    /// Sends to an agent; one that is away misses it and is told when it is back.
    pub fn send(&mut self, agent: AgentId, message: to_agent::Message) {
        let Some(agent) = self.get_mut(agent) else { return };
        let Some((_, sender)) = agent.link.as_ref() else {
            return;
        };
        let message = ToAgent {
            message: Some(message),
        };
        match agent.held_back.as_mut() {
            Some(waiting) => waiting.push(message),
            None => drop(sender.send(message)), // a stream that has just broken is noticed by its own end
        }
    }

    /// Welcomes an agent, and then sends what had to wait for that.
    pub fn welcome(&mut self, agent: AgentId, welcome: Welcome) {
        let Some(agent) = self.get_mut(agent) else { return };
        let waiting = agent.held_back.take().unwrap_or_default();
        let Some((_, sender)) = agent.link.as_ref() else {
            return;
        };
        let first = ToAgent {
            message: Some(to_agent::Message::Welcome(welcome)),
        };
        for message in std::iter::once(first).chain(waiting) {
            let _ = sender.send(message);
        }
    }

    /// Asks every agent that takes any program whether it has this one.
    pub fn ask_for(&mut self, program: &str, now_ms: i64) {
        let asked: Vec<AgentId> = self
            .iter()
            .filter(|(_, agent)| agent.link.is_some() && agent.hello.any_program)
            .map(|(id, _)| id)
            .collect();
        for id in asked {
            self.ask(id, program, now_ms);
        }
    }

    /// Asks one agent whether it has a program.
    pub fn ask(&mut self, agent: AgentId, program: &str, now_ms: i64) {
        self.tools.asked(program, agent, now_ms);
        self.send(
            agent,
            to_agent::Message::Tool(ToolQuestion {
                program: program.to_owned(),
            }),
        );
    }

    /// The number of a requirement, and whether it is new: then agents have to be told about.
    pub fn requirement(&mut self, requirement: Requirement) -> (RequirementId, bool) {
        if requirement == Requirement::default() {
            return (RequirementId::NONE, false);
        }
        if let Some(id) = self.by_requirement.get(&requirement) {
            return (*id, false);
        }
        let id = RequirementId(self.requirements.len() as u32);
        self.requirements.push(requirement.clone());
        self.by_requirement.insert(requirement, id);
        (id, true)
    }

    /// Whether an agent satisfies a requirement.
    pub fn satisfies(&self, id: AgentId, requirement: &Requirement) -> bool {
        self.possession(id)
            .is_some_and(|possession| possession.meets(requirement))
    }

    /// What an agent has; `None`: it is not here.
    pub fn possession(&self, id: AgentId) -> Option<Possession> {
        let agent = self.get(id).filter(|agent| agent.link.is_some())?;
        Some(Possession {
            tools: self.tools.of(id),
            operations: agent
                .hello
                .operations
                .iter()
                .map(|has| (has.name.clone(), has.version))
                .collect(),
            offers: agent.hello.offers.iter().cloned().collect(),
        })
    }

    /// A requirement in words.
    pub fn requirement_text(&self, number: RequirementId) -> String {
        let Some(one) = self.requirements.get(number.0 as usize) else {
            return String::new();
        };
        let tool = one.tool.iter().map(|(name, exact)| format!("{name} {exact}"));
        let operations = one
            .operations
            .iter()
            .map(|(name, version)| format!("{name} version {version}"));
        let texts: Vec<String> = tool.chain(operations).chain(one.offers.iter().cloned()).collect();
        texts.join(", ")
    }

    /// Every requirement with its number.
    pub fn requirements(&self) -> impl Iterator<Item = (RequirementId, &Requirement)> {
        self.requirements
            .iter()
            .enumerate()
            .map(|(index, one)| (RequirementId(index as u32), one))
    }

    /// What the scheduler has to know when the agent joins.
    pub fn spec(&self, id: AgentId) -> Option<AgentSpec> {
        let agent = self.get(id)?;
        let satisfies = self
            .requirements()
            .filter(|(_, one)| self.satisfies(id, one))
            .map(|(number, _)| number)
            .collect();
        Some(AgentSpec {
            most: Amount {
                millicores: agent
                    .hello
                    .cores
                    .saturating_mul(1000)
                    .max(agent.report.millicores),
                memory_bytes: agent.hello.memory_bytes.max(agent.report.memory_bytes),
            },
            longest_lending_ms: Some(agent.hello.longest_lending_ms).filter(|longest| *longest > 0),
            satisfies,
        })
    }

    /// What the agent lends now.
    pub fn budget(&self, id: AgentId) -> Option<Budget> {
        let agent = self.get(id)?;
        let report = &agent.report;
        Some(Budget {
            lent: Amount {
                millicores: report.millicores,
                memory_bytes: report.memory_bytes,
            },
            accepting: report.accepting,
            lends_until_ms: agent.closes_at_ms.and_then(|at| u64::try_from(at).ok()),
        })
    }
}

/// Two reports of one moment may differ by so much.
const SAME_MOMENT_MS: i64 = 5_000;

/// When the lending hours end of which a report says in how long they do.
fn closes_at_ms(report: &Report, now_ms: i64) -> Option<i64> {
    let left = i64::try_from(report.closes_in_ms).ok().filter(|left| *left > 0)?;
    Some(now_ms.saturating_add(left))
}

/// An agent's row for people.
pub fn row(agent: &Agent, view: Option<&AgentView>, running: Vec<String>, now_ms: i64) -> AgentRow {
    let booked = view.map(|view| view.booked).unwrap_or_default();
    let rests_for_ms = view.map_or(0, |view| {
        view.rest_until_ms
            .saturating_sub(u64::try_from(now_ms).unwrap_or(0))
    });
    let aside = !agent.report.refusal.is_empty();
    let (state, note) = match (&agent.link, agent.report.accepting) {
        (None, _) => ("away", String::new()),
        (Some(_), false) if aside => ("aside", agent.report.refusal.clone()),
        (Some(_), false) => ("draining", String::new()),
        (Some(_), true) if rests_for_ms > 0 => (
            "rested",
            format!(
                "failed many items fast; gets items again in {} s",
                rests_for_ms.div_ceil(1000)
            ),
        ),
        (Some(_), true) => ("here", String::new()),
    };
    AgentRow {
        name: agent.hello.name.clone(),
        state: state.to_owned(),
        lent_millicores: agent.report.millicores,
        booked_millicores: booked.millicores,
        lent_memory_bytes: agent.report.memory_bytes,
        booked_memory_bytes: booked.memory_bytes,
        running,
        version: agent.hello.version.clone(),
        seen_ms: agent.seen_ms,
        load_cores: agent.report.load_cores,
        cores: agent.hello.cores,
        memory_bytes: agent.hello.memory_bytes,
        finished_items: agent.finished,
        note,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tidemill_proto::v1::{OperationVersion, ToolVersion};
    use tokio::sync::mpsc;

    fn hello(uuid: &str) -> Hello {
        Hello {
            agent: uuid.into(),
            tools: vec![ToolVersion {
                name: "cp".into(),
                exact: "9.1".into(),
            }],
            operations: vec![OperationVersion {
                name: "wear".into(),
                version: 2,
            }],
            offers: vec!["gpu".into()],
            cores: 4,
            ..Hello::default()
        }
    }

    #[test]
    fn an_agent_satisfies_only_exactly_what_it_has() {
        let mut book = AgentBook::default();
        let (sender, _receiver) = mpsc::unbounded_channel();
        let (id, known) = book.joined(LinkId(1), hello("a"), sender, 0);
        assert!(!known);
        let tool = |version: &str| Requirement {
            tool: Some(("cp".into(), version.into())),
            ..Requirement::default()
        };
        assert!(book.satisfies(id, &tool("9.1")) && !book.satisfies(id, &tool("9.2")));
        let operation = |version| Requirement {
            operations: vec![("wear".into(), version)],
            ..Requirement::default()
        };
        assert!(book.satisfies(id, &operation(2)) && !book.satisfies(id, &operation(1)));
        let (number, new) = book.requirement(tool("9.1"));
        assert!(new && book.requirement(tool("9.1")) == (number, false));
        assert_eq!(book.spec(id).unwrap().satisfies, [number]);
        assert_eq!(
            book.requirement(Requirement::default()),
            (RequirementId::NONE, false)
        );
    }

    #[test]
    fn hours_end_by_this_clock_and_do_not_move_with_every_message() {
        let mut book = AgentBook::default();
        let (sender, _receiver) = mpsc::unbounded_channel();
        let closes = |closes_in_ms| Report {
            closes_in_ms,
            ..Report::default()
        };
        let says = Hello {
            budget: Some(closes(60_000)),
            longest_lending_ms: 3_600_000,
            ..hello("a")
        };
        let (id, _) = book.joined(LinkId(1), says, sender, 1_000);
        assert_eq!(book.spec(id).unwrap().longest_lending_ms, Some(3_600_000));
        let until = |book: &AgentBook| book.budget(id).unwrap().lends_until_ms;
        assert_eq!(until(&book), Some(61_000));
        book.reported(id, closes(58_100), 3_000);
        assert_eq!(until(&book), Some(61_000), "a moment late");
        book.reported(id, closes(120_000), 3_000);
        assert_eq!(until(&book), Some(123_000), "the clock was changed there");
        book.reported(id, closes(0), 3_000);
        assert_eq!(until(&book), None);
    }

    #[test]
    fn a_new_stream_replaces_the_old_one_and_its_late_end_is_no_loss() {
        let mut book = AgentBook::default();
        let (first, _one) = mpsc::unbounded_channel();
        let (second, _two) = mpsc::unbounded_channel();
        let (id, _) = book.joined(LinkId(1), hello("a"), first, 0);
        let (again, known) = book.joined(LinkId(2), hello("a"), second, 0);
        assert!(known && again == id);
        assert_eq!(book.left(LinkId(1)), None);
        assert!(book.any_here());
        assert_eq!(book.left(LinkId(2)), Some(id));
        assert!(!book.any_here());
    }
}
