//! Files to findings: no network, no clock, writes nothing.
//!
//! `load → trust → conditions → findings → report`: each room uses those before it only.
//!
//! - [`load`]: the archive's files to one [`series::Series`] a sensor and quantity.
//! - [`trusted`]: what the trust room hands on.
//! - [`advise`]: misting times that would hold the band, by a fitted moisture model.
//! - [`assess`]: the whole judgement in one call.
//! - [`by_part`]: the same, a few enclosures at a time.
//! - [`trust`]: which sensor can be trusted, and how far.
//! - [`calibrate`]: a sensor checked beside another or over a salt: offset and gain with their doubt, or a refusal.
//! - [`conditions`]: what the animals lived through: heat, nights, moisture, misting, light.
//! - [`compare`]: before and after a change, with an interval on each measure.
//! - [`care`]: tasks that come back, and what is overdue.
//! - [`changes`]: what changed since yesterday.
//! - [`unwell`]: animals that look unwell, and until when that stands open.
//! - [`weights`]: an animal's weights and their honest trend.
//! - [`findings`]: what is said to the keeper.
//! - [`plot`]: every figure once, as SVG with its words and its table.
//! - [`markup`]: parts of a page that report and audit share.
//! - [`sheet`]: a document as blocks, and its forms for e-mail and paper.
//! - [`report`]: the weekly report: a model, and renderers that compute nothing.
//! - [`audit`]: what one enclosure's animals lived through before a moment, for a veterinarian.
//! - [`handover`]: what the next keeper of an enclosure must know.
//! - [`away`]: what stands before some days away.
//! - [`physics`]: humidity and heat; pure.
//! - [`statistics`]: robust estimates, intervals, change points; pure; knows no sensor.
//! - [`words`]: how instants, durations and values are said.
//! - [`simulate`]: a seeded simulation of enclosures with its truth; shares no estimator with the rest.
#![forbid(unsafe_code)]

pub mod advise;
pub mod assess;
pub mod audit;
pub mod away;
pub mod by_part;
pub mod calibrate;
pub mod care;
pub mod changes;
pub mod compare;
pub mod conditions;
pub mod findings;
mod halves;
pub mod handover;
pub mod load;
pub mod markup;
pub mod physics;
pub mod plot;
pub mod report;
pub mod series;
pub mod sheet;
pub mod simulate;
pub mod statistics;
mod threads;
pub mod trust;
pub mod trusted;
pub mod unwell;
pub mod weights;
pub mod words;
