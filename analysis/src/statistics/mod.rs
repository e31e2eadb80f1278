//! Robust estimates, intervals, change points: pure functions on numbers.
//!
//! - [`interval`]: an estimate with its interval.
//! - [`distribution`]: normal, Student and chi-square quantiles.
//! - [`robust`]: median, quantiles, median absolute deviation, Hodges–Lehmann shifts.
//! - [`trend`]: Theil–Sen and Siegel slopes.
//! - [`autocorrelation`]: lag-one correlation, effective sample size, whitening.
//! - [`least_squares`]: linear and weighted least squares, and with first-order autoregressive errors.
//! - [`nonlinear`]: Levenberg–Marquardt for a few parameters.
//! - [`exponential`]: exponential decay towards a known asymptote.
//! - [`change`]: constant, step, ramp or both: which one a daily series shows, how large, and since when.
//!
//! Knows no sensor, unit or file. Too little data is a [`Refused`], never a number.

pub mod autocorrelation;
pub mod change;
pub(crate) mod cholesky;
pub mod distribution;
pub mod exponential;
pub mod interval;
pub mod least_squares;
pub mod nonlinear;
pub mod robust;
pub mod trend;

mod refused;

#[cfg(test)]
pub(crate) mod reference;

pub use interval::Estimate;
pub use refused::Refused;
