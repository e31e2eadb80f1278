//! Files to findings: no network, no clock, writes nothing.
//!
//! - [`physics`]: humidity and heat; pure.
//! - [`statistics`]: robust estimates, intervals, change points; pure; knows no sensor.
//! - [`simulate`]: a seeded simulation of enclosures with its truth; shares no estimator with the rest.
#![forbid(unsafe_code)]

pub mod physics;
pub mod simulate;
pub mod statistics;
