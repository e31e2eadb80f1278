//! Journal entries that come in by MQTT: one JSON object a message on the site file's journal topic.
//!
//! `{"enclosure": "mossy-1", "kind": "ate", "text": "two crickets", "subject": …, "at": …, "by": …}`; only the first two are
//! needed. An entry is in the journal, durably, before its message is acknowledged. What a broker repeats is noted once: an entry
//! with a time of its own is known by everything it says, one without by the same words within a day under a message that
//! says of itself that it may be a repeat.

use std::collections::{HashMap, HashSet};
use std::io;
use std::path::Path;
use std::sync::Arc;

use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::table;
use mosswarden_config::zone::{AHEAD_MS_MAX, MS_PER_24_H};
use serde::Deserialize;
use sha2::{Digest as _, Sha256};

use super::{check, identity};
use crate::disk::Disk;
use crate::lines;
use crate::message::Message;
use crate::validate;

/// Put after the text of an entry whose time is this machine's, before its clock was set: as a mark is put to a reading.
const CLOCK_NOT_SET: &str = "(noted before this machine's clock was set)";

/// The message as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sent {
    enclosure: String,
    kind: String,
    #[serde(default)]
    subject: Option<String>,
    #[serde(default)]
    text: String,
    #[serde(default)]
    at: Option<String>,
    #[serde(default)]
    by: Option<String>,
}

/// An entry on its way into the journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Note {
    entry: Entry,
    /// The message bears no time of its own and may have come before.
    may_be_repeat: bool,
}

/// What became of a message on the journal topic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Taken {
    Note(Note),
    /// Kept by the broker from before, without a time: nobody knows when it was.
    Stale,
    Refused(String),
}

/// Takes in what comes on the journal topic.
pub(crate) struct Desk {
    topic: Arc<str>,
    site: Site,
}

impl Desk {
    /// `None` where the site file names no topic.
    pub(crate) fn new(site: &Site) -> Option<Desk> {
        Some(Desk {
            topic: Arc::from(site.journal.mqtt_topic.as_deref()?),
            site: site.clone(),
        })
    }

    pub(crate) fn topic(&self) -> &Arc<str> {
        &self.topic
    }

    pub(crate) fn take(&self, message: &Message) -> Taken {
        let sent: Sent = match serde_json::from_slice(&message.payload) {
            Ok(sent) => sent,
            Err(error) => return Taken::Refused(format!("journal: the message is no entry: {error}")),
        };
        let at_ms = match sent.at.as_deref().map(|text| self.site.zone.parse(text)) {
            Some(Ok(at_ms)) => Some(at_ms),
            Some(Err(error)) => return Taken::Refused(format!("journal: {error}")),
            None if message.packet.is_retained => return Taken::Stale,
            None => None,
        };
        let has_time = at_ms.is_some();
        let at_ms = at_ms.unwrap_or(message.arrived_ms);
        let clock_is_set = validate::server_clock_is_set(message.arrived_ms);
        if clock_is_set && at_ms > message.arrived_ms + AHEAD_MS_MAX {
            return Taken::Refused("journal: the time lies ahead".to_owned());
        }
        let text = match clock_is_set || has_time {
            true => sent.text,
            false => format!("{} {CLOCK_NOT_SET}", sent.text).trim_start().to_owned(),
        };
        let entry = Entry {
            at_ms,
            written_ms: message.arrived_ms,
            enclosure: sent.enclosure,
            kind: sent.kind,
            subject: sent.subject.filter(|subject| !subject.is_empty()),
            text,
            by: sent.by.filter(|by| !by.is_empty()),
            amends: None,
        };
        match check(&self.site, &entry) {
            Ok(()) => Taken::Note(Note {
                entry,
                may_be_repeat: !has_time && message.packet.is_repeat,
            }),
            Err(error) => Taken::Refused(format!("journal: {error}")),
        }
    }
}

