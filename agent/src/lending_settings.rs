//! What an owner allows, as it is written in a configuration file or on the command line; both mean the same.

use std::time::Duration;

use jiff::SignedDuration;
use jiff::tz::TimeZone;
use serde::Deserialize;

use crate::config::Config;
use crate::config_file::bytes;
use crate::machine::Machine;

/// Whatever is absent stays as it is.
#[derive(Debug, Clone, Default, clap::Args)]
#[command(next_help_heading = "What is lent")]
pub struct LendingSettings {
    /// When the machine is lent, as in "Mon-Fri 19:00-07:30, Sat-Sun all day" [default: always]
    #[arg(long, value_name = "HOURS")]
    pub hours: Option<String>,
    /// By whose clocks, as in Europe/Berlin [default: the machine's]
    #[arg(long, value_name = "ZONE")]
    pub time_zone: Option<String>,
    /// At most this share of the cores, as in 0.5
    #[arg(long, value_name = "SHARE")]
    pub share_of_cores: Option<f64>,
    /// Memory kept back for the owner's programs, as in "4 GiB"
    #[arg(long, value_name = "SIZE")]
    pub keep_memory: Option<String>,
    /// Take nothing new with less free disk than this, as in "20 GiB"; otherwise 1 GiB, or a twentieth of the disk if that is
    /// less
    #[arg(long, value_name = "SIZE")]
    pub keep_disk: Option<String>,
    /// When asked to end, let items finish for this long before they are handed back [default: 1 min]
    #[arg(long, value_name = "TIME")]
    pub drain: Option<String>,
    /// When other programs come first.
    #[command(flatten)]
    pub step_aside: StepAside,
}

/// From when on other programs come first. Without a limit they never do.
#[derive(Debug, Clone, Default, Deserialize, clap::Args)]
#[serde(deny_unknown_fields)]
pub struct StepAside {
    /// Step aside when other programs use more cores than this for a while
    #[arg(id = "step-aside-cores", long, value_name = "CORES")]
    pub cores: Option<f64>,
    /// Step aside when other programs use more memory than this for a while
    #[arg(id = "step-aside-memory", long, value_name = "SIZE")]
    pub memory: Option<String>,
    /// Take nothing new once they did so for this long [default: 15 s]
    #[arg(id = "hold-after", long, value_name = "TIME")]
    pub hold_after: Option<String>,
    /// Hand items back once they did so for this long [default: 1 min]
    #[arg(id = "hand-back-after", long, value_name = "TIME")]
    pub hand_back_after: Option<String>,
    /// Take items again once they were quiet for this long [default: 2 min]
    #[arg(id = "return-after", long, value_name = "TIME")]
    pub return_after: Option<String>,
}

impl LendingSettings {
    /// Changes what is named in `config`. An error names the setting and says how to write it.
    pub fn apply(&self, config: &mut Config) -> Result<(), String> {
        let machine = Machine::look().map_err(|error| error.to_string())?;
        if let Some(hours) = &self.hours {
            config.lending.hours = Some(hours.parse().map_err(|error| format!("hours: {error}"))?);
        }
        if let Some(name) = &self.time_zone {
            config.lending.zone = TimeZone::get(name).map_err(|_| {
                format!("time_zone: {name:?} is no time zone: write it as in \"Europe/Berlin\"")
            })?;
        }
        if let Some(share) = self.share_of_cores {
            if !(share > 0.0 && share <= 1.0) {
                return Err(format!(
                    "share_of_cores: {share} is not a share: write it as in 0.5"
                ));
            }
            let most = (f64::from(machine.cores) * 1000.0 * share).floor() as u32;
            config.millicores = config.millicores.min(most.max(1));
        }
        if let Some(kept) = &self.keep_memory {
            let kept = bytes(kept).map_err(|problem| format!("keep_memory: {problem}"))?;
            let left = machine.memory_bytes.saturating_sub(kept);
            if left == 0 {
                return Err(format!(
                    "keep_memory: the machine has {} MiB in all: keep back less than that",
                    machine.memory_bytes >> 20
                ));
            }
            config.memory_bytes = config.memory_bytes.min(left);
        }
        if let Some(kept) = &self.keep_disk {
            config.lending.keep_disk_bytes =
                bytes(kept).map_err(|problem| format!("keep_disk: {problem}"))?;
        }
        if let Some(drain) = &self.drain {
            config.drain_limit = time(drain).map_err(|problem| format!("drain: {problem}"))?;
        }
        self.step_aside
            .apply(config)
            .map_err(|problem| format!("step_aside: {problem}"))
    }
}

