//! The limits that an enclosure is judged by, each with where it comes from.

use mosswarden_config::site::{Band, Enclosure};
use mosswarden_config::species::{Figure, Species, Stage};

use crate::plot::{Cell, Display, Table, number};
use crate::words;

/// The source of a limit that the keeper set.
const OWN: &str = "set in the site file";

/// The species' life stage whose figures the limits agree with most; the first where several do.
pub(crate) fn stage(species: &Species, enclosure: &Enclosure) -> Option<usize> {
    let agreeing = |stage: &Stage| {
        let (ours, theirs) = (&enclosure.limits, stage.limits());
        [
            ours.day_c == theirs.day_c,
            ours.night_c == theirs.night_c,
            ours.max_c == theirs.max_c,
            ours.min_c == theirs.min_c,
            ours.emergency_c == theirs.emergency_c,
            ours.humidity_day_pct == theirs.humidity_day_pct,
            ours.humidity_night_pct == theirs.humidity_night_pct,
        ]
        .iter()
        .filter(|same| **same)
        .count()
    };
    (0..species.stages.len()).max_by_key(|index| (agreeing(&species.stages[*index]), usize::MAX - index))
}

pub(crate) fn table(display: Display, enclosure: &Enclosure) -> Table {
    let stage = enclosure
        .species
        .as_ref()
        .and_then(|species| Some(&species.stages[stage(species, enclosure)?]));
    let limits = &enclosure.limits;
    let single = |value: f64| Band {
        low: value,
        high: value,
    };
    let degrees = |band: Band| {
        if band.low == band.high {
            display.temperature_words(band.low)
        } else {
            display.range_words(band.low, band.high)
        }
    };
    let percent = |band: Band| format!("{} to {} %RH", number(band.low), number(band.high));
    let mut rows = Vec::new();
    let is_written = |keys: &[&str]| keys.iter().any(|key| enclosure.limits_written.contains(key));
    let mut add = |name: &str,
                   keys: &[&str],
                   band: Option<Band>,
                   figure: Option<&Figure>,
                   show: &dyn Fn(Band) -> String| {
        let Some(band) = band else { return };
        let (source, confidence) = match figure {
            Some(figure) if figure.band == band && !is_written(keys) => {
                (figure.source.clone(), figure.confidence.clone())
            }
            _ => (OWN.to_owned(), "the keeper’s own".to_owned()),
        };
        rows.push(vec![
            Cell::text(name),
            Cell::text(show(band)),
            Cell::text(source),
            Cell::text(confidence),
        ]);
    };
    add(
        "wanted by day",
        &["day_c"],
        Some(limits.day_c),
        stage.map(|s| &s.day_c),
        &degrees,
    );
    add(
        "wanted at night",
        &["night_c"],
        Some(limits.night_c),
        stage.map(|s| &s.night_c),
        &degrees,
    );
    add(
        "never above",
        &["max_c"],
        Some(single(limits.max_c)),
        stage.map(|s| &s.max_c),
        &degrees,
    );
    add(
        "never below",
        &["min_c"],
        Some(single(limits.min_c)),
        stage.map(|s| &s.min_c),
        &degrees,
    );
    add(
        "minutes count above",
        &["emergency_c"],
        limits.emergency_c.map(single),
        stage.and_then(|s| s.emergency_c.as_ref()),
        &degrees,
    );
    add(
        "humidity by day",
        &["humidity_pct", "humidity_day_pct"],
        limits.humidity_day_pct,
        stage.and_then(|s| s.humidity_day_pct.as_ref()),
        &percent,
    );
    add(
        "humidity at night",
        &["humidity_pct", "humidity_night_pct"],
        limits.humidity_night_pct,
        stage.and_then(|s| s.humidity_night_pct.as_ref()),
        &percent,
    );
    Table {
        caption: "Limits used, and where they come from".to_owned(),
        columns: ["What", "limit", "source", "confidence"]
            .map(str::to_owned)
            .to_vec(),
        rows,
    }
}

/// The table's rows as a sentence, those of one source together: "Set in the site file: wanted by day 18.0 to 25.0 °C, …".
pub(crate) fn said(table: &Table) -> String {
    let mut by_source: Vec<(String, Vec<String>)> = Vec::new();
    for row in &table.rows {
        let [what, limit, source, confidence] = [0, 1, 2, 3].map(|column| row[column].text.as_str());
        let from = match source {
            OWN => source.to_owned(),
            _ => format!("{source} (confidence: {confidence})"),
        };
        let one = format!("{what} {limit}");
        match by_source.iter_mut().find(|(known, _)| *known == from) {
            Some((_, limits)) => limits.push(one),
            None => by_source.push((from, vec![one])),
        }
    }
    let parts: Vec<String> = by_source
        .iter()
        .map(|(from, limits)| format!("{}: {}.", words::capital(from), limits.join(", ")))
        .collect();
    parts.join(" ")
}

pub(crate) fn note(enclosure: &Enclosure) -> String {
    let found = enclosure.species.as_ref().and_then(|species| {
        let stage = &species.stages[stage(species, enclosure)?];
        Some(format!(
            "From the species file for {} ({}), life stage “{}”, unless set in the site file. {}",
            species.common_name, species.scientific_name, stage.name, stage.note
        ))
    });
    found.map_or_else(
        || "No species file is known for these animals: every limit is the site file’s own.".to_owned(),
        |text| text.trim().to_owned(),
    )
}

#[cfg(test)]
mod tests {
    use mosswarden_config::site::Units;

    use super::*;
    use crate::report::sample;

    #[test]
    fn what_the_site_file_gives_is_its_own_also_where_the_species_file_says_the_same() {
        let mut site = sample::site(
            "Europe/Lisbon",
            "metric",
            &[("mossy-1", "Tall tank", "mossy-frog")],
        );
        let source = |enclosure: &Enclosure| {
            let table = table(Display::new(Units::Metric), enclosure);
            let row = table.rows.into_iter().find(|row| row[0].text == "never below");
            row.expect("every enclosure has it")[2].text.clone()
        };
        assert_ne!(source(&site.enclosures[0]), "set in the site file");
        site.enclosures[0].limits_written = vec!["min_c"];
        assert_eq!(source(&site.enclosures[0]), "set in the site file");
        let said = said(&table(Display::new(Units::Metric), &site.enclosures[0]));
        assert!(said.contains("Set in the site file: never below "), "{said}");
    }
}
