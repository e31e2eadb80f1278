//! The archive in a bucket of an S3-compatible object store, through the library `object_store`.
//!
//! [`disk`]: what the collector writes goes through [`crate::disk::Disk`], so publishing, merging, `keep` and `verify` work on a bucket
//! as they do on a folder. [`mirror`]: what an analysis reads is brought into a folder first. Spool, locks, journal and logs stay on
//! this machine. Who may enter is said by the environment (`AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY`, `AWS_REGION`,
//! `AWS_ENDPOINT_URL`, …), never by the site file.

pub(crate) mod disk;
pub(crate) mod mirror;

use std::fmt;
use std::future::Future;
use std::io;
use std::sync::{Arc, mpsc};

use bytes::Bytes;
use futures_util::TryStreamExt as _;
use mosswarden_config::site::Bucket;
use mosswarden_config::table;
use object_store::aws::{AmazonS3Builder, AmazonS3ConfigKey};
use object_store::path::Path;
use object_store::{
    ClientConfigKey, Error, ObjectMeta, ObjectStore, ObjectStoreExt as _, PutMode, PutPayload, RetryConfig,
    WriteMultipart,
};
use tokio::runtime::{Builder, Runtime};

/// A request is tried again this often, and no longer than this: readings wait in the spool meanwhile.
const RETRIES: usize = 3;
const RETRY_WITHIN: std::time::Duration = std::time::Duration::from_secs(100);
const CONNECT_WITHIN: &str = "5s";
/// Until an answer begins, and between its pieces: long enough to send one part at 0.7 Mbit/s, and to try again within [`RETRY_WITHIN`] after a line that went dead.
const SILENCE_MAX: &str = "60s";
/// One request with its whole answer; 50 MB over such a line.
const ANSWER_WITHIN: &str = "600s";
/// Larger objects are sent in parts of this size, the smallest that the protocol takes.
const PART_BYTES: usize = 5 * 1024 * 1024;
/// Parts on their way at once.
const PARTS_AT_ONCE: usize = 2;

/// Requests to one bucket, for callers that wait. Object names are relative to the bucket's prefix.
#[derive(Debug)]
pub(crate) struct Client {
    name: Arc<str>,
    prefix: Path,
    store: Arc<dyn ObjectStore>,
    /// Requests run here; `None` only while it is dropped.
    runtime: Option<Runtime>,
}

/// What went wrong with a bucket.
#[derive(Debug)]
pub(crate) struct BucketError {
    bucket: Arc<str>,
    source: Error,
}

/// What the store itself calls a bucket that is not there.
const NO_BUCKET: &str = "NoSuchBucket";

impl BucketError {
    /// What the store said: its code and sentence where it sent them, else what lies at the bottom of it.
    fn said(&self) -> String {
        let whole = self.source.to_string();
        let of = |name: &str| {
            let (_, rest) = whole.split_once(&format!("<{name}>"))?;
            Some(rest.split_once("</")?.0.to_owned())
        };
        match (of("Code"), of("Message")) {
            (Some(code), Some(message)) => format!("the store says {code}: {message}"),
            _ => {
                let mut deepest: &dyn std::error::Error = &self.source;
                while let Some(source) = deepest.source() {
                    deepest = source;
                }
                deepest.to_string()
            }
        }
    }

    /// What a keeper can do about it.
    fn next_step(&self) -> &'static str {
        match self.source {
            Error::PermissionDenied { .. } | Error::Unauthenticated { .. } => {
                "look at AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, and at what that key may do in the bucket"
            }
            _ if self.said().contains(NO_BUCKET) => "is the bucket's name right, and was it made?",
            Error::NotFound { .. } => "another collector may have merged it just now: try again",
            Error::AlreadyExists { .. } => {
                "another collector writes there under the same names: start each with a name of its own (`--share`)"
            }
            Error::NotImplemented { .. } | Error::NotSupported { .. } => {
                "this store lacks conditional writes (`If-None-Match`), without which collectors could overwrite each other"
            }
            _ => {
                "is the store reachable, and are AWS_ENDPOINT_URL, AWS_REGION and the keys set? http:// also needs AWS_ALLOW_HTTP=true"
            }
        }
    }

    fn kind(&self) -> io::ErrorKind {
        match self.source {
            Error::NotFound { .. } => io::ErrorKind::NotFound,
            Error::AlreadyExists { .. } => io::ErrorKind::AlreadyExists,
            Error::PermissionDenied { .. } | Error::Unauthenticated { .. } => io::ErrorKind::PermissionDenied,
            Error::NotImplemented { .. } | Error::NotSupported { .. } => io::ErrorKind::Unsupported,
            _ => io::ErrorKind::Other,
        }
    }
}

