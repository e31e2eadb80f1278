//! `import`: history from tidy CSV into the archive.
//!
//! Lines that can't be read are told and kept, the others taken: that is done (0). A file with lines of which none could be taken has
//! failed (1), after the other files were taken.

use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use mosswarden_collector::{Columns, import_csv};
use mosswarden_config::site::Site;

use crate::cli::Import;
use crate::reporter::{Failure, Outcome};

/// Files of which nothing could be taken.
#[derive(Debug, thiserror::Error)]
#[error("not one line of {} could be read", .0.join(", "))]
struct NothingTaken(Vec<String>);

pub(crate) fn run(site: &Site, import: &Import) -> Result<Outcome, Failure> {
    let columns = match import.columns.is_empty() {
        true => None,
        false => Some(
            Columns::parse(site, &import.columns)
                .map_err(|error| Failure::usage(error.to_string(), "see --help"))?,
        ),
    };
    let mut nothing_taken = Vec::new();
    for given in &import.files {
        let file = &match &columns {
            Some(columns) => tidied(site, columns, given)?,
            None => given.clone(),
        };
        let bar = bar("bytes");
        let summary = import_csv(site, &site.data_dir, file, &mut |done, total| {
            bar.set_length(total);
            bar.set_position(done);
        })
        .map_err(Failure::failed(format!("could not import {}", file.display())))?;
        bar.finish_and_clear();
        println!(
            "{}: {} readings added, {} were there already, {} refused, {} kept with a mark",
            file.display(),
            summary.added,
            summary.repeats,
            summary.refused,
            summary.doubtful
        );
        for bad in &summary.examples {
            eprintln!("{}:{}: {}", file.display(), bad.line, bad.message);
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

/// A tidy copy of a log, in the data folder's own place for it: refused lines can be looked up there.
fn tidied(site: &Site, columns: &Columns, log: &Path) -> Result<PathBuf, Failure> {
    let folder = site.data_dir.join("imports");
    fs_err::create_dir_all(&folder).map_err(Failure::failed("could not make the folder for tidy copies"))?;
    let name = log
        .file_stem()
        .map_or_else(|| "log".into(), |stem| stem.to_string_lossy().into_owned());
    let out = folder.join(format!("{name}.tidy.csv"));
    columns
        .tidy(site, log, &out)
        .map_err(Failure::failed("could not read the log"))?;
    Ok(out)
}

/// A progress bar on standard error; silent where that is no terminal.
pub(crate) fn bar(unit: &str) -> ProgressBar {
    let style = ProgressStyle::with_template(&format!("{{msg}} {{wide_bar}} {{pos}}/{{len}} {unit} {{eta}}"))
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(0).with_style(style)
}
