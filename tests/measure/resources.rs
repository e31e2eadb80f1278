//! What `collect` needs: memory with 60 sensors while it publishes, over a day in fast time, and under a flood; a processor's time at 20
//! readings a second. `cargo bench --bench resources`. Linux only: it looks into /proc.
//!
//! The page is off, as on a server that only collects; `page` as an argument turns it on. `flood` runs the flood alone, `days N` N days
//! in fast time alone (two and a half minutes each).

#[path = "../harness.rs"]
#[allow(dead_code, reason = "each program uses its part")]
mod harness;

use std::fmt::Write as _;
use std::io::Write as _;
use std::net::TcpStream;
use std::time::{Duration, Instant};

use harness::{Collector, Home, free_port};
use rumqttc::{AsyncClient, Event, EventLoop, Incoming, MqttOptions, QoS};

const ENCLOSURES: usize = 12;
const SENSORS_EACH: usize = 5;
/// One reading of each sensor a minute, of temperature and humidity, sent every fifteen minutes.
const STEP_MIN: i64 = 15;
const STEPS_A_DAY: i64 = 24 * 60 / STEP_MIN;
const MIB: f64 = 1024.0 * 1024.0;
/// What is promised.
const USUAL_MIB_MAX: f64 = 64.0;
const FLOOD_MIB_MAX: f64 = 128.0;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let has = |word: &str| arguments.iter().any(|argument| argument == word);
    let with_page = has("page");
    println!("60 sensors, page {}", if with_page { "on" } else { "off" });
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime");
    if let Some(place) = arguments.iter().position(|argument| argument == "days") {
        let days = arguments.get(place + 1).and_then(|count| count.parse().ok());
        runtime.block_on(fast(with_page, days.expect("days N")));
        return;
    }
    if !has("flood") {
        runtime.block_on(fast(with_page, 1));
        runtime.block_on(twenty_a_second(with_page));
    }
    runtime.block_on(a_flood(with_page));
}

fn sensor(number: usize) -> String {
    format!("e{}-s{}", number / SENSORS_EACH, number % SENSORS_EACH)
}

fn start(with_page: bool) -> (Home, u16, Collector) {
    let (port, page) = (free_port(), free_port());
    let listen = if with_page {
        format!("127.0.0.1:{page}")
    } else {
        "off".to_owned()
    };
    let mut site = format!(
        "[site]\nname = \"sixty sensors\"\ntimezone = \"Europe/Lisbon\"\n[broker]\nurl = \"builtin\"\nlisten = \"127.0.0.1:{port}\"\n\
         [collect]\npublish_every = \"1s\"\n[page]\nlisten = \"{listen}\"\n"
    );
    for enclosure in 0..ENCLOSURES {
        let _ = write!(
            site,
            "[[enclosure]]\nid = \"e{enclosure}\"\nspecies = \"mossy-frog\"\nday = {{ start = \"08:00\", end = \"20:00\" }}\n"
        );
        for number in 0..SENSORS_EACH {
            let id = sensor(enclosure * SENSORS_EACH + number);
            let feed = |pointer: &str, quantity: &str, unit: &str| {
                format!(
                    "{{ topic = \"room/{id}\", pointer = \"/{pointer}\", time_pointer = \"/at\", quantity = \"{quantity}\", unit = \"{unit}\" }}"
                )
            };
            let (t, rh) = (feed("t", "temperature", "Cel"), feed("rh", "humidity", "%RH"));
            let _ = writeln!(site, "[[enclosure.sensor]]\nid = \"{id}\"\nfeeds = [ {t}, {rh} ]");
        }
    }
    let home = Home::new(&site);
    let collector = home.collect_builtin(port);
    (home, port, collector)
}

/// A figure of /proc/PID/status, MiB.
fn memory_mib(collector: &Collector, name: &str) -> f64 {
    let status = fs_err::read_to_string(format!("/proc/{}/status", collector.pid())).expect("Linux");
    let line = status
        .lines()
        .find(|line| line.starts_with(name))
        .expect("Linux says it");
    let kib: f64 = line
        .split_whitespace()
        .nth(1)
        .and_then(|kib| kib.parse().ok())
        .expect("a number");
    kib * 1024.0 / MIB
}

