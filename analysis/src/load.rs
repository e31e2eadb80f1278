//! The archive's files to series in memory: the only place that reads readings from disk.
//!
//! In: the data folder, a span, and durable readings that are not yet in a file. Out: one [`Series`] for each sensor and
//! quantity, sorted, each reading once. Nothing later than the span's end can be seen. Only the days of the span are opened.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use mosswarden_config::correction::Correction;
use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{self, Mark, Reading, TimeSource, column};
use mosswarden_config::zone::{MS_PER_24_H, Span};
use polars::prelude::*;

use crate::series::Series as Samples;

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
    #[error("{path} has format {found}, this program reads up to {known}; use a newer mosswarden")]
    TooNew { path: PathBuf, found: u32, known: u32 },
}

/// What was loaded: every series, by sensor and quantity, and the journal up to the end of the span.
#[derive(Debug, Clone, Default)]
pub struct Record {
    pub span: Option<Span>,
    series: BTreeMap<(Arc<str>, Quantity), Samples>,
    pub journal: Vec<Entry>,
    /// What checks said of sensors, in the order in which it was written; none later than the end of the span.
    pub corrections: Vec<Correction>,
    /// Files that were read.
    pub files: Vec<PathBuf>,
    /// Imported readings whose stamps lie before any of these devices was made: first stamp by sensor, ms. When they were
    /// really taken nobody knows, so they belong to no series.
    misdated: BTreeMap<String, i64>,
}

/// Stamps before this were made by a clock that was reset: 1 January 2000.
const CLOCK_RESET_BEFORE_MS: i64 = 946_684_800_000;

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

    /// The first stamp of a sensor's readings that carry an impossible date, if it has any.
    pub fn misdated_ms(&self, sensor: &str) -> Option<i64> {
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
            } else if reading.at_ms < CLOCK_RESET_BEFORE_MS {
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
            if let Some(first) = rows.iter().map(|row| row.at_ms).min() {
                let known = self.misdated.entry(sensor.to_string()).or_insert(first);
                *known = first.min(*known);
            }
        }
    }

    /// Adds what checks said of sensors, leaving out what begins to hold after the span.
    pub fn with_corrections(mut self, corrections: Vec<Correction>) -> Record {
        let until_ms = self.span.map_or(i64::MAX, |span| span.until_ms);
        self.corrections = corrections;
        self.corrections.retain(|found| found.valid_from_ms < until_ms);
        self
    }

    /// Journal entries of an enclosure (or of one subject) inside a span.
    pub fn entries<'r>(&'r self, enclosure: &'r str, span: Span) -> impl Iterator<Item = &'r Entry> {
        self.journal
            .iter()
            .filter(move |entry| entry.enclosure == enclosure && span.contains(entry.at_ms))
    }
}

