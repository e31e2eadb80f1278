use super::*;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

const NOISE: Noise = Noise {
    sd_min: 0.2,
    sd_usual: 0.5,
    usual_days: 10.0,
    carried_frac: 0.9,
    carried_phi: 0.65,
    walk_per_sqrt_day: 0.03,
    gain_sd: 0.05,
    drift_min: 1.0,
    step_min: 2.0,
    evidence_min: 3.0,
    further_gain_min: 30.0,
    rate_sd_per_day: 5.0 / 30.0,
    step_sd: 4.0,
    unseen_sd: 0.5,
};

/// Days with normal-like noise of standard deviation `sd`, and `signal(day)` on top.
fn days(count: usize, sd: f64, seed: u64, signal: impl Fn(f64) -> f64) -> Vec<DayFigure> {
    let mut random = StdRng::seed_from_u64(seed);
    (0..count)
        .map(|day| {
            let noise: f64 = (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
            DayFigure {
                at_ms: day as i64 * MS_PER_24_H,
                day: day as f64,
                difference: 1.5 + sd * noise + signal(day as f64),
                level: 80.0,
                hour_count: 24,
                by_part: Default::default(),
            }
        })
        .collect()
}

#[test]
fn quiet_days_show_nothing() {
    let found = (0..200)
        .filter(|seed| find(&days(56, 0.5, *seed, |_| 0.0), NOISE, &[], None).is_some())
        .count();
    assert_eq!(found, 0, "of 200 quiet histories");
}

#[test]
fn a_drift_is_found_with_its_rate_and_a_step_is_called_a_step() {
    let mut called_drift = 0;
    for seed in 0..20 {
        let drift = days(56, 0.5, seed, |day| (day - 28.0).max(0.0) * 4.0 / 30.0);
        let change = find(&drift, NOISE, &[], None).expect("3.6 %RH of drift");
        assert!((change.now.value - 3.6).abs() < 1.5, "seed {seed}: {change:?}");
        if change.shape == Shape::Drift {
            called_drift += 1;
            assert!(
                change.per_day.low * 30.0 < 5.0 && 4.0 < change.per_day.high * 30.0 + 1.5,
                "seed {seed}: {change:?}"
            );
        }
        let step = days(56, 0.5, seed, |day| if day >= 30.0 { -5.0 } else { 0.0 });
        let change = find(&step, NOISE, &[], None).expect("a step of 5 %RH");
        assert_eq!(change.shape, Shape::Step);
        assert!(
            (change.onset_ms - 30 * MS_PER_24_H).abs() <= MS_PER_24_H,
            "{change:?}"
        );
        assert!((change.now.value + 5.0).abs() < 1.0, "{change:?}");
    }
    // Noise that carries over looks like a step now and then.
    assert!(called_drift >= 15, "{called_drift} of 20 drifts are called so");
}

#[test]
fn a_jump_of_the_last_day_is_no_bend_that_began_before_it() {
    const LAST: f64 = 55.0;
    let jumped = |pct: f64| {
        move |seed: u64| {
            let figures = days(56, 0.2, seed, |day| if day >= LAST { pct } else { 0.0 });
            find(&figures, NOISE, &[], None)
        }
    };
    for seed in 0..20 {
        let change = jumped(-5.0)(seed).expect("a jump of 5 %RH");
        assert_eq!(
            (change.shape, change.onset_ms),
            (Shape::Step, LAST as i64 * MS_PER_24_H),
            "seed {seed}: {change:?}"
        );
    }
    // Nor is a jump that is not worth a word, but where the days before it happen to lean its way.
    let told = (0..20).filter(|seed| jumped(1.7)(*seed).is_some()).count();
    assert!(told <= 4, "{told} of 20");
}

#[test]
fn a_step_on_a_day_on_which_the_sensor_was_moved_is_no_fault() {
    let moved = days(56, 0.5, 1, |day| if day >= 30.0 { 4.0 } else { 0.0 });
    assert!(find(&moved, NOISE, &[30.0], None).is_none());
    assert!(find(&moved, NOISE, &[], None).is_some());
}

#[test]
fn what_came_and_went_is_over() {
    let pulse = days(
        56,
        0.4,
        3,
        |day| if (20.0..31.0).contains(&day) { -9.0 } else { 0.0 },
    );
    let change = find(&pulse, NOISE, &[], None).expect("eleven days at -9");
    assert_eq!(change.shape, Shape::Step);
    assert_eq!(
        (change.onset_ms, change.ended_ms),
        (20 * MS_PER_24_H, Some(31 * MS_PER_24_H))
    );
    assert!((change.now.value + 9.0).abs() < 1.0, "{change:?}");
    assert_eq!(change.bias_at(40 * MS_PER_24_H), 0.0);
    // While it lasts it is not over.
    let change = find(&pulse[..28], NOISE, &[], None).expect("eight days at -9");
    assert_eq!(change.ended_ms, None);
}

#[test]
fn the_mean_of_two_says_which_one_moved_unless_the_air_did() {
    let drift = |day: f64| (day - 30.0).max(0.0) * 8.0 / 30.0;
    let difference = days(50, 0.4, 1, drift);
    let by_mean = |moves: &dyn Fn(f64) -> f64| {
        let shared = Shared {
            figures: days(50, 0.25, 2, moves),
            share: 0.5,
            follows: Vec::new(),
            noises: &[NOISE],
        };
        let change = find(&difference, NOISE, &[], Some(&shared)).expect("5 %RH of drift");
        change.evidence - change.evidence_of_other.expect("the mean was weighed")
    };
    assert!(by_mean(&|day| 0.5 * drift(day)) > 3.0);
    assert!(by_mean(&|day| -0.5 * drift(day)) < -3.0);
    let vent_blocked = |day: f64| if day >= 20.0 { 9.0 } else { 0.0 };
    assert!(by_mean(&vent_blocked).abs() < 0.5);
}

#[test]
fn where_the_air_itself_wanders_the_mean_of_two_is_not_sure() {
    const WANDERING: Noise = Noise {
        walk_per_sqrt_day: 0.6,
        ..NOISE
    };
    let drift = |day: f64| (day - 30.0).max(0.0) * 8.0 / 30.0;
    let surely_wrong = |noises: &'static [Noise]| {
        (0..40)
            .filter(|seed| {
                let mut random = StdRng::seed_from_u64(100 + seed);
                let steps = (0..50).map(|_| 2.0 * (random.random::<f64>() - 0.5));
                let walk: Vec<f64> = steps
                    .scan(0.0, |level, step| {
                        *level += step;
                        Some(*level)
                    })
                    .collect();
                let shared = Shared {
                    figures: days(50, 0.25, *seed, |day| walk[day as usize] + 0.5 * drift(day)),
                    share: 0.5,
                    follows: Vec::new(),
                    noises,
                };
                let difference = days(50, 0.4, 200 + seed, drift);
                find(&difference, NOISE, &[], Some(&shared))
                    .and_then(|change| Some(change.evidence - change.evidence_of_other?))
                    .is_some_and(|odds| odds < -2.0)
            })
            .count()
    };
    let (quiet_alone, either) = (surely_wrong(&[NOISE]), surely_wrong(&[NOISE, WANDERING]));
    assert!(
        either <= 2 && either < quiet_alone,
        "{either} of 40 surely laid to the other, {quiet_alone} if the air is taken as quiet"
    );
}

#[test]
fn what_the_mean_follows_is_not_laid_to_a_sensor() {
    let weather = |day: f64| 3.0 * (day / 9.0).sin();
    let quiet = days(56, 0.4, 5, |_| 0.0);
    let shared = |follows: Vec<Followed>| Shared {
        figures: days(56, 0.2, 6, weather),
        share: 0.5,
        follows,
        noises: &[NOISE],
    };
    let follows = Followed {
        column: (0..56).map(|day| weather(f64::from(day))).collect(),
        prior_sd: 1.0,
    };
    assert_eq!(find(&quiet, NOISE, &[], Some(&shared(vec![follows]))), None);
    assert_eq!(find(&quiet, NOISE, &[], Some(&shared(Vec::new()))), None);
}

#[test]
fn too_few_days_say_nothing() {
    assert!(find(&days(8, 0.5, 1, |day| day * 3.0), NOISE, &[], None).is_none());
}
