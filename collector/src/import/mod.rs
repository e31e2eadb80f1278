//! History as tidy CSV, straight into the archive.
//!
//! In: a file with the header `time,enclosure,sensor,quantity,value,unit`. Out: day files named after the file's content. The file is
//! read twice: first judged, then written, so that a file that is not of this site changes nothing. Bad lines are refused one by
//! one, kept in the refused log and counted. Importing a file again adds nothing. Works beside a running collector; two imports take turns.

pub(crate) mod line;

use std::collections::BTreeMap;
use std::io::{self, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::NaiveDate;
use mosswarden_config::site::Site;
use mosswarden_config::table::{self, Mark, Reading};
use sha2::{Digest, Sha256};

use crate::archive::{self, ArchiveError};
use crate::clock::{Clock, SystemClock};
use crate::disk::{self, Disk};
use crate::message::{Message, Packet};
use crate::own::Importing;
use crate::publish;
use crate::refused::Refused;
pub use line::BadLine;
use line::{Known, Lines, NoLines, Wrong};
pub(crate) use line::{places, short, unknown_word};

/// Readings held in memory at once: about 50 MB (our choice).
const HELD_READINGS_MAX: usize = 600_000;
/// Bad lines told one by one; the others are counted and in the refused log.
const EXAMPLES_MAX: usize = 20;
/// Lines told of each mark; the others are counted.
const MARKED_LINES_MAX: usize = 5;
/// Bad lines written to the refused log at once.
const REFUSED_BATCH: usize = 1000;
/// Above this share of lines with unknown ids the file is taken for another site's.
const UNKNOWN_SHARE_MAX: f64 = 0.5;
const BUFFER_BYTES: usize = 256 * 1024;
/// Progress is told this often, in lines.
const PROGRESS_LINES: u64 = 10_000;

/// What an import did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ImportSummary {
    /// Lines with data.
    pub lines: u64,
    /// Readings added to the archive.
    pub added: u64,
    /// Readings that the archive had already, or that stand twice in the file.
    pub repeats: u64,
    /// Lines refused: whole in the refused log.
    pub refused: u64,
    /// Readings kept with a mark other than ok, by mark.
    pub marked: BTreeMap<Mark, Marked>,
    /// The first refused lines.
    pub examples: Vec<BadLine>,
}

/// Readings with one mark.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Marked {
    pub count: u64,
    /// The first of their lines.
    pub lines: Vec<u64>,
}

/// Why a file was not imported. Nothing was changed, save for [`ImportError::Archive`].
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    #[error("{} can't be read", file.display())]
    Read { file: PathBuf, source: io::Error },
    #[error("{} is empty", file.display())]
    Empty { file: PathBuf },
    #[error("{}:1: {message}", file.display())]
    Header { file: PathBuf, message: String },
    #[error("{}:{}: {}\n{unknown} of {lines} lines name sensors that the site file does not know; nothing was imported", file.display(), example.line, example.message)]
    OtherSite {
        file: PathBuf,
        unknown: u64,
        lines: u64,
        example: BadLine,
    },
    #[error("the data folder can't be written")]
    Folder { source: io::Error },
    #[error("the readings can't be written to the archive")]
    Archive(#[from] ArchiveError),
}

/// Imports one file. `progress` is told bytes done and bytes in all, over both passes.
///
/// # Errors
/// [`ImportError`]; single bad lines are no error, they are in the summary.
pub fn import_csv(
    site: &Site,
    data_dir: &Path,
    file: &Path,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<ImportSummary, ImportError> {
    let import = Import {
        known: Known::new(site),
        file,
        now_ms: SystemClock.now_ms(),
    };
    let (digest, total) = import.digest()?;
    let judged = import.judge(&mut |bytes| progress(bytes, 2 * total))?;
    let disk = disk::of(site).map_err(|source| ImportError::Folder { source })?;
    archive::prepare(&*disk, data_dir).map_err(|source| ImportError::Folder { source })?;
    let _alone = Importing::begin(data_dir).map_err(|source| ImportError::Folder { source })?;
    let added = import.write(&disk, data_dir, &digest, &mut |bytes| {
        progress(total + bytes, 2 * total)
    })?;
    Ok(ImportSummary {
        added: added.readings,
        repeats: added.repeats,
        ..judged
    })
}

struct Import<'a> {
    known: Known,
    file: &'a Path,
    now_ms: i64,
}

