//! Mistings from the record to what is said of them: runs, yields, misses, the exchange of air.

use chrono::NaiveTime;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{LightHours, MS_PER_HOUR};

use super::super::Outcome;
use super::super::kit::{Kit, of, unjudged};
use super::*;
use crate::physics::humidity::{
    relative_humidity_pct, vapour_density_g_m3, vapour_pressure_from_density_pa, vapour_pressure_pa,
};

const RISE_G_M3: f64 = 3.0;
const HALF_LIFE_MIN: f64 = 40.0;

/// The scheduled instants of a kit.
fn schedule(kit: &Kit) -> Vec<i64> {
    let dates = kit.zone.dates(kit.whole);
    dates
        .iter()
        .flat_map(|date| ["10:00", "15:00"].map(|clock| kit.at(&format!("{date}T{clock}"))))
        .collect()
}

/// A record in which each run lifts the vapour by `share(at)` of [`RISE_G_M3`], which then halves every
/// [`HALF_LIFE_MIN`]; `share` is `None` where the run is missed. States where `stated`.
fn misted(stated: bool, share: impl Fn(&Kit, i64) -> Option<f64>) -> Kit {
    let mut kit = Kit::quiet("2026-03-02", 42);
    let runs: Vec<(i64, f64)> = schedule(&kit)
        .into_iter()
        .filter_map(|at| share(&kit, at).map(|share| (at, share)))
        .collect();
    for sensor in ["check", "cool", "stat"] {
        let runs = runs.clone();
        kit.refill(sensor, Quantity::Humidity, move |kit, at| {
            let t_c = super::super::kit::quiet_c(kit, at);
            let still = vapour_density_g_m3(t_c, vapour_pressure_pa(t_c, 65.0));
            let added: f64 = runs
                .iter()
                .filter(|(run, _)| (0..10 * MS_PER_HOUR).contains(&(at - run)))
                .map(|(run, share)| {
                    share * RISE_G_M3 * (-((at - run) as f64) / 60_000.0 / HALF_LIFE_MIN).exp2()
                })
                .sum();
            Some(relative_humidity_pct(
                t_c,
                vapour_pressure_from_density_pa(t_c, still + added),
            ))
        });
    }
    if stated {
        for (at, _) in runs {
            kit.mist(at);
        }
    }
    kit
}

#[test]
fn a_run_is_measured_rise_and_half_life() {
    let outcome = misted(true, |_, _| Some(1.0)).judge("2026-03-23", "2026-03-30");
    assert!(of(&outcome, Kind::MistWeak).is_empty() && of(&outcome, Kind::MistMissed).is_empty());
    assert_eq!(outcome.mistings.len(), 14);
    let before_ms = outcome.mistings[0].at_ms;
    assert!(outcome.earlier_mistings.len() > 14);
    assert!(
        outcome
            .earlier_mistings
            .iter()
            .all(|misting| misting.at_ms < before_ms)
    );
    for misting in &outcome.mistings {
        assert_eq!(misting.ran, Ran::Yes);
        let rise = misting.rise_g_m3.expect("measured");
        assert!((rise - RISE_G_M3).abs() < 0.05 * RISE_G_M3, "{misting:?}");
        let half_life = misting.half_life_min.expect("fitted");
        assert!((half_life / HALF_LIFE_MIN - 1.0).abs() < 0.02, "{misting:?}");
    }
}

/// Every run fills the same share of the room to saturation; from a day on there is less room.
#[test]
fn less_room_for_vapour_is_no_weak_mister() {
    const FILLS_FRAC: f64 = 0.6;
    let mut kit = Kit::quiet("2026-03-02", 42);
    let runs = schedule(&kit);
    for at in &runs {
        kit.mist(*at);
    }
    let damp_from_ms = kit.at("2026-03-28");
    for sensor in ["check", "cool", "stat"] {
        let runs = runs.clone();
        kit.refill(sensor, Quantity::Humidity, move |_, at| {
            let still = if at < damp_from_ms { 65.0 } else { 85.0 };
            let last = runs
                .iter()
                .rev()
                .find(|run| (0..4 * MS_PER_HOUR).contains(&(at - **run)));
            let left = last.map_or(0.0, |run| {
                (-((at - run) as f64) / 60_000.0 / HALF_LIFE_MIN).exp2()
            });
            Some(still + FILLS_FRAC * (100.0 - still) * left)
        });
    }
    let outcome = kit.judge("2026-03-30", "2026-04-06");
    assert!(of(&outcome, Kind::MistWeak).is_empty());
    assert!(!unjudged(&outcome, Kind::MistWeak), "it can be judged");
}

