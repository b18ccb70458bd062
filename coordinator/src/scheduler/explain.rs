//! Why an item waits, as data; [`WaitReason::sentence`] says it in words.

use tidemill_proto::v1::ItemState;

use super::Scheduler;
use super::agent::{Presence, less};
use super::ids::{AgentId, ItemId, Millis, RequirementId, SeatId};
use super::run::Phase;
use super::spec::Amount;

/// What an unfinished item waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WaitReason {
    /// Upstream items have to finish first.
    Upstream {
        /// The first of them.
        first: ItemId,
        /// How many.
        count: u32,
    },
    /// The coordinator looks up whether it was made before.
    LookUp,
    /// An item with the same key is on the way; its result will be reused.
    SameKey {
        /// That item, maybe of another run.
        holder: ItemId,
    },
    /// It runs.
    Running {
        /// Where.
        agent: AgentId,
    },
    /// It ran, and its result goes to disk.
    Settling,
    /// The run is paused.
    Paused,
    /// Its step only failed so far and is held back while other items go on.
    StepHeld {
        /// Items of the step that failed.
        failures: u32,
    },
    /// Nothing is placed now: results could not be recorded.
    Held,
    /// Nothing is placed yet: after a restart, agents first say what they hold.
    Quiet {
        /// For how long, at most.
        for_ms: Millis,
    },
    /// No agent is here.
    NoAgent,
    /// No agent that is here has what it requires.
    NoAgentSatisfies {
        /// What is required.
        requirement: RequirementId,
    },
    /// It needs more than any agent ever lends.
    TooBig {
        /// What it needs.
        need: Amount,
        /// The agent that lends the most memory among those with enough cores, or else the most cores.
        largest: AgentId,
        /// What that one lends at most.
        lends: Amount,
    },
    /// All seats of a kind are taken.
    Seats {
        /// Which kind.
        seat: SeatId,
        /// How many it needs.
        wanted: u32,
        /// How many are free.
        free: u32,
    },
    /// No agent has the room right now.
    Room {
        /// What it needs.
        need: Amount,
        /// The agent with the most free memory of all that could take it.
        largest: AgentId,
        /// What is free there.
        free: Amount,
        /// How much more it needs than that.
        lacking: Amount,
        /// Where it is expected to fit first, what becomes free there until then, and in how long; `None`: no agent lends
        /// that much now.
        next: Option<(AgentId, Amount, Millis)>,
    },
    /// Agents with room do not take it now.
    NotTaking {
        /// One of them.
        agent: AgentId,
        /// What is in the way there.
        obstacle: Obstacle,
    },
    /// Nothing is in its way: it is about to be placed.
    Next,
}

/// Why an agent that has the room does not take an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Obstacle {
    /// It takes nothing new: outside its hours, its owner is busy, or it is about to end.
    NotAccepting,
    /// It failed many items fast and rests.
    Rests {
        /// For how long.
        for_ms: Millis,
    },
    /// It turned an item away and has not said since what it lends.
    AwaitsReport,
    /// Its lending hours would end before the item.
    HoursEnd,
    /// Its room is kept for an item that needs more of it.
    Kept,
    /// The item failed there for a reason of the machine, or it may have brought an agent down.
    KeptApart,
}

impl Scheduler {
    /// What an unfinished item waits for. `None`: it is finished, or there is no such item.
    pub fn explain(&self, item: ItemId, now: Millis) -> Option<WaitReason> {
        let run = self.runs.get(&item.run)?;
        let entry = run.get(item.index)?;
        Some(match entry.phase {
            Phase::Finished(_) => return None,
            Phase::Blocked => {
                let open = run
                    .graph
                    .upstream(item.index)
                    .iter()
                    .filter(|up| !run.item(**up).phase.is_finished());
                let first = ItemId {
                    run: item.run,
                    index: *open.clone().next()?,
                };
                WaitReason::Upstream {
                    first,
                    count: open.count() as u32,
                }
            }
            Phase::Resolving => WaitReason::LookUp,
            Phase::SameKey => WaitReason::SameKey {
                holder: self.keys.holder(entry.key)?,
            },
            Phase::Leased => WaitReason::Running {
                agent: self.leases.get(&entry.lease)?.agent,
            },
            Phase::Settling => WaitReason::Settling,
            Phase::Ready | Phase::Parked if run.paused => WaitReason::Paused,
            Phase::Parked => WaitReason::StepHeld {
                failures: run.steps.failures(entry.step),
            },
            Phase::Ready => self.explain_ready(item, now)?,
        })
    }

