//! Readings that are durable but not yet in the archive, for other processes.
//!
//! Read the tail first and the archive after it: a reading moves from the one to the other, never back, so in this order none
//! is missed; one that is in both has the same identity. Nothing is changed here, and no lock is needed.

use std::path::Path;

use mosswarden_config::site::{ArchivePlace, Site};
use mosswarden_config::table::Reading;

use crate::archive;
use crate::disk::RealDisk;
use crate::feeds::Feeds;
use crate::own;
use crate::spool::{self, SpoolError};

/// The readings of the spool (of every spool, where several collectors share an archive, and of folders that are read as well), sorted by sensor, quantity and time,
/// each once; empty where there is no spool.
///
/// # Errors
/// [`SpoolError`] if the spool is there and can't be read, or was written by a later version.
pub fn tail(site: &Site) -> Result<Vec<Reading>, SpoolError> {
    let failed = |dir: &Path| {
        let dir = dir.to_owned();
        move |source| SpoolError::Disk { dir, source }
    };
    let feeds = Feeds::new(site);
    let mut readings = Vec::new();
    let further = site.also_read.iter().filter_map(|place| match place {
        ArchivePlace::Folder(folder) => Some(folder),
        ArchivePlace::Bucket(_) => None,
    });
    for data_dir in std::iter::once(&site.data_dir).chain(further) {
        for dir in own::spool_dirs(data_dir).map_err(failed(data_dir))? {
            for number in spool::waiting_segments(&RealDisk, &dir).map_err(failed(&dir))? {
                for message in spool::read_segment(&RealDisk, &dir, number)? {
                    readings.extend(feeds.read(&message).readings);
                }
            }
        }
    }
    archive::sort_and_drop_repeats(&mut readings);
    Ok(readings)
}