impl StepAside {
    fn apply(&self, config: &mut Config) -> Result<(), String> {
        let thresholds = &mut config.lending.step_aside;
        if let Some(cores) = self.cores {
            if !(cores.is_finite() && cores >= 0.0) {
                return Err(format!(
                    "cores: {cores} is not a number of cores: write it as in 1.5"
                ));
            }
            thresholds.cores = Some(cores as f32);
        }
        if let Some(memory) = &self.memory {
            thresholds.memory_bytes = Some(bytes(memory).map_err(|problem| format!("memory: {problem}"))?);
        }
        for (name, text, target) in [
            ("hold_after", &self.hold_after, &mut thresholds.hold_after),
            (
                "hand_back_after",
                &self.hand_back_after,
                &mut thresholds.hand_back_after,
            ),
            ("return_after", &self.return_after, &mut thresholds.return_after),
        ] {
            if let Some(text) = text {
                *target = time(text).map_err(|problem| format!("{name}: {problem}"))?;
            }
        }
        Ok(())
    }
}

fn time(text: &str) -> Result<Duration, String> {
    let read = text.parse::<SignedDuration>().ok();
    read.and_then(|time| Duration::try_from(time).ok())
        .ok_or_else(|| format!("{text:?} is not a time: write it as in \"90 s\" or \"5 min\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn applied(settings: &LendingSettings) -> Result<Config, String> {
        let mut config = Config::workstation("/nowhere".into()).unwrap();
        settings.apply(&mut config).map(|()| config)
    }

    #[test]
    fn what_is_named_is_set() {
        let machine = Machine::look().unwrap();
        let config = applied(&LendingSettings {
            hours: Some("Sat-Sun all day".into()),
            time_zone: Some("Europe/Berlin".into()),
            share_of_cores: Some(0.5),
            keep_memory: Some("512 MiB".into()),
            keep_disk: Some("20 GiB".into()),
            drain: Some("10 s".into()),
            step_aside: StepAside {
                cores: Some(1.5),
                memory: Some("8 GiB".into()),
                hand_back_after: Some("5 min".into()),
                ..StepAside::default()
            },
        })
        .unwrap();
        assert_eq!(config.millicores, machine.cores * 500);
        assert!(config.memory_bytes <= machine.memory_bytes - (512 << 20));
        assert_eq!(config.drain_limit, Duration::from_secs(10));
        let lending = config.lending;
        assert_eq!(lending.hours.unwrap().to_string(), "Sat-Sun all day");
        assert_eq!(lending.zone.iana_name(), Some("Europe/Berlin"));
        assert_eq!(lending.keep_disk_bytes, 20 << 30);
        let aside = lending.step_aside;
        assert_eq!((aside.cores, aside.memory_bytes), (Some(1.5), Some(8 << 30)));
        assert_eq!(aside.hand_back_after, Duration::from_secs(300));
        assert_eq!(aside.return_after, Duration::from_secs(120), "as before");
    }

    #[test]
    fn errors_name_the_setting_and_the_remedy() {
        let wrong = |change: fn(&mut LendingSettings)| {
            let mut settings = LendingSettings::default();
            change(&mut settings);
            applied(&settings).unwrap_err()
        };
        for (error, wanted) in [
            (
                wrong(|it| it.hours = Some("nights".into())),
                "hours: nights is no day",
            ),
            (
                wrong(|it| it.time_zone = Some("Quay/Side".into())),
                "Europe/Berlin",
            ),
            (wrong(|it| it.share_of_cores = Some(50.0)), "as in 0.5"),
            (
                wrong(|it| it.keep_memory = Some("9999999 GiB".into())),
                "keep back less",
            ),
            (
                wrong(|it| it.keep_disk = Some("some".into())),
                "keep_disk: \"some\"",
            ),
            (
                wrong(|it| it.step_aside.hold_after = Some("soon".into())),
                "step_aside: hold_after: \"soon\"",
            ),
        ] {
            assert!(error.contains(wanted), "{error}");
        }
    }
}
