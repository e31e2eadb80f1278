//! What came in and what became of it: counters that others may read at any time.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::Reading;

/// Topics without a feed that are kept, and whose first message stands in the refused log, so that a keeper can find a forgotten device.
const UNREAD_TOPICS_MAX: usize = 200;

/// Counters since the collector started. Cheap to read; every field only grows, save `connected` and the trouble.
#[derive(Debug, Default)]
pub struct Counts {
    received: AtomicU64,
    acknowledged: AtomicU64,
    stored: AtomicU64,
    refused: AtomicU64,
    duplicate: AtomicU64,
    late: AtomicU64,
    retained: AtomicU64,
    unknown_topic: AtomicU64,
    unread_topics: Mutex<BTreeSet<Arc<str>>>,
    device_lost: AtomicU64,
    doubtful: AtomicU64,
    published: AtomicU64,
    connections: AtomicU64,
    is_connected: AtomicBool,
    by_feed: Feeds,
    trouble: Mutex<BTreeMap<Part, String>>,
}

/// By topic: the sensors that read it. As many as the site file names, whatever comes in.
type Feeds = HashMap<Arc<str>, Vec<FeedCounts>>;

/// One sensor's part in one topic.
#[derive(Debug, Default)]
struct FeedCounts {
    sensor: Arc<str>,
    received: AtomicU64,
    stored: AtomicU64,
    refused: AtomicU64,
    duplicate: AtomicU64,
    late: AtomicU64,
    doubtful: AtomicU64,
    last_received_ms: AtomicU64,
}

/// A part of the collector that can be in trouble.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Readings can't be made durable: nothing is acknowledged.
    Spool,
    /// Durable readings can't be published to the archive.
    Archive,
    /// A file of the archive is not as it was written.
    Files,
    /// There is no connection to the broker.
    Broker,
    /// This machine's clock is not set.
    Clock,
    /// What watches over the readings, beside the collector, broke off.
    Watch,
}

impl Part {
    pub const fn name(self) -> &'static str {
        match self {
            Part::Spool => "spool",
            Part::Archive => "archive",
            Part::Files => "files",
            Part::Broker => "broker",
            Part::Clock => "clock",
            Part::Watch => "watch",
        }
    }
}

/// The counters at one moment.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Snapshot {
    /// Messages that came in.
    pub received: u64,
    /// Messages of QoS 1 and 2 that were acknowledged, because they are durable.
    pub acknowledged: u64,
    /// Readings made durable.
    pub stored: u64,
    /// Messages refused, whole or in part.
    pub refused: u64,
    /// Messages known as redeliveries, and readings that the archive had already.
    pub duplicate: u64,
    /// Readings that waited more than five minutes in their device.
    pub late: u64,
    /// Retained messages without a time of their own: not fresh, not stored.
    pub retained: u64,
    /// Messages on topics that no feed reads.
    pub unknown_topic: u64,
    /// These topics, in order.
    pub unread_topics: Vec<String>,
    /// Wills: devices that were lost.
    pub device_lost: u64,
    /// Stored readings with a mark other than ok.
    pub doubtful: u64,
    /// Readings written to the archive.
    pub published: u64,
    /// Connections of devices (built in) or to the broker (client), so far.
    pub connections: u64,
    /// As a client: whether the broker is there. Built in: whether the listener is open.
    pub is_connected: bool,
    pub by_feed: Vec<FeedSnapshot>,
    pub by_sensor: Vec<SensorSnapshot>,
    /// What is wrong now, in words; empty when all is well.
    pub trouble: Vec<(Part, String)>,
}

/// What came for one sensor on one topic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FeedSnapshot {
    pub topic: Arc<str>,
    pub sensor: Arc<str>,
    /// Messages on the topic.
    pub received: u64,
    /// Readings made durable.
    pub stored: u64,
    /// Messages refused, whole or in part.
    pub refused: u64,
    /// Messages known as redeliveries.
    pub duplicate: u64,
    /// Readings that waited more than five minutes in their device.
    pub late: u64,
    pub doubtful: u64,
    /// `None` before the first reading.
    pub last_received_ms: Option<i64>,
}

impl FeedSnapshot {
    /// "12 refused, 3 late of 40 messages on nature-room/a (a-stat)"; `None` where all is ordinary.
    pub fn trouble(&self) -> Option<String> {
        let told = [
            (self.refused, "refused"),
            (self.duplicate, "repeats"),
            (self.late, "late"),
        ];
        let told: Vec<String> = told
            .iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, what)| format!("{count} {what}"))
            .collect();
        (!told.is_empty()).then(|| {
            format!(
                "{} of {} messages on {} ({})",
                told.join(", "),
                self.received,
                self.topic,
                self.sensor
            )
        })
    }
}

