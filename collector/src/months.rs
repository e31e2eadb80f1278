//! Months that are over become one file each, with their daily figures beside them; and back into days where `keep` asks for it.
//!
//! Order of work: `month.parquet` is durable under its name, then its daily figures, and only then what went into it is removed. A
//! crash in between leaves readings twice for a while; they are the same by identity, readers drop them, and the next run removes
//! them. Late readings lie in their day's folder until the month is made anew with them.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use chrono::{Datelike as _, Months, NaiveDate};
use mosswarden_config::table::{self, Reading};
use mosswarden_config::zone::DEVICE_CLOCK_SET_FROM_MS;

use crate::archive::{self, ArchiveError, Stop};
use crate::compact;
use crate::disk::{self, Disk, RealDisk, Unfinished};
use crate::merge::Merge;
use crate::table_file::{Digesting, Effort, Print, Summary, TableError, TableWriter};

/// A month is merged this long after its end, ms: three days, so that buffered readings have come in (our choice).
const SETTLED_MS: i64 = 3 * 24 * 3_600_000;
pub(crate) const MONTH_FILE: &str = "month.parquet";
/// The name of a day that was laid out of its month again.
const LAID_OUT_FILE: &str = "from-month.parquet";
/// Bytes handed to the disk at once.
const BUFFER_BYTES: usize = 256 * 1024;

/// Merges every settled month that has days of its own; gives the count of months. Months that begin before `keep_from` are left in
/// days, which are removed one by one.
///
/// Months with a file that can't be read are left as they are, with a warning.
pub(crate) fn merge_settled(
    disk: &dyn Disk,
    data_dir: &Path,
    now_ms: i64,
    keep_from: Option<NaiveDate>,
    stop: &Stop,
) -> Result<u64, ArchiveError> {
    let mut merged = 0;
    for (first, days) in months_with_days(disk, data_dir)? {
        let is_settled = now_ms - end_ms(first) >= SETTLED_MS;
        let is_going = keep_from.is_some_and(|keep_from| first < keep_from);
        // Readings of impossible dates stay where they are, one file a day.
        if !is_settled || is_going || compact::start_ms(first) < DEVICE_CLOCK_SET_FROM_MS {
            continue;
        }
        match merge(disk, data_dir, first, &days, stop) {
            Ok(is_new) => merged += u64::from(is_new),
            Err(error @ (ArchiveError::Disk(_) | ArchiveError::Stopped)) => return Err(error),
            Err(error) => {
                tracing::warn!(month = %first.format("%Y-%m"), error = &error as &dyn std::error::Error, "a month's files can't be merged")
            }
        }
    }
    Ok(merged)
}

/// Days' folders by the first date of their month.
fn months_with_days(
    disk: &dyn Disk,
    data_dir: &Path,
) -> Result<BTreeMap<NaiveDate, Vec<NaiveDate>>, ArchiveError> {
    let mut months: BTreeMap<NaiveDate, Vec<NaiveDate>> = BTreeMap::new();
    for (date, _) in compact::days(disk, data_dir)? {
        let first = date.with_day(1).unwrap_or(date);
        months.entry(first).or_default().push(date);
    }
    Ok(months)
}

fn end_ms(first: NaiveDate) -> i64 {
    let next = first.checked_add_months(Months::new(1)).unwrap_or(NaiveDate::MAX);
    compact::start_ms(next)
}

/// Whether there was anything to merge; half-written files of others are nothing.
fn merge(
    disk: &dyn Disk,
    data_dir: &Path,
    first: NaiveDate,
    days: &[NaiveDate],
    stop: &Stop,
) -> Result<bool, ArchiveError> {
    let dir = table::month_dir(data_dir, first);
    let mut merged = Vec::new();
    for date in days {
        merged.append(&mut paths(disk, &table::partition_dir(data_dir, *date))?);
    }
    if !merged.is_empty() {
        let mut files = paths(disk, &dir)?;
        files.retain(|path| path.file_name().is_some_and(|name| name == MONTH_FILE));
        files.extend(merged.iter().cloned());
        disk::create_dir_durably(disk, &dir)?;
        write(disk, data_dir, first, &files, stop)?;
    }
    for file in &merged {
        disk.remove(file)?;
    }
    for date in days {
        compact::remove_if_empty(disk, &table::partition_dir(data_dir, *date))?;
    }
    disk.sync_dir(&table::readings_dir(data_dir))?;
    Ok(!merged.is_empty())
}

