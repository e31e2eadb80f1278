//! What the tests from outside share: a collector as a child process, a device that does MQTT by the book, a broker, the archive.
#![allow(dead_code, reason = "each test program uses its part")]

pub(crate) mod rounds;
pub(crate) mod witness;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use mosswarden_collector::{Counts, Snapshot};
use mosswarden_config::site::Site;
use polars::prelude::*;

pub(crate) const SITE: &str = include_str!("../../../tests/reference/site.toml");
/// Names the site file to a copy of the test program that is to be a collector.
pub(crate) const CHILD: &str = "MOSSWARDEN_TEST_CHILD";
const DEADLINE: Duration = Duration::from_secs(60);

/// A port that was free a moment ago.
pub(crate) fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0")
        .expect("a free port")
        .local_addr()
        .expect("an address")
        .port()
}

/// Waits until the counters say something, and gives them.
pub(crate) async fn until(counts: &Counts, what: &str, is_so: impl Fn(&Snapshot) -> bool) -> Snapshot {
    let until = Instant::now() + DEADLINE;
    loop {
        let counts = counts.snapshot();
        if is_so(&counts) {
            return counts;
        }
        assert!(Instant::now() < until, "{what}: {counts:?}");
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

/// Whole numbers that look random and are not: one seed, one run.
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    pub(crate) fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }
}

/// Writes a site file and gives its path.
pub(crate) fn write_site(home: &Path, change: impl Fn(String) -> String) -> PathBuf {
    let file = home.join("site.toml");
    fs_err::write(&file, change(SITE.to_owned())).expect("room");
    file
}

/// To be called by a test named `child` in a program that kills its collectors: does nothing unless it is one.
pub(crate) fn be_a_collector_if_asked() {
    let Some(file) = std::env::var_os(CHILD) else {
        return;
    };
    let site = Site::load(Path::new(&file)).expect("a good site file");
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    // The parent closes our input when we are to stop in order.
    let (stop, stopped) = tokio::sync::oneshot::channel();
    std::thread::spawn(move || {
        let _closed = std::io::stdin().read_to_end(&mut Vec::new());
        let _gone = stop.send(());
    });
    let run = mosswarden_collector::run(site, mosswarden_collector::RunOptions::default(), async {
        let _dropped = stopped.await;
    });
    let summary = runtime.block_on(run).expect("an orderly end");
    assert!(summary.is_published);
}

/// A collector in a process of its own.
pub(crate) struct Collector {
    child: Child,
}

impl Collector {
    pub(crate) fn start(site_file: &Path) -> Collector {
        let child = Command::new(std::env::current_exe().expect("this program"))
            .args(["--exact", "child", "--nocapture"])
            .env(CHILD, site_file)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("this program runs");
        Collector { child }
    }

    /// SIGKILL.
    pub(crate) fn kill(mut self) {
        self.child.kill().expect("it is ours");
        self.child.wait().expect("it is ours");
    }

    /// An orderly end.
    pub(crate) fn stop(mut self) {
        drop(self.child.stdin.take());
        let status = self.child.wait().expect("it is ours");
        assert!(status.success(), "the collector's own checks failed: {status}");
    }
}

/// A mosquitto on a free port, with its memory on disk.
pub(crate) struct Mosquitto {
    child: Child,
    config: PathBuf,
    pub(crate) port: u16,
}

impl Mosquitto {
    /// `None` where it is not installed; a variable turns that into a failure.
    pub(crate) fn start(home: &Path) -> Option<Mosquitto> {
        let port = free_port();
        let config = home.join("mosquitto.conf");
        // As root it would become a user who can't write its memory here, and forget everything at a restart.
        let text = format!(
            "user root\nlistener {port} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {}/\nmax_queued_messages 200000\n",
            home.display()
        );
        fs_err::write(&config, text).expect("room");
        match Mosquitto::spawn(&config) {
            Ok(child) => {
                let broker = Mosquitto { child, config, port };
                broker.wait();
                Some(broker)
            }
            Err(error) => {
                assert!(
                    std::env::var_os("MOSSWARDEN_REQUIRE_ALL").is_none(),
                    "mosquitto is required: {error}"
                );
                eprintln!("skipped: mosquitto is not installed");
                None
            }
        }
    }

