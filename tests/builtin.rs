//! The built-in way in: real clients connect to the collector itself; nothing acknowledged is lost or doubled.

use std::fmt::Write as _;
use std::process::Child;

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};

use crate::harness::{Home, Publisher, Python, Said, tally, wait_until};

/// 2026-03-01T08:00:00Z.
const EIGHT_S: i64 = 1_772_352_000;

/// An instant some seconds after eight o'clock, as the archive's rows say it.
pub(crate) fn eight_plus(seconds: i64) -> String {
    DateTime::from_timestamp(EIGHT_S + seconds, 0)
        .expect("a time of this century")
        .to_rfc3339_opts(SecondsFormat::Millis, true)
}

/// Messages of the reference sensor, one a second of device time, each with a humidity of its own; and the rows that they become.
pub(crate) fn numbered(first: i64, count: i64) -> (String, Vec<String>) {
    let mut messages = String::new();
    let mut rows = Vec::new();
    for number in first..first + count {
        let value = 50.0 + (number % 400) as f64 / 10.0;
        let payload = format!(
            r#"[{{"bt":{},"n":"humidity","u":"%RH","v":{value:?}}}]"#,
            EIGHT_S + number
        );
        let line = serde_json::json!({"topic": "nature-room/mossy-1/check", "payload": payload});
        writeln!(messages, "{line}").expect("writing into a String cannot fail");
        rows.push(format!(
            "{},mossy-1-check,humidity,{value:?},ok,device",
            eight_plus(number)
        ));
    }
    (messages, rows)
}

/// Fails unless the archive's files hold these rows and no others, each once.
#[track_caller]
pub(crate) fn holds_exactly(home: &Home, python: &Python, expected: &[String]) {
    are_exactly(home.stored(python), expected);
}

/// Fails unless rows of an archive are these and no others, each once.
#[track_caller]
pub(crate) fn are_exactly(stored: Vec<String>, expected: &[String]) {
    let stored = tally(stored);
    let expected = tally(expected.iter().cloned());
    let missing: Vec<_> = expected
        .keys()
        .filter(|row| !stored.contains_key(*row))
        .take(5)
        .collect();
    let strange: Vec<_> = stored
        .keys()
        .filter(|row| !expected.contains_key(*row))
        .take(5)
        .collect();
    let doubled: Vec<_> = stored.iter().filter(|(_, count)| **count > 1).take(5).collect();
    assert!(
        missing.is_empty() && strange.is_empty() && doubled.is_empty(),
        "missing {missing:?}, strange {strange:?}, doubled {doubled:?}"
    );
}

/// Fails unless the publisher ended well with every message acknowledged.
#[track_caller]
pub(crate) fn acknowledged(publisher: Child, count: usize) {
    let said: Said = publisher.wait_with_output().expect("it is our child").into();
    let said = said.expect_code(0);
    assert_eq!(said.stdout.trim(), count.to_string(), "{}", said.stderr);
}

/// Waits until the collector has this many readings durable, as `export` sees them.
pub(crate) fn wait_for_readings(home: &Home, count: usize) {
    wait_until("the readings can be read", || home.exported().len() >= count);
}

