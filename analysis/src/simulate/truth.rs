//! What was really so: faults as put in, conditions as lived through, misting runs, and each sensor's true error by day.
//!
//! Conditions are measured from the true air at the positions where animals are (every sensor that is not a controller),
//! whether or not a sensor was heard. Times are RFC 3339 in UTC.

use chrono::NaiveDate;
use mosswarden_config::table::ROOM;
use serde::{Serialize, Serializer};

use super::calendar::rfc3339;
use super::device::WaterYield;
use super::enclosure::{EnclosureSpec, Limits, Moisture, Thermal};
use super::fault::{Change, Effect, EventSpec, FaultSpec};

/// An instant, ms; written as RFC 3339.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct At(pub i64);

impl Serialize for At {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&rfc3339(self.0))
    }
}

fn iso_date<S: Serializer>(date: &NaiveDate, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(date)
}

#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    pub site: String,
    pub timezone: String,
    pub seed: u64,
    pub from: At,
    pub until: At,
    /// Faults as put in.
    pub faults: Vec<TrueFault>,
    /// Days and nights outside the limits by more than the tolerances below, with the fault that brought it; `cleaned` where
    /// an open door dried the air, `none` where only room and weather did.
    pub conditions: Vec<TrueFault>,
    pub enclosures: Vec<EnclosureTruth>,
    pub days: Vec<DayTruth>,
    pub runs: Vec<RunTruth>,
    pub sensor_days: Vec<SensorDay>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrueFault {
    /// The simulation's word.
    pub fault: String,
    /// The kind of finding that is right for it; `None` where only its consequences are findings.
    pub kind: Option<String>,
    /// Kinds that are no false alarm beside it.
    pub accepted: Vec<String>,
    pub enclosure: String,
    pub subject: String,
    pub start: At,
    pub end: Option<At>,
    pub size: f64,
    pub unit: String,
    pub cause: Option<String>,
}

/// The constants an estimator may try to recover.
#[derive(Debug, Clone, Serialize)]
pub struct EnclosureTruth {
    pub enclosure: String,
    pub thermal: Thermal,
    pub moisture: Moisture,
    pub limits: Limits,
    /// Time constant of each zone against the room, h.
    pub room_time_constant_h: f64,
    /// Steady rise of warm and cool zone above the room with heater or lamp fully on, K.
    pub heater_rise_k: (f64, f64),
    pub lamp_rise_k: (f64, f64),
    /// Half-life by air exchange alone, and of the air's vapour once surfaces are dry (substrate and plants damp it too), min.
    pub ventilation_half_life_min: f64,
    pub dry_half_life_min: f64,
    pub mister: Option<WaterYield>,
}

/// One local day and the night that begins on it, in one enclosure.
#[derive(Debug, Clone, Serialize)]
pub struct DayTruth {
    pub enclosure: String,
    #[serde(serialize_with = "iso_date")]
    pub date: NaiveDate,
    pub from: At,
    pub until: At,
    /// Of the place that had most of it; strictly above `max_c`, below `min_c`.
    pub over_degree_hours: f64,
    pub over_min: f64,
    pub peak_c: f64,
    pub under_degree_hours: f64,
    pub under_min: f64,
    pub lowest_c: f64,
    /// Minutes in which even the coolest place stood above `max_c`.
    pub no_refuge_min: f64,
    /// The same as degree-hours: what an animal that always finds the coolest place still lived through; and below `min_c` at the
    /// warmest place of each moment.
    pub over_at_coolest_degree_hours: f64,
    pub under_at_warmest_degree_hours: f64,
    /// Of the mean over places.
    pub humidity_mean_pct: f64,
    /// The same over the light hours asked for, and over the others.
    pub humidity_lit_pct: f64,
    pub humidity_dark_pct: f64,
    pub below_band_h: f64,
    pub above_band_h: f64,
    /// Longest time in a row at or above [`NEAR_SATURATION_PCT`], h.
    pub wet_run_h: f64,
    /// Hours of lamp light, and those asked for.
    pub light_h: f64,
    pub light_asked_h: f64,
    /// Mean over places during the light hours asked for.
    pub day_mean_c: f64,
    /// Mean true humidity minus the humidistat's set-point, %RH.
    pub setpoint_miss_pct: Option<f64>,
    /// Faults (the simulation's words) that held during this day or night here.
    pub faults: Vec<String>,
    /// Cause to name, if the day ran too hot.
    pub over_cause: Option<String>,
    pub night: Option<NightTruth>,
    pub places: Vec<PlaceDay>,
}

