//! Whether a daily series stays, steps, drifts, or drifts with a step: which one, how large, and since when.
//!
//! In: one value a day (gaps allowed), such as the median difference of two sensors. Out: the best of four models under autocorrelated
//! errors, its sizes with intervals, and the set of days on which it may have begun. Knows no sensor. No judgement uses it: it is the plain method with
//! which `benches/comparison.rs` compares ours.
//! Sources: [Schwarz1978], [ZhangSiegmund2007], [KassRaftery1995], [Siegmund1988] in `SOURCES.md`.

use super::autocorrelation::{step_correlations, whiten};
use super::distribution::{chi_square_quantile, student_quantile};
use super::interval::Estimate;
use super::least_squares::{
    AutoregressiveFit, LinearFit, linear_autoregressive, linear_autoregressive_fitted, log_determinant,
    maximise_phi,
};
use super::refused::{CONFIDENCE_RANGE, Refused, check_pair, check_range, check_rising};
use super::robust::median;

const METHOD: &str = "comparison of change models";

/// Fewest samples: the largest model has six parameters, so this leaves as many again.
pub const SAMPLE_COUNT_MIN: usize = 12;

/// Fewest samples before and after a step; with fewer, a single wild day would be a step.
pub const SEGMENT_COUNT_MIN: usize = 3;

/// How much smaller the criterion must be than without a change before a change is worth telling: "strong" in [KassRaftery1995].
///
/// False alarms for one look at a quiet series, 2000 seeded series each: 2.1 % (28 days, φ 0.5), 1.0 % (56, 0.5), 0.2 % (84, 0.5), 0.5 %
/// (84, 0.8), 0.3 % (28, 0), 0.2 % (56, 0); at 10 instead of 6 all at or below 0.2 %. Many looks raise this: few on overlapping windows,
/// and a bound of 10 where there are many sensors. Asserted in `tests::quiet_series_stay_constant`.
pub const EVIDENCE_MIN: f64 = 6.0;

/// What a series does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Model {
    /// One level.
    Constant,
    /// One level, then another from the onset on.
    Step,
    /// One level, then a straight line from the onset on; from the first sample on it is a trend of the whole record.
    Ramp,
    /// A trend of the whole record, and a step at the onset.
    StepAndTrend,
}

impl Model {
    /// Every model, from the simplest on; where two are equally good the first is taken.
    pub const ALL: [Model; 4] = [Model::Constant, Model::Step, Model::Ramp, Model::StepAndTrend];

    /// What the criterion counts: coefficients, onset, variance and correlation of the errors.
    ///
    /// The onset of a line counts once. That of a step counts twice, since the likelihood jumps from day to day and the best of many days
    /// is taken ([ZhangSiegmund2007]: three for a step and its onset); counted once, ramps are taken for steps on a trend.
    fn parameter_count(self) -> usize {
        match self {
            Model::Constant => 3,
            Model::Ramp => 5,
            Model::Step => 6,
            Model::StepAndTrend => 7,
        }
    }

    /// Indexes at which the change may begin.
    fn onsets(self, count: usize) -> std::ops::Range<usize> {
        match self {
            Model::Constant => 0..1,
            Model::Step | Model::StepAndTrend => SEGMENT_COUNT_MIN..count - SEGMENT_COUNT_MIN + 1,
            Model::Ramp => 0..count - SEGMENT_COUNT_MIN + 1,
        }
    }

    /// The design, one column per coefficient: level, then step or slope, then slope.
    fn design(self, times: &[f64], onset: usize) -> Vec<Vec<f64>> {
        let ones = vec![1.0; times.len()];
        let step = || {
            (0..times.len())
                .map(|i| if i >= onset { 1.0 } else { 0.0 })
                .collect()
        };
        let since = |start: f64| times.iter().map(|t| (t - start).max(0.0)).collect();
        match self {
            Model::Constant => vec![ones],
            Model::Step => vec![ones, step()],
            Model::Ramp => vec![ones, since(times[onset])],
            Model::StepAndTrend => vec![ones, step(), since(times[0])],
        }
    }
}

/// One model at its best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ModelFit {
    pub model: Model,
    /// `−2 ln L + p ln n`; smaller is better.
    pub bic: f64,
    pub log_likelihood: f64,
    /// Lag-one correlation of the errors that maximises the likelihood.
    pub phi: f64,
    /// First sample of the new level, or where the line starts. `None` for a constant.
    pub onset_index: Option<usize>,
}

/// When a change began.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// Best index: the first sample after a step, or the sample at which a line starts.
    pub index: usize,
    /// First and last index that remain plausible.
    pub first_index: usize,
    pub last_index: usize,
    /// The change began after `from` (the sample before the first plausible one) and not later than `until`, in the unit of the times.
    pub from: f64,
    pub until: f64,
    /// The record may start too late to see the beginning: `from` is then only the start of the record.
    pub before_record: bool,
}

