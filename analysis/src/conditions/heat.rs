//! Days too hot and days too cold for the place where an animal can take refuge.
//!
//! In: measured local days, what was learned of the enclosure's heat. Out: one finding a day and kind, or why a day could not be judged.
//! Overheating is judged at the coolest reachable place, overcooling at the warmest: a hot spot is harmless while a cool place exists.
//! A gap is never bridged: what lies in it is bounded by what heater, lamp and room can do, or not known.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::Span;

use super::Day;
use super::cause;
use super::context::{Context, silent_words};
use super::device::union;
use super::places::{Line, Places};
use super::thermal::WhatItWouldDo;
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::series::Excess;
use crate::words::Words;

/// Less than this is no finding: half a kelvin for less than an hour is what a sensor's doubt and an opened door can make
/// (our own choice).
const DEGREE_HOURS_MIN: f64 = 0.4;
/// Below this, and never as much as [`TINY_PEAK_K`] beyond, it is worth a notice only (our own choice).
const TINY_DEGREE_HOURS: f64 = 1.0;
const TINY_PEAK_K: f64 = 1.0;
/// Time above the emergency limit that makes it urgent: two usual readings of five minutes, so that one odd reading does not.
const EMERGENCY_MIN: f64 = 10.0;
/// A probe that a lamp shines on reads this much too high at most, K: radiant heat that the air does not have (common practice, no source).
const LAMP_ON_PROBE_K: f64 = 0.4;
/// A day is judged when this share of its light hours is known: the usual share for validity of daily values in
/// air-quality rules (from memory).
const KNOWN_FRAC_MIN: f64 = 0.75;
/// Sensors known for less than this share of a day are named as silent.
const SILENT_FRAC: f64 = 0.9;
/// A gap this long, h, with a reading at its edge this near the limit, K, may hide a hot hour where its extremes are not bounded.
const GAP_H: f64 = 1.5;
const GAP_NEAR_K: f64 = 1.0;

/// Which side of the limits.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Side {
    Over,
    Under,
}

/// What a day's gaps may hide.
struct Doubt {
    reason: String,
    /// The most extreme temperature that the enclosure's own heat allows in a gap, °C, where that is known.
    extreme_c: Option<f64>,
    unknown_h: f64,
}

impl Doubt {
    /// As the end of a sentence.
    fn said(&self, words: Words) -> String {
        let bound = self.extreme_c.map_or(String::new(), |t_c| {
            format!(" (it can have come to {} unseen)", words.temperature(t_c))
        });
        format!(
            "; {} of the day are not known, so this is the least it was{bound}",
            words.hours(self.unknown_h)
        )
    }
}

/// Judges every measured day on both sides.
pub(super) fn judge(context: &Context<'_>, days: &[Day], learned: &WhatItWouldDo) -> Verdicts {
    let mut verdicts = Verdicts::default();
    let Some(places) = &context.temperature else {
        for kind in [Kind::Overheating, Kind::Overcooling] {
            verdicts.not_assessed.push(context.not_assessed(
                kind,
                None,
                context.span,
                "no usable temperature where the animals can be".to_owned(),
            ));
        }
        return verdicts;
    };
    let judging = Judging {
        context,
        places,
        learned,
    };
    for day in days {
        for side in [Side::Over, Side::Under] {
            judging.day(day, side, &mut verdicts);
        }
    }
    verdicts
}

struct Judging<'j> {
    context: &'j Context<'j>,
    places: &'j Places,
    learned: &'j WhatItWouldDo,
}

