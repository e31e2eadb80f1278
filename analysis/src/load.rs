//! The archive's files to series in memory: the only place that reads readings from disk.
//!
//! In: the archive, a span, and durable readings that are not yet in a file. Out: one [`Series`] for each sensor and
//! quantity, sorted, each reading once. Nothing later than the span's end can be seen. Only the days of the span are opened, and of
//! them only what may hold the sensors that are wanted: `columns` reads it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::NaiveDate;
use mosswarden_config::correction::Correction;
use mosswarden_config::journal::{Entry, POWER_CUT};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{self, Archive, Mark, ROOM, Reading, TimeSource, column};
use mosswarden_config::zone::{DEVICE_CLOCK_SET_FROM_MS, MS_PER_24_H, MS_PER_HOUR, Span};
use polars::prelude::*;

use crate::series::Series as Samples;

mod columns;
mod days;

pub use days::{DailyMeans, DayMean, LONG_HISTORY_MS, daily_means};

/// Why the archive could not be read.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    #[error("could not read {path}")]
    Io {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    #[error(
        "{path} is not a readable Parquet file of readings; move it out of the folder and import it again"
    )]
    Parquet {
        path: PathBuf,
        #[source]
        source: PolarsError,
    },
    #[error(
        "{path} is not a readable file of daily figures; remove it: the running collector makes it anew from its month, and so does `mosswarden verify --repair`"
    )]
    DailyFigures {
        path: PathBuf,
        #[source]
        source: PolarsError,
    },
    #[error("{path} has format {found}, this program reads up to {known}; use a newer mosswarden")]
    TooNew { path: PathBuf, found: u32, known: u32 },
    #[error("the archive can't be reached")]
    Archive(#[from] std::io::Error),
}

/// What was loaded: every series, by sensor and quantity, and the journal up to the end of the span.
#[derive(Debug, Clone, Default)]
pub struct Record {
    pub span: Option<Span>,
    series: BTreeMap<(Arc<str>, Quantity), Samples>,
    pub journal: Vec<Entry>,
    /// What checks said of sensors, in the order in which it was written; none later than the end of the span.
    pub corrections: Vec<Correction>,
    /// Daily means from before the span, as far as they were asked for.
    pub days_before: DailyMeans,
    /// Files that were read.
    pub files: Vec<PathBuf>,
    /// Imported readings whose stamps lie before any of these devices was made: first stamp by sensor, ms. When they were
    /// really taken nobody knows, so they belong to no series.
    misdated: BTreeMap<String, Span>,
}

impl Record {
    pub fn get(&self, sensor: &str, quantity: Quantity) -> Option<&Samples> {
        self.series.get(&(Arc::from(sensor), quantity))
    }

    pub fn iter(&self) -> impl Iterator<Item = (&str, Quantity, &Samples)> {
        self.series
            .iter()
            .map(|((sensor, quantity), series)| (sensor.as_ref(), *quantity, series))
    }

    pub fn is_empty(&self) -> bool {
        self.series.is_empty()
    }

    /// The reach of the stamps of a sensor's readings that carry an impossible date, if it has any.
    pub fn misdated(&self, sensor: &str) -> Option<Span> {
        self.misdated.get(sensor).copied()
    }

    /// A record made of readings in memory, as [`load`] would give it.
    pub fn from_readings(
        readings: impl IntoIterator<Item = Reading>,
        journal: Vec<Entry>,
        span: Span,
    ) -> Record {
        let (mut gathered, mut misdated) = (Gathered::default(), Gathered::default());
        for reading in readings {
            if span.contains(reading.at_ms) {
                gathered.add(reading);
            } else if reading.at_ms < DEVICE_CLOCK_SET_FROM_MS {
                misdated.add(reading);
            }
        }
        let mut record = gathered.finish(Some(span));
        record.note_misdated(misdated);
        record.journal = journal
            .into_iter()
            .filter(|entry| entry.at_ms < span.until_ms)
            .collect();
        record.journal.sort_by_key(|entry| entry.at_ms);
        record
    }

