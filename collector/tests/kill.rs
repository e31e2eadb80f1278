//! SIGKILL at random and at chosen moments, broker restarts and cut connections, under load: 0 lost, 0 doubled.
//!
//! A short run by default; `MOSSWARDEN_KILLS=1000` for the long one, `MOSSWARDEN_RESULTS=FILE` so that it can be interrupted and goes on.
//! The seed is printed and can be given by `MOSSWARDEN_SEED`.

mod support;

use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use support::rounds::Rounds;
use support::witness::Witness;
use support::{Chance, Collector, Copies, Device, Mosquitto, check, free_port, write_site};

const KILLS_BY_DEFAULT: u64 = 15;
/// A moment that does not come within this time is not waited for any longer.
const MOMENT_WITHIN: Duration = Duration::from_millis(1500);

#[test]
fn child() {
    support::be_a_collector_if_asked();
}

fn number_from(name: &str, default: u64) -> u64 {
    std::env::var(name)
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(default)
}

fn chance() -> Chance {
    let now = std::time::UNIX_EPOCH.elapsed().expect("after 1970").as_nanos() as u64;
    let seed = number_from("MOSSWARDEN_SEED", now) | 1;
    println!("seed {seed}");
    Chance(seed)
}

fn quick(site: String) -> String {
    site.replace("publish_every = \"15m\"", "publish_every = \"1s\"")
        .replace("commit_every = \"2s\"", "commit_every = \"1s\"")
}

/// When a collector is killed.
#[derive(Debug, Clone, Copy)]
enum Moment {
    /// After a random time.
    Any,
    /// While it replays its spool.
    Start,
    /// When its spool has just grown.
    Commit,
    /// When a file of the archive is half written.
    Publish,
    /// When a day is being merged into one file.
    Compact,
}

const MOMENTS: [Moment; 5] = [
    Moment::Any,
    Moment::Start,
    Moment::Commit,
    Moment::Publish,
    Moment::Compact,
];

impl Moment {
    fn wait(self, data: &Path, chance: &mut Chance) {
        let spool = data.join("spool");
        let before = folder_bytes(&spool);
        match self {
            Moment::Any => std::thread::sleep(Duration::from_millis(20 + chance.below(400))),
            Moment::Start => std::thread::sleep(Duration::from_millis(1 + chance.below(40))),
            Moment::Commit => wait_until(|| folder_bytes(&spool) > before),
            Moment::Publish => wait_until(|| half_written(data, ".part-") > 0),
            Moment::Compact => wait_until(|| half_written(data, ".day.") > 0),
        }
    }
}

fn wait_until(has_come: impl Fn() -> bool) {
    let until = Instant::now() + MOMENT_WITHIN;
    while !has_come() && Instant::now() < until {
        std::thread::sleep(Duration::from_micros(100));
    }
}

/// Files of the archive under a temporary name that begins so.
fn half_written(data: &Path, prefix: &str) -> u64 {
    let Ok(days) = fs_err::read_dir(data.join("readings")) else {
        return 0;
    };
    let files = days
        .flatten()
        .filter_map(|day| fs_err::read_dir(day.path()).ok())
        .flatten()
        .flatten();
    files
        .filter(|file| file.file_name().to_string_lossy().starts_with(prefix))
        .count() as u64
}

/// What kills left behind: proof that they came in the middle of something.
#[derive(Default)]
struct Leftovers {
    in_publishing: u64,
    in_compaction: u64,
    with_a_spool: u64,
}

impl Leftovers {
    fn look(&mut self, data: &Path) {
        self.in_publishing += u64::from(half_written(data, ".part-") > 0);
        self.in_compaction += u64::from(half_written(data, ".day.") > 0);
        let waiting = fs_err::read_dir(data.join("spool"))
            .into_iter()
            .flatten()
            .flatten();
        let is_waiting = |name: &str| name.ends_with(".spool");
        self.with_a_spool += u64::from(
            waiting
                .into_iter()
                .any(|file| is_waiting(&file.file_name().to_string_lossy())),
        );
    }
}

#[test]
fn kills_of_the_built_in_way_in() {
    let mut chance = chance();
    let mut rounds = Rounds::new("built in", number_from("MOSSWARDEN_KILLS", KILLS_BY_DEFAULT));
    while let Some(kills) = rounds.next_round() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let data = home.path().join("data");
        let port = free_port();
        let site = write_site(home.path(), |s| {
            quick(s).replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"))
        });
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
        let devices = [
            Device::start(address, "one", 0, Duration::ZERO),
            Device::start(address, "two", 10_000_000, Duration::ZERO),
        ];
        let mut left = Leftovers::default();
        for number in 0..kills {
            let collector = Collector::start(&site);
            MOMENTS[number as usize % MOMENTS.len()].wait(&data, &mut chance);
            collector.kill();
            left.look(&data);
        }
        let collector = Collector::start(&site);
        let ledgers = devices.map(Device::finish);
        collector.stop();
        let found = check(home.path(), &ledgers, &Copies::Once);
        assert!(found.acknowledged > 100 && found.repeated_by_devices == 0);
        rounds.held(&[
            ("kills", kills),
            ("with a spool to replay", left.with_a_spool),
            ("while publishing", left.in_publishing),
            ("while compacting", left.in_compaction),
            ("readings", found.acknowledged as u64),
        ]);
    }
    rounds.summary();
}

