//! Invented tests with known errors: what is recovered, how often the interval holds the truth, and what is refused.
//!
//! The saturation formula of the invented air is Magnus' (WMO-No. 8, annex 4.B), not the one of the code under test; noise, errors and
//! drifts come from seeded streams.

use mosswarden_config::correction::{Correction, Method};
use mosswarden_config::site::Accuracy;
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_HOUR, Span};
use rand::rngs::StdRng;

use super::*;
use crate::physics::salt::Salt;
use crate::series::Series;
use crate::simulate::stream::{Wander, between, normal, stream};

const STEP_MS: i64 = 2 * 60_000;
const START_MS: i64 = 1_772_352_000_000;
const SEEDS: u64 = 200;
const GOOD: Accuracy = Accuracy {
    humidity_pct: 2.0,
    temperature_c: 0.3,
    is_stated: true,
};

fn magnus_pa(t_c: f64) -> f64 {
    611.2 * (17.62 * t_c / (243.12 + t_c)).exp()
}

/// One invented sensor.
struct Invented {
    bias_pct: f64,
    gain: f64,
    t_error_k: f64,
    place_pct: f64,
    /// Whether its humidity is computed with its own temperature, so that an error of that cancels in the vapour; else the humidity is
    /// that of the air around it whatever its thermometer says.
    one_chip: bool,
}

impl Invented {
    /// Humidity that it would read in air of `rh_pct` at `t_c`, were it right.
    fn seen_pct(&self, rh_pct: f64, t_c: f64) -> f64 {
        let share = if self.one_chip {
            magnus_pa(t_c) / magnus_pa(t_c + self.t_error_k)
        } else {
            1.0
        };
        (rh_pct + self.place_pct) * share
    }
}

struct Pair {
    humidity: Series,
    temperature: Series,
}

/// Readings every two minutes: noise, a slow wander, steps of 0.1.
fn read(sensor: &Invented, hours: f64, truth: impl Fn(f64) -> (f64, f64), rng: &mut StdRng) -> Pair {
    let mut wander = Wander::new(0.12, 1500.0, STEP_MS as f64 / 1000.0, rng);
    let mut pair = Pair {
        humidity: Series::default(),
        temperature: Series::default(),
    };
    let count = (hours * MS_PER_HOUR as f64) as i64 / STEP_MS;
    for step in 0..count {
        let at_ms = START_MS + step * STEP_MS;
        let (t_c, rh_pct) = truth((step * STEP_MS) as f64 / MS_PER_HOUR as f64);
        let own_t_c = t_c + sensor.t_error_k;
        let own_rh_pct = sensor.seen_pct(rh_pct, t_c);
        let error_pct = sensor.bias_pct + sensor.gain * (own_rh_pct - 75.0);
        let value = own_rh_pct + error_pct + wander.step(rng) + 0.05 * normal(rng);
        let round = |value: f64| (value * 10.0).round() / 10.0;
        pair.humidity.push(at_ms, at_ms, round(value), Mark::Ok);
        pair.temperature
            .push(at_ms, at_ms, round(own_t_c + 0.02 * normal(rng)), Mark::Ok);
    }
    pair
}

fn probe<'a>(id: &'a str, pair: &'a Pair, accuracy: Accuracy) -> Probe<'a> {
    Probe {
        id,
        accuracy,
        humidity: pair.humidity.view(),
        temperature: pair.temperature.view(),
        working_pct: 82.0,
    }
}

fn whole(hours: f64) -> Span {
    Span {
        from_ms: START_MS,
        until_ms: START_MS + (hours * MS_PER_HOUR as f64) as i64,
    }
}

/// A tub that closes at the room's humidity and comes to `level` within the hour; the temperature breathes slowly.
fn tub(level_pct: f64) -> impl Fn(f64) -> (f64, f64) {
    move |hour| {
        (
            22.0 + 0.3 * (hour / 3.0).sin(),
            level_pct - 25.0 * (-hour / 0.12).exp(),
        )
    }
}

/// An error with the standard deviation of a maker's limit that is taken as rectangular.
fn drawn(limit: f64, rng: &mut StdRng) -> f64 {
    limit / 3.0_f64.sqrt() * normal(rng)
}

fn invented(accuracy: Accuracy, bias_pct: f64, gain: f64, rng: &mut StdRng) -> Invented {
    Invented {
        bias_pct,
        gain,
        t_error_k: drawn(accuracy.temperature_c, rng),
        place_pct: drawn(0.5, rng) / 2.0_f64.sqrt(),
        one_chip: between(rng, 0.0, 1.0) < 0.5,
    }
}

fn share(what: &str, held: u64, seeds: u64) -> f64 {
    let share = held as f64 / seeds as f64;
    println!("{what}: {held} of {seeds} intervals hold the truth");
    share
}

