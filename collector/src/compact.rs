//! A day that is over becomes one file: small, sorted, each reading once.
//!
//! Order of work: the new `day.parquet` is durable under its name before a part is removed. A crash in between leaves readings
//! twice for a while; they are the same by identity, readers drop them, and the next run removes them.

use std::path::Path;

use chrono::NaiveDate;
use mosswarden_config::table;

use crate::archive::{self, ArchiveError};
use crate::disk::Disk;

/// A UTC day is compacted this long after it began, ms: 26 h, so that its last readings have come in (our choice).
const SETTLED_MS: i64 = 26 * 3_600_000;
const DAY_FILE: &str = "day.parquet";

/// Compacts every settled day with more than one file; gives the count of days.
///
/// Days with a file that can't be read are left as they are, with a warning.
pub(crate) fn compact_settled(disk: &dyn Disk, data_dir: &Path, now_ms: i64) -> Result<u64, ArchiveError> {
    let mut compacted = 0;
    for (date, dir_name) in partitions(disk, data_dir)? {
        let began_ms = date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis();
        if now_ms - began_ms < SETTLED_MS {
            continue;
        }
        match compact_day(disk, &table::readings_dir(data_dir).join(&dir_name)) {
            Ok(true) => compacted += 1,
            Ok(false) => {}
            Err(ArchiveError::Disk(error)) => return Err(error.into()),
            Err(error) => {
                tracing::warn!(day = %date, error = &error as &dyn std::error::Error, "a day's files can't be merged")
            }
        }
    }
    Ok(compacted)
}

/// Removes days older than `keep_ms`; gives their count.
pub(crate) fn remove_old(
    disk: &dyn Disk,
    data_dir: &Path,
    now_ms: i64,
    keep_ms: i64,
) -> Result<u64, ArchiveError> {
    let mut removed = 0;
    for (date, dir_name) in partitions(disk, data_dir)? {
        let ended_ms = date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis() + 24 * 3_600_000;
        if now_ms - ended_ms <= keep_ms {
            continue;
        }
        let dir = table::readings_dir(data_dir).join(&dir_name);
        for name in archive::parquet_names(disk, &dir)? {
            disk.remove(&dir.join(name))?;
        }
        // A folder that holds anything else stays.
        if disk.list(&dir)?.is_empty() {
            disk.remove_dir(&dir)?;
        }
        removed += 1;
    }
    Ok(removed)
}

/// Removes files that a crash left half written. Only for who holds the folder's lock; an import's are left alone, it may be
/// at work.
pub(crate) fn remove_leftovers(disk: &dyn Disk, data_dir: &Path) -> Result<(), ArchiveError> {
    for (_, dir_name) in partitions(disk, data_dir)? {
        let dir = table::readings_dir(data_dir).join(&dir_name);
        for name in disk.list(&dir)? {
            if name.ends_with(".tmp") && (name.starts_with(".part-") || name.starts_with(".day.")) {
                disk.remove(&dir.join(name))?;
            }
        }
    }
    Ok(())
}

fn partitions(disk: &dyn Disk, data_dir: &Path) -> Result<Vec<(NaiveDate, String)>, ArchiveError> {
    let names = disk.list(&table::readings_dir(data_dir))?;
    Ok(names
        .into_iter()
        .filter_map(|name| Some((table::date_of_partition(&name)?, name)))
        .collect())
}

fn compact_day(disk: &dyn Disk, dir: &Path) -> Result<bool, ArchiveError> {
    let names = archive::parquet_names(disk, dir)?;
    if names.len() < 2 {
        return Ok(false);
    }
    let mut readings = Vec::new();
    for name in &names {
        readings.extend(archive::from_bytes(disk.read(&dir.join(name))?)?);
    }
    archive::sort_and_drop_repeats(&mut readings);
    crate::disk::put(disk, &dir.join(DAY_FILE), &archive::to_bytes(&readings)?)?;
    for name in names.iter().filter(|name| *name != DAY_FILE) {
        disk.remove(&dir.join(name))?;
    }
    disk.sync_dir(dir)?;
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::tests::reading;
    use crate::disk::RealDisk;

    const DAY_MS: i64 = 24 * 3_600_000;
    /// 2026-03-01T00:00:00Z.
    const BEGAN_MS: i64 = 1_772_323_200_000;

    #[test]
    fn a_settled_day_becomes_one_file_with_each_reading_once() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let date = table::partition_date(BEGAN_MS);
        let row = |n: i64| reading("a", BEGAN_MS + n * 1000, n as f64);
        archive::put(&RealDisk, dir.path(), date, "part-1", &[row(0), row(1)]).expect("room");
        archive::put(&RealDisk, dir.path(), date, "part-2", &[row(1), row(2)]).expect("room");
        assert_eq!(
            compact_settled(&RealDisk, dir.path(), BEGAN_MS + DAY_MS).expect("works"),
            0,
            "too early"
        );
        assert_eq!(
            compact_settled(&RealDisk, dir.path(), BEGAN_MS + 2 * DAY_MS).expect("works"),
            1
        );
        let partition = table::partition_dir(dir.path(), date);
        assert_eq!(
            archive::parquet_names(&RealDisk, &partition).expect("a folder"),
            [DAY_FILE]
        );
        let late = [row(3)];
        archive::put(&RealDisk, dir.path(), date, "part-3", &late).expect("room");
        assert_eq!(
            compact_settled(&RealDisk, dir.path(), BEGAN_MS + 2 * DAY_MS).expect("works"),
            1
        );
        let whole =
            archive::from_bytes(RealDisk.read(&partition.join(DAY_FILE)).expect("a file")).expect("our own");
        assert_eq!(whole, [row(0), row(1), row(2), row(3)]);
    }

    #[test]
    fn what_a_crash_left_half_written_goes_and_nothing_else() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let row = reading("a", BEGAN_MS, 1.0);
        archive::put(
            &RealDisk,
            dir.path(),
            row.partition_date(),
            "part-1",
            &[row.clone()],
        )
        .expect("room");
        let partition = table::partition_dir(dir.path(), row.partition_date());
        for name in [".part-2.parquet.tmp", ".day.parquet.tmp", ".import-1.parquet.tmp"] {
            fs_err::write(partition.join(name), b"PAR1").expect("room");
        }
        remove_leftovers(&RealDisk, dir.path()).expect("works");
        assert_eq!(
            RealDisk.list(&partition).expect("a folder"),
            [".import-1.parquet.tmp", "part-1.parquet"]
        );
    }

    #[test]
    fn days_beyond_the_wanted_age_are_removed() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        for day in 0..3 {
            let row = reading("a", BEGAN_MS + day * DAY_MS, 1.0);
            archive::put(&RealDisk, dir.path(), row.partition_date(), "day", &[row.clone()]).expect("room");
        }
        assert_eq!(
            remove_old(&RealDisk, dir.path(), BEGAN_MS + 4 * DAY_MS, 2 * DAY_MS).expect("works"),
            1
        );
        let left = partitions(&RealDisk, dir.path()).expect("a folder");
        assert_eq!(left.len(), 2);
        assert_eq!(left[0].1, "date=2026-03-02");
    }
}
