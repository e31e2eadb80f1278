//! What the collector says of itself: the hourly line, the counts' file, the state topic, and messages of its own.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, interval};

use super::OwnMessage;
use super::way_in::Speaker;
use crate::clock::Clock;
use crate::counts::{Counts, FeedSnapshot, Part, Snapshot, worst};
use crate::counts_file;
use crate::disk::Disk;
use crate::validate;

const LOG_EVERY: Duration = Duration::from_secs(3600);
const STATE_EVERY: Duration = Duration::from_secs(60);
/// Where the built-in way in publishes how the collector is.
pub const STATE_TOPIC: &str = "mosswarden/state";
/// Feeds told one by one in a log line.
const WORST_FEEDS: usize = 5;

/// Who speaks, and of what.
pub(super) struct Talker {
    pub(super) counts: Arc<Counts>,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) disk: Arc<dyn Disk>,
    /// Where the counts' file stands; none for one of several collectors, whose counts are a part only.
    pub(super) counts_dir: Option<PathBuf>,
    pub(super) speaker: Speaker,
    /// When the collector started, ms.
    pub(super) since_ms: i64,
}

impl Talker {
    /// Speaks until told to stop.
    pub(super) async fn talk(
        self,
        mut outgoing: Option<mpsc::Receiver<OwnMessage>>,
        mut stop: watch::Receiver<bool>,
    ) {
        let mut last_log = Instant::now();
        let mut state = interval(STATE_EVERY);
        state.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut keeping: Option<JoinHandle<()>> = None;
        while !*stop.borrow() {
            let next_own = async {
                match &mut outgoing {
                    Some(receiver) => receiver.recv().await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                _ = state.tick() => {
                    let snapshot = self.look();
                    if last_log.elapsed() >= LOG_EVERY {
                        last_log = Instant::now();
                        log_line("hourly", &snapshot);
                    }
                    self.say_state(&snapshot);
                    // A disk that hangs holds up its own file, and nothing that is to be said.
                    if keeping.as_ref().is_none_or(JoinHandle::is_finished) {
                        keeping = self.keep_counts(snapshot);
                    }
                }
                own = next_own => match own {
                    Some(message) => self.speaker.say(&message),
                    None => outgoing = None,
                },
                changed = stop.changed() => if changed.is_err() { break },
            }
        }
        // Whoever stops writes the file next.
        if let Some(keeping) = keeping {
            let _ended = keeping.await;
        }
    }

    /// The counters, after a look at the clock.
    fn look(&self) -> Snapshot {
        let is_set = validate::server_clock_is_set(self.clock.now_ms());
        let trouble = "this machine's clock is not set: readings without a time of their own are marked until it is; \
                       let it take the time from the network (NTP), or set it";
        self.counts
            .trouble(Part::Clock, (!is_set).then(|| trouble.to_owned()));
        self.counts.snapshot()
    }

    fn say_state(&self, snapshot: &Snapshot) {
        // On a keeper's own broker nothing is published that was not asked for.
        if let Speaker::Builtin(shared) = &self.speaker {
            shared.publish(STATE_TOPIC, &state_json(snapshot, self.clock.now_ms()), true);
        }
    }

    fn keep_counts(&self, snapshot: Snapshot) -> Option<JoinHandle<()>> {
        let data_dir = self.counts_dir.clone()?;
        let disk = Arc::clone(&self.disk);
        let (since_ms, now_ms) = (self.since_ms, self.clock.now_ms());
        Some(tokio::task::spawn_blocking(move || {
            // A disk that fails is told by the writer; the file follows in a minute.
            if let Err(error) = counts_file::write(&*disk, &data_dir, &snapshot, since_ms, now_ms) {
                tracing::debug!(%error, "the counts' file can't be written");
            }
        }))
    }
}

pub(super) fn log_line(when: &'static str, counts: &Snapshot) {
    let worst: Vec<String> = worst(&counts.by_feed, WORST_FEEDS)
        .into_iter()
        .filter_map(FeedSnapshot::trouble)
        .collect();
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
        worst_feeds = worst.join("; "),
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
