//! A comparison as a picture.

use super::text::figures;
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
            words: match said {
                Said::TooEarly { .. } => "too early to say".to_owned(),
                _ => figures(*measure, said, Units::Metric)
                    .replace("between ", "")
                    .split(';')
                    .next()
                    .map_or_else(String::new, |words| format!("{words})")),
            },
            change: said
                .effect()
                .map(|e| [e.change.value, e.change.low, e.change.high].map(|v| v / measure.worth())),
            changed: matches!(said, Said::Changed(_)),
        })
        .collect();
    effects(title, &rows)
}
