//! Tests of the change models: a dense brute-force computation, known series, and seeded simulation.

use rand::{Rng, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;

use super::*;
use crate::statistics::reference::{close, extra, list, number, robust};

const OPTIONS: Options = Options {
    confidence: 0.95,
    noise_standard_deviation_min: 1e-3,
};

fn days(count: usize) -> Vec<f64> {
    (0..count).map(|day| day as f64).collect()
}

#[test]
fn against_the_dense_computation() {
    let table = extra();
    let cases = table["change"].as_array().expect("cases");
    assert_eq!(cases.len(), 6);
    let mut worst: f64 = 0.0;
    for case in cases {
        let (t, y) = (list(&case["t"]), list(&case["y"]));
        let change = compare(&t, &y, &OPTIONS).expect("enough samples");
        for (fit, name) in change
            .fits
            .iter()
            .zip(["constant", "step", "ramp", "step_and_trend"])
        {
            let expected = &case["models"][name];
            worst = worst.max((fit.log_likelihood - number(&expected["log_likelihood"])).abs());
            close(name, fit.bic, number(&expected["bic"]), 1e-6);
            if let Some(index) = fit.onset_index {
                assert_eq!(
                    index as f64,
                    number(&expected["onset_index"]),
                    "{} {name}",
                    case["name"]
                );
            }
            close("phi", fit.phi, number(&expected["phi"]), 1e-3);
        }
    }
    println!("log-likelihood against the dense computation: {worst:.1e}");
    assert!(worst < 1e-6);
}

#[test]
fn known_series_are_told_apart() {
    // Built with known changes: a step of 2 at 20; nothing; a ramp of 3 over 40 days.
    let table = robust();
    let series = |name: &str| {
        let cases = table["change_points"].as_array().expect("cases");
        list(&cases.iter().find(|case| case["name"] == name).expect("the case")["y"])
    };
    let step = compare(&days(40), &series("one_step_20_of_40"), &OPTIONS).expect("forty days");
    assert_eq!(
        (step.best, step.onset.expect("an onset").index),
        (Model::Step, 20)
    );
    assert!(step.evidence > EVIDENCE_MIN && step.step.expect("a step").holds(2.0));
    let onset = step.onset.expect("an onset");
    assert!((onset.from..=onset.until).contains(&19.5) && onset.until - onset.from <= 3.0);

    let quiet = compare(&days(30), &series("no_change_30"), &OPTIONS).expect("thirty days");
    assert_eq!(
        (quiet.best, quiet.evidence, quiet.onset),
        (Model::Constant, 0.0, None)
    );

    let ramp = compare(&days(40), &series("ramp_not_step_40"), &OPTIONS).expect("forty days");
    assert_eq!(ramp.best, Model::Ramp);
    assert!(ramp.slope.expect("a slope").holds(3.0 / 40.0));
    assert!(ramp.onset.expect("an onset").before_record);
}

#[test]
fn a_series_that_repeats_one_number_is_constant() {
    let change = compare(&days(30), &[5.0; 30], &OPTIONS).expect("thirty days");
    assert_eq!((change.best, change.evidence), (Model::Constant, 0.0));
    close("level", change.level.value, 5.0, 1e-12);
    assert!(change.level.high > change.level.low);
}

#[test]
fn a_clean_step_without_noise_is_found_exactly() {
    let values: Vec<f64> = (0..30).map(|day| if day < 12 { 1.0 } else { 4.0 }).collect();
    let change = compare(&days(30), &values, &OPTIONS).expect("thirty days");
    assert_eq!(
        (change.best, change.onset.expect("an onset").index),
        (Model::Step, 12)
    );
    close("step", change.step.expect("a step").value, 3.0, 1e-9);
}

#[test]
fn short_or_unordered_series_are_refused() {
    assert!(matches!(
        compare(&days(11), &[1.0; 11], &OPTIONS),
        Err(Refused::TooFew { .. })
    ));
    let mut times = days(20);
    times[5] = times[4];
    assert!(matches!(
        compare(&times, &[1.0; 20], &OPTIONS),
        Err(Refused::NotRising { .. })
    ));
    let bad = Options {
        noise_standard_deviation_min: 0.0,
        ..OPTIONS
    };
    assert!(matches!(
        compare(&days(20), &[1.0; 20], &bad),
        Err(Refused::OutOfRange { .. })
    ));
}

/// A stationary first-order autoregression with marginal standard deviation 1.
fn noise(rng: &mut StdRng, count: usize, phi: f64) -> Vec<f64> {
    let mut level: f64 = rng.sample(StandardNormal);
    (0..count)
        .map(|_| {
            let now = level;
            let innovation: f64 = rng.sample(StandardNormal);
            level = phi * level + (1.0 - phi * phi).sqrt() * innovation;
            now
        })
        .collect()
}

/// Changes found in `run_count` seeded series of `count` days with `added` on top of the noise.
fn simulated(count: usize, phi: f64, run_count: usize, added: impl Fn(f64) -> f64) -> Vec<Change> {
    let mut rng = StdRng::seed_from_u64(20 + count as u64);
    (0..run_count)
        .map(|_| {
            let values: Vec<f64> = noise(&mut rng, count, phi)
                .into_iter()
                .enumerate()
                .map(|(day, value)| value + added(day as f64))
                .collect();
            compare(&days(count), &values, &OPTIONS).expect("enough samples")
        })
        .collect()
}

fn share(changes: &[Change], holds: impl Fn(&Change) -> bool) -> f64 {
    changes.iter().filter(|change| holds(change)).count() as f64 / changes.len() as f64
}

#[test]
fn quiet_series_stay_constant() {
    for (count, phi, rate_max) in [(28, 0.5, 0.05), (56, 0.0, 0.02), (56, 0.5, 0.03), (84, 0.8, 0.03)] {
        let changes = simulated(count, phi, 400, |_| 0.0);
        let rates = [0.0, 2.0, EVIDENCE_MIN, 10.0].map(|bound| share(&changes, |c| c.evidence > bound));
        println!("{count} days, phi {phi}: false alarms {rates:?} at evidence 0, 2, 6, 10");
        assert!(rates[2] <= rate_max, "{count} days, phi {phi}: {}", rates[2]);
    }
}

#[test]
fn steps_and_ramps_are_found_named_and_sized() {
    for (count, phi) in [(56, 0.0), (56, 0.5), (84, 0.5)] {
        let at = (count * 3 / 5) as f64;
        let steps = simulated(count, phi, 180, |day| if day >= at { 3.0 } else { 0.0 });
        let step = Found::among(&steps, Model::Step, |change| {
            let onset = change.onset.expect("a step has an onset");
            let sized = change.step.is_some_and(|step| step.holds(3.0));
            (sized, onset.from < at && onset.until >= at)
        });
        println!("step 3, {count} days, phi {phi}: {step:.2?}");
        assert!(step.found >= 0.7 && step.named >= 0.75 && step.sized >= 0.87 && step.dated >= 0.93);
        let ramps = simulated(count, phi, 180, |day| 0.1 * (day - 20.0).max(0.0));
        let ramp = Found::among(&ramps, Model::Ramp, |change| {
            let onset = change.onset.expect("a line has an onset");
            let sized = change.slope.is_some_and(|slope| slope.holds(0.1));
            (sized, onset.from <= 20.0 && onset.until >= 20.0)
        });
        println!("ramp of 0.1 a day from day 20, {count} days, phi {phi}: {ramp:.2?}");
        assert!(ramp.found >= 0.5 && ramp.named >= 0.7 && ramp.sized >= 0.75 && ramp.dated >= 0.75);
    }
}

/// How many of a set of changed series were found; of these, given the right name; of these, sized and dated within the intervals.
#[derive(Debug)]
struct Found {
    found: f64,
    named: f64,
    sized: f64,
    dated: f64,
}

impl Found {
    fn among(changes: &[Change], model: Model, covers: impl Fn(&Change) -> (bool, bool)) -> Found {
        let found: Vec<Change> = changes
            .iter()
            .filter(|c| c.evidence > EVIDENCE_MIN)
            .cloned()
            .collect();
        let named: Vec<Change> = found.iter().filter(|c| c.best == model).cloned().collect();
        Found {
            found: found.len() as f64 / changes.len() as f64,
            named: named.len() as f64 / found.len() as f64,
            sized: share(&named, |change| covers(change).0),
            dated: share(&named, |change| covers(change).1),
        }
    }
}

/// The share of 180 seeded series with φ 0.5 in which a change is found.
fn found_frac(count: usize, added: impl Fn(f64) -> f64) -> f64 {
    share(&simulated(count, 0.5, 180, added), |change| {
        change.evidence > EVIDENCE_MIN
    })
}

#[test]
fn a_step_after_eight_weeks_is_found_within_days() {
    for (size, day_count, found_min) in [(5.0, 4, 0.9), (3.0, 7, 0.55), (3.0, 14, 0.75), (2.0, 14, 0.2)] {
        let found = found_frac(56 + day_count, |day| if day >= 56.0 { size } else { 0.0 });
        println!("step {size} on day 56, seen after {day_count} days: {found:.2}");
        assert!(found >= found_min, "step {size}, {day_count} days: {found}");
    }
}

#[test]
fn a_drift_of_one_deviation_a_month_takes_months() {
    let after = |day_count: usize| found_frac(28 + day_count, |day| (day - 28.0).max(0.0) / 30.0);
    let found = [42, 75, 105].map(after);
    println!("drift of 1 a month from day 28, seen after 42, 75 and 105 days: {found:.2?}");
    assert!(
        found[0] < found[1] && found[1] < found[2] && found[2] >= 0.8,
        "{found:?}"
    );
}
