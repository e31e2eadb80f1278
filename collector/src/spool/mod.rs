//! The append-only log of messages that are durable and not yet in the archive.
//!
//! In: batches of messages. Out: numbered segment files; a batch is durable when [`Spool::commit`] returns. Knows nothing of
//! payloads. `000001772352.spool` is to be published; `000001772352.done` is published and kept only so that a redelivery is
//! still known after a restart; `damaged-…` holds bytes that could not be read.
//!
//! Invariants:
//! - C-1: a descriptor that failed once is never used again: what it may have half written is cut off or removed, and the batch goes into a new
//!   segment, before anything is acknowledged.
//! - C-2: segment numbers rise for ever, also over a lost spool folder, because they start at the time in seconds: a
//!   published file is never overwritten by another segment's.

pub(crate) mod frame;

use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::clock::Clock;
use crate::disk::{self, Disk, DiskFile};
use crate::message::Message;
use frame::HEADER_BYTES;
pub use frame::NewerVersion;

/// A segment is sealed beyond this size: it bounds what publishing one holds in memory.
const SEGMENT_BYTES_MAX: u64 = 8 * 1024 * 1024;
/// Room made beyond what is written, so that most commits write nothing but their bytes. It stays as zeros behind a segment that a crash left open.
const RESERVE_BYTES: u64 = 64 * 1024;
/// Published segments kept for the memory of redeliveries, in files.
const DONE_FILES_MAX: usize = 500;
/// Files of damaged bytes kept; more are only counted.
const DAMAGED_FILES_MAX: usize = 100;

const OPEN_SUFFIX: &str = ".spool";
const DONE_SUFFIX: &str = ".done";

/// Why the spool can't be opened or read.
#[derive(Debug, thiserror::Error)]
pub enum SpoolError {
    #[error("the spool in {} can't be used", dir.display())]
    Disk { dir: PathBuf, source: io::Error },
    #[error("{} can't be read", file.display())]
    Newer { file: PathBuf, source: NewerVersion },
}

/// What was found when the spool was opened.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Replay {
    /// Messages that wait to be published.
    pub(crate) waiting: u64,
    /// Spans of bytes that could not be read and were set aside.
    pub(crate) damaged: u64,
    /// Torn tails that were cut: writes that a crash interrupted, never acknowledged.
    pub(crate) torn: u64,
}

pub(crate) struct Spool {
    disk: Arc<dyn Disk>,
    clock: Arc<dyn Clock>,
    dir: PathBuf,
    open: Option<Segment>,
    /// Segments that wait to be published, oldest first.
    sealed: Vec<u64>,
    /// Published segments with their count of messages, oldest first.
    done: Vec<(u64, usize)>,
    last_number: u64,
    /// A segment that failed, and the length up to which it is known to be good.
    doubtful: Option<(u64, u64)>,
}

struct Segment {
    number: u64,
    file: Box<dyn DiskFile>,
    bytes: u64,
    /// Its length with the room behind them; the same where no room could be made.
    reserved_bytes: u64,
}

impl Spool {
    /// Opens the folder, repairs what a crash left and shows every message that is there, oldest first.
    pub(crate) fn open(
        disk: Arc<dyn Disk>,
        clock: Arc<dyn Clock>,
        dir: &Path,
        mut show: impl FnMut(&Message),
    ) -> Result<(Spool, Replay), SpoolError> {
        let failed = |source| SpoolError::Disk {
            dir: dir.to_owned(),
            source,
        };
        disk::create_dir_durably(&*disk, dir).map_err(failed)?;
        let mut spool = Spool {
            disk,
            clock,
            dir: dir.to_owned(),
            open: None,
            sealed: Vec::new(),
            done: Vec::new(),
            last_number: 0,
            doubtful: None,
        };
        let mut replay = Replay::default();
        for name in spool.disk.list(dir).map_err(failed)? {
            let Some((number, is_done)) = parse_name(&name) else {
                continue;
            };
            spool.last_number = spool.last_number.max(number);
            let path = dir.join(&name);
            let bytes = spool.disk.read(&path).map_err(failed)?;
            let len = bytes.len();
            let scan = frame::scan(bytes.clone()).map_err(|source| SpoolError::Newer {
                file: path.clone(),
                source,
            })?;
            scan.messages.iter().for_each(&mut show);
            if is_done {
                spool.done.push((number, scan.messages.len()));
                continue;
            }
            for span in &scan.damage {
                replay.damaged += 1;
                spool.set_aside(number, &bytes, span.clone()).map_err(failed)?;
            }
            if scan.good_bytes < len {
                // Zeros are room that nothing was written to.
                replay.torn += u64::from(bytes[scan.good_bytes..].iter().any(|byte| *byte != 0));
                spool
                    .disk
                    .truncate(&path, scan.good_bytes as u64)
                    .map_err(failed)?;
            }
            replay.waiting += scan.messages.len() as u64;
            spool.sealed.push(number);
        }
        Ok((spool, replay))
    }

