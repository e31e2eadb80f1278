//! The built-in way in from outside: real MQTT clients in this process, real files, a free port.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use mosswarden_collector::{CollectError, Counts, Newest, RunOptions, Summary, run, tail};
use mosswarden_config::site::Site;
use polars::prelude::*;
use rumqttc::v5;
use rumqttc::{AsyncClient, Event, EventLoop, Incoming, MqttOptions, Outgoing, QoS};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::timeout;

const SITE: &str = include_str!("../../tests/reference/site.toml");
const DEADLINE: Duration = Duration::from_secs(30);

struct Collector {
    address: SocketAddr,
    stop: Option<oneshot::Sender<()>>,
    task: JoinHandle<Result<Summary, CollectError>>,
    counts: Arc<Counts>,
    newest: Arc<Newest>,
}

fn site(home: &Path, change: impl Fn(String) -> String) -> Site {
    Site::from_source(&home.join("site.toml"), &change(SITE.to_owned())).expect("a good site file")
}

impl Collector {
    async fn start(site: Site) -> Collector {
        let (on_ready, ready) = oneshot::channel();
        let (stop, stopped) = oneshot::channel::<()>();
        let (counts, newest) = (Arc::new(Counts::new(&site)), Arc::new(Newest::default()));
        let options = RunOptions {
            listen_override: Some("127.0.0.1:0".to_owned()),
            on_ready: Some(on_ready),
            counts: Some(Arc::clone(&counts)),
            newest: Some(Arc::clone(&newest)),
            ..RunOptions::default()
        };
        let task = tokio::spawn(run(site, options, async {
            let _dropped = stopped.await;
        }));
        let address = timeout(DEADLINE, ready)
            .await
            .expect("in time")
            .expect("it starts")
            .expect("it listens");
        Collector {
            address,
            stop: Some(stop),
            task,
            counts,
            newest,
        }
    }

    async fn stop(mut self) -> Summary {
        drop(self.stop.take());
        timeout(DEADLINE, self.task)
            .await
            .expect("in time")
            .expect("no panic")
            .expect("an orderly end")
    }

    fn client(&self, id: &str) -> (AsyncClient, EventLoop) {
        let mut options = MqttOptions::new(id, self.address.ip().to_string(), self.address.port());
        options.set_clean_session(false).set_inflight(200);
        AsyncClient::new(options, 1000)
    }
}

/// Polls until `count` messages are acknowledged.
async fn acknowledged(events: &mut EventLoop, count: usize) {
    let mut seen = 0;
    while seen < count {
        if let Event::Incoming(Incoming::PubAck(_) | Incoming::PubComp(_)) = timeout(DEADLINE, events.poll())
            .await
            .expect("in time")
            .expect("connected")
        {
            seen += 1
        }
    }
}

/// Every row of the archive: time, sensor, quantity, value, time source, mark.
fn archive(home: &Path) -> Vec<(i64, String, String, f64, String, String)> {
    let mut rows = Vec::new();
    let mut files: Vec<PathBuf> = Vec::new();
    if let Ok(days) = fs_err::read_dir(home.join("data/readings")) {
        for day in days {
            for file in fs_err::read_dir(day.expect("an entry").path()).expect("a folder") {
                files.push(file.expect("an entry").path());
            }
        }
    }
    files.retain(|file| file.extension().is_some_and(|extension| extension == "parquet"));
    files.sort();
    for file in files {
        let open = std::fs::File::open(&file).expect("a file");
        let frame = ParquetReader::new(open).finish().expect("Parquet");
        let text = |name: &str, row: usize| {
            frame
                .column(name)
                .expect(name)
                .str()
                .expect(name)
                .get(row)
                .expect("no nulls")
                .to_owned()
        };
        let at = frame
            .column("at")
            .expect("at")
            .datetime()
            .expect("a time")
            .physical()
            .clone();
        for row in 0..frame.height() {
            rows.push((
                at.get(row).expect("no nulls"),
                text("sensor", row),
                text("quantity", row),
                frame
                    .column("value")
                    .expect("value")
                    .f64()
                    .expect("value")
                    .get(row)
                    .expect("no nulls"),
                text("time_source", row),
                text("mark", row),
            ));
        }
    }
    rows.sort_by(|a, b| a.partial_cmp(b).expect("no NaN"));
    rows
}

