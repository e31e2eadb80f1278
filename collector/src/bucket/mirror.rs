//! What an analysis reads of a bucket, brought into a folder first.
//!
//! Each object is fetched once: its copy bears the object's tag in its name, so that an object that was made anew is another file. A copy
//! whose object is gone goes too, but only after everything that is there was fetched: a reader may find a reading twice, never not
//! at all. The folder holds nothing that the bucket does not; it may be removed at any time.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::PoisonError;
use std::time::Duration;

use mosswarden_config::site::Bucket;
use mosswarden_config::table::{self, Archive};
use mosswarden_config::zone::Span;
use object_store::ObjectMeta;

use super::Client;
use crate::disk::{Disk as _, RealDisk};

/// Below the folder on this machine.
const MIRROR_DIR: &str = "mirror";

#[derive(Debug)]
pub(crate) struct Mirror {
    client: Client,
    dir: PathBuf,
    /// One at a time: who comes second finds what the first has fetched.
    turn: Mutex<()>,
}

impl Mirror {
    pub(crate) fn new(bucket: &Bucket, data_dir: &Path) -> io::Result<Mirror> {
        Ok(Mirror::on(Client::of(bucket)?, bucket, data_dir))
    }

    pub(crate) fn on(client: Client, bucket: &Bucket, data_dir: &Path) -> Mirror {
        Mirror {
            client,
            dir: [
                data_dir.join(MIRROR_DIR).as_path(),
                Path::new(&bucket.name),
                Path::new(&bucket.prefix),
            ]
            .iter()
            .collect(),
            turn: Mutex::new(()),
        }
    }

    /// Object names by folder, each with the name of its copy, of those folders that may hold something of the span.
    fn there(&self, span: Span) -> io::Result<BTreeMap<String, BTreeMap<String, String>>> {
        let mut folders: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
        for (name, object) in self.client.all(table::READINGS)? {
            let mut parts = name.split('/').skip(1);
            let (Some(folder), Some(file), None) = (parts.next(), parts.next(), parts.next()) else {
                continue;
            };
            let Some(stem) = file
                .strip_suffix(".parquet")
                .filter(|stem| !stem.starts_with('.'))
            else {
                continue;
            };
            if table::partition_may_hold(folder, span) {
                let copies = folders.entry(folder.to_owned()).or_default();
                copies.insert(name.clone(), format!("{stem}.{}.parquet", tag(&object)));
            }
        }
        Ok(folders)
    }

    fn fetch(&self, name: &str, copy: &Path) -> io::Result<()> {
        let dir = copy.parent().unwrap_or(&self.dir);
        let object = self.client.get(name)?;
        fs_err::create_dir_all(dir)?;
        let mut file = tempfile::Builder::new()
            .prefix(".")
            .suffix(".tmp")
            .tempfile_in(dir)?;
        file.write_all(&object)?;
        file.persist(copy).map_err(|error| error.error)?;
        Ok(())
    }

    /// `false` where the object is not there any more.
    fn is_fetched(&self, name: &str, copy: &Path) -> io::Result<bool> {
        self.fetch(name, copy)
            .map(|()| true)
            .or_else(|error| gone(error).map(|()| false))
    }

    /// Removes copies in the span's folders that are of no object any more.
    fn let_go(&self, span: Span, there: &BTreeMap<String, BTreeMap<String, String>>) -> io::Result<()> {
        let root = table::readings_dir(&self.dir);
        for folder in RealDisk.list(&root)? {
            if !table::partition_may_hold(&folder, span) {
                continue;
            }
            let dir = root.join(&folder);
            let kept: BTreeSet<&String> = there
                .get(&folder)
                .into_iter()
                .flat_map(BTreeMap::values)
                .collect();
            let_go_in(&dir, |name| !kept.iter().any(|kept| *kept == name))?;
        }
        Ok(())
    }
}

/// Removes the copies in a folder that are of no object any more, and what a fetch left half-written.
fn let_go_in(dir: &Path, is_of_none: impl Fn(&str) -> bool) -> io::Result<()> {
    for name in RealDisk.list(dir)? {
        let path = dir.join(&name);
        let goes = match name.starts_with('.') {
            // Half-written by another process that is at it, or that was killed long ago.
            true => is_older(&path, HALF_WRITTEN_FOR_MAX)?,
            false => is_of_none(&name),
        };
        if goes {
            RealDisk.remove(&path).or_else(gone)?;
        }
    }
    Ok(())
}

/// What tells an object from the one that had its name before.
fn tag(object: &ObjectMeta) -> String {
    match &object.e_tag {
        Some(tag) => tag.chars().filter(char::is_ascii_alphanumeric).collect(),
        None => format!("{}-{}", object.last_modified.timestamp_millis(), object.size),
    }
}

/// That a thing is gone is no fault; everything else is.
fn gone(error: io::Error) -> io::Result<()> {
    match error.kind() {
        io::ErrorKind::NotFound => Ok(()),
        _ => Err(error),
    }
}

/// An object that was fetched is written in seconds.
pub(super) const HALF_WRITTEN_FOR_MAX: Duration = Duration::from_secs(3600);

/// No, too, of a file that is gone, and of one from after now.
fn is_older(path: &Path, than: Duration) -> io::Result<bool> {
    match fs_err::metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        metadata => Ok(metadata?.modified()?.elapsed().is_ok_and(|age| age > than)),
    }
}

/// How often the bucket is listed anew when objects vanish while they are fetched; a collector merges a few times a day.
const TRIES_MAX: usize = 5;

impl Archive for Mirror {
    fn folders(&self, span: Span) -> io::Result<Vec<PathBuf>> {
        let _turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        let mut tries = 0;
        'again: loop {
            tries += 1;
            let there = self.there(span)?;
            for (folder, copies) in &there {
                let dir = table::readings_dir(&self.dir).join(folder);
                for (name, copy) in copies {
                    let copy = dir.join(copy);
                    if copy.exists() {
                        continue;
                    }
                    match self.fetch(name, &copy) {
                        // Merged meanwhile: it stands in another object now.
                        Err(error) if error.kind() == io::ErrorKind::NotFound && tries < TRIES_MAX => {
                            continue 'again;
                        }
                        result => result?,
                    }
                }
            }
            self.let_go(span, &there)?;
            return Ok(vec![self.dir.clone()]);
        }
    }

    fn partitions(&self) -> io::Result<Vec<String>> {
        self.client.list(table::READINGS)
    }

    fn daily_figures(&self, span: Span) -> io::Result<Vec<PathBuf>> {
        let _turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = table::summaries_dir(&self.dir);
        let mut copies = Vec::new();
        for (name, object) in self.client.all(table::SUMMARIES)? {
            let file = name.rsplit('/').next().unwrap_or(&name);
            let Some(month) = file
                .strip_suffix(".parquet")
                .filter(|_| table::summary_may_hold(file, span))
            else {
                continue;
            };
            let copy = dir.join(format!("{month}.{}.parquet", tag(&object)));
            // One that was taken away since belongs to a month that is being made anew.
            if copy.exists() || self.is_fetched(&name, &copy)? {
                copies.push(copy);
            }
        }
        let_go_in(&dir, |name| {
            table::summary_may_hold(name, span) && !copies.contains(&dir.join(name))
        })?;
        Ok(copies)
    }
}
