//! A whole collector, with devices over TCP, while its disk or its clock goes wrong: nothing is acknowledged that is not durable, it is
//! said with a next step, and it goes on by itself.

use std::io;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use mosswarden_config::site::Site;
use mosswarden_config::table::{self, Mark, Reading};
use rumqttc::{AsyncClient, Event, EventLoop, Incoming, MqttOptions, QoS};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, timeout};

use crate::archive;
use crate::clock::{Clock, SystemClock};
use crate::counts::{Counts, Part, Snapshot};
use crate::disk::{Disk, DiskFile, FileBytes, RealDisk};
use crate::feeds::tests::SITE;
use crate::run::{CollectError, RunOptions, Summary, run_on};

const DEADLINE: Duration = Duration::from_secs(30);
const TOPIC: &str = "nature-room/mossy-1/low/humidity";

/// The machine's disk, until it is told what to answer to every write.
#[derive(Clone, Default)]
struct Sick(Arc<Mutex<Option<io::ErrorKind>>>);

impl Sick {
    fn set(&self, kind: Option<io::ErrorKind>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = kind;
    }

    fn may(&self) -> io::Result<()> {
        match *self.0.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(kind) => Err(kind.into()),
            None => Ok(()),
        }
    }
}

struct SickFile(Sick, Box<dyn DiskFile>);

impl DiskFile for SickFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        if let Err(error) = self.0.may() {
            // A full disk takes a part.
            self.1.append(&bytes[..bytes.len() / 2])?;
            return Err(error);
        }
        self.1.append(bytes)
    }

    fn reserve(&mut self, bytes: u64) -> io::Result<()> {
        self.0.may()?;
        self.1.reserve(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.0.may()?;
        self.1.sync()
    }
}

impl Disk for Sick {
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.may()?;
        Ok(Box::new(SickFile(self.clone(), RealDisk.create(path)?)))
    }

    fn open_append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.may()?;
        Ok(Box::new(SickFile(self.clone(), RealDisk.open_append(path)?)))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        RealDisk.read(path)
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn FileBytes>> {
        RealDisk.open_read(path)
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        RealDisk.len(path)
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        self.may()?;
        RealDisk.truncate(path, len)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.may()?;
        RealDisk.rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        // Removing is possible on a full disk; a read-only one refuses.
        RealDisk.remove(path)
    }

    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        RealDisk.remove_dir(dir)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        RealDisk.list(dir)
    }

    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        self.may()?;
        RealDisk.create_dir(dir)
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        self.may()?;
        RealDisk.sync_dir(dir)
    }
}

/// The machine's clock with an offset, ms.
#[derive(Default)]
struct Shifted(AtomicI64);

impl Clock for Shifted {
    fn now_ms(&self) -> i64 {
        SystemClock.now_ms() + self.0.load(Ordering::Relaxed)
    }
}

pub(crate) struct Collector {
    pub(crate) address: SocketAddr,
    stop: oneshot::Sender<()>,
    task: JoinHandle<Result<Summary, CollectError>>,
    counts: Arc<Counts>,
}

fn site(home: &Path) -> Site {
    let source = SITE
        .replace("publish_every = \"15m\"", "publish_every = \"1s\"")
        .replace("commit_every = \"2s\"", "commit_every = \"1s\"");
    Site::from_source(&home.join("site.toml"), &source).expect("a good site file")
}

impl Collector {
    pub(crate) async fn start(home: &Path, disk: Arc<dyn Disk>, clock: Arc<dyn Clock>) -> Collector {
        let site = site(home);
        let (on_ready, ready) = oneshot::channel();
        let (stop, stopped) = oneshot::channel::<()>();
        let counts = Arc::new(Counts::new(&site));
        let options = RunOptions {
            listen_override: Some("127.0.0.1:0".to_owned()),
            on_ready: Some(on_ready),
            counts: Some(Arc::clone(&counts)),
            ..RunOptions::default()
        };
        let task = tokio::spawn(run_on(site, options, disk, clock, async {
            let _dropped = stopped.await;
        }));
        let address = timeout(DEADLINE, ready)
            .await
            .expect("in time")
            .expect("it starts")
            .expect("it listens");
        Collector {
            address,
            stop,
            task,
            counts,
        }
    }

    async fn until(&self, what: &str, is_so: impl Fn(&Snapshot) -> bool) -> Snapshot {
        let until = Instant::now() + DEADLINE;
        loop {
            let counts = self.counts.snapshot();
            if is_so(&counts) {
                return counts;
            }
            assert!(Instant::now() < until, "{what}: {counts:?}");
            sleep(Duration::from_millis(5)).await;
        }
    }

