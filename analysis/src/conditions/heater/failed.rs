//! Heaters that are on and do not warm, by three signs: the probe falls towards its room; it stands no higher than the room; or it takes no
//! notice of the switching that lifts it otherwise.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Device;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::{FAILED_H_MIN, GONE_K, KNOWN_FRAC_MIN, MARGIN_K, mains_were_off};
use crate::conditions::context::Context;
use crate::conditions::device::States;
use crate::conditions::places::{Line, hour_of};
use crate::conditions::usual::{Usual, hour_mean};
use crate::findings::{Finding, Kind, Severity, Value};
use crate::statistics::robust::median;

/// The excess over the room that is left when a heater fails, as a share of the usual at that hour, or of what it was.
const EXCESS_LEFT_FRAC: f64 = 0.6;
/// The usual excess must be at least this, K, for its loss to show by itself.
const EXCESS_K_MIN: f64 = 1.0;
/// A fall while on that says it alone, K, where the room can't be compared.
const FALL_ALONE_K: f64 = 1.0;
/// Warming that a working heater reaches in that time, K (common practice, no source).
const WARMING_K_MIN: f64 = 0.5;

/// Stretches of being on without warming.
pub(super) fn failed(context: &Context<'_>, device: &Device, states: &States, probe: &Line) -> Vec<Finding> {
    let recent = Span {
        from_ms: context.span.from_ms - 2 * MS_PER_24_H,
        until_ms: context.span.until_ms,
    };
    let habit = Habit::of(states, probe);
    let runs = states.on.iter().filter(|on| on.until_ms > context.span.from_ms);
    runs.filter_map(|run| Failed::of(context, device, probe, *run, run.intersect(recent)?, habit))
        .map(|failed| failed.told(context, device))
        .collect()
}

/// A heater that was on and did not warm.
struct Failed {
    on: Span,
    /// Its probe at the beginning, and at its lowest on the first day, °C.
    first_c: f64,
    low_c: f64,
    sign: Sign,
}

/// What says that it did not warm.
enum Sign {
    /// Its probe fell, or fell again after it had warmed.
    Fell,
    /// Its probe stood no higher than the room.
    NoWarmerThanRoom,
    /// Its probe took no notice of the switching.
    NoNotice(Habit),
}

impl Failed {
    /// `on` is what of `run` is looked at.
    fn of(
        context: &Context<'_>,
        device: &Device,
        probe: &Line,
        run: Span,
        mut on: Span,
        habit: Option<Habit>,
    ) -> Option<Failed> {
        let setpoint_c = device.setpoint.temperature_c.unwrap_or_default();
        let low_c = setpoint_c - device.setpoint.hysteresis_c.unwrap_or(MARGIN_K);
        // Later in the day a lamp may warm the probe: what counts is the time until the probe was lowest, on the first of many days.
        let first_day = Span {
            from_ms: on.from_ms,
            until_ms: on.until_ms.min(on.from_ms + MS_PER_24_H),
        };
        let whole = probe.summary(first_day)?;
        if let Some(works_ms) = works_again_ms(context, probe, on) {
            if works_ms < first_day.until_ms.max(context.span.from_ms) {
                return None;
            }
            on.until_ms = works_ms;
        }
        let falling = Span {
            from_ms: on.from_ms,
            until_ms: whole.low_at_ms,
        };
        let during = probe.summary(falling)?;
        let first_c = probe.value_at(on.from_ms).unwrap_or(during.high);
        let failed = |on: Span, first_c: f64, sign: Sign| Failed {
            on,
            first_c,
            low_c: during.low,
            sign,
        };
        if first_c <= setpoint_c + MARGIN_K && !mains_were_off(context, on) {
            // The habit asks what happened as it went on, however long ago that was.
            if let Some(habit) = habit.filter(|habit| habit.is_broken(context, probe, run)) {
                let since = Span {
                    from_ms: run.from_ms,
                    ..on
                };
                let first_c = probe.value_at(run.from_ms).unwrap_or(first_c);
                return Some(failed(since, first_c, Sign::NoNotice(habit)));
            }
            if stays_at_room(context, probe, on, low_c) {
                return Some(failed(on, first_c, Sign::NoWarmerThanRoom));
            }
        }
        if let Some(died) = Died::of(context, probe, first_day) {
            // It warmed at first.
            let since = Span {
                from_ms: died.at_ms,
                ..on
            };
            return Some(failed(since, died.high_c, Sign::Fell));
        }
        // A working heater lifts its probe, or holds it above the room; a failed one lets it fall towards the room.
        let warmed = during.high - first_c >= WARMING_K_MIN || during.high > low_c + WARMING_K_MIN;
        let fell_k = first_c - during.low;
        let has_fallen = falling.hours() >= FAILED_H_MIN
            && !warmed
            && during.covered_frac >= KNOWN_FRAC_MIN
            && fell_k >= WARMING_K_MIN
            && excess_lost(context, probe, falling).unwrap_or(fell_k >= FALL_ALONE_K);
        has_fallen.then(|| failed(on, first_c, Sign::Fell))
    }

