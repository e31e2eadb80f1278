//! What the animals lived through, from usable readings: heat, nights, moisture, misting, light.

use chrono::NaiveDate;
use mosswarden_config::zone::Span;

use crate::findings::Verdicts;
use crate::series::{Excess, Summary};

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
    /// The sensor reached saturation, so the true rise may be larger.
    pub censored: bool,
    /// Why the run does not count for trends.
    pub left_out: Option<String>,
}

/// What one enclosure's animals lived through in a span.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    pub enclosure: String,
    pub verdicts: Verdicts,
    pub days: Vec<Day>,
    pub nights: Vec<Night>,
    pub mistings: Vec<Misting>,
}
