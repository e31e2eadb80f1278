//! As a client, while the broker or the network goes wrong: it is said with a next step, and nothing that was handed over is lost.

mod support;

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use mosswarden_collector::{CollectError, Counts, Part, RunOptions, Snapshot, Summary, run};
use mosswarden_config::site::Site;
use support::{Copies, Device, Mosquitto, SITE, check, free_port, until, values};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};

const DEADLINE: Duration = Duration::from_secs(60);
const KEEP_ALIVE: Duration = Duration::from_secs(5);

struct Collector {
    stop: oneshot::Sender<()>,
    task: JoinHandle<Result<Summary, CollectError>>,
    counts: Arc<Counts>,
}

impl Collector {
    fn start(home: &Path, broker: &str) -> Collector {
        let source = SITE
            .replace("url = \"builtin\"", broker)
            .replace("publish_every = \"15m\"", "publish_every = \"1s\"");
        let site = Site::from_source(&home.join("site.toml"), &source).expect("a good site file");
        let (stop, stopped) = oneshot::channel::<()>();
        let counts = Arc::new(Counts::new(&site));
        let options = RunOptions {
            counts: Some(Arc::clone(&counts)),
            keep_alive: Some(KEEP_ALIVE),
            ..RunOptions::default()
        };
        let task = tokio::spawn(run(site, options, async {
            let _dropped = stopped.await;
        }));
        Collector { stop, task, counts }
    }

    async fn until(&self, what: &str, is_so: impl Fn(&Snapshot) -> bool) -> Snapshot {
        until(&self.counts, what, is_so).await
    }

    /// What is said of the broker, as soon as it has these words.
    async fn says(&self, words: &str) -> String {
        let of_broker = |counts: &Snapshot| {
            let mut all = counts.trouble.iter();
            all.find(|(part, _)| *part == Part::Broker)
                .map(|(_, text)| text.clone())
        };
        let counts = self
            .until(words, |counts| {
                of_broker(counts).is_some_and(|text| text.contains(words))
            })
            .await;
        of_broker(&counts).expect("just seen")
    }

    async fn stop(self) -> Summary {
        drop(self.stop);
        timeout(DEADLINE, self.task)
            .await
            .expect("in time")
            .expect("no panic")
            .expect("an orderly end")
    }
}

fn mqtt(port: u16) -> String {
    format!("url = \"mqtt://127.0.0.1:{port}\"")
}

#[tokio::test]
async fn a_wrong_password_is_told_with_the_place_to_correct_it() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    for (folder, password) in [(home.path(), "mould\n"), (broker_home.path(), "moss\n")] {
        fs_err::write(folder.join("secret"), password).expect("room");
    }
    let login = "username = \"frog\"\npassword_file = \"secret\"";
    let port = free_port();
    let broker_site = SITE
        .replace("# username = \"collector\"", login)
        .replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"));
    let broker_site =
        Site::from_source(&broker_home.path().join("site.toml"), &broker_site).expect("a good file");
    let (on_ready, ready) = oneshot::channel();
    let options = RunOptions {
        on_ready: Some(on_ready),
        ..RunOptions::default()
    };
    let broker = tokio::spawn(run(broker_site, options, std::future::pending()));
    timeout(DEADLINE, ready)
        .await
        .expect("in time")
        .expect("it listens");
    let collector = Collector::start(home.path(), &format!("{}\n{login}", mqtt(port)));
    let text = collector.says("refused").await;
    assert!(
        text.contains("check `username` and `password_file` under [broker]"),
        "{text}"
    );
    collector.stop().await;
    broker.abort();
}

/// A broker that takes the connection and says nothing.
#[tokio::test]
async fn a_broker_that_never_answers_is_given_up_and_tried_again() {
    let home = tempfile::tempdir().expect("a folder");
    let silent = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let port = silent.local_addr().expect("an address").port();
    let (accepted, is_tried_again) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
    let again = Arc::clone(&is_tried_again);
    std::thread::spawn(move || {
        let mut held = Vec::new();
        for stream in silent.incoming().flatten() {
            again.store(accepted.swap(true, Ordering::Relaxed), Ordering::Relaxed);
            held.push(stream);
        }
    });
    let collector = Collector::start(home.path(), &mqtt(port));
    let text = collector.says("no answer").await;
    assert!(
        text.contains(&format!("no connection to 127.0.0.1:{port}")),
        "{text}"
    );
    collector
        .until("it tries again", |_| is_tried_again.load(Ordering::Relaxed))
        .await;
    collector.stop().await;
}

/// A wire that can be slow, and that can go dead without a word, as when a cable is pulled.
struct Wire {
    port: u16,
    is_dead: Arc<AtomicBool>,
    is_slow: Arc<AtomicBool>,
}

impl Wire {
    fn to(broker: u16) -> Wire {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("an address").port();
        let (is_dead, is_slow) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let (dead, slow) = (Arc::clone(&is_dead), Arc::clone(&is_slow));
        std::thread::spawn(move || {
            for near in listener.incoming().flatten() {
                // A new connection is a new cable.
                dead.store(false, Ordering::Relaxed);
                let Ok(far) = TcpStream::connect(("127.0.0.1", broker)) else {
                    continue;
                };
                let ends = [(&near, &far), (&far, &near)];
                for (from, to) in
                    ends.map(|(a, b)| (a.try_clone().expect("a socket"), b.try_clone().expect("a socket")))
                {
                    let (dead, slow) = (Arc::clone(&dead), Arc::clone(&slow));
                    std::thread::spawn(move || carry(from, to, &dead, &slow));
                }
            }
        });
        Wire {
            port,
            is_dead,
            is_slow,
        }
    }
}