#[test]
fn every_shape_version_and_quality_of_service_is_stored_once_with_its_own_time() {
    let (home, port) = Home::builtin();
    let Some(device) = Publisher::find(port) else {
        return;
    };
    let collector = home.collect_builtin(port);
    let before = Utc::now() - TimeDelta::seconds(1);
    let json = r#"{"at":"2026-03-01T08:00:00Z","humidity":81.2,"temperature":22.4}"#;
    device.publish("nature-room/mossy-1/stat", json, &["-q", "0", "-V", "mqttv311"]);
    let json = r#"{"at":1772352060,"humidity":81.3}"#;
    device.publish("nature-room/mossy-1/stat", json, &["-q", "1", "-V", "mqttv5"]);
    let json = r#"{"at":1772352120000,"humidity":81.4}"#;
    device.publish("nature-room/mossy-1/stat", json, &["-q", "2", "-V", "mqttv5"]);
    let senml = r#"[{"bn":"check:","bt":1772352000,"n":"t","u":"Cel","v":21.5},{"n":"h","u":"%RH","v":80.5},{"n":"h","u":"%RH","v":81,"t":30}]"#;
    device.publish("nature-room/mossy-1/check", senml, &["-q", "2", "-V", "mqttv311"]);
    device.publish(
        "nature-room/mossy-1/low/temperature",
        "68.0",
        &["-q", "0", "-V", "mqttv5"],
    );
    device.publish("nature-room/mossy-1/low/humidity", "85", &["-q", "1"]);
    device.publish("nature-room/mossy-1/mister", "ON", &["-q", "0"]);
    device.publish("nature-room/mossy-1/mister", "OFF", &["-q", "1"]);
    device.publish("nature-room/mossy-1/fogger", "1", &["-q", "2"]);
    device.publish("nature-room/mossy-1/heater", "false", &["-q", "1"]);
    // Not for the archive: a topic of nobody, and a text where a number should be.
    device.publish("nature-room/mossy-7/low/humidity", "85", &["-q", "1"]);
    device.publish("nature-room/mossy-1/low/humidity", "damp", &["-q", "1"]);
    wait_for_readings(&home, 13);
    let log = collector.stop("TERM");
    let after = Utc::now();

    let mut own_time = Vec::new();
    let mut arrival = Vec::new();
    for line in home.exported() {
        let (time, rest) = line.split_once(',').expect("a line of the table");
        if time.starts_with("2026-03-01T08:0") {
            own_time.push(line);
        } else {
            let at: DateTime<Utc> = time.parse().expect("RFC 3339");
            assert!(before <= at && at <= after, "{line} is no arrival");
            arrival.push(rest.to_owned());
        }
    }
    own_time.sort();
    assert_eq!(
        own_time,
        [
            "2026-03-01T08:00:00Z,mossy-1,mossy-1-check,humidity,80.5,%RH",
            "2026-03-01T08:00:00Z,mossy-1,mossy-1-check,temperature,21.5,Cel",
            "2026-03-01T08:00:00Z,mossy-1,mossy-1-stat,humidity,81.2,%RH",
            "2026-03-01T08:00:30Z,mossy-1,mossy-1-check,humidity,81,%RH",
            "2026-03-01T08:01:00Z,mossy-1,mossy-1-stat,humidity,81.3,%RH",
            "2026-03-01T08:02:00Z,mossy-1,mossy-1-stat,humidity,81.4,%RH",
        ]
    );
    arrival.sort();
    assert_eq!(
        arrival,
        [
            "mossy-1,mossy-1-fogger,state,1,",
            "mossy-1,mossy-1-heater,state,0,",
            "mossy-1,mossy-1-low,humidity,85,%RH",
            "mossy-1,mossy-1-low,temperature,20,Cel",
            "mossy-1,mossy-1-mister,state,0,",
            "mossy-1,mossy-1-mister,state,1,",
            "mossy-1,mossy-1-stat,temperature,22.4,Cel",
        ]
    );
    let refused = fs_err::read_to_string(home.path("data/refused/refused.jsonl")).expect("a refused log");
    let refused: Vec<serde_json::Value> = refused
        .lines()
        .map(|line| serde_json::from_str(line).expect("one object a line"))
        .collect();
    let kept: Vec<[&str; 2]> = refused
        .iter()
        .map(|line| ["topic", "payload"].map(|key| line[key].as_str().unwrap_or_default()))
        .collect();
    assert_eq!(
        kept,
        [
            ["nature-room/mossy-7/low/humidity", "85"],
            ["nature-room/mossy-1/low/humidity", "damp"],
        ]
    );
    for line in &refused {
        assert!(
            line["reason"].as_str().is_some_and(|reason| !reason.is_empty()),
            "{line}"
        );
    }
    assert!(log.contains("13 readings stored, 1 refused"), "{log}");
    // Told at once, and each topic once.
    for line in [
        "a message was not stored topic=nature-room/mossy-7/low/humidity",
        "did you mean nature-room/mossy-1/low/humidity?",
        "a message was refused (told once a topic) topic=nature-room/mossy-1/low/humidity",
    ] {
        assert_eq!(log.matches(line).count(), 1, "{line} in {log}");
    }
    let worst = "1 refused of 2 messages on nature-room/mossy-1/low/humidity (mossy-1-low)";
    assert!(log.contains(worst), "{log}");
    let said = home.run(&["check"]).expect_code(3);
    for line in [
        "12 messages, 13 readings stored, 1 refused, 0 repeats, 6 sent later than measured (history), 1 from topics that are not in the site file",
        "look at:  nature-room/mossy-1/low/humidity (mossy-1-low): 2 messages, 1 readings stored, 1 refused, 0 repeats, 0 sent later than measured; the last refused, ",
    ] {
        assert!(said.stdout.contains(line), "{line} is not in {}", said.stdout);
    }
    if let Some(python) = Python::find() {
        assert_eq!(
            home.stored(&python).len(),
            13,
            "a reading stands in the files twice"
        );
    }
}

