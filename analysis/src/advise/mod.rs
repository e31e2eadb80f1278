//! Misting times and lengths that would hold the wanted band, by the enclosure's own moisture balance; advice, never an act.
//!
//! In: a course and the limits. Out: what the present schedule holds, a better one where there is one, each with the range of
//! outcomes and the hours near saturation that it costs, or why nothing can be said. It stays inside what was observed: run
//! lengths, dampness before a run, and runs a day not far from those seen. Switches nothing.
//!
//! - [`fit`]: the balance, fitted; [`search`]: schedules tried; [`text`]: the answer in words.

mod fit;
mod search;
mod text;

use chrono::NaiveTime;
use mosswarden_config::journal::{CHANGES_AIR, DEVICE_REPLACED, SCHEDULE_CHANGED, SENSOR_MOVED};
use mosswarden_config::site::{DeviceKind, Enclosure, Limits, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span};
use serde::Serialize;

use crate::conditions::{Ran, course};
use crate::load::Record;
use crate::statistics::Estimate;
use crate::trusted::Trusted;

pub use fit::{Fitted, fit};
pub use text::text;

/// The record that is fitted, ms.
pub const FITTED_MS: i64 = 21 * MS_PER_24_H;
/// A model that is further off than this, %RH, gives no advice: half a usual band's slack.
const ERROR_PCT_MAX: f64 = 5.0;
/// Sensors whose mean is less sure than this, %RH, give no advice.
const HALF_WIDTH_PCT_MAX: f64 = 6.0;
/// Another schedule is named when it saves at least this many hours a day outside the band.
const WORTH_H: f64 = 0.5;

/// Why nothing can be said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal(pub String);

/// One run of a schedule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Run {
    pub local_start: NaiveTime,
    pub duration_s: u32,
}

/// What a schedule holds over the weather of the fitted weeks, hours a day: a middle day, and nine days of ten lie between the
/// ends, the model's doubt included.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Held {
    pub below_h: Range,
    pub above_h: Range,
    pub near_saturation_h: Range,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Range {
    pub middle: f64,
    pub low: f64,
    pub high: f64,
}

/// A schedule with what it would hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Tried {
    pub runs: Vec<Run>,
    pub held: Held,
    /// Seconds of misting a day.
    pub seconds: u32,
}

/// The answer for one enclosure.
#[derive(Debug, Clone)]
pub struct Advice {
    pub enclosure: String,
    pub device: String,
    pub fitted: Fitted,
    pub now: Tried,
    /// The hours a day really measured outside the band in the same weeks: what the model should have said of the present schedule.
    pub measured_below_h: f64,
    pub measured_above_h: f64,
    /// The best that was found inside what was observed; `None` where the present one is about as good.
    pub better: Option<Tried>,
    /// What was observed, and not left.
    pub inside: Inside,
}

/// The bounds of what was observed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inside {
    pub duration_s: (u32, u32),
    pub runs_max: usize,
    /// The dampest air before a run that was seen, %RH.
    pub before_pct_max: f64,
}