    pub(crate) async fn stop(self) -> Result<Summary, CollectError> {
        drop(self.stop);
        timeout(DEADLINE, self.task)
            .await
            .expect("in time")
            .expect("no panic")
    }

    pub(crate) fn device(&self, id: &str) -> Device {
        let mut options = MqttOptions::new(id, self.address.ip().to_string(), self.address.port());
        options.set_clean_session(false);
        let (client, events) = AsyncClient::new(options, 100);
        Device { client, events }
    }
}

pub(crate) struct Device {
    client: AsyncClient,
    events: EventLoop,
}

impl Device {
    pub(crate) async fn send(&mut self, value: &str) {
        let sent = self.client.publish(TOPIC, QoS::AtLeastOnce, false, value);
        sent.await.expect("queued");
    }

    pub(crate) async fn is_acknowledged(&mut self) {
        loop {
            let event = timeout(DEADLINE, self.events.poll())
                .await
                .expect("in time")
                .expect("connected");
            if let Event::Incoming(Incoming::PubAck(_)) = event {
                return;
            }
        }
    }

    /// Keeps the connection going, and fails if an acknowledgement comes, until the flag is set.
    async fn hears_nothing_until(&mut self, is_over: &AtomicBool) {
        while !is_over.load(Ordering::Relaxed) {
            if let Ok(event) = timeout(Duration::from_millis(10), self.events.poll()).await {
                let event = event.expect("connected");
                assert!(
                    !matches!(event, Event::Incoming(Incoming::PubAck(_))),
                    "acknowledged and not durable"
                );
            }
        }
    }
}

fn rows(home: &Path) -> Vec<Reading> {
    let readings_dir = table::readings_dir(&home.join("data"));
    let mut rows = Vec::new();
    for day in RealDisk.list(&readings_dir).expect("the archive") {
        let dir = readings_dir.join(day);
        for name in archive::parquet_names(&RealDisk, &dir).expect("a folder") {
            rows.extend(archive::tests::all(&RealDisk, &dir.join(name)).expect("our own"));
        }
    }
    rows.sort_by(|a, b| a.value.total_cmp(&b.value));
    rows
}

/// What a disk says while it fails, and what the keeper is told to do.
async fn a_disk_that_fails(kind: io::ErrorKind, next_step: &str) {
    let home = tempfile::tempdir().expect("a temporary folder");
    let disk = Sick::default();
    let collector = Collector::start(home.path(), Arc::new(disk.clone()), Arc::new(SystemClock)).await;
    let mut device = collector.device("probe");
    device.send("41").await;
    device.is_acknowledged().await;
    disk.set(Some(kind));
    device.send("42").await;
    let is_told = AtomicBool::new(false);
    let told = async {
        let counts = collector
            .until("it says so", |counts| {
                counts.trouble.iter().any(|(part, _)| *part == Part::Spool)
            })
            .await;
        is_told.store(true, Ordering::Relaxed);
        counts
    };
    let (counts, ()) = tokio::join!(told, device.hears_nothing_until(&is_told));
    let (_, text) = counts
        .trouble
        .iter()
        .find(|(part, _)| *part == Part::Spool)
        .expect("told");
    assert!(
        text.contains("nothing is acknowledged") && text.contains(next_step),
        "{text}"
    );
    disk.set(None);
    device.is_acknowledged().await;
    let counts = collector
        .until("it is well again", |counts| counts.trouble.is_empty())
        .await;
    assert_eq!(counts.stored, 2);
    let summary = collector.stop().await.expect("an orderly end");
    assert!(summary.is_published);
    let values: Vec<f64> = rows(home.path()).iter().map(|row| row.value).collect();
    assert_eq!(values, [41.0, 42.0]);
}

#[tokio::test]
async fn a_full_disk_holds_acknowledgements_back_and_goes_on_when_there_is_room() {
    a_disk_that_fails(io::ErrorKind::StorageFull, "free some space").await;
}

#[tokio::test]
async fn a_disk_that_became_read_only_is_told_and_waited_for() {
    a_disk_that_fails(io::ErrorKind::ReadOnlyFilesystem, "mount it for writing again").await;
}

