//! A sender that repeats what was not acknowledged, and a collector that dies and comes back, on a disk in memory.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};

use mosswarden_config::site::Site;
use mosswarden_config::table;

use super::sim_disk::{Fault, SimDisk};
use super::sim_store::SimStore;
use crate::archive::{self, Stop};
use crate::bucket::disk::BucketDisk;
use crate::clock::Clock;
use crate::compact;
use crate::counts::{Counts, Newest};
use crate::disk::Disk;
use crate::feeds::tests::{message, site};
use crate::message::Message;
use crate::months;
use crate::own::Own;
use crate::run::Publishing;
use crate::store::{Batch, Store};
use crate::table_file::Summary;
use crate::writer::SharedStore;

pub(super) struct SimClock(pub(super) AtomicI64);

impl Clock for SimClock {
    fn now_ms(&self) -> i64 {
        self.0.fetch_add(10, Ordering::Relaxed)
    }
}

const DAY_MS: i64 = 24 * 3_600_000;
/// 2026-03-01T23:59:50Z, so that the readings touch two days.
const START_MS: i64 = 1_772_409_590_000;
const BATCHES: usize = 12;
const PER_BATCH: usize = 4;
/// A disk that fails once is well at the next try; one that needs more has a fault of ours.
const TRIES_MAX: usize = 4;

/// Where the archive is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Archive {
    Folder,
    Bucket,
}

/// A sender that repeats what was not acknowledged, and a collector that dies and comes back.
pub(super) struct Run {
    pub(super) disk: SimDisk,
    /// Where the archive is instead, if it is not on the disk.
    store: Option<SimStore>,
    clock: Arc<SimClock>,
    pub(super) site: Site,
    pub(super) collector: Option<(SharedStore, Publishing)>,
    /// Every message of the sender; the flag says that it was acknowledged.
    pub(super) sent: Vec<(Message, bool)>,
    nonsense: BTreeSet<String>,
}

impl Run {
    pub(super) fn new(fault: Option<(u64, Fault)>, archive: Archive) -> Run {
        let disk = SimDisk::default();
        if let Some((at, fault)) = fault {
            disk.set_fault(at, fault);
        }
        let store = (archive == Archive::Bucket).then(|| SimStore::beside(&disk));
        Run {
            disk,
            store,
            clock: Arc::new(SimClock(AtomicI64::new(START_MS))),
            site: site(),
            collector: None,
            sent: Vec::new(),
            nonsense: BTreeSet::new(),
        }
    }

    /// What the collector sees.
    pub(super) fn seen(&self) -> Arc<dyn Disk> {
        let local: Arc<dyn Disk> = Arc::new(self.disk.clone());
        match &self.store {
            None => local,
            Some(store) => Arc::new(BucketDisk::on(
                store.client(),
                local,
                &self.site.data_dir,
                &std::env::temp_dir(),
            )),
        }
    }

    pub(super) fn open(&mut self) -> bool {
        let disk = self.seen();
        let clock: Arc<dyn Clock> = self.clock.clone();
        let counts = Arc::new(Counts::new(&self.site));
        let data_dir = self.site.data_dir.clone();
        if archive::prepare(&*disk, &data_dir).is_err() {
            return false;
        }
        let opened = Store::open(
            Arc::clone(&disk),
            Arc::clone(&clock),
            &self.site,
            &data_dir,
            Own::default(),
            Arc::clone(&counts),
            Arc::new(Newest::default()),
        );
        let Ok((store, _)) = opened else { return false };
        let store: SharedStore = Arc::new(Mutex::new(store));
        let publishing = Publishing::new(&self.site, &store, &disk, &clock, &counts);
        self.collector = Some((store, publishing));
        true
    }

    /// Opens, if need be after a power cut.
    fn revive(&mut self, seed: u64) {
        for _ in 0..TRIES_MAX {
            if self.disk.world().is_dead {
                self.collector = None;
                self.disk.power_up(seed);
            }
            if self.collector.is_some() || self.open() {
                return;
            }
        }
        panic!("the collector does not start again");
    }

    pub(super) fn new_messages(&mut self, batch: usize) -> Vec<usize> {
        (0..PER_BATCH)
            .map(|index| {
                let number = batch * PER_BATCH + index;
                // Every other one bears its own time, as a buffered reading does.
                let (topic, payload) = if index % 2 == 0 {
                    ("nature-room/room-wall", format!("{{\"t\": {number}.5}}"))
                } else {
                    let at = START_MS / 1000 - 3600 + number as i64;
                    (
                        "nature-room/mossy-1/stat",
                        format!("{{\"humidity\": {number}.5, \"at\": {at}}}"),
                    )
                };
                let mut message = message(topic, &payload, 0);
                message.packet.id = 1 + number as u16;
                self.sent.push((message, false));
                self.sent.len() - 1
            })
            .collect()
    }

    /// Sends messages until all are acknowledged, over power cuts.
    pub(super) fn send(&mut self, which: &[usize], seed: u64) {
        self.send_as(which, seed, false);
    }

    fn send_as(&mut self, which: &[usize], seed: u64, is_repeat: bool) {
        for attempt in 0..TRIES_MAX {
            self.revive(seed);
            let mut messages: Vec<Message> = which
                .iter()
                .filter(|index| !self.sent[**index].1)
                .map(|index| {
                    let mut message = self.sent[*index].0.clone();
                    message.arrived_ms = self.clock.now_ms();
                    message.packet.is_repeat = is_repeat || attempt > 0;
                    message
                })
                .collect();
            // One of each batch is nonsense: it must be in the refused log and in nobody's way.
            self.nonsense.insert(format!("warm {}", which[0]));
            let nonsense = format!("{{\"t\": \"warm {}\"}}", which[0]);
            messages.insert(
                1,
                message("nature-room/room-wall", &nonsense, self.clock.now_ms()),
            );
            let (store, _) = self.collector.as_ref().expect("revived");
            let mut store = store.lock().expect("no panic");
            let mut batch = store.judge(messages);
            if commit(&mut store, &mut batch) {
                which.iter().for_each(|index| self.sent[*index].1 = true);
                return;
            }
        }
        panic!("a batch is never acknowledged");
    }

