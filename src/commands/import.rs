//! `import`: history from tidy CSV into the archive.

use indicatif::{ProgressBar, ProgressStyle};
use mosswarden_collector::import_csv;
use mosswarden_config::site::Site;

use crate::cli::Import;
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, import: &Import) -> Result<Outcome, Failure> {
    for file in &import.files {
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
    }
    Ok(Outcome::Done)
}

/// A progress bar on standard error; silent where that is no terminal.
pub(crate) fn bar(unit: &str) -> ProgressBar {
    let style = ProgressStyle::with_template(&format!("{{msg}} {{wide_bar}} {{pos}}/{{len}} {unit} {{eta}}"))
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(0).with_style(style)
}