    fn explain_ready(&self, item: ItemId, now: Millis) -> Option<WaitReason> {
        if self.held {
            return Some(WaitReason::Held);
        }
        if now < self.quiet_until_ms {
            let for_ms = self.quiet_until_ms - now;
            return Some(WaitReason::Quiet { for_ms });
        }
        let entry = self.item(item)?;
        let (need, requirement) = (entry.need, entry.requirement);
        let here = || {
            self.fleet
                .iter()
                .filter(|(_, agent)| agent.presence == Presence::Here)
        };
        if here().next().is_none() {
            return Some(WaitReason::NoAgent);
        }
        let able = || here().filter(|(_, agent)| agent.satisfies(requirement));
        if able().next().is_none() {
            return Some(WaitReason::NoAgentSatisfies { requirement });
        }
        if !able().any(|(_, agent)| need.fits_in(agent.most)) {
            let (largest, agent) = able().max_by_key(|(id, agent)| {
                let most = agent.most;
                (
                    most.millicores >= need.millicores,
                    most.memory_bytes,
                    most.millicores,
                    *id,
                )
            })?;
            return Some(WaitReason::TooBig {
                need,
                largest,
                lends: agent.most,
            });
        }
        if let Some((wanted, free)) = self.seats.lacking(entry.seats) {
            return Some(WaitReason::Seats {
                seat: wanted.seat,
                wanted: wanted.count,
                free,
            });
        }
        if let Some((agent, entry)) = able().find(|(_, agent)| need.fits_in(agent.room())) {
            let group = self.groups.get(self.item(item)?.group);
            let suits = self.suits(group, self.runs.get(&item.run)?, agent, entry, now);
            let kept = entry
                .reservation
                .is_some_and(|reservation| reservation.group != self.item(item).map_or(0, |item| item.group));
            let elapsed_ms = self.runs.get(&item.run)?.expected_ms(item.index);
            let hours_end = entry
                .budget
                .lends_until_ms
                .is_some_and(|until_ms| now.saturating_add(elapsed_ms) > until_ms);
            let obstacle = if !entry.budget.accepting {
                Obstacle::NotAccepting
            } else if entry.rest_until_ms > now {
                Obstacle::Rests {
                    for_ms: entry.rest_until_ms - now,
                }
            } else if !entry.is_open(now) {
                Obstacle::AwaitsReport
            } else if !suits && hours_end {
                Obstacle::HoursEnd
            } else if !suits {
                Obstacle::KeptApart
            } else if kept {
                Obstacle::Kept
            } else {
                return Some(WaitReason::Next);
            };
            return Some(WaitReason::NotTaking { agent, obstacle });
        }
        let soonest = able()
            .filter_map(|(id, agent)| Some((agent.earliest_fit_ms(need, now)?, id, agent)))
            .min_by_key(|(at_ms, id, _)| (*at_ms, *id));
        let next = soonest.map(|(at_ms, id, agent)| {
            let frees = less(agent.room_at(at_ms, now), agent.room());
            (id, frees, at_ms - now)
        });
        // Of equal ones, the one where it is expected to fit.
        let soon = |id: AgentId| next.is_some_and(|(next, ..)| next == id);
        let (largest, agent) = able().max_by_key(|(id, agent)| {
            let room = agent.room();
            (room.memory_bytes, room.millicores, soon(*id), *id)
        })?;
        let free = agent.room();
        Some(WaitReason::Room {
            need,
            largest,
            free,
            lacking: less(need, free),
            next,
        })
    }
}

/// How the numbers in a reason are called.
pub trait Names {
    /// An agent's name.
    fn agent(&self, agent: AgentId) -> String;
    /// An item's address; with its run, if it is of another one.
    fn item(&self, item: ItemId) -> String;
    /// What an agent must have.
    fn requirement(&self, requirement: RequirementId) -> String;
    /// A seat's name.
    fn seat(&self, seat: SeatId) -> String;
}

impl WaitReason {
    /// The state that an item which waits for this is in.
    pub fn state(&self) -> ItemState {
        match self {
            WaitReason::Upstream { .. } | WaitReason::LookUp | WaitReason::SameKey { .. } => {
                ItemState::Waiting
            }
            WaitReason::Running { .. } | WaitReason::Settling => ItemState::Running,
            _ => ItemState::Ready,
        }
    }

