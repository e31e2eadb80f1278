//! `away`: what stands before some days away, for the keeper and for whoever looks in: HTML, PDF, JSON and text.

use std::path::{Path, PathBuf};

use mosswarden_analysis::away::{self, Asked, Given, Room};
use mosswarden_analysis::by_part::Kept;
use mosswarden_analysis::plot::Display;
use mosswarden_analysis::report;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::cli::Away;
use crate::commands::{Readable, alerts, instant, now_ms, only, past, say_if_unrecorded, written};
use crate::reporter::{Failure, Outcome};

/// What stands is judged by so many days.
const JUDGED_MS: i64 = 7 * MS_PER_24_H;
/// What is learned of some weeks says nothing of more days than these (own choice).
const DAYS_MAX: i64 = 92;

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
        room: asked.room.as_deref().map(|text| room(site, text)).transpose()?,
    };
    let name = name(site, asked, asked_for.span);
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
    let told = alerts::who_is_told(site)?;
    let given = Given::new(
        site,
        &record,
        &report,
        &assessment,
        &readable.journal,
        told,
        asked_for,
        until_ms,
    );
    let model = away::away(&given);
    let forms = written::Forms {
        html: &|| away::html(&model),
        json: &|| away::json(&model),
        sheet: away::sheet(&model),
    };
    written::write(&forms, folder, &name)?;
    let answer = std::iter::once(model.answer)
        .chain(model.answer_more)
        .chain(model.warnings);
    Ok((answer.collect::<Vec<_>>().join("\n"), files))
}

/// "away-2026-11-29-1552-to-2026-12-02": from the minute of leaving to the last day.
fn name(site: &Site, asked: &Away, span: Span) -> String {
    let zone = site.zone;
    let dates = format!(
        "away-{}-to-{}",
        zone.local(span.from_ms).format("%Y-%m-%d-%H%M"),
        zone.date(span.until_ms - 1)
    );
    [&[dates], &asked.enclosures[..]].concat().join("-")
}

fn days_away(site: &Site, asked: &Away, until_ms: i64) -> Result<Span, Failure> {
    let zone = site.zone;
    let refuse = |what: String, next: &str| Err(Failure::usage(what, next));
    let named = asked
        .from
        .as_deref()
        .map(|text| instant(site, text))
        .transpose()?;
    let from_ms = match named.unwrap_or(until_ms) {
        // The day goes on: it is left from now on.
        earlier if zone.date(earlier) == zone.date(until_ms) => earlier.max(until_ms),
        named => named,
    };
    let to_ms = instant(site, &asked.to)?;
    // A day alone is away as a whole.
    let day = zone.day(zone.date(to_ms));
    let span = Span {
        from_ms,
        until_ms: if to_ms == day.from_ms { day.until_ms } else { to_ms },
    };
    if span.from_ms < until_ms {
        let what = format!(
            "{} is past",
            asked.from.as_deref().unwrap_or("the day of leaving")
        );
        return refuse(
            what,
            "name the day on which you leave; it is now where none is named",
        );
    }
    if span.until_ms <= span.from_ms {
        let what = format!("{} is no day to come back on after leaving", asked.to);
        return refuse(what, "name a later day");
    }
    if span.until_ms - span.from_ms > DAYS_MAX * MS_PER_24_H {
        let what = format!("{} is more than {DAYS_MAX} days away", asked.to);
        return refuse(
            what,
            "name an earlier day: nothing that is known now holds so long",
        );
    }
    Ok(span)
}

/// "17..28", "17 to 28" or "17 - 28", in the site's own degrees.
fn room(site: &Site, text: &str) -> Result<Room, Failure> {
    let degrees = |part: &str| -> Option<f64> {
        let shown: f64 = part.trim().replace(',', ".").parse().ok()?;
        let value_c = Display::new(site.units).celsius(shown);
        (-40.0..=60.0).contains(&value_c).then_some(value_c)
    };
    let hint = "write the coldest and the warmest that you expect of the room, such as 17..28";
    let parts = ["..", " to ", " - "]
        .into_iter()
        .find_map(|between| text.split_once(between));
    let Some((low_c, high_c)) = parts.and_then(|(low, high)| degrees(low).zip(degrees(high))) else {
        return Err(Failure::usage(
            format!("`{text}` is no range of temperatures"),
            hint,
        ));
    };
    if low_c > high_c {
        return Err(Failure::usage(
            format!("in `{text}` the warmer one stands first"),
            hint,
        ));
    }
    Ok(Room { low_c, high_c })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(units: &str, text: &str) -> Option<(f64, f64)> {
        let source = format!(
            "[site]\nname = \"Bench\"\ntimezone = \"Europe/Lisbon\"\nunits = \"{units}\"\n[[enclosure]]\nid = \"mossy-1\"\nspecies = \"mossy-frog\"\n"
        );
        let site = Site::from_source(Path::new("site.toml"), &source).expect("a site file");
        room(&site, text).ok().map(|room| (room.low_c, room.high_c))
    }

    #[test]
    fn the_rooms_range_is_read_in_the_sites_degrees() {
        assert_eq!(read("metric", "17..28"), Some((17.0, 28.0)));
        assert_eq!(read("metric", " -2 .. 5,5"), Some((-2.0, 5.5)));
        assert_eq!(read("metric", "-2 - 5"), Some((-2.0, 5.0)));
        assert_eq!(read("metric", "17 to 28"), Some((17.0, 28.0)));
        // 59 °F are 15 °C, 86 °F are 30 °C (NIST SP 811).
        assert_eq!(read("imperial", "59..86"), Some((15.0, 30.0)));
        for wrong in ["28..17", "17", "17-28", "a..b", "17..280", "NaN..28"] {
            assert_eq!(read("metric", wrong), None, "{wrong}");
        }
    }
}