fn paths(disk: &dyn Disk, dir: &Path) -> Result<Vec<PathBuf>, ArchiveError> {
    let names = archive::parquet_names(disk, dir)?;
    Ok(names.iter().map(|name| dir.join(name)).collect())
}

/// The month's file of `files`, and its daily figures.
fn write(
    disk: &dyn Disk,
    data_dir: &Path,
    first: NaiveDate,
    files: &[PathBuf],
    stop: &Stop,
) -> Result<(), ArchiveError> {
    let mut merge = Merge::open(disk, files, stop)?;
    write_sensors(disk, data_dir, first, Effort::Thorough, || merge.next_day())
}

/// Writes one month's file as compaction does, for those that need years at once: `next` gives the next readings in order of sensor, time
/// and quantity, all of a sensor's UTC day at once.
///
/// # Errors
/// [`ArchiveError`] where the folder can't be written.
pub fn write_month(
    data_dir: &Path,
    first: NaiveDate,
    mut next: impl FnMut() -> Option<Vec<Reading>>,
) -> Result<(), ArchiveError> {
    let dir = table::month_dir(data_dir, first);
    disk::create_dir_durably(&RealDisk, &dir)?;
    write_sensors(&RealDisk, data_dir, first, Effort::Quick, || Ok(next()))
}

fn write_sensors(
    disk: &dyn Disk,
    data_dir: &Path,
    first: NaiveDate,
    effort: Effort,
    mut next: impl FnMut() -> Result<Option<Vec<Reading>>, ArchiveError>,
) -> Result<(), ArchiveError> {
    let mut summary = Summary::default();
    let path = table::month_dir(data_dir, first).join(MONTH_FILE);
    let out = Digesting::new(BufWriter::with_capacity(
        BUFFER_BYTES,
        Unfinished::begin(disk, &path)?,
    ));
    let mut table = TableWriter::new(out, effort)?;
    while let Some(rows) = next()? {
        summary.add(&rows);
        table.push(rows)?;
    }
    let (out, print) = table.finish()?.finish();
    out.into_inner()
        .map_err(std::io::IntoInnerError::into_error)?
        .finish(disk)?;
    summary.of = Some(print);
    put_summary(disk, data_dir, first, &summary)
}

/// Puts daily figures beside their month. Those of a later version are left as they are: that version sees for itself whether they are
/// still of this month.
pub(crate) fn put_summary(
    disk: &dyn Disk,
    data_dir: &Path,
    first: NaiveDate,
    summary: &Summary,
) -> Result<(), ArchiveError> {
    let path = table::summary_file(data_dir, first);
    if let Figures::Newer = figures(disk, data_dir, first)? {
        tracing::info!(file = %path.display(), "daily figures of a later version are left as they are");
        return Ok(());
    }
    if let Some(dir) = path.parent() {
        disk::create_dir_durably(disk, dir)?;
    }
    Ok(disk::put(disk, &path, &summary.to_bytes()?)?)
}

/// The daily figures of a month's file, made from it.
pub(crate) fn summary_of(disk: &dyn Disk, path: &Path, stop: &Stop) -> Result<Summary, ArchiveError> {
    let mut merge = Merge::open(disk, &[path.to_owned()], stop)?;
    let mut summary = Summary::default();
    while let Some(rows) = merge.next_day()? {
        summary.add(&rows);
    }
    summary.of = Some(Print::of(disk, path)?);
    Ok(summary)
}

/// Makes daily figures anew where there are none, or where they are of a file of another length; gives the count of months.
pub(crate) fn mend_summaries(disk: &dyn Disk, data_dir: &Path, stop: &Stop) -> Result<u64, ArchiveError> {
    let mut mended = 0;
    for (first, dir) in months(disk, data_dir)? {
        let path = dir.join(MONTH_FILE);
        let bytes = match disk.len(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error.into()),
        };
        match figures(disk, data_dir, first)? {
            Figures::Known(Summary { of: Some(of), .. }) if of.bytes == bytes => continue,
            Figures::Newer => continue,
            Figures::Known(_) | Figures::None => {}
        }
        match summary_of(disk, &path, stop) {
            Ok(summary) => {
                put_summary(disk, data_dir, first, &summary)?;
                mended += 1;
            }
            Err(error @ (ArchiveError::Disk(_) | ArchiveError::Stopped)) => return Err(error),
            Err(error) => {
                tracing::warn!(file = %path.display(), error = &error as &dyn std::error::Error, "a month's file can't be read")
            }
        }
    }
    Ok(mended)
}