impl Snapshot {
    /// When a reading last came, ms. What was received later than now was so before the machine's clock was set back, and says nothing.
    pub fn last_received_ms(&self, now_ms: i64) -> Option<i64> {
        let received = self.by_sensor.iter().filter_map(|sensor| sensor.last_received_ms);
        received.filter(|at_ms| *at_ms <= now_ms).max()
    }
}

/// The feeds with most to tell, worst first: refused before late before repeated.
pub fn worst(feeds: &[FeedSnapshot], count: usize) -> Vec<&FeedSnapshot> {
    let mut worst: Vec<&FeedSnapshot> = feeds.iter().filter(|feed| feed.trouble().is_some()).collect();
    worst.sort_by_key(|feed| std::cmp::Reverse((feed.refused, feed.late, feed.duplicate)));
    worst.truncate(count);
    worst
}

/// A sensor's feeds together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SensorSnapshot {
    pub sensor: Arc<str>,
    pub stored: u64,
    pub refused: u64,
    pub late: u64,
    pub doubtful: u64,
    /// `None` before the first reading.
    pub last_received_ms: Option<i64>,
}

fn add(counter: &AtomicU64, count: u64) {
    counter.fetch_add(count, Ordering::Relaxed);
}

fn get(counter: &AtomicU64) -> u64 {
    counter.load(Ordering::Relaxed)
}

impl Counts {
    /// Counters for the sensors and devices of a site.
    pub fn new(site: &Site) -> Counts {
        let mut by_feed = Feeds::new();
        for (_, sensor, feed) in site.feeds() {
            let readers = by_feed.entry(Arc::from(feed.topic.as_str())).or_default();
            if !readers.iter().any(|known| &*known.sensor == sensor) {
                readers.push(FeedCounts {
                    sensor: Arc::from(sensor),
                    ..FeedCounts::default()
                });
            }
        }
        Counts {
            by_feed,
            ..Counts::default()
        }
    }

    pub fn snapshot(&self) -> Snapshot {
        let trouble = self.trouble.lock().unwrap_or_else(PoisonError::into_inner);
        let topics = self.unread_topics.lock().unwrap_or_else(PoisonError::into_inner);
        let feeds = self.by_feed.iter();
        let mut by_feed: Vec<FeedSnapshot> = feeds
            .flat_map(|(topic, readers)| readers.iter().map(|counts| counts.snapshot(topic)))
            .collect();
        by_feed.sort_by(|a, b| a.topic.cmp(&b.topic));
        Snapshot {
            received: get(&self.received),
            acknowledged: get(&self.acknowledged),
            stored: get(&self.stored),
            refused: get(&self.refused),
            duplicate: get(&self.duplicate),
            late: get(&self.late),
            retained: get(&self.retained),
            unknown_topic: get(&self.unknown_topic),
            unread_topics: topics.iter().map(ToString::to_string).collect(),
            device_lost: get(&self.device_lost),
            doubtful: get(&self.doubtful),
            published: get(&self.published),
            connections: get(&self.connections),
            is_connected: self.is_connected.load(Ordering::Relaxed),
            by_sensor: by_sensor(&by_feed),
            by_feed,
            trouble: trouble.iter().map(|(part, text)| (*part, text.clone())).collect(),
        }
    }

    fn feeds(&self, topic: &str) -> impl Iterator<Item = &FeedCounts> {
        self.by_feed.get(topic).into_iter().flatten()
    }

    pub(crate) fn received(&self, topic: &str) {
        add(&self.received, 1);
        self.feeds(topic).for_each(|feed| add(&feed.received, 1));
    }

    /// So many messages were acknowledged.
    pub(crate) fn acknowledged(&self, count: u64) {
        add(&self.acknowledged, count);
    }

    pub(crate) fn stored(&self, topic: &str, reading: &Reading, is_late: bool) {
        add(&self.stored, 1);
        let is_doubtful = reading.mark != mosswarden_config::table::Mark::Ok;
        add(&self.doubtful, u64::from(is_doubtful));
        add(&self.late, u64::from(is_late));
        if let Some(feed) = self.feeds(topic).find(|feed| feed.sensor == reading.sensor) {
            add(&feed.stored, 1);
            add(&feed.late, u64::from(is_late));
            add(&feed.doubtful, u64::from(is_doubtful));
            feed.last_received_ms
                .store(u64::try_from(reading.received_ms).unwrap_or(0), Ordering::Relaxed);
        }
    }