impl Import<'_> {
    fn read_error(&self, source: io::Error) -> ImportError {
        ImportError::Read {
            file: self.file.to_owned(),
            source,
        }
    }

    /// A name for the file's content, and its length.
    fn digest(&self) -> Result<(String, u64), ImportError> {
        let mut input = fs_err::File::open(self.file).map_err(|error| self.read_error(error))?;
        let mut hash = Sha256::new();
        let mut buffer = vec![0; BUFFER_BYTES];
        let mut total = 0;
        loop {
            let read = input.read(&mut buffer).map_err(|error| self.read_error(error))?;
            if read == 0 {
                break;
            }
            hash.update(&buffer[..read]);
            total += read as u64;
        }
        // 48 bits: enough to tell a keeper's files apart; equal names lose nothing, see `archive::put`.
        let digest = hash
            .finalize()
            .iter()
            .take(6)
            .map(|byte| format!("{byte:02x}"))
            .collect();
        Ok((digest, total))
    }

    /// The lines behind the header.
    fn open(&self) -> Result<Lines<'_, BufReader<fs_err::File>>, ImportError> {
        let input = fs_err::File::open(self.file).map_err(|error| self.read_error(error))?;
        let input = BufReader::with_capacity(BUFFER_BYTES, input);
        let file = self.file.to_owned();
        Lines::open(&self.known, input, self.now_ms).map_err(|error| match error {
            NoLines::Read(source) => self.read_error(source),
            NoLines::Empty => ImportError::Empty { file },
            NoLines::Header(message) => ImportError::Header { file, message },
        })
    }

    /// First pass: counts, examples, and whether the file is of this site at all.
    fn judge(&self, progress: &mut dyn FnMut(u64)) -> Result<ImportSummary, ImportError> {
        let mut summary = ImportSummary::default();
        let (mut unknown, mut first_unknown) = (0, None);
        self.each_line(progress, |line, _, result| {
            summary.lines += 1;
            match result {
                Ok(reading) if reading.mark == Mark::Ok => {}
                Ok(reading) => {
                    let marked = summary.marked.entry(reading.mark).or_default();
                    marked.count += 1;
                    if marked.lines.len() < MARKED_LINES_MAX {
                        marked.lines.push(line);
                    }
                }
                Err(wrong) => {
                    summary.refused += 1;
                    let example = BadLine {
                        line,
                        message: wrong.message,
                    };
                    if wrong.is_unknown_id {
                        unknown += 1;
                        first_unknown.get_or_insert_with(|| example.clone());
                    }
                    if summary.examples.len() < EXAMPLES_MAX {
                        summary.examples.push(example);
                    }
                }
            }
            Ok(())
        })?;
        match first_unknown {
            Some(example) if unknown as f64 > UNKNOWN_SHARE_MAX * summary.lines as f64 => {
                Err(ImportError::OtherSite {
                    file: self.file.to_owned(),
                    unknown,
                    lines: summary.lines,
                    example,
                })
            }
            _ => Ok(summary),
        }
    }

    /// Second pass: readings into their days, bad lines into the refused log.
    fn write(
        &self,
        disk: &Arc<dyn Disk>,
        data_dir: &Path,
        digest: &str,
        progress: &mut dyn FnMut(u64),
    ) -> Result<publish::Published, ImportError> {
        let mut refused = Refused::new(Arc::clone(disk), &table::refused_dir(data_dir));
        let mut bad: Vec<(Message, String)> = Vec::new();
        let mut held: BTreeMap<NaiveDate, Vec<Reading>> = BTreeMap::new();
        let mut held_count = 0;
        let mut chunk = 0;
        let mut total = publish::Published::default();
        let put = |held: &mut BTreeMap<NaiveDate, Vec<Reading>>,
                   chunk: &mut u32,
                   total: &mut publish::Published| {
            for (_, readings) in std::mem::take(held) {
                // Numbered, because a file that is not in order of time touches a day several times.
                let name = format!("import-{digest}-{chunk:04}");
                let published = publish::put_by_day(&**disk, data_dir, &name, readings)?;
                total.readings += published.readings;
                total.repeats += published.repeats;
            }
            *chunk += 1;
            Ok::<(), ImportError>(())
        };
        let mut flush_bad = |bad: &mut Vec<(Message, String)>| {
            let result = refused.commit(bad.iter().map(|(message, reason)| (message, reason.as_str())));
            bad.clear();
            result.map_err(|source| ImportError::Folder { source })
        };
        self.each_line(progress, |line, raw, result| {
            match result {
                Ok(reading) => {
                    held.entry(reading.partition_date()).or_default().push(reading);
                    held_count += 1;
                    if held_count >= HELD_READINGS_MAX {
                        put(&mut held, &mut chunk, &mut total)?;
                        held_count = 0;
                    }
                }
                Err(wrong) => {
                    bad.push((
                        self.refused_line(raw),
                        format!("{}:{line}: {}", self.file.display(), wrong.message),
                    ));
                    if bad.len() >= REFUSED_BATCH {
                        flush_bad(&mut bad)?;
                    }
                }
            }
            Ok(())
        })?;
        flush_bad(&mut bad)?;
        put(&mut held, &mut chunk, &mut total)?;
        Ok(total)
    }

    fn refused_line(&self, raw: &[u8]) -> Message {
        Message {
            topic: Arc::from("(import)"),
            payload: raw.to_vec().into(),
            arrived_ms: self.now_ms,
            packet: Packet {
                client: Arc::from("(import)"),
                id: 0,
                is_repeat: false,
                is_retained: false,
                is_will: false,
            },
        }
    }

    fn each_line(
        &self,
        progress: &mut dyn FnMut(u64),
        mut take: impl FnMut(u64, &[u8], Result<Reading, Wrong>) -> Result<(), ImportError>,
    ) -> Result<(), ImportError> {
        let mut lines = self.open()?;
        let mut count = 0;
        while let Some(result) = lines.next().map_err(|error| self.read_error(error))? {
            take(lines.line(), lines.raw(), result)?;
            count += 1;
            if count % PROGRESS_LINES == 0 {
                progress(lines.bytes());
            }
        }
        progress(lines.bytes());
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::RealDisk;
    use crate::feeds::tests::site;
    use mosswarden_config::table::TimeSource;

    const HEADER: &str = "time,enclosure,sensor,quantity,value,unit\n";
    /// The contract's own example.
    const EXAMPLE: &str = "time,enclosure,sensor,quantity,value,unit
2026-03-01T08:00:00Z,mossy-1,mossy-1-stat,humidity,81.2,%RH
2026-03-01T08:00:00Z,mossy-1,mossy-1-stat,temperature,22.4,Cel
2026-03-01T07:30:00Z,mossy-1,mossy-1-mister,state,1,
2026-03-01T07:30:40Z,mossy-1,mossy-1-mister,state,0,
2026-03-01T08:00:00Z,room,room-wall,temperature,19.8,Cel
";

    struct Home(tempfile::TempDir);

    impl Home {
        fn new() -> Home {
            Home(tempfile::tempdir().expect("a temporary folder"))
        }

        fn data(&self) -> PathBuf {
            self.0.path().join("data")
        }

        fn import(&self, text: &str) -> Result<ImportSummary, String> {
            let file = self.0.path().join("history.csv");
            fs_err::write(&file, text).expect("room");
            import_csv(&site(), &self.data(), &file, &mut |_, _| {}).map_err(|error| error.to_string())
        }

        fn archive(&self) -> Vec<Reading> {
            let mut all = Vec::new();
            for folder in RealDisk
                .list(&table::readings_dir(&self.data()))
                .expect("readable")
            {
                let dir = table::readings_dir(&self.data()).join(folder);
                for name in archive::parquet_names(&RealDisk, &dir).expect("readable") {
                    all.extend(archive::tests::all(&RealDisk, &dir.join(name)).expect("our own"));
                }
            }
            all
        }
    }

    #[test]
    fn a_file_is_taken_in_once_however_often_it_is_imported() {
        let home = Home::new();
        let first = home.import(EXAMPLE).expect("the contract's example");
        assert_eq!(
            (first.lines, first.added, first.repeats, first.refused),
            (5, 5, 0, 0)
        );
        let second = home.import(EXAMPLE).expect("the contract's example");
        let longer = home
            .import(&(EXAMPLE.to_owned() + "2026-03-02T08:00:00Z,room,room-wall,temperature,67.64,[degF]\n"))
            .expect("ok");
        assert_eq!((longer.added, longer.repeats), (1, 5));
        assert_eq!((second.added, second.repeats, second.refused), (0, 5, 0));
        let archive = home.archive();
        assert_eq!(archive.len(), 6);
        assert!(
            archive
                .iter()
                .any(|r| (r.value - 19.8).abs() < 1e-9 && r.at_ms == 1_772_438_400_000)
        );
        assert!(
            archive
                .iter()
                .all(|r| r.time_source == TimeSource::Import && r.mark == Mark::Ok)
        );
    }

    #[test]
    fn bad_lines_are_refused_with_what_was_expected_and_the_rest_is_taken() {
        let home = Home::new();
        let text = EXAMPLE.to_owned()
            + "yesterday,room,room-wall,temperature,19.8,Cel\n"
            + "2026-03-01T09:00:00Z,room,room-wal,temperature,19.8,Cel\n"
            + "2026-03-01T09:00:00Z,room,room-wall,temprature,19.8,Cel\n"
            + "2026-03-01T09:00:00Z,room,room-wall,temperature,warm,Cel\n"
            + "2026-03-01T09:00:00Z,room,room-wall,temperature,19.8,%RH\n"
            + "2026-03-01T09:00:00Z,mossy-1,room-wall,temperature,19.8,Cel\n"
            + "2026-03-01T09:00:00Z,room,room-wall,temperature,NaN,Cel\n";
        let summary = home.import(&text).expect("most lines are good");
        assert_eq!((summary.added, summary.refused), (5, 7));
        let found: Vec<(u64, &str)> = summary
            .examples
            .iter()
            .map(|e| (e.line, e.message.as_str()))
            .collect();
        assert_eq!(
            found,
            [
                (
                    7,
                    "`yesterday` is not a time; write it with its distance from UTC, as 2026-03-01T09:00:00+01:00, or in UTC with Z (RFC 3339); --columns reads local times as well"
                ),
                (8, "unknown sensor `room-wal`; did you mean `room-wall`?"),
                (9, "unknown quantity `temprature`; did you mean `temperature`?"),
                (10, "`warm` is not a number"),
                (
                    11,
                    "unit `%RH` does not measure temperature; expected one of `Cel`, `[degF]`, `K`"
                ),
                (12, "sensor `room-wall` stands in `room`, not in `mossy-1`"),
                (13, "`NaN` is not a number"),
            ]
        );
        let log =
            fs_err::read_to_string(table::refused_dir(&home.data()).join("refused.jsonl")).expect("the log");
        assert_eq!(log.lines().count(), 7);
    }

    #[test]
    fn a_file_of_another_site_or_shape_changes_nothing() {
        let home = Home::new();
        let other = format!("{HEADER}2026-03-01T08:00:00Z,elsewhere,far,humidity,81.2,%RH\n");
        let error = home.import(&other).expect_err("no line is known");
        assert!(error.contains("1 of 1 lines name sensors"), "{error}");
        let error = home
            .import("time,enclosure,sensor,quantity,valu,unit\n")
            .expect_err("a column is unknown");
        assert!(
            error.contains(":1: unknown column `valu`; did you mean `value`?"),
            "{error}"
        );
        let error = home
            .import("time,enclosure,sensor,quantity,value\n")
            .expect_err("a column is missing");
        assert!(error.contains("the column `unit` is missing"), "{error}");
        assert!(home.import("").expect_err("nothing").contains("is empty"));
        assert!(!home.data().exists());
    }

    #[test]
    fn impossible_and_future_readings_are_kept_with_a_mark() {
        let home = Home::new();
        let text = format!(
            "{HEADER}2026-03-01T08:00:00Z,room,room-wall,temperature,-127,Cel\n2999-03-01T08:00:00Z,room,room-wall,temperature,20,Cel\n"
        );
        let marked = |line| Marked {
            count: 1,
            lines: vec![line],
        };
        assert_eq!(
            home.import(&text).expect("kept").marked,
            BTreeMap::from([(Mark::Impossible, marked(2)), (Mark::ClockAhead, marked(3))])
        );
        let mut marks: Vec<Mark> = home.archive().iter().map(|r| r.mark).collect();
        marks.sort();
        assert_eq!(marks, [Mark::Impossible, Mark::ClockAhead]);
    }
}
