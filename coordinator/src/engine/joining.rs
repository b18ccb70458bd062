//! Agents come, say things, and go.

use tidemill_proto::v1::{FromAgent, HandBack, Held, Hello, Report, ToolAnswer, Welcome, from_agent};
use tidemill_proto::{LeaseId, RunName};

use super::Engine;
use super::agents::row;
use super::clock::now_ms;
use super::commit::Rows;
use super::event::{AgentSender, LinkId, Reply};
use super::live::{Lease, LeaseState};
use super::lookup::{Answer, sum_of};
use crate::record::rows::{AgentRecord, AttemptRecord};
use crate::record::{keys, pack};
use crate::scheduler::{AgentId, Amount, Departure, Event, ItemId, LeaseNumber, Outcome, RequirementId};

impl Engine {
    pub(super) fn agent_joined(&mut self, link: LinkId, hello: Hello, sender: AgentSender) {
        let now = now_ms();
        let start = self.start.to_string();
        // A new process of the agent does not know this start of the coordinator.
        let spoke_to_us = hello.start_id == start;
        let held = hello.held.clone();
        let holds = hello.holds.clone();
        let (agent, known) = self.agents.joined(link, hello, sender, now);
        self.record_agent(agent, now, true);
        self.ask_what_it_has(agent, now);
        let held_here: Vec<LeaseNumber> = holds
            .iter()
            .filter_map(|text| self.lease_of(agent, text))
            .filter(|lease| lease.state != LeaseState::Lost)
            .map(|lease| lease.number)
            .collect();
        let (Some(spec), Some(budget)) = (self.agents.spec(agent), self.agents.budget(agent)) else {
            return;
        };
        // Leases that it does not hold any more are over. Noted before the scheduler hears of it: it may conclude their
        // items at once, and nothing must be written about an item after its outcome.
        let over: Vec<LeaseNumber> = self
            .leases
            .values()
            .filter(|lease| lease.agent == agent && lease.state == LeaseState::Running)
            .filter(|lease| !held_here.contains(&lease.number))
            .map(|lease| lease.number)
            .collect();
        for number in over {
            self.lose_lease(number);
        }
        self.step(Event::AgentJoined {
            agent,
            spec,
            budget,
            holds: held_here.clone(),
            restarted: known && !spoke_to_us,
        });
        let keep: Vec<String> = holds
            .iter()
            .filter(|text| self.keeps(agent, text, &held, now))
            .cloned()
            .collect();
        let welcome = Welcome {
            start_id: start,
            store_path: self.archive.store.address().to_string(),
            store_id: self.archive.store.id().to_owned(),
            keep,
            report_ms: u32::try_from(self.config.report_every.as_millis()).unwrap_or(u32::MAX),
        };
        for held in held.iter().filter(|held| held.process_ended) {
            self.process_ended(agent, &held.lease);
        }
        self.agents.welcome(agent, welcome);
        let uuid = self.agents.get(agent).map(|agent| agent.hello.agent.clone());
        self.no_longer_awaited(&uuid.unwrap_or_default());
        self.after_tools_changed();
        self.refresh_notes();
    }

    /// Whether an agent goes on with a lease that it says it holds; takes up one of an earlier time.
    fn keeps(&mut self, agent: AgentId, text: &str, held: &[Held], now: i64) -> bool {
        match self.lease_of(agent, text) {
            Some(lease) if lease.state != LeaseState::Lost => true,
            Some(lease) => {
                let held = Held {
                    lease: text.to_owned(),
                    attempt: lease.attempt,
                    millicores: lease.need.millicores,
                    memory_bytes: lease.need.memory_bytes,
                    started_ms: lease.started_ms,
                    ..Held::default()
                };
                let item = lease.item;
                self.adopt(agent, item, &held, now)
            }
            None => {
                let Some(held) = held.iter().find(|held| held.lease == text).cloned() else {
                    return false;
                };
                let item = held.run.parse::<RunName>().ok().and_then(|name| {
                    let run = *self.by_name.get(&name)?;
                    let index = self.runs.get(&run)?.board.plan().find(&held.item)?;
                    Some(ItemId { run, index })
                });
                item.is_some_and(|item| self.adopt(agent, item, &held, now))
            }
        }
    }

