//! Rows in their order → one Parquet file, written as it grows.

use std::collections::HashMap;
use std::io::Write;
use std::sync::Arc;

use mosswarden_config::table::{CHECKS_KEY, FORMAT_KEY, FORMAT_VERSION, Reading, UNITS_KEY, UNITS_VALUE};
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::metadata::{KeyValue, SortingColumn};
use parquet::file::properties::{EnabledStatistics, WriterProperties, WriterPropertiesPtr};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;
use parquet::schema::types::{ColumnPath, TypePtr};

use super::{COLUMNS, SCHEMA, TableError, check_of};

/// A row group is closed at the end of a sensor once it holds this many rows: smaller ones would cost more in the footer than they
/// save in reading (a group's footer takes about 1 kB).
const GROUP_ROWS_MIN: usize = 8192;
/// And at this many in any case, which bounds memory: 20 MB.
const GROUP_ROWS_MAX: usize = 262_144;
/// One page a column and group: pages of their own would be compressed apart.
const PAGE_BYTES: usize = 16 * 1024 * 1024;

/// How hard to try for a small file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Effort {
    /// For files that will soon be merged: zstd 3.
    Quick,
    /// For files that stay: zstd 15, a seventh smaller (`ARCHIVE.md`), and slower.
    Thorough,
}

/// Writes readings in the table's order.
pub(crate) struct TableWriter<W: Write + Send> {
    file: SerializedFileWriter<W>,
    waiting: Vec<Reading>,
    /// Of each group written.
    checks: Vec<String>,
}

impl<W: Write + Send> TableWriter<W> {
    pub(crate) fn new(out: W, effort: Effort) -> Result<TableWriter<W>, TableError> {
        Ok(TableWriter {
            file: SerializedFileWriter::new(out, schema()?, properties(effort)?)?,
            waiting: Vec::new(),
            checks: Vec::new(),
        })
    }

    /// Adds rows that follow the earlier ones in `row_order`.
    pub(crate) fn push(&mut self, rows: impl IntoIterator<Item = Reading>) -> Result<(), TableError> {
        for row in rows {
            if let Some(last) = self.waiting.last()
                && ends_group(self.waiting.len(), last, &row)
            {
                self.flush()?;
            }
            self.waiting.push(row);
        }
        Ok(())
    }

    /// Says that the sensor at hand has no more rows, so that a group that is large enough need not wait for the next sensor's.
    pub(crate) fn end_sensor(&mut self) -> Result<(), TableError> {
        if self.waiting.len() >= GROUP_ROWS_MIN {
            self.flush()?;
        }
        Ok(())
    }

    /// A whole file's rows in `row_order`, in the groups that [`push`](TableWriter::push) would make, without a copy of them.
    fn write(&mut self, rows: &[Reading]) -> Result<(), TableError> {
        let mut first = 0;
        for index in 1..=rows.len() {
            if index == rows.len() || ends_group(index - first, &rows[index - 1], &rows[index]) {
                self.write_group(&rows[first..index])?;
                first = index;
            }
        }
        Ok(())
    }

    /// Ends the file.
    pub(crate) fn finish(mut self) -> Result<W, TableError> {
        self.flush()?;
        let checks = KeyValue::new(CHECKS_KEY.to_owned(), self.checks.join(","));
        self.file.append_key_value_metadata(checks);
        Ok(self.file.into_inner()?)
    }

    fn flush(&mut self) -> Result<(), TableError> {
        let rows = std::mem::take(&mut self.waiting);
        if !rows.is_empty() {
            self.write_group(&rows)?;
        }
        Ok(())
    }

    fn write_group(&mut self, rows: &[Reading]) -> Result<(), TableError> {
        let mut group = self.file.next_row_group()?;
        write_columns(&mut group, rows)?;
        group.close()?;
        self.checks.push(format!("{:08x}", check_of(rows)));
        Ok(())
    }
}

/// Whether a row group of so many rows ends between two rows.
fn ends_group(count: usize, last: &Reading, next: &Reading) -> bool {
    count >= GROUP_ROWS_MAX || (count >= GROUP_ROWS_MIN && last.sensor != next.sensor)
}

