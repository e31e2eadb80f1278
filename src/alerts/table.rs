//! The table of days: what happens in a room, minute by minute, and exactly the alerts that are sent.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{Mark, Reading, TimeSource};

use super::watch::{MS_PER_MIN, Seen, Watch};

/// 1 March 2026, 08:00 in Lisbon.
const START_MS: i64 = 1_772_352_000_000;

/// Two enclosures: one with two sensors, an emergency limit of 30 °C and a heater; one with one sensor and no emergency limit.
pub(super) const SITE: &str = r#"
[site]
name = "Harbour Street nature room"
timezone = "Europe/Lisbon"
data_dir = "data"
[broker]
url = "builtin"
[[enclosure]]
id = "a"
label = "A"
species = "invented"
day = { start = "08:00", end = "20:00" }
limits = { day_c = [20.0, 25.0], night_c = [17.0, 22.0], max_c = 28.0, min_c = 12.0, emergency_c = 30.0 }
[[enclosure.sensor]]
id = "a1"
feeds = [{ topic = "a1", format = "number", quantity = "temperature", unit = "Cel" }]
[[enclosure.sensor]]
id = "a2"
feeds = [{ topic = "a2", format = "number", quantity = "temperature", unit = "Cel" }]
[[enclosure.device]]
id = "ah"
kind = "heater"
feeds = [{ topic = "ah", format = "state" }]
[[enclosure]]
id = "b"
label = "B"
species = "invented"
day = { start = "08:00", end = "20:00" }
limits = { day_c = [20.0, 25.0], night_c = [17.0, 22.0], max_c = 28.0, min_c = 12.0 }
[[enclosure.sensor]]
id = "b1"
feeds = [{ topic = "b1", format = "number", quantity = "temperature", unit = "Cel" }]
"#;

/// What each sensor says in a minute; `None` where nothing comes. The heater's state is the last.
struct Minute {
    a1: Option<f64>,
    a2: Option<f64>,
    b1: Option<f64>,
    heater: Option<f64>,
}

const USUAL: Minute = Minute {
    a1: Some(22.0),
    a2: Some(23.0),
    b1: Some(21.0),
    heater: Some(0.0),
};

pub(super) fn reading(sensor: &str, quantity: Quantity, at_ms: i64, value: f64) -> Reading {
    Reading {
        at_ms,
        received_ms: at_ms,
        time_source: TimeSource::Arrival,
        enclosure: Arc::from("a"),
        sensor: Arc::from(sensor),
        quantity,
        value,
        mark: Mark::Ok,
    }
}

/// Plays the minutes, looking six times in each, and gives "minute enclosure danger what" of every alert, and their words.
fn play(source: &str, minutes: i64, happens: impl Fn(i64) -> Minute) -> (Vec<String>, Vec<String>) {
    let site =
        Site::from_source(Path::new("site.toml"), source).unwrap_or_else(|problems| panic!("{problems:?}"));
    // Without a species file the emergency limit of `b` is not set: the table relies on it.
    assert_eq!(site.enclosures[0].limits.emergency_c, Some(30.0));
    assert_eq!(site.enclosures[1].limits.emergency_c, None);
    let mut watch = Watch::new(&site, START_MS, &[], &BTreeSet::new());
    let mut newest: Vec<Reading> = Vec::new();
    let (mut told, mut words) = (Vec::new(), Vec::new());
    for minute in 0..minutes {
        let at_ms = START_MS + minute * MS_PER_MIN;
        let now = happens(minute);
        let said = [
            ("a1", Quantity::Temperature, now.a1),
            ("a2", Quantity::Temperature, now.a2),
            ("b1", Quantity::Temperature, now.b1),
            ("ah", Quantity::State, now.heater),
        ];
        for (sensor, quantity, value) in said {
            let Some(value) = value else { continue };
            newest.retain(|known| &*known.sensor != sensor);
            newest.push(reading(sensor, quantity, at_ms, value));
        }
        for second in [0, 10, 20, 30, 40, 50] {
            let seen = Seen {
                readings: &newest,
                is_connected: true,
                can_store: true,
            };
            for alert in watch.look(at_ms + second * 1000, &seen) {
                let enclosure = alert.enclosure.as_deref().unwrap_or("all");
                told.push(format!(
                    "{minute} {enclosure} {} {}",
                    alert.danger.name(),
                    alert.what.name()
                ));
                words.push(alert.text);
            }
        }
    }
    (told, words)
}

