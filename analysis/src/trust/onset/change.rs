//! What may have happened to a daily figure: bends and steps, and the change that they add up to.

use mosswarden_config::zone::MS_PER_24_H;

use crate::statistics::Estimate;

/// What is told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::trust) enum Shape {
    Drift,
    Step,
}

/// One bend or step of the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::trust) struct Part {
    pub shape: Shape,
    /// Start of the first day that shows it, ms.
    pub at_ms: i64,
    /// Per day for a drift.
    pub size: f64,
}

impl Part {
    /// How far it has come, for a size of 1, by the start of the day at `at_ms`.
    pub(super) fn reach(self, at_ms: i64) -> f64 {
        let days = (at_ms - self.at_ms) as f64 / MS_PER_24_H as f64;
        match self.shape {
            Shape::Drift => days.max(0.0),
            Shape::Step => f64::from(u8::from(days >= 0.0)),
        }
    }
}

/// A change that began on a day of the history.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::trust) struct Change {
    pub shape: Shape,
    /// Start of the day of onset, ms, and the range of days that fit about as well.
    pub onset_ms: i64,
    pub onset_low_ms: i64,
    pub onset_high_ms: i64,
    /// Drift: change per day. Step: 0.
    pub per_day: Estimate,
    /// How far it has come by the last day, or had come when it ended.
    pub now: Estimate,
    /// The day on which the figures came back to what was usual, if they did, ms.
    pub ended_ms: Option<i64>,
    /// Natural logarithm of its odds against "nothing happened".
    pub evidence: f64,
    /// The same if the only other one changed the other way instead, by the mean of the two; `None` where that was not weighed.
    pub evidence_of_other: Option<f64>,
    /// All bends and steps of the fit.
    pub parts: Vec<Part>,
}

impl Change {
    /// The same difference as a change of the other one.
    pub(in crate::trust) fn mirrored(&self) -> Change {
        let flipped = |estimate: Estimate| Estimate {
            value: -estimate.value,
            low: -estimate.high,
            high: -estimate.low,
        };
        let mut mirrored = self.clone();
        mirrored.now = flipped(self.now);
        mirrored.per_day = flipped(self.per_day);
        mirrored.parts.iter_mut().for_each(|part| part.size = -part.size);
        mirrored
    }

    /// What the readings are off by at an instant; 0 after the change ended.
    pub(in crate::trust) fn bias_at(&self, at_ms: i64) -> f64 {
        if self.ended_ms.is_some_and(|ended| at_ms >= ended) {
            return 0.0;
        }
        self.parts.iter().map(|part| part.size * part.reach(at_ms)).sum()
    }
}
