//! What must hold of whole runs: determinism, health, each fault's mark, the demo's promise, clock changes.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{Mark, Reading};

use super::calendar::MS_PER_H;
use super::fault::{Change, Effect};
use super::run::{SiteSpec, run};
use super::scenario::{SINGLE_ID, demo, healthy, single_healthy};
use super::sensor::Position;
use super::truth::DayTruth;
use super::{Simulation, holdout, messages};

const DAYS: u64 = 21;
const FAULT_DAY: u64 = 10;

/// Three weeks of the bench with one fault on one of its parts over `hours` from the morning of day 10.
fn with(part: &str, effect: Effect, hours: Option<f64>) -> (SiteSpec, Simulation) {
    let mut site = single_healthy(5, DAYS, 300.0);
    let from_ms = site.at(FAULT_DAY, 600);
    let subject = if part.is_empty() {
        SINGLE_ID.to_owned()
    } else {
        format!("{SINGLE_ID}-{part}")
    };
    let until_ms = hours.map(|h| from_ms + (h * MS_PER_H as f64) as i64);
    let enclosure = if matches!(effect, Effect::RoomHeat { .. } | Effect::PowerCut) {
        "room"
    } else {
        SINGLE_ID
    };
    site.add_fault(enclosure, &subject, effect, from_ms, until_ms);
    let simulation = run(&site);
    (site, simulation)
}

fn day(simulation: &Simulation, index: u64) -> &DayTruth {
    &simulation.truth.days[index as usize]
}

fn bias(simulation: &Simulation, sensor: &str, index: u64) -> Option<f64> {
    let sensor = format!("{SINGLE_ID}-{sensor}");
    simulation
        .truth
        .sensor_days
        .iter()
        .filter(|d| d.sensor == sensor)
        .nth(index as usize)?
        .humidity_bias_pct
}

fn values(
    simulation: &Simulation,
    sensor: &str,
    quantity: Quantity,
    from_ms: i64,
    until_ms: i64,
) -> Vec<f64> {
    let sensor = format!("{SINGLE_ID}-{sensor}");
    simulation
        .readings
        .iter()
        .filter(|r| *r.sensor == *sensor && r.quantity == quantity && (from_ms..until_ms).contains(&r.at_ms))
        .map(|r| r.value)
        .collect()
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
    let (first, second) = (run(&holdout::holdout(11)), run(&holdout::holdout(11)));
    assert_eq!(first.readings_csv(), second.readings_csv());
    assert_eq!(first.truth_json(), second.truth_json());
    assert_eq!(first.site_toml, second.site_toml);
    assert_eq!(first.journal_csv(), second.journal_csv());
    assert_ne!(
        run(&single_healthy(1, 2, 300.0)).readings_csv(),
        run(&single_healthy(2, 2, 300.0)).readings_csv()
    );
}

#[test]
fn a_healthy_site_stays_truly_inside_its_limits() {
    for seed in 0..6 {
        let truth = run(&healthy(seed)).truth;
        assert!(truth.faults.is_empty());
        assert_eq!(truth.conditions, [], "seed {seed}");
        assert!(
            truth.runs.iter().all(|r| r.ran && r.rise_pct > 3.0),
            "seed {seed}"
        );
        assert!(
            truth
                .days
                .iter()
                .all(|d| (d.light_h - d.light_asked_h).abs() < 0.01)
        );
    }
}

#[test]
fn the_demo_holds_what_it_promises_and_no_more() {
    let ends = [
        "2026-05-25",
        "2026-12-01",
        "2026-08-17",
        "2026-04-13",
        "2026-02-02",
        "2027-11-29",
    ];
    for (seed, end) in (1..=18).zip(ends.into_iter().cycle()) {
        let simulation = run(&demo(seed, end.parse().expect("a date")));
        let found: Vec<(&str, &str, Option<&str>)> = simulation
            .truth
            .conditions
            .iter()
            .map(|c| {
                (
                    c.kind.as_deref().unwrap_or(""),
                    c.enclosure.as_str(),
                    c.cause.as_deref(),
                )
            })
            .collect();
        let expected = [
            ("overheating", "dart-1", Some("room-heat")),
            ("night-too-cold", "crested-1", None),
            ("overheating", "crested-1", Some("heater")),
        ];
        assert_eq!(found, expected, "seed {seed}, end {end}");
        assert!(messages::message_count(&simulation) <= 300_000);
        assert_eq!(
            messages::messages(&simulation).count(),
            messages::message_count(&simulation)
        );
    }
}

