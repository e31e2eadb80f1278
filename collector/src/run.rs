//! The collector as a whole: one way in, one writer, one publisher, and an orderly end.

use std::fs::{File, TryLockError};
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use mosswarden_config::site::{Broker, Site, Way};
use mosswarden_config::zone::MS_PER_24_H;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Instant, MissedTickBehavior, interval};

use crate::archive::{self, ArchiveError};
use crate::broker::{ListenError, Listener};
use crate::clock::{Clock, SystemClock};
use crate::compact;
use crate::counts::{Counts, Newest, Part, Snapshot};
use crate::disk::{Disk, RealDisk};
use crate::months;
use crate::mqtt::{self, ClientError};
use crate::own::{NameError, Own, Tidying};
use crate::spool::SpoolError;
use crate::store::{PublishError, Store};
use crate::validate;
use crate::writer::{self, LeftBehind, QUEUE_MESSAGES, SharedStore};

/// Publishing does not wait for its time beyond this many sealed segments: it bounds what readers find in the spool.
const SEALED_MAX: usize = 4;
/// How often the publisher looks whether it is time.
const PUBLISH_TICK: Duration = Duration::from_millis(250);
/// Days are compacted and old ones removed this often.
const UPKEEP_EVERY: Duration = Duration::from_secs(3600);
/// A publication that failed is tried again this much later.
const PUBLISH_RETRY: Duration = Duration::from_secs(10);
const LOG_EVERY: Duration = Duration::from_secs(3600);
const STATE_EVERY: Duration = Duration::from_secs(60);
/// Where the built-in way in publishes how the collector is.
const STATE_TOPIC: &str = "mosswarden/state";

