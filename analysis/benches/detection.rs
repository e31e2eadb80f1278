//! How often findings are right, on simulated sites with known faults: weeks judged one after another, each with nothing later
//! than its end. `cargo bench --workspace --bench detection -- 1 20` takes the seeds 1 to 20.
//!
//! A fault counts as found when a finding of its kind (or of one that the truth accepts beside it) names its subject; the delay
//! runs from the fault's start to the end of the first week that says so. A finding about a sensor that no fault explains is
//! false.

use std::collections::BTreeMap;
use std::path::Path;

use mosswarden_analysis::findings::{Finding, Kind};
use mosswarden_analysis::load::Record;
use mosswarden_analysis::simulate::truth::TrueFault;
use mosswarden_analysis::simulate::{Simulation, holdout, run};
use mosswarden_analysis::trust;
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

const WEEK_MS: i64 = 7 * MS_PER_24_H;
const SENSOR_KINDS: [Kind; 8] = [
    Kind::HumidityDrift,
    Kind::HumidityStep,
    Kind::SensorStuck,
    Kind::SensorPinned,
    Kind::SensorSpikes,
    Kind::SensorSilent,
    Kind::ClockWrong,
    Kind::TemperatureBias,
];

fn main() {
    let numbers: Vec<u64> = std::env::args()
        .skip(1)
        .filter_map(|argument| argument.parse().ok())
        .collect();
    let (first, last) = (
        numbers.first().copied().unwrap_or(1),
        numbers.get(1).copied().unwrap_or(10),
    );
    let verbose = std::env::args().any(|a| a == "verbose");
    let mut tally = Tally::default();
    for seed in first..=last {
        let simulation = run(&holdout::holdout(seed));
        tally.site(seed, &simulation, verbose);
    }
    tally.print();
}

#[derive(Default)]
struct Tally {
    /// By the simulation's word and size class: delays in days of those found, and how many there were.
    found: BTreeMap<String, (Vec<f64>, usize)>,
    false_findings: Vec<String>,
    sensor_weeks: usize,
    bias_errors: Vec<(f64, bool)>,
}

impl Tally {
    fn site(&mut self, seed: u64, simulation: &Simulation, verbose: bool) {
        let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml)
            .expect("the simulation writes a sound site file");
        let journal: Vec<Entry> = simulation.journal.iter().map(|row| row.entry()).collect();
        let (from, until) = (simulation.truth.from.0, simulation.truth.until.0);
        let mut looks: Vec<(i64, Vec<Finding>)> = Vec::new();
        let mut end = from + WEEK_MS;
        while end <= until {
            let record = Record::from_readings(
                simulation.readings.iter().filter(|r| r.at_ms < end).cloned(),
                journal.clone(),
                Span {
                    from_ms: from,
                    until_ms: end,
                },
            );
            let outcome = trust::assess(
                &site,
                &record,
                Span {
                    from_ms: end - WEEK_MS,
                    until_ms: end,
                },
            );
            looks.push((end, outcome.verdicts.findings));
            end += WEEK_MS;
        }
        let sensors: usize =
            site.enclosures.iter().map(|e| e.sensors.len()).sum::<usize>() + site.room_sensors.len();
        self.sensor_weeks += sensors * looks.len();

