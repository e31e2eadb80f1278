//! Where readings are read: the site's own archive, in a folder or in a bucket, and those that the caller names beside it.

use std::io;
use std::path::PathBuf;

use mosswarden_config::site::{ArchivePlace, Site};
use mosswarden_config::table::{self, Archive};
use mosswarden_config::zone::Span;

use crate::bucket::mirror::Mirror;

/// The site's archive as an analysis reads it: its folder, or its bucket through a folder; and those that are read as well.
///
/// # Errors
/// Where the bucket's settings can't be used (nothing is asked of it yet), or where a folder that is to be read as well is no archive.
pub fn archive(site: &Site) -> io::Result<Box<dyn Archive>> {
    let of_bucket = |bucket| Ok::<_, io::Error>(Box::new(Mirror::new(bucket, &site.data_dir)?));
    let own: Box<dyn Archive> = match &site.bucket {
        None => Box::new(site.data_dir.clone()),
        Some(bucket) => of_bucket(bucket)?,
    };
    let mut all = vec![own];
    for place in &site.also_read {
        all.push(match place {
            ArchivePlace::Bucket(bucket) => of_bucket(bucket)?,
            ArchivePlace::Folder(folder) if table::readings_dir(folder).is_dir() => Box::new(folder.clone()),
            ArchivePlace::Folder(folder) => {
                return Err(io::Error::new(
                    io::ErrorKind::NotFound,
                    format!(
                        "{} is no archive: name the folder that has `{}` in it",
                        folder.display(),
                        table::READINGS
                    ),
                ));
            }
        });
    }
    Ok(match all.len() {
        1 => all.remove(0),
        _ => Box::new(Several(all)),
    })
}

/// Archives that are read as one; a reading that stands in two of them is one reading.
#[derive(Debug)]
struct Several(Vec<Box<dyn Archive>>);

impl Archive for Several {
    fn folders(&self, span: Span) -> io::Result<Vec<PathBuf>> {
        let folders: io::Result<Vec<_>> = self.0.iter().map(|archive| archive.folders(span)).collect();
        Ok(folders?.concat())
    }

    fn partitions(&self) -> io::Result<Vec<String>> {
        let partitions: io::Result<Vec<_>> = self.0.iter().map(|archive| archive.partitions()).collect();
        Ok(partitions?.concat())
    }

    fn daily_figures(&self, span: Span) -> io::Result<Vec<PathBuf>> {
        let files: io::Result<Vec<_>> = self.0.iter().map(|archive| archive.daily_figures(span)).collect();
        Ok(files?.concat())
    }
}