    pub(super) fn publish(&mut self, seed: u64) {
        self.revive(seed);
        let (_, publishing) = self.collector.as_ref().expect("revived");
        let _tried_again_later = publishing.publish_all();
    }

    fn upkeep(&mut self, seed: u64) {
        self.revive(seed);
        let (_, publishing) = self.collector.as_ref().expect("revived");
        publishing.upkeep();
    }

    /// The whole life: sends, publishes, tidies; then everything must be in the archive once.
    pub(super) fn live(&mut self, seed: u64) {
        for batch in 0..BATCHES {
            let which = self.new_messages(batch);
            self.send(&which, seed);
            if batch % 2 == 1 {
                self.publish(seed);
            }
            if batch == 7 {
                // The acknowledgements were lost on their way, and the collector was restarted meanwhile.
                self.collector = None;
                which.iter().for_each(|index| self.sent[*index].1 = false);
                self.send_as(&which, seed, true);
            }
            if batch == 5 {
                self.clock.0.fetch_add(3 * DAY_MS, Ordering::Relaxed);
                self.upkeep(seed);
                self.clock.0.fetch_sub(3 * DAY_MS, Ordering::Relaxed);
            }
        }
        self.publish(seed);
        self.clock.0.fetch_add(3 * DAY_MS, Ordering::Relaxed);
        self.upkeep(seed);
        // The month is over and becomes one file; late readings find their day, and a day later their month.
        self.clock.0.fetch_add(40 * DAY_MS, Ordering::Relaxed);
        self.upkeep(seed);
        let late = self.new_messages(BATCHES);
        self.send(&late, seed);
        self.publish(seed);
        self.clock.0.fetch_add(DAY_MS, Ordering::Relaxed);
        self.upkeep(seed);
        // The fault is behind us now at the latest; one more round is what a running collector does.
        self.world_is_well();
        self.publish(seed);
        // What came too late for its month today goes into it tomorrow.
        self.clock.0.fetch_add(DAY_MS, Ordering::Relaxed);
        self.upkeep(seed);
        self.publish(seed);
    }

    fn world_is_well(&mut self) {
        self.disk.world().fault = None;
    }

    #[track_caller]
    pub(super) fn check(&self, case: &str) {
        let data_dir = &self.site.data_dir;
        let mut found: BTreeMap<(String, String), usize> = BTreeMap::new();
        let disk = &*self.seen();
        let readings_dir = table::readings_dir(data_dir);
        for folder in disk.list(&readings_dir).expect("the disk is well") {
            let dir = readings_dir.join(folder);
            for name in archive::parquet_names(disk, &dir).expect("the disk is well") {
                for reading in archive::tests::all(disk, &dir.join(&name))
                    .unwrap_or_else(|error| panic!("{case}: {name}: {error}"))
                {
                    *found
                        .entry((reading.sensor.to_string(), reading.value.to_string()))
                        .or_default() += 1;
                }
            }
        }
        self.check_months(case);
        for (message, is_acknowledged) in &self.sent {
            assert!(is_acknowledged, "{case}");
            let payload: serde_json::Value = serde_json::from_slice(&message.payload).expect("our own");
            let key = match payload.get("t") {
                Some(value) => ("room-wall".to_owned(), value.to_string()),
                None => ("mossy-1-stat".to_owned(), payload["humidity"].to_string()),
            };
            assert_eq!(
                found.get(&key),
                Some(&1),
                "{case}: {key:?} should be in the archive once"
            );
        }
        assert_eq!(
            found.len(),
            self.sent.len(),
            "{case}: nothing else is in the archive"
        );
        let log = self
            .disk
            .read(&table::refused_dir(data_dir).join("refused.jsonl"))
            .expect("the disk is well");
        let log = String::from_utf8_lossy(&log);
        for text in &self.nonsense {
            assert!(log.contains(&format!("{text}\\\"")), "{case}: refused `{text}`");
        }
    }
}

impl Run {
    /// A month that has its file has nothing beside it, and daily figures that are its own.
    #[track_caller]
    fn check_months(&self, case: &str) {
        let data_dir = &self.site.data_dir;
        let disk = &*self.seen();
        for (first, dir) in months::months(disk, data_dir).expect("the disk is well") {
            let path = dir.join(months::MONTH_FILE);
            let wanted = months::summary_of(disk, &path, &Stop::default()).expect("our own");
            let bytes = disk
                .read(&table::summary_file(data_dir, first))
                .unwrap_or_else(|error| panic!("{case}: no daily figures: {error}"));
            assert_eq!(Summary::from_bytes(bytes).expect("our own"), wanted, "{case}");
            for (date, dir) in compact::days(disk, data_dir).expect("the disk is well") {
                let left = archive::parquet_names(disk, &dir).expect("the disk is well");
                assert!(
                    table::month_dir(data_dir, date) != table::month_dir(data_dir, first) || left.is_empty(),
                    "{case}: {date} is left beside its month"
                );
            }
        }
    }
}

/// As the writer does: the same batch again until it is durable, or the machine is gone.
pub(super) fn commit(store: &mut Store, batch: &mut Batch) -> bool {
    (0..TRIES_MAX).any(|_| {
        let is_durable = store.commit(batch).is_ok();
        if is_durable {
            store.settle(batch);
        }
        is_durable
    })
}
