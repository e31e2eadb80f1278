//! Location and scale that a few wild values do not move: median, quantiles, median absolute deviation, Hodges–Lehmann.
//!
//! In: slices of finite numbers in any order; they are copied, never changed. Out: numbers in the unit of the input.
//! Sources: [HyndmanFan1996] type 7, [HollanderWolfe] ch. 3 and 4, [Hampel1974] in `SOURCES.md`.

use super::distribution::normal_quantile;
use super::interval::Estimate;
use super::refused::{CONFIDENCE_RANGE, Refused, check, check_range};

/// What a median absolute deviation is multiplied with to estimate the standard deviation of normal values: 1/Φ⁻¹(3/4). [Hampel1974].
pub const MAD_TO_STANDARD_DEVIATION: f64 = 1.482_602_218_505_6;

/// Samples up to which rank distributions are counted out exactly; beyond, the normal approximation is good to a rank or so.
const EXACT_COUNT_MAX: usize = 50;

/// Median: the middle value, or the mean of the two middle ones. `None` for an empty slice or one with a value that is not finite.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// The middle one of three numbers.
pub fn median_of_three(a: f64, b: f64, c: f64) -> f64 {
    a.min(b).max(a.max(b).min(c))
}

/// Quantile with linear interpolation between order statistics ([HyndmanFan1996] type 7), `0 ≤ p ≤ 1`.
/// `None` for an empty slice, a `p` outside, or a value that is not finite.
pub fn quantile(values: &[f64], p: f64) -> Option<f64> {
    check("quantile", values, 1).ok()?;
    let (below, share) = position(values.len(), p)?;
    let mut copy = values.to_vec();
    let (_, low, rest) = copy.select_nth_unstable_by(below, f64::total_cmp);
    let low = *low;
    // The next in order is the least of what lies above; beyond the last value there is nothing to go to.
    let high = rest.iter().copied().min_by(f64::total_cmp).unwrap_or(low);
    Some(low + share * (high - low))
}

/// The order statistic at or below a quantile of so many values, and the share of the way to the next one.
fn position(count: usize, p: f64) -> Option<(usize, f64)> {
    if count == 0 || !(0.0..=1.0).contains(&p) {
        return None;
    }
    let position = p * (count - 1) as f64;
    let below = position as usize;
    Some((below, position - below as f64))
}

/// [`quantile`] of values that are already in rising order, without another sort.
pub fn quantile_of_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    debug_assert!(sorted.is_sorted(), "the values are in rising order");
    let (below, share) = position(sorted.len(), p)?;
    let above = (below + 1).min(sorted.len() - 1);
    Some(sorted[below] + share * (sorted[above] - sorted[below]))
}

/// Median of the absolute deviations from the median, not scaled. `None` as for [`median`].
pub fn median_absolute_deviation(values: &[f64]) -> Option<f64> {
    let middle = median(values)?;
    median(
        &values
            .iter()
            .map(|value| (value - middle).abs())
            .collect::<Vec<_>>(),
    )
}

/// Robust standard deviation: [`median_absolute_deviation`] times [`MAD_TO_STANDARD_DEVIATION`]. Zero when more than half of the values
/// are equal: the caller decides what that means.
pub fn robust_standard_deviation(values: &[f64]) -> Option<f64> {
    median_absolute_deviation(values).map(|mad| mad * MAD_TO_STANDARD_DEVIATION)
}

/// Mean and standard deviation (divisor n − 1), by two passes, which keeps digits where values are large and close together.
///
/// # Errors
/// [`Refused`] for fewer than two values or one that is not finite.
pub fn mean_and_standard_deviation(values: &[f64]) -> Result<(f64, f64), Refused> {
    check("standard deviation", values, 2)?;
    let n = values.len() as f64;
    let rough = values.iter().sum::<f64>() / n;
    let mean = rough + values.iter().map(|value| value - rough).sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    Ok((mean, (squares / (n - 1.0)).sqrt()))
}

