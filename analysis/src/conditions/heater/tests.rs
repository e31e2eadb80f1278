//! Heaters that stick, fail, stay off, and those that are well.

use super::super::kit::{Kit, of, quiet_c, unjudged};
use super::*;
use mosswarden_config::site::Role;
use mosswarden_config::table::ROOM;

#[test]
fn a_heater_on_above_its_set_point_is_stuck() {
    let mut kit = Kit::quiet("2026-05-04", 21);
    // The lamp's day stands at 24 °C, above the set-point of 21: on from 10 to 16 is six hours too many.
    kit.states("heater", |kit, at| {
        kit.zone.date(at).to_string() == "2026-05-20" && (10.0..16.0).contains(&kit.hour(at))
    });
    let outcome = kit.judge("2026-05-18", "2026-05-25");
    let found = of(&outcome, Kind::HeaterStuckOn);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!((found[0].value.estimate - 6.0).abs() < 0.1);
    assert_eq!(
        (found[0].subject.as_str(), found[0].severity),
        ("heater", Severity::Urgent)
    );
    let ended = |until: &str| of(&kit.judge("2026-05-18", until), Kind::HeaterStuckOn)[0].end_ms;
    assert!(ended("2026-05-20T16:10").is_some(), "it said that it is off");
}

/// A sensor near the heater stands above its set-point each time it is on; in a cold night it is on for hours.
#[test]
fn another_probe_than_the_thermostats_says_stuck_beyond_its_own_usual_only() {
    let judged = |is_known: bool, night_c: f64| {
        let mut kit = Kit::quiet("2026-05-04", 21);
        let night = kit.at("2026-05-20T22:00")..kit.at("2026-05-21T02:00");
        let cycles = |kit: &Kit, at: i64| !kit.lit(at) && (at / 1_200_000) % 3 == 0;
        for sensor in ["stat", "check", "cool"] {
            let night = night.clone();
            kit.refill(sensor, Quantity::Temperature, move |_, at| {
                Some(if night.contains(&at) { night_c } else { 21.8 })
            });
        }
        kit.states("heater", move |kit, at| night.contains(&at) || cycles(kit, at));
        if !is_known {
            let enclosure = &mut kit.site.enclosures[0];
            enclosure
                .devices
                .iter_mut()
                .for_each(|device| device.controlled_by = None);
            enclosure
                .sensors
                .iter_mut()
                .for_each(|sensor| sensor.role = Role::Probe);
        }
        of(&kit.judge("2026-05-18", "2026-05-25"), Kind::HeaterStuckOn).len()
    };
    assert_eq!((judged(false, 21.8), judged(false, 26.0)), (0, 1));
    assert_eq!(
        judged(true, 21.8),
        1,
        "its own probe stands above the set-point of 21 °C"
    );
}

#[test]
fn a_heater_whose_off_was_lost_is_not_judged_unless_it_is_warmer() {
    let judged = |warmer_k: f64| {
        let mut kit = Kit::quiet("2026-05-04", 21);
        let began_ms = kit.at("2026-05-22T10:00");
        kit.refill("stat", Quantity::Temperature, move |kit, at_ms| {
            Some(quiet_c(kit, at_ms) + if at_ms >= began_ms { warmer_k } else { 0.0 })
        });
        kit.states("heater", move |_, at_ms| at_ms >= began_ms);
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let told = of(&outcome, Kind::HeaterStuckOn).len();
        (told, unjudged(&outcome, Kind::HeaterStuckOn))
    };
    assert_eq!(judged(0.0), (0, true));
    assert_eq!(judged(2.0), (1, false));
}

#[test]
fn a_heater_that_cycles_below_its_set_point_is_well() {
    let mut kit = Kit::quiet("2026-05-04", 21);
    kit.states("heater", |kit, at| !kit.lit(at) && (at / 1_200_000) % 2 == 0);
    let outcome = kit.judge("2026-05-18", "2026-05-25");
    assert!(of(&outcome, Kind::HeaterStuckOn).is_empty());
    assert!(of(&outcome, Kind::HeaterFailed).is_empty());
}