    /// One line for people, such as "needs 6 GiB; the largest free budget is 4 GiB on ash; ash frees 3 GiB in about 4 min".
    pub fn sentence(&self, names: &dyn Names) -> String {
        match self {
            WaitReason::Upstream { first, count: 1 } => format!("waits for {}", names.item(*first)),
            WaitReason::Upstream { first, count } => {
                format!("waits for {} and {} more", names.item(*first), count - 1)
            }
            WaitReason::LookUp => "the record is looked up for an earlier result".to_owned(),
            WaitReason::SameKey { holder } => {
                format!("waits for {}, which makes the same", names.item(*holder))
            }
            WaitReason::Running { agent } => format!("runs on {}", names.agent(*agent)),
            WaitReason::Settling => "its result goes to disk".to_owned(),
            WaitReason::Paused => "the run is paused".to_owned(),
            WaitReason::StepHeld { failures } => {
                format!("held back: {failures} items of this step failed and none succeeded")
            }
            WaitReason::Held => "nothing is started now".to_owned(),
            WaitReason::Quiet { for_ms } => format!(
                "the coordinator was started again; for at most {} s, agents that may hold items are awaited",
                for_ms.div_ceil(1000)
            ),
            WaitReason::NoAgent => "no agent is here".to_owned(),
            WaitReason::NoAgentSatisfies { requirement } => {
                format!("no agent here has {}", names.requirement(*requirement))
            }
            WaitReason::TooBig { need, largest, lends } => format!(
                "needs {}; the largest agent here, {}, lends at most {}",
                amount_beside(*need, *lends),
                names.agent(*largest),
                amount_beside(*lends, *need),
            ),
            WaitReason::Seats { seat, wanted, free } => {
                format!("needs {wanted} of the seats {}; {free} free", names.seat(*seat))
            }
            WaitReason::Room {
                need,
                largest,
                free,
                lacking,
                next,
            } => {
                let start = format!(
                    "needs {}; the largest free budget is {} on {}",
                    amount_lacking(*need, *lacking),
                    amount_lacking(*free, *lacking),
                    names.agent(*largest)
                );
                match next {
                    Some((agent, frees, in_ms)) => format!(
                        "{start}; {} frees {} in about {}",
                        names.agent(*agent),
                        amount_freed(*frees, *lacking),
                        span(*in_ms)
                    ),
                    None => format!("{start}; no agent lends that much now"),
                }
            }
            WaitReason::NotTaking { agent, obstacle } => {
                let why = match obstacle {
                    Obstacle::NotAccepting => "takes nothing new now".to_owned(),
                    Obstacle::Rests { for_ms } => {
                        format!("failed many items fast and rests for {}", span(*for_ms))
                    }
                    Obstacle::AwaitsReport => "has not said again what it lends".to_owned(),
                    Obstacle::HoursEnd => "its lending hours would end first".to_owned(),
                    Obstacle::Kept => "keeps it for an item that needs more".to_owned(),
                    Obstacle::KeptApart => "is not tried again after what happened there".to_owned(),
                };
                format!("{} has room, but {why}", names.agent(*agent))
            }
            WaitReason::Next => "is next".to_owned(),
        }
    }
}

/// The dimensions of `amount` in which something is lacking.
fn amount_lacking(amount: Amount, lacking: Amount) -> String {
    match (lacking.millicores > 0, lacking.memory_bytes > 0) {
        (true, false) => cores(amount.millicores),
        (false, _) => bytes(amount.memory_bytes),
        (true, true) => format!("{} and {}", cores(amount.millicores), bytes(amount.memory_bytes)),
    }
}

/// What becomes free of that which is lacking, or else of anything: on another agent other things may be.
fn amount_freed(frees: Amount, lacking: Amount) -> String {
    let of = |lacks: bool, amount: u64| if lacks { amount } else { 0 };
    let wanted = Amount {
        millicores: of(lacking.millicores > 0, frees.millicores.into()) as u32,
        memory_bytes: of(lacking.memory_bytes > 0, frees.memory_bytes),
    };
    match wanted == Amount::default() {
        true => amount_lacking(frees, frees),
        false => amount_lacking(wanted, wanted),
    }
}

/// Memory, or cores where those are what differs.
fn amount_beside(amount: Amount, other: Amount) -> String {
    if amount.millicores.max(other.millicores) == amount.millicores.min(other.millicores) {
        bytes(amount.memory_bytes)
    } else {
        format!("{} and {}", cores(amount.millicores), bytes(amount.memory_bytes))
    }
}

fn cores(millicores: u32) -> String {
    match millicores {
        1000 => "1 core".to_owned(),
        _ if millicores.is_multiple_of(1000) => format!("{} cores", millicores / 1000),
        _ => format!("{:.1} cores", f64::from(millicores) / 1000.0),
    }
}

fn bytes(bytes: u64) -> String {
    const MIB: f64 = 1024.0 * 1024.0;
    let mib = bytes as f64 / MIB;
    let (value, unit) = if mib >= 1024.0 {
        (mib / 1024.0, "GiB")
    } else {
        (mib, "MiB")
    };
    if (value - value.round()).abs() < 0.05 {
        format!("{value:.0} {unit}")
    } else {
        format!("{value:.1} {unit}")
    }
}

fn span(elapsed_ms: Millis) -> String {
    match elapsed_ms / 1000 {
        seconds @ 0..=90 => format!("{} s", seconds.max(1)),
        seconds @ 91..=5400 => format!("{} min", (seconds + 30) / 60),
        seconds => format!("{:.1} h", seconds as f64 / 3600.0),
    }
}
