//! Which sensors are blamed, beside others and alone, through corrections, moves and checks.

use std::f64::consts::TAU;

use mosswarden_config::correction::{Correction, Method};
use mosswarden_config::zone::MS_PER_HOUR;

use super::super::kit::{START_MS, reading, site_in_room};
use super::super::onset::{Part, Shape};
use super::*;
use crate::findings::{Kind, NotAssessed};
use crate::load::Record;
use crate::statistics::Estimate;
use crate::trust::{Outcome, assess};

fn compared(other: &str, change: Option<Blamed>) -> Compared {
    Compared {
        others: vec![other.to_owned()],
        change,
        ..Compared::default()
    }
}

#[test]
fn what_may_be_the_others_is_set_beside_it_with_the_rest_of_the_blame() {
    let estimate = |value: f64, low: f64, high: f64| Estimate { value, low, high };
    let change = Change {
        shape: Shape::Step,
        onset_ms: 0,
        onset_low_ms: 0,
        onset_high_ms: 0,
        per_day: estimate(0.0, 0.0, 0.0),
        now: estimate(4.0, 3.0, 5.0),
        ended_ms: None,
        evidence: 9.0,
        evidence_of_other: None,
        parts: vec![Part {
            shape: Shape::Step,
            at_ms: 0,
            size: 4.0,
        }],
    };
    let blamed = Blamed {
        change,
        share: Some(0.6),
        ended_ms: None,
    };
    let key = |id: &str| (id.to_owned(), Quantity::Humidity);
    let mut all = BTreeMap::from([
        (key("stat"), compared("check", Some(blamed.clone()))),
        (key("check"), compared("stat", None)),
    ]);
    suspect_others(&mut all);
    assert!(all[&key("stat")].perhaps.is_none());
    let other = all[&key("check")].perhaps.as_ref().expect("doubted as well");
    assert_eq!(other.share, Some(0.4));
    assert_eq!(
        (other.change.now.low, other.change.now.high),
        (-5.0, -3.0),
        "it reads low, if it is this one"
    );
    assert!((other.bias_at(1) + 4.0).abs() < 1e-12);
    // Neither is sure at 60 %, so nobody should act on it.
    assert!(!blamed.is_sure() && !other.is_sure());
}

/// The last week's judgement of a sensor that stands alone and reads more by so much from the 31st of 42 days on; beside another until the
/// 21st, if so.
fn alone(more: f64, had_company: bool) -> Outcome {
    alone_until(more, 42.0, had_company)
}

/// The same, and as before from a further day on.
fn alone_until(more: f64, until_day: f64, had_company: bool) -> Outcome {
    let days = |at_ms: i64| (at_ms - START_MS) as f64 / MS_PER_24_H as f64;
    let history = Span {
        from_ms: START_MS,
        until_ms: START_MS + 42 * MS_PER_24_H,
    };
    let readings = (history.from_ms..history.until_ms)
        .step_by(1_800_000)
        .flat_map(|at_ms| {
            let wobble = |pace: f64| (pace * days(at_ms)).sin();
            let room_pct = 50.0 + 4.0 * wobble(0.7);
            let air_pct = 75.0 + 0.5 * (room_pct - 50.0) + 4.0 * wobble(TAU) + 0.3 * wobble(2.9);
            let warmth_c = 22.0 + wobble(TAU);
            let lie_pct = if (31.0..until_day).contains(&days(at_ms)) {
                more
            } else {
                0.0
            };
            let company = ("low", air_pct + 3.0 + 0.2 * wobble(5.3));
            [("check", air_pct + lie_pct), ("wall", room_pct)]
                .into_iter()
                .chain((had_company && days(at_ms) < 21.0).then_some(company))
                .flat_map(move |(sensor, humidity_pct)| {
                    [
                        (Quantity::Humidity, humidity_pct),
                        (Quantity::Temperature, warmth_c),
                    ]
                    .map(|(quantity, value)| reading(sensor, quantity, at_ms, value))
                })
        });
    let record = Record::from_readings(readings, Vec::new(), history);
    let span = Span {
        from_ms: history.until_ms - 7 * MS_PER_24_H,
        ..history
    };
    let sensors: &[(&str, &str)] = match had_company {
        true => &[("check", "reference"), ("low", "probe")],
        false => &[("check", "reference")],
    };
    assess(&site_in_room(sensors, ""), &record, span)
}