/// Advises on the schedule of an enclosure's mister by the weeks before `until_ms`.
///
/// # Errors
/// [`Refusal`] where the record does not support advice, in words for the keeper.
pub fn advise(
    site: &Site,
    enclosure: &Enclosure,
    record: &Record,
    trusted: &Trusted,
    until_ms: i64,
) -> Result<Advice, Refusal> {
    let refuse = |reason: &str| Err(Refusal(reason.to_owned()));
    let misters: Vec<_> = enclosure.devices_of(DeviceKind::Mister).collect();
    let [mister] = misters.as_slice() else {
        return refuse("advice is given for an enclosure with one mister, no more and no less");
    };
    if mister.schedule.is_empty() {
        return refuse("the site file gives no schedule for its mister");
    }
    if enclosure.devices_of(DeviceKind::Fogger).next().is_some() {
        return refuse(
            "a humidistat's fogger holds the air here: its set-point decides, not the mister's times",
        );
    }
    let limits = enclosure.limits_on(site.zone.date(until_ms - 1));
    if limits.humidity_day_pct.is_none() && limits.humidity_night_pct.is_none() {
        return refuse("no humidity band is asked for");
    }
    let changed_ms = last_change_ms(enclosure, record, until_ms);
    let span = Span {
        from_ms: (until_ms - FITTED_MS).max(changed_ms),
        until_ms,
    };
    let course = course(site, enclosure, record, trusted, span);
    if course.humidity_half_width_pct > HALF_WIDTH_PCT_MAX {
        return Err(Refusal(format!(
            "the humidity is only known within ±{:.1} %RH: add or check a second sensor first",
            course.humidity_half_width_pct
        )));
    }
    let missed = course.mistings.iter().filter(|m| m.ran == Ran::No).count();
    if 4 * missed > course.mistings.len() {
        return refuse("more than a quarter of its runs did not take place: mend that first");
    }
    let fitted = fit(&course)?;
    if fitted.error_pct > ERROR_PCT_MAX {
        return Err(Refusal(format!(
            "the model is off by {:.1} %RH against what was measured: something else moves the air here",
            fitted.error_pct
        )));
    }
    search::search(site, enclosure, &mister.id, &course, fitted).ok_or_else(|| {
        Refusal(format!(
            "fewer than {} whole days are known of the enclosure and its room together",
            search::DAYS_MIN
        ))
    })
}

/// When the enclosure's air last changed for good, by the journal.
fn last_change_ms(enclosure: &Enclosure, record: &Record, until_ms: i64) -> i64 {
    let all = Span {
        from_ms: until_ms - FITTED_MS,
        until_ms,
    };
    record
        .entries(&enclosure.id, all)
        .filter(|e| {
            let kind = e.kind.as_str();
            [SCHEDULE_CHANGED, DEVICE_REPLACED, SENSOR_MOVED].contains(&kind) || CHANGES_AIR.contains(&kind)
        })
        .map(|e| e.at_ms)
        .max()
        .unwrap_or(i64::MIN)
}

/// The band at a time of light or dark.
fn band(limits: &Limits, lit: bool) -> Option<(f64, f64)> {
    let band = if lit {
        limits.humidity_day_pct
    } else {
        limits.humidity_night_pct
    };
    band.map(|band| (band.low, band.high))
}

/// What `advise --format json` prints.
#[derive(Debug, Serialize)]
pub struct Document {
    pub schema: &'static str,
    pub enclosure: String,
    pub device: Option<String>,
    /// Why nothing is advised.
    pub refused: Option<String>,
    pub now: Option<ScheduleDocument>,
    pub better: Option<ScheduleDocument>,
    pub half_life_min: Option<EstimateDocument>,
    pub model_error_pct: Option<f64>,
}

#[derive(Debug, Serialize)]
pub struct ScheduleDocument {
    pub runs: Vec<String>,
    #[serde(flatten)]
    pub hours_a_day: Held,
}

#[derive(Debug, Serialize)]
pub struct EstimateDocument {
    pub estimate: f64,
    pub low: f64,
    pub high: f64,
}

impl Document {
    pub fn new(enclosure: &str, advice: &Result<Advice, Refusal>) -> Document {
        let schedule = |tried: &Tried| ScheduleDocument {
            runs: tried.runs.iter().map(|run| text::run(*run)).collect(),
            hours_a_day: tried.held,
        };
        let interval = |e: Estimate| EstimateDocument {
            estimate: e.value,
            low: e.low,
            high: e.high,
        };
        let given = advice.as_ref().ok();
        Document {
            schema: "mosswarden.advice/1",
            enclosure: enclosure.to_owned(),
            device: given.map(|a| a.device.clone()),
            refused: advice.as_ref().err().map(|r| r.0.clone()),
            now: given.map(|a| schedule(&a.now)),
            better: given.and_then(|a| a.better.as_ref()).map(schedule),
            half_life_min: given.map(|a| interval(a.fitted.half_life_min)),
            model_error_pct: given.map(|a| a.fitted.error_pct),
        }
    }
}
