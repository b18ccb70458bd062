//! Who may talk to a studio's coordinator. The studio has a certificate authority of its own, whose key never
//! leaves the coordinator's machine. An invitation lets a program ask for a certificate; with that it is a
//! member, and says with every connection who it is.
//!
//! # Layout
//! - [`folder`]: the files, all readable by their owner only: authority, server certificate, tokens.
//! - [`authority`]: makes and signs certificates; no I/O.
//! - [`tls`]: shakes hands with who connects, and takes up a new server certificate without a pause.
//! - [`tokens`]: which invitations are open.
//! - [`admission`]: what a connection's certificate lets it do; the one place that decides it.

pub mod admission;
pub mod authority;
pub mod folder;
pub mod tls;
pub mod tokens;

use std::path::PathBuf;

pub use admission::{Admission, Area, Member};
pub use folder::Identity;

/// What can go wrong with certificates, keys and invitations.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum IdentityError {
    /// A file of the identity folder.
    #[error("cannot {action} {}: {source}", path.display())]
    File {
        /// What was tried.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file of the identity folder does not hold what it should.
    #[error("{} is damaged ({problem}): put it back from a copy", path.display())]
    Damaged {
        /// Which.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// A certificate could not be made.
    #[error("cannot make a certificate: {0}")]
    Certificate(#[from] rcgen::Error),
    /// The system gives no random numbers.
    #[error("the system gives no random numbers")]
    Random,
    /// A length of time that is none, or too long.
    #[error("`{text}` is no time that an invitation can hold: write it as in \"7 days\" or \"12 hours\"")]
    Validity {
        /// As given.
        text: String,
    },
    /// A time for which no certificate can be good.
    #[error("`{text}` is no time that a certificate can hold: write it as in \"3 years\" or \"90 days\"")]
    Lifetime {
        /// As given.
        text: String,
    },
    /// TLS cannot be set up with what is in the folder.
    #[error("cannot set up TLS: {0}")]
    Tls(String),
    /// A name that the server certificate cannot carry.
    #[error(
        "`{name}` is no host name or address: write it as others will call this machine, as in mill.example"
    )]
    Name {
        /// As given.
        name: String,
    },
}