/// Hodges–Lehmann location: the median of all pairwise means, with the interval of the signed-rank test.
///
/// # Arguments
/// - `values`: one sample, such as paired differences.
/// - `confidence`: such as 0.95.
/// - `variance_inflation`: 1 for independent values; `n / n_eff` for autocorrelated ones (see `autocorrelation`).
///
/// # Errors
/// [`Refused`] for too few values to reach the confidence (6 for 0.95) or one that is not finite.
///
/// # Method
/// [HollanderWolfe] 3.2 and 3.3. Exact rank distribution up to 50 independent values, normal approximation otherwise. Assumes a
/// symmetric distribution. Time and memory grow with n².
pub fn hodges_lehmann_location(
    values: &[f64],
    confidence: f64,
    variance_inflation: f64,
) -> Result<Estimate, Refused> {
    const METHOD: &str = "Hodges–Lehmann location";
    check(METHOD, values, 2)?;
    let n = values.len();
    let mut means = Vec::with_capacity(n * (n + 1) / 2);
    for (i, a) in values.iter().enumerate() {
        means.extend(values[i..].iter().map(|b| 0.5 * (a + b)));
    }
    let size = n as f64;
    let sd = (size * (size + 1.0) * (2.0 * size + 1.0) / 24.0).sqrt();
    let exact = || signed_rank_probabilities(n);
    let rank = edge_rank(
        means.len(),
        sd,
        n <= EXACT_COUNT_MAX,
        exact,
        confidence,
        variance_inflation,
        METHOD,
    )?;
    ends(means, rank).ok_or(Refused::TooFew {
        method: METHOD,
        needed: n + 1,
        count: n,
    })
}

/// Hodges–Lehmann shift `a − b` of two samples: the median of all differences, with the interval of the rank-sum test.
///
/// # Arguments
/// As for [`hodges_lehmann_location`]; `a` and `b` need not have one length. Both distributions have one shape.
///
/// # Errors
/// [`Refused`] for too few values to reach the confidence (4 and 4 for 0.95) or one that is not finite.
///
/// # Method
/// [HollanderWolfe] 4.2 and 4.3; exact up to 50 values each, if independent.
pub fn hodges_lehmann_shift(
    a: &[f64],
    b: &[f64],
    confidence: f64,
    variance_inflation: f64,
) -> Result<Estimate, Refused> {
    const METHOD: &str = "Hodges–Lehmann shift";
    check(METHOD, a, 1)?;
    check(METHOD, b, 1)?;
    let differences: Vec<f64> = a.iter().flat_map(|x| b.iter().map(move |y| x - y)).collect();
    let (m, n) = (a.len() as f64, b.len() as f64);
    let sd = (m * n * (m + n + 1.0) / 12.0).sqrt();
    let small = a.len().max(b.len()) <= EXACT_COUNT_MAX;
    let exact = || rank_sum_probabilities(a.len(), b.len());
    let rank = edge_rank(
        differences.len(),
        sd,
        small,
        exact,
        confidence,
        variance_inflation,
        METHOD,
    )?;
    let count = a.len().min(b.len());
    ends(differences, rank).ok_or(Refused::TooFew {
        method: METHOD,
        needed: count + 1,
        count,
    })
}

/// The rank from either end, counted from 1, at which an interval of the wanted confidence ends; 0 when none reaches it.
fn edge_rank(
    count: usize,
    sd: f64,
    small: bool,
    exact: impl Fn() -> Vec<f64>,
    confidence: f64,
    variance_inflation: f64,
    method: &'static str,
) -> Result<usize, Refused> {
    check_range(method, "confidence", confidence, CONFIDENCE_RANGE)?;
    check_range(method, "variance inflation", variance_inflation, (1.0, f64::MAX))?;
    let tail = 0.5 * (1.0 - confidence);
    if small && variance_inflation == 1.0 {
        // The largest rank k for which the probability of k − 1 or less does not exceed the tail.
        let mut sum = 0.0;
        return Ok(exact()
            .iter()
            .take_while(|probability| {
                sum += **probability;
                sum <= tail
            })
            .count());
    }
    let half_width = -normal_quantile(tail) * sd * variance_inflation.sqrt();
    Ok((0.5 * count as f64 - half_width).max(0.0) as usize)
}

/// The median and the values at `rank` from both ends; `None` for rank 0.
fn ends(mut values: Vec<f64>, rank: usize) -> Option<Estimate> {
    values.sort_by(f64::total_cmp);
    let low_index = rank.checked_sub(1)?;
    let value = quantile_of_sorted(&values, 0.5)?;
    Some(Estimate {
        value,
        low: values[low_index],
        high: values[values.len() - rank],
    })
}

