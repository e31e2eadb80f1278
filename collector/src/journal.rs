//! The keeper's journal: append-only, one JSON object a line, durable when a call returns.
//!
//! In: entries, or a CSV file with the header `time,enclosure,kind,subject,text`. Out: `journal.jsonl`. Nothing in it is ever changed.

use std::collections::HashSet;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};

use mosswarden_config::journal::{Entry, KINDS};
use mosswarden_config::site::Site;
use mosswarden_config::table;

use crate::csv::{Next, Records};
use crate::import::{BadLine, places, unknown_word};
use crate::lines;

const COLUMNS: [&str; 5] = ["time", "enclosure", "kind", "subject", "text"];
/// Bad lines told one by one; the others are counted.
const EXAMPLES_MAX: usize = 20;
/// Longest text of an entry, bytes (our choice: some pages).
const TEXT_BYTES_MAX: usize = 16 * 1024;

/// Why the journal can't be used.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    #[error("the journal {} can't be written or read", file.display())]
    Disk { file: PathBuf, source: io::Error },
    #[error("{} can't be read", file.display())]
    Read { file: PathBuf, source: io::Error },
    #[error("{}:1: {message}", file.display())]
    Header { file: PathBuf, message: String },
    #[error("{0}")]
    Entry(String),
}

/// What the journal holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Journal {
    /// In the order in which they were written.
    pub entries: Vec<Entry>,
    /// Lines that can't be read: a write that a crash interrupted, or a later version's.
    pub unreadable: u64,
}

/// What an import did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct JournalImport {
    pub added: u64,
    /// Entries that the journal had already.
    pub repeats: u64,
    pub refused: u64,
    /// The first refused lines.
    pub examples: Vec<BadLine>,
}

/// Whether an entry fits the site: its enclosure, kind and subject are known.
///
/// # Errors
/// What is wrong, with the nearest known word.
pub fn check(site: &Site, entry: &Entry) -> Result<(), JournalError> {
    let wrong = |message| Err(JournalError::Entry(message));
    let enclosures = || site.enclosures.iter().map(|e| e.id.as_str()).chain([table::ROOM]);
    if !enclosures().any(|id| id == entry.enclosure) {
        return wrong(unknown_word("enclosure", &entry.enclosure, enclosures()));
    }
    if !KINDS.contains(&entry.kind.as_str()) {
        return wrong(unknown_word("kind", &entry.kind, KINDS));
    }
    if entry.text.len() > TEXT_BYTES_MAX {
        return wrong(format!(
            "the text has {} bytes, more than {TEXT_BYTES_MAX}",
            entry.text.len()
        ));
    }
    if let Some(subject) = &entry.subject {
        let room = site.room_sensors.iter().map(|sensor| sensor.id.as_str());
        let inside = site.enclosures.iter().flat_map(|e| {
            e.sensors
                .iter()
                .map(|s| s.id.as_str())
                .chain(e.devices.iter().map(|d| d.id.as_str()))
        });
        let known: Vec<&str> = room.chain(inside).collect();
        if !known.contains(&subject.as_str()) {
            return wrong(unknown_word("sensor or device", subject, known));
        }
    }
    Ok(())
}

/// Adds one entry, durably. Checks nothing: see [`check`].
///
/// # Errors
/// [`JournalError::Disk`].
pub fn append(data_dir: &Path, entry: &Entry) -> Result<(), JournalError> {
    append_all(data_dir, std::slice::from_ref(entry))
}

fn append_all(data_dir: &Path, entries: &[Entry]) -> Result<(), JournalError> {
    let file = table::journal_file(data_dir);
    lines::append(data_dir, &file, entries).map_err(|source| JournalError::Disk { file, source })
}

/// Everything in the journal; empty where there is none.
///
/// # Errors
/// [`JournalError::Disk`]; single lines that can't be read are counted.
pub fn list(data_dir: &Path) -> Result<Journal, JournalError> {
    let file = table::journal_file(data_dir);
    let (entries, unreadable) = lines::list(&file).map_err(|source| JournalError::Disk { file, source })?;
    Ok(Journal { entries, unreadable })
}

/// Takes in a journal CSV. Bad lines are told and left out; entries that are there already are left out too.
///
/// # Errors
/// [`JournalError`] if the file or the journal can't be read or written.
pub fn import_csv(
    site: &Site,
    data_dir: &Path,
    file: &Path,
    written_ms: i64,
    by: Option<&str>,
) -> Result<JournalImport, JournalError> {
    let input = fs_err::File::open(file).map_err(|source| JournalError::Read {
        file: file.to_owned(),
        source,
    })?;
    let journal = list(data_dir)?;
    let known = journal.entries.iter().map(identity).collect();
    let (new, import) = read_csv(site, BufReader::new(input), written_ms, by, known).map_err(|wrong| {
        let file = file.to_owned();
        match wrong {
            Unreadable::Read(source) => JournalError::Read { file, source },
            Unreadable::Header(message) => JournalError::Header { file, message },
        }
    })?;
    if !new.is_empty() {
        append_all(data_dir, &new)?;
    }
    Ok(import)
}

