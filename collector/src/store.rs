//! What becomes of each message: judged once, made durable, then counted and shown.
//!
//! In: batches of messages as they arrived. Out: durable frames in the spool, lines in the refused log, counters, the newest
//! readings; and, when asked, files in the archive. All of it synchronous, over the seams, so that tests can fail each step.

use std::collections::{BTreeSet, HashMap};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use mosswarden_config::site::{Site, nearest};
use mosswarden_config::table::Reading;

use crate::archive::ArchiveError;
use crate::clock::Clock;
use crate::counts::{Counts, Newest};
use crate::disk::Disk;
use crate::feeds::{Feeds, Outcome};
use crate::journal::note::{self, Desk, Note, Taken};
use crate::message::Message;
use crate::own::Own;
use crate::publish::{self, Published};
use crate::refused::Refused;
use crate::spool::{self, Replay, Spool, SpoolError};
use crate::validate;
use crate::window::{WINDOW_MESSAGES, Window};

/// A step back of the clock by more than this, ms, is a clock that was set; less is two messages in one millisecond.
const CLOCK_STEP_MS: i64 = 5000;

pub(crate) struct Store {
    disk: Arc<dyn Disk>,
    data_dir: PathBuf,
    own: Own,
    feeds: Arc<Feeds>,
    /// Where the site file names a topic for the journal.
    desk: Option<Desk>,
    noted: note::Known,
    spool: Spool,
    refused: Refused,
    window: Window,
    stamps: Stamps,
    /// Topics of which a refusal was told: at most those that are read.
    refused_topics: BTreeSet<Arc<str>>,
    counts: Arc<Counts>,
    newest: Arc<Newest>,
}

/// A judged batch: committed as often as it takes, then settled.
#[derive(Default)]
pub(crate) struct Batch {
    store: Vec<Message>,
    /// What the messages of `store` gave, in their order, and how many each.
    readings: Vec<Reading>,
    reading_counts: Vec<usize>,
    refused: Vec<(Message, String)>,
    notes: Vec<Note>,
    is_spooled: bool,
    is_noted: bool,
}

impl Batch {
    pub(crate) fn len(&self) -> usize {
        self.store.len() + self.refused.len() + self.notes.len()
    }
}

impl Store {
    /// Opens spool and memory; shows what is durable already.
    pub(crate) fn open(
        disk: Arc<dyn Disk>,
        clock: Arc<dyn Clock>,
        site: &Site,
        data_dir: &Path,
        own: Own,
        counts: Arc<Counts>,
        newest: Arc<Newest>,
    ) -> Result<(Store, Replay), SpoolError> {
        let feeds = Arc::new(Feeds::new(site));
        let mut window = Window::default();
        let mut stamps = Stamps::default();
        let (spool, replay) = Spool::open(Arc::clone(&disk), clock, &own.spool_dir(data_dir), |message| {
            window.remember(message);
            let of_topic = feeds.of(&message.topic);
            if !of_topic.is_empty() {
                stamps.saw(message);
                newest.show(Outcome::of(of_topic, message).readings.iter());
            }
        })?;
        let refused = Refused::new(Arc::clone(&disk), &own.refused_dir(data_dir));
        let store = Store {
            disk,
            data_dir: data_dir.to_owned(),
            own,
            feeds,
            desk: Desk::new(site),
            noted: note::Known::default(),
            spool,
            refused,
            window,
            stamps,
            refused_topics: BTreeSet::new(),
            counts,
            newest,
        };
        Ok((store, replay))
    }

    /// Decides what becomes of each message. A batch must be committed until that succeeds, and is never judged twice.
    pub(crate) fn judge(&mut self, messages: impl IntoIterator<Item = Message>) -> Batch {
        let mut batch = Batch::default();
        for message in messages {
            self.counts.received(&message.topic);
            if self.window.is_repeat(&message) {
                self.counts.redelivered(&message.topic);
                continue;
            }
            self.judge_one(message, &mut batch);
        }
        batch
    }