impl Judging<'_> {
    fn line(&self, side: Side) -> &Line {
        match side {
            Side::Over => &self.places.lowest,
            Side::Under => &self.places.highest,
        }
    }

    fn day(&self, day: &Day, side: Side, verdicts: &mut Verdicts) {
        let (kind, excess) = match side {
            Side::Over => (Kind::Overheating, &day.over),
            Side::Under => (Kind::Overcooling, &day.under),
        };
        let doubt = self.doubt(day.span, side);
        if excess.unit_hours >= DEGREE_HOURS_MIN {
            verdicts.findings.push(self.finding(day, side, doubt.as_ref()));
        } else if let Some(doubt) = doubt {
            verdicts
                .not_assessed
                .push(self.context.not_assessed(kind, None, day.span, doubt.reason));
        }
    }

    /// Why what is known of a day is not all of it, if so.
    fn doubt(&self, day: Span, side: Side) -> Option<Doubt> {
        let context = self.context;
        let line = self.line(side);
        // Heat comes with the light hours, cold at any time of the day.
        let (windows, what) = match side {
            Side::Over => (context.light_within(day), "light hours"),
            Side::Under => (vec![day], "day"),
        };
        let hours: f64 = windows.iter().map(|window| window.hours()).sum();
        if hours <= 0.0 {
            return None;
        }
        let known_h: f64 = windows
            .iter()
            .filter_map(|window| line.summary(*window))
            .map(|summary| summary.covered_h)
            .sum();
        let gaps: Vec<Span> = line
            .gaps(day)
            .into_iter()
            .filter(|gap| gap.hours() >= GAP_H)
            .collect();
        let unknown_h = gaps.iter().map(|gap| gap.hours()).sum();
        let extremes: Vec<Option<f64>> = gaps.iter().map(|gap| self.extreme_in(*gap, line, side)).collect();
        let open = |extreme: &Option<f64>| extreme.is_none_or(|t_c| self.passes(t_c, day, side));
        if !gaps.is_empty() && !extremes.iter().any(open) {
            return None;
        }
        let worst = extremes.iter().flatten().copied().reduce(|a, b| match side {
            Side::Over => a.max(b),
            Side::Under => a.min(b),
        });
        // One gap without a bound leaves the day without one.
        let extreme_c = worst.filter(|_| extremes.iter().all(Option::is_some));
        let bound = extreme_c.map_or(String::new(), |t_c| {
            format!(
                "; with all that heats or cools it, it can have come to {}",
                context.words.temperature(t_c)
            )
        });
        if known_h < KNOWN_FRAC_MIN * hours {
            return Some(Doubt {
                reason: format!(
                    "{} of the {what} known{bound}",
                    crate::words::only_percent(known_h / hours)
                ),
                extreme_c,
                unknown_h,
            });
        }
        gaps.iter()
            .zip(&extremes)
            .find(|(gap, extreme)| match extreme {
                Some(t_c) => self.passes(*t_c, day, side),
                None => self.is_near(**gap, line, side),
            })
            .map(|(gap, extreme)| Doubt {
                reason: match extreme {
                    Some(t_c) => format!(
                        "nothing known for {} from {}; with all that heats or cools it, it can have come to {}",
                        context.words.hours(gap.hours()),
                        context.words.moment(gap.from_ms),
                        context.words.temperature(*t_c)
                    ),
                    None => format!(
                        "nothing known for {} from {}, next to readings close to the limit",
                        context.words.hours(gap.hours()),
                        context.words.moment(gap.from_ms)
                    ),
                },
                extreme_c,
                unknown_h,
            })
    }

    /// Whether a temperature lies beyond the limit of a day.
    fn passes(&self, t_c: f64, day: Span, side: Side) -> bool {
        let limits = self.context.limits_at(day.from_ms);
        match side {
            Side::Over => t_c > limits.max_c,
            Side::Under => t_c < limits.min_c,
        }
    }

    fn is_near(&self, gap: Span, line: &Line, side: Side) -> bool {
        let limits = self.context.limits_at(gap.from_ms);
        [gap.from_ms, gap.until_ms].iter().any(|edge| {
            line.value_at(*edge).is_some_and(|t_c| match side {
                Side::Over => t_c > limits.max_c - GAP_NEAR_K,
                Side::Under => t_c < limits.min_c + GAP_NEAR_K,
            })
        })
    }

    /// The most extreme temperature that any place can have had in a gap; `None` where that is not known.
    fn extreme_in(&self, gap: Span, line: &Line, side: Side) -> Option<f64> {
        let (gap, before_c, after_c) = line.around_gap(gap)?;
        let extremes: Option<Vec<f64>> = self
            .learned
            .places
            .iter()
            .map(|place| {
                let (highest_c, lowest_c) = place.extremes_in_gap(gap, before_c, after_c)?;
                Some(match side {
                    Side::Over => highest_c,
                    Side::Under => lowest_c,
                })
            })
            .collect();
        extremes?.into_iter().reduce(|a, b| match side {
            Side::Over => a.max(b),
            Side::Under => a.min(b),
        })
    }

    /// When a lamp shone in a span, by the lamps' states, or by the light hours where they send none; never where there is no lamp.
    fn lit_within(&self, span: Span) -> Vec<Span> {
        let context = self.context;
        let lamps: Vec<_> = context.enclosure.devices_of(DeviceKind::Lamp).collect();
        let states: Vec<_> = lamps.iter().filter_map(|lamp| context.states(lamp)).collect();
        match (lamps.is_empty(), states.is_empty()) {
            (true, _) => Vec::new(),
            (_, true) => context.light_within(span),
            _ => union(states.iter().flat_map(|states| states.on_within(span)).collect()),
        }
    }

    fn finding(&self, day: &Day, side: Side, doubt: Option<&Doubt>) -> Finding {
        let (context, places) = (self.context, self.places);
        let limits = context.limits_at(day.span.from_ms);
        let (words, u) = (context.words, places.half_width);
        let line = self.line(side);
        let excess = match side {
            Side::Over => &day.over,
            Side::Under => &day.under,
        };
        // If everything were cooler by so much, and beneath a lit lamp by so much.
        let cooler = |by_k: f64, lit_by_k: f64| {
            let of = |span: Span, by_k: f64| match side {
                Side::Over => line.above(limits.max_c + by_k, span).unit_hours,
                Side::Under => line.below(limits.min_c + by_k, span).unit_hours,
            };
            let more_of = |lit: Span| of(lit, lit_by_k) - of(lit, by_k);
            of(day.span, by_k) + self.lit_within(day.span).into_iter().map(more_of).sum::<f64>()
        };
        let verdict = match side {
            Side::Over => cause::of_overheating(context, self.learned, line, day.span, excess),
            Side::Under => cause::of_overcooling(context, line, day.span, excess),
        };
        let (warmest, coolest) = (cooler(-u, -u), cooler(u, u.hypot(LAMP_ON_PROBE_K)));
        let (kind, name) = match side {
            Side::Over => (Kind::Overheating, "degree-hours above the limit"),
            Side::Under => (Kind::Overcooling, "degree-hours below the limit"),
        };
        let mut value =
            Value::new(name, excess.unit_hours, "Cel.h").between(warmest.min(coolest), warmest.max(coolest));
        if verdict.in_sun {
            // How far the sun warmed the probe itself is not known.
            value.low = Some(0.0);
        }
        if doubt.is_some() {
            // What the gap held is not known: there is no upper end.
            value.high = None;
        }
        let (extreme_c, extreme_ms, beyond_k) = extreme(line, day.span, side, limits.max_c, limits.min_c);
        let emergency_min = limits
            .emergency_c
            .filter(|_| side == Side::Over)
            .map(|limit_c| line.above(limit_c, day.span).hours * 60.0);
        let severity = if emergency_min.is_some_and(|minutes| minutes >= EMERGENCY_MIN) {
            Severity::Urgent
        } else if excess.unit_hours < TINY_DEGREE_HOURS && beyond_k < TINY_PEAK_K {
            Severity::Notice
        } else {
            Severity::Warning
        };
        let start_ms = excess.first_ms.unwrap_or(day.span.from_ms);
        let mut finding = context.finding(kind, start_ms, severity, value);
        finding.end_ms = end_of(context, line, excess, day.span);
        finding.also = self.further(day, side, excess, extreme_c, emergency_min, doubt);
        finding.cause = verdict.cause;
        finding.message = format!(
            "{}: {}{}{}.",
            self.lead(
                side,
                (extreme_c, extreme_ms, beyond_k),
                excess,
                emergency_min.zip(limits.emergency_c),
                doubt
            ),
            verdict.evidence,
            doubt.map_or_else(String::new, |doubt| doubt.said(words)),
            silent_words(&places.silent(day.span, SILENT_FRAC), places.sensors.len())
        );
        finding.advice = verdict.advice;
        let whole = line.summary(day.span);
        let rather = whole.and_then(|whole| Quantity::Temperature.fits_rather(whole.low, whole.high));
        if let Some((unit, why)) = rather {
            finding.message += &format!(" All day its readings were {why}.");
            finding.advice = format!(
                "Look now, with a thermometer. If it is well there, the sensor sends another unit: write unit = \"{unit}\" at its feed in the site file."
            );
        }
        finding
    }

    /// What was read: how far beyond the limit, when, for how long, and, as minutes and limit, whether it was an emergency.
    fn lead(
        &self,
        side: Side,
        (extreme_c, extreme_ms, beyond_k): (f64, i64, f64),
        excess: &Excess,
        emergency: Option<(f64, f64)>,
        doubt: Option<&Doubt>,
    ) -> String {
        let words = self.context.words;
        let several = self.places.sensors.len() > 1;
        let (direction, place) = match side {
            Side::Over => ("above", " at the coolest place"),
            Side::Under => ("below", " at the warmest place"),
        };
        let emergency = emergency.filter(|(minutes, _)| *minutes >= 1.0);
        format!(
            "{}{} at {}, {} {direction} the limit, for {}{} in all{}{}",
            words.temperature(extreme_c),
            if several { place } else { "" },
            words.moment(extreme_ms),
            words.difference(beyond_k),
            if doubt.is_some() { "at least " } else { "" },
            words.hours(excess.hours),
            match side {
                Side::Over if several => " with no cooler place left",
                _ => "",
            },
            emergency.map_or(String::new(), |(minutes, limit_c)| {
                format!(
                    ", of it {} above the emergency limit of {}",
                    words.hours(minutes / 60.0),
                    words.temperature(limit_c)
                )
            })
        )
    }

    /// Further figures of a finding.
    fn further(
        &self,
        day: &Day,
        side: Side,
        excess: &Excess,
        extreme_c: f64,
        emergency_min: Option<f64>,
        doubt: Option<&Doubt>,
    ) -> Vec<Value> {
        let (extreme_name, hours_name, unseen_name) = match side {
            Side::Over => (
                "highest temperature",
                "hours above",
                "highest that a gap can hide",
            ),
            Side::Under => ("lowest temperature", "hours below", "lowest that a gap can hide"),
        };
        let mut also = vec![
            Value::new(extreme_name, extreme_c, "Cel"),
            Value::new(hours_name, excess.hours, "h"),
            Value::new("longest run", excess.longest_h, "h"),
        ];
        also.extend(
            emergency_min.map(|minutes| Value::new("minutes above the emergency limit", minutes, "min")),
        );
        if side == Side::Over && self.places.sensors.len() > 1 {
            also.push(Value::new("minutes without a refuge", excess.hours * 60.0, "min"));
            also.extend(
                self.places.highest.summary(day.span).map(|summary| {
                    Value::new("highest temperature at the warmest place", summary.high, "Cel")
                }),
            );
        }
        also.extend(
            doubt
                .and_then(|doubt| doubt.extreme_c)
                .map(|t_c| Value::new(unseen_name, t_c, "Cel")),
        );
        also
    }
}