#[test]
fn one_that_stands_alone_is_told_by_what_its_room_does_not_explain() {
    let found = alone(-6.0, false).verdicts.findings;
    assert_eq!(found.len(), 1, "{found:?}");
    let (kind, said) = (found[0].kind, &found[0].value);
    assert!(
        kind == Kind::HumidityStep && found[0].subject == "check",
        "{found:?}"
    );
    assert!(said.low < Some(-6.0) && Some(-6.0) < said.high, "{said:?}");
    assert!(
        found[0].message.contains("or the enclosure changed"),
        "{}",
        found[0].message
    );
    // As it always was it is not well: nobody knows.
    let quiet = alone(0.0, false).verdicts;
    assert!(quiet.findings.is_empty(), "{:?}", quiet.findings);
    assert!(quiet.not_assessed.iter().any(|of| of.kind == Kind::HumidityDrift));
}

#[test]
fn what_came_and_went_by_itself_is_not_laid_to_one_that_stands_alone() {
    let ajar = alone_until(-25.0, 36.0, false).verdicts;
    assert!(ajar.findings.is_empty(), "{:?}", ajar.findings);
    assert_eq!(alone_until(-25.0, 42.0, false).verdicts.findings.len(), 1);
}

#[test]
fn one_whose_companion_fell_silent_stands_alone_since() {
    let quiet = alone(0.0, true);
    let words = |outcome: &Outcome| {
        let mut sensors = outcome.sensors.iter();
        let check = sensors.find(|of| of.sensor == "check" && of.quantity == Quantity::Humidity);
        check.map(|of| of.words.clone()).expect("it is heard")
    };
    assert!(
        words(&quiet).ends_with("last compared with low on Saturday 21 March, when nothing had changed"),
        "{}",
        words(&quiet)
    );
    let unjudged =
        |of: &NotAssessed| of.kind == Kind::HumidityDrift && of.subject.as_deref() == Some("check");
    let unjudged = quiet.verdicts.not_assessed.iter().find(|of| unjudged(of));
    assert!(unjudged.is_some_and(|of| of.reason.contains("could last be compared with low on")));
    let steps = |outcome: &Outcome| {
        let findings = outcome.verdicts.findings.iter();
        findings.filter(|of| of.kind == Kind::HumidityStep).count()
    };
    assert_eq!((steps(&quiet), steps(&alone(-6.0, true))), (0, 1));
}

const fn day(number: i64) -> i64 {
    START_MS + number * MS_PER_24_H
}

/// The last week's judgement of three sensors of one air over 42 days: "stat" reads so much more from the 21st on, "low" stands in a jar for most
/// of the 38th.
fn three(lie_pct: f64, journal: Vec<Entry>, corrections: Vec<Correction>) -> Outcome {
    const JAR_PCT: f64 = 45.0;
    let history = Span {
        from_ms: START_MS,
        until_ms: day(42),
    };
    let in_jar = day(38)..day(38) + 18 * MS_PER_HOUR;
    let readings = (history.from_ms..history.until_ms)
        .step_by(1_800_000)
        .flat_map(|at_ms| {
            let days = (at_ms - START_MS) as f64 / MS_PER_24_H as f64;
            let air_pct = 70.0 + 5.0 * (0.7 * days).sin() + 4.0 * (TAU * days).sin();
            let lie_pct = if at_ms < day(21) { 0.0 } else { lie_pct };
            let is_out = in_jar.contains(&at_ms);
            [("stat", lie_pct, 1.7), ("check", 2.0, 2.9), ("low", 3.0, 5.3)]
                .into_iter()
                .flat_map(move |(sensor, more_pct, pace)| {
                    let around_pct = if is_out && sensor == "low" {
                        JAR_PCT
                    } else {
                        air_pct
                    };
                    let humidity_pct = around_pct + more_pct + 0.3 * (pace * days).sin();
                    [(Quantity::Humidity, humidity_pct), (Quantity::Temperature, 22.0)]
                        .map(|(quantity, value)| reading(sensor, quantity, at_ms, value))
                })
        });
    let record = Record::from_readings(readings, journal, history).with_corrections(corrections);
    let span = Span {
        from_ms: day(35),
        ..history
    };
    let sensors = [("stat", "controller"), ("check", "reference"), ("low", "probe")];
    assess(&site_in_room(&sensors, ""), &record, span)
}

fn entry(kind: &str, subject: &str, at_ms: i64) -> Entry {
    Entry {
        at_ms,
        written_ms: at_ms,
        enclosure: "box".to_owned(),
        kind: kind.to_owned(),
        subject: Some(subject.to_owned()),
        text: String::new(),
        by: None,
        amends: None,
    }
}

