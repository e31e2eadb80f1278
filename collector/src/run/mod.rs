//! The collector as a whole: one way in, one writer, one publisher, and an orderly end.

mod publishing;
mod talk;
mod way_in;

use std::fs::{File, TryLockError};
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use mosswarden_config::plain::plain;
use mosswarden_config::site::{Site, Way};
use tokio::sync::{mpsc, oneshot, watch};

use crate::archive::{self, ArchiveError};
use crate::broker::ListenError;
use crate::clock::{Clock, SystemClock};
use crate::compact;
use crate::counts::{Counts, Newest, Snapshot};
use crate::counts_file;
use crate::disk::{self, Disk};
use crate::mqtt::ClientError;
use crate::own::{Importing, NameError, Own, Tidying};
use crate::spool::SpoolError;
use crate::store::Store;
use crate::validate;
use crate::writer::{self, LeftBehind, Queue, SharedStore};
pub(crate) use publishing::Publishing;
use publishing::publish_regularly;
pub use talk::STATE_TOPIC;
use talk::{Talker, log_line};
use way_in::WayIn;
pub use way_in::try_way_in;

/// What the caller wants beside the site file.
#[derive(Default)]
pub struct RunOptions {
    /// Instead of the site file's `listen`, for the built-in way in; port 0 takes any free one.
    pub listen_override: Option<String>,
    /// Told when nothing at the start can fail any more; built in, with the address where devices can connect.
    pub on_ready: Option<oneshot::Sender<Option<SocketAddr>>>,
    /// Counters to fill, so that others can read them meanwhile. Made by [`Counts::new`] for the same site.
    pub counts: Option<Arc<Counts>>,
    /// The newest readings, to fill.
    pub newest: Option<Arc<Newest>>,
    /// The name of this collector, where several share one feed of a broker and one archive.
    pub share: Option<String>,
    /// The collector's own messages (alerts), to publish.
    pub outgoing: Option<mpsc::Receiver<OwnMessage>>,
    /// Left with the keeper's broker, which publishes it when the connection breaks. The built-in way in has no use for it.
    pub will: Option<OwnMessage>,
    /// Published before an orderly stop.
    pub last_word: Option<OwnMessage>,
    /// As a client: how soon a connection that went silent is noticed; 30 s where nothing is given.
    pub keep_alive: Option<Duration>,
}

/// A message of the collector's own.
#[derive(Debug, Clone)]
pub struct OwnMessage {
    pub topic: String,
    pub payload: Bytes,
    pub retain: bool,
}

/// What was done from start to stop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Summary {
    pub counts: Snapshot,
    /// Messages that an earlier run had left in the spool.
    pub replayed: u64,
    /// `false` where durable readings stay in the spool because the archive could not be written; the next start publishes them.
    pub is_published: bool,
}

