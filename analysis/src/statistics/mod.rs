//! Robust estimates, intervals, change points: pure functions on numbers.
//!
//! - [`interval`]: an estimate with its interval; the interval of a proportion.
//! - [`distribution`]: normal, Student and chi-square quantiles.
//! - [`robust`]: median, quantiles, median absolute deviation, Hodges–Lehmann shifts.
//! - [`trend`]: Theil–Sen and Siegel slopes, Mann–Kendall with and without autocorrelation.
//! - [`autocorrelation`]: lag-one correlation, effective sample size, Newey–West standard errors.
//! - [`least_squares`]: linear and weighted least squares, and with first-order autoregressive errors.
//! - [`nonlinear`]: Levenberg–Marquardt for a few parameters.
//! - [`exponential`]: exponential decay towards a known asymptote.
//! - [`cusum`]: the two-sided cumulative-sum chart and its average run length.
//! - [`change`]: constant, step, ramp or both: which one a daily series shows, how large, and since when.
//!
//! Knows no sensor, unit or file. Too little data is a [`Refused`], never a number.

pub mod autocorrelation;
pub mod change;
pub(crate) mod cholesky;
pub mod cusum;
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
