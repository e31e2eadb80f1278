//! Real sensors, not ours: three of temperature and humidity in the instrument box of a field station, one in the air outside.
//!
//! Source: PyPI `neptoon` 0.13.0 (MIT; Daniel Power, Martin Schrön), example data of one station, every 15 minutes from 2016-12-31 to
//! 2018-01-12 with a gap of 105 days. What kind the sensors are and how well they were calibrated is not told. Over the gap one of them moved by half a
//! kelvin of dew point against the two others; what was done to the station then is not told either. Nothing was tuned on it.

use std::sync::Arc;

use chrono::{DateTime, NaiveDate, NaiveTime};
use mosswarden_analysis::assess::needed;
use mosswarden_analysis::findings::{Finding, Kind};
use mosswarden_analysis::load::Record;
use mosswarden_analysis::trust;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::harness::{Home, Python, root};

const IN_THE_BOX: [&str; 3] = ["module-1", "module-2", "logger"];
/// Each with five weeks of record before it and four after it.
const STARTS: [&str; 8] = [
    "2017-02-10",
    "2017-03-01",
    "2017-03-20",
    "2017-04-05",
    "2017-10-05",
    "2017-10-25",
    "2017-11-15",
    "2017-12-05",
];
const WEEK_DAYS: i64 = 7;

fn day_ms(date: &str) -> i64 {
    let date: NaiveDate = date.parse().expect("a date");
    date.and_time(NaiveTime::MIN).and_utc().timestamp_millis()
}

struct Recording {
    site: Site,
    readings: Vec<Reading>,
}

impl Recording {
    /// `None` where the package is not there.
    fn open() -> Option<Recording> {
        let site =
            fs_err::read_to_string(root().join("tests/reference/instrument-box.toml")).expect("a site file");
        let home = Home::new(&site);
        let file = home.path("readings.csv");
        Python::find()?
            .run("several_sensors.py", &[&file.to_string_lossy()])
            .expect_code(0);
        let rows = fs_err::read_to_string(&file).expect("the readings");
        let readings: Vec<Reading> = rows.lines().skip(1).map(reading).collect();
        assert_eq!(readings.len(), 208_344);
        Some(Recording {
            site: Site::load(&home.path("site.toml")).expect("a good site file"),
            readings,
        })
    }

    /// What is said of sensors by a week that ends at an instant; `changed` gives what a reading is instead.
    fn judged(&self, until_ms: i64, changed: impl Fn(&Reading) -> f64) -> Vec<Finding> {
        let span = Span {
            from_ms: until_ms - WEEK_DAYS * MS_PER_24_H,
            until_ms,
        };
        let known = needed(span);
        let readings = self
            .readings
            .iter()
            .filter(|reading| known.contains(reading.at_ms));
        let readings = readings.map(|reading| Reading {
            value: changed(reading),
            ..reading.clone()
        });
        let record = Record::from_readings(readings, Vec::new(), known);
        trust::assess(&self.site, &record, span).verdicts.findings
    }
}

fn reading(line: &str) -> Reading {
    let cells: Vec<&str> = line.split(',').collect();
    let at_ms = DateTime::parse_from_rfc3339(cells[0])
        .expect("a time")
        .timestamp_millis();
    Reading {
        at_ms,
        received_ms: at_ms,
        time_source: TimeSource::Device,
        enclosure: Arc::from(cells[1]),
        sensor: Arc::from(cells[2]),
        quantity: Quantity::from_name(cells[3]).expect("a quantity"),
        value: cells[4].parse().expect("a number"),
        mark: Mark::Ok,
    }
}

/// What the test adds to the humidity that one sensor reads.
#[derive(Clone, Copy)]
enum Added {
    PctPer30Days(f64),
    Pct(f64),
}

impl Added {
    fn pct(self, days: f64) -> f64 {
        match self {
            _ if days < 0.0 => 0.0,
            Added::PctPer30Days(rate) => rate * days / 30.0,
            Added::Pct(step) => step,
        }
    }
}

/// What became of one kind of added change, looked at after so many days.
#[derive(Default)]
struct Told {
    cases: usize,
    found: usize,
    of_another: usize,
    /// By how much the stated bias is off, %RH, and whether its interval holds the true one.
    biases: Vec<(f64, bool)>,
}