        let faults: Vec<&TrueFault> = simulation.truth.faults.iter().collect();
        for fault in &faults {
            let Some(kind) = fault
                .kind
                .as_deref()
                .filter(|k| SENSOR_KINDS.iter().any(|s| s.name() == *k))
            else {
                continue;
            };
            if fault.start.0 > looks.last().map_or(0, |l| l.0) - WEEK_MS {
                continue;
            }
            let hit = looks.iter().find(|(end, findings)| {
                *end > fault.start.0
                    && findings
                        .iter()
                        .any(|f| f.kind.name() == kind && f.subject == fault.subject)
            });
            let class = format!("{} {}", fault.fault, size_class(kind, fault.size));
            let entry = self.found.entry(class).or_default();
            entry.1 += 1;
            if let Some((end, _)) = hit {
                entry.0.push((end - fault.start.0) as f64 / MS_PER_24_H as f64);
            }
            if verbose {
                let other: Vec<&str> = looks
                    .iter()
                    .flat_map(|(_, f)| f)
                    .filter(|f| f.subject == fault.subject)
                    .map(|f| f.kind.name())
                    .collect();
                println!(
                    "seed {seed}: {} {} {:.2} {} → {:?} {:?}",
                    fault.fault,
                    fault.subject,
                    fault.size,
                    fault.unit,
                    hit.map(|(end, _)| (end - fault.start.0) as f64 / MS_PER_24_H as f64),
                    other
                );
            }
        }
        for (end, findings) in &looks {
            for finding in findings {
                let explained = faults.iter().any(|fault| {
                    fault.start.0 < *end
                        && (fault.subject == finding.subject
                            && (fault.kind.as_deref() == Some(finding.kind.name())
                                || fault.accepted.iter().any(|k| k == finding.kind.name())))
                });
                if !explained {
                    let near: Vec<String> = faults
                        .iter()
                        .filter(|f| f.enclosure == finding.enclosure && f.start.0 < *end)
                        .map(|f| format!("{}@{}", f.fault, f.subject))
                        .collect();
                    self.false_findings.push(format!(
                        "seed {seed} day {}: {} {} {:.2} [{}] near {near:?}",
                        (end - from) / MS_PER_24_H,
                        finding.kind.name(),
                        finding.subject,
                        finding.value.estimate,
                        finding.message
                    ));
                }
                if finding.kind == Kind::HumidityDrift || finding.kind == Kind::HumidityStep {
                    self.bias(simulation, finding, *end);
                }
            }
        }
    }

    fn bias(&mut self, simulation: &Simulation, finding: &Finding, end: i64) {
        let says = if finding.kind == Kind::HumidityStep {
            &finding.value
        } else {
            &finding.also[0]
        };
        let days: Vec<_> = simulation
            .truth
            .sensor_days
            .iter()
            .filter(|d| d.sensor == finding.subject)
            .collect();
        let systematic = |at: i64| {
            days.iter()
                .rev()
                .find(|d| {
                    d.date
                        .and_time(chrono::NaiveTime::MIN)
                        .and_utc()
                        .timestamp_millis()
                        < at - MS_PER_24_H / 2
                })
                .and_then(|d| d.systematic_pct)
        };
        let explained = simulation.truth.faults.iter().any(|f| {
            f.subject == finding.subject
                && f.start.0 < end
                && f.kind.as_deref().is_some_and(|k| k.starts_with("humidity"))
        });
        if let (true, Some(now), Some(before)) = (
            explained,
            systematic(end),
            systematic(finding.start_ms - MS_PER_24_H),
        ) {
            let truth = now - before;
            if std::env::args().any(|a| a == "verbose") {
                println!(
                    "bias {} {} says {:.2} [{:.2} {:.2}] true {truth:.2}",
                    finding.kind.name(),
                    finding.subject,
                    says.estimate,
                    says.low.unwrap_or(0.0),
                    says.high.unwrap_or(0.0)
                );
            }
            self.bias_errors.push((
                says.estimate - truth,
                says.low.unwrap_or(0.0) <= truth && truth <= says.high.unwrap_or(0.0),
            ));
        }
    }

    fn print(&mut self) {
        println!("| fault | there | found | within 7 d | within 14 d | within 28 d | median delay, d |");
        println!("| --- | --- | --- | --- | --- | --- | --- |");
        for (class, (delays, count)) in &mut self.found {
            delays.sort_by(f64::total_cmp);
            let within = |days: f64| delays.iter().filter(|d| **d <= days).count();
            let median = delays.get(delays.len() / 2).copied().unwrap_or(f64::NAN);
            println!(
                "| {class} | {count} | {} | {} | {} | {} | {median:.1} |",
                delays.len(),
                within(7.0),
                within(14.0),
                within(28.0)
            );
        }
        println!(
            "\nsensor-weeks: {}; false findings about sensors: {}",
            self.sensor_weeks,
            self.false_findings.len()
        );
        for line in &self.false_findings {
            println!("  {line}");
        }
        let mut errors: Vec<f64> = self.bias_errors.iter().map(|(e, _)| e.abs()).collect();
        errors.sort_by(f64::total_cmp);
        if !errors.is_empty() {
            let covered = self.bias_errors.iter().filter(|(_, c)| *c).count();
            println!(
                "bias: {} estimates, median error {:.2} %RH, interval covers {:.0} %",
                errors.len(),
                errors[errors.len() / 2],
                100.0 * covered as f64 / errors.len() as f64
            );
        }
    }
}

fn size_class(kind: &str, size: f64) -> String {
    match kind {
        "humidity-drift" => format!(
            "{:.0}–{:.0} %RH/30 d",
            (size.abs() / 2.0).floor() * 2.0,
            (size.abs() / 2.0).floor() * 2.0 + 2.0
        ),
        "humidity-step" => format!(
            "{:.0}–{:.0} %RH",
            (size.abs() / 3.0).floor() * 3.0,
            (size.abs() / 3.0).floor() * 3.0 + 3.0
        ),
        _ => String::new(),
    }
}
