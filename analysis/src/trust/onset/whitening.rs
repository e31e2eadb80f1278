//! Days as independent figures: the noise of a history, as a covariance, taken out of it.
//!
//! In: days with their noise and what they follow. Out: columns in which least squares is plain, without what is a nuisance.

use super::{Followed, Noise};
use crate::statistics::cholesky::{self, dot};
use crate::trust::daily::DayFigure;

/// The Cholesky factor of the noise's covariance.
pub(super) struct Whitener {
    lower: Vec<Vec<f64>>,
}

impl Whitener {
    /// `sd` of a day's figure. What figures follow has a proper prior: it enters the covariance instead of being free.
    pub(super) fn new(
        figures: &[DayFigure],
        noise: Noise,
        sd: f64,
        follows: &[Followed],
    ) -> Option<Whitener> {
        let variance = sd.powi(2);
        let walk = noise.walk_per_sqrt_day.powi(2);
        let first = figures.first()?.day;
        let covariance = |i: usize, j: usize| {
            let (a, b) = (figures[i].day, figures[j].day);
            let white = if i == j {
                variance * (1.0 - noise.carried_frac) * 24.0 / figures[i].hour_count.max(1) as f64
            } else {
                0.0
            };
            let carried = variance * noise.carried_frac * noise.carried_phi.powf((a - b).abs());
            let followed: f64 = follows
                .iter()
                .map(|f| f.prior_sd.powi(2) * f.column[i] * f.column[j])
                .sum();
            white + carried + walk * (a.min(b) - first) + followed
        };
        cholesky::factor(figures.len(), covariance).map(|lower| Whitener { lower })
    }

    /// The figures less what they most likely follow.
    pub(super) fn left(&self, figures: &[DayFigure], follows: &[Followed]) -> Vec<DayFigure> {
        let ones = Basis::new(self, &[vec![1.0; figures.len()]]);
        let white = ones.whitened(&figures.iter().map(|f| f.difference).collect::<Vec<_>>());
        let solved = cholesky::backward(&self.lower, &white);
        let mut left = figures.to_vec();
        for followed in follows {
            let slope = followed.prior_sd.powi(2) * dot(&followed.column, &solved);
            for (figure, value) in left.iter_mut().zip(&followed.column) {
                figure.difference -= slope * value;
            }
        }
        left
    }

    /// Natural logarithm of the square root of the covariance's determinant.
    pub(super) fn log_size(&self) -> f64 {
        self.lower.iter().enumerate().map(|(i, row)| row[i].ln()).sum()
    }

    pub(super) fn solve(&self, column: &[f64]) -> Vec<f64> {
        cholesky::forward(&self.lower, column)
    }
}

/// Whitened space with the nuisance columns projected out.
pub(super) struct Basis<'w> {
    whitener: &'w Whitener,
    /// Orthonormal.
    directions: Vec<Vec<f64>>,
    log_size: f64,
}

impl<'w> Basis<'w> {
    pub(super) fn new(whitener: &'w Whitener, nuisance: &[Vec<f64>]) -> Basis<'w> {
        let mut basis = Basis {
            whitener,
            directions: Vec::new(),
            log_size: 0.0,
        };
        for column in nuisance {
            let mut white = basis.whitened(column);
            let size = dot(&white, &white).sqrt();
            if size > 1e-9 {
                white.iter_mut().for_each(|value| *value /= size);
                basis.directions.push(white);
                basis.log_size += size.ln();
            }
        }
        basis
    }

    /// Natural logarithm of the square root of the determinant of the nuisance's information.
    pub(super) fn log_size(&self) -> f64 {
        self.log_size
    }

    pub(super) fn whitened(&self, column: &[f64]) -> Vec<f64> {
        without(&self.whitener.solve(column), &self.directions)
    }
}

/// A column less its parts along orthonormal directions.
pub(super) fn without(column: &[f64], directions: &[Vec<f64>]) -> Vec<f64> {
    let mut left = column.to_vec();
    for direction in directions {
        let along = dot(&left, direction);
        left.iter_mut()
            .zip(direction)
            .for_each(|(value, d)| *value -= along * d);
    }
    left
}
