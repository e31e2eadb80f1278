//! `flags`: findings of a span as text or JSON.

use chrono::Days;
use mosswarden_analysis::assess::Assessment;
use mosswarden_analysis::by_part::Kept;
use mosswarden_analysis::findings::{Document, Kind, Verdicts, by_cause, gathered};
use mosswarden_analysis::words;
use mosswarden_config::site::Site;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::Span;

use crate::cli::{Flags, FlagsFormat};
use crate::commands::{Readable, days_of, only, recorded, span};
use crate::reporter::{Failure, Outcome};

/// The answer where no reading is there.
const NOTHING_READ: &str = "Nothing can be said: no reading of this span is there.";

pub(crate) fn run(mut site: Site, flags: &Flags) -> Result<Outcome, Failure> {
    only(&mut site, &flags.enclosures)?;
    let span = span(&site, &flags.span)?;
    let readable = Readable::open(&site)?;
    let (_, mut assessment) = readable.judge(&site, span, Kept::Nothing)?;
    let printed = match flags.format {
        FlagsFormat::Json => serde_json::to_string_pretty(&Document::new(&site, span, &assessment.verdicts))
            .map_err(Failure::failed("could not write the findings"))?,
        FlagsFormat::Text => {
            if !flags.enclosures.is_empty() {
                // It was judged with them, and was not asked for.
                site.room_sensors.clear();
                assessment.silent.retain(|place| place != ROOM);
                let verdicts = &mut assessment.verdicts;
                verdicts.not_assessed.retain(|item| item.enclosure != ROOM);
            }
            match is_unheard(&site, &assessment) {
                true => unheard(&site, span, &readable)?,
                false => text(&site, span, &assessment),
            }
        }
    };
    println!("{printed}");
    Ok(if assessment.verdicts.findings.is_empty() {
        Outcome::Done
    } else {
        Outcome::Attention
    })
}

/// Findings in words, then what could not be judged.
pub(crate) fn text(site: &Site, span: Span, assessment: &Assessment) -> String {
    let zone = site.zone;
    let verdicts = &assessment.verdicts;
    let mut lines = vec![title(site, span)];
    let mut answer = answer(site, verdicts, &assessment.silent);
    let barely = barely_known(site, verdicts, &assessment.silent, span);
    if !barely.is_empty() {
        answer += &format!(
            " Too little is known of {} to say how it is there: less than half of this time.",
            words::list(&barely)
        );
    }
    lines.push(answer);
    for group in by_cause(site, &verdicts.findings) {
        lines.push(String::new());
        for finding in &group {
            lines.push(format!(
                "{} · {} · {} · {} ({})",
                finding.severity.name(),
                finding.enclosure,
                finding.kind.name(),
                finding.subject,
                words::lasting(zone, finding.start_ms, finding.end_ms)
            ));
            lines.push(format!("  {}", finding.message));
        }
        lines.extend(
            words::next_steps(&group)
                .iter()
                .map(|step| format!("  Next: {step}")),
        );
    }
    if !verdicts.not_assessed.is_empty() {
        lines.push(String::new());
        lines.push("Not judged:".to_owned());
        for item in gathered(&verdicts.not_assessed) {
            let kinds: Vec<&str> = item.kinds.iter().map(|kind| kind.name()).collect();
            let when = item
                .when(zone, span)
                .map_or_else(String::new, |when| format!(", {when}"));
            lines.push(format!(
                "  {} · {}{when}: {}",
                item.enclosure,
                kinds.join(", "),
                item.reason
            ));
        }
    }
    lines.join("\n")
}

fn title(site: &Site, span: Span) -> String {
    format!(
        "{}, {} to {} ({})",
        site.name,
        words::instant(site.zone, span.from_ms),
        words::instant(site.zone, span.until_ms),
        site.zone.name()
    )
}

/// Nothing was read and nothing found: what could not be judged is everything.
fn is_unheard(site: &Site, assessment: &Assessment) -> bool {
    let silent = &assessment.silent;
    assessment.verdicts.findings.is_empty() && !silent.is_empty() && silent.len() == places(site)
}

/// The same in words, with the span to ask for instead.
fn unheard(site: &Site, span: Span, readable: &Readable) -> Result<String, Failure> {
    let instead = match recorded(&*readable.archive, &readable.tail)? {
        None => "Nothing was recorded yet; mosswarden check says what is missing.".to_owned(),
        Some((first, last)) => format!(
            "Your readings are of {}; ask: mosswarden flags --from {} --to {}",
            days_of(first, last),
            first.max(last - Days::new(6)),
            last + Days::new(1)
        ),
    };
    Ok(format!("{}\n{NOTHING_READ}\n{instead}", title(site, span)))
}

/// How many places have sensors.
fn places(site: &Site) -> usize {
    let with_sensors = site.enclosures.iter().filter(|own| !own.sensors.is_empty());
    with_sensors.count() + usize::from(!site.room_sensors.is_empty())
}

/// Enclosures of which more than half of a span could not be judged for heat, though something was read.
fn barely_known(site: &Site, verdicts: &Verdicts, silent: &[String], span: Span) -> Vec<String> {
    const UNJUDGED_FRAC: f64 = 0.5;
    let unjudged_h = |id: &str| -> f64 {
        verdicts
            .not_assessed
            .iter()
            .filter(|item| item.enclosure == id && item.kind == Kind::Overheating)
            .filter_map(|item| item.span.unwrap_or(span).intersect(span))
            .map(Span::hours)
            .sum()
    };
    site.enclosures
        .iter()
        .filter(|own| !own.sensors.is_empty() && !silent.contains(&own.id))
        .filter(|own| unjudged_h(&own.id) > UNJUDGED_FRAC * span.hours())
        .map(|own| own.id.clone())
        .collect()
}

/// The line that answers: what was found, and of which places there is nothing to find anything in.
fn answer(site: &Site, verdicts: &Verdicts, silent: &[String]) -> String {
    let places = places(site);
    let found = match by_cause(site, &verdicts.findings).len() {
        0 if silent.len() == places => "Nothing can be said".to_owned(),
        0 if !verdicts.not_assessed.is_empty() => "Nothing was found in what could be judged".to_owned(),
        0 => "Nothing was found".to_owned(),
        1 => "One thing was found".to_owned(),
        count => format!("{count} things were found"),
    };
    match silent.len() {
        0 if places > 0 => format!("{found}."),
        all if all == places => format!("{found}: no reading of this span is there."),
        _ => {
            let named = silent.iter().map(|place| match place.as_str() {
                ROOM => "the room".to_owned(),
                id => id.to_owned(),
            });
            let named: Vec<String> = named.collect();
            format!(
                "{found}; no reading of this span is there from {}.",
                words::list(&named)
            )
        }
    }
}
