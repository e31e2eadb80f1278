//! What an audit rests on: files and journal with their digests, so that anybody can see that nothing was changed.
//!
//! SHA-256 after FIPS 180-4. The journal only ever grows, so its digest is of its beginning, up to the last entry used.

use std::io::Read as _;
use std::path::Path;

use chrono::{NaiveDate, NaiveTime};
use mosswarden_config::journal::Entry;
use mosswarden_config::table;
use mosswarden_config::zone::{MS_PER_24_H, Span};
use sha2::{Digest as _, Sha256};

use super::gather::Gathered;
use crate::load::{self, LoadError};

/// One file by its content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileDigest {
    /// Relative to the data folder, with `/`.
    pub path: String,
    pub bytes: u64,
    pub sha256: String,
}

/// The journal up to the last entry that was used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JournalDigest {
    pub entries: usize,
    /// The digest is of so many bytes from the beginning of the file.
    pub bytes: u64,
    pub sha256: String,
}

/// Everything that an audit rests on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Inputs {
    pub files: Vec<FileDigest>,
    /// What else was read whole: the site file, species files of the keeper, corrections. By name, as they may lie anywhere.
    pub sources: Vec<FileDigest>,
    /// `None` where the journal holds nothing of this time.
    pub journal: Option<JournalDigest>,
    /// The raw readings beside the audit, where they were written.
    pub readings: Option<FileDigest>,
    /// Durable readings that no file had yet.
    pub spool_readings: usize,
}

/// Digests of the files that hold a reading of the spans that were read, and of the journal.
///
/// # Errors
/// [`LoadError`] names the file.
pub fn inputs(gathered: &Gathered<'_>) -> Result<Inputs, LoadError> {
    let mut files = Vec::new();
    for file in &gathered.files {
        if !file.exists() || !is_used(file, &gathered.read)? {
            continue;
        }
        let path = gathered.relative(file).to_string_lossy().replace('\\', "/");
        files.push(digest(file, path)?);
    }
    Ok(Inputs {
        files,
        sources: sources(gathered)?,
        journal: journal(gathered)?,
        readings: None,
        spool_readings: gathered.spool_readings,
    })
}

/// The site file, the keeper's own species files beside it, and the corrections, where they are.
fn sources(gathered: &Gathered<'_>) -> Result<Vec<FileDigest>, LoadError> {
    let name = |file: &Path| {
        file.file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned()
    };
    let site_file = &gathered.site.file;
    let corrections = table::corrections_file(&gathered.site.data_dir);
    let mut files = vec![
        (name(site_file), site_file.clone()),
        (name(&corrections), corrections),
    ];
    let species = site_file.with_file_name("species");
    let mut own: Vec<_> = fs_err::read_dir(&species)
        .into_iter()
        .flatten()
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|file| file.extension().is_some_and(|end| end == "toml"))
        .map(|file| (format!("species/{}", name(&file)), file))
        .collect();
    own.sort();
    files.append(&mut own);
    files
        .into_iter()
        .filter(|(_, file)| file.is_file())
        .map(|(name, file)| digest(&file, name))
        .collect()
}

/// Whether a file holds a reading of any span; files of whole days inside one need not be opened.
fn is_used(file: &Path, spans: &[Span]) -> Result<bool, LoadError> {
    let dates = file
        .parent()
        .and_then(|folder| table::dates_of_partition(&folder.file_name()?.to_string_lossy()));
    let Some((first, last)) = dates else {
        return Ok(true);
    };
    let start_ms = |date: NaiveDate| date.and_time(NaiveTime::MIN).and_utc().timestamp_millis();
    let day = Span {
        from_ms: start_ms(first),
        until_ms: start_ms(last) + MS_PER_24_H,
    };
    let is_inside = |span: &Span| span.from_ms <= day.from_ms && day.until_ms <= span.until_ms;
    if spans.iter().any(is_inside) {
        return Ok(true);
    }
    for part in spans.iter().filter_map(|span| span.intersect(day)) {
        if load::holds(file, part)? {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Length and digest of a file, under the name that it is told by.
///
/// # Errors
/// [`LoadError::Io`] names the file.
pub fn digest(file: &Path, path: String) -> Result<FileDigest, LoadError> {
    const CHUNK: usize = 64 * 1024;
    let wrap = |source: std::io::Error| LoadError::Io {
        path: file.to_owned(),
        source,
    };
    let mut open = fs_err::File::open(file).map_err(wrap)?;
    let mut hasher = Sha256::new();
    let mut bytes = 0_u64;
    let mut chunk = vec![0_u8; CHUNK];
    loop {
        let read = open.read(&mut chunk).map_err(wrap)?;
        if read == 0 {
            break;
        }
        hasher.update(&chunk[..read]);
        bytes += read as u64;
    }
    Ok(FileDigest {
        path,
        bytes,
        sha256: hex(hasher),
    })
}

fn hex(hasher: Sha256) -> String {
    hasher
        .finalize()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

fn journal(gathered: &Gathered<'_>) -> Result<Option<JournalDigest>, LoadError> {
    let file = table::journal_file(&gathered.site.data_dir);
    let content = match fs_err::read(&file) {
        Ok(content) => content,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(LoadError::Io { path: file, source }),
    };
    Ok(beginning(&content, gathered.asked.until_ms))
}

/// Digest of a journal's beginning, up to the last line that tells of a time not after `until_ms`.
fn beginning(content: &[u8], until_ms: i64) -> Option<JournalDigest> {
    let (mut end, mut used_end, mut entries) = (0, 0, 0);
    for line in content.split_inclusive(|byte| *byte == b'\n') {
        end += line.len();
        let entry: Option<Entry> = serde_json::from_slice(line).ok();
        if entry.is_some_and(|entry| entry.at_ms <= until_ms) {
            entries += 1;
            used_end = end;
        }
    }
    (entries > 0).then(|| JournalDigest {
        entries,
        bytes: used_end as u64,
        sha256: hex(Sha256::new_with_prefix(&content[..used_end])),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_are_those_of_the_standard() {
        // FIPS 180-4, NIST's example values: SHA-256 of "abc".
        let dir = tempfile::tempdir().expect("a folder");
        let file = dir.path().join("abc");
        fs_err::write(&file, "abc").expect("written");
        let found = digest(&file, "abc".to_owned()).expect("read");
        assert_eq!(
            found.sha256,
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert_eq!(found.bytes, 3);
    }

    #[test]
    fn later_lines_of_the_journal_change_nothing() {
        let line = |at_ms: i64| {
            format!("{{\"at_ms\":{at_ms},\"written_ms\":{at_ms},\"enclosure\":\"a\",\"kind\":\"note\"}}\n")
        };
        let early = line(10) + &line(20);
        let grown = early.clone() + &line(99);
        assert_eq!(beginning(grown.as_bytes(), 20), beginning(early.as_bytes(), 20));
        assert_ne!(beginning(grown.as_bytes(), 99), beginning(early.as_bytes(), 20));
        assert_eq!(beginning(early.as_bytes(), 5), None);
    }
}