    fn told(&self, context: &Context<'_>, device: &Device) -> Finding {
        let (words, on) = (context.words, self.on);
        let hours = on.hours();
        let value = Value::new("hours on with no warming", hours, "h");
        let mut finding = context.finding(Kind::HeaterFailed, on.from_ms, Severity::Urgent, value);
        finding.subject = device.id.clone();
        finding.end_ms = (on.until_ms < context.span.until_ms).then_some(on.until_ms);
        let sign = match &self.sign {
            Sign::Fell => String::new(),
            Sign::NoWarmerThanRoom => ", no warmer than the room".to_owned(),
            Sign::NoNotice(habit) => format!(
                ", while it usually rises by {} within {}",
                words.difference(habit.rise_k),
                words.hours(habit.within_ms as f64 / MS_PER_HOUR as f64)
            ),
        };
        finding.message = format!(
            "{} was on for {} from {} without warming: its probe went from {} to {}{sign}.",
            device.id,
            words.hours(hours),
            words.moment(on.from_ms),
            words.temperature(self.first_c),
            words.temperature(self.low_c),
        );
        let advice = match still_warm(context, device, on) {
            Some(id) => {
                finding.message += &format!(
                    " But {id} stayed as warm over the room as ever, in the dark: the heater warms, and the probe hangs where it does not."
                );
                "Look at once where the thermostat's probe hangs, and put it back: until then the heater does not end, and the enclosure may \
                 overheat. Only an independent high cut-out stands between."
            }
            None => {
                "Check plug, fuse, cable and the heater itself, unplugged and cold; replace it rather than repair \
                 it, and ask an electrician about anything on the mains near water. Until then keep the room warm enough."
            }
        };
        advice.clone_into(&mut finding.advice);
        finding
    }
}

/// A heater that warmed and then ceased to, while it was on.
struct Died {
    at_ms: i64,
    high_c: f64,
}

impl Died {
    /// Where the probe fell from its highest on for hours, and lost what it has over its room.
    fn of(context: &Context<'_>, probe: &Line, on: Span) -> Option<Died> {
        let whole = probe.summary(on)?;
        let falling = Span {
            from_ms: whole.high_at_ms,
            until_ms: whole.low_at_ms,
        };
        let has_died = falling.from_ms < falling.until_ms
            && falling.hours() >= FAILED_H_MIN
            && probe.summary(falling)?.covered_frac >= KNOWN_FRAC_MIN
            && whole.high - whole.low >= FALL_ALONE_K
            && excess_lost(context, probe, falling)?;
        has_died.then_some(Died {
            at_ms: falling.from_ms,
            high_c: whole.high,
        })
    }
}

/// From when on a heater that is on warms again, by the first of its days on which it does: a failure of some days was repaired then.
fn works_again_ms(context: &Context<'_>, probe: &Line, on: Span) -> Option<i64> {
    (on.from_ms..on.until_ms)
        .step_by(MS_PER_24_H as usize)
        .map(|from_ms| Span {
            from_ms,
            until_ms: on.until_ms.min(from_ms + MS_PER_24_H),
        })
        .find(|day| recovered(context, probe, *day))
        .and_then(|day| Some(probe.summary(day)?.low_at_ms))
}

