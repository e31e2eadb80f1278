//! A day that is over becomes one file: small, sorted, each reading once. Months are made of days by `months`.
//!
//! Order of work: the new `day.parquet` is durable under its name before a part is removed. A crash in between leaves readings
//! twice for a while; they are the same by identity, readers drop them, and the next run removes them.

use std::io::{BufWriter, IntoInnerError};
use std::path::{Path, PathBuf};

use chrono::{NaiveDate, NaiveTime};
use mosswarden_config::table;
use mosswarden_config::zone::MS_PER_24_H;

use crate::archive::{self, ArchiveError, Stop};
use crate::disk::{Disk, Unfinished};
use crate::merge::Merge;
use crate::months;
use crate::table_file::{Effort, TableWriter};

/// A UTC day is compacted this long after it began, ms: 26 h, so that its last readings have come in (our choice).
const SETTLED_MS: i64 = 26 * 3_600_000;
const DAY_FILE: &str = "day.parquet";

/// Compacts every settled day with more than one file; gives the count of days.
///
/// Days with a file that can't be read are left as they are, with a warning.
pub(crate) fn compact_settled(
    disk: &dyn Disk,
    data_dir: &Path,
    now_ms: i64,
    stop: &Stop,
) -> Result<u64, ArchiveError> {
    let mut compacted = 0;
    for (date, dir) in days(disk, data_dir)? {
        if now_ms - start_ms(date) < SETTLED_MS {
            continue;
        }
        match compact_day(disk, &dir, stop) {
            Ok(true) => compacted += 1,
            Ok(false) => {}
            Err(error @ (ArchiveError::Disk(_) | ArchiveError::Stopped)) => return Err(error),
            Err(error) => {
                tracing::warn!(day = %date, error = &error as &dyn std::error::Error, "a day's files can't be merged")
            }
        }
    }
    Ok(compacted)
}

/// The first date that `keep` wants to be kept: days that ended longer ago than `keep_ms` lie before it.
pub(crate) fn keep_from(
    disk: &dyn Disk,
    data_dir: &Path,
    now_ms: i64,
    keep_ms: i64,
) -> Result<NaiveDate, ArchiveError> {
    let names = disk.list(&table::readings_dir(data_dir))?;
    let mut spans: Vec<(i64, i64)> = names
        .iter()
        .filter_map(|name| table::dates_of_partition(name))
        .map(|(first, last)| (start_ms(first), start_ms(last) + MS_PER_24_H))
        .filter(|(from_ms, _)| *from_ms < now_ms)
        .collect();
    spans.sort_unstable();
    Ok(table::partition_date(
        counted_from_ms(&spans, now_ms, keep_ms) - keep_ms - 1,
    ))
}

/// The instant from which `keep` is counted back: now, or the end of what is stored before a leap over more than `keep`. Such a leap, at whose
/// other end less than `keep` is stored, is rather a clock that was set wrong, and would let everything go at once.
fn counted_from_ms(stored: &[(i64, i64)], now_ms: i64, keep_ms: i64) -> i64 {
    let begins = stored.iter().skip(1).map(|(from_ms, _)| *from_ms).chain([now_ms]);
    stored
        .iter()
        .map(|(_, until_ms)| *until_ms)
        .zip(begins)
        .filter(|(until_ms, next_ms)| next_ms - until_ms > keep_ms && now_ms - next_ms < keep_ms)
        .map(|(until_ms, _)| until_ms)
        .min()
        .unwrap_or(now_ms)
}

/// Removes days (and months) before `keep_from`; gives the count of folders.
pub(crate) fn remove_old(
    disk: &dyn Disk,
    data_dir: &Path,
    keep_from: NaiveDate,
    stop: &Stop,
) -> Result<u64, ArchiveError> {
    let mut removed = months::let_go(disk, data_dir, keep_from, stop)?;
    for (date, dir) in days(disk, data_dir)? {
        if date >= keep_from {
            continue;
        }
        for name in archive::parquet_names(disk, &dir)? {
            disk.remove(&dir.join(name))?;
        }
        remove_if_empty(disk, &dir)?;
        removed += 1;
    }
    Ok(removed)
}

/// Whether a half-written file is of days or months being merged, or of a repair: who tidies is alone with these.
pub(crate) fn is_of_tidying(name: &str) -> bool {
    [".day.", ".month.", ".from-month.", ".repaired"]
        .iter()
        .any(|ours| name.starts_with(ours))
}

