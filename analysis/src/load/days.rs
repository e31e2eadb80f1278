//! Daily means from the figures that the collector keeps beside each month: a long look back without its readings.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{self, Archive, day_column};
use mosswarden_config::zone::{MS_PER_24_H, Span};
use polars::prelude::*;

use super::LoadError;
use super::columns::Words;

/// How far back daily figures are read: two years and what a season's beginning may differ. So a look back costs the same in an archive of
/// ten years.
pub const LONG_HISTORY_MS: i64 = 760 * MS_PER_24_H;

/// What one sensor said of one quantity on one UTC day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayMean {
    /// By count, over readings without a mark, in the quantity's stored unit.
    pub mean: f64,
    pub reading_count: i64,
}

/// By sensor and quantity, each day under its start, ms since 1970-01-01T00:00Z.
pub type DailyMeans = BTreeMap<(Arc<str>, Quantity), BTreeMap<i64, DayMean>>;

/// Reads the daily means of some sensors over the whole days of a span, as far as months with daily figures go. Where two archives have
/// the same day, the one with more readings counts.
///
/// # Errors
/// [`LoadError`] names the file.
pub fn daily_means(
    archive: &dyn Archive,
    span: Span,
    wanted: &BTreeSet<String>,
) -> Result<DailyMeans, LoadError> {
    let mut means = DailyMeans::new();
    for path in archive.daily_figures(span)? {
        match std::fs::File::open(&path) {
            Ok(file) => read(&path, file, span, wanted, &mut means)?,
            // Made anew at this moment, with its month: the next look has it.
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(source) => return Err(LoadError::Io { path, source }),
        }
    }
    Ok(means)
}

fn read(
    path: &Path,
    file: std::fs::File,
    span: Span,
    wanted: &BTreeSet<String>,
    means: &mut DailyMeans,
) -> Result<(), LoadError> {
    let wrap = |source| LoadError::DailyFigures {
        path: path.to_owned(),
        source,
    };
    let mut reader = ParquetReader::new(file);
    let metadata = reader.get_metadata().map_err(wrap)?;
    let pairs = metadata.key_value_metadata().as_ref().into_iter().flatten();
    let version = pairs.filter(|pair| pair.key == table::SUMMARY_KEY);
    let found = version
        .filter_map(|pair| pair.value.as_deref()?.parse::<u32>().ok())
        .next();
    if let Some(found) = found.filter(|found| *found > table::SUMMARY_VERSION) {
        return Err(LoadError::TooNew {
            path: path.to_owned(),
            found,
            known: table::SUMMARY_VERSION,
        });
    }
    let columns = [
        day_column::DATE,
        day_column::SENSOR,
        day_column::QUANTITY,
        day_column::READINGS,
        day_column::DOUBTFUL,
        day_column::MEAN,
    ];
    let frame = reader
        .with_columns(Some(columns.map(str::to_owned).to_vec()))
        .finish()
        .map_err(wrap)?;
    add(&frame, span, wanted, means).map_err(wrap)
}

fn add(frame: &DataFrame, span: Span, wanted: &BTreeSet<String>, means: &mut DailyMeans) -> PolarsResult<()> {
    let dates = frame.column(day_column::DATE)?.date()?.physical().rechunk();
    let count = |name: &str| PolarsResult::Ok(frame.column(name)?.i64()?.rechunk());
    let (readings, doubtful) = (count(day_column::READINGS)?, count(day_column::DOUBTFUL)?);
    let figures = frame.column(day_column::MEAN)?.f64()?.rechunk();
    let (sensors, quantities) = (
        Words::of(frame, day_column::SENSOR)?,
        Words::of(frame, day_column::QUANTITY)?,
    );
    let names: Vec<Option<Arc<str>>> = sensors
        .each(|name| wanted.contains(name).then(|| Arc::from(name)))
        .collect();
    let known: Vec<Option<Quantity>> = quantities.each(Quantity::from_name).collect();
    for row in 0..frame.height() {
        let (Some(name), Some(quantity)) = (&names[sensors.place[row]], known[quantities.place[row]]) else {
            continue;
        };
        let (Some(date), Some(readings), Some(doubtful), Some(mean)) = (
            dates.get(row),
            readings.get(row),
            doubtful.get(row),
            figures.get(row),
        ) else {
            continue;
        };
        let day_ms = i64::from(date) * MS_PER_24_H;
        if day_ms < span.from_ms || day_ms + MS_PER_24_H > span.until_ms {
            continue;
        }
        let found = DayMean {
            mean,
            reading_count: readings - doubtful,
        };
        let days = means.entry((Arc::clone(name), quantity)).or_default();
        let day = days.entry(day_ms).or_insert(found);
        if found.reading_count > day.reading_count {
            *day = found;
        }
    }
    Ok(())
}
