//! What came in and what became of it: counters that others may read at any time.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::Reading;

/// Counters since the collector started. Cheap to read; every field only grows, save `connected` and the trouble.
#[derive(Debug, Default)]
pub struct Counts {
    received: AtomicU64,
    stored: AtomicU64,
    refused: AtomicU64,
    duplicate: AtomicU64,
    late: AtomicU64,
    retained: AtomicU64,
    unknown_topic: AtomicU64,
    device_lost: AtomicU64,
    doubtful: AtomicU64,
    published: AtomicU64,
    connections: AtomicU64,
    is_connected: AtomicBool,
    by_sensor: BTreeMap<Arc<str>, SensorCounts>,
    trouble: Mutex<BTreeMap<Part, String>>,
}

#[derive(Debug, Default)]
struct SensorCounts {
    stored: AtomicU64,
    refused: AtomicU64,
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
    /// There is no connection to the broker.
    Broker,
}

impl Part {
    pub const fn name(self) -> &'static str {
        match self {
            Part::Spool => "spool",
            Part::Archive => "archive",
            Part::Broker => "broker",
        }
    }
}

/// The counters at one moment.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Snapshot {
    /// Messages that came in.
    pub received: u64,
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
    pub by_sensor: Vec<SensorSnapshot>,
    /// What is wrong now, in words; empty when all is well.
    pub trouble: Vec<(Part, String)>,
}

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
        let by_sensor = site
            .feeds()
            .map(|(_, sensor, _)| (Arc::from(sensor), SensorCounts::default()))
            .collect();
        Counts {
            by_sensor,
            ..Counts::default()
        }
    }

    pub fn snapshot(&self) -> Snapshot {
        let trouble = self.trouble.lock().unwrap_or_else(PoisonError::into_inner);
        Snapshot {
            received: get(&self.received),
            stored: get(&self.stored),
            refused: get(&self.refused),
            duplicate: get(&self.duplicate),
            late: get(&self.late),
            retained: get(&self.retained),
            unknown_topic: get(&self.unknown_topic),
            device_lost: get(&self.device_lost),
            doubtful: get(&self.doubtful),
            published: get(&self.published),
            connections: get(&self.connections),
            is_connected: self.is_connected.load(Ordering::Relaxed),
            by_sensor: self
                .by_sensor
                .iter()
                .map(|(sensor, counts)| SensorSnapshot {
                    sensor: Arc::clone(sensor),
                    stored: get(&counts.stored),
                    refused: get(&counts.refused),
                    late: get(&counts.late),
                    doubtful: get(&counts.doubtful),
                    last_received_ms: i64::try_from(get(&counts.last_received_ms))
                        .ok()
                        .filter(|ms| *ms > 0),
                })
                .collect(),
            trouble: trouble.iter().map(|(part, text)| (*part, text.clone())).collect(),
        }
    }

    pub(crate) fn received(&self) {
        add(&self.received, 1);
    }

    pub(crate) fn stored(&self, reading: &Reading, is_late: bool) {
        add(&self.stored, 1);
        let is_doubtful = reading.mark != mosswarden_config::table::Mark::Ok;
        add(&self.doubtful, u64::from(is_doubtful));
        add(&self.late, u64::from(is_late));
        if let Some(sensor) = self.by_sensor.get(&reading.sensor) {
            add(&sensor.stored, 1);
            add(&sensor.late, u64::from(is_late));
            add(&sensor.doubtful, u64::from(is_doubtful));
            sensor
                .last_received_ms
                .fetch_max(u64::try_from(reading.received_ms).unwrap_or(0), Ordering::Relaxed);
        }
    }

    pub(crate) fn refused(&self) {
        add(&self.refused, 1);
    }

    pub(crate) fn refused_by(&self, sensor: &str) {
        if let Some(sensor) = self.by_sensor.get(sensor) {
            add(&sensor.refused, 1);
        }
    }

    pub(crate) fn duplicates(&self, count: u64) {
        add(&self.duplicate, count);
    }

    pub(crate) fn retained(&self) {
        add(&self.retained, 1);
    }

    pub(crate) fn unknown_topic(&self) {
        add(&self.unknown_topic, 1);
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
    pub(crate) fn trouble(&self, part: Part, text: Option<String>) {
        let mut trouble = self.trouble.lock().unwrap_or_else(PoisonError::into_inner);
        match text {
            Some(text) => trouble.insert(part, text),
            None => trouble.remove(&part),
        };
    }
}

/// The newest durable reading of each sensor and quantity, for a page that shows what is now.
#[derive(Debug, Default)]
pub struct Newest {
    readings: Mutex<BTreeMap<(Arc<str>, Quantity), Reading>>,
}

impl Newest {
    /// In order of sensor and quantity.
    pub fn all(&self) -> Vec<Reading> {
        self.readings
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .values()
            .cloned()
            .collect()
    }

    pub fn get(&self, sensor: &str, quantity: Quantity) -> Option<Reading> {
        self.readings
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .get(&(Arc::from(sensor), quantity))
            .cloned()
    }

    pub(crate) fn show<'r>(&self, readings: impl Iterator<Item = &'r Reading>) {
        let mut newest = self.readings.lock().unwrap_or_else(PoisonError::into_inner);
        for reading in readings {
            let key = (Arc::clone(&reading.sensor), reading.quantity);
            match newest.get_mut(&key) {
                Some(known) if known.at_ms > reading.at_ms => {}
                Some(known) => *known = reading.clone(),
                None => {
                    newest.insert(key, reading.clone());
                }
            }
        }
    }
}
