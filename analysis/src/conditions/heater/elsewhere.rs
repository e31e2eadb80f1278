//! Thermostats that keep a warmer set-point than the site file says: the heater cycles, and its whole cycle lies above.
//!
//! A cycle counts where the probe stood above the set-point both when the heater came on and when it went off: no way of placing the
//! hysteresis about a set-point does that. Where no probe is known to be the thermostat's, the usual reading of another at switching off stands
//! for the set-point, and so much more as the room is warmer than usual.

use std::collections::BTreeSet;

use mosswarden_config::journal;
use mosswarden_config::site::Device;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::{CYCLES_MIN, MARGIN_K, SET_ELSEWHERE_K};
use crate::conditions::context::Context;
use crate::conditions::device::States;
use crate::conditions::places::Line;
use crate::findings::{Finding, Kind, Severity, Value};
use crate::statistics::robust::{median, median_of_three, quantile};

/// How far back its beginning is looked for.
const BEFORE_MS: i64 = 28 * MS_PER_24_H;
/// It still holds when it did so this shortly before the end: by day a lamp may keep a heater off.
const OPEN_MS: i64 = MS_PER_24_H;
/// From so many days on that have both kinds of cycles, most of those with any above, it is a programme of the thermostat, with a warmer time
/// of the day (own choice).
const PROGRAMME_DAYS_MIN: usize = 3;

/// Cycles that say what is usual, where the thermostat's own probe is not known (own choice).
const USUAL_CYCLES_MIN: usize = 30;

/// Where a heater should go off, by the probe that is read.
#[derive(Debug, Clone, Copy)]
struct Goal {
    off_c: f64,
    /// By what was usual, not by the site file.
    is_usual: bool,
}

/// One time of being on.
#[derive(Debug, Clone, Copy)]
struct Cycle {
    on: Span,
    /// Where the probe stood at its beginning and end, °C.
    on_c: f64,
    off_c: f64,
}

/// Stretches of cycles above the set-point.
pub(super) fn set_elsewhere(
    context: &Context<'_>,
    device: &Device,
    states: &States,
    probe: &Line,
) -> Vec<Finding> {
    let cycles = smoothed(&cycles(context, device, states, probe));
    let room_c = |cycle: &Cycle| context.room_c.as_ref()?.value_at(cycle.on.until_ms);
    let usual_room_c = median(&cycles.iter().filter_map(room_c).collect::<Vec<_>>());
    let goal = match context.enclosure.controller_of(device) {
        Some(_) => device.setpoint.temperature_c,
        None => usual_off_c(&cycles).filter(|_| usual_room_c.is_some()),
    };
    let is_usual = context.enclosure.controller_of(device).is_none();
    let Some(goal) = goal.map(|off_c| Goal { off_c, is_usual }) else {
        return Vec::new();
    };
    let is_above = |cycle: &Cycle| {
        // In a warmer room a probe that is not the thermostat's reads more at switching off, by no more than the room.
        let warmer_k = match (is_usual, room_c(cycle).zip(usual_room_c)) {
            (false, _) => 0.0,
            (true, Some((now_c, usual_c))) => (now_c - usual_c).max(0.0),
            (true, None) => return false,
        };
        cycle.on_c - warmer_k > goal.off_c + MARGIN_K && cycle.off_c - warmer_k > goal.off_c + SET_ELSEWHERE_K
    };
    if is_programme(context, &cycles, is_above) {
        return Vec::new();
    }
    let stretches = cycles.chunk_by(|a, b| is_above(a) == is_above(b));
    stretches
        .filter(|stretch| stretch.len() >= CYCLES_MIN && is_above(&stretch[0]))
        .filter_map(|stretch| finding(context, device, goal, stretch, cycles.last()?))
        .collect()
}

/// What a probe that is not known to be the thermostat's usually reads at most as the heater goes off, °C.
pub(super) fn usually_off_by_c(
    context: &Context<'_>,
    device: &Device,
    states: &States,
    probe: &Line,
) -> Option<f64> {
    /// Nearly always.
    const SHARE: f64 = 0.9;
    let off_c: Vec<f64> = cycles(context, device, states, probe)
        .iter()
        .map(|cycle| cycle.off_c)
        .collect();
    quantile(&off_c, SHARE).filter(|_| off_c.len() >= USUAL_CYCLES_MIN)
}

