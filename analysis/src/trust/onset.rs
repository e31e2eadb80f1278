//! Did a daily difference begin to drift or jump, when, and how far has it come?
//!
//! In: one figure a day, with gaps. Out: a drift (a bent line) or a step with intervals, or nothing.
//!
//! Method: generalised least squares. The noise of a day is the sum of white noise, a first-order autoregressive part (weather
//! and placement carry over) and a slow random walk (a planted enclosure is never the same for months): its size comes
//! from the differences of neighbouring days, which a drift or a step hardly touches, held towards what is usual while few days are
//! known. For every day of onset the gain in
//! log-likelihood of a bend or a step over "nothing happened" is computed on whitened data; the best one is believed only
//! when it passes [`Noise::gain_min`] and has come far enough to matter. A step and a bend have the same number of
//! parameters, so the more likely one is named. Sensitivity to the level (a gain error that was always there) is a nuisance
//! with a prior. Sources: [Searle1992] for the model; threshold and noise shape are our own, measured on simulated sites.

use mosswarden_config::zone::MS_PER_24_H;

use crate::statistics::Estimate;
use crate::statistics::robust::{median, robust_standard_deviation};

use super::daily::DayFigure;

/// What is told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Shape {
    Drift,
    Step,
}

/// One bend or step of the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub shape: Shape,
    /// Start of the first day that shows it, ms.
    pub at_ms: i64,
    /// Per day for a drift.
    pub size: f64,
}

impl Part {
    /// How far it has come, for a size of 1, by the start of the day at `at_ms`.
    fn reach(self, at_ms: i64) -> f64 {
        let days = (at_ms - self.at_ms) as f64 / MS_PER_24_H as f64;
        match self.shape {
            Shape::Drift => days.max(0.0),
            Shape::Step => f64::from(u8::from(days >= 0.0)),
        }
    }
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
    /// How far it has come by the last day, or had come when it ended.
    pub now: Estimate,
    /// The day on which the figures came back to what was usual, if they did, ms.
    pub ended_ms: Option<i64>,
    /// Twice the gain in log-likelihood.
    pub gain: f64,
    /// All bends and steps of the fit.
    pub parts: Vec<Part>,
}

impl Change {
    /// What the readings are off by at an instant; 0 after the change ended.
    pub(super) fn bias_at(&self, at_ms: i64) -> f64 {
        if self.ended_ms.is_some_and(|ended| at_ms >= ended) {
            return 0.0;
        }
        self.parts.iter().map(|part| part.size * part.reach(at_ms)).sum()
    }
}

/// How the noise of a quantity is tuned.
#[derive(Debug, Clone, Copy)]
pub(super) struct Noise {
    /// Least standard deviation of a day's figure, whatever the record says: quantisation and placement.
    pub sd_min: f64,
    /// What is usual, and how many days of the record weigh as much as that.
    pub sd_usual: f64,
    pub usual_days: f64,
    /// Share of the variance that carries over from day to day, and how much of it does.
    pub carried_frac: f64,
    pub carried_phi: f64,
    /// Random walk, standard deviation per square root of a day.
    pub walk_per_sqrt_day: f64,
    /// Prior standard deviation of the sensitivity to level.
    pub gain_sd: f64,
    /// A drift or a step that has come less far than this is not worth a word.
    pub drift_min: f64,
    pub step_min: f64,
    /// Twice the gain in log-likelihood that a change needs.
    pub gain_min: f64,
    /// Prior standard deviation of a drift's rate, per day: what runs much faster is a mood of the weather more often than a fault.
    pub rate_sd_per_day: f64,
    /// Standard uncertainty of a stated bias that no noise of the days shows: hysteresis, and the levels that happened to be met.
    pub unseen_sd: f64,
}

impl Noise {
    /// The same with its random walk as the figures themselves show it: what the spread of differences over a week has more than that
    /// of a stationary noise; never below what is tuned.
    pub(super) fn walking_as(self, figures: &[DayFigure]) -> Noise {
        const WEEK_D: f64 = 7.0;
        let over = |days: f64| {
            let differences: Vec<f64> = figures
                .iter()
                .flat_map(|a| figures.iter().map(move |b| (a, b)))
                .filter(|(a, b)| ((b.day - a.day) - days).abs() < 0.1)
                .map(|(a, b)| b.difference - a.difference)
                .collect();
            robust_standard_deviation(&differences)
        };
        let Some(week) = over(WEEK_D) else {
            return self;
        };
        let stationary =
            day_sd(figures, self).powi(2) * 2.0 * (1.0 - self.carried_frac * self.carried_phi.powf(WEEK_D));
        let walk = ((week * week - stationary).max(0.0) / WEEK_D).sqrt();
        Noise {
            walk_per_sqrt_day: walk.max(self.walk_per_sqrt_day),
            ..self
        }
    }
}

