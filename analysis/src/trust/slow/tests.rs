//! Slow changes through whole judgements of invented rooms: daily figures of two years, and the last twelve weeks as readings.

use std::f64::consts::TAU;
use std::sync::Arc;

use mosswarden_config::journal::Entry;
use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};

use super::super::kit::{reading, site_in_room};
use super::*;
use crate::findings::{Finding, Kind};
use crate::load::{DayMean, HISTORY_MS, Record};
use crate::trust::assess;

/// 2026-11-02T00:00Z, a Monday.
const END_MS: i64 = 1_793_577_600_000;
const READING_MS: i64 = 2 * 3_600_000;
const MEASURED: [Quantity; 2] = [Quantity::Humidity, Quantity::Temperature];

/// A room of some sensors over some days up to [`END_MS`].
struct Room {
    sensors: Vec<(&'static str, &'static str)>,
    days: i64,
    /// What "stat" reads too much, %RH in 30 days, from the fiftieth day on.
    drift: f64,
    /// How far the place of "stat" is wetter in summer than the others, and drier in winter, %RH.
    season: f64,
    journal: Vec<Entry>,
    seed: u64,
}

impl Room {
    fn of_three() -> Room {
        Room {
            sensors: vec![("stat", "controller"), ("check", "reference"), ("low", "probe")],
            days: 650,
            drift: 0.0,
            season: 1.5,
            journal: Vec::new(),
            seed: 1,
        }
    }

    /// What each sensor wanders by, day by day: some tenths of a %RH that carry over, and a slow walk.
    fn wander(&self) -> Vec<Vec<f64>> {
        let mut rng = StdRng::seed_from_u64(self.seed);
        let mut of_sensor = || {
            let (mut carried, mut walked) = (0.0, 0.0);
            (0..self.days)
                .map(|_| {
                    carried = 0.7 * carried + rng.random_range(-0.6..0.6);
                    walked += rng.random_range(-0.05..0.05);
                    carried + walked
                })
                .collect()
        };
        self.sensors.iter().map(|_| of_sensor()).collect()
    }

    fn value(&self, sensor: usize, quantity: Quantity, wander: &[Vec<f64>], at_ms: i64) -> f64 {
        let days = (at_ms - END_MS) as f64 / MS_PER_24_H as f64 + self.days as f64;
        let (summer, daily) = ((TAU * days / 365.25).sin(), (TAU * days).sin());
        if quantity == Quantity::Temperature {
            return 22.0 + 2.0 * summer + 1.5 * daily + sensor as f64;
        }
        let own = match sensor {
            0 => self.season * summer + self.drift * (days - 50.0).max(0.0) / 30.0,
            other => 2.0 * other as f64,
        };
        70.0 + 5.0 * summer - 4.0 * daily
            + own
            + wander[sensor][(days as usize).min(wander[sensor].len() - 1)]
    }

    /// What is said of the humidity of its sensors in the last week.
    fn told(&self) -> Vec<Finding> {
        let site = site_in_room(&self.sensors, "");
        let (wander, window) = (
            self.wander(),
            Span {
                from_ms: END_MS - 7 * MS_PER_24_H,
                until_ms: END_MS,
            },
        );
        let history = Span {
            from_ms: END_MS - HISTORY_MS,
            until_ms: END_MS,
        };
        let each = |from_ms: i64, until_ms: i64| {
            let times = (from_ms..until_ms).step_by(READING_MS as usize);
            let channels =
                (0..self.sensors.len()).flat_map(|sensor| MEASURED.map(|quantity| (sensor, quantity)));
            let channels: Vec<(usize, Quantity)> = channels.collect();
            times.flat_map(move |at_ms| channels.clone().into_iter().map(move |channel| (at_ms, channel)))
        };
        let readings = each(history.from_ms, history.until_ms).map(|(at_ms, (sensor, quantity))| {
            reading(
                self.sensors[sensor].0,
                quantity,
                at_ms,
                self.value(sensor, quantity, &wander, at_ms),
            )
        });
        let mut record = Record::from_readings(readings, self.journal.clone(), history);
        for (at_ms, (sensor, quantity)) in each(END_MS - self.days * MS_PER_24_H, history.from_ms) {
            let key = (Arc::from(self.sensors[sensor].0), quantity);
            let day_ms = at_ms.div_euclid(MS_PER_24_H) * MS_PER_24_H;
            let day = record
                .days_before
                .entry(key)
                .or_default()
                .entry(day_ms)
                .or_insert(DayMean {
                    mean: 0.0,
                    reading_count: 0,
                });
            let value = self.value(sensor, quantity, &wander, at_ms);
            day.reading_count += 1;
            day.mean += (value - day.mean) / day.reading_count as f64;
        }
        let mut told = assess(&site, &record, window).verdicts.findings;
        told.retain(|finding| matches!(finding.kind, Kind::HumidityDrift | Kind::HumidityStep));
        told
    }
}

