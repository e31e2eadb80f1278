//! Journal entries that come in by MQTT: one JSON object a message on the site file's journal topic.
//!
//! `{"enclosure": "mossy-1", "kind": "ate", "text": "two crickets", "subject": …, "at": …, "by": …}`; only the first two are
//! needed. An entry is in the journal, durably, before its message is acknowledged. What a broker repeats is noted once: an entry
//! with a time of its own is known by everything it says, one without by the same words within a day under a message that
//! says of itself that it may be a repeat.

use std::collections::HashSet;
use std::io;
use std::path::Path;
use std::sync::Arc;

use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::table;
use mosswarden_config::zone::MS_PER_24_H;
use serde::Deserialize;

use super::{check, identity};
use crate::disk::Disk;
use crate::lines;
use crate::message::Message;

/// An entry may lie this far ahead: clocks differ a little.
const AHEAD_MS: i64 = 10 * 60_000;

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
        if at_ms > message.arrived_ms + AHEAD_MS {
            return Taken::Refused("journal: the time lies ahead".to_owned());
        }
        let entry = Entry {
            at_ms,
            written_ms: message.arrived_ms,
            enclosure: sent.enclosure,
            kind: sent.kind,
            subject: sent.subject.filter(|subject| !subject.is_empty()),
            text: sent.text,
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

/// Puts notes into the journal, durably; gives how many were there already.
pub(crate) fn commit(disk: &dyn Disk, data_dir: &Path, notes: &[Note]) -> io::Result<u64> {
    if notes.is_empty() {
        return Ok(0);
    }
    let file = table::journal_file(data_dir);
    let (mut there, _unreadable) = lines::list_from::<Entry>(disk, &file)?;
    let mut known: HashSet<String> = there.iter().map(identity).collect();
    let mut new = Vec::new();
    for note in notes {
        let is_known = if note.may_be_repeat {
            there.iter().any(|other| says_the_same(other, &note.entry))
        } else {
            known.contains(&identity(&note.entry))
        };
        if !is_known {
            known.insert(identity(&note.entry));
            there.push(note.entry.clone());
            new.push(note.entry.clone());
        }
    }
    if new.is_empty() {
        // What is there may be in the system's memory only: an earlier try may have failed, or been killed, before its sync.
        disk.open_append(&file)?.sync()?;
        disk.sync_dir(data_dir)?;
    } else {
        lines::append_to(disk, data_dir, &file, &new)?;
    }
    Ok((notes.len() - new.len()) as u64)
}

fn says_the_same(a: &Entry, b: &Entry) -> bool {
    let words = |entry: &Entry| {
        (
            entry.enclosure.clone(),
            entry.kind.clone(),
            entry.subject.clone(),
            entry.text.clone(),
            entry.by.clone(),
        )
    };
    (a.written_ms - b.written_ms).abs() <= MS_PER_24_H && words(a) == words(b)
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
        let commit = |notes: &[Note]| commit(&RealDisk, dir.path(), notes).expect("room");
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
        assert_eq!(super::super::list(dir.path()).expect("readable").entries.len(), 3);
    }
}