/// Where the probe usually stood as the heater went off, °C.
fn usual_off_c(cycles: &[Cycle]) -> Option<f64> {
    let off_c: Vec<f64> = cycles.iter().map(|cycle| cycle.off_c).collect();
    median(&off_c).filter(|_| off_c.len() >= USUAL_CYCLES_MIN)
}

/// The times of being on that ended, since the set-point was last changed.
fn cycles(context: &Context<'_>, device: &Device, states: &States, probe: &Line) -> Vec<Cycle> {
    let changed_ms = context.last_noted_ms(&[journal::SETPOINT_CHANGED, journal::DEVICE_REPLACED], device);
    let looked_at = Span {
        from_ms: changed_ms.max(context.span.from_ms - BEFORE_MS),
        until_ms: context.span.until_ms,
    };
    let ended = states
        .on
        .iter()
        .filter(|on| looked_at.contains(on.from_ms) && on.until_ms < looked_at.until_ms)
        .filter(|on| states.is_known(on.until_ms));
    ended
        .filter_map(|on| {
            Some(Cycle {
                on: *on,
                on_c: probe.value_at(on.from_ms)?,
                off_c: probe.value_at(on.until_ms)?,
            })
        })
        .collect()
}

/// The same with each temperature as the middle one of its neighbours': one odd reading makes no other set-point.
fn smoothed(cycles: &[Cycle]) -> Vec<Cycle> {
    (0..cycles.len())
        .map(|index| {
            let near = [index.saturating_sub(1), index, (index + 1).min(cycles.len() - 1)];
            let middle = |of: fn(&Cycle) -> f64| {
                let [a, b, c] = near.map(|near| of(&cycles[near]));
                median_of_three(a, b, c)
            };
            Cycle {
                on: cycles[index].on,
                on_c: middle(|cycle| cycle.on_c),
                off_c: middle(|cycle| cycle.off_c),
            }
        })
        .collect()
}

fn is_programme(context: &Context<'_>, cycles: &[Cycle], is_above: impl Fn(&Cycle) -> bool) -> bool {
    let (above, not): (Vec<Cycle>, Vec<Cycle>) = cycles.iter().partition(|cycle| is_above(cycle));
    let dates = |cycles: &[Cycle]| -> BTreeSet<_> {
        cycles
            .iter()
            .map(|cycle| context.zone.date(cycle.on.from_ms))
            .collect()
    };
    let above = dates(&above);
    let both = above.intersection(&dates(&not)).count();
    both >= PROGRAMME_DAYS_MIN && 2 * both > above.len()
}

