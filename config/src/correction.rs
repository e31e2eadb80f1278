//! What a check against a reference says of a sensor: one correction, its line in the corrections file, how it applies.
//!
//! The file is append-only. For one sensor and quantity the correction with the latest `valid_from_ms` holds, and of several with
//! one such instant the one written last; a withdrawal is a line too. The stored reading is never changed.

use serde::{Deserialize, Serialize};

use crate::quantity::Quantity;

/// How a sensor was checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    SideBySide,
    Salt,
    /// What was known before is no longer believed: uncorrected from here on.
    Withdrawn,
}

impl Method {
    /// As it is said to a keeper.
    pub const fn words(self) -> &'static str {
        match self {
            Method::SideBySide => "side-by-side check",
            Method::Salt => "salt check",
            Method::Withdrawn => "withdrawn",
        }
    }
}

/// One correction: `corrected = reading − (bias + gain · (reading − pivot))`, from `valid_from_ms` on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// Instant from which on it applies, ms since 1970-01-01T00:00Z.
    pub valid_from_ms: i64,
    /// Instant at which it was written down.
    pub written_ms: i64,
    pub sensor: String,
    /// A quantity's name.
    pub quantity: String,
    pub method: Method,
    /// What it was checked against, in words.
    pub against: String,
    /// By how much a reading at `pivot` is too high, in the quantity's unit.
    pub bias: f64,
    /// Standard uncertainty of `bias`.
    pub u_bias: f64,
    /// Change of the bias for each unit of the reading; 0 where only one level was checked.
    pub gain: f64,
    /// Standard uncertainty of `gain`, independent of that of `bias`.
    pub u_gain: f64,
    /// The reading to which `bias` belongs.
    pub pivot: f64,
    /// Who did the check.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
}

impl Correction {
    pub fn quantity(&self) -> Option<Quantity> {
        Quantity::from_name(&self.quantity)
    }

    /// By how much `reading` is too high, in its own unit.
    pub fn bias_at(&self, reading: f64) -> f64 {
        self.bias + self.gain * (reading - self.pivot)
    }

    /// Standard uncertainty of [`Correction::bias_at`].
    pub fn standard_uncertainty_at(&self, reading: f64) -> f64 {
        self.u_bias.hypot(self.u_gain * (reading - self.pivot))
    }

    /// Whether the numbers can be used: finite, uncertainties not negative, a known quantity.
    pub fn is_sound(&self) -> bool {
        let numbers = [self.bias, self.u_bias, self.gain, self.u_gain, self.pivot];
        numbers.iter().all(|number| number.is_finite())
            && self.u_bias >= 0.0
            && self.u_gain >= 0.0
            && self.quantity().is_some()
    }
}

/// The correction of `sensor` that holds at an instant; `None` where there is none or it was withdrawn.
///
/// `renewed_ms`: when the sensor was replaced, in any order; what was known of the old one ends there.
pub fn holding<'c>(
    corrections: &'c [Correction],
    sensor: &str,
    quantity: Quantity,
    at_ms: i64,
    renewed_ms: &[i64],
) -> Option<&'c Correction> {
    corrections
        .iter()
        .filter(|c| c.sensor == sensor && c.quantity() == Some(quantity) && c.valid_from_ms <= at_ms)
        // `max_by_key` gives the last of equals, which is the one written last.
        .max_by_key(|c| c.valid_from_ms)
        .filter(|c| c.method != Method::Withdrawn && c.is_sound())
        .filter(|c| {
            !renewed_ms
                .iter()
                .any(|renewed| (c.valid_from_ms + 1..=at_ms).contains(renewed))
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn correction(valid_from_ms: i64, bias: f64, method: Method) -> Correction {
        Correction {
            valid_from_ms,
            written_ms: 0,
            sensor: "low".to_owned(),
            quantity: "humidity".to_owned(),
            method,
            against: "NaCl".to_owned(),
            bias,
            u_bias: 0.6,
            gain: 0.1,
            u_gain: 0.05,
            pivot: 75.0,
            by: None,
        }
    }

    #[test]
    fn bias_and_doubt_grow_away_from_the_pivot() {
        let found = correction(0, 2.0, Method::Salt);
        assert!((found.bias_at(85.0) - 3.0).abs() < 1e-12);
        // √(0.6² + (0.05 · 16)²) = 1, a 3-4-5 triangle.
        assert!((found.standard_uncertainty_at(91.0) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_latest_holds_until_withdrawn_or_the_sensor_is_replaced() {
        let all = [
            correction(200, 2.0, Method::Salt),
            correction(100, 1.0, Method::SideBySide),
            correction(200, 2.5, Method::Salt),
            correction(300, 0.0, Method::Withdrawn),
        ];
        let bias = |at_ms, renewed: &[i64]| {
            holding(&all, "low", Quantity::Humidity, at_ms, renewed).map(|found| found.bias)
        };
        assert_eq!(
            [50, 100, 199, 200, 299, 300].map(|at| bias(at, &[])),
            [None, Some(1.0), Some(1.0), Some(2.5), Some(2.5), None]
        );
        assert_eq!(
            [bias(149, &[150]), bias(150, &[150]), bias(250, &[150])],
            [Some(1.0), None, Some(2.5)]
        );
        assert_eq!(holding(&all, "low", Quantity::Temperature, 250, &[]), None);
    }
}
