//! What is written to the disk over the life of readings, counted: spool, parts, days, months. For the benchmarks only: see `bench` in `lib.rs`.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use mosswarden_config::table::Reading;

use crate::archive::{self, ArchiveError, Stop};
use crate::compact;
use crate::disk::{Disk, DiskFile, FileBytes, RealDisk};
use crate::message::{Message, Packet};
use crate::months;
use crate::publish;
use crate::spool;

const PUBLISH_EVERY_MS: i64 = 15 * 60_000;
const DAY_MS: i64 = 24 * 3_600_000;

/// Bytes written, by what they were written for.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Life {
    /// Frames of the spool, for messages of two readings with a short topic and JSON.
    pub spool_bytes: u64,
    pub part_bytes: u64,
    pub day_bytes: u64,
    /// Months and their daily figures.
    pub written_month_bytes: u64,
    /// What is there in the end: months without the daily figures.
    pub month_bytes: u64,
    pub files: u64,
}

/// Publishes readings every quarter of an hour of their own time into an empty folder, compacts each day and then the months.
///
/// # Errors
/// [`ArchiveError`] where the folder can't be written.
pub fn live_through(data_dir: &Path, readings: &[Reading]) -> Result<Life, ArchiveError> {
    let disk = Counting::default();
    archive::prepare(&disk, data_dir)?;
    let mut by_quarter: BTreeMap<i64, Vec<Reading>> = BTreeMap::new();
    for reading in readings {
        let quarter = reading.received_ms.div_euclid(PUBLISH_EVERY_MS);
        by_quarter.entry(quarter).or_default().push(reading.clone());
    }
    let mut life = Life {
        spool_bytes: spool_bytes(readings),
        ..Life::default()
    };
    let mut now_ms = 0;
    for (number, (quarter, rows)) in by_quarter.into_iter().enumerate() {
        now_ms = (quarter + 1) * PUBLISH_EVERY_MS;
        publish::put_by_day(&disk, data_dir, &format!("part-{number:012}"), rows)?;
        if now_ms % DAY_MS == 0 {
            compact::compact_settled(&disk, data_dir, now_ms, &Stop::default())?;
        }
    }
    now_ms += 10 * DAY_MS;
    compact::compact_settled(&disk, data_dir, now_ms, &Stop::default())?;
    months::merge_settled(&disk, data_dir, now_ms, None, &Stop::default())?;
    for (_, dir) in months::months(&disk, data_dir)?
        .into_iter()
        .chain(compact::days(&disk, data_dir)?)
    {
        for name in archive::parquet_names(&disk, &dir)? {
            life.files += 1;
            life.month_bytes += disk.len(&dir.join(name))?;
        }
    }
    life.part_bytes = disk.written(".part-");
    life.day_bytes = disk.written(".day.");
    life.written_month_bytes = disk.total() - life.part_bytes - life.day_bytes;
    Ok(life)
}

fn spool_bytes(readings: &[Reading]) -> u64 {
    let mut frames = Vec::new();
    let mut bytes = 0;
    for pair in readings.chunks(2) {
        let first = &pair[0];
        frames.clear();
        spool::frame::write(
            &Message {
                topic: Arc::from(format!("room/{}/{}", first.enclosure, first.sensor)),
                payload: format!(
                    "{{\"t\":{:.1},\"rh\":{:.1}}}",
                    pair[pair.len() - 1].value,
                    first.value
                )
                .into(),
                arrived_ms: first.received_ms,
                packet: Packet {
                    client: Arc::from("mosswarden"),
                    id: 1,
                    is_repeat: false,
                    is_retained: false,
                    is_will: false,
                },
            },
            &mut frames,
        );
        bytes += frames.len() as u64;
    }
    bytes
}

/// The machine's disk, counting what is written by the beginning of the file's name.
#[derive(Default)]
struct Counting(Arc<Mutex<BTreeMap<String, Arc<AtomicU64>>>>);

impl Counting {
    fn counter(&self, path: &Path) -> Arc<AtomicU64> {
        let name = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let mut counters = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        Arc::clone(counters.entry(name).or_default())
    }

    fn written(&self, beginning: &str) -> u64 {
        let counters = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let of = counters.iter().filter(|(name, _)| name.starts_with(beginning));
        of.map(|(_, bytes)| bytes.load(Ordering::Relaxed)).sum()
    }

    fn total(&self) -> u64 {
        self.written("")
    }
}

struct CountingFile {
    inner: Box<dyn DiskFile>,
    bytes: Arc<AtomicU64>,
}

impl DiskFile for CountingFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.bytes.fetch_add(bytes.len() as u64, Ordering::Relaxed);
        self.inner.append(bytes)
    }

    fn reserve(&mut self, bytes: u64) -> io::Result<()> {
        self.inner.reserve(bytes)
    }

    // What is counted is written: whether it is durable is another matter, and would take most of the time.
    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Disk for Counting {
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let inner = RealDisk.create(path)?;
        Ok(Box::new(CountingFile {
            inner,
            bytes: self.counter(path),
        }))
    }

    fn open_append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        RealDisk.open_append(path)
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        RealDisk.read(path)
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn FileBytes>> {
        RealDisk.open_read(path)
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        RealDisk.len(path)
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        RealDisk.truncate(path, len)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        RealDisk.rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        RealDisk.remove(path)
    }

    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        RealDisk.remove_dir(dir)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        RealDisk.list(dir)
    }

    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        RealDisk.create_dir(dir)
    }

    fn sync_dir(&self, _: &Path) -> io::Result<()> {
        Ok(())
    }
}
