//! How much of the known time was inside the wanted range, days and nights apart, with the longest run outside it: a mean
//! hides the bad hours.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Band;

use super::chosen::Chosen;
use super::model::{JUDGED_FRAC_MIN, Judged, Material};
use super::nights::hours_cell;
use crate::halves::{self, Half, Measured, wanted};
use crate::plot::{Cell, Table, number};
use crate::words;

/// No rows where no range is wanted or nothing is known.
pub(super) fn table(material: &Material<'_>, judged: &Judged<'_>) -> Table {
    let mut rows = Vec::new();
    for (quantity, chosen) in [
        (Quantity::Temperature, &judged.temperature),
        (Quantity::Humidity, &judged.humidity),
    ] {
        let Some(chosen) = chosen else { continue };
        rows.extend(Half::BOTH.map(|half| row(material, judged, quantity, chosen, half)));
    }
    Table {
        caption: "How much of the known time was inside the wanted range".to_owned(),
        columns: [
            "Measure",
            "wanted",
            "inside",
            "below",
            "above",
            "longest outside",
            "known",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: rows.into_iter().flatten().collect(),
    }
}

fn row(
    material: &Material<'_>,
    judged: &Judged<'_>,
    quantity: Quantity,
    chosen: &Chosen<'_>,
    half: Half,
) -> Option<Vec<Cell>> {
    let own = judged.enclosure;
    let parts: Vec<_> = halves::dated(material.site.zone, own, material.span, half)
        .into_iter()
        .map(|(date, part)| (part, wanted(&own.limits_on(date), quantity, half)))
        .collect();
    let bands: Vec<Band> = parts.iter().filter_map(|(_, band)| *band).collect();
    let (first, last) = (bands.first()?, bands.last()?);
    let asked_h: f64 = parts.iter().map(|(part, _)| part.hours()).sum();
    let found = halves::measure(chosen.usable(), chosen.gap_ms(), parts);
    let show = |band: &Band| match quantity {
        Quantity::Temperature => material.display.range_words(band.low, band.high),
        _ => format!("{} to {} %RH", number(band.low), number(band.high)),
    };
    let band_words = if first == last {
        show(first)
    } else {
        format!("{}, later {}", show(first), show(last))
    };
    let share = |hours: f64, whole_h: f64| Cell {
        text: words::share(hours, whole_h),
        number: Some((1000.0 * hours / whole_h).round() / 1000.0),
    };
    let judged = |of: fn(&Measured) -> f64, cell: &dyn Fn(f64) -> Cell| {
        found
            .filter(|m| m.inside_h.is_some())
            .map_or_else(|| Cell::text(words::NOT_KNOWN), |m| cell(of(&m)))
    };
    let known_h = found.map_or(0.0, |m| m.known_h);
    Some(vec![
        Cell::text(format!("{} {}", quantity.name(), half.words())),
        Cell::text(band_words),
        // Of the little that is known a share says nothing of the rest.
        judged(|m| m.inside_h.unwrap_or(0.0), &|hours| {
            if known_h < JUDGED_FRAC_MIN * asked_h {
                Cell::text(words::NOT_KNOWN)
            } else {
                share(hours, known_h)
            }
        }),
        judged(|m| m.below_h, &hours_cell),
        judged(|m| m.above_h, &hours_cell),
        judged(|m| m.longest_outside_h, &hours_cell),
        share(known_h, asked_h),
    ])
}