#[tokio::test]
async fn qos_0_1_and_2_are_in_the_archive_once_after_a_clean_stop() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let (client, mut events) = collector.client("probe");
    for n in 0..300 {
        let qos = [QoS::AtMostOnce, QoS::AtLeastOnce, QoS::ExactlyOnce][n % 3];
        let payload = format!("{{\"t\": {}.25, \"rh\": 50}}", n);
        client
            .publish("nature-room/room-wall", qos, false, payload)
            .await
            .expect("queued");
    }
    acknowledged(&mut events, 200).await;
    let newest = collector
        .newest
        .get("room-wall", mosswarden_config::quantity::Quantity::Temperature);
    assert!(newest.is_some(), "what is acknowledged is shown");
    let summary = collector.stop().await;
    assert_eq!(
        (
            summary.counts.received,
            summary.counts.stored,
            summary.counts.published
        ),
        (300, 600, 600)
    );
    assert!(summary.is_published);
    let rows = archive(home.path());
    assert_eq!(rows.len(), 600);
    let mut values: Vec<f64> = rows
        .iter()
        .filter(|row| row.2 == "temperature")
        .map(|row| row.3)
        .collect();
    values.sort_by(f64::total_cmp);
    values.dedup();
    assert_eq!(values.len(), 300, "every message once");
}

#[tokio::test]
async fn what_is_acknowledged_is_readable_by_others_before_it_is_published() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let site = site(home.path(), |s| s);
    let collector = Collector::start(site.clone()).await;
    let (client, mut events) = collector.client("probe");
    client
        .publish(
            "nature-room/mossy-1/low/temperature",
            QoS::AtLeastOnce,
            false,
            "68.0",
        )
        .await
        .expect("queued");
    acknowledged(&mut events, 1).await;
    let readings = tail(&site).expect("readable");
    assert_eq!(readings.len(), 1);
    assert_eq!((readings[0].value, &*readings[0].sensor), (20.0, "mossy-1-low"));
    collector.stop().await;
    assert!(
        tail(&site).expect("readable").is_empty(),
        "it moved to the archive"
    );
    assert_eq!(archive(home.path()).len(), 1);
}

#[tokio::test]
async fn mqtt_5_clients_are_served() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let options = v5::MqttOptions::new(
        "five",
        collector.address.ip().to_string(),
        collector.address.port(),
    );
    let (client, mut events) = v5::AsyncClient::new(options, 100);
    client
        .subscribe("nature-room/#", v5::mqttbytes::QoS::AtLeastOnce)
        .await
        .expect("queued");
    for n in 0..20 {
        let qos = [v5::mqttbytes::QoS::AtLeastOnce, v5::mqttbytes::QoS::ExactlyOnce][n % 2];
        client
            .publish("nature-room/mossy-1/mister", qos, false, "ON")
            .await
            .expect("queued");
    }
    let (mut acknowledged, mut heard) = (0, 0);
    while acknowledged < 20 || heard < 20 {
        use v5::mqttbytes::v5::Packet;
        match timeout(DEADLINE, events.poll())
            .await
            .expect("in time")
            .expect("connected")
        {
            v5::Event::Incoming(Packet::PubAck(_) | Packet::PubComp(_)) => acknowledged += 1,
            v5::Event::Incoming(Packet::Publish(publish)) => {
                assert_eq!(&publish.payload[..], b"ON");
                heard += 1;
            }
            _ => {}
        }
    }
    collector.stop().await;
    let rows = archive(home.path());
    assert_eq!(
        rows.len(),
        20,
        "equal values at different arrivals are different readings"
    );
}

#[tokio::test]
async fn a_redelivery_is_stored_once_also_over_a_restart() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let connect = b"\x10\x11\x00\x04MQTT\x04\x00\x00\x3c\x00\x05probe";
    let publish = |first: u8| {
        let mut packet = vec![first, 0];
        packet.extend_from_slice(b"\x00\x15nature-room/room-wall\x00\x07{\"t\": 21.5}");
        packet[1] = (packet.len() - 2) as u8;
        packet
    };
    for round in 0..3 {
        let collector = Collector::start(site(home.path(), |s| s)).await;
        let mut device = TcpStream::connect(collector.address).await.expect("it listens");
        device.write_all(connect).await.expect("written");
        let mut answer = [0; 4];
        device.read_exact(&mut answer).await.expect("CONNACK");
        assert_eq!(
            answer,
            [0x20, 2, u8::from(round > 0), 0],
            "a kept session is known again"
        );
        // The first time fresh, then as a repeat, twice each.
        for _ in 0..2 {
            let first = if round == 0 { 0x32 } else { 0x3a };
            device
                .write_all(&publish(if round == 0 { first } else { 0x3a }))
                .await
                .expect("written");
            device.read_exact(&mut answer).await.expect("PUBACK");
            assert_eq!(answer, [0x40, 2, 0, 7]);
            if round == 0 {
                break;
            }
        }
        let summary = collector.stop().await;
        assert_eq!(summary.counts.duplicate, if round == 0 { 0 } else { 2 });
    }
    assert_eq!(archive(home.path()).len(), 1);
}

