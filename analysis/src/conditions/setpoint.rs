//! What the humidistat really holds, by sensors other than its own.
//!
//! In: humidity by the usable sensors that are not the controller's, states of the fogger. Out: a finding where the enclosure
//! misses the set-point beyond all doubt, and hour by hour what was held. A fogger only holds a floor: wetter than asked for
//! with the fogger off is no miss. And a finding where the level that is held jumped ([`jumped`]), whatever the places differ by.

mod held;
mod jumped;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Device, DeviceKind, Role};
use mosswarden_config::zone::Span;

use super::context::Context;
use super::heater::hours_on;
use super::places::{Line, Places};
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};

pub use held::{Held, HeldHour};

/// Two places in one enclosure differ by up to about this much, %RH (common practice, no source).
const PLACE_PCT: f64 = 3.0;
/// Known time that is needed, h.
const KNOWN_H_MIN: f64 = 24.0;
/// The fogger must have run this long, h, for the air during its runs to say something.
const ON_H_MIN: f64 = 1.0;

/// Judges every device with a humidity set-point.
pub(super) fn judge(context: &Context<'_>) -> (Vec<Held>, Verdicts) {
    let mut verdicts = Verdicts::default();
    let mut held = Vec::new();
    for device in &context.enclosure.devices {
        if let Some(set_pct) = device.setpoint.humidity_pct
            && device.kind != DeviceKind::Fan
        {
            held.extend(judge_device(context, device, set_pct, &mut verdicts));
        }
    }
    (held, verdicts)
}

fn judge_device(
    context: &Context<'_>,
    device: &Device,
    set_pct: f64,
    verdicts: &mut Verdicts,
) -> Option<Held> {
    let others: Vec<_> = context
        .enclosure
        .sensors
        .iter()
        .filter(|sensor| {
            sensor.role != Role::Controller && Some(sensor.id.as_str()) != device.controlled_by.as_deref()
        })
        .filter_map(|sensor| {
            Some((
                sensor.id.as_str(),
                context.trusted.get(&sensor.id, Quantity::Humidity)?,
            ))
        })
        .collect();
    let mut refuse = |reason: String| {
        verdicts.not_assessed.push(context.not_assessed(
            Kind::SetpointMissed,
            Some(&device.id),
            context.span,
            reason,
        ));
    };
    let Some(places) = Places::combine(context.zone, &others) else {
        refuse("no usable humidity but the controller's own".to_owned());
        return None;
    };
    let Some(summary) = places
        .mean
        .summary(context.span)
        .filter(|s| s.covered_h >= KNOWN_H_MIN)
    else {
        refuse("less than a day of humidity known beside the controller's own".to_owned());
        return None;
    };
    let held = held::measure(context, device, set_pct, &places);
    verdicts.findings.extend(jumped::judge(context, device, set_pct));
    let sensors: Vec<&str> = others.iter().map(|(id, _)| *id).collect();
    let missed = Missed::of(context, device, set_pct, &places, summary.mean);
    verdicts
        .findings
        .extend(missed.map(|missed| missed.finding(context, &sensors, &held)));
    Some(held)
}

/// A set-point that the air misses beyond all doubt.
struct Missed<'a> {
    device: &'a Device,
    set_pct: f64,
    mean_pct: f64,
    doubt_pct: f64,
    is_dry: bool,
    /// Since when each day did.
    since_ms: i64,
    /// Of the device in the span, where it sends states.
    on_h: Option<f64>,
}

