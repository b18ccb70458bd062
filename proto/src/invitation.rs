//! An invitation: where a coordinator is, how to recognise it, and the right to join it, in one string that a
//! person can paste: `mill.example:7420/TOKEN/FINGERPRINT`.

use std::fmt;
use std::str::FromStr;

/// Bytes of a token: too many to guess.
pub const TOKEN_BYTES: usize = 20;
/// Bytes of a fingerprint: SHA-256.
pub const FINGERPRINT_BYTES: usize = 32;

/// The right to join one coordinator. Holds a secret: its `Debug` leaves the token out.
#[derive(Clone, PartialEq, Eq)]
pub struct Invitation {
    /// `HOST:PORT`, an IPv6 address in brackets.
    pub address: String,
    /// The secret, as lower-case hexadecimal digits.
    pub token: String,
    /// SHA-256 of the DER form of the studio's own certificate authority.
    pub fingerprint: [u8; FINGERPRINT_BYTES],
}

/// Why a text is no invitation.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "this is no whole invitation ({problem}): copy all of the line that `tidemill-coordinator invite` printed, \
     as in mill.example:7420/TOKEN/FINGERPRINT"
)]
pub struct BadInvitation {
    problem: &'static str,
}

impl fmt::Display for Invitation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}/{}/{}",
            self.address,
            self.token,
            hex_text(&self.fingerprint)
        )
    }
}

impl fmt::Debug for Invitation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Invitation")
            .field("address", &self.address)
            .field("fingerprint", &hex_text(&self.fingerprint))
            .finish_non_exhaustive()
    }
}

impl FromStr for Invitation {
    type Err = BadInvitation;

    fn from_str(text: &str) -> Result<Self, BadInvitation> {
        let bad = |problem| Err(BadInvitation { problem });
        let parts: Vec<&str> = text.trim().split('/').collect();
        let [address, token, fingerprint] = parts[..] else {
            return bad("it has not three parts between slashes");
        };
        if host_and_port(address).is_none() {
            return bad("its first part is not HOST:PORT");
        }
        let Some(token) = hex_bytes::<TOKEN_BYTES>(token) else {
            return bad("its second part, the token, is damaged");
        };
        let Some(fingerprint) = hex_bytes(fingerprint) else {
            return bad("its last part, the fingerprint, is damaged");
        };
        Ok(Self {
            address: address.to_owned(),
            token: hex_text(&token),
            fingerprint,
        })
    }
}

/// The host, without the brackets of an IPv6 address, and the port; absent if `address` is not `HOST:PORT`.
pub fn host_and_port(address: &str) -> Option<(&str, u16)> {
    let (host, port) = address.rsplit_once(':')?;
    let port = port.parse().ok().filter(|port| *port > 0)?;
    let inner = host.strip_prefix('[').and_then(|rest| rest.strip_suffix(']'));
    let bare_v6 = inner.is_none() && host.contains(':');
    let host = inner.unwrap_or(host);
    if host.is_empty() || bare_v6 || host.contains(['/', ' ', '@', '?', '#', '[', ']']) {
        return None;
    }
    Some((host, port))
}

/// Bytes as lower-case hexadecimal digits.
pub fn hex_text(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn hex_bytes<const N: usize>(text: &str) -> Option<[u8; N]> {
    if text.len() != 2 * N || !text.is_ascii() {
        return None;
    }
    let mut bytes = [0; N];
    for (byte, digits) in bytes.iter_mut().zip(text.as_bytes().chunks(2)) {
        let digit = |digit: u8| char::from(digit).to_digit(16);
        *byte = u8::try_from(digit(digits[0])? * 16 + digit(digits[1])?).ok()?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Invitation {
        Invitation {
            address: "[::1]:7420".into(),
            token: "0f".repeat(TOKEN_BYTES),
            fingerprint: [0xa1; FINGERPRINT_BYTES],
        }
    }

    #[test]
    fn an_invitation_reads_as_it_was_written() {
        let text = sample().to_string();
        assert_eq!(text.parse(), Ok(sample()));
        assert_eq!(
            format!(" {text}\n").parse(),
            Ok(sample()),
            "pasted with its line's end"
        );
    }

    #[test]
    fn what_a_paste_can_lose_is_noticed() {
        let text = sample().to_string();
        for cut in 0..text.len() {
            let error = text[..cut].parse::<Invitation>().unwrap_err();
            assert!(error.to_string().contains("invite"), "{error}");
        }
        for (from, to) in [("0f0f", "0g0f"), ("a1a1", "a1é"), (":7420", ""), ("[::1]", "::1")] {
            assert!(text.replacen(from, to, 1).parse::<Invitation>().is_err(), "{to}");
        }
    }

    #[test]
    fn the_secret_stays_out_of_logs() {
        assert!(!format!("{:?}", sample()).contains("0f0f"));
    }

    #[test]
    fn hosts_and_ports() {
        assert_eq!(host_and_port("mill:7420"), Some(("mill", 7420)));
        assert_eq!(host_and_port("[::1]:1"), Some(("::1", 1)));
        for bad in [
            "mill",
            "mill:",
            "mill:0",
            "mill:99999",
            ":1",
            "::1:1",
            "a/b:1",
            "[]:1",
        ] {
            assert_eq!(host_and_port(bad), None, "{bad}");
        }
    }
}
