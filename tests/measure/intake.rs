//! How fast queued messages come in from mosquitto at QoS 1: durable here, beside a bare client that throws them away and beside the
//! usual script (paho-mqtt and pyarrow). `cargo bench --bench intake`; another count of rounds follows a `--`.
//!
//! The publisher is out of the way: everything is queued before the clock starts. The clock runs from the broker's welcome until all
//! messages are heard (here: durable) and acknowledged. Rounds take turns in who is first. Ratios are what counts; rates depend on the
//! machine.

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

/// So many that a round takes about a second.
const MESSAGES: u64 = 200_000;
const ROUNDS: usize = 5;
/// For the round beside the script, which is slow.
const SCRIPT_MESSAGES: u64 = 20_000;
const TOPICS: [&str; 2] = ["nature-room/mossy-1/low/humidity", "nature-room/mossy-1/stat"];
const DEADLINE: Duration = Duration::from_secs(300);

fn main() {
    let (Some(python), home) = (Python::find(), Home::new(SITE)) else {
        return;
    };
    let Some(broker) = Mosquitto::start_forgetful(&home) else {
        return;
    };
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", broker.port);
    home.write("site.toml", &SITE.replace("url = \"builtin\"", &url));
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .expect("a runtime");
    let rounds = std::env::args().find_map(|argument| argument.parse().ok());
    let rounds = rounds.unwrap_or(ROUNDS);
    let mut ratios = Vec::new();
    let mut total = 0;
    println!(
        "{MESSAGES} queued messages from mosquitto, QoS 1, messages a second (microseconds of this process a message)"
    );
    println!("| round | bare client | mosswarden, durable | mosswarden / bare |");
    println!("| --- | --- | --- | --- |");
    for round in 1..=rounds {
        // Both sessions exist before the messages, so that each gets all of them.
        runtime.block_on(ours(&home, 0));
        runtime.block_on(bare(broker.port, 0));
        runtime.block_on(publish(broker.port, total, MESSAGES));
        total += MESSAGES;
        let (bare, ours) = match round % 2 {
            0 => {
                let bare = runtime.block_on(bare(broker.port, MESSAGES));
                (bare, runtime.block_on(ours(&home, MESSAGES)))
            }
            _ => {
                let ours = runtime.block_on(ours(&home, MESSAGES));
                (runtime.block_on(bare(broker.port, MESSAGES)), ours)
            }
        };
        let ratio = bare.seconds / ours.seconds;
        let (bare, ours) = (bare.words(MESSAGES), ours.words(MESSAGES));
        println!("| {round} | {bare} | {ours} | {ratio:.2} |");
        ratios.push(ratio);
    }
    runtime.block_on(ours(&home, 0));
    script(&python, &home, broker.port, 0);
    runtime.block_on(publish(broker.port, total, SCRIPT_MESSAGES));
    total += SCRIPT_MESSAGES;
    let ours = runtime.block_on(ours(&home, SCRIPT_MESSAGES));
    let script = script(&python, &home, broker.port, SCRIPT_MESSAGES);
    println!(
        "{SCRIPT_MESSAGES} messages: mosswarden {}, paho and pyarrow {:.0}, ratio {:.1}",
        ours.words(SCRIPT_MESSAGES),
        SCRIPT_MESSAGES as f64 / script,
        script / ours.seconds
    );
    let stored = home.stored(&python).len() as u64;
    assert_eq!(stored, total, "every message is in the archive once");
    ratios.sort_by(f64::total_cmp);
    println!(
        "{stored} readings in the archive, each once; median ratio to the bare client {:.2}",
        ratios[ratios.len() / 2]
    );
}

/// How long something took, and what this process worked meanwhile.
struct Took {
    seconds: f64,
    processor_s: f64,
}

struct Clock(Instant, f64);

impl Clock {
    fn start() -> Clock {
        Clock(Instant::now(), processor_s())
    }

    fn stop(&self) -> Took {
        Took {
            seconds: self.0.elapsed().as_secs_f64(),
            processor_s: processor_s() - self.1,
        }
    }
}