    fn judge_one(&mut self, mut message: Message, batch: &mut Batch) {
        let is_will = message.packet.is_will;
        if is_will {
            self.counts.device_lost();
            tracing::info!(client = %message.packet.client, topic = %message.topic, "a device was lost: its will");
        }
        if self
            .desk
            .as_ref()
            .is_some_and(|desk| *desk.topic() == message.topic)
        {
            self.note(message, batch);
            return;
        }
        let feeds = Arc::clone(&self.feeds);
        let of_topic = feeds.of(&message.topic);
        if of_topic.is_empty() {
            self.counts.unknown_topic();
            let is_new = !message.packet.is_retained && self.counts.is_new_unread(&message.topic);
            if is_new || is_will {
                let reason = if is_will {
                    "device lost; no feed reads the topic of its will"
                } else {
                    "no feed of the site file reads this topic (told once a topic)"
                };
                let topics = self.topics();
                let near = nearest(&message.topic, topics.iter().map(|topic| &**topic));
                let hint = near.map(|near| format!("did you mean {near}?"));
                tracing::warn!(topic = %message.topic, reason, hint, "a message was not stored");
                batch.refused.push((message, reason.to_owned()));
            }
            return;
        }
        self.stamps.stamp(&mut message);
        self.window.remember(&message);
        let Outcome {
            readings,
            stale,
            refusals,
        } = Outcome::of(of_topic, &message);
        if !refusals.is_empty() {
            self.counts
                .refused(&message.topic, refusals.iter().map(|(sensor, _)| &**sensor));
            let mut reasons: Vec<String> = refusals
                .iter()
                .map(|(sensor, refusal)| format!("{sensor}: {refusal}"))
                .collect();
            // Two quantities out of one payload that can't be read.
            reasons.dedup();
            let reason = reasons.join("; ");
            self.tell_refusal(&message.topic, &reason);
            batch.refused.push((message.clone(), reason));
        }
        if stale > 0 && readings.is_empty() {
            self.counts.retained();
        }
        if !readings.is_empty() {
            batch.reading_counts.push(readings.len());
            batch.readings.extend(readings);
            batch.store.push(message);
        }
    }

    fn note(&mut self, message: Message, batch: &mut Batch) {
        self.window.remember(&message);
        match self.desk.as_ref().map(|desk| desk.take(&message)) {
            Some(Taken::Note(note)) => batch.notes.push(note),
            Some(Taken::Stale) => self.counts.retained(),
            Some(Taken::Refused(reason)) => {
                self.counts.refused(&message.topic, std::iter::empty());
                self.tell_refusal(&message.topic, &reason);
                batch.refused.push((message, reason));
            }
            None => {}
        }
    }

    /// Once a topic: the hourly line and `check` count the others.
    fn tell_refusal(&mut self, topic: &Arc<str>, reason: &str) {
        if self.refused_topics.insert(Arc::clone(topic)) {
            tracing::warn!(%topic, reason, "a message was refused (told once a topic)");
        }
    }

    /// Makes a batch durable. After an error it is tried again with the same batch.
    pub(crate) fn commit(&mut self, batch: &mut Batch) -> io::Result<()> {
        if !batch.is_spooled {
            self.spool.commit(batch.store.iter())?;
            batch.is_spooled = true;
        }
        if !batch.is_noted {
            let repeats = self.noted.commit(&*self.disk, &self.data_dir, &batch.notes)?;
            self.counts.duplicates(repeats);
            batch.is_noted = true;
        }
        self.refused.commit(
            batch
                .refused
                .iter()
                .map(|(message, reason)| (message, reason.as_str())),
        )
    }

    /// Counts and shows a batch that is durable.
    pub(crate) fn settle(&mut self, batch: &Batch) {
        let mut readings = batch.readings.iter();
        for (message, count) in batch.store.iter().zip(&batch.reading_counts) {
            for reading in readings.by_ref().take(*count) {
                self.counts
                    .stored(&message.topic, reading, validate::is_late(reading));
            }
        }
        self.newest.show(batch.readings.iter());
    }

    /// Segments that wait to be published after the open one is sealed.
    pub(crate) fn seal(&mut self) -> Vec<u64> {
        self.spool.seal();
        self.spool.sealed().to_vec()
    }

