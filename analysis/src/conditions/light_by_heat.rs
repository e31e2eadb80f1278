//! Hours of light by the lamp's own warmth, where it sends no states and no light sensor is there.
//!
//! A lamp that switches bends the enclosure's temperature: the slope jumps up, and down again at the end. In: the mean over places, and
//! when heaters switched and the room bent. Out: when there was light, on days that show both bends as plainly as the enclosure's days usually do.

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
const MIN_PER_DAY: f64 = 24.0 * 60.0;
/// Bends this near a heater's switch may be the heater's.
const HEATER_NEAR_MS: i64 = 30 * 60_000;
/// Nor is one that the room made: as large there, or a share of it, up to a time constant before (own choices).
const ROOM_FRAC_MIN: f64 = 0.5;
const ROOM_BEFORE_MS: i64 = 60 * 60_000;

/// A bend down this soon after the one up is its own end (own choice: both arms of both).
const FLATTENS_MS: i64 = 2 * ARM_MS;
/// Each switch is found to within a quarter of an hour (own choice).
const DOUBT_H: f64 = 0.5;
/// Bends that usually lie further than this from the hours asked for are another thing's, min: a pump's or a hand's (own choice).
const FROM_ASKED_MIN: f64 = 180.0;

/// Lights-on bends the line upward, lights-off downward.
const SIGNS: [f64; 2] = [1.0, -1.0];

/// A bend of the line: when, and by how much the way its switch bends it, K.
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
    let bends = Bends {
        line,
        room: context.room_c.as_ref(),
        switches,
    };
    let days: Vec<(Span, [Bend; 2])> = context
        .zone
        .dates(context.whole())
        .into_iter()
        .map(|date| context.zone.day(date))
        .filter_map(|day| Some((day, largest_of_both(&bends, day)?)))
        .collect();
    let all: Vec<f64> = sample(line, context.whole());
    let noise_k = median(&all.iter().map(|k| k.abs()).collect::<Vec<_>>())?;
    let minute = |at_ms: i64| {
        let local = context.zone.local(at_ms);
        f64::from(local.hour() * 60 + local.minute())
    };
    if days.len() < DAYS_MIN {
        return None;
    }
    let usual_of = |switch: usize| {
        let of_days =
            |of: &dyn Fn(&Bend) -> f64| days.iter().map(|day| of(&day.1[switch])).collect::<Vec<_>>();
        let (minutes, size_k) = (
            of_days(&|bend| minute(bend.at_ms)),
            median(&of_days(&|bend| bend.size_k))?,
        );
        let usual_min = median(&minutes)?;
        let scatter_min = median(&minutes.iter().map(|m| (m - usual_min).abs()).collect::<Vec<_>>())?;
        (size_k >= CLEAR_FACTOR * noise_k && scatter_min <= SCATTER_MIN).then_some((usual_min, size_k))
    };
    let usual = [usual_of(0)?, usual_of(1)?];
    let asked = context.light_on(context.zone.date(context.span.from_ms));
    let is_far = |usual_min: f64, asked_ms: i64| {
        let apart_min = (usual_min - minute(asked_ms)).abs();
        apart_min.min(MIN_PER_DAY - apart_min) > FROM_ASKED_MIN
    };
    if is_far(usual[0].0, asked.from_ms) || is_far(usual[1].0, asked.until_ms) {
        return None;
    }
    // A hand inside can bend the line more than the lamp does: a switch is where it usually is if it shows there. Where that can't be
    // seen, the day is not judged.
    let of_lamp = |day: Span, switch: usize, largest: Bend| {
        let (usual_min, size_k) = usual[switch];
        let near = || steps(day).filter(|at_ms| (minute(*at_ms) - usual_min).abs() <= SCATTER_MIN);
        if near().any(|at_ms| bend_at(line, at_ms).is_none()) {
            return None;
        }
        let least_k = DAY_FRAC_MIN * size_k;
        let at_its_time = bends.largest(near(), SIGNS[switch]);
        // What bends the line there may be the room or a heater, and the lamp all the same.
        let is_hidden =
            || near().any(|at_ms| bend_at(line, at_ms).is_some_and(|k| SIGNS[switch] * k >= least_k));
        if at_its_time.is_none_or(|bend| bend.size_k < least_k) && is_hidden() {
            return None;
        }
        [at_its_time?, largest]
            .into_iter()
            .find(|bend| bend.size_k >= least_k)
    };
    let sure: Vec<(Span, Span)> = days
        .iter()
        .filter_map(|&(day, [on, off])| {
            let (on, off) = (of_lamp(day, 0, on)?, of_lamp(day, 1, off)?);
            let lit = Span {
                from_ms: on.at_ms,
                until_ms: off.at_ms,
            };
            // What warms as the lamp comes on flattens soon after, which looks like its end.
            (lit.until_ms - lit.from_ms > FLATTENS_MS).then_some((day, lit))
        })
        .collect();
    let (known, lit) = sure.into_iter().unzip();
    Some(Lit::new(lit, known, "lamp's own warmth", DOUBT_H))
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