/// What there is of a month's daily figures.
pub(crate) enum Figures {
    Known(Summary),
    /// Written by a later version of this program.
    Newer,
    /// None, or none that can be read.
    None,
}

pub(crate) fn figures(disk: &dyn Disk, data_dir: &Path, first: NaiveDate) -> Result<Figures, ArchiveError> {
    match disk.read(&table::summary_file(data_dir, first)) {
        Ok(bytes) => Ok(match Summary::from_bytes(bytes) {
            Ok(summary) => Figures::Known(summary),
            Err(TableError::Newer { .. }) => Figures::Newer,
            Err(_) => Figures::None,
        }),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Figures::None),
        Err(error) => Err(error.into()),
    }
}

/// Months' folders, by their first date.
pub(crate) fn months(disk: &dyn Disk, data_dir: &Path) -> Result<Vec<(NaiveDate, PathBuf)>, ArchiveError> {
    let root = table::readings_dir(data_dir);
    let names = disk.list(&root)?;
    Ok(names
        .into_iter()
        .filter_map(|name| Some((table::month_of_partition(&name)?, root.join(name))))
        .collect())
}

/// Lets go of months: whole ones that end before `keep_from` are removed (and counted), the one in which it lies is laid out into
/// days again, once, so that its days can go one by one.
pub(crate) fn let_go(
    disk: &dyn Disk,
    data_dir: &Path,
    keep_from: NaiveDate,
    stop: &Stop,
) -> Result<u64, ArchiveError> {
    let mut removed = 0;
    for (first, dir) in months(disk, data_dir)? {
        if first >= keep_from {
            continue;
        }
        let path = dir.join(MONTH_FILE);
        let is_there = disk.list(&dir)?.iter().any(|name| name == MONTH_FILE);
        let next = first.checked_add_months(Months::new(1)).unwrap_or(NaiveDate::MAX);
        if is_there && next > keep_from {
            match lay_out(disk, data_dir, &path, keep_from, stop) {
                Ok(()) => {}
                Err(error @ (ArchiveError::Disk(_) | ArchiveError::Stopped)) => return Err(error),
                Err(error) => {
                    tracing::warn!(file = %path.display(), error = &error as &dyn std::error::Error, "a month's file can't be read");
                    continue;
                }
            }
        }
        if is_there {
            disk.remove(&path)?;
            disk.sync_dir(&dir)?;
            removed += 1;
        }
        let summary = table::summary_file(data_dir, first);
        if let Some(folder) = summary.parent()
            && disk
                .list(folder)?
                .iter()
                .any(|name| summary.file_name().is_some_and(|own| own == name.as_str()))
        {
            disk.remove(&summary)?;
        }
        compact::remove_if_empty(disk, &dir)?;
    }
    Ok(removed)
}

/// The days of a month's file from `keep_from` on, each into a file of its own.
fn lay_out(
    disk: &dyn Disk,
    data_dir: &Path,
    path: &Path,
    keep_from: NaiveDate,
    stop: &Stop,
) -> Result<(), ArchiveError> {
    let mut days: BTreeMap<NaiveDate, DayWriter> = BTreeMap::new();
    let mut merge = Merge::open(disk, &[path.to_owned()], stop)?;
    while let Some(rows) = merge.next_day()? {
        let Some(date) = rows
            .first()
            .map(Reading::partition_date)
            .filter(|date| *date >= keep_from)
        else {
            continue;
        };
        let writer = match days.entry(date) {
            Entry::Occupied(there) => there.into_mut(),
            Entry::Vacant(new) => new.insert(begin_day(disk, data_dir, date)?),
        };
        writer.push(rows)?;
        writer.end_sensor()?;
    }
    for writer in days.into_values() {
        let file = writer.finish()?;
        file.into_inner()
            .map_err(std::io::IntoInnerError::into_error)?
            .finish(disk)?;
    }
    tracing::info!(file = %path.display(), "a month that `keep` reaches was laid out into days");
    Ok(())
}

type DayWriter = TableWriter<BufWriter<Unfinished>>;

