//! Linear least squares with few coefficients: plain, weighted, and with first-order autoregressive errors.
//!
//! In: the design as one slice per coefficient, and values. Out: coefficients with covariance and residuals.
//! Solved by Householder reflections, never by normal equations. Sources: [GolubVanLoan] 5.2, [PraisWinsten1954] in `SOURCES.md`.

use super::autocorrelation::{PHI_MAX, step_correlations, whiten};
use super::distribution::student_quantile;
use super::interval::Estimate;
use super::refused::{CONFIDENCE_RANGE, Refused, check_pair, check_range, check_rising};

/// A column whose part independent of the others is smaller than this share of it counts as dependent.
const RANK_TOLERANCE: f64 = 1e-13;

/// A linear fit.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    /// One per column of the design, in its order.
    pub coefficients: Vec<f64>,
    /// `(XᵀWX)⁻¹`: times the variance of a residual of weight 1 it is the covariance of the coefficients.
    pub unit_covariance: Vec<Vec<f64>>,
    /// Weighted sum of squared residuals over the degrees of freedom.
    pub residual_variance: f64,
    /// Values minus fitted values, not weighted.
    pub residuals: Vec<f64>,
    /// Samples minus coefficients.
    pub degrees_of_freedom: usize,
}

impl LinearFit {
    /// Standard error of a coefficient, with the variance estimated from the residuals.
    pub fn standard_error(&self, index: usize) -> f64 {
        (self.residual_variance * self.unit_covariance[index][index]).sqrt()
    }

    /// A coefficient with its Student interval; assumes that the errors are as the fit supposed, and normal.
    ///
    /// # Errors
    /// [`Refused`] for an impossible confidence.
    pub fn estimate(&self, index: usize, confidence: f64) -> Result<Estimate, Refused> {
        check_range("linear fit", "confidence", confidence, CONFIDENCE_RANGE)?;
        let t = student_quantile(0.5 * (1.0 + confidence), self.degrees_of_freedom as f64);
        Ok(Estimate::symmetric(
            self.coefficients[index],
            t * self.standard_error(index),
        ))
    }
}

/// Ordinary or weighted linear least squares.
///
/// # Arguments
/// - `columns`: one slice per coefficient, each as long as `values`; a column of ones for a constant.
/// - `weights`: `None` for equal ones; else positive and proportional to one over the variance of each value.
///
/// # Errors
/// [`Refused`] when there are not more values than coefficients, lengths differ, a weight is not positive, or columns depend on each other.
///
/// # Accuracy
/// 9 digits on Longley's data (NIST StRD): `tests::longley_to_nine_digits`.
pub fn linear(columns: &[&[f64]], values: &[f64], weights: Option<&[f64]>) -> Result<LinearFit, Refused> {
    const METHOD: &str = "linear least squares";
    for column in columns {
        check_pair(METHOD, column, values, columns.len() + 1)?;
    }
    let roots: Option<Vec<f64>> = match weights {
        None => None,
        Some(weights) => {
            check_pair(METHOD, weights, values, columns.len() + 1)?;
            for weight in weights {
                check_range(METHOD, "weight", *weight, (f64::MIN_POSITIVE, f64::MAX))?;
            }
            Some(weights.iter().map(|weight| weight.sqrt()).collect())
        }
    };
    let weighted = |series: &[f64]| match &roots {
        None => series.to_vec(),
        Some(roots) => series
            .iter()
            .zip(roots)
            .map(|(value, root)| value * root)
            .collect(),
    };
    let solved = solve(
        columns.iter().map(|column| weighted(column)).collect(),
        weighted(values),
    )
    .ok_or(Refused::Undetermined { method: METHOD })?;
    let degrees_of_freedom = values.len() - columns.len();
    Ok(LinearFit {
        residuals: residuals(columns, values, &solved.coefficients),
        residual_variance: solved.residual_square_sum / degrees_of_freedom as f64,
        coefficients: solved.coefficients,
        unit_covariance: solved.unit_covariance,
        degrees_of_freedom,
    })
}

/// A linear fit with first-order autoregressive errors.
#[derive(Debug, Clone, PartialEq)]
pub struct AutoregressiveFit {
    /// Coefficients and covariance; `residual_variance` is the marginal variance of the errors.
    pub fit: LinearFit,
    /// Lag-one correlation of the errors, per unit of time.
    pub phi: f64,
    /// Logarithm of the likelihood at these coefficients and `phi`, with the variance that maximises it.
    pub log_likelihood: f64,
    /// Logarithm of the restricted likelihood: does not forget that the coefficients were estimated.
    pub restricted_log_likelihood: f64,
}

