//! Daily figures of a whole month, beside its readings: what a long look back needs, a thousandth of the size.
//!
//! Always rebuildable: the file bears length and SHA-256 of the month that it was made from. One row a UTC day, sensor and quantity.

use std::collections::BTreeMap;
use std::io::{self, Read as _, Write};
use std::path::Path;
use std::sync::Arc;

use bytes::Bytes;
use chrono::{Datelike as _, NaiveDate};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{
    Mark, Reading, SUMMARY_KEY as VERSION_KEY, SUMMARY_SCHEMA as SCHEMA, SUMMARY_VERSION as VERSION,
};
use parquet::basic::{Compression, ZstdLevel};
use parquet::column::reader::ColumnReader;
use parquet::data_type::{ByteArray, DoubleType, Int32Type, Int64Type};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, Length as _, RowGroupReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use sha2::{Digest as _, Sha256};

use super::read::{known, read_column, text};
use super::write::{next, write_words};
use super::{Source, TableError};
use crate::disk::Disk;
use crate::names::Names;

const BYTES_KEY: &str = "mosswarden.month-bytes";
const SHA256_KEY: &str = "mosswarden.month-sha256";
/// 1 January 1970 in chrono's days from the common era: where Parquet's dates begin.
const EPOCH_DAYS: i32 = 719_163;

/// Which file: its length and its digest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Print {
    pub(crate) bytes: u64,
    pub(crate) sha256: String,
}

impl Print {
    /// Of a file as it is on the disk.
    pub(crate) fn of(disk: &dyn Disk, path: &Path) -> io::Result<Print> {
        let source = Source::open(disk, path)?;
        let mut digest = Digesting::new(io::sink());
        let mut reader =
            parquet::file::reader::ChunkReader::get_read(&source, 0).map_err(io::Error::other)?;
        let mut buffer = vec![0; 64 * 1024];
        while digest.bytes < source.len() {
            let read = reader.read(&mut buffer)?;
            if read == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            digest.write_all(&buffer[..read])?;
        }
        Ok(digest.finish().1)
    }
}

/// Passes bytes on and takes their [`Print`].
pub(crate) struct Digesting<W> {
    inner: W,
    sha256: Sha256,
    bytes: u64,
}

impl<W: Write> Digesting<W> {
    pub(crate) fn new(inner: W) -> Digesting<W> {
        Digesting {
            inner,
            sha256: Sha256::new(),
            bytes: 0,
        }
    }

    pub(crate) fn finish(self) -> (W, Print) {
        let sha256 = self
            .sha256
            .finalize()
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        let print = Print {
            bytes: self.bytes,
            sha256,
        };
        (self.inner, print)
    }
}

impl<W: Write> Write for Digesting<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.inner.write(bytes)?;
        self.sha256.update(&bytes[..written]);
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// What one sensor said of one quantity on one UTC day.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Day {
    pub(crate) enclosure: Arc<str>,
    pub(crate) readings: i64,
    /// Readings with a mark; they are not in the figures below.
    pub(crate) doubtful: i64,
    pub(crate) first_ms: i64,
    pub(crate) last_ms: i64,
    /// Lowest, mean (by count) and highest; `None` where no reading is free of doubt.
    pub(crate) low: Option<f64>,
    pub(crate) mean: Option<f64>,
    pub(crate) high: Option<f64>,
}

/// The daily figures of some readings, and what they were made from.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Summary {
    pub(crate) of: Option<Print>,
    pub(crate) days: BTreeMap<(Arc<str>, &'static str, NaiveDate), Day>,
}