    fn note_misdated(&mut self, misdated: Gathered) {
        for ((sensor, _), rows) in misdated.series {
            let stamps = || rows.iter().map(|row| row.at_ms);
            if let (Some(from_ms), Some(until_ms)) = (stamps().min(), stamps().max()) {
                let reach = Span { from_ms, until_ms };
                let known = self.misdated.entry(sensor.to_string()).or_insert(reach);
                known.from_ms = known.from_ms.min(from_ms);
                known.until_ms = known.until_ms.max(until_ms);
            }
        }
    }

    /// Lets go of what was measured before an instant; states of devices stay, they are few and hold on.
    pub fn let_go_before(&mut self, from_ms: i64) {
        for ((_, quantity), series) in &mut self.series {
            if *quantity != Quantity::State {
                *series = series.since(from_ms);
            }
        }
        self.series.retain(|_, series| !series.is_empty());
    }

    /// Takes another record of the same span in: its series beside the ones that are here.
    pub fn join(&mut self, other: Record) {
        self.span = self.span.or(other.span);
        self.series.extend(other.series);
        self.files.extend(other.files);
        self.files.sort();
        self.files.dedup();
        self.days_before.extend(other.days_before);
        self.misdated.extend(other.misdated);
        self.journal = other.journal;
        self.corrections = other.corrections;
    }

    /// Adds what checks said of sensors, leaving out what begins to hold after the span.
    pub fn with_corrections(mut self, corrections: Vec<Correction>) -> Record {
        let until_ms = self.span.map_or(i64::MAX, |span| span.until_ms);
        self.corrections = corrections;
        self.corrections.retain(|found| found.valid_from_ms < until_ms);
        self
    }

    /// Adds the daily means of some sensors from before the span.
    ///
    /// # Errors
    /// [`LoadError`] names the file.
    pub fn with_days_before(
        mut self,
        archive: &dyn Archive,
        wanted: &BTreeSet<String>,
    ) -> Result<Record, LoadError> {
        if let Some(span) = self.span {
            let before = Span {
                from_ms: span.until_ms - LONG_HISTORY_MS,
                until_ms: span.from_ms,
            };
            if before.from_ms < before.until_ms {
                self.days_before = daily_means(archive, before, wanted)?;
            }
        }
        Ok(self)
    }

    /// Journal entries of an enclosure (or of the room) inside a span; a power cut noted for the room is every enclosure's.
    pub fn entries<'r>(&'r self, enclosure: &'r str, span: Span) -> impl Iterator<Item = &'r Entry> {
        let concerns = move |entry: &&Entry| {
            entry.enclosure == enclosure || entry.enclosure == ROOM && entry.kind == POWER_CUT
        };
        self.journal
            .iter()
            .filter(concerns)
            .filter(move |entry| span.contains(entry.at_ms))
    }

    /// Whether a power cut was noted inside a span, for the enclosure or for its room.
    pub fn power_was_cut(&self, enclosure: &str, span: Span) -> bool {
        self.entries(enclosure, span).any(|entry| entry.kind == POWER_CUT)
    }
}

/// Reads every reading with `span.from ≤ at < span.until`, of the sensors and devices in `wanted` (all of them where it is `None`);
/// `tail` holds durable readings that no file has yet.
///
/// Only days and row groups that may hold something wanted are read. While a collector merges files, what vanished under the hands
/// is looked for again: nothing is missed.
///
/// # Errors
/// [`LoadError`] names the file. An absent folder is an empty record, not an error.
pub fn load(
    archive: &dyn Archive,
    span: Span,
    wanted: Option<&BTreeSet<String>>,
    tail: &[Reading],
    journal: Vec<Entry>,
) -> Result<Record, LoadError> {
    let (mut gathered, files) = gather(archive, span, wanted)?;
    for reading in tail {
        if span.contains(reading.at_ms) && wanted.is_none_or(|wanted| wanted.contains(&*reading.sensor)) {
            gathered.add(reading.clone());
        }
    }
    let reset = Span {
        from_ms: i64::MIN / 2,
        until_ms: DEVICE_CLOCK_SET_FROM_MS,
    };
    let misdated = if span.from_ms >= DEVICE_CLOCK_SET_FROM_MS {
        gather(archive, reset, wanted)?.0
    } else {
        Gathered::default()
    };
    let mut record = gathered.finish(Some(span));
    record.files = files;
    record.note_misdated(misdated);
    record.journal = journal
        .into_iter()
        .filter(|entry| entry.at_ms < span.until_ms)
        .collect();
    record.journal.sort_by_key(|entry| entry.at_ms);
    Ok(record)
}