fn told(recording: &Recording, added: Added, after_days: i64) -> Told {
    let mut told = Told::default();
    for sensor in IN_THE_BOX {
        for start in STARTS {
            let from_ms = day_ms(start);
            let days = |at_ms: i64| (at_ms - from_ms) as f64 / MS_PER_24_H as f64;
            let findings = recording.judged(from_ms + after_days * MS_PER_24_H, |reading| {
                if &*reading.sensor != sensor || reading.quantity != Quantity::Humidity {
                    return reading.value;
                }
                // As the sensor would show it: in tenths, up to the top of its scale.
                let shown = (reading.value + added.pct(days(reading.at_ms))).min(100.0);
                (shown * 10.0).round() / 10.0
            });
            let changes = findings
                .iter()
                .filter(|finding| matches!(finding.kind, Kind::HumidityDrift | Kind::HumidityStep));
            let (right, wrong): (Vec<_>, Vec<_>) = changes.partition(|finding| finding.subject == sensor);
            told.cases += 1;
            told.found += usize::from(!right.is_empty());
            told.of_another += usize::from(!wrong.is_empty());
            let truth = added.pct(after_days as f64);
            for finding in right {
                let now = finding.also.iter().find(|value| value.name.contains("bias"));
                let bias = now.unwrap_or(&finding.value);
                let holds =
                    bias.low.is_some_and(|low| low <= truth) && bias.high.is_some_and(|high| truth <= high);
                told.biases.push(((bias.estimate - truth).abs(), holds));
            }
        }
    }
    told.biases.sort_by(|a, b| a.0.total_cmp(&b.0));
    told
}

#[test]
fn real_sensors_are_believed_and_what_is_added_to_one_of_them_is_found() {
    let Some(recording) = Recording::open() else {
        return;
    };
    // Untouched, week after week: nothing is wrong with any of them but the gap.
    let (mut until_ms, end_ms) = (day_ms("2017-01-23"), day_ms("2018-01-12"));
    let mut weeks = 0;
    while until_ms <= end_ms {
        let findings = recording.judged(until_ms, |reading| reading.value);
        let false_ones: Vec<_> = findings
            .iter()
            .filter(|finding| finding.kind != Kind::SensorSilent)
            .collect();
        assert!(false_ones.is_empty(), "{false_ones:?}");
        until_ms += WEEK_DAYS * MS_PER_24_H;
        weeks += 1;
    }
    println!("{weeks} weeks of 4 sensors as they are: no finding but the silence of the gap");
    // The rates asked for: nine in ten, and eight in ten of the slowest.
    for (added, after_days, words, least) in [
        (Added::PctPer30Days(8.0), 7, "drift of 8 %RH/30 d", 0.9),
        (Added::PctPer30Days(8.0), 14, "drift of 8 %RH/30 d", 0.9),
        (Added::PctPer30Days(4.0), 14, "drift of 4 %RH/30 d", 0.9),
        (Added::PctPer30Days(4.0), 28, "drift of 4 %RH/30 d", 0.9),
        (Added::PctPer30Days(2.0), 28, "drift of 2 %RH/30 d", 0.8),
        (Added::Pct(5.0), 1, "step of 5 %RH", 0.9),
        (Added::Pct(5.0), 3, "step of 5 %RH", 0.9),
    ] {
        let told = told(&recording, added, after_days);
        let middle = told.biases[told.biases.len() / 2].0;
        let held = told.biases.iter().filter(|(_, holds)| *holds).count();
        println!(
            "{words}: {} of {} found within {after_days} d, {} laid to another; bias off by {middle:.2} %RH in the median, interval holds {held} of {}",
            told.found,
            told.cases,
            told.of_another,
            told.biases.len()
        );
        assert!(
            told.found as f64 >= least * told.cases as f64,
            "{words}: {} of {}",
            told.found,
            told.cases
        );
        assert_eq!(told.of_another, 0, "{words}");
        assert!(middle < 1.0, "{words}: {middle}");
        assert!(held as f64 >= 0.9 * told.biases.len() as f64, "{words}: {held}");
    }
}
