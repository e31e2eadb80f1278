//! Slopes that a few wild values do not move, and whether a series rises or falls at all.
//!
//! In: times (any one unit, such as days) and values. Out: slopes per unit of time with intervals, rank tests.
//! Sources: [Theil1950], [Sen1968], [Siegel1982], [Mann1945], [Kendall1975], [HamedRao1998] in `SOURCES.md`.

use super::distribution::{normal_quantile, normal_two_sided};
use super::interval::Estimate;
use super::refused::{CONFIDENCE_RANGE, Refused, check, check_pair, check_range};
use super::robust::{median, quantile_of_sorted, sorted};

/// Samples below which the exact distribution of Kendall's S is used for values without ties: there the normal approximation is off
/// by more than a tenth of the p-value (Gilbert's four values: 0.308 against 0.333 exact).
const EXACT_COUNT_BELOW: usize = 10;

/// Largest sample for which the exact distribution is counted out when asked for.
const EXACT_COUNT_MAX: usize = 60;

/// Confidence of the test by which [HamedRao1998] decides which autocorrelations count.
const HAMED_RAO_CONFIDENCE: f64 = 0.95;

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
/// - `variance_inflation`: multiplies the variance of Kendall's S: 1 for independent values, [`MannKendall::variance_inflation`] of
///   [`mann_kendall_autocorrelated`] or `n / n_eff` for autocorrelated ones.
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

/// The Mann–Kendall test of a series for rising or falling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise minus pairs that fall.
    pub s: f64,
    /// Variance of `s` without a trend, with ties and, where asked for, autocorrelation.
    pub variance: f64,
    /// What autocorrelation multiplied the variance with; 1 without.
    pub variance_inflation: f64,
    /// Normal score with continuity correction.
    pub z: f64,
    /// Two-sided p-value: exact for fewer than 10 independent values without ties, else from `z`.
    pub p_two_sided: f64,
    /// `s` over the number of pairs, −1 to 1.
    pub tau: f64,
}

/// Mann–Kendall test, for independent values in the order of time.
///
/// # Errors
/// [`Refused`] for fewer than 4 values or one that is not finite.
///
/// # Method
/// [Mann1945], [Kendall1975] with ties. A series of equal values gives z = 0 and p = 1.
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, Refused> {
    check("Mann–Kendall test", values, 4)?;
    let mut test = score(values, 1.0);
    let untied = tie_counts(values).is_empty();
    if untied && values.len() < EXACT_COUNT_BELOW {
        test.p_two_sided = exact_p(values.len(), test.s);
    }
    Ok(test)
}

/// Exact two-sided p-value of Kendall's S for independent values without ties. `None` with ties or for more than 60 values.
pub fn mann_kendall_exact_p(values: &[f64]) -> Option<f64> {
    check("Mann–Kendall test", values, 2).ok()?;
    (values.len() <= EXACT_COUNT_MAX && tie_counts(values).is_empty())
        .then(|| exact_p(values.len(), kendall_s(values)))
}

/// Mann–Kendall test with the variance corrected for autocorrelation.
///
/// # Arguments
/// - `values`: at equal steps of time, in order.
/// - `lag_max`: how many lags may count; `None` for all, as published. A small bound (such as 10 for daily values) keeps chance
///   correlations at long lags out.
///
/// # Errors
/// [`Refused`] for fewer than 4 values or one that is not finite.
///
/// # Method
/// [HamedRao1998]: remove the Theil–Sen slope, rank what remains, add the autocorrelations of the ranks that are significant at 95 %:
/// `1 + 2/(n(n−1)(n−2)) Σ (n−k)(n−k−1)(n−k−2) ρ_k`. Where we differ: the factor is never below 1, since a correlation that seems negative
/// must not make a short series more certain.
pub fn mann_kendall_autocorrelated(values: &[f64], lag_max: Option<usize>) -> Result<MannKendall, Refused> {
    check("Mann–Kendall test", values, 4)?;
    let n = values.len();
    let steps: Vec<f64> = (0..n).map(|i| i as f64).collect();
    let line = theil_sen(&steps, values, HAMED_RAO_CONFIDENCE, 1.0)?;
    let residuals: Vec<f64> = values
        .iter()
        .zip(&steps)
        .map(|(y, t)| y - line.slope.value * t)
        .collect();
    let ranks = ranks(&residuals);
    let size = n as f64;
    let bound = normal_quantile(0.5 * (1.0 + HAMED_RAO_CONFIDENCE)) / size.sqrt();
    let lag_last = lag_max.unwrap_or(n - 1).min(n - 1);
    let sum: f64 = super::autocorrelation::autocorrelation(&ranks, lag_last)
        .unwrap_or_default()
        .iter()
        .enumerate()
        .skip(1)
        .filter(|(_, rho)| rho.abs() > bound)
        .map(|(lag, rho)| {
            let left = size - lag as f64;
            left * (left - 1.0) * (left - 2.0) * rho
        })
        .sum();
    let inflation = 1.0 + 2.0 / (size * (size - 1.0) * (size - 2.0)) * sum;
    Ok(score(values, inflation.max(1.0)))
}

