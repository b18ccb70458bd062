//! What an owner allows beside cores and memory: hours, disk that is kept back, and when the agent steps aside.
//! Pure: [`Lending::taking`] decides from one look at clock, disk and load.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::hours::{Hours, Opening};
use crate::machine::aside::Stance;

pub use crate::machine::aside::Thresholds;

/// What an owner allows.
#[derive(Debug, Clone)]
pub struct Lending {
    /// When the machine is lent; `None`: around the clock.
    pub hours: Option<Hours>,
    /// By whose clocks the hours are meant.
    pub zone: TimeZone,
    /// With less than this free where the agent's data lies, nothing new is taken; 0: it does not matter.
    pub keep_disk_bytes: u64,
    /// When other programs come first.
    pub step_aside: Thresholds,
}

impl Default for Lending {
    fn default() -> Self {
        Self {
            hours: None,
            zone: TimeZone::system(),
            keep_disk_bytes: 0,
            step_aside: Thresholds::default(),
        }
    }
}

/// Whether new items are taken.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Taking {
    /// Why not, in words.
    pub refusal: Option<String>,
    /// When the hours end; `None`: never, or they have not begun.
    pub closes_at: Option<Timestamp>,
}

impl Taking {
    /// Time until the hours end, for a coordinator whose clock may be another; 0: they do not.
    pub(crate) fn closes_in_ms(&self, now: Timestamp) -> u64 {
        self.closes_at.map_or(0, |at| {
            u64::try_from(at.as_millisecond() - now.as_millisecond())
                .unwrap_or(0)
                .max(1)
        })
    }
}

/// Hours are looked up again after so long: somebody may have set the clock.
const LOOK_AGAIN_SECONDS: i64 = 600;

/// Knows whether the hours are open without looking through the calendar each time.
#[derive(Debug, Default)]
pub(crate) struct OpeningCache {
    found: Option<(Timestamp, Opening)>,
}

impl OpeningCache {
    fn at(&mut self, hours: &Hours, zone: &TimeZone, now: Timestamp) -> Opening {
        let still = |(looked_at, opening): &(Timestamp, Opening)| {
            let age = now.as_second() - looked_at.as_second();
            (0..LOOK_AGAIN_SECONDS).contains(&age) && opening.changes_at.is_none_or(|change| now < change)
        };
        if let Some((_, opening)) = self.found.filter(still) {
            return opening;
        }
        let opening = hours.at(now, zone);
        self.found = Some((now, opening));
        opening
    }
}

impl Lending {
    /// The longest time that it is lent without a break; `None`: around the clock.
    pub(crate) fn longest_ms(&self) -> Option<u64> {
        self.hours.as_ref()?.longest_ms()
    }

    /// When it is lent in the week from `now` on, in milliseconds from then; empty: around the clock.
    pub(crate) fn ahead_ms(&self, now: Timestamp) -> Vec<(u64, u64)> {
        let hours = self.hours.as_ref().filter(|hours| hours.longest_ms().is_some());
        hours
            .map(|hours| hours.ahead_ms(now, &self.zone))
            .unwrap_or_default()
    }

    /// Whether new items are taken, by one look.
    pub(crate) fn taking(
        &self,
        cache: &mut OpeningCache,
        now: Timestamp,
        free_disk_bytes: Option<u64>,
        stance: Stance,
    ) -> Taking {
        let opening = self.hours.as_ref().map_or(
            Opening {
                open: true,
                changes_at: None,
            },
            |hours| cache.at(hours, &self.zone, now),
        );
        let refusal = if !opening.open {
            Some(match opening.changes_at {
                Some(at) => format!("outside its hours until {}", self.clock(at)),
                None => "outside its hours".to_owned(),
            })
        } else if stance > Stance::Lending {
            Some("its owner's programs are busy".to_owned())
        } else {
            let short = free_disk_bytes.filter(|free| *free < self.keep_disk_bytes);
            short.map(|free| {
                // Of less than 10 MiB the tenths matter.
                let mib = |bytes: u64| match bytes as f64 / f64::from(1 << 20) {
                    few if few < 10.0 => format!("{few:.1} MiB"),
                    many => format!("{many:.0} MiB"),
                };
                let kept = mib(self.keep_disk_bytes);
                format!("its disk has {} free, and {kept} are kept back", mib(free))
            })
        };
        Taking {
            refusal,
            closes_at: opening.changes_at.filter(|_| opening.open),
        }
    }

    fn clock(&self, at: Timestamp) -> String {
        self.zone.to_datetime(at).strftime("%a %H:%M").to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn lending() -> Lending {
        Lending {
            hours: Some("Mon-Fri 19:00-07:30".parse().unwrap()),
            zone: TimeZone::UTC,
            keep_disk_bytes: 10 << 30,
            ..Lending::default()
        }
    }

    #[test]
    fn closed_hours_a_busy_owner_and_a_full_disk_each_take_nothing_new() {
        let mut cache = OpeningCache::default();
        let (noon, night) = (utc("2026-06-01T12:00:00Z"), utc("2026-06-01T22:00:00Z"));
        for (at, disk, stance, wanted) in [
            (
                noon,
                Some(20 << 30),
                Stance::Lending,
                Some("outside its hours until Mon 19:00"),
            ),
            (night, Some(20 << 30), Stance::Lending, None),
            (night, None, Stance::Lending, None),
            (
                night,
                Some(9 << 30),
                Stance::Lending,
                Some("its disk has 9216 MiB free, and 10240 MiB are kept back"),
            ),
            (
                night,
                Some(20 << 30),
                Stance::Holding,
                Some("its owner's programs are busy"),
            ),
            (
                night,
                Some(20 << 30),
                Stance::Yielding,
                Some("its owner's programs are busy"),
            ),
        ] {
            let taking = lending().taking(&mut cache, at, disk, stance);
            assert_eq!(taking.refusal.as_deref(), wanted);
        }
    }

    #[test]
    fn it_is_known_when_the_hours_end_also_when_the_clock_is_set_back() {
        let (lending, mut cache) = (lending(), OpeningCache::default());
        let mut closes = |at: &str| {
            lending
                .taking(&mut cache, utc(at), None, Stance::Lending)
                .closes_at
        };
        assert_eq!(closes("2026-06-01T22:00:00Z"), Some(utc("2026-06-02T07:30:00Z")));
        assert_eq!(closes("2026-06-02T07:29:00Z"), Some(utc("2026-06-02T07:30:00Z")));
        assert_eq!(closes("2026-06-02T07:30:00Z"), None, "closed");
        assert_eq!(closes("2026-06-01T23:00:00Z"), Some(utc("2026-06-02T07:30:00Z")));
    }
}
