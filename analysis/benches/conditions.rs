//! How often findings about the animals' conditions are right, on simulated sites with known faults: week after week, each with nothing
//! later than its end, with the sensors' trust as the program itself judges it.
//!
//! `cargo bench --workspace --bench conditions -- 301 320` takes the seeds 301 to 320; `verbose` lists every miss and false finding;
//! `exact` takes the thermometers' fixed errors away, which shows how much of the degree-hours' error is theirs.
//!
//! Like is compared with like: overheating by the true air at the coolest place of each moment (where animals can be), overcooling at the
//! warmest, nights by the mean over places. A day counts as hot from [`CONDITION_DEGREE_HOURS`] on; one with less than a quarter of that
//! counts as not hot; what lies between is neither right nor wrong. Days that the program says it can't judge are counted apart.

use std::collections::BTreeMap;
use std::path::Path;

use mosswarden_analysis::assess::{Assessment, assess, needed};
use mosswarden_analysis::conditions::{Outcome, Ran};
use mosswarden_analysis::findings::{Finding, Kind};
use mosswarden_analysis::load::Record;
use mosswarden_analysis::simulate::sensor::Role;
use mosswarden_analysis::simulate::truth::{
    CONDITION_DEGREE_HOURS, CONDITION_HUMIDITY_H, CONDITION_NIGHT_K, DayTruth, TrueFault,
};
use mosswarden_analysis::simulate::{Change, Simulation, SiteSpec, holdout, run};
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

const WEEK_MS: i64 = 7 * MS_PER_24_H;
/// Weeks that only serve to learn what is usual.
const FIRST_WEEK: i64 = 2;
/// Below this share of a threshold a day counts as free of it.
const FREE_FRAC: f64 = 0.25;
/// Light hours off by this much count as wrong, by less than the second as right, h.
const LIGHT_WRONG_H: f64 = 0.75;
const LIGHT_RIGHT_H: f64 = 0.25;
/// A finding that holds this shortly before or after a fault or condition belongs to it.
const NEAR_MS: i64 = 2 * MS_PER_24_H;
const CONDITION_KINDS: [Kind; 15] = [
    Kind::Overheating,
    Kind::Overcooling,
    Kind::NightTooWarm,
    Kind::NightTooCold,
    Kind::NoNightDrop,
    Kind::HeaterStuckOn,
    Kind::HeaterFailed,
    Kind::HumidityTooLow,
    Kind::HumidityTooHigh,
    Kind::SetpointMissed,
    Kind::MistWeak,
    Kind::MistMissed,
    Kind::StaysWet,
    Kind::LightHoursWrong,
    Kind::CareOverdue,
];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let numbers: Vec<u64> = arguments
        .iter()
        .filter_map(|argument| argument.parse().ok())
        .collect();
    let (first, last) = (
        numbers.first().copied().unwrap_or(1),
        numbers.get(1).copied().unwrap_or(10),
    );
    let exact = arguments.iter().any(|argument| argument == "exact");
    let mut bench = Bench::default();
    for seed in first..=last {
        let mut spec = holdout::holdout(seed);
        if exact {
            for sensor in spec
                .enclosures
                .iter_mut()
                .flat_map(|enclosure| &mut enclosure.sensors)
            {
                sensor.traits.offset_k = 0.0;
            }
        }
        bench.site(&spec, &run(&spec));
    }
    bench.print(arguments.iter().any(|argument| argument == "verbose"));
}

/// Counts of one measure.
#[derive(Debug, Default)]
struct Tally {
    hits: usize,
    missed: usize,
    false_alarms: usize,
    unjudged: usize,
    notes: Vec<String>,
}

impl Tally {
    /// Counts one day, night or run: `there` by the truth (`None`: neither), what was said, and whether it was called unjudged.
    fn count(&mut self, there: Option<bool>, said: bool, unjudged: bool, note: impl Fn() -> String) {
        match (there, said) {
            (Some(true), true) => self.hits += 1,
            (Some(true), false) if unjudged => {
                self.unjudged += 1;
                self.notes.push(format!("unjudged {}", note()));
            }
            (Some(true), false) => {
                self.missed += 1;
                self.notes.push(format!("missed {}", note()));
            }
            (Some(false), true) => {
                self.false_alarms += 1;
                self.notes.push(format!("false {}", note()));
            }
            _ => {}
        }
    }

