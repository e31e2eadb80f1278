//! Heaters that stay on beyond their set-point, heaters that are on and do not warm, and heaters that stay off though asked.
//!
//! Those that are on and do not warm are told in `failed`, those that cycle about another set-point in `elsewhere`.
//!
//! In: states of heaters, what the controller's own probe read (raw: the thermostat acted on it). Out: one finding a stretch.

mod elsewhere;
mod failed;

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Device, DeviceKind};
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::context::Context;
use super::device::{States, hours_within, overlapping, union};
use super::places::{Line, hour_of};
use super::usual::{Usual, hour_mean};
use crate::findings::{Finding, Kind, NotAssessed, Severity, Value, Verdicts};
use crate::statistics::robust::median;

/// How far above the set-point a probe may read while the heater is still on: its noise, the pause between its readings
/// and the message's way (common practice, no source).
const MARGIN_K: f64 = 0.4;
/// Time on beyond that, without a pause, that makes a finding, h: more than a slow heater's cycle where the thermostat is set
/// a little higher than written down; less where the probe stands far above, K (common practice, no source).
const STUCK_H_MIN: f64 = 2.5;
const STUCK_FAR_H_MIN: f64 = 2.0;
const FAR_K: f64 = 4.0;
/// It still holds when it did so this shortly before the end, unless the heater said otherwise since.
const OPEN_MS: i64 = MS_PER_HOUR;
/// A heater that is on for this long without warming has failed, h.
const FAILED_H_MIN: f64 = 3.0;
/// Known share of that time.
const KNOWN_FRAC_MIN: f64 = 0.5;
/// On for at most this share of a time, it was off.
const OFF_FRAC: f64 = 0.1;
/// Nothing is left of it below this, K: two thermometers' doubt.
const GONE_K: f64 = 0.5;

/// Judges every heater of the enclosure.
pub(super) fn judge(context: &Context<'_>) -> Verdicts {
    let mut verdicts = Verdicts::default();
    for device in context.enclosure.devices_of(DeviceKind::Heater) {
        let missing = match (context.states(device), controller(context, device)) {
            (None, _) => Some("it sends no states"),
            (_, None) => Some("no probe of its thermostat is heard"),
            (Some(_), _) if device.setpoint.temperature_c.is_none() => {
                Some("the site file gives no set-point for it")
            }
            (Some(states), Some(probe)) => {
                for (finding, is_still_on) in stuck(context, device, &states, &probe) {
                    if is_still_on && !states.is_repeated && is_no_warmer(context, &probe, &finding) {
                        verdicts
                            .not_assessed
                            .push(off_was_lost(context, device, &finding));
                    } else {
                        verdicts.findings.push(finding);
                    }
                }
                verdicts
                    .findings
                    .extend(failed::failed(context, device, &states, &probe));
                verdicts
                    .findings
                    .extend(unanswered(context, device, &states, &probe));
                verdicts
                    .findings
                    .extend(elsewhere::set_elsewhere(context, device, &states, &probe));
                None
            }
        };
        if let Some(reason) = missing {
            for kind in [Kind::HeaterStuckOn, Kind::HeaterFailed] {
                verdicts.not_assessed.push(context.not_assessed(
                    kind,
                    Some(&device.id),
                    context.span,
                    reason.to_owned(),
                ));
            }
        }
    }
    verdicts
}

/// What the thermostat's probe read, as it came; where that is not among the sensors, the first that is known for most of the span, or the one
/// that is known best.
fn controller(context: &Context<'_>, device: &Device) -> Option<Line> {
    const MOST_FRAC: f64 = 0.9;
    let read = |id: &str| {
        let series = context
            .record
            .get(id, Quantity::Temperature)?
            .filtered(|at, _, mark| mark != Mark::Impossible && at < context.span.until_ms);
        (!series.is_empty()).then(|| Line::of(&series))
    };
    if let Some(id) = context.enclosure.controller_of(device) {
        return read(id);
    }
    let sensors = &context.enclosure.sensors;
    let lines: Vec<Line> = sensors.iter().filter_map(|sensor| read(&sensor.id)).collect();
    let known_frac = |line: &&Line| line.known_frac(context.span);
    let well_known = lines.iter().find(|line| known_frac(line) >= MOST_FRAC);
    let best_known = || {
        lines
            .iter()
            .max_by(|a, b| known_frac(a).total_cmp(&known_frac(b)))
    };
    well_known.or_else(best_known).cloned()
}