/// A window is open for an hour: the room falls by six kelvin and takes five hours to come back; the probe falls and climbs again in the dark.
#[test]
fn a_heater_in_a_room_that_grew_cold_works() {
    let judged = |climbs: bool, is_room_known: bool| {
        let mut kit = Kit::quiet("2026-05-04", 21);
        let from_ms = kit.at("2026-05-20T21:00");
        let into_h = move |at: i64| (at - from_ms) as f64 / MS_PER_HOUR as f64;
        let dip = move |at: i64| match into_h(at) {
            hours if (0.0..1.0).contains(&hours) => hours,
            hours if (1.0..6.0).contains(&hours) => (6.0 - hours) / 5.0,
            _ => 0.0,
        };
        kit.refill("wall", Quantity::Temperature, move |_, at| {
            Some(15.0 - 6.0 * dip(at))
        });
        kit.refill("stat", Quantity::Temperature, move |kit, at| {
            let is_dead = !climbs && (1.0..9.0).contains(&into_h(at));
            Some(if is_dead {
                11.0 + 5.0 * (-(into_h(at) - 1.0) / 2.0).exp()
            } else {
                quiet_c(kit, at) - 3.0 * dip(at)
            })
        });
        if !is_room_known {
            kit.forget("wall");
        }
        kit.states("heater", move |_, at| (0.0..6.5).contains(&into_h(at)));
        of(&kit.judge("2026-05-18", "2026-05-25"), Kind::HeaterFailed).len()
    };
    assert_eq!((judged(true, true), judged(true, false)), (0, 0));
    assert_eq!((judged(false, true), judged(false, false)), (1, 1));
}

#[test]
fn a_heater_on_while_the_probe_falls_to_the_room_has_failed() {
    let mut kit = Kit::quiet("2026-05-04", 21);
    kit.refill("wall", Quantity::Temperature, |_, _| Some(15.0));
    kit.refill("stat", Quantity::Temperature, |kit, at| {
        let into_h = (at - kit.at("2026-05-20T21:00")) as f64 / MS_PER_HOUR as f64;
        let dead = (0.0..11.0).contains(&into_h);
        Some(if dead {
            15.2 + 3.8 * (-into_h / 2.0).exp()
        } else {
            quiet_c(kit, at)
        })
    });
    kit.states("heater", |kit, at| {
        (kit.at("2026-05-20T21:00")..kit.at("2026-05-21T08:00")).contains(&at)
    });
    let outcome = kit.judge("2026-05-18", "2026-05-25");
    let found = of(&outcome, Kind::HeaterFailed);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].value.estimate > 9.0);
    let probe_is_out = "the probe hangs where it does not";
    assert!(
        found[0].message.contains(probe_is_out),
        "the other sensors stayed warm"
    );
    for sensor in ["check", "cool"] {
        kit.refill(sensor, Quantity::Temperature, |kit, at| {
            let cold = (kit.at("2026-05-20T21:00")..kit.at("2026-05-21T08:00")).contains(&at);
            Some(if cold { 15.5 } else { quiet_c(kit, at) })
        });
    }
    let outcome = kit.judge("2026-05-18", "2026-05-25");
    let found = of(&outcome, Kind::HeaterFailed);
    assert!(!found[0].message.contains(probe_is_out), "{}", found[0].message);
}

/// Weeks of short runs, each of which lifts the probe by a kelvin; then one of four hours, with what the probe shows over 20 °C so many
/// hours into it.
fn last_run(over_k: fn(f64) -> f64) -> Vec<Finding> {
    long_run("2026-05-21T03:00", 4.0, over_k)
}

fn long_run(began: &str, length_h: f64, over_k: fn(f64) -> f64) -> Vec<Finding> {
    let mut kit = Kit::quiet("2026-05-04", 21);
    let began_ms = kit.at(began);
    let hours_into = move |at_ms: i64| (at_ms - began_ms) as f64 / MS_PER_HOUR as f64;
    let is_last = move |at_ms: i64| (0.0..length_h).contains(&hours_into(at_ms));
    let minute_of = |at_ms: i64| (at_ms.rem_euclid(2 * MS_PER_HOUR) / 60_000) as f64;
    kit.refill("stat", Quantity::Temperature, move |_, at_ms| {
        Some(match minute_of(at_ms) {
            _ if is_last(at_ms) => 20.0 + over_k(hours_into(at_ms)),
            minute if minute <= 20.0 => 20.0 + minute / 20.0,
            minute => 21.0 - (minute - 20.0) / 100.0,
        })
    });
    kit.states("heater", move |_, at_ms| {
        is_last(at_ms) || minute_of(at_ms) < 20.0
    });
    of(&kit.judge("2026-05-18", "2026-05-25"), Kind::HeaterFailed)
        .into_iter()
        .cloned()
        .collect()
}

#[test]
fn a_heater_that_no_longer_lifts_its_probe_as_it_used_to_has_failed() {
    // It goes on falling as before, by 0.6 K an hour.
    let found = last_run(|hours| -0.6 * hours);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0]
            .message
            .contains("while it usually rises by 1.0 °C within 20 min"),
        "{}",
        found[0].message
    );
    assert_eq!(last_run(|hours| (2.0 * hours).min(1.0)), Vec::new());
    // Water cools it as the run begins; then it warms, but for the cold of the room not far.
    assert_eq!(last_run(|hours| -0.8 + (0.5 * hours).min(0.7)), Vec::new());
}