#[track_caller]
fn check(minutes: i64, happens: impl Fn(i64) -> Minute, expected: &[&str]) -> Vec<String> {
    let (told, words) = play(SITE, minutes, happens);
    assert_eq!(told, expected, "{words:#?}");
    words
}

#[test]
fn a_usual_day_is_silent() {
    let wave = |minute: i64| 2.0 * (minute as f64 / 229.0).sin();
    check(
        24 * 60,
        |minute| Minute {
            a1: Some(22.0 + wave(minute)),
            a2: Some(23.0 + wave(minute)),
            b1: Some(21.0 + wave(minute)),
            heater: Some(f64::from(minute % 40 < 10)),
        },
        &[],
    );
}

#[test]
fn a_cold_spell_is_danger_unless_the_season_asks_for_it() {
    let cold = |_: i64| Minute {
        b1: Some(9.0),
        ..USUAL
    };
    check(60, cold, &["10 b too-cold begins"]);
    let season = r#"
[[enclosure.season]]
name = "cooling"
from = "02-01"
to = "03-15"
limits = { day_c = [8.0, 14.0], night_c = [6.0, 12.0], max_c = 18.0, min_c = 4.0 }
"#;
    let (told, words) = play(&format!("{SITE}{season}"), 60, cold);
    assert!(told.is_empty(), "{words:#?}");
}

#[test]
fn a_sensor_that_speaks_every_twenty_minutes_is_told_at_its_third_reading() {
    let slow = |minute: i64| Minute {
        b1: (minute % 20 == 0).then_some(31.0),
        ..USUAL
    };
    check(60, slow, &["40 b too-hot begins"]);
}

#[test]
fn heat_wave() {
    // From 24 °C, 0.052 K a minute to 33.1 °C, held for three hours, and back. The second sensor of A reads 0.5 K more.
    let course = |minute: i64| match minute {
        0..175 => 24.0 + minute as f64 * 0.052,
        175..360 => 33.1,
        _ => (33.1 - (minute - 360) as f64 * 0.052).max(24.0),
    };
    let words = check(
        600,
        |minute| Minute {
            a1: Some(course(minute)),
            a2: Some(course(minute) + 0.5),
            b1: Some(course(minute)),
            heater: Some(0.0),
        },
        &[
            // B: above 28.0 from minute 77; ten minutes of it. A further degree takes 20 minutes.
            "87 b too-hot begins",
            "107 b too-hot worse",
            // A: above 30.0 in the reading of minute 116, two sensors agree.
            "116 a too-hot begins",
            "127 b too-hot worse",
            "136 a too-hot worse",
            "147 b too-hot worse",
            "156 a too-hot worse",
            "167 b too-hot worse",
            // Two hours after the last word.
            "276 a too-hot stays",
            "287 b too-hot stays",
            // Half a degree inside, in two readings.
            "431 a too-hot all-clear",
            "469 b too-hot all-clear",
        ],
    );
    assert_eq!(
        words[2],
        "A: too hot. At 09:56 the coolest of 2 places reads 30.0 °C, just above the emergency limit of 30.0 °C, since \
         Sunday 1 March, 09:56. Go and look now; switch off its lamps and heating."
    );
    assert!(
        words[0].contains("one sensor, with no second one to confirm it, reads"),
        "{}",
        words[0]
    );
    assert!(words[10].contains("the highest was 33.1 °C"), "{}", words[10]);
}

#[test]
fn a_sensor_that_speaks_fahrenheit_is_not_taken_for_heat_without_a_word() {
    let words = check(
        30,
        |minute| Minute {
            b1: Some(if minute < 10 { 22.0 } else { 72.3 }),
            ..USUAL
        },
        &["20 b too-hot begins"],
    );
    let unit =
        "If it is well, the sensor sends another unit: write unit = \"[degF]\" at its feed in the site file.";
    assert!(words[0].ends_with(unit), "{}", words[0]);
}

