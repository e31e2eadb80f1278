//! Append-only files of one JSON object a line: durable when a call returns, and half a line costs only itself.

use std::io;
use std::path::Path;

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::disk::{self, Disk, RealDisk};

/// Adds lines, durably. Makes the folder where it is missing.
///
/// # Errors
/// When the file can't be written.
pub fn append<T: Serialize>(data_dir: &Path, file: &Path, entries: &[T]) -> io::Result<()> {
    append_to(&RealDisk, data_dir, file, entries).map(|_bytes| ())
}

/// The same on another disk; gives the count of bytes added.
pub(crate) fn append_to<T: Serialize>(
    disk: &dyn Disk,
    data_dir: &Path,
    file: &Path,
    entries: &[T],
) -> io::Result<u64> {
    disk::create_dir_durably(disk, data_dir)?;
    let mut lines = Vec::new();
    if !ends_with_line_break(disk, file)? {
        lines.push(b'\n');
    }
    for entry in entries {
        serde_json::to_writer(&mut lines, entry).map_err(io::Error::other)?;
        lines.push(b'\n');
    }
    let mut open = disk.open_append(file)?;
    // One write, so that two programs that add at once do not mix their lines.
    open.append(&lines)?;
    open.sync()?;
    disk.sync_dir(data_dir)?;
    Ok(lines.len() as u64)
}

/// A crash may have left half a line.
fn ends_with_line_break(disk: &dyn Disk, file: &Path) -> io::Result<bool> {
    match disk.open_read(file) {
        Ok(open) if open.is_empty() => Ok(true),
        Ok(open) => Ok(open.read_at(open.len() - 1, 1)? == [b'\n']),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(true),
        Err(error) => Err(error),
    }
}

/// What can be read, in the order in which it was written, and how many lines can't; nothing where there is no file.
///
/// # Errors
/// When the file is there and can't be read.
pub fn list<T: DeserializeOwned>(file: &Path) -> io::Result<(Vec<T>, u64)> {
    list_from(&RealDisk, file)
}

/// The same from another disk.
pub(crate) fn list_from<T: DeserializeOwned>(disk: &dyn Disk, file: &Path) -> io::Result<(Vec<T>, u64)> {
    let bytes = match disk.read(file) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok((Vec::new(), 0)),
        Err(error) => return Err(error),
    };
    let (mut entries, mut unreadable) = (Vec::new(), 0);
    for line in bytes.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
        match serde_json::from_slice(line) {
            Ok(entry) => entries.push(entry),
            Err(_) => unreadable += 1,
        }
    }
    Ok((entries, unreadable))
}
