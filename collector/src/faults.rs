//! Tests that break the disk: "acknowledged means on disk; after any crash, each acknowledged reading is in the archive, once".
//!
//! A disk in memory that keeps apart what was written and what is durable. Each operation in turn fails (outright, half done,
//! done and reported as failed) or is the last before a power cut, which drops what was not synced, as far as chance has it.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use mosswarden_config::site::Site;
use mosswarden_config::table;

use crate::archive;
use crate::compact;
use crate::clock::Clock;
use crate::counts::{Counts, Newest};
use crate::disk::{Disk, DiskFile, FileBytes};
use crate::feeds::tests::{message, site};
use crate::message::Message;
use crate::months;
use crate::own::Own;
use crate::run::Publishing;
use crate::store::{Batch, Store};
use crate::table_file::Summary;
use crate::writer::SharedStore;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    /// Nothing happens and an error is given.
    Outright,
    /// A write is cut in half, everything else fails outright.
    Half,
    /// It happens and an error is given.
    DoneAll,
    /// The power goes: this and everything after it fails.
    PowerCut,
}

#[derive(Default)]
struct World {
    contents: BTreeMap<u64, Content>,
    names: BTreeMap<PathBuf, u64>,
    durable_names: BTreeMap<PathBuf, u64>,
    dirs: BTreeSet<PathBuf>,
    /// Changes of names that are not durable yet, in order.
    pending: Vec<NameChange>,
    next: u64,
    operations: u64,
    fault: Option<(u64, Fault)>,
    is_dead: bool,
}

#[derive(Default, Clone)]
struct Content {
    current: Vec<u8>,
    durable: Vec<u8>,
    /// A sync failed: what was written before it will never become durable.
    is_poisoned: bool,
}

#[derive(Clone)]
struct NameChange {
    dir: PathBuf,
    removed: Option<PathBuf>,
    added: Option<(PathBuf, u64)>,
}

impl NameChange {
    fn apply(&self, names: &mut BTreeMap<PathBuf, u64>) {
        if let Some(removed) = &self.removed {
            names.remove(removed);
        }
        if let Some((path, inode)) = &self.added {
            names.insert(path.clone(), *inode);
        }
    }
}

#[derive(Clone, Default)]
struct SimDisk(Arc<Mutex<World>>);

struct SimFile {
    disk: SimDisk,
    inode: u64,
}

/// What an operation is to do.
enum Verdict {
    Go,
    Fail,
    Half,
    GoAndFail,
}

fn broken() -> io::Error {
    io::Error::other("injected")
}

fn not_found() -> io::Error {
    io::Error::from(io::ErrorKind::NotFound)
}

impl World {
    fn next_operation(&mut self) -> Verdict {
        self.operations += 1;
        if self.is_dead {
            return Verdict::Fail;
        }
        match self.fault {
            Some((at, fault)) if at == self.operations => match fault {
                Fault::Outright => Verdict::Fail,
                Fault::Half => Verdict::Half,
                Fault::DoneAll => Verdict::GoAndFail,
                Fault::PowerCut => {
                    self.is_dead = true;
                    Verdict::Half
                }
            },
            _ => Verdict::Go,
        }
    }

    fn change(&mut self, path: &Path, removed: Option<PathBuf>, added: Option<(PathBuf, u64)>) {
        let change = NameChange {
            dir: path.parent().expect("a folder").to_owned(),
            removed,
            added,
        };
        change.apply(&mut self.names);
        self.pending.push(change);
    }

    fn inode(&self, path: &Path) -> io::Result<u64> {
        self.names.get(path).copied().ok_or_else(not_found)
    }

    fn create(&mut self, path: &Path) -> u64 {
        match self.names.get(path) {
            Some(inode) => {
                self.contents.entry(*inode).or_default().current.clear();
                *inode
            }
            None => {
                self.next += 1;
                let inode = self.next;
                self.contents.insert(inode, Content::default());
                self.change(path, None, Some((path.to_owned(), inode)));
                inode
            }
        }
    }
}

