//! Uploads in parts that were begun in a bucket and never ended, as writers leave them that died half-way. Their parts
//! bear no name and take room until somebody gives them up. The library has no call for listing them, so the two
//! requests are made here: ListMultipartUploads and ListParts of the S3 protocol (Amazon S3 API Reference).

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use object_store::aws::{AwsAuthorizer, AwsCredentialProvider};
use object_store::client::{HttpClient, HttpRequest, HttpRequestBody};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use url::Url;

/// What servers answer that know uploads but do not list them.
const UNKNOWN: [u16; 2] = [405, 501];

/// How to ask a bucket what the library does not ask.
#[derive(Debug)]
pub(super) struct Asker {
    /// The bucket's own address.
    pub(super) url: Url,
    pub(super) region: String,
    pub(super) credentials: AwsCredentialProvider,
    pub(super) client: HttpClient,
}

/// An upload that has not ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Upload {
    /// The whole key, with the place's prefix.
    pub(super) key: String,
    pub(super) id: String,
    /// When it was begun, by the server's clock.
    pub(super) begun: SystemTime,
}

/// Why a bucket was not told apart.
#[derive(Debug, thiserror::Error)]
pub(super) enum AskError {
    #[error("the server does not list uploads (status {0})")]
    NotListed(u16),
    #[error("status {0}: {1}")]
    Refused(u16, String),
    #[error(transparent)]
    Http(#[from] object_store::client::HttpError),
    #[error(transparent)]
    Store(#[from] object_store::Error),
    #[error("the request cannot be written: {0}")]
    Request(String),
    #[error("the answer is not what the protocol says: {0}")]
    Answer(#[from] quick_xml::DeError),
    #[error("the answer holds a time that cannot be read: {0}")]
    Time(String),
}

impl Asker {
    /// Uploads whose key begins with `prefix`.
    pub(super) async fn uploads(&self, prefix: &str) -> Result<Vec<Upload>, AskError> {
        let mut found = Vec::new();
        let (mut key_marker, mut id_marker) = (String::new(), String::new());
        loop {
            let mut url = self.url.clone();
            url.query_pairs_mut()
                .append_pair("uploads", "")
                .append_pair("prefix", prefix)
                .append_pair("key-marker", &key_marker)
                .append_pair("upload-id-marker", &id_marker);
            let page: UploadsPage = self.ask(&url).await?;
            for upload in page.uploads {
                found.push(Upload {
                    begun: time(&upload.initiated).ok_or(AskError::Time(upload.initiated))?,
                    key: upload.key,
                    id: upload.upload_id,
                });
            }
            let goes_on = page.is_truncated && !page.next_key_marker.is_empty();
            if !goes_on || (page.next_key_marker == key_marker && page.next_upload_id_marker == id_marker) {
                return Ok(found);
            }
            (key_marker, id_marker) = (page.next_key_marker, page.next_upload_id_marker);
        }
    }

    /// Bytes in the parts of an upload that have arrived.
    pub(super) async fn bytes(&self, upload: &Upload) -> Result<u64, AskError> {
        let (mut bytes, mut marker) = (0, String::new());
        loop {
            let mut url = self.url.clone();
            url.path_segments_mut()
                .map_err(|()| AskError::Request("the endpoint has no path".to_owned()))?
                .extend(upload.key.split('/'));
            url.query_pairs_mut()
                .append_pair("uploadId", &upload.id)
                .append_pair(
                    "part-number-marker",
                    if marker.is_empty() { "0" } else { &marker },
                );
            let page: PartsPage = self.ask(&url).await?;
            bytes += page.parts.iter().map(|part| part.size).sum::<u64>();
            if !page.is_truncated || page.next_part_number_marker == marker {
                return Ok(bytes);
            }
            marker = page.next_part_number_marker;
        }
    }

    async fn ask<T: DeserializeOwned>(&self, url: &Url) -> Result<T, AskError> {
        let mut request = HttpRequest::new(HttpRequestBody::empty());
        *request.uri_mut() = url
            .as_str()
            .parse()
            .map_err(|error| AskError::Request(format!("{url}: {error}")))?;
        let credential = self.credentials.get_credential().await?;
        AwsAuthorizer::new(&credential, "s3", &self.region).try_authorize(&mut request, None)?;
        let answer = self.client.execute(request).await?;
        let status = answer.status().as_u16();
        let body = answer.into_body().bytes().await?;
        let text = String::from_utf8_lossy(&body);
        match status {
            200 => Ok(quick_xml::de::from_str(&text)?),
            status if UNKNOWN.contains(&status) => Err(AskError::NotListed(status)),
            status => Err(AskError::Refused(status, text.chars().take(300).collect())),
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "PascalCase")]
struct UploadsPage {
    #[serde(default)]
    is_truncated: bool,
    #[serde(default)]
    next_key_marker: String,
    #[serde(default)]
    next_upload_id_marker: String,
    #[serde(rename = "Upload", default)]
    uploads: Vec<UploadRow>,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "PascalCase")]
struct UploadRow {
    key: String,
    upload_id: String,
    initiated: String,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "PascalCase")]
struct PartsPage {
    #[serde(default)]
    is_truncated: bool,
    #[serde(default)]
    next_part_number_marker: String,
    #[serde(rename = "Part", default)]
    parts: Vec<PartRow>,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "PascalCase")]
struct PartRow {
    size: u64,
}

/// `2026-11-10T20:48:33.000Z`, as the protocol writes times (ISO 8601, always UTC).
fn time(text: &str) -> Option<SystemTime> {
    let (date, clock) = text.trim_end_matches('Z').split_once('T')?;
    let mut date = date.splitn(3, '-').map(|part| part.parse::<i64>().ok());
    let (year, month, day) = (date.next()??, date.next()??, date.next()??);
    let mut clock = clock.splitn(3, ':');
    let (hour, minute): (u64, u64) = (clock.next()?.parse().ok()?, clock.next()?.parse().ok()?);
    let second: f64 = clock.next()?.parse().ok()?;
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) || !(0.0..61.0).contains(&second) {
        return None;
    }
    // Days since 1970 of the Gregorian calendar, with years that begin in March (common practice).
    let years = if month > 2 { year } else { year - 1 };
    let day_of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let days = 365 * years + years / 4 - years / 100 + years / 400 + day_of_year - 719_468;
    let seconds = u64::try_from(days).ok()? * 86_400 + hour * 3600 + minute * 60;
    Some(UNIX_EPOCH + Duration::from_secs(seconds) + Duration::from_secs_f64(second))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_the_protocol_writes_them() {
        let seconds = |text| time(text).unwrap().duration_since(UNIX_EPOCH).unwrap().as_secs();
        // By `date -u -d … +%s` of GNU coreutils.
        assert_eq!(seconds("1970-01-01T00:00:00.000Z"), 0);
        assert_eq!(seconds("2000-02-29T23:59:59Z"), 951_868_799);
        assert_eq!(seconds("2010-11-10T20:48:33.000Z"), 1_289_422_113);
        assert_eq!(seconds("2026-12-31T00:00:01.250Z"), 1_798_675_201);
        for wrong in [
            "",
            "2026-11-10",
            "2026-13-10T00:00:00Z",
            "2026-11-10T00:00Z",
            "soon",
        ] {
            assert_eq!(time(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn a_page_is_read_whatever_else_stands_in_it() {
        let page: UploadsPage = quick_xml::de::from_str(
            "<?xml version=\"1.0\"?><ListMultipartUploadsResult><Bucket>harbour</Bucket><KeyMarker/>\
             <NextKeyMarker>b</NextKeyMarker><NextUploadIdMarker>2</NextUploadIdMarker><IsTruncated>true</IsTruncated>\
             <Upload><UploadId>1</UploadId><Key>a</Key><Initiated>2010-11-10T20:48:33.000Z</Initiated>\
             <Owner><ID>x</ID></Owner></Upload>\
             <Upload><Key>b</Key><UploadId>2</UploadId><Initiated>2010-11-10T20:48:33.000Z</Initiated></Upload>\
             </ListMultipartUploadsResult>",
        )
        .unwrap();
        assert!(page.is_truncated);
        assert_eq!((&*page.next_key_marker, &*page.next_upload_id_marker), ("b", "2"));
        let ids: Vec<&str> = page.uploads.iter().map(|upload| &*upload.upload_id).collect();
        assert_eq!(ids, ["1", "2"]);
        let none: UploadsPage =
            quick_xml::de::from_str("<ListMultipartUploadsResult></ListMultipartUploadsResult>").unwrap();
        assert!(none.uploads.is_empty() && !none.is_truncated);
    }
}
