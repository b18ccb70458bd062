//! The studio's certificate authority: makes itself, the server's certificate and those of members. Pure but for
//! the random numbers of new keys.

use std::time::Duration;

use rcgen::{
    BasicConstraints, CertificateParams, CertificateSigningRequestParams, DnType, ExtendedKeyUsagePurpose,
    IsCa, Issuer, KeyPair, KeyUsagePurpose, SerialNumber,
};
use rustls::pki_types::CertificateSigningRequestDer;
use x509_parser::extensions::GeneralName;
use x509_parser::prelude::{FromDer as _, X509Certificate};

use super::IdentityError;

/// Years that the authority is good for.
const AUTHORITY_YEARS: i16 = 20;
/// What workstations check is good from two days ago: their clocks differ.
const BACKDATED: Duration = Duration::from_secs(2 * 86_400);

/// A certificate and its key, as PEM text.
pub struct Pair {
    /// The certificate.
    pub certificate: String,
    /// Its private key.
    pub key: String,
}

/// A member's new certificate.
pub struct Signed {
    /// DER.
    pub certificate: Vec<u8>,
    /// When it ends, Unix time.
    pub expires_ms: i64,
}

/// A new authority.
pub fn make_authority(now: jiff::Timestamp) -> Result<Pair, IdentityError> {
    let mut params = blank();
    backdate(&mut params, now);
    ending(&mut params, now, jiff::Span::new().years(AUTHORITY_YEARS))?;
    let name = &mut params.distinguished_name;
    name.push(DnType::CommonName, "Tidemill studio authority");
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    let key = KeyPair::generate()?;
    Ok(Pair {
        certificate: params.self_signed(&key)?.pem(),
        key: key.serialize_pem(),
    })
}

/// A certificate for the coordinator, for all the names and addresses by which it is called, good for `lifetime`.
pub fn make_server(
    authority: &Pair,
    names: &[String],
    lifetime: jiff::Span,
    now: jiff::Timestamp,
) -> Result<Pair, IdentityError> {
    let mut params = blank();
    backdate(&mut params, now);
    ending(&mut params, now, lifetime)?;
    params.subject_alt_names = CertificateParams::new(names)?.subject_alt_names;
    params
        .distinguished_name
        .push(DnType::CommonName, "Tidemill coordinator");
    params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    params.use_authority_key_identifier_extension = true;
    let key = KeyPair::generate()?;
    let certificate = params.signed_by(&key, &issuer(authority)?)?;
    Ok(Pair {
        certificate: certificate.pem(),
        key: key.serialize_pem(),
    })
}

/// Until when a server's certificate is good, and for which names and addresses; `None`: it is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ServerFacts {
    /// When it was made.
    pub made: jiff::Timestamp,
    /// When it ends.
    pub ends: jiff::Timestamp,
    /// As they were given to [`make_server`].
    pub names: Vec<String>,
}

impl ServerFacts {
    /// Reads a certificate (DER) that [`make_server`] made.
    pub fn read(der: &[u8]) -> Option<Self> {
        let (_, certificate) = X509Certificate::from_der(der).ok()?;
        let moment = |time: x509_parser::time::ASN1Time| jiff::Timestamp::from_second(time.timestamp()).ok();
        let validity = certificate.validity();
        let alternatives = certificate.subject_alternative_name().ok()??;
        let names = alternatives.value.general_names.iter().filter_map(name_text);
        Some(Self {
            made: moment(validity.not_before)?.checked_add(BACKDATED).ok()?,
            ends: moment(validity.not_after)?,
            names: names.collect(),
        })
    }

    /// Whether half of its time is over.
    pub fn is_due(&self, now: jiff::Timestamp) -> bool {
        now.duration_since(self.made) * 2 >= self.ends.duration_since(self.made)
    }
}

fn name_text(name: &GeneralName<'_>) -> Option<String> {
    match name {
        GeneralName::DNSName(name) => Some((*name).to_owned()),
        GeneralName::IPAddress(bytes) => match bytes.len() {
            4 => Some(std::net::Ipv4Addr::from(<[u8; 4]>::try_from(*bytes).ok()?).to_string()),
            16 => Some(std::net::Ipv6Addr::from(<[u8; 16]>::try_from(*bytes).ok()?).to_string()),
            _ => None,
        },
        _ => None,
    }
}

/// Certifies the key of a request, for `lifetime` from now on. What else the request says is ignored: name and role are
/// those that the coordinator decided on.
pub fn sign_member(
    authority: &Pair,
    name: &str,
    role: &str,
    request: &[u8],
    lifetime: jiff::Span,
    now: jiff::Timestamp,
) -> Result<Signed, IdentityError> {
    // Reading it also checks that the sender holds the key.
    let request = CertificateSigningRequestParams::from_der(&CertificateSigningRequestDer::from(request))?;
    let mut params = blank();
    params.not_before = rcgen::date_time_ymd(1970, 1, 1) + since_1970(now);
    let ends = ending(&mut params, now, lifetime)?;
    params.distinguished_name.push(DnType::CommonName, name);
    params
        .distinguished_name
        .push(DnType::OrganizationalUnitName, role);
    params.serial_number = Some(SerialNumber::from_slice(&serial()));
    params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
    params.use_authority_key_identifier_extension = true;
    let certificate = params.signed_by(&request.public_key, &issuer(authority)?)?;
    Ok(Signed {
        certificate: certificate.der().to_vec(),
        expires_ms: ends.as_millisecond(),
    })
}