#[test]
fn a_drifting_humidistat_reads_high_and_dries_the_enclosure() {
    let (_, faulty) = with("stat", Effect::HumidityDrift { pct_per_30d: 20.0 }, None);
    let well = run(&single_healthy(5, DAYS, 300.0));
    // 20 %RH in 30 d is 6.7 %RH after the ten days that remain on day 20.
    let grown = bias(&faulty, "stat", 20)
        .zip(bias(&well, "stat", 20))
        .map(|(a, b)| a - b);
    assert!(grown.is_some_and(|g| (5.0..8.5).contains(&g)), "{grown:?}");
    let dried = day(&faulty, 20).humidity_mean_pct - day(&well, 20).humidity_mean_pct;
    assert!(dried < -1.0, "{dried}");
    assert!(
        bias(&faulty, "check", 20)
            .zip(bias(&well, "check", 20))
            .is_some_and(|(a, b)| (a - b).abs() < 0.5)
    );
}

#[test]
fn each_sensor_fault_leaves_its_mark() {
    let well = run(&single_healthy(5, DAYS, 300.0));
    let site = single_healthy(5, DAYS, 300.0);
    let (noon, later) = (site.at(FAULT_DAY, 720), site.at(FAULT_DAY + 2, 600));
    let (_, step) = with("check", Effect::HumidityStep { pct: 6.0 }, None);
    assert!(
        bias(&step, "check", 12)
            .zip(bias(&well, "check", 12))
            .is_some_and(|(a, b)| (5.5..6.5).contains(&(a - b)))
    );
    let (_, gain) = with(
        "check",
        Effect::GainLoss {
            lost_frac: 0.2,
            over_d: 1.0,
        },
        None,
    );
    assert!(bias(&gain, "check", 14).is_some_and(|b| b < -7.0));
    let (_, stuck) = with(
        "check",
        Effect::Stuck {
            temperature_too: false,
        },
        Some(60.0),
    );
    let held = values(&stuck, "check", Quantity::Humidity, noon, later);
    assert!(held.len() > 400 && held.iter().all(|v| v == &held[0]));
    assert!(
        values(&stuck, "check", Quantity::Temperature, noon, later)
            .iter()
            .any(|v| (v - 22.0).abs() > 0.5)
    );
    let (_, pinned) = with("check", Effect::Pinned, Some(60.0));
    assert!(
        values(&pinned, "check", Quantity::Humidity, noon, later)
            .iter()
            .all(|&v| v >= 99.9)
    );
    let (_, silent) = with("check", Effect::Silent, Some(60.0));
    assert!(values(&silent, "check", Quantity::Humidity, noon, later).is_empty());
    let (_, fading) = with("check", Effect::FadingBattery { half_d: 2.0 }, None);
    let count = |d: u64| {
        values(
            &fading,
            "check",
            Quantity::Humidity,
            site.at(d, 0),
            site.at(d + 1, 0),
        )
        .len()
    };
    assert!(
        count(9) > 250 && count(13) < 150 && count(20) == 0,
        "{} {} {}",
        count(9),
        count(13),
        count(20)
    );
    let (_, spikes) = with("check", Effect::Spikes { per_day: 20.0 }, None);
    let spiky = values(&spikes, "check", Quantity::Humidity, noon, later);
    assert!(
        spiky
            .windows(3)
            .filter(|w| w[0] - w[1] > 10.0 && w[2] - w[1] > 10.0)
            .count()
            > 10
    );
    let (_, hot) = with("check", Effect::TemperatureBias { k: 2.0 }, None);
    let mean = |s: &Simulation| {
        let v = values(s, "check", Quantity::Temperature, noon, later);
        v.iter().sum::<f64>() / v.len() as f64
    };
    assert!((mean(&hot) - mean(&well) - 2.0).abs() < 0.1);
    let (_, fallen) = with(
        "stat",
        Effect::Dislodged {
            toward_room_frac: 0.8,
        },
        Some(60.0),
    );
    assert!(
        bias(&fallen, "stat", 11)
            .zip(bias(&well, "stat", 11))
            .is_some_and(|(a, b)| a - b < -5.0)
    );
}