/// Generalised least squares with the error correlation `phi^(|t_i − t_j|)`.
///
/// # Arguments
/// - `columns`, `values`: as for [`linear`]. `times`: strictly rising, gaps allowed. `phi`: 0 to [`PHI_MAX`].
///
/// # Errors
/// As for [`linear`], and for times that do not rise or a `phi` outside.
///
/// # Accuracy
/// 1e-9 against statsmodels with the dense covariance: `tests::autoregressive_against_the_dense_covariance`.
pub fn linear_autoregressive(
    columns: &[&[f64]],
    times: &[f64],
    values: &[f64],
    phi: f64,
) -> Result<AutoregressiveFit, Refused> {
    const METHOD: &str = "least squares with autoregressive errors";
    check_pair(METHOD, times, values, columns.len() + 1)?;
    check_rising(METHOD, times)?;
    check_range(METHOD, "phi", phi, (0.0, PHI_MAX))?;
    let whitened: Vec<Vec<f64>> = columns.iter().map(|column| whiten(times, column, phi)).collect();
    let slices: Vec<&[f64]> = whitened.iter().map(Vec::as_slice).collect();
    let mut fit = linear(&slices, &whiten(times, values, phi), None)?;
    fit.residuals = residuals(columns, values, &fit.coefficients);
    let n = values.len() as f64;
    let dof = fit.degrees_of_freedom as f64;
    let square_sum = fit.residual_variance * dof;
    let log_determinant = log_determinant(times, phi);
    let tau = 2.0 * std::f64::consts::PI;
    let log_information = -log_determinant_of_inverse(&fit.unit_covariance);
    Ok(AutoregressiveFit {
        phi,
        log_likelihood: -0.5 * (n * (tau * square_sum / n).ln() + log_determinant + n),
        restricted_log_likelihood: -0.5
            * (dof * (tau * square_sum / dof).ln() + log_determinant + log_information + dof),
        fit,
    })
}

/// Logarithm of the determinant of the correlation matrix of the errors.
pub(crate) fn log_determinant(times: &[f64], phi: f64) -> f64 {
    step_correlations(times, phi)
        .iter()
        .map(|rho| (-rho * rho).ln_1p())
        .sum()
}

/// [`linear_autoregressive`] with the `phi` that maximises the restricted likelihood between 0 and [`PHI_MAX`].
///
/// The restricted likelihood is used because the plain one makes `phi` too small, and with it every interval, in short series.
///
/// # Errors
/// As for [`linear_autoregressive`].
pub fn linear_autoregressive_fitted(
    columns: &[&[f64]],
    times: &[f64],
    values: &[f64],
) -> Result<AutoregressiveFit, Refused> {
    let at = |phi: f64| linear_autoregressive(columns, times, values, phi);
    at(0.0)?;
    let score = |phi: f64| at(phi).map_or(f64::NEG_INFINITY, |fit| fit.restricted_log_likelihood);
    at(maximise_phi(score))
}

/// Steps of the first search for `phi`.
const PHI_GRID_COUNT: usize = 20;
/// Golden sections of one step: leave an error below 1e-6, which no likelihood notices.
const PHI_GOLDEN_COUNT: usize = 24;

/// The `phi` in 0 to [`PHI_MAX`] with the highest score: a grid, then golden section beside its best point.
pub(crate) fn maximise_phi(score: impl Fn(f64) -> f64) -> f64 {
    let step = PHI_MAX / (PHI_GRID_COUNT - 1) as f64;
    let mut best = (f64::NEG_INFINITY, 0.0);
    for i in 0..PHI_GRID_COUNT {
        let phi = step * i as f64;
        let value = score(phi);
        if value > best.0 {
            best = (value, phi);
        }
    }
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut low, mut high) = ((best.1 - step).max(0.0), (best.1 + step).min(PHI_MAX));
    let (mut a, mut b) = (high - golden * (high - low), low + golden * (high - low));
    let (mut score_a, mut score_b) = (score(a), score(b));
    for _ in 0..PHI_GOLDEN_COUNT {
        if score_a >= score_b {
            (high, b, score_b) = (b, a, score_a);
            a = high - golden * (high - low);
            score_a = score(a);
        } else {
            (low, a, score_a) = (a, b, score_b);
            b = low + golden * (high - low);
            score_b = score(b);
        }
    }
    let inside = 0.5 * (low + high);
    if score(inside) > best.0 { inside } else { best.1 }
}

