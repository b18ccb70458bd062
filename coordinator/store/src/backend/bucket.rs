//! A bucket that speaks the S3 protocol.
//!
//! A put is seen whole or not at all, and at once by everybody, by that protocol. The bytes travel with their SHA-256,
//! so what is damaged on the way is refused. Small objects go in one request; big ones in parts, several at a time,
//! and are read in ranges likewise.

use std::collections::VecDeque;
use std::fs::File;
use std::future::Future;
use std::io::{self, Read};
use std::net::IpAddr;
use std::path::Path;
use std::sync::{Arc, mpsc};
use std::time::{Duration, SystemTime};

use bytes::Bytes;
use futures::StreamExt as _;
use object_store::aws::{AmazonS3, AmazonS3Builder, AmazonS3ConfigKey, Checksum};
use object_store::client::{HttpConnector as _, ReqwestConnector};
use object_store::multipart::MultipartStore as _;
use object_store::{
    ClientOptions, GetOptions, GetRange, MultipartUpload, ObjectStore, ObjectStoreExt as _, PutPayload,
    RetryConfig,
};
use tokio::runtime::Runtime;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use url::Url;

use super::address::Place;
use super::uploads::{AskError, Asker, Upload};
use super::{Backend, Body, LeftOver, Listed, Opened};
use crate::error::{At, Result, StoreError};

/// One part of a big object, as put and as read. The protocol wants at least 5 MiB, and knows at most 10,000 parts.
const PART_BYTES: u64 = 8 * 1024 * 1024;
const MOST_PARTS: u64 = 10_000;
/// Any of these variables says where a key is.
const KEYS: [&str; 4] = [
    "AWS_ACCESS_KEY_ID",
    "AWS_WEB_IDENTITY_TOKEN_FILE",
    "AWS_CONTAINER_CREDENTIALS_RELATIVE_URI",
    "AWS_CONTAINER_CREDENTIALS_FULL_URI",
];
/// Parts in memory on their way there, for the whole bucket.
const PARTS_AT_ONCE: usize = 3;
/// Ranges in memory on their way here, for each reader.
const RANGES_AT_ONCE: usize = 2;
const RANGE_BYTES: u64 = 4 * 1024 * 1024;
const RETRY: RetryConfig = RetryConfig {
    backoff: object_store::BackoffConfig {
        init_backoff: Duration::from_millis(100),
        max_backoff: Duration::from_secs(5),
        base: 2.0,
    },
    max_retries: 6,
    retry_timeout: Duration::from_secs(60),
};

/// A bucket, or what lies in it under one prefix.
pub struct Bucket(Arc<Inner>);

struct Inner {
    place: Place,
    client: Arc<AmazonS3>,
    asker: Arc<Asker>,
    slots: Arc<Semaphore>,
    /// Taken only on drop.
    runtime: Option<Runtime>,
}

impl Bucket {
    /// Takes credentials from the environment: AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (AWS_SESSION_TOKEN), or one
    /// of the ways by which a machine is given a passing key ([`KEYS`]). Asks the server nothing yet.
    ///
    /// # Errors
    /// Settings are missing, or plain text would leave this machine.
    pub fn open(place: &Place) -> Result<Self> {
        // Without any the library would look for a service of the machine's own that most do not have, for a long time.
        if !KEYS.iter().any(|name| std::env::var_os(name).is_some()) {
            return Err(StoreError::BadPlace {
                place: place.to_string(),
                reason: "there is no key; set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY".to_owned(),
            });
        }
        Self::build(place, AmazonS3Builder::from_env())
    }

    /// As [`Bucket::open`], with a key that is given.
    pub fn open_as(place: &Place, key_id: &str, secret: &str) -> Result<Self> {
        let builder = AmazonS3Builder::from_env()
            .with_access_key_id(key_id)
            .with_secret_access_key(secret);
        Self::build(place, builder)
    }