/// What reads 6 %RH high is known and taken off on the 36th day.
#[test]
fn a_correction_is_no_change_of_the_sensors_beside_it() {
    let correction = Correction {
        valid_from_ms: day(36),
        written_ms: 0,
        sensor: "stat".to_owned(),
        quantity: "humidity".to_owned(),
        method: Method::SideBySide,
        against: "check".to_owned(),
        bias: 6.0,
        u_bias: 0.5,
        gain: 0.0,
        u_gain: 0.0,
        pivot: 80.0,
        by: None,
    };
    let checked = vec![entry("sensor-calibrated", "low", day(38))];
    let found = three(6.0, checked, vec![correction]).verdicts.findings;
    let told: Vec<_> = found.iter().map(|of| (of.subject.as_str(), of.end_ms)).collect();
    assert_eq!(told, [("stat", Some(day(36)))], "{found:?}");
    assert!(
        found[0].message.contains("it is corrected since"),
        "{}",
        found[0].message
    );
}

#[test]
fn a_sensor_that_was_moved_says_since_when_it_is_compared_anew() {
    let words = |journal: Vec<Entry>| {
        let sensors = three(0.0, journal, Vec::new()).sensors;
        let mut of_stat = sensors
            .into_iter()
            .filter(|said| said.sensor == "stat" && said.quantity == Quantity::Humidity);
        of_stat.next().expect("it is heard").words
    };
    let anew = "no change against check and low, compared anew since Wednesday 1 April, when it was moved";
    let moved = words(vec![entry("sensor-moved", "stat", day(31))]);
    assert!(moved.contains(anew), "{moved}");
    assert!(!words(vec![entry("sensor-moved", "check", day(31))]).contains("anew"));
}

#[test]
fn a_note_about_a_sensor_tells_of_its_jar_as_a_check_does() {
    let is_left_out = |kind: &str, subject: &str| {
        let trusted = three(0.0, vec![entry(kind, subject, day(38))], Vec::new()).trusted;
        let usable = trusted.get("low", Quantity::Humidity).expect("it is heard");
        usable
            .left_out
            .iter()
            .any(|(_, why)| why.contains("out for a check"))
    };
    assert!(is_left_out("sensor-calibrated", "low") && is_left_out("note", "low"));
    assert!(!is_left_out("note", "check"));
}

/// "stat" reads 12 %RH high from day 20 on and shows 100 %RH at most; from day 40 on the air stands at 97 %RH, give or take 2. What is said of it in
/// the last week, its bias and its last usable instant.
#[test]
fn at_the_top_of_its_scale_a_sensor_that_reads_too_high_says_nothing_of_the_air() {
    const BIAS_PCT: f64 = 12.0;
    let day = |day: i64| START_MS + day * MS_PER_24_H;
    let history = Span {
        from_ms: day(0),
        until_ms: day(56),
    };
    let site = site_in_room(&[("stat", "probe"), ("check", "reference"), ("low", "probe")], "");
    let mut readings = Vec::new();
    for at_ms in (history.from_ms..history.until_ms).step_by(600_000) {
        let hours = (at_ms - START_MS) as f64 / MS_PER_HOUR as f64;
        let wave = 2.0 * (hours / 24.0 * TAU).sin() + 0.3 * (hours * 1.7).sin();
        let air_pct = wave + if at_ms < day(40) { 78.0 } else { 97.0 };
        for (sensor, by) in [("stat", 0.3), ("check", 0.0), ("low", -0.4)] {
            let bias = if sensor == "stat" && at_ms >= day(20) {
                BIAS_PCT
            } else {
                0.0
            };
            let noise = 0.2 * (hours * (3.1 + by)).sin();
            readings.push(reading(
                sensor,
                Quantity::Humidity,
                at_ms,
                (air_pct + by + bias + noise).min(100.0),
            ));
            readings.push(reading(sensor, Quantity::Temperature, at_ms, 23.0 + 0.1 * noise));
        }
        readings.push(reading("wall", Quantity::Humidity, at_ms, 50.0));
        readings.push(reading("wall", Quantity::Temperature, at_ms, 20.0));
    }
    let record = Record::from_readings(readings, Vec::new(), history);
    let span = Span {
        from_ms: day(49),
        ..history
    };
    let outcome = assess(&site, &record, span);
    let found: Vec<_> = outcome
        .verdicts
        .findings
        .iter()
        .filter(|f| f.subject == "stat")
        .collect();
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(
        (found[0].value.estimate - BIAS_PCT).abs() < 1.0,
        "{:?}",
        found[0].value
    );
    assert!(
        found[0].message.contains("the animals had at least about"),
        "{}",
        found[0].message
    );
    let usable = outcome
        .trusted
        .get("stat", Quantity::Humidity)
        .expect("what it read before");
    let last_ms = usable.series.at_ms.last().copied().expect("some");
    assert!(last_ms < day(41), "{last_ms}");
    assert!(usable.left_out.iter().any(|(part, _)| part.contains(day(50))));
    let check = outcome
        .trusted
        .get("check", Quantity::Humidity)
        .expect("it is well");
    assert!(check.series.at_ms.last() > Some(&day(55)));
}
