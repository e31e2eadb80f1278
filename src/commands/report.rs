//! `report`: the weekly health report as HTML, JSON and text.

use std::path::{Path, PathBuf};

use mosswarden_analysis::report::{self, WeeklyReport};
use mosswarden_config::site::Site;
use mosswarden_config::table::reports_dir;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli::Report;
use crate::commands::{judge, now_ms, span};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, asked: &Report) -> Result<Outcome, Failure> {
    let (span, name) = wanted(site, asked)?;
    let folder = asked.out.clone().unwrap_or_else(|| reports_dir(&site.data_dir));
    let files = write(site, span, &folder, &name, asked.force, false)?;
    for file in &files {
        println!("{}", file.display());
    }
    if asked.open {
        open(&files[0])?;
    }
    Ok(Outcome::Done)
}

/// The span of the report and the name of its files.
fn wanted(site: &Site, asked: &Report) -> Result<(Span, String), Failure> {
    if asked.span.from.is_some() || asked.span.to.is_some() {
        let span = span(site, &asked.span)?;
        return Ok((
            span,
            format!(
                "report-{}-to-{}",
                site.zone.date(span.from_ms),
                site.zone.date(span.until_ms)
            ),
        ));
    }
    let week = asked
        .week
        .clone()
        .unwrap_or_else(|| site.zone.week_name(now_ms() - 7 * MS_PER_24_H));
    let span = site
        .zone
        .week(&week)
        .map_err(|error| Failure::usage(error.to_string(), "see --help"))?;
    // By the week itself, so that 2026-W9 and 2026-W09 are one report.
    Ok((span, format!("report-{}", site.zone.week_name(span.from_ms))))
}

/// Judges the span and writes the report in every form; never over another file unless `force`.
pub(crate) fn write(
    site: &Site,
    span: Span,
    folder: &Path,
    name: &str,
    force: bool,
    invented: bool,
) -> Result<Vec<PathBuf>, Failure> {
    let files: Vec<PathBuf> = ["html", "json", "txt"]
        .iter()
        .map(|form| folder.join(format!("{name}.{form}")))
        .collect();
    never_over(&files, force)?;
    let (record, assessment) = judge(site, span)?;
    let model: WeeklyReport = report::weekly(
        site,
        &record,
        &assessment.trust,
        &assessment.conditions,
        &assessment.verdicts,
        span,
        invented,
    );
    let forms = [report::html(&model), report::json(&model), report::text(&model)];
    fs_err::create_dir_all(folder).map_err(Failure::failed("could not make the folder of reports"))?;
    for (file, text) in files.iter().zip(forms) {
        put(file, &text)?;
    }
    Ok(files)
}

/// Writes a file under a temporary name first, so that a reader never meets half of it.
pub(crate) fn put(file: &Path, text: &str) -> Result<(), Failure> {
    let unfinished = file.with_extension("unfinished");
    fs_err::write(&unfinished, text)
        .and_then(|()| fs_err::rename(&unfinished, file))
        .map_err(Failure::failed(format!("could not write {}", file.display())))
}

/// Refuses to write over a file that is there, unless `force`.
pub(crate) fn never_over(files: &[PathBuf], force: bool) -> Result<(), Failure> {
    match files.iter().find(|file| !force && file.exists()) {
        None => Ok(()),
        Some(there) => Err(Failure::usage(
            format!("{} is there already", there.display()),
            "write it anew with --force, or name another folder with --out",
        )),
    }
}

/// Opens a file with what the desktop uses for it.
pub(crate) fn open(file: &Path) -> Result<(), Failure> {
    let opener = if cfg!(target_os = "macos") {
        "open"
    } else {
        "xdg-open"
    };
    std::process::Command::new(opener)
        .arg(file)
        .spawn()
        .map(|_| ())
        .map_err(|source| Failure::Failed {
            doing: format!("could not start {opener}"),
            source: Box::new(source),
            hint: Some(format!("open {} yourself", file.display())),
        })
}
