//! The archive: what one stored reading is, its columns and units, the folders and file names.
//!
//! Both sides meet here: the collector writes this table, the analysis reads it, and any Parquet engine can read it in place.
//!
//! Layout under `data_dir`: `readings/date=2026-03-01/part-000000000412.parquet` by the UTC date of `at`, and for months that are over
//! `readings/month=2026-02/month.parquet` with its daily figures in `summaries/2026-02.parquet`.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{DateTime, Months, NaiveDate, Utc};

use crate::quantity::Quantity;
use crate::zone::Span;

/// Version of the stored table. A reader refuses files with a higher one and says so.
///
/// 1: `received` is always told, rows stand by sensor, quantity, time. 2: `received` is empty where it is `at` itself; rows stand by
/// sensor, time, quantity.
pub const FORMAT_VERSION: u32 = 2;
/// Key of [`FORMAT_VERSION`] in a file's key-value metadata.
pub const FORMAT_KEY: &str = "mosswarden.format";
/// Under this a file bears a CRC-32 of each row group's readings, in hexadecimal digits, with commas between them; files of before November 2026
/// have none.
pub const CHECKS_KEY: &str = "mosswarden.readings-crc32";
/// Key under which a file's metadata says each column's unit.
pub const UNITS_KEY: &str = "mosswarden.units";
/// What stands under [`UNITS_KEY`]: column, meaning and unit, as JSON.
pub const UNITS_VALUE: &str = r#"{"at":"instant the value holds for, UTC, ms","received":"instant of arrival, UTC, ms; empty where it is `at` itself","time_source":"device: `at` was sent with the reading; arrival: `at` is the arrival; import: taken in from a file","enclosure":"id in the site file, or room","sensor":"id of the sensor or device","quantity":"what `value` measures; its unit follows: temperature Cel, humidity %RH, pressure Pa, illuminance lx, uv-index 1, water-temperature Cel, soil-moisture %, battery %EL, state 1","value":"unit as said under quantity","mark":"ok, or why the reading is doubtful; the value is never changed"}"#;

/// Version of the table of daily figures, and its key in a file's key-value metadata.
pub const SUMMARY_VERSION: u32 = 1;
pub const SUMMARY_KEY: &str = "mosswarden.summary";

/// The table of daily figures: a row is one sensor's quantity on one UTC day.
pub const SUMMARY_SCHEMA: &str = "message days {
    required int32 date (DATE);
    required binary enclosure (STRING);
    required binary sensor (STRING);
    required binary quantity (STRING);
    required int64 readings;
    required int64 doubtful;
    required int64 first (TIMESTAMP(MILLIS, true));
    required int64 last (TIMESTAMP(MILLIS, true));
    optional double low;
    optional double mean;
    optional double high;
}";

/// Columns of the daily figures that a long look back needs.
pub mod day_column {
    pub const DATE: &str = "date";
    pub const SENSOR: &str = "sensor";
    pub const QUANTITY: &str = "quantity";
    /// Readings in all, and those of them with a mark, which are not in the mean.
    pub const READINGS: &str = "readings";
    pub const DOUBTFUL: &str = "doubtful";
    pub const MEAN: &str = "mean";
}

/// Column names, in file order.
pub mod column {
    pub const AT: &str = "at";
    pub const RECEIVED: &str = "received";
    pub const TIME_SOURCE: &str = "time_source";
    pub const ENCLOSURE: &str = "enclosure";
    pub const SENSOR: &str = "sensor";
    pub const QUANTITY: &str = "quantity";
    pub const VALUE: &str = "value";
    pub const MARK: &str = "mark";
}

/// The id that stands for the room outside every enclosure.
pub const ROOM: &str = "room";

/// Where a reading's time came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum TimeSource {
    /// The device sent the time with the value.
    Device,
    /// The payload has no time (or one that can't be believed): the time of arrival stands in.
    Arrival,
    /// Taken in from a file that gives the time.
    Import,
}

impl TimeSource {
    pub const ALL: [TimeSource; 3] = [TimeSource::Device, TimeSource::Arrival, TimeSource::Import];

    pub const fn name(self) -> &'static str {
        match self {
            TimeSource::Device => "device",
            TimeSource::Arrival => "arrival",
            TimeSource::Import => "import",
        }
    }

    pub fn from_name(name: &str) -> Option<TimeSource> {
        TimeSource::ALL.into_iter().find(|s| s.name() == name)
    }
}

/// What was wrong with a reading at the door. The value itself is stored as it came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Mark {
    Ok,
    /// Outside what is physically possible for the quantity.
    Impossible,
    /// The device's clock stands long before the arrival, as after a reset (1970 and the like); `at` is the arrival.
    ClockReset,
    /// The device's clock stands in the future; `at` is the arrival.
    ClockAhead,
    /// The device was lost: its will was published by the broker.
    DeviceLost,
}