/// The most extreme value of a day, when, and how far beyond the limit, K.
fn extreme(line: &Line, day: Span, side: Side, max_c: f64, min_c: f64) -> (f64, i64, f64) {
    line.summary(day)
        .map_or((0.0, day.from_ms, 0.0), |summary| match side {
            Side::Over => (summary.high, summary.high_at_ms, summary.high - max_c),
            Side::Under => (summary.low, summary.low_at_ms, min_c - summary.low),
        })
}

/// When it ended; `None` while it still holds at the end of the span.
fn end_of(context: &Context<'_>, line: &Line, excess: &Excess, day: Span) -> Option<i64> {
    let last_ms = excess.last_ms.unwrap_or(day.until_ms);
    let open = day.until_ms == context.span.until_ms && line.still_shows(last_ms, context.span.until_ms);
    (!open).then_some(last_ms)
}

#[cfg(test)]
mod tests {
    use super::super::kit::{Kit, of, quiet_c, unjudged};
    use super::*;
    use crate::findings::Cause;

    /// A triangle from 24 °C at 12:00 up to `peak` at 14:00 and back at 16:00, on one date, on top of the quiet day.
    fn hot_day(kit: &Kit, at_ms: i64, date: &str, peak_c: f64) -> f64 {
        let hour = kit.hour(at_ms);
        let share = 1.0 - ((hour - 14.0).abs() / 2.0).min(1.0);
        if kit.zone.date(at_ms).to_string() == date && kit.lit(at_ms) {
            24.0 + share * (peak_c - 24.0)
        } else {
            quiet_c(kit, at_ms)
        }
    }

