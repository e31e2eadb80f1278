//! Readings ↔ Parquet bytes, and where they lie: the only code here that knows Polars.
//!
//! In: readings. Out: one file's bytes, sorted by sensor, quantity and time, zstd, with the table's version and units in its
//! metadata. Files are written whole through [`crate::disk`]; nothing is ever changed in place.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io::{self, Cursor};
use std::path::Path;
use std::sync::Arc;

use chrono::NaiveDate;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{
    self, FORMAT_KEY, FORMAT_VERSION, Mark, Reading, TimeSource, UNITS_KEY, UNITS_VALUE, column,
};
use polars::io::parquet::write::KeyValueMetadata;
use polars::prelude::*;

use crate::disk::{self, Disk};

/// Key under which Arrow readers look for the columns' types.
const ARROW_SCHEMA_KEY: &str = "ARROW:schema";
/// The columns as plain Arrow types. Polars alone would write its texts as `string_view`, on which pyarrow can't filter and
/// which older readers don't know. Base64 of pyarrow 26.0.1's `pa.schema([("at", pa.timestamp("ms", tz="UTC")), …]).serialize()`, texts
/// as `pa.string()`, the value as `pa.float64()`; `tests/archive.rs` opens it.
const ARROW_SCHEMA: &str = "\
    /////+ABAAAQAAAAAAAKAAwABgAFAAgACgAAAAABBAAMAAAACAAIAAAABAAIAAAABAAAAAgAAAB0AQAAJAEAAPAAAA\
    DAAAAAlAAAAGQAAAAwAAAABAAAALz+//8AAAEFEAAAABgAAAAEAAAAAAAAAAQAAABtYXJrAAAAACT////k/v//AAAB\
    AxAAAAAcAAAABAAAAAAAAAAFAAAAdmFsdWUABgAIAAYABgAAAAAAAgAU////AAABBRAAAAAcAAAABAAAAAAAAAAIAA\
    AAcXVhbnRpdHkAAAAAgP///0D///8AAAEFEAAAABgAAAAEAAAAAAAAAAYAAABzZW5zb3IAAKj///9o////AAABBRAA\
    AAAcAAAABAAAAAAAAAAJAAAAZW5jbG9zdXJlAAAA1P///5T///8AAAEFEAAAACAAAAAEAAAAAAAAAAsAAAB0aW1lX3\
    NvdXJjZQAEAAQABAAAAMT///8AAAEKEAAAABwAAAAEAAAAAAAAAAgAAAByZWNlaXZlZAAAAAC8////AAABAAQAAAAD\
    AAAAVVRDABAAFAAIAAYABwAMAAAAEAAQAAAAAAABChAAAAAcAAAABAAAAAAAAAACAAAAYXQAAAgADAAGAAgACAAAAA\
    AAAQAEAAAAAwAAAFVUQwA=";

/// Why the archive can't be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    #[error("the archive can't be written or read")]
    Disk(#[from] io::Error),
    #[error("a table can't be made into Parquet or read from it")]
    Parquet(#[from] PolarsError),
    #[error("the file has table version {found}, this program reads up to {FORMAT_VERSION}")]
    Newer { found: String },
    #[error("the column `{column}` holds `{found}`, which this program does not know")]
    UnknownWord { column: &'static str, found: String },
}

/// Readings by the UTC date of their partition.
pub(crate) fn by_date(readings: Vec<Reading>) -> BTreeMap<NaiveDate, Vec<Reading>> {
    let mut days: BTreeMap<NaiveDate, Vec<Reading>> = BTreeMap::new();
    for reading in readings {
        days.entry(reading.partition_date()).or_default().push(reading);
    }
    days
}

/// Sorts by sensor, quantity, time and drops exact repeats (one identity); gives their count.
pub(crate) fn sort_and_drop_repeats(readings: &mut Vec<Reading>) -> u64 {
    let before = readings.len();
    readings.sort_by(|a, b| {
        (
            &a.sensor,
            a.quantity.name(),
            a.at_ms,
            a.value.to_bits(),
            a.received_ms,
        )
            .cmp(&(
                &b.sensor,
                b.quantity.name(),
                b.at_ms,
                b.value.to_bits(),
                b.received_ms,
            ))
    });
    readings.dedup_by(|later, first| later.identity() == first.identity());
    (before - readings.len()) as u64
}

/// One file's bytes. The readings should be sorted: it makes the file small and prunable.
pub(crate) fn to_bytes(readings: &[Reading]) -> Result<Vec<u8>, ArchiveError> {
    let instants = |name: &str, ms: &mut dyn Iterator<Item = i64>| -> Column {
        Int64Chunked::from_vec(name.into(), ms.collect())
            .into_datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC))
            .into_column()
    };
    let texts = |name: &str, words: &mut dyn Iterator<Item = &str>| -> Column {
        StringChunked::from_iter_values(name.into(), words).into_column()
    };
    let values = Float64Chunked::from_vec(column::VALUE.into(), readings.iter().map(|r| r.value).collect());
    let columns = vec![
        instants(column::AT, &mut readings.iter().map(|r| r.at_ms)),
        instants(column::RECEIVED, &mut readings.iter().map(|r| r.received_ms)),
        texts(
            column::TIME_SOURCE,
            &mut readings.iter().map(|r| r.time_source.name()),
        ),
        texts(column::ENCLOSURE, &mut readings.iter().map(|r| &*r.enclosure)),
        texts(column::SENSOR, &mut readings.iter().map(|r| &*r.sensor)),
        texts(column::QUANTITY, &mut readings.iter().map(|r| r.quantity.name())),
        values.into_column(),
        texts(column::MARK, &mut readings.iter().map(|r| r.mark.name())),
    ];
    let mut frame = DataFrame::new(readings.len(), columns)?;
    let metadata = KeyValueMetadata::from_static(vec![
        (ARROW_SCHEMA_KEY.to_owned(), ARROW_SCHEMA.to_owned()),
        (FORMAT_KEY.to_owned(), FORMAT_VERSION.to_string()),
        (UNITS_KEY.to_owned(), UNITS_VALUE.to_owned()),
    ]);
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(None))
        .with_key_value_metadata(Some(metadata))
        // One thread: publishing has time, and memory stays low.
        .set_parallel(false)
        .finish(&mut frame)?;
    Ok(bytes)
}

