//! What the animals lived through, from usable readings: heat, nights, moisture, misting, light.
//!
//! In: the site, one enclosure, the record up to the end of the span, usable readings. Out: findings, what could not be
//! judged, and the measured days, nights and mistings. Uses nothing later than the span's end.
//!
//! - [`context`]: what the duties share; [`places`]: several sensors as one line; [`device`]: when a device was on.
//! - [`day`]: the measures of each local day.
//! - [`heat`]: days too hot or too cold; [`cause`]: by what; [`usual`]: what is usual at each hour.
//! - [`thermal`]: how the enclosure follows its room and sources, and what it would do.
//! - [`night`]: nights and the drop from the day; [`heater`]: heaters that do not stop or do not warm.
//! - [`moisture`]: hours outside the band, long wet runs; [`setpoint`]: what the humidistat really holds.
//! - [`misting`]: runs, what each did, and whether they weaken; [`pumps`]: those that share a pump, together.
//! - [`light`]: hours of light; [`light_by_heat`]: the same by a lamp's warmth; [`lamp_age`]: UV lamps that are due.
//! - [`course`]: the air on an even grid, for fitting a moisture model.

mod cause;
mod context;
mod course;
mod day;
mod device;
mod heat;
mod heater;
mod lamp_age;
mod light;
mod light_by_heat;
mod misting;
mod moisture;
mod night;
mod places;
mod pumps;
mod setpoint;
mod thermal;
mod usual;

#[cfg(test)]
mod kit;

use chrono::NaiveDate;
use mosswarden_config::site::{Enclosure, Site};
use mosswarden_config::zone::Span;

use crate::findings::{Finding, Verdicts};
use crate::load::Record;
use crate::series::{Excess, Summary};
use crate::trusted::Trusted;
use context::Context;
pub use thermal::{Thermal, WhatItWouldDo};

pub use context::device_states;
pub use course::{Course, STEP_MS, Step, course};
pub use device::hours_within;
pub use misting::{Airing, Dried, MistTrend, MistWeek, NOTHING_FRAC, PEAK_MIN, YieldBy};
pub use moisture::{HalfDay, MoistDay, WET_RUN_H_MIN};
pub use night::USUAL_NIGHTS;
pub use pumps::together;
pub use setpoint::{Held, HeldHour};

/// One local day of an enclosure, where the animals can be.
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    pub local_date: NaiveDate,
    pub span: Span,
    /// Temperature at the coolest reachable place, °C.
    pub temperature_c: Option<Summary>,
    /// Humidity by the usable sensors, %RH.
    pub humidity_pct: Option<Summary>,
    /// Vapour pressure deficit, time-weighted mean, Pa.
    pub deficit_pa: Option<f64>,
    /// Above the highest allowed temperature, °C·h and h.
    pub over: Excess,
    /// Below the lowest allowed temperature.
    pub under: Excess,
    /// Hours below and above the wanted humidity band.
    pub dry_h: f64,
    pub wet_h: f64,
    /// Longest run near saturation, h.
    pub longest_wet_run_h: f64,
    /// Hours of light by the lamp's state or a light sensor, where either is there.
    pub light_h: Option<f64>,
    /// `None` where fewer than two places are measured, or nothing is known of the light hours.
    pub warm_and_cool: Option<WarmAndCool>,
}

/// Whether an animal could choose between warm and cool in the light hours of a day, by the places that are measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WarmAndCool {
    /// Light hours for which the places are known.
    pub known_h: f64,
    /// The warmest place minus the coolest, time-weighted mean over them, K.
    pub apart_k: f64,
    /// Even the coolest place was above the wanted day range.
    pub no_cool: Excess,
    /// Even the warmest place was below it.
    pub no_warm: Excess,
}

/// One night, dated by the local date on which it begins.
#[derive(Debug, Clone, PartialEq)]
pub struct Night {
    pub local_date: NaiveDate,
    pub span: Span,
    pub temperature_c: Option<Summary>,
    /// Hours outside the wanted night range.
    pub outside_h: f64,
    /// Mean of the day before minus mean of the night, K.
    pub drop_k: Option<f64>,
    /// Middle mean of the last [`USUAL_NIGHTS`] nights before it that could be judged, °C; `None` where they are too few.
    pub usual_mean_c: Option<f64>,
    /// Why it could not be judged.
    pub not_judged: Option<String>,
}

/// Whether a scheduled or observed run of a mister took place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ran {
    Yes,
    No,
    NotKnown,
}

