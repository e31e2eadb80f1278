//! Readings ↔ Parquet: the only code of the collector that knows the file format.
//!
//! Rows stand by sensor, time and quantity. Quantities of one message share their times, so that next to each other the times cost
//! half as much as in separate runs (measured in `ARCHIVE.md`). Encodings are those that every engine reads: times as differences,
//! everything else by dictionary, all of it in zstd. Row groups end where a sensor ends, so that statistics tell which to skip.

mod read;
mod source;
mod summary;
mod write;

use mosswarden_config::table::{FORMAT_VERSION, Reading, column};

pub use read::is_guarded;
pub(crate) use read::{Group, TableReader};
pub(crate) use source::Source;
pub(crate) use summary::{Digesting, Print, Summary};
pub(crate) use write::{Effort, TableWriter, to_bytes};

/// The columns in file order, as Parquet's schema language has them. `received` is empty where it is `at` itself.
const SCHEMA: &str = "message readings {
    required int64 at (TIMESTAMP(MILLIS, true));
    optional int64 received (TIMESTAMP(MILLIS, true));
    required binary time_source (STRING);
    required binary enclosure (STRING);
    required binary sensor (STRING);
    required binary quantity (STRING);
    required double value;
    required binary mark (STRING);
}";

/// Names in the order of [`SCHEMA`].
const COLUMNS: [&str; 8] = [
    column::AT,
    column::RECEIVED,
    column::TIME_SOURCE,
    column::ENCLOSURE,
    column::SENSOR,
    column::QUANTITY,
    column::VALUE,
    column::MARK,
];

/// Why bytes are no table of ours, or can't be made one.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    #[error("a table can't be made into Parquet or read from it")]
    Parquet(#[from] parquet::errors::ParquetError),
    #[error(
        "the file has table version {found}, this program reads up to {FORMAT_VERSION}; use a newer mosswarden"
    )]
    Newer { found: String },
    #[error("the column `{column}` is missing or of another type")]
    Column { column: &'static str },
    #[error("the column `{column}` holds `{found}`, which this program does not know")]
    UnknownWord { column: &'static str, found: String },
    #[error("its bytes are damaged")]
    Damaged,
    #[error("its readings are not those that were written")]
    Changed,
}

/// CRC-32 of a row group's readings, by what they say and not by how the file holds it.
fn check_of(rows: &[Reading]) -> u32 {
    /// Rows that are put into bytes at once.
    const ROWS: usize = 512;
    let mut hasher = crc32fast::Hasher::new();
    let mut bytes = Vec::new();
    for some in rows.chunks(ROWS) {
        bytes.clear();
        for row in some {
            bytes.extend(row.at_ms.to_le_bytes());
            bytes.extend(row.received_ms.to_le_bytes());
            bytes.extend(row.value.to_bits().to_le_bytes());
            let words = [
                row.time_source.name(),
                &row.enclosure,
                &row.sensor,
                row.quantity.name(),
                row.mark.name(),
            ];
            for word in words {
                bytes.extend(word.as_bytes());
                bytes.push(0);
            }
        }
        hasher.update(&bytes);
    }
    hasher.finalize()
}

/// The order of rows in a file; rows of one identity are neighbours in it.
pub(crate) fn row_order(a: &Reading, b: &Reading) -> std::cmp::Ordering {
    a.sensor
        .cmp(&b.sensor)
        .then(a.at_ms.cmp(&b.at_ms))
        .then_with(|| a.quantity.name().cmp(b.quantity.name()))
        .then(a.value.to_bits().cmp(&b.value.to_bits()))
        .then(a.received_ms.cmp(&b.received_ms))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use bytes::Bytes;
    use mosswarden_config::quantity::Quantity;
    use mosswarden_config::table::{Mark, TimeSource};

    use super::*;

    fn rows(count: usize, sensors: usize) -> Vec<Reading> {
        let mut rows: Vec<Reading> = (0..count)
            .map(|n| Reading {
                at_ms: 1_772_352_000_000 + 60_000 * n as i64,
                // Every other one arrived when it was measured.
                received_ms: 1_772_352_000_000 + 60_000 * n as i64 + 40 * (n as i64 % 2),
                time_source: TimeSource::ALL[n % 3],
                enclosure: Arc::from("mossy-1"),
                sensor: Arc::from(format!("sensor-{:02}", n % sensors)),
                quantity: Quantity::ALL[n % 9],
                value: 0.1 * n as f64,
                mark: Mark::ALL[n % 5],
            })
            .collect();
        rows.sort_by(row_order);
        rows
    }

    fn read(bytes: Vec<u8>) -> Vec<Reading> {
        TableReader::open(Bytes::from(bytes))
            .and_then(|table| table.all())
            .expect("our own file")
    }

    #[test]
    fn readings_come_back_bit_for_bit_at_every_effort() {
        let rows = rows(3000, 7);
        for effort in [Effort::Quick, Effort::Thorough] {
            assert_eq!(read(to_bytes(&rows, effort).expect("a table")), rows);
        }
        assert!(read(to_bytes(&[], Effort::Quick).expect("a table")).is_empty());
    }

    #[test]
    fn groups_end_with_a_sensor_and_say_what_they_hold() {
        let rows = rows(60_000, 3);
        let table = TableReader::open(Bytes::from(to_bytes(&rows, Effort::Quick).expect("a table")))
            .expect("our own file");
        let groups = table.groups();
        assert_eq!(groups.len(), 3);
        for (index, group) in groups.iter().enumerate() {
            let name = format!("sensor-{index:02}");
            assert_eq!(group.sensors, Some((name.clone(), name)));
            assert_eq!(group.rows, 20_000);
            let read = table.group(index).expect("our own file");
            let (first, last) = group.times_ms.expect("statistics");
            assert!(read.iter().all(|row| (first..=last).contains(&row.at_ms)));
        }
    }

    /// Version 1, as 0.1.0 wrote it (kept in `tests/reference`): the newest program reads it.
    #[test]
    fn the_first_version_is_read() {
        let kept = include_bytes!("../../../tests/reference/archive-version-1.parquet");
        let read = read(kept.to_vec());
        assert_eq!(read.len(), 2000);
        let first = &read[0];
        assert_eq!(
            (&*first.sensor, first.quantity, first.at_ms, first.value),
            ("sensor-0", Quantity::Battery, 1_772_352_000_007, 0.1 * 7.0)
        );
        assert_eq!(first.received_ms, first.at_ms + 40);
    }
}