/// Since when a heater's set-point is what the site file says, by the journal.
fn set_since_ms(context: &Context<'_>, device: &Device) -> i64 {
    context.last_noted_ms(&[journal::SETPOINT_CHANGED], device)
}

/// Spans inside `window` in which a heater was on although its probe read above set-point and margin.
pub(super) fn beyond_setpoint(
    context: &Context<'_>,
    device: &Device,
    states: &States,
    window: Span,
) -> Vec<Span> {
    let (Some(probe), Some(setpoint_c)) = (controller(context, device), device.setpoint.temperature_c) else {
        return Vec::new();
    };
    // Another probe than the thermostat's may stand above the set-point whenever the heater is on.
    let usually_c = match context.enclosure.controller_of(device) {
        Some(_) => None,
        None => elsewhere::usually_off_by_c(context, device, states, &probe),
    };
    let limit_c = usually_c.map_or(setpoint_c, |usually_c| usually_c.max(setpoint_c)) + MARGIN_K;
    let since = Span {
        from_ms: set_since_ms(context, device),
        until_ms: i64::MAX,
    };
    let mut spans = Vec::new();
    for on in window
        .intersect(since)
        .into_iter()
        .flat_map(|window| states.on_within(window))
    {
        probe
            .view()
            .pieces(on, probe.gap_ms, |from_ms, until_ms, v0, v1| {
                if v0 > limit_c && v1 > limit_c {
                    spans.push(Span { from_ms, until_ms });
                }
            });
    }
    union(spans)
}

/// Stretches of being on beyond the set-point, and of each whether the heater is on at the end of the record.
fn stuck(context: &Context<'_>, device: &Device, states: &States, probe: &Line) -> Vec<(Finding, bool)> {
    let setpoint_c = device.setpoint.temperature_c.unwrap_or_default();
    let all_beyond = beyond_setpoint(context, device, states, context.whole());
    // One time of being on after the other: a thermostat that cycles, only higher than written down, is not stuck.
    states
        .on
        .iter()
        .filter_map(|on| {
            let beyond = overlapping(&all_beyond, *on);
            let stretch = Span {
                from_ms: beyond.first()?.from_ms,
                until_ms: beyond.last()?.until_ms,
            };
            let hours: f64 = beyond.iter().map(|span| span.hours()).sum();
            let far = probe.summary(stretch).is_some_and(|s| s.high >= setpoint_c + FAR_K);
            let stuck = hours >= STUCK_H_MIN || (far && hours >= STUCK_FAR_H_MIN);
            let cycles = works_at_c(context, device, stretch).is_some();
            (stuck && !cycles && stretch.until_ms > context.span.from_ms).then_some((stretch, hours, *on))
        })
        .map(|(stretch, hours, on)| {
            let value = Value::new("hours on beyond its set-point", hours, "h");
            let mut finding = context.finding(Kind::HeaterStuckOn, stretch.from_ms, Severity::Urgent, value);
            finding.subject = device.id.clone();
            let is_still_on = on.until_ms >= context.span.until_ms;
            let went_off = !is_still_on && states.is_known(on.until_ms);
            let is_over = went_off || context.span.until_ms - stretch.until_ms > OPEN_MS;
            finding.end_ms = is_over.then_some(stretch.until_ms);
            finding.message = format!(
                "{} stayed on for {} although its probe read above the set-point of {}, from {}.",
                device.id,
                context.words.hours(hours),
                context.words.temperature(setpoint_c),
                context.words.moment(stretch.from_ms)
            );
            finding.advice = "Pull its plug now (dry hands, dry floor) and look at the animals. A welded relay or a loose \
                probe does this: replace the thermostat or its probe, check the set-point, and fit an independent high \
                cut-out, by an electrician where your rules ask for one. No software stands in for it."
                .to_owned();
            (finding, is_still_on)
        })
        .collect()
}

