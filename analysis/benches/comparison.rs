//! Three ways to notice that one of two humidity sensors began to read wrong, on the same simulated sites, week by week:
//! this project's, what a careful keeper does in a spreadsheet, and a plain change-point method.
//!
//! `cargo bench --workspace --bench comparison -- 1 60` takes the seeds 1 to 60.
//!
//! Judged are pairs: each controller or probe with its enclosure's reference. A pair is at fault from the start of a humidity drift,
//! step or loss of span of either sensor. A weekly look that alarms is a hit after that start, and false without a humidity fault in the
//! pair. Which of the two lies is not asked here, since the two simple ways can't say.

use std::collections::BTreeMap;
use std::path::Path;

use mosswarden_analysis::findings::Kind;
use mosswarden_analysis::load::Record;
use mosswarden_analysis::physics::humidity::{dew_point_c, vapour_pressure_pa};
use mosswarden_analysis::simulate::{holdout, run};
use mosswarden_analysis::statistics::change::{self, Model};
use mosswarden_analysis::trust;
use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Role, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span};

const WEEK_MS: i64 = 7 * MS_PER_24_H;
/// The spreadsheet's alarm: the week's mean readings differ by this much more than in the first two weeks, %RH.
const SPREADSHEET_PCT: f64 = 5.0;
/// The change-point method's bound for many sensors (its own documentation), and a floor for the noise of a day's dew point, K.
const EVIDENCE: f64 = 10.0;
const DEW_POINT_NOISE_K: f64 = 0.05;

fn main() {
    let numbers: Vec<u64> = std::env::args()
        .skip(1)
        .filter_map(|argument| argument.parse().ok())
        .collect();
    let (first, last) = (
        numbers.first().copied().unwrap_or(1),
        numbers.get(1).copied().unwrap_or(20),
    );
    let mut tallies: BTreeMap<&str, Tally> = BTreeMap::new();
    for seed in first..=last {
        site(seed, &mut tallies);
    }
    println!(
        "| way | pairs at fault | found | within 7 d | within 14 d | within 28 d | quiet pair-weeks | false alarms |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    for (way, tally) in &tallies {
        let within = |days: f64| tally.delays_d.iter().filter(|delay| **delay <= days).count();
        println!(
            "| {} | {} | {} | {} | {} | {} | {} | {} |",
            &way[2..],
            tally.fault_count,
            tally.delays_d.len(),
            within(7.0),
            within(14.0),
            within(28.0),
            tally.quiet_weeks,
            tally.false_alarms
        );
    }
}

#[derive(Default)]
struct Tally {
    fault_count: usize,
    delays_d: Vec<f64>,
    quiet_weeks: usize,
    false_alarms: usize,
}

