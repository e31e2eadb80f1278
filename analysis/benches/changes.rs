//! How often intervals hold the truth on simulated enclosures: what a change did (`compare`), the constants of the moisture balance
//! (`fit`), and what an advised schedule then really held (`advise`).
//!
//! `cargo bench --workspace --bench changes -- 1 20` takes the seeds 1 to 20 for all three; name one to run it alone.
//!
//! The truth of a change is the difference between two runs of one site with the same seed, with the change and without it: the same
//! weather, the same sensors.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::Timelike;
use mosswarden_analysis::advise::{FITTED_MS, advise, fit};
use mosswarden_analysis::assess::needed;
use mosswarden_analysis::compare::{Asked, Measure, Said, compare, readings_needed};
use mosswarden_analysis::conditions::course;
use mosswarden_analysis::load::Record;
use mosswarden_analysis::simulate::device::{DeviceKind, MistRun};
use mosswarden_analysis::simulate::truth::DayTruth;
use mosswarden_analysis::simulate::{Change, Effect, Simulation, SiteSpec, run, scenario};
use mosswarden_analysis::statistics::Estimate;
use mosswarden_analysis::trust;
use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

/// The day of the change, of seventy.
const CHANGE_DAY: u64 = 42;
/// Days on either side that are asked for.
const DAYS: u32 = 21;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let numbers: Vec<u64> = arguments.iter().filter_map(|a| a.parse().ok()).collect();
    let first = numbers.first().copied().unwrap_or(1);
    let last = numbers.get(1).copied().unwrap_or(5);
    let named: Vec<&String> = arguments
        .iter()
        .filter(|a| ["fit", "compare", "advise"].contains(&a.as_str()))
        .collect();
    let wanted = |part: &str| named.is_empty() || named.iter().any(|n| *n == part);
    if wanted("compare") {
        comparisons(first, last);
    }
    if wanted("fit") {
        fits(first, last);
    }
    if wanted("advise") {
        advices(first, last);
    }
}

/// A simulated site and its record up to an instant.
fn record(simulation: &Simulation, until_ms: i64, span: Span) -> (Site, Record) {
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let journal: Vec<Entry> = simulation
        .journal
        .iter()
        .map(|row| row.entry())
        .filter(|entry| entry.at_ms < until_ms)
        .collect();
    let readings = simulation.readings.iter().filter(|r| r.at_ms < until_ms).cloned();
    (site, Record::from_readings(readings, journal, span))
}

/// How often an interval held the truth, and how far the estimate was off.
#[derive(Default)]
struct Coverage {
    held: usize,
    count: usize,
    errors: Vec<f64>,
}

impl Coverage {
    fn add(&mut self, estimate: Estimate, truth: f64, error: f64) {
        self.count += 1;
        self.held += usize::from(estimate.holds(truth));
        self.errors.push(error.abs());
    }

    fn text(&mut self) -> String {
        self.errors.sort_by(f64::total_cmp);
        let middle = self
            .errors
            .get(self.errors.len() / 2)
            .copied()
            .unwrap_or(f64::NAN);
        format!(
            "| {} | {:.0} % | {middle:.2} |",
            self.count,
            100.0 * self.held as f64 / self.count.max(1) as f64
        )
    }
}

/// The changes that are put in, by name.
fn changes(site: &mut SiteSpec, name: &str) {
    let at_ms = site.at(CHANGE_DAY, 600);
    for spec in site.enclosures.clone() {
        let id = spec.id.clone();
        let vent = |ratio: f64| {
            if ratio < 1.0 {
                Effect::VentBlocked { ratio }
            } else {
                Effect::DoorAjar { ratio }
            }
        };
        match name {
            "tighter lid" => site.add_fault(&id, &id, vent(0.6), at_ms, None),
            "airier lid" => site.add_fault(&id, &id, vent(1.5), at_ms, None),
            "stronger lamp" => {
                let lamp = format!("{id}-lamp");
                site.add_fault(&id, &lamp, Effect::LampTooStrong { ratio: 1.2 }, at_ms, None);
            }
            "one run more" => {
                let runs = spec.devices.iter().find_map(|d| match &d.kind {
                    DeviceKind::Mister { runs, .. } => Some(runs.clone()),
                    _ => None,
                });
                let mut runs = runs.unwrap_or_default();
                runs.push(MistRun {
                    local_min: 870,
                    duration_s: 40,
                });
                site.add_event(
                    &id,
                    &format!("{id}-mister"),
                    Change::ScheduleChanged { runs },
                    at_ms,
                );
            }
            _ => {}
        }
    }
}

