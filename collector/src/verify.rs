//! Looks through every file of the archive, says what is wrong, and repairs it without losing a reading.
//!
//! Checked: that each file can be read, its version and columns, that the readings of each row group are those that were written, its
//! statistics and the order of its rows, that they lie in the right day or month, and, for months, length, SHA-256 and counts against the
//! daily figures. A repair writes what can be read into day files first, durably,
//! and then sets the damaged file aside in `damaged/`; nothing is removed.

use std::collections::BTreeSet;
use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use chrono::{Datelike, NaiveDate};
use mosswarden_config::plain::plain;
use mosswarden_config::table::{self, Reading};

use crate::archive::{self, ArchiveError, Stop};
use crate::disk::{self, Disk};
use crate::months::{self, Figures, MONTH_FILE};
use crate::own::{Own, Tidying};
use crate::run::{CollectError, lock};
use crate::table_file::{self, Source, Summary, TableError, TableReader};

/// The collector looks through each month once in so many days (own choice): what goes bad on a disk is told while there still are backups
/// from before.
const ROUND_DAYS: i64 = 30;
/// Readings held in memory while a file is repaired, beside one row group: about 20 MB.
const HELD_ROWS_MAX: usize = 200_000;

/// What was looked through, and what was wrong.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Verified {
    pub files: u64,
    pub readings: u64,
    pub problems: Vec<Problem>,
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    pub path: PathBuf,
    pub what: String,
    /// What was done about it; `None` where nothing was, or nothing can be.
    pub repaired: Option<String>,
}

impl fmt::Display for Problem {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}: {}", self.path.display(), self.what)?;
        match &self.repaired {
            Some(done) => write!(out, "\n  repaired: {done}"),
            None => Ok(()),
        }
    }
}

/// Why the archive could not be looked through.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    #[error("the archive can't be read or repaired")]
    Archive(#[from] ArchiveError),
    #[error("{} is not there; is its disk mounted, or is `data_dir` another?", .0.display())]
    Missing(PathBuf),
    #[error("a collector works on the folder; a repair needs it stopped")]
    Locked(#[source] CollectError),
    #[error(transparent)]
    Folder(CollectError),
    #[error("a collector is merging files of the folder; a repair needs it stopped")]
    Tidied,
}

/// Looks through the whole archive of a data folder; with `repair`, puts right what can be.
///
/// Reading alone may be done beside a running collector.
///
/// # Errors
/// [`VerifyError`] where a folder can't be read, or a repair is asked for while a collector runs.
pub fn verify(disk: &dyn Disk, data_dir: &Path, repair: bool) -> Result<Verified, VerifyError> {
    if !data_dir.is_dir() {
        return Err(VerifyError::Missing(data_dir.to_owned()));
    }
    let _locks = match repair {
        true => {
            let alone = lock(data_dir, &Own::default()).map_err(|error| match error {
                CollectError::Locked { .. } => VerifyError::Locked(error),
                other => VerifyError::Folder(other),
            })?;
            let tidying = Tidying::begin(disk, data_dir).map_err(ArchiveError::from)?;
            Some((alone, tidying.ok_or(VerifyError::Tidied)?))
        }
        false => None,
    };
    Ok(Verifier {
        disk,
        data_dir,
        repair,
        stop: &Stop::default(),
        found: Verified::default(),
    }
    .all()?)
}

/// The months, by their first day, whose turn it is on a day since 1970.
pub(crate) fn months_in_turn(
    disk: &dyn Disk,
    data_dir: &Path,
    day: i64,
) -> Result<Vec<NaiveDate>, ArchiveError> {
    let count = |first: &NaiveDate| i64::from(first.year()) * 12 + i64::from(first.month0());
    let all = months::months(disk, data_dir)?
        .into_iter()
        .map(|(first, _)| first);
    Ok(all
        .filter(|first| (count(first) - day).rem_euclid(ROUND_DAYS) == 0)
        .collect())
}

/// Looks through one month as [`verify`] does, and says what is wrong with it; nothing is changed.
pub(crate) fn look_through_month(
    disk: &dyn Disk,
    data_dir: &Path,
    first: NaiveDate,
    stop: &Stop,
) -> Result<Vec<Problem>, ArchiveError> {
    let dir = table::month_dir(data_dir, first);
    let Some(dates) = dir
        .file_name()
        .and_then(|name| table::dates_of_partition(&name.to_string_lossy()))
    else {
        return Ok(Vec::new());
    };
    let mut verifier = Verifier {
        disk,
        data_dir,
        repair: false,
        stop,
        found: Verified::default(),
    };
    verifier.file(&dir.join(MONTH_FILE), dates)?;
    Ok(verifier.found.problems)
}

struct Verifier<'a> {
    disk: &'a dyn Disk,
    data_dir: &'a Path,
    repair: bool,
    stop: &'a Stop,
    found: Verified,
}

/// What a look at a file gave: how many rows can be read, and what is wrong with it.
#[derive(Default)]
struct Seen {
    readings: u64,
    wrong: BTreeSet<String>,
    /// Written by a later version, or not to be reached just now: left alone.
    is_left: bool,
}