/// How often the folder is looked through anew when files vanish while they are being read; a collector merges a few times a day.
const TRIES_MAX: usize = 10;

/// Calls `read` with every file of the span; begins anew with `start()` when one vanished, for then it stands in another file.
fn each_file<T>(
    archive: &dyn Archive,
    span: Span,
    start: impl Fn() -> T,
    mut read: impl FnMut(&Path, &mut T) -> Result<bool, LoadError>,
) -> Result<(T, Vec<PathBuf>), LoadError> {
    let mut vanished = None;
    for _ in 0..TRIES_MAX {
        let mut into = start();
        let folders = archive.folders(span)?;
        let listed = || -> Result<Vec<PathBuf>, LoadError> {
            let of_each: Vec<_> = folders
                .iter()
                .map(|folder| files_of(folder, span))
                .collect::<Result<_, _>>()?;
            Ok(of_each.concat())
        };
        // A day that is merged between two looks, at the root and into it, is empty by the second; another look finds its month.
        let files = listed()?;
        if files != listed()? {
            vanished = folders.into_iter().next();
            continue;
        }
        vanished = None;
        for file in &files {
            if !read(file, &mut into)? {
                vanished = Some(file.clone());
                break;
            }
        }
        if vanished.is_none() {
            return Ok((into, files));
        }
    }
    Err(LoadError::Io {
        path: vanished.unwrap_or_default(),
        source: std::io::ErrorKind::NotFound.into(),
    })
}

fn gather(
    archive: &dyn Archive,
    span: Span,
    wanted: Option<&BTreeSet<String>>,
) -> Result<(Gathered, Vec<PathBuf>), LoadError> {
    each_file(
        archive,
        span,
        Gathered::default,
        |file, gathered: &mut Gathered| read_file(file, span, wanted, gathered),
    )
}

/// Parquet files of the days and months that overlap the span, in order of folder and name.
fn files_of(data_dir: &Path, span: Span) -> Result<Vec<PathBuf>, LoadError> {
    let root = table::readings_dir(data_dir);
    let mut files = Vec::new();
    for folder in list(&root)? {
        let name = folder.file_name().unwrap_or_default().to_string_lossy();
        if table::partition_may_hold(&name, span) {
            files.extend(
                list(&folder)?
                    .into_iter()
                    .filter(|file| file.extension().is_some_and(|e| e == "parquet")),
            );
        }
    }
    Ok(files)
}

fn list(dir: &Path) -> Result<Vec<PathBuf>, LoadError> {
    let wrap = |source: std::io::Error| LoadError::Io {
        path: dir.to_owned(),
        source,
    };
    match fs_err::read_dir(dir) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(wrap(error)),
        Ok(entries) => {
            let mut paths: Vec<PathBuf> = entries
                .map(|entry| entry.map(|e| e.path()))
                .collect::<Result<_, _>>()
                .map_err(wrap)?;
            paths.sort();
            Ok(paths)
        }
    }
}

/// Adds a file's rows; `false` where it is not there any more.
fn read_file(
    path: &Path,
    span: Span,
    wanted: Option<&BTreeSet<String>>,
    gathered: &mut Gathered,
) -> Result<bool, LoadError> {
    let Some(file) = columns::File::open(path)? else {
        return Ok(false);
    };
    for rows in file.rows(span, wanted) {
        let wrap = |source| file.wrap(source);
        gathered.add_rows(&rows?, span, wanted).map_err(wrap)?;
    }
    Ok(true)
}

