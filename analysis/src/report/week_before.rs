//! What changed against the span of the same length before, and against the same days a year before: the same measures, the
//! share known of each.

use chrono::Days;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Enclosure, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use super::chosen::{self, Chosen};
use super::model::{Judged, Material};
use crate::halves::{Half, halves, measure, total_h};
use crate::load::Record;
use crate::plot::{Cell, Table};
use crate::trust;
use crate::words;

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
    let (site, own) = (material.site, judged.enclosure);
    let degree = material.display.degree();
    let mut rows = Vec::new();
    let mut is_any_known = false;
    let measures = [
        (Quantity::Temperature, &judged.temperature),
        (Quantity::Humidity, &judged.humidity),
    ]
    .into_iter()
    .flat_map(|(quantity, chosen)| Half::BOTH.map(|half| (quantity, chosen.as_ref(), half)));
    for (quantity, chosen, half) in measures {
        let Some(chosen) = chosen else { continue };
        let Some(now) = mean(chosen, site.zone, own, material.span, half) else {
            continue;
        };
        let then = mean(chosen, site.zone, own, before, half);
        let year = material.year_before.and_then(|year| {
            let chosen = year.chosen(judged.enclosure, quantity, &chosen.sensor.id)?;
            mean(&chosen, site.zone, own, year.span, half)
        });
        is_any_known |= then.is_some() || year.is_some();
        let show = |value: f64| match quantity {
            Quantity::Temperature => material.display.temperature(value),
            _ => value,
        };
        let unit = if quantity == Quantity::Temperature {
            degree
        } else {
            "%RH"
        };
        let mut row = vec![
            Cell::text(format!("{} {}, {unit}", quantity.name(), half.words())),
            Cell::number(show(now.0)),
        ];
        let mut known = vec![share_words(now.1)];
        let periods = if material.year_before.is_some() {
            vec![then, year]
        } else {
            vec![then]
        };
        for period in periods {
            row.extend(match period {
                Some((value, share)) => {
                    known.push(share_words(share));
                    [Cell::number(show(value)), signed(show(now.0) - show(value))]
                }
                None => [Cell::text(NOT_RECORDED), Cell::text("")],
            });
        }
        row.push(Cell::text(words::list(&known)));
        rows.push(row);
    }
    if rows.is_empty() {
        return none("these days are not recorded well enough (at least half must be known)");
    }
    if !is_any_known && material.year_before.is_none() {
        return none("the days before are not recorded well enough (at least half of both must be known)");
    }
    Comparison::Table(table(material.year_before.is_some(), rows))
}

/// What stands where less than half of a period is known.
const NOT_RECORDED: &str = "not recorded";

fn table(has_year: bool, rows: Vec<Vec<Cell>>) -> Table {
    let mut columns = vec!["Measure", "these days", "the days before", "change"];
    if has_year {
        columns.extend(["a year before", "change"]);
    }
    columns.push("known of each");
    let caption = if has_year {
        "Means of these days, of as many days before, and of the same weekdays 52 weeks before; “not recorded” where less than half is known"
    } else {
        "Means of these days, and of as many days before"
    };
    Table {
        caption: caption.to_owned(),
        columns: columns.into_iter().map(str::to_owned).collect(),
        rows,
    }
}

fn share_words(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}

/// The same weekdays a year before, judged by what was known then.
#[derive(Debug, Clone)]
pub struct YearBefore {
    span: Span,
    record: Record,
    trust: trust::Outcome,
}

impl YearBefore {
    /// The span 52 weeks before another, so that weekdays match.
    pub fn span(span: Span) -> Span {
        const YEAR_MS: i64 = 52 * 7 * MS_PER_24_H;
        Span {
            from_ms: span.from_ms - YEAR_MS,
            until_ms: span.until_ms - YEAR_MS,
        }
    }

    /// Judges the sensors of a record that reaches over [`YearBefore::span`].
    pub fn judge(site: &Site, record: Record, span: Span) -> YearBefore {
        let span = YearBefore::span(span);
        YearBefore {
            trust: trust::assess(site, &record, span),
            record,
            span,
        }
    }

    /// The same sensor where it can be used then, else the one that spoke for the enclosure.
    fn chosen<'a>(
        &'a self,
        enclosure: &'a Enclosure,
        quantity: Quantity,
        sensor: &str,
    ) -> Option<Chosen<'a>> {
        let same = enclosure.sensors.iter().filter(|other| other.id == sensor);
        chosen::best(same, quantity, &self.record, &self.trust, self.span)
            .or_else(|| chosen::for_enclosure(enclosure, quantity, &self.record, &self.trust, self.span))
    }
}

fn signed(value: f64) -> Cell {
    let mut cell = Cell::number(value);
    if !cell.text.starts_with('−') && cell.text != "0.0" {
        cell.text.insert(0, '+');
    }
    cell
}

/// Time-weighted mean over the days or the nights of a span and the share known; `None` where too little is.
fn mean(
    chosen: &Chosen<'_>,
    zone: Zone,
    enclosure: &Enclosure,
    span: Span,
    half: Half,
) -> Option<(f64, f64)> {
    let parts = halves(zone, enclosure, span, half);
    let asked_h = total_h(&parts);
    let parts = parts.into_iter().map(|part| (part, None));
    let found = measure(chosen.usable(), chosen.gap_ms(), parts)?;
    let share = found.known_h / asked_h;
    (share >= KNOWN_FRAC_MIN).then_some((found.mean, share))
}
