//! An archive in an object store: moto's S3-compatible server (PyPI) stands for one, pyarrow reads it in place.

use std::path::PathBuf;

use crate::archive::{FLAGS_OF_SAMPLE, asked_by_spark, sample, sample_month};
use crate::builtin::{acknowledged, are_exactly, numbered, wait_for_readings};
use crate::harness::{Home, Mosquitto, Publisher, Python, SITE, Server, free_port, wait_until};

const BUCKET: &str = "rooms";

/// A store that runs, and what a home needs to reach it.
struct Store {
    port: u16,
    outage: PathBuf,
    /// Holds the file that makes an outage.
    _dir: tempfile::TempDir,
    _server: Server,
}

impl Store {
    fn start(python: &Python) -> Store {
        let dir = tempfile::tempdir().expect("a temporary folder can be made");
        let (port, outage) = (free_port(), dir.path().join("outage"));
        let arguments = [&port.to_string(), BUCKET, &*outage.to_string_lossy()];
        let server = python.serve("object_store.py", &arguments);
        Store {
            port,
            outage,
            _dir: dir,
            _server: server,
        }
    }

    /// A home of this site whose archive is here.
    fn home(&self, site: &str) -> Home {
        let site = site.replace("data_dir = \"data\"", "data_dir = \"s3://rooms/harbour\"");
        Home::new(&site).with_environment(vec![
            ("AWS_ACCESS_KEY_ID", "test".to_owned()),
            ("AWS_SECRET_ACCESS_KEY", "test".to_owned()),
            ("AWS_REGION", "us-east-1".to_owned()),
            ("AWS_ENDPOINT_URL", format!("http://{}", self.endpoint())),
            ("AWS_ALLOW_HTTP", "true".to_owned()),
        ])
    }