#[test]
fn a_pack_of_which_one_record_is_not_clear_is_stored_for_the_rest_and_kept() {
    let (home, port) = Home::builtin();
    let Some(device) = Publisher::find(port) else {
        return;
    };
    let collector = home.collect_builtin(port);
    let senml = r#"[{"bt":1772352000,"n":"t","u":"Cel","v":21.5},{"n":"h","u":"/","v":0.8}]"#;
    device.publish("nature-room/mossy-1/check", senml, &["-q", "1"]);
    collector.stop("TERM");
    assert_eq!(
        home.exported(),
        ["2026-03-01T08:00:00Z,mossy-1,mossy-1-check,temperature,21.5,Cel"]
    );
    let refused = fs_err::read_to_string(home.path("data/refused/refused.jsonl")).expect("a refused log");
    assert!(
        refused.contains("may mean several things") && refused.contains("0.8"),
        "{refused}"
    );
}

#[test]
fn what_cannot_be_is_kept_with_a_mark() {
    let (home, port) = Home::builtin();
    let (Some(device), Some(python)) = (Publisher::find(port), Python::find()) else {
        return;
    };
    let collector = home.collect_builtin(port);
    let json = r#"{"at":"2026-03-01T08:00:00Z","humidity":140}"#;
    device.publish("nature-room/mossy-1/stat", json, &["-q", "1"]);
    let json = r#"{"at":"1970-01-01T00:05:00Z","humidity":70}"#;
    device.publish("nature-room/mossy-1/stat", json, &["-q", "1"]);
    let json = r#"{"at":"2094-01-01T00:05:00Z","humidity":71}"#;
    device.publish("nature-room/mossy-1/stat", json, &["-q", "1"]);
    collector.stop("INT");
    let marks: Vec<String> = home
        .stored(&python)
        .iter()
        .map(|row| row.split(',').skip(3).collect::<Vec<_>>().join(","))
        .collect();
    for row in [
        "140.0,impossible,device",
        "70.0,clock-reset,arrival",
        "71.0,clock-ahead,arrival",
    ] {
        assert!(marks.iter().any(|mark| mark == row), "no {row} in {marks:?}");
    }
    assert_eq!(marks.len(), 3);
}

