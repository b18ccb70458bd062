//! The certificates that this user holds: one file for each coordinator, named by its address, readable by its
//! owner only. It holds three PEM sections: own certificate, the studio's authority, own key.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use x509_parser::prelude::{FromDer as _, X509Certificate};

use super::ReachError;

/// From when to when a certificate is good.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Term {
    /// When it was signed.
    pub begins: jiff::Timestamp,
    /// When it ends.
    pub ends: jiff::Timestamp,
}

impl Term {
    fn life(self) -> Duration {
        self.ends.duration_since(self.begins).unsigned_abs()
    }

    /// Whether two thirds of its time are over: as long again as half of that is left for trying.
    pub fn is_due(self, now: jiff::Timestamp) -> bool {
        now.duration_since(self.begins)
            >= jiff::SignedDuration::try_from(self.life() * 2 / 3).unwrap_or_default()
    }

    /// How long to wait before the next attempt to renew it: until it is due, then a while.
    pub(super) fn pause(self, now: jiff::Timestamp) -> Duration {
        let left = self.ends.duration_since(now);
        let due_in = left - jiff::SignedDuration::try_from(self.life() / 3).unwrap_or_default();
        let again = (self.life() / 30).max(Duration::from_millis(500));
        Duration::try_from(due_in).map_or(again, |due_in| due_in.max(Duration::from_millis(10)))
    }
}

/// What makes this user a member of a studio; each part as PEM text.
#[derive(Clone, PartialEq, Eq)]
pub struct Membership {
    /// The own certificate.
    pub certificate: String,
    /// That of the studio's authority.
    pub authority: String,
    /// The private key of the own certificate.
    pub key: String,
}

impl Membership {
    /// Below an agent's or a person's data folder.
    pub fn folder_of(data: &Path) -> PathBuf {
        data.join("memberships")
    }

    /// The membership of the coordinator at `address`, if there is one.
    ///
    /// # Errors
    /// A file that cannot be read, or holds something else.
    pub fn find(folder: &Path, address: &str) -> Result<Option<Self>, ReachError> {
        let path = folder.join(file_name(address));
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(source) => {
                return Err(ReachError::File {
                    action: "read",
                    path,
                    source,
                });
            }
        };
        let sections: Vec<&str> = text
            .match_indices("-----BEGIN")
            .map(|(start, _)| {
                let rest = &text[start..];
                let next = rest[1..].find("-----BEGIN").map_or(rest.len(), |at| at + 1);
                &rest[..next]
            })
            .collect();
        let [certificate, authority, key] = sections[..] else {
            return Err(ReachError::Damaged { path });
        };
        Ok(Some(Self {
            certificate: certificate.to_owned(),
            authority: authority.to_owned(),
            key: key.to_owned(),
        }))
    }

    /// From when to when its certificate is good; `None`: it is none.
    pub fn term(&self) -> Option<Term> {
        let der = CertificateDer::from_pem_slice(self.certificate.as_bytes()).ok()?;
        let (_, certificate) = X509Certificate::from_der(&der).ok()?;
        let moment = |time: x509_parser::time::ASN1Time| jiff::Timestamp::from_second(time.timestamp()).ok();
        let validity = certificate.validity();
        Some(Term {
            begins: moment(validity.not_before)?,
            ends: moment(validity.not_after)?,
        })
    }

    /// Keeps it, in one step.
    ///
    /// # Errors
    /// A folder or file that cannot be written.
    pub fn keep(&self, folder: &Path, address: &str) -> Result<PathBuf, ReachError> {
        let path = folder.join(file_name(address));
        let write = || -> std::io::Result<()> {
            std::fs::create_dir_all(folder)?;
            // A temporary file is its owner's only.
            let mut fresh = tempfile::NamedTempFile::new_in(folder)?;
            for section in [&self.certificate, &self.authority, &self.key] {
                writeln!(fresh, "{}", section.trim_end())?;
            }
            fresh.as_file().sync_all()?;
            fresh.persist(&path).map_err(|error| error.error)?;
            Ok(())
        };
        write().map_err(|source| ReachError::File {
            action: "write",
            path: path.clone(),
            source,
        })?;
        Ok(path)
    }
}

/// A file name that every system takes.
fn file_name(address: &str) -> String {
    let plain: String = address
        .to_lowercase()
        .chars()
        .map(|character| match character {
            'a'..='z' | '0'..='9' | '.' | '-' => character,
            _ => '_',
        })
        .collect();
    format!("{plain}.pem")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_due_when_two_thirds_of_its_time_are_over() {
        let at = |second: i64| jiff::Timestamp::from_second(1_800_000_000 + second).unwrap();
        let term = Term {
            begins: at(0),
            ends: at(300),
        };
        assert!(!term.is_due(at(199)) && term.is_due(at(200)) && term.is_due(at(400)));
        assert_eq!(term.pause(at(0)), Duration::from_secs(200));
        assert_eq!(term.pause(at(199)), Duration::from_secs(1));
        assert_eq!(term.pause(at(250)), Duration::from_secs(10), "tried again");
        assert_eq!(term.pause(at(400)), Duration::from_secs(10));
    }

    #[test]
    fn it_is_read_as_it_was_kept_and_by_its_owner_only() {
        let section =
            |name: &str, body: &str| format!("-----BEGIN {name}-----\n{body}\n-----END {name}-----\n");
        let membership = Membership {
            certificate: section("CERTIFICATE", "b3du"),
            authority: section("CERTIFICATE", "dGhl"),
            key: section("PRIVATE KEY", "a2V5"),
        };
        let folder = tempfile::tempdir().unwrap();
        let below = folder.path().join("memberships");
        assert!(Membership::find(&below, "mill:7420").unwrap().is_none());
        let path = membership.keep(&below, "Mill:7420").unwrap();
        assert!(Membership::find(&below, "mill:7420").unwrap() == Some(membership));
        assert!(Membership::find(&below, "mill:7421").unwrap().is_none());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(path.metadata().unwrap().permissions().mode() & 0o777, 0o600);
        }
        std::fs::write(&path, "-----BEGIN").unwrap();
        let error = Membership::find(&below, "mill:7420").err().unwrap();
        assert!(error.to_string().contains("join again"), "{error}");
    }
}
