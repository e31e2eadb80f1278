//! One Parquet file of readings: which rows may hold what is wanted, and those rows as a table.
//!
//! Row groups are chosen by the statistics of their footers (first and last time, first and last sensor), so that a file of a whole
//! month costs what is asked of it. A group without statistics is read.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::{Path, PathBuf};

use mosswarden_config::table::{self, column};
use mosswarden_config::zone::Span;
use polars::io::parquet::metadata::FileMetadataRef;
use polars::io::parquet::read::ParallelStrategy;
use polars::prelude::*;

use super::LoadError;

pub(super) struct File {
    path: PathBuf,
    file: std::fs::File,
    metadata: FileMetadataRef,
    groups: Vec<Group>,
}

/// A row group by its footer.
struct Group {
    rows: Range<usize>,
    times_ms: Option<(i64, i64)>,
    sensors: Option<(String, String)>,
}

impl Group {
    fn may_hold(&self, span: Span, wanted: Option<&BTreeSet<String>>) -> bool {
        let of_span = self
            .times_ms
            .is_none_or(|(first, last)| first < span.until_ms && last >= span.from_ms);
        let of_sensor = match (wanted, &self.sensors) {
            (Some(wanted), Some((first, last))) => wanted.range::<String, _>(first..=last).next().is_some(),
            _ => true,
        };
        of_span && of_sensor
    }
}

impl File {
    /// Opens a file and reads its footer; `None` where it is not there (any more).
    pub(super) fn open(path: &Path) -> Result<Option<File>, LoadError> {
        let file = match std::fs::File::open(path) {
            Ok(file) => file,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
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
        let again = file.try_clone().map_err(|source| LoadError::Io {
            path: path.to_owned(),
            source,
        })?;
        let mut reader = ParquetReader::new(again);
        let metadata = reader.get_metadata().map_err(wrap)?.clone();
        let found = metadata.key_value_metadata().as_ref().and_then(|pairs| {
            let pair = pairs.iter().find(|pair| pair.key == table::FORMAT_KEY)?;
            pair.value.as_deref()?.parse().ok()
        });
        if let Some(found) = found.filter(|found: &u32| *found > table::FORMAT_VERSION) {
            return Err(LoadError::TooNew {
                path: path.to_owned(),
                found,
                known: table::FORMAT_VERSION,
            });
        }
        let groups = groups(&metadata);
        Ok(Some(File {
            path: path.to_owned(),
            file,
            metadata,
            groups,
        }))
    }

    /// The first time that any group says.
    pub(super) fn first_ms(&self) -> Option<i64> {
        self.groups
            .iter()
            .filter_map(|group| group.times_ms)
            .map(|(first, _)| first)
            .min()
    }

    /// Runs of neighbouring rows in groups that may hold something wanted.
    pub(super) fn runs(&self, span: Span, wanted: Option<&BTreeSet<String>>) -> Vec<Range<usize>> {
        let mut runs: Vec<Range<usize>> = Vec::new();
        for group in self.groups.iter().filter(|group| group.may_hold(span, wanted)) {
            match runs.last_mut() {
                Some(last) if last.end == group.rows.start => last.end = group.rows.end,
                _ => runs.push(group.rows.clone()),
            }
        }
        runs
    }

    /// Some rows; of these columns only, or of all.
    pub(super) fn read(&self, rows: Range<usize>, columns: Option<&[&str]>) -> Result<DataFrame, LoadError> {
        let file = self.file.try_clone().map_err(|source| LoadError::Io {
            path: self.path.clone(),
            source,
        })?;
        let mut reader = ParquetReader::new(file);
        reader.set_metadata(self.metadata.clone());
        reader
            .with_slice(Some((rows.start, rows.len())))
            .with_columns(columns.map(|names| names.iter().map(|name| (*name).to_owned()).collect()))
            // By groups: only then are those outside the slice passed over unread.
            .read_parallel(ParallelStrategy::RowGroups)
            .finish()
            .map_err(|source| self.wrap(source))
    }

    pub(super) fn wrap(&self, source: PolarsError) -> LoadError {
        LoadError::Parquet {
            path: self.path.clone(),
            source,
        }
    }
}

fn groups(metadata: &FileMetadataRef) -> Vec<Group> {
    let mut start = 0;
    let mut groups = Vec::with_capacity(metadata.row_groups.len());
    for group in &metadata.row_groups {
        let bounds = |name: &str| {
            let place = group.parquet_columns().iter().find(|chunk| {
                chunk
                    .descriptor()
                    .path_in_schema
                    .first()
                    .is_some_and(|own| own == name)
            })?;
            place.statistics(&metadata.footer_buf)?.ok()
        };
        let times = bounds(column::AT);
        let times_ms = times.as_ref().and_then(|told| {
            let told = told.as_int64()?;
            told.min_value.zip(told.max_value)
        });
        let text = |bytes: &Option<Vec<u8>>| String::from_utf8(bytes.clone()?).ok();
        let names = bounds(column::SENSOR);
        let sensors = names.as_ref().and_then(|told| {
            let told = told.as_binary()?;
            text(&told.min_value).zip(text(&told.max_value))
        });
        let rows = start..start + group.num_rows();
        start = rows.end;
        groups.push(Group {
            rows,
            times_ms,
            sensors,
        });
    }
    groups
}

/// A column of instants as ms since 1970-01-01T00:00Z.
pub(super) fn instants(frame: &DataFrame, name: &str) -> PolarsResult<Int64Chunked> {
    let column = frame.column(name)?;
    Ok(column.datetime()?.physical().rechunk().into_owned())
}
