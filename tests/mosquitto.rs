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