    #[test]
    fn degree_hours_of_a_hot_day_are_exact() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                Some(hot_day(kit, at, "2026-05-19", 32.0))
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::Overheating);
        assert_eq!(found.len(), 1, "{found:?}");
        // From 24 to 32 in two hours: above 28 for 2 h, area 4 °C·h (worked by hand).
        assert!(
            (found[0].value.estimate - 4.0).abs() < 0.01,
            "{:?}",
            found[0].value
        );
        // ±0.3 °C, and 0.4 °C of the lamp's light on the probes: from 0.5 °C less to 0.3 °C more (worked by hand).
        let near = |is: Option<f64>, should: f64| is.is_some_and(|is| (is - should).abs() < 0.01);
        assert!(
            near(found[0].value.low, 3.0625) && near(found[0].value.high, 4.6225),
            "{:?}",
            found[0].value
        );
        assert_eq!(found[0].start_ms, kit.at("2026-05-19T13:00"));
        assert_eq!(
            found[0].severity,
            Severity::Urgent,
            "31 °C was passed for half an hour"
        );
        assert!(
            found[0]
                .message
                .contains("32.0 °C at the coolest place at 14:00 on Tuesday 19 May, 4.0 °C above")
        );
        assert!(
            found[0]
                .message
                .contains("for 2 h in all with no cooler place left"),
            "{}",
            found[0].message
        );
    }

    #[test]
    fn without_a_sensor_in_the_room_the_dark_hours_tell_room_from_lamp() {
        // From the 19th on 30 °C in the light; the heater cycles at night as ever, or is off.
        let judged = |needed_less: bool| {
            let mut kit = Kit::quiet("2026-05-04", 21);
            let hot_ms = kit.at("2026-05-19");
            for sensor in ["check", "cool"] {
                kit.refill(sensor, Quantity::Temperature, |kit, at| {
                    Some(quiet_c(kit, at) + if at >= hot_ms && kit.lit(at) { 6.0 } else { 0.0 })
                });
            }
            kit.states("heater", |kit, at| {
                !kit.lit(at) && (at / 1_200_000) % 2 == 0 && !(needed_less && at >= hot_ms)
            });
            kit.forget("wall");
            let outcome = kit.judge("2026-05-18", "2026-05-22");
            let found = of(&outcome, Kind::Overheating);
            found.iter().map(|finding| finding.cause).collect::<Vec<_>>()
        };
        assert_eq!(judged(false), [Some(Cause::Lamp); 3]);
        // Of the first day the night before was as ever: it can't be told.
        assert_eq!(judged(true)[1..], [Some(Cause::RoomHeat); 2]);
    }

    #[test]
    fn what_is_back_inside_for_ten_minutes_is_over() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                Some(hot_day(kit, at, "2026-05-19", 32.0))
            });
        }
        // Above 28 °C from 13:00 to 15:00.
        let ended = |until: &str| of(&kit.judge("2026-05-18", until), Kind::Overheating)[0].end_ms;
        assert_eq!(ended("2026-05-19T14:40"), None);
        assert_eq!(ended("2026-05-19T15:05"), None);
        assert_eq!(ended("2026-05-19T15:15"), Some(kit.at("2026-05-19T15:00")));
    }

    #[test]
    fn a_hot_spot_with_a_cool_refuge_is_no_overheating() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.refill("check", Quantity::Temperature, |kit, at| {
            Some(hot_day(kit, at, "2026-05-19", 34.0))
        });
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        assert!(of(&outcome, Kind::Overheating).is_empty());
    }

    #[test]
    fn a_day_without_readings_is_not_called_well() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                let gap =
                    kit.zone.date(at).to_string() == "2026-05-20" && (9.0..14.0).contains(&kit.hour(at));
                (!gap).then(|| quiet_c(kit, at))
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        assert!(of(&outcome, Kind::Overheating).is_empty());
        let items: Vec<_> = outcome
            .verdicts
            .not_assessed
            .iter()
            .filter(|item| item.kind == Kind::Overheating)
            .collect();
        assert_eq!(items.len(), 1);
        assert!(
            items[0].reason.contains("58 % of the light hours"),
            "{}",
            items[0].reason
        );
    }

    #[test]
    fn no_sensor_means_not_assessed() {
        let mut kit = Kit::new("2026-05-04", 21);
        kit.fill("wall", Quantity::Temperature, |_, _| Some(20.0));
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        for kind in [
            Kind::Overheating,
            Kind::NightTooCold,
            Kind::HumidityTooLow,
            Kind::LightHoursWrong,
            Kind::MistMissed,
        ] {
            assert!(unjudged(&outcome, kind), "{kind:?}");
        }
        assert!(outcome.verdicts.findings.is_empty());
    }

    #[test]
    fn a_cold_day_is_judged_at_the_warmest_place() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                let cold =
                    kit.zone.date(at).to_string() == "2026-05-19" && (2.0..6.0).contains(&kit.hour(at));
                Some(if cold { 11.0 } else { quiet_c(kit, at) })
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::Overcooling);
        assert_eq!(found.len(), 1);
        assert!(
            (found[0].value.estimate - 4.0).abs() < 0.1,
            "{:?}",
            found[0].value
        );
        assert_eq!(found[0].also[0].estimate, 11.0);
    }

    /// The hot day with the room, heater and lamp as given; its cause, and the least that it can have been, °C·h.
    fn cause(room_follows: bool, heater_on: bool) -> (Option<Cause>, f64) {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool", "stat"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                Some(hot_day(kit, at, "2026-05-19", 32.0))
            });
        }
        kit.refill("wall", Quantity::Temperature, |kit, at| {
            let warmer = if room_follows {
                hot_day(kit, at, "2026-05-19", 32.0) - quiet_c(kit, at)
            } else {
                0.0
            };
            Some(18.0 + warmer)
        });
        kit.states("heater", |kit, at| {
            heater_on && kit.zone.date(at).to_string() == "2026-05-19" && (12.0..15.0).contains(&kit.hour(at))
        });
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::Overheating)[0];
        (found.cause, found.value.low.expect("an interval"))
    }

    #[test]
    fn causes_follow_the_evidence() {
        let (room, least) = cause(true, false);
        assert!(room == Some(Cause::RoomHeat) && least > 0.0, "{room:?} {least}");
        let (heater, least) = cause(false, true);
        assert!(heater == Some(Cause::Heater) && least > 0.0, "{heater:?} {least}");
        // Four hours of unusual warming with heater off and lamp as ever: the sun, perhaps, and perhaps on the probes.
        assert_eq!(cause(false, false), (None, 0.0));
    }

    #[test]
    fn a_lamp_too_strong_shows_from_lights_on_to_lights_off() {
        let causes = |heater_speaks: bool, in_the_dark_k: f64| -> Vec<Option<Cause>> {
            let mut kit = Kit::quiet("2026-05-04", 21);
            for sensor in ["check", "cool", "stat"] {
                kit.refill(sensor, Quantity::Temperature, move |kit, at| {
                    let warmer_k = match (at >= kit.at("2026-05-20"), kit.lit(at)) {
                        (true, true) => 5.5,
                        (true, false) => in_the_dark_k,
                        (false, _) => 0.0,
                    };
                    Some(quiet_c(kit, at) + warmer_k)
                });
            }
            match heater_speaks {
                true => kit.states("heater", |_, _| false),
                false => kit.forget("heater"),
            }
            let outcome = kit.judge("2026-05-18", "2026-05-25");
            let found = of(&outcome, Kind::Overheating);
            found.iter().map(|finding| finding.cause).collect()
        };
        assert_eq!(causes(true, 0.0), [Some(Cause::Lamp); 5]);
        assert_eq!(causes(false, 0.0), [Some(Cause::Lamp); 5]);
        assert_eq!(causes(false, 5.5), [Some(Cause::Heater); 5]);
    }
}
