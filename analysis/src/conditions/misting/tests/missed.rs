//! Runs that were due and did not come.

use super::*;
use crate::findings::Severity;

#[test]
fn missed_runs_are_found_by_state_also_over_a_clock_change() {
    let missed = ["2026-03-27T15:00", "2026-03-29T10:00", "2026-03-29T15:00"];
    let kit = misted(true, |kit, at| {
        (!missed.iter().any(|text| kit.at(text) == at)).then_some(1.0)
    });
    let outcome = kit.judge("2026-03-23", "2026-03-30");
    let found = of(&outcome, Kind::MistMissed);
    assert_eq!(found.len(), 2, "{found:?}");
    assert_eq!(found.iter().map(|f| f.value.estimate).sum::<f64>(), 3.0);
    assert!(
        found
            .iter()
            .any(|f| f.start_ms == kit.at("2026-03-29T10:00") && f.end_ms.is_none())
    );
    assert_eq!(outcome.mistings.iter().filter(|m| m.ran == Ran::No).count(), 3);
}

#[test]
fn missed_runs_are_found_by_humidity_where_no_state_comes() {
    let kit = misted(false, |kit, at| (at != kit.at("2026-03-27T15:00")).then_some(1.0));
    let outcome = kit.judge("2026-03-23", "2026-03-30");
    let found = of(&outcome, Kind::MistMissed);
    assert_eq!(found.len(), 1, "{found:?} {:?}", outcome.verdicts.not_assessed);
    assert_eq!(found[0].start_ms, kit.at("2026-03-27T15:00"));
}

/// As a window is opened the vapour falls in spite of the mist, whose cooling and wetting bend the humidity up all the same.
#[test]
fn without_states_a_run_beside_an_open_window_is_not_missed_where_the_humidity_bent() {
    let hidden = "2026-03-27T15:00";
    let judged = |mist_pct: f64| {
        let mut kit = misted(false, |kit, at| (at != kit.at(hidden)).then_some(1.0));
        let run_ms = kit.at(hidden);
        let minutes = |at: i64| (at - run_ms) as f64 / 60_000.0;
        for sensor in ["check", "cool", "stat"] {
            kit.add(sensor, Quantity::Temperature, |at| {
                -4.0 * ((minutes(at) + 15.0) / 30.0).clamp(0.0, 1.0) * f64::from(minutes(at) < 180.0)
            });
            kit.add(sensor, Quantity::Humidity, |at| {
                if (0.0..60.0).contains(&minutes(at)) {
                    mist_pct
                } else {
                    0.0
                }
            });
        }
        of(&kit.judge("2026-03-23", "2026-03-30"), Kind::MistMissed).len()
    };
    assert_eq!((judged(0.0), judged(8.0)), (1, 0));
}

#[test]
fn a_mister_that_sent_its_states_and_has_been_silent_for_more_than_a_month_goes_on_being_told() {
    let kit = misted(true, |kit, at| (at < kit.at("2026-03-05")).then_some(1.0));
    let outcome = kit.judge("2026-04-06", "2026-04-13");
    let found = of(&outcome, Kind::MistMissed);
    assert_eq!(found.len(), 1, "{:?}", outcome.verdicts.not_assessed);
    assert_eq!(
        (found[0].start_ms, found[0].end_ms),
        (kit.at("2026-03-05T10:00"), None)
    );
}

#[test]
fn without_states_a_mister_that_is_dead_for_weeks_goes_on_being_told() {
    let kit = misted(false, |kit, at| (at < kit.at("2026-03-24")).then_some(1.0));
    let outcome = kit.judge("2026-04-06", "2026-04-13");
    let found = of(&outcome, Kind::MistMissed);
    assert_eq!(found.len(), 1, "{:?}", outcome.verdicts.not_assessed);
    assert_eq!(
        (found[0].start_ms, found[0].end_ms),
        (kit.at("2026-03-24T10:00"), None)
    );
}

#[test]
fn no_water_is_urgent_unless_the_air_is_known_to_be_moist_all_the_same() {
    let severity = |drier_pct: f64| {
        let mut kit = misted(true, |kit, at| (at < kit.at("2026-03-26")).then_some(1.0));
        for sensor in ["check", "cool", "stat"] {
            kit.shift(sensor, Quantity::Humidity, |kit, at| {
                if at < kit.at("2026-03-26") {
                    0.0
                } else {
                    -drier_pct
                }
            });
        }
        of(&kit.judge("2026-03-23", "2026-03-30"), Kind::MistMissed)[0].severity
    };
    assert_eq!(
        (severity(0.0), severity(12.0)),
        (Severity::Warning, Severity::Urgent)
    );
}

#[test]
fn without_states_a_shorter_run_is_judged_by_its_like_and_one_beside_lights_off_if_plain() {
    let afternoon = |kit: &Kit, at: i64| kit.hour(at) > 12.0;
    let missed = "2026-03-27T15:00";
    let judged = |share: f64, lights_off: (u32, u32)| {
        let mut kit = misted(false, |kit, at| {
            let share = if afternoon(kit, at) { share } else { 1.0 };
            (at != kit.at(missed)).then_some(share)
        });
        // What the air does by itself: in the early afternoon it rises by some 0.4 g/m³.
        for sensor in ["check", "cool", "stat"] {
            kit.shift(sensor, Quantity::Humidity, |kit, at| {
                if (14.05..14.4).contains(&kit.hour(at)) {
                    2.0
                } else {
                    0.0
                }
            });
        }
        let clock = |(hour, minute)| NaiveTime::from_hms_opt(hour, minute, 0).expect("a time");
        kit.site.enclosures[0].light = LightHours::Clock {
            start: clock((8, 0)),
            end: clock(lights_off),
        };
        let outcome = kit.judge("2026-03-23", "2026-03-30");
        let not_known = outcome.mistings.iter().filter(|m| m.ran == Ran::NotKnown).count();
        (of(&outcome, Kind::MistMissed).len(), not_known)
    };
    assert_eq!(judged(1.0, (20, 0)), (1, 0));
    assert_eq!(judged(0.4, (20, 0)), (1, 0));
    assert_eq!(judged(1.0, (14, 30)), (1, 0));
    assert_eq!(judged(0.4, (14, 30)), (0, 1));
}