#[tokio::test]
async fn bad_payloads_are_acknowledged_logged_and_block_nothing() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let (client, mut events) = collector.client("probe");
    for payload in ["{\"t\": \"warm\"}", "{broken", "{\"t\": 20.5}"] {
        client
            .publish("nature-room/room-wall", QoS::AtLeastOnce, false, payload)
            .await
            .expect("queued");
    }
    client
        .publish("elsewhere/x", QoS::AtLeastOnce, false, "1")
        .await
        .expect("queued");
    acknowledged(&mut events, 4).await;
    let counts = collector.counts.snapshot();
    assert_eq!(
        (
            counts.received,
            counts.stored,
            counts.refused,
            counts.unknown_topic
        ),
        (4, 1, 2, 1)
    );
    assert_eq!(counts.unread_topics, ["elsewhere/x"]);
    collector.stop().await;
    let log = fs_err::read_to_string(home.path().join("data/refused/refused.jsonl")).expect("the log");
    assert_eq!(log.lines().count(), 3);
    assert!(log.contains("`warm` is not a number") && log.contains("{broken") && log.contains("no feed"));
}

#[tokio::test]
async fn device_times_find_their_days_and_are_judged() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let (client, mut events) = collector.client("probe");
    for at in [
        "\"2026-02-28T23:59:59Z\"",
        "\"2026-03-01T00:00:00Z\"",
        "17",
        "\"2999-01-01T00:00:00Z\"",
    ] {
        let payload = format!("{{\"humidity\": 80.5, \"at\": {at}}}");
        // Sent twice as a device does that repeats itself: the ones with a credible time are one reading each.
        for _ in 0..2 {
            client
                .publish(
                    "nature-room/mossy-1/stat",
                    QoS::AtLeastOnce,
                    false,
                    payload.clone(),
                )
                .await
                .expect("queued");
        }
    }
    acknowledged(&mut events, 8).await;
    collector.stop().await;
    let rows = archive(home.path());
    let marks: Vec<(&str, &str)> = rows.iter().map(|row| (row.4.as_str(), row.5.as_str())).collect();
    assert_eq!(marks[..2], [("device", "ok"), ("device", "ok")]);
    assert_eq!(
        marks.iter().filter(|m| **m == ("arrival", "clock-reset")).count(),
        2
    );
    assert_eq!(
        marks.iter().filter(|m| **m == ("arrival", "clock-ahead")).count(),
        2
    );
    assert_eq!(rows.len(), 6);
    let readings = home.path().join("data/readings");
    assert!(readings.join("date=2026-02-28").is_dir() && readings.join("date=2026-03-01").is_dir());
}

#[tokio::test]
async fn a_lost_device_leaves_its_will_and_one_that_says_goodbye_does_not() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    for (id, goodbye) in [("lost", false), ("polite", true)] {
        let mut options = MqttOptions::new(id, collector.address.ip().to_string(), collector.address.port());
        options.set_last_will(rumqttc::LastWill::new(
            "nature-room/mossy-1/mister",
            "OFF",
            QoS::AtLeastOnce,
            false,
        ));
        let (client, mut events) = AsyncClient::new(options, 10);
        client
            .publish("nature-room/mossy-1/mister", QoS::AtLeastOnce, false, "ON")
            .await
            .expect("queued");
        acknowledged(&mut events, 1).await;
        if goodbye {
            client.disconnect().await.expect("queued");
            while !matches!(events.poll().await, Ok(Event::Outgoing(Outgoing::Disconnect))) {}
        }
    }
    let until = tokio::time::Instant::now() + DEADLINE;
    while collector.counts.snapshot().stored < 3 {
        assert!(
            tokio::time::Instant::now() < until,
            "{:?}",
            collector.counts.snapshot()
        );
        tokio::task::yield_now().await;
    }
    let summary = collector.stop().await;
    assert_eq!((summary.counts.device_lost, summary.counts.stored), (1, 3));
    let rows = archive(home.path());
    let lost: Vec<_> = rows.iter().filter(|row| row.5 == "device-lost").collect();
    assert_eq!((lost.len(), lost[0].3), (1, 0.0));
}