    fn build(place: &Place, builder: AmazonS3Builder) -> Result<Self> {
        let refused = |reason: String| StoreError::BadPlace {
            place: place.to_string(),
            reason,
        };
        // One provider for the whole program; whoever is first sets it, and it is always this one.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let mut builder = builder
            .with_bucket_name(&place.bucket)
            .with_virtual_hosted_style_request(false)
            .with_checksum_algorithm(Checksum::SHA256)
            .with_retry(RETRY);
        let endpoint = place.endpoint.clone().or_else(|| {
            ["AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL"]
                .iter()
                .find_map(|name| std::env::var(name).ok())
        });
        let mut options = ClientOptions::new();
        if let Some(endpoint) = endpoint {
            let plain = check_endpoint(&endpoint).map_err(refused)?;
            options = options.with_allow_http(plain);
            builder = builder
                .with_endpoint(endpoint.trim_end_matches('/'))
                .with_allow_http(plain);
        }
        if let Some(region) = &place.region {
            builder = builder.with_region(region);
        }
        let region = builder
            .get_config_value(&AmazonS3ConfigKey::Region)
            .unwrap_or_else(|| "us-east-1".to_owned());
        let endpoint = builder
            .get_config_value(&AmazonS3ConfigKey::Endpoint)
            .unwrap_or_else(|| format!("https://s3.{region}.amazonaws.com"));
        let client = builder.build().map_err(|error| refused(error.to_string()))?;
        let asker = Asker {
            url: Url::parse(&format!("{}/{}", endpoint.trim_end_matches('/'), place.bucket))
                .map_err(|error| refused(format!("the endpoint `{endpoint}` is not an address: {error}")))?,
            region,
            credentials: client.credentials().clone(),
            client: ReqwestConnector::default()
                .connect(&options)
                .map_err(|error| refused(error.to_string()))?,
        };
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .thread_name("bucket")
            .enable_all()
            .build()
            .map_err(|error| refused(error.to_string()))?;
        Ok(Self(Arc::new(Inner {
            place: place.clone(),
            client: Arc::new(client),
            asker: Arc::new(asker),
            slots: Arc::new(Semaphore::new(PARTS_AT_ONCE)),
            runtime: Some(runtime),
        })))
    }
}

impl Inner {
    fn key(&self, name: &str) -> object_store::path::Path {
        match &*self.place.prefix {
            "" => object_store::path::Path::from(name),
            prefix => object_store::path::Path::from(format!("{prefix}/{name}")),
        }
    }

