//! How much neighbouring values depend on each other, and what that does to an average or a slope.
//!
//! In: series in the order of time. Out: correlations, effective counts, standard errors that hold in spite of them.
//! Sources: [NeweyWest1987], [Zieba2010], [MarriottPope1954] in `SOURCES.md`.

use super::least_squares::{LinearFit, linear};
use super::refused::{Refused, check, check_pair, check_range, check_rising};

/// Largest lag-one correlation that estimates may reach; nearer to 1 a series of months cannot be told from one that wanders off.
pub const PHI_MAX: f64 = 0.95;

/// Autocorrelations at lags 0 to `lag_max` with the biased divisor n, about the mean. `None` for fewer than two values, one that is
/// not finite, a series without spread, or a lag as long as the series.
pub fn autocorrelation(values: &[f64], lag_max: usize) -> Option<Vec<f64>> {
    check("autocorrelation", values, 2).ok()?;
    if lag_max >= values.len() {
        return None;
    }
    let n = values.len() as f64;
    let rough = values.iter().sum::<f64>() / n;
    let mean = rough + values.iter().map(|value| value - rough).sum::<f64>() / n;
    let centred: Vec<f64> = values.iter().map(|value| value - mean).collect();
    let product = |lag: usize| -> f64 { centred[lag..].iter().zip(&centred).map(|(a, b)| a * b).sum() };
    let power = product(0);
    (power > 0.0).then(|| (0..=lag_max).map(|lag| product(lag) / power).collect())
}

/// Lag-one correlation of a series at equal steps. `None` as for [`autocorrelation`].
pub fn lag_one(values: &[f64]) -> Option<f64> {
    autocorrelation(values, 1).map(|rho| rho[1])
}

/// Lag-one correlation of a series at steps of one unit of time with gaps, corrected for its bias in short series, within 0 to
/// [`PHI_MAX`].
///
/// # Arguments
/// - `times`: whole steps such as days, strictly rising, gaps allowed. `values`: same length.
///
/// # Errors
/// [`Refused`] for fewer than 8 values or 6 pairs of neighbours, no spread, or times that do not rise.
///
/// # Method
/// Mean product of neighbours exactly one step apart (within a tenth of a step) over the mean square, about the mean; then
/// `r + (1 + 3 r)/n` ([MarriottPope1954], [Kendall1954]): the plain estimate is too small in short series, which makes everything
/// look more certain than it is. A negative result is set to 0.
pub fn lag_one_with_gaps(times: &[f64], values: &[f64]) -> Result<f64, Refused> {
    const METHOD: &str = "lag-one correlation";
    const NEIGHBOUR_COUNT_MIN: usize = 6;
    const STEP_TOLERANCE: f64 = 0.1;
    check_pair(METHOD, times, values, 8)?;
    check_rising(METHOD, times)?;
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let products: Vec<f64> = (1..times.len())
        .filter(|i| (times[*i] - times[i - 1] - 1.0).abs() <= STEP_TOLERANCE)
        .map(|i| (values[i] - mean) * (values[i - 1] - mean))
        .collect();
    if products.len() < NEIGHBOUR_COUNT_MIN {
        return Err(Refused::TooFew {
            method: METHOD,
            needed: NEIGHBOUR_COUNT_MIN,
            count: products.len(),
        });
    }
    let power = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / n;
    if power <= 0.0 {
        return Err(Refused::Undetermined { method: METHOD });
    }
    let plain = products.iter().sum::<f64>() / products.len() as f64 / power;
    Ok((plain + (1.0 + 3.0 * plain) / n).clamp(0.0, PHI_MAX))
}

/// How many independent values have a mean as certain as `count` values with the lag-one correlation `phi`.
///
/// # Method
/// `n / (1 + 2 Σ_{k=1}^{n−1} (1 − k/n) φ^k)`, [Zieba2010]; for long series close to `n (1 − φ)/(1 + φ)`. Summed in closed form.
///
/// # Errors
/// [`Refused`] for `phi` outside (−1, 1) by more than rounding, or no sample.
///
/// # Accuracy
/// 1e-7 against the table, whose entries have 8 digits: `tests::effective_count_against_the_table`.
pub fn effective_count(count: usize, phi: f64) -> Result<f64, Refused> {
    const METHOD: &str = "effective sample size";
    const OPEN_ONE: f64 = 1.0 - 1e-12;
    if count == 0 {
        return Err(Refused::TooFew {
            method: METHOD,
            needed: 1,
            count,
        });
    }
    check_range(METHOD, "phi", phi, (-OPEN_ONE, OPEN_ONE))?;
    let n = count as f64;
    let sum: f64 = (phi - phi.powf_whole(count)) / (1.0 - phi)
        - phi * (1.0 - n * phi.powf_whole(count - 1) + (n - 1.0) * phi.powf_whole(count))
            / (n * (1.0 - phi).powi(2));
    Ok(n / (1.0 + 2.0 * sum))
}