/// What the journal holds, by digests: read when somebody else has written to it, and not for each message.
#[derive(Default)]
pub(crate) struct Known {
    /// Length of the file as it is known; `None` where it must be read.
    bytes: Option<u64>,
    identities: HashSet<Digest>,
    /// The same words: when they were written last, ms.
    words: HashMap<Digest, i64>,
}

type Digest = [u8; 16];

fn digest(text: &str) -> Digest {
    let mut short = [0; 16];
    short.copy_from_slice(&Sha256::digest(text.as_bytes())[..16]);
    short
}

fn words(entry: &Entry) -> Digest {
    let Entry {
        enclosure,
        kind,
        subject,
        text,
        by,
        ..
    } = entry;
    digest(&format!("{:?}", (enclosure, kind, subject, text, by)))
}

impl Known {
    /// Puts notes into the journal, durably; gives how many were there already.
    pub(crate) fn commit(&mut self, disk: &dyn Disk, data_dir: &Path, notes: &[Note]) -> io::Result<u64> {
        if notes.is_empty() {
            return Ok(0);
        }
        let file = table::journal_file(data_dir);
        let bytes = length(disk, &file)?;
        if self.bytes != Some(bytes) {
            self.read(disk, &file)?;
        }
        // Whatever fails from here on may have left something in the file.
        self.bytes = None;
        let mut new = Vec::new();
        for note in notes {
            if !self.has(note) {
                self.add(&note.entry);
                new.push(note.entry.clone());
            }
        }
        let added = if new.is_empty() {
            // What is there may be in the system's memory only: an earlier try may have failed, or been killed, before its sync.
            disk.open_append(&file)?.sync()?;
            disk.sync_dir(data_dir)?;
            0
        } else {
            lines::append_to(disk, data_dir, &file, &new)?
        };
        // Who else has added lines meanwhile has made it longer than this.
        self.bytes = Some(bytes + added);
        Ok((notes.len() - new.len()) as u64)
    }

    fn read(&mut self, disk: &dyn Disk, file: &Path) -> io::Result<()> {
        *self = Known::default();
        let (entries, _unreadable) = lines::list_from::<Entry>(disk, file)?;
        entries.iter().for_each(|entry| self.add(entry));
        Ok(())
    }

    fn add(&mut self, entry: &Entry) {
        self.identities.insert(digest(&identity(entry)));
        let last = self.words.entry(words(entry)).or_insert(entry.written_ms);
        *last = entry.written_ms.max(*last);
    }

    fn has(&self, note: &Note) -> bool {
        let entry = &note.entry;
        if note.may_be_repeat {
            let last = self.words.get(&words(entry));
            last.is_some_and(|last| (last - entry.written_ms).abs() <= MS_PER_24_H)
        } else {
            self.identities.contains(&digest(&identity(entry)))
        }
    }
}

