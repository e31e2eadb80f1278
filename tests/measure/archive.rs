//! The archive measured: bytes a reading, bytes written, years asked for a week, beside DuckDB, pandas and SQLite on the same data.
//!
//! `cargo bench --workspace --bench archive -- [YEARS] [ENCLOSURES]` makes an invented archive of 1 year and one of YEARS (10) with
//! ENCLOSURES (20) of three sensors each, at a reading a minute, in `target/archive-bench`, and keeps it for the next run. `size` as the
//! only argument measures bytes alone, in a minute. `MOSSWARDEN_PYTHON` names a Python with the packages of `tests/requirements.txt`.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use chrono::{Months, NaiveDate, NaiveTime};
use mosswarden_analysis::by_part::{Kept, Pace, assess_by_part, ids};
use mosswarden_analysis::load;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{self, Mark, Reading, TimeSource};
use mosswarden_config::zone::{MS_PER_24_H, Span};
use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};

const SENSORS_PER_ENCLOSURE: usize = 3;
const INTERVAL_MS: i64 = 60_000;
/// The archive's last month; the year before it is the year that is asked for.
const LAST_MONTH: (i32, u32) = (2025, 12);

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let number = |place: usize, otherwise: usize| {
        arguments
            .get(place)
            .and_then(|text| text.parse().ok())
            .unwrap_or(otherwise)
    };
    let folder = PathBuf::from(std::env::var("CARGO_TARGET_DIR").unwrap_or_else(|_| "target".to_owned()))
        .join("archive-bench");
    if arguments.first().is_some_and(|first| first == "size") {
        size(&folder);
        return;
    }
    let (years, enclosures) = (number(0, 10), number(1, 20));
    let room = Room { enclosures };
    let one = room.archive(&folder, 1);
    let many = room.archive(&folder, years);
    asked(&room, &one, &many, years);
}

/// An invented room; every figure of it follows from names and times, so that parts of it can be made alone.
struct Room {
    enclosures: usize,
}

impl Room {
    fn sensors(&self) -> Vec<(String, String)> {
        let mut sensors: Vec<(String, String)> = (0..self.enclosures)
            .flat_map(|e| {
                (0..SENSORS_PER_ENCLOSURE).map(move |s| {
                    (
                        format!("tank-{e:03}"),
                        format!("tank-{e:03}-{}", ["check", "low", "stat"][s]),
                    )
                })
            })
            .collect();
        sensors.sort();
        sensors
    }

    fn site_toml(&self) -> String {
        let mut text = "[site]\nname = \"Harbour Street nature room (invented)\"\ntimezone = \"Europe/Lisbon\"\ndata_dir = \"data\"\n\n[broker]\nurl = \"builtin\"\nlisten = \"127.0.0.1:0\"\n".to_owned();
        for enclosure in 0..self.enclosures {
            let id = format!("tank-{enclosure:03}");
            let _written = write!(
                text,
                "\n[[enclosure]]\nid = \"{id}\"\nspecies = \"mossy-frog\"\nday = {{ start = \"08:00\", end = \"20:00\" }}\n"
            );
            for (name, role) in [("stat", "controller"), ("check", "reference"), ("low", "probe")] {
                let _written = write!(
                    text,
                    "\n  [[enclosure.sensor]]\n  id = \"{id}-{name}\"\n  role = \"{role}\"\n  accuracy = {{ humidity_pct = 3.0, temperature_c = 0.3 }}\n  feeds = [\n    {{ topic = \"room/{id}/{name}\", pointer = \"/t\", quantity = \"temperature\", unit = \"Cel\" }},\n    {{ topic = \"room/{id}/{name}\", pointer = \"/rh\", quantity = \"humidity\", unit = \"%RH\" }},\n  ]\n"
                );
            }
        }
        text
    }

    /// An archive of whole years up to [`LAST_MONTH`], made where it is not there yet.
    fn archive(&self, folder: &Path, years: usize) -> PathBuf {
        let home = folder.join(format!("{}-enclosures-{years}-years", self.enclosures));
        fs_err::create_dir_all(&home).expect("room for the archive");
        fs_err::write(home.join("site.toml"), self.site_toml()).expect("room for the archive");
        let started = Instant::now();
        let last = NaiveDate::from_ymd_opt(LAST_MONTH.0, LAST_MONTH.1, 1).expect("a date");
        let mut made = 0;
        for back in 0..years as u32 * 12 {
            let first = last.checked_sub_months(Months::new(back)).expect("a date");
            if !table::summary_file(&home.join("data"), first).exists() {
                self.month(&home.join("data"), first);
                made += 1;
            }
        }
        if made > 0 {
            println!("made {made} months in {:.0} s", started.elapsed().as_secs_f64());
        }
        home
    }