/// Twice the gain in log-likelihood that a further change in the same history needs, and one that rests on a single day.
const FURTHER_GAIN_MIN: f64 = 30.0;
/// Days before the onset that must be known, and after it.
const DAYS_BEFORE_MIN: usize = 7;
const DAYS_AFTER_MIN: usize = 2;
/// What is over before this long is an event, no fault.
const EXCURSION_MS_MIN: i64 = 2 * MS_PER_24_H;
/// Onsets whose gain lies this close to the best fit about as well (chi-square, one degree of freedom, 95 %).
const ONSET_SLACK: f64 = 3.84;
/// Two-sided 95 % of the normal distribution.
const Z_95: f64 = 1.96;

/// Bends and steps that one history may hold: a fault that came and went, and another.
const PARTS_MAX: usize = 4;
/// Figures came back when what is left is below this share of how far they had gone, or below this share of a step worth a word.
const BACK_FRAC: f64 = 0.3;
const BACK_STEP_FRAC: f64 = 0.8;

/// The change that the days show, if they show one. `breaks_day`: days at which a step is allowed without being a fault
/// (the sensor was moved).
pub(super) fn find(figures: &[DayFigure], noise: Noise, breaks_day: &[f64]) -> Option<Change> {
    let count = figures.len();
    if count < DAYS_BEFORE_MIN + DAYS_AFTER_MIN {
        return None;
    }
    let search = Search::new(figures, noise, breaks_day)?;
    let mut chosen: Vec<usize> = Vec::new();
    let mut first_gain = 0.0;
    while chosen.len() < PARTS_MAX {
        let (best, gain) = search.next_best(&chosen)?;
        let on_one_day = search.candidates[best].at_ms == figures[count - 1].at_ms;
        let needed = if chosen.is_empty() && !on_one_day {
            noise.gain_min
        } else {
            noise.gain_min.max(FURTHER_GAIN_MIN)
        };
        if gain < needed {
            break;
        }
        if chosen.is_empty() {
            first_gain = gain;
        }
        chosen.push(best);
    }
    if chosen.is_empty() {
        return None;
    }
    chosen.sort_by_key(|index| search.candidates[*index].at_ms);
    search.change(&chosen, first_gain)
}

/// Every bend and step that may have begun, whitened, with what is natural taken out.
struct Search<'f> {
    figures: &'f [DayFigure],
    noise: Noise,
    candidates: Vec<Part>,
    /// By candidate, and of the figures.
    columns: Vec<Vec<f64>>,
    y: Vec<f64>,
}