    /// A message was refused, whole or in part, by these sensors' feeds.
    pub(crate) fn refused<'s>(&self, topic: &str, sensors: impl Iterator<Item = &'s str> + Clone) {
        add(&self.refused, 1);
        self.feeds(topic)
            .filter(|feed| sensors.clone().any(|sensor| &*feed.sensor == sensor))
            .for_each(|feed| add(&feed.refused, 1));
    }

    /// A message is known as a redelivery.
    pub(crate) fn redelivered(&self, topic: &str) {
        add(&self.duplicate, 1);
        self.feeds(topic).for_each(|feed| add(&feed.duplicate, 1));
    }

    /// Readings that the archive had already.
    pub(crate) fn duplicates(&self, count: u64) {
        add(&self.duplicate, count);
    }

    pub(crate) fn retained(&self) {
        add(&self.retained, 1);
    }

    pub(crate) fn unknown_topic(&self) {
        add(&self.unknown_topic, 1);
    }

    /// Whether a topic that no feed reads is seen for the first time; of very many only the first are kept.
    pub(crate) fn is_new_unread(&self, topic: &Arc<str>) -> bool {
        let mut topics = self.unread_topics.lock().unwrap_or_else(PoisonError::into_inner);
        topics.len() < UNREAD_TOPICS_MAX && topics.insert(Arc::clone(topic))
    }

    pub(crate) fn device_lost(&self) {
        add(&self.device_lost, 1);
    }

    pub(crate) fn published(&self, count: u64) {
        add(&self.published, count);
    }

    pub(crate) fn connected(&self, is_connected: bool) {
        add(&self.connections, u64::from(is_connected));
        self.is_connected.store(is_connected, Ordering::Relaxed);
    }

    pub(crate) fn connection(&self) {
        add(&self.connections, 1);
    }

    /// Says what is wrong with a part, or that it is well again.
    pub fn trouble(&self, part: Part, text: Option<String>) {
        let mut trouble = self.trouble.lock().unwrap_or_else(PoisonError::into_inner);
        match text {
            Some(text) => trouble.insert(part, text),
            None => trouble.remove(&part),
        };
    }
}

impl FeedCounts {
    fn snapshot(&self, topic: &Arc<str>) -> FeedSnapshot {
        FeedSnapshot {
            topic: Arc::clone(topic),
            sensor: Arc::clone(&self.sensor),
            received: get(&self.received),
            stored: get(&self.stored),
            refused: get(&self.refused),
            duplicate: get(&self.duplicate),
            late: get(&self.late),
            doubtful: get(&self.doubtful),
            last_received_ms: i64::try_from(get(&self.last_received_ms))
                .ok()
                .filter(|ms| *ms > 0),
        }
    }
}

/// In order of the sensors' ids.
fn by_sensor(feeds: &[FeedSnapshot]) -> Vec<SensorSnapshot> {
    let mut sensors: BTreeMap<&Arc<str>, SensorSnapshot> = BTreeMap::new();
    for feed in feeds {
        let sensor = sensors.entry(&feed.sensor).or_insert_with(|| SensorSnapshot {
            sensor: Arc::clone(&feed.sensor),
            stored: 0,
            refused: 0,
            late: 0,
            doubtful: 0,
            last_received_ms: None,
        });
        sensor.stored += feed.stored;
        sensor.refused += feed.refused;
        sensor.late += feed.late;
        sensor.doubtful += feed.doubtful;
        sensor.last_received_ms = sensor.last_received_ms.max(feed.last_received_ms);
    }
    sensors.into_values().collect()
}

/// A device that sends older readings after newer ones is done with them within this time (our own choice).
const LATE_MS: i64 = 5 * 60_000;

/// The newest durable reading of each sensor and quantity, for a page that shows what is now.
#[derive(Debug, Default)]
pub struct Newest {
    by_sensor: Mutex<HashMap<Arc<str>, BTreeMap<Quantity, Reading>>>,
}

impl Newest {
    /// In order of sensor and quantity.
    pub fn all(&self) -> Vec<Reading> {
        let by_sensor = self.by_sensor.lock().unwrap_or_else(PoisonError::into_inner);
        let mut all: Vec<Reading> = by_sensor.values().flat_map(BTreeMap::values).cloned().collect();
        all.sort_by(|a, b| a.sensor.cmp(&b.sensor));
        all
    }

    pub fn get(&self, sensor: &str, quantity: Quantity) -> Option<Reading> {
        let by_sensor = self.by_sensor.lock().unwrap_or_else(PoisonError::into_inner);
        by_sensor.get(sensor)?.get(&quantity).cloned()
    }