/// Each run brings the same; from a day on the sensors, or the only one, read so much less.
#[test]
fn a_sensor_that_stands_alone_and_drifts_makes_no_weak_mister() {
    let judged = |share: f64, drift_pct: f64| {
        let mut kit = misted(true, |kit, at| {
            Some(if at >= kit.at("2026-03-30") { share } else { 1.0 })
        });
        kit.shift("check", Quantity::Humidity, |kit, at| {
            if at < kit.at("2026-03-30") { 0.0 } else { drift_pct }
        });
        kit.forget("cool");
        kit.forget("stat");
        let outcome = kit.judge("2026-03-30", "2026-04-06");
        let found = of(&outcome, Kind::MistWeak);
        found
            .iter()
            .map(|finding| finding.message.clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(judged(1.0, -20.0), Vec::<String>::new());
    let weak = judged(0.5, -20.0);
    assert!(
        weak.len() == 1 && weak[0].contains("Only check tells it"),
        "{weak:?}"
    );
}

/// At 65 %RH and 24 °C the air holds 14.1 g/m³ and could take up 7.6 more, at 50 %RH and 18 °C the room holds 7.7 ([Buck1996], worked apart):
/// an excess of 6.4 g/m³, 0.84 of that room. At 50 %RH it is 10.9 g/m³, an excess of 3.2 and 0.29 of the room to saturation, a third; at
/// 80 %RH 17.4 g/m³, an excess of 9.7 and 2.2, 2.6 times as much.
#[test]
fn what_the_air_holds_before_a_run_tells_a_door_ajar_and_a_blocked_vent() {
    let well = misted(true, |_, _| Some(1.0)).judge("2026-03-30", "2026-04-06");
    assert_eq!(well.mist_trends[0].airing, Airing::Usual);
    let judged = |since_pct: f64| {
        let mut kit = Kit::quiet("2026-03-02", 42);
        for at in schedule(&kit) {
            kit.mist(at);
        }
        let from_ms = kit.at("2026-04-01");
        for sensor in ["check", "cool", "stat"] {
            kit.refill(sensor, Quantity::Humidity, |_, at| {
                Some(if at < from_ms { 65.0 } else { since_pct })
            });
        }
        kit.judge("2026-03-30", "2026-04-06")
    };
    let share = |outcome: &Outcome| outcome.mist_trends[0].held_share.expect("known").value;
    let ajar = judged(50.0);
    assert_eq!(ajar.mist_trends[0].airing, Airing::Faster);
    assert!((share(&ajar) - 0.345).abs() < 0.01, "{}", share(&ajar));
    assert!(of(&ajar, Kind::StaysWet).is_empty());
    let blocked = judged(80.0);
    assert_eq!(blocked.mist_trends[0].airing, Airing::Slower);
    assert!((share(&blocked) - 2.63).abs() < 0.08, "{}", share(&blocked));
    let found = of(&blocked, Kind::StaysWet);
    assert_eq!(found.len(), 1, "inside the band, and told all the same");
    assert!(found[0].message.contains("covered vent"), "{}", found[0].message);
    let first_run_ms = blocked.mist_trends[0].airing_since_ms;
    assert_eq!(found[0].start_ms, first_run_ms);
    let kit = Kit::quiet("2026-03-02", 1);
    assert_eq!(kit.zone.date(first_run_ms).to_string(), "2026-04-01");
}

/// By hand, once in the morning and once in the afternoon; what was 65 %RH is more from a day on, which the journal may know.
#[test]
fn where_hands_mist_a_blocked_vent_is_told_unless_it_was_noted() {
    let judged = |since_pct: f64, is_noted: bool| {
        let mut kit = Kit::quiet("2026-03-02", 42);
        kit.site.enclosures[0]
            .devices
            .retain(|device| device.kind != DeviceKind::Mister);
        for at in schedule(&kit) {
            kit.entry_of("box", at, "misted-by-hand");
        }
        let from_ms = kit.at("2026-03-30");
        if is_noted {
            kit.entry_of("box", from_ms, "note");
        }
        for sensor in ["check", "cool", "stat"] {
            kit.refill(sensor, Quantity::Humidity, |_, at| {
                Some(if at < from_ms { 65.0 } else { since_pct })
            });
        }
        kit.judge("2026-03-30", "2026-04-06")
    };
    let words = |outcome: &Outcome| {
        let found = of(outcome, Kind::StaysWet);
        found.iter().map(|of| of.message.clone()).collect::<String>()
    };
    let blocked = words(&judged(80.0, false));
    assert!(
        blocked.contains("covered vent")
            && blocked.contains("unless more water was given")
            && !blocked.contains("Only"),
        "{blocked}"
    );
    assert_eq!(words(&judged(80.0, true)), "", "the keeper knows");
    assert_eq!(words(&judged(68.0, false)), "", "hands give as they like");
}

/// A fogger that holds the air at 75 %RH, five minutes of each hour; from a day on so much longer, after pauses so long.
#[test]
fn where_a_fogger_holds_the_air_a_door_ajar_is_told_by_its_pauses() {
    let trend = |on_min: i64, pause_min: i64| {
        let mut kit = Kit::quiet("2026-03-02", 42);
        for at in schedule(&kit) {
            kit.mist(at);
        }
        let from_ms = kit.at("2026-04-01");
        kit.restate("fogger", |_, at| {
            let (on_min, pause_min) = if at < from_ms {
                (5, 55)
            } else {
                (on_min, pause_min)
            };
            (at / 60_000).rem_euclid(on_min + pause_min) < on_min
        });
        kit.judge("2026-03-30", "2026-04-06").mist_trends.remove(0)
    };
    let ajar = trend(5, 15);
    assert_eq!(ajar.airing, Airing::Faster, "{ajar:?}");
    assert!(
        (ajar.pause_share.expect("known").value - 15.0 / 55.0).abs() < 0.02,
        "{ajar:?}"
    );
    assert!(
        (ajar.held_share.expect("known").value - 1.0).abs() < 0.02,
        "{ajar:?}"
    );
    assert!(airing_words(&[ajar], Airing::Faster).contains("its fogger's pauses are 0.3 times as long"));
    assert_eq!(trend(65, 55).airing, Airing::Usual, "a fogger that gives less");
    assert_eq!(trend(5, 115).airing, Airing::Slower);
}

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

/// In the morning what nearly fills the air, as ever; in the afternoon little, and from a day on so much of it.
#[test]
fn runs_that_nearly_fill_the_air_hide_no_fall_of_the_others() {
    let judged = |share_then: f64| {
        let kit = misted(true, |kit, at| {
            let then = if at < kit.at("2026-03-26") {
                1.0
            } else {
                share_then
            };
            Some(if kit.hour(at) < 12.0 { 2.0 } else { 0.5 * then })
        });
        let outcome = kit.judge("2026-03-30", "2026-04-06");
        let found = of(&outcome, Kind::MistWeak);
        let words = found.iter().map(|f| f.message.clone()).collect::<Vec<_>>();
        (words, outcome.mist_trends[0].yield_share.expect("known").value)
    };
    let (weak, told) = judged(0.6);
    assert!(
        weak.len() == 1 && weak[0].contains("bring 60 %") && weak[0].contains("far from full"),
        "{weak:?}"
    );
    assert!((told - 0.6).abs() < 0.01, "by the same runs: {told}");
    assert_eq!(judged(1.0).0, Vec::<String>::new());
}

/// By hand three times in two days; what each brings is so much from a day on, and wanders by a third.
#[test]
fn where_hands_mist_a_clear_fall_is_told_and_a_slight_one_not() {
    let judged = |share_then: f64, is_noted: bool| {
        let wandering = |kit: &Kit, at: i64| {
            let step = at.div_euclid(MS_PER_HOUR);
            let share = if at < kit.at("2026-03-23") {
                1.0
            } else {
                share_then
            };
            (step % 5 != 0).then_some(share * (0.3 * (step as f64).sin()).exp())
        };
        let mut kit = misted(false, wandering);
        kit.site.enclosures[0]
            .devices
            .retain(|device| device.kind != DeviceKind::Mister);
        let mut given = schedule(&kit);
        given.retain(|at| is_noted && wandering(&kit, *at).is_some());
        for at in given {
            kit.entry_of("box", at, "misted-by-hand");
        }
        let outcome = kit.judge("2026-03-30", "2026-04-06");
        let found = of(&outcome, Kind::MistWeak);
        found
            .iter()
            .map(|f| (f.subject.clone(), f.message.clone()))
            .collect::<Vec<_>>()
    };
    let weak = judged(0.4, true);
    assert_eq!(weak.len(), 1, "{weak:?}");
    assert_eq!(weak[0].0, "box");
    assert!(weak[0].1.starts_with("Mistings by hand now bring 4"), "{weak:?}");
    assert_eq!(judged(0.8, true), []);
    assert_eq!(
        judged(0.4, false),
        [],
        "of those that are seen only the strong ones are"
    );
    assert_eq!(judged(0.0, true), [], "notes that were written later");
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
fn what_a_sensor_showed_around_a_check_is_no_run() {
    let (missed, checked) = ("2026-03-27T15:00", "2026-03-27T12:00");
    let judged = |is_checked: bool| {
        let mut kit = misted(false, |kit, at| (at != kit.at(missed)).then_some(1.0));
        if is_checked {
            kit.entry_of("box", kit.at(checked), "sensor-calibrated");
        }
        of(&kit.judge("2026-03-23", "2026-03-30"), Kind::MistMissed).len()
    };
    assert_eq!((judged(false), judged(true)), (1, 0));
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

#[test]
fn a_yield_of_half_is_found_within_a_week_and_a_healthy_one_is_not() {
    let weak = misted(true, |kit, at| {
        Some(if at >= kit.at("2026-04-01") { 0.55 } else { 1.0 })
    });
    let outcome = weak.judge("2026-03-30", "2026-04-06");
    let found = of(&outcome, Kind::MistWeak);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        (45.0..75.0).contains(&found[0].value.estimate),
        "{:?}",
        found[0].value
    );
    assert!((found[0].start_ms - weak.at("2026-04-01")).abs() < 36 * MS_PER_HOUR);
    assert!(
        found[0].message.contains("within two days"),
        "{}",
        found[0].message
    );
    assert_eq!(found[0].also[0].name, "decay half-life");
    let healthy = misted(true, |_, at| Some(if (at / 1000) % 7 < 3 { 0.9 } else { 1.1 }));
    assert!(of(&healthy.judge("2026-03-30", "2026-04-06"), Kind::MistWeak).is_empty());
}

/// Each run fills the air nearly at once, and wet surfaces hold it there for an hour before it dries; from a day on for 20 minutes, while
/// it still fills so much of what it did.
#[test]
fn where_the_air_is_filled_a_weak_mister_is_told_by_how_soon_it_dries() {
    let judged = |still_filled: f64| {
        let mut kit = Kit::quiet("2026-03-02", 42);
        let runs = schedule(&kit);
        for at in &runs {
            kit.mist(*at);
        }
        let weak_from_ms = kit.at("2026-04-01");
        for sensor in ["check", "cool", "stat"] {
            let runs = runs.clone();
            kit.refill(sensor, Quantity::Humidity, move |_, at| {
                let last = runs
                    .iter()
                    .rev()
                    .find(|run| (0..4 * MS_PER_HOUR).contains(&(at - **run)));
                let left = last.map_or(0.0, |run| {
                    let (filled, full_min) = if *run < weak_from_ms {
                        (1.0, 60.0)
                    } else {
                        (still_filled, 20.0)
                    };
                    let drying_min = ((at - run) as f64 / 60_000.0 - full_min).max(0.0);
                    filled * (-drying_min / 10.0).exp2()
                });
                Some(60.0 + 30.0 * left)
            });
        }
        let outcome = kit.judge("2026-03-30", "2026-04-06");
        of(&outcome, Kind::MistWeak)
            .into_iter()
            .cloned()
            .collect::<Vec<_>>()
    };
    let weak = judged(0.9);
    assert_eq!(weak.len(), 1, "{weak:?}");
    // Until half is gone: the full minutes, and half of the rise over what a half-life of 10 minutes makes of it.
    let share =
        0.9 * (20.0 + 10.0 * 0.5 / std::f64::consts::LN_2) / (60.0 + 10.0 * 0.5 / std::f64::consts::LN_2);
    assert!(
        (weak[0].value.estimate / 100.0 - share).abs() < 0.04,
        "{share} {:?}",
        weak[0].value
    );
    assert!(
        weak[0]
            .message
            .contains("In the first minutes they still bring 90 %"),
        "{}",
        weak[0].message
    );
    assert_eq!(
        judged(1.0),
        [],
        "as much as ever at first, and dry sooner: a door ajar"
    );
}

#[test]
fn an_empty_reservoir_is_urgent_the_next_day() {
    let kit = misted(true, |kit, at| {
        Some(if at >= kit.at("2026-04-04T12:00") {
            0.0
        } else {
            1.0
        })
    });
    let outcome = kit.judge("2026-03-30", "2026-04-06");
    let found = of(&outcome, Kind::MistWeak);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].severity, crate::findings::Severity::Urgent);
    assert_eq!(found[0].start_ms, kit.at("2026-04-04T15:00"));
    assert!(!found[0].message.contains("door"), "{}", found[0].message);
}

#[test]
fn where_the_air_went_with_the_water_an_open_door_is_named_beside_an_empty_reservoir() {
    let since = "2026-04-04T12:00";
    let mut kit = misted(true, |kit, at| Some(if at >= kit.at(since) { 0.0 } else { 1.0 }));
    for sensor in ["check", "cool", "stat"] {
        kit.shift(sensor, Quantity::Humidity, |kit, at| {
            if at >= kit.at(since) { -25.0 } else { 0.0 }
        });
    }
    let outcome = kit.judge("2026-03-30", "2026-04-06");
    let found = of(&outcome, Kind::MistWeak);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        found[0]
            .message
            .contains("a door or a lid that stands open looks the same"),
        "{}",
        found[0].message
    );
}

