//! Quantiles of the normal, Student's and the chi-square distribution.
//!
//! In: plain numbers. Out: plain numbers. Probabilities by series and continued fractions, quantiles by bisection on them, so
//! that a quantile is always the inverse of the probability beside it. Sources: [NumericalRecipes] ch. 6 in `SOURCES.md`.

/// Lanczos approximation of ln Γ, g = 7, nine terms. Source: [Lanczos1964], coefficients as widely printed (memory; checked by the
/// quantiles below to 1e-9).
const LANCZOS_G: f64 = 7.0;
#[expect(clippy::excessive_precision, reason = "as printed")]
const LANCZOS: [f64; 9] = [
    0.999_999_999_999_809_93,
    676.520_368_121_885_1,
    -1_259.139_216_722_402_8,
    771.323_428_777_653_13,
    -176.615_029_162_140_59,
    12.507_343_278_686_905,
    -0.138_571_095_265_720_12,
    9.984_369_578_019_571_6e-6,
    1.505_632_735_149_311_6e-7,
];

/// Bound on terms of a series or continued fraction: they settle within a few √x terms; the largest argument here is about 1e5.
const TERM_BOUND: usize = 2_000;

/// Smallest magnitude in Lentz's method, to keep its quotients finite.
const TINY: f64 = 1e-300;

/// Bisections of an interval: 200 halvings exhaust the digits of an `f64`.
const HALVINGS: usize = 200;

/// Natural logarithm of the gamma function for `x > 0`.
fn ln_gamma(x: f64) -> f64 {
    let z = x - 1.0;
    let base = z + LANCZOS_G + 0.5;
    let sum: f64 = LANCZOS[0]
        + LANCZOS[1..]
            .iter()
            .enumerate()
            .map(|(i, c)| c / (z + i as f64 + 1.0))
            .sum::<f64>();
    0.5 * (2.0 * std::f64::consts::PI).ln() + (z + 0.5) * base.ln() - base + sum.ln()
}

