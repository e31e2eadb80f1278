//! As a client of the keeper's own broker: mosquitto between real clients and the collector, restarts included.

use std::process::Child;

use crate::builtin::{acknowledged, holds_exactly, numbered, wait_for_readings};
use crate::harness::{Home, Mosquitto, Publisher, Python, SITE};

/// A home whose site names a mosquitto that runs.
fn with_broker() -> Option<(Home, Mosquitto)> {
    let home = Home::new(SITE);
    let broker = Mosquitto::start(&home)?;
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", broker.port);
    home.write("site.toml", &SITE.replace("url = \"builtin\"", &url));
    Some((home, broker))
}

#[test]
fn every_version_and_quality_of_service_comes_through() {
    let Some((home, broker)) = with_broker() else {
        return;
    };
    let (Some(device), Some(python)) = (Publisher::find(broker.port), Python::find()) else {
        return;
    };
    let collector = home.collect_from_broker();
    let mut expected = Vec::new();
    let mut number = 0;
    for version in ["mqttv31", "mqttv311", "mqttv5"] {
        for qos in ["0", "1", "2"] {
            let (messages, rows) = numbered(number, 1);
            let message: serde_json::Value = serde_json::from_str(&messages).expect("one message");
            let text = |key: &str| message[key].as_str().expect("a text").to_owned();
            device.publish(&text("topic"), &text("payload"), &["-V", version, "-q", qos]);
            expected.extend(rows);
            number += 1;
        }
    }
    let publishers: Vec<Child> = ["4", "5"]
        .iter()
        .zip(1i64..)
        .map(|(protocol, index)| {
            let (messages, rows) = numbered(10_000 * index, 500);
            expected.extend(rows);
            let file = home.write(&format!("messages-{index}.jsonl"), &messages);
            let name = format!("device-{index}");
            python.start(
                "publish.py",
                &[
                    &broker.port.to_string(),
                    protocol,
                    "1",
                    &name,
                    &file.to_string_lossy(),
                ],
            )
        })
        .collect();
    for publisher in publishers {
        acknowledged(publisher, 500);
    }
    // The broker has acknowledged; it still may have some to hand on.
    wait_for_readings(&home, expected.len());
    collector.stop("TERM");
    holds_exactly(&home, &python, &expected);
}

#[test]
fn nothing_is_lost_over_a_restart_of_the_broker_and_a_pause_of_the_collector() {
    let Some((home, mut broker)) = with_broker() else {
        return;
    };
    let Some(python) = Python::find() else {
        return;
    };
    const COUNT: i64 = 1500;
    let mut expected = Vec::new();
    let mut publishers = Vec::new();
    let mut collector = home.collect_from_broker();
    for (protocol, first) in [("4", 0), ("5", 10_000)] {
        let (messages, rows) = numbered(first, COUNT);
        expected.extend(rows);
        let file = home.write(&format!("messages-{protocol}.jsonl"), &messages);
        let name = format!("device-{protocol}");
        publishers.push(python.start(
            "publish.py",
            &[
                &broker.port.to_string(),
                protocol,
                "1",
                &name,
                &file.to_string_lossy(),
                "0.004",
            ],
        ));
    }
    wait_for_readings(&home, 300);
    broker.restart();
    wait_for_readings(&home, 900);
    // The broker keeps what comes while nobody collects, because it knows the collector's session.
    collector.kill();
    collector = home.collect_from_broker();
    for publisher in publishers {
        acknowledged(publisher, COUNT as usize);
    }
    wait_for_readings(&home, expected.len());
    let log = collector.stop("TERM");
    assert!(log.contains("stopped:"), "{log}");
    holds_exactly(&home, &python, &expected);
}

/// Two collectors take turns (MQTT 5, section 4.8.2) and write one archive; neither knows of the other, and one is killed on the way.
#[test]
fn several_collectors_share_one_feed_and_write_one_archive() {
    let Some((home, broker)) = with_broker() else {
        return;
    };
    let Some(python) = Python::find() else {
        return;
    };
    const COUNT: i64 = 3000;
    let (one, two) = (home.collect_shared("one"), home.collect_shared("two"));
    let (messages, expected) = numbered(0, COUNT);
    let file = home.write("messages.jsonl", &messages);
    let port = broker.port.to_string();
    let publisher = python.start(
        "publish.py",
        &[&port, "5", "1", "device", &file.to_string_lossy(), "0.001"],
    );
    wait_for_readings(&home, 600);
    one.kill();
    let one = home.collect_shared("one");
    acknowledged(publisher, COUNT as usize);
    wait_for_readings(&home, expected.len());
    for log in [one.stop("TERM"), two.stop("TERM")] {
        let said = log
            .lines()
            .find(|line| line.starts_with("stopped:"))
            .unwrap_or_default()
            .to_owned();
        assert!(!said.contains(" 0 readings stored"), "both take part: {log}");
    }
    let files = fs_err::read_dir(home.path("data/readings/date=2026-03-01")).expect("the day");
    let names: Vec<String> = files
        .map(|file| file.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    for name in ["part-one-", "part-two-"] {
        assert!(names.iter().any(|file| file.starts_with(name)), "{names:?}");
    }
    assert_eq!(
        home.run(&["verify"]).expect_code(0).stdout.lines().last(),
        Some("Nothing is wrong.")
    );
    // What the broker sent again after the kill bears its device's time and is known by it.
    holds_exactly(&home, &python, &expected);
}

#[test]
fn a_broker_that_is_not_there_yet_is_waited_for() {
    let home = Home::new(SITE);
    let Some(mut broker) = Mosquitto::start(&home) else {
        return;
    };
    let Some(device) = Publisher::find(broker.port) else {
        return;
    };
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", broker.port);
    home.write("site.toml", &SITE.replace("url = \"builtin\"", &url));
    broker.stop();
    let collector = home.collect();
    crate::harness::wait_until("the collector misses its broker", || {
        collector.log().to_lowercase().contains("broker")
    });
    broker.restart();
    crate::harness::wait_until("the collector is connected", || {
        collector.log().contains("connected to the broker")
    });
    // Its subscription follows its connection: until it stands, nobody keeps what is published.
    crate::harness::wait_until("a reading comes through", || {
        device.publish("nature-room/mossy-1/low/humidity", "85", &["-q", "1"]);
        !home.exported().is_empty()
    });
    collector.stop("TERM");
}
