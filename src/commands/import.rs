//! `import`: history from tidy CSV into the archive.
//!
//! Lines that can't be read are told and kept, the others taken: that is done (0). A file with lines of which none could be taken has
//! failed (1), after the other files were taken.

use std::error::Error;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use mosswarden_analysis::words;
use mosswarden_collector::{Columns, Marked, Origins, import_csv};
use mosswarden_config::site::Site;
use mosswarden_config::table::Mark;

use crate::cli::Import;
use crate::reporter::{Failure, Outcome};

/// Files of which nothing could be taken.
#[derive(Debug, thiserror::Error)]
#[error("not one line of {} could be read", .0.join(", "))]
struct NothingTaken(Vec<String>);

pub(crate) fn run(site: &Site, import: &Import) -> Result<Outcome, Failure> {
    let columns = match import.columns.is_empty() {
        true => None,
        false => Some(Columns::parse(site, &import.columns).map_err(|error| {
            Failure::usage(error.to_string(), "mosswarden import --help tells of --columns")
        })?),
    };
    let mut nothing_taken = Vec::new();
    for given in &import.files {
        let (file, origins) = &match &columns {
            Some(columns) => tidied(site, columns, given)?,
            None => (given.clone(), Origins::default()),
        };
        let bar = bar("bytes");
        let summary = import_csv(site, &site.data_dir, file, &mut |done, total| {
            bar.set_length(total);
            bar.set_position(done);
        })
        .map_err(|error| hinted(given, columns.is_some(), error))?;
        bar.finish_and_clear();
        println!(
            "{}: {} readings added, {} were there already, {} refused, {} kept with a mark",
            given.display(),
            summary.added,
            summary.repeats,
            summary.refused,
            summary.marked.values().map(|marked| marked.count).sum::<u64>()
        );
        for (mark, marked) in &summary.marked {
            eprintln!("{}: {}", given.display(), kept(*mark, marked, origins));
        }
        // A line of a log may have become several, all refused for one reason.
        let mut told: Vec<(u64, &str)> = summary
            .examples
            .iter()
            .map(|bad| (origins.line(bad.line), bad.message.as_str()))
            .collect();
        told.dedup();
        for (line, message) in told {
            eprintln!("{}:{line}: {message}", given.display());
        }
        if summary.refused > 0 {
            eprintln!(
                "  hint: refused lines stand whole in {}; correct and import them again, nothing counts twice",
                mosswarden_config::table::refused_dir(&site.data_dir).display()
            );
        }
        if summary.refused > 0 && summary.refused == summary.lines {
            nothing_taken.push(given.display().to_string());
        }
    }
    if nothing_taken.is_empty() {
        Ok(Outcome::Done)
    } else {
        Err(Failure::failed("could not import everything")(NothingTaken(
            nothing_taken,
        )))
    }
}

/// What readings with a mark are, and where they stand.
fn kept(mark: Mark, marked: &Marked, origins: &Origins) -> String {
    let why = match mark {
        Mark::ClockAhead => {
            "dated in the future; see the order of day, month and year, and the logger's clock"
        }
        Mark::ClockReset => "dated before the year 2000, as after a reset of the logger's clock",
        _ => "no such value is possible; it is never used to judge",
    };
    let mut lines: Vec<String> = marked
        .lines
        .iter()
        .map(|line| origins.line(*line).to_string())
        .collect();
    let further = marked.count - marked.lines.len() as u64;
    if further > 0 {
        lines.push(format!("{further} more"));
    }
    let word = if marked.count == 1 { "line" } else { "lines" };
    format!(
        "{} kept with the mark {} ({why}): {word} {}",
        marked.count,
        mark.name(),
        words::list(&lines)
    )
}

/// Why a file could not be read, with what to do where that can be seen from the file.
fn hinted<E: Error + Send + Sync + 'static>(file: &Path, has_columns: bool, error: E) -> Failure {
    const GZIP: [u8; 2] = [0x1f, 0x8b];
    let begins_as_gzip = || {
        let mut first = [0; 2];
        let read = fs_err::File::open(file).and_then(|mut open| open.read_exact(&mut first));
        read.is_ok() && first == GZIP
    };
    let hint = if file.is_dir() {
        Some(format!(
            "it is a folder; name the files in it, such as {}/*.csv",
            file.display()
        ))
    } else if begins_as_gzip() {
        Some(format!(
            "it is packed; unpack it first: gunzip --keep {}",
            file.display()
        ))
    } else if !has_columns && file.exists() {
        Some("a log with a column for each sensor is read with --columns; see import --help".to_owned())
    } else {
        None
    };
    Failure::Failed {
        doing: format!("could not import {}", file.display()),
        source: Box::new(error),
        hint,
    }
}

/// A tidy copy of a log, in the data folder's own place for it: refused lines can be looked up there.
fn tidied(site: &Site, columns: &Columns, log: &Path) -> Result<(PathBuf, Origins), Failure> {
    let folder = site.data_dir.join("imports");
    fs_err::create_dir_all(&folder).map_err(Failure::failed("could not make the folder for tidy copies"))?;
    let name = log
        .file_stem()
        .map_or_else(|| "log".into(), |stem| stem.to_string_lossy().into_owned());
    let out = folder.join(format!("{name}.tidy.csv"));
    let origins = columns
        .tidy(site, log, &out)
        .map_err(|error| hinted(log, true, error))?;
    Ok((out, origins))
}

/// A progress bar on standard error; silent where that is no terminal.
pub(crate) fn bar(unit: &str) -> ProgressBar {
    let style = ProgressStyle::with_template(&format!("{{msg}} {{wide_bar}} {{pos}}/{{len}} {unit} {{eta}}"))
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(0).with_style(style)
}
