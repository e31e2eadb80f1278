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
    marks: Option<(String, String)>,
    /// Every reading arrived at the time that it bears.
    none_was_late: bool,
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

    /// What of the columns for an analysis the footer does not tell already.
    fn columns(&self) -> Vec<&'static str> {
        let is_told = |name: &str| match name {
            column::RECEIVED => self.none_was_late,
            column::SENSOR => only(&self.sensors).is_some(),
            column::MARK => only(&self.marks).is_some(),
            _ => false,
        };
        let mut columns = vec![
            column::AT,
            column::RECEIVED,
            column::SENSOR,
            column::QUANTITY,
            column::VALUE,
            column::MARK,
        ];
        columns.retain(|name| !is_told(name));
        columns
    }
}

/// The one word of a column, where there is but one. Long ones may stand shortened in a footer.
fn only(words: &Option<(String, String)>) -> Option<&str> {
    const SHORTENED_FROM: usize = 32;
    let (first, last) = words.as_ref()?;
    (first == last && first.len() < SHORTENED_FROM).then_some(first)
}

/// Some rows as an analysis needs them.
pub(super) struct Rows {
    frame: DataFrame,
    sensor: Option<String>,
    mark: Option<String>,
}

impl Rows {
    /// Instants, ms since 1970-01-01T00:00Z.
    pub(super) fn at(&self) -> PolarsResult<Int64Chunked> {
        instants(&self.frame, column::AT)
    }

    /// Instants of arrival, where they are others.
    pub(super) fn received(&self) -> PolarsResult<Int64Chunked> {
        if self.frame.get_column_index(column::RECEIVED).is_none() {
            return Ok(Int64Chunked::full_null(
                column::RECEIVED.into(),
                self.frame.height(),
            ));
        }
        instants(&self.frame, column::RECEIVED)
    }

    pub(super) fn value(&self) -> PolarsResult<Float64Chunked> {
        Ok(self.frame.column(column::VALUE)?.f64()?.rechunk().into_owned())
    }

    pub(super) fn sensors(&self) -> PolarsResult<Words<'_>> {
        self.words(column::SENSOR, self.sensor.as_deref())
    }

    pub(super) fn quantities(&self) -> PolarsResult<Words<'_>> {
        self.words(column::QUANTITY, None)
    }

    pub(super) fn marks(&self) -> PolarsResult<Words<'_>> {
        self.words(column::MARK, self.mark.as_deref())
    }

    fn words<'r>(&'r self, name: &str, only: Option<&'r str>) -> PolarsResult<Words<'r>> {
        match only {
            Some(word) => Ok(Words {
                words: vec![Some(word)],
                place: vec![0; self.frame.height()],
            }),
            None => Words::of(&self.frame, name),
        }
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

    /// The first and last time of each group that says them.
    pub(super) fn times_ms(&self) -> impl Iterator<Item = i64> {
        let times = self.groups.iter().filter_map(|group| group.times_ms);
        times.flat_map(|(first, last)| [first, last])
    }

    /// Row groups that may hold something wanted, each as an analysis needs it.
    pub(super) fn rows(
        &self,
        span: Span,
        wanted: Option<&BTreeSet<String>>,
    ) -> impl Iterator<Item = Result<Rows, LoadError>> {
        let groups = self
            .groups
            .iter()
            .filter(move |group| group.may_hold(span, wanted));
        groups.map(|group| {
            Ok(Rows {
                frame: self.read(group, Some(&group.columns()))?,
                sensor: only(&group.sensors).map(str::to_owned),
                mark: only(&group.marks).map(str::to_owned),
            })
        })
    }

    /// Row groups that may hold something of a span, whole.
    pub(super) fn whole(&self, span: Span) -> impl Iterator<Item = Result<DataFrame, LoadError>> {
        let groups = self.groups.iter().filter(move |group| group.may_hold(span, None));
        groups.map(|group| self.read(group, None))
    }

    /// A row group; of these columns only, or of all.
    fn read(&self, group: &Group, columns: Option<&[&str]>) -> Result<DataFrame, LoadError> {
        let file = self.file.try_clone().map_err(|source| LoadError::Io {
            path: self.path.clone(),
            source,
        })?;
        let mut reader = ParquetReader::new(file);
        reader.set_metadata(self.metadata.clone());
        reader
            .with_slice(Some((group.rows.start, group.rows.len())))
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
        let words = |name: &str| {
            let told = bounds(name);
            let told = told.as_ref()?.as_binary()?;
            text(&told.min_value).zip(text(&told.max_value))
        };
        let late = bounds(column::RECEIVED);
        let not_late = late.as_ref().and_then(|told| told.as_int64()?.null_count);
        let rows = start..start + group.num_rows();
        start = rows.end;
        groups.push(Group {
            rows,
            times_ms,
            sensors: words(column::SENSOR),
            marks: words(column::MARK),
            none_was_late: not_late == Some(group.num_rows() as i64),
        });
    }
    groups
}

/// A column of instants as ms since 1970-01-01T00:00Z.
pub(super) fn instants(frame: &DataFrame, name: &str) -> PolarsResult<Int64Chunked> {
    let column = frame.column(name)?;
    Ok(column.datetime()?.physical().rechunk().into_owned())
}

/// A column of few words: which they are, and for each row the place of its own among them.
pub(super) struct Words<'f> {
    /// `None` stands for rows without one.
    pub(super) words: Vec<Option<&'f str>>,
    pub(super) place: Vec<usize>,
}

impl<'f> Words<'f> {
    pub(super) fn of(frame: &'f DataFrame, name: &str) -> PolarsResult<Words<'f>> {
        let column = frame.column(name)?.str()?;
        let mut words: Vec<Option<&str>> = Vec::new();
        let mut place = Vec::with_capacity(frame.height());
        let all_there = column.null_count() == 0;
        for chunk in column.downcast_iter() {
            // Rows whose text stands at one place in memory need not be compared letter by letter.
            let mut seen: Vec<(u128, usize)> = Vec::new();
            for (row, view) in chunk.views().iter().enumerate() {
                let key = view.as_u128();
                let known = seen.iter().rev().find(|(known, _)| all_there && *known == key);
                let found = known.map(|(_, known)| *known).unwrap_or_else(|| {
                    let word = chunk.get(row);
                    let known = words.iter().position(|known| *known == word).unwrap_or_else(|| {
                        words.push(word);
                        words.len() - 1
                    });
                    seen.push((key, known));
                    known
                });
                place.push(found);
            }
        }
        Ok(Words { words, place })
    }

    /// What each word means; `None` for those that are not known.
    pub(super) fn each<T>(&self, meaning: impl Fn(&str) -> Option<T>) -> impl Iterator<Item = Option<T>> {
        self.words.iter().map(move |word| meaning((*word)?))
    }
}
