//! Days and nights apart: how much of them was inside the wanted range, how much is known, how much is not.
//!
//! Weighted by time, from usable readings as they are; a reading's own doubt is not counted against the range.

use chrono::NaiveDate;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Band, Enclosure, Limits};
use mosswarden_config::zone::{Span, Zone};

use crate::series::View;
use crate::words;

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
    dated(zone, enclosure, span, half)
        .into_iter()
        .map(|(_, part)| part)
        .collect()
}

/// The same with the local date on which each begins.
pub(crate) fn dated(zone: Zone, enclosure: &Enclosure, span: Span, half: Half) -> Vec<(NaiveDate, Span)> {
    let dates = zone.dates(span);
    let before = dates.first().and_then(|date| date.pred_opt());
    before
        .into_iter()
        .chain(dates.iter().copied())
        .filter_map(|date| {
            let part = match half {
                Half::Day => zone.light(date, enclosure.light_on(date)),
                Half::Night => zone.night(date, enclosure.light_on(date)),
            };
            Some((date, part.intersect(span)?))
        })
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
    /// Longest run on one side of the range; the end of a span or a gap ends it.
    pub(crate) longest_outside_h: f64,
    pub(crate) known_h: f64,
}

impl Measured {
    /// "95 %" of the known time inside the range; a share of some hours would say nothing of the rest.
    pub(crate) fn inside_words(&self) -> Option<String> {
        /// Of days or nights that are known (own choice).
        const KNOWN_H_MIN: f64 = 8.0;
        let inside_h = self.inside_h.filter(|_| self.known_h >= KNOWN_H_MIN)?;
        Some(words::share(inside_h, self.known_h))
    }
}

/// Measures a series over spans, each with the range wanted in it; `None` where nothing of them is known.
///
/// [`Measured::inside_h`] is absent unless a range is wanted in every span of which something is known.
pub(crate) fn measure(
    view: View<'_>,
    gap_ms: i64,
    parts: impl IntoIterator<Item = (Span, Option<Band>)>,
) -> Option<Measured> {
    let mut found: Option<Measured> = None;
    for (span, band) in parts {
        let Some(summary) = view.summary(span, gap_ms) else {
            continue;
        };
        let so_far = found.get_or_insert(Measured {
            low: summary.low,
            mean: 0.0,
            high: summary.high,
            inside_h: Some(0.0),
            below_h: 0.0,
            above_h: 0.0,
            longest_outside_h: 0.0,
            known_h: 0.0,
        });
        so_far.low = so_far.low.min(summary.low);
        so_far.high = so_far.high.max(summary.high);
        // The mean is summed by hours here and divided at the end.
        so_far.mean += summary.mean * summary.covered_h;
        so_far.known_h += summary.covered_h;
        so_far.inside_h = so_far.inside_h.zip(band).map(|(inside_h, band)| {
            let below = view.below(band.low, span, gap_ms);
            let above = view.above(band.high, span, gap_ms);
            so_far.below_h += below.hours;
            so_far.above_h += above.hours;
            for run_h in [below.longest_h, above.longest_h] {
                so_far.longest_outside_h = so_far.longest_outside_h.max(run_h);
            }
            inside_h + (summary.covered_h - below.hours - above.hours).max(0.0)
        });
    }
    found.map(|sum| Measured {
        mean: sum.mean / sum.known_h,
        ..sum
    })
}

pub(crate) fn total_h(spans: &[Span]) -> f64 {
    spans.iter().map(|span| span.hours()).sum()
}