impl Verifier<'_> {
    fn all(mut self) -> Result<Verified, ArchiveError> {
        let root = table::readings_dir(self.data_dir);
        for folder in self.disk.list(&root)? {
            let dir = root.join(&folder);
            let Some(dates) = table::dates_of_partition(&folder) else {
                self.tell(&dir, "is no folder of a day or month; it is passed over", None);
                continue;
            };
            for name in self.disk.list(&dir)? {
                self.file(&dir.join(&name), dates)?;
            }
        }
        self.lonely_summaries()?;
        Ok(self.found)
    }

    fn tell(&mut self, path: &Path, what: &str, repaired: Option<String>) {
        self.found.problems.push(Problem {
            path: path.to_owned(),
            what: what.to_owned(),
            repaired,
        });
    }

    fn file(&mut self, path: &Path, dates: (NaiveDate, NaiveDate)) -> Result<(), ArchiveError> {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if name.starts_with('.') && name.ends_with(".tmp") {
            // Half written by a crash or being written right now: nothing of it was counted on.
            return Ok(());
        }
        if !name.ends_with(".parquet") {
            self.tell(path, "is no Parquet file; it is passed over", None);
            return Ok(());
        }
        let mut seen = match Source::open(self.disk, path) {
            // A running collector merged it meanwhile.
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            // What the system refuses says nothing of the bytes: the file stays where it is.
            Err(error) => Seen {
                wrong: BTreeSet::from([format!(
                    "can't be read: {}; {}",
                    plain(&error),
                    disk::next_step(&error)
                )]),
                is_left: true,
                ..Seen::default()
            },
            Ok(source) => look_at(source, dates, self.stop)?,
        };
        self.found.files += 1;
        self.found.readings += seen.readings;
        let is_month = name == MONTH_FILE && dates.0 != dates.1;
        let known = if is_month {
            self.month(path, dates.0, &mut seen)?
        } else {
            None
        };
        if seen.wrong.is_empty() {
            return Ok(());
        }
        let what = seen.wrong.iter().cloned().collect::<Vec<_>>().join("; ");
        let done = match self.repair && !seen.is_left {
            true => Some(self.set_aside(path, known.map(|known| known.readings()))?),
            false => None,
        };
        if done.is_some() && is_month {
            self.remove_summary(dates.0)?;
        }
        self.tell(path, &what, done);
        Ok(())
    }

    /// Compares a month with its daily figures; they are made anew where the month is sound and they are not. Gives what they said.
    fn month(
        &mut self,
        path: &Path,
        first: NaiveDate,
        seen: &mut Seen,
    ) -> Result<Option<Summary>, ArchiveError> {
        let file = table::summary_file(self.data_dir, first);
        let known = match months::figures(self.disk, self.data_dir, first)? {
            Figures::Known(known) => Some(known),
            Figures::Newer => {
                self.tell(
                    &file,
                    "are daily figures of a later version; they are left alone",
                    None,
                );
                return Ok(None);
            }
            Figures::None => None,
        };
        if !seen.wrong.is_empty() {
            return Ok(known);
        }
        let actual = months::summary_of(self.disk, path, self.stop)?;
        let Some(known) = known else {
            let done = self.mend(first, &actual)?;
            self.tell(&file, "the month has no daily figures that can be read", done);
            return Ok(None);
        };
        match (known.of == actual.of, known.days == actual.days) {
            (true, true) => {}
            (false, true) => {
                let done = self.mend(first, &actual)?;
                let what = "the daily figures agree, and were made from another copy of the month";
                self.tell(&file, what, done);
            }
            (true, false) => {
                let done = self.mend(first, &actual)?;
                let what = "the daily figures are not those of the month that they were made from";
                self.tell(&file, what, done);
            }
            (false, false) => {
                let differing = known
                    .days
                    .iter()
                    .filter(|(key, day)| actual.days.get(*key) != Some(day))
                    .count();
                seen.wrong.insert(format!(
                    "was changed since its daily figures were made: {differing} of {} days of a sensor differ, {} readings instead of {}",
                    known.days.len(),
                    actual.readings(),
                    known.readings()
                ));
            }
        }
        Ok(Some(known))
    }

    fn mend(&self, first: NaiveDate, summary: &Summary) -> Result<Option<String>, ArchiveError> {
        if !self.repair {
            return Ok(None);
        }
        months::put_summary(self.disk, self.data_dir, first, summary)?;
        Ok(Some("made anew from the month".to_owned()))
    }

    /// What could be read goes into its days, durably; then the file goes into `damaged/`.
    fn set_aside(&self, path: &Path, expected: Option<i64>) -> Result<String, ArchiveError> {
        let (count, changed) = self.rescue(path)?;
        let folder = path
            .parent()
            .and_then(Path::file_name)
            .unwrap_or_default()
            .to_string_lossy();
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let dir = self.data_dir.join("damaged");
        disk::create_dir_durably(self.disk, &dir)?;
        let taken = self.disk.list(&dir)?;
        let free = (1..)
            .map(|number| format!("{folder}-{number}-{name}"))
            .find(|name| !taken.contains(name))
            .unwrap_or_default();
        let aside = dir.join(free);
        self.disk.rename(path, &aside)?;
        self.disk.sync_dir(&dir)?;
        if let Some(parent) = path.parent() {
            self.disk.sync_dir(parent)?;
        }
        let lost = match expected {
            Some(expected) if expected > count as i64 => {
                format!(
                    "; {} that its daily figures know of could not be read",
                    expected - count as i64
                )
            }
            _ => String::new(),
        };
        let doubtful = match changed {
            0 => String::new(),
            _ => format!(
                "; at least one of {changed} of them is not what was written, and a backup of the file would tell which"
            ),
        };
        Ok(format!(
            "{count} readings went into their days{lost}{doubtful}; the file was set aside as {}",
            aside.display()
        ))
    }

    /// Every row of a file that can be read, whatever else is wrong with it, into its day; gives their count, and how many stood in row
    /// groups that are not as they were written. A few row groups at a time.
    fn rescue(&self, path: &Path) -> Result<(usize, usize), ArchiveError> {
        let Ok(table) = archive::open(self.disk, path) else {
            return Ok((0, 0));
        };
        let (mut held, mut count, mut changed) = (Vec::new(), 0, 0);
        let group_count = table.groups().len();
        for index in 0..group_count {
            let rows = match table.group(index) {
                Err(TableError::Changed) => {
                    let rows = table.group_as_it_reads(index).unwrap_or_default();
                    changed += rows.len();
                    rows
                }
                rows => rows.unwrap_or_default(),
            };
            held.extend(rows);
            if held.len() < HELD_ROWS_MAX && index + 1 < group_count {
                continue;
            }
            count += held.len();
            for (date, mut rows) in archive::by_date(std::mem::take(&mut held)) {
                archive::sort_and_drop_repeats(&mut rows);
                archive::put(self.disk, self.data_dir, date, "repaired", &rows)?;
            }
        }
        Ok((count, changed))
    }

    fn remove_summary(&self, first: NaiveDate) -> Result<(), ArchiveError> {
        match self.disk.remove(&table::summary_file(self.data_dir, first)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error.into()),
            _ => Ok(()),
        }
    }

    /// Daily figures of months that are not there.
    fn lonely_summaries(&mut self) -> Result<(), ArchiveError> {
        let months: BTreeSet<PathBuf> = months::months(self.disk, self.data_dir)?
            .into_iter()
            .filter(|(_, dir)| self.disk.len(&dir.join(MONTH_FILE)).is_ok())
            .map(|(first, _)| table::summary_file(self.data_dir, first))
            .collect();
        let dir = table::summary_file(self.data_dir, NaiveDate::default());
        let Some(dir) = dir.parent() else { return Ok(()) };
        for name in self.disk.list(dir)? {
            let file = dir.join(&name);
            if name.ends_with(".parquet") && !months.contains(&file) {
                self.tell(&file, "are daily figures of a month that is not there", None);
            }
        }
        Ok(())
    }
}