    fn endpoint(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// Every row of the archive as pyarrow reads it in the store.
    fn stored(&self, python: &Python) -> Vec<String> {
        python.stored_rows(&["rooms/harbour/readings", &self.endpoint()])
    }

    fn is_out_of_order(&self, is_out: bool) {
        if is_out {
            fs_err::write(&self.outage, "").expect("room");
        } else {
            fs_err::remove_file(&self.outage).expect("it was there");
        }
    }
}

/// Kills, and a store that is out of order for a while; then the days become a month, a late reading finds it, and another machine reads it.
#[test]
fn readings_reach_the_bucket_over_kills_and_outages_each_once() {
    let Some(python) = Python::find() else {
        return;
    };
    let store = Store::start(&python);
    let port = free_port();
    let site = SITE
        .replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"))
        .replace("publish_every = \"15m\"", "publish_every = \"1s\"");
    let home = store.home(&site);
    let Some(device) = Publisher::find(port) else {
        return;
    };
    let said = home.run(&["check"]);
    assert!(
        said.stdout
            .contains("archive: s3://rooms/harbour can be read and written"),
        "{said:?}"
    );

    const COUNT: i64 = 3000;
    let (messages, mut expected) = numbered(0, COUNT);
    let file = home.write("messages.jsonl", &messages);
    let mut collector = home.collect_builtin(port);
    let publisher = python.start(
        "publish.py",
        &[
            &port.to_string(),
            "5",
            "1",
            "device",
            &file.to_string_lossy(),
            "0.002",
        ],
    );
    for count in [300, 700, 1100] {
        wait_for_readings(&home, count);
        collector.kill();
        collector = home.collect_builtin(port);
    }
    store.is_out_of_order(true);
    wait_until("the collector says that the store is out of order", || {
        collector.log().contains("could not publish to the archive")
    });
    // It starts without its store, and takes readings in.
    collector.kill();
    collector = home.collect_builtin(port);
    acknowledged(publisher, COUNT as usize);
    let said = home.run(&["export", "--from", "2026-03-01", "--to", "2026-03-02"]);
    assert!(
        said.code == 1 && said.stderr.contains("s3://rooms/harbour"),
        "what can't be read is no empty archive: {said:?}"
    );
    store.is_out_of_order(false);
    collector.stop("TERM");
    are_exactly(store.stored(&python), &expected);

    // A start tidies: the day is long over, and so is its month.
    let collector = home.collect_builtin(port);
    wait_until("the month is made", || {
        collector.log().contains("the archive was tidied")
    });
    let late = r#"{"at":"2026-03-20T08:00:00Z","humidity":81.2}"#;
    device.publish("nature-room/mossy-1/stat", late, &["-q", "1"]);
    collector.stop("TERM");
    expected.push("2026-03-20T08:00:00.000Z,mossy-1-stat,humidity,81.2,ok,device".to_owned());
    are_exactly(store.stored(&python), &expected);

    let elsewhere = store.home(&site);
    assert_eq!(elsewhere.exported(), home.exported());
    assert_eq!(elsewhere.exported().len(), expected.len());
    let copies = || -> Vec<String> {
        let root = elsewhere.path("data/mirror/rooms/harbour/readings");
        let folders = fs_err::read_dir(root).expect("what was read");
        let mut names: Vec<String> = folders
            .map(|entry| {
                entry
                    .expect("an entry")
                    .file_name()
                    .to_string_lossy()
                    .into_owned()
            })
            .collect();
        names.sort();
        names
    };
    assert_eq!(copies(), ["date=2026-03-20", "month=2026-03"]);
    let collector = home.collect_builtin(port);
    wait_until("the late reading is in its month", || {
        collector.log().contains("the archive was tidied")
    });
    collector.stop("TERM");
    are_exactly(store.stored(&python), &expected);
    assert_eq!(elsewhere.exported().len(), expected.len());
    assert_eq!(
        home.run(&["verify"]).expect_code(0).stdout.lines().last(),
        Some("Nothing is wrong.")
    );
}

#[test]
fn collectors_of_several_machines_write_into_one_bucket() {
    let Some(python) = Python::find() else {
        return;
    };
    let store = Store::start(&python);
    let of_broker = Home::new(SITE);
    let Some(broker) = Mosquitto::start(&of_broker) else {
        return;
    };
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", broker.port);
    let site = SITE
        .replace("url = \"builtin\"", &url)
        .replace("publish_every = \"15m\"", "publish_every = \"1s\"");
    let (here, there) = (store.home(&site), store.home(&site));
    let (one, two) = (here.collect_shared("one"), there.collect_shared("two"));
    const COUNT: i64 = 3000;
    let (messages, expected) = numbered(0, COUNT);
    let file = here.write("messages.jsonl", &messages);
    let publisher = python.start(
        "publish.py",
        &[
            &broker.port.to_string(),
            "5",
            "1",
            "device",
            &file.to_string_lossy(),
            "0.001",
        ],
    );
    wait_for_readings(&here, 600);
    one.kill();
    let one = here.collect_shared("one");
    acknowledged(publisher, COUNT as usize);
    wait_until("all are in the bucket", || {
        store.stored(&python).len() >= expected.len()
    });
    one.stop("TERM");
    two.stop("TERM");
    are_exactly(store.stored(&python), &expected);
}

/// Judged from a bucket as from a folder.
#[test]
fn findings_are_the_same_from_a_bucket() {
    let Some(python) = Python::find() else {
        return;
    };
    let store = Store::start(&python);
    let site = sample("site.toml");
    let flags = |home: &Home| {
        home.write("sample.csv", &sample("readings.csv"));
        home.run(&["import", "sample.csv"]).expect_code(0);
        home.run(&FLAGS_OF_SAMPLE)
    };
    let (folder, bucket) = (flags(&Home::new(&site)), flags(&store.home(&site)));
    assert!(!folder.json()["findings"].as_array().expect("a list").is_empty());
    assert_eq!((bucket.code, bucket.stdout), (folder.code, folder.stdout));
}

#[test]
fn spark_reads_a_bucket_in_place_and_agrees_with_duckdb_on_the_folder() {
    let Some(python) = Python::find_with_java() else {
        return;
    };
    let store = Store::start(&python);
    let (folder, bucket) = (sample_month(), store.home(&sample("site.toml")));
    bucket.write("sample.csv", &sample("readings.csv"));
    bucket.run(&["import", "sample.csv"]).expect_code(0);
    let seen = asked_by_spark(&python, &folder, Some(&store.endpoint()));
    assert_eq!(seen["same"], true, "{seen}");
    assert_eq!(seen["readings"], folder.exported().len(), "{seen}");
}

#[test]
fn a_bucket_that_is_not_there_is_named_with_the_next_step() {
    let Some(python) = Python::find() else {
        return;
    };
    let store = Store::start(&python);
    let home = store.home(&SITE.replace("data_dir = \"data\"", "data_dir = \"s3://elsewhere/harbour\""));
    let said = home.run(&["check"]).expect_code(3);
    assert!(
        said.stdout
            .contains("look at:  archive: s3://elsewhere/harbour: "),
        "{said:?}"
    );
    assert!(said.stdout.contains("is the bucket's name right"), "{said:?}");
    store.is_out_of_order(true);
    let said = home.run(&["check"]).expect_code(3);
    assert!(said.stdout.contains("is the store reachable"), "{said:?}");
}
