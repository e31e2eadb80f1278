//! The sizes of chosen bends and steps together, with their intervals.

use crate::statistics::Estimate;
use crate::statistics::cholesky::{self, dot};

/// Two-sided 95 % of the normal distribution.
const Z_95: f64 = 1.96;

/// Least squares on whitened columns, by the Cholesky factor of their products.
pub(super) struct Fit {
    lower: Vec<Vec<f64>>,
    /// The factor's solution of the products with the figures.
    along: Vec<f64>,
}

impl Fit {
    pub(super) fn new(columns: &[&[f64]], y: &[f64]) -> Option<Fit> {
        let lower = cholesky::factor(columns.len(), |i, j| dot(columns[i], columns[j]))?;
        let products: Vec<f64> = columns.iter().map(|column| dot(column, y)).collect();
        let along = cholesky::forward(&lower, &products);
        Some(Fit { lower, along })
    }

    /// Twice the gain in log-likelihood of all together.
    pub(super) fn explained(&self) -> f64 {
        dot(&self.along, &self.along)
    }

    /// A weighted sum of the sizes with its 95 % interval.
    pub(super) fn of(&self, weights: &[f64]) -> Estimate {
        let solved = cholesky::forward(&self.lower, weights);
        let (value, half) = (dot(&solved, &self.along), Z_95 * dot(&solved, &solved).sqrt());
        Estimate {
            value,
            low: value - half,
            high: value + half,
        }
    }

    pub(super) fn sizes(&self) -> Vec<f64> {
        let count = self.along.len();
        let unit = |index: usize| {
            (0..count)
                .map(|other| f64::from(u8::from(other == index)))
                .collect::<Vec<f64>>()
        };
        (0..count).map(|index| self.of(&unit(index)).value).collect()
    }
}

/// The interval with a further standard uncertainty in it ([JCGM100] 5.1.2).
pub(super) fn with_unseen(known: Estimate, standard: f64) -> Estimate {
    Estimate {
        low: known.value - (known.value - known.low).hypot(Z_95 * standard),
        high: known.value + (known.high - known.value).hypot(Z_95 * standard),
        ..known
    }
}

pub(super) fn hull(kept: Estimate, other: Estimate) -> Estimate {
    Estimate {
        low: kept.low.min(other.low),
        high: kept.high.max(other.high),
        ..kept
    }
}