#[test]
fn heat_that_stays_is_told_again_after_two_hours_and_then_ever_more_rarely() {
    check(
        12 * 60,
        |minute| Minute {
            a1: Some(if minute < 10 { 22.0 } else { 31.0 }),
            a2: Some(if minute < 10 { 23.0 } else { 31.0 }),
            ..USUAL
        },
        &[
            "10 a too-hot begins",
            "130 a too-hot stays",
            "370 a too-hot stays",
        ],
    );
}

#[test]
fn power_cut() {
    // Everything stops at minute 60 and comes back cold at minute 300; B is heard five minutes later, and warms up slowly.
    let words = check(
        480,
        |minute| match minute {
            0..60 => USUAL,
            60..300 => Minute {
                a1: None,
                a2: None,
                b1: None,
                heater: None,
            },
            _ => {
                let warmed = 10.0 + (minute - 300) as f64 / 20.0;
                Minute {
                    a1: Some(warmed),
                    a2: Some(warmed),
                    b1: (minute >= 305).then_some(22.0),
                    heater: Some(0.0),
                }
            }
        },
        &[
            "89 all silent begins",
            "209 all silent stays",
            "300 all silent all-clear",
            "310 a too-cold begins",
            "351 a too-cold all-clear",
        ],
    );
    assert_eq!(
        words[0],
        "No reading from any enclosure for 30 min, since Sunday 1 March, 08:59. How they are is not known. Go and look; \
         see whether the power or the network is out."
    );
}

#[test]
fn one_enclosure_silent() {
    check(
        240,
        |minute| Minute {
            b1: if (60..150).contains(&minute) {
                None
            } else {
                Some(21.0)
            },
            ..USUAL
        },
        &["89 b silent begins", "150 b silent all-clear"],
    );
}

#[test]
fn one_of_two_sensors_dead_is_no_danger() {
    check(
        240,
        |minute| Minute {
            a2: (minute < 60).then_some(23.0),
            ..USUAL
        },
        &[],
    );
}

#[test]
fn one_wild_reading_is_no_danger() {
    check(
        240,
        |minute| Minute {
            a1: Some(if minute == 100 { 45.0 } else { 22.0 }),
            b1: Some(if minute == 120 { 45.0 } else { 21.0 }),
            ..USUAL
        },
        &[],
    );
}

#[test]
fn one_wild_reading_of_a_lone_sensor_beside_a_heater_is_no_danger() {
    check(
        240,
        |minute| Minute {
            a1: Some(if minute == 100 { 45.0 } else { 22.0 }),
            a2: None,
            heater: Some(1.0),
            ..USUAL
        },
        &[],
    );
}

#[test]
fn hot_and_then_silent_is_never_an_all_clear() {
    check(
        200,
        |minute| Minute {
            a1: (minute < 60).then_some(if minute < 30 { 22.0 } else { 31.0 }),
            a2: (minute < 60).then_some(if minute < 30 { 23.0 } else { 31.0 }),
            ..USUAL
        },
        &["30 a too-hot begins", "89 a silent begins"],
    );
}

#[test]
fn heater_runaway() {
    // From minute 60, 0.5 K a minute with the heater on, to 34 °C; then it is unplugged and cools.
    let course = |minute: i64| match minute {
        0..60 => 23.0,
        60..82 => 23.0 + (minute - 60) as f64 / 2.0,
        _ => (34.0 - (minute - 82) as f64 / 10.0).max(23.0),
    };
    let words = check(
        240,
        |minute| Minute {
            a1: Some(course(minute)),
            a2: Some(course(minute)),
            heater: Some(f64::from((60..82).contains(&minute))),
            ..USUAL
        },
        &[
            "66 a heater-runaway begins",
            "75 a too-hot begins",
            "77 a too-hot worse",
            "79 a too-hot worse",
            "81 a too-hot worse",
            "128 a too-hot all-clear",
        ],
    );
    assert!(
        words[0].contains("its heater reports that it is on"),
        "{}",
        words[0]
    );
}

#[test]
fn the_same_rise_with_the_heater_off_is_the_lamps() {
    check(
        120,
        |minute| {
            let warm = (22.0 + (minute - 60).clamp(0, 10) as f64 / 2.0).min(27.0);
            Minute {
                a1: Some(warm),
                a2: Some(warm),
                heater: Some(0.0),
                ..USUAL
            }
        },
        &[],
    );
}