    fn recall(&self) -> f64 {
        self.hits as f64 / (self.hits + self.missed) as f64
    }

    fn precision(&self) -> f64 {
        self.hits as f64 / (self.hits + self.false_alarms) as f64
    }
}

#[derive(Debug, Default)]
struct Bench {
    tallies: BTreeMap<&'static str, Tally>,
    /// Estimate over truth minus 1, of hot days found.
    degree_hour_errors: Vec<(f64, f64)>,
    interval_holds: usize,
    half_life_ratios: Vec<f64>,
    light_errors_h: Vec<f64>,
    healthy_weeks: usize,
    healthy_false: Vec<String>,
    enclosure_weeks: usize,
    /// By constant: intervals that hold the truth, relative errors, relative half-widths; and how many places there were.
    constants: BTreeMap<&'static str, (usize, Vec<f64>, Vec<f64>)>,
    places: usize,
    /// Faults of devices by the simulation's word: days from the start to the end of the first week that says so, and how many there were.
    faults: BTreeMap<String, (Vec<f64>, usize)>,
}

/// One enclosure's week.
struct Week<'a> {
    site: &'a Site,
    simulation: &'a Simulation,
    outcome: &'a Outcome,
    span: Span,
}

impl Week<'_> {
    fn found(&self, kind: Kind, is_it: impl Fn(&Finding) -> bool) -> Option<&Finding> {
        self.outcome
            .verdicts
            .findings
            .iter()
            .find(|finding| finding.kind == kind && is_it(finding))
    }

    fn unjudged(&self, kind: Kind, span: Span) -> bool {
        self.outcome
            .verdicts
            .not_assessed
            .iter()
            .any(|item| item.kind == kind && item.span.is_some_and(|s| s.intersect(span).is_some()))
    }

    /// True days wholly inside the week.
    fn days(&self) -> impl Iterator<Item = &DayTruth> {
        self.simulation.truth.days.iter().filter(|day| {
            day.enclosure == self.outcome.enclosure
                && day.from.0 >= self.span.from_ms
                && day.until.0 <= self.span.until_ms
        })
    }

    fn faults(&self) -> impl Iterator<Item = &TrueFault> {
        self.simulation
            .truth
            .faults
            .iter()
            .filter(|fault| fault.enclosure == self.outcome.enclosure || fault.enclosure == "room")
    }

    fn note(&self, day: &DayTruth, what: String) -> String {
        format!(
            "{} {} {} faults {:?}: {what}",
            self.simulation.truth.seed, self.outcome.enclosure, day.date, day.faults
        )
    }
}

/// What a threshold makes of a true value.
fn beyond(value: f64, threshold: f64) -> Option<bool> {
    if value >= threshold {
        Some(true)
    } else if value <= FREE_FRAC * threshold {
        Some(false)
    } else {
        None
    }
}

fn said(finding: Option<&Finding>) -> String {
    finding.map_or_else(
        || "nothing".to_owned(),
        |f| format!("{:.2}: {}", f.value.estimate, f.message),
    )
}

impl Bench {
    fn tally(&mut self, name: &'static str) -> &mut Tally {
        self.tallies.entry(name).or_default()
    }

