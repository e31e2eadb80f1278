//! How often what is said of moisture and mistings is right, with sensors as `trust` hands them on: weeks judged one after another,
//! each with nothing later than its end.
//!
//! `cargo bench --workspace --bench moisture -- 1 60` takes the random hold-out sites of seeds 1 to 60;
//! `... -- mistings 1 40` sites with one misting fault an enclosure; `hand` takes mistings by hand out of the journal and asks which
//! of them are seen; `verbose` names each miss and each false finding, and how the air was exchanged in each healthy week.
//!
//! A weak misting counts from the instant at which the yield has fallen to 60 % of the usual; an empty reservoir is asked for at the
//! end of the day after it began. False is a finding about conditions in an enclosure-week without any fault in it, its room or the
//! day before, whose like the truth does not hold either.

use std::collections::BTreeMap;
use std::path::Path;

use mosswarden_analysis::assess::{Assessment, assess, needed};
use mosswarden_analysis::conditions::{Airing, Outcome, Ran};
use mosswarden_analysis::findings::{Finding, Kind};
use mosswarden_analysis::load::Record;
use mosswarden_analysis::simulate::truth::TrueFault;
use mosswarden_analysis::simulate::{Simulation, SiteSpec, holdout, mistings, run};
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_24_H, Span};

const WEEK_MS: i64 = 7 * MS_PER_24_H;
/// Weeks that only teach what is usual.
const FIRST_WEEK: i64 = 2;
/// Share of the usual yield from which on a misting counts as weak.
const WEAK_FRAC: f64 = 0.6;
/// Kinds of the sensors; all others are about conditions.
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
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let numbers: Vec<u64> = arguments.iter().filter_map(|a| a.parse().ok()).collect();
    let first = numbers.first().copied().unwrap_or(1);
    let last = numbers.get(1).copied().unwrap_or(10);
    let planted = arguments.iter().any(|a| a == "mistings");
    let mut tally = Tally {
        verbose: arguments.iter().any(|a| a == "verbose"),
        by_hand: arguments.iter().any(|a| a == "hand").then(Score::default),
        ..Tally::default()
    };
    for seed in first..=last {
        let spec = if planted {
            mistings::mistings(seed)
        } else {
            holdout::holdout(seed)
        };
        tally.site(&spec);
    }
    tally.print();
}

#[derive(Default)]
struct Tally {
    verbose: bool,
    /// Mistings by hand seen in the signal, where the journal does not tell them.
    by_hand: Option<Score>,
    /// Misting faults by class: delays in days of those found within a week, and how many there were.
    found: BTreeMap<String, (Vec<f64>, usize)>,
    empty_next_day: (usize, usize),
    missed_runs: Score,
    by_day: BTreeMap<&'static str, Score>,
    /// Fitted half-life over the true one, run by run, and the week's median of it.
    half_life_ratios: Vec<f64>,
    half_life_week_ratios: Vec<f64>,
    healthy_weeks: usize,
    /// Healthy enclosure-weeks in which the air is said to be exchanged otherwise than usual.
    false_airings: usize,
    false_findings: Vec<String>,
}

#[derive(Default, Debug)]
struct Score {
    hits: usize,
    missed: usize,
    false_alarms: usize,
    not_judged: usize,
}

impl Score {
    fn text(&self) -> String {
        let recall = self.hits as f64 / (self.hits + self.missed).max(1) as f64;
        let precision = self.hits as f64 / (self.hits + self.false_alarms).max(1) as f64;
        format!(
            "found {}, missed {}, false {}, not judged {}: recall {recall:.3}, precision {precision:.3}",
            self.hits, self.missed, self.false_alarms, self.not_judged
        )
    }
}

/// A simulated site as the analysis sees it.
struct Seen<'a> {
    simulation: &'a Simulation,
    site: Site,
    journal: Vec<Entry>,
}