#[derive(Default)]
struct Gathered {
    series: BTreeMap<(Arc<str>, Quantity), Vec<Row>>,
}

#[derive(Clone, Copy)]
struct Row {
    at_ms: i64,
    received_ms: i64,
    value: f64,
    mark: Mark,
}

impl Gathered {
    fn add(&mut self, reading: Reading) {
        self.series
            .entry((reading.sensor, reading.quantity))
            .or_default()
            .push(Row {
                at_ms: reading.at_ms,
                received_ms: reading.received_ms,
                value: reading.value,
                mark: reading.mark,
            });
    }

    fn add_rows(
        &mut self,
        rows: &columns::Rows,
        span: Span,
        wanted: Option<&BTreeSet<String>>,
    ) -> PolarsResult<()> {
        let (at, received, value) = (rows.at()?, rows.received()?, rows.value()?);
        let (sensors, quantities, marks) = (rows.sensors()?, rows.quantities()?, rows.marks()?);
        let mut numbers = at.iter().zip(received.iter()).zip(value.iter());
        // Words of a later version name no quantity and no mark: their rows are passed over.
        let quantity: Vec<Option<Quantity>> = quantities.each(Quantity::from_name).collect();
        let mark: Vec<Option<Mark>> = marks.each(Mark::from_name).collect();
        let mut words = quantities.place.iter().zip(&marks.place);
        // Rows of one sensor stand together: its series are looked up once a run.
        for run in sensors.place.chunk_by(|a, b| a == b) {
            let rows = numbers.by_ref().zip(words.by_ref()).take(run.len());
            let name = sensors.words[run[0]];
            let Some(name) = name.filter(|name| wanted.is_none_or(|wanted| wanted.contains(*name))) else {
                rows.for_each(drop);
                continue;
            };
            let name: Arc<str> = Arc::from(name);
            let mut series: Vec<Vec<Row>> = quantity
                .iter()
                .map(|quantity| self.series.remove(&(Arc::clone(&name), (*quantity)?)))
                .map(Option::unwrap_or_default)
                .collect();
            // Mostly each quantity has its share of the rows.
            series
                .iter_mut()
                .for_each(|rows| rows.reserve(run.len() / quantity.len()));
            for (((at_ms, received_ms), value), (place, marked)) in rows {
                let (Some(at_ms), Some(value), Some(mark)) = (at_ms, value, mark[*marked]) else {
                    continue;
                };
                if span.contains(at_ms) && quantity[*place].is_some() {
                    series[*place].push(Row {
                        at_ms,
                        received_ms: received_ms.unwrap_or(at_ms),
                        value,
                        mark,
                    });
                }
            }
            for (quantity, rows) in quantity.iter().zip(series) {
                if let Some(quantity) = quantity.filter(|_| !rows.is_empty()) {
                    self.series.insert((Arc::clone(&name), quantity), rows);
                }
            }
        }
        Ok(())
    }

    /// Sorts each series and keeps each reading once. Of two different values at one instant the one that arrived last counts; for as long
    /// as a clock's jump both of a sensor of the air are kept, a millisecond apart: one that was set back by whole intervals stamps so.
    fn finish(self, span: Option<Span>) -> Record {
        let mut series = BTreeMap::new();
        for (key, mut rows) in self.series {
            rows.sort_by(|a, b| {
                a.at_ms
                    .cmp(&b.at_ms)
                    .then(a.received_ms.cmp(&b.received_ms))
                    .then(a.value.total_cmp(&b.value))
            });
            let mut samples = Samples::with_capacity(rows.len());
            if matches!(key.1, Quantity::Humidity | Quantity::Temperature) {
                set_apart(&mut rows);
            }
            let of_instants = rows.chunk_by(|a, b| a.at_ms == b.at_ms).filter_map(<[Row]>::last);
            samples.extend(of_instants.map(|row| (row.at_ms, row.received_ms, row.value, row.mark)));
            if !samples.is_empty() {
                series.insert(key, samples);
            }
        }
        Record {
            span,
            series,
            ..Record::default()
        }
    }
}

