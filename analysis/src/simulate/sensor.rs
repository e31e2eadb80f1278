//! Sensors as specified: place, error model, sampling, and how they speak.
//!
//! Error model and its ranges: a capacitive humidity element with a temperature element on one chip, in a case. Lag,
//! class offset, gain, temperature coefficient, hysteresis, slow and fast wander, white noise, steps of 0.1, a top of the
//! scale, and water on the element. Sizes are those that data sheets and meteorological practice give for general parts.

use chrono::NaiveDate;
use rand::Rng;
use rand::rngs::StdRng;

use super::stream::{between, normal};

/// The part a sensor plays, in the site file's words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    Controller,
    Reference,
    Probe,
}

impl Role {
    pub fn name(self) -> &'static str {
        match self {
            Role::Controller => "controller",
            Role::Reference => "reference",
            Role::Probe => "probe",
        }
    }
}

/// Where a sensor hangs and how the air there differs from the zones' mean; a property of the place, not an error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// 1 in the warm zone, 0 in the cool one.
    pub warm_frac: f64,
    /// Constant difference, and the further one while the lamp is on, K.
    pub offset_k: f64,
    pub lamp_k: f64,
    /// How near the air here is to saturation beyond the mean (0 as the mean, 1 saturated), by night; by day half of it.
    pub wet_frac: f64,
}

/// The error model of one device.
#[derive(Debug, Clone, PartialEq)]
pub struct Traits {
    pub lag_temperature_s: f64,
    pub lag_humidity_s: f64,
    pub offset_pct: f64,
    /// Gain error about 50 %RH.
    pub gain_error_frac: f64,
    pub temperature_coefficient_pct_per_k: f64,
    pub hysteresis_pct: f64,
    pub offset_k: f64,
    pub slow_sd_pct: f64,
    pub fast_sd_pct: f64,
    pub white_sd_pct: f64,
    pub white_sd_k: f64,
    /// Top of the humidity scale, 100.0 or 99.9.
    pub top_pct: f64,
    /// How long water stays on the element once it has condensed, s; `None` for an element that sheds it.
    pub water_holds_s: Option<f64>,
}

/// When a sensor speaks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    pub interval_s: f64,
    /// Standard deviation of each interval.
    pub jitter_s: f64,
    /// Share of single messages lost.
    pub dropout_frac: f64,
    /// Radio gaps of 10 to 60 min, a day.
    pub gaps_per_day: f64,
}

/// How a sensor speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wire {
    /// One JSON object with its own time under `/at`.
    JsonTimed(TimeForm),
    /// One JSON object `{"t":…,"rh":…}` without a time.
    Json,
    /// Two topics with bare numbers, °F and %RH.
    NumbersFahrenheit,
    /// Two topics with bare numbers, °C and %RH.
    Numbers,
    /// A SenML pack (RFC 8428) with base name and base time.
    SenMl,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeForm {
    Rfc3339,
    EpochS,
    EpochMs,
}

impl Wire {
    /// Whether the device sends its own time.
    pub fn has_clock(self) -> bool {
        matches!(self, Wire::JsonTimed(_) | Wire::SenMl)
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct SensorSpec {
    pub id: String,
    /// `None` for a sensor of the room.
    pub role: Option<Role>,
    pub place: String,
    /// The accuracy that its maker claims, as the site file states it.
    pub accuracy_pct: f64,
    pub accuracy_k: f64,
    pub installed: Option<NaiveDate>,
    pub calibrated: Option<NaiveDate>,
    pub position: Position,
    pub traits: Traits,
    pub sampling: Sampling,
    pub wire: Wire,
    pub topic: String,
}

impl Traits {
    /// A device of the class ±`accuracy_pct`, ±`accuracy_k`: its fixed errors lie inside the claim (standard deviation a
    /// third of it, cut at the claim), the rest varies from part to part.
    pub fn draw(rng: &mut StdRng, accuracy_pct: f64, accuracy_k: f64) -> Traits {
        let inside = |rng: &mut StdRng, limit: f64| (normal(rng) * limit / 3.0).clamp(-limit, limit);
        Traits {
            lag_temperature_s: between(rng, 60.0, 240.0),
            lag_humidity_s: between(rng, 20.0, 90.0),
            // Gain and temperature terms take part of the claim, so the offset is drawn from three quarters of it.
            offset_pct: inside(rng, 0.75 * accuracy_pct),
            gain_error_frac: inside(rng, accuracy_pct / 200.0),
            temperature_coefficient_pct_per_k: between(rng, -0.05, 0.05),
            hysteresis_pct: between(rng, 0.3, 1.2),
            offset_k: inside(rng, accuracy_k),
            slow_sd_pct: between(rng, 0.15, 0.3) * (1.0 + accuracy_pct / 5.0),
            fast_sd_pct: between(rng, 0.1, 0.3),
            white_sd_pct: between(rng, 0.05, 0.2),
            white_sd_k: between(rng, 0.02, 0.06),
            top_pct: if rng.random_bool(0.3) { 99.9 } else { 100.0 },
            water_holds_s: rng.random_bool(0.15).then(|| between(rng, 1200.0, 5400.0)),
        }
    }

    /// A device without any error and hardly any lag, for tests of the physics.
    pub fn perfect() -> Traits {
        Traits {
            lag_temperature_s: 1.0,
            lag_humidity_s: 1.0,
            offset_pct: 0.0,
            gain_error_frac: 0.0,
            temperature_coefficient_pct_per_k: 0.0,
            hysteresis_pct: 0.0,
            offset_k: 0.0,
            slow_sd_pct: 0.0,
            fast_sd_pct: 0.0,
            white_sd_pct: 0.0,
            white_sd_k: 0.0,
            top_pct: 100.0,
            water_holds_s: None,
        }
    }
}

impl Sampling {
    /// A radio sensor that speaks every `interval_s` on average, now and then not heard.
    pub fn every(interval_s: f64) -> Sampling {
        Sampling {
            interval_s,
            jitter_s: 0.03 * interval_s,
            dropout_frac: 0.004,
            gaps_per_day: 0.03,
        }
    }
}