#[test]
fn wrong_clocks_show_in_the_time_or_in_the_mark() {
    let marks = |s: &Simulation, mark: Mark| s.readings.iter().filter(|r| r.mark == mark).count();
    let (_, reset) = with("stat", Effect::ClockReset, Some(48.0));
    assert!(
        marks(&reset, Mark::ClockReset) > 1000 && reset.readings.iter().all(|r| r.at_ms > 1_600_000_000_000)
    );
    assert!(messages::messages(&reset).any(|m| m.topic.ends_with("bench/stat")
        && m.payload.windows(4).any(|w| w == b"1970")
        || String::from_utf8_lossy(&m.payload).contains("{\"at\":1")));
    let (_, ahead) = with("stat", Effect::ClockOffset { s: 3600.0 }, Some(48.0));
    assert!(marks(&ahead, Mark::ClockAhead) > 1000);
    let (_, gaining) = with("stat", Effect::ClockDrift { s_per_day: 40.0 }, Some(48.0));
    let ahead_s = |r: &Reading| (r.at_ms - r.received_ms) as f64 / 1000.0;
    let most_s = gaining.readings.iter().map(ahead_s).fold(0.0, f64::max);
    assert!((75.0..80.0).contains(&most_s), "{most_s} s after two days");
    let (_, behind) = with("stat", Effect::ClockOffset { s: -3600.0 }, Some(48.0));
    assert!(
        behind
            .readings
            .iter()
            .any(|r| r.received_ms - r.at_ms > 3_590_000)
    );
}

#[test]
fn two_sensors_that_hang_in_each_others_place_read_what_the_other_did() {
    let mut site = single_healthy(5, DAYS, 300.0);
    let places = [0.9, 0.1].map(|warm_frac| Position {
        warm_frac,
        ..site.enclosures[0].sensors[0].position
    });
    for (sensor, place) in site.enclosures[0].sensors.iter_mut().zip(places) {
        sensor.position = place;
    }
    let mut exchanged = site.clone();
    let from_ms = site.at(FAULT_DAY, 600);
    for (sensor, to) in ["stat", "check"].iter().zip([places[1], places[0]]) {
        exchanged.add_fault(
            SINGLE_ID,
            &format!("{SINGLE_ID}-{sensor}"),
            Effect::Relocated { to },
            from_ms,
            None,
        );
    }
    let (before, after) = (run(&site), run(&exchanged));
    let mean = |simulation: &Simulation, sensor: &str| {
        let of = |r: &&Reading| {
            r.sensor.ends_with(sensor) && r.quantity == Quantity::Temperature && r.at_ms > from_ms + MS_PER_H
        };
        let values: Vec<f64> = simulation.readings.iter().filter(of).map(|r| r.value).collect();
        values.iter().sum::<f64>() / values.len() as f64
    };
    let turned = |simulation: &Simulation| mean(simulation, "stat") - mean(simulation, "check");
    assert!(
        turned(&before) > 0.1 && turned(&after) < -0.1,
        "{} K, {} K",
        turned(&before),
        turned(&after)
    );
}

