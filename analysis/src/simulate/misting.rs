//! Mistings: those that the schedule asks for, those done by hand, and the watch over what each one raised.

use chrono_tz::Tz;
use rand::Rng;
use rand::rngs::StdRng;

use super::calendar::{Day, instant_ms};
use super::device::{DeviceKind, MistRun, WaterYield};
use super::enclosure::EnclosureSpec;
use super::fault::{Change, Effect, EventSpec, FaultSpec};
use super::stream::normal;
use super::truth::RunTruth;

/// Spread of the water given from run to run, as a share.
const RUN_SPREAD_FRAC: f64 = 0.04;

/// The mister's place among the devices and its usual yield.
pub(super) fn mister_of(spec: &EnclosureSpec) -> Option<(usize, WaterYield)> {
    spec.devices
        .iter()
        .enumerate()
        .find_map(|(index, d)| match d.kind {
            DeviceKind::Mister { water, .. } => Some((index, water)),
            _ => None,
        })
}

/// A misting to come.
pub(super) struct Planned {
    pub(super) at_ms: i64,
    pub(super) duration_s: f64,
    pub(super) by_hand: bool,
    pub(super) missed: bool,
    pub(super) spread: f64,
}

/// A misting whose rise is still watched.
pub(super) struct Watched {
    pub(super) truth: RunTruth,
    pub(super) w_g_m3: f64,
    pub(super) until_ms: i64,
}

/// All mistings, latest first so that the next one is popped from the end.
pub(super) fn plan(
    zone: Tz,
    spec: &EnclosureSpec,
    calendar: &[Day],
    faults: &[&FaultSpec],
    events: &[&EventSpec],
    rng: &mut StdRng,
) -> Vec<Planned> {
    let mut out = Vec::new();
    let scheduled = spec.devices.iter().find_map(|d| match &d.kind {
        DeviceKind::Mister { runs, .. } => Some(runs),
        _ => None,
    });
    let changes: Vec<(i64, &Vec<MistRun>)> = events
        .iter()
        .filter_map(|e| match &e.change {
            Change::ScheduleChanged { runs } => Some((e.at_ms, runs)),
            _ => None,
        })
        .collect();
    let mut versions: Vec<(i64, &Vec<MistRun>)> =
        scheduled.map(|runs| (i64::MIN, runs)).into_iter().collect();
    versions.extend(changes);
    for day in calendar {
        for (index, &(from_ms, runs)) in versions.iter().enumerate() {
            let until_ms = versions.get(index + 1).map_or(i64::MAX, |v| v.0);
            for run in runs {
                let at_ms = instant_ms(zone, day.date, run.local_min);
                if !(from_ms..until_ms).contains(&at_ms) {
                    continue;
                }
                let draw: f64 = rng.random();
                let missed = faults
                    .iter()
                    .filter(|f| f.holds(at_ms))
                    .any(|f| matches!(f.effect, Effect::RunsMissed { frac } if draw < frac));
                let spread = (RUN_SPREAD_FRAC * normal(rng)).exp();
                out.push(Planned {
                    at_ms,
                    duration_s: f64::from(run.duration_s),
                    by_hand: false,
                    missed,
                    spread,
                });
            }
        }
    }
    for event in events {
        if let Change::MistedByHand { seconds } = event.change {
            let duration_s = f64::from(seconds);
            out.push(Planned {
                at_ms: event.at_ms,
                duration_s,
                by_hand: true,
                missed: false,
                spread: 1.0,
            });
        }
    }
    out.sort_by_key(|p| std::cmp::Reverse(p.at_ms));
    out
}