    fn month(&self, data_dir: &Path, first: NaiveDate) {
        let sensors = self.sensors();
        let mut next = sensors.iter();
        let rows = || {
            next.next()
                .map(|(enclosure, sensor)| readings(enclosure, sensor, first, 31))
        };
        mosswarden_collector::bench::write_month(data_dir, first, rows).expect("room for the archive");
    }
}

fn start_ms(date: NaiveDate) -> i64 {
    date.and_time(NaiveTime::MIN).and_utc().timestamp_millis()
}

fn hash(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

/// Two quantities of one sensor over some days from `first` on, within its month: temperature and humidity in one message a minute, to a
/// tenth, as cheap sensors give them. A day's course, weather, mistings with their decay, noise; every third sensor has a clock that
/// counts seconds, the others' readings are stamped on arrival, 25 ms about their minute; in a hundred one is late by a second, one lost.
fn readings(enclosure: &str, sensor: &str, first: NaiveDate, days: i64) -> Vec<Reading> {
    let mut rng = StdRng::seed_from_u64(hash(sensor) ^ start_ms(first) as u64);
    let own = StdRng::seed_from_u64(hash(sensor)).random_range(-1.0..1.0);
    let (enclosure, sensor): (Arc<str>, Arc<str>) = (Arc::from(enclosure), Arc::from(sensor));
    let next_month = first.checked_add_months(Months::new(1)).expect("a date");
    let until_ms = start_ms(next_month).min(start_ms(first) + days * MS_PER_24_H);
    let has_clock = sensor.ends_with("check");
    let noise = |rng: &mut StdRng| (0..4).map(|_| rng.random_range(-0.5..0.5)).sum::<f64>() / 0.58;
    let (mut weather, mut wet) = (0.0, 0.0);
    let mut due_ms = start_ms(first) as f64 + rng.random_range(0.0..INTERVAL_MS as f64);
    let mut rows = Vec::new();
    while (due_ms as i64) < until_ms - 5000 {
        let hour = due_ms / 3_600_000.0 % 24.0;
        let sun = ((hour - 8.0) / 12.0 * std::f64::consts::PI).sin();
        weather += 0.002 * noise(&mut rng) - weather * 0.0005;
        wet *= 0.985;
        if [7.5, 13.0, 19.5]
            .iter()
            .any(|at| (0.0..1.0 / 60.0).contains(&(hour - at)))
        {
            wet = 9.0;
        }
        let temperature = 22.5 + 2.0 * sun + own + weather + 0.03 * noise(&mut rng);
        let humidity =
            (82.0 - 6.0 * sun + 2.0 * own + 8.0 * weather + wet + 0.15 * noise(&mut rng)).min(99.9);
        let late_ms = if rng.random_range(0..100) == 0 {
            rng.random_range(200.0..2000.0)
        } else {
            0.0
        };
        let arrived_ms = (due_ms + (25.0 * noise(&mut rng)).abs() + late_ms) as i64;
        let at_ms = if has_clock {
            due_ms as i64 / 1000 * 1000
        } else {
            arrived_ms
        };
        let is_lost = rng.random_range(0..100) == 0;
        for (quantity, value) in [
            (Quantity::Humidity, humidity),
            (Quantity::Temperature, temperature),
        ] {
            if !is_lost {
                rows.push(Reading {
                    at_ms,
                    received_ms: arrived_ms,
                    time_source: if has_clock {
                        TimeSource::Device
                    } else {
                        TimeSource::Arrival
                    },
                    enclosure: Arc::clone(&enclosure),
                    sensor: Arc::clone(&sensor),
                    quantity,
                    value: (value * 10.0).round() / 10.0,
                    mark: Mark::Ok,
                });
            }
        }
        due_ms += INTERVAL_MS as f64 * 1.000_02;
    }
    rows
}

/// Fastest of some tries, as machines that others use too are slow now and then.
fn fastest<T>(tries: usize, mut work: impl FnMut() -> T) -> (Duration, T) {
    let mut best: Option<(Duration, T)> = None;
    for _ in 0..tries {
        let started = Instant::now();
        let given = work();
        let took = started.elapsed();
        if best.as_ref().is_none_or(|(before, _)| took < *before) {
            best = Some((took, given));
        }
    }
    best.expect("at least one try")
}

fn asked(room: &Room, one: &Path, many: &Path, years: usize) {
    let (year, month) = LAST_MONTH;
    let until_ms = start_ms(NaiveDate::from_ymd_opt(year, month, 22).expect("a date"));
    let week = Span {
        from_ms: until_ms - 7 * MS_PER_24_H,
        until_ms,
    };
    let site = |home: &Path| Site::load(&home.join("site.toml")).expect("a sound site file");
    let of_one = |home: &Path| {
        let mut site = site(home);
        site.enclosures.truncate(1);
        site
    };
    let judge = |site: &Site, span: Span| {
        let load =
            |ids: &BTreeSet<String>, needed| load::load(&site.data_dir, needed, Some(ids), &[], Vec::new());
        let judged = assess_by_part(site, span, (Pace::Quick, Kept::Nothing), load, |_, _, _| ())
            .expect("a sound archive")
            .assessment;
        judged.verdicts.findings.len() + judged.verdicts.not_assessed.len()
    };
    let row = |what: &str, took: Duration| println!("| {what} | {:.3} s |", took.as_secs_f64());
    println!(
        "\n{} enclosures, {} sensors, a reading of two quantities a minute",
        room.enclosures,
        room.sensors().len()
    );
    println!("\n| asked | took |\n| --- | --- |");
    let (from_one, _) = fastest(5, || judge(&of_one(one), week));
    row("flags, a week of one enclosure, archive of 1 year", from_one);
    let (from_many, _) = fastest(5, || judge(&of_one(many), week));
    row(&format!("the same, archive of {years} years"), from_many);
    println!(
        "| ratio | {:.2} |",
        from_many.as_secs_f64() / from_one.as_secs_f64()
    );
    let (loaded, count) = fastest(5, || {
        let site = of_one(many);
        let span = mosswarden_analysis::assess::needed(week);
        let record = load::load(&site.data_dir, span, Some(&ids(&site)), &[], Vec::new()).expect("sound");
        record.iter().map(|(_, _, series)| series.len()).sum::<usize>()
    });
    row(&format!("of it reading {count} readings of 91 days"), loaded);
    let year_span = Span {
        from_ms: until_ms - 365 * MS_PER_24_H,
        until_ms,
    };
    for (what, from, tries) in [("week", "2025-12-15", 3), ("year", "2024-12-22", 2)] {
        let flags = ["flags", "--from", from, "--to", "2025-12-22"];
        let (took, peak_mib) = fastest(tries, || whole_program(many, &flags));
        println!(
            "| the program: flags, a {what} of every enclosure | {:.3} s, peak {peak_mib} MiB |",
            took.as_secs_f64()
        );
    }
    for (home, years) in [(one, 1), (many, years)] {
        let report = ["report", "--from", "2025-12-15", "--to", "2025-12-22", "--force"];
        let (took, peak_mib) = fastest(3, || whole_program(home, &report));
        println!(
            "| the program: report of the week of every enclosure, in four forms, archive of {years} years | {:.3} s, peak {peak_mib} MiB |",
            took.as_secs_f64()
        );
    }
    for (what, span) in [("week", week), ("year", year_span)] {
        let (took, _) = fastest(3, || daily(&of_one(many), span));
        row(
            &format!("daily count, lowest, mean, highest of one enclosure's {what}"),
            took,
        );
        println!(
            "{}",
            python(&[
                "daily",
                &many.to_string_lossy(),
                &span.from_ms.to_string(),
                &span.until_ms.to_string()
            ])
        );
    }
}

/// Runs the program itself; its peak resident memory, MiB.
fn whole_program(home: &Path, arguments: &[&str]) -> u64 {
    let mut running = Command::new(env!("CARGO_BIN_EXE_mosswarden"))
        .current_dir(home)
        .args(arguments)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("the program was built");
    let mut peak = 0;
    let status = loop {
        peak = peak.max(peak_mib(&running.id().to_string()));
        if let Some(status) = running.try_wait().expect("a child of ours") {
            break status;
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    // 3 says that something was found.
    assert!(
        [Some(0), Some(3)].contains(&status.code()),
        "{arguments:?}: {status}"
    );
    peak
}

/// Daily figures by UTC day, as DuckDB and pandas are asked for them.
fn daily(site: &Site, span: Span) -> usize {
    let record = load::load(&site.data_dir, span, Some(&ids(site)), &[], Vec::new()).expect("sound");
    let mut rows = 0;
    for (_, _, series) in record.iter() {
        let mut from = 0;
        while from < series.len() {
            let day = series.at_ms[from].div_euclid(MS_PER_24_H);
            let count = series.at_ms[from..].partition_point(|at| at.div_euclid(MS_PER_24_H) == day);
            let values = &series.value[from..from + count];
            let (low, high) = values
                .iter()
                .fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
            let mean = values.iter().sum::<f64>() / count as f64;
            assert!(low <= mean && mean <= high);
            rows += 1;
            from += count;
        }
    }
    rows
}

/// Peak resident memory of a process, MiB, where the system tells.
fn peak_mib(process: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.split_whitespace().next()?.parse::<u64>().ok())
        .unwrap_or(0)
        / 1024
}

fn python(arguments: &[&str]) -> String {
    let python = std::env::var("MOSSWARDEN_PYTHON").unwrap_or_else(|_| "target/python/bin/python".to_owned());
    match Command::new(&python)
        .arg("tests/python/measure_archive.py")
        .args(arguments)
        .output()
    {
        Ok(done) if done.status.success() => String::from_utf8_lossy(&done.stdout).trim_end().to_owned(),
        Ok(done) => format!("({python} failed: {})", String::from_utf8_lossy(&done.stderr)),
        Err(error) => format!("({python} is not there: {error})"),
    }
}

/// A month of 20 enclosures: through the collector's own files, and as other formats hold it.
fn size(folder: &Path) {
    let home = folder.join("size");
    let _absent = fs_err::remove_dir_all(&home);
    let room = Room { enclosures: 20 };
    let first = NaiveDate::from_ymd_opt(2025, 6, 1).expect("a date");
    let mut rows: Vec<Reading> = Vec::new();
    for (enclosure, sensor) in room.sensors() {
        rows.extend(readings(&enclosure, &sensor, first, 30));
    }
    let count = rows.len() as f64;
    println!(
        "{} readings of June 2025, 60 sensors, two quantities a minute\n",
        rows.len()
    );
    println!("| held as | bytes a reading |\n| --- | --- |");
    let row = |what: &str, bytes: u64| println!("| {what} | {:.2} |", bytes as f64 / count);
    let data = home.join("data");
    let life = mosswarden_collector::bench::live_through(&data, &rows).expect("room");
    row("this archive, months", life.month_bytes);
    let polars = home.join("polars.parquet");
    polars_default(&rows, &polars);
    row(
        "Parquet by Polars' own settings, same order",
        fs_err::metadata(&polars).expect("written").len(),
    );
    println!(
        "{}",
        python(&["formats", &home.to_string_lossy(), &count.to_string()])
    );
    println!("\n| written in its life | bytes a reading | bytes a byte kept |\n| --- | --- | --- |");
    let mut all = 0;
    for (what, bytes) in [
        ("the spool", life.spool_bytes),
        ("parts, every 15 minutes", life.part_bytes),
        ("days", life.day_bytes),
        ("the month and its daily figures", life.written_month_bytes),
    ] {
        all += bytes;
        println!(
            "| {what} | {:.2} | {:.2} |",
            bytes as f64 / count,
            bytes as f64 / life.month_bytes as f64
        );
    }
    println!(
        "| together | {:.2} | {:.2} |",
        all as f64 / count,
        all as f64 / life.month_bytes as f64
    );
    println!("\n{} files in the end", life.files);
}

fn polars_default(rows: &[Reading], file: &Path) {
    use polars::prelude::*;
    let instants = |name: &str, of: fn(&Reading) -> i64| {
        Int64Chunked::from_vec(name.into(), rows.iter().map(of).collect())
            .into_datetime(TimeUnit::Milliseconds, Some(TimeZone::UTC))
            .into_column()
    };
    let words = |name: &str, of: fn(&Reading) -> &str| {
        StringChunked::from_iter_values(name.into(), rows.iter().map(of)).into_column()
    };
    let values = Float64Chunked::from_vec("value".into(), rows.iter().map(|row| row.value).collect());
    let columns = vec![
        instants("at", |row| row.at_ms),
        instants("received", |row| row.received_ms),
        words("time_source", |row| row.time_source.name()),
        words("enclosure", |row| &row.enclosure),
        words("sensor", |row| &row.sensor),
        words("quantity", |row| row.quantity.name()),
        values.into_column(),
        words("mark", |row| row.mark.name()),
    ];
    let mut frame = DataFrame::new(rows.len(), columns).expect("equal lengths");
    let out = fs_err::File::create(file).expect("room");
    ParquetWriter::new(out).finish(&mut frame).expect("room");
}
