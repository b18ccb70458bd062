//! Where a store is, as people write it.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

use url::Url;

/// Where a store is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// A folder that one coordinator owns: a plain path.
    Folder(PathBuf),
    /// A folder on a share that several coordinators and agents use: `share:/mnt/studio/store`, or
    /// `share:/mnt/studio/store?seen_within=5` where every machine sees within 5 s what another wrote.
    Share(Shared),
    /// A bucket: `s3://bucket/prefix?endpoint=http://127.0.0.1:9000&region=eu-1`.
    Bucket(Place),
}

/// A folder on a share.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shared {
    /// The folder, the same path on every machine that is to use it directly.
    pub folder: PathBuf,
    /// After so many seconds all machines see what one has written; `None`: [`SEEN_WITHIN_SECONDS`].
    pub seen_within_seconds: Option<u64>,
}

/// Twice the longest time for which NFS clients keep by default what they know of a folder (60 s, manual page nfs(5),
/// `acdirmax`): what was written just after one looked, and was looked up just before it forgets.
pub const SEEN_WITHIN_SECONDS: u64 = 120;

impl From<PathBuf> for Shared {
    fn from(folder: PathBuf) -> Self {
        Self {
            folder,
            seen_within_seconds: None,
        }
    }
}

/// A place in a bucket. Credentials are never part of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The bucket's name.
    pub bucket: String,
    /// What all names in it begin with; no `/` at either end, may be empty.
    pub prefix: String,
    /// The server, as in `https://objects.example`; `None`: AWS_ENDPOINT_URL_S3, AWS_ENDPOINT_URL, or that of the region.
    pub endpoint: Option<String>,
    /// `None`: AWS_REGION, AWS_DEFAULT_REGION, or `us-east-1`.
    pub region: Option<String>,
}

/// Why a text names no store.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{text}` is not the address of a store: {reason}")]
pub struct BadAddress {
    /// As it was written.
    pub text: String,
    /// What is wrong, and what to write.
    pub reason: String,
}

impl FromStr for Address {
    type Err = BadAddress;

    fn from_str(text: &str) -> Result<Self, BadAddress> {
        let bad = |reason: String| BadAddress {
            text: text.to_owned(),
            reason,
        };
        if let Some(path) = text.strip_prefix("share:") {
            let (path, seconds) = match path.rsplit_once("?seen_within=") {
                None => (path, None),
                Some((path, seconds)) => {
                    let whole = seconds.trim_end_matches('s').parse().map_err(|_| {
                        bad(format!(
                            "`{seconds}` is not a number of seconds, as in ?seen_within=5"
                        ))
                    })?;
                    (path, Some(whole))
                }
            };
            if path.is_empty() {
                return Err(bad(
                    "a share needs its folder, as in share:/mnt/studio/store".to_owned()
                ));
            }
            return Ok(Self::Share(Shared {
                folder: PathBuf::from(path),
                seen_within_seconds: seconds,
            }));
        }
        if text.starts_with("s3:") {
            return place(text).map(Self::Bucket).map_err(bad);
        }
        if let Some((scheme, _)) = text.split_once("://") {
            return Err(bad(format!(
                "{scheme}:// is not known; write a folder, share:/FOLDER or s3://BUCKET/PREFIX"
            )));
        }
        if text.is_empty() {
            return Err(bad(
                "write a folder, share:/FOLDER or s3://BUCKET/PREFIX".to_owned()
            ));
        }
        Ok(Self::Folder(PathBuf::from(text)))
    }
}

fn place(text: &str) -> Result<Place, String> {
    let url = Url::parse(text).map_err(|error| error.to_string())?;
    let bucket = url
        .host_str()
        .filter(|bucket| !bucket.is_empty())
        .ok_or("the bucket is missing, as in s3://BUCKET/PREFIX")?;
    if !url.username().is_empty() || url.password().is_some() {
        return Err(
            "credentials do not belong into an address; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY"
                .to_owned(),
        );
    }
    let prefix = url.path().trim_matches('/').to_owned();
    if prefix.contains("//")
        || !prefix
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || b"-_./".contains(&byte))
    {
        return Err("the prefix may hold letters, digits, `-`, `_`, `.` and single `/`".to_owned());
    }
    let mut place = Place {
        bucket: bucket.to_owned(),
        prefix,
        endpoint: None,
        region: None,
    };
    for (key, value) in url.query_pairs() {
        match &*key {
            "endpoint" => place.endpoint = Some(value.into_owned()),
            "region" => place.region = Some(value.into_owned()),
            _ => return Err(format!("`{key}` is not known; there are `endpoint` and `region`")),
        }
    }
    Ok(place)
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Folder(path) => write!(f, "{}", path.display()),
            Self::Share(Shared {
                folder,
                seen_within_seconds: None,
            }) => write!(f, "share:{}", folder.display()),
            Self::Share(Shared {
                folder,
                seen_within_seconds: Some(seconds),
            }) => write!(f, "share:{}?seen_within={seconds}", folder.display()),
            Self::Bucket(place) => write!(f, "{place}"),
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "s3://{}", self.bucket)?;
        if !self.prefix.is_empty() {
            write!(f, "/{}", self.prefix)?;
        }
        let given = [("endpoint", &self.endpoint), ("region", &self.region)];
        let mut sign = '?';
        for (key, value) in given {
            if let Some(value) = value {
                write!(f, "{sign}{key}={value}")?;
                sign = '&';
            }
        }
        Ok(())
    }
}

impl From<PathBuf> for Address {
    fn from(folder: PathBuf) -> Self {
        Self::Folder(folder)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_again() {
        for text in [
            "/srv/mill/store",
            "share:/mnt/studio/store",
            "share:/mnt/studio/store?seen_within=5",
            "s3://harbour",
            "s3://harbour/mill/one",
            "s3://harbour/mill?endpoint=http://127.0.0.1:9000&region=eu-1",
        ] {
            let address: Address = text.parse().unwrap();
            assert_eq!(address.to_string(), text);
        }
        let address: Address = "s3://harbour/a/b/?endpoint=http://127.0.0.1:9".parse().unwrap();
        let Address::Bucket(place) = address else { panic!() };
        assert_eq!((&*place.bucket, &*place.prefix), ("harbour", "a/b"));
        assert_eq!(place.endpoint.as_deref(), Some("http://127.0.0.1:9"));
    }

    #[test]
    fn what_is_wrong_is_said_and_what_to_write() {
        for (text, said) in [
            ("", "s3://BUCKET"),
            ("share:", "share:/mnt"),
            ("share:/mnt?seen_within=soon", "`soon` is not a number of seconds"),
            ("s3:///x", "bucket"),
            ("s3://k:secret@harbour/x", "AWS_ACCESS_KEY_ID"),
            ("s3://harbour/a//b", "single `/`"),
            ("s3://harbour/a?zone=1", "`zone` is not known"),
            ("ftp://harbour", "ftp:// is not known"),
        ] {
            let error = text.parse::<Address>().unwrap_err().to_string();
            assert!(error.contains(said), "{text}: {error}");
        }
    }
}