    /// Takes up a lease that the scheduler does not have (any more).
    fn adopt(&mut self, agent: AgentId, item: ItemId, held: &Held, now: i64) -> bool {
        let Ok(wire) = held.lease.parse::<LeaseId>() else {
            return false;
        };
        let need = Amount {
            millicores: held.millicores,
            memory_bytes: held.memory_bytes,
        };
        self.just_adopted = None;
        self.step(Event::Adopt {
            agent,
            item,
            need,
            attempt: held.attempt.max(1),
            started_ms: u64::try_from(held.started_ms).unwrap_or(0),
        });
        let Some(number) = self.just_adopted.take() else {
            return false;
        };
        if let Some(old) = self.adopted.insert(wire, number) {
            self.leases.remove(&old);
        } else if wire.start == self.start {
            self.leases.remove(&LeaseNumber(wire.number));
        }
        let state = LeaseState::Running;
        let attempt = held.attempt.max(1);
        let lease = Lease {
            number,
            item,
            agent,
            wire,
            attempt,
            need,
            started_ms: held.started_ms,
            state,
        };
        self.leases.insert(number, lease);
        // Its result will be recorded under its key, which has to be worked out anew.
        if let Some(Answer::Run {
            key, inputs, earlier, ..
        }) = self.look(item)
            && let Some(active) = self.active(item)
        {
            active.key = Some(key);
            active.input_bytes = sum_of(&inputs);
            active.set_earlier(earlier);
        }
        let name = self.agent_name(agent);
        if let Some(run) = self.runs.get_mut(&item.run) {
            run.board.change(item.index, now, |cell| {
                cell.state = tidemill_proto::v1::ItemState::Running;
                cell.attempts = attempt;
                cell.agent = Some(name);
                cell.reason = None;
            });
            self.logs.begin(run.log_place(item.index), attempt);
        }
        true
    }

    /// Asks an agent that takes any program for those that open runs and requests need.
    fn ask_what_it_has(&mut self, agent: AgentId, now: i64) {
        if !self
            .agents
            .get(agent)
            .is_some_and(|agent| agent.hello.any_program)
        {
            return;
        }
        let of_runs = self.runs.values().flat_map(|run| run.board.plan().tools.iter());
        let of_requests = self.fixing.iter().flat_map(|fixing| fixing.tools.iter());
        let mut programs: Vec<String> = of_runs
            .chain(of_requests)
            .map(|tool| tool.program.clone())
            .collect();
        programs.sort_unstable();
        programs.dedup();
        for program in programs {
            self.agents.ask(agent, &program, now);
        }
    }

    fn record_agent(&mut self, id: AgentId, now: i64, here: bool) {
        let Some(agent) = self.agents.get(id) else { return };
        let key = keys::agent(&agent.hello.agent);
        let known = self.archive.row::<AgentRecord>(&key).ok().flatten();
        let row = AgentRecord {
            uuid: agent.hello.agent.clone(),
            name: agent.hello.name.clone(),
            version: agent.hello.version.clone(),
            first_seen_ms: known.as_ref().map_or(now, |known| known.first_seen_ms),
            seen_ms: now,
            cores: agent.hello.cores,
            memory_bytes: agent.hello.memory_bytes,
            finished_items: known.map_or(0, |known| known.finished_items),
            retired: false,
            here,
        };
        let mut rows = Rows::default();
        rows.add(pack::put(key, &row, &self.archive.store));
        rows.submit_unwaited(self.committer.as_ref());
    }

    pub(super) fn agent_said(&mut self, link: LinkId, message: FromAgent) {
        let Some(agent) = self.agents.of_link(link) else {
            return;
        };
        if let Some(agent) = self.agents.get_mut(agent) {
            agent.seen_ms = now_ms();
        }
        match message.message {
            Some(from_agent::Message::Finished(finished)) => self.finished(agent, finished),
            Some(from_agent::Message::ProcessEnded(ended)) => self.process_ended(agent, &ended.lease),
            Some(from_agent::Message::Log(piece)) => {
                if let Some(item) = self.lease_of(agent, &piece.lease).map(|lease| lease.item)
                    && let Some(run) = self.runs.get(&item.run)
                {
                    self.logs.append(&run.log_place(item.index), &piece.data);
                }
            }
            Some(from_agent::Message::Report(report)) => self.reported(agent, report),
            Some(from_agent::Message::HandBack(HandBack { lease, reason })) => {
                self.gave_back(agent, &lease, "handed-back", &reason, Outcome::HandedBack);
            }
            Some(from_agent::Message::Declined(declined)) => {
                self.gave_back(
                    agent,
                    &declined.lease,
                    "declined",
                    &declined.reason,
                    Outcome::Declined,
                );
            }
            Some(from_agent::Message::Tool(ToolAnswer { program, exact, .. })) => {
                self.tool_answered(agent, &program, &exact);
            }
            Some(from_agent::Message::Goodbye(goodbye)) => {
                let name = self.agent_name(agent);
                tracing::info!(agent = %name, reason = %goodbye.reason, "an agent left");
                self.agents.left(link);
                self.gone(agent, Departure::Left);
            }
            // A second Hello has no meaning; a message of a newer kind is not ours to judge.
            Some(from_agent::Message::Hello(_)) | None => {}
        }
    }

    fn reported(&mut self, agent: AgentId, report: Report) {
        self.agents.reported(agent, report, now_ms());
        if let Some(budget) = self.agents.budget(agent) {
            self.step(Event::AgentBudget { agent, budget });
        }
    }

    /// What a lease booked is free, before its result is there.
    fn process_ended(&mut self, agent: AgentId, lease: &str) {
        let running = self
            .lease_of(agent, lease)
            .filter(|lease| lease.state == LeaseState::Running);
        if let Some(lease) = running.map(|lease| lease.number) {
            self.step(Event::ProcessEnded { lease });
        }
    }

