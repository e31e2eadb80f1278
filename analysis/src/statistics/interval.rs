//! An estimate with its interval, and the interval of a proportion.

use super::distribution::beta_quantile;
use super::refused::{CONFIDENCE_RANGE, Refused, check_range};

/// A value with the ends of its interval, all in one unit. `low ≤ high`; the value usually lies between them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

impl Estimate {
    /// A symmetric interval `value ± half_width`.
    pub fn symmetric(value: f64, half_width: f64) -> Estimate {
        Estimate {
            value,
            low: value - half_width,
            high: value + half_width,
        }
    }

    /// Whether the interval holds `value`, ends included.
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// Whether the interval lies wholly on one side of zero.
    pub fn excludes_zero(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }

    /// The same with every number multiplied by `factor`; a negative factor swaps the ends.
    pub fn scaled(&self, factor: f64) -> Estimate {
        let (a, b) = (self.low * factor, self.high * factor);
        Estimate {
            value: self.value * factor,
            low: a.min(b),
            high: a.max(b),
        }
    }
}

/// The share of successes with its Clopper–Pearson interval, as fractions 0–1.
///
/// # Arguments
/// - `success_count ≤ trial_count`, `trial_count > 0`; `confidence` such as 0.95.
///
/// # Errors
/// [`Refused`] when there is no trial, more successes than trials, or an impossible confidence.
///
/// # Method
/// Quantiles of the beta distribution, [ClopperPearson1934]: never covers less than `confidence`, usually more.
/// Assumes independent trials.
///
/// # Accuracy
/// 1e-9 against scipy: `tests::against_the_table`.
pub fn proportion(success_count: usize, trial_count: usize, confidence: f64) -> Result<Estimate, Refused> {
    const METHOD: &str = "Clopper–Pearson interval";
    if trial_count == 0 {
        return Err(Refused::TooFew {
            method: METHOD,
            needed: 1,
            count: 0,
        });
    }
    let (k, n) = (success_count as f64, trial_count as f64);
    check_range(METHOD, "successes", k, (0.0, n))?;
    check_range(METHOD, "confidence", confidence, CONFIDENCE_RANGE)?;
    let tail = 0.5 * (1.0 - confidence);
    Ok(Estimate {
        value: k / n,
        low: if success_count == 0 {
            0.0
        } else {
            beta_quantile(tail, k, n - k + 1.0)
        },
        high: if success_count == trial_count {
            1.0
        } else {
            beta_quantile(1.0 - tail, k + 1.0, n - k)
        },
    })
}

/// The highest rate of an event, per trial, that stays plausible after `trial_count` trials without one: `1 − (1 − c)^(1/n)`, one-sided.
/// About `3/n` at 95 %. `None` without trials.
pub fn rate_bound_without_event_frac(trial_count: usize, confidence: f64) -> Option<f64> {
    (trial_count > 0).then(|| 1.0 - (1.0 - confidence).powf(1.0 / trial_count as f64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::reference::{close, extra};

    #[test]
    fn against_the_table() {
        for row in extra()["clopper_pearson"].as_array().expect("rows") {
            let [k, n, confidence, low, high] = [0, 1, 2, 3, 4].map(|i| row[i].as_f64().expect("a number"));
            let estimate = proportion(k as usize, n as usize, confidence).expect("there are trials");
            close("low", estimate.low, low, 1e-9);
            close("high", estimate.high, high, 1e-9);
        }
    }

    #[test]
    fn no_event_in_four_weeks_says_only_less_than_one_in_nine_or_ten_days() {
        // Worked in the reference notes by the rule of three: 28 days without an event bound the rate below about 1 in 9.3 days.
        let bound = rate_bound_without_event_frac(28, 0.95).expect("there are days");
        assert!((9.3..10.0).contains(&(1.0 / bound)), "{bound}");
        assert_eq!(rate_bound_without_event_frac(0, 0.95), None);
    }

    #[test]
    fn impossible_counts_are_refused() {
        assert!(proportion(0, 0, 0.95).is_err());
        assert!(proportion(3, 2, 0.95).is_err());
        assert!(proportion(1, 2, 95.0).is_err());
    }
}
