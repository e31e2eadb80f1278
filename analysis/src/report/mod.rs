//! The weekly report: which enclosures need the keeper, which are well, which are not known, and the evidence.
//!
//! - [`model`]: everything that is said, worked out once.
//! - [`html`](html()), [`json`](json()), and [`sheet`](sheet()), from which text and PDF come: renderers, which compute nothing.
//!
//! Inside: `need` (order and verdicts), `chosen` (which sensor speaks for an enclosure), `enclosure`, `inside` (share in the wanted range), `nights`,
//! `warm_and_cool`, `moisture`, `misting`, `week_before`, `limits`, `room` (one part each), `cautions`.

pub(crate) mod cautions;
pub(crate) mod chosen;
pub(crate) mod enclosure;
mod html;
mod inside;
mod json;
pub(crate) mod limits;
mod misting;
pub mod model;
mod moisture;
pub(crate) mod need;
mod nights;
mod room;
#[cfg(test)]
pub(crate) mod sample;
mod sheet;
#[cfg(test)]
mod tests;
mod warm_and_cool;
mod week_before;

pub use crate::markup::Note;
pub use enclosure::{EnclosureSection, JournalLine};
pub use html::html;
pub(crate) use json::need as need_json;
pub use json::{JSON_SCHEMA, json};
pub use misting::MistingPart;
pub use model::{WeeklyReport, weekly};
pub use moisture::{deficit_by_day, humidistat_day};
pub use need::{Need, Verdict};
pub use room::RoomSection;
pub(crate) use sheet::need as need_blocks;
pub use sheet::sheet;
pub use week_before::{Comparison, YearBefore};
