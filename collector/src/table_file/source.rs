//! The bytes of a file in the archive, for the Parquet reader: small files whole, large ones part by part.

use std::io::{self, Cursor, Read};
use std::path::Path;
use std::sync::Arc;

use bytes::Bytes;
use parquet::errors::{ParquetError, Result};
use parquet::file::reader::{ChunkReader, Length};

use crate::disk::{Disk, FileBytes};

/// Files up to this size are read in one go, bytes: a day's part takes some kB, a day of a large room some 100 kB.
const WHOLE_BYTES_MAX: u64 = 1024 * 1024;
/// What a sequential reader asks for at once.
const READ_BYTES: usize = 64 * 1024;

/// An open file; what is read stays the same while the name is given to another file or removed.
#[derive(Clone)]
pub(crate) enum Source {
    Whole(Bytes),
    Parts(Arc<dyn FileBytes>),
}

impl Source {
    pub(crate) fn open(disk: &dyn Disk, path: &Path) -> io::Result<Source> {
        let file = disk.open_read(path)?;
        if file.len() > WHOLE_BYTES_MAX {
            return Ok(Source::Parts(Arc::from(file)));
        }
        let length = usize::try_from(file.len()).map_err(io::Error::other)?;
        Ok(Source::Whole(Bytes::from(file.read_at(0, length)?)))
    }
}

impl Length for Source {
    fn len(&self) -> u64 {
        match self {
            Source::Whole(bytes) => bytes.len() as u64,
            Source::Parts(file) => file.len(),
        }
    }
}

impl ChunkReader for Source {
    type T = Box<dyn Read>;

    fn get_read(&self, start: u64) -> Result<Self::T> {
        match self {
            Source::Whole(bytes) => Ok(Box::new(bytes.get_read(start)?)),
            Source::Parts(file) => Ok(Box::new(Sequence {
                file: Arc::clone(file),
                next: start,
                held: Cursor::default(),
            })),
        }
    }

    fn get_bytes(&self, start: u64, length: usize) -> Result<Bytes> {
        match self {
            Source::Whole(bytes) => bytes.get_bytes(start, length),
            Source::Parts(file) => match file.read_at(start, length) {
                Ok(bytes) => Ok(Bytes::from(bytes)),
                Err(error) => Err(ParquetError::External(Box::new(error))),
            },
        }
    }
}

struct Sequence {
    file: Arc<dyn FileBytes>,
    next: u64,
    held: Cursor<Vec<u8>>,
}

impl Read for Sequence {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.held.position() >= self.held.get_ref().len() as u64 {
            let left = self.file.len().saturating_sub(self.next);
            let length = READ_BYTES.min(usize::try_from(left).unwrap_or(READ_BYTES));
            self.held = Cursor::new(self.file.read_at(self.next, length)?);
            self.next += length as u64;
        }
        self.held.read(into)
    }
}
