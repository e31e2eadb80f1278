//! The seam to the disk: what the spool, the publisher and the logs ask of it. Tests put another one in its place.
//!
//! Durability rules that callers rely on: [`DiskFile::sync`] makes a file's content durable; [`Disk::sync_dir`] makes the
//! names in a folder durable (creation, rename, removal). After a failed write or sync a file is never used again.

use std::any::Any;
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use fs_err as fs;
use fs_err::os::unix::fs::FileExt as _;
use mosswarden_config::site::Site;

use crate::bucket::BucketError;
use crate::bucket::disk::BucketDisk;

/// A file that grows at its end.
pub trait DiskFile: Send {
    /// Writes all bytes at the end, or fails with some of them written.
    ///
    /// # Errors
    /// What the disk says; the file must not be used afterwards.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Makes the file longer by so many bytes than what was appended; they read as zeros until they are appended over. A sync of what fits
    /// in need not write the length again, which costs a journalling file system several times what it costs to write the bytes.
    ///
    /// # Errors
    /// What the disk says; the file can be used all the same.
    fn reserve(&mut self, _bytes: u64) -> io::Result<()> {
        Ok(())
    }
    /// Returns when everything appended is durable.
    ///
    /// # Errors
    /// What the disk says; the file must not be used afterwards.
    fn sync(&mut self) -> io::Result<()>;
}

/// An open file to read from at any place. It stays whole while the file is replaced or removed under its name.
pub trait FileBytes: Send + Sync {
    /// Length in bytes when it was opened.
    fn len(&self) -> u64;

    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Exactly `length` bytes from `start` on.
    ///
    /// # Errors
    /// What the disk says, also where the file ends before.
    fn read_at(&self, start: u64, length: usize) -> io::Result<Vec<u8>>;
}

/// The operations on files and folders; every one may fail.
#[allow(clippy::missing_errors_doc, reason = "each returns what the disk says")]
pub trait Disk: Send + Sync {
    /// A new, empty file; an old one of that name is emptied.
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// A file to append to; created where absent.
    fn open_append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    fn read(&self, path: &Path) -> io::Result<Vec<u8>>;
    /// A file to read parts of.
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn FileBytes>>;
    /// Length in bytes.
    fn len(&self, path: &Path) -> io::Result<u64>;
    /// Cuts a file and makes that durable.
    fn truncate(&self, path: &Path, len: u64) -> io::Result<()>;
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Removes an empty folder.
    fn remove_dir(&self, dir: &Path) -> io::Result<()>;
    /// Names in a folder, sorted; none where there is no folder.
    fn list(&self, dir: &Path) -> io::Result<Vec<String>>;
    /// Creates a folder and those above it.
    fn create_dir(&self, dir: &Path) -> io::Result<()>;
    fn sync_dir(&self, dir: &Path) -> io::Result<()>;
    /// The right to merge and remove files that collectors of other machines reach as well, as long as what is given lives; `None`
    /// while another machine holds it.
    fn tidy_alone(&self) -> io::Result<Option<Box<dyn Any + Send>>> {
        // Processes of one machine, or of one shared folder, exclude each other by locks: `Tidying`.
        Ok(Some(Box::new(())))
    }
}

/// The disk that a site's archive is on: this machine's, or its bucket.
///
/// # Errors
/// Where the bucket's settings can't be used; nothing is asked of it yet.
pub fn of(site: &Site) -> io::Result<Arc<dyn Disk>> {
    Ok(match &site.bucket {
        None => Arc::new(RealDisk),
        Some(bucket) => Arc::new(BucketDisk::new(bucket, &site.data_dir)?),
    })
}

/// Puts a whole file under its name, atomically and durably: temporary name, sync, rename, sync folder.
///
/// # Errors
/// What the disk says; the old file, if any, is still whole.
pub fn put(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = Unfinished::begin(disk, path)?;
    file.write_all(bytes)?;
    file.finish(disk)
}

/// A file that grows under a temporary name, which readers pass over, until it is whole.
pub struct Unfinished {
    file: Box<dyn DiskFile>,
    temporary: PathBuf,
    path: PathBuf,
}

impl Unfinished {
    /// Begins the file that will stand at `path`.
    ///
    /// # Errors
    /// What the disk says.
    pub fn begin(disk: &dyn Disk, path: &Path) -> io::Result<Unfinished> {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        // A leading dot keeps half-written files out of `*.parquet` patterns.
        let temporary = path.with_file_name(format!(".{name}.tmp"));
        Ok(Unfinished {
            file: disk.create(&temporary)?,
            temporary,
            path: path.to_owned(),
        })
    }

