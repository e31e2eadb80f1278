//! Where readings lie: days and months of Parquet files, written whole through [`crate::disk`]; nothing is ever changed in place.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use chrono::NaiveDate;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{self, Reading};

use crate::disk::{self, Disk};
use crate::table_file::{self, Effort, Source, TableError, TableReader};

/// Why the archive can't be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    #[error("the archive can't be written or read")]
    Disk(#[from] io::Error),
    #[error("{} is not in order of its sensors; `mosswarden verify --repair` puts it right", path.display())]
    Unsorted { path: PathBuf },
    #[error("{} can't be read; `mosswarden verify` says what is wrong with it", path.display())]
    File { path: PathBuf, source: TableError },
    #[error("a file of the archive can't be made")]
    Table(#[from] TableError),
    #[error("tidying was broken off; it goes on at the next start")]
    Stopped,
}

/// Whether work that can be done again is to be left: the collector stops.
#[derive(Debug, Default, Clone)]
pub(crate) struct Stop(Arc<AtomicBool>);

impl Stop {
    pub(crate) fn now(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// [`ArchiveError::Stopped`] where it is.
    pub(crate) fn check(&self) -> Result<(), ArchiveError> {
        match self.0.load(Ordering::Relaxed) {
            true => Err(ArchiveError::Stopped),
            false => Ok(()),
        }
    }
}

/// Readings by the UTC date of their partition.
pub(crate) fn by_date(readings: Vec<Reading>) -> BTreeMap<NaiveDate, Vec<Reading>> {
    let mut days: BTreeMap<NaiveDate, Vec<Reading>> = BTreeMap::new();
    let dates = || readings.iter().map(Reading::partition_date);
    if let Some(date) = dates().next()
        && dates().all(|other| other == date)
    {
        // The usual case: they stay where they are.
        days.insert(date, readings);
        return days;
    }
    for reading in readings {
        days.entry(reading.partition_date()).or_default().push(reading);
    }
    days
}

/// Sorts into the table's order and drops exact repeats (one identity); gives their count.
pub(crate) fn sort_and_drop_repeats(readings: &mut Vec<Reading>) -> u64 {
    let before = readings.len();
    readings.sort_by(table_file::row_order);
    readings.dedup_by(|later, first| later.identity() == first.identity());
    (before - readings.len()) as u64
}

/// An open file of readings.
pub(crate) fn open(disk: &dyn Disk, path: &Path) -> Result<TableReader<Source>, ArchiveError> {
    TableReader::open(Source::open(disk, path)?).map_err(|source| ArchiveError::File {
        path: path.to_owned(),
        source,
    })
}

/// Takes away those readings of one day that the archive holds already, in the day's files or in its month's; gives their count.
///
/// A file that can't be read is passed over with a warning: it must not stop new readings from being published.
pub(crate) fn drop_known(
    disk: &dyn Disk,
    data_dir: &Path,
    date: NaiveDate,
    readings: &mut Vec<Reading>,
) -> Result<u64, ArchiveError> {
    let before = readings.len();
    for dir in [
        table::partition_dir(data_dir, date),
        table::month_dir(data_dir, date),
    ] {
        for name in parquet_names(disk, &dir)? {
            let path = dir.join(&name);
            match open(disk, &path).and_then(|file| Ok(Identities::of(&file, readings)?)) {
                Ok(known) => readings.retain(|reading| !known.contains(reading)),
                Err(error) => {
                    tracing::warn!(file = %path.display(), error = &error as &dyn std::error::Error, "a file of the archive can't be read")
                }
            }
        }
    }
    Ok((before - readings.len()) as u64)
}

pub(crate) fn parquet_names(disk: &dyn Disk, dir: &Path) -> io::Result<Vec<String>> {
    let names = disk.list(dir)?;
    Ok(names
        .into_iter()
        .filter(|name| name.ends_with(".parquet") && !name.starts_with('.'))
        .collect())
}

/// Identities of readings, compact.
#[derive(Default)]
struct Identities {
    sensors: HashMap<Arc<str>, u32>,
    known: HashSet<(i64, u32, Quantity, u64)>,
}

impl Identities {
    /// Of those rows of a file that may be among `readings`. Most files lie wholly before the readings at hand: their footer tells.
    fn of(file: &TableReader<Source>, readings: &[Reading]) -> Result<Identities, TableError> {
        let mut identities = Identities::default();
        let times: HashSet<i64> = readings.iter().map(|reading| reading.at_ms).collect();
        for (index, group) in file.groups().iter().enumerate() {
            if readings
                .iter()
                .any(|reading| group.may_hold(&reading.sensor, reading.at_ms))
            {
                for row in file.group(index)? {
                    if times.contains(&row.at_ms) {
                        identities.add(&row);
                    }
                }
            }
        }
        Ok(identities)
    }

    fn add(&mut self, row: &Reading) {
        let next = u32::try_from(self.sensors.len()).unwrap_or(u32::MAX);
        let sensor = *self.sensors.entry(Arc::clone(&row.sensor)).or_insert(next);
        self.known
            .insert((row.at_ms, sensor, row.quantity, row.value.to_bits()));
    }

    fn contains(&self, reading: &Reading) -> bool {
        self.sensors.get(&reading.sensor).is_some_and(|sensor| {
            self.known
                .contains(&(reading.at_ms, *sensor, reading.quantity, reading.value.to_bits()))
        })
    }
}

/// Puts one file into a day's partition, atomically and durably. A file that is there already is never replaced: the new one
/// gets a number after its name. Another process may remove the folder as long as it is empty: then it is made again.
pub(crate) fn put(
    disk: &dyn Disk,
    data_dir: &Path,
    date: NaiveDate,
    stem: &str,
    readings: &[Reading],
) -> Result<(), ArchiveError> {
    let dir = table::partition_dir(data_dir, date);
    let bytes = table_file::to_bytes(readings, Effort::Quick)?;
    let mut tries = 1;
    loop {
        match put_into(disk, &dir, stem, &bytes) {
            Err(error) if error.kind() == io::ErrorKind::NotFound && tries < FOLDER_TRIES => tries += 1,
            result => return Ok(result?),
        }
    }
}

/// A folder that vanishes again and again was not removed by a collector that tidies.
const FOLDER_TRIES: u32 = 10;

fn put_into(disk: &dyn Disk, dir: &Path, stem: &str, bytes: &[u8]) -> io::Result<()> {
    disk::create_dir_durably(disk, dir)?;
    let taken: HashSet<String> = disk.list(dir)?.into_iter().collect();
    let mut name = format!("{stem}.parquet");
    let mut number = 1;
    while taken.contains(&name) {
        number += 1;
        name = format!("{stem}-{number}.parquet");
    }
    disk::put(disk, &dir.join(name), bytes)
}

/// Makes the folder of all readings, with durable names.
pub(crate) fn prepare(disk: &dyn Disk, data_dir: &Path) -> io::Result<()> {
    disk::create_dir_durably(disk, data_dir)?;
    disk::create_dir_durably(disk, &table::readings_dir(data_dir))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::disk::RealDisk;
    use mosswarden_config::table::{Mark, TimeSource};
    use proptest::prelude::*;

    pub(crate) fn reading(sensor: &str, at_ms: i64, value: f64) -> Reading {
        Reading {
            at_ms,
            received_ms: at_ms + 40,
            time_source: TimeSource::Device,
            enclosure: Arc::from("mossy-1"),
            sensor: Arc::from(sensor),
            quantity: Quantity::Humidity,
            value,
            mark: Mark::Ok,
        }
    }

    /// Every reading of one file.
    pub(crate) fn all(disk: &dyn Disk, path: &Path) -> Result<Vec<Reading>, ArchiveError> {
        Ok(open(disk, path)?.all()?)
    }

    #[test]
    fn what_a_partition_holds_already_is_dropped_and_nothing_else() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let date = NaiveDate::from_ymd_opt(2026, 3, 1).expect("a date");
        let old: Vec<Reading> = (0..100)
            .map(|n| reading("a", 1_772_352_000_000 + n, 50.0))
            .collect();
        put(&RealDisk, dir.path(), date, "part-1", &old).expect("room");
        let mut new = vec![
            old[7].clone(),
            reading("a", old[7].at_ms, 50.5),
            reading("b", old[7].at_ms, 50.0),
            reading("a", old[7].at_ms + 1000, 50.0),
        ];
        assert_eq!(
            drop_known(&RealDisk, dir.path(), date, &mut new).expect("readable"),
            1
        );
        assert_eq!(new.len(), 3);
    }

    #[test]
    fn a_file_that_is_there_is_never_replaced() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let date = NaiveDate::from_ymd_opt(2026, 3, 1).expect("a date");
        for n in 0..3 {
            put(&RealDisk, dir.path(), date, "part-1", &[reading("a", n, 1.0)]).expect("room");
        }
        let names = parquet_names(&RealDisk, &table::partition_dir(dir.path(), date)).expect("a folder");
        assert_eq!(names, ["part-1-2.parquet", "part-1-3.parquet", "part-1.parquet"]);
    }

    /// As another collector does while it tidies: here a folder that is empty is gone up to twice while one file is put.
    #[test]
    fn a_folder_that_is_removed_meanwhile_is_made_again() {
        use std::sync::atomic::AtomicU32;
        let dir = tempfile::tempdir().expect("a temporary folder");
        let date = NaiveDate::from_ymd_opt(2026, 3, 1).expect("a date");
        let partition = table::partition_dir(dir.path(), date);
        let (left, is_done) = (AtomicU32::new(0), AtomicBool::new(false));
        let results: Vec<Result<(), ArchiveError>> = std::thread::scope(|scope| {
            scope.spawn(|| {
                while !is_done.load(Ordering::Relaxed) {
                    if left.load(Ordering::Relaxed) > 0 && RealDisk.remove_dir(&partition).is_ok() {
                        left.fetch_sub(1, Ordering::Relaxed);
                    }
                }
            });
            let one = |n: i64| {
                left.store(2, Ordering::Relaxed);
                put(&RealDisk, dir.path(), date, "part-1", &[reading("a", n, 1.0)])?;
                // The folder is empty once more for the next one.
                Ok(RealDisk.remove(&partition.join("part-1.parquet"))?)
            };
            let results = (0..100).map(one).collect();
            is_done.store(true, Ordering::Relaxed);
            results
        });
        let failed = results.iter().find(|result| result.is_err());
        assert!(failed.is_none(), "{failed:?}");
    }

    #[test]
    fn an_unreadable_file_is_named() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let file = dir.path().join("broken.parquet");
        fs_err::write(&file, b"PAR1 not really").expect("room");
        let error = all(&RealDisk, &file).expect_err("no table");
        assert!(error.to_string().contains("broken.parquet"), "{error}");
    }

    #[test]
    fn a_broken_file_does_not_stop_the_others() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut new = vec![reading("a", 1, 1.0)];
        let date = new[0].partition_date();
        let partition = table::partition_dir(dir.path(), date);
        fs_err::create_dir_all(&partition).expect("room");
        fs_err::write(partition.join("broken.parquet"), b"PAR1 not really").expect("room");
        assert_eq!(
            drop_known(&RealDisk, dir.path(), date, &mut new).expect("passed over"),
            0
        );
        assert_eq!(new.len(), 1);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]
        #[test]
        fn repeats_go_and_everything_else_stays(rows in proptest::collection::vec((0..3u8, 0..20i64, 0..3u8), 0..60)) {
            let mut readings: Vec<Reading> =
                rows.iter().map(|(sensor, at, value)| reading(&format!("s{sensor}"), *at, f64::from(*value))).collect();
            let distinct: std::collections::BTreeSet<_> = rows.iter().collect();
            sort_and_drop_repeats(&mut readings);
            prop_assert_eq!(readings.len(), distinct.len());
        }
    }
}
