//! Did a daily difference begin to drift or jump, when, and how far has it come?
//!
//! In: one figure a day, with gaps. Out: a drift (a bent line) or a step with intervals, or nothing.
//!
//! Method: generalised least squares. The noise of a day is the sum of white noise, a first-order autoregressive part (weather
//! and placement carry over) and a slow random walk (a planted enclosure is never the same for months): its size comes
//! from the differences of neighbouring days, which a drift or a step hardly touches. For every day of onset the gain in
//! log-likelihood of a bend or a step over "nothing happened" is computed on whitened data; the best one is believed only
//! when it passes [`LIKELIHOOD_GAIN_MIN`] and has come far enough to matter. A step and a bend have the same number of
//! parameters, so the more likely one is named. Sensitivity to the level (a gain error that was always there) is a nuisance
//! with a prior. Sources: [Searle1992] for the model; threshold and noise shape are our own, measured on simulated sites.

use crate::statistics::Estimate;
use crate::statistics::robust::{median, robust_standard_deviation};

use super::daily::DayFigure;

/// What is told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    Drift,
    Step,
}

/// A change that began on a day of the history.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Change {
    pub shape: Shape,
    /// Start of the day of onset, ms, and the range of days that fit about as well.
    pub onset_ms: i64,
    pub onset_low_ms: i64,
    pub onset_high_ms: i64,
    /// Drift: change per day. Step: 0.
    pub per_day: Estimate,
    /// How far it has come by the last day.
    pub now: Estimate,
    /// Twice the gain in log-likelihood.
    pub gain: f64,
}

/// How the noise of a quantity is tuned.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    /// Least standard deviation of a day's figure, whatever the record says: quantisation and placement.
    pub sd_min: f64,
    /// Random walk, standard deviation per square root of a day.
    pub walk_per_sqrt_day: f64,
    /// Prior standard deviation of the sensitivity to level.
    pub gain_sd: f64,
    /// A drift or a step that has come less far than this is not worth a word.
    pub drift_min: f64,
    pub step_min: f64,
}

/// Share of a day's variance that carries over, and its correlation from day to day (own choice, after METHODS: phi 0.5).
const CARRIED_FRAC: f64 = 0.5;
const CARRIED_PHI: f64 = 0.6;
/// Twice the gain in log-likelihood that a change needs. Set so that healthy simulated sites stay silent (DEVELOPERS.md).
pub(super) const LIKELIHOOD_GAIN_MIN: f64 = 22.0;
/// Days before the onset that must be known, and after it.
const DAYS_BEFORE_MIN: usize = 7;
const DAYS_AFTER_MIN: usize = 2;
/// Onsets whose gain lies this close to the best fit about as well (chi-square, one degree of freedom, 95 %).
const ONSET_SLACK: f64 = 3.84;
/// Two-sided 95 % of the normal distribution.
const Z_95: f64 = 1.96;

/// The change that the days show, if they show one. `breaks_day`: days at which a step is allowed without being a fault
/// (the sensor was moved).
pub(super) fn find(figures: &[DayFigure], noise: Noise, breaks_day: &[f64]) -> Option<Change> {
    let count = figures.len();
    if count < DAYS_BEFORE_MIN + DAYS_AFTER_MIN {
        return None;
    }
    let whitener = Whitener::new(figures, noise)?;
    let mut y: Vec<f64> = figures.iter().map(|f| f.difference).collect();
    let centre = median(&y)?;
    y.iter_mut().for_each(|value| *value -= centre);
    let levels: Vec<f64> = figures.iter().map(|f| f.level).collect();
    let level_centre = median(&levels)?;

    let mut nuisance: Vec<Vec<f64>> = vec![vec![1.0; count]];
    for at in breaks_day {
        let column: Vec<f64> = figures
            .iter()
            .map(|f| if f.day >= *at { 1.0 } else { 0.0 })
            .collect();
        if column.contains(&1.0) && column.contains(&0.0) {
            nuisance.push(column);
        }
    }
    // The level's sensitivity has a proper prior: it enters the covariance instead of being free.
    let level_column: Vec<f64> = levels.iter().map(|level| level - level_centre).collect();
    let basis = Basis::new(&whitener, &nuisance, &[(level_column, noise.gain_sd)]);
    let white_y = basis.whitened(&y);

    let mut tried: Vec<(Change, f64)> = Vec::new();
    for onset in DAYS_BEFORE_MIN..=count - DAYS_AFTER_MIN {
        // A bend's foot may lie before the first day that shows it.
        for shape in [Shape::Drift, Shape::Step] {
            let first = if shape == Shape::Drift { onset - 1 } else { onset };
            let column = shape_column(figures, shape, figures[first].day);
            let x = basis.whitened(&column);
            let xx = dot(&x, &x);
            if xx < 1e-9 {
                continue;
            }
            let coefficient = dot(&x, &white_y) / xx;
            let gain = coefficient * coefficient * xx;
            let half = Z_95 / xx.sqrt();
            let reach = column[count - 1];
            let estimate = |scale: f64| Estimate {
                value: coefficient * scale,
                low: (coefficient * scale) - half * scale,
                high: (coefficient * scale) + half * scale,
            };
            tried.push((
                Change {
                    shape,
                    onset_ms: figures[first].at_ms,
                    onset_low_ms: figures[first].at_ms,
                    onset_high_ms: figures[first].at_ms,
                    per_day: estimate(if shape == Shape::Drift { 1.0 } else { 0.0 }),
                    now: estimate(reach),
                    gain,
                },
                gain,
            ));
        }
    }
    let mut change = tried.iter().max_by(|a, b| a.1.total_cmp(&b.1))?.0.clone();
    let gain = change.gain;
    let far_enough = match change.shape {
        Shape::Drift => noise.drift_min,
        Shape::Step => noise.step_min,
    };
    if gain < LIKELIHOOD_GAIN_MIN || change.now.value.abs() < far_enough {
        return None;
    }
    // Onsets that fit about as well widen every interval: the day is part of what is not known.
    for (other, other_gain) in tried {
        if other.shape == change.shape && gain - other_gain < ONSET_SLACK {
            change.onset_low_ms = change.onset_low_ms.min(other.onset_ms);
            change.onset_high_ms = change.onset_high_ms.max(other.onset_ms);
            change.now = hull(change.now, other.now);
            change.per_day = hull(change.per_day, other.per_day);
        }
    }
    Some(change)
}

