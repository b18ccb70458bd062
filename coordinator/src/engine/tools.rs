//! Which exact version of each program a run gets. Pure: told what agents answer, asked what to choose.

use std::collections::{BTreeMap, HashMap, HashSet};

use crate::query::names::fits;
use crate::scheduler::AgentId;

/// What is known about one program.
#[derive(Debug, Default)]
struct Known {
    /// Agent and its exact version; `None`: it does not have the program.
    answers: HashMap<AgentId, Option<String>>,
    /// Agents that were asked and have not answered, with the time of the question.
    asked: HashMap<AgentId, i64>,
}

/// What agents said about programs, by program name.
#[derive(Debug, Default)]
pub struct ToolBook {
    programs: HashMap<String, Known>,
}

/// What to do about one tool of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Choice {
    /// This exact version.
    Exact(String),
    /// Agents were asked and have not answered yet.
    Pending,
    /// No agent that is here has it; the text says what they have instead.
    Nowhere(String),
}

impl ToolBook {
    /// An agent is asked at `now_ms`; its former answer no longer counts.
    pub fn asked(&mut self, program: &str, agent: AgentId, now_ms: i64) {
        let known = self.programs.entry(program.to_owned()).or_default();
        known.answers.remove(&agent);
        known.asked.insert(agent, now_ms);
    }

    /// An agent answered, or declared its version by itself. `exact` empty: it does not have the program.
    pub fn answered(&mut self, program: &str, agent: AgentId, exact: &str) {
        let known = self.programs.entry(program.to_owned()).or_default();
        known.asked.remove(&agent);
        known
            .answers
            .insert(agent, (!exact.is_empty()).then(|| exact.to_owned()));
    }

    /// An agent left, or joined anew: forget what it said.
    pub fn forget(&mut self, agent: AgentId) {
        for known in self.programs.values_mut() {
            known.answers.remove(&agent);
            known.asked.remove(&agent);
        }
    }

    /// All programs that an agent has, with exact versions.
    pub fn of(&self, agent: AgentId) -> HashSet<(String, String)> {
        let version = |(program, known): (&String, &Known)| {
            let exact = known.answers.get(&agent)?.clone()?;
            Some((program.clone(), exact))
        };
        self.programs.iter().filter_map(version).collect()
    }

    /// Chooses among the versions that fit `pattern`: the one that most agents have, and of those the one that
    /// sorts last. Questions younger than `patience_ms` are waited for.
    pub fn choose(&self, program: &str, pattern: &str, now_ms: i64, patience_ms: i64) -> Choice {
        let Some(known) = self.programs.get(program) else {
            return Choice::Nowhere(format!("no agent has the program {program}"));
        };
        if known
            .asked
            .values()
            .any(|asked_ms| now_ms - asked_ms < patience_ms)
        {
            return Choice::Pending;
        }
        let mut versions: BTreeMap<&str, usize> = BTreeMap::new();
        for version in known.answers.values().flatten() {
            *versions.entry(version).or_default() += 1;
        }
        let best = versions
            .iter()
            .filter(|(version, _)| version_fits(pattern, version))
            .max_by_key(|(version, agents)| (**agents, **version));
        if let Some((version, _)) = best {
            return Choice::Exact((*version).to_owned());
        }
        if versions.is_empty() {
            return Choice::Nowhere(format!("no agent has the program {program}"));
        }
        let there: Vec<&str> = versions.keys().copied().collect();
        Choice::Nowhere(format!(
            "no agent has the program {program} in version {pattern}; there is {}",
            there.join(", ")
        ))
    }
}

/// Whether an exact version, as in `9.1.2 blake3:…`, fits a pattern, as in `9.*`. The pattern may fit any word
/// of the version except the digest of the program's file.
pub fn version_fits(pattern: &str, exact: &str) -> bool {
    let words = || {
        exact
            .split_whitespace()
            .filter(|word| !word.starts_with("blake3:"))
    };
    pattern.is_empty()
        || pattern == "*"
        || words().any(|word| fits(pattern, word.trim_matches([',', '(', ')', ';'])))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_fit_words_of_a_version() {
        for (pattern, exact, wanted) in [
            ("9.*", "9.1.2 blake3:ab", true),
            ("9.*", "(GNU coreutils) 9.1", true),
            ("9.*", "8.9.1", false),
            ("", "blake3:ab", true),
            ("*", "blake3:ab", true),
            ("b*", "blake3:ab", false),
        ] {
            assert_eq!(version_fits(pattern, exact), wanted, "{pattern} on {exact}");
        }
    }

    #[test]
    fn the_version_of_most_agents_is_chosen_once_all_have_answered() {
        let mut book = ToolBook::default();
        let agents = [0, 1, 2].map(AgentId);
        for agent in agents {
            book.asked("cp", agent, 100);
        }
        book.answered("cp", agents[0], "9.4");
        book.answered("cp", agents[1], "9.1");
        assert_eq!(book.choose("cp", "9.*", 150, 1000), Choice::Pending);
        assert_eq!(book.choose("cp", "9.*", 1100, 1000), Choice::Exact("9.4".into()));
        book.answered("cp", agents[2], "9.1");
        assert_eq!(book.choose("cp", "9.*", 150, 1000), Choice::Exact("9.1".into()));
        let has = |agent| book.of(agent).into_iter().collect::<Vec<_>>();
        assert_eq!(has(agents[2]), [("cp".to_owned(), "9.1".to_owned())]);
        assert_eq!(has(agents[0]), [("cp".to_owned(), "9.4".to_owned())]);
        assert!(
            matches!(book.choose("cp", "8.*", 150, 1000), Choice::Nowhere(text) if text.contains("9.1, 9.4"))
        );
        assert!(matches!(book.choose("mv", "", 150, 1000), Choice::Nowhere(_)));
    }
}
