//! Nights and days of one enclosure as tables, and its wettest, driest, warmest and coolest hour.

use mosswarden_config::zone::Span;

use super::chosen::Chosen;
use super::model::{JUDGED_FRAC_MIN, Judged, Material};
use crate::conditions::USUAL_NIGHTS;
use crate::plot::{Cell, Table, number};
use crate::words;

/// An hour with a smaller share of known time is passed over (our own choice).
const HOUR_FRAC_MIN: f64 = 0.5;

/// The nights table and the days table.
pub(super) fn tables(material: &Material<'_>, judged: &Judged<'_>) -> (Table, Table) {
    (nights(material, judged), days(material, judged))
}

fn nights(material: &Material<'_>, judged: &Judged<'_>) -> Table {
    let (display, zone) = (material.display, material.site.zone);
    let degree = display.degree();
    let wanted = judged.enclosure.limits.night_c;
    let changes = words::clock_changes(zone, material.span);
    let nights = judged
        .conditions
        .map_or(&[][..], |outcome| outcome.nights.as_slice());
    // In its first nights nothing is usual yet.
    let is_usual_known = nights.iter().any(|night| night.usual_mean_c.is_some());
    let rows = nights
        .iter()
        .map(|night| {
            let shown = night.temperature_c.filter(|_| night.not_judged.is_none());
            let mut remark = night.not_judged.clone().map_or_else(String::new, |reason| {
                format!("not judged: {}", display.sentence(&reason))
            });
            let changed = changes
                .iter()
                .any(|(date, _)| night.span.contains(clock_turn(zone, *date)));
            if changed {
                remark = [
                    remark,
                    format!("clock change, {} long", words::duration(night.span.hours())),
                ]
                .into_iter()
                .filter(|part| !part.is_empty())
                .collect::<Vec<_>>()
                .join("; ");
            }
            let mut row = vec![
                Cell::text(night.local_date.format("%a %-d %b").to_string()),
                Cell::known(shown.map(|s| display.temperature(s.low))),
                Cell::known(shown.map(|s| display.temperature(s.mean))),
                Cell::known(shown.map(|s| display.temperature(s.high))),
                shown.map_or_else(|| Cell::text(words::NOT_KNOWN), |_| hours_cell(night.outside_h)),
                Cell::known(night.drop_k.map(|drop| display.difference(drop))),
            ];
            if is_usual_known {
                row.push(Cell::known(
                    night.usual_mean_c.map(|mean_c| display.temperature(mean_c)),
                ));
            }
            row.push(Cell::text(remark));
            row
        })
        .collect();
    let mut caption = format!(
        "Nights, by the date on which they begin; wanted {}; the drop is from the mean of the day before",
        display.range_words(wanted.low, wanted.high)
    );
    let mut columns = vec![
        "Night of".to_owned(),
        format!("lowest, {degree}"),
        format!("mean, {degree}"),
        format!("highest, {degree}"),
        "outside it".to_owned(),
        format!("drop, {degree}"),
    ];
    if is_usual_known {
        caption += &format!("; usual is the middle mean of its last {USUAL_NIGHTS} nights");
        columns.push(format!("usual mean, {degree}"));
    }
    columns.push("remark".to_owned());
    without_empty_last(Table {
        caption,
        columns,
        rows,
    })
}

/// Leaves out a last column in which nothing stands.
fn without_empty_last(mut table: Table) -> Table {
    if table
        .rows
        .iter()
        .all(|row| row.last().is_some_and(|cell| cell.text.is_empty()))
    {
        table.columns.pop();
        for row in &mut table.rows {
            row.pop();
        }
    }
    table
}

