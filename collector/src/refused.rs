//! The log of refused payloads: whole, with topic, time and reason, so that nothing is dropped without a trace.
//!
//! `refused/refused.jsonl`, one JSON object a line: `time`, `topic`, `client`, `reason`, `payload` (text) or `payload_hex` (anything else),
//! `payload_bytes`. Bounded: past its size the file is renamed to `refused.1.jsonl` and so on; the oldest goes.

use std::collections::BTreeMap;
use std::io::{self, Read as _, Seek as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{DateTime, SecondsFormat, Utc};
use mosswarden_config::table;
use serde::Serialize;

use crate::decode::PAYLOAD_BYTES_MAX;
use crate::disk::{self, Disk, DiskFile};
use crate::message::Message;

/// Size at which the file is rotated, and how many are kept: 16 MiB in all (our choice; months of an ordinary site).
const FILE_BYTES_MAX: u64 = 4 * 1024 * 1024;
const FILES_MAX: usize = 4;

pub(crate) struct Refused {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    file: Option<Box<dyn DiskFile>>,
    bytes: u64,
}

#[derive(Serialize)]
struct Line<'a> {
    time: String,
    topic: &'a str,
    client: &'a str,
    reason: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    payload: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    payload_hex: Option<String>,
    payload_bytes: usize,
}

impl Refused {
    pub(crate) fn new(disk: Arc<dyn Disk>, dir: &Path) -> Refused {
        Refused {
            disk,
            dir: dir.to_owned(),
            file: None,
            bytes: 0,
        }
    }

    /// Makes refused messages durable with their reasons.
    pub(crate) fn commit<'m>(
        &mut self,
        refused: impl Iterator<Item = (&'m Message, &'m str)>,
    ) -> io::Result<()> {
        let mut lines = Vec::new();
        for (message, reason) in refused {
            serde_json::to_writer(&mut lines, &line(message, reason)).map_err(io::Error::other)?;
            lines.push(b'\n');
        }
        if lines.is_empty() {
            return Ok(());
        }
        // Taken out, so that a file that failed is not used again.
        let mut file = match self.file.take() {
            Some(file) if self.bytes < FILE_BYTES_MAX => file,
            _ => self.begin()?,
        };
        file.append(&lines)?;
        file.sync()?;
        self.bytes += lines.len() as u64;
        self.file = Some(file);
        Ok(())
    }

    fn begin(&mut self) -> io::Result<Box<dyn DiskFile>> {
        let path = self.dir.join("refused.jsonl");
        disk::create_dir_durably(&*self.disk, &self.dir)?;
        self.bytes = match self.disk.len(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => 0,
            Err(error) => return Err(error),
        };
        if self.bytes >= FILE_BYTES_MAX {
            self.rotate(&path)?;
            self.bytes = 0;
        }
        let mut file = self.disk.open_append(&path)?;
        if self.bytes > 0 {
            // A write that failed may have left half a line.
            file.append(b"\n")?;
        }
        self.disk.sync_dir(&self.dir)?;
        Ok(file)
    }

    fn rotate(&self, path: &Path) -> io::Result<()> {
        let numbered = |number: usize| self.dir.join(format!("refused.{number}.jsonl"));
        for number in (1..FILES_MAX).rev() {
            let from = if number == 1 {
                path.to_owned()
            } else {
                numbered(number - 1)
            };
            match self.disk.rename(&from, &numbered(number)) {
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                result => result?,
            }
        }
        Ok(())
    }
}

fn line<'a>(message: &'a Message, reason: &'a str) -> Line<'a> {
    let kept = &message.payload[..message.payload.len().min(PAYLOAD_BYTES_MAX)];
    let text = std::str::from_utf8(kept).ok();
    let time = DateTime::<Utc>::from_timestamp_millis(message.arrived_ms).unwrap_or_default();
    Line {
        time: time.to_rfc3339_opts(SecondsFormat::Millis, true),
        topic: &message.topic,
        client: &message.packet.client,
        reason,
        payload: text,
        payload_hex: text
            .is_none()
            .then(|| kept.iter().map(|byte| format!("{byte:02x}")).collect()),
        payload_bytes: message.payload.len(),
    }
}

/// The last message of a topic that was refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastRefused {
    pub at_ms: i64,
    pub reason: String,
    /// Its beginning; `None` where it is no text.
    pub payload: Option<String>,
}

impl LastRefused {
    /// "nothing stands at pointer "/temperature"; it sent {"temp": 22.4}".
    pub fn words(&self) -> String {
        match &self.payload {
            Some(payload) => format!("{}; it sent {payload}", self.reason),
            None => self.reason.clone(),
        }
    }
}