/// Where bends are sought.
fn steps(day: Span) -> impl Iterator<Item = i64> {
    (day.from_ms..day.until_ms).step_by(STEP_MS as usize)
}

fn largest_of_both(bends: &Bends<'_>, day: Span) -> Option<[Bend; 2]> {
    let [on, off] = SIGNS.map(|sign| bends.largest(steps(day), sign));
    Some([on?, off?])
}

/// The bends of a line that neither a heater's switch nor the room explains.
struct Bends<'a> {
    line: &'a Line,
    room: Option<&'a Line>,
    switches: Vec<i64>,
}

impl Bends<'_> {
    fn largest(&self, at_ms: impl Iterator<Item = i64>, sign: f64) -> Option<Bend> {
        at_ms
            .filter(|at_ms| !self.is_near_heater(*at_ms))
            .filter_map(|at_ms| {
                let size_k = sign * bend_at(self.line, at_ms)?;
                Some(Bend { at_ms, size_k })
            })
            .filter(|bend| !self.is_of_room(bend, sign))
            .max_by(|a, b| a.size_k.total_cmp(&b.size_k))
    }

    fn is_of_room(&self, bend: &Bend, sign: f64) -> bool {
        let Some(room) = self.room else {
            return false;
        };
        let near = Span {
            from_ms: bend.at_ms - ROOM_BEFORE_MS,
            until_ms: bend.at_ms + STEP_MS,
        };
        let explains = |at_ms| bend_at(room, at_ms).is_some_and(|k| sign * k >= ROOM_FRAC_MIN * bend.size_k);
        bend.size_k > 0.0 && steps(near).any(explains)
    }

    fn is_near_heater(&self, at_ms: i64) -> bool {
        let next = self.switches.partition_point(|at| *at < at_ms - HEATER_NEAR_MS);
        self.switches
            .get(next)
            .is_some_and(|at| *at <= at_ms + HEATER_NEAR_MS)
    }
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use super::super::kit::{Kit, of, unjudged};
    use super::*;
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
    fn neither_a_hand_inside_nor_lost_readings_are_a_switch() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.restate("heater", |_, _| false);
        kit.forget("lamp");
        let opened = [
            kit.at("2026-05-19") + 13 * MS_PER_HOUR,
            kit.at("2026-05-21") + 12 * MS_PER_HOUR,
        ];
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                let cooled = opened.iter().filter(|opened| at >= **opened);
                let cooled_k =
                    cooled.map(|opened| 5.0 * (-((at - opened) as f64) / (0.4 * MS_PER_HOUR as f64)).exp());
                Some(lit_c(kit, at, 0.0) - cooled_k.sum::<f64>())
            });
            kit.forget_within(sensor, "2026-05-21T07:00", "2026-05-21T09:00");
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::LightHoursWrong);
        assert!(found.is_empty(), "{found:?}");
        assert!(unjudged(&outcome, Kind::LightHoursWrong));
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

    #[test]
    fn one_day_alone_says_too_little() {
        let told = |last: &str| {
            let mut kit = Kit::quiet("2026-05-04", 21);
            kit.restate("heater", |_, _| false);
            kit.forget("lamp");
            for sensor in ["check", "cool"] {
                kit.refill(sensor, Quantity::Temperature, |kit, at| {
                    let is_late = (kit.at("2026-05-20")..kit.at(last)).contains(&at);
                    Some(lit_c(kit, at, if is_late { 2.0 } else { 0.0 }))
                });
            }
            let outcome = kit.judge("2026-05-18", "2026-05-25");
            (
                of(&outcome, Kind::LightHoursWrong).len(),
                unjudged(&outcome, Kind::LightHoursWrong),
            )
        };
        assert_eq!(told("2026-05-21"), (0, true), "not told, and not passed over");
        assert_eq!(told("2026-05-23"), (1, false));
    }

    /// In a small tank the warming flattens within the hour; one evening it cools so slowly that the lamp's end can't be seen.
    #[test]
    fn the_flattening_after_the_lamp_came_on_is_not_its_end() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.restate("heater", |_, _| false);
        kit.forget("lamp");
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                let (on_h, off_h) = (kit.hour(at) - 8.0, (kit.hour(at) - 20.0).rem_euclid(24.0));
                let slow_from = kit.at("2026-05-20T20:00");
                let cools_h = if (slow_from..slow_from + 12 * MS_PER_HOUR).contains(&at) {
                    6.0
                } else {
                    0.5
                };
                Some(if (0.0..12.0).contains(&on_h) {
                    24.0 - 5.0 * (-on_h / 0.5).exp()
                } else {
                    19.0 + 5.0 * (-off_h / cools_h).exp()
                })
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::LightHoursWrong);
        assert!(found.is_empty(), "{found:?}");
        assert!(unjudged(&outcome, Kind::LightHoursWrong));
    }

    #[test]
    fn what_the_room_does_as_the_lamp_switches_hides_it() {
        let judged = |has_guests: bool| {
            let mut kit = Kit::quiet("2026-05-04", 21);
            kit.restate("heater", |_, _| false);
            kit.forget("lamp");
            // One evening the room warms until the light goes off, and cools again.
            let guests_k = move |kit: &Kit, at: i64| {
                let hours = (at - kit.at("2026-05-20T18:00")) as f64 / MS_PER_HOUR as f64;
                let course = if hours < 2.0 {
                    hours
                } else {
                    (4.0 - hours).max(0.0)
                };
                if has_guests { 2.0 * course.max(0.0) } else { 0.0 }
            };
            kit.refill("wall", Quantity::Temperature, move |kit, at| {
                Some(20.0 + guests_k(kit, at))
            });
            for sensor in ["check", "cool"] {
                kit.refill(sensor, Quantity::Temperature, move |kit, at| {
                    Some(lit_c(kit, at, 0.0) + guests_k(kit, at))
                });
            }
            let outcome = kit.judge("2026-05-18", "2026-05-25");
            (
                of(&outcome, Kind::LightHoursWrong).len(),
                unjudged(&outcome, Kind::LightHoursWrong),
            )
        };
        assert_eq!((judged(false), judged(true)), ((0, false), (0, true)));
    }

    #[test]
    fn a_room_that_is_heated_at_a_fixed_hour_is_no_lamp() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.restate("heater", |_, _| false);
        kit.forget("lamp");
        // The room's heating begins an hour and a half before the lamp, and takes the enclosure along.
        let heated_k = |kit: &Kit, at: i64, lag_h: f64| {
            let since = (kit.hour(at) - 6.5).rem_euclid(24.0);
            let until = (kit.hour(at) - 16.0).rem_euclid(24.0);
            let left = |hours: f64| (-hours / lag_h).exp();
            if since < 9.5 {
                4.0 * (1.0 - left(since))
            } else {
                4.0 * left(until)
            }
        };
        kit.refill("wall", Quantity::Temperature, |kit, at| {
            Some(17.0 + heated_k(kit, at, 0.3))
        });
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                Some(19.0 + 0.4 * (lit_c(kit, at, 0.0) - 19.0) + heated_k(kit, at, 0.8))
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::LightHoursWrong);
        assert!(found.is_empty(), "{found:?}");
    }
}
