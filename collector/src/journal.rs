//! The keeper's journal: append-only, one JSON object a line, durable when a call returns.
//!
//! In: entries, a CSV file with the header `time,enclosure,kind,subject,text`, or messages on the site file's journal topic ([`note`]).
//! Out: `journal.jsonl`. Nothing in it is ever changed: an amendment is a further line that names the one it stands for.

pub(crate) mod note;

use std::collections::{HashMap, HashSet};
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};

use mosswarden_config::care;
use mosswarden_config::journal::{CARE_DONE, Entry, KINDS, NOTE, WEIGHT, weight};
use mosswarden_config::site::Site;
use mosswarden_config::table;
use sha2::{Digest as _, Sha256};

use crate::csv::{Next, Records};
use crate::import::{BadLine, places, short, unknown_word};
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
    /// As they stand now, amended ones in their last form, in the order in which they were first written.
    pub entries: Vec<Entry>,
    /// Everything that was ever written, in that order.
    pub lines: Vec<Line>,
    /// Lines that can't be read: a write that a crash interrupted, or a later version's.
    pub unreadable: u64,
}

/// One entry as it was written, with what became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    pub id: String,
    pub entry: Entry,
    /// A later line stands for this one.
    pub is_amended: bool,
}

impl Journal {
    /// Works out which entries stand. An amendment of something unknown stands for itself.
    fn new(written: Vec<Entry>, unreadable: u64) -> Journal {
        let mut lines: Vec<Line> = Vec::with_capacity(written.len());
        // Where the entry that a line stands for is among those that stand.
        let mut place_of: HashMap<String, usize> = HashMap::new();
        let mut standing: Vec<usize> = Vec::new();
        for entry in written {
            let id = id(&entry);
            let index = lines.len();
            let amended = entry
                .amends
                .as_ref()
                .and_then(|amended| place_of.get(amended).copied());
            let place = match amended {
                Some(place) => {
                    lines[standing[place]].is_amended = true;
                    standing[place] = index;
                    place
                }
                None => {
                    standing.push(index);
                    standing.len() - 1
                }
            };
            place_of.insert(id.clone(), place);
            place_of.insert(old_id(&entry), place);
            lines.push(Line {
                id,
                entry,
                is_amended: false,
            });
        }
        let entries = standing.iter().map(|index| lines[*index].entry.clone()).collect();
        Journal {
            entries,
            lines,
            unreadable,
        }
    }

    /// The line of that id, or of an id that begins so where it is the only one.
    pub fn line(&self, id: &str) -> Option<&Line> {
        let mut found = self
            .lines
            .iter()
            .filter(|line| !id.is_empty() && (line.id.starts_with(id) || old_id(&line.entry) == id));
        match (found.next(), found.next()) {
            (Some(line), None) => Some(line),
            _ => None,
        }
    }
}

/// An entry's id: the first sixteen hexadecimal digits of SHA-256 over what it says and when it was written, each part with its length before it.
pub fn id(entry: &Entry) -> String {
    let mut hash = Sha256::new();
    for instant_ms in [entry.at_ms, entry.written_ms] {
        hash.update(instant_ms.to_be_bytes());
    }
    let parts = [
        Some(entry.enclosure.as_str()),
        Some(entry.kind.as_str()),
        entry.subject.as_deref(),
        Some(entry.text.as_str()),
        entry.by.as_deref(),
        entry.amends.as_deref(),
    ];
    for part in parts {
        // What is absent is not what is empty.
        let length = part.map_or(u64::MAX, |part| part.len() as u64);
        hash.update(length.to_be_bytes());
        hash.update(part.unwrap_or_default());
    }
    hexadecimal(&hash.finalize()[..8])
}

