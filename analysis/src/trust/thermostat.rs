//! A thermostat that was set anew: its heater switches off at another reading of its own probe than before.
//!
//! Then warm and cool places part, and no sensor is at fault: a thermostat acts on what its probe reads, right or wrong, so a probe that
//! begins to read wrong leaves that reading where it was.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Device, DeviceKind, Role};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::scene::Scene;
use crate::statistics::robust::median;

/// Switching off this much higher or lower than before is another setting, K.
const SET_ANEW_K_MIN: f64 = 1.0;
/// Days before and since that are looked at, and how often it must have switched off in each.
const DAYS_BEFORE: i64 = 14;
const DAYS_SINCE: i64 = 5;
const OFFS_MIN: usize = 3;
/// The probe's reading at a switching is not older than this.
const READING_MS_MAX: i64 = MS_PER_HOUR / 4;

/// One that was set anew.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SetAnew {
    pub device: String,
    /// Where it switched off before and does since, °C.
    pub from_c: f64,
    pub to_c: f64,
}

/// The enclosure's thermostat that was set anew within a day of `onset_ms`.
pub(super) fn set_anew(scene: &Scene<'_>, onset_ms: i64) -> Option<SetAnew> {
    scene.enclosure.devices_of(DeviceKind::Heater).find_map(|device| {
        let offs = offs(scene, device)?;
        let within = |from_ms: i64, until_ms: i64| {
            let span = Span { from_ms, until_ms };
            let levels: Vec<f64> = offs
                .iter()
                .filter(|(at, _)| span.contains(*at))
                .map(|(_, c)| *c)
                .collect();
            median(&levels).filter(|_| levels.len() >= OFFS_MIN)
        };
        // One that was not needed before worked where the site file says.
        let from_c = within(onset_ms - DAYS_BEFORE * MS_PER_24_H, onset_ms - MS_PER_24_H)
            .or(device.setpoint.temperature_c)?;
        let to_c = within(onset_ms, onset_ms + DAYS_SINCE * MS_PER_24_H)?;
        ((to_c - from_c).abs() >= SET_ANEW_K_MIN).then(|| SetAnew {
            device: device.id.clone(),
            from_c,
            to_c,
        })
    })
}

/// When the heater switched off, and what its controller's probe read then, as it came.
fn offs(scene: &Scene<'_>, device: &Device) -> Option<Vec<(i64, f64)>> {
    let by_role = || {
        let mut sensors = scene.enclosure.sensors.iter();
        sensors
            .find(|sensor| sensor.role == Role::Controller)
            .map(|sensor| &sensor.id)
    };
    let probe = scene.record.get(
        device.controlled_by.as_ref().or_else(by_role)?,
        Quantity::Temperature,
    )?;
    let states = scene.record.get(&device.id, Quantity::State)?;
    let switched_off =
        (1..states.len()).filter(|index| states.value[index - 1] >= 0.5 && states.value[*index] < 0.5);
    let reading = |index: usize| {
        let at_ms = states.at_ms[index];
        let last = probe.at_ms.partition_point(|at| *at <= at_ms).checked_sub(1)?;
        (at_ms - probe.at_ms[last] <= READING_MS_MAX).then(|| (at_ms, probe.value[last]))
    };
    Some(switched_off.filter_map(reading).collect())
}
