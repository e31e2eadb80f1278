//! How much neighbouring values depend on each other, and what that does to an average.
//!
//! In: series in the order of time. Out: correlations, effective counts, whitened series.
//! Sources: [Zieba2010], [MarriottPope1954], [PraisWinsten1954] in `SOURCES.md`.

use super::refused::{Refused, check_pair, check_range, check_rising};

/// Largest lag-one correlation that estimates may reach; nearer to 1 a series of months cannot be told from one that wanders off.
pub const PHI_MAX: f64 = 0.95;

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
