//! SIGKILL at random moments, broker restarts and cut connections, under load: 0 lost, 0 doubled.
//!
//! A short run by default; `MOSSWARDEN_KILLS=1000` for the long one. The seed is printed and can be given by `MOSSWARDEN_SEED`.

mod support;

use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use support::{Between, Chance, Collector, Device, Mosquitto, check, free_port, write_site};

const KILLS_BY_DEFAULT: u64 = 15;

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

#[test]
fn kills_of_the_built_in_way_in() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let port = free_port();
    let site = write_site(home.path(), |s| {
        quick(s).replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"))
    });
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let mut chance = chance();
    let kills = number_from("MOSSWARDEN_KILLS", KILLS_BY_DEFAULT);
    let devices = [
        Device::start(address, "one", 0, Duration::ZERO),
        Device::start(address, "two", 100_000_000, Duration::ZERO),
    ];
    for _ in 0..kills {
        let collector = Collector::start(&site);
        std::thread::sleep(Duration::from_millis(20 + chance.below(400)));
        collector.kill();
    }
    let collector = Collector::start(&site);
    let ledgers = devices.map(Device::finish);
    collector.stop();
    let count = check(home.path(), &ledgers, Between::Nobody);
    println!("built in: {kills} kills, {count} acknowledged readings, 0 lost, 0 doubled");
    assert!(count > 100);
}

#[test]
fn kills_restarts_and_cuts_as_a_client_of_a_broker() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let Some(mut broker) = Mosquitto::start(home.path()) else {
        return;
    };
    let cutter = Cutter::start(broker.port);
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", cutter.port);
    let site = write_site(home.path(), |s| quick(s).replace("url = \"builtin\"", &url));
    let mut chance = chance();
    let kills = number_from("MOSSWARDEN_KILLS", KILLS_BY_DEFAULT);
    // The session must exist before anything is published: a broker keeps nothing for whom it does not know.
    let first = Collector::start(&site);
    std::thread::sleep(Duration::from_secs(2));
    first.stop();
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, broker.port));
    let device = Device::start(address, "one", 0, Duration::from_micros(500));
    let (mut cuts, mut restarts) = (0, 0);
    for round in 0..kills {
        let collector = Collector::start(&site);
        std::thread::sleep(Duration::from_millis(100 + chance.below(400)));
        if round % 2 == 0 {
            cutter.cut();
            cuts += 1;
            std::thread::sleep(Duration::from_millis(chance.below(900)));
        }
        if round % 4 == 3 {
            broker.restart();
            restarts += 1;
        }
        collector.kill();
    }
    let collector = Collector::start(&site);
    let ledger = device.finish();
    // What the broker still holds comes now; the collector is done when nothing new has come for a while.
    let spool = home.path().join("data");
    let (mut last, mut quiet) = (0, 0);
    while quiet < 5 {
        std::thread::sleep(Duration::from_millis(600));
        let now = folder_bytes(&spool);
        quiet = if now == last { quiet + 1 } else { 0 };
        last = now;
    }
    collector.stop();
    let count = check(home.path(), &[ledger], Between::Broker);
    println!(
        "client: {kills} kills, {cuts} cuts, {restarts} broker restarts, {count} readings, 0 lost, 0 doubled"
    );
    assert!(count > 100);
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
