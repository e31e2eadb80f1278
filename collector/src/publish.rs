//! Spool → Parquet: one segment becomes one file in each UTC day that it touches.
//!
//! Idempotent: readings that the day's files hold already are left out, so that doing it again after a crash adds nothing, and what a
//! device repeats is in the archive once. Files bear the collector's name, if it has one, and the segment's number; none is ever replaced.

use std::path::Path;

use mosswarden_config::table::Reading;

use crate::archive::{self, ArchiveError};
use crate::disk::Disk;
use crate::feeds::Feeds;
use crate::message::Message;

/// What publishing a segment gave.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Published {
    pub(crate) readings: u64,
    pub(crate) repeats: u64,
}

/// Writes a segment's readings into the archive; durable when it returns.
pub(crate) fn publish(
    disk: &dyn Disk,
    data_dir: &Path,
    feeds: &Feeds,
    stem: &str,
    messages: Vec<Message>,
) -> Result<Published, ArchiveError> {
    let mut readings = Vec::with_capacity(messages.len());
    for message in messages {
        readings.extend(feeds.read(&message).readings);
    }
    put_by_day(disk, data_dir, stem, readings)
}

/// Writes readings into their days' partitions, under one name without its ending.
pub(crate) fn put_by_day(
    disk: &dyn Disk,
    data_dir: &Path,
    stem: &str,
    readings: Vec<Reading>,
) -> Result<Published, ArchiveError> {
    let mut published = Published::default();
    for (date, mut day) in archive::by_date(readings) {
        published.repeats += archive::sort_and_drop_repeats(&mut day);
        published.repeats += archive::drop_known(disk, data_dir, date, &mut day)?;
        if !day.is_empty() {
            archive::put(disk, data_dir, date, stem, &day)?;
            published.readings += day.len() as u64;
        }
    }
    Ok(published)
}