/// Whole powers of any size, with the sign of a negative base.
trait WholePower {
    fn powf_whole(self, exponent: usize) -> f64;
}

impl WholePower for f64 {
    fn powf_whole(self, exponent: usize) -> f64 {
        let size = self.abs().powf(exponent as f64);
        if self < 0.0 && exponent % 2 == 1 {
            -size
        } else {
            size
        }
    }
}

/// The usual number of lags for [`newey_west`]: `floor(4 (n/100)^(2/9))`. Source: [NeweyWest1994], as a rule of thumb.
pub fn usual_lag_count(count: usize) -> usize {
    (4.0 * (count as f64 / 100.0).powf(2.0 / 9.0)) as usize
}

/// Covariance of least-squares coefficients that stays valid when residuals are autocorrelated and of unequal variance.
///
/// # Arguments
/// - `columns`: the design, one slice per coefficient, rows in the order of time. `fit`: the unweighted fit to it.
/// - `lag_count`: how many lags carry weight, see [`usual_lag_count`]; it counts samples, so steps should be about equal.
///
/// # Method
/// [NeweyWest1987] with Bartlett weights `1 − l/(L + 1)`, no small-sample factor.
///
/// # Accuracy
/// 1e-9 against statsmodels: `tests::newey_west_against_the_table`.
pub fn newey_west(columns: &[&[f64]], fit: &LinearFit, lag_count: usize) -> Vec<Vec<f64>> {
    let p = columns.len();
    let n = fit.residuals.len();
    let score = |t: usize, j: usize| fit.residuals[t] * columns[j][t];
    let mut middle = vec![vec![0.0; p]; p];
    for lag in 0..=lag_count.min(n.saturating_sub(1)) {
        let weight = 1.0 - lag as f64 / (lag_count as f64 + 1.0);
        for a in 0..p {
            for b in 0..p {
                let sum: f64 = (lag..n).map(|t| score(t, a) * score(t - lag, b)).sum();
                middle[a][b] += weight * sum;
                if lag > 0 {
                    middle[b][a] += weight * sum;
                }
            }
        }
    }
    product(&product(&fit.unit_covariance, &middle), &fit.unit_covariance)
}

fn product(a: &[Vec<f64>], b: &[Vec<f64>]) -> Vec<Vec<f64>> {
    a.iter()
        .map(|row| {
            (0..b[0].len())
                .map(|j| row.iter().zip(b).map(|(x, other)| x * other[j]).sum())
                .collect()
        })
        .collect()
}

/// Mean with its Newey–West standard error, for values at about equal steps. `lag_count`: `None` for [`usual_lag_count`].
///
/// # Errors
/// [`Refused`] for fewer than 3 values or one that is not finite.
pub fn mean_with_error(values: &[f64], lag_count: Option<usize>) -> Result<(f64, f64), Refused> {
    check("mean", values, 3)?;
    let ones = vec![1.0; values.len()];
    let fit = linear(&[&ones], values, None)?;
    let lags = lag_count.unwrap_or_else(|| usual_lag_count(values.len()));
    Ok((
        fit.coefficients[0],
        newey_west(&[&ones], &fit, lags)[0][0].max(0.0).sqrt(),
    ))
}

/// Slope per unit of time with its Newey–West standard error, by ordinary least squares.
///
/// # Errors
/// [`Refused`] for fewer than 4 samples, values that are not finite, or no spread in time.
pub fn slope_with_error(
    times: &[f64],
    values: &[f64],
    lag_count: Option<usize>,
) -> Result<(f64, f64), Refused> {
    check_pair("slope", times, values, 4)?;
    let ones = vec![1.0; values.len()];
    let columns: [&[f64]; 2] = [&ones, times];
    let fit = linear(&columns, values, None)?;
    let lags = lag_count.unwrap_or_else(|| usual_lag_count(values.len()));
    Ok((
        fit.coefficients[1],
        newey_west(&columns, &fit, lags)[1][1].max(0.0).sqrt(),
    ))
}

/// A series whitened for a first-order autoregression: independent and of one variance if `phi` is right.
///
/// # Arguments
/// - `times` (strictly rising, gaps allowed, unit: the step to which `phi` belongs) and `series`: same length.
/// - `phi`: lag-one correlation, 0 ≤ φ < 1; over a gap of `d` steps the correlation is `φ^d`.
///
/// # Method
/// Prais–Winsten for unequal steps: the first value as it is, then `(y_i − ρ_i y_{i−1})/√(1 − ρ_i²)`, `ρ_i = φ^(t_i − t_{i−1})`. Scaled so
/// that the variance is the marginal one. [PraisWinsten1954].
pub fn whiten(times: &[f64], series: &[f64], phi: f64) -> Vec<f64> {
    let steps = step_correlations(times, phi);
    (0..series.len())
        .map(|i| {
            if i == 0 {
                series[0]
            } else {
                (series[i] - steps[i] * series[i - 1]) / (1.0 - steps[i] * steps[i]).sqrt()
            }
        })
        .collect()
}

