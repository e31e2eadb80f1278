//! `[[enclosure.season]]`: dates, limits, light hours.

use chrono::Datelike;

use super::enclosure::{light, limits, stage_limits};
use super::*;

const SEASON_KEYS: &[&str] = &["name", "from", "to", "stage", "limits", "day"];
/// A leap year: every month and day of a yearly season exists in it.
const LEAP_YEAR: i32 = 2024;
const DATE_HINT: &str =
    "write month and day for every year (\"11-15\"), or a full date for once (2026-11-15)";

/// Seasons in the file's order. Limits that a season does not name are the enclosure's, or the named life stage's.
pub(super) fn seasons(
    reader: &mut Reader<'_>,
    enclosure: &Section<'_, '_>,
    species: Option<&Species>,
    base: Option<Limits>,
    base_light: LightHours,
) -> Vec<Season> {
    let mut seasons: Vec<Season> = Vec::new();
    for mut section in reader.children(enclosure, "season", "[[enclosure.season]]", SEASON_KEYS) {
        let name = reader
            .required_text(&section, "name", "\"cooling\"")
            .unwrap_or_default();
        section.name = format!("season {name}");
        let stage = section
            .has("stage")
            .then(|| stage_limits(reader, &section, species))
            .flatten();
        let limits = limits(reader, &section, stage.or(base));
        let light = light(reader, &section, base_light);
        let (Some(dates), Some(limits)) = (dates(reader, &section), limits) else {
            continue;
        };
        if let Some(other) = seasons.iter().find(|other| overlap(other.dates, dates)) {
            reader.problem(
                &section.key_span("from"),
                format!("season \"{name}\" overlaps \"{}\"", other.name),
                Some("let one end before the other begins; both ends belong to a season".to_owned()),
            );
        }
        seasons.push(Season {
            name,
            dates,
            limits,
            light,
        });
    }
    seasons
}

/// An end of a season as written.
enum End {
    Yearly(u32, u32),
    Once(NaiveDate),
}

fn dates(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<Dates> {
    let from = end(reader, section, "from");
    let to = end(reader, section, "to");
    match (from?, to?) {
        (End::Yearly(m0, d0), End::Yearly(m1, d1)) => Some(Dates::Yearly {
            from: (m0, d0),
            to: (m1, d1),
        }),
        (End::Once(from), End::Once(to)) if from <= to => Some(Dates::Once { from, to }),
        (End::Once(_), End::Once(_)) => {
            reader.problem(
                &section.key_span("to"),
                format!("{} ends before it begins", section.name),
                None,
            );
            None
        }
        _ => {
            reader.problem(
                &section.key_span("to"),
                "`from` and `to` must both be month and day, or both be full dates".to_owned(),
                Some(DATE_HINT.to_owned()),
            );
            None
        }
    }
}

fn end(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str) -> Option<End> {
    let Some(value) = section.value(key) else {
        reader.missing(section, key, "\"11-15\"");
        return None;
    };
    let written = match value.get_ref() {
        toml::de::DeValue::Datetime(written) => written.to_string(),
        toml::de::DeValue::String(written) => written.to_string(),
        _ => String::new(),
    };
    if let Ok(date) = NaiveDate::parse_from_str(&written, "%Y-%m-%d") {
        return Some(End::Once(date));
    }
    if let Ok(date) = NaiveDate::parse_from_str(&format!("{LEAP_YEAR}-{written}"), "%Y-%m-%d") {
        return Some(End::Yearly(date.month(), date.day()));
    }
    reader.problem(
        &section.key_span(key),
        format!("`{key} = \"{written}\"` is not a date"),
        Some(DATE_HINT.to_owned()),
    );
    None
}

/// Whether two seasons hold on one date of any year.
fn overlap(a: Dates, b: Dates) -> bool {
    let year = |year| {
        NaiveDate::from_ymd_opt(year, 1, 1)
            .into_iter()
            .flat_map(|first| first.iter_days().take(366))
    };
    match (a, b) {
        (Dates::Once { from: f0, to: t0 }, Dates::Once { from: f1, to: t1 }) => f0 <= t1 && f1 <= t0,
        (Dates::Once { from, to }, yearly) | (yearly @ Dates::Yearly { .. }, Dates::Once { from, to }) => {
            from.iter_days()
                .take_while(|date| *date <= to)
                .take(366)
                .any(|date| yearly.contains(date))
        }
        _ => year(LEAP_YEAR).any(|date| a.contains(date) && b.contains(date)),
    }
}