    /// Gives it its name, durably; a file of that name is replaced.
    ///
    /// # Errors
    /// What the disk says; the old file, if any, is still whole.
    pub fn finish(mut self, disk: &dyn Disk) -> io::Result<()> {
        self.file.sync()?;
        drop(self.file);
        disk.rename(&self.temporary, &self.path)?;
        disk.sync_dir(self.path.parent().unwrap_or_else(|| Path::new(".")))
    }
}

impl io::Write for Unfinished {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.append(bytes)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What a keeper can do about a disk that fails.
pub(crate) fn next_step(error: &io::Error) -> &'static str {
    if error.get_ref().is_some_and(|inner| inner.is::<BucketError>()) {
        return "once that is put right, try again";
    }
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "the disk is full: free some space and it goes on by itself"
        }
        io::ErrorKind::ReadOnlyFilesystem => {
            "the disk is read-only: look for its errors in the system's log, then mount it for writing again"
        }
        io::ErrorKind::PermissionDenied => {
            "this user may not write there: change the folder's owner, or name another `data_dir`"
        }
        io::ErrorKind::NotFound => "the folder is gone or can't be made: is its disk mounted?",
        io::ErrorKind::NotADirectory | io::ErrorKind::AlreadyExists => {
            "a file stands where the folder should be: move it away, or name another `data_dir`"
        }
        _ => "look for the disk's errors in the system's log; it goes on by itself once it can write",
    }
}

/// Creates a folder so that its name is durable too.
///
/// # Errors
/// What the disk says.
pub fn create_dir_durably(disk: &dyn Disk, dir: &Path) -> io::Result<()> {
    disk.create_dir(dir)?;
    match dir.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => disk.sync_dir(parent),
        _ => Ok(()),
    }
}

/// The machine's own disk.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealDisk;

struct RealFile {
    file: fs::File,
    /// Where what was appended ends, of a file that was created; what others may append to as well is written at its end, wherever that is.
    end: Option<u64>,
}

impl DiskFile for RealFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        match &mut self.end {
            Some(end) => {
                self.file.write_all_at(bytes, *end)?;
                *end += bytes.len() as u64;
                Ok(())
            }
            None => self.file.write_all(bytes),
        }
    }

    fn reserve(&mut self, bytes: u64) -> io::Result<()> {
        match self.end {
            Some(end) => self.file.set_len(end + bytes),
            None => Ok(()),
        }
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }
}

pub(crate) struct RealBytes {
    // One place at a time: readers of one file take turns.
    file: Mutex<std::fs::File>,
    len: u64,
}

impl RealBytes {
    pub(crate) fn new(file: std::fs::File) -> io::Result<RealBytes> {
        let len = file.metadata()?.len();
        Ok(RealBytes {
            file: Mutex::new(file),
            len,
        })
    }
}

impl FileBytes for RealBytes {
    fn len(&self) -> u64 {
        self.len
    }

    fn read_at(&self, start: u64, length: usize) -> io::Result<Vec<u8>> {
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        file.seek(SeekFrom::Start(start))?;
        let mut bytes = vec![0; length];
        file.read_exact(&mut bytes)?;
        Ok(bytes)
    }
}

impl Disk for RealDisk {
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(RealFile {
            file: fs::File::create(path)?,
            end: Some(0),
        }))
    }

    fn open_append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let file = fs::OpenOptions::new().create(true).append(true).open(path)?;
        Ok(Box::new(RealFile { file, end: None }))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        fs::read(path)
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn FileBytes>> {
        let file = fs::File::open(path)?;
        Ok(Box::new(RealBytes::new(file.into_parts().0)?))
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        Ok(fs::metadata(path)?.len())
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        let file = fs::OpenOptions::new().write(true).open(path)?;
        file.set_len(len)?;
        file.sync_data()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        fs::remove_dir(dir)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        let entries = match fs::read_dir(dir) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(error),
        };
        let mut names = Vec::new();
        for entry in entries {
            names.push(entry?.file_name().to_string_lossy().into_owned());
        }
        names.sort();
        Ok(names)
    }

    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        fs::create_dir_all(dir)
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        fs::File::open(dir)?.sync_all()
    }
}