/// What a series shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The model with the least criterion.
    pub best: Model,
    /// Every model, in the order of [`Model::ALL`].
    pub fits: Vec<ModelFit>,
    /// Criterion of the constant minus that of the best: 0 when the constant is best. Compare with [`EVIDENCE_MIN`].
    pub evidence: f64,
    /// Level before the change; of a trend, at the first sample.
    pub level: Estimate,
    /// Height of the step, if the best model has one.
    pub step: Option<Estimate>,
    /// Slope per unit of time after the onset (of the whole record for [`Model::StepAndTrend`]), if the best model has one.
    pub slope: Option<Estimate>,
    pub onset: Option<Onset>,
    /// Lag-one correlation of the errors of the best model, by restricted likelihood.
    pub phi: f64,
    /// Standard deviation of the errors of the best model, day-to-day dependence included.
    pub noise_standard_deviation: f64,
    pub sample_count: usize,
}

impl Change {
    /// Share of the support, 0–1, that a model has among the four: `exp(−BIC/2)`, normalised. Where the best has little more than
    /// another, say that they cannot be told apart yet: a young drift looks like a step.
    pub fn support_frac(&self, model: Model) -> f64 {
        let least = self.fits.iter().map(|fit| fit.bic).fold(f64::INFINITY, f64::min);
        let weight = |fit: &ModelFit| (-0.5 * (fit.bic - least)).exp();
        let total: f64 = self.fits.iter().map(weight).sum();
        self.fits
            .iter()
            .filter(|fit| fit.model == model)
            .map(weight)
            .sum::<f64>()
            / total
    }
}

/// How to compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Confidence of all intervals, such as 0.95.
    pub confidence: f64,
    /// The errors are never taken as smaller than this standard deviation, in the unit of the values; positive. The resolution of the values
    /// over √12 is a good choice: a series that repeats one number is then constant, not infinitely sure.
    pub noise_standard_deviation_min: f64,
}

/// Compares the four models on a series.
///
/// # Arguments
/// - `times`: in days (the unit to which the lag-one correlation belongs), strictly rising, gaps allowed. `values`: same length.
///
/// # Errors
/// [`Refused`] for fewer than 12 samples, values that are not finite, times that do not rise, or options out of range.
///
/// # Method
/// Normal errors with correlation `φ^|Δt|`, 0 ≤ φ ≤ 0.95. For each model the likelihood is maximised over onset, φ and variance; the
/// models are compared by [Schwarz1978]'s criterion with the counts of [ZhangSiegmund2007] for onsets. Intervals of level, step and slope are Student's at
/// the best onset, with φ by restricted likelihood; they do not hold that the model and a step's onset were chosen from the same data, and
/// cover somewhat less than asked (measured in `tests::intervals_cover_the_truth`). The onset set holds every index whose log-likelihood is within a bound of the best: for
/// a step `−ln(1 − √c)`, for a line half the chi-square quantile ([Siegmund1988]).
///
/// # Accuracy
/// Log-likelihoods within 1e-6 and the same onsets as a dense brute-force computation: `tests::against_the_dense_computation`.
///
/// In seeded simulation with φ 0.5 and noise of standard deviation 1, found at [`EVIDENCE_MIN`]: after eight quiet weeks a step of 5 in 99 % within
/// 4 days, of 3 in 66 % within 7 and 86 % within 14 days, of 2 in 34 % within 14 days; a drift of 1 a month in 64 % after 75 days. Of what
/// is found, 81 to 94 % gets the right name; 95 % intervals then cover the step in 92 to 96 %, its day in 98 %, the slope in 83 to 91 %,
/// its beginning in 82 to 95 % (less for faint drifts: only the steep ones are found).
pub fn compare(times: &[f64], values: &[f64], options: &Options) -> Result<Change, Refused> {
    check_pair(METHOD, times, values, SAMPLE_COUNT_MIN)?;
    check_rising(METHOD, times)?;
    check_range(METHOD, "confidence", options.confidence, CONFIDENCE_RANGE)?;
    let floor = options.noise_standard_deviation_min;
    check_range(METHOD, "smallest noise", floor, (f64::MIN_POSITIVE, f64::MAX))?;
    let search = Search::new(times, values, floor);
    let fits: Vec<ModelFit> = Model::ALL.into_iter().map(|model| search.fit(model)).collect();
    let best = fits
        .iter()
        .copied()
        .fold(fits[0], |best, fit| if fit.bic < best.bic { fit } else { best });
    let onset = best
        .onset_index
        .map(|index| search.onset(&best, index, options.confidence));
    let design = best.model.design(times, best.onset_index.unwrap_or(0));
    let columns: Vec<&[f64]> = design.iter().map(Vec::as_slice).collect();
    let fitted = linear_autoregressive_fitted(&columns, times, values)?;
    let variance = fitted.fit.residual_variance.max(floor * floor);
    let spread = spread_with_onset(&fitted, best.model, best.onset_index, &columns, times, values)?;
    let t = student_quantile(0.5 * (1.0 + options.confidence), spread.degrees_of_freedom as f64);
    let estimate = |index: usize| {
        let error = (variance * spread.unit_covariance[index][index]).sqrt();
        Estimate::symmetric(fitted.fit.coefficients[index], t * error)
    };
    Ok(Change {
        best: best.model,
        evidence: fits[0].bic - best.bic,
        fits,
        level: estimate(0),
        step: matches!(best.model, Model::Step | Model::StepAndTrend).then(|| estimate(1)),
        slope: match best.model {
            Model::Constant | Model::Step => None,
            Model::Ramp => Some(estimate(1)),
            Model::StepAndTrend => Some(estimate(2)),
        },
        onset,
        phi: fitted.phi,
        noise_standard_deviation: variance.sqrt(),
        sample_count: values.len(),
    })
}