    fn name<'a>(&self, key: &'a str) -> &'a str {
        let rest = key.strip_prefix(&*self.place.prefix).unwrap_or(key);
        rest.strip_prefix('/').unwrap_or(rest)
    }

    fn failed(&self, action: &'static str, name: &str, error: &dyn std::error::Error) -> StoreError {
        StoreError::far(action, name, &self.place.to_string(), error)
    }

    /// Begins a call; it runs on the bucket's own threads, so the caller may stand on any thread, also one that is
    /// forbidden to wait for a future.
    fn begin<T: Send + 'static>(&self, call: impl Future<Output = T> + Send + 'static) -> Pending<T> {
        let (sender, receiver) = mpsc::sync_channel(1);
        if let Some(runtime) = &self.runtime {
            runtime.spawn(async move {
                // Nobody may wait for it any more.
                let _ = sender.send(call.await);
            });
        }
        Pending(receiver)
    }

    fn call<T: Send + 'static>(
        &self,
        action: &'static str,
        name: &str,
        call: impl Future<Output = object_store::Result<T>> + Send + 'static,
    ) -> Result<T> {
        self.begin(call)
            .wait()
            .map_err(|error| self.failed(action, name, &error))
    }

    fn slot(&self, name: &str) -> Result<OwnedSemaphorePermit> {
        let slots = self.slots.clone();
        self.begin(async move { slots.acquire_owned().await.map_err(ended) })
            .wait()
            .map_err(|error| self.failed("put", name, &error))
    }

    fn put_in_parts(&self, name: &str, path: &Path, mut file: File, size: u64) -> Result<()> {
        let (client, key) = (self.client.clone(), self.key(name));
        let mut upload = self.call("put", name, async move { client.put_multipart(&key).await })?;
        let sent = self.send_parts(name, path, &mut file, size, &mut *upload);
        match sent {
            Ok(()) => {
                self.call("put", name, async move { upload.complete().await })?;
                Ok(())
            }
            Err(error) => {
                // Parts that stay cost room; the first error is the one to tell.
                if let Err(error) = self.call("give up", name, async move { upload.abort().await }) {
                    tracing::warn!(%error, "parts of an upload that was given up may take room in the bucket");
                }
                Err(error)
            }
        }
    }

    fn send_parts(
        &self,
        name: &str,
        path: &Path,
        file: &mut File,
        size: u64,
        upload: &mut dyn MultipartUpload,
    ) -> Result<()> {
        let part_bytes = PART_BYTES.max(size.div_ceil(MOST_PARTS));
        let mut under_way = VecDeque::new();
        let mut left = size;
        while left > 0 {
            let slot = self.slot(name)?;
            let mut part = vec![0; usize::try_from(part_bytes.min(left)).unwrap_or(usize::MAX)];
            file.read_exact(&mut part).at("read", path)?;
            left -= part.len() as u64;
            let sending = upload.put_part(PutPayload::from(part));
            under_way.push_back(self.begin(async move {
                let sent = sending.await;
                drop(slot);
                sent
            }));
            while under_way.len() >= PARTS_AT_ONCE {
                self.finish_first(name, &mut under_way)?;
            }
        }
        while !under_way.is_empty() {
            self.finish_first(name, &mut under_way)?;
        }
        Ok(())
    }

    fn finish_first(
        &self,
        name: &str,
        under_way: &mut VecDeque<Pending<object_store::Result<()>>>,
    ) -> Result<()> {
        match under_way.pop_front() {
            Some(first) => first.wait().map_err(|error| self.failed("put", name, &error)),
            None => Ok(()),
        }
    }

    fn head(&self, name: &str) -> object_store::Result<u64> {
        let (client, key) = (self.client.clone(), self.key(name));
        self.begin(async move { Ok(client.head(&key).await?.size) })
            .wait()
    }

    /// An object's size, and the bytes of a range, or of the whole where that is small.
    fn get(
        &self,
        name: &str,
        range: Option<(u64, u64)>,
    ) -> Pending<object_store::Result<(u64, Option<Bytes>)>> {
        let (client, key) = (self.client.clone(), self.key(name));
        let options = GetOptions {
            range: range.map(|(from, to)| GetRange::Bounded(from..to)),
            ..GetOptions::default()
        };
        self.begin(async move {
            let got = client.get_opts(&key, options).await?;
            let size = got.meta.size;
            // Of a big one only the size is wanted; its bytes are then asked for in ranges.
            let bytes = if range.is_some() || size <= RANGE_BYTES {
                Some(got.bytes().await?)
            } else {
                None
            };
            Ok((size, bytes))
        })
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

impl Backend for Bucket {
    fn place(&self) -> String {
        self.0.place.to_string()
    }

    fn put(&self, name: &str, body: Body<'_>) -> Result<()> {
        let whole = match body {
            Body::Bytes(bytes) => bytes.to_vec(),
            Body::File(path) => {
                let mut file = File::open(path).at("open", path)?;
                let size = file.metadata().at("open", path)?.len();
                if size > PART_BYTES {
                    return self.0.put_in_parts(name, path, file, size);
                }
                let mut whole = Vec::with_capacity(usize::try_from(size).unwrap_or(0));
                file.read_to_end(&mut whole).at("read", path)?;
                whole
            }
        };
        let slot = if whole.len() as u64 > PART_BYTES / 8 {
            Some(self.0.slot(name)?)
        } else {
            None
        };
        let (client, key) = (self.0.client.clone(), self.0.key(name));
        self.0.call("put", name, async move {
            client.put(&key, PutPayload::from(whole)).await?;
            drop(slot);
            Ok(())
        })
    }

    fn open(&self, name: &str, from: u64) -> Result<Option<Opened>> {
        let read = if from == 0 {
            self.0.get(name, None).wait()
        } else {
            self.0.head(name).map(|size| (size, None))
        };
        let (size, bytes) = match read {
            Err(object_store::Error::NotFound { .. }) => return Ok(None),
            other => other.map_err(|error| self.0.failed("read", name, &error))?,
        };
        let mut reading = Ranges {
            inner: self.0.clone(),
            name: name.to_owned(),
            piece: Bytes::new(),
            under_way: VecDeque::new(),
            next: from.min(size),
            size,
        };
        if let Some(bytes) = bytes {
            reading.next = size;
            reading.piece = bytes;
        }
        Ok(Some(Opened {
            size,
            bytes: Box::new(reading),
        }))
    }

    fn size(&self, name: &str) -> Result<Option<u64>> {
        match self.0.head(name) {
            Ok(size) => Ok(Some(size)),
            Err(object_store::Error::NotFound { .. }) => Ok(None),
            Err(error) => Err(self.0.failed("look for", name, &error)),
        }
    }

    fn list(&self, prefix: &str, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
        let (client, key) = (self.0.client.clone(), self.0.key(prefix.trim_end_matches('/')));
        let (sender, receiver) = mpsc::channel();
        // Bounded by the pages of the protocol, a thousand names each; they are short.
        let listing = self.0.begin(async move {
            let mut found = client.list(Some(&key));
            while let Some(object) = found.next().await {
                let object = object?;
                let listed = (
                    object.location,
                    object.size,
                    object.last_modified.timestamp_millis(),
                );
                if sender.send(listed).is_err() {
                    break;
                }
            }
            Ok(())
        });
        for (key, size, changed_ms) in receiver {
            each(Listed {
                name: self.0.name(key.as_ref()).to_owned(),
                size,
                changed_ms,
            })?;
        }
        listing
            .wait()
            .map_err(|error| self.0.failed("list", prefix, &error))
    }

    fn delete(&self, name: &str) -> Result<()> {
        let (client, key) = (self.0.client.clone(), self.0.key(name));
        match self.0.begin(async move { client.delete(&key).await }).wait() {
            Err(object_store::Error::NotFound { .. }) | Ok(()) => Ok(()),
            Err(error) => Err(self.0.failed("remove", name, &error)),
        }
    }

    fn left_over(&self, older_than: Duration, remove: bool) -> Result<LeftOver> {
        let asker = self.0.asker.clone();
        let prefix = match &*self.0.place.prefix {
            "" => String::new(),
            prefix => format!("{prefix}/"),
        };
        let listed = self
            .0
            .begin(async move { asker.uploads(&prefix).await })
            .wait_any();
        let uploads = match listed {
            Err(error @ AskError::NotListed(_)) => {
                tracing::info!(place = %self.place(), %error, "uploads that were never ended cannot be looked for");
                return Ok(LeftOver::default());
            }
            other => other.map_err(|error| self.0.failed("list", "uploads", &error))?,
        };
        let now = SystemTime::now();
        let old = |upload: &Upload| {
            now.duration_since(upload.begun)
                .is_ok_and(|age| age >= older_than)
        };
        let mut left = LeftOver::default();
        for upload in uploads.into_iter().filter(old) {
            let name = self.0.name(&upload.key).to_owned();
            let (asker, asked) = (self.0.asker.clone(), upload.clone());
            let bytes = self.0.begin(async move { asker.bytes(&asked).await }).wait_any();
            match bytes {
                // Ended since it was listed.
                Err(AskError::Refused(404, _)) => continue,
                other => left.bytes += other.map_err(|error| self.0.failed("look at", &name, &error))?,
            }
            left.puts += 1;
            if remove {
                let (client, key) = (self.0.client.clone(), object_store::path::Path::from(upload.key));
                let given_up = self
                    .0
                    .begin(async move { client.abort_multipart(&key, &upload.id).await })
                    .wait();
                match given_up {
                    Ok(()) | Err(object_store::Error::NotFound { .. }) => {}
                    Err(error) => return Err(self.0.failed("give up", &name, &error)),
                }
            }
        }
        Ok(left)
    }
}

/// An answer that is on its way.
struct Pending<T>(mpsc::Receiver<T>);

impl<T> Pending<std::result::Result<T, AskError>> {
    fn wait_any(self) -> std::result::Result<T, AskError> {
        self.0.recv().map_err(ended)?
    }
}

impl<T> Pending<object_store::Result<T>> {
    fn wait(self) -> object_store::Result<T> {
        self.0.recv().map_err(ended)?
    }
}

fn ended(error: impl std::error::Error + Send + Sync + 'static) -> object_store::Error {
    object_store::Error::Generic {
        store: "bucket",
        source: Box::new(error),
    }
}

/// Where a piece begins, and its bytes if there are any.
type Part = object_store::Result<(u64, Option<Bytes>)>;

/// Reads an object in ranges, the next ones being on their way already.
struct Ranges {
    inner: Arc<Inner>,
    name: String,
    piece: Bytes,
    under_way: VecDeque<Pending<Part>>,
    /// First byte that nobody has asked for yet.
    next: u64,
    size: u64,
}

impl Ranges {
    fn ask_ahead(&mut self) {
        while self.under_way.len() < RANGES_AT_ONCE && self.next < self.size {
            let to = self.size.min(self.next + RANGE_BYTES);
            self.under_way
                .push_back(self.inner.get(&self.name, Some((self.next, to))));
            self.next = to;
        }
    }
}

impl Read for Ranges {
    fn read(&mut self, piece: &mut [u8]) -> io::Result<usize> {
        while self.piece.is_empty() {
            self.ask_ahead();
            let Some(first) = self.under_way.pop_front() else {
                return Ok(0);
            };
            let got = first.wait().map_err(|error| {
                io::Error::from(match error {
                    object_store::Error::NotFound { .. } => {
                        return io::Error::new(io::ErrorKind::NotFound, error);
                    }
                    error => self.inner.failed("read", &self.name, &error),
                })
            })?;
            // Shorter than asked for: somebody has put a shorter one. The check over the whole says what that means.
            self.piece = got.1.unwrap_or_default();
            if self.piece.is_empty() {
                return Ok(0);
            }
        }
        let count = piece.len().min(self.piece.len());
        piece[..count].copy_from_slice(&self.piece.split_to(count));
        Ok(count)
    }
}

/// Whether an endpoint is plain text, which may not leave this machine.
fn check_endpoint(endpoint: &str) -> Result<bool, String> {
    let url = Url::parse(endpoint)
        .map_err(|error| format!("the endpoint `{endpoint}` is not an address: {error}"))?;
    let host = url.host_str().unwrap_or_default().trim_matches(['[', ']']);
    let is_loopback =
        host == "localhost" || host.parse::<IpAddr>().is_ok_and(|address| address.is_loopback());
    match url.scheme() {
        "https" => Ok(false),
        "http" if is_loopback => Ok(true),
        "http" => Err(format!(
            "the endpoint `{endpoint}` speaks plain text, which is for this machine's own addresses only; use https"
        )),
        other => Err(format!("an endpoint begins with https, not {other}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_text_stays_on_this_machine() {
        assert_eq!(check_endpoint("http://127.0.0.1:9000"), Ok(true));
        assert_eq!(check_endpoint("http://localhost:9000"), Ok(true));
        assert_eq!(check_endpoint("http://[::1]:9000"), Ok(true));
        assert_eq!(check_endpoint("https://objects.example"), Ok(false));
        for refused in [
            "http://objects.example",
            "http://10.0.0.5:9000",
            "ftp://localhost",
            "objects",
        ] {
            assert!(check_endpoint(refused).is_err(), "{refused}");
        }
    }
}
