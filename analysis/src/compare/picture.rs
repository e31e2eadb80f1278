//! A comparison as a picture.

use super::text::interval;
use super::{Comparison, Said};
use crate::plot::{EffectRow, Picture, effects};
use mosswarden_config::site::Units;

/// The effects with their intervals.
pub fn picture(title: &str, comparison: &Comparison) -> Option<Picture> {
    let rows: Vec<EffectRow> = comparison
        .measures
        .iter()
        .map(|(measure, said)| EffectRow {
            name: measure.name().to_owned(),
            words: said.effect().map_or_else(
                || "too early to say".to_owned(),
                |effect| interval(*measure, effect, Units::Metric),
            ),
            change: said
                .effect()
                .map(|e| [e.change.value, e.change.low, e.change.high].map(|v| v / measure.worth())),
            changed: matches!(said, Said::Changed(_)),
        })
        .collect();
    effects(title, &rows)
}