fn comparisons(first: u64, last: u64) {
    let mut by_measure: BTreeMap<Measure, Coverage> = BTreeMap::new();
    let mut by_change: BTreeMap<(&str, Measure), [usize; 4]> = BTreeMap::new();
    for seed in first..=last {
        let without = run(&scenario::healthy(seed));
        for name in [
            "nothing",
            "tighter lid",
            "airier lid",
            "stronger lamp",
            "one run more",
        ] {
            let mut spec = scenario::healthy(seed);
            changes(&mut spec, name);
            let with = if name == "nothing" { None } else { Some(run(&spec)) };
            let with = with.as_ref().unwrap_or(&without);
            let asked = Asked {
                at_ms: spec.at(CHANGE_DAY, 600),
                days: DAYS,
                what: name,
                until_ms: with.truth.until.0,
            };
            let (site, record) = record(with, asked.until_ms, readings_needed(&asked));
            for enclosure in &site.enclosures {
                let comparison = compare(&site, enclosure, &record, &asked);
                for (measure, said) in &comparison.measures {
                    let Some(truth) = true_effect(
                        with,
                        &without,
                        &enclosure.id,
                        comparison.span,
                        asked.at_ms,
                        *measure,
                    ) else {
                        continue;
                    };
                    let word = by_change.entry((name, *measure)).or_default();
                    word[match said {
                        Said::Changed(_) => 0,
                        Said::TooSmall(_) | Said::AsBefore(_) => 1,
                        Said::TooWide(_) => 2,
                        Said::TooEarly { .. } => 3,
                    }] += 1;
                    if let Some(effect) = said.effect() {
                        by_measure.entry(*measure).or_default().add(
                            effect.change,
                            truth,
                            effect.change.value - truth,
                        );
                    }
                }
            }
        }
    }
    println!("| measure | estimates | interval holds the truth | median error |");
    println!("| --- | --- | --- | --- |");
    for (measure, coverage) in &mut by_measure {
        println!("| {}, {} {}", measure.name(), measure.unit(), coverage.text());
    }
    println!("\n| change | measure | changed | as before | too wide | too early |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for ((name, measure), [changed, as_before, wide, early]) in &by_change {
        println!(
            "| {name} | {} | {changed} | {as_before} | {wide} | {early} |",
            measure.name()
        );
    }
}

/// The difference that the change made to the true days after it.
fn true_effect(
    with: &Simulation,
    without: &Simulation,
    id: &str,
    span: Span,
    at_ms: i64,
    measure: Measure,
) -> Option<f64> {
    let of: fn(&DayTruth) -> Option<f64> = match measure {
        Measure::HumidityLit => |d| Some(d.humidity_lit_pct),
        Measure::HumidityDark => |d| Some(d.humidity_dark_pct),
        Measure::TemperatureLit => |d| Some(d.day_mean_c),
        Measure::TemperatureDark => |d| d.night.as_ref().map(|n| n.mean_c),
        Measure::HalfLife => return true_half_life(with, without, id, at_ms),
        _ => return None,
    };
    let mean = |simulation: &Simulation| {
        let days: Vec<f64> = simulation
            .truth
            .days
            .iter()
            .filter(|d| d.enclosure == id && d.from.0 > at_ms && d.until.0 <= span.until_ms)
            .filter_map(of)
            .collect();
        (!days.is_empty()).then(|| days.iter().sum::<f64>() / days.len() as f64)
    };
    Some(mean(with)? - mean(without)?)
}

fn true_half_life(with: &Simulation, without: &Simulation, id: &str, at_ms: i64) -> Option<f64> {
    let of = |simulation: &Simulation| {
        let run = simulation
            .truth
            .runs
            .iter()
            .find(|r| r.enclosure == id && r.at.0 > at_ms + MS_PER_24_H);
        run.map(|r| r.half_life_min)
    };
    Some(100.0 * (of(with)? / of(without)? - 1.0))
}