/// Probability of each value 0, 1, … of the signed-rank statistic of `n` values.
fn signed_rank_probabilities(n: usize) -> Vec<f64> {
    let mut probabilities = vec![0.0; n * (n + 1) / 2 + 1];
    probabilities[0] = 1.0;
    for rank in 1..=n {
        for sum in (0..probabilities.len()).rev() {
            let with_rank = if sum >= rank {
                probabilities[sum - rank]
            } else {
                0.0
            };
            probabilities[sum] = 0.5 * (probabilities[sum] + with_rank);
        }
    }
    probabilities
}

/// Probability of each value 0, 1, … of the rank-sum statistic of `m` against `n` values.
///
/// The counts are the coefficients of the Gaussian binomial `∏ (1 − q^(n+i))/(1 − q^i)`.
fn rank_sum_probabilities(m: usize, n: usize) -> Vec<f64> {
    let mut counts = vec![0.0; m * n + 1];
    counts[0] = 1.0;
    for i in 1..=m {
        for u in (n + i..counts.len()).rev() {
            counts[u] -= counts[u - n - i];
        }
        for u in i..counts.len() {
            counts[u] += counts[u - i];
        }
    }
    // The number of ways to place m among m + n; the sum of the counts is less exact where they are large.
    let total: f64 = (1..=m).map(|i| (n + i) as f64 / i as f64).product();
    counts.into_iter().map(|count| count / total).collect()
}

