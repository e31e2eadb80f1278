//! Slopes that a few wild values do not move.
//!
//! In: times (any one unit, such as days) and values. Out: slopes per unit of time with intervals.
//! Sources: [Theil1950], [Sen1968], [Siegel1982], [Kendall1975] in `SOURCES.md`.

use super::distribution::normal_quantile;
use super::interval::Estimate;
use super::refused::{CONFIDENCE_RANGE, Refused, check_pair, check_range};
use super::robust::{median, quantile_of_sorted, sorted};

/// A straight line through a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs, per unit of time.
    pub slope: Estimate,
    /// Median of the values minus slope times median of the times.
    pub intercept: f64,
}

/// Theil–Sen slope with its Kendall-based interval.
///
/// # Arguments
/// - `times`, `values`: same length, any order; equal times are allowed, their pair is skipped.
/// - `confidence`: such as 0.95.
/// - `variance_inflation`: multiplies the variance of Kendall's S: 1 for independent values, `n / n_eff` for autocorrelated ones.
///
/// # Errors
/// [`Refused`] for fewer than 3 samples, values that are not finite, or no two different times.
///
/// # Method
/// [Sen1968] with ties in both; the ranks of the ends are rounded half to even. Where the sample is too small for the confidence the
/// interval ends at the least and greatest slope and covers less than asked. Time grows with n² log n: meant for n up to about 500.
pub fn theil_sen(
    times: &[f64],
    values: &[f64],
    confidence: f64,
    variance_inflation: f64,
) -> Result<TheilSen, Refused> {
    const METHOD: &str = "Theil–Sen slope";
    check_pair(METHOD, times, values, 3)?;
    check_range(METHOD, "confidence", confidence, CONFIDENCE_RANGE)?;
    check_range(METHOD, "variance inflation", variance_inflation, (1.0, f64::MAX))?;
    let mut slopes = Vec::with_capacity(times.len() * (times.len() - 1) / 2);
    for i in 0..times.len() {
        slopes.extend((0..i).filter_map(|j| slope(times, values, i, j)));
    }
    slopes.sort_by(f64::total_cmp);
    let (Some(value), Some(middle_value), Some(middle_time)) =
        (quantile_of_sorted(&slopes, 0.5), median(values), median(times))
    else {
        return Err(Refused::Undetermined { method: METHOD });
    };
    let variance = (kendall_variance(times.len(), &[&tie_counts(times), &tie_counts(values)])
        * variance_inflation)
        .max(0.0);
    let half_width = -normal_quantile(0.5 * (1.0 - confidence)) * variance.sqrt();
    let count = slopes.len() as f64;
    let last = slopes.len() - 1;
    let low_index = ((0.5 * (count - half_width)).round_ties_even() - 1.0).max(0.0) as usize;
    let high_index = (0.5 * (count + half_width)).round_ties_even() as usize;
    Ok(TheilSen {
        slope: Estimate {
            value,
            low: slopes[low_index.min(last)],
            high: slopes[high_index.min(last)],
        },
        intercept: middle_value - value * middle_time,
    })
}

fn slope(times: &[f64], values: &[f64], i: usize, j: usize) -> Option<f64> {
    let dt = times[i] - times[j];
    (dt != 0.0).then(|| (values[i] - values[j]) / dt)
}

/// Siegel's repeated medians: `(slope, intercept)` per unit of time; stands even when nearly half of the values are wild.
///
/// # Errors
/// [`Refused`] for fewer than 3 samples, values that are not finite, or a time that equals all others.
///
/// # Method
/// [Siegel1982]: the median over all samples of the median slope to the other samples; then the median of what is left over.
pub fn repeated_medians(times: &[f64], values: &[f64]) -> Result<(f64, f64), Refused> {
    const METHOD: &str = "repeated medians";
    check_pair(METHOD, times, values, 3)?;
    let undetermined = Refused::Undetermined { method: METHOD };
    let mut slopes = Vec::with_capacity(times.len());
    for i in 0..times.len() {
        let to_others: Vec<f64> = (0..times.len())
            .filter_map(|j| slope(times, values, i, j))
            .collect();
        slopes.push(median(&to_others).ok_or(undetermined)?);
    }
    let slope = median(&slopes).ok_or(undetermined)?;
    let left: Vec<f64> = times.iter().zip(values).map(|(t, y)| y - slope * t).collect();
    Ok((slope, median(&left).ok_or(undetermined)?))
}