/// Correlation of each value with the one before it; 0 for the first.
pub(crate) fn step_correlations(times: &[f64], phi: f64) -> Vec<f64> {
    let mut steps = vec![0.0; times.len().min(1)];
    steps.extend(times.windows(2).map(|pair| {
        if phi > 0.0 {
            phi.powf(pair[1] - pair[0])
        } else {
            0.0
        }
    }));
    steps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::reference::{close, extra, list, number, robust};

    #[test]
    fn autocorrelation_against_the_table() {
        let table = robust();
        let case = &table["newey_west"];
        let expected = list(&case["acf_biased"]);
        let computed = autocorrelation(&list(&case["series"]), expected.len() - 1).expect("sixty values");
        for (a, b) in computed.iter().zip(&expected) {
            close("autocorrelation", *a, *b, 1e-11);
        }
        let effective = effective_count(60, computed[1]).expect("it is a correlation");
        // The table's value is the long-series form n (1 − r)/(1 + r).
        let long = 60.0 * (1.0 - computed[1]) / (1.0 + computed[1]);
        close(
            "effective count, long form",
            long,
            number(&case["n_eff_ar1_from_r1"]),
            1e-10,
        );
        assert!(effective > long);
    }

    #[test]
    fn lag_one_of_the_nist_sets() {
        // NIST StRD univariate: certified lag-one autocorrelation −0.999 for NumAcc2, −0.5 for NumAcc1.
        let mut values = vec![1.2];
        (0..500).for_each(|_| values.extend([1.1, 1.3]));
        close("NumAcc2", lag_one(&values).expect("spread"), -0.999, 1e-12);
        let first = lag_one(&[10_000_001.0, 10_000_003.0, 10_000_002.0]).expect("spread");
        close("NumAcc1", first, -0.5, 1e-12);
        assert_eq!(lag_one(&[5.0; 10]), None);
    }

    #[test]
    fn effective_count_against_the_table() {
        for row in robust()["effective_sample_size"]["rows"]
            .as_array()
            .expect("rows")
        {
            let [phi, n, expected] = [0, 1, 2].map(|i| number(&row[i]));
            close(
                "n_eff",
                effective_count(n as usize, phi).expect("a correlation"),
                expected,
                1e-7,
            );
        }
        assert!(effective_count(10, 1.0).is_err());
        assert!(effective_count(0, 0.5).is_err());
    }

    #[test]
    fn newey_west_against_the_table() {
        let table = robust();
        let case = &table["newey_west"];
        let series = list(&case["series"]);
        let steps: Vec<f64> = (0..series.len()).map(|i| i as f64).collect();
        for lag_count in [0, 1, 3, 6, 12] {
            let expected = number(
                &case["hac_se_mean_bartlett_by_maxlag_no_small_sample_correction"][lag_count.to_string()],
            );
            let (mean, error) = mean_with_error(&series, Some(lag_count)).expect("sixty values");
            close("mean", mean, number(&case["mean"]), 1e-11);
            close("standard error", error, expected, 1e-10);
            if let Some(row) = case["hac_slope_by_maxlag"].get(lag_count.to_string()) {
                let (slope, error) =
                    slope_with_error(&steps, &series, Some(lag_count)).expect("sixty values");
                close("slope", slope, number(&row["slope"]), 1e-11);
                close("standard error of the slope", error, number(&row["se"]), 1e-10);
            }
        }
        assert_eq!(
            usual_lag_count(60) as f64,
            number(&case["rule_of_thumb_maxlag_4_n_over_100_pow_2_9"])
        );
    }

    #[test]
    fn whitening_a_pure_autoregression_gives_back_its_innovations() {
        // Built forwards from known innovations, with a gap of three steps.
        let times = [0.0, 1.0, 2.0, 5.0, 6.0];
        let innovations = [0.4, -1.2, 0.3, 2.0, -0.7];
        let mut series = vec![innovations[0]];
        for i in 1..times.len() {
            let rho = 0.6_f64.powf(times[i] - times[i - 1]);
            series.push(rho * series[i - 1] + (1.0 - rho * rho).sqrt() * innovations[i]);
        }
        for (a, b) in whiten(&times, &series, 0.6).iter().zip(&innovations) {
            close("innovation", *a, *b, 1e-12);
        }
    }

    #[test]
    fn lag_one_with_gaps_uses_neighbours_only() {
        let case = &extra()["gls_ar1"];
        let phi = lag_one_with_gaps(&list(&case["t"]), &list(&case["y"])).expect("enough neighbours");
        assert!((0.0..=PHI_MAX).contains(&phi));
        let apart: Vec<f64> = (0..20).map(|i| f64::from(i) * 2.0).collect();
        let values: Vec<f64> = (0..20).map(f64::from).collect();
        assert!(matches!(
            lag_one_with_gaps(&apart, &values),
            Err(Refused::TooFew { .. })
        ));
    }
}