impl Summary {
    /// Adds readings; all of one sensor, quantity and day in one call, in order of time.
    pub(crate) fn add(&mut self, readings: &[Reading]) {
        let mut sums: BTreeMap<(Arc<str>, &'static str, NaiveDate), f64> = BTreeMap::new();
        for reading in readings {
            let key = (
                Arc::clone(&reading.sensor),
                reading.quantity.name(),
                reading.partition_date(),
            );
            let sum = sums.entry(key.clone()).or_default();
            let day = self.days.entry(key).or_insert_with(|| Day {
                enclosure: Arc::clone(&reading.enclosure),
                readings: 0,
                doubtful: 0,
                first_ms: reading.at_ms,
                last_ms: reading.at_ms,
                low: None,
                mean: None,
                high: None,
            });
            day.readings += 1;
            day.first_ms = day.first_ms.min(reading.at_ms);
            day.last_ms = day.last_ms.max(reading.at_ms);
            if reading.mark != Mark::Ok {
                day.doubtful += 1;
                continue;
            }
            *sum += reading.value;
            day.low = Some(day.low.map_or(reading.value, |low| low.min(reading.value)));
            day.high = Some(day.high.map_or(reading.value, |high| high.max(reading.value)));
            day.mean = Some(*sum / (day.readings - day.doubtful) as f64);
        }
    }

    pub(crate) fn readings(&self) -> i64 {
        self.days.values().map(|day| day.readings).sum()
    }

    pub(crate) fn to_bytes(&self) -> Result<Vec<u8>, TableError> {
        let of = self.of.as_ref();
        let pairs = [
            (VERSION_KEY, Some(VERSION.to_string())),
            (BYTES_KEY, of.map(|of| of.bytes.to_string())),
            (SHA256_KEY, of.map(|of| of.sha256.clone())),
        ];
        let pairs = pairs.map(|(key, value)| KeyValue::new(key.to_owned(), value));
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(9)?))
            .set_offset_index_disabled(true)
            .set_key_value_metadata(Some(pairs.to_vec()))
            .build();
        let schema = Arc::new(parse_message_type(SCHEMA)?);
        let mut file = SerializedFileWriter::new(Vec::new(), schema, Arc::new(properties))?;
        if !self.days.is_empty() {
            self.write_group(&mut file)?;
        }
        Ok(file.into_inner()?)
    }

    fn write_group(&self, file: &mut SerializedFileWriter<Vec<u8>>) -> Result<(), TableError> {
        let mut group = file.next_row_group()?;
        let dates: Vec<i32> = self
            .days
            .keys()
            .map(|(_, _, date)| date.num_days_from_ce() - EPOCH_DAYS)
            .collect();
        let mut column = next(&mut group)?;
        column.typed::<Int32Type>().write_batch(&dates, None, None)?;
        column.close()?;
        write_words(&mut group, self.days.values().map(|day| &*day.enclosure))?;
        write_words(&mut group, self.days.keys().map(|(sensor, _, _)| &**sensor))?;
        write_words(&mut group, self.days.keys().map(|(_, quantity, _)| *quantity))?;
        let counts: [fn(&Day) -> i64; 4] = [
            |day| day.readings,
            |day| day.doubtful,
            |day| day.first_ms,
            |day| day.last_ms,
        ];
        for of in counts {
            let values: Vec<i64> = self.days.values().map(of).collect();
            let mut column = next(&mut group)?;
            column.typed::<Int64Type>().write_batch(&values, None, None)?;
            column.close()?;
        }
        let figures: [fn(&Day) -> Option<f64>; 3] = [|day| day.low, |day| day.mean, |day| day.high];
        for of in figures {
            let values: Vec<f64> = self.days.values().filter_map(of).collect();
            let levels: Vec<i16> = self
                .days
                .values()
                .map(|day| i16::from(of(day).is_some()))
                .collect();
            let mut column = next(&mut group)?;
            column
                .typed::<DoubleType>()
                .write_batch(&values, Some(&levels), None)?;
            column.close()?;
        }
        group.close()?;
        Ok(())
    }

    pub(crate) fn from_bytes(bytes: Vec<u8>) -> Result<Summary, TableError> {
        let file = SerializedFileReader::new(Bytes::from(bytes))?;
        let pairs = file.metadata().file_metadata().key_value_metadata();
        let told = |key: &str| {
            pairs
                .into_iter()
                .flatten()
                .find(|pair| pair.key == key)?
                .value
                .clone()
        };
        match told(VERSION_KEY).map(|found| (found.parse::<u32>().ok(), found)) {
            Some((Some(VERSION), _)) => {}
            Some((Some(later), found)) if later > VERSION => return Err(TableError::Newer { found }),
            _ => {
                return Err(TableError::Column { column: VERSION_KEY });
            }
        }
        let bytes = told(BYTES_KEY).and_then(|text| text.parse().ok());
        let of = bytes
            .zip(told(SHA256_KEY))
            .map(|(bytes, sha256)| Print { bytes, sha256 });
        let mut days = BTreeMap::new();
        for index in 0..file.num_row_groups() {
            read_group(&*file.get_row_group(index)?, &mut days)?;
        }
        Ok(Summary { of, days })
    }
}

