//! How long a humidistat's fogger pauses: where it holds the air, the excess over the room is as ever though a door stands ajar, and only
//! how soon it has to run again tells that the air goes faster.
//!
//! In a pause the vapour falls by the hysteresis, at a rate that is the excess over the room times the exchange of air. So the
//! pause times the excess stands against the exchange, whatever the fogger gives.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use mosswarden_config::journal;
use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::super::context::Context;
use super::runs::Events;
use super::trend::{CONFIDENCE, EXCESS_NOW_MS, EXCESS_USUAL_MS, EXCESS_VARIANCE_INFLATION, excess_g_m3};
use super::weak::NOW_MS;
use crate::statistics::Estimate;
use crate::statistics::robust::{hodges_lehmann_shift, median};

/// Longer pauses are of air that needs no fog (this and the next are our own choice).
const PAUSE_MS_MAX: i64 = 6 * MS_PER_HOUR;
/// So long after a misting a pause says nothing.
const AFTER_MIST_MS: i64 = 2 * MS_PER_HOUR;
/// Half days that are needed of now, and of the usual time in the light and in the dark each (own choice).
const NOW_COUNT_MIN: usize = 4;
const USUAL_COUNT_MIN: usize = 5;

/// The pauses of the last days, times the excess over the room, as a multiple of their usual, with a 95 % interval; `None` where no humidistat's fogger runs
/// often enough.
pub(super) fn pause_share(context: &Context<'_>, events: &Events) -> Option<Estimate> {
    let fogger = context
        .enclosure
        .devices_of(DeviceKind::Fogger)
        .find(|device| device.setpoint.humidity_pct.is_some())?;
    let states = context.states(fogger)?;
    let set_anew_ms = context.last_noted_ms(&[journal::SETPOINT_CHANGED, journal::DEVICE_REPLACED], fogger);
    // By local date, and in the light or the dark.
    let mut by_half_day: BTreeMap<(bool, NaiveDate), Vec<(i64, f64)>> = BTreeMap::new();
    for pair in states.on.windows(2) {
        let pause = Span {
            from_ms: pair[0].until_ms,
            until_ms: pair[1].from_ms,
        };
        let length_ms = pause.until_ms - pause.from_ms;
        let is_known = states
            .known
            .iter()
            .any(|known| known.intersect(pause) == Some(pause));
        let lit_h: f64 = context.light_within(pause).iter().map(|lit| lit.hours()).sum();
        let is_lit = lit_h > 0.0;
        let is_whole = !is_lit || lit_h >= pause.hours();
        let near_mist = events.misted_within(Span {
            from_ms: pause.from_ms - AFTER_MIST_MS,
            ..pause
        });
        if !is_known || !is_whole || near_mist || length_ms > PAUSE_MS_MAX || pause.from_ms < set_anew_ms {
            continue;
        }
        let Some(excess) = excess_g_m3(context, pause.from_ms + length_ms / 2).filter(|g_m3| *g_m3 > 0.0)
        else {
            continue;
        };
        let log = (pause.hours() * excess).ln();
        let date = context.zone.date(pause.from_ms);
        by_half_day
            .entry((is_lit, date))
            .or_default()
            .push((pause.from_ms, log));
    }
    let first_ms = by_half_day
        .values()
        .filter_map(|pauses| Some(pauses.first()?.0))
        .min()?;
    let usual_until_ms = (first_ms + EXCESS_USUAL_MS).min(context.span.until_ms - NOW_MS);
    let now_from_ms = context.span.until_ms - EXCESS_NOW_MS;
    let (mut usual, mut now) = (Vec::new(), Vec::new());
    for is_lit in [false, true] {
        let half_days = || by_half_day.iter().filter(|((lit, _), _)| *lit == is_lit);
        let levels = |from_ms: i64, until_ms: i64| -> Vec<f64> {
            half_days()
                .filter(|(_, pauses)| (from_ms..until_ms).contains(&pauses[0].0))
                .filter_map(|(_, pauses)| median(&pauses.iter().map(|(_, log)| *log).collect::<Vec<_>>()))
                .collect()
        };
        let of_usual = levels(i64::MIN, usual_until_ms);
        if of_usual.len() < USUAL_COUNT_MIN {
            continue;
        }
        let level = median(&of_usual)?;
        usual.extend(of_usual.iter().map(|log| log - level));
        now.extend(levels(now_from_ms, i64::MAX).iter().map(|log| log - level));
    }
    if now.len() < NOW_COUNT_MIN {
        return None;
    }
    let share = hodges_lehmann_shift(&now, &usual, CONFIDENCE, EXCESS_VARIANCE_INFLATION).ok()?;
    Some(Estimate {
        value: share.value.exp(),
        low: share.low.exp(),
        high: share.high.exp(),
    })
}