impl SimDisk {
    fn world(&self) -> MutexGuard<'_, World> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn simple<T>(&self, work: impl FnOnce(&mut World) -> io::Result<T>) -> io::Result<T> {
        let mut world = self.world();
        match world.next_operation() {
            Verdict::Go => work(&mut world),
            Verdict::GoAndFail => work(&mut world).and(Err(broken())),
            Verdict::Fail | Verdict::Half => Err(broken()),
        }
    }

    fn set_fault(&self, at: u64, fault: Fault) {
        self.world().fault = Some((at, fault));
    }

    fn operations(&self) -> u64 {
        self.world().operations
    }

    /// The power comes back: of what was not durable, chance keeps a part.
    fn power_up(&self, seed: u64) {
        let mut chance = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut draw = move |below: usize| {
            // Xorshift: enough to cover prefixes.
            chance ^= chance << 13;
            chance ^= chance >> 7;
            chance ^= chance << 17;
            (chance % (below as u64 + 1)) as usize
        };
        let mut world = self.world();
        let kept = draw(world.pending.len());
        let mut names = world.durable_names.clone();
        world
            .pending
            .iter()
            .take(kept)
            .for_each(|change| change.apply(&mut names));
        for content in world.contents.values_mut() {
            let mut after = content.durable.clone();
            if content.current.len() > after.len() && content.current.starts_with(&after) {
                let more = draw(content.current.len() - after.len());
                after.extend_from_slice(&content.current[after.len()..][..more]);
            }
            *content = Content {
                current: after.clone(),
                durable: after,
                is_poisoned: false,
            };
        }
        world.names = names.clone();
        world.durable_names = names;
        world.pending.clear();
        world.fault = None;
        world.is_dead = false;
    }
}

impl DiskFile for SimFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut world = self.disk.world();
        let (written, result) = match world.next_operation() {
            Verdict::Go => (bytes.len(), Ok(())),
            Verdict::Half => (bytes.len() / 2, Err(broken())),
            Verdict::GoAndFail => (bytes.len(), Err(broken())),
            Verdict::Fail => (0, Err(broken())),
        };
        let content = world.contents.get_mut(&self.inode).expect("opened");
        content.current.extend_from_slice(&bytes[..written]);
        result
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut world = self.disk.world();
        let verdict = world.next_operation();
        let content = world.contents.get_mut(&self.inode).expect("opened");
        match verdict {
            Verdict::Go if content.is_poisoned => Ok(()),
            Verdict::Go => {
                content.durable = content.current.clone();
                Ok(())
            }
            Verdict::GoAndFail => {
                content.durable = content.current.clone();
                Err(broken())
            }
            Verdict::Fail | Verdict::Half => {
                content.is_poisoned = true;
                Err(broken())
            }
        }
    }
}

/// What a file held when it was opened: our own never write into a file that is being read.
struct SimBytes {
    disk: SimDisk,
    bytes: Vec<u8>,
}

impl FileBytes for SimBytes {
    fn len(&self) -> u64 {
        self.bytes.len() as u64
    }

    fn read_at(&self, start: u64, length: usize) -> io::Result<Vec<u8>> {
        self.disk.simple(|_| {
            let start = usize::try_from(start).expect("small");
            let part = self.bytes.get(start..start + length);
            Ok(part.ok_or(io::ErrorKind::UnexpectedEof)?.to_vec())
        })
    }
}