impl<'a> Missed<'a> {
    fn of(
        context: &Context<'_>,
        device: &'a Device,
        set_pct: f64,
        places: &Places,
        mean_pct: f64,
    ) -> Option<Missed<'a>> {
        let doubt_pct = places.mean_half_width + PLACE_PCT;
        let lowest_pct = set_pct - device.setpoint.hysteresis_pct.unwrap_or(0.0) - doubt_pct;
        let highest_pct = set_pct + doubt_pct;
        let states = context.states(device);
        let on_h = states.as_ref().map(|states| hours_on(states, context.span));
        let during_pct = states
            .as_ref()
            .and_then(|states| mean_while_on(context, &places.mean, states));
        let is_dry = mean_pct < lowest_pct;
        // Fog while the air is wetter than the set-point beyond doubt: the controller's probe reads low.
        let is_wet = mean_pct > highest_pct
            && on_h.is_some_and(|hours| hours >= ON_H_MIN)
            && during_pct.is_some_and(|pct| pct > highest_pct);
        if !is_dry && !is_wet {
            return None;
        }
        let misses = |pct: f64| {
            if is_dry {
                pct < lowest_pct
            } else {
                pct > highest_pct
            }
        };
        Some(Missed {
            device,
            set_pct,
            mean_pct,
            doubt_pct,
            is_dry,
            since_ms: since_ms(context, &places.mean, misses),
            on_h,
        })
    }

    fn finding(self, context: &Context<'_>, sensors: &[&str], held: &Held) -> Finding {
        let Missed {
            device,
            set_pct,
            mean_pct,
            doubt_pct,
            ..
        } = self;
        let miss_pct = mean_pct - set_pct;
        let value = Value::new("mean humidity minus the set-point", miss_pct, "%RH")
            .between(miss_pct - doubt_pct, miss_pct + doubt_pct);
        let hysteresis_pct = device.setpoint.hysteresis_pct.unwrap_or(0.0);
        let severity = if miss_pct.abs() > 2.0 * doubt_pct + hysteresis_pct {
            Severity::Warning
        } else {
            Severity::Notice
        };
        let mut finding = context.finding(Kind::SetpointMissed, self.since_ms, severity, value);
        finding.subject = device.id.clone();
        finding.also = vec![Value::new("mean humidity", mean_pct, "%RH")];
        finding
            .also
            .extend(self.on_h.map(|hours| Value::new("hours on", hours, "h")));
        let duty = self.on_h.map_or(String::new(), |hours| {
            format!(", while {} ran for {}", device.id, context.words.hours(hours))
        });
        let alone = match sensors {
            [id] => Some(*id),
            _ => None,
        };
        finding.message = format!(
            "By {} the air held {mean_pct:.1} %RH on average against a set-point of {set_pct:.0} %RH, {:.1} {}{duty}.",
            alone.unwrap_or("the other sensors"),
            miss_pct.abs(),
            if self.is_dry { "too dry" } else { "too wet" }
        );
        finding.message += &shown_words(held);
        finding.advice = self.advice(alone);
        finding
    }

    fn advice(&self, alone: Option<&str>) -> String {
        if let Some(id) = alone {
            format!(
                "Which of the two is right, {id} or the controller's probe, is not known: put a trusted device beside both, or check both over \
                 saturated salt, before you change the set-point."
            )
        } else if self.is_dry {
            "Compare the controller's probe with a trusted one side by side; if it reads high, replace it or correct its \
             set-point. Check water, disc or nozzle of the fogger too, with the plug out."
                .to_owned()
        } else {
            "Compare the controller's probe with a trusted one side by side; if it reads low, replace it. Until then lower the \
             set-point a little and let the enclosure dry once a day."
                .to_owned()
        }
    }
}

/// The beginning of the first of the days in a row, up to the span, of which each is known and misses; never before anything was read.
fn since_ms(context: &Context<'_>, line: &Line, misses: impl Fn(f64) -> bool) -> i64 {
    /// Of a day that counts.
    const DAY_KNOWN_H_MIN: f64 = 6.0;
    let before = Span {
        from_ms: context.record_from_ms(),
        until_ms: context.span.from_ms,
    };
    let days = context.zone.dates(before).into_iter().rev();
    let first_ms = days
        .map(|date| context.zone.day(date))
        .map_while(|day| {
            let known = line.summary(day).filter(|day| day.covered_h >= DAY_KNOWN_H_MIN)?;
            misses(known.mean).then_some(day.from_ms)
        })
        .last()
        .unwrap_or(context.span.from_ms);
    first_ms.max(context.heard_from_ms().unwrap_or(first_ms))
}

