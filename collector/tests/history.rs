//! History by CSV beside a running collector, and how long it takes.

mod support;

use std::fmt::Write as _;
use std::time::Instant;

use mosswarden_collector::import_csv;
use mosswarden_config::site::Site;
use support::{Collector, free_port, write_site};

#[test]
fn child() {
    support::be_a_collector_if_asked();
}

/// `MOSSWARDEN_IMPORT_ROWS=1500000` for the figure in the docs.
#[test]
fn a_month_is_imported_beside_a_running_collector_once() {
    let rows: u64 = std::env::var("MOSSWARDEN_IMPORT_ROWS")
        .ok()
        .and_then(|rows| rows.parse().ok())
        .unwrap_or(100_000);
    let home = tempfile::tempdir().expect("a temporary folder");
    let site_file = write_site(home.path(), |s| {
        s.replace("127.0.0.1:1883", &format!("127.0.0.1:{}", free_port()))
    });
    let collector = Collector::start(&site_file);
    let mut text = "time,enclosure,sensor,quantity,value,unit\n".to_owned();
    let sensors = [
        ("mossy-1", "mossy-1-stat"),
        ("mossy-1", "mossy-1-check"),
        ("mossy-1", "mossy-1-low"),
        ("room", "room-wall"),
    ];
    let span_s = 28 * 24 * 3600;
    for row in 0..rows {
        let at = chrono::DateTime::from_timestamp(1_772_352_000 + (row * span_s / rows) as i64, 0)
            .expect("a time");
        let (enclosure, sensor) = sensors[(row % 4) as usize];
        writeln!(
            text,
            "{},{enclosure},{sensor},humidity,{:.1},%RH",
            at.format("%Y-%m-%dT%H:%M:%SZ"),
            60.0 + (row % 331) as f64 / 10.0
        )
        .expect("memory");
    }
    let file = home.path().join("history.csv");
    fs_err::write(&file, &text).expect("room");
    let site = Site::load(&site_file).expect("a good site file");
    let started = Instant::now();
    let mut told = (0, 0);
    let first = import_csv(&site, &site.data_dir, &file, &mut |done, all| told = (done, all)).expect("good");
    let took = started.elapsed();
    assert_eq!(
        (first.lines, first.added + first.repeats, first.refused),
        (rows, rows, 0)
    );
    assert_eq!(told.0, told.1, "the progress reaches its end");
    let started = Instant::now();
    let second = import_csv(&site, &site.data_dir, &file, &mut |_, _| {}).expect("good");
    println!("{rows} rows in {took:.2?}, again in {:.2?}", started.elapsed());
    assert_eq!((second.added, second.repeats), (0, rows));
    collector.stop();
    let found: usize = support::values(home.path()).values().sum();
    assert_eq!(found as u64, first.added, "the second import adds nothing");
}