impl Seen<'_> {
    fn judge(&self, span: Span) -> Assessment {
        let record = Record::from_readings(
            self.simulation
                .readings
                .iter()
                .filter(|r| r.at_ms < span.until_ms)
                .cloned(),
            self.journal
                .iter()
                .filter(|e| e.at_ms < span.until_ms)
                .cloned()
                .collect(),
            needed(span),
        );
        assess(&self.site, &record, span)
    }
}

impl Tally {
    fn site(&mut self, spec: &SiteSpec) {
        let simulation = run(spec);
        let seen = Seen {
            site: Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file"),
            journal: simulation
                .journal
                .iter()
                .map(|row| row.entry())
                .filter(|entry| self.by_hand.is_none() || entry.kind != "misted-by-hand")
                .collect(),
            simulation: &simulation,
        };
        let (from_ms, until_ms) = (simulation.truth.from.0, simulation.truth.until.0);
        let mut looks: Vec<(i64, Vec<Finding>)> = Vec::new();
        for week in FIRST_WEEK..(until_ms - from_ms) / WEEK_MS {
            let span = Span {
                from_ms: from_ms + week * WEEK_MS,
                until_ms: from_ms + (week + 1) * WEEK_MS,
            };
            let assessment = seen.judge(span);
            for outcome in &assessment.conditions {
                self.week(&seen, outcome, span);
            }
            looks.push((span.until_ms, assessment.verdicts.findings));
        }
        for fault in &simulation.truth.faults {
            self.fault(&seen, fault, &looks);
        }
    }

    fn week(&mut self, seen: &Seen<'_>, outcome: &Outcome, span: Span) {
        let truth = &seen.simulation.truth;
        let id = &outcome.enclosure;
        for run in truth
            .runs
            .iter()
            .filter(|r| r.enclosure == *id && span.contains(r.at.0) && !r.by_hand)
        {
            let near = outcome
                .mistings
                .iter()
                .find(|m| (m.at_ms - run.at.0).abs() < 20 * 60_000 && m.scheduled);
            let Some(misting) = near else { continue };
            match (run.ran, misting.ran) {
                (false, Ran::No) => self.missed_runs.hits += 1,
                (false, Ran::Yes) => self.missed_runs.missed += 1,
                (true, Ran::No) => self.missed_runs.false_alarms += 1,
                (false, Ran::NotKnown) => self.missed_runs.not_judged += 1,
                _ => {}
            }
            if let Some(half_life) = misting.half_life_min.filter(|_| run.ran) {
                self.half_life_ratios.push(half_life / run.half_life_min);
            }
        }
        self.seen_by_hand(seen, outcome, span);
        self.half_life_of_week(seen, outcome, span);
        self.days(seen, outcome, span);
        let faulty = truth.faults.iter().any(|f| {
            (f.enclosure == *id || f.enclosure == ROOM)
                && f.start.0 < span.until_ms
                && f.end.is_none_or(|end| end.0 > span.from_ms - MS_PER_24_H)
        });
        if faulty {
            return;
        }
        self.healthy_weeks += 1;
        let otherwise = |a: Airing| a == Airing::Slower || a == Airing::Faster;
        self.false_airings += usize::from(outcome.mist_trends.iter().any(|t| otherwise(t.airing)));
        if self.verbose {
            for trend in &outcome.mist_trends {
                println!(
                    "healthy {id} until {}: air {:?}, held {:?}, half-life {:?}",
                    span.until_ms, trend.airing, trend.held_share, trend.half_life_share
                );
            }
        }
        for finding in &outcome.verdicts.findings {
            let true_condition = truth.conditions.iter().any(|c| {
                c.enclosure == *id
                    && c.kind.as_deref() == Some(finding.kind.name())
                    && finding.end_ms.is_none_or(|end| end > c.start.0)
                    && c.end.is_none_or(|end| finding.start_ms < end.0)
            });
            let of_old_fault = truth.faults.iter().any(|f| {
                f.enclosure == *id
                    && f.start.0 < span.from_ms
                    && finding.start_ms < f.end.map_or(i64::MAX, |e| e.0 + MS_PER_24_H)
            });
            if !SENSOR_KINDS.contains(&finding.kind) && !true_condition && !of_old_fault {
                self.false_findings.push(format!(
                    "seed {} {id}: {} {}",
                    truth.seed,
                    finding.kind.name(),
                    finding.message
                ));
            }
        }
    }

