//! The identity folder of a coordinator: `authority.pem`, `server.pem`, their keys, `address`, `lifetime`, `tokens/`.

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use ring::digest::{SHA256, digest};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use tidemill_proto::Invitation;
use tidemill_proto::v1::Role;

use super::authority::{self, Pair, ServerFacts, Signed};
use super::tokens::{self, TokenRefused};
use super::{IdentityError, admission};
use crate::os;

const AUTHORITY: &str = "authority.pem";
const AUTHORITY_KEY: &str = "authority.key.pem";
const SERVER: &str = "server.pem";
const SERVER_KEY: &str = "server.key.pem";
const ADDRESS: &str = "address";
const LIFETIME: &str = "lifetime";
const TOKENS: &str = "tokens";

/// How long certificates are good for, unless the studio said otherwise.
pub const USUAL_LIFETIME: &str = "3 years";

/// The coordinator's own certificates and the right to make more.
pub struct Identity {
    folder: PathBuf,
    authority: Pair,
    server: Pair,
    /// By which members call it, `HOST:PORT`.
    address: String,
    /// How long the certificates that it signs are good for.
    lifetime: jiff::Span,
}

/// Why nobody was enrolled.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EnrollError {
    /// The token does not let them in.
    #[error(transparent)]
    Token(#[from] TokenRefused),
    /// The request cannot be used.
    #[error("the request for a certificate cannot be used: {0}")]
    Request(String),
}

impl Identity {
    /// Where it stands below a data folder.
    pub fn folder_of(data: &Path) -> PathBuf {
        data.join("identity")
    }

    /// Makes what is not there yet. An authority that is there is kept, since members trust it; the server's
    /// certificate is made anew for `names`, of which the first, with `port`, goes into invitations. From then on certificates
    /// are good for `lifetime` (as in `3 years`).
    ///
    /// # Errors
    /// A name or a lifetime that no certificate can carry, or a file that cannot be written.
    pub fn make(folder: &Path, names: &[String], port: u16, lifetime: &str) -> Result<Self, IdentityError> {
        for name in names {
            check_name(name)?;
        }
        let first = names.first().map_or("", String::as_str);
        os::make_private_folder(folder)
            .and_then(|()| os::make_private_folder(&folder.join(TOKENS)))
            .map_err(file_error("make", folder))?;
        let now = jiff::Timestamp::now();
        let span = read_lifetime(lifetime, now)?;
        let authority = match folder.join(AUTHORITY).exists() {
            true => read_pair(folder, AUTHORITY, AUTHORITY_KEY)?,
            false => {
                let made = authority::make_authority(now)?;
                write_private(&folder.join(AUTHORITY_KEY), made.key.as_bytes())?;
                write_private(&folder.join(AUTHORITY), made.certificate.as_bytes())?;
                made
            }
        };
        write_private(&folder.join(LIFETIME), lifetime.trim().as_bytes())?;
        let server = authority::make_server(&authority, names, span, now)?;
        keep_server(folder, &server)?;
        let address = match first.contains(':') {
            true => format!("[{first}]:{port}"),
            false => format!("{first}:{port}"),
        };
        write_private(&folder.join(ADDRESS), address.as_bytes())?;
        Ok(Self {
            folder: folder.to_owned(),
            authority,
            server,
            address,
            lifetime: span,
        })
    }

    /// Opens what [`Identity::make`] made; `None` if it never did.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn open(folder: &Path) -> Result<Option<Self>, IdentityError> {
        if !folder.join(ADDRESS).exists() {
            return Ok(None);
        }
        Ok(Some(Self {
            folder: folder.to_owned(),
            authority: read_pair(folder, AUTHORITY, AUTHORITY_KEY)?,
            server: read_pair(folder, SERVER, SERVER_KEY)?,
            address: read(&folder.join(ADDRESS))?.trim().to_owned(),
            lifetime: match read(&folder.join(LIFETIME)) {
                Ok(text) => read_lifetime(&text, jiff::Timestamp::now())?,
                Err(IdentityError::File { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
                    read_lifetime(USUAL_LIFETIME, jiff::Timestamp::now())?
                }
                Err(error) => return Err(error),
            },
        }))
    }