fn read_group(
    group: &dyn RowGroupReader,
    into: &mut BTreeMap<(Arc<str>, &'static str, NaiveDate), Day>,
) -> Result<(), TableError> {
    let rows = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
    let wrong = || TableError::Column {
        column: "a column of the daily figures",
    };
    let words = |place: usize| -> Result<Vec<Option<ByteArray>>, TableError> {
        match group.get_column_reader(place)? {
            ColumnReader::ByteArrayColumnReader(reader) => read_column(reader, rows),
            _ => Err(wrong()),
        }
    };
    let numbers = |place: usize| -> Result<Vec<Option<i64>>, TableError> {
        match group.get_column_reader(place)? {
            ColumnReader::Int64ColumnReader(reader) => read_column(reader, rows),
            _ => Err(wrong()),
        }
    };
    let figures = |place: usize| -> Result<Vec<Option<f64>>, TableError> {
        match group.get_column_reader(place)? {
            ColumnReader::DoubleColumnReader(reader) => read_column(reader, rows),
            _ => Err(wrong()),
        }
    };
    let dates = match group.get_column_reader(0)? {
        ColumnReader::Int32ColumnReader(reader) => read_column(reader, rows)?,
        _ => return Err(wrong()),
    };
    let (enclosure, sensor, quantity) = (words(1)?, words(2)?, words(3)?);
    let (readings, doubtful, first, last) = (numbers(4)?, numbers(5)?, numbers(6)?, numbers(7)?);
    let (low, mean, high) = (figures(8)?, figures(9)?, figures(10)?);
    let mut names = Names::default();
    for row in 0..rows {
        let date = dates[row].and_then(|days| NaiveDate::from_num_days_from_ce_opt(days + EPOCH_DAYS));
        let quantity = known("quantity", &quantity[row], Quantity::from_name)?.name();
        let day = Day {
            enclosure: names.shared(text(&enclosure[row])),
            readings: readings[row].unwrap_or(0),
            doubtful: doubtful[row].unwrap_or(0),
            first_ms: first[row].unwrap_or(0),
            last_ms: last[row].unwrap_or(0),
            low: low[row],
            mean: mean[row],
            high: high[row],
        };
        into.insert(
            (
                names.shared(text(&sensor[row])),
                quantity,
                date.unwrap_or_default(),
            ),
            day,
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use mosswarden_config::table::TimeSource;

    use super::*;

    #[test]
    fn days_are_summed_up_and_come_back() {
        // 2026-03-01T23:59Z and two minutes later: two UTC days.
        let row = |minute: i64, value: f64, mark: Mark| Reading {
            at_ms: 1_772_409_540_000 + 60_000 * minute,
            received_ms: 0,
            time_source: TimeSource::Device,
            enclosure: Arc::from("mossy-1"),
            sensor: Arc::from("a"),
            quantity: Quantity::Humidity,
            value,
            mark,
        };
        let mut summary = Summary::default();
        summary.add(&[
            row(0, 70.0, Mark::Ok),
            row(1, 80.0, Mark::Ok),
            row(2, 90.0, Mark::Ok),
            row(3, 900.0, Mark::Impossible),
        ]);
        let days: Vec<_> = summary
            .days
            .values()
            .map(|day| (day.readings, day.doubtful, day.low, day.mean, day.high))
            .collect();
        assert_eq!(
            days,
            [
                (1, 0, Some(70.0), Some(70.0), Some(70.0)),
                (3, 1, Some(80.0), Some(85.0), Some(90.0))
            ]
        );
        summary.of = Some(Print {
            bytes: 7,
            sha256: "ab".to_owned(),
        });
        let bytes = summary.to_bytes().expect("a table");
        assert_eq!(Summary::from_bytes(bytes).expect("our own"), summary);
        let empty = Summary::default();
        let bytes = empty.to_bytes().expect("a table");
        assert_eq!(Summary::from_bytes(bytes).expect("our own"), empty);
    }
}
