//! Days and nights apart: how much of them was inside the wanted range, how much is known, how much is not.
//!
//! Weighted by time, from usable readings as they are; a reading's own doubt is not counted against the range.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Band, Enclosure, Limits};
use mosswarden_config::zone::{Span, Zone};

use super::gather::Track;

/// Light hours or dark hours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Half {
    Day,
    Night,
}

impl Half {
    pub(crate) const BOTH: [Half; 2] = [Half::Day, Half::Night];

    pub(crate) const fn words(self) -> &'static str {
        match self {
            Half::Day => "by day",
            Half::Night => "at night",
        }
    }
}

/// The wanted range of a quantity by day or by night.
pub(crate) fn wanted(limits: &Limits, quantity: Quantity, half: Half) -> Option<Band> {
    match (quantity, half) {
        (Quantity::Temperature, Half::Day) => Some(limits.day_c),
        (Quantity::Temperature, Half::Night) => Some(limits.night_c),
        (Quantity::Humidity, Half::Day) => limits.humidity_day_pct,
        (Quantity::Humidity, Half::Night) => limits.humidity_night_pct,
        _ => None,
    }
}

/// The days or the nights of an enclosure inside a span, by its light hours.
pub(crate) fn halves(zone: Zone, enclosure: &Enclosure, span: Span, half: Half) -> Vec<Span> {
    let dates = zone.dates(span);
    let before = dates.first().and_then(|date| date.pred_opt());
    before
        .into_iter()
        .chain(dates.iter().copied())
        .map(|date| match half {
            Half::Day => zone.light(date, enclosure.light_on(date)),
            Half::Night => zone.night(date, enclosure.light_on(date)),
        })
        .filter_map(|part| part.intersect(span))
        .collect()
}

/// What was measured over some spans together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Measured {
    pub(crate) low: f64,
    pub(crate) mean: f64,
    pub(crate) high: f64,
    /// Of the time that is known, h; absent where no range is wanted.
    pub(crate) inside_h: Option<f64>,
    pub(crate) below_h: f64,
    pub(crate) above_h: f64,
    pub(crate) known_h: f64,
}

/// Measures a track over spans; `None` where nothing of them is known.
pub(crate) fn measure(track: &Track, spans: &[Span], band: Option<Band>) -> Option<Measured> {
    let view = track.usable.view();
    let mut found: Option<Measured> = None;
    for span in spans {
        let Some(summary) = view.summary(*span, track.gap_ms) else {
            continue;
        };
        let beyond = |band: Band| {
            (
                view.below(band.low, *span, track.gap_ms).hours,
                view.above(band.high, *span, track.gap_ms).hours,
            )
        };
        let (below_h, above_h) = band.map_or((0.0, 0.0), beyond);
        let so_far = found.get_or_insert(Measured {
            low: summary.low,
            mean: 0.0,
            high: summary.high,
            inside_h: None,
            below_h: 0.0,
            above_h: 0.0,
            known_h: 0.0,
        });
        so_far.low = so_far.low.min(summary.low);
        so_far.high = so_far.high.max(summary.high);
        // The mean is summed by hours here and divided at the end.
        so_far.mean += summary.mean * summary.covered_h;
        so_far.known_h += summary.covered_h;
        so_far.below_h += below_h;
        so_far.above_h += above_h;
    }
    found.map(|sum| Measured {
        mean: sum.mean / sum.known_h,
        inside_h: band.map(|_| (sum.known_h - sum.below_h - sum.above_h).max(0.0)),
        ..sum
    })
}

pub(crate) fn total_h(spans: &[Span]) -> f64 {
    spans.iter().map(|span| span.hours()).sum()
}