/// Every reading of one file.
pub(crate) fn from_bytes(bytes: Vec<u8>) -> Result<Vec<Reading>, ArchiveError> {
    let frame = read_columns(bytes, None)?;
    let (at, received) = (
        instants_of(&frame, column::AT)?,
        instants_of(&frame, column::RECEIVED)?,
    );
    let (source, enclosure) = (
        frame.column(column::TIME_SOURCE)?.str()?,
        frame.column(column::ENCLOSURE)?.str()?,
    );
    let (sensor, quantity) = (
        frame.column(column::SENSOR)?.str()?,
        frame.column(column::QUANTITY)?.str()?,
    );
    let (value, mark) = (
        frame.column(column::VALUE)?.f64()?,
        frame.column(column::MARK)?.str()?,
    );
    let mut names = Names::default();
    let rows = at
        .iter()
        .zip(received.iter())
        .zip(source.iter())
        .zip(enclosure.iter());
    let rows = rows
        .zip(sensor.iter())
        .zip(quantity.iter())
        .zip(value.iter())
        .zip(mark.iter());
    let mut readings = Vec::with_capacity(frame.height());
    for (((((((at, received), source), enclosure), sensor), quantity), value), mark) in rows {
        // Our own files hold no nulls; a row of another hand that does can't be placed.
        let (Some(at_ms), Some(received_ms), Some(value)) = (at, received, value) else {
            continue;
        };
        readings.push(Reading {
            at_ms,
            received_ms,
            time_source: known(column::TIME_SOURCE, source, TimeSource::from_name)?,
            enclosure: names.shared(enclosure.unwrap_or_default()),
            sensor: names.shared(sensor.unwrap_or_default()),
            quantity: known(column::QUANTITY, quantity, Quantity::from_name)?,
            value,
            mark: known(column::MARK, mark, Mark::from_name)?,
        });
    }
    Ok(readings)
}

fn known<T>(
    column: &'static str,
    word: Option<&str>,
    from_name: impl Fn(&str) -> Option<T>,
) -> Result<T, ArchiveError> {
    let word = word.unwrap_or_default();
    from_name(word).ok_or_else(|| ArchiveError::UnknownWord {
        column,
        found: word.to_owned(),
    })
}

fn read_columns(bytes: Vec<u8>, columns: Option<&[&str]>) -> Result<DataFrame, ArchiveError> {
    let mut reader = ParquetReader::new(Cursor::new(bytes));
    let metadata = reader.get_metadata()?;
    let version = metadata
        .key_value_metadata()
        .iter()
        .flatten()
        .find(|pair| pair.key == FORMAT_KEY)
        .and_then(|pair| pair.value.clone());
    if let Some(found) =
        version.filter(|found| found.parse::<u32>().map_or(true, |found| found > FORMAT_VERSION))
    {
        return Err(ArchiveError::Newer { found });
    }
    let columns = columns.map(|names| names.iter().map(|name| (*name).to_owned()).collect());
    Ok(reader
        .with_columns(columns)
        .read_parallel(ParallelStrategy::None)
        .finish()?)
}

fn instants_of(frame: &DataFrame, name: &str) -> Result<Int64Chunked, ArchiveError> {
    let column = frame
        .column(name)?
        .cast(&DataType::Datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC)))?;
    Ok(column.datetime()?.physical().clone())
}

/// One shared text a name, however many rows bear it.
#[derive(Default)]
pub(crate) struct Names {
    known: HashSet<Arc<str>>,
}

impl Names {
    pub(crate) fn shared(&mut self, name: &str) -> Arc<str> {
        match self.known.get(name) {
            Some(known) => Arc::clone(known),
            None => {
                let name: Arc<str> = Arc::from(name);
                self.known.insert(Arc::clone(&name));
                name
            }
        }
    }
}

