//! What the parts cost, each by itself: one message decoded, humidities converted, robust statistics, a month written and read, a room
//! judged, a report made. `cargo bench --workspace --bench parts`, or with a name as a filter; criterion says by how much each changed
//! since the last run.

use std::collections::BTreeSet;
use std::hint::black_box;
use std::path::Path;

use chrono::{Datelike as _, Days};
use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use mosswarden_analysis::assess::{Assessment, assess, needed};
use mosswarden_analysis::load::{Record, load};
use mosswarden_analysis::physics::humidity::humidity_at_pct;
use mosswarden_analysis::report::{self, WeeklyReport, weekly};
use mosswarden_analysis::simulate::{Simulation, run, scenario};
use mosswarden_analysis::statistics::change::{Options, compare};
use mosswarden_analysis::statistics::robust::{hodges_lehmann_shift, median};
use mosswarden_analysis::statistics::trend::theil_sen;
use mosswarden_collector::decode::{Payload, decode};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Format, Site};
use mosswarden_config::table::Reading;
use mosswarden_config::zone::{MS_PER_24_H, Span};

/// Readings of a sensor a minute in a week.
const MINUTES_PER_WEEK: usize = 7 * 24 * 60;
/// Days that a drift is learned from.
const DAYS_OF_HISTORY: usize = 84;

/// The demo's invented room: five enclosures with their faults over four weeks.
struct Room {
    simulation: Simulation,
    site: Site,
    last_week: Span,
}

impl Room {
    fn new() -> Room {
        let simulation = run(&scenario::demo(1, scenario::SINGLE_FROM + Days::new(28)));
        let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
        let until_ms = simulation.truth.until.0;
        let last_week = Span {
            from_ms: until_ms - 7 * MS_PER_24_H,
            until_ms,
        };
        Room {
            simulation,
            site,
            last_week,
        }
    }

    fn record(&self) -> Record {
        let journal = self.simulation.journal.iter().map(|row| row.entry()).collect();
        let readings = self.simulation.readings.iter().cloned();
        Record::from_readings(readings, journal, needed(self.last_week))
    }

    fn report(&self, record: &Record, judged: &Assessment) -> WeeklyReport {
        weekly(
            &self.site,
            record,
            &judged.trust,
            &judged.conditions,
            &judged.verdicts,
            self.last_week,
            None,
            true,
        )
    }
}

/// A course with a bend, and noise that is the same in every run.
fn bent(count: usize) -> (Vec<f64>, Vec<f64>) {
    let noise = |index: usize| (index as f64 * 12.9898).sin() * 43_758.545 % 1.0;
    let times = (0..count).map(|index| index as f64).collect();
    let values = (0..count)
        .map(|index| index.saturating_sub(count / 2) as f64 * 0.1 + noise(index))
        .collect();
    (times, values)
}

fn intake(criterion: &mut Criterion) {
    let feed = |pointer: &str, quantity: Quantity, unit: &str| Format::Json {
        pointer: pointer.to_owned(),
        time_pointer: None,
        quantity,
        unit: unit.to_owned(),
    };
    let feeds = [
        feed("/temperature", Quantity::Temperature, "Cel"),
        feed("/humidity", Quantity::Humidity, "%RH"),
    ];
    let message = br#"{"temperature": 22.4, "humidity": 81.2}"#;
    criterion.bench_function("decode a message of two readings", |bencher| {
        bencher.iter(|| {
            let payload = Payload::new(black_box(message));
            feeds.each_ref().map(|format| decode(format, &payload, 0).is_ok())
        });
    });
}

