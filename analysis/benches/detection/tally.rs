//! What adds up over sites: recall and delay by fault, false findings, how good the stated bias is.

use std::collections::BTreeMap;

use mosswarden_analysis::findings::{Finding, Kind};
use mosswarden_analysis::simulate::truth::TrueFault;
use mosswarden_config::zone::MS_PER_24_H;

use crate::looks::{WEEK_MS, Watched};

/// Days after a fault's start at which it is looked for.
const LOOK_DAYS: [i64; 5] = [1, 3, 7, 14, 28];

#[derive(Default)]
struct Class {
    there: usize,
    /// With a second sensor beside it.
    accompanied: usize,
    /// Found at the look after so many days, of those whose look falls into the record; all, and of those accompanied.
    at_look: [(usize, usize); LOOK_DAYS.len()],
    at_look_accompanied: [(usize, usize); LOOK_DAYS.len()],
    /// Delay to the end of the first week that says so, d.
    delays_d: Vec<f64>,
    /// Stated onset minus true onset, d.
    onset_errors_d: Vec<f64>,
}

#[derive(Default)]
pub(crate) struct Tally {
    classes: BTreeMap<String, Class>,
    faults: Vec<String>,
    false_on_healthy: Vec<String>,
    false_on_faulty: Vec<String>,
    healthy_weeks: usize,
    /// Error of the stated bias, whether its interval covers the truth, and whose it is.
    bias: Vec<(f64, bool)>,
    biases: Vec<String>,
}

impl Tally {
    pub(crate) fn site(&mut self, watched: &Watched) {
        let looks: Vec<(i64, Vec<Finding>)> =
            watched.ends().map(|end| (end, watched.look(end, None))).collect();
        for fault in watched.sensor_faults() {
            self.fault(watched, fault, &looks);
        }
        for (end, findings) in &looks {
            let ill = |sensor: &str| {
                watched
                    .sensor_faults()
                    .any(|fault| fault.subject == sensor && fault.start.0 < *end)
            };
            self.healthy_weeks += watched.sensors().filter(|sensor| !ill(sensor)).count();
            for finding in findings {
                if !explained(watched, finding, *end) {
                    let line = told(watched, finding, *end);
                    if ill(&finding.subject) {
                        self.false_on_faulty.push(line);
                    } else {
                        self.false_on_healthy.push(line);
                    }
                }
                self.bias(watched, finding, *end);
            }
        }
    }

    fn fault(&mut self, watched: &Watched, fault: &TrueFault, looks: &[(i64, Vec<Finding>)]) {
        let last = looks.last().map_or(0, |look| look.0);
        if fault.start.0 > last - WEEK_MS {
            return;
        }
        let kind = fault.kind.as_deref().unwrap_or_default();
        let right = |finding: &&Finding| finding.kind.name() == kind && finding.subject == fault.subject;
        let company = watched.company(fault);
        let class = self
            .classes
            .entry(format!("{}{}", fault.fault, size_class(fault)))
            .or_default();
        class.there += 1;
        class.accompanied += usize::from(company > 1);
        let mut by_look = String::new();
        for (index, days) in LOOK_DAYS.into_iter().enumerate() {
            let at = fault.start.0 + days * MS_PER_24_H;
            if at > last {
                continue;
            }
            let found = watched
                .look(at, Some(&fault.enclosure))
                .iter()
                .any(|finding| right(&finding));
            by_look += if found { "+" } else { "-" };
            class.at_look[index].0 += usize::from(found);
            class.at_look[index].1 += 1;
            if company > 1 {
                class.at_look_accompanied[index].0 += usize::from(found);
                class.at_look_accompanied[index].1 += 1;
            }
        }
        let first = looks.iter().find_map(|(end, findings)| {
            (*end > fault.start.0)
                .then(|| Some((*end, findings.iter().find(right)?)))
                .flatten()
        });
        let days = |from: i64, until: i64| (until - from) as f64 / MS_PER_24_H as f64;
        if let Some((end, finding)) = first {
            class.delays_d.push(days(fault.start.0, end));
            class.onset_errors_d.push(days(fault.start.0, finding.start_ms));
        }
        let said: Vec<String> = looks
            .iter()
            .flat_map(|(end, findings)| findings.iter().map(move |finding| (end, finding)))
            .filter(|(_, finding)| finding.enclosure == fault.enclosure)
            .map(|(end, finding)| {
                format!(
                    "{:.0}:{}@{}",
                    days(fault.start.0, *end),
                    finding.kind.name(),
                    finding.subject
                )
            })
            .collect();
        self.faults.push(format!(
            "seed {} {} of {company} {} {:.2} {} day {:.0} to {:?}: week {:?} looks {by_look} said {}",
            watched.seed,
            fault.subject,
            fault.fault,
            fault.size,
            fault.unit,
            days(watched.begins_ms(), fault.start.0),
            fault.end.map(|end| days(watched.begins_ms(), end.0).round()),
            first.map(|(end, _)| days(fault.start.0, end).round()),
            said.join(" ")
        ));
    }

