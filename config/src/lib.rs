//! The words and shapes that collector, analysis and face agree on.
//!
//! - [`quantity`]: what can be measured, units, conversions.
//! - [`zone`]: the only calendar: local days, nights, weeks.
//! - [`sun`]: when the sun rises and sets.
//! - [`species`]: what each species needs, with sources.
//! - [`site`]: the site file, checked.
//! - [`care`]: tasks that come back.
//! - [`journal`]: what a keeper saw and did.
//! - [`correction`]: what a check against a reference says of a sensor.
//! - [`plain`]: what the system says, in plain words.
//! - [`table`]: the archive's record, columns, folders.
#![forbid(unsafe_code)]

pub mod care;
pub mod correction;
pub mod journal;
pub mod plain;
pub mod quantity;
pub mod site;
pub mod species;
pub mod sun;
pub mod table;
pub mod zone;