#[test]
fn a_clean_stop_publishes_everything_of_every_client() {
    let (home, port) = Home::builtin();
    let Some(python) = Python::find() else {
        return;
    };
    let collector = home.collect_builtin(port);
    let mut expected = Vec::new();
    let publishers: Vec<Child> = [("4", "0"), ("4", "1"), ("4", "2"), ("5", "1"), ("5", "2")]
        .iter()
        .zip(0i64..)
        .map(|((protocol, qos), number)| {
            let (messages, rows) = numbered(1000 * number, 200);
            expected.extend(rows);
            let file = home.write(&format!("messages-{number}.jsonl"), &messages);
            let name = format!("device-{number}");
            python.start(
                "publish.py",
                &[&port.to_string(), protocol, qos, &name, &file.to_string_lossy()],
            )
        })
        .collect();
    for publisher in publishers {
        acknowledged(publisher, 200);
    }
    let log = collector.stop("TERM");
    assert!(
        log.contains("1000 messages received, 1000 readings stored, 0 refused"),
        "{log}"
    );
    holds_exactly(&home, &python, &expected);
    let waiting = fs_err::read_dir(home.path("data/spool"))
        .expect("the spool's folder")
        .filter_map(Result::ok)
        .filter(|file| {
            file.path()
                .extension()
                .is_some_and(|extension| extension == "spool")
        })
        .count();
    assert_eq!(waiting, 0, "something was left in the spool");
}

#[test]
fn after_a_kill_every_acknowledged_reading_is_there_once() {
    let (home, port) = Home::builtin();
    let Some(python) = Python::find() else {
        return;
    };
    const COUNT: i64 = 1500;
    let (messages, expected) = numbered(0, COUNT);
    let file = home.write("messages.jsonl", &messages);
    let mut collector = home.collect_builtin(port);
    let publisher = python.start(
        "publish.py",
        &[
            &port.to_string(),
            "4",
            "1",
            "device",
            &file.to_string_lossy(),
            "0.004",
        ],
    );
    // Twice in the middle of it, whatever it is doing.
    for reached in [200, 700] {
        wait_for_readings(&home, reached);
        collector.kill();
        collector = home.collect_builtin(port);
    }
    acknowledged(publisher, COUNT as usize);
    collector.kill();
    let durable = home.exported();
    assert_eq!(
        durable.len(),
        COUNT as usize,
        "acknowledged is durable, before any clean stop"
    );
    home.collect_builtin(port).stop("TERM");
    holds_exactly(&home, &python, &expected);
}

#[test]
fn readings_are_seen_while_the_collector_runs_before_they_are_published() {
    let (home, port) = Home::builtin();
    let Some(device) = Publisher::find(port) else {
        return;
    };
    let flags = [
        "flags",
        "--from",
        "2026-03-01",
        "--to",
        "2026-03-02",
        "--format",
        "json",
    ];
    let silent = |said: &Said| {
        let document = said.json();
        let never = document["not_assessed"].as_array().expect("a list").iter();
        never
            .filter(|item| item["kind"] == "sensor-silent")
            .filter_map(|item| item["reason"].as_str())
            .any(|reason| reason.contains("mossy-1-check"))
    };
    let collector = home.collect_builtin(port);
    assert!(silent(&home.run(&flags)), "nothing came from it so far");
    let senml = r#"[{"bt":1772352000,"n":"t","u":"Cel","v":21.5}]"#;
    device.publish("nature-room/mossy-1/check", senml, &["-q", "1"]);
    let said = home.run(&flags);
    assert!(!silent(&said), "{}", said.stdout);
    assert_eq!(home.exported().len(), 1);
    let published = home.path("data/readings/date=2026-03-01").exists();
    assert!(!published, "too early for a Parquet file: the test shows nothing");
    collector.stop("TERM");
    assert!(home.path("data/readings/date=2026-03-01").exists());
    assert!(!silent(&home.run(&flags)));
}

#[test]
fn two_collectors_never_share_a_folder() {
    let (home, port) = Home::builtin();
    let collector = home.collect_builtin(port);
    let said = home.run(&["collect"]).expect_code(1);
    assert!(
        said.stderr.contains("another collector works on"),
        "{}",
        said.stderr
    );
    // Reading and importing are no collecting.
    home.write("readings.csv", crate::harness::READINGS);
    home.run(&["import", "readings.csv"]).expect_code(0);
    assert_eq!(home.exported().len(), 5);
    collector.stop("TERM");
}