/// Processor time used so far, s.
fn processor_s(collector: &Collector) -> f64 {
    let stat = fs_err::read_to_string(format!("/proc/{}/stat", collector.pid())).expect("Linux");
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .expect("a name")
        .split_whitespace()
        .collect();
    // Fields 14 and 15 of proc(5), in ticks of 1/100 s; the first two stand before the bracket.
    let ticks = |index: usize| fields[index - 3].parse::<f64>().expect("ticks");
    (ticks(14) + ticks(15)) / 100.0
}

fn device(id: &str, port: u16) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_inflight(500).set_keep_alive(Duration::from_secs(60));
    AsyncClient::new(options, 2000)
}

async fn acknowledged(events: &mut EventLoop, count: usize) {
    let mut left = count;
    while left > 0 {
        if let Event::Incoming(Incoming::PubAck(_)) = events.poll().await.expect("connected") {
            left -= 1;
        }
    }
}

fn payload(number: usize, at_s: i64) -> String {
    let minute = at_s / 60;
    let wave = (minute % 1440) as f64 / 1440.0 * std::f64::consts::TAU;
    let (t, rh) = (
        22.0 + 2.0 * wave.sin() + number as f64 / 50.0,
        80.0 - 6.0 * wave.sin(),
    );
    format!("{{\"t\": {t:.2}, \"rh\": {rh:.1}, \"at\": {at_s}}}")
}

/// Days in fast time.
async fn fast(with_page: bool, days: i64) {
    let (home, port, collector) = start(with_page);
    let (client, mut events) = device("room", port);
    let begin_s = chrono::Utc::now().timestamp() - (24 * days + 1) * 3600;
    let steps = days * STEPS_A_DAY;
    let sensors = ENCLOSURES * SENSORS_EACH;
    let mut resident = Vec::new();
    for step in 0..steps {
        let began = Instant::now();
        for minute in 0..STEP_MIN {
            let at_s = begin_s + (step * STEP_MIN + minute) * 60;
            for number in 0..sensors {
                client
                    .publish(
                        format!("room/{}", sensor(number)),
                        QoS::AtLeastOnce,
                        false,
                        payload(number, at_s),
                    )
                    .await
                    .expect("queued");
            }
            acknowledged(&mut events, sensors).await;
        }
        // Each quarter of an hour is published on its own, as in ordinary time.
        tokio::time::sleep(Duration::from_millis(1600).saturating_sub(began.elapsed())).await;
        resident.push(memory_mib(&collector, "VmRSS"));
    }
    let peak = memory_mib(&collector, "VmHWM");
    let median = |part: &[f64]| {
        let mut sorted = part.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted[sorted.len() / 2]
    };
    let quarter = resident.len() / 4;
    let by_quarter: Vec<String> = resident
        .chunks(quarter)
        .map(|part| format!("{:.1}", median(part)))
        .collect();
    collector.stop("TERM");
    let stored = home.exported().len();
    println!(
        "days in fast time: {days}; {stored} readings, {steps} publications; resident by quarter of that time {} MiB, peak {peak:.1} MiB",
        by_quarter.join(", ")
    );
    assert_eq!(stored as i64, 2 * sensors as i64 * 24 * 60 * days);
    assert!(with_page || peak < USUAL_MIB_MAX, "{peak} MiB");
}