fn residuals(columns: &[&[f64]], values: &[f64], coefficients: &[f64]) -> Vec<f64> {
    (0..values.len())
        .map(|i| {
            values[i]
                - columns
                    .iter()
                    .zip(coefficients)
                    .map(|(column, c)| column[i] * c)
                    .sum::<f64>()
        })
        .collect()
}

/// What [`solve`] found.
pub(crate) struct Solved {
    pub(crate) coefficients: Vec<f64>,
    pub(crate) unit_covariance: Vec<Vec<f64>>,
    pub(crate) residual_square_sum: f64,
}

/// Least squares by Householder reflections on columns scaled to length one. `None` when the columns depend on each other.
pub(crate) fn solve(mut columns: Vec<Vec<f64>>, mut values: Vec<f64>) -> Option<Solved> {
    let p = columns.len();
    let scales: Vec<f64> = columns.iter().map(|column| norm(column)).collect();
    for (column, scale) in columns.iter_mut().zip(&scales) {
        if *scale <= 0.0 || !scale.is_finite() {
            return None;
        }
        column.iter_mut().for_each(|value| *value /= scale);
    }
    let mut diagonal = vec![0.0; p];
    for k in 0..p {
        let length = norm(&columns[k][k..]);
        if length <= RANK_TOLERANCE {
            return None;
        }
        let alpha = if columns[k][k] > 0.0 { -length } else { length };
        let mut reflector = columns[k][k..].to_vec();
        reflector[0] -= alpha;
        let half_square = 0.5 * reflector.iter().map(|v| v * v).sum::<f64>();
        diagonal[k] = alpha;
        for column in columns.iter_mut().skip(k + 1) {
            reflect(&reflector, half_square, &mut column[k..]);
        }
        reflect(&reflector, half_square, &mut values[k..]);
    }
    // R is `diagonal` on the diagonal and the reflected columns above it.
    let r = |i: usize, j: usize| if i == j { diagonal[i] } else { columns[j][i] };
    let mut scaled = vec![0.0; p];
    for i in (0..p).rev() {
        let sum: f64 = (i + 1..p).map(|j| r(i, j) * scaled[j]).sum();
        scaled[i] = (values[i] - sum) / diagonal[i];
    }
    let mut inverse = vec![vec![0.0; p]; p];
    for j in 0..p {
        inverse[j][j] = 1.0 / diagonal[j];
        for i in (0..j).rev() {
            let sum: f64 = (i + 1..=j).map(|k| r(i, k) * inverse[k][j]).sum();
            inverse[i][j] = -sum / diagonal[i];
        }
    }
    let covariance = |a: usize, b: usize| -> f64 {
        (a.max(b)..p).map(|k| inverse[a][k] * inverse[b][k]).sum::<f64>() / (scales[a] * scales[b])
    };
    Some(Solved {
        coefficients: scaled
            .iter()
            .zip(&scales)
            .map(|(value, scale)| value / scale)
            .collect(),
        unit_covariance: (0..p)
            .map(|a| (0..p).map(|b| covariance(a, b)).collect())
            .collect(),
        residual_square_sum: values[p..].iter().map(|value| value * value).sum(),
    })
}

fn reflect(reflector: &[f64], half_square: f64, target: &mut [f64]) {
    let factor = reflector.iter().zip(&*target).map(|(v, x)| v * x).sum::<f64>() / half_square;
    for (v, x) in reflector.iter().zip(target) {
        *x -= factor * v;
    }
}

/// Euclidean length without overflow.
pub(crate) fn norm(values: &[f64]) -> f64 {
    let largest = values.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    if largest == 0.0 || !largest.is_finite() {
        return largest;
    }
    largest
        * values
            .iter()
            .map(|value| (value / largest).powi(2))
            .sum::<f64>()
            .sqrt()
}