    fn tool_answered(&mut self, agent: AgentId, program: &str, exact: &str) {
        self.agents.tools.answered(program, agent, exact);
        let concerned: Vec<(RequirementId, bool)> = self
            .agents
            .requirements()
            .filter(|(_, one)| one.tool.as_ref().is_some_and(|(name, _)| name == program))
            .map(|(number, one)| (number, self.agents.satisfies(agent, one)))
            .collect();
        for (requirement, satisfied) in concerned {
            self.step(Event::AgentSatisfies {
                agent,
                requirement,
                satisfied,
            });
        }
        self.after_tools_changed();
    }

    /// Somebody may have waited for what an agent has.
    pub(super) fn after_tools_changed(&mut self) {
        self.answer_fixing();
        let waiting: Vec<_> = self
            .runs
            .iter()
            .filter(|(_, run)| !run.wants_tool.is_empty())
            .map(|(id, _)| *id)
            .collect();
        for run in waiting {
            self.fix_versions(run);
        }
    }

    /// An item came back without having run to its end; that costs it nothing.
    fn gave_back(&mut self, agent: AgentId, lease: &str, word: &str, reason: &str, outcome: Outcome) {
        let Some(lease) = self.lease_of(agent, lease).cloned() else {
            return;
        };
        if lease.state != LeaseState::Running {
            return;
        }
        self.logs_end(lease.item);
        if outcome == Outcome::HandedBack {
            self.note_attempt(&lease, word, reason);
        }
        self.forget_lease(lease.number);
        self.step(Event::Ended {
            lease: lease.number,
            outcome,
        });
    }

    /// Remembers an attempt that ended without a report.
    fn note_attempt(&mut self, lease: &Lease, outcome: &str, reason: &str) {
        let attempt = AttemptRecord {
            number: lease.attempt,
            agent: self.agent_name(lease.agent).to_string(),
            started_ms: lease.started_ms,
            ended_ms: now_ms(),
            outcome: outcome.to_owned(),
            reason: reason.to_owned(),
            ..AttemptRecord::default()
        };
        if let Some(active) = self.active(lease.item) {
            active.add_attempt(attempt);
        }
        let mut rows = Rows::default();
        self.add_open_row(lease.item, &mut rows);
        rows.submit_unwaited(self.committer.as_ref());
    }

    pub(super) fn agent_left(&mut self, link: LinkId) {
        let Some(agent) = self.agents.left(link) else {
            return;
        };
        let name = self.agent_name(agent);
        tracing::warn!(agent = %name, "the link to an agent broke");
        if self.config.lost_grace.is_zero() {
            self.gone(agent, Departure::Vanished);
        } else {
            let grace = i64::try_from(self.config.lost_grace.as_millis()).unwrap_or(i64::MAX);
            if let Some(agent) = self.agents.get_mut(agent) {
                agent.gone_at_ms = Some(now_ms().saturating_add(grace));
            }
            self.step(Event::AgentSilent { agent });
        }
        self.after_tools_changed();
        self.refresh_notes();
    }

    /// An agent is not coming back for its leases.
    pub(super) fn gone(&mut self, agent: AgentId, departure: Departure) {
        if let Some(agent) = self.agents.get_mut(agent) {
            agent.gone_at_ms = None;
        }
        let leases: Vec<LeaseNumber> = self
            .leases
            .values()
            .filter(|lease| lease.agent == agent && lease.state == LeaseState::Running)
            .map(|lease| lease.number)
            .collect();
        for number in leases {
            self.lose_lease(number);
        }
        self.record_agent(agent, now_ms(), false);
        self.step(Event::AgentGone { agent, departure });
        self.refresh_notes();
    }

    /// The item of a lease is placed again; a late result is still welcome.
    fn lose_lease(&mut self, number: LeaseNumber) {
        let Some(lease) = self.leases.get_mut(&number) else {
            return;
        };
        lease.state = LeaseState::Lost;
        let lease = lease.clone();
        if !self.runs.contains_key(&lease.item.run) {
            return self.forget_lease(number); // nobody waits for its result
        }
        self.logs_end(lease.item);
        self.note_attempt(&lease, "lost", "the agent was lost");
    }

    pub(super) fn list_agents(&mut self, reply: Reply<Vec<tidemill_proto::v1::AgentRow>>) {
        let rows = self
            .agents
            .iter()
            .map(|(id, agent)| {
                let view = self.scheduler.agent(id);
                let running = self
                    .leases
                    .values()
                    .filter(|lease| lease.agent == id && lease.state == LeaseState::Running)
                    .map(|lease| self.address(lease.item))
                    .collect();
                let mut row = row(agent, view.as_ref(), running, now_ms());
                if row.note.is_empty() {
                    row.note = self.room_note().unwrap_or_default();
                }
                row
            })
            .collect();
        // Whoever asked may have gone.
        let _ = reply.send(Ok(rows));
    }

    /// Ends the wait for agents that did not come back in time.
    pub(super) fn end_graces(&mut self, now: i64) {
        let late: Vec<AgentId> = self
            .agents
            .iter()
            .filter(|(_, agent)| agent.gone_at_ms.is_some_and(|gone_at| gone_at <= now))
            .map(|(id, _)| id)
            .collect();
        for agent in late {
            self.gone(agent, Departure::Vanished);
        }
    }
}
