//! `report`: the weekly health report as HTML, PDF, JSON and text.

use std::path::{Path, PathBuf};

use chrono::{Datelike as _, Days, NaiveDate, NaiveTime};
use mosswarden_analysis::by_part::Kept;
use mosswarden_analysis::report::{self, WeeklyReport, YearBefore};
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli::Report;
use crate::commands::{Readable, archive, now_ms, only, recorded, say_if_unrecorded, span, written};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(mut site: Site, asked: &Report) -> Result<Outcome, Failure> {
    only(&mut site, &asked.enclosures)?;
    let (span, week) = wanted(&site, asked)?;
    let name = [&[week], &asked.enclosures[..]].concat().join("-");
    let folder = asked.paper.folder(&site);
    let (answer, files) = write(&site, span, &folder, &name, asked.paper.force)?;
    written::show(Some(&answer), &files, asked.paper.open)?;
    Ok(Outcome::Done)
}

/// The span of the report and the name of its files.
fn wanted(site: &Site, asked: &Report) -> Result<(Span, String), Failure> {
    if asked.span.from.is_some() || asked.span.to.is_some() {
        let span = span(site, &asked.span)?;
        return Ok((span, span_name(site, span)));
    }
    if asked.week.is_none()
        && let Some(span) = since_the_first_reading(site)?
    {
        eprintln!(
            "the last whole week was over before the first reading: this report is of the time since then"
        );
        return Ok((span, span_name(site, span)));
    }
    let week = asked.week.clone().unwrap_or_else(|| {
        eprintln!(
            "this is the last whole week; what came since: mosswarden report --from {}",
            this_week(site)
        );
        last_week(site)
    });
    let span = site
        .zone
        .week(&week)
        .map_err(|error| Failure::usage(error.to_string(), "without --week it is the last whole one"))?;
    // By the week itself, so that 2026-W9 and 2026-W09 are one report.
    Ok((span, format!("report-{}", site.zone.week_name(span.from_ms))))
}

/// The first day of the week that is not over.
fn this_week(site: &Site) -> NaiveDate {
    let today = site.zone.date(now_ms());
    today - Days::new(u64::from(today.weekday().num_days_from_monday()))
}

/// The last whole week.
fn last_week(site: &Site) -> String {
    site.zone.week_name(now_ms() - 7 * MS_PER_24_H)
}

/// From the first day with a reading on, where the last whole week was before it.
fn since_the_first_reading(site: &Site) -> Result<Option<Span>, Failure> {
    let tail = mosswarden_collector::tail(site).map_err(Failure::failed("could not read the spool"))?;
    let Some((first, _)) = recorded(&*archive(site)?, &tail)? else {
        return Ok(None);
    };
    let from_ms = site.zone.day(first).from_ms;
    let week = site.zone.week(&last_week(site)).ok();
    Ok(week.filter(|week| week.until_ms <= from_ms).map(|_| Span {
        from_ms,
        until_ms: now_ms(),
    }))
}

/// The name of the files of a span: its dates, with the clock where an end is not midnight.
pub(crate) fn span_name(site: &Site, span: Span) -> String {
    let name = |at_ms: i64| {
        let local = site.zone.local(at_ms);
        match local.time() {
            NaiveTime::MIN => local.format("%Y-%m-%d"),
            _ => local.format("%Y-%m-%d-%H%M"),
        }
    };
    format!("report-{}-to-{}", name(span.from_ms), name(span.until_ms))
}

/// Judges the span and writes the report in every form; never over another file unless `force`. Gives its first line and its files.
pub(crate) fn write(
    site: &Site,
    span: Span,
    folder: &Path,
    name: &str,
    force: bool,
) -> Result<(String, Vec<PathBuf>), Failure> {
    let files = written::files(folder, name);
    written::never_over(&files, force)?;
    let readable = Readable::open(site)?;
    say_if_unrecorded(&readable, span)?;
    let (record, assessment) = readable.judge(site, span, Kept::for_report(span))?;
    let year = YearBefore::judge(site, readable.record(YearBefore::span(span))?, span);
    let model: WeeklyReport = report::weekly(
        site,
        &record,
        &assessment.trust,
        &assessment.conditions,
        &assessment.verdicts,
        span,
        Some(&year),
        written::is_invented(site),
    );
    let forms = written::Forms {
        html: &|| report::html(&model),
        json: &|| report::json(&model),
        sheet: report::sheet(&model),
    };
    written::write(&forms, folder, name)?;
    Ok((model.answer.clone(), files))
}
