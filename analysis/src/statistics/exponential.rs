//! Exponential decay towards a known asymptote: how fast, and how sure.
//!
//! In: times and values of one decay, and the level it decays to. Out: amplitude, rate, half-life with intervals.
//! The asymptote is given, not fitted: on a short window it is not identifiable together with the rate.

use super::distribution::student_quantile;
use super::interval::Estimate;
use super::nonlinear::{NonlinearFit, least_squares};
use super::refused::{CONFIDENCE_RANGE, Refused, check_pair, check_range, check_rising};

const METHOD: &str = "decay fit";

/// Fewest samples of a decay: two parameters, and enough left over for a variance.
const SAMPLE_COUNT_MIN: usize = 5;

/// A decay `y = asymptote + amplitude · exp(−rate · (t − t_0))`, t_0 the first time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decay {
    /// Value minus asymptote at the first time; negative for a rise towards the asymptote.
    pub amplitude: Estimate,
    /// Per unit of time.
    pub rate: Estimate,
    /// `ln 2 / rate`. The high end is `None` when the interval of the rate reaches zero: then it may not decay at all.
    pub half_life: f64,
    pub half_life_low: f64,
    pub half_life_high: Option<f64>,
    /// Standard errors of amplitude and rate from the scatter alone, without the asymptote's share.
    pub amplitude_standard_error: f64,
    pub rate_standard_error: f64,
    /// Scatter of the values about the curve.
    pub residual_standard_deviation: f64,
    pub sample_count: usize,
}

/// Fits a decay towards `asymptote`.
///
/// # Arguments
/// - `times`, `values`: same length, times strictly rising, gaps allowed; only the decay, no plateau before it.
/// - `asymptote`: the level after a long time, in the unit of the values, with its standard uncertainty `asymptote_u` (may be 0).
/// - `confidence`: such as 0.95.
///
/// # Errors
/// [`Refused`] for fewer than 5 samples, values that are not finite, times that do not rise, values that do not start away from the
/// asymptote, or a curve that does not decay.
///
/// # Method
/// Least squares in the values themselves; a fit of logarithms gives the start only, since it over-weights the tail. The asymptote's
/// uncertainty is propagated by refitting at `asymptote ± asymptote_u` and adding the half difference in squares. Assumes independent
/// scatter; with autocorrelated scatter the intervals are too narrow.
///
/// # Accuracy
/// 6 digits of parameters, 4 of standard errors against scipy: `tests::against_the_cases`.
pub fn decay(
    times: &[f64],
    values: &[f64],
    asymptote: f64,
    asymptote_u: f64,
    confidence: f64,
) -> Result<Decay, Refused> {
    check_pair(METHOD, times, values, SAMPLE_COUNT_MIN)?;
    check_rising(METHOD, times)?;
    check_range(METHOD, "confidence", confidence, CONFIDENCE_RANGE)?;
    check_range(
        METHOD,
        "uncertainty of the asymptote",
        asymptote_u,
        (0.0, f64::MAX),
    )?;
    let fit = fit_towards(times, values, asymptote)?;
    let (mut amplitude_u, mut rate_u) = (0.0, 0.0);
    if asymptote_u > 0.0 {
        let below = fit_towards(times, values, asymptote - asymptote_u)?;
        let above = fit_towards(times, values, asymptote + asymptote_u)?;
        amplitude_u = 0.5 * (above.parameters[0] - below.parameters[0]);
        rate_u = 0.5 * (above.parameters[1] - below.parameters[1]);
    }
    let t = student_quantile(0.5 * (1.0 + confidence), fit.degrees_of_freedom as f64);
    let errors = [fit.standard_error(0), fit.standard_error(1)];
    let rate = Estimate::symmetric(fit.parameters[1], t * errors[1].hypot(rate_u));
    let half_life_of = |rate: f64| std::f64::consts::LN_2 / rate;
    Ok(Decay {
        amplitude: Estimate::symmetric(fit.parameters[0], t * errors[0].hypot(amplitude_u)),
        half_life: half_life_of(rate.value),
        half_life_low: half_life_of(rate.high),
        half_life_high: (rate.low > 0.0).then(|| half_life_of(rate.low)),
        rate,
        amplitude_standard_error: errors[0],
        rate_standard_error: errors[1],
        residual_standard_deviation: fit.residual_variance.sqrt(),
        sample_count: values.len(),
    })
}

/// Amplitude and rate for one asymptote.
fn fit_towards(times: &[f64], values: &[f64], asymptote: f64) -> Result<NonlinearFit, Refused> {
    let undetermined = Refused::Undetermined { method: METHOD };
    let elapsed: Vec<f64> = times.iter().map(|t| t - times[0]).collect();
    let heights: Vec<f64> = values.iter().map(|y| y - asymptote).collect();
    let (amplitude, rate) = start(&elapsed, &heights).ok_or(undetermined)?;
    let residuals = |parameters: &[f64], out: &mut [f64]| {
        for ((residual, t), height) in out.iter_mut().zip(&elapsed).zip(&heights) {
            *residual = parameters[0] * (-parameters[1] * t).exp() - height;
        }
    };
    let fit = least_squares(residuals, values.len(), &[amplitude, rate])?;
    if fit.parameters[1] > 0.0 {
        Ok(fit)
    } else {
        Err(undetermined)
    }
}