#[tokio::test]
async fn subscribers_get_what_is_retained_and_the_state_of_the_collector() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let (client, mut events) = collector.client("device");
    client
        .publish("nature-room/mossy-1/mister", QoS::AtLeastOnce, true, "ON")
        .await
        .expect("queued");
    acknowledged(&mut events, 1).await;
    let (listener, mut heard) = collector.client("page");
    listener
        .subscribe_many(
            ["mosswarden/state", "nature-room/+/mister"]
                .map(|f| rumqttc::SubscribeFilter::new(f.to_owned(), QoS::AtMostOnce)),
        )
        .await
        .expect("queued");
    let mut found = std::collections::BTreeMap::new();
    while found.len() < 2 {
        if let Event::Incoming(Incoming::Publish(publish)) = timeout(DEADLINE, heard.poll())
            .await
            .expect("in time")
            .expect("connected")
        {
            assert!(publish.retain, "a kept message says so");
            found.insert(
                publish.topic.clone(),
                String::from_utf8(publish.payload.to_vec()).expect("text"),
            );
        }
    }
    assert_eq!(found["nature-room/mossy-1/mister"], "ON");
    assert!(found["mosswarden/state"].contains("\"trouble\":[]"));
    collector.stop().await;
}

#[tokio::test]
async fn passwords_are_asked_for_and_an_open_door_is_never_opened() {
    let home = tempfile::tempdir().expect("a temporary folder");
    fs_err::write(home.path().join("secret"), "moss\n").expect("room");
    let with_password = site(home.path(), |s| {
        s.replace(
            "# username = \"collector\"",
            "username = \"frog\"\npassword_file = \"secret\"",
        )
    });
    let collector = Collector::start(with_password).await;
    for (password, expected) in [("moss", true), ("mould", false)] {
        let (client, mut events) = {
            let mut options = MqttOptions::new(
                "probe",
                collector.address.ip().to_string(),
                collector.address.port(),
            );
            options.set_credentials("frog", password);
            AsyncClient::new(options, 10)
        };
        let answer = timeout(DEADLINE, events.poll()).await.expect("in time");
        assert_eq!(answer.is_ok(), expected, "{answer:?}");
        if let Err(error) = answer {
            assert!(error.to_string().contains("BadUserNamePassword"), "{error}");
        }
        drop(client);
    }
    collector.stop().await;
    let open = site(home.path(), |s| {
        s.replace("listen = \"127.0.0.1:1883\"", "listen = \"0.0.0.0:0\"")
    });
    let error = run(open, RunOptions::default(), std::future::pending())
        .await
        .expect_err("no password");
    let CollectError::Listen(error) = error else {
        panic!("{error}")
    };
    assert!(error.to_string().contains("has no password"), "{error}");
}

#[tokio::test]
async fn a_second_collector_on_one_folder_refuses() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let second = run(
        site(home.path(), |s| s),
        RunOptions::default(),
        std::future::pending(),
    )
    .await;
    assert!(matches!(second, Err(CollectError::Locked { .. })), "{second:?}");
    collector.stop().await;
    Collector::start(site(home.path(), |s| s)).await.stop().await;
}

#[tokio::test]
async fn garbage_and_old_versions_are_turned_away_and_harm_no_one() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let mut old = TcpStream::connect(collector.address).await.expect("it listens");
    old.write_all(b"\x10\x12\x00\x06MQIsdp\x03\x02\x00\x3c\x00\x04abcd")
        .await
        .expect("written");
    let mut answer = Vec::new();
    timeout(DEADLINE, old.read_to_end(&mut answer))
        .await
        .expect("in time")
        .expect("closed");
    assert_eq!(answer, [0x20, 2, 0, 1]);
    for garbage in [
        &b"GET / HTTP/1.1\r\n\r\n"[..],
        b"\x10\xff\xff\xff\x7f",
        b"\x16\x03\x01\x02\x00",
        b"\x00\x00",
    ] {
        let mut stranger = TcpStream::connect(collector.address).await.expect("it listens");
        stranger.write_all(garbage).await.expect("written");
        let mut answer = Vec::new();
        timeout(DEADLINE, stranger.read_to_end(&mut answer))
            .await
            .expect("in time")
            .expect("closed");
        assert!(answer.is_empty(), "{answer:?}");
    }
    let (client, mut events) = collector.client("probe");
    client
        .publish("nature-room/room-wall", QoS::AtLeastOnce, false, "{\"t\": 20}")
        .await
        .expect("queued");
    acknowledged(&mut events, 1).await;
    collector.stop().await;
}