/// Removes files that a crash left half written, as far as nobody else may be writing them.
pub(crate) fn remove_leftovers(
    disk: &dyn Disk,
    data_dir: &Path,
    is_ours: &dyn Fn(&str) -> bool,
) -> Result<(), ArchiveError> {
    let folders = days(disk, data_dir)?
        .into_iter()
        .chain(months::months(disk, data_dir)?);
    for (_, dir) in folders {
        for name in disk.list(&dir)? {
            if name.ends_with(".tmp") && is_ours(&name) {
                disk.remove(&dir.join(name))?;
            }
        }
    }
    Ok(())
}

/// Days' folders, by date.
pub(crate) fn days(disk: &dyn Disk, data_dir: &Path) -> Result<Vec<(NaiveDate, PathBuf)>, ArchiveError> {
    let root = table::readings_dir(data_dir);
    let names = disk.list(&root)?;
    Ok(names
        .into_iter()
        .filter_map(|name| Some((table::date_of_partition(&name)?, root.join(name))))
        .collect())
}

/// When a UTC day begins, ms.
pub(crate) fn start_ms(date: NaiveDate) -> i64 {
    date.and_time(NaiveTime::MIN).and_utc().timestamp_millis()
}

/// Removes a folder unless it holds anything; an import may put a file into it at any moment.
pub(crate) fn remove_if_empty(disk: &dyn Disk, dir: &Path) -> Result<(), ArchiveError> {
    if !disk.list(dir)?.is_empty() {
        return Ok(());
    }
    match disk.remove_dir(dir) {
        Err(error) if error.kind() == std::io::ErrorKind::DirectoryNotEmpty => Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        result => Ok(result?),
    }
}

fn compact_day(disk: &dyn Disk, dir: &Path, stop: &Stop) -> Result<bool, ArchiveError> {
    let names = archive::parquet_names(disk, dir)?;
    if names.len() < 2 {
        return Ok(false);
    }
    let paths: Vec<PathBuf> = names.iter().map(|name| dir.join(name)).collect();
    let mut merge = Merge::open(disk, &paths, stop)?;
    let out = BufWriter::new(Unfinished::begin(disk, &dir.join(DAY_FILE))?);
    let mut table = TableWriter::new(out, Effort::Quick)?;
    while let Some(rows) = merge.next_day()? {
        table.push(rows)?;
    }
    table
        .finish()?
        .into_inner()
        .map_err(IntoInnerError::into_error)?
        .finish(disk)?;
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
    use crate::own::Own;

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
            compact_settled(&RealDisk, dir.path(), BEGAN_MS + DAY_MS, &Stop::default()).expect("works"),
            0,
            "too early"
        );
        assert_eq!(
            compact_settled(&RealDisk, dir.path(), BEGAN_MS + 2 * DAY_MS, &Stop::default()).expect("works"),
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
            compact_settled(&RealDisk, dir.path(), BEGAN_MS + 2 * DAY_MS, &Stop::default()).expect("works"),
            1
        );
        let whole = archive::tests::all(&RealDisk, &partition.join(DAY_FILE)).expect("our own");
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
            std::slice::from_ref(&row),
        )
        .expect("room");
        let partition = table::partition_dir(dir.path(), row.partition_date());
        for name in [
            ".part-2.parquet.tmp",
            ".day.parquet.tmp",
            ".repaired-2.parquet.tmp",
            ".import-1.parquet.tmp",
        ] {
            fs_err::write(partition.join(name), b"PAR1").expect("room");
        }
        remove_leftovers(&RealDisk, dir.path(), &|name| {
            Own::default().is_part(name) || is_of_tidying(name)
        })
        .expect("works");
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
            archive::put(
                &RealDisk,
                dir.path(),
                row.partition_date(),
                "day",
                std::slice::from_ref(&row),
            )
            .expect("room");
        }
        assert_eq!(
            remove_old(
                &RealDisk,
                dir.path(),
                keep_from(&RealDisk, dir.path(), BEGAN_MS + 4 * DAY_MS, 2 * DAY_MS).expect("works"),
                &Stop::default()
            )
            .expect("works"),
            1
        );
        let left = days(&RealDisk, dir.path()).expect("a folder");
        assert_eq!(left.len(), 2);
        assert_eq!(left[0].0, table::partition_date(BEGAN_MS + DAY_MS));
    }
}