/// Variance of Kendall's S without a trend: `(n(n−1)(2n+5) − Σ k(k−1)(2k+5))/18` over all groups of k tied values.
fn kendall_variance(n: usize, ties: &[&[usize]]) -> f64 {
    let term = |k: usize| {
        let k = k as f64;
        k * (k - 1.0) * (2.0 * k + 5.0)
    };
    let tied: f64 = ties
        .iter()
        .flat_map(|groups| groups.iter())
        .map(|k| term(*k))
        .sum();
    (term(n) - tied) / 18.0
}

/// Sizes of the groups of equal values, of two or more.
fn tie_counts(values: &[f64]) -> Vec<usize> {
    sorted(values)
        .chunk_by(|a, b| a == b)
        .map(<[f64]>::len)
        .filter(|count| *count > 1)
        .collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::statistics::reference::{close, list, number, robust};

    #[test]
    fn slopes_against_the_table() {
        let table = robust();
        let cases = table["trend"].as_array().expect("cases");
        assert_eq!(cases.len(), 6);
        for case in cases {
            let (x, y) = (list(&case["x"]), list(&case["y"]));
            for (confidence, column) in [(0.95, "ci95"), (0.90, "ci90")] {
                let line = theil_sen(&x, &y, confidence, 1.0).expect("enough samples");
                close("slope", line.slope.value, number(&case["theil_sen_slope"]), 1e-11);
                close(
                    "intercept",
                    line.intercept,
                    number(&case["theil_sen_intercept_median_method"]),
                    1e-11,
                );
                close("low", line.slope.low, number(&case[column][0]), 1e-11);
                close("high", line.slope.high, number(&case[column][1]), 1e-11);
            }
            let (slope, intercept) = repeated_medians(&x, &y).expect("enough samples");
            close("Siegel slope", slope, number(&case["siegel_slope"]), 1e-11);
            close(
                "Siegel intercept",
                intercept,
                number(&case["siegel_intercept"]),
                1e-11,
            );
        }
    }

    #[test]
    fn autocorrelation_widens_the_interval_of_the_slope() {
        let table = robust();
        let case = &table["trend"][1];
        let (x, y) = (list(&case["x"]), list(&case["y"]));
        let plain = theil_sen(&x, &y, 0.95, 1.0).expect("enough samples").slope;
        let inflated = theil_sen(&x, &y, 0.95, 3.0).expect("enough samples").slope;
        assert!(inflated.low < plain.low && inflated.high > plain.high);
        assert_eq!(inflated.value, plain.value);
    }

    #[test]
    fn a_series_without_spread_in_time_is_undetermined() {
        assert!(matches!(
            theil_sen(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0], 0.95, 1.0),
            Err(Refused::Undetermined { .. })
        ));
        assert!(repeated_medians(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]).is_err());
        assert!(matches!(
            theil_sen(&[1.0, 2.0], &[1.0, 2.0, 3.0], 0.95, 1.0),
            Err(Refused::Unpaired { .. })
        ));
    }

    proptest! {
        #[test]
        fn adding_a_line_adds_its_slope(
            values in proptest::collection::vec(-5.0..5.0_f64, 5..40), by in -3.0..3.0_f64,
        ) {
            let times: Vec<f64> = (0..values.len()).map(|i| i as f64 * 0.5).collect();
            let tilted: Vec<f64> = values.iter().zip(&times).map(|(y, t)| y + by * t).collect();
            let before = theil_sen(&times, &values, 0.95, 1.0).expect("enough samples").slope;
            let after = theil_sen(&times, &tilted, 0.95, 1.0).expect("enough samples").slope;
            prop_assert!((after.value - before.value - by).abs() < 1e-9);
            prop_assert!((after.low - before.low - by).abs() < 1e-9);
        }
    }
}