#[test]
fn without_states_air_that_is_wet_already_hides_a_run() {
    let hidden = "2026-03-27T15:00";
    let judged = |by_hand_g_m3: f64| {
        let mut kit = misted(false, |kit, at| (at != kit.at(hidden)).then_some(1.0));
        let wetted = kit.at(hidden) - MS_PER_HOUR;
        for sensor in ["check", "cool", "stat"] {
            let t_c = 24.0;
            let added_pct = relative_humidity_pct(t_c, vapour_pressure_from_density_pa(t_c, by_hand_g_m3));
            kit.add(sensor, Quantity::Humidity, |at| {
                let hours = (at - wetted) as f64 / MS_PER_HOUR as f64;
                if hours < 0.0 {
                    0.0
                } else {
                    added_pct * (-hours / 4.0).exp()
                }
            });
        }
        of(&kit.judge("2026-03-23", "2026-03-30"), Kind::MistMissed).len()
    };
    assert_eq!(judged(0.0), 1);
    assert_eq!(judged(6.8), 0);
}

/// At one run the door is opened, which takes along what came and more; at another nothing came.
#[test]
fn without_states_a_run_whose_vapour_went_out_of_the_door_is_not_missed() {
    let (opened, missed) = ("2026-03-25T15:00", "2026-03-27T15:00");
    let mut kit = misted(false, |kit, at| (at != kit.at(missed)).then_some(1.0));
    let opened_ms = kit.at(opened);
    for sensor in ["check", "cool", "stat"] {
        kit.shift(sensor, Quantity::Humidity, |_, at| {
            let minutes = (at - opened_ms) as f64 / 60_000.0;
            if (0.0..60.0).contains(&minutes) {
                0.5 * minutes - 30.0
            } else {
                0.0
            }
        });
    }
    let found = kit.judge("2026-03-23", "2026-03-30");
    let found = of(&found, Kind::MistMissed);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].start_ms, kit.at(missed));
}

#[test]
fn what_most_sensors_lost_the_mister_may_have_lost() {
    let missed = "2026-03-26T15:00";
    let judged = |lost: &[&str]| {
        let mut kit = misted(true, |kit, at| (at != kit.at(missed)).then_some(1.0));
        for sensor in lost {
            kit.forget_within(sensor, "2026-03-26T14:30", "2026-03-26T18:00");
        }
        let outcome = kit.judge("2026-03-23", "2026-03-30");
        of(&outcome, Kind::MistMissed).len()
    };
    // One still speaks, with a clock that is a day off.
    assert_eq!(judged(&["check", "cool", "wall"]), 0);
    assert_eq!(judged(&["check", "cool"]), 1);
}

#[test]
fn without_state_and_response_nothing_is_said() {
    let kit = Kit::quiet("2026-03-02", 42);
    let outcome = kit.judge("2026-03-23", "2026-03-30");
    assert!(of(&outcome, Kind::MistMissed).is_empty());
    assert!(unjudged(&outcome, Kind::MistMissed) && unjudged(&outcome, Kind::MistWeak));
}

#[test]
fn a_silent_logger_does_not_miss_runs() {
    let mut kit = misted(true, |kit, at| {
        (kit.zone.date(at).to_string() != "2026-03-26").then_some(1.0)
    });
    for sensor in ["check", "cool", "stat"] {
        for quantity in [Quantity::Temperature, Quantity::Humidity] {
            kit.refill(sensor, quantity, |kit, at| {
                (kit.zone.date(at).to_string() != "2026-03-26").then_some(20.0)
            });
        }
    }
    let outcome = kit.judge("2026-03-23", "2026-03-30");
    assert!(of(&outcome, Kind::MistMissed).is_empty());
    assert_eq!(
        outcome.mistings.iter().filter(|m| m.ran == Ran::NotKnown).count(),
        2
    );
}

#[test]
fn a_lost_message_is_no_missed_run() {
    let lost = ["2026-03-26", "2026-03-27"];
    let mut kit = misted(true, |kit, at| {
        (!lost.contains(&kit.zone.date(at).to_string().as_str())).then_some(1.0)
    });
    // Of one morning the "off" never came, of the other the "on".
    kit.push("mister", Quantity::State, kit.at("2026-03-26T10:00"), 1.0);
    kit.push(
        "mister",
        Quantity::State,
        kit.at("2026-03-27T10:00") + 30_000,
        0.0,
    );
    for date in lost {
        kit.mist(kit.at(&format!("{date}T15:00")));
    }
    let outcome = kit.judge("2026-03-23", "2026-03-30");
    assert!(of(&outcome, Kind::MistMissed).is_empty());
    let count = |ran: Ran| outcome.mistings.iter().filter(|m| m.ran == ran).count();
    assert_eq!((count(Ran::Yes), count(Ran::NotKnown)), (13, 1));
}