#[test]
fn kills_restarts_and_cuts_as_a_client_of_a_broker() {
    let mut chance = chance();
    let mut rounds = Rounds::new("client", number_from("MOSSWARDEN_KILLS", KILLS_BY_DEFAULT));
    while let Some(kills) = rounds.next_round() {
        let home = tempfile::tempdir().expect("a temporary folder");
        let Some(broker) = Mosquitto::start(home.path()) else {
            return;
        };
        round_as_a_client(home.path(), broker, kills, &mut chance, &mut rounds);
    }
    rounds.summary();
}

fn round_as_a_client(
    home: &Path,
    mut broker: Mosquitto,
    kills: u64,
    chance: &mut Chance,
    rounds: &mut Rounds,
) {
    let data = home.join("data");
    let cutter = Cutter::start(broker.port);
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", cutter.port);
    let site = write_site(home, |s| quick(s).replace("url = \"builtin\"", &url));
    // The session must exist before anything is published: a broker keeps nothing for whom it does not know.
    let first = Collector::start(&site);
    std::thread::sleep(Duration::from_secs(2));
    first.stop();
    let witness = Witness::start(broker.port);
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, broker.port));
    let device = Device::start(address, "one", 0, Duration::from_micros(500));
    let (mut cuts, mut restarts) = (0, 0);
    let mut left = Leftovers::default();
    for number in 0..kills {
        let collector = Collector::start(&site);
        MOMENTS[number as usize % MOMENTS.len()].wait(&data, chance);
        if number % 2 == 0 {
            cutter.cut();
            cuts += 1;
            std::thread::sleep(Duration::from_millis(chance.below(900)));
        }
        if number % 4 == 3 {
            broker.restart();
            restarts += 1;
        }
        collector.kill();
        left.look(&data);
    }
    let collector = Collector::start(&site);
    let ledger = device.finish();
    // What the broker still holds comes now; all is there when neither has heard anything new for a while.
    let (mut last, mut quiet) = ((0, 0), 0);
    while quiet < 5 {
        std::thread::sleep(Duration::from_millis(600));
        let now = (folder_bytes(&data), witness.count());
        quiet = if now == last { quiet + 1 } else { 0 };
        last = now;
    }
    collector.stop();
    let heard = witness.finish();
    let found = check(home, &[ledger], &Copies::Witnessed(&heard));
    assert!(found.acknowledged > 100);
    rounds.held(&[
        ("kills", kills),
        ("cuts", cuts),
        ("broker restarts", restarts),
        ("with a spool to replay", left.with_a_spool),
        ("while publishing", left.in_publishing),
        ("while compacting", left.in_compaction),
        ("readings", found.acknowledged as u64),
        (
            "sent twice by the device itself",
            found.repeated_by_devices as u64,
        ),
    ]);
}

fn folder_bytes(dir: &std::path::Path) -> u64 {
    let Ok(entries) = fs_err::read_dir(dir) else {
        return 0;
    };
    entries
        .flatten()
        .map(|entry| match entry.metadata() {
            Ok(metadata) if metadata.is_dir() => folder_bytes(&entry.path()),
            Ok(metadata) => metadata.len(),
            Err(_) => 0,
        })
        .sum()
}

/// A wire between collector and broker that can be cut.
struct Cutter {
    port: u16,
    is_cut: Arc<AtomicBool>,
}

impl Cutter {
    fn start(to: u16) -> Cutter {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("an address").port();
        let is_cut = Arc::new(AtomicBool::new(false));
        let cut_in = Arc::clone(&is_cut);
        std::thread::spawn(move || {
            for near in listener.incoming().flatten() {
                let Ok(far) = TcpStream::connect(("127.0.0.1", to)) else {
                    continue;
                };
                cut_in.store(false, Ordering::Relaxed);
                for (mut from, mut to) in [
                    (
                        near.try_clone().expect("a socket"),
                        far.try_clone().expect("a socket"),
                    ),
                    (
                        far.try_clone().expect("a socket"),
                        near.try_clone().expect("a socket"),
                    ),
                ] {
                    let cut = Arc::clone(&cut_in);
                    std::thread::spawn(move || carry(&mut from, &mut to, &cut));
                }
            }
        });
        Cutter { port, is_cut }
    }

    fn cut(&self) {
        self.is_cut.store(true, Ordering::Relaxed);
    }
}

/// Carries bytes until the wire is cut, then closes both ends in the middle of whatever was said.
fn carry(from: &mut TcpStream, to: &mut TcpStream, is_cut: &AtomicBool) {
    use std::io::{Read, Write};
    let mut buffer = [0; 700];
    from.set_read_timeout(Some(Duration::from_millis(20)))
        .expect("a socket");
    loop {
        match from.read(&mut buffer) {
            Ok(0) => break,
            Ok(read) if !is_cut.load(Ordering::Relaxed) => {
                if to.write_all(&buffer[..read]).is_err() {
                    break;
                }
            }
            Err(error)
                if matches!(
                    error.kind(),
                    std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                ) => {}
            _ => break,
        }
        if is_cut.load(Ordering::Relaxed) {
            break;
        }
    }
    let _gone = from.shutdown(std::net::Shutdown::Both);
    let _gone = to.shutdown(std::net::Shutdown::Both);
}
