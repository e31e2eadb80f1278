//! One sensor in a closed jar over a saturated salt: its error at a humidity that nature keeps.

use mosswarden_config::correction::Method;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::run::{CELL_MS, CELLS_PER_HOUR, Fitted, Probe, QUIET_HOURS_MIN, QUIET_K_PER_H, Track};
use super::{Fit, GAIN_SPAN_PCT_MIN, GAIN_U, Refusal, Share, check_reach, check_size, expanded};
use crate::physics::humidity::log_slope_per_k;
use crate::physics::salt::{FixedPoint, HOME_JAR_LIMIT_PCT, Salt, equilibrium_humidity_pct};
use crate::physics::uncertainty::rectangular;
use crate::statistics::Estimate;

/// A jar must stand this long, h (common practice, no source: "many hours at a steady temperature").
const HOURS_MIN: f64 = 8.0;
/// The last half of the test is judged, but not more than this.
const JUDGED_MS_MAX: i64 = 12 * MS_PER_HOUR;
/// The sensor and the salt may differ by this much even in a quiet jar, K, as a standard uncertainty (own choice) …
const JAR_DIFFERENCE_K: f64 = 0.1;
/// … and by as much as the temperature moves in this time, h: the slurry is heavier than the air over it (own choice).
const JAR_LAG_H: f64 = 0.5;
/// A closed jar over salt holds still: readings that range further in the judged hours are not from one, %RH (own choice).
const JAR_RANGE_PCT_MAX: f64 = 2.0;
/// What is still to come at the reading's present pace in a third of the time that it has had, %RH, at most (own choice). A jar whose
/// time constant is longer than a third of the test fails this.
const TO_COME_PCT_MAX: f64 = 0.5;
const TO_COME_FRAC: f64 = 1.0 / 3.0;

/// The error of a sensor at one fixed point.
#[derive(Debug, Clone, PartialEq)]
pub struct SaltPoint {
    pub sensor: String,
    pub working_pct: f64,
    pub salt: Salt,
    /// Mean temperature of what is judged, °C.
    pub t_c: f64,
    pub fixed: FixedPoint,
    /// Mean reading, %RH.
    pub reading_pct: f64,
    /// Reading minus fixed point, %RH, with the 95 % interval of the whole budget.
    pub error: Estimate,
    pub budget: Vec<Share>,
    pub judged: Span,
    pub quiet_h: f64,
}

impl SaltPoint {
    /// Standard uncertainty that belongs to the interval, %RH.
    fn u_pct(&self) -> f64 {
        (self.error.high - self.error.low) / 2.0 / super::COVERAGE_K
    }

    fn words(&self) -> String {
        format!("{} at {:.1} °C", self.salt.formula(), self.t_c)
    }
}

