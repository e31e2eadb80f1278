//! What a strip says without being seen: a sentence or two, and its figures by day.

use chrono::NaiveDate;
use mosswarden_config::zone::Span;

use super::picture::{Cell, Picture, Table};
use super::strip::{Line, Strip};
use super::units::number;
use crate::conditions::Ran;
use crate::series::Summary;

/// Gives the picture its title, its alternative and its table.
pub(super) fn describe(picture: &mut Picture, strip: &Strip<'_>, dates: &[NaiveDate]) {
    let (first, last) = (dates.first(), dates.last());
    let days = match (first, last) {
        (Some(first), Some(last)) if first != last => {
            format!("{} to {}", first.format("%A %-d %B"), last.format("%A %-d %B %Y"))
        }
        (Some(only), _) => only.format("%A %-d %B %Y").to_string(),
        _ => String::new(),
    };
    picture.title = format!("{}, {days}", strip.name);
    picture.alternative = words(strip);
    picture.table = table(strip, dates);
}

fn summary(line: Option<&Line<'_>>, span: Span) -> Option<Summary> {
    line.and_then(|line| line.usable.summary(span, line.gap_ms))
}

fn words(strip: &Strip<'_>) -> String {
    let show = |value_c: f64| strip.display.temperature(value_c);
    let mut parts = Vec::new();
    match summary(strip.temperature.as_ref(), strip.span) {
        Some(s) => parts.push(format!(
            "Temperature ran from {} to {}, mean {}, known for {:.0} % of the time.",
            number(show(s.low)),
            strip.display.temperature_words(s.high),
            number(show(s.mean)),
            s.covered_frac * 100.0
        )),
        None => parts.push("No temperature reading can be used.".to_owned()),
    }
    match summary(strip.humidity.as_ref(), strip.span) {
        Some(s) => parts.push(format!(
            "Humidity ran from {} to {} %RH, mean {}, known for {:.0} % of the time.",
            number(s.low),
            number(s.high),
            number(s.mean),
            s.covered_frac * 100.0
        )),
        None => parts.push("No humidity reading can be used.".to_owned()),
    }
    if !strip.mistings.is_empty() {
        let count = |ran: Ran| strip.mistings.iter().filter(|m| m.ran == ran).count();
        let (yes, no, unknown) = (count(Ran::Yes), count(Ran::No), count(Ran::NotKnown));
        let mut sentence = format!("Mistings: {yes} ran, {no} did not");
        if unknown > 0 {
            sentence += &format!(", {unknown} not known");
        }
        parts.push(sentence + ".");
    }
    parts.join(" ")
}

fn table(strip: &Strip<'_>, dates: &[NaiveDate]) -> Table {
    let degree = strip.display.degree();
    let mut columns = vec!["Day".to_owned()];
    let mut lines = Vec::new();
    for (line, unit, is_temperature) in [
        (&strip.temperature, degree, true),
        (&strip.humidity, "%RH", false),
    ] {
        if let Some(line) = line {
            columns.extend(["lowest", "mean", "highest"].map(|name| format!("{name}, {unit}")));
            columns.push("hours known".to_owned());
            lines.push((line, is_temperature));
        }
    }
    let mut rows = Vec::new();
    for date in dates {
        let mut row = vec![Cell::text(date.format("%a %-d %b").to_string())];
        let day = strip.zone.day(*date).intersect(strip.span);
        for (line, is_temperature) in &lines {
            let found = day.and_then(|day| line.usable.summary(day, line.gap_ms));
            let show = |value: f64| {
                if *is_temperature {
                    strip.display.temperature(value)
                } else {
                    value
                }
            };
            row.extend([
                Cell::known(found.map(|s| show(s.low))),
                Cell::known(found.map(|s| show(s.mean))),
                Cell::known(found.map(|s| show(s.high))),
                Cell::number(found.map_or(0.0, |s| s.covered_h)),
            ]);
        }
        rows.push(row);
    }
    let mut sensors: Vec<&str> = lines.iter().map(|(line, _)| line.label).collect();
    sensors.dedup();
    Table {
        caption: format!("{}, date by date, from {}", strip.name, sensors.join(" and ")),
        columns,
        rows,
    }
}
