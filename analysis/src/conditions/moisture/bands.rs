//! The humidity band that holds in each part of a span: by day, by night, with time to follow a change between them.

use mosswarden_config::site::Band;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::context::Context;
use super::super::places::Line;

/// After a change between the day's and the night's band the air gets this long to follow.
const FOLLOW_MS: i64 = MS_PER_HOUR;

/// The side of the band on which the air lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in super::super) enum Beyond {
    Below,
    Above,
}

/// The band that holds in each part of a span.
pub(in super::super) struct Bands {
    pub(super) parts: Vec<(Span, Band)>,
    /// The same with the wider of both bands for a while after each change.
    lenient: Vec<(Span, Band)>,
}

impl Bands {
    pub(in super::super) fn of(context: &Context<'_>, span: Span) -> Bands {
        let mut parts: Vec<(Span, Band)> = Vec::new();
        let mut lenient = Vec::new();
        for (part, lit) in halves(context, span) {
            let limits = context.limits_at(part.from_ms);
            let (day, night) = (limits.humidity_day_pct, limits.humidity_night_pct);
            let Some(band) = (if lit { day } else { night }) else {
                continue;
            };
            parts.push((part, band));
            let wider = day.zip(night).map(|(day, night)| Band {
                low: day.low.min(night.low),
                high: day.high.max(night.high),
            });
            let follows = wider.filter(|_| part.from_ms > span.from_ms);
            let followed_ms = follows.map_or(part.from_ms, |_| (part.from_ms + FOLLOW_MS).min(part.until_ms));
            if let Some(wider) = follows {
                lenient.push((between(part.from_ms, followed_ms), wider));
            }
            lenient.push((between(followed_ms, part.until_ms), band));
        }
        lenient.retain(|(part, _)| part.from_ms < part.until_ms);
        Bands { parts, lenient }
    }

    /// Hours beyond the band by more than `doubt_pct`.
    pub(in super::super) fn hours(&self, line: &Line, side: Beyond, doubt_pct: f64) -> f64 {
        hours(&self.parts, line, side, doubt_pct)
    }

    /// On which side of the band a humidity lies at an instant; `None` inside it, or where there is no band.
    pub(in super::super) fn side_at(&self, at_ms: i64, rh_pct: f64) -> Option<Beyond> {
        let (_, band) = self.parts.iter().find(|(part, _)| part.contains(at_ms))?;
        if rh_pct < band.low {
            Some(Beyond::Below)
        } else {
            (rh_pct > band.high).then_some(Beyond::Above)
        }
    }

    /// The same with time to follow a change of the band.
    pub(super) fn hours_leniently(&self, line: &Line, side: Beyond, doubt_pct: f64) -> f64 {
        hours(&self.lenient, line, side, doubt_pct)
    }
}

fn hours(parts: &[(Span, Band)], line: &Line, side: Beyond, doubt_pct: f64) -> f64 {
    parts
        .iter()
        .map(|(part, band)| match side {
            Beyond::Below => line.below(band.low - doubt_pct, *part).hours,
            Beyond::Above => line.above(band.high + doubt_pct, *part).hours,
        })
        .sum()
}

/// The lit and dark parts of a span by the clock, in order; `true` where lit.
pub(super) fn halves(context: &Context<'_>, span: Span) -> Vec<(Span, bool)> {
    let mut parts = Vec::new();
    let mut at_ms = span.from_ms;
    for lit in context.light_within(span) {
        parts.push((between(at_ms, lit.from_ms), false));
        parts.push((lit, true));
        at_ms = lit.until_ms;
    }
    parts.push((between(at_ms, span.until_ms), false));
    parts.retain(|(part, _)| part.from_ms < part.until_ms);
    parts
}

fn between(from_ms: i64, until_ms: i64) -> Span {
    Span { from_ms, until_ms }
}
