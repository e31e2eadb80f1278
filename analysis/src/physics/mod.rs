//! Water vapour and heat: pure functions.
//!
//! - [`humidity`]: one saturation formula over liquid water with its own inverse, and what follows from it.
//! - [`uncertainty`]: how far a vapour pressure, a carried humidity or the difference of two sensors can be trusted.
//! - [`salt`]: the humidity over saturated salts, for checking a sensor in a jar.
//! - [`balance`]: the moisture balance of an enclosure, step by step.
//! - [`heat`]: first-order closed forms for warming, cooling and what a gap may hide.
//!
//! Knows nothing of sensors, time zones or files, and imports nothing above it.

pub mod balance;
pub mod heat;
pub mod humidity;
pub mod salt;
pub mod uncertainty;

#[cfg(test)]
pub(crate) mod reference_table;
