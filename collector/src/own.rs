//! Several collectors that share one feed and write one archive without coordinating: what each has for itself bears its name.
//!
//! A collector on its own has no name. Only tidying the archive is done by one at a time: see [`Tidying`].

use std::any::Any;
use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use mosswarden_config::table;

use crate::disk::Disk;

/// The file whose lock says that somebody tidies the archive.
const TIDYING_FILE: &str = "archive.lock";

/// One of several collectors, or the only one.
#[derive(Debug, Clone, Default)]
pub(crate) struct Own(Option<Arc<str>>);

/// A name that can't be used.
#[derive(Debug, thiserror::Error)]
#[error("`{0}` can't be the name of a collector: a letter first, then letters, digits and `_`")]
pub struct NameError(String);

impl Own {
    pub(crate) fn named(name: Option<&str>) -> Result<Own, NameError> {
        let Some(name) = name else { return Ok(Own(None)) };
        // No hyphen: names of files must tell a collector `a` from one that is called `a-b`.
        let is_sound = name.starts_with(|first: char| first.is_ascii_alphabetic())
            && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
        match is_sound {
            true => Ok(Own(Some(Arc::from(name)))),
            false => Err(NameError(name.to_owned())),
        }
    }

    pub(crate) fn is_shared(&self) -> bool {
        self.0.is_some()
    }

    fn with(&self, path: PathBuf) -> PathBuf {
        match &self.0 {
            None => path,
            Some(name) => {
                let folder = path
                    .file_name()
                    .unwrap_or_default()
                    .to_string_lossy()
                    .into_owned();
                path.with_file_name(format!("{folder}-{name}"))
            }
        }
    }

    pub(crate) fn spool_dir(&self, data_dir: &Path) -> PathBuf {
        self.with(table::spool_dir(data_dir))
    }

    pub(crate) fn refused_dir(&self, data_dir: &Path) -> PathBuf {
        self.with(table::refused_dir(data_dir))
    }

    pub(crate) fn lock_file(&self) -> String {
        match &self.0 {
            None => "collector.lock".to_owned(),
            Some(name) => format!("collector-{name}.lock"),
        }
    }

    /// What a segment's files are called, without their ending.
    pub(crate) fn part_stem(&self, number: u64) -> String {
        match &self.0 {
            None => format!("part-{number:012}"),
            Some(name) => format!("part-{name}-{number:012}"),
        }
    }

    /// Whether a half-written part is this collector's.
    pub(crate) fn is_part(&self, name: &str) -> bool {
        let rest = name.strip_prefix(".part-");
        let rest = match &self.0 {
            None => rest,
            Some(own) => rest.and_then(|rest| rest.strip_prefix(&**own)?.strip_prefix('-')),
        };
        rest.is_some_and(|rest| rest.starts_with(|first: char| first.is_ascii_digit()))
    }

    /// What to subscribe to: with a name, a share of the topic (MQTT 5, section 4.8.2), so that each message goes to one of the group.
    pub(crate) fn filter(&self, group: &str, topic: &Arc<str>) -> Arc<str> {
        match &self.0 {
            None => Arc::clone(topic),
            Some(_) => Arc::from(format!("$share/{group}/{topic}")),
        }
    }

    pub(crate) fn client_id(&self, client_id: &str) -> String {
        match &self.0 {
            None => client_id.to_owned(),
            Some(name) => format!("{client_id}-{name}"),
        }
    }
}

/// The spools of every collector of an archive.
pub(crate) fn spool_dirs(data_dir: &Path) -> io::Result<Vec<PathBuf>> {
    let alone = table::spool_dir(data_dir);
    let name = alone
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    let entries = match fs_err::read_dir(data_dir) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut dirs = Vec::new();
    for entry in entries {
        let entry = entry?;
        let found = entry.file_name().to_string_lossy().into_owned();
        if found == name || found.starts_with(&format!("{name}-")) {
            dirs.push(entry.path());
        }
    }
    dirs.sort();
    Ok(dirs)
}

/// The file whose lock says that somebody imports.
const IMPORTING_FILE: &str = "import.lock";

/// The right to merge and remove files of the archive, held as long as this lives.
/// Fields go in their order: the mark in a bucket before the lock on this machine.
#[expect(dead_code, reason = "held for its locks")]
pub(crate) struct Tidying(Box<dyn Any + Send>, File);

/// The right to import, held as long as this lives: two imports at once could both add the same reading.
pub(crate) struct Importing(#[expect(dead_code, reason = "held for its lock")] File);

impl Tidying {
    /// `None` while another process tidies, here or elsewhere.
    pub(crate) fn begin(disk: &dyn Disk, data_dir: &Path) -> io::Result<Option<Tidying>> {
        let Some(lock) = try_lock(&data_dir.join(TIDYING_FILE))? else {
            return Ok(None);
        };
        Ok(disk.tidy_alone()?.map(|alone| Tidying(alone, lock)))
    }
}

impl Importing {
    /// Waits while another process imports.
    pub(crate) fn begin(data_dir: &Path) -> io::Result<Importing> {
        let file = lock_file(&data_dir.join(IMPORTING_FILE))?;
        file.lock()?;
        Ok(Importing(file))
    }

    /// `None` while another process imports.
    pub(crate) fn try_begin(data_dir: &Path) -> io::Result<Option<Importing>> {
        Ok(try_lock(&data_dir.join(IMPORTING_FILE))?.map(Importing))
    }
}

fn lock_file(path: &Path) -> io::Result<File> {
    let mut options = fs_err::OpenOptions::new();
    let file = options.create(true).truncate(false).write(true).open(path)?;
    Ok(file.into_parts().0)
}

fn try_lock(path: &Path) -> io::Result<Option<File>> {
    let file = lock_file(path)?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(error)) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::RealDisk;

    #[test]
    fn what_is_ones_own_bears_its_name() {
        let (alone, a) = (
            Own::named(None).expect("no name"),
            Own::named(Some("a")).expect("a name"),
        );
        let data = Path::new("data");
        assert_eq!(alone.spool_dir(data), Path::new("data/spool"));
        assert_eq!(a.spool_dir(data), Path::new("data/spool-a"));
        assert_eq!(a.part_stem(7), "part-a-000000000007");
        assert!(
            a.is_part(".part-a-000000000007.parquet.tmp") && !a.is_part(".part-b-000000000007.parquet.tmp")
        );
        assert!(
            alone.is_part(".part-000000000007.parquet.tmp")
                && !alone.is_part(".part-a-000000000007.parquet.tmp")
        );
        assert_eq!(
            &*a.filter("mosswarden", &Arc::from("room/x")),
            "$share/mosswarden/room/x"
        );
        for name in ["", "1", "a-b", "a/b", "ä"] {
            assert!(Own::named(Some(name)).is_err(), "{name}");
        }
    }

    #[test]
    fn one_at_a_time_tidies() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let first = Tidying::begin(&RealDisk, dir.path())
            .expect("room")
            .expect("nobody else");
        assert!(Tidying::begin(&RealDisk, dir.path()).expect("room").is_none());
        drop(first);
        assert!(Tidying::begin(&RealDisk, dir.path()).expect("room").is_some());
    }
}