fn begin_day(disk: &dyn Disk, data_dir: &Path, date: NaiveDate) -> Result<DayWriter, ArchiveError> {
    let dir = table::partition_dir(data_dir, date);
    disk::create_dir_durably(disk, &dir)?;
    let file = Unfinished::begin(disk, &dir.join(LAID_OUT_FILE))?;
    Ok(TableWriter::new(BufWriter::new(file), Effort::Quick)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::tests::{all, reading};

    const DAY_MS: i64 = 24 * 3_600_000;

    fn date(month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, month, day).expect("a date")
    }

    /// Two sensors, every six hours from 25 February to 5 April 2026, a file a day.
    fn archive(data_dir: &Path) -> Vec<Reading> {
        let mut written = Vec::new();
        let (mut day, until) = (date(2, 25), date(4, 6));
        while day < until {
            let rows: Vec<Reading> = ["a", "b"]
                .iter()
                .flat_map(|sensor| (0..4).map(|n| (*sensor, n)))
                .map(|(sensor, n)| reading(sensor, compact::start_ms(day) + n * DAY_MS / 4, n as f64))
                .collect();
            archive::put(&RealDisk, data_dir, day, "day", &rows).expect("room");
            written.extend(rows);
            day = day.succ_opt().expect("a date");
        }
        sorted(written)
    }

    fn sorted(mut rows: Vec<Reading>) -> Vec<Reading> {
        archive::sort_and_drop_repeats(&mut rows);
        rows
    }

    fn stored(data_dir: &Path) -> Vec<Reading> {
        let dirs = compact::days(&RealDisk, data_dir).expect("a folder");
        let dirs = dirs
            .into_iter()
            .chain(months(&RealDisk, data_dir).expect("a folder"));
        let files = dirs.flat_map(|(_, dir)| paths(&RealDisk, &dir).expect("a folder"));
        let rows: Vec<Reading> = files
            .flat_map(|path| all(&RealDisk, &path).expect("our own"))
            .collect();
        let count = rows.len();
        let rows = sorted(rows);
        assert_eq!(rows.len(), count, "a reading is stored twice");
        rows
    }

    fn day_count(data_dir: &Path) -> usize {
        compact::days(&RealDisk, data_dir).expect("a folder").len()
    }

    #[test]
    fn months_that_are_over_become_one_file_and_nothing_changes() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let written = archive(dir.path());
        let now_ms = compact::start_ms(date(4, 4));
        assert_eq!(
            merge_settled(&RealDisk, dir.path(), now_ms - 1, None, &Stop::default()).expect("works"),
            1
        );
        assert_eq!(
            merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default()).expect("works"),
            1
        );
        assert_eq!(day_count(dir.path()), 5, "April stays in days");
        assert_eq!(stored(dir.path()), written);
        assert_eq!(
            merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default()).expect("works"),
            0
        );
        // A late reading, and one that is there already.
        let late = [
            reading("c", compact::start_ms(date(3, 9)), 9.0),
            written[40].clone(),
        ];
        for (day, mut rows) in archive::by_date(late.to_vec()) {
            archive::drop_known(&RealDisk, dir.path(), day, &mut rows).expect("readable");
            if !rows.is_empty() {
                archive::put(&RealDisk, dir.path(), day, "part-1", &rows).expect("room");
            }
        }
        assert_eq!(day_count(dir.path()), 6);
        assert_eq!(
            merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default()).expect("works"),
            1
        );
        let mut wanted = written;
        wanted.push(late[0].clone());
        assert_eq!(stored(dir.path()), sorted(wanted));
        let march = table::month_dir(dir.path(), date(3, 1)).join(MONTH_FILE);
        let summary = summary_of(&RealDisk, &march, &Stop::default()).expect("our own");
        assert_eq!(summary.readings(), 31 * 8 + 1);
        let kept = fs_err::read(table::summary_file(dir.path(), date(3, 1))).expect("daily figures");
        assert_eq!(Summary::from_bytes(kept).expect("our own"), summary);
    }

    #[test]
    fn keep_counts_days_in_months_too() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let written = archive(dir.path());
        let now_ms = compact::start_ms(date(4, 10));
        merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default()).expect("works");
        for keep_from in [date(2, 27), date(3, 1), date(3, 20), date(3, 21), date(4, 2)] {
            compact::remove_old(&RealDisk, dir.path(), keep_from, &Stop::default()).expect("works");
            merge_settled(&RealDisk, dir.path(), now_ms, Some(keep_from), &Stop::default()).expect("works");
            let wanted: Vec<Reading> = written
                .iter()
                .filter(|row| row.partition_date() >= keep_from)
                .cloned()
                .collect();
            assert_eq!(stored(dir.path()), wanted, "{keep_from}");
        }
        assert!(months(&RealDisk, dir.path()).expect("a folder").is_empty());
        assert!(!table::summary_file(dir.path(), date(3, 1)).exists());
    }

    #[test]
    fn a_clock_far_ahead_lets_nothing_go() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let written = archive(dir.path());
        let keep_ms = 60 * DAY_MS;
        let keep_from = |now_ms| compact::keep_from(&RealDisk, dir.path(), now_ms, keep_ms).expect("works");
        let counted_from = |at_ms: i64| table::partition_date(at_ms - keep_ms - 1);
        let end_ms = compact::start_ms(date(4, 6));
        // A pause, then fourteen years ahead; then readings that came in by that clock.
        assert_eq!(
            keep_from(end_ms + 30 * DAY_MS),
            counted_from(end_ms + 30 * DAY_MS)
        );
        let ahead_ms = end_ms + 14 * 365 * DAY_MS;
        assert_eq!(keep_from(ahead_ms), counted_from(end_ms));
        let late = reading("a", ahead_ms, 1.0);
        archive::put(
            &RealDisk,
            dir.path(),
            late.partition_date(),
            "day",
            std::slice::from_ref(&late),
        )
        .expect("room");
        assert_eq!(keep_from(ahead_ms + DAY_MS), counted_from(end_ms));
        compact::remove_old(&RealDisk, dir.path(), keep_from(ahead_ms), &Stop::default()).expect("works");
        assert_eq!(stored(dir.path()).len(), written.len() + 1);
        // The clock was right, and so much came in since: what lies before the leap is old.
        let later_ms = ahead_ms + keep_ms + DAY_MS;
        assert_eq!(keep_from(later_ms), counted_from(later_ms));
        // The clock is right again.
        assert_eq!(keep_from(end_ms), counted_from(end_ms));
    }

    #[test]
    fn daily_figures_that_are_missing_or_of_another_file_are_made_anew() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        archive(dir.path());
        merge_settled(
            &RealDisk,
            dir.path(),
            compact::start_ms(date(4, 10)),
            None,
            &Stop::default(),
        )
        .expect("works");
        let file = table::summary_file(dir.path(), date(3, 1));
        let sound = fs_err::read(&file).expect("daily figures");
        assert_eq!(
            mend_summaries(&RealDisk, dir.path(), &Stop::default()).expect("works"),
            0
        );
        fs_err::remove_file(&file).expect("there");
        assert_eq!(
            mend_summaries(&RealDisk, dir.path(), &Stop::default()).expect("works"),
            1
        );
        fs_err::write(&file, "nonsense").expect("room");
        assert_eq!(
            mend_summaries(&RealDisk, dir.path(), &Stop::default()).expect("works"),
            1
        );
        let february = fs_err::read(table::summary_file(dir.path(), date(2, 1))).expect("daily figures");
        fs_err::write(&file, february).expect("room");
        assert_eq!(
            mend_summaries(&RealDisk, dir.path(), &Stop::default()).expect("works"),
            1
        );
        assert_eq!(fs_err::read(&file).expect("daily figures"), sound);
    }

    #[test]
    fn a_stop_breaks_merging_off_and_a_later_run_takes_it_up() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let written = archive(dir.path());
        let now_ms = compact::start_ms(date(4, 10));
        let stop = Stop::default();
        stop.now();
        let result = merge_settled(&RealDisk, dir.path(), now_ms, None, &stop);
        assert!(matches!(result, Err(ArchiveError::Stopped)), "{result:?}");
        assert_eq!(stored(dir.path()), written);
        let merged = merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default());
        assert_eq!(merged.expect("works"), 2);
        assert_eq!(stored(dir.path()), written);
    }

    #[test]
    fn half_written_files_of_others_are_no_work() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let day = table::partition_dir(dir.path(), date(2, 3));
        fs_err::create_dir_all(&day).expect("room");
        fs_err::write(day.join(".import-1.parquet.tmp"), b"PAR1").expect("room");
        let now_ms = compact::start_ms(date(4, 10));
        let merged = merge_settled(&RealDisk, dir.path(), now_ms, None, &Stop::default());
        assert_eq!(merged.expect("works"), 0);
        assert!(day.join(".import-1.parquet.tmp").is_file());
    }
}
