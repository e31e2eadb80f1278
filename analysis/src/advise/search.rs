//! Schedules tried on the weather of the fitted weeks, inside what was observed.

use chrono::{NaiveTime, Timelike};
use mosswarden_config::site::{Enclosure, Limits, Site};
use mosswarden_config::zone::Zone;

use super::fit::{Fitted, acting};
use super::{Advice, Held, Inside, Range, Run, Tried, WORTH_H, band};
use crate::conditions::{Course, Ran, STEP_MS, Step};
use crate::physics::balance::{Balance, Moist};
use crate::statistics::robust::quantile;

/// Times that are tried lie this far apart, min.
const GRID_MIN: u32 = 30;
/// Runs lie at least this far apart, min: the air needs it to show what the first one did.
const APART_MIN: u32 = 120;
/// Runs may be this much shorter or longer than those seen, and one more a day.
const LENGTH_SLACK: (f64, f64) = (0.75, 1.25);
const RUNS_MORE: usize = 1;
/// Before a run the air may be this much damper than was seen, %RH.
const DAMPER_PCT: f64 = 2.0;
/// What an hour near saturation and a second of water cost against an hour outside the band: enough to prefer less of both.
const NEAR_SATURATION_COST: f64 = 0.2;
const SECOND_COST: f64 = 0.002;
/// Near saturation, %RH.
const NEAR_SATURATION_PCT: f64 = 97.0;
/// Rounds of the search: each moves every run once.
const ROUNDS: usize = 3;
/// Days that count, at least: fewer say little of what a schedule holds.
pub(super) const DAYS_MIN: usize = 5;
/// Days of which most is known count.
const DAY_STEPS_MIN: usize = 1200;

/// A local day's steps.
struct DaySteps<'a> {
    steps: &'a [Step],
    minutes: Vec<u32>,
}

/// What one day holds.
#[derive(Debug, Clone, Copy, Default)]
struct DayHeld {
    below_h: f64,
    above_h: f64,
    near_saturation_h: f64,
    before_pct_max: f64,
}

pub(super) fn search(
    site: &Site,
    enclosure: &Enclosure,
    device: &str,
    course: &Course,
    fitted: Fitted,
) -> Option<Advice> {
    let days = days(site.zone, course);
    if days.len() < DAYS_MIN {
        return None;
    }
    let limits = &limits_now(site, enclosure, course);
    let schedule: Vec<Run> = enclosure
        .devices
        .iter()
        .filter(|d| d.id == device)
        .flat_map(|d| &d.schedule)
        .map(|run| Run {
            local_start: run.local_start,
            duration_s: run.duration_s as u32,
        })
        .collect();
    let hold = |balance: &Balance, runs: &[Run]| -> Vec<DayHeld> {
        days.iter().map(|day| held(balance, day, runs, limits)).collect()
    };
    let inside = inside(course, &schedule, hold(&fitted.balance, &schedule));
    let cost = |runs: &[Run]| {
        let held = hold(&fitted.balance, runs);
        let count = held.len().max(1) as f64;
        let sum: f64 = held
            .iter()
            .map(|h| h.below_h + h.above_h + NEAR_SATURATION_COST * h.near_saturation_h)
            .sum();
        let damp = held.iter().any(|h| h.before_pct_max > inside.before_pct_max);
        let seconds: u32 = runs.iter().map(|run| run.duration_s).sum();
        if damp {
            f64::INFINITY
        } else {
            sum / count + SECOND_COST * f64::from(seconds)
        }
    };
    let best = best(&schedule, &inside, &cost);
    let tried = |runs: Vec<Run>| Tried {
        held: range(&fitted, &days, &runs, limits),
        seconds: runs.iter().map(|run| run.duration_s).sum(),
        runs,
    };
    let now = tried(schedule);
    let better = tried(best);
    let outside = |tried: &Tried| tried.held.below_h.middle + tried.held.above_h.middle;
    let (measured_below_h, measured_above_h) = measured(&days, limits);
    Some(Advice {
        enclosure: enclosure.id.clone(),
        device: device.to_owned(),
        measured_below_h,
        measured_above_h,
        better: (outside(&now) - outside(&better) >= WORTH_H).then_some(better),
        now,
        inside,
        fitted,
    })
}