#[test]
fn a_heater_on_for_days_is_judged_by_the_hour_in_which_it_went_on() {
    let days = |over_k| long_run("2026-05-14T03:00", 240.0, over_k);
    assert_eq!(
        days(|hours| (2.0 * hours).min(1.0) - 0.004 * hours),
        Vec::new(),
        "too weak for the cold"
    );
    let failed = days(|hours| -0.01 * hours);
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert!(
        failed[0]
            .message
            .contains("on for 10 days from 03:00 on Thursday 14 May"),
        "{}",
        failed[0].message
    );
}

#[test]
fn in_its_first_days_a_heater_too_weak_for_a_cold_room_has_not_failed() {
    // Nothing is usual yet: in a room that falls to 1 °C a working heater holds its excess, a failed one loses it.
    let first_days = |excess_k: fn(f64) -> f64| {
        let mut kit = Kit::quiet("2026-05-18", 4);
        let night = kit.at("2026-05-19T21:00")..kit.at("2026-05-20T08:00");
        let into_h = move |at: i64| (at - night.start) as f64 / MS_PER_HOUR as f64;
        let is_night = move |at: i64| (0.0..11.0).contains(&into_h(at));
        let room_c = |into_h: f64| 7.0 - 0.5 * into_h;
        kit.refill("wall", Quantity::Temperature, |_, at| {
            Some(if is_night(at) { room_c(into_h(at)) } else { 7.0 })
        });
        kit.refill("stat", Quantity::Temperature, |kit, at| {
            Some(if is_night(at) {
                room_c(into_h(at)) + excess_k(into_h(at))
            } else {
                quiet_c(kit, at)
            })
        });
        kit.states("heater", |kit, at| {
            is_night(at) || !kit.lit(at) && (at / 1_200_000) % 2 == 0
        });
        of(&kit.judge("2026-05-18", "2026-05-22"), Kind::HeaterFailed).len()
    };
    assert_eq!(first_days(|_| 12.0), 0);
    assert_eq!(first_days(|into_h| 12.0 * (-into_h / 4.0).exp()), 1);
}

/// Off from nine in the evening to eight in the morning although the probe asks; on other nights it cycles, or is never on.
/// `noted`: place, time and kind of the journal's entry.
fn left_off(on_other_nights: bool, noted: Option<[&str; 3]>) -> Vec<Finding> {
    left_off_until(on_other_nights, noted, |_| false)
}

fn left_off_until(on_other_nights: bool, noted: Option<[&str; 3]>, on_late: fn(f64) -> bool) -> Vec<Finding> {
    let mut kit = Kit::quiet("2026-05-04", 21);
    let began_ms = kit.at("2026-05-20T21:00");
    let night = kit.at("2026-05-20T21:00")..kit.at("2026-05-21T08:00");
    let off = night.clone();
    kit.refill("stat", Quantity::Temperature, move |kit, at| {
        Some(if off.contains(&at) { 16.0 } else { quiet_c(kit, at) })
    });
    kit.states("heater", move |kit, at| {
        on_late((at - began_ms) as f64 / MS_PER_HOUR as f64)
            || on_other_nights && !night.contains(&at) && !kit.lit(at) && (at / 1_200_000) % 2 == 0
    });
    if let Some([place, time, kind]) = noted {
        kit.entry_of(place, kit.at(time), kind);
    }
    let outcome = kit.judge("2026-05-18", "2026-05-25");
    of(&outcome, Kind::HeaterFailed).into_iter().cloned().collect()
}

#[test]
fn a_heater_that_nothing_asked_before_has_failed_when_it_stays_off_at_last() {
    let told = |first_date: &str, days: u64| {
        let mut kit = Kit::quiet(first_date, days);
        let night = kit.at("2026-05-20T21:00")..kit.at("2026-05-21T08:00");
        kit.refill("stat", Quantity::Temperature, move |_, at| {
            Some(if night.contains(&at) { 16.0 } else { 22.0 })
        });
        kit.states("heater", |_, _| false);
        of(&kit.judge("2026-05-18", "2026-05-25"), Kind::HeaterFailed).len()
    };
    assert_eq!(told("2026-05-04", 21), 1);
    assert_eq!(told("2026-05-16", 9), 0, "too little is known of it");
}

#[test]
fn a_heater_off_though_its_probe_asks_has_failed_and_one_out_of_use_has_not() {
    let found = left_off(true, None);
    assert_eq!(found.len(), 1, "{found:?}");
    // Its last pause before the night belongs to it.
    assert!((11.0..12.0).contains(&found[0].value.estimate), "{found:?}");
    assert!(found[0].message.contains("stayed off for 11 h"), "{found:?}");
    assert_eq!(left_off(false, None), []);
    // A power cut is noted for the whole room.
    assert_eq!(left_off(true, Some([ROOM, "2026-05-21T07:00", "power-cut"])), []);
    // The site file says what holds since the set-point was changed, and not what held that night.
    let set_anew = |time| left_off(true, Some(["box", time, "setpoint-changed"])).len();
    assert_eq!(
        [set_anew("2026-05-22T18:00"), set_anew("2026-05-19T18:00")],
        [0, 1]
    );
    // It goes on and off by itself far below what is written down.
    let lower = left_off_until(true, None, |into_h| (10.5..10.8).contains(&into_h));
    assert_eq!(lower[0].severity, Severity::Warning, "{lower:?}");
    assert!(
        lower[0].message.contains("its thermostat is set lower"),
        "{lower:?}"
    );
}