    fn site(&mut self, spec: &SiteSpec, simulation: &Simulation) {
        let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml)
            .expect("the simulation writes a sound site file");
        let journal: Vec<Entry> = simulation.journal.iter().map(|row| row.entry()).collect();
        let (from_ms, until_ms) = (simulation.truth.from.0, simulation.truth.until.0);
        let mut looks: Vec<(i64, Assessment)> = Vec::new();
        for week in FIRST_WEEK..(until_ms - from_ms) / WEEK_MS {
            let span = Span {
                from_ms: from_ms + week * WEEK_MS,
                until_ms: from_ms + (week + 1) * WEEK_MS,
            };
            let record =
                Record::from_readings(simulation.readings.iter().cloned(), journal.clone(), needed(span));
            let assessment = assess(&site, &record, span);
            for outcome in &assessment.conditions {
                self.week(&Week {
                    site: &site,
                    simulation,
                    outcome,
                    span,
                });
            }
            looks.push((span.until_ms, assessment));
        }
        if let Some((_, last)) = looks.last() {
            for outcome in &last.conditions {
                self.constants(spec, simulation, outcome);
            }
        }
        self.device_faults(simulation, &looks);
    }

    /// What was learned of each place's heat against the simulation's constants.
    fn constants(&mut self, spec: &SiteSpec, simulation: &Simulation, outcome: &Outcome) {
        let Some(truth) = simulation
            .truth
            .enclosures
            .iter()
            .find(|truth| truth.enclosure == outcome.enclosure)
        else {
            return;
        };
        let sensors = || {
            spec.enclosures
                .iter()
                .filter(|enclosure| enclosure.id == outcome.enclosure)
                .flat_map(|enclosure| &enclosure.sensors)
                .filter(|sensor| sensor.role != Some(Role::Controller))
        };
        self.places += sensors().count();
        for place in &outcome.would_do.places {
            let moved = spec.events.iter().any(|event| {
                event.subject == place.sensor && matches!(event.change, Change::SensorMoved { .. })
            });
            let Some(position) = sensors()
                .find(|sensor| sensor.id == place.sensor && !moved)
                .map(|sensor| sensor.position)
            else {
                continue;
            };
            let at = |(warm_k, cool_k): (f64, f64)| cool_k + position.warm_frac * (warm_k - cool_k);
            for (name, learned, true_value) in [
                (
                    "lamp's rise, K",
                    place.lamp_rise_k,
                    at(truth.lamp_rise_k) + position.lamp_k,
                ),
                ("heater's rise, K", place.heater_rise_k, at(truth.heater_rise_k)),
            ] {
                let Some(learned) = learned else { continue };
                let entry = self.constants.entry(name).or_default();
                entry.0 += usize::from(learned.holds(true_value));
                entry.1.push(learned.value / true_value - 1.0);
                entry.2.push((learned.high - learned.low) / 2.0 / learned.value);
                if !learned.holds(true_value) {
                    let note = format!(
                        "{} {} {name}: true {true_value:.2}, learned {:.2} ({:.2} to {:.2}), days {}, residual {:.2}",
                        spec.seed,
                        place.sensor,
                        learned.value,
                        learned.low,
                        learned.high,
                        place.days,
                        place.residual_k
                    );
                    self.tally("constants of heat").notes.push(note);
                }
            }
        }
    }

    fn week(&mut self, week: &Week<'_>) {
        self.enclosure_weeks += 1;
        for day in week.days() {
            self.heat(week, day);
            self.moisture(week, day);
            self.night(week, day);
            self.light(week, day);
        }
        self.runs(week);
        self.others(week);
    }

    fn heat(&mut self, week: &Week<'_>, day: &DayTruth) {
        let span = Span {
            from_ms: day.from.0,
            until_ms: day.until.0,
        };
        for (name, kind, true_k_h) in [
            (
                "overheating days",
                Kind::Overheating,
                day.over_at_coolest_degree_hours,
            ),
            (
                "overcooling days",
                Kind::Overcooling,
                day.under_at_warmest_degree_hours,
            ),
        ] {
            let finding = week.found(kind, |f| week.site.zone.date(f.start_ms) == day.date);
            let there = beyond(true_k_h, CONDITION_DEGREE_HOURS);
            self.tally(name)
                .count(there, finding.is_some(), week.unjudged(kind, span), || {
                    week.note(day, format!("true {true_k_h:.2}, said {}", said(finding)))
                });
            if let (Kind::Overheating, Some(true), Some(finding)) = (kind, there, finding) {
                self.degree_hour_errors
                    .push((finding.value.estimate / true_k_h - 1.0, true_k_h));
                let (low, high) = (
                    finding.value.low.unwrap_or(0.0),
                    finding.value.high.unwrap_or(0.0),
                );
                self.interval_holds += usize::from(low <= true_k_h && true_k_h <= high);
                self.cause(week, day, finding);
            }
        }
    }

    /// The sun is no cause that a finding can name: it counts as one that can't be told.
    fn cause(&mut self, week: &Week<'_>, day: &DayTruth, finding: &Finding) {
        let Some(truth) = day.over_cause.as_deref() else {
            return;
        };
        let says = finding.cause.map_or("sun", |cause| cause.name());
        let tally = self.tally("cause of overheating");
        if says == truth {
            tally.hits += 1;
        } else {
            tally.missed += 1;
            tally.notes.push(week.note(
                day,
                format!("true cause {truth}, said {says}: {}", finding.message),
            ));
        }
    }

    fn moisture(&mut self, week: &Week<'_>, day: &DayTruth) {
        let span = Span {
            from_ms: day.from.0,
            until_ms: day.until.0,
        };
        for (name, kind, true_h) in [
            ("days too dry", Kind::HumidityTooLow, day.below_band_h),
            ("days too wet", Kind::HumidityTooHigh, day.above_band_h),
        ] {
            let finding = week.found(kind, |f| week.site.zone.date(f.start_ms) == day.date);
            self.tally(name).count(
                beyond(true_h, CONDITION_HUMIDITY_H),
                finding.is_some(),
                week.unjudged(kind, span),
                || week.note(day, format!("true {true_h:.2} h, said {}", said(finding))),
            );
        }
    }

    fn night(&mut self, week: &Week<'_>, day: &DayTruth) {
        let Some(night) = day
            .night
            .as_ref()
            .filter(|night| night.until.0 <= week.span.until_ms)
        else {
            return;
        };
        let span = Span {
            from_ms: night.from.0,
            until_ms: night.until.0,
        };
        for (name, kind, wrong_k) in [
            ("nights too warm", Kind::NightTooWarm, night.excess_k),
            ("nights too cold", Kind::NightTooCold, -night.excess_k),
        ] {
            let finding = week.found(kind, |f| f.start_ms == night.from.0);
            let there = if wrong_k >= CONDITION_NIGHT_K {
                Some(true)
            } else {
                (wrong_k <= 0.0).then_some(false)
            };
            self.tally(name)
                .count(there, finding.is_some(), week.unjudged(kind, span), || {
                    week.note(day, format!("true {wrong_k:.2} K, said {}", said(finding)))
                });
        }
    }

    fn light(&mut self, week: &Week<'_>, day: &DayTruth) {
        let off_h = day.light_h - day.light_asked_h;
        let there = if off_h.abs() >= LIGHT_WRONG_H {
            Some(true)
        } else {
            (off_h.abs() <= LIGHT_RIGHT_H).then_some(false)
        };
        let span = Span {
            from_ms: day.from.0,
            until_ms: day.until.0,
        };
        let finding = week.found(Kind::LightHoursWrong, |f| {
            f.start_ms < day.until.0 && f.end_ms.is_none_or(|end| end > day.from.0)
        });
        self.tally("days of wrong light hours").count(
            there,
            finding.is_some(),
            week.unjudged(Kind::LightHoursWrong, span),
            || week.note(day, format!("true {off_h:+.2} h, said {}", said(finding))),
        );
        let measured = week
            .outcome
            .days
            .iter()
            .find(|measured| measured.local_date == day.date)
            .and_then(|measured| measured.light_h);
        self.light_errors_h
            .extend(measured.map(|light_h| light_h - day.light_h));
    }

    fn runs(&mut self, week: &Week<'_>) {
        const NEAR_RUN_MS: i64 = 20 * 60_000;
        for run in &week.simulation.truth.runs {
            if run.enclosure != week.outcome.enclosure || !week.span.contains(run.at.0) || run.by_hand {
                continue;
            }
            let Some(misting) = week
                .outcome
                .mistings
                .iter()
                .find(|m| m.scheduled && (m.at_ms - run.at.0).abs() < NEAR_RUN_MS)
            else {
                continue;
            };
            self.tally("missed runs").count(
                Some(!run.ran),
                misting.ran == Ran::No,
                misting.ran == Ran::NotKnown,
                || format!("{} {} {:?}", week.simulation.truth.seed, run.enclosure, run.at),
            );
            if let Some(half_life) = misting.half_life_min.filter(|_| !run.saturated && run.ran) {
                self.half_life_ratios.push(half_life / run.half_life_min);
            }
        }
    }

    /// Findings that nothing in the truth explains, of every kind; those of healthy weeks are counted by themselves.
    fn others(&mut self, week: &Week<'_>) {
        let began = |fault: &&TrueFault| fault.start.0 < week.span.until_ms;
        let healthy = week.faults().filter(began).count() == 0;
        self.healthy_weeks += usize::from(healthy);
        for finding in &week.outcome.verdicts.findings {
            if !CONDITION_KINDS.contains(&finding.kind) || explained(week, finding) {
                continue;
            }
            let line = format!(
                "{} {} {}: {}",
                week.simulation.truth.seed,
                week.outcome.enclosure,
                finding.kind.name(),
                finding.message
            );
            if healthy {
                self.healthy_false.push(line.clone());
            }
            let tally = self.tally("any finding");
            tally.false_alarms += 1;
            tally.notes.push(format!("false {line}"));
        }
        self.tally("any finding").hits += week
            .outcome
            .verdicts
            .findings
            .iter()
            .filter(|finding| CONDITION_KINDS.contains(&finding.kind) && explained(week, finding))
            .count();
    }

    /// Faults of devices: found, and how soon.
    fn device_faults(&mut self, simulation: &Simulation, looks: &[(i64, Assessment)]) {
        const OURS: [&str; 5] = [
            "heater-stuck-on",
            "heater-failed",
            "mist-weak",
            "mist-missed",
            "light-hours-wrong",
        ];
        let last_ms = looks.last().map_or(0, |look| look.0);
        for fault in &simulation.truth.faults {
            let Some(kind) = fault.kind.as_deref().filter(|kind| OURS.contains(kind)) else {
                continue;
            };
            if fault.start.0 > last_ms - WEEK_MS {
                continue;
            }
            let first = looks.iter().find(|(end_ms, look)| {
                *end_ms > fault.start.0
                    && look.verdicts.findings.iter().any(|finding| {
                        finding.kind.name() == kind
                            && finding.enclosure == fault.enclosure
                            && finding.end_ms.is_none_or(|end| end + MS_PER_24_H > fault.start.0)
                            && fault.end.is_none_or(|end| finding.start_ms < end.0 + MS_PER_24_H)
                    })
            });
            let entry = self.faults.entry(fault.fault.clone()).or_default();
            entry.1 += 1;
            match first {
                Some((end_ms, _)) => entry.0.push((end_ms - fault.start.0) as f64 / MS_PER_24_H as f64),
                None => self.tally("faults of devices").notes.push(format!(
                    "missed {} {} {} {:?} to {:?} size {:.2}",
                    simulation.truth.seed, fault.fault, fault.subject, fault.start, fault.end, fault.size
                )),
            }
        }
    }

    fn print(&mut self, verbose: bool) {
        println!("| measure | there | found | recall | false | precision | said not judged |");
        println!("| --- | --- | --- | --- | --- | --- | --- |");
        for (name, tally) in &self.tallies {
            println!(
                "| {name} | {} | {} | {:.3} | {} | {:.3} | {} |",
                tally.hits + tally.missed,
                tally.hits,
                tally.recall(),
                tally.false_alarms,
                tally.precision(),
                tally.unjudged
            );
        }
        self.print_degree_hours();
        quantiles("half-life over truth", &mut self.half_life_ratios);
        quantiles("hours of light minus truth, h", &mut self.light_errors_h);
        println!("\nplaces of animals {}:", self.places);
        for (name, (held, errors, widths)) in &mut self.constants {
            println!(
                "{name}: learned at {}, interval holds the truth at {held}",
                errors.len()
            );
            quantiles("  relative error", errors);
            quantiles("  relative half-width", widths);
        }
        println!(
            "\n| fault of a device | there | found | within 7 d | median days to the week that says so |"
        );
        println!("| --- | --- | --- | --- | --- |");
        for (fault, (delays, count)) in &mut self.faults {
            delays.sort_by(f64::total_cmp);
            println!(
                "| {fault} | {count} | {} | {} | {:.1} |",
                delays.len(),
                delays.iter().filter(|days| **days <= 7.0).count(),
                delays.get(delays.len() / 2).copied().unwrap_or(f64::NAN)
            );
        }
        println!(
            "\nenclosure-weeks {}; healthy {}, false findings about conditions in them {}",
            self.enclosure_weeks,
            self.healthy_weeks,
            self.healthy_false.len()
        );
        for line in &self.healthy_false {
            println!("  {line}");
        }
        if verbose {
            for (name, tally) in &self.tallies {
                println!("\n{name}:");
                for note in &tally.notes {
                    println!("  {note}");
                }
            }
        }
    }

    fn print_degree_hours(&mut self) {
        /// Days from here on are plainly hot.
        const PLAIN_DEGREE_HOURS: f64 = 2.0;
        let mut all: Vec<f64> = self.degree_hour_errors.iter().map(|(error, _)| *error).collect();
        quantiles("degree-hours over truth minus 1", &mut all);
        let mut plain: Vec<f64> = self
            .degree_hour_errors
            .iter()
            .filter(|(_, truth)| *truth >= PLAIN_DEGREE_HOURS)
            .map(|(error, _)| *error)
            .collect();
        quantiles("the same on days of 2 °C·h and more", &mut plain);
        let (said, truth) = self
            .degree_hour_errors
            .iter()
            .fold((0.0, 0.0), |(said, sum), (error, truth)| {
                (said + (1.0 + error) * truth, sum + truth)
            });
        let within = all.iter().filter(|error| error.abs() <= 0.1).count();
        println!(
            "degree-hours: sum over all days {:+.1} %; within 10 % on {within} of {} days; interval holds the truth on {}",
            100.0 * (said / truth - 1.0),
            all.len(),
            self.interval_holds
        );
    }
}