    fn spawn(config: &Path) -> std::io::Result<Child> {
        let program = if Path::new("/usr/sbin/mosquitto").exists() {
            "/usr/sbin/mosquitto"
        } else {
            "mosquitto"
        };
        Command::new(program)
            .arg("-c")
            .arg(config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
    }

    fn wait(&self) {
        let until = Instant::now() + DEADLINE;
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(Instant::now() < until, "mosquitto does not listen");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// SIGTERM, on which it writes its memory, and a new start.
    pub(crate) fn restart(&mut self) {
        let pid = self.child.id().to_string();
        assert!(
            Command::new("kill")
                .args(["-TERM", &pid])
                .status()
                .expect("kill")
                .success()
        );
        self.child.wait().expect("it is ours");
        let memory = self.config.with_file_name("mosquitto.db");
        assert!(
            memory.exists(),
            "mosquitto could not write its memory, so the test would prove nothing"
        );
        self.child = Mosquitto::spawn(&self.config).expect("it started before");
        self.wait();
    }
}

impl Mosquitto {
    /// SIGKILL and a new start with nothing remembered.
    pub(crate) fn restart_without_memory(&mut self) {
        self.child.kill().expect("it is ours");
        self.child.wait().expect("it is ours");
        // Absent where it has not written yet.
        let _absent = fs_err::remove_file(self.config.with_file_name("mosquitto.db"));
        self.child = Mosquitto::spawn(&self.config).expect("it started before");
        self.wait();
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _gone = self.child.kill();
        let _gone = self.child.wait();
    }
}

/// What a device knows of its messages.
#[derive(Default)]
pub(crate) struct Ledger {
    pub(crate) sent: BTreeSet<u32>,
    pub(crate) acknowledged: BTreeSet<u32>,
    /// Sent again, marked as a repeat.
    pub(crate) repeated: BTreeSet<u32>,
}

/// A device that publishes numbered readings at QoS 1 by the book: on a new connection it sends again, marked, what was not
/// acknowledged. Every other reading bears its own time.
pub(crate) struct Device {
    pub(crate) ledger: Arc<Mutex<Ledger>>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

const WINDOW: usize = 20;

pub(crate) struct Pending {
    number: u32,
    id: u16,
}

impl Device {
    /// `pace`: the pause after each message, so that a broker's queue does not overflow while nobody listens.
    pub(crate) fn start(address: SocketAddr, id: &'static str, first: u32, pace: Duration) -> Device {
        let (ledger, stop) = (
            Arc::new(Mutex::new(Ledger::default())),
            Arc::new(AtomicBool::new(false)),
        );
        let (ledger_in, stop_in) = (Arc::clone(&ledger), Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            let mut pending: Vec<Pending> = Vec::new();
            let mut next = first;
            // After the stop it goes on until everything is acknowledged.
            let until_idle = |pending: &Vec<Pending>| !stop_in.load(Ordering::Relaxed) || !pending.is_empty();
            let started = Instant::now();
            while until_idle(&pending) {
                assert!(
                    started.elapsed() < Duration::from_secs(3600),
                    "a device is never served"
                );
                if talk(address, id, &mut pending, &mut next, &ledger_in, &stop_in, pace).is_err() {
                    std::thread::sleep(Duration::from_millis(5));
                }
            }
        });
        Device { ledger, stop, thread }
    }

    /// Waits until every message is acknowledged.
    pub(crate) fn finish(self) -> Ledger {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().expect("no panic");
        std::mem::take(&mut *self.ledger.lock().expect("no panic"))
    }
}

/// Whether a numbered reading bears its own time.
fn has_its_time(number: u32) -> bool {
    number % 2 == 1
}

/// Topic and payload of a numbered reading; its value is the number.
fn reading(number: u32) -> (&'static str, String) {
    if !has_its_time(number) {
        ("nature-room/mossy-1/low/humidity", number.to_string())
    } else {
        // From November 2023 on, so that days are over and are compacted.
        let at_s = 1_700_000_000 + number;
        (
            "nature-room/mossy-1/stat",
            format!("{{\"humidity\": {number}, \"at\": {at_s}}}"),
        )
    }
}

fn publish_packet(pending: &Pending, is_repeat: bool) -> Vec<u8> {
    let (topic, payload) = reading(pending.number);
    let mut packet = vec![
        if is_repeat { 0x3a } else { 0x32 },
        (4 + topic.len() + payload.len()) as u8,
    ];
    packet.extend_from_slice(&(topic.len() as u16).to_be_bytes());
    packet.extend_from_slice(topic.as_bytes());
    packet.extend_from_slice(&pending.id.to_be_bytes());
    packet.extend_from_slice(payload.as_bytes());
    packet
}

/// One connection: until it breaks, or everything is acknowledged after the stop.
fn talk(
    address: SocketAddr,
    id: &str,
    pending: &mut Vec<Pending>,
    next: &mut u32,
    ledger: &Mutex<Ledger>,
    stop: &AtomicBool,
    pace: Duration,
) -> std::io::Result<()> {
    let mut stream = TcpStream::connect(address)?;
    stream.set_nodelay(true)?;
    stream.set_read_timeout(Some(Duration::from_secs(20)))?;
    let mut connect = vec![
        0x10,
        (12 + id.len()) as u8,
        0,
        4,
        b'M',
        b'Q',
        b'T',
        b'T',
        4,
        0,
        0,
        60,
        0,
        id.len() as u8,
    ];
    connect.extend_from_slice(id.as_bytes());
    stream.write_all(&connect)?;
    let mut answer = [0; 4];
    stream.read_exact(&mut answer)?;
    assert_eq!((answer[0], answer[3]), (0x20, 0), "CONNACK");
    for old in pending.iter() {
        ledger.lock().expect("no panic").repeated.insert(old.number);
        stream.write_all(&publish_packet(old, true))?;
    }
    loop {
        let may_send = !stop.load(Ordering::Relaxed);
        while may_send && pending.len() < WINDOW {
            let number = *next;
            *next += 1;
            ledger.lock().expect("no panic").sent.insert(number);
            // An id is free again only when its message was acknowledged.
            let id = (1..=u16::MAX)
                .cycle()
                .skip(number as usize % 60_000)
                .find(|id| pending.iter().all(|p| p.id != *id));
            pending.push(Pending {
                number,
                id: id.expect("fewer pending than ids"),
            });
            stream.write_all(&publish_packet(pending.last().expect("just pushed"), false))?;
            if !pace.is_zero() {
                std::thread::sleep(pace);
            }
        }
        if pending.is_empty() {
            stream.write_all(&[0xe0, 0])?;
            return Ok(());
        }
        stream.read_exact(&mut answer)?;
        assert_eq!(answer[..2], [0x40, 2], "PUBACK");
        let id = u16::from_be_bytes([answer[2], answer[3]]);
        let place = pending.iter().position(|p| p.id == id).expect("one of ours");
        let done = pending.remove(place);
        ledger.lock().expect("no panic").acknowledged.insert(done.number);
    }
}

/// How often each value stands in the archive's files, whoever reads them.
pub(crate) fn values(home: &Path) -> BTreeMap<u32, usize> {
    let mut found = BTreeMap::new();
    for day in fs_err::read_dir(home.join("data/readings")).expect("the archive") {
        for file in fs_err::read_dir(day.expect("an entry").path()).expect("a folder") {
            let path = file.expect("an entry").path();
            if path.extension().is_none_or(|extension| extension != "parquet") {
                continue;
            }
            let frame = ParquetReader::new(std::fs::File::open(&path).expect("a file"))
                .finish()
                .expect("Parquet");
            for value in frame
                .column("value")
                .expect("value")
                .f64()
                .expect("numbers")
                .iter()
                .flatten()
            {
                *found.entry(value as u32).or_default() += 1;
            }
        }
    }
    found
}

/// How often each reading may stand in the archive.
pub(crate) enum Copies<'a> {
    /// Devices and the collector alone: once, whatever the device repeats.
    Once,
    /// Behind a broker, as its witness heard: a reading with its own time once; another one as often as the broker handed it on as a
    /// new message. A device's repeat is one, because MQTT gives the broker no way to know it again.
    Witnessed(&'a BTreeMap<u32, usize>),
}

/// What was found in the archive.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Found {
    pub(crate) acknowledged: usize,
    /// Readings that the broker handed on more than once as new messages.
    pub(crate) repeated_by_devices: usize,
}

/// The promise: every acknowledged reading is there, and none is there more often than it came.
#[track_caller]
pub(crate) fn check(home: &Path, ledgers: &[Ledger], copies: &Copies<'_>) -> Found {
    let found = values(home);
    let all = |of: fn(&Ledger) -> &BTreeSet<u32>| -> BTreeSet<u32> {
        ledgers.iter().flat_map(|l| of(l).iter().copied()).collect()
    };
    let (acknowledged, sent, repeated) = (all(|l| &l.acknowledged), all(|l| &l.sent), all(|l| &l.repeated));
    let expected = |number: u32| match copies {
        Copies::Witnessed(heard) if !has_its_time(number) => heard.get(&number).copied().unwrap_or(0),
        _ => 1,
    };
    let there = |number: u32| found.get(&number).copied().unwrap_or(0);
    // Under a broker every copy that it handed on is expected, so one copy of two that is missing is a loss too.
    let lost: Vec<u32> = acknowledged
        .iter()
        .copied()
        .filter(|number| there(*number) < expected(*number).max(1))
        .collect();
    let doubled: Vec<(u32, usize)> = found
        .iter()
        .map(|(number, count)| (*number, *count))
        .filter(|(number, count)| *count > expected(*number).max(1))
        .collect();
    assert!(
        lost.is_empty(),
        "{} lost of {}: {:?}",
        lost.len(),
        acknowledged.len(),
        &lost[..lost.len().min(20)]
    );
    assert!(
        doubled.is_empty(),
        "{} doubled of {}: {:?}",
        doubled.len(),
        found.len(),
        &doubled[..doubled.len().min(20)]
    );
    assert!(
        found.keys().all(|number| sent.contains(number)),
        "something was never sent"
    );
    let twice = found.iter().filter(|(_, count)| **count > 1);
    let repeated_by_devices = twice.clone().count();
    assert!(
        twice.clone().all(|(number, _)| repeated.contains(number)),
        "a reading came twice that its device sent once"
    );
    Found {
        acknowledged: acknowledged.len(),
        repeated_by_devices,
    }
}
