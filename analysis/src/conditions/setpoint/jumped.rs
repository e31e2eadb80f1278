//! A level that jumped: from one day to the next the humidistat's own probe and every other sensor show another humidity, which the room
//! does not explain. The dial or the set-point was turned, the device stays on or brings less, or the vents let out more or less.
//!
//! In: daily means of humidity and temperature inside, of the room's vapour. Out: a finding with when, from where and to where.

use mosswarden_config::journal::{
    CHANGES_AIR, DEVICE_REPLACED, SCHEDULE_CHANGED, SENSOR_MOVED, SENSOR_REPLACED, SETPOINT_CHANGED,
};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Device;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::super::context::Context;
use super::super::places::Line;
use super::held::shown_by_controller;
use crate::findings::{Finding, Kind, Severity, Value};
use crate::physics::humidity::{saturation_vapour_pressure_pa, vapour_density_g_m3, vapour_pressure_pa};
use crate::physics::uncertainty::COVERAGE_FACTOR;
use crate::statistics::Estimate;
use crate::statistics::robust::{median, robust_standard_deviation};

/// How far back the jump may lie (own choice).
const BACK_DAYS: i64 = 42;
/// Days before it: that are needed, and that are looked at; days since it that are needed (own choices).
const BEFORE_DAYS: (usize, usize) = (7, 14);
const SINCE_DAYS_MIN: usize = 2;
/// Days on either side that say whether room and warmth jumped with it (own choice).
const NEAR_DAYS: usize = 3;
/// Of a day that counts.
const DAY_KNOWN_H_MIN: f64 = 18.0;
/// A day's mean is not known better than this, %RH (own choice).
const DAY_PCT: f64 = 0.3;
/// Smaller jumps are the weather's, the soil's or a sensor's, %RH (own choice).
const JUMP_PCT_MIN: f64 = 5.0;
/// The days on either side scatter by less than this share of it.
const SCATTER_FRAC_MAX: f64 = 0.25;
/// Every other sensor moved by at least this share of it, and so did the vapour: air that is as moist and cooler shows more.
const SHARED_FRAC_MIN: f64 = 0.5;
/// The room moved by less than this share of it.
const ROOM_FRAC_MAX: f64 = 0.25;
/// Up to this far from the set-point it was held as asked for, %RH: beside the hysteresis, what a cheap humidistat is off by.
const HELD_PCT: f64 = 5.0;
/// The widening of an interval of days that carry over: twice the variance (own choice).
const INFLATION: f64 = 2.0;
/// A noted change this near explains it.
const NOTED_NEAR_MS: i64 = 2 * MS_PER_24_H;
const EXPLAIN: [&str; 5] = [
    SETPOINT_CHANGED,
    SCHEDULE_CHANGED,
    DEVICE_REPLACED,
    SENSOR_MOVED,
    SENSOR_REPLACED,
];

/// The humidity by the controller's own probe, %RH.
struct Jump {
    since_ms: i64,
    before_pct: f64,
    now_pct: f64,
    /// Now less before.
    by_pct: Estimate,
}

/// Judges the level that a device holds.
pub(super) fn judge(context: &Context<'_>, device: &Device, set_pct: f64) -> Option<Finding> {
    let jump = find(context, device, set_pct)?;
    Some(finding(context, device, set_pct, &jump))
}

