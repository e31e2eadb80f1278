//! An estimate with its interval.

/// A value with the ends of its interval, all in one unit. `low ≤ high`; the value usually lies between them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

impl Estimate {
    /// A symmetric interval `value ± half_width`.
    pub fn symmetric(value: f64, half_width: f64) -> Estimate {
        Estimate {
            value,
            low: value - half_width,
            high: value + half_width,
        }
    }

    /// Whether the interval holds `value`, ends included.
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// Whether the interval lies wholly on one side of zero.
    pub fn excludes_zero(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }

    /// The same with every number multiplied by `factor`; a negative factor swaps the ends.
    pub fn scaled(&self, factor: f64) -> Estimate {
        let (a, b) = (self.low * factor, self.high * factor);
        Estimate {
            value: self.value * factor,
            low: a.min(b),
            high: a.max(b),
        }
    }
}