    /// Where it stands.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// By which members call it, `HOST:PORT`.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Makes an invitation that is good for `validity` (as in `7 days`), for one role or (unspecified) for both.
    ///
    /// # Errors
    /// A validity that is none, or a file that cannot be written.
    pub fn invite(&self, role: Role, validity: &str) -> Result<Invitation, IdentityError> {
        let bad = || IdentityError::Validity {
            text: validity.to_owned(),
        };
        let span: jiff::Span = validity.parse().map_err(|_| bad())?;
        let now = jiff::Timestamp::now();
        let expires = now
            .to_zoned_datetime(jiff::tz::TimeZone::UTC)
            .checked_add(span)
            .map_err(|_| bad())?;
        let expires_ms = expires.timestamp().as_millisecond();
        if expires_ms <= now.as_millisecond() {
            return Err(bad());
        }
        Ok(Invitation {
            address: self.address.clone(),
            token: tokens::make(&self.folder.join(TOKENS), role, expires_ms)?,
            fingerprint: self.fingerprint()?,
        })
    }

    /// SHA-256 of the authority's certificate.
    fn fingerprint(&self) -> Result<[u8; 32], IdentityError> {
        let damaged = |problem: String| IdentityError::Damaged {
            path: self.folder.join(AUTHORITY),
            problem,
        };
        let der = CertificateDer::from_pem_slice(self.authority.certificate.as_bytes())
            .map_err(|error| damaged(error.to_string()))?;
        digest(&SHA256, &der)
            .as_ref()
            .try_into()
            .map_err(|_| damaged("its digest has another length".into()))
    }

    /// Certificate and key of the server, of the authority the certificate.
    pub(super) fn pems(&self) -> (&Pair, &str) {
        (&self.server, &self.authority.certificate)
    }

    /// For whom the server's certificate is, and until when.
    ///
    /// # Errors
    /// A file that holds something else.
    pub fn server_facts(&self) -> Result<ServerFacts, IdentityError> {
        let damaged = |problem: &str| IdentityError::Damaged {
            path: self.folder.join(SERVER),
            problem: problem.to_owned(),
        };
        let der = CertificateDer::from_pem_slice(self.server.certificate.as_bytes())
            .map_err(|error| damaged(&error.to_string()))?;
        ServerFacts::read(&der).ok_or_else(|| damaged("it is no certificate of a coordinator"))
    }

    /// Whether the server should get its next certificate: half of this one's time is over, or its key is another's, as after
    /// a start in the middle of a renewal.
    ///
    /// # Errors
    /// A file that holds something else.
    pub fn server_is_due(&self) -> Result<bool, IdentityError> {
        let facts = self.server_facts()?;
        Ok(facts.is_due(jiff::Timestamp::now()) || super::tls::Shown::of(self).is_err())
    }

    /// Makes the server's certificate anew, for the same names and by the same authority: members notice nothing.
    ///
    /// # Errors
    /// A file that cannot be read or written.
    pub fn renew_server(&mut self) -> Result<ServerFacts, IdentityError> {
        let names = self.server_facts()?.names;
        let now = jiff::Timestamp::now();
        let server = authority::make_server(&self.authority, &names, self.lifetime, now)?;
        keep_server(&self.folder, &server)?;
        self.server = server;
        self.server_facts()
    }

    /// Signs a request for a certificate, if the token lets the sender in.
    ///
    /// # Errors
    /// Why not, in words for the sender.
    pub fn enroll(
        &self,
        token: &str,
        role: Role,
        name: &str,
        request: &[u8],
        now: jiff::Timestamp,
    ) -> Result<Signed, EnrollError> {
        let kept = tokens::find(&self.folder.join(TOKENS), token);
        tokens::decide(kept.as_ref(), role, now.as_millisecond())?;
        let Some(name) = admission::member_name(name) else {
            return Err(EnrollError::Request("it names nobody".into()));
        };
        self.sign(&name, tokens::role_word(role), request, now)
    }

    /// Signs a member's next certificate: the member stays who it is.
    ///
    /// # Errors
    /// Why not, in words for the sender.
    pub fn renew(
        &self,
        member: &admission::Member,
        request: &[u8],
        now: jiff::Timestamp,
    ) -> Result<Signed, EnrollError> {
        self.sign(&member.name, &member.role, request, now)
    }

    fn sign(
        &self,
        name: &str,
        role: &str,
        request: &[u8],
        now: jiff::Timestamp,
    ) -> Result<Signed, EnrollError> {
        authority::sign_member(&self.authority, name, role, request, self.lifetime, now)
            .map_err(|error| EnrollError::Request(error.to_string()))
    }
}

fn read_lifetime(text: &str, now: jiff::Timestamp) -> Result<jiff::Span, IdentityError> {
    authority::lifetime(text, now).ok_or_else(|| IdentityError::Lifetime {
        text: text.trim().to_owned(),
    })
}

/// Key first: should the second file not come about, the pair does not fit, and says so at the next start.
fn keep_server(folder: &Path, server: &Pair) -> Result<(), IdentityError> {
    write_private(&folder.join(SERVER_KEY), server.key.as_bytes())?;
    write_private(&folder.join(SERVER), server.certificate.as_bytes())
}

