//! Runs that bring less than they did, or nothing.

use super::*;

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
    let over_days = |days: f64| {
        let kit = misted(true, |kit, at| {
            let since_d = (at - kit.at("2026-03-28")) as f64 / (24 * MS_PER_HOUR) as f64;
            Some(1.0 - 0.5 * (since_d / days).clamp(0.0, 1.0))
        });
        let outcome = kit.judge("2026-04-06", "2026-04-13");
        of(&outcome, Kind::MistWeak)[0].message.clone()
    };
    let (slow, between) = (over_days(14.0), over_days(7.0));
    assert!(slow.contains("little by little"), "{slow}");
    assert!(!between.contains("it fell"), "{between}");
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
fn runs_without_water_until_the_reservoir_was_filled_are_no_clogging_nozzle() {
    let kit = misted(true, |kit, at| {
        let is_empty = (kit.at("2026-03-30T12:00")..kit.at("2026-04-03T12:00")).contains(&at);
        Some(if is_empty { 0.0 } else { 1.0 })
    });
    let outcome = kit.judge("2026-03-30", "2026-04-06");
    let found = of(&outcome, Kind::MistWeak);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].end_ms, Some(kit.at("2026-04-03T10:00")));
}

/// Each run wets one probe or another, which reads up to 15 %RH too high for a quarter of an hour.
#[test]
fn water_on_the_probes_hides_no_fall_where_there_are_three() {
    let judged = |share_then: f64| {
        let mut kit = misted(true, |kit, at| {
            let is_then = at >= kit.at("2026-03-29");
            Some(if is_then { share_then } else { 1.0 })
        });
        let runs = schedule(&kit);
        for (number, sensor) in ["check", "cool", "stat"].into_iter().enumerate() {
            kit.add(sensor, Quantity::Humidity, |at| {
                let run = runs
                    .iter()
                    .position(|run| (0..MS_PER_HOUR / 4).contains(&(at - run)));
                let wetted = run.filter(|run| (run * 7 + run / 5) % 3 == number);
                wetted.map_or(0.0, |run| 5.0 + (run % 3) as f64 * 5.0)
            });
        }
        let outcome = kit.judge("2026-03-30", "2026-04-06");
        let found = of(&outcome, Kind::MistWeak);
        found.iter().map(|found| found.value.estimate).collect::<Vec<_>>()
    };
    let weak = judged(0.6);
    assert!(weak.len() == 1 && (50.0..75.0).contains(&weak[0]), "{weak:?}");
    assert_eq!(judged(1.0), [0.0; 0]);
}

/// From a day on the air is damper, and takes up a tenth of what it did: at 83 %RH and 24 °C the glass runs with water where the room has 18 °C, and is
/// dry where it is as warm as the enclosure.
#[test]
fn what_cold_glass_takes_makes_no_weak_mister() {
    let judged = |room_c: f64| {
        let mut kit = Kit::quiet("2026-03-02", 42);
        kit.refill("wall", Quantity::Temperature, |_, _| Some(room_c));
        let runs = schedule(&kit);
        for at in &runs {
            kit.mist(*at);
        }
        let damp_from_ms = kit.at("2026-03-28");
        for sensor in ["check", "cool", "stat"] {
            kit.refill(sensor, Quantity::Humidity, |_, at| {
                let (still, rise) = if at < damp_from_ms {
                    (65.0, 14.0)
                } else {
                    (83.0, 1.4)
                };
                let last = runs
                    .iter()
                    .rev()
                    .find(|run| (0..4 * MS_PER_HOUR).contains(&(at - **run)));
                let left = last.map_or(0.0, |run| {
                    (-((at - run) as f64) / 60_000.0 / HALF_LIFE_MIN).exp2()
                });
                Some(still + rise * left)
            });
        }
        of(&kit.judge("2026-03-30", "2026-04-06"), Kind::MistWeak).len()
    };
    assert_eq!((judged(18.0), judged(24.0)), (0, 1));
}

/// A humidistat's fog lets the humidity go up and down by 6 %RH in fifty minutes, and a run brings a quarter of that.
#[test]
fn runs_that_do_not_stand_out_of_the_fog_are_said_not_to_be_judged() {
    let mut kit = misted(true, |_, _| Some(0.12));
    for sensor in ["check", "cool", "stat"] {
        kit.add(sensor, Quantity::Humidity, |at| {
            let phase = at.rem_euclid(50 * 60_000) as f64 / (50.0 * 60_000.0);
            if phase < 0.2 {
                30.0 * phase
            } else {
                7.5 * (1.0 - phase)
            }
        });
    }
    let outcome = kit.judge("2026-03-30", "2026-04-06");
    assert!(of(&outcome, Kind::MistWeak).is_empty());
    assert!(unjudged(&outcome, Kind::MistWeak));
}