impl Disk for SimDisk {
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let inode = self.simple(|world| Ok(world.create(path)))?;
        Ok(Box::new(SimFile {
            disk: self.clone(),
            inode,
        }))
    }

    fn open_append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let inode = self.simple(|world| match world.names.get(path) {
            Some(inode) => Ok(*inode),
            None => Ok(world.create(path)),
        })?;
        Ok(Box::new(SimFile {
            disk: self.clone(),
            inode,
        }))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        self.simple(|world| Ok(world.contents[&world.inode(path)?].current.clone()))
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn FileBytes>> {
        let bytes = self.simple(|world| Ok(world.contents[&world.inode(path)?].current.clone()))?;
        Ok(Box::new(SimBytes {
            disk: self.clone(),
            bytes,
        }))
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        self.simple(|world| Ok(world.contents[&world.inode(path)?].current.len() as u64))
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        self.simple(|world| {
            let inode = world.inode(path)?;
            let content = world.contents.get_mut(&inode).expect("named");
            let len = usize::try_from(len).expect("small");
            content.current.truncate(len);
            // What a poisoned file had not synced is not made durable by this either, but the caller cuts it off.
            content.durable = content.current.clone();
            Ok(())
        })
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.simple(|world| {
            let inode = world.inode(from)?;
            world.change(to, Some(from.to_owned()), Some((to.to_owned(), inode)));
            Ok(())
        })
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.simple(|world| {
            world.inode(path)?;
            world.change(path, Some(path.to_owned()), None);
            Ok(())
        })
    }

    fn remove_dir(&self, _: &Path) -> io::Result<()> {
        self.simple(|_| Ok(()))
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        self.simple(|world| {
            let files = world.names.keys().filter(|path| path.parent() == Some(dir));
            let dirs = world.dirs.iter().filter(|path| path.parent() == Some(dir));
            let mut names: Vec<String> = files
                .chain(dirs)
                .map(|path| path.file_name().expect("a name").to_string_lossy().into_owned())
                .collect();
            names.sort();
            Ok(names)
        })
    }

    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        self.simple(|world| {
            world.dirs.insert(dir.to_owned());
            Ok(())
        })
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        self.simple(|world| {
            let (durable, pending) = std::mem::take(&mut world.pending)
                .into_iter()
                .partition(|change| change.dir == dir);
            world.pending = pending;
            let durable: Vec<NameChange> = durable;
            durable
                .iter()
                .for_each(|change| change.apply(&mut world.durable_names));
            Ok(())
        })
    }
}

struct SimClock(AtomicI64);

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

/// A sender that repeats what was not acknowledged, and a collector that dies and comes back.
struct Run {
    disk: SimDisk,
    clock: Arc<SimClock>,
    site: Site,
    collector: Option<(SharedStore, Publishing)>,
    /// Every message of the sender; the flag says that it was acknowledged.
    sent: Vec<(Message, bool)>,
    nonsense: BTreeSet<String>,
}

impl Run {
    fn new(fault: Option<(u64, Fault)>) -> Run {
        let disk = SimDisk::default();
        if let Some((at, fault)) = fault {
            disk.set_fault(at, fault);
        }
        Run {
            disk,
            clock: Arc::new(SimClock(AtomicI64::new(START_MS))),
            site: site(),
            collector: None,
            sent: Vec::new(),
            nonsense: BTreeSet::new(),
        }
    }