#[test]
fn a_heater_without_states_is_not_judged() {
    let outcome = Kit::quiet("2026-05-04", 21).judge("2026-05-18", "2026-05-25");
    assert!(unjudged(&outcome, Kind::HeaterStuckOn) && unjudged(&outcome, Kind::HeaterFailed));
}

/// On from the time the light goes off on the 16th until noon of the 22nd, and dead until it is repaired: each night it falls further towards
/// its room, by day the lamp warms it.
fn dead_for_days(repaired: &str) -> Kit {
    let mut kit = Kit::quiet("2026-05-04", 21);
    let dead_ms = kit.at("2026-05-16T20:00");
    let (repaired_ms, off_ms) = (kit.at(repaired), kit.at("2026-05-22T12:00"));
    let is_dead = move |at: i64| (dead_ms..repaired_ms).contains(&at);
    kit.refill("wall", Quantity::Temperature, |_, _| Some(15.0));
    for sensor in ["stat", "check", "cool"] {
        kit.refill(sensor, Quantity::Temperature, |kit, at| {
            if !is_dead(at) {
                return Some(quiet_c(kit, at));
            }
            let dark_h = (kit.hour(at) + 4.0) % 24.0;
            let days = (at - dead_ms) as f64 / (24 * MS_PER_HOUR) as f64;
            let lamp_k = if kit.lit(at) { 3.0 } else { 0.0 };
            Some(16.0 - 0.1 * days + 3.0 * (-dark_h / 3.0).exp() + lamp_k)
        });
    }
    kit.states("heater", move |kit, at| {
        (dead_ms..off_ms).contains(&at) || !kit.lit(at) && (at / 1_200_000) % 2 == 0
    });
    kit
}

#[test]
fn a_heater_that_stays_dead_for_days_goes_on_being_told() {
    let kit = dead_for_days("2026-05-22T12:00");
    for until in [
        "2026-05-18T06:00",
        "2026-05-19T12:00",
        "2026-05-21T06:00",
        "2026-05-22T06:00",
    ] {
        let outcome = kit.judge("2026-05-17", until);
        let found = of(&outcome, Kind::HeaterFailed);
        assert_eq!(found.len(), 1, "{until}: {found:?}");
        assert_eq!(found[0].end_ms, None, "{until}");
    }
}

#[test]
fn a_heater_repaired_while_it_stays_on_was_dead_until_then() {
    let kit = dead_for_days("2026-05-22T02:00");
    let outcome = kit.judge("2026-05-17", "2026-05-23");
    let found = of(&outcome, Kind::HeaterFailed);
    assert_eq!(found.len(), 1, "{found:?}");
    let end_ms = found[0].end_ms.expect("it was repaired");
    assert!(
        (end_ms - kit.at("2026-05-22T02:00")).abs() <= MS_PER_HOUR,
        "{end_ms}"
    );
}

/// It warms for an hour as ever, and then falls towards its room while it stays on.
#[test]
fn a_heater_that_dies_while_it_is_on_is_told() {
    let judged = |lost_frac: f64| {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.refill("wall", Quantity::Temperature, |_, _| Some(10.0));
        kit.refill("stat", Quantity::Temperature, |kit, at| {
            let into_h = (at - kit.at("2026-05-20T21:00")) as f64 / MS_PER_HOUR as f64;
            Some(match into_h {
                hours if !(0.0..12.0).contains(&hours) => quiet_c(kit, at),
                hours if hours < 1.0 => 19.0 + 1.5 * hours,
                hours => 20.5 - 10.5 * lost_frac * (1.0 - (-(hours - 1.0) / 2.0).exp()),
            })
        });
        kit.states("heater", |kit, at| {
            (kit.at("2026-05-20T21:00")..kit.at("2026-05-21T08:00")).contains(&at)
        });
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        of(&outcome, Kind::HeaterFailed)
            .into_iter()
            .cloned()
            .collect::<Vec<_>>()
    };
    let died = judged(1.0);
    assert_eq!(died.len(), 1, "{died:?}");
    assert_eq!(died[0].start_ms, Kit::new("2026-05-04", 1).at("2026-05-20T22:00"));
    assert_eq!(judged(0.3), [], "too weak for a cold night");
}