fn issuer(authority: &Pair) -> Result<Issuer<'static, KeyPair>, IdentityError> {
    let key = KeyPair::from_pem(&authority.key)?;
    Ok(Issuer::from_ca_cert_pem(&authority.certificate, key)?)
}

/// Sixteen random bytes, the first bit off: a serial number is positive (RFC 5280, 4.1.2.2).
fn serial() -> [u8; 16] {
    let mut bytes = *uuid::Uuid::new_v4().as_bytes();
    bytes[0] = bytes[0] & 0x7f | 0x40;
    bytes
}

/// How long certificates are good for, from text as in `3 years`; `None`: it is no length of time, or none that a
/// certificate can hold.
pub fn lifetime(text: &str, now: jiff::Timestamp) -> Option<jiff::Span> {
    let span: jiff::Span = text.trim().parse().ok()?;
    let ends = later(now, span)?;
    (ends.as_second() > now.as_second()).then_some(span)
}

fn later(now: jiff::Timestamp, span: jiff::Span) -> Option<jiff::Timestamp> {
    let ends = now
        .to_zoned_datetime(jiff::tz::TimeZone::UTC)
        .checked_add(span)
        .ok()?;
    // The last year that a certificate can hold (RFC 5280, 4.1.2.5).
    (ends.year() < 9999).then(|| ends.timestamp())
}

/// Without the names that the library fills in.
fn blank() -> CertificateParams {
    let mut params = CertificateParams::default();
    params.distinguished_name = rcgen::DistinguishedName::new();
    params
}

fn backdate(params: &mut CertificateParams, now: jiff::Timestamp) {
    let from = now.saturating_sub(BACKDATED).unwrap_or(now);
    params.not_before = rcgen::date_time_ymd(1970, 1, 1) + since_1970(from);
}

/// Sets when it ends, and gives that: certificates hold whole seconds.
fn ending(
    params: &mut CertificateParams,
    now: jiff::Timestamp,
    lifetime: jiff::Span,
) -> Result<jiff::Timestamp, IdentityError> {
    let ends = later(now, lifetime).ok_or_else(|| IdentityError::Lifetime {
        text: lifetime.to_string(),
    })?;
    params.not_after = rcgen::date_time_ymd(1970, 1, 1) + since_1970(ends);
    Ok(jiff::Timestamp::from_second(ends.as_second()).unwrap_or(ends))
}

/// Since the beginning of Unix time, from which certificates' moments are counted here. Before it there are none of ours.
fn since_1970(at: jiff::Timestamp) -> Duration {
    Duration::from_secs(u64::try_from(at.as_second()).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use rustls::pki_types::CertificateDer;
    use rustls::pki_types::pem::PemObject as _;

    use super::*;

    fn years(count: i16) -> jiff::Span {
        jiff::Span::new().years(count)
    }

    #[test]
    fn a_server_certificate_says_for_whom_it_is_and_when_it_is_due() {
        let now: jiff::Timestamp = "2026-03-01T12:00:00Z".parse().unwrap();
        let authority = make_authority(now).unwrap();
        let names = ["mill.example", "10.1.2.3", "fd00::7"].map(str::to_owned);
        let pair = make_server(&authority, &names, years(2), now).unwrap();
        let der = CertificateDer::from_pem_slice(pair.certificate.as_bytes()).unwrap();
        let facts = ServerFacts::read(&der).unwrap();
        assert_eq!(facts.names, names);
        assert_eq!(
            (facts.made, facts.ends),
            (now, "2028-03-01T12:00:00Z".parse().unwrap())
        );
        assert!(!facts.is_due("2027-02-27T12:00:00Z".parse().unwrap()));
        assert!(facts.is_due("2027-03-03T12:00:00Z".parse().unwrap()));
        assert!(ServerFacts::read(b"none").is_none());
    }

    #[test]
    fn lifetimes_are_times_to_come() {
        let now = jiff::Timestamp::now();
        for text in ["3 years", "90 days", "1h", "20s"] {
            assert!(lifetime(text, now).is_some(), "{text}");
        }
        for text in ["", "soon", "0s", "-1 day", "9000 years"] {
            assert!(lifetime(text, now).is_none(), "{text}");
        }
    }

    #[test]
    fn a_member_is_who_the_coordinator_says_whatever_the_request_says() {
        let now = jiff::Timestamp::now();
        let authority = make_authority(now).unwrap();
        let key = KeyPair::generate().unwrap();
        let mut params = CertificateParams::new(["mill.example".to_owned()]).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params
            .distinguished_name
            .push(DnType::CommonName, "somebody else");
        let request = params.serialize_request(&key).unwrap();
        let signed = sign_member(&authority, "ash", "agent", request.der(), years(3), now).unwrap();
        let (_, certificate) = X509Certificate::from_der(&signed.certificate).unwrap();
        let names: Vec<_> = certificate
            .subject()
            .iter_common_name()
            .map(|name| name.as_str().unwrap())
            .collect();
        assert_eq!(names, ["ash"]);
        assert!(!certificate.is_ca());
        assert!(certificate.subject_alternative_name().unwrap().is_none());
        assert_eq!(
            certificate.validity().not_after.timestamp() * 1000,
            signed.expires_ms
        );
    }

    #[test]
    fn a_request_that_is_not_signed_by_its_key_is_refused() {
        let now = jiff::Timestamp::now();
        let authority = make_authority(now).unwrap();
        let key = KeyPair::generate().unwrap();
        let request = CertificateParams::default().serialize_request(&key).unwrap();
        let mut bytes = request.der().to_vec();
        *bytes.last_mut().unwrap() ^= 1;
        assert!(sign_member(&authority, "ash", "agent", &bytes, years(3), now).is_err());
    }
}