/// The last refused message of each topic, as far as the end of the log tells. A log that can't be read tells nothing.
pub fn last_refused(data_dir: &Path) -> BTreeMap<String, LastRefused> {
    const TAIL_BYTES: u64 = 64 * 1024;
    const SHOWN_CHARS: usize = 60;
    let read = || -> io::Result<Vec<u8>> {
        let mut file = fs_err::File::open(table::refused_dir(data_dir).join("refused.jsonl"))?;
        let length = file.metadata()?.len();
        file.seek(io::SeekFrom::Start(length.saturating_sub(TAIL_BYTES)))?;
        let mut tail = Vec::new();
        file.take(TAIL_BYTES).read_to_end(&mut tail)?;
        Ok(tail)
    };
    let tail = read().unwrap_or_default();
    let lines = tail.split(|byte| *byte == b'\n');
    lines
        .filter_map(|line| serde_json::from_slice::<serde_json::Value>(line).ok())
        .filter_map(|line| {
            let text = |key: &str| Some(line.get(key)?.as_str()?.to_owned());
            let last = LastRefused {
                at_ms: DateTime::parse_from_rfc3339(&text("time")?)
                    .ok()?
                    .timestamp_millis(),
                reason: text("reason")?,
                payload: text("payload").map(|payload| payload.chars().take(SHOWN_CHARS).collect()),
            };
            Some((text("topic")?, last))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::RealDisk;
    use crate::feeds::tests::message;

    #[test]
    fn payloads_are_kept_whole_and_never_break_a_line() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut log = Refused::new(Arc::new(RealDisk), dir.path());
        let text = message("a\nb", "{\"t\":\n\"warm\"}", 1_772_352_000_000);
        let mut binary = message("c", "", 0);
        binary.payload = vec![0xff, 0x00].into();
        log.commit([(&text, "not a number"), (&binary, "not text")].into_iter())
            .expect("room");
        let written = fs_err::read_to_string(dir.path().join("refused.jsonl")).expect("the log");
        let lines: Vec<serde_json::Value> = written
            .lines()
            .map(|line| serde_json::from_str(line).expect("one object a line"))
            .collect();
        assert_eq!(lines.len(), 2);
        assert_eq!(lines[0]["payload"], "{\"t\":\n\"warm\"}");
        assert_eq!(lines[0]["time"], "2026-03-01T08:00:00.000Z");
        assert_eq!(
            (&lines[1]["payload_hex"], &lines[1]["payload_bytes"]),
            (&"ff00".into(), &2.into())
        );
    }

    #[test]
    fn the_last_refused_of_each_topic_is_told_with_what_it_sent() {
        let data = tempfile::tempdir().expect("a temporary folder");
        assert_eq!(last_refused(data.path()), BTreeMap::new(), "there is no log");
        let mut log = Refused::new(Arc::new(RealDisk), &table::refused_dir(data.path()));
        let sent = |topic: &str, payload: &str, at_ms: i64| message(topic, payload, at_ms);
        let (first, last, other) = (
            sent("a", "warm", 1000),
            sent("a", "{}", 2000),
            sent("b", "", 3000),
        );
        let refused = [(&first, "no number"), (&last, "nothing there"), (&other, "empty")];
        log.commit(refused.into_iter()).expect("room");
        let told = last_refused(data.path());
        assert_eq!((told.len(), told["a"].at_ms), (2, 2000));
        assert_eq!(told["a"].words(), "nothing there; it sent {}");
    }

    #[test]
    fn the_log_is_bounded() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let mut log = Refused::new(Arc::new(RealDisk), dir.path());
        let long = message("a", &"x".repeat(PAYLOAD_BYTES_MAX), 0);
        for _ in 0..(FILES_MAX + 2) * 64 {
            log.commit([(&long, "too long")].into_iter()).expect("room");
        }
        let names = RealDisk.list(dir.path()).expect("the folder");
        assert_eq!(
            names,
            [
                "refused.1.jsonl",
                "refused.2.jsonl",
                "refused.3.jsonl",
                "refused.jsonl"
            ]
        );
        let bytes: u64 = names
            .iter()
            .map(|name| RealDisk.len(&dir.path().join(name)).expect("a file"))
            .sum();
        assert!(bytes <= FILES_MAX as u64 * (FILE_BYTES_MAX + 2 * PAYLOAD_BYTES_MAX as u64));
    }
}