#[tokio::test]
async fn a_stop_while_the_disk_fails_is_no_orderly_end_and_acknowledges_nothing() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let disk = Sick::default();
    let collector = Collector::start(home.path(), Arc::new(disk.clone()), Arc::new(SystemClock)).await;
    let mut device = collector.device("probe");
    device.send("41").await;
    device.is_acknowledged().await;
    disk.set(Some(io::ErrorKind::StorageFull));
    device.send("42").await;
    let is_over = AtomicBool::new(false);
    let counts = Arc::clone(&collector.counts);
    let stop = async {
        while counts.snapshot().trouble.is_empty() {
            sleep(Duration::from_millis(5)).await;
        }
        is_over.store(true, Ordering::Relaxed);
        collector.stop().await
    };
    let (ended, ()) = tokio::join!(stop, device.hears_nothing_until(&is_over));
    let error = ended.expect_err("one message is left");
    assert!(error.to_string().contains("will be sent again"), "{error}");
    drop(device);
    // The next start, with room again, takes it when the device sends it again.
    disk.set(None);
    let collector = Collector::start(home.path(), Arc::new(disk), Arc::new(SystemClock)).await;
    let mut device = collector.device("probe");
    device.send("42").await;
    device.is_acknowledged().await;
    collector.stop().await.expect("an orderly end");
    let values: Vec<f64> = rows(home.path()).iter().map(|row| row.value).collect();
    assert_eq!(values, [41.0, 42.0]);
}

#[tokio::test]
async fn a_folder_that_cannot_be_written_at_the_start_is_refused_with_a_next_step() {
    for (kind, next_step) in [
        (io::ErrorKind::ReadOnlyFilesystem, "mount it for writing again"),
        (io::ErrorKind::PermissionDenied, "change the folder's owner"),
    ] {
        let home = tempfile::tempdir().expect("a temporary folder");
        let disk = Sick::default();
        disk.set(Some(kind));
        let ended = run_on(
            site(home.path()),
            RunOptions::default(),
            Arc::new(disk),
            Arc::new(SystemClock),
            std::future::pending(),
        )
        .await;
        let error = ended.expect_err("it can't work there").to_string();
        assert!(
            error.contains("data folder") && error.contains(next_step),
            "{error}"
        );
    }
    let home = tempfile::tempdir().expect("a temporary folder");
    fs_err::write(home.path().join("data"), "no folder").expect("room");
    let disk: Arc<dyn Disk> = Arc::new(RealDisk);
    let ended = run_on(
        site(home.path()),
        RunOptions::default(),
        disk,
        Arc::new(SystemClock),
        std::future::pending(),
    )
    .await;
    let error = ended.expect_err("a file is no folder").to_string();
    assert!(
        error.contains("a file stands where the folder should be"),
        "{error}"
    );
}

/// The machine starts in 1970, as small computers without a clock of their own do, and learns the time later.
#[tokio::test]
async fn readings_before_the_servers_clock_is_set_are_kept_marked_and_apart() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let clock = Arc::new(Shifted::default());
    let since_1970_ms = SystemClock.now_ms() - 30_000;
    clock.0.store(-since_1970_ms, Ordering::Relaxed);
    let collector = Collector::start(home.path(), Arc::new(RealDisk), clock.clone()).await;
    let counts = collector
        .until("it says so", |counts| !counts.trouble.is_empty())
        .await;
    assert_eq!(counts.trouble[0].0, Part::Clock);
    assert!(counts.trouble[0].1.contains("NTP"), "{:?}", counts.trouble);
    let mut device = collector.device("probe");
    for value in ["41", "41"] {
        device.send(value).await;
        device.is_acknowledged().await;
    }
    // The time comes.
    clock.0.store(0, Ordering::Relaxed);
    for value in ["42", "43"] {
        device.send(value).await;
        device.is_acknowledged().await;
    }
    collector.stop().await.expect("an orderly end");
    // A later start knows the time from the beginning.
    let collector = Collector::start(home.path(), Arc::new(RealDisk), Arc::new(SystemClock)).await;
    let mut device = collector.device("probe");
    device.send("44").await;
    device.is_acknowledged().await;
    assert!(collector.counts.snapshot().trouble.is_empty());
    collector.stop().await.expect("an orderly end");
    let found: Vec<(f64, Mark)> = rows(home.path())
        .iter()
        .map(|row| (row.value, row.mark))
        .collect();
    assert_eq!(
        found,
        [
            (41.0, Mark::ClockReset),
            (41.0, Mark::ClockReset),
            (42.0, Mark::Ok),
            (43.0, Mark::Ok),
            (44.0, Mark::Ok)
        ]
    );
}
