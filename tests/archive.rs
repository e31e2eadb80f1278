//! The archive as other programs see it: DuckDB and pyarrow open the files where they lie.

use mosswarden_analysis::load;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::Span;
use serde_json::json;

use crate::harness::{Home, Python, root, wait_until};

/// What is found on the sample day, as JSON.
pub(crate) const FLAGS_OF_SAMPLE: [&str; 7] = [
    "flags",
    "--from",
    "2026-06-11",
    "--to",
    "2026-06-12",
    "--format",
    "json",
];

/// The sample day's site file, or its readings.
pub(crate) fn sample(name: &str) -> String {
    fs_err::read_to_string(root().join("sample-logs").join(name)).expect("a sample")
}

/// The sample day's site and readings in a home of their own.
pub(crate) fn sample_home() -> Home {
    let home = Home::new(&sample("site.toml"));
    home.write("sample.csv", &sample("readings.csv"));
    home.run(&["import", "sample.csv"]).expect_code(0);
    home
}

#[test]
fn what_a_footer_tells_of_a_column_is_what_its_rows_say() {
    let first = chrono::NaiveDate::from_ymd_opt(2026, 5, 1).expect("a date");
    let midnight_ms = first
        .and_time(chrono::NaiveTime::MIN)
        .and_utc()
        .timestamp_millis();
    let row = |sensor: &str, minute: i64, quantity: Quantity, late_ms: i64, mark: Mark| Reading {
        at_ms: midnight_ms + minute * 60_000,
        received_ms: midnight_ms + minute * 60_000 + late_ms,
        time_source: TimeSource::Device,
        enclosure: "mossy-1".into(),
        sensor: sensor.into(),
        quantity,
        value: minute as f64 / 10.0,
        mark,
    };
    // Each of the first two fills a row group: one in which nothing was late or marked, one in which some was.
    let quantities = [Quantity::Humidity, Quantity::Temperature];
    let each = |minute: i64| quantities.into_iter().map(move |quantity| (minute, quantity));
    let quiet: Vec<Reading> = (0..5000)
        .flat_map(each)
        .map(|(minute, quantity)| row("a", minute, quantity, 0, Mark::Ok))
        .collect();
    let busy: Vec<Reading> = (0..5000)
        .flat_map(each)
        .map(|(minute, quantity)| {
            let mark = if minute % 11 == 0 {
                Mark::ClockAhead
            } else {
                Mark::Ok
            };
            row("b", minute, quantity, (minute % 7) * 1000, mark)
        })
        .collect();
    let few = ["c", "d"].map(|sensor| vec![row(sensor, 3, Quantity::Humidity, 0, Mark::Impossible)]);
    let home = tempfile::tempdir().expect("room");
    let all: Vec<Vec<Reading>> = [quiet, busy].into_iter().chain(few).collect();
    let mut left = all.clone().into_iter();
    mosswarden_collector::bench::write_month(home.path(), first, || left.next()).expect("room");
    let span = Span {
        from_ms: midnight_ms + 10 * 60_000,
        until_ms: midnight_ms + 4000 * 60_000,
    };
    let archive = home.path().to_owned();
    let read = load::load(&archive, span, None, &[], Vec::new()).expect("it can be read");
    let said = load::Record::from_readings(all.concat(), Vec::new(), span);
    let series = |record: &load::Record| -> Vec<_> {
        record
            .iter()
            .map(|(sensor, quantity, series)| (sensor.to_owned(), quantity, series.clone()))
            .collect()
    };
    assert_eq!(series(&read).len(), 4);
    assert_eq!(series(&read), series(&said));
    let early = Span {
        from_ms: midnight_ms,
        ..span
    };
    let of_c = load::load(&archive, early, Some(&["c".to_owned()].into()), &[], Vec::new());
    let marks = of_c
        .expect("it can be read")
        .get("c", Quantity::Humidity)
        .map(|c| c.mark.clone());
    assert_eq!(marks, Some(vec![Mark::Impossible]));
}