fn hull(kept: Estimate, other: Estimate) -> Estimate {
    Estimate {
        low: kept.low.min(other.low),
        high: kept.high.max(other.high),
        ..kept
    }
}

/// A drift's or step's column: 0 before `onset_day`, then days since, or 1.
fn shape_column(figures: &[DayFigure], shape: Shape, onset_day: f64) -> Vec<f64> {
    let value = |f: &DayFigure| match shape {
        Shape::Drift => (f.day - onset_day).max(0.0),
        Shape::Step => f64::from(u8::from(f.day >= onset_day)),
    };
    figures.iter().map(value).collect()
}

/// How far another daily figure went along with a change: its estimate by the last day, and the standard deviation of it.
///
/// `soft`: columns that may explain the figure, each with the prior standard deviation of its coefficient.
pub(super) fn went_along(
    figures: &[DayFigure],
    change: &Change,
    noise: Noise,
    soft: &[(Vec<f64>, f64)],
) -> Option<(f64, f64)> {
    let onset_day = figures.iter().find(|f| f.at_ms >= change.onset_ms)?.day;
    let column = shape_column(figures, change.shape, onset_day);
    let (before, reach) = (column.iter().filter(|c| **c == 0.0).count(), *column.last()?);
    if before < DAYS_BEFORE_MIN || reach == 0.0 {
        return None;
    }
    let whitener = Whitener::new(figures, noise)?;
    let basis = Basis::new(&whitener, &[vec![1.0; figures.len()]], soft);
    let centre = median(&figures.iter().map(|f| f.difference).collect::<Vec<_>>())?;
    let y = basis.whitened(&figures.iter().map(|f| f.difference - centre).collect::<Vec<_>>());
    let x = basis.whitened(&column);
    let xx = dot(&x, &x);
    (xx > 1e-12).then(|| (dot(&x, &y) / xx * reach, reach / xx.sqrt()))
}

/// Standard deviation of a day's figure, from differences of neighbouring days.
fn day_sd(figures: &[DayFigure], noise: Noise) -> f64 {
    let steps: Vec<f64> = figures
        .windows(2)
        .filter(|pair| pair[1].day - pair[0].day < 1.5)
        .map(|pair| pair[1].difference - pair[0].difference)
        .collect();
    // var(step) = 2 · var · (white + carried · (1 − phi))
    let spread = 2.0 * ((1.0 - CARRIED_FRAC) + CARRIED_FRAC * (1.0 - CARRIED_PHI));
    robust_standard_deviation(&steps).map_or(noise.sd_min, |sd| (sd / spread.sqrt()).max(noise.sd_min))
}

/// The Cholesky factor of the noise's covariance.
struct Whitener {
    lower: Vec<Vec<f64>>,
}

impl Whitener {
    fn new(figures: &[DayFigure], noise: Noise) -> Option<Whitener> {
        let variance = day_sd(figures, noise).powi(2);
        let walk = noise.walk_per_sqrt_day.powi(2);
        let first = figures.first()?.day;
        let covariance = |i: usize, j: usize| {
            let (a, b) = (figures[i].day, figures[j].day);
            let white = if i == j {
                variance * (1.0 - CARRIED_FRAC) * 24.0 / figures[i].hour_count.max(1) as f64
            } else {
                0.0
            };
            let carried = variance * CARRIED_FRAC * CARRIED_PHI.powf((a - b).abs());
            white + carried + walk * (a.min(b) - first)
        };
        cholesky(figures.len(), covariance).map(|lower| Whitener { lower })
    }