/// The jump of a device's enclosure; `None` where there is none, or the room, the controller's probe or another sensor is not known.
fn find(context: &Context<'_>, device: &Device, set_pct: f64) -> Option<Jump> {
    let line = |id: &str| {
        let usable = context.trusted.get(id, Quantity::Humidity)?;
        Some(Line::of(&usable.series))
    };
    let controller = device.controlled_by.as_deref()?;
    let own = shown_by_controller(context, device)?;
    let sensors = context.enclosure.sensors.iter();
    let others: Vec<Line> = sensors
        .filter(|s| s.id != controller)
        .filter_map(|s| line(&s.id))
        .collect();
    let temperature = &context.temperature.as_ref()?.mean;
    let (room_c, room_pct) = (context.room_c.as_ref()?, context.room_pct.as_ref()?);
    if others.is_empty() {
        return None;
    }
    let back = Span {
        from_ms: context.span.until_ms - BACK_DAYS * MS_PER_24_H,
        until_ms: context.span.until_ms,
    };
    let days: Vec<Day> = context
        .zone
        .dates(back)
        .into_iter()
        .map(|date| context.zone.day(date))
        .filter(|day| day.until_ms <= context.span.until_ms)
        .filter_map(|day| {
            let mean = |line: &Line| Some(line.summary(day).filter(|s| s.covered_h >= DAY_KNOWN_H_MIN)?.mean);
            let (own_pct, t_c) = (mean(&own)?, mean(temperature)?);
            let at = |t_c: f64, rh_pct: f64| vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, rh_pct));
            let saturated = vapour_density_g_m3(t_c, saturation_vapour_pressure_pa(t_c));
            Some(Day {
                from_ms: day.from_ms,
                own_pct,
                own_g_m3: at(t_c, own_pct),
                others_pct: others.iter().map(mean).collect(),
                room_g_m3: at(mean(room_c)?, mean(room_pct)?),
                saturated_g_m3: saturated,
            })
        })
        .collect();
    let splits = BEFORE_DAYS.0..(days.len() + 1).saturating_sub(SINCE_DAYS_MIN);
    let (_, jump) = splits
        .filter_map(|split| split_at(&days, split))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    let off_pct = |pct: f64| (pct - set_pct).abs();
    // What comes back to what is asked for is put right.
    let left_it = off_pct(jump.before_pct) <= held_within_pct(device)
        && off_pct(jump.now_pct) > off_pct(jump.before_pct);
    let mut noted = context.noted(&EXPLAIN, |_| true);
    noted.extend(context.noted(&CHANGES_AIR, |_| true));
    let is_noted = noted
        .iter()
        .any(|at_ms| (at_ms - jump.since_ms).abs() <= NOTED_NEAR_MS);
    (left_it && !is_noted).then_some(jump)
}

/// Up to how far from its set-point a device holds as asked for, %RH.
fn held_within_pct(device: &Device) -> f64 {
    device.setpoint.hysteresis_pct.unwrap_or(0.0) + HELD_PCT
}