/// What the caller wants beside the site file.
#[derive(Default)]
pub struct RunOptions {
    /// Instead of the site file's `listen`, for the built-in way in; port 0 takes any free one.
    pub listen_override: Option<String>,
    /// Told the address when devices can connect (built-in way in only).
    pub on_ready: Option<oneshot::Sender<SocketAddr>>,
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
    #[error("the data folder {} can't be used", dir.display())]
    DataDir { dir: PathBuf, source: io::Error },
    #[error("another collector works on {} already; stop it first, or give this one a `data_dir` of its own", dir.display())]
    Locked { dir: PathBuf },
    #[error(transparent)]
    Name(#[from] NameError),
    #[error("several collectors share the feed of a broker; devices that connect to the collector itself can't be shared")]
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
    let disk: Arc<dyn Disk> = Arc::new(RealDisk);
    let clock: Arc<dyn Clock> = Arc::new(SystemClock);
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
    if let Err(error) = remove_leftovers(&*disk, &data_dir, &own) {
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
    let counts = options.counts.unwrap_or_else(|| Arc::new(Counts::new(&site)));
    let newest = options.newest.unwrap_or_default();
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
    let (queue, arrivals) = mpsc::channel(QUEUE_MESSAGES);
    let (stop, stopped) = watch::channel(false);

    let way_in = WayIn::open(
        &site,
        &own,
        &options.listen_override,
        options.will,
        topics,
        &disk,
        queue,
        &clock,
        &counts,
    )
    .await?;
    if let (Some(on_ready), WayIn::Builtin(listener)) = (options.on_ready, &way_in)
        && let Ok(address) = listener.address()
    {
        // Whoever asked may have left; that is no reason to stop.
        let _left = on_ready.send(address);
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
    let speaker = way_in.speaker();
    let last_speaker = way_in.speaker();
    let talk = tokio::spawn(talk(
        Arc::clone(&counts),
        Arc::clone(&clock),
        speaker,
        options.outgoing,
        upkeep_stopped,
    ));
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
    Ok(summary)
}

/// Files that a crash left half written: this collector's own, and those of merging where nobody is at it.
fn remove_leftovers(disk: &dyn Disk, data_dir: &Path, own: &Own) -> Result<(), ArchiveError> {
    let tidying = Tidying::begin(data_dir)?;
    compact::remove_leftovers(disk, data_dir, &|name| {
        own.is_part(name) || (tidying.is_some() && compact::is_of_merging(name))
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

/// The two ways in.
enum WayIn {
    Builtin(Listener),
    Client(Box<mqtt::Client>),
}

/// Publishes the collector's own messages.
enum Speaker {
    Builtin(Arc<crate::broker::Shared>),
    Client(mqtt::Voice),
}

impl WayIn {
    async fn open(
        site: &Site,
        own: &Own,
        listen_override: &Option<String>,
        will: Option<OwnMessage>,
        topics: Vec<Arc<str>>,
        disk: &Arc<dyn Disk>,
        queue: mpsc::Sender<writer::Arrival>,
        clock: &Arc<dyn Clock>,
        counts: &Arc<Counts>,
    ) -> Result<WayIn, CollectError> {
        match &site.broker.way {
            Way::Builtin { listen } => {
                let address = listen_override.as_ref().unwrap_or(listen);
                let (disk, clock, counts) = (Arc::clone(disk), Arc::clone(clock), Arc::clone(counts));
                let listener =
                    Listener::open(&site.broker, address, disk, &site.data_dir, queue, clock, counts).await?;
                Ok(WayIn::Builtin(listener))
            }
            Way::Client { host, port, tls } => {
                let target = mqtt::Target {
                    host: host.clone(),
                    port: *port,
                    tls: *tls,
                };
                let group = site.broker.client_id.clone();
                let broker = Broker {
                    client_id: own.client_id(&group),
                    ..site.broker.clone()
                };
                let client = mqtt::Client::new(
                    &broker,
                    target,
                    will,
                    topics.iter().map(|topic| own.filter(&group, topic)).collect(),
                    queue,
                    Arc::clone(clock),
                    Arc::clone(counts),
                )?;
                Ok(WayIn::Client(Box::new(client)))
            }
        }
    }

    fn speaker(&self) -> Speaker {
        match self {
            WayIn::Builtin(listener) => Speaker::Builtin(listener.shared()),
            WayIn::Client(client) => Speaker::Client(client.voice()),
        }
    }

    async fn serve(self, stop: watch::Receiver<bool>) {
        match self {
            WayIn::Builtin(listener) => listener.serve(stop).await,
            WayIn::Client(client) => client.serve(stop).await,
        }
    }
}

impl Speaker {
    fn say(&self, message: &OwnMessage) {
        match self {
            Speaker::Builtin(shared) => shared.publish(&message.topic, &message.payload, message.retain),
            Speaker::Client(voice) => voice.say(message),
        }
    }
}

/// The hourly line, the state topic, and messages of our own.
async fn talk(
    counts: Arc<Counts>,
    clock: Arc<dyn Clock>,
    speaker: Speaker,
    mut outgoing: Option<mpsc::Receiver<OwnMessage>>,
    mut stop: watch::Receiver<bool>,
) {
    let mut last_log = Instant::now();
    let mut state = interval(STATE_EVERY);
    state.set_missed_tick_behavior(MissedTickBehavior::Delay);
    while !*stop.borrow() {
        let next_own = async {
            match &mut outgoing {
                Some(receiver) => receiver.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = state.tick() => {
                let snapshot = counts.snapshot();
                if last_log.elapsed() >= LOG_EVERY {
                    last_log = Instant::now();
                    log_line("hourly", &snapshot);
                }
                // On a keeper's own broker nothing is published that was not asked for.
                if let Speaker::Builtin(shared) = &speaker {
                    shared.publish(STATE_TOPIC, &state_json(&snapshot, clock.now_ms()), true);
                }
            }
            own = next_own => match own {
                Some(message) => speaker.say(&message),
                None => outgoing = None,
            },
            changed = stop.changed() => if changed.is_err() { return },
        }
    }
}

fn log_line(when: &'static str, counts: &Snapshot) {
    tracing::info!(
        when,
        received = counts.received,
        stored = counts.stored,
        refused = counts.refused,
        duplicate = counts.duplicate,
        late = counts.late,
        retained = counts.retained,
        unknown_topic = counts.unknown_topic,
        device_lost = counts.device_lost,
        doubtful = counts.doubtful,
        published = counts.published,
        "what came in since the start"
    );
}

fn state_json(counts: &Snapshot, now_ms: i64) -> Bytes {
    let trouble: Vec<_> = counts
        .trouble
        .iter()
        .map(|(part, text)| serde_json::json!({"part": part.name(), "text": text}))
        .collect();
    let time = chrono::DateTime::from_timestamp_millis(now_ms).unwrap_or_default();
    let state = serde_json::json!({
        "time": time.to_rfc3339_opts(chrono::SecondsFormat::Secs, true),
        "received": counts.received,
        "stored": counts.stored,
        "refused": counts.refused,
        "duplicate": counts.duplicate,
        "late": counts.late,
        "trouble": trouble,
    });
    Bytes::from(state.to_string())
}

/// What publishing needs, on the side of the archive.
#[derive(Clone)]
pub(crate) struct Publishing {
    store: SharedStore,
    disk: Arc<dyn Disk>,
    clock: Arc<dyn Clock>,
    counts: Arc<Counts>,
    data_dir: PathBuf,
    publish_every: Duration,
    keep_ms: Option<i64>,
    /// The UTC day on which months were last looked after, in days since 1970.
    months_done: Arc<AtomicI64>,
}

impl Publishing {
    pub(crate) fn new(
        site: &Site,
        store: &SharedStore,
        disk: &Arc<dyn Disk>,
        clock: &Arc<dyn Clock>,
        counts: &Arc<Counts>,
    ) -> Publishing {
        Publishing {
            store: Arc::clone(store),
            disk: Arc::clone(disk),
            clock: Arc::clone(clock),
            counts: Arc::clone(counts),
            data_dir: site.data_dir.clone(),
            publish_every: Duration::from_secs(site.collect.publish_every_s.max(1)),
            keep_ms: site
                .collect
                .keep_s
                .and_then(|seconds| i64::try_from(seconds.checked_mul(1000)?).ok()),
            months_done: Arc::new(AtomicI64::new(i64::MIN)),
        }
    }

    fn with_store<T>(&self, work: impl FnOnce(&mut Store) -> T) -> T {
        work(&mut self.store.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Publishes every segment; `false` when some stay because the archive can't be written.
    pub(crate) fn publish_all(&self) -> bool {
        let segments = self.with_store(Store::seal);
        let publisher = self.with_store(|store| store.publisher());
        for number in segments {
            let result = publisher.publish(number).and_then(|(published, message_count)| {
                self.with_store(|store| store.retire(number, message_count))
                    .map_err(|source| PublishError::Retire { number, source })?;
                self.counts.published(published.readings);
                self.counts.duplicates(published.repeats);
                Ok(published)
            });
            match result {
                Ok(published) => {
                    tracing::debug!(
                        segment = number,
                        readings = published.readings,
                        repeats = published.repeats,
                        "published"
                    );
                }
                Err(error) => {
                    let text = chain(&error);
                    tracing::error!(
                        error = text,
                        hint = "readings stay safe in the spool; it is tried again by itself",
                        "could not publish to the archive"
                    );
                    self.counts.trouble(Part::Archive, Some(text));
                    return false;
                }
            }
        }
        self.counts.trouble(Part::Archive, None);
        true
    }

    /// Tidies unless another collector of this archive is at it.
    fn upkeep_if_free(&self) {
        match Tidying::begin(&self.data_dir) {
            Ok(Some(_held)) => self.upkeep(),
            Ok(None) => {}
            Err(error) => tracing::warn!(%error, "the archive can't be tidied"),
        }
    }

    /// Days become files, old ones go; months are made once a UTC day, because a late reading makes a whole month anew.
    pub(crate) fn upkeep(&self) {
        let now_ms = self.clock.now_ms();
        match self.tidy(now_ms) {
            Ok(Tidied { days: 0, months: 0, removed: 0 }) => {}
            Ok(Tidied { days, months, removed }) => {
                tracing::info!(days, months, removed, "the archive was tidied")
            }
            Err(error) => tracing::warn!(error = chain(&error), "the archive can't be tidied"),
        }
    }

    fn tidy(&self, now_ms: i64) -> Result<Tidied, ArchiveError> {
        let (disk, data_dir) = (&*self.disk, &self.data_dir);
        let keep_from = self.keep_ms.map(|keep_ms| compact::keep_from(now_ms, keep_ms));
        let mut tidied = Tidied {
            days: compact::compact_settled(disk, data_dir, now_ms)?,
            ..Tidied::default()
        };
        if let Some(keep_from) = keep_from {
            tidied.removed = compact::remove_old(disk, data_dir, keep_from)?;
        }
        let today = now_ms.div_euclid(MS_PER_24_H);
        if self.months_done.load(Ordering::Relaxed) != today {
            tidied.months = months::merge_settled(disk, data_dir, now_ms, keep_from)?;
            months::mend_summaries(disk, data_dir)?;
            self.months_done.store(today, Ordering::Relaxed);
        }
        Ok(tidied)
    }
}

/// What tidying the archive did: days and months made into one file, folders removed.
#[derive(Debug, Default, PartialEq, Eq)]
struct Tidied {
    days: u64,
    months: u64,
    removed: u64,
}

/// An error with its sources, in one line.
fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(error) = source {
        text.push_str(": ");
        text.push_str(&error.to_string());
        source = error.source();
    }
    text
}

async fn publish_regularly(publishing: Publishing, mut stop: watch::Receiver<bool>) {
    // What an earlier run left is published first: compaction must not come before it.
    let mut next_publish = Instant::now();
    let mut next_upkeep = Instant::now();
    let mut tick = interval(PUBLISH_TICK);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    while !*stop.borrow() {
        tokio::select! {
            _ = tick.tick() => {}
            changed = stop.changed() => if changed.is_err() { return },
        }
        let is_due = Instant::now() >= next_publish;
        if is_due || publishing.with_store(|store| store.sealed_count()) >= SEALED_MAX {
            let work = publishing.clone();
            let is_published = tokio::task::spawn_blocking(move || work.publish_all())
                .await
                .unwrap_or(false);
            let wait = if is_published {
                publishing.publish_every
            } else {
                PUBLISH_RETRY
            };
            next_publish = Instant::now() + wait;
        }
        if Instant::now() >= next_upkeep {
            let work = publishing.clone();
            let _ended = tokio::task::spawn_blocking(move || work.upkeep_if_free()).await;
            next_upkeep = Instant::now() + UPKEEP_EVERY;
        }
    }
}