/// The limits that hold at the end of the course.
fn limits_now(site: &Site, enclosure: &Enclosure, course: &Course) -> Limits {
    let last_ms = course.steps.last().map_or(0, |step| step.at_ms);
    enclosure.limits_on(site.zone.date(last_ms))
}

/// Whole local days of which nearly all is known.
fn days(zone: Zone, course: &Course) -> Vec<DaySteps<'_>> {
    course
        .steps
        .chunk_by(|a, b| zone.date(a.at_ms) == zone.date(b.at_ms))
        .filter(|steps| {
            let known =
                |s: &&Step| s.w_g_m3.is_some() && s.saturation_g_m3.is_some() && s.room_g_m3.is_some();
            steps.iter().filter(known).count() >= DAY_STEPS_MIN
        })
        .map(|steps| DaySteps {
            minutes: steps
                .iter()
                .map(|s| {
                    let local = zone.local(s.at_ms);
                    local.hour() * 60 + local.minute()
                })
                .collect(),
            steps,
        })
        .collect()
}

fn minute(run: &Run) -> u32 {
    run.local_start.hour() * 60 + run.local_start.minute()
}

/// One day under a schedule; it is run twice, so that the evening before is its own.
fn held(balance: &Balance, day: &DaySteps<'_>, runs: &[Run], limits: &Limits) -> DayHeld {
    let step_h = STEP_MS as f64 / 3_600_000.0;
    let mut state = Moist {
        vapour_g_m3: day.steps.iter().find_map(|s| s.w_g_m3).unwrap_or(10.0),
        surface_g_m3: 0.0,
    };
    let mut held = DayHeld::default();
    for round in 0..2 {
        for (step, minute_now) in day.steps.iter().zip(&day.minutes) {
            let Some(saturation) = step.saturation_g_m3.filter(|_| step.room_g_m3.is_some()) else {
                continue;
            };
            let mist_s: f64 = runs
                .iter()
                .map(|run| {
                    // A run longer than a step goes on in the next ones.
                    let since_s = f64::from(*minute_now) * 60.0 - f64::from(minute(run)) * 60.0;
                    (f64::from(run.duration_s) - since_s).clamp(0.0, 60.0)
                        * f64::from(u8::from(since_s >= 0.0))
                })
                .sum();
            let rh_pct = 100.0 * state.vapour_g_m3 / saturation;
            if round == 1 {
                if let Some((low, high)) = band(limits, step.lit) {
                    held.below_h += if rh_pct < low { step_h } else { 0.0 };
                    held.above_h += if rh_pct > high { step_h } else { 0.0 };
                }
                held.near_saturation_h += if rh_pct >= NEAR_SATURATION_PCT {
                    step_h
                } else {
                    0.0
                };
                if runs.iter().any(|run| minute(run) == *minute_now) {
                    held.before_pct_max = held.before_pct_max.max(rh_pct);
                }
            }
            state = balance.step(state, &acting(step, mist_s, 0.0));
        }
    }
    held
}

/// What was observed, widened by a little.
fn inside(course: &Course, schedule: &[Run], modelled: Vec<DayHeld>) -> Inside {
    let lengths: Vec<f64> = course
        .mistings
        .iter()
        .filter(|m| m.ran == Ran::Yes && m.scheduled)
        .map(|m| m.duration_s)
        .chain(schedule.iter().map(|run| f64::from(run.duration_s)))
        .collect();
    let shortest = lengths.iter().copied().fold(f64::INFINITY, f64::min);
    let longest = quantile(&lengths, 0.95).unwrap_or(shortest);
    let before_pct_max = modelled.iter().map(|day| day.before_pct_max).fold(0.0, f64::max);
    Inside {
        duration_s: (
            (LENGTH_SLACK.0 * shortest).round() as u32,
            (LENGTH_SLACK.1 * longest).round() as u32,
        ),
        runs_max: schedule.len() + RUNS_MORE,
        before_pct_max: (before_pct_max + DAMPER_PCT).min(100.0),
    }
}

