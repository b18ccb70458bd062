//! Names of runs, items and leases, checked once in their constructors.

use std::fmt;
use std::str::FromStr;

/// Why a text is not the name that it should be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is not {wanted}")]
pub struct BadName {
    text: String,
    wanted: &'static str,
}

/// A run: the manifest's name and a number that counts up, `harbour-dock.12`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RunName {
    /// `[manifest].name`.
    pub manifest: String,
    /// From 1.
    pub number: u32,
}

impl fmt::Display for RunName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.manifest, self.number)
    }
}

impl FromStr for RunName {
    type Err = BadName;
    fn from_str(text: &str) -> Result<Self, BadName> {
        let bad = || BadName {
            text: text.to_owned(),
            wanted: "a run, as in `harbour-dock.12`",
        };
        let (manifest, number) = text.rsplit_once('.').ok_or_else(bad)?;
        let number = number.parse().map_err(|_| bad())?;
        if manifest.is_empty() || number == 0 {
            return Err(bad());
        }
        Ok(Self {
            manifest: manifest.to_owned(),
            number,
        })
    }
}

/// An item's address within its run: `bollard-large-s11/game`, `family=crate/sheet`, `all/report`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ItemAddress(String);

impl ItemAddress {
    /// Joins a subject (variant name, `field=value` or `all`) and a step's name; neither holds a `/`.
    pub fn new(subject: &str, step: &str) -> Result<Self, BadName> {
        format!("{subject}/{step}").parse()
    }
    /// Variant name, `field=value`, or `all`.
    pub fn subject(&self) -> &str {
        self.0.split_once('/').map_or("", |(subject, _)| subject)
    }
    /// The step's name.
    pub fn step(&self) -> &str {
        self.0.split_once('/').map_or("", |(_, step)| step)
    }
    /// The whole address.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for ItemAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl FromStr for ItemAddress {
    type Err = BadName;
    fn from_str(text: &str) -> Result<Self, BadName> {
        match text.split_once('/') {
            Some((subject, step)) if !subject.is_empty() && !step.is_empty() && !step.contains('/') => {
                Ok(Self(text.to_owned()))
            }
            _ => Err(BadName {
                text: text.to_owned(),
                wanted: "an item, as in `bollard-large/game`",
            }),
        }
    }
}

/// A lease: the coordinator's start id, and a number that counts up within that start.
///
/// The start id makes a late result recognisable after the coordinator was started again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LeaseId {
    /// Of the coordinator process that gave it.
    pub start: uuid::Uuid,
    /// From 1.
    pub number: u64,
}

impl fmt::Display for LeaseId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.start.simple(), self.number)
    }
}

impl FromStr for LeaseId {
    type Err = BadName;
    fn from_str(text: &str) -> Result<Self, BadName> {
        let parse = || {
            let (start, number) = text.split_once(':')?;
            Some(Self {
                start: uuid::Uuid::try_parse(start).ok()?,
                number: number.parse().ok()?,
            })
        };
        parse().ok_or_else(|| BadName {
            text: text.to_owned(),
            wanted: "a lease id",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_round_trip() {
        let run: RunName = "harbour.dock.12".parse().unwrap();
        assert_eq!((run.manifest.as_str(), run.number), ("harbour.dock", 12));
        assert_eq!(run.to_string(), "harbour.dock.12");
        let item = ItemAddress::new("family=crate", "sheet").unwrap();
        assert_eq!((item.subject(), item.step()), ("family=crate", "sheet"));
        let lease = LeaseId {
            start: uuid::Uuid::from_u128(7),
            number: 3,
        };
        assert_eq!(lease.to_string().parse::<LeaseId>().unwrap(), lease);
    }

    #[test]
    fn names_that_are_none_are_refused() {
        for bad in ["", "dock", "dock.", ".1", "dock.0", "dock.x"] {
            assert!(bad.parse::<RunName>().is_err(), "{bad:?}");
        }
        for bad in ["", "game", "/game", "a/", "a/b/c"] {
            assert!(bad.parse::<ItemAddress>().is_err(), "{bad:?}");
        }
    }
}
