//! One day of the demo's room, small enough to read: what `sample-logs/` holds. All data are invented.

use chrono::NaiveDate;

use super::output::{Simulation, readings};
use super::run::run;
use super::scenario::demo;
use super::sensor::Sampling;

/// Ten minutes between readings keep the day small.
const INTERVAL_S: f64 = 600.0;
/// The demo's weeks end here, so that the same seed gives the same day for ever.
const UNTIL: NaiveDate = NaiveDate::from_ymd_opt(2026, 6, 15).expect("15 June 2026 exists");
/// The day of the weeks on which the crested gecko's heater sticks on.
const DAY: u64 = 24;
const ENCLOSURES: [&str; 3] = ["mossy-1", "dart-1", "crested-1"];

/// The day (local time) on which the crested gecko's heater sticks on: three enclosures and the room.
///
/// The weeks before are simulated too, so that glass, soil and sensors have their past; only the day is given.
pub fn sample_day(seed: u64) -> Simulation {
    let mut spec = demo(seed, UNTIL);
    spec.enclosures
        .retain(|enclosure| ENCLOSURES.contains(&enclosure.id.as_str()));
    let known = |id: &str| id == "room" || ENCLOSURES.contains(&id);
    spec.faults.retain(|fault| known(&fault.enclosure));
    spec.events.retain(|event| known(&event.enclosure));
    let inside = spec.enclosures.iter_mut().flat_map(|e| e.sensors.iter_mut());
    for sensor in spec.room_sensors.iter_mut().chain(inside) {
        sensor.sampling = Sampling::every(INTERVAL_S);
    }
    let day = spec.at(DAY, 0)..spec.at(DAY + 1, 0);
    let mut simulation = run(&spec);
    // By both times, so that no message or reading of another day is among them.
    simulation.packets.retain(|packet| {
        day.contains(&packet.received_ms) && packet.device_ms.is_none_or(|at| day.contains(&at))
    });
    simulation.readings = readings(&simulation.sources, &simulation.packets);
    simulation.journal.retain(|row| day.contains(&row.at_ms));
    simulation
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_is_whole_and_holds_the_stuck_heater() {
        let day = sample_day(1);
        let hours = (day.readings[day.readings.len() - 1].at_ms - day.readings[0].at_ms) as f64 / 3_600_000.0;
        assert!((23.5..=24.0).contains(&hours), "{hours} h");
        let hottest = day
            .readings
            .iter()
            .filter(|r| &*r.sensor == "crested-1-check" && r.value < 45.0)
            .map(|r| r.value)
            .fold(f64::NEG_INFINITY, f64::max);
        // The limit that the demo's site file gives for the crested gecko.
        assert!(hottest > 29.0, "{hottest} °C");
        assert!(day.readings.iter().all(|r| &*r.enclosure != "toad-1"));
    }
}