    fn seen_by_hand(&mut self, seen: &Seen<'_>, outcome: &Outcome, span: Span) {
        /// A misting seen this near to a true one is that one.
        const NEAR_MS: i64 = 20 * 60_000;
        let Some(score) = &mut self.by_hand else { return };
        let true_ms: Vec<i64> = seen
            .simulation
            .truth
            .runs
            .iter()
            .filter(|r| r.enclosure == outcome.enclosure && r.by_hand && span.contains(r.at.0))
            .map(|r| r.at.0)
            .collect();
        let found: Vec<i64> = outcome
            .mistings
            .iter()
            .filter(|m| !m.scheduled && m.device.starts_with("by hand"))
            .map(|m| m.at_ms)
            .collect();
        let near = |list: &[i64], at_ms: i64| list.iter().any(|other| (other - at_ms).abs() < NEAR_MS);
        score.hits += true_ms.iter().filter(|at| near(&found, **at)).count();
        score.missed += true_ms.iter().filter(|at| !near(&found, **at)).count();
        for at_ms in found.iter().filter(|at| !near(&true_ms, **at)) {
            score.false_alarms += 1;
            if self.verbose {
                let at = seen.site.zone.local(*at_ms);
                println!(
                    "seen by hand, not so: seed {} {} {at}",
                    seen.simulation.truth.seed, outcome.enclosure
                );
            }
        }
    }

    fn half_life_of_week(&mut self, seen: &Seen<'_>, outcome: &Outcome, span: Span) {
        let mut fitted: Vec<f64> = outcome.mistings.iter().filter_map(|m| m.half_life_min).collect();
        let mut true_min: Vec<f64> = seen
            .simulation
            .truth
            .runs
            .iter()
            .filter(|r| r.enclosure == outcome.enclosure && span.contains(r.at.0) && r.ran)
            .map(|r| r.half_life_min)
            .collect();
        if let (Some(fitted), Some(truth)) = (middle(&mut fitted), middle(&mut true_min)) {
            self.half_life_week_ratios.push(fitted / truth);
        }
    }

    fn days(&mut self, seen: &Seen<'_>, outcome: &Outcome, span: Span) {
        let truth = &seen.simulation.truth;
        for day in truth.days.iter().filter(|d| {
            d.enclosure == outcome.enclosure && d.from.0 >= span.from_ms && d.until.0 <= span.until_ms
        }) {
            for (name, kind, hours) in [
                ("humidity-too-low", Kind::HumidityTooLow, day.below_band_h),
                ("humidity-too-high", Kind::HumidityTooHigh, day.above_band_h),
            ] {
                let found = outcome
                    .verdicts
                    .findings
                    .iter()
                    .find(|f| f.kind == kind && seen.site.zone.date(f.start_ms) == day.date);
                let unknown = outcome.verdicts.not_assessed.iter().any(|n| {
                    n.kind == kind
                        && n.span
                            .is_some_and(|s| s.from_ms < day.until.0 && day.from.0 < s.until_ms)
                });
                let score = self.by_day.entry(name).or_default();
                match (hours >= 1.0, found) {
                    (true, Some(_)) => score.hits += 1,
                    (true, None) if unknown => score.not_judged += 1,
                    (true, None) => {
                        score.missed += 1;
                        if self.verbose {
                            println!(
                                "missed {name} seed {} {} {} {hours:.1} h true, mean {:.1} %RH, {:?}",
                                truth.seed,
                                day.enclosure,
                                day.date,
                                day.humidity_mean_pct,
                                outcome.days.iter().find(|d| d.local_date == day.date).map(|d| (
                                    d.dry_h,
                                    d.wet_h,
                                    d.humidity_pct.map(|h| h.mean)
                                ))
                            );
                        }
                    }
                    (false, Some(f)) if hours < 0.25 => {
                        score.false_alarms += 1;
                        if self.verbose {
                            println!(
                                "false {name} seed {} {} {}: {}",
                                truth.seed, day.enclosure, hours, f.message
                            );
                        }
                    }
                    _ => {}
                }
            }
        }
    }

