//! The studio's certificate authority: makes itself, the server's certificate and those of members. Pure but for
//! the random numbers of new keys.

use rcgen::{
    BasicConstraints, CertificateParams, CertificateSigningRequestParams, DnType, ExtendedKeyUsagePurpose,
    IsCa, Issuer, KeyPair, KeyUsagePurpose, SerialNumber,
};
use rustls::pki_types::CertificateSigningRequestDer;

use super::IdentityError;

/// Years that the authority is good for, and those of the certificates that it signs.
const AUTHORITY_YEARS: i16 = 20;
const CERTIFICATE_YEARS: i16 = 3;

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
    let mut params = lasting(now, AUTHORITY_YEARS).0;
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

/// A certificate for the coordinator, for all the names and addresses by which it is called.
pub fn make_server(authority: &Pair, names: &[String], now: jiff::Timestamp) -> Result<Pair, IdentityError> {
    let mut params = lasting(now, CERTIFICATE_YEARS).0;
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

/// Certifies the key of a request. What else the request says is ignored: name and role are those that the
/// coordinator decided on.
pub fn sign_member(
    authority: &Pair,
    name: &str,
    role: &str,
    request: &[u8],
    now: jiff::Timestamp,
) -> Result<Signed, IdentityError> {
    // Reading it also checks that the sender holds the key.
    let request = CertificateSigningRequestParams::from_der(&CertificateSigningRequestDer::from(request))?;
    let (mut params, expires) = lasting(now, CERTIFICATE_YEARS);
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
        expires_ms: expires,
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

/// Parameters that are good from two days ago, since clocks of workstations differ, for so many years; and when
/// that ends, as Unix time in milliseconds.
fn lasting(now: jiff::Timestamp, years: i16) -> (CertificateParams, i64) {
    let day = |date: jiff::civil::Date| {
        // Months and days are in 1..=12 and 1..=31.
        rcgen::date_time_ymd(date.year().into(), date.month() as u8, date.day() as u8)
    };
    let today = now.to_zoned_datetime(jiff::tz::TimeZone::UTC).date();
    let from = today.saturating_sub(jiff::Span::new().days(2));
    let until = today.saturating_add(jiff::Span::new().years(years));
    let mut params = CertificateParams::default();
    params.distinguished_name = rcgen::DistinguishedName::new();
    params.not_before = day(from);
    params.not_after = day(until);
    let ends = until
        .to_zoned_datetime(jiff::tz::TimeZone::UTC)
        .map_or(i64::MAX, |midnight| midnight.timestamp().as_millisecond());
    (params, ends)
}

#[cfg(test)]
mod tests {
    use x509_parser::prelude::{FromDer as _, X509Certificate};

    use super::*;

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
        let signed = sign_member(&authority, "ash", "agent", request.der(), now).unwrap();
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
        assert!(sign_member(&authority, "ash", "agent", &bytes, now).is_err());
    }
}