#[test]
fn side_by_side_recovers_offsets_at_the_stated_rate() {
    let (mut total, mut scatter, mut worst): (u64, u64, f64) = (0, 0, 0.0);
    for seed in 0..SEEDS {
        let mut rng = stream(seed, "side by side");
        let reference = invented(GOOD, drawn(GOOD.humidity_pct, &mut rng), 0.0, &mut rng);
        let bias_pct = between(&mut rng, -8.0, 8.0);
        let tested = invented(Accuracy::UNSTATED, bias_pct, 0.0, &mut rng);
        let hours = 7.0;
        let pairs = [
            read(&reference, hours, tub(80.0), &mut rng),
            read(&tested, hours, tub(80.0), &mut rng),
        ];
        let probes = [
            probe("spare", &pairs[0], GOOD),
            probe("low", &pairs[1], Accuracy::UNSTATED),
        ];
        let found = compare(&probes, Against::Reference(0, None), whole(hours)).expect("a quiet tub");
        let found = found[0].1.as_ref().expect("it settles");
        total += u64::from(found.error.holds(bias_pct));
        // Beside the reference, its bias, both places and both thermometers belong to the difference that is measured.
        let carried = magnus_pa(22.0 + reference.t_error_k) / magnus_pa(22.0 + tested.t_error_k);
        let beside_pct = bias_pct + tested.seen_pct(80.0, 22.0)
            - (reference.bias_pct + reference.seen_pct(80.0, 22.0)) * carried;
        scatter += u64::from(found.difference.holds(beside_pct));
        worst = worst.max((found.difference.value - beside_pct).abs());
    }
    println!("worst difference {worst:.2} %RH");
    for held in [share("error", total, SEEDS), share("difference", scatter, SEEDS)] {
        assert!((0.90..=0.99).contains(&held), "{held}");
    }
}

#[test]
fn a_wide_span_gives_the_gain() {
    let (mut held, mut corrected, mut worst): (u64, u64, f64) = (0, 0, 0.0);
    for seed in 0..SEEDS {
        let mut rng = stream(seed, "gain");
        let exact = Invented {
            bias_pct: 0.0,
            gain: 0.0,
            t_error_k: 0.0,
            place_pct: 0.0,
            one_chip: true,
        };
        let gain = between(&mut rng, -0.15, 0.15);
        let tested = Invented {
            bias_pct: between(&mut rng, -4.0, 4.0),
            gain,
            ..exact
        };
        // From 55 to 90 %RH in ten hours.
        let truth = |hour: f64| (22.0, 55.0 + 3.5 * hour);
        let pairs = [
            read(&exact, 10.0, truth, &mut rng),
            read(&tested, 10.0, truth, &mut rng),
        ];
        let probes = [probe("spare", &pairs[0], GOOD), probe("low", &pairs[1], GOOD)];
        let found = compare(&probes, Against::Reference(0, None), whole(10.0)).expect("a quiet tub");
        let found = found[0].1.as_ref().expect("it settles");
        let by_gain = found.gain.expect("30 %RH were spanned");
        if (by_gain.value - gain).abs() > 0.02 {
            println!(
                "seed {seed}: gain {by_gain:?} for {gain:.4}, {:?}",
                found.difference
            );
        }
        worst = worst.max((by_gain.value - gain).abs());
        held += u64::from(by_gain.holds(gain));
        // The correction, which is of the reading, puts the sensor right at both ends.
        let correction = found.fit.correction(0, 0, None);
        corrected += u64::from([60.0, 88.0].iter().all(|level| {
            let reading = level + tested.bias_pct + gain * (level - 75.0);
            (reading - correction.bias_at(reading) - level).abs() < 0.5
        }));
    }
    println!("worst gain {worst:.4}");
    let held = share("gain", held, SEEDS);
    assert!((0.90..=0.99).contains(&held), "{held}");
    assert!(corrected >= SEEDS * 95 / 100, "{corrected}");
}

/// A jar that comes to the salt's humidity; the table's error, the jar's and the sensor's are drawn for each seed.
fn jar(level_pct: f64, tau_h: f64, from_pct: f64) -> impl Fn(f64) -> (f64, f64) {
    move |hour| {
        (
            22.0 + 0.25 * (hour / 4.0).sin(),
            level_pct - (level_pct - from_pct) * (-hour / tau_h).exp(),
        )
    }
}