/// The fit whose covariance the intervals use.
///
/// For a line that starts inside the record it holds the onset as a parameter, to first order: the line's derivative by its onset is a step
/// there. Without it the slope would look more certain than it is. For a step the onset has no derivative, and the fit is as it was.
fn spread_with_onset(
    fitted: &AutoregressiveFit,
    model: Model,
    onset: Option<usize>,
    columns: &[&[f64]],
    times: &[f64],
    values: &[f64],
) -> Result<LinearFit, Refused> {
    match onset {
        Some(onset) if model == Model::Ramp && onset >= SEGMENT_COUNT_MIN => {
            let after: Vec<f64> = (0..times.len())
                .map(|i| if i > onset { 1.0 } else { 0.0 })
                .collect();
            let with_onset: Vec<&[f64]> = columns.iter().copied().chain([after.as_slice()]).collect();
            Ok(linear_autoregressive(&with_onset, times, values, fitted.phi)?.fit)
        }
        _ => Ok(fitted.fit.clone()),
    }
}

/// A series made ready for many evaluations: values about their median, times from 0 to 1, so that sums keep their digits.
struct Search<'a> {
    times: &'a [f64],
    share: Vec<f64>,
    centred: Vec<f64>,
    variance_min: f64,
}

/// The series whitened for one `phi`, with sums over all samples after each index.
struct Whitened {
    ones: Vec<f64>,
    share: Vec<f64>,
    values: Vec<f64>,
    /// What a jump contributes at its own sample.
    jump: Vec<f64>,
    after: Vec<Sums>,
    total: Sums,
    log_determinant: f64,
}

/// Sums of products of the whitened constant (1), time (t) and values (y).
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    s11: f64,
    s1t: f64,
    stt: f64,
    s1y: f64,
    sty: f64,
    syy: f64,
}

impl Sums {
    fn plus(self, one: f64, t: f64, y: f64) -> Sums {
        Sums {
            s11: self.s11 + one * one,
            s1t: self.s1t + one * t,
            stt: self.stt + t * t,
            s1y: self.s1y + one * y,
            sty: self.sty + t * y,
            syy: self.syy + y * y,
        }
    }
}