    /// Makes messages durable: when this returns, they survive any crash.
    ///
    /// # Errors
    /// What the disk said. Nothing may be acknowledged; the same batch can be tried again at any time.
    pub(crate) fn commit<'m>(&mut self, messages: impl Iterator<Item = &'m Message>) -> io::Result<()> {
        let mut frames = Vec::new();
        messages.for_each(|message| frame::write(message, &mut frames));
        if frames.is_empty() {
            return Ok(());
        }
        self.cut_doubtful()?;
        let mut segment = match self.open.take() {
            Some(segment) => segment,
            None => self.begin()?,
        };
        let is_new = segment.bytes == 0;
        let mut written = if is_new {
            frame::header().to_vec()
        } else {
            Vec::new()
        };
        written.extend_from_slice(&frames);
        let expected_bytes = segment.bytes + written.len() as u64;
        if expected_bytes > segment.reserved_bytes {
            let room = written.len() as u64 + RESERVE_BYTES;
            segment.reserved_bytes = match segment.file.reserve(room) {
                Ok(()) => segment.bytes + room,
                // It only saves the disk some work.
                Err(_) => expected_bytes,
            };
        }
        let result = segment.file.append(&written).and_then(|()| segment.file.sync());
        // The name must be durable too, or the file is gone after a crash.
        let result = if is_new {
            result.and_then(|()| self.disk.sync_dir(&self.dir))
        } else {
            result
        };
        let result = result.and_then(|()| self.check_is_there(segment.number, expected_bytes));
        if let Err(error) = result {
            // C-1: `segment` and its descriptor are dropped here.
            self.doubtful = Some((segment.number, segment.bytes));
            return Err(error);
        }
        segment.bytes = expected_bytes;
        self.open = Some(segment);
        if self
            .open
            .as_ref()
            .is_some_and(|segment| segment.bytes >= SEGMENT_BYTES_MAX)
        {
            self.seal();
        }
        Ok(())
    }

    /// A file whose folder was removed or replaced can still be written to and synced, and is gone all the same.
    fn check_is_there(&self, number: u64, expected_bytes: u64) -> io::Result<()> {
        let found = self.disk.len(&self.path(number, OPEN_SUFFIX))?;
        if found >= expected_bytes {
            Ok(())
        } else {
            Err(io::Error::other(format!(
                "the spool file has {found} bytes where {expected_bytes} were written"
            )))
        }
    }

    fn begin(&mut self) -> io::Result<Segment> {
        // C-2.
        let now_s = u64::try_from(self.clock.now_ms() / 1000).unwrap_or(0);
        let number = now_s.max(self.last_number + 1);
        self.last_number = number;
        disk::create_dir_durably(&*self.disk, &self.dir)?;
        match self.disk.create(&self.path(number, OPEN_SUFFIX)) {
            Ok(file) => Ok(Segment {
                number,
                file,
                bytes: 0,
                reserved_bytes: 0,
            }),
            Err(error) => {
                // It may be there all the same.
                self.doubtful = Some((number, 0));
                Err(error)
            }
        }
    }

    /// C-1: takes away what a failed write may have left, so that it isn't there twice when the batch is written again.
    fn cut_doubtful(&mut self) -> io::Result<()> {
        let Some((number, good_bytes)) = self.doubtful else {
            return Ok(());
        };
        let path = self.path(number, OPEN_SUFFIX);
        let result = if good_bytes <= HEADER_BYTES as u64 {
            self.disk
                .remove(&path)
                .and_then(|()| self.disk.sync_dir(&self.dir))
        } else {
            self.disk.truncate(&path, good_bytes)
        };
        match result {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        self.doubtful = None;
        if good_bytes > HEADER_BYTES as u64 {
            self.sealed.push(number);
            self.sealed.sort_unstable();
        }
        Ok(())
    }

    /// Ends the open segment, so that it can be published.
    pub(crate) fn seal(&mut self) {
        if let Some(segment) = self.open.take() {
            self.sealed.push(segment.number);
            let path = self.path(segment.number, OPEN_SUFFIX);
            if segment.reserved_bytes > segment.bytes
                && let Err(error) = self.disk.truncate(&path, segment.bytes)
            {
                tracing::debug!(file = %path.display(), %error, "the room behind a segment stays");
            }
        }
    }

    /// Segments that wait to be published, oldest first.
    pub(crate) fn sealed(&self) -> &[u64] {
        &self.sealed
    }

    /// Marks a segment as published: it is kept under another name while redeliveries may refer to it.
    pub(crate) fn retire(
        &mut self,
        number: u64,
        message_count: usize,
        keep_messages: usize,
    ) -> io::Result<()> {
        match self
            .disk
            .rename(&self.path(number, OPEN_SUFFIX), &self.path(number, DONE_SUFFIX))
        {
            // Renamed by an earlier try that failed afterwards.
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            result => result?,
        }
        self.disk.sync_dir(&self.dir)?;
        self.sealed.retain(|sealed| *sealed != number);
        self.done.push((number, message_count));
        let mut kept: usize = self.done.iter().map(|(_, count)| count).sum();
        while let Some((oldest, count)) = self.done.first().copied() {
            if kept - count < keep_messages && self.done.len() <= DONE_FILES_MAX {
                break;
            }
            match self.disk.remove(&self.path(oldest, DONE_SUFFIX)) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                result => result?,
            }
            self.done.remove(0);
            kept -= count;
        }
        Ok(())
    }

    fn path(&self, number: u64, suffix: &str) -> PathBuf {
        self.dir.join(format!("{number:012}{suffix}"))
    }

    fn set_aside(&self, number: u64, bytes: &[u8], span: Range<usize>) -> io::Result<()> {
        tracing::warn!(
            segment = number,
            from = span.start,
            bytes = span.len(),
            "damaged bytes in the spool were set aside"
        );
        let names = self.disk.list(&self.dir)?;
        if names.iter().filter(|name| name.starts_with("damaged-")).count() >= DAMAGED_FILES_MAX {
            return Ok(());
        }
        let path = self
            .dir
            .join(format!("damaged-{number:012}-{:08}.bin", span.start));
        disk::put(&*self.disk, &path, &bytes[span])
    }
}

