//! Spool → Parquet: one segment becomes one file in each UTC day that it touches.
//!
//! Idempotent: the files bear the segment's number, so that doing it again after a crash writes the same files again. Readings
//! that the day's other files hold already are left out: what a device repeats is in the archive once.

use std::path::Path;

use mosswarden_config::table::{self, Reading};

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
    number: u64,
    messages: &[Message],
) -> Result<Published, ArchiveError> {
    let readings = messages
        .iter()
        .flat_map(|message| feeds.read(message).readings)
        .collect();
    put_by_day(disk, data_dir, &format!("part-{number:012}.parquet"), readings)
}

/// Writes readings into their days' partitions under one name.
pub(crate) fn put_by_day(
    disk: &dyn Disk,
    data_dir: &Path,
    name: &str,
    readings: Vec<Reading>,
) -> Result<Published, ArchiveError> {
    let mut published = Published::default();
    for (date, mut day) in archive::by_date(readings) {
        published.repeats += archive::sort_and_drop_repeats(&mut day);
        let dir = table::partition_dir(data_dir, date);
        published.repeats += archive::drop_known(disk, &dir, name, &mut day)?;
        if !day.is_empty() {
            // The same file again is written whole, because it may hold more than before, and counted as what it is.
            let held = archive::count_held(disk, &dir, name, &day);
            archive::put(disk, data_dir, date, name, &day)?;
            published.readings += day.len() as u64 - held;
            published.repeats += held;
        }
    }
    Ok(published)
}
