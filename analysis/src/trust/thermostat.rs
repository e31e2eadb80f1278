//! A thermostat that was set anew: its heater switches off at another reading of its own probe than before.
//!
//! Then warm and cool places part, and no sensor is at fault: a thermostat acts on what its probe reads, right or wrong, so a probe that
//! begins to read wrong leaves that reading where it was.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::scene::Scene;
use crate::series::Series;
use crate::statistics::robust::median;

/// Switching off this much higher or lower than before is another setting, K (own choice, as are the times below).
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
        let probe = scene.enclosure.controller_of(device)?;
        let offs = offs(
            scene.record.get(&device.id, Quantity::State)?,
            scene.record.get(probe, Quantity::Temperature)?,
        );
        let (from_c, to_c) = moved(&offs, onset_ms, device.setpoint.temperature_c)?;
        Some(SetAnew {
            device: device.id.clone(),
            from_c,
            to_c,
        })
    })
}

/// Where it switched off before an onset and since, °C, if that is far apart. One that was not needed before worked where the site file says.
fn moved(offs: &[(i64, f64)], onset_ms: i64, setpoint_c: Option<f64>) -> Option<(f64, f64)> {
    let within = |from_ms: i64, until_ms: i64| {
        let span = Span { from_ms, until_ms };
        let levels: Vec<f64> = offs
            .iter()
            .filter(|(at, _)| span.contains(*at))
            .map(|(_, c)| *c)
            .collect();
        median(&levels).filter(|_| levels.len() >= OFFS_MIN)
    };
    let from_c = within(onset_ms - DAYS_BEFORE * MS_PER_24_H, onset_ms - MS_PER_24_H).or(setpoint_c)?;
    let to_c = within(onset_ms, onset_ms + DAYS_SINCE * MS_PER_24_H)?;
    ((to_c - from_c).abs() >= SET_ANEW_K_MIN).then_some((from_c, to_c))
}

/// When the heater switched off, and what its controller's probe read then, as it came.
fn offs(states: &Series, probe: &Series) -> Vec<(i64, f64)> {
    let is_off = |index: &usize| states.value[index - 1] >= 0.5 && states.value[*index] < 0.5;
    let reading = |index: usize| {
        let at_ms = states.at_ms[index];
        let last = probe.at_ms.partition_point(|at| *at <= at_ms).checked_sub(1)?;
        (at_ms - probe.at_ms[last] <= READING_MS_MAX).then(|| (at_ms, probe.value[last]))
    };
    (1..states.len()).filter(is_off).filter_map(reading).collect()
}

#[cfg(test)]
mod tests {
    use mosswarden_config::table::Mark;

    use super::*;

    const HOUR: i64 = MS_PER_HOUR;

    fn series(points: impl Iterator<Item = (i64, f64)>) -> Series {
        let mut series = Series::default();
        points.for_each(|(at_ms, value)| series.push(at_ms, at_ms, value, Mark::Ok));
        series
    }

    /// A heater that switches off at every third hour, where its probe stands at what `level_c` gives for that hour.
    fn switched(level_c: impl Fn(i64) -> f64) -> Vec<(i64, f64)> {
        let hours = 20 * 24;
        let states = (0..hours).map(|hour| (hour * HOUR, f64::from(u8::from(hour % 3 != 0))));
        let probe = (0..hours).map(|hour| (hour * HOUR - 60_000, level_c(hour)));
        offs(&series(states), &series(probe))
    }

    #[test]
    fn another_setting_moves_what_the_probe_reads_when_the_heater_switches_off() {
        let onset = 15 * 24;
        let raised = switched(|hour| if hour < onset { 21.0 } else { 25.0 });
        assert_eq!(moved(&raised, onset * HOUR, Some(21.0)), Some((21.0, 25.0)));
        assert_eq!(moved(&raised, 5 * 24 * HOUR, Some(21.0)), None, "ten days before");
        // A probe that begins to read wrong is held where it always was.
        assert_eq!(moved(&switched(|_| 21.0), onset * HOUR, Some(21.0)), None);
        // Not needed before: the site file says where it worked.
        let since: Vec<(i64, f64)> = raised.into_iter().filter(|(at, _)| *at >= onset * HOUR).collect();
        assert_eq!(moved(&since, onset * HOUR, Some(21.5)), Some((21.5, 25.0)));
        assert_eq!(moved(&since, onset * HOUR, None), None);
    }
}
