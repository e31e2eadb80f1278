//! Mistings that nobody noted, seen in the signal: a rise of vapour so sharp that only water brings it.
//!
//! In: usable probes and everything that is known to wet the air or open the door. Out: runs "by hand (seen)". Looked for only
//! where no fogger is silent about itself, since fog rises as sharply.

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::super::Ran;
use super::super::context::Context;
use super::response::{Probe, control_rise_g_m3};
use super::runs::{BY_HAND_S, Events, Run};
use crate::statistics::robust::{median, quantile};

/// The device's name for mistings that were seen, not noted.
pub(in super::super) const SEEN: &str = "by hand (seen)";
/// A rise is sharp when it stands above the level before within this.
const SHARP_MS: i64 = 10 * 60_000;
/// Least rise, g/m³, above what the air does at that time of day: a few strokes of a sprayer in a small enclosure.
const RISE_G_M3_MIN: f64 = 1.5;
/// And this many times what the air does by itself at that time of day on nearly every other day.
const RISE_TIMES: f64 = 2.5;
/// Other days at the same time that are compared with, and how many are needed.
const OTHER_DAYS: i64 = 14;
const OTHER_DAYS_MIN: usize = 4;
const OTHER_QUANTILE: f64 = 0.9;
/// Days on which the air may rise as sharply, of as many as there can be, so that the quantile still lies below.
const AS_SHARP_DAYS_MAX: usize = ((1.0 - OTHER_QUANTILE) * (2 * OTHER_DAYS - 1) as f64) as usize + 1;
/// Another probe must see at least this share.
const OTHER_PROBE_FRAC: f64 = 0.4;
/// Anything known this near explains a rise.
const EXPLAINED_MS: i64 = 50 * 60_000;
/// Two that were seen lie at least this far apart.
const APART_MS: i64 = 40 * 60_000;
/// Scheduled runs whose state never came explain a rise this near.
const BEFORE_MS: i64 = 12 * 60_000;

/// The mistings that were seen, in order of time.
pub(super) fn of(context: &Context<'_>, probes: &[Probe], events: &Events) -> Vec<Run> {
    let silent_fogger = context
        .enclosure
        .devices_of(DeviceKind::Fogger)
        .any(|device| context.record.get(&device.id, Quantity::State).is_none());
    let Some(main) = main(probes) else {
        return Vec::new();
    };
    if silent_fogger {
        return Vec::new();
    }
    let probe = &probes[main];
    let mut seen: Vec<Run> = Vec::new();
    for at_ms in sharp(probe) {
        let apart = seen.last().is_none_or(|last| at_ms - last.at_ms >= APART_MS);
        if apart
            && !events.any_near(at_ms, EXPLAINED_MS)
            && !door_near(context, at_ms)
            && stands_out(probes, main, at_ms)
        {
            seen.push(Run {
                device: SEEN.to_owned(),
                at_ms,
                duration_s: BY_HAND_S,
                scheduled: false,
                ran: Ran::Yes,
                slot: None,
                stated: false,
            });
        }
    }
    seen
}

/// The probe with the most readings that no device acts on; a controller where there is no other.
fn main(probes: &[Probe]) -> Option<usize> {
    (0..probes.len()).max_by_key(|index| {
        (
            !probes[*index].controller,
            probes[*index].at_ms.len(),
            std::cmp::Reverse(*index),
        )
    })
}

/// The instants just before a sharp rise.
fn sharp(probe: &Probe) -> impl Iterator<Item = i64> {
    let (at_ms, w) = (&probe.at_ms, &probe.w_g_m3);
    let mut until = 0;
    (0..at_ms.len()).filter_map(move |from| {
        while until < at_ms.len() && at_ms[until] <= at_ms[from] + SHARP_MS {
            until += 1;
        }
        let rises = |later: &f64| later - w[from] >= 0.6 * RISE_G_M3_MIN;
        w[from + 1..until].iter().any(rises).then_some(at_ms[from] + 1000)
    })
}

fn door_near(context: &Context<'_>, at_ms: i64) -> bool {
    let near = Span {
        from_ms: at_ms - MS_PER_HOUR,
        until_ms: at_ms + MS_PER_HOUR,
    };
    context.record.entries(&context.enclosure.id, near).any(|entry| {
        [
            journal::CLEANED,
            journal::DOOR_OPEN,
            journal::PRUNED,
            journal::POWER_CUT,
            journal::SENSOR_MOVED,
            journal::SENSOR_REPLACED,
            journal::BATTERY_CHANGED,
        ]
        .contains(&entry.kind.as_str())
    })
}

/// Whether the rise is far above what the air does at that time of day, and another probe sees it too.
fn stands_out(probes: &[Probe], main: usize, at_ms: i64) -> bool {
    let rise = |probe: &Probe, at_ms: i64| control_rise_g_m3(probe, at_ms, BY_HAND_S, i64::MAX);
    let Some(here) = rise(&probes[main], at_ms) else {
        return false;
    };
    // What is usual is never below nothing: the search through the other days is spared.
    if here < RISE_G_M3_MIN {
        return false;
    }
    let mut others = Vec::new();
    let mut as_sharp = 0;
    for days in (-OTHER_DAYS..=OTHER_DAYS).filter(|days| *days != 0) {
        let Some(other) = rise(&probes[main], at_ms + days * MS_PER_24_H) else {
            continue;
        };
        others.push(other);
        as_sharp += usize::from(here < RISE_TIMES * other);
        // However small the rises of the days to come, the quantile is above what would do: they need not be looked at.
        if as_sharp > AS_SHARP_DAYS_MAX {
            return false;
        }
    }
    if others.len() < OTHER_DAYS_MIN {
        return false;
    }
    let usual = median(&others).unwrap_or(0.0).max(0.0);
    let most = quantile(&others, OTHER_QUANTILE)
        .unwrap_or(f64::INFINITY)
        .max(0.0);
    if here - usual < RISE_G_M3_MIN || here < RISE_TIMES * most {
        return false;
    }
    probes
        .iter()
        .enumerate()
        .filter(|(index, probe)| *index != main && probe.heard_around(at_ms, BEFORE_MS))
        .filter_map(|(_, probe)| rise(probe, at_ms))
        .all(|other| other >= OTHER_PROBE_FRAC * here)
}