/// Reads every reading with `span.from ≤ at < span.until`; `tail` holds durable readings that no file has yet.
///
/// # Errors
/// [`LoadError`] names the file. An absent folder is an empty record, not an error.
pub fn load(
    data_dir: &Path,
    span: Span,
    wanted: Option<&dyn Fn(&str) -> bool>,
    tail: Vec<Reading>,
    journal: Vec<Entry>,
) -> Result<Record, LoadError> {
    let mut gathered = Gathered::default();
    let mut files = Vec::new();
    for file in files_of(data_dir, span)? {
        read_file(&file, span, wanted, &mut gathered)?;
        files.push(file);
    }
    for reading in tail {
        if span.contains(reading.at_ms) && wanted.is_none_or(|wanted| wanted(&reading.sensor)) {
            gathered.add(reading);
        }
    }
    let mut misdated = Gathered::default();
    let reset = Span {
        from_ms: i64::MIN / 2,
        until_ms: CLOCK_RESET_BEFORE_MS,
    };
    if span.from_ms >= CLOCK_RESET_BEFORE_MS {
        for file in files_of(data_dir, reset)? {
            read_file(&file, reset, wanted, &mut misdated)?;
        }
    }
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

/// Parquet files of the days that overlap the span, in order of day and name.
fn files_of(data_dir: &Path, span: Span) -> Result<Vec<PathBuf>, LoadError> {
    let root = table::readings_dir(data_dir);
    let (first, last) = (
        table::partition_date(span.from_ms),
        table::partition_date(span.until_ms - 1),
    );
    let mut files = Vec::new();
    for day in list(&root)? {
        let date = day
            .file_name()
            .and_then(|name| table::date_of_partition(&name.to_string_lossy()));
        if date.is_some_and(|date| first <= date && date <= last) {
            files.extend(
                list(&day)?
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

fn read_file(
    path: &Path,
    span: Span,
    wanted: Option<&dyn Fn(&str) -> bool>,
    gathered: &mut Gathered,
) -> Result<(), LoadError> {
    let file = match std::fs::File::open(path) {
        Ok(file) => file,
        // Compaction replaced it after the folder was listed; its readings stand in the file that replaced it.
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(source) => {
            return Err(LoadError::Io {
                path: path.to_owned(),
                source,
            });
        }
    };
    let wrap = |source: PolarsError| LoadError::Parquet {
        path: path.to_owned(),
        source,
    };
    let mut reader = ParquetReader::new(file);
    let metadata = reader.get_metadata().map_err(wrap)?;
    let found = metadata.key_value_metadata().as_ref().and_then(|pairs| {
        pairs
            .iter()
            .find(|pair| pair.key == table::FORMAT_KEY)?
            .value
            .as_deref()?
            .parse()
            .ok()
    });
    if let Some(found) = found.filter(|found: &u32| *found > table::FORMAT_VERSION) {
        return Err(LoadError::TooNew {
            path: path.to_owned(),
            found,
            known: table::FORMAT_VERSION,
        });
    }
    let frame = reader.finish().map_err(wrap)?;
    gathered.add_frame(&frame, span, wanted).map_err(wrap)
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

    fn add_frame(
        &mut self,
        frame: &DataFrame,
        span: Span,
        wanted: Option<&dyn Fn(&str) -> bool>,
    ) -> PolarsResult<()> {
        let at = frame
            .column(column::AT)?
            .datetime()?
            .physical()
            .rechunk()
            .into_owned();
        let received = frame
            .column(column::RECEIVED)?
            .datetime()?
            .physical()
            .rechunk()
            .into_owned();
        let sensor = frame.column(column::SENSOR)?.str()?.rechunk().into_owned();
        let quantity = frame.column(column::QUANTITY)?.str()?.rechunk().into_owned();
        let value = frame.column(column::VALUE)?.f64()?.rechunk().into_owned();
        let mark = frame.column(column::MARK)?.str()?.rechunk().into_owned();
        // Rows of one sensor and quantity stand together, so the map is asked once a run, not once a row.
        let mut current: Option<(String, String)> = None;
        let mut rows: Option<&mut Vec<Row>> = None;
        for index in 0..frame.height() {
            let (Some(name), Some(kind), Some(at_ms), Some(value)) = (
                sensor.get(index),
                quantity.get(index),
                at.get(index),
                value.get(index),
            ) else {
                continue;
            };
            let same = current.as_ref().is_some_and(|(n, k)| n == name && k == kind);
            if !same {
                current = Some((name.to_owned(), kind.to_owned()));
                rows = match Quantity::from_name(kind) {
                    Some(quantity) if wanted.is_none_or(|wanted| wanted(name)) => {
                        Some(self.series.entry((Arc::from(name), quantity)).or_default())
                    }
                    _ => None,
                };
            }
            if let Some(rows) = rows.as_deref_mut().filter(|_| span.contains(at_ms)) {
                rows.push(Row {
                    at_ms,
                    received_ms: received.get(index).unwrap_or(at_ms),
                    value,
                    mark: mark.get(index).and_then(Mark::from_name).unwrap_or(Mark::Ok),
                });
            }
        }
        Ok(())
    }

    /// Sorts each series and keeps each reading once. Two different values at one instant: the one that arrived last counts.
    fn finish(self, span: Option<Span>) -> Record {
        let mut series = BTreeMap::new();
        for (key, mut rows) in self.series {
            rows.sort_by(|a, b| {
                a.at_ms
                    .cmp(&b.at_ms)
                    .then(a.received_ms.cmp(&b.received_ms))
                    .then(a.value.total_cmp(&b.value))
            });
            let mut samples = Samples::default();
            for row in rows {
                if samples.at_ms.last() == Some(&row.at_ms) {
                    samples.at_ms.pop();
                    samples.received_ms.pop();
                    samples.value.pop();
                    samples.mark.pop();
                }
                samples.push(row.at_ms, row.received_ms, row.value, row.mark);
            }
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

/// The first UTC day that the archive has a folder for.
///
/// # Errors
/// [`LoadError`] names the folder.
pub fn first_date(data_dir: &Path) -> Result<Option<chrono::NaiveDate>, LoadError> {
    Ok(list(&table::readings_dir(data_dir))?
        .iter()
        .filter_map(|day| table::date_of_partition(&day.file_name()?.to_string_lossy()))
        .min())
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
pub fn stored(data_dir: &Path, span: Span, tail: Vec<Reading>) -> Result<Vec<Reading>, LoadError> {
    let mut readings: Vec<Reading> = tail
        .into_iter()
        .filter(|reading| span.contains(reading.at_ms))
        .collect();
    for path in files_of(data_dir, span)? {
        let wrap = |source: PolarsError| LoadError::Parquet {
            path: path.clone(),
            source,
        };
        let file = std::fs::File::open(&path).map_err(|source| LoadError::Io {
            path: path.clone(),
            source,
        })?;
        let frame = ParquetReader::new(file).finish().map_err(wrap)?;
        rows_of(&frame, &mut readings).map_err(wrap)?;
    }
    readings.retain(|reading| span.contains(reading.at_ms));
    readings.sort_by(|a, b| {
        a.identity()
            .cmp(&b.identity())
            .then(a.received_ms.cmp(&b.received_ms))
    });
    readings.dedup_by(|later, first| later.identity() == first.identity());
    Ok(readings)
}

fn rows_of(frame: &DataFrame, into: &mut Vec<Reading>) -> PolarsResult<()> {
    let at = frame.column(column::AT)?.datetime()?.physical().clone();
    let received = frame.column(column::RECEIVED)?.datetime()?.physical().clone();
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
            Some(Reading {
                at_ms: at.get(index)?,
                received_ms: received.get(index)?,
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