fn site(seed: u64, tallies: &mut BTreeMap<&'static str, Tally>) {
    let simulation = run(&holdout::holdout(seed));
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a sound site file");
    let journal: Vec<Entry> = simulation.journal.iter().map(|row| row.entry()).collect();
    let (from, until) = (simulation.truth.from.0, simulation.truth.until.0);
    let pairs: Vec<(String, String)> = site
        .enclosures
        .iter()
        .filter_map(|enclosure| {
            let reference = enclosure.sensors.iter().find(|s| s.role == Role::Reference)?;
            Some(
                enclosure
                    .sensors
                    .iter()
                    .filter(|s| s.role != Role::Reference)
                    .map(|s| (s.id.clone(), reference.id.clone())),
            )
        })
        .flatten()
        .collect();
    let ends: Vec<i64> = (1..)
        .map(|week| from + week * WEEK_MS)
        .take_while(|end| *end <= until)
        .collect();
    // By way and pair: the ends of the weeks that alarmed.
    let mut alarms: BTreeMap<(&'static str, &(String, String)), Vec<i64>> = BTreeMap::new();
    for &end in &ends {
        let span = Span {
            from_ms: from,
            until_ms: end,
        };
        let record = Record::from_readings(
            simulation.readings.iter().filter(|r| r.at_ms < end).cloned(),
            journal.clone(),
            span,
        );
        let outcome = trust::assess(
            &site,
            &record,
            Span {
                from_ms: end - WEEK_MS,
                until_ms: end,
            },
        );
        let told = |id: &str| {
            outcome
                .verdicts
                .findings
                .iter()
                .any(|f| f.subject == id && matches!(f.kind, Kind::HumidityDrift | Kind::HumidityStep))
        };
        for pair in &pairs {
            let ways = [
                ("1 this project", told(&pair.0) || told(&pair.1)),
                (
                    "2 spreadsheet: weekly mean difference, alarm at 5 %RH",
                    spreadsheet(&record, pair, from, end),
                ),
                (
                    "3 change point on daily dew-point differences",
                    change_point(&record, pair, span),
                ),
            ];
            for (way, alarmed) in ways {
                if alarmed {
                    alarms.entry((way, pair)).or_default().push(end);
                } else {
                    alarms.entry((way, pair)).or_default();
                }
            }
        }
    }
    for ((way, pair), ends_alarmed) in alarms {
        let tally = tallies.entry(way).or_default();
        let start = simulation
            .truth
            .faults
            .iter()
            .filter(|f| f.subject == pair.0 || f.subject == pair.1)
            .filter(|f| f.kind.as_deref().is_some_and(|kind| kind.starts_with("humidity")))
            .map(|f| f.start.0)
            .min();
        let quiet = |end: i64| start.is_none_or(|start| end <= start);
        tally.quiet_weeks += ends.iter().filter(|end| quiet(**end)).count();
        tally.false_alarms += ends_alarmed.iter().filter(|end| quiet(**end)).count();
        if let Some(start) = start.filter(|start| *start < until - WEEK_MS) {
            tally.fault_count += 1;
            if let Some(end) = ends_alarmed.iter().find(|end| **end > start) {
                tally.delays_d.push((end - start) as f64 / MS_PER_24_H as f64);
            }
        }
    }
}

/// The mean of a sensor's readings over a span.
fn mean_of(record: &Record, id: &str, quantity: Quantity, span: Span) -> Option<f64> {
    let series = record.get(id, quantity)?;
    Some(series.view().summary(span, series.gap_ms())?.mean)
}

/// The week's mean readings side by side, less what was usual in the first two weeks.
fn spreadsheet(record: &Record, pair: &(String, String), from: i64, end: i64) -> bool {
    let mean = |id: &str, span: Span| mean_of(record, id, Quantity::Humidity, span);
    let difference = |span: Span| Some(mean(&pair.0, span)? - mean(&pair.1, span)?);
    let usual = difference(Span {
        from_ms: from,
        until_ms: from + 2 * WEEK_MS,
    });
    let now = difference(Span {
        from_ms: end - WEEK_MS,
        until_ms: end,
    });
    end > from + 2 * WEEK_MS
        && usual
            .zip(now)
            .is_some_and(|(usual, now)| (now - usual).abs() >= SPREADSHEET_PCT)
}

/// Daily means of the dew points' difference through the model comparison of `statistics::change`.
fn change_point(record: &Record, pair: &(String, String), span: Span) -> bool {
    let dew_point = |id: &str, day: Span| {
        let mean = |quantity: Quantity| mean_of(record, id, quantity, day);
        let (rh, t) = (mean(Quantity::Humidity)?, mean(Quantity::Temperature)?);
        dew_point_c(vapour_pressure_pa(t, rh))
    };
    let (mut times, mut values) = (Vec::new(), Vec::new());
    for number in 0..(span.until_ms - span.from_ms) / MS_PER_24_H {
        let day = Span {
            from_ms: span.from_ms + number * MS_PER_24_H,
            until_ms: span.from_ms + (number + 1) * MS_PER_24_H,
        };
        if let Some((a, b)) = dew_point(&pair.0, day).zip(dew_point(&pair.1, day)) {
            times.push(number as f64);
            values.push(a - b);
        }
    }
    let options = change::Options {
        confidence: 0.95,
        noise_standard_deviation_min: DEW_POINT_NOISE_K,
    };
    change::compare(&times, &values, &options)
        .is_ok_and(|found| found.best != Model::Constant && found.evidence >= EVIDENCE)
}