/// Judges one jar over `span`, the hours from closing the lid to opening it.
///
/// # Errors
/// [`Refusal`]: too short, temperature wandering, not settled, top of the scale, too far off, or a temperature without a fixed point.
pub fn point(probe: &Probe<'_>, salt: Salt, span: Span) -> Result<SaltPoint, Refusal> {
    let hours = span.hours();
    if hours < HOURS_MIN {
        return Err(Refusal::TooShort {
            hours,
            needed: HOURS_MIN,
        });
    }
    let judged_ms = ((span.until_ms - span.from_ms) / 2).min(JUDGED_MS_MAX);
    let judged = Span {
        from_ms: span.until_ms - judged_ms,
        until_ms: span.until_ms,
    };
    let track = Track::of(probe, judged)?;
    let quiet: Vec<usize> = (0..track.index.len())
        .filter(|place| track.is_quiet(track.index[*place]))
        .collect();
    let quiet_h = quiet.len() as f64 / CELLS_PER_HOUR;
    if quiet_h < QUIET_HOURS_MIN {
        return Err(Refusal::Wandering {
            hours: quiet_h,
            needed: QUIET_HOURS_MIN,
            limit_k_per_h: QUIET_K_PER_H,
        });
    }
    let index: Vec<i64> = quiet.iter().map(|place| track.index[*place]).collect();
    let count = quiet.len() as f64;
    let mean = |values: &[f64]| quiet.iter().map(|place| values[*place]).sum::<f64>() / count;
    let (t_c, reading_pct) = (mean(&track.t_c), mean(&track.rh_pct));
    let fixed = equilibrium_humidity_pct(salt, t_c)?;
    let errors: Vec<f64> = quiet
        .iter()
        .map(|place| Ok(track.rh_pct[*place] - equilibrium_humidity_pct(salt, track.t_c[*place])?.rh_pct))
        .collect::<Result<_, Refusal>>()?;

    let (low, high) = errors
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), error| {
            (low.min(*error), high.max(*error))
        });
    if high - low > JAR_RANGE_PCT_MAX {
        return Err(Refusal::NotSettled {
            sensor: probe.id.to_owned(),
            change_pct: high - low,
        });
    }
    let ones = vec![1.0; errors.len()];
    let middle = index.iter().sum::<i64>() as f64 / count;
    let elapsed_h: Vec<f64> = index
        .iter()
        .map(|index| (*index as f64 - middle) / CELLS_PER_HOUR)
        .collect();
    let moving = Fitted::of(&[&ones, &elapsed_h], &index, &errors)?;
    let per_h = moving.coefficients[1].abs();
    if per_h * hours * TO_COME_FRAC > TO_COME_PCT_MAX {
        return Err(Refusal::NotSettled {
            sensor: probe.id.to_owned(),
            change_pct: per_h * judged.hours(),
        });
    }
    let still = Fitted::of(&[&ones], &index, &errors)?;
    check_size(probe.id, still.coefficients[0])?;

    let pace_k_per_h = index
        .iter()
        .filter_map(|index| track.rate_per_h(&track.t_c, *index))
        .map(f64::abs)
        .sum::<f64>()
        / count;
    let u_difference_k = JAR_DIFFERENCE_K.max(pace_k_per_h * JAR_LAG_H);
    let budget = vec![
        Share {
            what: "scatter of this run, neighbours counted as one",
            u_pct: still.errors[0],
        },
        Share {
            what: "the table of the salt",
            u_pct: fixed.standard_uncertainty_pct,
        },
        Share {
            what: "a jar at home instead of a laboratory's",
            u_pct: rectangular(HOME_JAR_LIMIT_PCT),
        },
        Share {
            what: "the temperature of the salt",
            u_pct: (fixed.slope_pct_per_k * rectangular(probe.accuracy.temperature_c)).abs(),
        },
        Share {
            what: "the sensor warmer or cooler than the salt",
            u_pct: fixed.rh_pct * log_slope_per_k(t_c) * u_difference_k,
        },
        Share {
            what: "what may still be to come at the present pace",
            u_pct: rectangular(per_h * hours),
        },
    ];
    Ok(SaltPoint {
        sensor: probe.id.to_owned(),
        working_pct: probe.working_pct,
        salt,
        t_c,
        fixed,
        reading_pct,
        error: expanded(still.coefficients[0], &budget, still.dof),
        budget,
        judged: Span {
            from_ms: index[0] * CELL_MS,
            until_ms: (index[index.len() - 1] + 1) * CELL_MS,
        },
        quiet_h,
    })
}

/// What one fixed point gives: an offset, with a doubt that grows away from it.
///
/// # Errors
/// [`Refusal::TooDry`] where the sensor works much wetter than the salt.
pub fn one_point(point: &SaltPoint) -> Result<Fit, Refusal> {
    check_reach(&point.sensor, point.fixed.rh_pct, point.working_pct)?;
    Ok(Fit {
        sensor: point.sensor.clone(),
        method: Method::Salt,
        against: point.words(),
        bias_pct: point.error.value,
        u_bias_pct: point.u_pct(),
        gain: 0.0,
        u_gain: GAIN_U,
        pivot_pct: point.reading_pct,
    })
}

/// What two fixed points give: offset and gain. The pivot is where both are independent: the mean of the readings, weighted by how
/// sure each point is.
///
/// # Errors
/// [`Refusal::TooClose`] for salts too alike, [`Refusal::TooDry`] where even the wetter one is far below the work.
pub fn two_points(first: &SaltPoint, second: &SaltPoint) -> Result<Fit, Refusal> {
    let apart_pct = (first.fixed.rh_pct - second.fixed.rh_pct).abs();
    if apart_pct < GAIN_SPAN_PCT_MIN {
        return Err(Refusal::TooClose {
            apart_pct,
            needed_pct: GAIN_SPAN_PCT_MIN,
        });
    }
    check_reach(
        &first.sensor,
        first.fixed.rh_pct.max(second.fixed.rh_pct),
        first.working_pct,
    )?;
    let (w1, w2) = (first.u_pct().powi(-2), second.u_pct().powi(-2));
    let weighted = |a: f64, b: f64| (w1 * a + w2 * b) / (w1 + w2);
    let reach = second.reading_pct - first.reading_pct;
    Ok(Fit {
        sensor: first.sensor.clone(),
        method: Method::Salt,
        against: format!("{} and {}", first.words(), second.words()),
        bias_pct: weighted(first.error.value, second.error.value),
        u_bias_pct: (w1 + w2).powf(-0.5),
        gain: (second.error.value - first.error.value) / reach,
        u_gain: first.u_pct().hypot(second.u_pct()) / reach.abs(),
        pivot_pct: weighted(first.reading_pct, second.reading_pct),
    })
}