    /// An older reading takes the place of a newer one only where that one's time is not to be trusted: it was received later than
    /// this one (the machine's clock was set back), or longer before than a device sends late (the device's clock was).
    pub fn show<'r>(&self, readings: impl Iterator<Item = &'r Reading>) {
        let mut by_sensor = self.by_sensor.lock().unwrap_or_else(PoisonError::into_inner);
        for reading in readings {
            let of_sensor = match by_sensor.get_mut(&reading.sensor) {
                Some(of_sensor) => of_sensor,
                None => by_sensor.entry(Arc::clone(&reading.sensor)).or_default(),
            };
            match of_sensor.get_mut(&reading.quantity) {
                Some(known) if known.at_ms > reading.at_ms && !was_set_back(known, reading) => {}
                Some(known) => *known = reading.clone(),
                None => {
                    of_sensor.insert(reading.quantity, reading.clone());
                }
            }
        }
    }
}

/// Whether a clock was set back between two readings of one sensor, of which the second bears the earlier time.
fn was_set_back(known: &Reading, reading: &Reading) -> bool {
    !(0..=LATE_MS).contains(&(reading.received_ms - known.received_ms))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feeds::Feeds;
    use crate::feeds::tests::{message, site};

    #[test]
    fn the_newest_is_the_last_by_its_time_unless_a_clock_was_set_back() {
        let newest = Newest::default();
        let show = |at_min: i64, received_min: i64, value: f64| {
            let mut reading = Feeds::new(&site())
                .read(&message(
                    "nature-room/mossy-1/stat",
                    r#"{"temperature": 22.4}"#,
                    0,
                ))
                .readings
                .remove(0);
            (reading.at_ms, reading.received_ms, reading.value) =
                (at_min * 60_000, received_min * 60_000, value);
            newest.show([reading].iter());
            newest.all()[0].value
        };
        assert_eq!(show(600, 600, 1.0), 1.0);
        // What a device kept while it was off comes after what it measures now.
        assert_eq!(show(540, 601, 2.0), 1.0);
        assert_eq!(show(602, 602, 3.0), 3.0);
        // The device's clock is an hour behind from now on.
        assert_eq!(show(543, 603, 4.0), 3.0);
        assert_eq!(show(548, 608, 5.0), 5.0);
        assert_eq!(show(549, 609, 6.0), 6.0);
        // The machine's clock is set back by two hours, and with it the time of what bears that of its arrival.
        assert_eq!(show(490, 490, 7.0), 7.0);
    }

    #[test]
    fn each_feed_has_its_own_counts_and_a_stranger_adds_none() {
        let counts = Counts::new(&site());
        let feeds = Feeds::new(&site());
        let before = counts.snapshot().by_feed.len();
        let topic = "nature-room/mossy-1/stat";
        let payload = r#"{"humidity": 81.2, "temperature": 22.4}"#;
        counts.received(topic);
        for reading in feeds.read(&message(topic, payload, 1_772_352_000_000)).readings {
            counts.stored(topic, &reading, reading.quantity == Quantity::Humidity);
        }
        counts.received(topic);
        counts.redelivered(topic);
        counts.received(topic);
        counts.refused(topic, ["mossy-1-stat", "mossy-1-stat"].into_iter());
        counts.received("somewhere/else");
        let snapshot = counts.snapshot();
        assert_eq!(snapshot.by_feed.len(), before);
        let feed = snapshot
            .by_feed
            .iter()
            .find(|feed| &*feed.topic == topic)
            .expect("it is there");
        assert_eq!(
            (
                feed.received,
                feed.stored,
                feed.refused,
                feed.duplicate,
                feed.late
            ),
            (3, 2, 1, 1, 1)
        );
        assert_eq!(
            (snapshot.received, snapshot.refused, snapshot.duplicate),
            (4, 1, 1)
        );
        let sensor = snapshot
            .by_sensor
            .iter()
            .find(|s| &*s.sensor == "mossy-1-stat")
            .expect("it is there");
        assert_eq!(
            (sensor.stored, sensor.refused, sensor.last_received_ms),
            (2, 1, Some(1_772_352_000_000))
        );
        let worst = worst(&snapshot.by_feed, 5);
        assert_eq!(worst.len(), 1);
        assert_eq!(
            worst[0].trouble().as_deref(),
            Some("1 refused, 1 repeats, 1 late of 3 messages on nature-room/mossy-1/stat (mossy-1-stat)")
        );
    }
}