fn fits(first: u64, last: u64) {
    let mut coverage: BTreeMap<&str, Coverage> = BTreeMap::new();
    let (mut fitted_count, mut refused, mut model_errors) = (0, BTreeMap::<String, usize>::new(), Vec::new());
    for seed in first..=last {
        let simulation = run(&scenario::healthy(seed));
        let until_ms = simulation.truth.from.0 + 42 * MS_PER_24_H;
        let span = Span {
            from_ms: until_ms - FITTED_MS,
            until_ms,
        };
        let (site, record) = record(&simulation, until_ms, needed(span));
        let trusted = trust::assess(&site, &record, span).trusted;
        for enclosure in &site.enclosures {
            let truth = simulation
                .truth
                .enclosures
                .iter()
                .find(|e| e.enclosure == enclosure.id)
                .expect("it is there");
            let fitted = match fit(&course(&site, enclosure, &record, &trusted, span)) {
                Ok(fitted) => fitted,
                Err(reason) => {
                    *refused.entry(reason.0).or_default() += 1;
                    continue;
                }
            };
            fitted_count += 1;
            model_errors.push(fitted.error_pct);
            let water = truth.mister.expect("it has a mister");
            for (name, estimate, value) in [
                ("half-life", fitted.half_life_min, truth.dry_half_life_min),
                ("mist into the air", fitted.mist_air_g_m3_s, water.air_g_m3_s),
                (
                    "mist in all",
                    fitted.mist_g_m3_s,
                    water.air_g_m3_s + water.store_g_m3_s,
                ),
            ] {
                coverage.entry(name).or_default().add(
                    estimate,
                    value,
                    100.0 * (estimate.value / value - 1.0),
                );
                if std::env::args().any(|a| a == "verbose") {
                    println!(
                        "{seed} {} {name}: {value:.4} fitted {:.4} ({:.4} to {:.4})",
                        enclosure.id, estimate.value, estimate.low, estimate.high
                    );
                }
            }
            if std::env::args().any(|a| a == "verbose") {
                println!(
                    "{seed} {} error {:.2} %RH, truth {:?}, fitted {:?}",
                    enclosure.id, fitted.error_pct, truth.moisture, fitted.balance
                );
            }
        }
    }
    model_errors.sort_by(f64::total_cmp);
    println!(
        "\nmoisture balance: {fitted_count} fitted, median error {:.2} %RH; refused {refused:?}",
        model_errors
            .get(model_errors.len() / 2)
            .copied()
            .unwrap_or(f64::NAN)
    );
    println!("| constant | enclosures | interval holds the truth | median error, % |");
    println!("| --- | --- | --- | --- |");
    for (name, coverage) in &mut coverage {
        println!("| {name} {}", coverage.text());
    }
}

/// Enclosures that their schedule leaves too dry: what the advised one then really holds.
fn advices(first: u64, last: u64) {
    /// The band begins this much above what the enclosure holds without misting, %RH.
    const ASKED_MORE_PCT: f64 = 6.0;
    let (mut better, mut inside, mut none, mut saved) = (0, 0, 0, Vec::new());
    let mut refused: BTreeMap<String, usize> = BTreeMap::new();
    for seed in first..=last {
        let mut spec = scenario::healthy(seed);
        for enclosure in &mut spec.enclosures {
            enclosure
                .devices
                .retain(|d| !matches!(d.kind, DeviceKind::Fogger { .. }));
            let still = mosswarden_analysis::simulate::planted::kinds()
                .into_iter()
                .find(|k| k.species == enclosure.species)
                .map_or(60.0, |k| k.still_pct);
            enclosure.limits.humidity_pct.0 = still + ASKED_MORE_PCT;
        }
        let before = run(&spec);
        let at_ms = spec.at(CHANGE_DAY, 0);
        let span = Span {
            from_ms: at_ms - FITTED_MS,
            until_ms: at_ms,
        };
        let (site, record) = record(&before, at_ms, needed(span));
        let trusted = trust::assess(&site, &record, span).trusted;
        let mut after = spec.clone();
        let mut advised = Vec::new();
        for enclosure in &site.enclosures {
            match advise(&site, enclosure, &record, &trusted, at_ms) {
                Ok(advice) => match advice.better.clone() {
                    Some(schedule) => {
                        let runs = schedule
                            .runs
                            .iter()
                            .map(|r| MistRun {
                                local_min: r.local_start.hour() * 60 + r.local_start.minute(),
                                duration_s: r.duration_s,
                            })
                            .collect();
                        after.add_event(
                            &enclosure.id,
                            &advice.device,
                            Change::ScheduleChanged { runs },
                            at_ms,
                        );
                        advised.push((enclosure.id.clone(), schedule));
                    }
                    None => none += 1,
                },
                Err(reason) => *refused.entry(reason.0).or_default() += 1,
            }
        }
        let after = run(&after);
        for (id, schedule) in advised {
            let hours = |simulation: &Simulation| {
                let days: Vec<f64> = simulation
                    .truth
                    .days
                    .iter()
                    .filter(|d| d.enclosure == id && d.from.0 > at_ms)
                    .map(|d| d.below_band_h)
                    .collect();
                days.iter().sum::<f64>() / days.len().max(1) as f64
            };
            let (was, is) = (hours(&before), hours(&after));
            better += usize::from(is < was);
            inside += usize::from((schedule.held.below_h.low..=schedule.held.below_h.high).contains(&is));
            saved.push(was - is);
            if std::env::args().any(|a| a == "verbose") {
                println!(
                    "{seed} {id}: too dry {was:.1} h a day, advised {is:.1} h, said {:?}",
                    schedule.held.below_h
                );
            }
        }
    }
    saved.sort_by(f64::total_cmp);
    println!(
        "\nadvised schedules: {}, better {better}, hours too dry inside the range said {inside}, median saved {:.1} h a day; {none} told that none is clearly better; refused {refused:?}",
        saved.len(),
        saved.get(saved.len() / 2).copied().unwrap_or(f64::NAN)
    );
}