    /// Compares the bias that a drift or step states with the truth.
    fn bias(&mut self, watched: &Watched, finding: &Finding, end: i64) {
        let says = match finding.kind {
            Kind::HumidityStep => &finding.value,
            Kind::HumidityDrift => &finding.also[0],
            _ => return,
        };
        let faulty = watched.sensor_faults().any(|fault| {
            fault.subject == finding.subject
                && fault.start.0 < end
                && fault
                    .kind
                    .as_deref()
                    .is_some_and(|kind| kind.starts_with("humidity"))
        });
        let systematic = |at: i64| {
            let days = watched.simulation.truth.sensor_days.iter();
            days.filter(|day| day.sensor == finding.subject)
                .filter(|day| {
                    let midnight = day.date.and_time(chrono::NaiveTime::MIN).and_utc();
                    midnight.timestamp_millis() < at - MS_PER_24_H / 2
                })
                .filter_map(|day| day.systematic_pct)
                .next_back()
        };
        let (true, Some(now), Some(before)) = (
            faulty,
            systematic(end),
            systematic(finding.start_ms - MS_PER_24_H),
        ) else {
            return;
        };
        let truth = now - before;
        let (low, high) = (says.low.unwrap_or(0.0), says.high.unwrap_or(0.0));
        self.biases.push(format!(
            "seed {} {} {} says {:.2} [{low:.2} {high:.2}] true {truth:.2}",
            watched.seed,
            finding.kind.name(),
            finding.subject,
            says.estimate,
        ));
        self.bias
            .push((says.estimate - truth, low <= truth && truth <= high));
    }

    pub(crate) fn add(&mut self, other: Tally) {
        for (name, class) in other.classes {
            let into = self.classes.entry(name).or_default();
            into.there += class.there;
            into.accompanied += class.accompanied;
            for index in 0..LOOK_DAYS.len() {
                for (into, from) in [
                    (&mut into.at_look, &class.at_look),
                    (&mut into.at_look_accompanied, &class.at_look_accompanied),
                ] {
                    into[index].0 += from[index].0;
                    into[index].1 += from[index].1;
                }
            }
            into.delays_d.extend(class.delays_d);
            into.onset_errors_d.extend(class.onset_errors_d);
        }
        self.faults.extend(other.faults);
        self.false_on_healthy.extend(other.false_on_healthy);
        self.false_on_faulty.extend(other.false_on_faulty);
        self.healthy_weeks += other.healthy_weeks;
        self.bias.extend(other.bias);
        self.biases.extend(other.biases);
    }