/// A whole file's bytes; `readings` in `row_order`.
pub(crate) fn to_bytes(readings: &[Reading], effort: Effort) -> Result<Vec<u8>, TableError> {
    let mut writer = TableWriter::new(Vec::new(), effort)?;
    writer.write(readings)?;
    writer.finish()
}

fn schema() -> Result<TypePtr, TableError> {
    Ok(Arc::new(parse_message_type(SCHEMA)?))
}

fn properties(effort: Effort) -> Result<WriterPropertiesPtr, TableError> {
    let level = match effort {
        Effort::Quick => 3,
        Effort::Thorough => 15,
    };
    let pair = |key: &str, value: String| KeyValue::new(key.to_owned(), value);
    let place = |name: &str| COLUMNS.iter().position(|column| *column == name).unwrap_or(0) as i32;
    let by = |name: &str| SortingColumn {
        column_idx: place(name),
        descending: false,
        nulls_first: false,
    };
    let mut properties = WriterProperties::builder()
        .set_created_by(concat!("mosswarden ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(level)?))
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_offset_index_disabled(true)
        .set_data_page_size_limit(PAGE_BYTES)
        .set_data_page_row_count_limit(GROUP_ROWS_MAX)
        .set_sorting_columns(Some(vec![by("sensor"), by("at"), by("quantity")]))
        .set_key_value_metadata(Some(vec![
            pair(FORMAT_KEY, FORMAT_VERSION.to_string()),
            pair(UNITS_KEY, UNITS_VALUE.to_owned()),
        ]));
    for name in ["at", "received"] {
        let column = ColumnPath::from(name);
        properties = properties
            .set_column_dictionary_enabled(column.clone(), false)
            .set_column_encoding(column, Encoding::DELTA_BINARY_PACKED);
    }
    Ok(Arc::new(properties.build()))
}

fn write_columns<W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    rows: &[Reading],
) -> Result<(), TableError> {
    let at: Vec<i64> = rows.iter().map(|row| row.at_ms).collect();
    write_instants(group, &at, None)?;
    let is_told = |row: &&Reading| row.received_ms != row.at_ms;
    let received: Vec<i64> = rows.iter().filter(is_told).map(|row| row.received_ms).collect();
    let levels: Vec<i16> = rows.iter().map(|row| i16::from(is_told(&row))).collect();
    write_instants(group, &received, Some(&levels))?;
    write_words(group, rows.iter().map(|row| row.time_source.name()))?;
    write_words(group, rows.iter().map(|row| &*row.enclosure))?;
    write_words(group, rows.iter().map(|row| &*row.sensor))?;
    write_words(group, rows.iter().map(|row| row.quantity.name()))?;
    let values: Vec<f64> = rows.iter().map(|row| row.value).collect();
    let mut column = next(group)?;
    column.typed::<DoubleType>().write_batch(&values, None, None)?;
    column.close()?;
    write_words(group, rows.iter().map(|row| row.mark.name()))
}

pub(super) fn next<'g, W: Write + Send>(
    group: &'g mut SerializedRowGroupWriter<'_, W>,
) -> Result<parquet::file::writer::SerializedColumnWriter<'g>, TableError> {
    let missing = || parquet::errors::ParquetError::General("the schema has fewer columns".to_owned());
    Ok(group.next_column()?.ok_or_else(missing)?)
}

fn write_instants<W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: &[i64],
    levels: Option<&[i16]>,
) -> Result<(), TableError> {
    let mut column = next(group)?;
    column.typed::<Int64Type>().write_batch(values, levels, None)?;
    Ok(column.close()?)
}

pub(super) fn write_words<'w, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    words: impl Iterator<Item = &'w str>,
) -> Result<(), TableError> {
    // One shared text a word, however many rows bear it.
    let mut known: HashMap<&str, ByteArray> = HashMap::new();
    let values: Vec<ByteArray> = words
        .map(|word| known.entry(word).or_insert_with(|| ByteArray::from(word)).clone())
        .collect();
    let mut column = next(group)?;
    column.typed::<ByteArrayType>().write_batch(&values, None, None)?;
    Ok(column.close()?)
}