/// A humidistat that reads 0.4 %RH more every month, beside a reference and a probe, over twenty months of daily files merged to months.
#[test]
fn a_drift_of_many_months_is_told_from_the_daily_figures_alone() {
    const MONTHS: u32 = 20;
    const INTERVAL_MS: i64 = 30 * 60_000;
    let sensors = ["check", "low", "stat"];
    let site = format!(
        "[site]\nname = \"Harbour Street nature room (invented)\"\ntimezone = \"UTC\"\n[broker]\nurl = \"builtin\"\nlisten = \"127.0.0.1:0\"\n\n[[enclosure]]\nid = \"mossy-1\"\nspecies = \"mossy-frog\"\n{}",
        sensors.map(|id| format!("[[enclosure.sensor]]\nid = \"{id}\"\nfeeds = [ {{ topic = \"t/{id}\", format = \"senml\" }} ]\n")).concat()
    );
    let home = Home::new(&site);
    let first = chrono::NaiveDate::from_ymd_opt(2024, 11, 1).expect("a date");
    let start_ms =
        |date: chrono::NaiveDate| date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis();
    let value = |sensor: &str, quantity: Quantity, at_ms: i64| {
        let days = (at_ms - start_ms(first)) as f64 / 86_400_000.0;
        let daily = (std::f64::consts::TAU * days).sin();
        // A wobble of its own for each, which comes back at no hour.
        let own = 0.4 * (days * (2.1 + sensor.len() as f64)).sin();
        match quantity {
            Quantity::Temperature => 22.0 + 2.0 * daily,
            _ if sensor == "stat" => 80.0 - 4.0 * daily + own + 0.4 * days / 30.0,
            _ => 80.0 - 4.0 * daily + own,
        }
    };
    for month in 0..MONTHS {
        let [from, until] = [month, month + 1].map(|months| first + chrono::Months::new(months));
        let mut rows = sensors.into_iter().map(|sensor| {
            let times = (start_ms(from)..start_ms(until)).step_by(INTERVAL_MS as usize);
            let each =
                times.flat_map(|at_ms| [Quantity::Humidity, Quantity::Temperature].map(|q| (at_ms, q)));
            each.map(|(at_ms, quantity)| Reading {
                at_ms,
                received_ms: at_ms,
                time_source: TimeSource::Device,
                enclosure: "mossy-1".into(),
                sensor: sensor.into(),
                quantity,
                value: (value(sensor, quantity, at_ms) * 10.0).round() / 10.0,
                mark: Mark::Ok,
            })
            .collect()
        });
        mosswarden_collector::bench::write_month(&home.path("data"), from, || rows.next()).expect("room");
    }
    let asked = [
        "flags",
        "--from",
        "2026-06-24",
        "--to",
        "2026-07-01",
        "--format",
        "json",
    ];
    let drifts = |home: &Home| -> Vec<(String, f64)> {
        let said = home.run(&asked).expect_code(3).json();
        let of_humidity = |f: &&serde_json::Value| f["kind"] == "humidity-drift";
        let found = said["findings"]
            .as_array()
            .expect("findings")
            .iter()
            .filter(of_humidity);
        found
            .map(|f| {
                (
                    f["subject"].to_string(),
                    f["also"][0]["estimate"].as_f64().expect("a bias"),
                )
            })
            .collect()
    };
    let told = drifts(&home);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].0.contains("stat") && (told[0].1 - 8.1).abs() < 1.5,
        "{told:?}"
    );
    // A damaged file of them is named, with the next step; without them nothing is told of what twelve weeks don't show.
    let summaries = home.path("data/summaries");
    fs_err::write(summaries.join("2025-03.parquet"), "nothing").expect("room");
    let said = home.run(&asked).expect_code(1).stderr;
    assert!(
        said.contains("2025-03.parquet") && said.contains("remove it"),
        "{said}"
    );
    fs_err::remove_dir_all(summaries).expect("theirs");
    assert_eq!(drifts(&home), []);
}