/// Once dead, this pair of ends stays open and carries nothing any more.
fn carry(mut from: TcpStream, mut to: TcpStream, is_dead: &AtomicBool, is_slow: &AtomicBool) {
    let mut buffer = [0; 512];
    from.set_read_timeout(Some(Duration::from_millis(10)))
        .expect("a socket");
    let mut was_dead = false;
    loop {
        was_dead |= is_dead.load(Ordering::Relaxed);
        if was_dead {
            std::thread::sleep(Duration::from_millis(50));
            continue;
        }
        if is_slow.load(Ordering::Relaxed) {
            std::thread::sleep(Duration::from_millis(20));
        }
        match from.read(&mut buffer) {
            Ok(0) => break,
            Ok(read) if to.write_all(&buffer[..read]).is_ok() => {}
            Err(error)
                if matches!(
                    error.kind(),
                    std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                ) => {}
            _ => break,
        }
    }
    let _gone = from.shutdown(std::net::Shutdown::Both);
    let _gone = to.shutdown(std::net::Shutdown::Both);
}

/// Publishes numbered readings with a time of their own until so many are acknowledged by the broker.
async fn publish(port: u16, first: u32, count: usize) -> support::Ledger {
    let address = SocketAddr::from(([127, 0, 0, 1], port));
    let device = Device::start(address, "device", first, Duration::from_millis(1));
    while device.ledger.lock().expect("no panic").acknowledged.len() < count {
        sleep(Duration::from_millis(5)).await;
    }
    tokio::task::spawn_blocking(|| device.finish())
        .await
        .expect("no panic")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_network_cut_without_a_close_is_noticed_and_loses_nothing() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    let Some(broker) = Mosquitto::start(broker_home.path()) else {
        return;
    };
    let wire = Wire::to(broker.port);
    let collector = Collector::start(home.path(), &mqtt(wire.port));
    collector.until("it connects", |counts| counts.is_connected).await;
    sleep(Duration::from_millis(300)).await;
    let first = publish(broker.port, 0, 200).await;
    wire.is_dead.store(true, Ordering::Relaxed);
    let second = publish(broker.port, 10_000, 200).await;
    let text = collector.says("no connection").await;
    assert!(text.contains("127.0.0.1"), "{text}");
    let all = (first.acknowledged.len() + second.acknowledged.len()) as u64;
    let counts = collector
        .until("everything comes", |counts| counts.stored == all)
        .await;
    assert!(counts.is_connected && counts.trouble.is_empty());
    collector.stop().await;
    let found = check(home.path(), &[first, second], &Copies::Once);
    assert_eq!(found.acknowledged as u64, all);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_broker_costs_time_and_nothing_else() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    let Some(broker) = Mosquitto::start(broker_home.path()) else {
        return;
    };
    let wire = Wire::to(broker.port);
    let collector = Collector::start(home.path(), &mqtt(wire.port));
    collector.until("it connects", |counts| counts.is_connected).await;
    sleep(Duration::from_millis(300)).await;
    wire.is_slow.store(true, Ordering::Relaxed);
    let ledger = publish(broker.port, 0, 500).await;
    let all = ledger.acknowledged.len() as u64;
    let counts = collector
        .until("everything comes", |counts| counts.stored == all)
        .await;
    assert!(counts.trouble.is_empty() && counts.connections == 1, "{counts:?}");
    collector.stop().await;
    check(home.path(), &[ledger], &Copies::Once);
}

/// What a broker without memory held when it died is gone with it; what it handed over, and what comes later, is not.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_forgot_everything_is_subscribed_to_again() {
    let (home, broker_home) = (
        tempfile::tempdir().expect("a folder"),
        tempfile::tempdir().expect("a folder"),
    );
    let Some(mut broker) = Mosquitto::start(broker_home.path()) else {
        return;
    };
    let collector = Collector::start(home.path(), &mqtt(broker.port));
    collector.until("it connects", |counts| counts.is_connected).await;
    sleep(Duration::from_millis(300)).await;
    let first = publish(broker.port, 0, 200).await;
    let all = first.acknowledged.len() as u64;
    collector
        .until("everything comes", |counts| counts.stored == all)
        .await;
    broker.restart_without_memory();
    collector
        .until("it misses the broker", |counts| {
            counts.connections == 1 && !counts.is_connected || counts.connections > 1
        })
        .await;
    let counts = collector
        .until("it connects again", |counts| {
            counts.connections == 2 && counts.is_connected
        })
        .await;
    assert!(counts.trouble.is_empty());
    // Nobody keeps a message before the subscription stands.
    sleep(Duration::from_millis(500)).await;
    let second = publish(broker.port, 10_000, 200).await;
    let all = all + second.acknowledged.len() as u64;
    collector
        .until("everything comes", |counts| counts.stored == all)
        .await;
    collector.stop().await;
    check(home.path(), &[first, second], &Copies::Once);
    assert_eq!(values(home.path()).len() as u64, all);
}