fn numbers(criterion: &mut Criterion) {
    let (_, week) = bent(MINUTES_PER_WEEK);
    let (times, days) = bent(DAYS_OF_HISTORY);
    let mut group = criterion.benchmark_group("numbers");
    group.throughput(Throughput::Elements(MINUTES_PER_WEEK as u64));
    group.bench_function(
        "humidity at another temperature, a week by the minute",
        |bencher| {
            bencher.iter(|| {
                week.iter()
                    .map(|value| humidity_at_pct(70.0 + value, 22.0 + value, 24.0))
                    .sum::<f64>()
            });
        },
    );
    group.bench_function("median of a week by the minute", |bencher| {
        bencher.iter(|| median(black_box(&week)));
    });
    group.throughput(Throughput::Elements(DAYS_OF_HISTORY as u64));
    group.bench_function("Theil-Sen slope of 84 days", |bencher| {
        bencher.iter(|| theil_sen(black_box(&times), &days, 0.95, 1.0));
    });
    group.bench_function("Hodges-Lehmann shift of 42 days against 42", |bencher| {
        let (before, after) = days.split_at(DAYS_OF_HISTORY / 2);
        bencher.iter(|| hodges_lehmann_shift(black_box(before), after, 0.95, 1.0));
    });
    group.bench_function("step, bend or nothing in 84 days", |bencher| {
        let options = Options {
            confidence: 0.95,
            noise_standard_deviation_min: 0.1,
        };
        bencher.iter(|| compare(black_box(&times), &days, &options));
    });
    group.finish();
}

fn archive(criterion: &mut Criterion) {
    let room = Room::new();
    let mut readings = room.simulation.readings.clone();
    readings.sort_by(|a, b| (&a.sensor, a.at_ms, a.quantity).cmp(&(&b.sensor, b.at_ms, b.quantity)));
    let first = room.site.zone.date(readings[0].at_ms);
    let in_month = |reading: &Reading| {
        let date = room.site.zone.date(reading.at_ms);
        (date.year(), date.month()) == (first.year(), first.month())
    };
    readings.retain(in_month);
    let days: Vec<Vec<Reading>> = readings
        .chunk_by(|a, b| {
            a.sensor == b.sensor && a.at_ms.div_euclid(MS_PER_24_H) == b.at_ms.div_euclid(MS_PER_24_H)
        })
        .map(<[Reading]>::to_vec)
        .collect();
    let folder = tempfile::tempdir().expect("a folder");
    let month = chrono::NaiveDate::from_ymd_opt(first.year(), first.month(), 1).expect("a date");
    let write = |days: Vec<Vec<Reading>>| {
        let mut days = days.into_iter();
        mosswarden_collector::bench::write_month(folder.path(), month, || days.next())
            .expect("room for a month");
    };
    let mut group = criterion.benchmark_group("archive");
    group.sample_size(10);
    group.throughput(Throughput::Elements(readings.len() as u64));
    group.bench_function("write a month of the demo's room", |bencher| {
        bencher.iter_batched(|| days.clone(), write, BatchSize::LargeInput);
    });
    let archive = folder.path().to_path_buf();
    let wanted: BTreeSet<String> = room.site.enclosures[0]
        .sensors
        .iter()
        .map(|sensor| sensor.id.clone())
        .collect();
    let week = Span {
        from_ms: readings[0].at_ms,
        until_ms: readings[0].at_ms + 7 * MS_PER_24_H,
    };
    group.bench_function("read a week of one enclosure out of it", |bencher| {
        bencher.iter(|| load(&archive, week, Some(&wanted), &[], Vec::new()).expect("it can be read"));
    });
    group.finish();
}

fn judgement(criterion: &mut Criterion) {
    let room = Room::new();
    let record = room.record();
    let judged = assess(&room.site, &record, room.last_week);
    let report = room.report(&record, &judged);
    let mut group = criterion.benchmark_group("judgement");
    group.sample_size(10);
    group.bench_function("judge a week of the demo's five enclosures", |bencher| {
        bencher.iter(|| assess(&room.site, black_box(&record), room.last_week));
    });
    group.bench_function("work out the report of that week", |bencher| {
        bencher.iter(|| room.report(&record, &judged));
    });
    group.bench_function("write it as HTML", |bencher| {
        bencher.iter(|| report::html(black_box(&report)))
    });
    group.finish();
}

criterion_group!(parts, intake, numbers, archive, judgement);
criterion_main!(parts);
