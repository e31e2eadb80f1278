//! How fast queued messages come in from mosquitto at QoS 1: durable here, beside a bare client that throws them away and beside the
//! usual script (paho-mqtt and pyarrow), all from one run. `cargo bench --bench intake`.
//!
//! The publisher is out of the way: everything is queued before the clock starts. Ratios are what counts; rates depend on the machine.

#[path = "../harness.rs"]
#[allow(dead_code, reason = "each program uses its part")]
mod harness;

use std::sync::Arc;
use std::time::{Duration, Instant};

use harness::{Home, Mosquitto, Python, SITE};
use mosswarden_collector::{Counts, RunOptions, run};
use mosswarden_config::site::Site;
use rumqttc::v5::mqttbytes::{QoS, v5::Packet};
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use tokio::sync::oneshot;

const MESSAGES: u64 = 50_000;
const ROUNDS: usize = 3;
const TOPICS: [&str; 2] = ["nature-room/mossy-1/low/humidity", "nature-room/mossy-1/stat"];
const DEADLINE: Duration = Duration::from_secs(300);

fn main() {
    let (Some(python), home) = (Python::find(), Home::new(SITE)) else {
        return;
    };
    let Some(broker) = Mosquitto::start(&home) else {
        return;
    };
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", broker.port);
    home.write("site.toml", &SITE.replace("url = \"builtin\"", &url));
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .expect("a runtime");
    let mut ratios = Vec::new();
    let mut total = 0;
    println!("{MESSAGES} queued messages from mosquitto, QoS 1, messages a second");
    println!(
        "| round | bare client | mosswarden, durable | paho and pyarrow | mosswarden / bare | mosswarden / script |"
    );
    println!("| --- | --- | --- | --- | --- | --- |");
    for round in 1..=ROUNDS {
        // Every session exists before the messages, so that each gets all of them.
        runtime.block_on(ours(&home, 0));
        runtime.block_on(bare(broker.port, 0));
        script(&python, &home, broker.port, 0);
        runtime.block_on(publish(broker.port, total));
        total += MESSAGES;
        let bare = runtime.block_on(bare(broker.port, MESSAGES));
        let ours = runtime.block_on(ours(&home, MESSAGES));
        let script = script(&python, &home, broker.port, MESSAGES);
        let rate = |seconds: f64| MESSAGES as f64 / seconds;
        println!(
            "| {round} | {:.0} | {:.0} | {:.0} | {:.2} | {:.2} |",
            rate(bare),
            rate(ours),
            rate(script),
            bare / ours,
            script / ours
        );
        ratios.push(bare / ours);
    }
    let stored = home.stored(&python).len() as u64;
    assert_eq!(stored, total, "every message is in the archive once");
    ratios.sort_by(f64::total_cmp);
    println!(
        "{stored} readings in the archive, each once; median ratio to the bare client {:.2}",
        ratios[ROUNDS / 2]
    );
}

/// Half of them with their own time, half with a bare number. All values differ.
async fn publish(port: u16, first: u64) {
    let mut options = MqttOptions::new("device", "127.0.0.1", port);
    options.set_outgoing_inflight_upper_limit(1000);
    let (client, mut events) = AsyncClient::new(options, 1000);
    let sender = tokio::spawn(async move {
        for number in first..first + MESSAGES {
            let payload = match number % 2 {
                0 => format!("{}", number as f64 / 10_000.0),
                _ => format!(
                    "{{\"humidity\": {}, \"at\": {}}}",
                    number as f64 / 10_000.0,
                    1_700_000_000 + number
                ),
            };
            let topic = TOPICS[(number % 2) as usize];
            client
                .publish(topic, QoS::AtLeastOnce, false, payload)
                .await
                .expect("queued");
        }
        client
    });
    let mut left = MESSAGES;
    while left > 0 {
        if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.expect("connected") {
            left -= 1;
        }
    }
    drop(sender.await);
}

/// Seconds from the connection until so many are durable.
async fn ours(home: &Home, count: u64) -> f64 {
    let site = Site::load(&home.path("site.toml")).expect("a good site file");
    let counts = Arc::new(Counts::new(&site));
    let (stop, stopped) = oneshot::channel::<()>();
    let options = RunOptions {
        counts: Some(Arc::clone(&counts)),
        ..RunOptions::default()
    };
    let mut started = Instant::now();
    let mut is_connected = false;
    let collector = tokio::spawn(run(site, options, async {
        let _dropped = stopped.await;
    }));
    loop {
        let now = counts.snapshot();
        // Before it connects it reads what its spool remembers: that is no intake.
        if now.is_connected && !is_connected {
            (is_connected, started) = (true, Instant::now());
        }
        if now.is_connected && now.stored >= count {
            break;
        }
        assert!(started.elapsed() < DEADLINE, "{now:?}");
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    let took = started.elapsed().as_secs_f64();
    if count == 0 {
        // The subscription follows the connection.
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    drop(stop);
    collector.await.expect("no panic").expect("an orderly end");
    took
}

/// A client that acknowledges and forgets, MQTT 5 with the same window: seconds until it heard so many.
async fn bare(port: u16, count: u64) -> f64 {
    let mut options = MqttOptions::new("bare", "127.0.0.1", port);
    options
        .set_clean_start(false)
        .set_session_expiry_interval(Some(3600))
        .set_receive_maximum(Some(2000))
        .set_connection_timeout(5);
    let started = Instant::now();
    let (client, mut events) = AsyncClient::new(options, 100);
    for topic in TOPICS {
        client.subscribe(topic, QoS::AtLeastOnce).await.expect("queued");
    }
    let (mut heard, mut answers) = (0, 0);
    while heard < count || answers < TOPICS.len() {
        match tokio::time::timeout(DEADLINE, events.poll())
            .await
            .expect("in time")
            .expect("connected")
        {
            Event::Incoming(Packet::Publish(_)) => heard += 1,
            Event::Incoming(Packet::SubAck(_)) => answers += 1,
            _ => {}
        }
    }
    let took = started.elapsed().as_secs_f64();
    client.disconnect().await.expect("queued");
    while events.poll().await.is_ok() {}
    took
}

/// Seconds that the script says it took.
fn script(python: &Python, home: &Home, port: u16, count: u64) -> f64 {
    let folder = home.path("naive");
    fs_err::create_dir_all(&folder).expect("room");
    let arguments = [
        port.to_string(),
        count.to_string(),
        folder.to_string_lossy().into_owned(),
    ];
    let said = python
        .run("naive_logger.py", &arguments.each_ref().map(String::as_str))
        .expect_code(0);
    said.stdout.trim().parse().expect("seconds")
}
