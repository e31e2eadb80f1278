//! What changed against the span of the same length before: the same sensor, the same measures, the share known of each.

use chrono::Days;
use mosswarden_config::zone::Span;

use super::chosen::Chosen;
use super::model::{Judged, Material};
use crate::plot::{Cell, Table};

/// A comparison, or why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum Comparison {
    Table(Table),
    NotCompared(String),
}

/// Share of each span that must be known before two are compared (our own choice).
const KNOWN_FRAC_MIN: f64 = 0.5;

/// The span of as many local days before this one.
fn before(material: &Material<'_>) -> Option<Span> {
    let zone = material.site.zone;
    let dates = zone.dates(material.span);
    let first = dates.first()?.checked_sub_days(Days::new(dates.len() as u64))?;
    Some(Span {
        from_ms: zone.day(first).from_ms,
        until_ms: material.span.from_ms,
    })
}

pub(super) fn compare(material: &Material<'_>, judged: &Judged<'_>) -> Comparison {
    let none = |reason: &str| Comparison::NotCompared(reason.to_owned());
    let Some(before) = before(material) else {
        return none("there are no days to compare");
    };
    let display = material.display;
    let zone = material.site.zone;
    let parts = |span: Span, by_day: bool| -> Vec<Span> {
        zone.dates(span)
            .into_iter()
            .filter_map(|date| {
                let light = judged.enclosure.light_on(date);
                let part = if by_day {
                    zone.light(date, light)
                } else {
                    zone.night(date, light)
                };
                part.intersect(span)
            })
            .collect()
    };
    let mut rows = Vec::new();
    let degree = display.degree();
    let measures = [
        ("temperature by day", &judged.temperature, true, true),
        ("temperature at night", &judged.temperature, false, true),
        ("humidity by day", &judged.humidity, true, false),
        ("humidity at night", &judged.humidity, false, false),
    ];
    for (name, chosen, by_day, is_temperature) in measures {
        let Some(chosen) = chosen else { continue };
        let now = mean(chosen, &parts(material.span, by_day));
        let then = mean(chosen, &parts(before, by_day));
        let (Some(now), Some(then)) = (now, then) else {
            continue;
        };
        let show = |value: f64| {
            if is_temperature {
                display.temperature(value)
            } else {
                value
            }
        };
        let unit = if is_temperature { degree } else { "%RH" };
        rows.push(vec![
            Cell::text(format!("{name}, {unit}")),
            Cell::number(show(now.0)),
            Cell::number(show(then.0)),
            signed(show(now.0) - show(then.0)),
            Cell::text(format!("{:.0} % and {:.0} %", now.1 * 100.0, then.1 * 100.0)),
        ]);
    }
    if rows.is_empty() {
        return none("the days before are not recorded well enough (at least half of both must be known)");
    }
    Comparison::Table(Table {
        caption: "Means of these days, and of as many days before".to_owned(),
        columns: [
            "Measure",
            "these days",
            "the days before",
            "change",
            "known of both",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    })
}

fn signed(value: f64) -> Cell {
    let mut cell = Cell::number(value);
    if !cell.text.starts_with('−') && cell.text != "0.0" {
        cell.text.insert(0, '+');
    }
    cell
}

/// Time-weighted mean over the parts and the share known; `None` where too little is.
fn mean(chosen: &Chosen<'_>, parts: &[Span]) -> Option<(f64, f64)> {
    let asked_h: f64 = parts.iter().map(|part| part.hours()).sum();
    let (mut area, mut covered_h) = (0.0, 0.0);
    for summary in parts
        .iter()
        .filter_map(|part| chosen.usable().summary(*part, chosen.gap_ms()))
    {
        area += summary.mean * summary.covered_h;
        covered_h += summary.covered_h;
    }
    let share = covered_h / asked_h;
    (asked_h > 0.0 && share >= KNOWN_FRAC_MIN).then(|| (area / covered_h, share))
}