/// Midday of a date at which the clocks have changed; the night before it holds the change itself.
fn clock_turn(zone: mosswarden_config::zone::Zone, date: chrono::NaiveDate) -> i64 {
    let day = zone.day(date);
    let (mut low, mut high) = (day.from_ms, day.until_ms);
    // Halving finds the minute at which the offset changes.
    while high - low > 60_000 {
        let middle = low + (high - low) / 2;
        if zone.offset_s(middle) == zone.offset_s(day.from_ms) {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

pub(super) fn hours_cell(hours: f64) -> Cell {
    Cell {
        text: if hours < 1.0 / 60.0 {
            "none".to_owned()
        } else {
            words::duration(hours)
        },
        number: Some((hours * 1000.0).round() / 1000.0),
    }
}

fn days(material: &Material<'_>, judged: &Judged<'_>) -> Table {
    let limits = judged.enclosure.limits;
    let display = material.display;
    let rows = judged
        .conditions
        .map_or(&[][..], |outcome| outcome.days.as_slice())
        .iter()
        .filter_map(|day| {
            let warm = |hours: f64| {
                day.temperature_c
                    .map_or_else(|| Cell::text(words::NOT_KNOWN), |_| hours_cell(hours))
            };
            let damp = |hours: f64| {
                day.humidity_pct
                    .map_or_else(|| Cell::text(words::NOT_KNOWN), |_| hours_cell(hours))
            };
            let mut name = day.local_date.format("%a %-d %b").to_string();
            if (day.span.hours() - 24.0).abs() > 1e-9 && day.span == material.site.zone.day(day.local_date) {
                name += &format!(" ({:.0} h)", day.span.hours());
            }
            let known_h = day.temperature_c.map_or(0.0, |s| s.covered_h);
            let row = vec![
                Cell::text(name),
                warm(day.over.hours),
                warm(day.under.hours),
                damp(day.dry_h),
                damp(day.wet_h),
                damp(day.longest_wet_run_h),
                day.light_h
                    .map_or_else(|| Cell::text(words::NOT_KNOWN), hours_cell),
                hours_cell(known_h),
            ];
            let is_known = known_h / day.span.hours() >= JUDGED_FRAC_MIN;
            (!is_known || has_something(&row)).then_some(row)
        })
        .collect();
    Table {
        caption: "Days with hours beyond the limits, or with too few readings; at least these hours, where readings are missing".to_owned(),
        columns: vec![
            "Day".to_owned(),
            format!("above {}", display.temperature_words(limits.max_c)),
            format!("below {}", display.temperature_words(limits.min_c)),
            "drier than wanted".to_owned(),
            "damper than wanted".to_owned(),
            "longest near saturation".to_owned(),
            "light".to_owned(),
            "known".to_owned(),
        ],
        rows,
    }
}

/// Whether one of the four counts of hours beyond the limits says more than "none".
fn has_something(row: &[Cell]) -> bool {
    row[1..5]
        .iter()
        .any(|cell| cell.number.is_none_or(|hours| hours >= 1.0 / 60.0))
}

/// The wettest and driest, warmest and coolest clock hour of the span.
pub(super) fn hours(material: &Material<'_>, judged: &Judged<'_>, days_table: &Table) -> Vec<String> {
    let mut lines = Vec::new();
    let days = judged.conditions.map_or(0, |outcome| outcome.days.len());
    if days > 0 && days_table.rows.is_empty() {
        let limits = judged.enclosure.limits;
        lines.push(format!(
            "{} it never was above {}, below {}, or drier or damper than wanted.",
            if days == 1 {
                "On this day".to_owned()
            } else {
                format!("On these {days} days")
            },
            material.display.temperature_words(limits.max_c),
            material.display.temperature_words(limits.min_c)
        ));
    }
    let humidity = |value: f64| format!("{} %RH", number(value));
    let temperature = |value: f64| material.display.temperature_words(value);
    lines.extend(extremes(
        material,
        judged.humidity.as_ref(),
        ("Wettest", "driest"),
        &humidity,
    ));
    lines.extend(extremes(
        material,
        judged.temperature.as_ref(),
        ("Warmest", "coolest"),
        &temperature,
    ));
    lines
}

fn extremes(
    material: &Material<'_>,
    chosen: Option<&Chosen<'_>>,
    (most, least): (&str, &str),
    show: &dyn Fn(f64) -> String,
) -> Option<String> {
    let chosen = chosen?;
    let means: Vec<(Span, f64)> = words::hours_of(material.site.zone, material.span)
        .filter_map(|hour| {
            let summary = chosen.usable().summary(hour, chosen.gap_ms())?;
            (summary.covered_frac >= HOUR_FRAC_MIN).then_some((hour, summary.mean))
        })
        .collect();
    let highest = means.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let lowest = means.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    let hour = |span: Span| {
        let until = material.site.zone.local(span.until_ms).format("%H:%M");
        format!("{} to {until}", words::instant(material.site.zone, span.from_ms))
    };
    Some(format!(
        "{most} hour: {}, mean {}; {least}: {}, mean {}.",
        hour(highest.0),
        show(highest.1),
        hour(lowest.0),
        show(lowest.1)
    ))
}
