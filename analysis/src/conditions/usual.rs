//! What is usual at each hour of the day: the enclosure's excess over its room, the room itself, a heater's share of time.
//!
//! From days before the one that is judged, none of them too hot and none on which a heater had no pause, at most fourteen, the latest
//! first. Medians: one odd day does not move them.

use std::collections::BTreeMap;

use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::context::Context;
use super::device::States;
use super::places::{Line, hour_of};
use crate::statistics::robust::median;

/// Days that say what is usual: two weeks, so that seasons stay out.
const DAYS: usize = 14;
/// Fewer days than this say nothing.
const DAYS_MIN: usize = 3;
/// An hour counts when at least half of it is known.
const HOUR_KNOWN_FRAC_MIN: f64 = 0.5;

/// Medians by local hour.
#[derive(Debug, Clone, Default)]
pub(super) struct Usual {
    pub(super) excess_k: BTreeMap<usize, f64>,
    pub(super) inside_c: BTreeMap<usize, f64>,
    pub(super) room_c: BTreeMap<usize, f64>,
    pub(super) day_count: usize,
    /// The days used, latest first.
    pub(super) days: Vec<Span>,
}

/// The mean of a line over the elapsed hour from `from_ms`.
pub(super) fn hour_mean(line: &Line, from_ms: i64) -> Option<f64> {
    let span = Span {
        from_ms,
        until_ms: from_ms + MS_PER_HOUR,
    };
    line.summary(span)
        .filter(|summary| summary.covered_frac >= HOUR_KNOWN_FRAC_MIN)
        .map(|summary| summary.mean)
}

impl Usual {
    /// What is usual before `before_ms`, by a line of the enclosure; days on which the line passed `limit_c` stay out, and those of a heater
    /// that had no pause (it is stuck, failed, or too weak) where enough others are left.
    pub(super) fn before(context: &Context<'_>, line: &Line, limit_c: f64, before_ms: i64) -> Option<Usual> {
        let heaters: Vec<States> = context
            .enclosure
            .devices_of(DeviceKind::Heater)
            .filter_map(|heater| context.states(heater))
            .collect();
        let has_pauses = |day: Span| heaters.iter().all(|states| states.on_frac(day) != Some(1.0));
        Usual::of_days(context, line, limit_c, before_ms, has_pauses)
            .or_else(|| Usual::of_days(context, line, limit_c, before_ms, |_| true))
    }

    fn of_days(
        context: &Context<'_>,
        line: &Line,
        limit_c: f64,
        before_ms: i64,
        counts: impl Fn(Span) -> bool,
    ) -> Option<Usual> {
        let past = Span {
            from_ms: context.record_from_ms(),
            until_ms: before_ms,
        };
        let mut samples: [BTreeMap<usize, Vec<f64>>; 3] = Default::default();
        let mut usual = Usual::default();
        for date in context.zone.dates(past).into_iter().rev() {
            if usual.day_count == DAYS {
                break;
            }
            let day = context.zone.day(date);
            if day.until_ms > before_ms || line.above(limit_c, day).hours > 0.0 || !counts(day) {
                continue;
            }
            let mut any = false;
            let mut from_ms = day.from_ms;
            while from_ms < day.until_ms {
                if let Some(inside_c) = hour_mean(line, from_ms) {
                    any = true;
                    let hour = hour_of(context.zone, from_ms);
                    samples[0].entry(hour).or_default().push(inside_c);
                    if let Some(room_c) = context.room_c.as_ref().and_then(|room| hour_mean(room, from_ms)) {
                        samples[1].entry(hour).or_default().push(room_c);
                        samples[2].entry(hour).or_default().push(inside_c - room_c);
                    }
                }
                from_ms += MS_PER_HOUR;
            }
            if any {
                usual.day_count += 1;
                usual.days.push(day);
            }
        }
        if usual.day_count < DAYS_MIN {
            return None;
        }
        let [inside_c, room_c, excess_k] = samples.map(|by_hour| {
            by_hour
                .into_iter()
                .filter_map(|(hour, values)| median(&values).map(|value| (hour, value)))
                .collect()
        });
        (usual.inside_c, usual.room_c, usual.excess_k) = (inside_c, room_c, excess_k);
        Some(usual)
    }

    /// A device's usual share of time on, at the local hours of `window`, on the same days.
    pub(super) fn on_frac(&self, states: &States, window: Span) -> Option<f64> {
        let shares: Vec<f64> = self
            .days
            .iter()
            .filter_map(|day| {
                // The window carried back by whole days of 24 hours: an hour of difference at a clock change does not matter here.
                let back_ms = (window.from_ms - day.from_ms).div_euclid(MS_PER_24_H) * MS_PER_24_H;
                states.on_frac(Span {
                    from_ms: window.from_ms - back_ms,
                    until_ms: window.until_ms - back_ms,
                })
            })
            .collect();
        median(&shares)
    }
}