/// Whether the probe climbed again while the heater was on and the light did not come on: then the room grew cold, or the door stood open, and
/// the heater works. Where the room is known it stands above it nearly as usual; else it climbed plainly in the dark.
fn recovered(context: &Context<'_>, probe: &Line, on: Span) -> bool {
    let Some(low) = probe.summary(on) else {
        return false;
    };
    let since = Span {
        from_ms: low.low_at_ms,
        until_ms: on.until_ms,
    };
    let light = context.light_within(since);
    let is_lit = light.first().is_some_and(|light| light.from_ms == since.from_ms);
    let lit_ms = light
        .iter()
        .map(|light| light.from_ms)
        .find(|lit_ms| *lit_ms > since.from_ms);
    let until_ms = lit_ms.unwrap_or(since.until_ms).min(since.until_ms);
    let last = Span {
        from_ms: until_ms - MS_PER_HOUR,
        until_ms,
    };
    let Some(last_c) = probe.summary(last).map(|last| last.mean) else {
        return false;
    };
    if last.from_ms < since.from_ms {
        return false;
    }
    let climb_k = last_c - low.low;
    let Some(room) = &context.room_c else {
        return !is_lit && climb_k >= FALL_ALONE_K;
    };
    let day = context.zone.day(context.zone.date(on.from_ms));
    let excess_k = room.summary(last).map(|room| last_c - room.mean);
    let usual_k = Usual::before(context, probe, f64::INFINITY, day.from_ms)
        .and_then(|usual| usual.excess_k.get(&hour_of(context.zone, last.from_ms)).copied());
    climb_k >= WARMING_K_MIN
        && excess_k.zip(usual_k).is_some_and(|(excess_k, usual_k)| {
            usual_k >= EXCESS_K_MIN && excess_k >= EXCESS_LEFT_FRAC * usual_k
        })
}

/// Another sensor of the enclosure that lost nothing of its excess over the room in the dark while the heater was on.
fn still_warm<'c>(context: &Context<'c>, device: &Device, on: Span) -> Option<&'c str> {
    let dates = context.zone.dates(Span {
        from_ms: on.from_ms - MS_PER_24_H,
        until_ms: on.until_ms,
    });
    let dark = dates
        .into_iter()
        .filter_map(|date| context.night_on(date).intersect(on))
        .max_by_key(|dark| dark.until_ms - dark.from_ms)
        .filter(|dark| dark.hours() >= FAILED_H_MIN)?;
    let room_c = context.room_c.as_ref()?.summary(dark)?.mean;
    let controller = context.enclosure.controller_of(device);
    let others = context
        .enclosure
        .sensors
        .iter()
        .map(|sensor| sensor.id.as_str())
        .filter(|id| Some(*id) != controller);
    others.into_iter().find(|id| {
        let Some(usable) = context.trusted.get(id, Quantity::Temperature) else {
            return false;
        };
        let line = Line::of(&usable.series);
        let is_warm = line
            .summary(dark)
            .is_some_and(|s| s.covered_frac >= KNOWN_FRAC_MIN && s.mean - room_c >= EXCESS_K_MIN);
        is_warm && excess_lost(context, &line, dark) == Some(false)
    })
}

/// Whether after [`FAILED_H_MIN`] of being on the probe still asks for heat and stands no higher than its room, by their doubt.
fn stays_at_room(context: &Context<'_>, probe: &Line, on: Span, low_c: f64) -> bool {
    let last_hour = Span {
        from_ms: on.from_ms + ((FAILED_H_MIN - 1.0) * MS_PER_HOUR as f64) as i64,
        until_ms: on.from_ms + (FAILED_H_MIN * MS_PER_HOUR as f64) as i64,
    };
    let (Some(room), Some(first_c)) = (context.room_c.as_ref(), probe.value_at(on.from_ms)) else {
        return false;
    };
    let then = probe.summary(last_hour).zip(room.summary(last_hour));
    on.until_ms >= last_hour.until_ms
        && then.is_some_and(|(probe, room)| {
            probe.covered_frac.min(room.covered_frac) >= KNOWN_FRAC_MIN
                && probe.mean < low_c
                && probe.mean - first_c < WARMING_K_MIN
                && probe.mean - room.mean < GONE_K
        })
}