/// A first guess from the logarithms of the heights on the side where the decay starts, weighted by their squares.
fn start(elapsed: &[f64], heights: &[f64]) -> Option<(f64, f64)> {
    let side = heights[..heights.len().min(3)].iter().sum::<f64>().signum();
    let (mut w_sum, mut t_sum, mut l_sum) = (0.0, 0.0, 0.0);
    let points: Vec<(f64, f64, f64)> = elapsed
        .iter()
        .zip(heights)
        .filter(|(_, height)| **height * side > 0.0)
        .map(|(t, height)| (height * height, *t, (height * side).ln()))
        .collect();
    for (w, t, l) in &points {
        w_sum += w;
        t_sum += w * t;
        l_sum += w * l;
    }
    if points.len() < 2 || w_sum <= 0.0 {
        return None;
    }
    let (t_mean, l_mean) = (t_sum / w_sum, l_sum / w_sum);
    let spread: f64 = points.iter().map(|(w, t, _)| w * (t - t_mean).powi(2)).sum();
    let slope = points
        .iter()
        .map(|(w, t, l)| w * (t - t_mean) * (l - l_mean))
        .sum::<f64>()
        / spread;
    // A rise instead of a decay still gets a start, a slow one, so that the fit and not the guess decides.
    let span = elapsed[elapsed.len() - 1];
    let rate = if slope < 0.0 { -slope } else { 1e-3 / span };
    let amplitude = side * (l_mean + rate * t_mean).exp();
    (amplitude.is_finite() && rate.is_finite() && rate > 0.0).then_some((amplitude, rate))
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;
    use crate::statistics::reference::{list, number};

    const CASES: &str = include_str!("../../../tests/reference/model_cases.json");

    fn cases() -> Vec<Value> {
        let all: Value = serde_json::from_str(CASES).expect("it is JSON");
        all["exponential_decay_fits"]["cases"]
            .as_array()
            .expect("cases")
            .clone()
    }

    #[track_caller]
    fn near(what: &str, computed: f64, expected: f64, share: f64) {
        assert!(
            (computed / expected - 1.0).abs() <= share,
            "{what}: {computed}, expected {expected}"
        );
    }

    #[test]
    fn against_the_cases() {
        let cases = cases();
        assert_eq!(cases.len(), 3);
        for case in cases {
            let fitted = decay(&list(&case["t_s"]), &list(&case["y"]), 10.0, 0.0, 0.95).expect("it decays");
            let expected = &case["two_param_c_fixed_10"];
            near("amplitude", fitted.amplitude.value, number(&expected["A"]), 1e-6);
            near("rate", fitted.rate.value, number(&expected["k"]), 1e-6);
            // The standard errors are printed to five digits.
            near(
                "amplitude error",
                fitted.amplitude_standard_error,
                number(&expected["sd"][0]),
                1e-4,
            );
            near(
                "rate error",
                fitted.rate_standard_error,
                number(&expected["sd"][1]),
                1e-4,
            );
            assert!(fitted.rate.holds(number(&case["truth"]["k"])) || case["name"] == "clean");
        }
    }

    #[test]
    fn an_uncertain_asymptote_widens_the_rate() {
        let cases = cases();
        let (t, y) = (list(&cases[1]["t_s"]), list(&cases[1]["y"]));
        let sharp = decay(&t, &y, 10.0, 0.0, 0.95).expect("it decays");
        let loose = decay(&t, &y, 10.0, 0.3, 0.95).expect("it decays");
        assert_eq!(sharp.rate.value, loose.rate.value);
        assert!(loose.rate.high - loose.rate.low > 1.5 * (sharp.rate.high - sharp.rate.low));
        // The three-parameter fit of the table says what a free asymptote costs: a rate of 0.000802.
        assert!(loose.rate.holds(number(&cases[1]["three_param"]["k"])));
    }

    #[test]
    fn a_rise_towards_a_wetter_level_is_a_decay_of_the_difference() {
        let cases = cases();
        let t = list(&cases[0]["t_s"]);
        let mirrored: Vec<f64> = list(&cases[0]["y"]).iter().map(|y| 20.0 - y).collect();
        let fitted = decay(&t, &mirrored, 10.0, 0.0, 0.95).expect("it approaches 10");
        near(
            "amplitude",
            fitted.amplitude.value,
            -number(&cases[0]["two_param_c_fixed_10"]["A"]),
            1e-6,
        );
        near(
            "rate",
            fitted.rate.value,
            number(&cases[0]["two_param_c_fixed_10"]["k"]),
            1e-6,
        );
    }

    #[test]
    fn what_does_not_decay_is_refused() {
        let t = [0.0, 60.0, 120.0, 180.0, 240.0, 300.0];
        assert!(decay(&t, &[12.0, 13.0, 14.0, 15.5, 17.0, 19.0], 10.0, 0.0, 0.95).is_err());
        assert!(decay(&t, &[10.0; 6], 10.0, 0.0, 0.95).is_err());
        assert!(matches!(
            decay(&t[..4], &[4.0, 3.0, 2.0, 1.0], 0.0, 0.0, 0.95),
            Err(Refused::TooFew { .. })
        ));
    }
}