#[test]
fn runs_that_never_did_anything_are_told_though_nothing_is_usual_yet() {
    let found = |share: f64| {
        let outcome = misted(true, move |_, _| Some(share)).judge("2026-03-02", "2026-03-08");
        of(&outcome, Kind::MistWeak)
            .into_iter()
            .cloned()
            .collect::<Vec<_>>()
    };
    let nothing = found(0.0);
    assert_eq!(nothing.len(), 1, "{nothing:?}");
    assert!(
        nothing[0].message.starts_with("None of the"),
        "{}",
        nothing[0].message
    );
    assert!(found(0.3).is_empty(), "little is not nothing");
}

#[test]
fn one_dry_run_is_told_while_it_is_the_last() {
    let kit = misted(true, |kit, at| {
        Some(if at == kit.at("2026-04-05T15:00") {
            0.0
        } else {
            1.0
        })
    });
    let outcome = kit.judge("2026-03-29T17:00", "2026-04-05T17:00");
    let found = of(&outcome, Kind::MistWeak);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].severity, crate::findings::Severity::Warning);
    assert!(
        found[0].message.starts_with("The last run"),
        "{}",
        found[0].message
    );
    let outcome = kit.judge("2026-04-01", "2026-04-08");
    assert!(of(&outcome, Kind::MistWeak).is_empty(), "water came again");
}

#[test]
fn what_the_journal_has_near_a_run_leaves_it_out_with_its_reason() {
    let left_out = |place: &str, kind: &str| -> Vec<String> {
        let mut kit = misted(true, |_, _| Some(1.0));
        kit.entry_of(place, kit.at("2026-03-25T09:30"), kind);
        let outcome = kit.judge("2026-03-23", "2026-03-30");
        outcome.mistings.into_iter().filter_map(|m| m.left_out).collect()
    };
    assert_eq!(
        left_out("box", "cleaned"),
        ["the journal has \"cleaned\" within an hour"]
    );
    assert_eq!(left_out(ROOM, "cleaned"), [""; 0], "the room was cleaned");
    assert_eq!(
        left_out(ROOM, "power-cut"),
        ["the journal has \"power-cut\" within an hour"]
    );
}