/// From the end of the light hours to their start; absent where the simulation ends before it does.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NightTruth {
    pub from: At,
    pub until: At,
    pub mean_c: f64,
    pub lowest_c: f64,
    pub highest_c: f64,
    /// Hours of the mean over places below and above the night range.
    pub below_h: f64,
    pub above_h: f64,
    /// Night mean minus the nearest limit of the night range: negative too cold, positive too warm, 0 inside.
    pub excess_k: f64,
    /// Day mean minus night mean.
    pub drop_k: f64,
}

/// One place's share of a day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlaceDay {
    pub sensor: String,
    pub over_degree_hours: f64,
    pub over_min: f64,
    pub peak_c: f64,
    pub under_degree_hours: f64,
    pub lowest_c: f64,
    pub mean_c: f64,
    pub humidity_mean_pct: f64,
    pub below_band_h: f64,
    pub above_band_h: f64,
}

/// One misting that was asked for, or done by hand.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunTruth {
    pub enclosure: String,
    pub device: Option<String>,
    pub at: At,
    pub duration_s: f64,
    pub by_hand: bool,
    /// The pump ran.
    pub ran: bool,
    /// Water given as a share of the mister's own usual yield.
    pub yield_frac: f64,
    /// Rise of the mean air within 20 min: vapour density and humidity.
    pub rise_g_m3: f64,
    pub rise_pct: f64,
    /// True humidity before it.
    pub before_pct: f64,
    /// The air came within 1 %RH of saturation, so that the rise is less than the water given.
    pub saturated: bool,
    /// Half-life of the air's vapour once surfaces are dry, with the ventilation of that time, min.
    pub half_life_min: f64,
}

/// One sensor's local day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SensorDay {
    pub enclosure: String,
    pub sensor: String,
    #[serde(serialize_with = "iso_date")]
    pub date: NaiveDate,
    pub readings: u32,
    pub expected: f64,
    /// Mean of reading minus true air at its place; `None` without readings.
    pub humidity_bias_pct: Option<f64>,
    pub temperature_bias_k: Option<f64>,
    /// Offset, gain, drift and step at the day's mean, without lag, wander and noise.
    pub systematic_pct: Option<f64>,
}

/// A fault that ended this short before can still be felt, ms.
pub(super) const AFTERMATH_MS: i64 = 3 * 3_600_000;
/// Near saturation, for wet runs.
pub const NEAR_SATURATION_PCT: f64 = 97.0;
/// What counts as a condition: degree-hours, K of a night's mean, and hours of humidity.
pub const CONDITION_DEGREE_HOURS: f64 = 0.5;
pub const CONDITION_NIGHT_K: f64 = 0.1;
pub const CONDITION_HUMIDITY_H: f64 = 1.0;
/// A night that falls less than this where the enclosure's nights usually fall more than the second.
pub const NO_DROP_K: f64 = 0.5;
pub const USUAL_DROP_K: f64 = 2.0;

/// The fault as the truth states it.
pub(super) fn stated(fault: &FaultSpec, until_ms: i64) -> TrueFault {
    let meaning = fault.effect.meaning();
    let held_h = (fault.until_ms.unwrap_or(until_ms).min(until_ms) - fault.from_ms) as f64 / 3_600_000.0;
    let size = match fault.effect {
        Effect::ClockReset => -(fault.from_ms as f64) / 1000.0,
        _ if meaning.unit == "h" && meaning.size == 0.0 => held_h,
        _ => meaning.size,
    };
    TrueFault {
        fault: meaning.fault.to_owned(),
        kind: meaning.kind.map(str::to_owned),
        accepted: meaning.accepted.iter().map(|&k| k.to_owned()).collect(),
        enclosure: fault.enclosure.clone(),
        subject: fault.subject.clone(),
        start: At(fault.from_ms),
        end: fault.until_ms.map(At),
        size,
        unit: meaning.unit.to_owned(),
        cause: meaning.cause.map(str::to_owned),
    }
}