async fn twenty_a_second(with_page: bool) {
    const SECONDS: u64 = 60;
    let (_home, port, collector) = start(with_page);
    let (client, mut events) = device("room", port);
    let mut tick = tokio::time::interval(Duration::from_millis(100));
    let (before, began) = (processor_s(&collector), Instant::now());
    for number in 0..SECONDS as usize * 10 {
        tick.tick().await;
        let sensor = number % (ENCLOSURES * SENSORS_EACH);
        let payload = payload(sensor, chrono::Utc::now().timestamp());
        client
            .publish(
                format!("room/{}", self::sensor(sensor)),
                QoS::AtLeastOnce,
                false,
                payload,
            )
            .await
            .expect("queued");
        acknowledged(&mut events, 1).await;
    }
    let share = (processor_s(&collector) - before) / began.elapsed().as_secs_f64();
    println!(
        "20 readings a second, published every second: {:.2} % of a core, {:.1} MiB resident",
        100.0 * share,
        memory_mib(&collector, "VmRSS")
    );
    collector.stop("TERM");
}

/// Everything at once: large nonsense, small readings, topics of nobody, subscribers that read nothing, and half a CONNECT on many
/// connections.
async fn a_flood(with_page: bool) {
    const SECONDS: u64 = 20;
    let (_home, port, collector) = start(with_page);
    let until = Instant::now() + Duration::from_secs(SECONDS);
    let mut threads = Vec::new();
    for number in 0..8u8 {
        threads.push(std::thread::spawn(move || flood(port, number, until)));
    }
    let mut strangers = Vec::new();
    for _ in 0..150 {
        if let Ok(mut stranger) = TcpStream::connect(("127.0.0.1", port)) {
            let _closed = stranger.write_all(b"\x10\xf0\xff\x0f\x00\x04MQTT");
            let _closed = stranger.write_all(&[0; 60_000]);
            strangers.push(stranger);
        }
    }
    for deaf in 0..10u8 {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
        stream
            .write_all(&[
                0x10,
                14,
                0,
                4,
                b'M',
                b'Q',
                b'T',
                b'T',
                4,
                2,
                0,
                60,
                0,
                2,
                b'd',
                b'0' + deaf,
            ])
            .expect("sent");
        stream.write_all(b"\x82\x06\x00\x01\x00\x01#\x00").expect("sent");
        strangers.push(stream);
    }
    let mut sent = 0u64;
    for thread in threads {
        sent += thread.join().expect("no panic");
    }
    let peak = memory_mib(&collector, "VmHWM");
    // It is still there for a device that behaves.
    let (client, mut events) = device("calm", port);
    client
        .publish(
            "room/e0-s0",
            QoS::AtLeastOnce,
            false,
            payload(0, chrono::Utc::now().timestamp()),
        )
        .await
        .expect("queued");
    acknowledged(&mut events, 1).await;
    println!("flood: {sent} messages in {SECONDS} s on 8 connections, 160 others; peak {peak:.1} MiB");
    assert!(with_page || peak < FLOOD_MIB_MAX, "{peak} MiB");
    collector.stop("TERM");
}

/// One device that sends as fast as it can at QoS 0; gives the count of messages.
fn flood(port: u16, number: u8, until: Instant) -> u64 {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
    stream
        .write_all(&[
            0x10,
            14,
            0,
            4,
            b'M',
            b'Q',
            b'T',
            b'T',
            4,
            2,
            0,
            60,
            0,
            2,
            b'f',
            b'0' + number,
        ])
        .expect("sent");
    let topic: &[u8] = if number % 4 == 3 {
        b"somewhere/else"
    } else {
        b"room/e0-s0"
    };
    let payload = match number % 3 {
        0 => vec![0xff; 60_000],
        1 => b"{\"t\": 21.5, \"rh\": 80}".to_vec(),
        _ => vec![b'\x01'; 200_000],
    };
    let mut packet = vec![0x30];
    let mut length = 2 + topic.len() + payload.len();
    while length >= 0x80 {
        packet.push((length & 0x7f) as u8 | 0x80);
        length >>= 7;
    }
    packet.push(length as u8);
    packet.extend_from_slice(&(topic.len() as u16).to_be_bytes());
    packet.extend_from_slice(topic);
    packet.extend_from_slice(&payload);
    let mut sent = 0;
    while Instant::now() < until && stream.write_all(&packet).is_ok() {
        sent += 1;
    }
    sent
}