/// The messages of one segment, published or not: it may change its name while it is looked for.
///
/// # Errors
/// As the disk or the format says; a segment that is gone is empty.
pub(crate) fn read_segment(disk: &dyn Disk, dir: &Path, number: u64) -> Result<Vec<Message>, SpoolError> {
    for suffix in [OPEN_SUFFIX, DONE_SUFFIX] {
        let file = dir.join(format!("{number:012}{suffix}"));
        match disk.read(&file) {
            Ok(bytes) => {
                return Ok(frame::scan(bytes)
                    .map_err(|source| SpoolError::Newer { file, source })?
                    .messages);
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(source) => {
                return Err(SpoolError::Disk {
                    dir: dir.to_owned(),
                    source,
                });
            }
        }
    }
    Ok(Vec::new())
}

/// Numbers of the segments that wait to be published, oldest first.
pub(crate) fn waiting_segments(disk: &dyn Disk, dir: &Path) -> io::Result<Vec<u64>> {
    let names = disk.list(dir)?;
    Ok(names
        .iter()
        .filter_map(|name| parse_name(name))
        .filter(|(_, is_done)| !is_done)
        .map(|(number, _)| number)
        .collect())
}

fn parse_name(name: &str) -> Option<(u64, bool)> {
    let (digits, is_done) = match (name.strip_suffix(OPEN_SUFFIX), name.strip_suffix(DONE_SUFFIX)) {
        (Some(digits), _) => (digits, false),
        (_, Some(digits)) => (digits, true),
        _ => return None,
    };
    let is_number = digits.len() == 12 && digits.bytes().all(|byte| byte.is_ascii_digit());
    Some((digits.parse().ok().filter(|_| is_number)?, is_done))
}
