//! Which sensor can be trusted, and how far: words with figures for each, and usable readings for everything that follows.

mod alone;
mod assess;
mod battery;
mod clock;
mod clocks;
mod corrections;
mod cross;
mod daily;
mod exchanged;
mod grid;
mod jar;
mod jump;
#[cfg(test)]
mod kit;
mod leap;
mod nature;
mod onset;
pub(crate) mod outage;
mod pattern;
pub mod quality;
mod remarks;
mod say;
mod scene;
mod signal;
mod slow;
mod standing;
mod suspicion;
mod swing;
mod thermostat;
mod witness;

pub use assess::assess;
pub(crate) use scene::NEAR_CHECK_MS;

use mosswarden_config::quantity::Quantity;

use crate::findings::Verdicts;
use crate::trusted::Trusted;

/// How a sensor stands at the end of the span.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    Believed,
    Doubtful,
    NotBelieved,
    /// Too little to say.
    NotKnown,
}

/// One day's difference between a sensor and what it should read, in the quantity's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DailyDifference {
    /// Start of the local day.
    pub at_ms: i64,
    pub difference: f64,
    /// Half-width of its 95 % interval.
    pub half_width: f64,
}

/// What can be said of one sensor and quantity.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorTrust {
    /// An enclosure's id, or `room`.
    pub enclosure: String,
    pub sensor: String,
    pub quantity: Quantity,
    pub standing: Standing,
    /// Such as "believed within ±2.1 %RH" or "doubtful: reads 4 to 6 %RH high since about 12 March".
    pub words: String,
    /// What it was compared with, where anything.
    pub compared_with: Option<String>,
    /// Half-width of the 95 % interval of one reading.
    pub half_width: Option<f64>,
    /// Differences by day over the history, after what was always there is taken off; empty where nothing could be compared.
    pub differences: Vec<DailyDifference>,
    /// How its probe sits, where something is to be said of that; in `words` as well where the sensor is believed or doubtful.
    pub remarks: Vec<Remark>,
}

/// How a probe sits, by its own signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sits {
    /// Water stood on it.
    Wet,
    /// It answers more slowly than it used to.
    Slow,
    /// A lamp shines on it.
    Lit,
}

/// What is to be said of how a probe sits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    pub sits: Sits,
    pub words: String,
}

/// Everything that the trust room says.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    pub verdicts: Verdicts,
    pub sensors: Vec<SensorTrust>,
    pub trusted: Trusted,
}
