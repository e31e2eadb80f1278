//! Hours of light by the lamp's own warmth, where it sends no states and no light sensor is there.
//!
//! A lamp that switches bends the enclosure's temperature: the slope jumps up, and down again at the end. In: the mean over places, and
//! when heaters switched. Out: when there was light, on days that show both bends as plainly as the enclosure's days usually do.

use chrono::Timelike;
use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::context::Context;
use super::light::Lit;
use super::places::Line;
use crate::statistics::robust::median;

/// Slopes are compared over this long before and after an instant: half a time constant of a small tank.
const ARM_MS: i64 = 45 * 60_000;
const STEP_MS: i64 = 5 * 60_000;
/// A bend must be this many times the usual one between switches.
const CLEAR_FACTOR: f64 = 5.0;
/// A day's bend counts when it is at least this share of the enclosure's usual one.
const DAY_FRAC_MIN: f64 = 0.5;
/// Days that show how a lamp bends the line here, and how far from their middle its switches may usually lie, min.
const DAYS_MIN: usize = 7;
const SCATTER_MIN: f64 = 20.0;
/// Bends this near a heater's switch may be the heater's.
const HEATER_NEAR_MS: i64 = 30 * 60_000;

/// A bend of the line: when, and by how much, K.
#[derive(Debug, Clone, Copy)]
struct Bend {
    at_ms: i64,
    size_k: f64,
}

/// The light of an enclosure with a lamp, by its warmth; `None` where its bends don't stand out, or a heater sends no states.
pub(super) fn by_heat(context: &Context<'_>) -> Option<Lit> {
    context.enclosure.devices_of(DeviceKind::Lamp).next()?;
    let line = &context.temperature.as_ref()?.mean;
    let mut switches: Vec<i64> = Vec::new();
    for heater in context.enclosure.devices_of(DeviceKind::Heater) {
        let states = context.states(heater)?;
        switches.extend(states.on.iter().flat_map(|on| [on.from_ms, on.until_ms]));
    }
    switches.sort_unstable();
    let days: Vec<(Span, Bend, Bend)> = context
        .zone
        .dates(context.whole())
        .into_iter()
        .map(|date| context.zone.day(date))
        .filter_map(|day| {
            let (up, down) = bends(line, day, &switches)?;
            Some((day, up, down))
        })
        .collect();
    let all: Vec<f64> = sample(line, context.whole());
    let noise_k = median(&all.iter().map(|k| k.abs()).collect::<Vec<_>>())?;
    let usual = |of: &dyn Fn(&(Span, Bend, Bend)) -> f64| median(&days.iter().map(of).collect::<Vec<_>>());
    let (up_k, down_k) = (usual(&|day| day.1.size_k)?, usual(&|day| -day.2.size_k)?);
    let minute = |at_ms: i64| {
        let local = context.zone.local(at_ms);
        f64::from(local.hour() * 60 + local.minute())
    };
    let scattered = |of: &dyn Fn(&(Span, Bend, Bend)) -> i64| {
        let minutes: Vec<f64> = days.iter().map(|day| minute(of(day))).collect();
        let middle = median(&minutes).unwrap_or(0.0);
        median(&minutes.iter().map(|m| (m - middle).abs()).collect::<Vec<_>>())
            .is_none_or(|off| off > SCATTER_MIN)
    };
    let plain = days.len() >= DAYS_MIN
        && up_k.min(down_k) >= CLEAR_FACTOR * noise_k
        && !scattered(&|day| day.1.at_ms)
        && !scattered(&|day| day.2.at_ms);
    if !plain {
        return None;
    }
    let sure: Vec<_> = days
        .iter()
        .filter(|(_, up, down)| {
            up.size_k >= DAY_FRAC_MIN * up_k && -down.size_k >= DAY_FRAC_MIN * down_k && up.at_ms < down.at_ms
        })
        .collect();
    Some(Lit::new(
        sure.iter()
            .map(|(_, up, down)| Span {
                from_ms: up.at_ms,
                until_ms: down.at_ms,
            })
            .collect(),
        sure.iter().map(|(day, _, _)| *day).collect(),
        "lamp's own warmth",
    ))
}

/// How much the slope changes at an instant, as a change over [`ARM_MS`], K.
fn bend_at(line: &Line, at_ms: i64) -> Option<f64> {
    let (before, now, after) = (
        line.value_at(at_ms - ARM_MS)?,
        line.value_at(at_ms)?,
        line.value_at(at_ms + ARM_MS)?,
    );
    Some(after - 2.0 * now + before)
}

fn sample(line: &Line, span: Span) -> Vec<f64> {
    (span.from_ms..span.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .filter_map(|at_ms| bend_at(line, at_ms))
        .collect()
}

/// The largest bend upward and downward of a day that no heater's switch explains.
fn bends(line: &Line, day: Span, switches: &[i64]) -> Option<(Bend, Bend)> {
    let near_heater = |at_ms: i64| {
        let next = switches.partition_point(|at| *at < at_ms - HEATER_NEAR_MS);
        switches.get(next).is_some_and(|at| *at <= at_ms + HEATER_NEAR_MS)
    };
    let (mut up, mut down): (Option<Bend>, Option<Bend>) = (None, None);
    for at_ms in (day.from_ms..day.until_ms).step_by(STEP_MS as usize) {
        let Some(size_k) = bend_at(line, at_ms).filter(|_| !near_heater(at_ms)) else {
            continue;
        };
        let bend = Bend { at_ms, size_k };
        if up.is_none_or(|best| size_k > best.size_k) {
            up = Some(bend);
        }
        if down.is_none_or(|best| size_k < best.size_k) {
            down = Some(bend);
        }
    }
    up.zip(down)
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use super::super::kit::{Kit, of};
    use crate::findings::Kind;

    /// Warming towards 24 °C with a time constant of 1.5 h while lit, cooling towards 19 °C after.
    fn lit_c(kit: &Kit, at_ms: i64, late_h: f64) -> f64 {
        let hour = kit.hour(at_ms);
        let (on, off) = (8.0, 20.0 + late_h);
        let left = |since: f64| (-since / 1.5_f64).exp();
        if (on..off).contains(&hour) {
            24.0 - 5.0 * left(hour - on)
        } else {
            19.0 + 5.0 * left((hour - off).rem_euclid(24.0))
        }
    }

    #[test]
    fn a_timer_that_runs_late_shows_in_the_warmth() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.restate("heater", |_, _| false);
        kit.forget("lamp");
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                let late_h = if at >= kit.at("2026-05-20") { 2.0 } else { 0.0 };
                Some(lit_c(kit, at, late_h))
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::LightHoursWrong);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(
            (found[0].value.estimate - 2.0).abs() < 0.2,
            "{:?}",
            found[0].value
        );
        assert!(
            found[0].message.contains("lamp's own warmth"),
            "{}",
            found[0].message
        );
    }
}