#[test]
fn each_fault_of_heat_and_light_leaves_its_mark() {
    let hot = |simulation: &Simulation| day(simulation, FAULT_DAY).over_degree_hours;
    let (_, stuck) = with("heater", Effect::HeaterStuckOn, Some(9.0));
    assert!(
        hot(&stuck) > 2.0 && day(&stuck, FAULT_DAY).over_cause.as_deref() == Some("heater"),
        "{}",
        hot(&stuck)
    );
    let (_, room) = with("", Effect::RoomHeat { peak_k: 9.0 }, Some(11.0));
    assert!(
        hot(&room) > 2.0 && day(&room, FAULT_DAY).over_cause.as_deref() == Some("room-heat"),
        "{}",
        hot(&room)
    );
    let sun = Effect::Sun {
        peak_k_per_h: 12.0,
        from_h: 11.0,
        until_h: 15.0,
    };
    assert!(hot(&with("", sun, Some(9.0)).1) > 2.0);
    let (_, high) = with("heater", Effect::ThermostatSetWrong { k: 11.0 }, Some(20.0));
    assert!(hot(&high) > 2.0, "{}", hot(&high));
    let well = run(&single_healthy(5, DAYS, 300.0));
    let night = |s: &Simulation| day(s, FAULT_DAY).night.as_ref().map_or(0.0, |n| n.mean_c);
    let (_, cold) = with("", Effect::NightAmbient { k: -10.0 }, Some(24.0));
    assert!(
        night(&cold) < night(&well) - 0.8,
        "{} {}",
        night(&cold),
        night(&well)
    );
    let (_, warm) = with("", Effect::NightAmbient { k: 5.0 }, Some(24.0));
    assert!(night(&warm) > night(&well) + 2.0);
    let (_, lamp) = with("lamp", Effect::LampLeftOn, Some(24.0));
    assert!(day(&lamp, FAULT_DAY).light_h > 15.9 && night(&lamp) > night(&well) + 1.5);
    let (_, strong) = with("lamp", Effect::LampTooStrong { ratio: 3.5 }, Some(9.0));
    assert!(hot(&strong) > 2.0 && day(&strong, FAULT_DAY).over_cause.as_deref() == Some("lamp"));
    let (_, late) = with(
        "lamp",
        Effect::LightHoursWrong {
            start_h: 0.0,
            end_h: 2.0,
        },
        Some(72.0),
    );
    assert!((day(&late, FAULT_DAY + 1).light_h - 14.0).abs() < 0.01);
    let (_, dead) = with("lamp", Effect::LampFailed, Some(72.0));
    assert!(day(&dead, FAULT_DAY + 1).light_h < 0.01);
    let (_, cut) = with("", Effect::PowerCut, Some(4.0));
    assert!((day(&cut, FAULT_DAY).light_h - 8.0).abs() < 0.01);
    assert!(cut.journal.iter().any(|row| row.kind == "power-cut"));
}

#[test]
fn each_fault_of_misting_and_air_leaves_its_mark() {
    let yields = |s: &Simulation, index: u64| -> Vec<f64> {
        let d = day(s, index);
        s.truth
            .runs
            .iter()
            .filter(|r| (d.from..d.until).contains(&r.at))
            .map(|r| r.yield_frac)
            .collect()
    };
    let (_, clog) = with(
        "mister",
        Effect::NozzleClog {
            lost_frac: 0.6,
            over_d: 5.0,
        },
        None,
    );
    assert!(
        yields(&clog, 9).iter().all(|&y| y == 1.0)
            && yields(&clog, 18).iter().all(|y| (y - 0.4).abs() < 1e-9)
    );
    let rises = |s: &Simulation, index: u64| -> f64 {
        let d = day(s, index);
        s.truth
            .runs
            .iter()
            .filter(|r| (d.from..d.until).contains(&r.at))
            .map(|r| r.rise_g_m3)
            .sum()
    };
    assert!(rises(&clog, 18) < 0.65 * rises(&clog, 8));
    let (_, empty) = with("mister", Effect::ReservoirEmpty, Some(48.0));
    assert!(yields(&empty, 11).iter().all(|&y| y == 0.0) && rises(&empty, 11) < 0.4 * rises(&empty, 8));
    assert!(empty.truth.runs.iter().all(|r| r.ran));
    let (_, missed) = with("mister", Effect::RunsMissed { frac: 1.0 }, Some(48.0));
    let ran = |s: &Simulation| s.truth.runs.iter().filter(|r| r.ran).count();
    assert_eq!(ran(&missed) + 6, ran(&empty));
    assert_eq!(missed.truth.faults[0].size, 6.0);
    let well = run(&single_healthy(5, DAYS, 300.0));
    let humid = |s: &Simulation| day(s, FAULT_DAY + 1).humidity_mean_pct;
    let (_, blocked) = with("", Effect::VentBlocked { ratio: 0.3 }, Some(72.0));
    let (_, ajar) = with("", Effect::DoorAjar { ratio: 4.0 }, Some(72.0));
    assert!(humid(&blocked) > humid(&well) + 2.0 && humid(&ajar) < humid(&well) - 1.0);
    let half = |s: &Simulation| s.truth.runs.iter().map(|r| r.half_life_min).fold(0.0, f64::max);
    assert!(half(&blocked) > 1.3 * half(&well));
}