#[test]
fn a_salt_check_recovers_offsets_at_the_stated_rate() {
    // Greenspan 1977 at 22 °C, by hand between the printed 75.47 (20 °C) and 75.29 (25 °C); the same for KCl: 85.11 and 84.34.
    for (salt, fixed_pct, u_table_pct) in [
        (Salt::SodiumChloride, 75.40, 0.076),
        (Salt::PotassiumChloride, 84.80, 0.16),
    ] {
        let mut held = 0;
        for seed in 0..SEEDS {
            let mut rng = stream(seed, salt.formula());
            let level_pct = fixed_pct + u_table_pct * normal(&mut rng) + drawn(0.5, &mut rng);
            let bias_pct = between(&mut rng, -8.0, 8.0);
            // The sensor is a little warmer or cooler than the salt: that is its own air, which it reads rightly.
            let apart_k = 0.1 * normal(&mut rng);
            let seen_pct = level_pct * magnus_pa(22.0) / magnus_pa(22.0 + apart_k);
            let tested = Invented {
                bias_pct,
                gain: 0.0,
                t_error_k: 0.0,
                place_pct: 0.0,
                one_chip: true,
            };
            let mut pair = read(&tested, 14.0, jar(seen_pct, 0.7, 50.0), &mut rng);
            let t_error_k = drawn(GOOD.temperature_c, &mut rng);
            pair.temperature
                .value
                .iter_mut()
                .for_each(|t_c| *t_c += t_error_k);
            let found = point(&probe("low", &pair, GOOD), salt, whole(14.0)).expect("it settles");
            held += u64::from(found.error.holds(bias_pct));
            assert!(
                found.error.high - found.error.low > 2.0 * 0.5,
                "no jar at home is better than ±0.5"
            );
        }
        let held = share(salt.formula(), held, SEEDS);
        assert!((0.90..=0.99).contains(&held), "{held}");
    }
}

fn plain(bias_pct: f64, gain: f64) -> Invented {
    Invented {
        bias_pct,
        gain,
        t_error_k: 0.0,
        place_pct: 0.0,
        one_chip: true,
    }
}

fn salted(
    sensor: &Invented,
    salt: Salt,
    level_pct: f64,
    working_pct: f64,
    seed: u64,
) -> Result<SaltPoint, Refusal> {
    let mut rng = stream(seed, "salted");
    let pair = read(sensor, 14.0, jar(level_pct, 0.7, 50.0), &mut rng);
    let probe = Probe {
        working_pct,
        ..probe("low", &pair, GOOD)
    };
    point(&probe, salt, whole(14.0))
}

#[test]
fn two_salts_give_offset_and_gain_and_one_dry_salt_is_refused_for_a_wet_box() {
    // Reads 2 too high at 75 %RH and 0.08 more for each %RH: at 33.0 (MgCl2, 22 °C) −1.4.
    let sensor = plain(2.0, 0.08);
    let dry = salted(&sensor, Salt::MagnesiumChloride, 33.0, 85.0, 1).expect("it settles");
    let wet = salted(&sensor, Salt::SodiumChloride, 75.4, 85.0, 2).expect("it settles");
    assert!(matches!(one_point(&dry), Err(Refusal::TooDry { .. })));
    let fit = two_points(&dry, &wet).expect("42 %RH apart");
    let correction = fit.correction(0, 0, None);
    for level in [33.0, 75.4, 90.0] {
        let reading = level + 2.0 + 0.08 * (level - 75.0);
        let left = reading - correction.bias_at(reading) - level;
        let doubt = 2.0 * correction.standard_uncertainty_at(reading);
        assert!(
            left.abs() < doubt && left.abs() < 0.7,
            "{level}: {left} within {doubt}"
        );
    }
    // One point is surest where it was taken.
    let one = one_point(&wet)
        .expect("10 %RH below the work")
        .correction(0, 0, None);
    assert!(one.standard_uncertainty_at(90.0) > one.standard_uncertainty_at(77.4));
    let near = salted(&sensor, Salt::PotassiumChloride, 84.8, 85.0, 3).expect("it settles");
    assert!(matches!(two_points(&wet, &near), Err(Refusal::TooClose { .. })));
}

