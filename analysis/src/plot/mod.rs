//! Every figure once, for report, audit and page: plotters draws it as SVG, words and a table stand beside it.
//!
//! - [`week_strip`]: days side by side; a long span as bands.
//! - [`trust_line`]: a sensor's difference from what it should read.
//! - [`misting_plot`]: what mistings did, against what is usual.
//! - [`day_hours()`]: a day by the hour, held against shown; [`deficit_days()`]: what the air could still take up; [`effects()`]: what a
//!   change did.
//! - [`weight_plot`]: an animal's weights.
//! - [`palette`]: the colours, on paper and on a dark screen.
//! - [`Display`]: metric values in the site's units.
//!
//! Knows series and limits, no findings. Draws nothing across a gap.

mod bands;
mod calendar;
mod canvas;
mod day_hours;
mod deficit_days;
mod effects;
mod misting;
pub mod palette;
mod panel;
mod picture;
mod strip;
mod strip_words;
mod thin;
mod trust_line;
mod units;
mod weights;

pub use day_hours::{DayHours, HourLine, day_hours};
pub use deficit_days::{DeficitDay, deficit_days};
pub use effects::{EffectRow, effects};
pub use misting::{Bars, Brought, MistingGroup, MistingPlot, misting_plot};
pub use palette::page_css;
pub use picture::{Cell, Picture, Slice, Table, escape, figure_css};
pub use strip::{Bar, Line, Mark, Strip, Stroke, week_strip};
pub use trust_line::{TrustLine, trust_line};
pub use units::{Display, both_scales, number};
pub use weights::{WeightPlot, weight_plot};
