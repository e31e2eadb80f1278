//! How readily a sensor is suspected before its readings are looked at (common practice, no source).

use chrono::NaiveDate;
use mosswarden_config::site::{Role, Sensor};

/// Cheap ones drift more: against a maker's claim of so much, %RH.
const USUAL_CLAIM_PCT: f64 = 3.0;
/// The controller lives in the wet.
const OF_CONTROLLER: f64 = 2.0;
const OF_PROBE: f64 = 1.4;
/// A calibration no older than this speaks for it.
const FRESH_DAYS: i64 = 365;
const OF_CALIBRATED: f64 = 0.7;

/// By its role, its claim and its last calibration, beside others'.
pub(super) fn suspicion(sensor: &Sensor, local_today: NaiveDate) -> f64 {
    let of_role = match sensor.role {
        Role::Controller => OF_CONTROLLER,
        Role::Probe => OF_PROBE,
        Role::Reference => 1.0,
    };
    // A date after the time judged is not known yet.
    let is_fresh = sensor
        .calibrated
        .is_some_and(|date| (0..FRESH_DAYS).contains(&(local_today - date).num_days()));
    let of_calibration = if is_fresh { OF_CALIBRATED } else { 1.0 };
    (of_role * of_calibration * sensor.accuracy.humidity_pct / USUAL_CLAIM_PCT).sqrt()
}