/// Regularised upper incomplete gamma function Q(a, x), for `a > 0`, `x ≥ 0`.
fn gamma_q(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 1.0;
    }
    let front = (a * x.ln() - x - ln_gamma(a)).exp();
    if x < a + 1.0 {
        let (mut term, mut sum) = (1.0 / a, 1.0 / a);
        for n in 1..TERM_BOUND {
            term *= x / (a + n as f64);
            sum += term;
            if term < sum * f64::EPSILON {
                break;
            }
        }
        return 1.0 - front * sum;
    }
    let mut b = x + 1.0 - a;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / b;
    let mut h = d;
    for n in 1..TERM_BOUND {
        let an = -(n as f64) * (n as f64 - a);
        b += 2.0;
        d = 1.0 / away_from_zero(an * d + b);
        c = away_from_zero(b + an / c);
        h *= d * c;
        if (d * c - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    front * h
}

fn away_from_zero(value: f64) -> f64 {
    if value.abs() < TINY { TINY } else { value }
}

/// Regularised incomplete beta function I_x(a, b): the probability of a beta(a, b) variable to be at most `x`.
fn beta_probability(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp();
    if x < (a + 1.0) / (a + b + 2.0) {
        front * beta_fraction(x, a, b) / a
    } else {
        1.0 - front * beta_fraction(1.0 - x, b, a) / b
    }
}

/// The continued fraction of the incomplete beta function by Lentz's method.
fn beta_fraction(x: f64, a: f64, b: f64) -> f64 {
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
    let mut h = d;
    for n in 1..TERM_BOUND {
        let m = n as f64;
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away_from_zero(1.0 + even * d);
        c = away_from_zero(1.0 + even / c);
        h *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away_from_zero(1.0 + odd * d);
        c = away_from_zero(1.0 + odd / c);
        h *= d * c;
        if (d * c - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    h
}

/// Probability of a standard normal variable to be at most `z`, any finite number.
///
/// # Method
/// Half of the upper incomplete gamma function Q(1/2, z²/2), [NumericalRecipes] 6.2: the smaller tail is computed, so that it keeps its digits.
///
/// # Accuracy
/// 1e-12 as the inverse of [`normal_quantile`]: `tests::probability_and_quantile_are_inverse`.
fn normal_probability(z: f64) -> f64 {
    let tail = 0.5 * gamma_q(0.5, 0.5 * z * z);
    if z < 0.0 { tail } else { 1.0 - tail }
}

/// Density of the standard normal distribution at any finite `z`: its own closed form.
pub fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// Quantile of the standard normal distribution, for 1e-300 < `p` < 1 − 1e-16; beyond it ends at ±40.
///
/// # Method
/// Bisection of its probability.
///
/// # Accuracy
/// 1e-9 against scipy from p = 1e-9 to 0.9999: `tests::quantiles_against_the_table`.
pub fn normal_quantile(p: f64) -> f64 {
    // Only the lower half is inverted: there the probability keeps its digits.
    if p > 0.5 {
        return -normal_quantile(1.0 - p);
    }
    bisect(-40.0, 0.0, |z| normal_probability(z) < p)
}

/// Quantile of Student's distribution with `dof > 0` degrees of freedom (need not be whole), `0 < p < 1`.
///
/// # Method
/// Bisection of the incomplete beta function, [NumericalRecipes] 6.4.
///
/// # Accuracy
/// 1e-8 against scipy from 1 to 1000 degrees of freedom, p = 0.025 to 0.9995: `tests::quantiles_against_the_table`.
pub fn student_quantile(p: f64, dof: f64) -> f64 {
    if p < 0.5 {
        return -student_quantile(1.0 - p, dof);
    }
    // With t² = dof (1 − x)/x, twice the upper tail is I_x(dof/2, 1/2), which falls as t grows.
    let tail = 2.0 * (1.0 - p);
    let x = bisect(0.0, 1.0, |x| beta_probability(x, 0.5 * dof, 0.5) < tail);
    if x <= 0.0 {
        f64::MAX
    } else {
        (dof * (1.0 - x) / x).sqrt()
    }
}

/// Quantile of the chi-square distribution with `dof > 0` degrees of freedom, `0 < p < 1`.
///
/// # Method
/// Bisection of the incomplete gamma function, [NumericalRecipes] 6.2, from above 0 to where the probability is passed.
///
/// # Accuracy
/// 1e-9 against scipy from 1 to 30 degrees of freedom, p = 0.05 to 0.999: `tests::quantiles_against_the_table`.
pub fn chi_square_quantile(p: f64, dof: f64) -> f64 {
    let mut high = dof + 10.0;
    while gamma_q(0.5 * dof, 0.5 * high) > 1.0 - p && high < f64::MAX / 4.0 {
        high *= 2.0;
    }
    bisect(0.0, high, |x| gamma_q(0.5 * dof, 0.5 * x) > 1.0 - p)
}

/// The point between `low` and `high` where `below` turns from true to false.
fn bisect(mut low: f64, mut high: f64, below: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::reference::{close, extra};

    #[test]
    fn quantiles_against_the_table() {
        let table = extra();
        for row in table["normal"].as_array().expect("rows") {
            let [p, expected] = [0, 1].map(|i| row[i].as_f64().expect("a number"));
            close("normal", normal_quantile(p), expected, 1e-9);
        }
        for row in table["student"].as_array().expect("rows") {
            let [p, dof, expected] = [0, 1, 2].map(|i| row[i].as_f64().expect("a number"));
            close("student", student_quantile(p, dof), expected, 1e-8);
        }
        for row in table["chi_square"].as_array().expect("rows") {
            let [p, dof, expected] = [0, 1, 2].map(|i| row[i].as_f64().expect("a number"));
            close("chi-square", chi_square_quantile(p, dof), expected, 1e-9);
        }
    }

    #[test]
    fn the_constant_of_the_median_absolute_deviation() {
        let table = crate::statistics::reference::robust();
        let expected = table["mad_constant"]["one_over_phi_inv_075"]
            .as_f64()
            .expect("a number");
        close("1/Φ⁻¹(0.75)", 1.0 / normal_quantile(0.75), expected, 1e-12);
    }

    #[test]
    fn probability_and_quantile_are_inverse() {
        for i in 1..200 {
            let p = f64::from(i) / 200.0;
            close("Φ(Φ⁻¹(p))", normal_probability(normal_quantile(p)), p, 1e-12);
        }
    }
}