/// What a heater usually does to its probe when it switches on.
#[derive(Debug, Clone, Copy)]
struct Habit {
    /// The usual length of a run, ms, at most [`HABIT_MS_MAX`].
    within_ms: i64,
    /// How far the probe usually rises in that time, K.
    rise_k: f64,
    /// By how much that is more than it rose in as long a time before, K. A heater that is too weak for the cold still bends the line.
    bend_k: f64,
}

/// Runs that make a habit, and how long they may take (own choice, as are the shares below).
const HABIT_RUNS_MIN: usize = 8;
const HABIT_MS_MAX: i64 = MS_PER_HOUR;
const HABIT_RISE_K_MIN: f64 = 0.3;
/// A run this many times as long as usual, and this long at least, h, at whose start the probe rose by no more than this share of the usual
/// and its line was bent by no more than that share.
const HABIT_TIMES: i64 = 5;
const HABIT_H_MIN: f64 = 2.0;
const HABIT_RISE_FRAC: f64 = 0.2;
const HABIT_BEND_FRAC: f64 = 0.4;
/// And its line climbed by less than this share of the usual rise, within this long where the room is known.
const HABIT_CLIMB_FRAC: f64 = 0.5;
const CLIMB_H: f64 = 3.0;

impl Habit {
    /// From all runs of the record; `None` where they are few, slow, or move the probe by less than [`HABIT_RISE_K_MIN`].
    fn of(states: &States, probe: &Line) -> Option<Habit> {
        let middle = |values: &[f64]| median(values).filter(|_| values.len() >= HABIT_RUNS_MIN);
        let lengths: Vec<f64> = states
            .on
            .iter()
            .map(|on| (on.until_ms - on.from_ms) as f64)
            .collect();
        let within_ms = middle(&lengths)? as i64;
        let (rises, bends): (Vec<f64>, Vec<f64>) = states
            .on
            .iter()
            .filter_map(|on| rise_and_bend(probe, on.from_ms, within_ms))
            .unzip();
        let (rise_k, bend_k) = (middle(&rises)?, middle(&bends)?);
        (within_ms <= HABIT_MS_MAX && rise_k >= HABIT_RISE_K_MIN).then_some(Habit {
            within_ms,
            rise_k,
            bend_k,
        })
    }

    /// Whether the heater was on far longer than usual, and its probe took no notice when it began, nor climbed ([`climb_k`]). Where the light changed as it began, that hides what a heater does.
    fn is_broken(self, context: &Context<'_>, probe: &Line, on: Span) -> bool {
        let length_ms = on.until_ms - on.from_ms;
        let around = Span {
            from_ms: on.from_ms - self.within_ms,
            until_ms: on.from_ms + self.within_ms,
        };
        let light_changed = context.light_within(around).iter().any(|light| *light != around);
        on.hours() >= HABIT_H_MIN
            && length_ms >= HABIT_TIMES * self.within_ms
            && !light_changed
            && rise_and_bend(probe, on.from_ms, self.within_ms).is_some_and(|(rise_k, bend_k)| {
                rise_k <= HABIT_RISE_FRAC * self.rise_k && bend_k <= HABIT_BEND_FRAC * self.bend_k
            })
            && climb_k(context, probe, on) < HABIT_CLIMB_FRAC * self.rise_k
    }
}