/// A sorted copy. The values were checked to be finite, so the order is the usual one.
pub(crate) fn sorted(values: &[f64]) -> Vec<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::statistics::reference::{close, extra, list, number, robust};

    proptest! {
        #[test]
        fn a_quantile_by_selection_is_that_of_the_sorted_values(x in prop::collection::vec(-1e6..1e6_f64, 1..40), p in 0.0..=1.0_f64) {
            prop_assert_eq!(quantile(&x, p), quantile_of_sorted(&sorted(&x), p));
        }

        #[test]
        fn the_middle_of_three_is_their_median(x in prop::array::uniform3(-1e6..1e6_f64)) {
            prop_assert_eq!(Some(median_of_three(x[0], x[1], x[2])), median(&x));
        }
    }

    #[test]
    fn median_and_deviation_against_the_table() {
        for case in robust()["mad"].as_array().expect("cases") {
            let x = list(&case["x"]);
            close(
                "median",
                median(&x).expect("filled"),
                number(&case["median"]),
                1e-12,
            );
            close(
                "mad",
                median_absolute_deviation(&x).expect("filled"),
                number(&case["mad_raw"]),
                1e-12,
            );
            close(
                "sd",
                robust_standard_deviation(&x).expect("filled"),
                number(&case["mad_normal"]),
                1e-12,
            );
            let iqr = quantile(&x, 0.75).expect("filled") - quantile(&x, 0.25).expect("filled");
            close("iqr", iqr, number(&case["iqr_linear"]), 1e-12);
            let (mean, sd) = mean_and_standard_deviation(&x).expect("filled");
            close("mean", mean, number(&case["mean"]), 1e-11);
            close("sd", sd, number(&case["sd_ddof1"]), 1e-11);
        }
        let table = &extra()["quantile_type7"];
        for row in table["rows"].as_array().expect("rows") {
            let computed = quantile(&list(&table["x"]), number(&row[0])).expect("filled");
            close("quantile", computed, number(&row[1]), 1e-11);
        }
    }

    #[test]
    fn mean_and_deviation_of_close_large_values_against_nist() {
        // NIST StRD univariate sets NumAcc1 to NumAcc4, by their rules; certified values in the table.
        let sets = &robust()["nist_univariate_numerical_accuracy"];
        let certified = |name: &str, what: &str| {
            sets[name]["nist_certified_from_memory"][what]
                .as_str()
                .expect("text")
                .parse::<f64>()
                .expect("a number")
        };
        let pairs = |first: f64, low: f64, high: f64| {
            let mut values = vec![first];
            (0..500).for_each(|_| values.extend([low, high]));
            values
        };
        for (name, values, digits) in [
            ("NumAcc1", vec![10_000_001.0, 10_000_003.0, 10_000_002.0], 1e-14),
            ("NumAcc2", pairs(1.2, 1.1, 1.3), 1e-14),
            ("NumAcc3", pairs(1_000_000.2, 1_000_000.1, 1_000_000.3), 1e-9),
            ("NumAcc4", pairs(10_000_000.2, 10_000_000.1, 10_000_000.3), 1e-8),
        ] {
            let (mean, sd) = mean_and_standard_deviation(&values).expect("filled");
            close(name, mean, certified(name, "mean"), 1e-15);
            close(name, sd, certified(name, "sd"), digits);
        }
    }

    #[test]
    fn hodges_lehmann_against_the_published_examples() {
        let table = &robust()["hodges_lehmann"];
        let one = &table["one_sample"];
        let differences: Vec<f64> = list(&one["x"])
            .iter()
            .zip(list(&one["y"]))
            .map(|(x, y)| x - y)
            .collect();
        let location = hodges_lehmann_location(&differences, 0.95, 1.0).expect("nine pairs");
        close(
            "location",
            location.value,
            number(&one["estimate_of_x_minus_y"]),
            1e-12,
        );
        close("low", location.low, number(&one["walsh_ci"][0]), 1e-12);
        close("high", location.high, number(&one["walsh_ci"][1]), 1e-12);

        let two = &table["two_sample"];
        let shift =
            hodges_lehmann_shift(&list(&two["x"]), &list(&two["y"]), 0.95, 1.0).expect("ten and five");
        close("shift", shift.value, number(&two["shift_x_minus_y"]), 1e-12);
        let interval = &extra()["hodges_lehmann_two_sample_ci95"];
        close("low", shift.low, number(&interval["low"]), 1e-12);
        close("high", shift.high, number(&interval["high"]), 1e-12);

        let drift = list(&robust()["mad"][0]["x"]);
        let location = hodges_lehmann_location(&drift, 0.95, 1.0).expect("twelve values");
        close(
            "drift12",
            location.value,
            number(&table["drift12_one_sample"]),
            1e-12,
        );
    }

    #[test]
    fn exact_and_approximate_intervals_meet_where_they_hand_over() {
        let values: Vec<f64> = (0..50).map(|i| f64::from(i * i % 53) / 7.0).collect();
        let exact = hodges_lehmann_location(&values, 0.95, 1.0).expect("fifty values");
        let nearly = hodges_lehmann_location(&values, 0.95, 1.0 + 1e-9).expect("fifty values");
        assert!((exact.low - nearly.low).abs() < 0.1 && (exact.high - nearly.high).abs() < 0.1);
        let wide = hodges_lehmann_location(&values, 0.95, 4.0).expect("fifty values");
        assert!(wide.low < exact.low && wide.high > exact.high);
    }

    #[test]
    fn too_few_values_for_the_confidence_are_refused() {
        let values = [1.0, 2.0, 3.0, 4.0, 5.0];
        assert!(matches!(
            hodges_lehmann_location(&values, 0.95, 1.0),
            Err(Refused::TooFew { .. })
        ));
        assert!(hodges_lehmann_location(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0], 0.95, 1.0).is_ok());
        assert!(hodges_lehmann_shift(&values[..3], &values[..3], 0.95, 1.0).is_err());
        assert!(hodges_lehmann_shift(&values[..4], &values[..4], 0.95, 1.0).is_ok());
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[1.0, f64::NAN]), None);
        assert_eq!(quantile(&values, 1.01), None);
    }

    proptest! {
        #[test]
        fn order_does_not_matter_and_shift_moves_along(
            mut values in proptest::collection::vec(-50.0..50.0_f64, 6..40), by in -10.0..10.0_f64,
        ) {
            let before = hodges_lehmann_location(&values, 0.9, 1.0).expect("enough values");
            values.reverse();
            let moved: Vec<f64> = values.iter().map(|v| v + by).collect();
            let after = hodges_lehmann_location(&moved, 0.9, 1.0).expect("enough values");
            prop_assert!((after.value - before.value - by).abs() < 1e-9);
            prop_assert!((after.low - before.low - by).abs() < 1e-9 && (after.high - before.high - by).abs() < 1e-9);
            prop_assert!(before.low <= before.value && before.value <= before.high);
        }
    }
}