impl fmt::Display for BucketError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {} ({})", self.bucket, self.said(), self.next_step())
    }
}

impl std::error::Error for BucketError {}

/// The object that `try_bucket` leaves for a moment.
const TRIAL: &str = "trial";

/// Lists, writes and removes in a bucket, to see that this works before it is needed.
///
/// # Errors
/// What would stand in the way of a collector, with the next step.
pub fn try_bucket(bucket: &Bucket) -> io::Result<()> {
    let client = Client::of(bucket)?;
    client.list(table::READINGS)?;
    let trial = || Bytes::from_static(b"trial");
    client.put(TRIAL, trial(), Put::Replace)?;
    let refused = client.refuses_what_is_there(TRIAL, trial());
    client.remove(TRIAL)?;
    refused
}

/// Whether an object of that name may be there already.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Put {
    /// It must not: [`io::ErrorKind::AlreadyExists`] where it is.
    New,
    Replace,
}

impl Client {
    /// A client for the bucket; nothing is asked of it yet.
    pub(crate) fn of(bucket: &Bucket) -> io::Result<Client> {
        // TLS by ring, as everywhere in this program; another part may have said so before.
        let _said_before = rustls::crypto::ring::default_provider().install_default();
        let store = AmazonS3Builder::from_env()
            .with_bucket_name(&bucket.name)
            .with_config(
                AmazonS3ConfigKey::Client(ClientConfigKey::ConnectTimeout),
                CONNECT_WITHIN,
            )
            .with_config(
                AmazonS3ConfigKey::Client(ClientConfigKey::ReadTimeout),
                SILENCE_MAX,
            )
            .with_config(AmazonS3ConfigKey::Client(ClientConfigKey::Timeout), ANSWER_WITHIN)
            .with_retry(RetryConfig {
                max_retries: RETRIES,
                retry_timeout: RETRY_WITHIN,
                ..RetryConfig::default()
            })
            .build()
            .map_err(|source| failed(&bucket.to_string().into(), source))?;
        Client::on(Arc::new(store), bucket)
    }

    /// The same on any store.
    pub(crate) fn on(store: Arc<dyn ObjectStore>, bucket: &Bucket) -> io::Result<Client> {
        let runtime = Builder::new_multi_thread()
            .worker_threads(1)
            .thread_name("bucket")
            .enable_all()
            .build()?;
        Ok(Client {
            name: bucket.to_string().into(),
            prefix: Path::from(bucket.prefix.as_str()),
            store,
            runtime: Some(runtime),
        })
    }

    fn location(&self, name: &str) -> Path {
        name.split('/')
            .filter(|part| !part.is_empty())
            .fold(self.prefix.clone(), |path, part| path.join(part))
    }

    /// A location without the bucket's prefix.
    fn name_of(&self, location: &Path) -> String {
        let parts: Vec<_> = location
            .prefix_match(&self.prefix)
            .into_iter()
            .flatten()
            .collect();
        let parts: Vec<&str> = parts.iter().map(AsRef::as_ref).collect();
        parts.join("/")
    }

