//! The hand-over: what the next keeper of an enclosure must know.
//!
//! What it truly ran at, month by month; what its devices are set to and what came of it; sensors and equipment with their
//! quirks; what is open; what the animals need and where that comes from. What was never measured is said.
//!
//! - [`HandOver`]: everything that is said, worked out once by [`handover`](handover()) from what an audit gathers.
//! - [`json`](json()), and [`sheet`](sheet()), from which HTML, text and PDF come: renderers, which compute nothing.

mod json;
mod kit;
mod model;
mod needs;
mod setpoints;
mod sheet;
#[cfg(test)]
mod tests;

pub use json::{JSON_SCHEMA, json};
pub use model::{HandOver, OPEN_DAYS, PAST_DAYS, SCHEMA, handover};
pub use sheet::{html, sheet};
