//! Every test on one series of the archive, with our thresholds and with the mister's work in mind.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::{Attenuated, Ends, Flag, Flat, Limits, Movement, Spike};
use crate::series::Series;

/// The tests, in the manual's order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Test {
    Gap,
    GrossRange,
    Climatology,
    Spike,
    RateOfChange,
    FlatLine,
    Attenuated,
}

impl Test {
    pub const ALL: [Test; 7] = [
        Test::Gap,
        Test::GrossRange,
        Test::Climatology,
        Test::Spike,
        Test::RateOfChange,
        Test::FlatLine,
        Test::Attenuated,
    ];
}

impl Test {
    pub const fn name(self) -> &'static str {
        match self {
            Test::Gap => "gap",
            Test::GrossRange => "range",
            Test::Climatology => "usual-range",
            Test::Spike => "spike",
            Test::RateOfChange => "rate",
            Test::FlatLine => "flat-line",
            Test::Attenuated => "attenuated",
        }
    }
}

/// What every test says of one reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Quality {
    by_test: [Flag; Test::ALL.len()],
}

impl Quality {
    /// All tests in one. A gap says nothing bad of the reading that ends it: it counts as suspect at most.
    pub fn flag(&self) -> Flag {
        Flag::aggregate(Test::ALL.map(|test| match (test, self.of(test)) {
            (Test::Gap, Flag::Fail) => Flag::Suspect,
            (_, flag) => flag,
        }))
    }

    pub fn of(&self, test: Test) -> Flag {
        self.by_test[test as usize]
    }

    /// The tests that found something: suspect or worse.
    pub fn raised(&self) -> impl Iterator<Item = Test> + '_ {
        Test::ALL
            .into_iter()
            .filter(|test| matches!(self.of(*test), Flag::Suspect | Flag::Fail))
    }

    /// The tests that could not be run: one that passed must not hide them.
    pub fn not_evaluated(&self) -> impl Iterator<Item = Test> + '_ {
        Test::ALL
            .into_iter()
            .filter(|test| self.of(*test) == Flag::NotEvaluated)
    }
}

/// Our thresholds for one quantity. Own choice; `MEASURES.md` states them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thresholds {
    pub range_fail: Ends,
    pub range_suspect: Ends,
    pub spike: Limits,
    /// Per second.
    pub rate: Limits,
    /// Half of a step of the resolution.
    pub flat_tolerance: f64,
    /// Range over 24 h.
    pub attenuated: Limits,
}

/// Readings slightly above 100 %RH are suspect at most, and are stored as they came.
const HUMIDITY: Thresholds = Thresholds {
    range_fail: (0.0, 100.5),
    range_suspect: (10.0, 100.0),
    spike: Limits::new(8.0, 20.0),
    rate: Limits::new(0.1, 0.5),
    flat_tolerance: 0.05,
    attenuated: Limits::new(2.0, 0.5),
};
const TEMPERATURE: Thresholds = Thresholds {
    range_fail: (-10.0, 60.0),
    range_suspect: (5.0, 40.0),
    spike: Limits::new(2.0, 5.0),
    rate: Limits::new(0.02, 0.05),
    flat_tolerance: 0.05,
    attenuated: Limits::new(0.3, 0.1),
};

const FLAT_SUSPECT_MS: i64 = 3 * MS_PER_HOUR;
const FLAT_FAIL_MS: i64 = 12 * MS_PER_HOUR;
/// In usual intervals.
const GAP_SUSPECT: f64 = 3.0;
const GAP_FAIL: f64 = 12.0;
/// A window of 24 h that reaches back less than this is not evaluated.
const ATTENUATED_COVERED_MS_MIN: i64 = 20 * MS_PER_HOUR;
const ATTENUATED_COUNT_MIN: usize = 24;
/// Spike and rate are suspended from this long before a misting …
const BEFORE_MIST_MS: i64 = 60_000;
/// … to this long after: the air is not mixed sooner (common practice, no source).
const AFTER_MIST_MS: i64 = MS_PER_HOUR;
/// From here on a humidity sensor may rightly stand still: wet air, %RH.
const SATURATED_PCT: f64 = 98.5;