    pub(crate) fn sealed_count(&self) -> usize {
        self.spool.sealed().len()
    }

    /// What publishing needs; it runs beside the commits.
    pub(crate) fn publisher(&self) -> Publisher {
        Publisher {
            disk: Arc::clone(&self.disk),
            data_dir: self.data_dir.clone(),
            own: self.own.clone(),
            feeds: Arc::clone(&self.feeds),
        }
    }

    /// Marks a segment as published.
    pub(crate) fn retire(&mut self, number: u64, message_count: usize) -> io::Result<()> {
        self.spool.retire(number, message_count, WINDOW_MESSAGES)
    }

    pub(crate) fn topics(&self) -> Vec<Arc<str>> {
        let journal = self.desk.as_ref().map(|desk| Arc::clone(desk.topic()));
        self.feeds.topics().cloned().chain(journal).collect()
    }
}

/// Publishes segments without holding the store.
pub(crate) struct Publisher {
    disk: Arc<dyn Disk>,
    data_dir: PathBuf,
    own: Own,
    feeds: Arc<Feeds>,
}

/// Why a segment stays in the spool.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PublishError {
    #[error("could not publish spool segment {number:012}")]
    Archive { number: u64, source: ArchiveError },
    #[error("could not read spool segment {number:012}")]
    Spool { number: u64, source: SpoolError },
    #[error("could not mark spool segment {number:012} as published")]
    Retire { number: u64, source: io::Error },
}

impl Publisher {
    /// One segment into the archive; gives what was written and how many messages it held.
    pub(crate) fn publish(&self, number: u64) -> Result<(Published, usize), PublishError> {
        let dir = self.own.spool_dir(&self.data_dir);
        let messages = spool::read_segment(&*self.disk, &dir, number)
            .map_err(|source| PublishError::Spool { number, source })?;
        let message_count = messages.len();
        let published = publish::publish(
            &*self.disk,
            &self.data_dir,
            &self.feeds,
            &self.own.part_stem(number),
            messages,
        )
        .map_err(|source| PublishError::Archive { number, source })?;
        Ok((published, message_count))
    }
}

/// Arrival times that rise strictly within a topic, so that two readings are never one by their time.
#[derive(Default)]
struct Stamps {
    /// By topic: the last arrival as the clock said, and as stamped.
    last: HashMap<Arc<str>, (i64, i64)>,
}

impl Stamps {
    fn stamp(&mut self, message: &mut Message) {
        let arrived_ms = message.arrived_ms;
        match self.last.get_mut(&message.topic) {
            Some((last_arrived, last_stamp)) => {
                if arrived_ms >= *last_arrived - CLOCK_STEP_MS {
                    message.arrived_ms = arrived_ms.max(*last_stamp + 1);
                }
                (*last_arrived, *last_stamp) = (arrived_ms, message.arrived_ms);
            }
            None => self.saw(message),
        }
    }

    fn saw(&mut self, message: &Message) {
        self.last.insert(
            Arc::clone(&message.topic),
            (message.arrived_ms, message.arrived_ms),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feeds::tests::message;

    #[test]
    fn arrivals_of_a_topic_rise_strictly_unless_the_clock_was_set_back() {
        let mut stamps = Stamps::default();
        let mut at = |topic: &str, arrived_ms: i64| {
            let mut message = message(topic, "1", arrived_ms);
            stamps.stamp(&mut message);
            message.arrived_ms
        };
        assert_eq!(at("a", 100_000), 100_000);
        assert_eq!(at("a", 100_000), 100_001);
        assert_eq!(
            at("a", 99_990),
            100_002,
            "a small step back is no reason to merge"
        );
        assert_eq!(at("b", 100_000), 100_000);
        for _ in 0..20_000 {
            at("a", 100_000);
        }
        assert_eq!(
            at("a", 100_001),
            120_003,
            "a flood may run ahead of the clock but never repeats"
        );
        assert_eq!(at("a", 10_000), 10_000, "the clock was set back");
        assert_eq!(at("a", 10_000), 10_001);
    }
}
