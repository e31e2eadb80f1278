//! `away`: what stands before some days away, as a sheet for whoever looks in: HTML, PDF, JSON and text.

use std::path::{Path, PathBuf};

use mosswarden_analysis::away::{self, Asked};
use mosswarden_analysis::by_part::Kept;
use mosswarden_analysis::plot::Display;
use mosswarden_analysis::report;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli::Away;
use crate::commands::report::span_name;
use crate::commands::{Readable, instant, now_ms, only, past, say_if_unrecorded, written};
use crate::reporter::{Failure, Outcome};

/// What stands is judged by so many days.
const JUDGED_MS: i64 = 7 * MS_PER_24_H;

pub(crate) fn run(mut site: Site, asked: &Away) -> Result<Outcome, Failure> {
    only(&mut site, &asked.enclosures)?;
    let until_ms = match &asked.until {
        Some(text) => past(&site, "--until", text)?,
        None => now_ms(),
    };
    let folder = asked.paper.folder(&site);
    let (answer, files) = write(&site, asked, until_ms, &folder)?;
    written::show(Some(&answer), &files, asked.paper.open)?;
    Ok(Outcome::Done)
}

/// Writes the sheet in every form; never over another file unless forced. Gives its answer and its files.
pub(crate) fn write(
    site: &Site,
    asked: &Away,
    until_ms: i64,
    folder: &Path,
) -> Result<(String, Vec<PathBuf>), Failure> {
    let asked_for = Asked {
        span: days_away(site, asked, until_ms)?,
        room_c: asked.room.as_deref().map(|text| room(site, text)).transpose()?,
    };
    let name = [&[span_name(site, "away", asked_for.span)], &asked.enclosures[..]]
        .concat()
        .join("-");
    let files = written::files(folder, &name);
    written::never_over(&files, asked.paper.force)?;

    let judged = Span {
        from_ms: until_ms - JUDGED_MS,
        until_ms,
    };
    let readable = Readable::open(site)?;
    say_if_unrecorded(&readable, judged)?;
    let (record, assessment) = readable.judge(site, judged, Kept::for_report(judged))?;
    let report = report::weekly(
        site,
        &record,
        &assessment.trust,
        &assessment.conditions,
        &assessment.verdicts,
        judged,
        None,
        written::is_invented(site),
    );
    let model = away::away(site, &report, &assessment, &readable.journal, asked_for, until_ms);
    let json = away::json(&model).map_err(Failure::failed("could not write the sheet"))?;
    let forms = written::Forms {
        html: &|| away::html(&model),
        json: &|| json.clone(),
        sheet: away::sheet(&model),
    };
    written::write(&forms, folder, &name)?;
    Ok((model.answer, files))
}

fn days_away(site: &Site, asked: &Away, until_ms: i64) -> Result<Span, Failure> {
    let from_ms = match &asked.from {
        Some(text) => instant(site, text)?,
        None => until_ms,
    };
    let span = Span {
        from_ms,
        until_ms: instant(site, &asked.to)?,
    };
    let refuse = |what: &str, next: &str| Err(Failure::usage(what, next));
    if span.from_ms < until_ms {
        return refuse("--from is past", "say when you leave; without --from it is now");
    }
    if span.until_ms <= span.from_ms {
        return refuse(
            "--to must lie after --from",
            "say when you come back, such as --to 2026-06-01T18:00",
        );
    }
    Ok(span)
}

/// "17..28", in the site's own degrees, as °C.
fn room(site: &Site, text: &str) -> Result<(f64, f64), Failure> {
    let degrees = |part: &str| -> Option<f64> {
        let value_c = Display::new(site.units).celsius(part.trim().parse().ok()?);
        (-40.0..=60.0).contains(&value_c).then_some(value_c)
    };
    text.split_once("..")
        .and_then(|(low, high)| degrees(low).zip(degrees(high)))
        .filter(|(low_c, high_c)| low_c <= high_c)
        .ok_or_else(|| {
            Failure::usage(
                format!("`{text}` is no range of temperatures"),
                "write the lowest and the highest that you expect of the room, such as --room 17..28",
            )
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(units: &str, text: &str) -> Option<(f64, f64)> {
        let source = format!(
            "[site]\nname = \"Bench\"\ntimezone = \"Europe/Lisbon\"\nunits = \"{units}\"\n[[enclosure]]\nid = \"mossy-1\"\nspecies = \"mossy-frog\"\n"
        );
        let site = Site::from_source(Path::new("site.toml"), &source).expect("a site file");
        room(&site, text).ok()
    }

    #[test]
    fn the_rooms_range_is_read_in_the_sites_degrees() {
        assert_eq!(read("metric", "17..28"), Some((17.0, 28.0)));
        assert_eq!(read("metric", " -2 .. 5.5"), Some((-2.0, 5.5)));
        // 59 °F are 15 °C, 86 °F are 30 °C (NIST SP 811).
        assert_eq!(read("imperial", "59..86"), Some((15.0, 30.0)));
        for wrong in ["28..17", "17", "17-28", "a..b", "17..280", "NaN..28"] {
            assert_eq!(read("metric", wrong), None, "{wrong}");
        }
    }
}