impl Thresholds {
    /// `None` for a quantity that is not judged.
    pub const fn of(quantity: Quantity) -> Option<Thresholds> {
        match quantity {
            Quantity::Humidity => Some(HUMIDITY),
            Quantity::Temperature => Some(TEMPERATURE),
            _ => None,
        }
    }
}

/// What every test says of every reading of one series; the values stay as they are.
///
/// # Arguments
/// - `usual`: what is usual at an instant for the species or the room, where anything was said.
/// - `mistings`: when a mister or fogger worked; spike and rate are not evaluated from a minute before to an hour after.
/// - readings marked [`Mark::Impossible`] at the door fail the range test whatever the thresholds say.
pub fn of_series(
    series: &Series,
    quantity: Quantity,
    thresholds: &Thresholds,
    usual: impl Fn(i64) -> Option<Ends>,
    mistings: &[Span],
) -> Vec<Quality> {
    let at_ms = &series.at_ms;
    let values: Vec<Option<f64>> = series.value.iter().map(|v| v.is_finite().then_some(*v)).collect();
    let usual_ms = series.usual_interval_ms();
    let gap_ms = series.gap_ms();
    let unknown = || vec![Flag::NotEvaluated; values.len()];
    let gap = usual_ms.map_or_else(unknown, |usual| {
        super::gap(
            at_ms,
            Limits::new(GAP_SUSPECT * usual as f64, GAP_FAIL * usual as f64),
        )
    });
    let range = super::gross_range(&values, thresholds.range_fail, Some(thresholds.range_suspect));
    let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
    let climatology = |index: usize| {
        usual(at_ms[index]).map_or(Flag::NotEvaluated, |usual| {
            super::gross_range(&values[index..=index], everywhere, Some(usual))[0]
        })
    };
    let spike = super::spike(&values, Spike::Differential, thresholds.spike);
    let rate = super::rate_of_change(at_ms, &values, thresholds.rate, gap_ms);
    let flat = super::flat_line(
        at_ms,
        &values,
        Flat {
            suspect_ms: FLAT_SUSPECT_MS,
            fail_ms: FLAT_FAIL_MS,
            tolerance: thresholds.flat_tolerance,
            gap_ms,
        },
    );
    let attenuated = super::attenuated(
        at_ms,
        &values,
        Attenuated {
            movement: Movement::Range,
            limits: thresholds.attenuated,
            period_ms: Some(MS_PER_24_H),
            count_min: ATTENUATED_COUNT_MIN,
            covered_ms_min: ATTENUATED_COVERED_MS_MIN,
        },
    );
    let misted = |at: i64| {
        mistings
            .iter()
            .any(|span| span.from_ms - BEFORE_MIST_MS <= at && at < span.until_ms + AFTER_MIST_MS)
    };
    (0..values.len())
        .map(|index| {
            let mut by_test = [
                gap[index],
                range[index],
                climatology(index),
                spike[index],
                rate[index],
                flat[index],
                attenuated[index],
            ];
            let mut suspend = |test: Test| {
                if by_test[test as usize] != Flag::Missing {
                    by_test[test as usize] = Flag::NotEvaluated;
                }
            };
            if misted(at_ms[index]) {
                suspend(Test::Spike);
                suspend(Test::RateOfChange);
            }
            if quantity == Quantity::Humidity && values[index].is_some_and(|v| v >= SATURATED_PCT) {
                suspend(Test::FlatLine);
                suspend(Test::Attenuated);
            }
            // A neighbour beyond a gap is no neighbour.
            let far = |a: usize, b: usize| at_ms[b] - at_ms[a] > gap_ms;
            if index > 0 && index + 1 < values.len() && (far(index - 1, index) || far(index, index + 1)) {
                suspend(Test::Spike);
            }
            if series.mark[index] == Mark::Impossible {
                by_test[Test::GrossRange as usize] = Flag::Fail;
            }
            Quality { by_test }
        })
        .collect()
}