#[test]
fn what_would_mislead_is_refused() {
    let sensor = plain(2.0, 0.0);
    let mut rng = stream(5, "refused");
    let mut judge = |hours: f64, truth: &dyn Fn(f64) -> (f64, f64)| {
        let pair = read(&sensor, hours, truth, &mut rng);
        point(&probe("low", &pair, GOOD), Salt::SodiumChloride, whole(hours))
    };
    assert!(matches!(
        judge(5.0, &jar(75.4, 0.7, 50.0)),
        Err(Refusal::TooShort { .. })
    ));
    // A leaky jar with a time constant of ten hours.
    assert!(matches!(
        judge(14.0, &jar(75.4, 10.0, 50.0)),
        Err(Refusal::NotSettled { .. })
    ));
    // Never in the jar: an enclosure that breathes.
    let breathing = |hour: f64| (22.0, 80.0 + 3.0 * (1.5 * hour).sin());
    assert!(matches!(judge(14.0, &breathing), Err(Refusal::NotSettled { .. })));
    let sunny = |hour: f64| (22.0 + 4.0 * hour.sin(), 75.4);
    assert!(matches!(judge(14.0, &sunny), Err(Refusal::Wandering { .. })));
    assert!(matches!(
        judge(14.0, &|_| (22.0, 99.5)),
        Err(Refusal::TopOfScale { .. })
    ));
    assert!(matches!(
        judge(14.0, &|_| (22.0, 50.0)),
        Err(Refusal::TooFarOff { .. })
    ));
    assert!(matches!(judge(14.0, &|_| (55.0, 75.0)), Err(Refusal::Salt(_))));

    let mut beside = |hours: f64, level_pct: f64, slow_pct: f64| {
        let reference = read(&plain(0.0, 0.0), hours, tub(level_pct), &mut rng);
        // The tested one follows late: a wet filter that dries for hours.
        let late = |hour: f64| {
            let (t_c, rh_pct) = tub(level_pct)(hour);
            (t_c, rh_pct + slow_pct * (-hour / 4.0).exp())
        };
        let tested = read(&sensor, hours, late, &mut rng);
        let probes = [probe("spare", &reference, GOOD), probe("low", &tested, GOOD)];
        compare(&probes, Against::Reference(0, None), whole(hours))
            .map(|found| found.into_iter().next().expect("one was tested").1)
    };
    assert!(matches!(beside(3.0, 80.0, 0.0), Err(Refusal::TooShort { .. })));
    assert!(matches!(
        beside(7.0, 80.0, 12.0),
        Ok(Err(Refusal::NotSettled { .. }))
    ));
    assert!(matches!(beside(7.0, 50.0, 0.0), Ok(Err(Refusal::TooDry { .. }))));
    assert!(matches!(beside(7.0, 80.0, 0.0), Ok(Ok(_))));
}

#[test]
fn sensors_that_hang_apart_are_in_no_tub() {
    let sensor = plain(2.0, 0.0);
    let apart = |warmer_k: f64| {
        let mut rng = stream(7, "apart");
        let steady = |t_c: f64| move |_hour: f64| (t_c, 80.0);
        let pairs = [
            read(&sensor, 8.0, steady(22.0), &mut rng),
            read(&sensor, 8.0, steady(22.0 + warmer_k), &mut rng),
        ];
        let probes = [probe("spare", &pairs[0], GOOD), probe("low", &pairs[1], GOOD)];
        let found = compare(&probes, Against::Reference(0, None), whole(8.0)).expect("quiet");
        found[0].1.clone().err()
    };
    assert_eq!(apart(0.3), None);
    assert!(matches!(apart(2.0), Some(Refusal::Apart { apart_k, .. }) if (apart_k - 2.0).abs() < 0.1));
}

#[test]
fn the_mean_of_all_needs_three_and_a_corrected_reference_lends_its_correction() {
    let mut rng = stream(6, "mean");
    let biases = [3.0, -1.0, -2.0];
    let pairs: Vec<Pair> = biases
        .iter()
        .map(|bias| read(&plain(*bias, 0.0), 7.0, tub(80.0), &mut rng))
        .collect();
    let names = ["a", "b", "c"];
    let probes: Vec<Probe<'_>> = names
        .iter()
        .zip(&pairs)
        .map(|(name, pair)| probe(name, pair, Accuracy::UNSTATED))
        .collect();
    assert!(matches!(
        compare(&probes[..2], Against::MeanOfAll, whole(7.0)),
        Err(Refusal::NoReference)
    ));
    let found = compare(&probes, Against::MeanOfAll, whole(7.0)).expect("a quiet tub");
    for ((_, result), bias) in found.iter().zip(biases) {
        let difference = result.as_ref().expect("it settles").difference.value;
        assert!((difference - bias).abs() < 0.3, "{difference} for {bias}");
    }
    // Sensor a reads 3 too high and is known to; b reads 1 too low against it then, not 4.
    let known = Correction {
        valid_from_ms: 0,
        written_ms: 0,
        sensor: "a".to_owned(),
        quantity: "humidity".to_owned(),
        method: Method::Salt,
        against: "NaCl".to_owned(),
        bias: 3.0,
        u_bias: 0.5,
        gain: 0.0,
        u_gain: 0.0,
        pivot: 80.0,
        by: None,
    };
    let found = compare(&probes, Against::Reference(0, Some(&known)), whole(7.0)).expect("a quiet tub");
    let b = found[0].1.as_ref().expect("it settles");
    assert!((b.difference.value + 1.0).abs() < 0.3, "{}", b.difference.value);
    assert!((b.budget[1].u_pct - 0.5).abs() < 1e-9);
}