#[test]
fn a_drift_that_twelve_weeks_do_not_show_is_told_by_the_daily_figures() {
    let room = Room {
        drift: 0.4,
        ..Room::of_three()
    };
    let told = room.told();
    let [finding] = told.as_slice() else {
        panic!("one sensor drifts: {told:?}");
    };
    assert_eq!(
        (finding.subject.as_str(), finding.kind),
        ("stat", Kind::HumidityDrift)
    );
    let rate = &finding.value;
    assert!((rate.estimate - 0.4).abs() < 0.1, "{rate:?}");
    let bias = &finding.also[0];
    assert!((bias.estimate - 8.0).abs() < 1.5, "{bias:?}");
    let young = Room {
        days: 84,
        drift: 0.4,
        ..Room::of_three()
    };
    assert_eq!(young.told(), [], "twelve weeks alone do not show it");
}

#[test]
fn of_two_it_is_said_how_sure_it_is() {
    let told = Room {
        sensors: vec![("stat", "controller"), ("check", "reference")],
        drift: 0.4,
        ..Room::of_three()
    }
    .told();
    let [finding] = told.as_slice() else {
        panic!("they part: {told:?}");
    };
    assert!(finding.message.contains("%"), "{}", finding.message);
    assert_eq!(
        finding.subject, "stat",
        "a controller is suspected before a reference"
    );
}

#[test]
fn a_sensor_that_was_moved_is_compared_anew() {
    let moved = |days_ago: i64| Entry {
        at_ms: END_MS - days_ago * MS_PER_24_H,
        written_ms: END_MS - days_ago * MS_PER_24_H,
        enclosure: "box".to_owned(),
        kind: "sensor-moved".to_owned(),
        subject: Some("stat".to_owned()),
        text: "to the back".to_owned(),
        by: None,
        amends: None,
    };
    let told = |days_ago: i64| {
        Room {
            drift: 0.4,
            journal: vec![moved(days_ago)],
            ..Room::of_three()
        }
        .told()
    };
    assert_eq!(told(200), [], "2.7 %RH since then are not enough to be told");
    assert_eq!(told(560).len(), 1);
}

#[test]
fn seasons_and_wandering_elements_are_no_drift() {
    /// Findings in forty rooms, and those of them that say of something older than the record.
    fn told(days: i64, season: f64) -> (usize, usize) {
        let rooms = (0..40).map(|seed| Room {
            days,
            season,
            seed,
            ..Room::of_three()
        });
        let told: Vec<Finding> = rooms.flat_map(|room| room.told()).collect();
        let is_old = |finding: &&Finding| finding.start_ms < END_MS - HISTORY_MS;
        (told.len(), told.iter().filter(is_old).count())
    }
    assert_eq!([told(220, 1.5).1, told(300, 1.5).1], [0, 0]);
    let (without_a_year, with_a_year) = (told(182, 2.5), told(547, 2.5));
    assert!(
        without_a_year.0 >= 10 && 2 * with_a_year.0 <= without_a_year.0 && with_a_year.1 == 0,
        "the same weeks of the year before tell a season from a drift: {without_a_year:?}, {with_a_year:?}"
    );
}
