//! Water vapour and heat: pure functions.
//!
//! - [`humidity`]: one saturation formula over liquid water with its own inverse, and what follows from it.
//! - [`uncertainty`]: what the limits of a data sheet are worth.
//! - [`salt`]: the humidity over saturated salts, for checking a sensor in a jar.
//! - [`balance`]: the moisture balance of an enclosure, step by step.
//! - [`heat`]: what a gap in a record may hide, by a first-order closed form.
//!
//! Knows nothing of sensors, time zones or files, and imports nothing above it.

pub mod balance;
pub mod heat;
pub mod humidity;
pub mod salt;
pub mod uncertainty;

#[cfg(test)]
pub(crate) mod reference_table;