/// Logarithm of the determinant of a small positive definite matrix, by elimination.
fn log_determinant_of_inverse(matrix: &[Vec<f64>]) -> f64 {
    let mut work = matrix.to_vec();
    let p = work.len();
    let mut sum = 0.0;
    for k in 0..p {
        let pivot = work[k][k];
        sum += pivot.max(f64::MIN_POSITIVE).ln();
        for i in k + 1..p {
            let factor = work[i][k] / pivot;
            let (above, below) = work.split_at_mut(i);
            for j in k..p {
                below[0][j] -= factor * above[k][j];
            }
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::reference::{close, extra, list, number, robust};

    #[test]
    fn weighted_fit_against_the_table() {
        let table = extra();
        let case = &table["wls"];
        let (t, w, y) = (list(&case["t"]), list(&case["w"]), list(&case["y"]));
        let ones = vec![1.0; t.len()];
        let squares: Vec<f64> = t.iter().map(|t| t * t).collect();
        let fit = linear(&[&ones, &t, &squares], &y, Some(&w)).expect("twenty-five samples");
        close(
            "variance",
            fit.residual_variance,
            number(&case["residual_variance"]),
            1e-10,
        );
        for i in 0..3 {
            close(
                "coefficient",
                fit.coefficients[i],
                number(&case["coefficients"][i]),
                1e-10,
            );
            for j in 0..3 {
                let covariance = fit.residual_variance * fit.unit_covariance[i][j];
                close("covariance", covariance, number(&case["covariance"][i][j]), 1e-10);
            }
        }
    }

    #[test]
    fn longley_to_nine_digits() {
        // NIST StRD linear regression, Longley: strongly dependent columns.
        let table = extra();
        let case = &table["longley"];
        let y = list(&case["y"]);
        let ones = vec![1.0; y.len()];
        let columns: Vec<Vec<f64>> = case["columns"]
            .as_array()
            .expect("columns")
            .iter()
            .map(list)
            .collect();
        let mut design: Vec<&[f64]> = vec![&ones];
        design.extend(columns.iter().map(Vec::as_slice));
        let fit = linear(&design, &y, None).expect("sixteen samples");
        let (mut worst, mut worst_error): (f64, f64) = (0.0, 0.0);
        for i in 0..design.len() {
            worst = worst.max((fit.coefficients[i] / number(&case["certified_from_memory"][i]) - 1.0).abs());
            worst_error =
                worst_error.max((fit.standard_error(i) / number(&case["statsmodels_sd"][i]) - 1.0).abs());
        }
        println!("Longley: coefficients to {worst:.1e}, standard errors to {worst_error:.1e}");
        assert!(worst < 1e-9 && worst_error < 1e-8);
    }

    #[test]
    fn autoregressive_against_the_dense_covariance() {
        let table = extra();
        let case = &table["gls_ar1"];
        let (t, y) = (list(&case["t"]), list(&case["y"]));
        let ones = vec![1.0; t.len()];
        for row in case["rows"].as_array().expect("rows") {
            let phi = number(&row["phi"]);
            let computed = linear_autoregressive(&[&ones, &t], &t, &y, phi).expect("enough samples");
            close(
                "likelihood",
                computed.log_likelihood,
                number(&row["log_likelihood"]),
                1e-10,
            );
            close(
                "variance",
                computed.fit.residual_variance,
                number(&row["residual_variance"]),
                1e-10,
            );
            for i in 0..2 {
                close(
                    "coefficient",
                    computed.fit.coefficients[i],
                    number(&row["coefficients"][i]),
                    1e-10,
                );
                let error = number(&row["covariance"][i][i]).sqrt();
                close("standard error", computed.fit.standard_error(i), error, 1e-9);
            }
        }
    }

    #[test]
    fn the_fitted_phi_has_the_highest_restricted_likelihood() {
        let y = list(&robust()["newey_west"]["series"]);
        let t: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        let ones = vec![1.0; t.len()];
        let best = linear_autoregressive_fitted(&[&ones], &t, &y).expect("sixty samples");
        // The series' own lag-one correlation is 0.74 (table); a full-likelihood estimate lies near it.
        assert!((0.6..0.9).contains(&best.phi), "{}", best.phi);
        for i in 0..95 {
            let other = linear_autoregressive(&[&ones], &t, &y, f64::from(i) / 100.0).expect("sixty samples");
            assert!(other.restricted_log_likelihood <= best.restricted_log_likelihood + 1e-9);
        }
    }

    #[test]
    fn dependent_columns_and_too_few_values_are_refused() {
        let (a, b) = ([1.0, 2.0, 3.0, 4.0], [2.0, 4.0, 6.0, 8.0]);
        assert!(matches!(
            linear(&[&a, &b], &a, None),
            Err(Refused::Undetermined { .. })
        ));
        assert!(matches!(
            linear(&[&a[..2], &b[..2]], &a[..2], None),
            Err(Refused::TooFew { .. })
        ));
        assert!(matches!(
            linear(&[&a], &a, Some(&[1.0, 1.0, 0.0, 1.0])),
            Err(Refused::OutOfRange { .. })
        ));
        assert!(matches!(
            linear(&[&a], &a[..3], None),
            Err(Refused::Unpaired { .. })
        ));
    }
}