impl<'a> Search<'a> {
    fn new(times: &'a [f64], values: &[f64], noise_min: f64) -> Search<'a> {
        let middle = median(values).unwrap_or(0.0);
        let span = times[times.len() - 1] - times[0];
        Search {
            times,
            share: times.iter().map(|t| (t - times[0]) / span).collect(),
            centred: values.iter().map(|value| value - middle).collect(),
            variance_min: noise_min * noise_min,
        }
    }

    fn whiten(&self, phi: f64) -> Whitened {
        let ones = whiten(self.times, &vec![1.0; self.times.len()], phi);
        let share = whiten(self.times, &self.share, phi);
        let values = whiten(self.times, &self.centred, phi);
        let mut after = vec![Sums::default(); values.len()];
        let mut sums = Sums::default();
        for i in (0..values.len()).rev() {
            after[i] = sums;
            sums = sums.plus(ones[i], share[i], values[i]);
        }
        let jump = step_correlations(self.times, phi)
            .iter()
            .map(|rho| 1.0 / (1.0 - rho * rho).sqrt())
            .collect();
        Whitened {
            ones,
            share,
            values,
            jump,
            after,
            total: sums,
            log_determinant: log_determinant(self.times, phi),
        }
    }

    /// Log-likelihood of a model at one onset, with the best coefficients and variance.
    fn log_likelihood(&self, whitened: &Whitened, model: Model, onset: usize) -> f64 {
        let Whitened { total, .. } = whitened;
        let after = whitened.after[onset];
        // Products of the changing column with the constant, time, itself and the values.
        let (jump, at) = (whitened.jump[onset], self.share[onset]);
        let step = [
            jump * whitened.ones[onset] + after.s11,
            jump * whitened.share[onset] + after.s1t,
            jump * jump + after.s11,
            jump * whitened.values[onset] + after.s1y,
        ];
        let line = [
            after.s1t - at * after.s11,
            after.stt - at * after.s1t,
            after.stt - 2.0 * at * after.s1t + at * at * after.s11,
            after.sty - at * after.s1y,
        ];
        let explained = match model {
            Model::Constant => explained(&[[total.s11, 0.0, 0.0]], &[total.s1y]),
            Model::Step => explained(
                &[[total.s11, step[0], 0.0], [step[0], step[2], 0.0]],
                &[total.s1y, step[3]],
            ),
            Model::Ramp => explained(
                &[[total.s11, line[0], 0.0], [line[0], line[2], 0.0]],
                &[total.s1y, line[3]],
            ),
            Model::StepAndTrend => explained(
                &[
                    [total.s11, step[0], total.s1t],
                    [step[0], step[2], step[1]],
                    [total.s1t, step[1], total.stt],
                ],
                &[total.s1y, step[3], total.sty],
            ),
        };
        let n = self.times.len() as f64;
        let square_sum = (total.syy - explained).max(0.0);
        let variance = (square_sum / n).max(self.variance_min);
        let tau = 2.0 * std::f64::consts::PI;
        -0.5 * (n * (tau * variance).ln() + whitened.log_determinant + square_sum / variance)
    }

    /// The best onset of a model for one `phi`, and its log-likelihood.
    fn best_onset(&self, phi: f64, model: Model) -> (f64, usize) {
        let whitened = self.whiten(phi);
        model
            .onsets(self.times.len())
            .map(|onset| (self.log_likelihood(&whitened, model, onset), onset))
            .fold(
                (f64::NEG_INFINITY, 0),
                |best, next| if next.0 > best.0 { next } else { best },
            )
    }

    fn fit(&self, model: Model) -> ModelFit {
        let phi = maximise_phi(|phi| self.best_onset(phi, model).0);
        let (log_likelihood, onset) = self.best_onset(phi, model);
        let penalty = model.parameter_count() as f64 * (self.times.len() as f64).ln();
        ModelFit {
            model,
            bic: penalty - 2.0 * log_likelihood,
            log_likelihood,
            phi,
            onset_index: (model != Model::Constant).then_some(onset),
        }
    }

    /// The set of plausible onsets around the best one, at the best `phi`.
    fn onset(&self, fit: &ModelFit, index: usize, confidence: f64) -> Onset {
        let is_line = fit.model == Model::Ramp;
        let bound = if is_line {
            0.5 * chi_square_quantile(confidence, 1.0)
        } else {
            -(1.0 - confidence.sqrt()).ln()
        };
        let whitened = self.whiten(fit.phi);
        let plausible =
            |onset: &usize| fit.log_likelihood - self.log_likelihood(&whitened, fit.model, *onset) <= bound;
        let onsets = fit.model.onsets(self.times.len());
        let first_index = onsets.clone().find(plausible).unwrap_or(index);
        let last_index = onsets.clone().rev().find(plausible).unwrap_or(index);
        Onset {
            index,
            first_index,
            last_index,
            from: self.times[first_index.saturating_sub(1)],
            until: self.times[last_index],
            before_record: first_index == onsets.start,
        }
    }
}

/// `bᵀ A⁻¹ b` for a small positive semidefinite A (rows padded with zeros): the part of the sum of squares that the columns explain. A
/// column that depends on those before it explains nothing more.
fn explained(matrix: &[[f64; 3]], right: &[f64]) -> f64 {
    /// Share of a diagonal element below which what is left of it is rounding.
    const RANK_TOLERANCE: f64 = 1e-10;
    let mut factor = [[0.0_f64; 3]; 3];
    let mut solved = [0.0_f64; 3];
    let mut sum = 0.0;
    for i in 0..matrix.len() {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            let left = matrix[i][j] - known;
            if i != j {
                factor[i][j] = if factor[j][j] > 0.0 {
                    left / factor[j][j]
                } else {
                    0.0
                };
            } else if left > RANK_TOLERANCE * matrix[i][i] {
                factor[i][i] = left.sqrt();
                let known: f64 = (0..i).map(|k| factor[i][k] * solved[k]).sum();
                solved[i] = (right[i] - known) / factor[i][i];
                sum += solved[i] * solved[i];
            }
        }
    }
    sum
}

#[cfg(test)]
#[path = "change_tests.rs"]
mod tests;