#[test]
fn confounders_move_the_curves_and_are_in_the_journal() {
    let mut site = single_healthy(5, DAYS, 300.0);
    let at_ms = site.at(FAULT_DAY, 660);
    let mut position = site.enclosures[0].sensors[1].position;
    position.offset_k += 1.0;
    site.add_event(
        SINGLE_ID,
        "bench-check",
        Change::SensorMoved { to: position },
        at_ms,
    );
    site.add_event(SINGLE_ID, "", Change::Cleaned { minutes: 20.0 }, at_ms + MS_PER_H);
    site.add_event(
        SINGLE_ID,
        "bench-stat",
        Change::BatteryChanged { gap_min: 60.0 },
        at_ms,
    );
    site.add_event(
        SINGLE_ID,
        "",
        Change::MistedByHand { seconds: 40 },
        at_ms + 3 * MS_PER_H,
    );
    let runs = vec![super::device::MistRun {
        local_min: 700,
        duration_s: 60,
    }];
    site.add_event(
        SINGLE_ID,
        "bench-mister",
        Change::ScheduleChanged { runs },
        site.at(FAULT_DAY + 2, 60),
    );
    let simulation = run(&site);
    let well = run(&single_healthy(5, DAYS, 300.0));
    assert_eq!(simulation.journal.len(), 5);
    assert!(simulation.truth.faults.is_empty());
    assert!(
        simulation
            .truth
            .runs
            .iter()
            .any(|r| r.by_hand && r.rise_pct > 2.0)
    );
    assert!(simulation.site_toml.contains("schedule = [\"11:40 for 60s\"]"));
    let (from_ms, until_ms) = (site.at(12, 600), site.at(13, 600));
    let mean = |s: &Simulation| {
        let v = values(s, "check", Quantity::Temperature, from_ms, until_ms);
        v.iter().sum::<f64>() / v.len() as f64
    };
    assert!((mean(&simulation) - mean(&well) - 1.0).abs() < 0.3);
    assert!(
        values(
            &simulation,
            "stat",
            Quantity::Humidity,
            at_ms,
            at_ms + MS_PER_H - 60_000
        )
        .is_empty()
    );
    let driest = |s: &Simulation| {
        values(
            s,
            "check",
            Quantity::Humidity,
            at_ms + MS_PER_H,
            at_ms + 2 * MS_PER_H,
        )
        .into_iter()
        .fold(100.0, f64::min)
    };
    assert!(driest(&simulation) < driest(&well) - 5.0);
}

#[test]
fn mistings_and_light_keep_local_time_across_the_clock_change() {
    // Lisbon's clocks go forward on 2026-03-29, day 27 of a run that begins on 2 March.
    let simulation = run(&single_healthy(2, 30, 600.0));
    let first_run = |index: u64| {
        let d = day(&simulation, index);
        let run = simulation
            .truth
            .runs
            .iter()
            .find(|r| r.at >= d.from)
            .expect("a misting every day");
        (run.at.0 - d.from.0) as f64 / MS_PER_H as f64
    };
    assert_eq!((first_run(26), first_run(27), first_run(28)), (8.0, 7.0, 8.0));
    assert_eq!(
        day(&simulation, 27).until.0 - day(&simulation, 27).from.0,
        23 * MS_PER_H
    );
    assert!((day(&simulation, 27).light_h - 12.0).abs() < 0.01);
    let night = day(&simulation, 26).night.clone().expect("a night");
    assert_eq!(night.until.0 - night.from.0, 11 * MS_PER_H);
}