impl<'f> Search<'f> {
    fn new(figures: &'f [DayFigure], noise: Noise, breaks_day: &[f64]) -> Option<Search<'f>> {
        let count = figures.len();
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
        let (mut candidates, mut columns) = (Vec::new(), Vec::new());
        for onset in DAYS_BEFORE_MIN..count {
            for shape in [Shape::Drift, Shape::Step] {
                // One day may be a jump, which is then told once it is beyond doubt; a bend of one day is nothing.
                if shape == Shape::Drift && onset > count - DAYS_AFTER_MIN {
                    continue;
                }
                // A bend's foot may lie before the first day that shows it.
                let first = if shape == Shape::Drift { onset - 1 } else { onset };
                let part = Part {
                    shape,
                    at_ms: figures[first].at_ms,
                    size: 1.0,
                };
                let column: Vec<f64> = figures.iter().map(|f| part.reach(f.at_ms)).collect();
                candidates.push(part);
                columns.push(basis.whitened(&column));
            }
        }
        let y = basis.whitened(&y);
        Some(Search {
            figures,
            noise,
            candidates,
            columns,
            y,
        })
    }

    /// The candidate that adds most to those chosen, with twice its gain in log-likelihood.
    fn next_best(&self, chosen: &[usize]) -> Option<(usize, f64)> {
        let mut kept: Vec<Vec<f64>> = Vec::new();
        for index in chosen {
            let mut direction = without(&self.columns[*index], &kept);
            let size = dot(&direction, &direction).sqrt();
            if size > 1e-9 {
                direction.iter_mut().for_each(|value| *value /= size);
                kept.push(direction);
            }
        }
        let y = without(&self.y, &kept);
        (0..self.columns.len())
            .filter(|index| !chosen.contains(index))
            .filter_map(|index| {
                let x = without(&self.columns[index], &kept);
                let xx = dot(&x, &x);
                // What the chosen ones explain nearly wholly can't be told from them.
                let alone = dot(&self.columns[index], &self.columns[index]).max(1e-9);
                let size = dot(&x, &y) / xx;
                let too_fast = match self.candidates[index].shape {
                    Shape::Drift => (size / self.noise.rate_sd_per_day).powi(2),
                    Shape::Step => 0.0,
                };
                (xx > 1e-4 * alone).then_some((index, size * size * xx - too_fast))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// What the chosen bends and steps say together.
    fn change(&self, chosen: &[usize], first_gain: f64) -> Option<Change> {
        let fit = Fit::new(self, chosen)?;
        let sizes = fit.sizes();
        let parts: Vec<Part> = chosen
            .iter()
            .zip(&sizes)
            .map(|(index, size)| Part {
                size: *size,
                ..self.candidates[*index]
            })
            .collect();
        let last_ms = self.figures.last()?.at_ms;
        let reaches = |at_ms: i64| parts.iter().map(|part| part.reach(at_ms)).collect::<Vec<f64>>();
        let total = |at_ms: i64| {
            parts
                .iter()
                .map(|part| part.size * part.reach(at_ms))
                .sum::<f64>()
        };
        // The newest step that brought the figures back, if one did, splits what is over from what is still so.
        let back = (1..parts.len()).rev().find(|index| {
            let before_ms = parts[*index].at_ms - 1;
            let (gone, left) = (total(before_ms).abs(), total(parts[*index].at_ms).abs());
            parts[*index].shape == Shape::Step
                && left
                    < (BACK_FRAC * gone)
                        .max(BACK_STEP_FRAC * self.noise.step_min)
                        .min(gone)
        });
        let since = back.map_or(0, |index| index + 1);
        let (first, ended_ms, until_ms) = if since < parts.len() {
            (since, None, last_ms)
        } else {
            let ended_ms = parts[since - 1].at_ms;
            (0, Some(ended_ms), ended_ms - 1)
        };
        let now = fit.of(&reaches(until_ms));
        // What went furthest gives the change its name and its day.
        let gone = |index: usize| (parts[index].size * parts[index].reach(until_ms)).abs();
        let first = (first..parts.len()).max_by(|a, b| gone(*a).total_cmp(&gone(*b)))?;
        let main = parts[first];
        let far_enough = match main.shape {
            Shape::Drift => self.noise.drift_min,
            Shape::Step => self.noise.step_min,
        };
        let brief = ended_ms.is_some_and(|ended| ended - main.at_ms < EXCURSION_MS_MIN);
        if now.value.abs() < far_enough || brief {
            return None;
        }
        let only: Vec<f64> = (0..parts.len())
            .map(|index| f64::from(u8::from(index == first)))
            .collect();
        let per_day = match main.shape {
            Shape::Drift => fit.of(&only),
            Shape::Step => fit.of(&vec![0.0; parts.len()]),
        };
        let mut change = Change {
            shape: main.shape,
            onset_ms: main.at_ms,
            onset_low_ms: main.at_ms,
            onset_high_ms: main.at_ms,
            per_day,
            now,
            ended_ms,
            gain: first_gain,
            parts: parts.clone(),
        };
        self.widen(&mut change, chosen, first, until_ms);
        change.now = with_unseen(change.now, self.noise.unseen_sd);
        Some(change)
    }

    /// Onsets that fit about as well widen every interval: the day is part of what is not known.
    fn widen(&self, change: &mut Change, chosen: &[usize], first: usize, until_ms: i64) {
        let Some(best) = Fit::new(self, chosen).map(|fit| fit.explained()) else {
            return;
        };
        for (index, candidate) in self.candidates.iter().enumerate() {
            let near = (candidate.at_ms - change.onset_ms).abs() < ONSET_NEAR_MS;
            if candidate.shape != change.shape || chosen.contains(&index) || !near {
                continue;
            }
            let mut other = chosen.to_vec();
            other[first] = index;
            let Some(fit) = Fit::new(self, &other).filter(|fit| best - fit.explained() < ONSET_SLACK) else {
                continue;
            };
            let reaches: Vec<f64> = other
                .iter()
                .map(|index| self.candidates[*index].reach(until_ms))
                .collect();
            change.onset_low_ms = change.onset_low_ms.min(candidate.at_ms);
            change.onset_high_ms = change.onset_high_ms.max(candidate.at_ms);
            change.now = hull(change.now, fit.of(&reaches));
            if change.shape == Shape::Drift {
                let only: Vec<f64> = (0..other.len())
                    .map(|index| f64::from(u8::from(index == first)))
                    .collect();
                change.per_day = hull(change.per_day, fit.of(&only));
            }
        }
    }
}

/// Onsets further away than this from the best are another story.
const ONSET_NEAR_MS: i64 = 21 * MS_PER_24_H;

/// A column less its parts along orthonormal directions.
fn without(column: &[f64], directions: &[Vec<f64>]) -> Vec<f64> {
    let mut left = column.to_vec();
    for direction in directions {
        let along = dot(&left, direction);
        left.iter_mut()
            .zip(direction)
            .for_each(|(value, d)| *value -= along * d);
    }
    left
}

/// Least squares on whitened columns, by the Cholesky factor of their products.
struct Fit {
    lower: Vec<Vec<f64>>,
    /// The factor's solution of the products with the figures.
    along: Vec<f64>,
}

impl Fit {
    fn new(search: &Search<'_>, chosen: &[usize]) -> Option<Fit> {
        let column = |index: usize| &search.columns[chosen[index]][..];
        let lower = cholesky(chosen.len(), |i, j| dot(column(i), column(j)))?;
        let products: Vec<f64> = (0..chosen.len())
            .map(|index| dot(column(index), &search.y))
            .collect();
        let along = forward(&lower, &products);
        Some(Fit { lower, along })
    }

    /// Twice the gain in log-likelihood of all together.
    fn explained(&self) -> f64 {
        dot(&self.along, &self.along)
    }

    /// A weighted sum of the sizes with its 95 % interval.
    fn of(&self, weights: &[f64]) -> Estimate {
        let solved = forward(&self.lower, weights);
        let (value, half) = (dot(&solved, &self.along), Z_95 * dot(&solved, &solved).sqrt());
        Estimate {
            value,
            low: value - half,
            high: value + half,
        }
    }

    fn sizes(&self) -> Vec<f64> {
        let count = self.along.len();
        let unit = |index: usize| {
            (0..count)
                .map(|other| f64::from(u8::from(other == index)))
                .collect::<Vec<f64>>()
        };
        (0..count).map(|index| self.of(&unit(index)).value).collect()
    }
}

/// Solves `lower · x = column`.
fn forward(lower: &[Vec<f64>], column: &[f64]) -> Vec<f64> {
    let mut solved = Vec::with_capacity(column.len());
    for (row, value) in lower.iter().zip(column) {
        let known: f64 = row.iter().zip(&solved).map(|(l, x): (&f64, &f64)| l * x).sum();
        solved.push((value - known) / row[solved.len()]);
    }
    solved
}

/// The interval with a further standard uncertainty in it ([JCGM100] 5.1.2).
fn with_unseen(known: Estimate, standard: f64) -> Estimate {
    Estimate {
        low: known.value - (known.value - known.low).hypot(Z_95 * standard),
        high: known.value + (known.high - known.value).hypot(Z_95 * standard),
        ..known
    }
}

fn hull(kept: Estimate, other: Estimate) -> Estimate {
    Estimate {
        low: kept.low.min(other.low),
        high: kept.high.max(other.high),
        ..kept
    }
}

/// How far another daily figure went along with a change: its estimate by the last day of it, and the standard deviation of that.
pub(super) fn went_along(figures: &[DayFigure], change: &Change, noise: Noise) -> Option<(f64, f64)> {
    let column: Vec<f64> = figures
        .iter()
        .map(|figure| change.bias_at(figure.at_ms) / change.now.value)
        .collect();
    let before = figures
        .iter()
        .filter(|figure| figure.at_ms < change.onset_ms)
        .count();
    if before < DAYS_BEFORE_MIN || column.iter().all(|along| *along == 0.0) {
        return None;
    }
    let whitener = Whitener::new(figures, noise)?;
    let basis = Basis::new(&whitener, &[vec![1.0; figures.len()]], &[]);
    let centre = median(&figures.iter().map(|f| f.difference).collect::<Vec<_>>())?;
    let y = basis.whitened(&figures.iter().map(|f| f.difference - centre).collect::<Vec<_>>());
    let x = basis.whitened(&column);
    let xx = dot(&x, &x);
    (xx > 1e-12).then(|| (dot(&x, &y) / xx, 1.0 / xx.sqrt()))
}

/// Standard deviation of a day's figure, from differences of neighbouring days and what is usual.
fn day_sd(figures: &[DayFigure], noise: Noise) -> f64 {
    let steps: Vec<f64> = figures
        .windows(2)
        .filter(|pair| pair[1].day - pair[0].day < 1.5)
        .map(|pair| pair[1].difference - pair[0].difference)
        .collect();
    // var(step) = 2 · var · (white + carried · (1 − phi))
    let spread = 2.0 * ((1.0 - noise.carried_frac) + noise.carried_frac * (1.0 - noise.carried_phi));
    let seen = robust_standard_deviation(&steps).unwrap_or(0.0).powi(2) / spread;
    let days = steps.len() as f64;
    let weighed =
        (days * seen + noise.usual_days * noise.sd_usual.powi(2)) / (days + noise.usual_days).max(1.0);
    weighed.sqrt().max(noise.sd_min)
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
                variance * (1.0 - noise.carried_frac) * 24.0 / figures[i].hour_count.max(1) as f64
            } else {
                0.0
            };
            let carried = variance * noise.carried_frac * noise.carried_phi.powf((a - b).abs());
            white + carried + walk * (a.min(b) - first)
        };
        cholesky(figures.len(), covariance).map(|lower| Whitener { lower })
    }

    fn solve(&self, column: &[f64]) -> Vec<f64> {
        forward(&self.lower, column)
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
        gain_min: 14.0,
        rate_sd_per_day: 8.0 / 30.0,
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
        let mut called_drift = 0;
        for seed in 0..20 {
            let drift = days(56, 0.5, seed, |day| (day - 28.0).max(0.0) * 4.0 / 30.0);
            let change = find(&drift, NOISE, &[]).expect("3.6 %RH of drift");
            assert!((change.now.value - 3.6).abs() < 1.5, "seed {seed}: {change:?}");
            if change.shape == Shape::Drift {
                called_drift += 1;
                assert!(
                    change.per_day.low * 30.0 < 5.0 && 4.0 < change.per_day.high * 30.0 + 1.5,
                    "seed {seed}: {change:?}"
                );
            }
            let step = days(56, 0.5, seed, |day| if day >= 30.0 { -5.0 } else { 0.0 });
            let change = find(&step, NOISE, &[]).expect("a step of 5 %RH");
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
    fn a_step_on_a_day_on_which_the_sensor_was_moved_is_no_fault() {
        let moved = days(56, 0.5, 1, |day| if day >= 30.0 { 4.0 } else { 0.0 });
        assert!(find(&moved, NOISE, &[30.0]).is_none());
        assert!(find(&moved, NOISE, &[]).is_some());
    }

    #[test]
    fn what_came_and_went_is_over() {
        let pulse = days(
            56,
            0.4,
            3,
            |day| if (20.0..31.0).contains(&day) { -9.0 } else { 0.0 },
        );
        let change = find(&pulse, NOISE, &[]).expect("eleven days at -9");
        assert_eq!(change.shape, Shape::Step);
        assert_eq!(
            (change.onset_ms, change.ended_ms),
            (20 * MS_PER_24_H, Some(31 * MS_PER_24_H))
        );
        assert!((change.now.value + 9.0).abs() < 1.0, "{change:?}");
        assert_eq!(change.bias_at(40 * MS_PER_24_H), 0.0);
        // While it lasts it is not over.
        let change = find(&pulse[..28], NOISE, &[]).expect("eight days at -9");
        assert_eq!(change.ended_ms, None);
    }

    #[test]
    fn too_few_days_say_nothing() {
        assert!(find(&days(8, 0.5, 1, |day| day * 3.0), NOISE, &[]).is_none());
    }
}