/// Takes away those readings that the partition's files hold already; gives their count.
///
/// A file that can't be read is passed over with a warning: it must not stop new readings from being published.
pub(crate) fn drop_known(
    disk: &dyn Disk,
    dir: &Path,
    readings: &mut Vec<Reading>,
) -> Result<u64, ArchiveError> {
    let before = readings.len();
    for name in parquet_names(disk, dir)? {
        let (Some(first), Some(last)) = (
            readings.iter().map(|r| r.at_ms).min(),
            readings.iter().map(|r| r.at_ms).max(),
        ) else {
            break;
        };
        match identities_between(disk, &dir.join(&name), first, last) {
            Ok(known) => readings.retain(|reading| !known.contains(reading)),
            Err(error) => {
                tracing::warn!(file = %dir.join(&name).display(), error = &error as &dyn std::error::Error, "a file of the archive can't be read")
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
    fn contains(&self, reading: &Reading) -> bool {
        self.sensors.get(&reading.sensor).is_some_and(|sensor| {
            self.known
                .contains(&(reading.at_ms, *sensor, reading.quantity, reading.value.to_bits()))
        })
    }
}

fn identities_between(
    disk: &dyn Disk,
    path: &Path,
    first_ms: i64,
    last_ms: i64,
) -> Result<Identities, ArchiveError> {
    let mut identities = Identities::default();
    let bytes = disk.read(path)?;
    let span = first_ms..=last_ms;
    // Most files lie wholly before the readings at hand: one column tells.
    let times = instants_of(&read_columns(bytes.clone(), Some(&[column::AT]))?, column::AT)?;
    if !times.iter().flatten().any(|at| span.contains(&at)) {
        return Ok(identities);
    }
    let frame = read_columns(
        bytes,
        Some(&[column::AT, column::SENSOR, column::QUANTITY, column::VALUE]),
    )?;
    let at = instants_of(&frame, column::AT)?;
    let (sensor, quantity) = (
        frame.column(column::SENSOR)?.str()?,
        frame.column(column::QUANTITY)?.str()?,
    );
    let value = frame.column(column::VALUE)?.f64()?;
    for (((at, sensor), quantity), value) in at
        .iter()
        .zip(sensor.iter())
        .zip(quantity.iter())
        .zip(value.iter())
    {
        let (Some(at), Some(sensor), Some(value)) = (at, sensor, value) else {
            continue;
        };
        let Some(quantity) = quantity.and_then(Quantity::from_name) else {
            continue;
        };
        if span.contains(&at) {
            let next = u32::try_from(identities.sensors.len()).unwrap_or(u32::MAX);
            let sensor = match identities.sensors.get(sensor) {
                Some(known) => *known,
                None => *identities.sensors.entry(Arc::from(sensor)).or_insert(next),
            };
            identities.known.insert((at, sensor, quantity, value.to_bits()));
        }
    }
    Ok(identities)
}

/// Puts one file into a day's partition, atomically and durably. A file that is there already is never replaced: the new one
/// gets a number after its name.
pub(crate) fn put(
    disk: &dyn Disk,
    data_dir: &Path,
    date: NaiveDate,
    stem: &str,
    readings: &[Reading],
) -> Result<(), ArchiveError> {
    let dir = table::partition_dir(data_dir, date);
    disk::create_dir_durably(disk, &dir)?;
    let taken: HashSet<String> = disk.list(&dir)?.into_iter().collect();
    let mut name = format!("{stem}.parquet");
    let mut number = 1;
    while taken.contains(&name) {
        number += 1;
        name = format!("{stem}-{number}.parquet");
    }
    disk::put(disk, &dir.join(name), &to_bytes(readings)?)?;
    Ok(())
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

    #[test]
    fn readings_come_back_bit_for_bit() {
        let mut readings: Vec<Reading> = (0..2000)
            .map(|n| Reading {
                quantity: Quantity::ALL[n % 9],
                mark: Mark::ALL[n % 5],
                time_source: TimeSource::ALL[n % 3],
                ..reading(
                    &format!("sensor-{}", n % 7),
                    1_772_352_000_000 + n as i64,
                    0.1 * n as f64,
                )
            })
            .collect();
        sort_and_drop_repeats(&mut readings);
        let bytes = to_bytes(&readings).expect("a table");
        assert_eq!(from_bytes(bytes).expect("our own file"), readings);
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
        let partition = table::partition_dir(dir.path(), date);
        assert_eq!(drop_known(&RealDisk, &partition, &mut new).expect("readable"), 1);
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

    #[test]
    fn a_broken_file_does_not_stop_the_others() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        fs_err::write(dir.path().join("broken.parquet"), b"PAR1 not really").expect("room");
        let mut new = vec![reading("a", 1, 1.0)];
        assert_eq!(
            drop_known(&RealDisk, dir.path(), &mut new).expect("passed over"),
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
