//! A physical simulation of enclosures with known faults and its truth.
//!
//! In: a seed and a scenario. Out: a site file, readings as the archive would hold them, messages as devices would send
//! them, a journal, and the truth beside it. No clock, no network, no files; the same seed gives the same bytes.
//! It calls no estimator and no physics of the rest of this crate, so that judge and judged share no error.
//!
//! - [`vapour`]: saturation by the WMO's Magnus form, of its own;
//! - [`stream`]: seeded random streams, one for each name;
//! - [`calendar`]: local days and light hours, right across clock changes;
//! - [`room`]: the room's air: season, day, warm spells, heating season;
//! - [`enclosure`]: thermal nodes and the moisture balance of one enclosure;
//! - [`device`], [`sensor`]: what acts and what measures, as specified;
//! - [`probe`]: how a sensor follows the air and what it says;
//! - [`fault`]: faults and confounders;
//! - [`run`]: a site's run; [`keeping`]: one enclosure through time, with [`disturbance`] and [`misting`]; [`tally`]: what adds up;
//! - [`truth`]: what was really so; [`output`]: readings, CSV; [`messages`]: MQTT payloads; [`site_file`]: the site file;
//! - [`scenario`], [`holdout`], [`mistings`], [`planted`]: ready sites; [`sample_day`]: one day of one.
//!
//! Values of constants are common practice without a source unless one is named.

pub mod calendar;
pub mod device;
mod disturbance;
pub mod enclosure;
pub mod fault;
pub mod holdout;
mod keeping;
pub mod messages;
mod misting;
pub mod mistings;
pub mod output;
pub mod planted;
mod probe;
pub mod room;
pub mod run;
mod sample_day;
pub mod scenario;
pub mod sensor;
mod site_file;
pub mod stream;
mod tally;
pub mod truth;
pub mod vapour;

pub use fault::{Change, Effect, EventSpec, FaultSpec};
pub use messages::{Message, messages, messages_jsonl};
pub use output::{JournalRow, Simulation};
pub use run::{SiteSpec, run};
pub use sample_day::sample_day;
pub use truth::Truth;

#[cfg(test)]
mod checks;