    fn solve(&self, column: &[f64]) -> Vec<f64> {
        let mut white = Vec::with_capacity(column.len());
        for (row, value) in self.lower.iter().zip(column) {
            let known: f64 = row.iter().zip(&white).map(|(l, w): (&f64, &f64)| l * w).sum();
            white.push((value - known) / row[white.len()]);
        }
        white
    }
}

fn cholesky(count: usize, entry: impl Fn(usize, usize) -> f64) -> Option<Vec<Vec<f64>>> {
    let mut lower: Vec<Vec<f64>> = Vec::with_capacity(count);
    for i in 0..count {
        let mut row = Vec::with_capacity(i + 1);
        for j in 0..=i {
            let other: &[f64] = if j < i { &lower[j] } else { &row };
            let known: f64 = row.iter().zip(other).take(j).map(|(a, b)| a * b).sum();
            let left = entry(i, j) - known;
            if i == j {
                if left <= 0.0 {
                    return None;
                }
                row.push(left.sqrt());
            } else {
                row.push(left / lower[j][j]);
            }
        }
        lower.push(row);
    }
    Some(lower)
}

/// Whitened space with the nuisance columns projected out; soft columns are projected out as far as their prior lets them.
struct Basis<'w> {
    whitener: &'w Whitener,
    /// Orthonormal columns with how much of each is removed: 1 wholly, less where a prior holds it.
    columns: Vec<(Vec<f64>, f64)>,
}

impl<'w> Basis<'w> {
    fn new(whitener: &'w Whitener, nuisance: &[Vec<f64>], soft: &[(Vec<f64>, f64)]) -> Basis<'w> {
        let mut basis = Basis {
            whitener,
            columns: Vec::new(),
        };
        for column in nuisance {
            basis.add(column, None);
        }
        for (column, prior_sd) in soft {
            basis.add(column, Some(*prior_sd));
        }
        basis
    }

    fn add(&mut self, column: &[f64], prior_sd: Option<f64>) {
        let mut white = self.whitened(column);
        let size = dot(&white, &white).sqrt();
        if size < 1e-9 {
            return;
        }
        white.iter_mut().for_each(|value| *value /= size);
        // With a prior of sd s on the coefficient the whitened direction has variance 1 + (s · size)², so it is scaled down
        // by the root of that instead of being removed.
        let removed = prior_sd.map_or(1.0, |sd| 1.0 - 1.0 / (1.0 + (sd * size).powi(2)).sqrt());
        self.columns.push((white, removed));
    }

    fn whitened(&self, column: &[f64]) -> Vec<f64> {
        let mut white = self.whitener.solve(column);
        for (direction, removed) in &self.columns {
            let along = dot(&white, direction) * removed;
            white
                .iter_mut()
                .zip(direction)
                .for_each(|(value, d)| *value -= along * d);
        }
        white
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use mosswarden_config::zone::MS_PER_24_H;
    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    const NOISE: Noise = Noise {
        sd_min: 0.25,
        walk_per_sqrt_day: 0.06,
        gain_sd: 0.05,
        drift_min: 1.0,
        step_min: 2.0,
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
                }
            })
            .collect()
    }

    #[test]
    fn quiet_days_show_nothing() {
        let found = (0..200)
            .filter(|seed| find(&days(56, 0.5, *seed, |_| 0.0), NOISE, &[]).is_some())
            .count();
        assert_eq!(found, 0, "of 200 quiet histories");
    }

    #[test]
    fn a_drift_is_found_with_its_rate_and_a_step_is_called_a_step() {
        for seed in 0..20 {
            let drift = days(56, 0.5, seed, |day| (day - 28.0).max(0.0) * 4.0 / 30.0);
            let change = find(&drift, NOISE, &[]).expect("3.6 %RH of drift");
            assert_eq!(change.shape, Shape::Drift, "seed {seed}");
            assert!(
                change.per_day.low * 30.0 < 4.0 && 4.0 < change.per_day.high * 30.0 + 1.0,
                "{change:?}"
            );
            let step = days(56, 0.5, seed, |day| if day >= 30.0 { -5.0 } else { 0.0 });
            let change = find(&step, NOISE, &[]).expect("a step of 5 %RH");
            assert_eq!(change.shape, Shape::Step, "seed {seed}");
            assert_eq!(change.onset_ms, 30 * MS_PER_24_H);
            assert!((change.now.value + 5.0).abs() < 1.0, "{change:?}");
        }
    }

    #[test]
    fn a_step_on_a_day_on_which_the_sensor_was_moved_is_no_fault() {
        let moved = days(56, 0.5, 1, |day| if day >= 30.0 { 4.0 } else { 0.0 });
        assert!(find(&moved, NOISE, &[30.0]).is_none());
        assert!(find(&moved, NOISE, &[]).is_some());
    }

    #[test]
    fn too_few_days_say_nothing() {
        assert!(find(&days(8, 0.5, 1, |day| day * 3.0), NOISE, &[]).is_none());
    }
}
