//! Before some days away: what to see to first, what falls due meanwhile, what heat and cold would do, who would be told.
//!
//! In: the report of the last days, the fitted thermal models, the journal, the days away and the room's range in them. Out: a page for the keeper and
//! one for whoever looks in. What a model says holds for the place and the weeks that it was learned from, and is given with its range.
//!
//! - [`Away`]: everything that is said, worked out once by [`away`](away()) in `model.rs`; `place.rs`: of one enclosure; `care.rs`: tasks; `warmth.rs`: heat and
//!   cold.
//! - [`sheet`](sheet()) and [`json`](json()): renderers, which compute nothing.

mod care;
mod json;
mod model;
mod place;
mod sheet;
#[cfg(test)]
mod tests;
mod warmth;

pub use json::{JSON_SCHEMA, json};
pub use model::{Answer, Asked, Away, Given, Place, Room, SCHEMA, away};
pub use sheet::{html, sheet};
