//! Parquet → rows, group by group; every version of the table.

use std::cell::Cell;
use std::panic::{self, AssertUnwindSafe};

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{CHECKS_KEY, FORMAT_KEY, FORMAT_VERSION, Mark, Reading, TimeSource, column};
use parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use parquet::data_type::{ByteArray, ByteArrayType, DataType};
use parquet::file::metadata::RowGroupMetaData;
use parquet::file::reader::{ChunkReader, FileReader, RowGroupReader, SerializedFileReader};
use parquet::file::statistics::Statistics;

use super::{TableError, check_of};
use crate::names::Names;

/// What a row group's statistics say of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Group {
    pub(crate) rows: usize,
    /// First and last `at`; `None` where the file does not say.
    pub(crate) times_ms: Option<(i64, i64)>,
    /// First and last sensor by name; `None` where the file does not say.
    pub(crate) sensors: Option<(String, String)>,
}

impl Group {
    /// Whether a reading of that sensor and time may be in it.
    pub(crate) fn may_hold(&self, sensor: &str, at_ms: i64) -> bool {
        let of_time = self
            .times_ms
            .is_none_or(|(first, last)| (first..=last).contains(&at_ms));
        let of_sensor = self
            .sensors
            .as_ref()
            .is_none_or(|(first, last)| first.as_str() <= sensor && sensor <= last.as_str());
        of_time && of_sensor
    }

    /// Whether what it says holds of these readings.
    pub(crate) fn is_of(&self, rows: &[Reading]) -> bool {
        let times = || rows.iter().map(|row| row.at_ms);
        let sensors = || rows.iter().map(|row| &*row.sensor);
        let of_times = self
            .times_ms
            .is_none_or(|(first, last)| times().min() == Some(first) && times().max() == Some(last));
        let of_sensors = self.sensors.as_ref().is_none_or(|(first, last)| {
            sensors().min() == Some(first.as_str()) && sensors().max() == Some(last.as_str())
        });
        rows.len() == self.rows && of_times && of_sensors
    }
}

/// An open file of readings.
pub(crate) struct TableReader<R: ChunkReader + 'static> {
    file: SerializedFileReader<R>,
    places: Places,
    is_in_order: bool,
    /// What the readings of each group should come to; empty where the file does not say.
    checks: Vec<Option<u32>>,
}

/// Where each column stands in the file.
struct Places([usize; 8]);

impl<R: ChunkReader + 'static> TableReader<R> {
    pub(crate) fn open(source: R) -> Result<TableReader<R>, TableError> {
        let file = guarded(|| Ok(SerializedFileReader::new(source)?))?;
        let about = file.metadata().file_metadata();
        let told = |key: &str| {
            let mut pairs = about.key_value_metadata().into_iter().flatten();
            pairs.find(|pair| pair.key == key)?.value.clone()
        };
        let version = told(FORMAT_KEY);
        let is_newer = |found: &String| found.parse::<u32>().map_or(true, |found| found > FORMAT_VERSION);
        if let Some(found) = version.clone().filter(is_newer) {
            return Err(TableError::Newer { found });
        }
        let schema = about.schema_descr();
        let mut places = [0; 8];
        for (place, name) in places.iter_mut().zip(super::COLUMNS) {
            *place = (0..schema.num_columns())
                .find(|index| schema.column(*index).name() == name)
                .ok_or(TableError::Column { column: name })?;
        }
        let checks = told(CHECKS_KEY).map_or(Vec::new(), |checks| {
            let each = checks.split(',');
            each.map(|check| u32::from_str_radix(check, 16).ok()).collect()
        });
        Ok(TableReader {
            places: Places(places),
            is_in_order: version.is_some_and(|version| version == FORMAT_VERSION.to_string()),
            checks,
            file,
        })
    }

    /// Whether its rows stand in `row_order`, as the present version writes them; version 1 had another order.
    pub(crate) fn is_in_order(&self) -> bool {
        self.is_in_order
    }

    /// What each group holds, as far as the footer says.
    pub(crate) fn groups(&self) -> Vec<Group> {
        let groups = self.file.metadata().row_groups().iter();
        groups.map(|group| self.about(group)).collect()
    }

    fn about(&self, group: &RowGroupMetaData) -> Group {
        let of = |name: &str| group.column(self.places.of(name)).statistics();
        let text = |bytes: Option<&[u8]>| Some(String::from_utf8_lossy(bytes?).into_owned());
        let times_ms = match of(column::AT) {
            Some(Statistics::Int64(times)) => times.min_opt().copied().zip(times.max_opt().copied()),
            _ => None,
        };
        let sensors = of(column::SENSOR)
            .filter(|of| of.min_is_exact() && of.max_is_exact())
            .and_then(|of| text(of.min_bytes_opt()).zip(text(of.max_bytes_opt())));
        Group {
            rows: usize::try_from(group.num_rows()).unwrap_or(0),
            times_ms,
            sensors,
        }
    }

    /// Every reading of one group, in file order.
    ///
    /// # Errors
    /// [`TableError::Changed`] where they can be read, and are not what was written.
    pub(crate) fn group(&self, index: usize) -> Result<Vec<Reading>, TableError> {
        let readings = self.group_as_it_reads(index)?;
        match self.checks.get(index) {
            Some(check) if *check != Some(check_of(&readings)) => Err(TableError::Changed),
            _ => Ok(readings),
        }
    }

    /// Every reading of one group, whether or not it is what was written.
    pub(crate) fn group_as_it_reads(&self, index: usize) -> Result<Vec<Reading>, TableError> {
        guarded(|| self.unguarded_group(index))
    }

    fn unguarded_group(&self, index: usize) -> Result<Vec<Reading>, TableError> {
        let group = self.file.get_row_group(index)?;
        let rows = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
        let at = self.instants(&*group, column::AT, rows)?;
        let received = self.instants(&*group, column::RECEIVED, rows)?;
        let words = |name: &'static str| self.words(&*group, name, rows);
        let (source, enclosure) = (words(column::TIME_SOURCE)?, words(column::ENCLOSURE)?);
        let (sensor, quantity, mark) = (
            words(column::SENSOR)?,
            words(column::QUANTITY)?,
            words(column::MARK)?,
        );
        let value = self.values(&*group, rows)?;
        let (mut enclosures, mut sensors) = (Names::default(), Names::default());
        let mut readings = Vec::with_capacity(rows.min(ROOM_ROWS));
        for row in 0..rows {
            // Our own files hold no empty times or values; a row of another hand that does can't be placed.
            let (Some(at_ms), Some(value)) = (at[row], value[row]) else {
                continue;
            };
            readings.push(Reading {
                at_ms,
                received_ms: received[row].unwrap_or(at_ms),
                time_source: known(column::TIME_SOURCE, &source[row], TimeSource::from_name)?,
                enclosure: enclosures.shared(text(&enclosure[row])),
                sensor: sensors.shared(text(&sensor[row])),
                quantity: known(column::QUANTITY, &quantity[row], Quantity::from_name)?,
                value,
                mark: known(column::MARK, &mark[row], Mark::from_name)?,
            });
        }
        Ok(readings)
    }

    /// Every reading of the file.
    #[cfg(test)]
    pub(crate) fn all(&self) -> Result<Vec<Reading>, TableError> {
        let mut readings = Vec::new();
        for index in 0..self.file.metadata().num_row_groups() {
            readings.append(&mut self.group(index)?);
        }
        Ok(readings)
    }

    fn instants(
        &self,
        group: &dyn RowGroupReader,
        name: &'static str,
        rows: usize,
    ) -> Result<Vec<Option<i64>>, TableError> {
        match group.get_column_reader(self.places.of(name))? {
            ColumnReader::Int64ColumnReader(reader) => read_column(reader, rows),
            _ => Err(TableError::Column { column: name }),
        }
    }

    fn values(&self, group: &dyn RowGroupReader, rows: usize) -> Result<Vec<Option<f64>>, TableError> {
        match group.get_column_reader(self.places.of(column::VALUE))? {
            ColumnReader::DoubleColumnReader(reader) => read_column(reader, rows),
            _ => Err(TableError::Column {
                column: column::VALUE,
            }),
        }
    }

    fn words(
        &self,
        group: &dyn RowGroupReader,
        name: &'static str,
        rows: usize,
    ) -> Result<Vec<Option<ByteArray>>, TableError> {
        match group.get_column_reader(self.places.of(name))? {
            ColumnReader::ByteArrayColumnReader(reader) => read_column::<ByteArrayType>(reader, rows),
            _ => Err(TableError::Column { column: name }),
        }
    }
}

