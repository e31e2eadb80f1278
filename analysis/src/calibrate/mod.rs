//! A sensor checked against another in one tub, or over a saturated salt in a jar: offset and gain with their doubt, or a refusal.
//!
//! In: readings of the test's hours. Out: what to take off later readings, with a budget of the doubt in words, or why nothing is
//! given. Stores nothing and applies nothing. What would mislead is refused: a wandering temperature, a sensor that has not
//! settled, too short a test, one dry point for a wet enclosure.
//! Sources: [JCGM100] Eq. 10 and G.4.1 for the budget, [Greenspan1977] through `physics::salt`.

mod guide;
mod run;
mod salt;
mod side_by_side;
#[cfg(test)]
mod tests;
mod words;

pub use guide::guide;
pub use run::Probe;
pub use salt::{SaltPoint, one_point, point, two_points};
pub use side_by_side::{Against, Compared, compare};
pub use words::{compared_lines, fit_lines, salt_lines};

use mosswarden_config::correction::{Correction, Method};
use mosswarden_config::quantity::Quantity;

use crate::physics::salt::OutOfRange;
use crate::statistics::Estimate;
use crate::statistics::Refused;
use crate::statistics::distribution::student_quantile;

/// Why a check gives no result.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    #[error("the test has {hours:.1} h; it needs {needed:.0}, because a sensor and its case settle slowly")]
    TooShort { hours: f64, needed: f64 },
    #[error(
        "{sensor} has only {hours:.1} h of readings of humidity and temperature together in that time; {needed:.0} are needed"
    )]
    TooFew { sensor: String, hours: f64, needed: f64 },
    #[error(
        "the temperature wandered: only {hours:.1} h were steadier than {limit_k_per_h} K an hour, {needed:.0} are needed; \
         put it where no sun, lamp or heater reaches and test again"
    )]
    Wandering {
        hours: f64,
        needed: f64,
        limit_k_per_h: f64,
    },
    #[error(
        "{sensor} has not settled: it was still moving, by {change_pct:.1} %RH over the part that is judged; leave it longer, closed"
    )]
    NotSettled { sensor: String, change_pct: f64 },
    #[error(
        "{sensor} stood at the top of its scale, where its error can't be seen; let it air in a dry room for a day, then test again"
    )]
    TopOfScale { sensor: String },
    #[error(
        "{sensor} reads {bias_pct:+.1} %RH wrong; a sensor that far off is not corrected but replaced, or aired for a day and tested again"
    )]
    TooFarOff { sensor: String, bias_pct: f64 },
    #[error(
        "a check at {level_pct:.0} %RH says little of {sensor}, which works at about {working_pct:.0} %RH: contamination shows at \
         the wet end; check it at a wetter point, or at two"
    )]
    TooDry {
        sensor: String,
        level_pct: f64,
        working_pct: f64,
    },
    #[error("the two points lie {apart_pct:.0} %RH apart; a gain needs {needed_pct:.0}")]
    TooClose { apart_pct: f64, needed_pct: f64 },
    #[error(
        "two sensors without a reference: they show a difference, not which of them is wrong; name the better one with --reference, or add a third"
    )]
    NoReference,
    #[error(
        "{sensor} was {apart_k:+.1} °C beside the others, more than the air of one closed tub differs by: they hung apart, or its \
         thermometer is wrong; put them close together"
    )]
    Apart { sensor: String, apart_k: f64 },
    #[error("{0}")]
    Salt(#[from] OutOfRange),
    #[error("{0}")]
    Statistics(#[from] Refused),
}

/// One part of the doubt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    pub what: &'static str,
    /// Standard uncertainty, %RH.
    pub u_pct: f64,
}

/// Standard uncertainty of all parts, taken as independent.
pub fn combined_pct(budget: &[Share]) -> f64 {
    budget.iter().map(|share| share.u_pct.powi(2)).sum::<f64>().sqrt()
}

/// The 95 % interval of `value`: of the parts only the first, the scatter, was estimated from the run, with `dof` degrees of
/// freedom; the effective ones follow by [JCGM100] G.4.1.
fn expanded(value: f64, budget: &[Share], dof: f64) -> Estimate {
    let u = combined_pct(budget);
    let scatter = budget.first().map_or(0.0, |share| share.u_pct);
    let effective = if scatter > 0.0 {
        (dof * (u / scatter).powi(4)).min(DOF_MAX)
    } else {
        DOF_MAX
    };
    Estimate::symmetric(value, student_quantile(0.975, effective) * u)
}

/// Coverage factor by which a 95 % half-width is stored as a standard uncertainty ([JCGM100] 6.3.3).
const COVERAGE_K: f64 = crate::physics::uncertainty::COVERAGE_FACTOR;
/// From here on a Student factor is the normal one.
const DOF_MAX: f64 = 1e4;

/// What to take off later humidity readings: `bias + gain · (reading − pivot)`, %RH.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    pub sensor: String,
    pub method: Method,
    pub against: String,
    pub bias_pct: f64,
    pub u_bias_pct: f64,
    /// %RH per %RH; 0 where only one level was checked.
    pub gain: f64,
    pub u_gain: f64,
    pub pivot_pct: f64,
}

impl Fit {
    /// The line for the corrections file.
    pub fn correction(&self, valid_from_ms: i64, written_ms: i64, by: Option<String>) -> Correction {
        Correction {
            valid_from_ms,
            written_ms,
            sensor: self.sensor.clone(),
            quantity: Quantity::Humidity.name().to_owned(),
            method: self.method,
            against: self.against.clone(),
            bias: self.bias_pct,
            u_bias: self.u_bias_pct,
            gain: self.gain,
            u_gain: self.u_gain,
            pivot: self.pivot_pct,
            by,
        }
    }
}

/// A sensor further off than this is broken or wet, %RH (common practice, no source).
const BIAS_PCT_MAX: f64 = 15.0;
/// One point says nothing of a sensor that works wetter by more than this, %RH (own choice; contamination lowers the response mostly
/// at the wet end).
const REACH_PCT: f64 = 20.0;
/// A gain is estimated from levels at least this far apart, %RH.
const GAIN_SPAN_PCT_MIN: f64 = 20.0;
/// Standard uncertainty of a gain that was not checked, %RH per %RH: what cheap sensors differ by (own choice).
const GAIN_U: f64 = 0.05;

fn check_size(sensor: &str, bias_pct: f64) -> Result<(), Refusal> {
    if bias_pct.abs() > BIAS_PCT_MAX {
        return Err(Refusal::TooFarOff {
            sensor: sensor.to_owned(),
            bias_pct,
        });
    }
    Ok(())
}

/// `highest_pct`: the wettest level that was checked.
fn check_reach(sensor: &str, highest_pct: f64, working_pct: f64) -> Result<(), Refusal> {
    if working_pct - highest_pct > REACH_PCT {
        return Err(Refusal::TooDry {
            sensor: sensor.to_owned(),
            level_pct: highest_pct,
            working_pct,
        });
    }
    Ok(())
}