    pub(crate) fn print(&self, list: bool) {
        println!(
            "| fault | there (with a second sensor) | found by week's end | median delay, d | onset off by, d | after 1 d | 3 d | 7 d | 14 d | 28 d | with a second sensor, after 1 d | 3 d | 7 d | 14 d | 28 d |"
        );
        println!("|{}", " --- |".repeat(15));
        for (name, class) in &self.classes {
            let looks = |of: &[(usize, usize)]| {
                of.iter()
                    .map(|(found, looked)| format!("{found}/{looked}"))
                    .collect::<Vec<_>>()
                    .join(" | ")
            };
            println!(
                "| {name} | {} ({}) | {} | {} | {} | {} | {} |",
                class.there,
                class.accompanied,
                class.delays_d.len(),
                median(&class.delays_d),
                median(&class.onset_errors_d.iter().map(|e| e.abs()).collect::<Vec<_>>()),
                looks(&class.at_look),
                looks(&class.at_look_accompanied)
            );
        }
        println!(
            "\nhealthy sensor-weeks: {}; false findings about healthy sensors: {} (1 in {:.0}); findings of another kind about faulty sensors: {}",
            self.healthy_weeks,
            self.false_on_healthy.len(),
            self.healthy_weeks as f64 / self.false_on_healthy.len().max(1) as f64,
            self.false_on_faulty.len()
        );
        let covered = self.bias.iter().filter(|(_, covers)| *covers).count();
        println!(
            "bias: {} estimates, median error {} %RH, interval covers {:.0} %",
            self.bias.len(),
            median(&self.bias.iter().map(|(error, _)| error.abs()).collect::<Vec<_>>()),
            100.0 * covered as f64 / self.bias.len().max(1) as f64
        );
        if list {
            let parts = [
                ("faults", &self.faults),
                ("false on healthy sensors", &self.false_on_healthy),
                ("another kind on faulty sensors", &self.false_on_faulty),
                ("biases", &self.biases),
            ];
            for (title, lines) in parts {
                println!("\n{title}:");
                lines.iter().for_each(|line| println!("  {line}"));
            }
        }
    }
}

/// Whether a fault of the sensor explains the finding: one of its kind or one accepted beside it, that held in the week or in the day
/// before it.
fn explained(watched: &Watched, finding: &Finding, end: i64) -> bool {
    watched.simulation.truth.faults.iter().any(|fault| {
        fault.subject == finding.subject
            && fault.start.0 < end
            && fault
                .end
                .is_none_or(|until| until.0 > end - WEEK_MS - MS_PER_24_H)
            && (fault.kind.as_deref() == Some(finding.kind.name())
                || fault.accepted.iter().any(|kind| kind == finding.kind.name()))
    })
}

fn told(watched: &Watched, finding: &Finding, end: i64) -> String {
    let near: Vec<String> = watched
        .simulation
        .truth
        .faults
        .iter()
        .filter(|fault| fault.enclosure == finding.enclosure && fault.start.0 < end)
        .map(|fault| {
            format!(
                "{}@{} day {}",
                fault.fault,
                fault.subject,
                (fault.start.0 - watched.begins_ms()) / MS_PER_24_H
            )
        })
        .collect();
    format!(
        "seed {} day {} of {}: {} {} {:.2} since day {} [{}] near {near:?}",
        watched.seed,
        (end - watched.begins_ms()) / MS_PER_24_H,
        watched
            .site
            .enclosure(&finding.enclosure)
            .map_or(1, |e| e.sensors.len()),
        finding.kind.name(),
        finding.subject,
        finding.value.estimate,
        (finding.start_ms - watched.begins_ms()) / MS_PER_24_H,
        finding.message
    )
}

fn median(values: &[f64]) -> String {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted
        .get(sorted.len() / 2)
        .map_or("-".to_owned(), |value| format!("{value:.1}"))
}

/// Drifts by their rate in steps that the aims name, steps by size.
fn size_class(fault: &TrueFault) -> String {
    let size = fault.size.abs();
    let class = |edges: &[f64], unit: &str| {
        let upper = edges
            .iter()
            .position(|edge| size < edge - 1e-9)
            .unwrap_or(edges.len());
        let low = if upper == 0 { 0.0 } else { edges[upper - 1] };
        match edges.get(upper) {
            Some(high) => format!(" {low:.0}–{high:.0} {unit}"),
            None => format!(" {low:.0} {unit} and more"),
        }
    };
    match fault.kind.as_deref() {
        Some("humidity-drift") => class(&[2.0, 4.0, 8.0, 12.0], "%RH/30 d"),
        Some("humidity-step") => class(&[3.0, 5.0, 8.0], "%RH"),
        Some("clock-wrong") if fault.fault == "clock-offset" => format!(" {:+.0} min", fault.size / 60.0),
        _ => String::new(),
    }
}
