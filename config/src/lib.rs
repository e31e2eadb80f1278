//! The words and shapes that collector, analysis and face agree on.
//!
//! - [`quantity`]: what can be measured, units, conversions.
//! - [`table`]: the archive's record, columns, folders.
#![forbid(unsafe_code)]

pub mod quantity;
pub mod table;