fn finding(
    context: &Context<'_>,
    device: &Device,
    goal: Goal,
    stretch: &[Cycle],
    newest: &Cycle,
) -> Option<Finding> {
    let (first, last) = (stretch.first()?, stretch.last()?);
    if last.on.until_ms <= context.span.from_ms {
        return None;
    }
    let middle = |of: fn(&Cycle) -> f64| median(&stretch.iter().map(of).collect::<Vec<_>>());
    let (on_c, off_c) = (middle(|cycle| cycle.on_c)?, middle(|cycle| cycle.off_c)?);
    let above_k = off_c - goal.off_c;
    let name = match goal.is_usual {
        true => "probe at switching off minus its usual",
        false => "probe at switching off minus the set-point",
    };
    let value = Value::new(name, above_k, "Cel");
    let severity = match above_k >= 2.0 * SET_ELSEWHERE_K {
        true => Severity::Warning,
        false => Severity::Notice,
    };
    let mut finding = context.finding(Kind::SetpointMissed, first.on.from_ms, severity, value);
    finding.subject = device.id.clone();
    let is_newest = last.on.from_ms == newest.on.from_ms;
    let is_open = is_newest && context.span.until_ms - last.on.until_ms <= OPEN_MS;
    finding.end_ms = (!is_open).then_some(last.on.until_ms);
    let words = context.words;
    let runs = crate::words::several(stretch.len(), "run");
    let between = format!(
        "{} cycles between {} and {}",
        device.id,
        words.temperature(on_c),
        words.temperature(off_c)
    );
    let goal_c = words.temperature(goal.off_c);
    finding.message = match goal.is_usual {
        true => format!(
            "{between} by a sensor of the enclosure, while it usually goes off at {goal_c} there, and the room does not explain it: in {runs} in a \
             row it came on only when the sensor was above that already. Its thermostat is set higher, or its probe hangs elsewhere."
        ),
        false => format!(
            "{between} by its own probe, while the site file has a set-point of {goal_c}: in {runs} in a row it came on only when the probe was above \
             that already."
        ),
    };
    finding.advice = "Look what the thermostat itself is set to, and compare its probe with a trusted thermometer beside it. Set it to what the animals \
        need, or write what you want it to be into the site file."
        .to_owned();
    Some(finding)
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;
    use mosswarden_config::site::Role;

    use crate::conditions::kit::{Kit, of};
    use crate::findings::{Finding, Kind};

    /// A heater that lifts its probe by a kelvin in the first third of each hour; `goal_c` is where it goes off.
    fn cycling(goal_c: fn(&Kit, i64) -> f64) -> Vec<Finding> {
        cycling_in(Kit::quiet("2026-05-04", 21), goal_c)
    }

    fn cycling_in(mut kit: Kit, goal_c: fn(&Kit, i64) -> f64) -> Vec<Finding> {
        let into_hour = |at_ms: i64| (at_ms.rem_euclid(3_600_000) / 60_000) as f64;
        kit.refill("stat", Quantity::Temperature, |kit, at_ms| {
            Some(match into_hour(at_ms) {
                minute if minute <= 20.0 => goal_c(kit, at_ms) - 1.0 + minute / 20.0,
                minute => goal_c(kit, at_ms) - (minute - 20.0) / 40.0,
            })
        });
        kit.states("heater", |_, at_ms| into_hour(at_ms) < 20.0);
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::SetpointMissed).into_iter().cloned();
        found.filter(|finding| finding.subject == "heater").collect()
    }

    #[test]
    fn a_heater_that_cycles_above_its_set_point_is_told_and_its_habits_are_not() {
        // From the 20th on 24 °C instead of 21 °C.
        let found = cycling(|kit, at_ms| if at_ms < kit.at("2026-05-20") { 21.0 } else { 24.0 });
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].value.estimate - 3.0).abs() < 0.1, "{found:?}");
        assert_eq!(found[0].end_ms, None);
        let late_ms = found[0].start_ms - Kit::new("2026-05-04", 1).at("2026-05-20");
        assert!((0..=2 * 3_600_000).contains(&late_ms), "{late_ms}");
        // The set-point at the lower end of the cycle, in its middle, and a warmer time of each day.
        assert_eq!(cycling(|_, _| 22.0), []);
        assert_eq!(cycling(|_, _| 21.5), []);
        assert_eq!(cycling(|kit, at_ms| if kit.lit(at_ms) { 24.0 } else { 21.0 }), []);
        // Always so is told too.
        assert_eq!(cycling(|_, _| 24.0).len(), 1);
    }
    #[test]
    fn where_the_thermostats_probe_is_not_known_its_usual_stands_for_the_set_point() {
        let found = |room_k: f64, goal_c: fn(&Kit, i64) -> f64| {
            let mut kit = Kit::quiet("2026-05-04", 21);
            kit.refill("wall", Quantity::Temperature, |kit, at_ms| {
                Some(18.0 + if at_ms < kit.at("2026-05-20") { 0.0 } else { room_k })
            });
            let enclosure = &mut kit.site.enclosures[0];
            for device in &mut enclosure.devices {
                device.controlled_by = None;
            }
            for sensor in &mut enclosure.sensors {
                sensor.role = Role::Probe;
            }
            cycling_in(kit, goal_c)
        };
        let higher = |kit: &Kit, at_ms: i64| if at_ms < kit.at("2026-05-20") { 24.0 } else { 27.0 };
        let told = found(0.0, higher);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!((told[0].value.estimate - 3.0).abs() < 0.1, "{told:?}");
        assert_eq!(found(0.0, |_, _| 24.0), [], "always so");
        assert_eq!(found(4.0, higher), [], "the room is warmer");
    }
}