#[test]
fn duckdb_and_pyarrow_open_it_unchanged() {
    let Some(python) = Python::find() else {
        return;
    };
    let home = sample_home();
    let rows = home.exported().len();
    let seen = python
        .run(
            "open_archive.py",
            &[&home.path("data/readings").to_string_lossy()],
        )
        .expect_code(0)
        .json();
    let instant = "TIMESTAMP WITH TIME ZONE";
    assert_eq!(
        seen["duckdb"]["types"],
        json!({
            "at": instant, "received": instant, "time_source": "VARCHAR", "enclosure": "VARCHAR",
            "sensor": "VARCHAR", "quantity": "VARCHAR", "value": "DOUBLE", "mark": "VARCHAR", "date": "DATE",
        })
    );
    let instant = "timestamp[ms, tz=UTC]";
    assert_eq!(
        seen["pyarrow"]["types"],
        json!({
            "at": instant, "received": instant, "time_source": "string", "enclosure": "string",
            "sensor": "string", "quantity": "string", "value": "double", "mark": "string", "date": "string",
        })
    );
    for engine in ["duckdb", "pyarrow"] {
        assert_eq!(seen[engine]["rows"], rows, "{engine}");
        // The local day in Lisbon in summer begins at 23:00 UTC of the day before.
        let dates = seen[engine]["rows_by_date"].as_object().expect("dates");
        let dates: Vec<&str> = dates.keys().map(String::as_str).collect();
        assert_eq!(dates, ["2026-06-10", "2026-06-11"], "{engine}");
        assert_eq!(
            seen[engine]["astray"], 0,
            "{engine}: rows outside their partition's UTC day"
        );
    }
    assert_eq!(seen["duckdb"]["rows_by_date"], seen["pyarrow"]["rows_by_date"]);
    assert_eq!(seen["duckdb"]["warmest_c"], seen["pyarrow"]["warmest_c"]);
    let metadata = &seen["metadata"];
    assert_eq!(metadata["mosswarden.format"], "2");
    let units: serde_json::Value =
        serde_json::from_str(metadata["mosswarden.units"].as_str().expect("units")).expect("units are JSON");
    for column in ["at", "received", "value", "quantity", "mark"] {
        assert!(units[column].is_string(), "no word about {column} in {units}");
    }
    assert!(
        units["quantity"]
            .as_str()
            .is_some_and(|text| text.contains("temperature Cel, humidity %RH"))
    );
    assert_eq!(seen["compression"], json!(["ZSTD"]));
}

/// The sample day in a month's file, as a running collector leaves it.
pub(crate) fn sample_month() -> Home {
    let home = sample_home();
    let site = home.path("site.toml");
    let text = fs_err::read_to_string(&site).expect("the site file");
    fs_err::write(&site, with_port(&text)).expect("the home can be written");
    let collector = home.collect();
    wait_until("the month has its daily figures", || {
        home.path("data/summaries/2026-06.parquet").exists()
    });
    wait_until("its days are gone", || {
        !home.path("data/readings/date=2026-06-11").exists()
    });
    collector.stop("TERM");
    assert!(home.path("data/readings/month=2026-06/month.parquet").is_file());
    home
}