/// Puts the second of two different values at one instant a millisecond later, in stretches no longer than a clock's jump: a longer one is history
/// that is there twice, as after a second import of changed values.
fn set_apart(rows: &mut [Row]) {
    /// Doubled instants further apart are of two stretches (own choice).
    const PAUSE_MS: i64 = MS_PER_HOUR;
    let is_second = |index: &usize| {
        let (first, second) = (&rows[index - 1], &rows[*index]);
        first.at_ms == second.at_ms && first.value != second.value
    };
    let seconds: Vec<usize> = (1..rows.len()).filter(is_second).collect();
    let between_ms = |first: usize, last: usize| rows[last].at_ms - rows[first].at_ms;
    let jumped: Vec<usize> = seconds
        .chunk_by(|a, b| between_ms(*a, *b) <= PAUSE_MS)
        .filter(|stretch| between_ms(stretch[0], stretch[stretch.len() - 1]) <= CLOCK_JUMP_MS_MAX)
        .flatten()
        .copied()
        .collect();
    for index in &jumped {
        rows[*index].at_ms = rows[index - 1].at_ms + 1;
    }
    if !jumped.is_empty() {
        rows.sort_by_key(|row| row.at_ms);
    }
}

/// The first UTC day that the archive holds a reading of, as its folders and months say.
///
/// # Errors
/// [`LoadError`] names the file or folder.
pub fn first_date(archive: &dyn Archive) -> Result<Option<NaiveDate>, LoadError> {
    let Some(dates) = dates_of_partitions(archive)?.into_iter().min() else {
        return Ok(None);
    };
    let within = times_within(archive, dates)?;
    Ok(Some(within.map_or(dates.0, |(first, _)| first)))
}

/// The last one.
///
/// # Errors
/// [`LoadError`] names the file or folder.
pub fn last_date(archive: &dyn Archive) -> Result<Option<NaiveDate>, LoadError> {
    let all = dates_of_partitions(archive)?;
    let Some(dates) = all.into_iter().max_by_key(|(_, last)| *last) else {
        return Ok(None);
    };
    let within = times_within(archive, dates)?;
    Ok(Some(within.map_or(dates.1, |(_, last)| last)))
}

fn dates_of_partitions(archive: &dyn Archive) -> Result<Vec<(NaiveDate, NaiveDate)>, LoadError> {
    let partitions = archive.partitions()?;
    let dates = |name: &String| table::dates_of_partition(name);
    Ok(partitions.iter().filter_map(dates).collect())
}

/// The first and last day with a reading of a partition: a month may begin and end on any of its days.
fn times_within(
    archive: &dyn Archive,
    (first, last): (NaiveDate, NaiveDate),
) -> Result<Option<(NaiveDate, NaiveDate)>, LoadError> {
    if first == last {
        return Ok(None);
    }
    let start_ms = |date: NaiveDate| date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis();
    let month = Span {
        from_ms: start_ms(first),
        until_ms: start_ms(last) + MS_PER_24_H,
    };
    let (ends, _) = each_file(archive, month, Vec::new, |path, ends: &mut Vec<i64>| {
        let Some(file) = columns::File::open(path)? else {
            return Ok(false);
        };
        ends.extend(file.times_ms());
        Ok(true)
    })?;
    let date = |end: Option<&i64>| end.copied().map(table::partition_date);
    Ok(date(ends.iter().min()).zip(date(ends.iter().max())))
}

/// Whether a file of readings holds any of the span.
///
/// # Errors
/// [`LoadError`] names the file.
pub fn holds(path: &Path, span: Span) -> Result<bool, LoadError> {
    let mut gathered = Gathered::default();
    read_file(path, span, None, &mut gathered)?;
    Ok(gathered.series.values().any(|rows| !rows.is_empty()))
}

