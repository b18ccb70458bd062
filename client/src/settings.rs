//! What the flags and the environment mean: plain values, decided once. Reads the environment through a
//! function, so that tests need not change it.

use std::ffi::OsString;
use std::path::PathBuf;

use crate::arguments::{Color, Global};
use crate::failure::Failure;
use crate::os;

/// Where runs and results are kept, unless `--data` says otherwise.
pub const DATA_VARIABLE: &str = "TIDEMILL_DATA";
/// Address of a studio's coordinator, unless `--at` says otherwise.
pub const AT_VARIABLE: &str = "TIDEMILL_AT";

/// What holds for every command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// The data folder: runs and results when there is no address, digests of surveyed files in any case.
    pub data: PathBuf,
    /// Where the coordinator is.
    pub place: Place,
    /// How much is printed.
    pub level: Level,
    /// One JSON object a line on standard output.
    pub json: bool,
    /// When colours are used.
    pub color: Color,
    /// Who submits, for the history; may be empty.
    pub person: String,
}

/// Where the coordinator is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// In this process, or in another one that owns the same data folder.
    Own,
    /// At an address: `host:port`.
    Studio(String),
}

/// How much is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// Results and errors.
    Quiet,
    /// And what happens.
    Normal,
    /// And how.
    Verbose,
}

impl Settings {
    /// Flags win over the environment; `--data` on the command line also wins over an address in the environment.
    pub fn resolve(global: &Global, variable: &dyn Fn(&str) -> Option<OsString>) -> Result<Self, Failure> {
        let set = |name: &str| variable(name).filter(|value| !value.is_empty());
        let data = match (&global.data, set(DATA_VARIABLE)) {
            (Some(folder), _) => folder.clone(),
            (None, Some(folder)) => folder.into(),
            (None, None) => os::user_data_folder(&set)
                .map(|folder| folder.join("tidemill"))
                .ok_or_else(|| {
                    Failure::wrong("there is no folder for user data on this machine").hint(format!(
                        "say where to keep runs and results: `--data DIR` or {DATA_VARIABLE}"
                    ))
                })?,
        };
        let place = match (&global.at, set(AT_VARIABLE)) {
            (Some(address), _) => Place::Studio(checked_address(address, "--at")?),
            (None, Some(_)) if global.data.is_some() => Place::Own,
            (None, Some(address)) => Place::Studio(checked_address(&address.to_string_lossy(), AT_VARIABLE)?),
            (None, None) => Place::Own,
        };
        let level = match (global.quiet, global.verbose) {
            (true, _) => Level::Quiet,
            (_, true) => Level::Verbose,
            _ => Level::Normal,
        };
        let person = ["USER", "LOGNAME", "USERNAME"].into_iter().find_map(set);
        Ok(Self {
            data: std::path::absolute(&data).unwrap_or(data),
            place,
            level,
            json: global.json,
            color: global.color,
            person: person
                .map(|name| name.to_string_lossy().into_owned())
                .unwrap_or_default(),
        })
    }
}

/// `host:port`, with the brackets of an IPv6 address; a leading `http://` is taken off.
fn checked_address(text: &str, from: &str) -> Result<String, Failure> {
    let bad = |problem: &str| {
        Err(Failure::wrong(format!("{from}: `{text}` {problem}"))
            .hint("write HOST:PORT, as in `mill.example:7420`"))
    };
    let address = tidemill_agent::reach::plain_address(text);
    let Some((host, port)) = address.rsplit_once(':') else {
        return bad("has no port");
    };
    if !port.parse::<u16>().is_ok_and(|port| port > 0) {
        return bad("has no port between 1 and 65535");
    }
    let bare_v6 = host.contains(':') && !(host.starts_with('[') && host.ends_with(']'));
    if host.is_empty() || bare_v6 || host.contains(['/', ' ', '@', '?', '#']) {
        return bad("has no host name or address before the port");
    }
    Ok(address.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn resolve(global: Global, variables: &[(&str, &str)]) -> Result<Settings, Failure> {
        let lookup = |name: &str| {
            variables
                .iter()
                .find(|(variable, _)| *variable == name)
                .map(|(_, value)| OsString::from(value))
        };
        Settings::resolve(&global, &lookup)
    }

    fn at(address: &str) -> Global {
        Global {
            at: Some(address.into()),
            ..Global::default()
        }
    }

    #[test]
    fn flags_win_over_the_environment() {
        let variables = [(DATA_VARIABLE, "/quay/data"), (AT_VARIABLE, "mill:7420")];
        let from_environment = resolve(Global::default(), &variables).unwrap();
        assert_eq!(from_environment.data, PathBuf::from("/quay/data"));
        assert_eq!(from_environment.place, Place::Studio("mill:7420".into()));
        let flags = resolve(
            Global {
                data: Some("/dock".into()),
                ..at("other:1")
            },
            &variables,
        )
        .unwrap();
        assert_eq!(
            (flags.data, flags.place),
            (PathBuf::from("/dock"), Place::Studio("other:1".into()))
        );
    }

    #[test]
    fn a_data_flag_wins_over_an_address_in_the_environment() {
        let global = Global {
            data: Some("/dock".into()),
            ..Global::default()
        };
        assert_eq!(
            resolve(global, &[(AT_VARIABLE, "mill:7420")]).unwrap().place,
            Place::Own
        );
    }

    #[test]
    fn empty_variables_count_as_absent() {
        let settings = resolve(
            Global::default(),
            &[(AT_VARIABLE, ""), (DATA_VARIABLE, "/quay/data")],
        )
        .unwrap();
        assert_eq!(settings.place, Place::Own);
    }

    #[test]
    fn without_any_home_the_hint_names_the_flag() {
        let failure = resolve(Global::default(), &[]).unwrap_err();
        assert!(failure.hint.unwrap().contains("--data"));
    }

    #[test]
    fn addresses_need_host_and_port() {
        assert_eq!(
            resolve(at("http://[::1]:7420/"), &[(DATA_VARIABLE, "/d")])
                .unwrap()
                .place,
            Place::Studio("[::1]:7420".into())
        );
        for bad in [
            "mill",
            "mill:",
            "mill:0",
            "mill:99999",
            ":7420",
            "::1:7420",
            "a/b:1",
        ] {
            assert!(resolve(at(bad), &[(DATA_VARIABLE, "/d")]).is_err(), "{bad}");
        }
    }
}