impl Mark {
    /// Whether the value can be used for what is so now; with a wrong clock of the device the time is the arrival.
    pub const fn has_value(self) -> bool {
        matches!(self, Mark::Ok | Mark::ClockReset | Mark::ClockAhead)
    }

    pub const ALL: [Mark; 5] = [
        Mark::Ok,
        Mark::Impossible,
        Mark::ClockReset,
        Mark::ClockAhead,
        Mark::DeviceLost,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Mark::Ok => "ok",
            Mark::Impossible => "impossible",
            Mark::ClockReset => "clock-reset",
            Mark::ClockAhead => "clock-ahead",
            Mark::DeviceLost => "device-lost",
        }
    }

    pub fn from_name(name: &str) -> Option<Mark> {
        Mark::ALL.into_iter().find(|m| m.name() == name)
    }
}

/// One stored reading, in the archive's units.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Instant the value holds for, ms since 1970-01-01T00:00Z.
    pub at_ms: i64,
    /// Instant of arrival at the collector, ms since 1970-01-01T00:00Z.
    pub received_ms: i64,
    pub time_source: TimeSource,
    /// An id of the site file, or [`ROOM`].
    pub enclosure: Arc<str>,
    /// Id of the sensor or device.
    pub sensor: Arc<str>,
    pub quantity: Quantity,
    /// In the quantity's stored unit.
    pub value: f64,
    pub mark: Mark,
}

impl Reading {
    /// What makes two records the same reading: sensor, quantity, time and value. A redelivery, a replay, a second import of
    /// one file or a device's own repeat carry the same four; two real readings differ in their time, because the collector
    /// never gives one feed the same arrival time twice.
    pub fn identity(&self) -> (i64, &str, Quantity, u64) {
        (self.at_ms, &self.sensor, self.quantity, self.value.to_bits())
    }

    /// UTC date of the partition that holds this reading.
    pub fn partition_date(&self) -> NaiveDate {
        partition_date(self.at_ms)
    }
}

/// UTC date of the partition that holds an instant; instants outside chrono's range fall into 1970-01-01.
pub fn partition_date(at_ms: i64) -> NaiveDate {
    DateTime::<Utc>::from_timestamp_millis(at_ms)
        .unwrap_or_default()
        .date_naive()
}

/// The name of the folder of all readings.
pub const READINGS: &str = "readings";
/// The name of the folder of daily figures.
pub const SUMMARIES: &str = "summaries";

/// Folder of all readings.
pub fn readings_dir(data_dir: &Path) -> PathBuf {
    data_dir.join(READINGS)
}

/// Folder of the daily figures of whole months.
pub fn summaries_dir(data_dir: &Path) -> PathBuf {
    data_dir.join(SUMMARIES)
}

/// Where readings can be read, as files in folders.
pub trait Archive: fmt::Debug + Send + Sync {
    /// Data folders with every file of the days and months of a span, as they are now.
    ///
    /// # Errors
    /// What stood in the way of bringing them here.
    fn folders(&self, span: Span) -> io::Result<Vec<PathBuf>>;

    /// Names of the folders of all days and months that there are.
    ///
    /// # Errors
    /// What stood in the way of looking.
    fn partitions(&self) -> io::Result<Vec<String>>;

    /// Files with the daily figures of those months that may hold something of a span.
    ///
    /// # Errors
    /// What stood in the way of bringing them here.
    fn daily_figures(&self, span: Span) -> io::Result<Vec<PathBuf>>;
}

/// A data folder on this machine: all of it is here.
impl Archive for PathBuf {
    fn folders(&self, _span: Span) -> io::Result<Vec<PathBuf>> {
        Ok(vec![self.clone()])
    }

    fn partitions(&self) -> io::Result<Vec<String>> {
        names_in(&readings_dir(self))
    }

    fn daily_figures(&self, span: Span) -> io::Result<Vec<PathBuf>> {
        let dir = summaries_dir(self);
        let mut names = names_in(&dir)?;
        names.retain(|name| summary_may_hold(name, span));
        Ok(names.into_iter().map(|name| dir.join(name)).collect())
    }
}

/// Names in a folder, in order; none where it is not there.
fn names_in(dir: &Path) -> io::Result<Vec<String>> {
    let entries = match std::fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => {
            return Err(io::Error::new(
                error.kind(),
                format!("{}: {error}", dir.display()),
            ));
        }
    };
    let names = entries.map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()));
    let mut names: Vec<String> = names.collect::<io::Result<_>>()?;
    names.sort();
    Ok(names)
}

/// Folder of one UTC day's readings.
pub fn partition_dir(data_dir: &Path, date: NaiveDate) -> PathBuf {
    readings_dir(data_dir).join(format!("date={}", date.format("%Y-%m-%d")))
}