/// The sample's site with free ports of this machine.
fn with_port(site: &str) -> String {
    let lines = site.lines().map(|line| match line.split_once('=') {
        Some((key, _)) if key.trim() == "listen" => format!("{key}= \"127.0.0.1:0\""),
        _ => line.to_owned(),
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn a_month_holds_what_its_days_held_and_is_found_sound() {
    let days = sample_home();
    let month = sample_month();
    assert_eq!(month.exported(), days.exported());
    assert_eq!(
        month.run(&FLAGS_OF_SAMPLE).stdout,
        days.run(&FLAGS_OF_SAMPLE).stdout
    );
    let said = month.run(&["verify"]).expect_code(0);
    assert!(said.stdout.ends_with("Nothing is wrong.\n"), "{}", said.stdout);
}

#[test]
fn a_report_of_one_enclosure_bears_its_name() {
    let home = sample_home();
    let enclosure = "dart-1";
    home.run(&["report", "--week", "2026-W24", "--enclosure", enclosure])
        .expect_code(0);
    let text =
        fs_err::read_to_string(home.path("data/reports/report-2026-W24-dart-1.json")).expect("the report");
    let report: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let ids: Vec<&str> = report["enclosures"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|one| one["id"].as_str())
        .collect();
    assert_eq!(ids, [enclosure]);
}

#[test]
fn the_pages_questions_are_answered_by_duckdb() {
    let Some(python) = Python::find() else {
        return;
    };
    let home = sample_month();
    let page = root().join("collector/ARCHIVE.md");
    let rows = python
        .run(
            "ask_archive.py",
            &[
                "duckdb",
                &page.to_string_lossy(),
                &home.path("").to_string_lossy(),
            ],
        )
        .expect_code(0)
        .json();
    let rows: Vec<u64> = rows
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(serde_json::Value::as_u64)
        .collect();
    assert_eq!(rows.len(), 5, "{rows:?}");
    assert!(rows[0] > 0 && rows[4] > 0, "{rows:?}");
    assert_eq!(rows[2], 0, "imported readings did not arrive: {rows:?}");
}

/// What Spark, asked as collector/ARCHIVE.md asks it, says of the archive in this home; with an endpoint, of its like in the tests' bucket.
pub(crate) fn asked_by_spark(python: &Python, home: &Home, endpoint: Option<&str>) -> serde_json::Value {
    let (page, home) = (root().join("collector/ARCHIVE.md"), home.path(""));
    let mut arguments = vec![
        "spark",
        page.to_str().expect("UTF-8"),
        home.to_str().expect("UTF-8"),
    ];
    arguments.extend(endpoint);
    let said = python.run("ask_archive.py", &arguments).expect_code(0);
    serde_json::from_str(said.stdout.lines().last().unwrap_or_default()).expect("JSON")
}

#[test]
fn spark_reads_it_in_place_and_agrees_with_duckdb() {
    let Some(python) = Python::find_with_java() else {
        return;
    };
    let home = sample_month();
    let seen = asked_by_spark(&python, &home, None);
    assert_eq!(seen["same"], true, "{seen}");
    assert_eq!(seen["readings"], home.exported().len(), "{seen}");
}

#[test]
fn a_file_that_is_none_is_told_by_name() {
    let home = sample_home();
    home.write("data/readings/date=2026-06-11/part-1.parquet", "not Parquet");
    let said = home
        .run(&["flags", "--from", "2026-06-11", "--to", "2026-06-12"])
        .expect_code(1);
    assert!(
        said.stderr
            .contains("part-1.parquet is not a readable Parquet file"),
        "{}",
        said.stderr
    );
}

/// Halves of one record in two archives, some of it in both, are judged as the whole.
#[test]
fn several_archives_are_read_as_one() {
    let (site, readings) = (sample("site.toml"), sample("readings.csv"));
    let (header, lines) = readings.split_once('\n').expect("a header");
    let lines: Vec<&str> = lines.lines().collect();
    let home_of = |lines: &[&str]| {
        let home = Home::new(&site);
        home.write("some.csv", &format!("{header}\n{}\n", lines.join("\n")));
        home.run(&["import", "some.csv"]).expect_code(0);
        home
    };
    let third = lines.len() / 3;
    let (whole, first, second) = (
        home_of(&lines),
        home_of(&lines[..2 * third]),
        home_of(&lines[third..]),
    );
    let other = second.path("data").to_string_lossy().into_owned();
    for asked in [
        &FLAGS_OF_SAMPLE[..],
        &["export", "--from", "2026-06-01", "--to", "2026-06-30"],
    ] {
        let (of_whole, alone) = (whole.run(asked), first.run(asked));
        let both = first.run(&[asked, &["--archive", &other]].concat());
        assert_ne!(alone.stdout, of_whole.stdout);
        assert_eq!((both.code, both.stdout), (of_whole.code, of_whole.stdout));
    }
    let said = first
        .run(&["flags", "--archive", "no-such-folder"])
        .expect_code(1);
    assert!(
        said.stderr.contains("no-such-folder is no archive"),
        "a misspelt place is not passed over: {said:?}"
    );
    let said = first.run(&["check", "--archive", &other]).expect_code(2);
    assert!(
        said.stderr.contains("this command reads no further archives"),
        "{said:?}"
    );
}
