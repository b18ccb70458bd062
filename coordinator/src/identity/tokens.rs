//! Tokens of open invitations: one small file each, named by the token's digest, so that nobody who reads the
//! folder can join with what stands there.

use std::path::Path;

use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom as _, SystemRandom};
use serde::{Deserialize, Serialize};
use tidemill_proto::invitation::{TOKEN_BYTES, hex_text};
use tidemill_proto::v1::Role;

use super::IdentityError;
use super::folder::write_private;

/// What is kept of a token.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Token {
    /// `agent`, `person`, or empty for both.
    pub role: String,
    /// Unix time.
    pub expires_ms: i64,
}

/// Why a token opens nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TokenRefused {
    /// There is no such token.
    #[error(
        "this coordinator knows no such invitation: ask for a new one (`tidemill-coordinator invite` on its machine)"
    )]
    Unknown,
    /// Its time is over.
    #[error(
        "the invitation expired at {}: ask for a new one (`tidemill-coordinator invite` on the coordinator's machine)",
        moment(*expires_ms)
    )]
    Expired {
        /// Unix time.
        expires_ms: i64,
    },
    /// It is for the other kind of member.
    #[error("the invitation is for {wanted}s: ask for one with `tidemill-coordinator invite --for {given}`")]
    Role {
        /// For whom the invitation is.
        wanted: String,
        /// Who used it.
        given: &'static str,
    },
}

/// The word for a role, in certificates and files.
pub fn role_word(role: Role) -> &'static str {
    match role {
        Role::Agent => "agent",
        Role::Person => "person",
        Role::Unspecified => "",
    }
}

/// Makes a token that is good until `expires_ms`, and keeps its digest below `folder`.
pub fn make(folder: &Path, role: Role, expires_ms: i64) -> Result<String, IdentityError> {
    let mut bytes = [0; TOKEN_BYTES];
    SystemRandom::new()
        .fill(&mut bytes)
        .map_err(|_| IdentityError::Random)?;
    let token = hex_text(&bytes);
    let kept = Token {
        role: role_word(role).to_owned(),
        expires_ms,
    };
    let text = serde_json::to_string(&kept).map_err(|error| IdentityError::File {
        action: "write",
        path: folder.to_owned(),
        source: error.into(),
    })?;
    write_private(&folder.join(file_name(&token)), text.as_bytes())?;
    Ok(token)
}

/// What is kept of a token; absent if there is no such token.
pub fn find(folder: &Path, token: &str) -> Option<Token> {
    // Looked up by the digest: how long it takes says nothing about the tokens that exist.
    let bytes = std::fs::read(folder.join(file_name(token))).ok()?;
    serde_json::from_slice(&bytes).ok()
}

/// Whether a token lets somebody in.
pub fn decide(token: Option<&Token>, role: Role, now_ms: i64) -> Result<(), TokenRefused> {
    let token = token.ok_or(TokenRefused::Unknown)?;
    if now_ms >= token.expires_ms {
        return Err(TokenRefused::Expired {
            expires_ms: token.expires_ms,
        });
    }
    let given = role_word(role);
    if token.role.is_empty() || token.role == given {
        return Ok(());
    }
    Err(TokenRefused::Role {
        wanted: token.role.clone(),
        given,
    })
}

fn file_name(token: &str) -> String {
    format!("{}.json", hex_text(digest(&SHA256, token.as_bytes()).as_ref()))
}

fn moment(ms: i64) -> String {
    jiff::Timestamp::from_millisecond(ms).map_or_else(|_| format!("{ms} ms"), |time| time.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_open_what_they_are_for_until_they_expire() {
        let folder = tempfile::tempdir().unwrap();
        let token = make(folder.path(), Role::Agent, 1000).unwrap();
        let kept = find(folder.path(), &token);
        assert_eq!(decide(kept.as_ref(), Role::Agent, 999), Ok(()));
        assert_eq!(
            decide(kept.as_ref(), Role::Agent, 1000),
            Err(TokenRefused::Expired { expires_ms: 1000 })
        );
        assert!(matches!(
            decide(kept.as_ref(), Role::Person, 0),
            Err(TokenRefused::Role { .. })
        ));
        let other = find(folder.path(), &token.replace(&token[..1], "x"));
        assert_eq!(decide(other.as_ref(), Role::Agent, 0), Err(TokenRefused::Unknown));
        let both = make(folder.path(), Role::Unspecified, 1000).unwrap();
        for role in [Role::Agent, Role::Person] {
            assert_eq!(decide(find(folder.path(), &both).as_ref(), role, 0), Ok(()));
        }
    }

    #[test]
    fn the_folder_holds_no_token() {
        let folder = tempfile::tempdir().unwrap();
        let token = make(folder.path(), Role::Unspecified, 1000).unwrap();
        for entry in std::fs::read_dir(folder.path()).unwrap() {
            let path = entry.unwrap().path();
            let text = std::fs::read_to_string(&path).unwrap();
            assert!(!text.contains(&token) && !path.to_string_lossy().contains(&token));
        }
    }
}
