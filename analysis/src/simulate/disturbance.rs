//! What the faults of an enclosure, its devices and its room do together at an instant.

use super::calendar::MS_PER_H;
use super::fault::{Effect, FaultSpec};

/// What faults and events do to the enclosure in a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Disturbance {
    pub(super) heater_forced: bool,
    pub(super) heater_dead: bool,
    pub(super) heater_unplugged: bool,
    pub(super) thermostat_k: f64,
    pub(super) humidistat_pct: f64,
    pub(super) lamp_forced: bool,
    pub(super) lamp_dead: bool,
    pub(super) lamp_ratio: f64,
    pub(super) light_start_ms: i64,
    pub(super) light_end_ms: i64,
    pub(super) sun_k_per_s: f64,
    pub(super) night_k: f64,
    pub(super) ventilation_ratio: f64,
    pub(super) yield_frac: f64,
    pub(super) no_mains: bool,
}

const UNDISTURBED: Disturbance = Disturbance {
    heater_forced: false,
    heater_dead: false,
    heater_unplugged: false,
    thermostat_k: 0.0,
    humidistat_pct: 0.0,
    lamp_forced: false,
    lamp_dead: false,
    lamp_ratio: 1.0,
    light_start_ms: 0,
    light_end_ms: 0,
    sun_k_per_s: 0.0,
    night_k: 0.0,
    ventilation_ratio: 1.0,
    yield_frac: 1.0,
    no_mains: false,
};

/// All that holds at an instant, together.
pub(super) fn disturbance(faults: &[&FaultSpec], at_ms: i64, local_h: f64) -> Disturbance {
    let mut d = UNDISTURBED;
    for fault in faults.iter().filter(|f| f.holds(at_ms)) {
        match fault.effect {
            Effect::HeaterStuckOn => d.heater_forced = true,
            Effect::HeaterFailed => d.heater_dead = true,
            Effect::HeaterUnplugged => d.heater_unplugged = true,
            Effect::ThermostatSetWrong { k } => d.thermostat_k += k,
            Effect::HumidistatSetWrong { pct } => d.humidistat_pct += pct,
            Effect::LampLeftOn => d.lamp_forced = true,
            Effect::LampFailed => d.lamp_dead = true,
            Effect::LampTooStrong { ratio } => d.lamp_ratio *= ratio,
            Effect::LightHoursWrong { start_h, end_h } => {
                d.light_start_ms += (start_h * MS_PER_H as f64) as i64;
                d.light_end_ms += (end_h * MS_PER_H as f64) as i64;
            }
            Effect::NozzleClog { lost_frac, over_d } => {
                d.yield_frac *= 1.0 - lost_frac * (fault.age_d(at_ms) / over_d.max(1e-6)).min(1.0);
            }
            Effect::ReservoirEmpty | Effect::PumpDead => d.yield_frac = 0.0,
            Effect::Sun {
                peak_k_per_h,
                from_h,
                until_h,
            } => {
                let share = (local_h - from_h) / (until_h - from_h);
                if (0.0..1.0).contains(&share) {
                    d.sun_k_per_s += peak_k_per_h / 3600.0 * (std::f64::consts::PI * share).sin();
                }
            }
            Effect::NightAmbient { k } => d.night_k += k,
            Effect::VentBlocked { ratio } | Effect::DoorAjar { ratio } => d.ventilation_ratio *= ratio,
            Effect::PowerCut => d.no_mains = true,
            _ => {}
        }
    }
    d
}