/// Whether the truth explains a finding: a day or night outside the limits, or a fault that may bring it.
fn explained(week: &Week<'_>, finding: &Finding) -> bool {
    let name = finding.kind.name();
    let end_ms = finding.end_ms.unwrap_or(week.span.until_ms);
    let overlaps = |fault: &TrueFault| {
        fault.start.0 - NEAR_MS < end_ms && fault.end.is_none_or(|end| end.0 + NEAR_MS > finding.start_ms)
    };
    let truth = &week.simulation.truth;
    let days = || {
        truth.days.iter().filter(|day| {
            day.enclosure == finding.enclosure && day.from.0 < end_ms && day.until.0 > finding.start_ms
        })
    };
    // By the day or night itself where the truth states the very measure.
    match finding.kind {
        Kind::Overheating => {
            return days().any(|d| d.over_at_coolest_degree_hours > FREE_FRAC * CONDITION_DEGREE_HOURS);
        }
        Kind::Overcooling => {
            return days().any(|d| d.under_at_warmest_degree_hours > FREE_FRAC * CONDITION_DEGREE_HOURS);
        }
        Kind::NightTooWarm => return days().any(|d| d.night.as_ref().is_some_and(|n| n.excess_k > 0.0)),
        Kind::NightTooCold => return days().any(|d| d.night.as_ref().is_some_and(|n| n.excess_k < 0.0)),
        Kind::HumidityTooLow => return days().any(|d| d.below_band_h > FREE_FRAC * CONDITION_HUMIDITY_H),
        Kind::HumidityTooHigh => return days().any(|d| d.above_band_h > FREE_FRAC * CONDITION_HUMIDITY_H),
        Kind::LightHoursWrong => return days().any(|d| (d.light_h - d.light_asked_h).abs() > LIGHT_RIGHT_H),
        _ => {}
    }
    let by_fault = week.faults().any(|fault| {
        overlaps(fault)
            && (fault.kind.as_deref() == Some(name) || fault.accepted.iter().any(|kind| kind == name))
    });
    let by_condition = truth.conditions.iter().any(|condition| {
        condition.enclosure == finding.enclosure
            && condition.kind.as_deref() == Some(name)
            && overlaps(condition)
    });
    by_fault || by_condition
}

fn quantiles(name: &str, values: &mut [f64]) {
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        values
            .get(((values.len().max(1) - 1) as f64 * share).round() as usize)
            .copied()
            .unwrap_or(f64::NAN)
    };
    println!(
        "{name}, n {}: 10/25/50/75/90 %: {:+.3} {:+.3} {:+.3} {:+.3} {:+.3}",
        values.len(),
        at(0.1),
        at(0.25),
        at(0.5),
        at(0.75),
        at(0.9)
    );
}
