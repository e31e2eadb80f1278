//! What the trust room hands on to the judgement of conditions: readings that can be used, with their doubt beside them.

use std::collections::BTreeMap;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::Span;

use crate::series::Series;

/// One sensor's readings of one quantity after the checks: doubtful stretches are taken out, a known drift is corrected.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Usable {
    pub series: Series,
    /// Half-width of the 95 % interval of one reading, in the quantity's unit: maker's limits and, where corrected, the
    /// correction's own doubt.
    pub half_width: f64,
    /// Stretches that were taken out, each with the reason in words.
    pub left_out: Vec<(Span, String)>,
    /// What was subtracted at the end of the record, in the quantity's unit; 0 where nothing is known to be wrong.
    pub corrected_by: f64,
}

/// Usable readings by sensor and quantity.
#[derive(Debug, Clone, Default)]
pub struct Trusted {
    by_sensor: BTreeMap<(String, Quantity), Usable>,
}

impl Trusted {
    pub fn insert(&mut self, sensor: &str, quantity: Quantity, usable: Usable) {
        self.by_sensor.insert((sensor.to_owned(), quantity), usable);
    }

    /// Takes in what is usable of other sensors.
    pub fn extend(&mut self, other: Trusted) {
        self.by_sensor.extend(other.by_sensor);
    }

    /// Lets go of readings before an instant.
    pub fn let_go_before(&mut self, from_ms: i64) {
        for usable in self.by_sensor.values_mut() {
            usable.series = usable.series.since(from_ms);
        }
    }

    pub fn get(&self, sensor: &str, quantity: Quantity) -> Option<&Usable> {
        self.by_sensor.get(&(sensor.to_owned(), quantity))
    }
}