/// The test from S and its inflated variance, by the normal approximation.
fn score(values: &[f64], variance_inflation: f64) -> MannKendall {
    let n = values.len();
    let s = kendall_s(values);
    let variance = kendall_variance(n, &[&tie_counts(values)]) * variance_inflation;
    let z = if s == 0.0 || variance <= 0.0 {
        0.0
    } else {
        (s - s.signum()) / variance.sqrt()
    };
    let pair_count = 0.5 * n as f64 * (n as f64 - 1.0);
    MannKendall {
        s,
        variance,
        variance_inflation,
        z,
        p_two_sided: normal_two_sided(z),
        tau: s / pair_count,
    }
}

/// Rising minus falling pairs.
fn kendall_s(values: &[f64]) -> f64 {
    let mut s = 0_i64;
    for (i, later) in values.iter().enumerate() {
        for earlier in &values[..i] {
            s += i64::from(later > earlier) - i64::from(later < earlier);
        }
    }
    s as f64
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

/// Mean ranks, from 1.
fn ranks(values: &[f64]) -> Vec<f64> {
    let ordered = sorted(values);
    values
        .iter()
        .map(|value| {
            let below = ordered.partition_point(|other| other < value);
            let up_to = ordered.partition_point(|other| other <= value);
            0.5 * (below + up_to + 1) as f64
        })
        .collect()
}

/// Two-sided probability of an |S| at least as large among all orders of `n` different values.
fn exact_p(n: usize, s: f64) -> f64 {
    // S = pairs − 2 · inversions; the number of orders by inversions grows by a window sum with each value.
    let pair_count = n * (n - 1) / 2;
    let mut probabilities = vec![0.0; pair_count + 1];
    probabilities[0] = 1.0;
    for size in 2..=n {
        let before = probabilities.clone();
        for (inversions, probability) in probabilities.iter_mut().enumerate() {
            let from = (inversions + 1).saturating_sub(size);
            *probability = before[from..=inversions].iter().sum::<f64>() / size as f64;
        }
    }
    let inversions = ((pair_count as f64 - s.abs()) / 2.0) as usize;
    (2.0 * probabilities[..=inversions].iter().sum::<f64>()).min(1.0)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::statistics::reference::{close, extra, list, number, robust};

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
    fn mann_kendall_against_the_table() {
        let mut exact_count = 0;
        for case in robust()["trend"].as_array().expect("cases") {
            let y = list(&case["y"]);
            let test = mann_kendall(&y).expect("enough samples");
            close("S", test.s, number(&case["mk_S"]), 0.0);
            close("variance", test.variance, number(&case["mk_varS"]), 1e-11);
            close("z", test.z, number(&case["mk_z"]), 1e-11);
            close(
                "p normal",
                normal_two_sided(test.z),
                number(&case["mk_p_two_sided_normal"]),
                1e-11,
            );
            close("tau", test.tau, number(&case["mk_tau_a"]), 1e-11);
            if let Some(expected) = case["kendall_p_two_sided_exact"].as_f64() {
                close(
                    "p exact",
                    mann_kendall_exact_p(&y).expect("no ties"),
                    expected,
                    1e-12,
                );
                if y.len() < EXACT_COUNT_BELOW {
                    close("p", test.p_two_sided, expected, 1e-12);
                }
                exact_count += 1;
            }
            if let Some(hamed_rao) = case.get("mk_hamed_rao") {
                let test = mann_kendall_autocorrelated(&y, None).expect("enough samples");
                close("Hamed–Rao z", test.z, number(&hamed_rao["z"]), 1e-11);
                close(
                    "Hamed–Rao variance",
                    test.variance,
                    number(&hamed_rao["var_s"]),
                    1e-11,
                );
            }
        }
        assert_eq!(exact_count, 4);
    }

    #[test]
    fn autocorrelated_test_against_a_series_with_real_autocorrelation() {
        let case = &extra()["hamed_rao"];
        let test = mann_kendall_autocorrelated(&list(&case["series"]), None).expect("sixty values");
        close("S", test.s, number(&case["S"]), 0.0);
        close("variance", test.variance, number(&case["var_s"]), 1e-10);
        close("z", test.z, number(&case["z"]), 1e-10);
        close("p", test.p_two_sided, number(&case["p"]), 1e-10);
        assert!(test.variance_inflation > 1.5);
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
        assert!(matches!(
            mann_kendall(&[1.0, 2.0, 3.0]),
            Err(Refused::TooFew { .. })
        ));
    }

    #[test]
    fn equal_values_show_no_trend() {
        let test = mann_kendall(&[5.0; 8]).expect("enough samples");
        assert_eq!((test.s, test.z, test.p_two_sided), (0.0, 0.0, 1.0));
        let test = mann_kendall_autocorrelated(&[5.0; 8], None).expect("enough samples");
        assert_eq!((test.z, test.p_two_sided), (0.0, 1.0));
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