/// How far half-hourly means climbed from their lowest while a heater was on, K: water that was given as it began, or a lamp that went off soon
/// after, cools its probe, and then it warms; what a lamp or the room do later is not its. Over the room where that is known, in the first
/// [`CLIMB_H`] at most and until the light comes on; else in the first [`HABIT_H_MIN`].
fn climb_k(context: &Context<'_>, probe: &Line, on: Span) -> f64 {
    const PIECE_MS: i64 = MS_PER_HOUR / 2;
    let after = |hours: f64| on.from_ms + (hours * MS_PER_HOUR as f64) as i64;
    let first_ms = after(HABIT_H_MIN);
    let until_ms = match context.room_c {
        Some(_) => {
            let lit = context.light_within(on).into_iter().map(|light| light.from_ms);
            lit.filter(|lit_ms| *lit_ms > first_ms)
                .fold(on.until_ms.min(after(CLIMB_H)), i64::min)
        }
        None => first_ms,
    };
    let (mut lowest_k, mut climb_k) = (f64::INFINITY, 0.0_f64);
    for from_ms in (on.from_ms..until_ms).step_by(PIECE_MS as usize) {
        let piece = Span {
            from_ms,
            until_ms: (from_ms + PIECE_MS).min(until_ms),
        };
        let mean_c = |line: &Line| line.summary(piece).map(|summary| summary.mean);
        // A pause of the room's sensor is no climb.
        let room_c = context.room_c.as_ref().map_or(Some(0.0), mean_c);
        if let Some((mean_c, room_c)) = mean_c(probe).zip(room_c) {
            let excess_k = mean_c - room_c;
            lowest_k = lowest_k.min(excess_k);
            climb_k = climb_k.max(excess_k - lowest_k);
        }
    }
    climb_k
}

/// How far a probe rose within a time after an instant, and how much more that is than in as long a time before, K.
fn rise_and_bend(probe: &Line, at_ms: i64, within_ms: i64) -> Option<(f64, f64)> {
    let at_c = probe.value_at(at_ms)?;
    let rise_k = probe.value_at(at_ms + within_ms)? - at_c;
    let before_k = at_c - probe.value_at(at_ms - within_ms)?;
    Some((rise_k, rise_k - before_k))
}

/// Whether the excess over the room is well below the usual at the end of `on`, or well below what it was at its beginning where
/// nothing is usual yet; `None` where that can't be compared.
fn excess_lost(context: &Context<'_>, probe: &Line, on: Span) -> Option<bool> {
    let room = context.room_c.as_ref()?;
    let excess_k = |at_ms: i64| Some(probe.value_at(at_ms)? - room.value_at(at_ms)?);
    let day = context.zone.day(context.zone.date(on.from_ms));
    let Some(usual) = Usual::before(context, probe, f64::INFINITY, day.from_ms) else {
        let (first_k, last_k) = excess_k(on.from_ms).zip(excess_k(on.until_ms))?;
        return Some(first_k - last_k >= FALL_ALONE_K && last_k < EXCESS_LEFT_FRAC * first_k);
    };
    let (mut now, mut before, mut hours) = (0.0, 0.0, 0.0);
    // The first hour is left out: the heat that is stored fades over it.
    let mut from_ms = context.zone.hour_start_ms(on.from_ms) + 2 * MS_PER_HOUR;
    while from_ms + MS_PER_HOUR <= on.until_ms {
        let hour = hour_of(context.zone, from_ms);
        if let (Some(inside_c), Some(room_c), Some(excess_k)) = (
            hour_mean(probe, from_ms),
            hour_mean(room, from_ms),
            usual.excess_k.get(&hour),
        ) {
            now += inside_c - room_c;
            before += excess_k;
            hours += 1.0;
        }
        from_ms += MS_PER_HOUR;
    }
    if hours == 0.0 {
        return None;
    }
    if before / hours < EXCESS_K_MIN {
        // Usually there is little to lose: it must have lost it all, and plainly.
        let (first_k, last_k) = excess_k(on.from_ms).zip(excess_k(on.until_ms))?;
        return Some(first_k - last_k >= FALL_ALONE_K && last_k < GONE_K);
    }
    Some(now < EXCESS_LEFT_FRAC * before)
}