/// The schedule of least cost: from the present one, runs moved, lengthened, shortened, added and left out one by one.
fn best(schedule: &[Run], inside: &Inside, cost: &impl Fn(&[Run]) -> f64) -> Vec<Run> {
    let (short, long) = inside.duration_s;
    let lengths = [short, (short + long) / 2, long];
    let times: Vec<NaiveTime> = (0..1440)
        .step_by(GRID_MIN as usize)
        .filter_map(|minute| NaiveTime::from_hms_opt(minute / 60, minute % 60, 0))
        .collect();
    let allowed = |runs: &[Run]| {
        let mut minutes: Vec<u32> = runs.iter().map(minute).collect();
        minutes.sort_unstable();
        let round = minutes
            .first()
            .zip(minutes.last())
            .is_none_or(|(first, last)| runs.len() < 2 || first + 1440 - last >= APART_MIN);
        round && minutes.windows(2).all(|pair| pair[1] - pair[0] >= APART_MIN)
    };
    let mut best = schedule.to_vec();
    let mut least = cost(&best);
    let mut consider = |best: &mut Vec<Run>, mut runs: Vec<Run>| {
        runs.sort();
        if allowed(&runs) {
            let cost = cost(&runs);
            if cost < least {
                (least, *best) = (cost, runs);
            }
        }
    };
    for _ in 0..ROUNDS {
        let before = best.clone();
        for index in 0..=best.len() {
            let from = best.clone();
            if index < from.len() {
                let mut fewer = from.clone();
                fewer.remove(index);
                if !fewer.is_empty() {
                    consider(&mut best, fewer);
                }
            } else if from.len() >= inside.runs_max {
                continue;
            }
            for local_start in &times {
                for duration_s in lengths {
                    let mut runs = from.clone();
                    let run = Run {
                        local_start: *local_start,
                        duration_s,
                    };
                    if index < runs.len() {
                        runs[index] = run;
                    } else {
                        runs.push(run);
                    }
                    consider(&mut best, runs);
                }
            }
        }
        if best == before {
            break;
        }
    }
    best
}

/// What a schedule holds over the days, by the fitted balance and by those that were fitted without one block.
fn range(fitted: &Fitted, days: &[DaySteps<'_>], runs: &[Run], limits: &Limits) -> Held {
    let all: Vec<DayHeld> = std::iter::once(&fitted.balance)
        .chain(&fitted.without_block)
        .flat_map(|balance| days.iter().map(move |day| held(balance, day, runs, limits)))
        .collect();
    let of = |pick: fn(&DayHeld) -> f64| {
        let values: Vec<f64> = all.iter().map(pick).collect();
        let at = |p: f64| quantile(&values, p).unwrap_or(0.0);
        Range {
            middle: at(0.5),
            low: at(0.05),
            high: at(0.95),
        }
    };
    Held {
        below_h: of(|h| h.below_h),
        above_h: of(|h| h.above_h),
        near_saturation_h: of(|h| h.near_saturation_h),
    }
}

/// Hours a day really measured below and above the band: the middle day.
fn measured(days: &[DaySteps<'_>], limits: &Limits) -> (f64, f64) {
    let step_h = STEP_MS as f64 / 3_600_000.0;
    let of = |beyond: &dyn Fn(f64, (f64, f64)) -> bool| {
        let hours: Vec<f64> = days
            .iter()
            .map(|day| {
                let is = |s: &&Step| {
                    s.rh_pct
                        .zip(band(limits, s.lit))
                        .is_some_and(|(rh, band)| beyond(rh, band))
                };
                day.steps.iter().filter(is).count() as f64 * step_h
            })
            .collect();
        quantile(&hours, 0.5).unwrap_or(0.0)
    };
    (of(&|rh, band| rh < band.0), of(&|rh, band| rh > band.1))
}