/// What the controller showed meanwhile, to follow a sentence.
fn shown_words(held: &Held) -> String {
    /// Smaller differences and shorter times are not worth a word.
    const WORTH_SAYING_PCT: f64 = 1.0;
    const WORTH_SAYING_H: f64 = 1.0;
    let Some(more) = held.shows_more_pct.filter(|more| more.abs() >= WORTH_SAYING_PCT) else {
        return String::new();
    };
    let hidden = held
        .hidden_h
        .filter(|hours| *hours >= WORTH_SAYING_H)
        .map_or(String::new(), |hours| {
            format!(", and showed the animals' air inside its band for {hours:.0} h in which it was not")
        });
    format!(
        " Its own probe showed {:.1} %RH {} than they did{hidden}.",
        more.abs(),
        if more > 0.0 { "more" } else { "less" }
    )
}

/// Mean of a line while a device was on in the span.
fn mean_while_on(context: &Context<'_>, line: &Line, states: &super::device::States) -> Option<f64> {
    let (mut sum, mut hours) = (0.0, 0.0);
    for on in states.on_within(context.span) {
        if let Some(summary) = line.summary(on) {
            sum += summary.mean * summary.covered_h;
            hours += summary.covered_h;
        }
    }
    (hours > 0.0).then(|| sum / hours)
}

#[cfg(test)]
mod tests {
    use super::super::kit::{Kit, of, unjudged};
    use super::*;

    /// The quiet record with another humidity by the trusted sensors, and a fogger on for a quarter of the time or never.
    fn held(pct: f64, fog: bool) -> super::super::Outcome {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Humidity, |_, _| Some(pct));
        }
        kit.states("fogger", |_, at| fog && (at / 900_000) % 4 == 0);
        kit.judge("2026-05-18", "2026-05-25")
    }

    #[test]
    fn a_set_point_is_missed_beyond_all_doubt_only() {
        let dry = held(60.0, false);
        assert_eq!(of(&dry, Kind::SetpointMissed).len(), 1);
        assert!((of(&dry, Kind::SetpointMissed)[0].value.estimate + 15.0).abs() < 0.01);
        assert!(of(&held(67.0, false), Kind::SetpointMissed).is_empty());
        assert_eq!(of(&held(88.0, true), Kind::SetpointMissed)[0].subject, "fogger");
        assert!(
            of(&held(88.0, false), Kind::SetpointMissed).is_empty(),
            "a fogger holds only a floor"
        );
    }

    #[test]
    fn what_is_held_stands_beside_what_is_shown_hour_by_hour() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                Some(if kit.lit(at) { 55.0 } else { 70.0 })
            });
        }
        kit.refill("stat", Quantity::Humidity, |_, _| Some(76.0));
        // On for the first quarter of each hour by day.
        kit.states("fogger", |kit, at| {
            kit.lit(at) && at.rem_euclid(3_600_000) < 900_000
        });
        let held = kit.judge("2026-05-18", "2026-05-25").held;
        let [noon, midnight] = [12, 0].map(|hour| held[0].hours[hour]);
        assert!(
            (noon.held_pct.expect("known") - 55.0).abs() < 0.1
                && (noon.on_frac.expect("known") - 0.25).abs() < 0.01
        );
        assert!(
            (midnight.held_pct.expect("known") - 70.0).abs() < 0.1 && midnight.on_frac.expect("known") < 0.01
        );
        assert!((noon.shown_pct.expect("known") - 76.0).abs() < 1e-9);
        // Below the band of 60 %RH in the 12 h of light of 7 days, shown inside it (worked by hand).
        assert!((held[0].hidden_h.expect("known") - 84.0).abs() < 1.0, "{held:?}");
        assert!((held[0].on_at_pct.expect("often switched") - 55.0).abs() < 0.1);
    }

    #[test]
    fn the_controller_alone_proves_nothing() {
        let mut kit = Kit::new("2026-05-04", 21);
        kit.fill("stat", Quantity::Humidity, |_, _| Some(75.0));
        assert!(unjudged(
            &kit.judge("2026-05-18", "2026-05-25"),
            Kind::SetpointMissed
        ));
    }
}