/// Folder of the one file of a whole month, by any of its dates.
pub fn month_dir(data_dir: &Path, date: NaiveDate) -> PathBuf {
    readings_dir(data_dir).join(format!("month={}", date.format("%Y-%m")))
}

/// The first date of the month that a folder's name carries.
pub fn month_of_partition(folder_name: &str) -> Option<NaiveDate> {
    let month = folder_name.strip_prefix("month=")?;
    NaiveDate::parse_from_str(&format!("{month}-01"), "%Y-%m-%d").ok()
}

/// First and last date of the folder, a day's or a month's.
pub fn dates_of_partition(folder_name: &str) -> Option<(NaiveDate, NaiveDate)> {
    match date_of_partition(folder_name) {
        Some(date) => Some((date, date)),
        None => dates_of_month(month_of_partition(folder_name)?),
    }
}

fn dates_of_month(first: NaiveDate) -> Option<(NaiveDate, NaiveDate)> {
    Some((first, first.checked_add_months(Months::new(1))?.pred_opt()?))
}

/// Whether a folder of that name is a day's or a month's that may hold something of the span.
pub fn partition_may_hold(folder_name: &str, span: Span) -> bool {
    dates_of_partition(folder_name).is_some_and(|dates| overlaps(dates, span))
}

/// Whether a file of daily figures, which begins with its month, may hold something of the span.
pub fn summary_may_hold(file_name: &str, span: Span) -> bool {
    let month = file_name
        .split('.')
        .next()
        .filter(|_| file_name.ends_with(".parquet"));
    let first = month.and_then(|month| NaiveDate::parse_from_str(&format!("{month}-01"), "%Y-%m-%d").ok());
    first
        .and_then(dates_of_month)
        .is_some_and(|dates| overlaps(dates, span))
}

fn overlaps((first, last): (NaiveDate, NaiveDate), span: Span) -> bool {
    partition_date(span.from_ms) <= last && first <= partition_date(span.until_ms - 1)
}

/// Daily figures of a whole month, by any of its dates.
pub fn summary_file(data_dir: &Path, date: NaiveDate) -> PathBuf {
    summaries_dir(data_dir).join(format!("{}.parquet", date.format("%Y-%m")))
}

/// The date that a partition folder's name carries.
pub fn date_of_partition(folder_name: &str) -> Option<NaiveDate> {
    NaiveDate::parse_from_str(folder_name.strip_prefix("date=")?, "%Y-%m-%d").ok()
}

/// Folder of the collector's spool; only the collector opens it.
pub fn spool_dir(data_dir: &Path) -> PathBuf {
    data_dir.join("spool")
}

/// Folder of refused payloads.
pub fn refused_dir(data_dir: &Path) -> PathBuf {
    data_dir.join("refused")
}

/// The keeper's journal: append-only, one JSON object a line.
pub fn journal_file(data_dir: &Path) -> PathBuf {
    data_dir.join("journal.jsonl")
}

/// Sensor corrections from calibration: append-only, one JSON object a line.
pub fn corrections_file(data_dir: &Path) -> PathBuf {
    data_dir.join("corrections.jsonl")
}

/// What was told, acknowledged and delivered of danger: append-only, one JSON object a line.
pub fn alerts_file(data_dir: &Path) -> PathBuf {
    data_dir.join("alerts.jsonl")
}

/// Folder for reports and other results, beside the readings.
pub fn reports_dir(data_dir: &Path) -> PathBuf {
    data_dir.join("reports")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn partitions_are_named_by_utc_date_and_parse_back() {
        let dir = partition_dir(Path::new("data"), partition_date(1_772_409_599_999));
        assert_eq!(dir, Path::new("data/readings/date=2026-03-01"));
        assert_eq!(
            date_of_partition("date=2026-03-01"),
            NaiveDate::from_ymd_opt(2026, 3, 1)
        );
        assert_eq!(date_of_partition("date=soon"), None);
        let date = |month, day| NaiveDate::from_ymd_opt(2026, month, day).expect("a date");
        assert_eq!(
            month_dir(Path::new("data"), date(2, 17)),
            Path::new("data/readings/month=2026-02")
        );
        assert_eq!(
            dates_of_partition("month=2026-02"),
            Some((date(2, 1), date(2, 28)))
        );
        assert_eq!(
            dates_of_partition("date=2026-03-01"),
            Some((date(3, 1), date(3, 1)))
        );
        assert_eq!(dates_of_partition("month=2026"), None);
        let last_of_february = Span {
            from_ms: 1_772_236_800_000,
            until_ms: 1_772_323_200_000,
        };
        let may_hold = |name: &str| summary_may_hold(name, last_of_february);
        assert!(may_hold("2026-02.parquet") && may_hold("2026-02.0f3a.parquet"));
        assert!(
            ![
                "2026-01.parquet",
                "2026-03.parquet",
                ".2026-02.tmp",
                "2026-02.txt"
            ]
            .into_iter()
            .any(may_hold)
        );
    }
}
