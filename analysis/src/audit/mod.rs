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
//! Inside: `measure` (days and nights apart), `excursions`, `timeline` (what changed), `compare` (own months, the room's other
//! enclosures), `devices`, `sensors`, `strips`, `cautions`, `words`.

mod cautions;
mod compare;
mod devices;
mod excursions;
mod gather;
mod html;
mod inputs;
mod json;
mod measure;
mod model;
mod sensors;
mod sheet;
mod strips;
#[cfg(test)]
mod tests;
mod timeline;
mod words;

pub use gather::{Asked, Beside, Gathered, gather};
pub use html::html;
pub use inputs::{FileDigest, Inputs, JournalDigest, digest, inputs};
pub use json::json;
pub use model::{Audit, SCHEMA, StripPart, audit};
pub use sheet::sheet;
pub use timeline::Event;