/// Every stored reading of a span as it is stored, for export: in order of time, then sensor, each once.
///
/// # Errors
/// [`LoadError`] names the file.
pub fn stored(archive: &dyn Archive, span: Span, tail: Vec<Reading>) -> Result<Vec<Reading>, LoadError> {
    let (mut readings, _) = each_file(archive, span, Vec::new, |path, readings: &mut Vec<Reading>| {
        let Some(file) = columns::File::open(path)? else {
            return Ok(false);
        };
        for frame in file.whole(span) {
            rows_of(&frame?, span, readings).map_err(|source| file.wrap(source))?;
        }
        Ok(true)
    })?;
    readings.extend(tail.into_iter().filter(|reading| span.contains(reading.at_ms)));
    readings.sort_by(|a, b| {
        a.identity()
            .cmp(&b.identity())
            .then(a.received_ms.cmp(&b.received_ms))
    });
    readings.dedup_by(|later, first| later.identity() == first.identity());
    Ok(readings)
}

fn rows_of(frame: &DataFrame, span: Span, into: &mut Vec<Reading>) -> PolarsResult<()> {
    let at = columns::instants(frame, column::AT)?;
    let received = columns::instants(frame, column::RECEIVED)?;
    let text = |name: &str| frame.column(name).and_then(|c| c.str().cloned());
    let (source, enclosure) = (text(column::TIME_SOURCE)?, text(column::ENCLOSURE)?);
    let (sensor, quantity, mark) = (
        text(column::SENSOR)?,
        text(column::QUANTITY)?,
        text(column::MARK)?,
    );
    let value = frame.column(column::VALUE)?.f64()?.clone();
    for index in 0..frame.height() {
        let row = || {
            let at_ms = at.get(index).filter(|at_ms| span.contains(*at_ms))?;
            Some(Reading {
                at_ms,
                received_ms: received.get(index).unwrap_or(at_ms),
                time_source: TimeSource::from_name(source.get(index)?)?,
                enclosure: Arc::from(enclosure.get(index)?),
                sensor: Arc::from(sensor.get(index)?),
                quantity: Quantity::from_name(quantity.get(index)?)?,
                value: value.get(index)?,
                mark: Mark::from_name(mark.get(index)?)?,
            })
        };
        into.extend(row());
    }
    Ok(())
}

/// How far back the analysis looks for what is usual: twelve weeks.
pub const HISTORY_MS: i64 = 84 * MS_PER_24_H;

/// The longest jump of a sensor's clock that is looked for: a day and a zone's hour or two.
pub(crate) const CLOCK_JUMP_MS_MAX: i64 = 26 * MS_PER_HOUR;

#[cfg(test)]
mod tests {
    use mosswarden_config::table::TimeSource;

    use super::*;

    const STEP_MS: i64 = 60_000;

    /// The instants of a sensor that read 50 %RH each minute for thirty hours, of which the last `twice_count` say 60 %RH as well.
    fn stamped_twice(twice_count: i64) -> Vec<i64> {
        const COUNT: i64 = 30 * 60;
        let reading = |step: i64, value: f64| Reading {
            at_ms: step * STEP_MS,
            received_ms: step * STEP_MS,
            time_source: TimeSource::Device,
            enclosure: Arc::from("box"),
            sensor: Arc::from("check"),
            quantity: Quantity::Humidity,
            value,
            mark: Mark::Ok,
        };
        let once = (0..COUNT).map(|step| reading(step, 50.0));
        let again = (COUNT - twice_count..COUNT).map(|step| reading(step, 60.0));
        let whole = Span {
            from_ms: 0,
            until_ms: COUNT * STEP_MS,
        };
        let record = Record::from_readings(once.chain(again), Vec::new(), whole);
        record
            .get("check", Quantity::Humidity)
            .expect("it was heard")
            .at_ms
            .clone()
    }

    #[test]
    fn of_two_values_at_one_instant_both_are_kept_unless_the_history_is_there_twice() {
        let few = stamped_twice(2);
        let last_ms = 1799 * STEP_MS;
        assert_eq!(few.len(), 1802);
        assert_eq!(&few[1800..], [last_ms, last_ms + 1]);
        assert_eq!(stamped_twice(12 * 60).len(), 1800 + 12 * 60);
        assert_eq!(stamped_twice(30 * 60).len(), 1800);
    }
}