    fn fault(&mut self, seen: &Seen<'_>, fault: &TrueFault, looks: &[(i64, Vec<Finding>)]) {
        let truth = &seen.simulation.truth;
        if ![
            "nozzle-clog",
            "reservoir-empty",
            "pump-dead",
            "vent-blocked",
            "door-ajar",
        ]
        .contains(&fault.fault.as_str())
        {
            return;
        }
        let runs = truth
            .runs
            .iter()
            .filter(|r| r.enclosure == fault.enclosure && r.at >= fault.start && !r.by_hand);
        // The instant from which on the yield is at most 60 % of the usual.
        let weak_ms = runs
            .clone()
            .find(|r| r.ran && r.yield_frac <= WEAK_FRAC)
            .map(|r| r.at.0);
        let (class, from_ms) = match fault.fault.as_str() {
            "nozzle-clog" => {
                let Some(weak_ms) = weak_ms else { return };
                let at_once = weak_ms - fault.start.0 < MS_PER_24_H + MS_PER_24_H / 2;
                let way = if at_once { "at once" } else { "slowly" };
                let depth = if fault.size < 45.0 {
                    "below 45 %"
                } else {
                    "to 45–60 %"
                };
                (format!("yield fallen {way} {depth}"), weak_ms)
            }
            word => (word.to_owned(), fault.start.0),
        };
        if looks.last().is_none_or(|(end, _)| from_ms + WEEK_MS > *end) || from_ms < looks[0].0 - WEEK_MS {
            return;
        }
        let names = |finding: &Finding| {
            finding.kind == Kind::MistWeak
                && finding.enclosure == fault.enclosure
                && finding.end_ms.is_none_or(|e| e > from_ms)
        };
        // At most a week after: the look of the week in which it began, or one a week after its start.
        let week_later = seen.judge(Span {
            from_ms,
            until_ms: from_ms + WEEK_MS,
        });
        let hit = looks
            .iter()
            .filter(|(end, _)| *end > from_ms && *end <= from_ms + WEEK_MS)
            .find(|(_, findings)| findings.iter().any(names))
            .map(|(end, _)| (end - from_ms) as f64 / MS_PER_24_H as f64)
            .or_else(|| week_later.verdicts.findings.iter().any(names).then_some(7.0));
        // A blocked vent and a door ajar are told by the half-life.
        let airing = match fault.fault.as_str() {
            "vent-blocked" => Some(Airing::Slower),
            "door-ajar" => Some(Airing::Faster),
            _ => None,
        };
        let trends = week_later
            .conditions
            .iter()
            .filter(|o| o.enclosure == fault.enclosure)
            .flat_map(|o| &o.mist_trends);
        let hit = match airing {
            Some(airing) => trends.clone().any(|t| t.airing == airing).then_some(7.0),
            None => hit,
        };
        if airing.is_some() && hit.is_none() && self.verbose {
            let shares: Vec<_> = trends
                .map(|t| {
                    (
                        t.half_life_share,
                        t.held_share,
                        t.pause_share,
                        t.counted,
                        t.left_out.clone(),
                    )
                })
                .collect();
            println!("  half-life shares {shares:?}");
        }
        let entry = self.found.entry(class.clone()).or_default();
        entry.1 += 1;
        entry.0.extend(hit);
        if hit.is_none() && self.verbose {
            let why: Vec<String> = week_later
                .verdicts
                .not_assessed
                .iter()
                .filter(|n| {
                    n.enclosure == fault.enclosure && (n.kind == Kind::MistWeak || n.kind == Kind::MistMissed)
                })
                .map(|n| n.reason.clone())
                .collect();
            let yields: Vec<_> = trends_of(&week_later, &fault.enclosure);
            println!(
                "missed {class} seed {} {} size {:.0} {why:?} {yields:?}",
                truth.seed, fault.subject, fault.size
            );
        }
        if fault.fault == "reservoir-empty" || fault.fault == "pump-dead" {
            let next = seen.site.zone.date(fault.start.0) + chrono::Days::new(1);
            let until_ms = seen.site.zone.day(next).until_ms;
            if fault.end.is_some_and(|end| end.0 < until_ms) {
                return;
            }
            let findings = seen
                .judge(Span {
                    from_ms: until_ms - WEEK_MS,
                    until_ms,
                })
                .verdicts;
            self.empty_next_day.1 += 1;
            if findings.findings.iter().any(names) {
                self.empty_next_day.0 += 1;
            } else if self.verbose {
                let runs: Vec<String> = runs
                    .filter(|r| r.at.0 < until_ms)
                    .map(|r| {
                        format!(
                            "{} before {:.0} %RH",
                            seen.site.zone.local(r.at.0).format("%H:%M"),
                            r.before_pct
                        )
                    })
                    .collect();
                println!(
                    "missed next day {} seed {} {} {runs:?}",
                    fault.fault, truth.seed, fault.subject
                );
            }
        }
    }