    /// Runs a request to its end; may be called from any thread, also one that drives other tasks.
    fn wait<T: Send + 'static>(
        &self,
        request: impl Future<Output = Result<T, Error>> + Send + 'static,
    ) -> io::Result<T> {
        let runtime = self
            .runtime
            .as_ref()
            .ok_or_else(|| io::Error::other("the client is closing"))?;
        let (answer, answered) = mpsc::sync_channel(1);
        runtime.spawn(async move {
            // Whoever asked may have gone.
            let _gone = answer.send(request.await);
        });
        let result = answered.recv().map_err(io::Error::other)?;
        result.map_err(|source| failed(&self.name, source))
    }

    pub(crate) fn get(&self, name: &str) -> io::Result<Bytes> {
        let (store, at) = (Arc::clone(&self.store), self.location(name));
        self.wait(async move { store.get(&at).await?.bytes().await })
    }

    /// As [`Put::New`] would, by a look beforehand.
    pub(crate) fn refuse_what_is_there(&self, name: &str) -> io::Result<()> {
        match self.head(name) {
            Ok(there) => Err(failed(
                &self.name,
                Error::AlreadyExists {
                    path: there.location.to_string(),
                    source: "an object of that name is there".into(),
                },
            )),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(error),
        }
    }

    pub(crate) fn head(&self, name: &str) -> io::Result<ObjectMeta> {
        let (store, at) = (Arc::clone(&self.store), self.location(name));
        self.wait(async move { store.head(&at).await })
    }

    pub(crate) fn put(&self, name: &str, bytes: Bytes, how: Put) -> io::Result<()> {
        let (store, at) = (Arc::clone(&self.store), self.location(name));
        let mode = match how {
            Put::New => PutMode::Create,
            Put::Replace => PutMode::Overwrite,
        };
        self.wait(async move {
            store
                .put_opts(&at, PutPayload::from(bytes), mode.into())
                .await
                .map(drop)
        })
    }

    /// Whether the store keeps its word not to replace an object; some pass the condition over.
    pub(crate) fn refuses_what_is_there(&self, name: &str, bytes: Bytes) -> io::Result<()> {
        match self.put(name, bytes, Put::New) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(()),
            Err(error) => Err(error),
            Ok(()) => Err(failed(
                &self.name,
                Error::NotSupported {
                    source: "an object was replaced though it must not be".into(),
                },
            )),
        }
    }

    /// Puts what `next` gives, piece by piece, until it gives nothing; nobody sees the object before it is whole.
    pub(crate) fn put_in_parts(
        &self,
        name: &str,
        mut next: impl FnMut() -> io::Result<Bytes>,
    ) -> io::Result<()> {
        let (store, at) = (Arc::clone(&self.store), self.location(name));
        let mut upload = self.wait(async move {
            let parts = store.put_multipart(&at).await?;
            Ok(WriteMultipart::new_with_chunk_size(parts, PART_BYTES))
        })?;
        loop {
            let piece = match next() {
                Ok(piece) => piece,
                Err(error) => {
                    self.wait(async move { upload.abort().await })?;
                    return Err(error);
                }
            };
            if piece.is_empty() {
                break;
            }
            upload = self.wait(async move {
                upload.put(piece);
                upload.wait_for_capacity(PARTS_AT_ONCE).await?;
                Ok(upload)
            })?;
        }
        self.wait(async move { upload.finish().await.map(drop) })
    }

    /// Removes an object; nothing happens where there is none.
    pub(crate) fn remove(&self, name: &str) -> io::Result<()> {
        let (store, at) = (Arc::clone(&self.store), self.location(name));
        let result = self.wait(async move { store.delete(&at).await });
        match result {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            result => result,
        }
    }

    /// Names in a folder, of objects and of folders, sorted; none where there is no such folder.
    pub(crate) fn list(&self, folder: &str) -> io::Result<Vec<String>> {
        let (store, at) = (Arc::clone(&self.store), self.location(folder));
        let found = self.wait(async move { store.list_with_delimiter(Some(&at)).await })?;
        let objects = found.objects.iter().map(|object| &object.location);
        let mut names: Vec<String> = objects
            .chain(&found.common_prefixes)
            .filter_map(|location| Some(location.filename()?.to_owned()))
            .collect();
        names.sort();
        Ok(names)
    }

    /// Every object below a folder, by its name.
    pub(crate) fn all(&self, folder: &str) -> io::Result<Vec<(String, ObjectMeta)>> {
        let (store, at) = (Arc::clone(&self.store), self.location(folder));
        let found: Vec<ObjectMeta> = self.wait(async move { store.list(Some(&at)).try_collect().await })?;
        Ok(found
            .into_iter()
            .map(|object| (self.name_of(&object.location), object))
            .collect())
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        // A plain drop would wait, which threads that drive other tasks must not.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

fn failed(bucket: &Arc<str>, source: Error) -> io::Error {
    let error = BucketError {
        bucket: Arc::clone(bucket),
        source,
    };
    io::Error::new(error.kind(), error)
}

#[cfg(test)]
mod tests;