fn length(disk: &dyn Disk, file: &Path) -> io::Result<u64> {
    match disk.len(file) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(0),
        result => result,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::RealDisk;
    use crate::feeds::tests::{message, site};

    fn desk() -> Desk {
        let mut site = site();
        site.journal.mqtt_topic = Some("nature-room/journal".to_owned());
        Desk::new(&site).expect("it names a topic")
    }

    fn sent(payload: &str) -> Message {
        message("nature-room/journal", payload, 1_772_352_000_000)
    }

    #[test]
    fn an_entry_is_taken_and_what_is_none_is_refused_with_the_reason() {
        let desk = desk();
        let Taken::Note(note) = desk.take(&sent(
            r#"{"enclosure":"mossy-1","kind":"ate","text":"two crickets","by":"Ana"}"#,
        )) else {
            panic!("it is an entry");
        };
        assert_eq!(note.entry.at_ms, 1_772_352_000_000);
        assert_eq!(note.entry.by.as_deref(), Some("Ana"));
        for (payload, why) in [
            ("on", "no entry"),
            (r#"{"enclosure":"mossy-1"}"#, "missing field `kind`"),
            (
                r#"{"enclosure":"mossy-1","kind":"ate","grams":3}"#,
                "unknown field",
            ),
            (
                r#"{"enclosure":"mossy-2","kind":"ate"}"#,
                "did you mean `mossy-1`",
            ),
            (
                r#"{"enclosure":"mossy-1","kind":"ate","at":"soon"}"#,
                "is not a time",
            ),
            (
                r#"{"enclosure":"mossy-1","kind":"ate","at":"2026-03-02"}"#,
                "lies ahead",
            ),
        ] {
            let Taken::Refused(said) = desk.take(&sent(payload)) else {
                panic!("{payload} was taken");
            };
            assert!(said.contains(why), "{payload}: {said}");
        }
    }

    #[test]
    fn a_retained_entry_counts_only_with_its_own_time() {
        let desk = desk();
        let mut old = sent(r#"{"enclosure":"mossy-1","kind":"ate"}"#);
        old.packet.is_retained = true;
        assert_eq!(desk.take(&old), Taken::Stale);
        let mut timed = sent(r#"{"enclosure":"mossy-1","kind":"ate","at":"2026-02-28T08:00:00Z"}"#);
        timed.packet.is_retained = true;
        assert!(matches!(desk.take(&timed), Taken::Note(_)));
    }

    #[test]
    fn a_repeat_is_noted_once_and_the_same_meal_twice_is_noted_twice() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let desk = desk();
        let note = |payload: &str, arrived_ms: i64, is_repeat: bool| {
            let mut message = message("nature-room/journal", payload, arrived_ms);
            message.packet.is_repeat = is_repeat;
            match desk.take(&message) {
                Taken::Note(note) => note,
                other => panic!("{other:?}"),
            }
        };
        let mut known = Known::default();
        let mut commit = |notes: &[Note]| known.commit(&RealDisk, dir.path(), notes).expect("room");
        let untimed = r#"{"enclosure":"mossy-1","kind":"ate"}"#;
        let timed = r#"{"enclosure":"mossy-1","kind":"shed","at":"2026-02-28T08:00:00Z"}"#;
        assert_eq!(commit(&[note(untimed, 1_772_352_000_000, false)]), 0);
        assert_eq!(commit(&[note(untimed, 1_772_352_060_000, true)]), 1, "a repeat");
        assert_eq!(
            commit(&[note(untimed, 1_772_352_120_000, false)]),
            0,
            "a second meal"
        );
        let both = [
            note(timed, 1_772_352_000_000, false),
            note(timed, 1_772_352_000_000, false),
        ];
        assert_eq!(commit(&both), 1, "its own time makes it one");
        let written = |payload: &str| {
            let added = note(payload, 1_772_352_000_000, false).entry;
            super::super::append(dir.path(), &added).expect("room");
        };
        let by_hand = r#"{"enclosure":"mossy-1","kind":"ate","text":"by hand","at":"2026-02-28T09:00:00Z"}"#;
        written(by_hand);
        let again = [note(by_hand, 1_772_352_000_000, false)];
        assert_eq!(commit(&again), 1, "what others wrote meanwhile is seen");
        assert_eq!(super::super::list(dir.path()).expect("readable").entries.len(), 4);
    }

    #[test]
    fn an_entry_from_before_the_clock_was_set_says_so() {
        let desk = desk();
        let take = |payload: &str| match desk.take(&message("nature-room/journal", payload, 3_000)) {
            Taken::Note(note) => note.entry,
            other => panic!("{other:?}"),
        };
        assert_eq!(
            take(r#"{"enclosure":"mossy-1","kind":"ate"}"#).text,
            CLOCK_NOT_SET
        );
        let timed = take(r#"{"enclosure":"mossy-1","kind":"ate","text":"x","at":"2026-02-28T08:00:00Z"}"#);
        assert_eq!((timed.text.as_str(), timed.at_ms), ("x", 1_772_265_600_000));
    }
}