    fn print(&mut self) {
        println!("| fault | there | found within 7 d | share | median delay, d |");
        println!("| --- | --- | --- | --- | --- |");
        for (class, (delays, count)) in &mut self.found {
            let found = delays.len();
            println!(
                "| {class} | {count} | {found} | {:.2} | {:.1} |",
                found as f64 / *count as f64,
                middle(delays).unwrap_or(f64::NAN)
            );
        }
        println!(
            "\nempty reservoir or dead pump told the next day: {} of {}",
            self.empty_next_day.0, self.empty_next_day.1
        );
        if let Some(score) = &self.by_hand {
            println!("mistings by hand, not in the journal: {}", score.text());
        }
        println!("missed runs: {}", self.missed_runs.text());
        for (name, score) in &self.by_day {
            println!("{name} days: {}", score.text());
        }
        for (name, ratios) in [
            ("run by run", &mut self.half_life_ratios),
            ("week's median", &mut self.half_life_week_ratios),
        ] {
            let mut errors: Vec<f64> = ratios.iter().map(|r| (r - 1.0).abs()).collect();
            ratios.sort_by(f64::total_cmp);
            let at = |p: f64| {
                ratios
                    .get(((ratios.len().max(1) - 1) as f64 * p) as usize)
                    .copied()
                    .unwrap_or(f64::NAN)
            };
            println!(
                "half-life over the true one, {name}: {} of them, quartiles {:.2} / {:.2} / {:.2}, median error {:.0} %",
                ratios.len(),
                at(0.25),
                at(0.5),
                at(0.75),
                100.0 * middle(&mut errors).unwrap_or(f64::NAN)
            );
        }
        println!(
            "false findings about conditions: {} in {} healthy enclosure-weeks",
            self.false_findings.len(),
            self.healthy_weeks
        );
        println!(
            "air said to be exchanged otherwise: {} of them",
            self.false_airings
        );
        for line in &self.false_findings {
            println!("  {line}");
        }
    }
}

/// The yields that the trends of an enclosure state.
fn trends_of(assessment: &Assessment, enclosure: &str) -> Vec<String> {
    assessment
        .conditions
        .iter()
        .filter(|o| o.enclosure == enclosure)
        .flat_map(|o| &o.mist_trends)
        .map(|t| match t.yield_share {
            Some(share) => format!(
                "{:.2} ({:.2} to {:.2}), {} runs",
                share.value, share.low, share.high, t.counted
            ),
            None => format!("not known, {:?}", t.left_out),
        })
        .collect()
}

/// The middle value; `None` without any.
fn middle(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