/// Why the collector can't start or had to stop.
#[derive(Debug, thiserror::Error)]
pub enum CollectError {
    #[error("the data folder {} can't be used; {}", dir.display(), disk::next_step(source))]
    DataDir { dir: PathBuf, source: io::Error },
    #[error("the bucket of the archive can't be used")]
    Bucket(#[source] io::Error),
    #[error("another collector works on {} already; stop it first, or give this one a `data_dir` of its own", dir.display())]
    Locked { dir: PathBuf },
    #[error(transparent)]
    Name(#[from] NameError),
    #[error(
        "several collectors share the feed of a broker; devices that connect to the collector itself can't be shared"
    )]
    ShareOfBuiltin,
    #[error("the spool can't be opened")]
    Spool(#[from] SpoolError),
    #[error("the built-in listener can't be opened")]
    Listen(#[from] ListenError),
    #[error("the connection to the broker can't be set up")]
    Client(#[from] ClientError),
    #[error(
        "stopped while the disk was failing; {} messages were left unacknowledged and will be sent again",
        left
    )]
    DiskAtStop { left: usize, source: io::Error },
}

impl CollectError {
    /// What to do, where the error does not say it.
    pub fn next_step(&self) -> Option<String> {
        match self {
            CollectError::Listen(error) => error.next_step(),
            _ => None,
        }
    }
}

/// Collects until `shutdown` completes.
///
/// Acknowledged means on disk: a message is acknowledged only after it is durable in the spool; the archive follows every
/// `publish_every` and at the end. Nothing acknowledged is lost by a crash at any moment, and nothing is stored twice.
///
/// # Errors
/// [`CollectError`] if it can't start, or if the disk failed at the very end.
pub async fn run(
    site: Site,
    options: RunOptions,
    shutdown: impl Future<Output = ()>,
) -> Result<Summary, CollectError> {
    let disk = disk::of(&site).map_err(CollectError::Bucket)?;
    run_on(site, options, disk, Arc::new(SystemClock), shutdown).await
}

/// The same on any disk and clock.
pub(crate) async fn run_on(
    site: Site,
    mut options: RunOptions,
    disk: Arc<dyn Disk>,
    clock: Arc<dyn Clock>,
    shutdown: impl Future<Output = ()>,
) -> Result<Summary, CollectError> {
    let since_ms = clock.now_ms();
    let data_dir = site.data_dir.clone();
    archive::prepare(&*disk, &data_dir).map_err(|source| CollectError::DataDir {
        dir: data_dir.clone(),
        source,
    })?;
    let own = Own::named(options.share.as_deref())?;
    if own.is_shared() && matches!(site.broker.way, Way::Builtin { .. }) {
        return Err(CollectError::ShareOfBuiltin);
    }
    let _lock = lock(&data_dir, &own)?;
    // In a bucket nothing is half written; and it may be out of reach when devices already send.
    if site.bucket.is_none()
        && let Err(error) = remove_leftovers(&*disk, &data_dir, &own)
    {
        tracing::warn!(
            error = chain(&error),
            "files that a crash left half written can't be removed"
        );
    }
    if !validate::server_clock_is_set(clock.now_ms()) {
        tracing::warn!(
            "this machine's clock is not set; readings without a time of their own are marked until it is"
        );
    }
    let counts = options
        .counts
        .take()
        .unwrap_or_else(|| Arc::new(Counts::new(&site)));
    let newest = options.newest.take().unwrap_or_default();
    let (store, replay) = Store::open(
        Arc::clone(&disk),
        Arc::clone(&clock),
        &site,
        &data_dir,
        own.clone(),
        Arc::clone(&counts),
        newest,
    )?;
    if replay.waiting > 0 || replay.damaged > 0 {
        tracing::info!(
            messages = replay.waiting,
            torn = replay.torn,
            damaged = replay.damaged,
            "took up what the spool held"
        );
    }
    let topics = store.topics();
    let store: SharedStore = Arc::new(std::sync::Mutex::new(store));
    let (queue, arrivals) = Queue::new();
    let (stop, stopped) = watch::channel(false);

    let way_in = WayIn::open(&site, &own, &options, topics, &disk, queue, &clock, &counts).await?;
    if let Some(on_ready) = options.on_ready.take() {
        // Whoever asked may have left; that is no reason to stop.
        let _left = on_ready.send(way_in.address());
    }
    let (upkeep_stop, upkeep_stopped) = watch::channel(false);
    let publisher = tokio::spawn(publish_regularly(
        Publishing::new(&site, &store, &disk, &clock, &counts),
        upkeep_stopped.clone(),
    ));
    let commit_every = Duration::from_secs(site.collect.commit_every_s.max(1));
    let mut writer = tokio::spawn(writer::write(
        arrivals,
        Arc::clone(&store),
        Arc::clone(&counts),
        commit_every,
        stopped.clone(),
    ));
    let counts_dir = (!own.is_shared()).then(|| data_dir.clone());
    let talker = Talker {
        counts: Arc::clone(&counts),
        clock: Arc::clone(&clock),
        disk: Arc::clone(&disk),
        counts_dir: counts_dir.clone(),
        speaker: way_in.speaker(),
        since_ms,
    };
    let talk = tokio::spawn(talker.talk(options.outgoing.take(), upkeep_stopped));
    let last_speaker = way_in.speaker();
    let entrance = tokio::spawn(way_in.serve(stopped));

    let early = tokio::select! {
        () = shutdown => None,
        ended = &mut writer => Some(ended),
    };
    tracing::info!("stopping: what has arrived is made durable, acknowledged and published");
    if let Some(last_word) = &options.last_word {
        last_speaker.say(last_word);
    }
    drop(last_speaker);
    let _all_gone = stop.send(true);
    let _ended = entrance.await;
    // The talker holds the listener, and with it a way into the queue: the writer ends after it.
    let _all_gone = upkeep_stop.send(true);
    let _ended = talk.await;
    let written = match early {
        Some(ended) => ended,
        None => writer.await,
    };
    let _ended = publisher.await;
    let publishing = Publishing::new(&site, &store, &disk, &clock, &counts);
    let is_published = tokio::task::spawn_blocking(move || publishing.publish_all())
        .await
        .unwrap_or(false);
    let panicked = |error| {
        Err(LeftBehind {
            messages: 0,
            source: io::Error::other::<tokio::task::JoinError>(error),
        })
    };
    if let Err(LeftBehind { messages, source }) = written.unwrap_or_else(panicked) {
        return Err(CollectError::DiskAtStop {
            left: messages,
            source,
        });
    }
    let summary = Summary {
        counts: counts.snapshot(),
        replayed: replay.waiting,
        is_published,
    };
    log_line("stopped", &summary.counts);
    if let Some(dir) = counts_dir
        && let Err(error) = counts_file::write(&*disk, &dir, &summary.counts, since_ms, clock.now_ms())
    {
        tracing::debug!(%error, "the counts' file can't be written");
    }
    Ok(summary)
}

/// Files that a crash left half written: this collector's own, and those of tidying and of imports where nobody is at it.
fn remove_leftovers(disk: &dyn Disk, data_dir: &Path, own: &Own) -> Result<(), ArchiveError> {
    let tidying = Tidying::begin(disk, data_dir)?;
    let importing = Importing::try_begin(data_dir)?;
    compact::remove_leftovers(disk, data_dir, &|name| {
        own.is_part(name)
            || (tidying.is_some() && compact::is_of_tidying(name))
            || (importing.is_some() && name.starts_with(".import-"))
    })
}

/// Holds the lock of a collector on a data folder as long as the file lives.
pub(crate) fn lock(data_dir: &Path, own: &Own) -> Result<File, CollectError> {
    let failed = |source| CollectError::DataDir {
        dir: data_dir.to_owned(),
        source,
    };
    let path = data_dir.join(own.lock_file());
    let file = fs_err::OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(path)
        .map_err(failed)?;
    let file = file.into_parts().0;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(CollectError::Locked {
            dir: data_dir.to_owned(),
        }),
        Err(TryLockError::Error(source)) => Err(failed(source)),
    }
}

/// Whether a collector runs on a data folder on its own: the one that watches. Those that share their work raise no alerts.
///
/// # Errors
/// Where its lock can't be looked at.
pub fn is_collecting(data_dir: &Path) -> io::Result<bool> {
    let file = match fs_err::File::open(data_dir.join(Own::default().lock_file())) {
        Ok(file) => file.into_parts().0,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
        Err(error) => return Err(error),
    };
    match file.try_lock_shared() {
        Ok(()) => Ok(false),
        Err(TryLockError::WouldBlock) => Ok(true),
        Err(TryLockError::Error(error)) => Err(error),
    }
}

/// An error with its sources, in one line of plain words.
pub fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(error) = source {
        text.push_str(": ");
        text.push_str(&error.to_string());
        source = error.source();
    }
    plain(text)
}