/// Why no line of a journal CSV can be read.
#[derive(Debug)]
pub(crate) enum Unreadable {
    Read(io::Error),
    Header(String),
}

/// The entries of a journal CSV that are not `known` yet, and what became of the lines.
pub(crate) fn read_csv(
    site: &Site,
    input: impl BufRead,
    written_ms: i64,
    by: Option<&str>,
    mut known: HashSet<String>,
) -> Result<(Vec<Entry>, JournalImport), Unreadable> {
    let mut records = Records::new(input);
    match records.next().map_err(Unreadable::Read)? {
        Next::Record => {}
        Next::End => {
            return Err(Unreadable::Header(format!(
                "the file is empty; the header is `{}`",
                COLUMNS.join(",")
            )));
        }
        Next::Broken(why) => return Err(Unreadable::Header(why.to_owned())),
    }
    let places = places(&records, &COLUMNS).map_err(Unreadable::Header)?;
    let mut import = JournalImport::default();
    let mut new = Vec::new();
    loop {
        let result = match records.next().map_err(Unreadable::Read)? {
            Next::End => break,
            Next::Broken(why) => Err(why.to_owned()),
            Next::Record => entry(site, places.map(|place| records.cell(place)), written_ms, by),
        };
        match result {
            Ok(entry) if known.insert(identity(&entry)) => new.push(entry),
            Ok(_) => import.repeats += 1,
            Err(message) => {
                import.refused += 1;
                if import.examples.len() < EXAMPLES_MAX {
                    import.examples.push(BadLine {
                        line: records.line(),
                        message,
                    });
                }
            }
        }
    }
    import.added = new.len() as u64;
    Ok((new, import))
}

fn entry(site: &Site, cells: [&str; 5], written_ms: i64, by: Option<&str>) -> Result<Entry, String> {
    let [time, enclosure, kind, subject, text] = cells;
    let entry = Entry {
        at_ms: site.zone.parse(time).map_err(|error| error.to_string())?,
        written_ms,
        enclosure: enclosure.to_owned(),
        kind: kind.to_owned(),
        subject: (!subject.is_empty()).then(|| subject.to_owned()),
        text: text.to_owned(),
        by: by.map(str::to_owned),
    };
    check(site, &entry).map_err(|error| error.to_string())?;
    Ok(entry)
}

/// [`Entry::identity`] as an owned text.
fn identity(entry: &Entry) -> String {
    format!("{:?}", entry.identity())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::feeds::tests::site;

    const CSV: &str = "time,enclosure,kind,subject,text
2026-03-01T08:00:00Z,mossy-1,ate,,\"two crickets, \"\"eagerly\"\"\"
2026-03-01T09:00,mossy-1,sensor-moved,mossy-1-low,\"to the
back\"
2026-03-01T09:00,mossy-1,sensr-moved,mossy-1-low,x
2026-03-01T09:00,mossy-2,note,,x
2026-03-01T09:00,mossy-1,note,mossy-1-lo,x
soon,mossy-1,note,,x
";

    #[test]
    fn csv_comes_in_once_and_bad_lines_are_told() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let data = dir.path().join("data");
        let file = dir.path().join("journal.csv");
        fs_err::write(&file, CSV).expect("room");
        let import = || import_csv(&site(), &data, &file, 1_772_352_000_000, Some("Ana")).expect("readable");
        let first = import();
        assert_eq!((first.added, first.repeats, first.refused), (2, 0, 4));
        let found: Vec<(u64, &str)> = first
            .examples
            .iter()
            .map(|e| (e.line, e.message.as_str()))
            .collect();
        assert_eq!(
            found[0],
            (5, "unknown kind `sensr-moved`; did you mean `sensor-moved`?")
        );
        assert_eq!(
            found[1],
            (6, "unknown enclosure `mossy-2`; did you mean `mossy-1`?")
        );
        assert_eq!(
            found[2],
            (
                7,
                "unknown sensor or device `mossy-1-lo`; did you mean `mossy-1-low`?"
            )
        );
        assert!(found[3].1.contains("`soon` is not a time"));
        assert_eq!((import().added, import().repeats), (0, 2));
        let journal = list(&data).expect("readable");
        assert_eq!(journal.entries[0].text, "two crickets, \"eagerly\"");
        assert_eq!(journal.entries[1].text, "to the\nback");
        assert_eq!(journal.entries[1].subject.as_deref(), Some("mossy-1-low"));
    }

    #[test]
    fn half_a_line_costs_only_itself() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        assert_eq!(list(dir.path()).expect("none yet"), Journal::default());
        let entry = Entry {
            at_ms: 1,
            written_ms: 2,
            enclosure: "mossy-1".to_owned(),
            kind: "ate".to_owned(),
            subject: None,
            text: "a\nb".to_owned(),
            by: None,
        };
        fs_err::write(table::journal_file(dir.path()), "{\"at_ms\":1,\"wri").expect("room");
        append(dir.path(), &entry).expect("room");
        let journal = list(dir.path()).expect("readable");
        assert_eq!((journal.entries, journal.unreadable), (vec![entry], 1));
    }
}