impl Places {
    fn of(&self, name: &str) -> usize {
        let index = super::COLUMNS.iter().position(|column| *column == name);
        self.0[index.unwrap_or(0)]
    }
}

thread_local! {
    static IS_GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// Whether a panic of this thread is caught and told as a damaged file, so that nobody needs its words.
pub fn is_guarded() -> bool {
    IS_GUARDED.get()
}

/// Reads from a file that may be damaged: on some bytes the library panics, which is an error of that file like any other.
fn guarded<T>(read: impl FnOnce() -> Result<T, TableError>) -> Result<T, TableError> {
    IS_GUARDED.set(true);
    let done = panic::catch_unwind(AssertUnwindSafe(read));
    IS_GUARDED.set(false);
    done.unwrap_or(Err(TableError::Damaged))
}

/// Room is made at once for this many rows at most: what a damaged footer says of their number is no reason to ask for all memory.
const ROOM_ROWS: usize = 1 << 18;

/// A whole column chunk; empty cells are `None`.
pub(super) fn read_column<T: DataType>(
    mut reader: ColumnReaderImpl<T>,
    rows: usize,
) -> Result<Vec<Option<T::T>>, TableError> {
    let mut values = Vec::with_capacity(rows.min(ROOM_ROWS));
    let mut levels: Vec<i16> = Vec::with_capacity(rows.min(ROOM_ROWS));
    loop {
        let (records, _, _) = reader.read_records(rows.max(1), Some(&mut levels), None, &mut values)?;
        if records == 0 {
            break;
        }
    }
    let cells: Vec<Option<T::T>> = if levels.is_empty() {
        values.into_iter().map(Some).collect()
    } else {
        let mut values = values.into_iter();
        let told = levels
            .iter()
            .map(|level| if *level > 0 { values.next() } else { None });
        told.collect()
    };
    if cells.len() == rows {
        Ok(cells)
    } else {
        let text = format!("a column of {rows} rows holds {}", cells.len());
        Err(parquet::errors::ParquetError::General(text).into())
    }
}

pub(super) fn text(word: &Option<ByteArray>) -> &str {
    let bytes = word.as_ref().map(ByteArray::data).unwrap_or_default();
    std::str::from_utf8(bytes).unwrap_or_default()
}

pub(super) fn known<T>(
    column: &'static str,
    word: &Option<ByteArray>,
    from_name: impl Fn(&str) -> Option<T>,
) -> Result<T, TableError> {
    let word = text(word);
    from_name(word).ok_or_else(|| TableError::UnknownWord {
        column,
        found: word.to_owned(),
    })
}