/// The id that an entry had before: amendments in older journals name it.
fn old_id(entry: &Entry) -> String {
    let whole = format!(
        "{:?}{:?}{:?}{:?}",
        entry.identity(),
        entry.written_ms,
        entry.by,
        entry.amends
    );
    hexadecimal(&Sha256::digest(whole.as_bytes())[..4])
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
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
    if entry.kind == NOTE && entry.text.trim().is_empty() {
        return wrong("a note needs words: write what you saw or did".to_owned());
    }
    if entry.kind == WEIGHT && weight(&entry.text).is_none() {
        return wrong(format!(
            "`{}` does not begin with a weight; write the grams first, such as \"41.5 g Juno\"",
            short(&entry.text)
        ));
    }
    if entry.kind == CARE_DONE {
        let tasks = || site.care(&entry.enclosure).iter().map(|task| task.name.as_str());
        // What a place no longer asks for stays true of the past.
        let own = || tasks().filter(|name| care::find(name).is_none());
        let known = || care::KNOWN.iter().map(|known| known.name).chain(own());
        return match &entry.subject {
            Some(task) if known().any(|name| name == task) => Ok(()),
            Some(task) => wrong(unknown_word("task", task, known())),
            None => wrong(format!("`{CARE_DONE}` needs the task as its subject")),
        };
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

/// The entry that stands for the one of that id from now on; what is not given stays as it was.
///
/// # Errors
/// No or several entries begin with that id, or a later one stands for it already.
pub fn amendment(
    journal: &Journal,
    id: &str,
    written_ms: i64,
    by: Option<String>,
) -> Result<Entry, JournalError> {
    let wrong = |message| Err(JournalError::Entry(message));
    let Some(line) = journal.line(id) else {
        return wrong(format!(
            "no entry has the id `{id}`; `mosswarden journal list --ids` shows the ids"
        ));
    };
    if line.is_amended {
        return wrong(format!(
            "the entry `{id}` was amended already; amend the one that stands for it"
        ));
    }
    let mut entry = line.entry.clone();
    entry.amends = Some(line.id.clone());
    entry.written_ms = written_ms;
    entry.by = by.or(entry.by);
    Ok(entry)
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
    Ok(Journal::new(entries, unreadable))
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
    let known = journal.lines.iter().map(|line| identity(&line.entry)).collect();
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
    let places = places(&records, &COLUMNS, &["subject"]).map_err(Unreadable::Header)?;
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
        amends: None,
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
    fn the_subject_may_be_absent_and_a_semicolon_may_stand_between() {
        for (csv, header) in [
            (
                "time,enclosure,kind,text\n2026-03-01T08:00:00Z,mossy-1,weight,41.5 g Juno\n",
                "commas",
            ),
            (
                "time;enclosure;kind;text\n2026-03-01T08:00:00Z;mossy-1;weight;41,5 g Juno\n",
                "semicolons",
            ),
        ] {
            let (entries, import) =
                read_csv(&site(), csv.as_bytes(), 1_772_352_000_000, None, HashSet::new()).expect(header);
            assert_eq!((import.added, import.refused), (1, 0), "{header}");
            assert_eq!(
                weight(&entries[0].text),
                Some((41.5, "Juno".to_owned())),
                "{header}"
            );
            assert_eq!(entries[0].subject, None, "{header}");
        }
        let csv = "time,enclosure,kind,text\n2026-03-01T08:00:00Z,mossy-1,weight,big\n";
        let (_, import) =
            read_csv(&site(), csv.as_bytes(), 1_772_352_000_000, None, HashSet::new()).expect("a header");
        assert_eq!(
            import.examples[0].message,
            "`big` does not begin with a weight; write the grams first, such as \"41.5 g Juno\""
        );
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
            amends: None,
        };
        fs_err::write(table::journal_file(dir.path()), "{\"at_ms\":1,\"wri").expect("room");
        append(dir.path(), &entry).expect("room");
        let journal = list(dir.path()).expect("readable");
        assert_eq!((journal.entries, journal.unreadable), (vec![entry], 1));
    }

    #[test]
    fn an_amendment_stands_for_what_it_amends_and_both_stay() {
        let entry = |text: &str, written_ms| Entry {
            at_ms: 1000,
            written_ms,
            enclosure: "mossy-1".to_owned(),
            kind: "ate".to_owned(),
            subject: None,
            text: text.to_owned(),
            by: None,
            amends: None,
        };
        let dir = tempfile::tempdir().expect("a temporary folder");
        append(dir.path(), &entry("two crickets", 1)).expect("room");
        append(dir.path(), &entry("nothing", 2)).expect("room");
        let first = list(dir.path()).expect("readable").lines[0].id.clone();
        let mut amended =
            amendment(&list(dir.path()).expect("readable"), &first[..6], 3, None).expect("known");
        amended.text = "three crickets".to_owned();
        append(dir.path(), &amended).expect("room");
        let journal = list(dir.path()).expect("readable");
        let texts: Vec<&str> = journal.entries.iter().map(|e| e.text.as_str()).collect();
        assert_eq!(texts, ["three crickets", "nothing"]);
        let amended: Vec<bool> = journal.lines.iter().map(|line| line.is_amended).collect();
        assert_eq!(amended, [true, false, false]);
        assert!(
            amendment(&journal, &first, 4, None).is_err(),
            "it was amended already"
        );
        // An amendment can be amended in turn.
        let mut again = amendment(&journal, &journal.lines[2].id, 5, None).expect("it stands");
        again.text = "four crickets".to_owned();
        append(dir.path(), &again).expect("room");
        let journal = list(dir.path()).expect("readable");
        let texts: Vec<&str> = journal.entries.iter().map(|e| e.text.as_str()).collect();
        assert_eq!(texts, ["four crickets", "nothing"]);
        assert!(journal.line("").is_none() && journal.line("zz").is_none());
    }

    #[test]
    fn amendments_by_the_ids_of_older_journals_are_found() {
        let written = [
            r#"{"at_ms":1000,"written_ms":1,"enclosure":"mossy-1","kind":"ate","text":"two crickets"}"#,
            r#"{"at_ms":1000,"written_ms":3,"enclosure":"mossy-1","kind":"ate","text":"three","amends":"OLD"}"#,
        ];
        let first: Entry = serde_json::from_str(written[0]).expect("an entry");
        // What the first version called it, computed by Python's hashlib from the text that it hashed then.
        let old = "cf5480db";
        assert_eq!(old_id(&first), old);
        let second = serde_json::from_str(&written[1].replace("OLD", old)).expect("an entry");
        let journal = Journal::new(vec![first, second], 0);
        assert_eq!(journal.entries.len(), 1);
        assert_eq!(journal.entries[0].text, "three");
        assert!(journal.line(old).is_some_and(|line| line.is_amended));
    }

    #[test]
    fn ids_tell_apart_what_reads_alike() {
        let entry = |subject: Option<&str>, text: &str, by: Option<&str>| Entry {
            at_ms: 1,
            written_ms: 2,
            enclosure: "mossy-1".to_owned(),
            kind: "note".to_owned(),
            subject: subject.map(str::to_owned),
            text: text.to_owned(),
            by: by.map(str::to_owned),
            amends: None,
        };
        let ids: HashSet<String> = [
            entry(None, "ab", None),
            entry(Some(""), "ab", None),
            entry(Some("a"), "b", None),
            entry(None, "a", Some("b")),
        ]
        .iter()
        .map(id)
        .collect();
        assert_eq!(ids.len(), 4);
        assert!(ids.iter().all(|id| id.len() == 16));
    }

    #[test]
    fn care_that_was_done_names_its_task() {
        let mut entry = Entry {
            at_ms: 1,
            written_ms: 2,
            enclosure: "mossy-1".to_owned(),
            kind: CARE_DONE.to_owned(),
            subject: Some("prune".to_owned()),
            text: String::new(),
            by: None,
            amends: None,
        };
        check(&site(), &entry).expect("a known task");
        entry.subject = Some("prun".to_owned());
        let said = check(&site(), &entry).expect_err("no task").to_string();
        assert_eq!(said, "unknown task `prun`; did you mean `prune`?");
        entry.subject = None;
        assert!(check(&site(), &entry).is_err());
    }
}