/// Whether the probe, over its room where that is measured, was as warm as usual while the heater is said to have been on beyond its
/// set-point; `false` where nothing is usual.
fn is_no_warmer(context: &Context<'_>, probe: &Line, stuck: &Finding) -> bool {
    let stretch = Span {
        from_ms: stuck.start_ms,
        until_ms: stuck.end_ms.unwrap_or(context.span.until_ms),
    };
    let day = context.zone.day(context.zone.date(stretch.from_ms));
    let Some(usual) = Usual::before(context, probe, f64::INFINITY, day.from_ms) else {
        return false;
    };
    let warmer_k = |from_ms: i64| {
        let hour = hour_of(context.zone, from_ms);
        let inside_c = hour_mean(probe, from_ms)?;
        match &context.room_c {
            Some(room) => Some(inside_c - hour_mean(room, from_ms)? - usual.excess_k.get(&hour)?),
            None => Some(inside_c - usual.inside_c.get(&hour)?),
        }
    };
    let hours: Vec<f64> = (context.zone.hour_start_ms(stretch.from_ms)..stretch.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .filter_map(warmer_k)
        .collect();
    median(&hours).is_some_and(|warmer_k| warmer_k < GONE_K)
}

/// What is said instead of a heater that sends its states on change only and did not say that it is off again.
fn off_was_lost(context: &Context<'_>, device: &Device, stuck: &Finding) -> NotAssessed {
    let span = Span {
        from_ms: stuck.start_ms,
        until_ms: stuck.end_ms.unwrap_or(context.span.until_ms),
    };
    let reason = format!(
        "{} said that it is on and nothing since, but from {} on its probe was no warmer than usual: its \"off\" seems to be lost; look whether it is on",
        device.id,
        context.words.moment(span.from_ms)
    );
    context.not_assessed(Kind::HeaterStuckOn, Some(&device.id), span, reason)
}

/// Below this a thermostat surely asks for heat, °C.
fn asks_below_c(device: &Device) -> Option<f64> {
    Some(device.setpoint.temperature_c? - device.setpoint.hysteresis_c.unwrap_or(MARGIN_K) - MARGIN_K)
}

/// Times in `window` at which the probe asked for heat.
fn asked(device: &Device, probe: &Line, window: Span) -> Vec<Span> {
    let Some(low_c) = asks_below_c(device) else {
        return Vec::new();
    };
    let mut asked = Vec::new();
    probe
        .view()
        .pieces(window, probe.gap_ms, |from_ms, until_ms, v0, v1| {
            if v0 < low_c && v1 < low_c {
                asked.push(Span { from_ms, until_ms });
            }
        });
    union(asked)
}

/// Times in `window` at which the probe asked for heat and got none, each at least [`FAILED_H_MIN`] long.
fn asked_in_vain(device: &Device, states: &States, probe: &Line, window: Span) -> Vec<Span> {
    let mut asked = asked(device, probe, window);
    asked.retain(|span| {
        span.hours() >= FAILED_H_MIN && states.on_frac(*span).is_some_and(|on_frac| on_frac <= OFF_FRAC)
    });
    asked
}

/// Stretches of being off although the probe asked for heat, where that is not how the heater is used.
fn unanswered(context: &Context<'_>, device: &Device, states: &States, probe: &Line) -> Vec<Finding> {
    let recent = Span {
        from_ms: context.span.from_ms - 2 * MS_PER_24_H,
        until_ms: context.span.until_ms,
    };
    let set_since_ms = set_since_ms(context, device);
    asked_in_vain(device, states, probe, recent)
        .into_iter()
        .filter(|stretch| stretch.until_ms > context.span.from_ms && stretch.from_ms >= set_since_ms)
        .filter(|stretch| answers_usually(device, states, probe, *stretch) && !mains_were_off(context, *stretch))
        .map(|stretch| {
            let value = Value::new("hours off though asked", stretch.hours(), "h");
            let mut finding = context.finding(Kind::HeaterFailed, stretch.from_ms, Severity::Urgent, value);
            finding.subject = device.id.clone();
            let came_on = states.on.iter().any(|on| on.until_ms > stretch.until_ms);
            let is_over = came_on || context.span.until_ms - stretch.until_ms > OPEN_MS;
            finding.end_ms = is_over.then_some(stretch.until_ms);
            let lowest = probe.summary(stretch).map_or(String::new(), |summary| {
                format!(", down to {}", context.words.temperature(summary.low))
            });
            finding.message = format!(
                "{} stayed off for {} from {} although its probe read below the set-point of {}{lowest}.",
                device.id,
                context.words.hours(stretch.hours()),
                context.words.moment(stretch.from_ms),
                context.words.temperature(device.setpoint.temperature_c.unwrap_or_default())
            );
            finding.advice = "Look at the animals, then see that it is plugged in and its fuse is whole (dry hands, dry floor); then \
                test the thermostat and the heater itself. Ask an electrician about anything on the mains near water."
                .to_owned();
            if let Some(off_c) = works_below_c(device, states, probe, stretch) {
                finding.severity = Severity::Warning;
                finding.message += &format!(
                    " It came on later and went off by itself at {}: its thermostat is set lower than the site file says.",
                    context.words.temperature(off_c)
                );
                finding.advice = "Look at the thermostat's own setting first; then write what it is set to into the site file, or set it to what \
                    the animals need. Look at the animals before you raise any heat."
                    .to_owned();
            }
            finding
        })
        .collect()
}

/// Where the probe stood when the heater, on at last, went off again although the probe still asked for heat, °C.
fn works_below_c(device: &Device, states: &States, probe: &Line, stretch: Span) -> Option<f64> {
    let low_c = asks_below_c(device)?;
    let soon = Span {
        until_ms: stretch.until_ms + MS_PER_HOUR,
        ..stretch
    };
    let ended = states
        .on
        .iter()
        .filter(|on| soon.contains(on.from_ms) && states.is_known(on.until_ms));
    ended
        .filter_map(|on| probe.value_at(on.until_ms))
        .find(|off_c| *off_c < low_c)
}

/// Whether the heater ran in the weeks before, and was seldom left off at these hours although asked: one on a timer, or out of use for
/// the summer, is not broken. One that nothing asked in these weeks may have lost its plug unseen: it is asked now for the first time.
fn answers_usually(device: &Device, states: &States, probe: &Line, stretch: Span) -> bool {
    const DAYS: i64 = 14;
    let before = Span {
        from_ms: stretch.from_ms - DAYS * MS_PER_24_H,
        until_ms: stretch.from_ms,
    };
    let days_in_vain = (1..=DAYS)
        .filter(|days| {
            let then = Span {
                from_ms: stretch.from_ms - days * MS_PER_24_H,
                until_ms: stretch.until_ms - days * MS_PER_24_H,
            };
            !asked_in_vain(device, states, probe, then).is_empty()
        })
        .count() as i64;
    let is_known = || {
        let heard = probe.summary(before).map_or(0.0, |summary| summary.covered_frac);
        states.on_frac(before).is_some() && heard >= KNOWN_FRAC_MIN
    };
    match hours_within(&states.on, before) > 0.0 {
        true => days_in_vain < DAYS / 2,
        false => is_known() && asked(device, probe, before).is_empty(),
    }
}

fn mains_were_off(context: &Context<'_>, stretch: Span) -> bool {
    let around = Span {
        from_ms: stretch.from_ms - MS_PER_HOUR,
        until_ms: stretch.until_ms,
    };
    context.record.power_was_cut(&context.enclosure.id, around)
}

/// A thermostat that switches off this much above its set-point is set to another one than written down, K.
const SET_ELSEWHERE_K: f64 = 1.0;
/// Switching off this often in a day is cycling.
const CYCLES_MIN: usize = 3;

/// Where a heater that cycles really switches off by its own probe, °C, if that is plainly above its set-point; `None` where the
/// probe went far beyond that in the window: a thermostat that cycled before has then failed.
pub(super) fn works_at_c(context: &Context<'_>, device: &Device, window: Span) -> Option<f64> {
    let around = Span {
        from_ms: window.from_ms - MS_PER_24_H,
        until_ms: window.until_ms + MS_PER_24_H,
    };
    let (states, probe) = (context.states(device)?, controller(context, device)?);
    let setpoint_c = device.setpoint.temperature_c?;
    let offs: Vec<f64> = states
        .on
        .iter()
        .filter(|on| around.contains(on.until_ms) && on.until_ms < context.span.until_ms)
        .filter_map(|on| probe.value_at(on.until_ms))
        .filter(|t_c| *t_c > setpoint_c + SET_ELSEWHERE_K)
        .collect();
    let works_at_c = median(&offs).filter(|_| offs.len() >= CYCLES_MIN)?;
    let highest_c = probe.summary(window)?.high;
    (highest_c <= works_at_c + SET_ELSEWHERE_K).then_some(works_at_c)
}

/// By how much a thermostat's probe read cooler than usual beside the places of the animals, K, if plainly so.
pub(super) fn probe_too_cool_k(context: &Context<'_>, window: Span) -> Option<f64> {
    const USUAL_DAYS: i64 = 14;
    let places = context.temperature.as_ref()?;
    context
        .enclosure
        .devices_of(DeviceKind::Heater)
        .find_map(|device| {
            let probe = controller(context, device)?;
            let beside = |span: Span| Some(probe.summary(span)?.mean - places.mean.summary(span)?.mean);
            let before: Vec<f64> = (2..=USUAL_DAYS)
                .filter_map(|days| {
                    beside(Span {
                        from_ms: window.from_ms - days * MS_PER_24_H,
                        until_ms: window.until_ms - days * MS_PER_24_H,
                    })
                })
                .collect();
            let cooler_k = median(&before)? - beside(window)?;
            (cooler_k >= SET_ELSEWHERE_K).then_some(cooler_k)
        })
}

/// What a heater did in a time that was too warm, in words; `None` where it kept to its set-point, or is not known.
pub(super) fn why_warmth(context: &Context<'_>, window: Span) -> Option<String> {
    let mut heaters = context.enclosure.devices_of(DeviceKind::Heater);
    heaters.find_map(|device| {
        let works_at_c = works_at_c(context, device, window)?;
        Some(set_higher(context, works_at_c))
    })
}

/// A thermostat that cycles elsewhere than the site file says, in words.
pub(super) fn set_higher(context: &Context<'_>, works_at_c: f64) -> String {
    format!(
        "the heater still cycled, but switched off only at {} by its own probe: its thermostat is set higher than the site file says",
        context.words.temperature(works_at_c)
    )
}

/// Why a heater did not keep a cold time warm, in words; `None` where it did what its thermostat should ask, or is not known.
pub(super) fn why_no_warmth(context: &Context<'_>, window: Span) -> Option<String> {
    /// On for this share of the time, it gave all it has.
    const FULL_FRAC: f64 = 0.8;
    context
        .enclosure
        .devices_of(DeviceKind::Heater)
        .find_map(|device| {
            let (states, probe) = (context.states(device)?, controller(context, device)?);
            let setpoint_c = device.setpoint.temperature_c?;
            let low_c = asks_below_c(device)?;
            let on_frac = states.on_frac(window)?;
            let asked_h = probe.below(low_c, window).hours;
            if on_frac >= FULL_FRAC {
                return Some(format!(
                    "{} was on for {} of that time and did not keep it warm",
                    device.id,
                    crate::words::percent(on_frac)
                ));
            }
            (on_frac <= OFF_FRAC && asked_h >= 0.5 * window.hours()).then(|| {
            format!(
                "{} stayed off although its probe read below its set-point of {}: plug, fuse or thermostat",
                device.id,
                context.words.temperature(setpoint_c)
            )
        })
        })
}

/// Whether it is known what every heater of the enclosure did and was asked to do.
pub(super) fn are_known(context: &Context<'_>, window: Span) -> bool {
    let mut heaters = context.enclosure.devices_of(DeviceKind::Heater).peekable();
    heaters.peek().is_some()
        && heaters.all(|device| {
            let is_heard = context
                .states(device)
                .and_then(|states| states.on_frac(window))
                .is_some();
            is_heard && device.setpoint.temperature_c.is_some() && controller(context, device).is_some()
        })
}

/// Hours a device was on in a span; used by the set-point's duty.
pub(super) fn hours_on(states: &States, span: Span) -> f64 {
    hours_within(&states.on, span)
}

#[cfg(test)]
mod tests;