#[tokio::test]
async fn a_folder_removed_under_a_running_collector_is_made_again() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let (client, mut events) = collector.client("probe");
    for value in [41, 42] {
        client
            .publish(
                "nature-room/mossy-1/low/humidity",
                QoS::AtLeastOnce,
                false,
                value.to_string(),
            )
            .await
            .expect("queued");
        acknowledged(&mut events, 1).await;
        if value == 41 {
            fs_err::remove_dir_all(home.path().join("data")).expect("it is ours");
        }
    }
    assert!(collector.counts.snapshot().trouble.is_empty(), "it is well again");
    collector.stop().await;
    let values: Vec<f64> = archive(home.path()).iter().map(|row| row.3).collect();
    assert_eq!(
        values,
        [42.0],
        "what was acknowledged after the removal is there; what was removed is gone"
    );
}

#[tokio::test]
async fn a_data_folder_on_another_disk_works_like_any_other() {
    use std::os::unix::fs::MetadataExt as _;
    let home = tempfile::tempdir().expect("a temporary folder");
    let other = tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .expect("a folder");
    let device = |path: &Path| fs_err::metadata(path).expect("a folder").dev();
    if device(home.path()) == device(other.path()) {
        eprintln!("no second disk at hand: the links are tried, the border is not");
    }
    // The folder is a link to the other disk, and the archive within is a link back.
    let (data, back) = (home.path().join("data"), home.path().join("readings"));
    fs_err::create_dir(&back).expect("room");
    fs_err::os::unix::fs::symlink(other.path(), &data).expect("room");
    fs_err::os::unix::fs::symlink(&back, data.join("readings")).expect("room");
    for round in 0..2 {
        let collector = Collector::start(site(home.path(), |s| s)).await;
        let (client, mut events) = collector.client("probe");
        for value in ["41", "42"] {
            client
                .publish("nature-room/mossy-1/low/humidity", QoS::AtLeastOnce, false, value)
                .await
                .expect("queued");
        }
        acknowledged(&mut events, 2).await;
        assert!(collector.counts.snapshot().trouble.is_empty());
        assert!(collector.stop().await.is_published);
        assert_eq!(archive(home.path()).len(), 2 * (round + 1));
    }
    assert!(fs_err::read_dir(&back).expect("a folder").count() > 0);
}

#[tokio::test]
async fn silence_and_a_second_device_of_one_id_end_a_connection() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    // Keep-alive of one second, MQTT 5.
    let connect = b"\x10\x12\x00\x04MQTT\x05\x02\x00\x01\x00\x00\x05probe";
    let mut silent = TcpStream::connect(collector.address).await.expect("it listens");
    silent.write_all(connect).await.expect("written");
    let mut answer = Vec::new();
    timeout(DEADLINE, silent.read_to_end(&mut answer))
        .await
        .expect("in time")
        .expect("closed");
    assert_eq!(answer[answer.len() - 3..], [0xe0, 1, 0x8d], "keep-alive timeout");
    let mut first = TcpStream::connect(collector.address).await.expect("it listens");
    first.write_all(connect).await.expect("written");
    first.read_exact(&mut [0; 4]).await.expect("CONNACK");
    let mut second = TcpStream::connect(collector.address).await.expect("it listens");
    second.write_all(connect).await.expect("written");
    let mut answer = Vec::new();
    timeout(DEADLINE, first.read_to_end(&mut answer))
        .await
        .expect("in time")
        .expect("closed");
    assert_eq!(answer[answer.len() - 3..], [0xe0, 1, 0x8e], "session taken over");
    second.read_exact(&mut [0; 4]).await.expect("the second stays");
    collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_window_at_qos_1_is_stored_whole() {
    const MESSAGES: usize = 1000;
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(site(home.path(), |s| s)).await;
    let (client, mut events) = {
        let mut options = MqttOptions::new(
            "probe",
            collector.address.ip().to_string(),
            collector.address.port(),
        );
        options.set_inflight(200);
        AsyncClient::new(options, 1000)
    };
    let sender = tokio::spawn(async move {
        for n in 0..MESSAGES {
            let payload = format!("{{\"t\": {}.5, \"rh\": {}}}", n % 40, n % 100);
            client
                .publish("nature-room/room-wall", QoS::AtLeastOnce, false, payload)
                .await
                .expect("queued");
        }
        client
    });
    acknowledged(&mut events, MESSAGES).await;
    sender.await.expect("no panic");
    let summary = collector.stop().await;
    assert_eq!(summary.counts.stored, 2 * MESSAGES as u64);
    assert_eq!(archive(home.path()).len(), 2 * MESSAGES);
}
