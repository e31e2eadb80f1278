//! The audit: what one enclosure's animals lived through before a moment, usually before an animal looked unwell.
//!
//! For a veterinarian: one page on top, the evidence below it, raw readings and digests beside it. It gives no diagnosis and
//! never says that conditions caused an illness or ruled one out. Nothing later than its end is used.
//!
//! - [`gather`](gather()): reads the archive in parts, so that a long span needs little memory.
//! - [`Audit`]: everything that is said, worked out once; [`html`](html()), [`json`](json()) and [`sheet`](sheet()), from which
//!   text and PDF come, compute nothing.
//! - [`inputs`](inputs()): which files it rests on, with their digests.
//!
//! Inside: `excursions`, `timeline` (what changed), `compare` (own months, the room's other enclosures), `devices`,
//! `sensors`, `strips`, `cautions`, `words`.

mod cautions;
pub(crate) mod compare;
pub(crate) mod devices;
mod excursions;
pub(crate) mod gather;
mod html;
mod inputs;
mod json;
pub(crate) mod model;
pub(crate) mod sensors;
mod sheet;
pub(crate) mod strips;
#[cfg(test)]
mod tests;
pub(crate) mod timeline;
pub(crate) mod words;

pub use gather::{Asked, Beside, Gathered, gather};
pub use html::html;
pub use inputs::{FileDigest, Inputs, JournalDigest, digest, inputs};
pub use json::{JSON_SCHEMA, json};
pub(crate) use json::{event as event_json, strip as strip_json};
pub use model::{Audit, SCHEMA, StripPart, audit};
pub use sheet::sheet;
pub(crate) use sheet::{events as event_lines, strip_part as strip_block};
pub use timeline::Event;