fn look_at(source: Source, dates: (NaiveDate, NaiveDate), stop: &Stop) -> Result<Seen, ArchiveError> {
    let mut seen = Seen::default();
    let table = match TableReader::open(source) {
        Ok(table) => table,
        Err(error) => {
            seen.is_left = matches!(error, TableError::Newer { .. });
            seen.wrong.insert(words(&error));
            return Ok(seen);
        }
    };
    let (mut is_sorted, mut astray) = (true, 0);
    let mut last: Option<Reading> = None;
    let follows = |a: &Reading, b: &Reading| {
        // Within a sensor version 1 has another order.
        if table.is_in_order() {
            table_file::row_order(a, b).is_le()
        } else {
            a.sensor <= b.sensor
        }
    };
    for (index, group) in table.groups().iter().enumerate() {
        stop.check()?;
        let rows = match table.group(index) {
            Ok(rows) => rows,
            Err(error) => {
                seen.wrong
                    .insert(format!("row group {}: {}", index + 1, words(&error)));
                continue;
            }
        };
        if !group.is_of(&rows) {
            seen.wrong.insert(format!(
                "row group {}: its statistics are not those of its readings",
                index + 1
            ));
        }
        seen.readings += rows.len() as u64;
        is_sorted &= rows.is_sorted_by(follows);
        is_sorted &= last
            .zip(rows.first())
            .is_none_or(|(last, first)| follows(&last, first));
        let is_inside = |row: &&Reading| (dates.0..=dates.1).contains(&row.partition_date());
        astray += rows.len() - rows.iter().filter(is_inside).count();
        last = rows.last().cloned();
    }
    if !is_sorted {
        seen.wrong.insert("its rows are not in order".to_owned());
    }
    if astray > 0 {
        seen.wrong.insert(format!(
            "{astray} of its readings are of other days than its folder says"
        ));
    }
    Ok(seen)
}

fn words(error: &dyn std::error::Error) -> String {
    match error.source() {
        Some(source) => plain(format!("{error}: {source}")),
        None => plain(error),
    }
}

#[cfg(test)]
mod tests;