impl Took {
    fn words(&self, messages: u64) -> String {
        let messages = messages as f64;
        format!(
            "{:.0} ({:.2})",
            messages / self.seconds,
            1e6 * self.processor_s / messages
        )
    }
}

/// Processor time of all threads of this process so far, s; 0 where there is no /proc.
fn processor_s() -> f64 {
    let Ok(stat) = fs_err::read_to_string("/proc/self/stat") else {
        return 0.0;
    };
    // Fields 14 and 15 of proc(5), in ticks of 1/100 s; the first two stand before the bracket.
    let fields = stat.rsplit(')').next().unwrap_or_default().split_whitespace();
    fields
        .skip(11)
        .take(2)
        .filter_map(|ticks| ticks.parse::<f64>().ok())
        .sum::<f64>()
        / 100.0
}

/// Half of them with their own time, half with a bare number. All values differ.
async fn publish(port: u16, first: u64, count: u64) {
    let mut options = MqttOptions::new("device", "127.0.0.1", port);
    options.set_outgoing_inflight_upper_limit(1000);
    let (client, mut events) = AsyncClient::new(options, 1000);
    let sender = tokio::spawn(async move {
        for number in first..first + count {
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
    let mut left = count;
    while left > 0 {
        if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.expect("connected") {
            left -= 1;
        }
    }
    drop(sender.await);
}

/// Until so many are durable and acknowledged. With a count of 0 it makes its session known; then nothing may come, because everything
/// was acknowledged before.
async fn ours(home: &Home, count: u64) -> Took {
    let site = Site::load(&home.path("site.toml")).expect("a good site file");
    let counts = Arc::new(Counts::new(&site));
    let (stop, stopped) = oneshot::channel::<()>();
    let options = RunOptions {
        counts: Some(Arc::clone(&counts)),
        ..RunOptions::default()
    };
    let collector = tokio::spawn(run(site, options, async {
        let _dropped = stopped.await;
    }));
    let deadline = Instant::now() + DEADLINE;
    // Before it connects it reads what its spool remembers: that is no intake.
    let mut clock = Clock::start();
    let mut is_connected = false;
    loop {
        let now = counts.snapshot();
        if now.is_connected && !is_connected {
            (is_connected, clock) = (true, Clock::start());
        }
        if is_connected && now.stored >= count && now.acknowledged >= count {
            break;
        }
        assert!(Instant::now() < deadline, "{now:?}");
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    let took = clock.stop();
    if count == 0 {
        // The subscription follows the connection.
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    let now = counts.snapshot();
    assert_eq!((now.received, now.acknowledged), (count, count), "{now:?}");
    drop(stop);
    collector.await.expect("no panic").expect("an orderly end");
    took
}

/// The same of a client that acknowledges and forgets, MQTT 5 with the same window. Its library sends the acknowledgements of what it has
/// read before it hands it over.
async fn bare(port: u16, count: u64) -> Took {
    let mut options = MqttOptions::new("bare", "127.0.0.1", port);
    options
        .set_clean_start(false)
        .set_session_expiry_interval(Some(3600))
        .set_receive_maximum(Some(2000))
        .set_connection_timeout(5);
    let (client, mut events) = AsyncClient::new(options, 100);
    for topic in TOPICS {
        client.subscribe(topic, QoS::AtLeastOnce).await.expect("queued");
    }
    let mut clock = Clock::start();
    let (mut heard, mut answers) = (0, 0);
    while heard < count || answers < TOPICS.len() {
        match tokio::time::timeout(DEADLINE, events.poll())
            .await
            .expect("in time")
            .expect("connected")
        {
            Event::Incoming(Packet::ConnAck(_)) => clock = Clock::start(),
            Event::Incoming(Packet::Publish(_)) => heard += 1,
            Event::Incoming(Packet::SubAck(_)) => answers += 1,
            _ => {}
        }
    }
    let took = clock.stop();
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