/// The constants of an enclosure.
pub(super) fn constants(spec: &EnclosureSpec, mister: Option<WaterYield>) -> EnclosureTruth {
    let (thermal, moisture) = (&spec.thermal, &spec.moisture);
    let half_life_min = |per_s: f64| std::f64::consts::LN_2 / per_s / 60.0;
    EnclosureTruth {
        enclosure: spec.id.clone(),
        thermal: thermal.clone(),
        moisture: moisture.clone(),
        limits: spec.limits.clone(),
        room_time_constant_h: 1.0 / thermal.room_per_s / 3600.0,
        heater_rise_k: thermal.steady_rise_k(thermal.heater_k_per_s, thermal.heater_cool_frac),
        lamp_rise_k: thermal.steady_rise_k(thermal.lamp_k_per_s, thermal.lamp_cool_frac),
        ventilation_half_life_min: half_life_min(moisture.ventilation_per_s),
        dry_half_life_min: half_life_min(moisture.ventilation_per_s + moisture.substrate_per_s),
        mister,
    }
}

/// Whether a fault can have brought a condition of that kind here between two instants.
///
/// A sensor's fault moves the air only where a device acts on that sensor.
fn can_bring(fault: &FaultSpec, spec: &EnclosureSpec, kind: &str, from_ms: i64, until_ms: i64) -> bool {
    let here = fault.enclosure == spec.id || fault.enclosure == ROOM;
    let acts = !fault.effect.of_sensor()
        || spec
            .devices
            .iter()
            .any(|d| d.kind.controller() == Some(&fault.subject));
    let overlaps = fault.from_ms < until_ms && fault.until_ms.is_none_or(|end| end > from_ms - AFTERMATH_MS);
    here && acts && overlaps && fault.effect.meaning().accepted.contains(&kind)
}

/// Conditions outside the limits, one a day or night, from the days of one enclosure.
pub(super) fn conditions(
    days: &[DayTruth],
    spec: &EnclosureSpec,
    faults: &[FaultSpec],
    events: &[EventSpec],
) -> Vec<TrueFault> {
    let mut drops: Vec<f64> = days
        .iter()
        .filter_map(|d| d.night.as_ref().map(|n| n.drop_k))
        .collect();
    drops.sort_by(f64::total_cmp);
    let usual_drop_k = drops.get(drops.len() / 2).copied().unwrap_or(0.0);
    let mut out = Vec::new();
    for day in days {
        let mut push = |kind: &str, from: At, until: At, size: f64, unit: &str, cause: Option<String>| {
            let opened = events.iter().any(|e| {
                e.enclosure == spec.id
                    && matches!(e.change, Change::Cleaned { .. })
                    && (from.0..until.0).contains(&e.at_ms)
            });
            let otherwise = if opened && kind == "humidity-too-low" {
                "cleaned"
            } else {
                "none"
            };
            let fault = faults.iter().find(|f| can_bring(f, spec, kind, from.0, until.0));
            out.push(TrueFault {
                fault: fault.map_or(otherwise, |f| f.effect.meaning().fault).to_owned(),
                kind: Some(kind.to_owned()),
                accepted: Vec::new(),
                enclosure: day.enclosure.clone(),
                subject: day.enclosure.clone(),
                start: from,
                end: Some(until),
                size,
                unit: unit.to_owned(),
                cause,
            });
        };
        if day.over_degree_hours >= CONDITION_DEGREE_HOURS {
            push(
                "overheating",
                day.from,
                day.until,
                day.over_degree_hours,
                "Cel.h",
                day.over_cause.clone(),
            );
        }
        if day.under_degree_hours >= CONDITION_DEGREE_HOURS {
            push(
                "overcooling",
                day.from,
                day.until,
                day.under_degree_hours,
                "Cel.h",
                None,
            );
        }
        if day.below_band_h >= CONDITION_HUMIDITY_H {
            push(
                "humidity-too-low",
                day.from,
                day.until,
                day.below_band_h,
                "h",
                None,
            );
        }
        if day.above_band_h >= CONDITION_HUMIDITY_H {
            push(
                "humidity-too-high",
                day.from,
                day.until,
                day.above_band_h,
                "h",
                None,
            );
        }
        if let Some(night) = &day.night {
            if night.excess_k >= CONDITION_NIGHT_K {
                push(
                    "night-too-warm",
                    night.from,
                    night.until,
                    night.excess_k,
                    "Cel",
                    None,
                );
            }
            if night.excess_k <= -CONDITION_NIGHT_K {
                push(
                    "night-too-cold",
                    night.from,
                    night.until,
                    night.excess_k,
                    "Cel",
                    None,
                );
            }
            if night.drop_k < NO_DROP_K && usual_drop_k > USUAL_DROP_K {
                push(
                    "no-night-drop",
                    night.from,
                    night.until,
                    night.drop_k,
                    "Cel",
                    None,
                );
            }
        }
    }
    out
}
