//! Thermostats that keep a warmer set-point than the site file says: the heater cycles, and its whole cycle lies above.
//!
//! A cycle counts where the probe stood above the set-point both when the heater came on and when it went off: no way of placing the
//! hysteresis about a set-point does that.

use std::collections::BTreeSet;

use mosswarden_config::site::Device;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::{CYCLES_MIN, MARGIN_K, SET_ELSEWHERE_K};
use crate::conditions::context::Context;
use crate::conditions::device::States;
use crate::conditions::places::Line;
use crate::findings::{Finding, Kind, Severity, Value};
use crate::statistics::robust::{median, median_of_three};

/// How far back its beginning is looked for.
const BEFORE_MS: i64 = 28 * MS_PER_24_H;
/// It still holds when it did so this shortly before the end: by day a lamp may keep a heater off.
const OPEN_MS: i64 = MS_PER_24_H;
/// From so many days on that have both kinds of cycles, most of those with any above, it is a programme of the thermostat, with a warmer time
/// of the day (own choice).
const PROGRAMME_DAYS_MIN: usize = 3;

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
    let Some(setpoint_c) = device.setpoint.temperature_c else {
        return Vec::new();
    };
    if context.enclosure.controller_of(device).is_none() {
        return Vec::new();
    }
    let cycles = smoothed(&cycles(context, device, states, probe));
    let is_above =
        |cycle: &Cycle| cycle.on_c > setpoint_c + MARGIN_K && cycle.off_c > setpoint_c + SET_ELSEWHERE_K;
    if is_programme(context, &cycles, is_above) {
        return Vec::new();
    }
    let stretches = cycles.chunk_by(|a, b| is_above(a) == is_above(b));
    stretches
        .filter(|stretch| stretch.len() >= CYCLES_MIN && is_above(&stretch[0]))
        .filter_map(|stretch| finding(context, device, setpoint_c, stretch, cycles.last()?))
        .collect()
}

/// The times of being on that ended, since the set-point was last changed.
fn cycles(context: &Context<'_>, device: &Device, states: &States, probe: &Line) -> Vec<Cycle> {
    let changed_ms = context.last_noted_ms(&["setpoint-changed", "device-replaced"], device);
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
    setpoint_c: f64,
    stretch: &[Cycle],
    newest: &Cycle,
) -> Option<Finding> {
    let (first, last) = (stretch.first()?, stretch.last()?);
    if last.on.until_ms <= context.span.from_ms {
        return None;
    }
    let middle = |of: fn(&Cycle) -> f64| median(&stretch.iter().map(of).collect::<Vec<_>>());
    let (on_c, off_c) = (middle(|cycle| cycle.on_c)?, middle(|cycle| cycle.off_c)?);
    let above_k = off_c - setpoint_c;
    let value = Value::new("probe at switching off minus the set-point", above_k, "Cel");
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
    finding.message = format!(
        "{} cycles between {} and {} by its own probe, while the site file has a set-point of {}: in {} in a row it came on only when the probe was above \
         that already.",
        device.id,
        words.temperature(on_c),
        words.temperature(off_c),
        words.temperature(setpoint_c),
        crate::words::several(stretch.len(), "run")
    );
    finding.advice = "Look what the thermostat itself is set to, and compare its probe with a trusted thermometer beside it. Set it to what the animals \
        need, or write what you want it to be into the site file."
        .to_owned();
    Some(finding)
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use crate::conditions::kit::{Kit, of};
    use crate::findings::{Finding, Kind};

    /// A heater that lifts its probe by a kelvin in the first third of each hour; `goal_c` is where it goes off.
    fn cycling(goal_c: fn(&Kit, i64) -> f64) -> Vec<Finding> {
        let mut kit = Kit::quiet("2026-05-04", 21);
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
}