    fn open(&mut self) -> bool {
        let disk: Arc<dyn Disk> = Arc::new(self.disk.clone());
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

    fn new_messages(&mut self, batch: usize) -> Vec<usize> {
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
    fn send(&mut self, which: &[usize], seed: u64) {
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

    fn publish(&mut self, seed: u64) {
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
    fn live(&mut self, seed: u64) {
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
        self.upkeep(seed);
        self.publish(seed);
    }

    fn world_is_well(&mut self) {
        self.disk.world().fault = None;
    }

    #[track_caller]
    fn check(&self, case: &str) {
        let data_dir = &self.site.data_dir;
        let mut found: BTreeMap<(String, String), usize> = BTreeMap::new();
        let readings_dir = table::readings_dir(data_dir);
        for folder in self.disk.list(&readings_dir).expect("the disk is well") {
            let dir = readings_dir.join(folder);
            for name in archive::parquet_names(&self.disk, &dir).expect("the disk is well") {
                for reading in archive::tests::all(&self.disk, &dir.join(&name))
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
        for (first, dir) in months::months(&self.disk, data_dir).expect("the disk is well") {
            let path = dir.join(months::MONTH_FILE);
            let wanted = months::summary_of(&self.disk, &path).expect("our own");
            let bytes = self
                .disk
                .read(&table::summary_file(data_dir, first))
                .unwrap_or_else(|error| panic!("{case}: no daily figures: {error}"));
            assert_eq!(Summary::from_bytes(bytes).expect("our own"), wanted, "{case}");
            for (date, dir) in compact::days(&self.disk, data_dir).expect("the disk is well") {
                let left = archive::parquet_names(&self.disk, &dir).expect("the disk is well");
                assert!(
                    table::month_dir(data_dir, date) != table::month_dir(data_dir, first) || left.is_empty(),
                    "{case}: {date} is left beside its month"
                );
            }
        }
    }
}

/// As the writer does: the same batch again until it is durable, or the machine is gone.
fn commit(store: &mut Store, batch: &mut Batch) -> bool {
    (0..TRIES_MAX).any(|_| {
        let is_durable = store.commit(batch).is_ok();
        if is_durable {
            store.settle(batch);
        }
        is_durable
    })
}

fn clean_operations() -> u64 {
    let mut run = Run::new(None);
    run.live(0);
    run.check("no fault");
    let months = months::months(&run.disk, &run.site.data_dir).expect("the disk is well");
    assert_eq!(months.len(), 1, "a month was made: {months:?}");
    run.disk.operations()
}

fn every_operation(fault: Fault, seeds: u64) -> u64 {
    let operations = clean_operations();
    assert!(
        operations > 150,
        "the life is too short to prove anything: {operations} operations"
    );
    for at in 1..=operations {
        for seed in 0..seeds {
            let mut run = Run::new(Some((at, fault)));
            run.live(seed);
            run.check(&format!(
                "{fault:?} at operation {at} of {operations}, seed {seed}"
            ));
        }
    }
    operations * seeds
}

#[test]
fn each_operation_fails_outright() {
    println!("{} lives", every_operation(Fault::Outright, 1));
}

#[test]
fn each_operation_is_cut_in_half() {
    println!("{} lives", every_operation(Fault::Half, 1));
}

#[test]
fn each_operation_is_done_and_reported_as_failed() {
    println!("{} lives", every_operation(Fault::DoneAll, 1));
}

#[test]
fn the_power_goes_at_each_operation() {
    println!("{} lives", every_operation(Fault::PowerCut, 6));
}

/// A disk that stays full: nothing is acknowledged, nothing piles up, and it goes on by itself.
#[test]
fn a_full_disk_is_waited_for() {
    let mut run = Run::new(None);
    let which = run.new_messages(0);
    run.send(&which, 0);
    let more = run.new_messages(1);
    let (store, _) = run.collector.as_ref().expect("it runs");
    let mut store = store.lock().expect("no panic");
    let mut batch = store.judge(more.iter().map(|index| run.sent[*index].0.clone()));
    run.disk.world().is_dead = true;
    for _ in 0..100 {
        assert!(store.commit(&mut batch).is_err());
    }
    run.disk.world().is_dead = false;
    assert!(commit(&mut store, &mut batch));
    drop(store);
    more.iter().for_each(|index| run.sent[*index].1 = true);
    let spool_files = run
        .disk
        .list(&table::spool_dir(&run.site.data_dir))
        .expect("well");
    assert!(spool_files.len() <= 3, "{spool_files:?}");
    run.publish(0);
    run.check("after a full disk");
}

/// Bytes that went bad on the disk cost their own frame, are set aside, and stop nothing.
#[test]
fn a_damaged_frame_is_set_aside_and_the_rest_goes_on() {
    let mut run = Run::new(None);
    for batch in 0..3 {
        let which = run.new_messages(batch);
        run.send(&which, 0);
    }
    run.collector = None;
    let dir = table::spool_dir(&run.site.data_dir);
    let name = run.disk.list(&dir).expect("well").remove(0);
    {
        let mut world = run.disk.world();
        let inode = world.inode(&dir.join(&name)).expect("the segment");
        let content = world.contents.get_mut(&inode).expect("named");
        let place = content
            .current
            .windows(5)
            .position(|bytes| bytes == b"\"t\": ")
            .expect("the first message");
        content.current[place] ^= 1;
    }
    assert!(run.open());
    assert!(
        run.disk
            .list(&dir)
            .expect("well")
            .iter()
            .any(|name| name.starts_with("damaged-"))
    );
    run.publish(0);
    let damaged = run.sent.remove(0);
    assert!(damaged.1, "it was acknowledged: this is what a bad disk can cost");
    run.check("without the damaged one");
}