fn check_name(name: &str) -> Result<(), IdentityError> {
    let bad = || IdentityError::Name {
        name: name.to_owned(),
    };
    rustls::pki_types::ServerName::try_from(name)
        .map(|_| ())
        .map_err(|_| bad())
}

fn read_pair(folder: &Path, certificate: &str, key: &str) -> Result<Pair, IdentityError> {
    Ok(Pair {
        certificate: read(&folder.join(certificate))?,
        key: read(&folder.join(key))?,
    })
}

fn read(path: &Path) -> Result<String, IdentityError> {
    std::fs::read_to_string(path).map_err(file_error("read", path))
}

/// Writes a file that only its owner may read, in one step.
pub(super) fn write_private(path: &Path, bytes: &[u8]) -> Result<(), IdentityError> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let write = || -> io::Result<()> {
        // A temporary file is its owner's only.
        let mut fresh = tempfile::NamedTempFile::new_in(folder)?;
        fresh.write_all(bytes)?;
        fresh.as_file().sync_all()?;
        fresh.persist(path).map_err(|error| error.error)?;
        os::sync_folder(folder)
    };
    write().map_err(file_error("write", path))
}

fn file_error(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> IdentityError {
    let path = path.to_owned();
    move |source| IdentityError::File { action, path, source }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(folder: &Path) -> Identity {
        Identity::make(
            folder,
            &["mill.example".into(), "127.0.0.1".into()],
            7420,
            USUAL_LIFETIME,
        )
        .unwrap()
    }

    #[test]
    #[cfg(unix)]
    fn only_the_owner_may_read_the_files() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let identity = folder.path().join("identity");
        made(&identity).invite(Role::Agent, "1 day").unwrap();
        let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&identity), mode(&identity.join(TOKENS))), (0o700, 0o700));
        let mut seen = 0;
        for folder in [&identity, &identity.join(TOKENS)] {
            for path in std::fs::read_dir(folder)
                .unwrap()
                .map(|entry| entry.unwrap().path())
            {
                if path.is_file() {
                    seen += 1;
                    assert_eq!(mode(&path), 0o600, "{}", path.display());
                }
            }
        }
        assert_eq!(seen, 7);
    }

    #[test]
    fn made_again_it_keeps_its_authority_and_its_invitations() {
        let folder = tempfile::tempdir().unwrap();
        let first = made(folder.path());
        let invitation = first.invite(Role::Unspecified, "2 hours").unwrap();
        let second = Identity::make(folder.path(), &["other.example".into()], 1, "90 days").unwrap();
        assert_eq!(second.fingerprint().unwrap(), invitation.fingerprint);
        assert_ne!(second.server.certificate, first.server.certificate);
        let opened = Identity::open(folder.path()).unwrap().unwrap();
        assert_eq!(opened.address(), "other.example:1");
        assert!(tokens::find(&folder.path().join(TOKENS), &invitation.token).is_some());
    }

    #[test]
    fn the_servers_certificate_is_made_anew_by_the_same_authority_also_when_its_key_was_lost() {
        let folder = tempfile::tempdir().unwrap();
        let mut first = made(folder.path());
        let (before, fingerprint) = (first.server.certificate.clone(), first.fingerprint().unwrap());
        assert!(!first.server_is_due().unwrap());
        let facts = first.renew_server().unwrap();
        assert_eq!(facts.names, ["mill.example", "127.0.0.1"]);
        assert_ne!(first.server.certificate, before);
        // Cut short between its two files.
        write_private(&folder.path().join(SERVER), before.as_bytes()).unwrap();
        let mut opened = Identity::open(folder.path()).unwrap().unwrap();
        assert!(opened.server_is_due().unwrap());
        opened.renew_server().unwrap();
        assert!(!opened.server_is_due().unwrap());
        assert_eq!(opened.fingerprint().unwrap(), fingerprint);
    }

    #[test]
    fn bad_names_and_times_are_refused_in_words() {
        let folder = tempfile::tempdir().unwrap();
        assert!(Identity::open(folder.path()).unwrap().is_none());
        for name in ["mill example", "", "mill:7420"] {
            let error = Identity::make(folder.path(), &[name.into()], 7420, "1 day")
                .err()
                .unwrap();
            assert!(error.to_string().contains("as in mill.example"), "{error}");
        }
        let identity = made(folder.path());
        for text in ["soon", "0s", "-1 day", "99999999999 years"] {
            let error = identity.invite(Role::Agent, text).unwrap_err();
            assert!(error.to_string().contains("7 days"), "{text}: {error}");
        }
    }
}