/// What is said of a jump.
fn finding(context: &Context<'_>, device: &Device, set_pct: f64, jump: &Jump) -> Finding {
    let by = jump.by_pct;
    let value = Value::new("change of the humidity held", by.value, "%RH").between(by.low, by.high);
    let severity = if (jump.now_pct - set_pct).abs() > held_within_pct(device) {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let mut finding = context.finding(Kind::SetpointMissed, jump.since_ms, severity, value);
    finding.subject = device.id.clone();
    finding.also = vec![
        Value::new("held before", jump.before_pct, "%RH"),
        Value::new("held since", jump.now_pct, "%RH"),
    ];
    let (causes, look) = if by.value > 0.0 {
        (
            format!(
                "its dial or set-point was turned, {} stays on, or the air goes out more slowly",
                device.id
            ),
            format!(
                "see whether {} rests when it should, and look at the vents",
                device.id
            ),
        )
    } else {
        (
            format!(
                "its dial or set-point was turned, {} brings less, or the air goes out faster",
                device.id
            ),
            "at water, disc and nozzle with the plug out, and at door and lid".to_owned(),
        )
    };
    finding.message = format!(
        "Since about {} the humidistat's own probe shows {:.1} %RH on average instead of {:.1}, the other sensors went along, and the room did \
         not; {set_pct:.0} %RH is asked for. Most likely {causes}.",
        context.words.day(jump.since_ms),
        jump.now_pct,
        jump.before_pct,
    );
    finding.advice = format!(
        "Look at the dial, {look}. If the set-point was changed on purpose, write it into the site file and the journal."
    );
    finding
}

/// One day's means.
struct Day {
    from_ms: i64,
    own_pct: f64,
    own_g_m3: f64,
    others_pct: Vec<Option<f64>>,
    room_g_m3: f64,
    saturated_g_m3: f64,
}

/// How far one day leapt from the one before it, %RH, and how the days part there; `None` where they do not as a jump of the held level does.
fn split_at(days: &[Day], split: usize) -> Option<(f64, Jump)> {
    let (before, since) = (&days[split.saturating_sub(BEFORE_DAYS.1)..split], &days[split..]);
    let middle = |of: &[Day], value: &dyn Fn(&Day) -> Option<f64>| {
        median(&of.iter().filter_map(value).collect::<Vec<_>>())
    };
    let own = |day: &Day| Some(day.own_pct);
    let (before_pct, now_pct) = (middle(before, &own)?, middle(since, &own)?);
    let by = now_pct - before_pct;
    let (size, sign) = (by.abs(), by.signum());
    // How far something went along with the jump.
    let along =
        |value: &dyn Fn(&Day) -> Option<f64>| Some(sign * (middle(since, value)? - middle(before, value)?));
    let scatter = |of: &[Day]| {
        let values: Vec<f64> = of.iter().map(|day| day.own_pct).collect();
        robust_standard_deviation(&values).map(|sd| sd.max(DAY_PCT))
    };
    let (sd_before, sd_since) = (scatter(before)?, scatter(since)?);
    let has_jumped = |day: &Day| sign * (day.own_pct - before_pct) >= SHARED_FRAC_MIN * size;
    let is_sudden = !has_jumped(&days[split - 1]) && since[..SINCE_DAYS_MIN].iter().all(has_jumped);
    let others_along = (0..days[split].others_pct.len()).all(|other| {
        along(&|day: &Day| day.others_pct[other]).is_some_and(|pct| pct >= SHARED_FRAC_MIN * size)
    });
    // Room and warmth move by themselves over weeks, so it is asked how they moved with the jump.
    let near = (
        &before[before.len() - NEAR_DAYS..],
        &since[..NEAR_DAYS.min(since.len())],
    );
    let saturated_g_m3 = middle(near.1, &|day: &Day| Some(day.saturated_g_m3))?;
    let in_pct = |value: &dyn Fn(&Day) -> Option<f64>| {
        let moved_g_m3 = middle(near.1, value)? - middle(near.0, value)?;
        Some(100.0 * sign * moved_g_m3 / saturated_g_m3)
    };
    let vapour_pct = in_pct(&|day: &Day| Some(day.own_g_m3))?;
    let room_pct = in_pct(&|day: &Day| Some(day.room_g_m3))?;
    let is_jump = size >= JUMP_PCT_MIN
        && sd_before.max(sd_since) <= SCATTER_FRAC_MAX * size
        && is_sudden
        && others_along
        && vapour_pct >= SHARED_FRAC_MIN * size
        && room_pct <= ROOM_FRAC_MAX * size;
    let variance = sd_before.powi(2) / before.len() as f64 + sd_since.powi(2) / since.len() as f64;
    let half_width = COVERAGE_FACTOR * (INFLATION * variance).sqrt();
    let jump = Jump {
        since_ms: days[split].from_ms,
        before_pct,
        now_pct,
        by_pct: Estimate {
            value: by,
            low: by - half_width,
            high: by + half_width,
        },
    };
    let leap_pct = sign * (days[split].own_pct - days[split - 1].own_pct);
    is_jump.then_some((leap_pct, jump))
}

#[cfg(test)]
mod tests {
    use super::super::super::kit::{Kit, of};
    use super::*;

    /// What is told where all sensors show 8 %RH more from a day on, or from the beginning until that day, while the room's humidity is
    /// `room_pct` from then on.
    fn jumped_by_8(is_since: bool, room_pct: f64, noted: Option<&str>) -> Vec<Finding> {
        let mut kit = Kit::quiet("2026-05-04", 21);
        let since = kit.at("2026-05-20");
        for (sensor, stands_pct) in [("stat", 75.0), ("check", 77.0), ("cool", 79.0)] {
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                let slow = (kit.hour(at) / 24.0 * std::f64::consts::TAU).sin();
                Some(stands_pct + slow + if (at >= since) == is_since { 8.0 } else { 0.0 })
            });
        }
        kit.refill("wall", Quantity::Humidity, |_, at| {
            Some(if at >= since { room_pct } else { 50.0 })
        });
        if let Some(kind) = noted {
            kit.entry_of("box", since, kind);
        }
        of(&kit.judge("2026-05-18", "2026-05-25"), Kind::SetpointMissed)
            .into_iter()
            .cloned()
            .collect()
    }

    #[test]
    fn a_level_that_jumped_is_told_unless_the_room_or_the_keeper_did_it() {
        let found = jumped_by_8(true, 50.0, None);
        assert_eq!(found.len(), 1, "{found:?}");
        let kit = Kit::new("2026-05-04", 21);
        assert_eq!(found[0].start_ms, kit.at("2026-05-20"));
        assert!(
            (found[0].value.estimate - 8.0).abs() < 0.5,
            "{:?}",
            found[0].value
        );
        assert!(
            found[0].message.contains("83.0 %RH on average instead of 75.0"),
            "{}",
            found[0].message
        );
        assert!(
            jumped_by_8(false, 50.0, None).is_empty(),
            "it holds what is asked for"
        );
        assert!(jumped_by_8(true, 70.0, None).is_empty());
        assert!(jumped_by_8(true, 50.0, Some("setpoint-changed")).is_empty());
        assert_eq!(jumped_by_8(true, 50.0, Some("ate")).len(), 1);
    }
}