/// One run of a mister, scheduled, observed or both.
#[derive(Debug, Clone, PartialEq)]
pub struct Misting {
    pub device: String,
    pub at_ms: i64,
    pub duration_s: f64,
    pub scheduled: bool,
    pub ran: Ran,
    /// Rise of vapour density, g/m³; a lower bound where `censored`.
    pub rise_g_m3: Option<f64>,
    /// The same as a change of relative humidity, %RH.
    pub rise_pct: Option<f64>,
    pub minutes_to_peak: Option<f64>,
    pub half_life_min: Option<f64>,
    pub dried: Option<Dried>,
    /// The sensor reached saturation, so the true rise may be larger.
    pub censored: bool,
    /// Why the run does not count for trends.
    pub left_out: Option<String>,
}

impl Misting {
    /// Whether nobody noted or sent it: the humidity rose as by a misting.
    pub fn is_only_seen(&self) -> bool {
        self.device == misting::SEEN
    }
}

/// What one enclosure's animals lived through in a span.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    pub enclosure: String,
    pub verdicts: Verdicts,
    pub days: Vec<Day>,
    /// The same days' moisture.
    pub moisture: Vec<MoistDay>,
    pub nights: Vec<Night>,
    pub mistings: Vec<Misting>,
    /// Those of the record before the span: what is usual, and what pictures of a longer time show.
    pub earlier_mistings: Vec<Misting>,
    /// Last runs that gave nothing, which by themselves are not enough to be told.
    pub(crate) suspected: Vec<Finding>,
    /// One a mister, where earlier runs say what is usual.
    pub mist_trends: Vec<MistTrend>,
    /// One a device with a humidity set-point, where other sensors say what was held.
    pub held: Vec<Held>,
    /// How the enclosure follows its room, heater and lamp.
    pub would_do: WhatItWouldDo,
}

/// Judges one enclosure over `span`.
///
/// # Arguments
/// - `record`: readings and journal from some weeks before the span (they say what is usual) up to its end, none later.
/// - `trusted`: usable temperature and humidity; a sensor that is absent there is not used. Device states and light are
///   taken from `record`.
///
/// # Method
/// Local days that overlap the span, nights that end in it. Each file of this module states its own.
pub fn assess(site: &Site, enclosure: &Enclosure, record: &Record, trusted: &Trusted, span: Span) -> Outcome {
    let context = Context::new(site, enclosure, record, trusted, span);
    let mut outcome = Outcome {
        enclosure: enclosure.id.clone(),
        ..Outcome::default()
    };
    outcome.days = day::measure(&context);
    outcome.would_do = thermal::learn(&context);
    outcome
        .verdicts
        .extend(heat::judge(&context, &outcome.days, &outcome.would_do));
    let (nights, verdicts) = night::judge(&context);
    outcome.nights = nights;
    outcome.verdicts.extend(verdicts);
    outcome.verdicts.extend(heater::judge(&context));
    let misted = misting::judge(&context);
    (outcome.mistings, outcome.earlier_mistings) = (misted.mistings, misted.earlier);
    outcome.verdicts.extend(misted.verdicts);
    outcome.suspected = misted.suspected;
    outcome.moisture = moisture::measure(&context);
    outcome.mist_trends = misted.trends;
    outcome
        .verdicts
        .extend(moisture::judge(&context, &outcome.days, &outcome.mist_trends));
    let (held, verdicts) = setpoint::judge(&context);
    outcome.held = held;
    outcome.verdicts.extend(verdicts);
    outcome.verdicts.extend(light::judge(&context, &outcome.days));
    outcome.verdicts.extend(lamp_age::judge(&context));
    before_anything_was_heard(&context, &mut outcome.verdicts);
    outcome.verdicts.sort();
    outcome
}

/// Of the days and nights before anything was heard of a place there is one thing to say.
fn before_anything_was_heard(context: &Context<'_>, verdicts: &mut Verdicts) {
    let from_ms = context.span.from_ms;
    let Some(heard_ms) = context.heard_from_ms().filter(|heard_ms| *heard_ms > from_ms) else {
        return;
    };
    let mut kinds = std::collections::BTreeSet::new();
    verdicts.not_assessed.retain(|item| {
        let is_before = item
            .span
            .is_some_and(|span| span != context.span && span.until_ms <= heard_ms);
        if is_before {
            kinds.insert(item.kind);
        }
        !is_before
    });
    let before = Span {
        from_ms,
        until_ms: heard_ms,
    };
    verdicts.not_assessed.extend(kinds.into_iter().map(|kind| {
        let reason = format!(
            "nothing was measured here before {}",
            context.words.moment(heard_ms)
        );
        context.not_assessed(kind, None, before, reason)
    }));
}
