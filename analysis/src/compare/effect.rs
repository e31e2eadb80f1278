//! The effect of a change on a daily figure, with the room's warmth and vapour as covariates and errors that carry over from day
//! to day.

use super::Measure;
use super::daily::{Day, Figure};
use crate::statistics::autocorrelation::{effective_count, lag_one_with_gaps};
use crate::statistics::distribution::student_quantile;
use crate::statistics::least_squares::{linear, linear_autoregressive, linear_autoregressive_fitted};
use crate::statistics::{Estimate, Refused};

const CONFIDENCE: f64 = 0.95;
/// Room figures that spread less than this, °C and g/m³, over the days explain nothing: a column of noise would only blur.
const ROOM_SPREAD_MIN: (f64, f64) = (0.1, 0.1);

/// The change of one measure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// After minus before at the same room, in the measure's unit, or in percent of before, with its 95 % interval.
    pub change: Estimate,
    /// Carry-over of the errors from one day to the next.
    pub phi: f64,
    pub before_days: usize,
    pub after_days: usize,
}

/// Fits the effect.
///
/// # Method
/// `y = a + b·after + c·(room °C) + d·(room g/m³) + e`, errors of first order from day to day with gaps; the carry-over is the
/// larger of the likeliest one and the lag-one correlation corrected for short series ([`lag_one_with_gaps`]), at least
/// `Measure::carried_min`. Student's t with the degrees of the effective number of days. A ratio is fitted in logarithms.
///
/// # Errors
/// [`Refused`] where the days are too few for the columns, or the columns depend on each other.
///
/// # Accuracy
/// The interval holds the truth at the stated rate on simulated changes; see the bench `compare`.
pub fn effect(days: &[(&Day, Figure)], measure: Measure) -> Result<Effect, Refused> {
    let times: Vec<f64> = days.iter().map(|(day, _)| day.number).collect();
    let values: Vec<f64> = days.iter().map(|(_, figure)| figure.value).collect();
    let after: Vec<f64> = days
        .iter()
        .map(|(day, _)| f64::from(u8::from(day.after)))
        .collect();
    let ones = vec![1.0; days.len()];
    let room_c = centred(days.iter().map(|(_, figure)| figure.room_c));
    let room_g_m3 = centred(days.iter().map(|(_, figure)| figure.room_g_m3));
    let mut columns: Vec<&[f64]> = vec![&ones, &after];
    for (column, spread_min) in [(&room_c, ROOM_SPREAD_MIN.0), (&room_g_m3, ROOM_SPREAD_MIN.1)] {
        let spread = (column.iter().map(|v| v * v).sum::<f64>() / column.len() as f64).sqrt();
        if spread >= spread_min {
            columns.push(column);
        }
    }
    let residuals = linear(&columns, &values, None)?.residuals;
    let likeliest = linear_autoregressive_fitted(&columns, &times, &values)?.phi;
    let phi = lag_one_with_gaps(&times, &residuals)
        .unwrap_or_default()
        .max(likeliest)
        .max(measure.carried_min());
    let fit = linear_autoregressive(&columns, &times, &values, phi)?.fit;
    let degrees = (effective_count(days.len(), phi)? - columns.len() as f64).max(2.0);
    let t = student_quantile(0.5 * (1.0 + CONFIDENCE), degrees);
    let change = Estimate::symmetric(fit.coefficients[1], t * fit.standard_error(1));
    let after_days = days.iter().filter(|(day, _)| day.after).count();
    Ok(Effect {
        change: if measure.is_ratio() {
            in_percent(change)
        } else {
            measure.as_can_be(change)
        },
        phi,
        before_days: days.len() - after_days,
        after_days,
    })
}

fn in_percent(log: Estimate) -> Estimate {
    let percent = |log: f64| 100.0 * (log.exp() - 1.0);
    Estimate {
        value: percent(log.value),
        low: percent(log.low),
        high: percent(log.high),
    }
}

fn centred(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let values: Vec<f64> = values.collect();
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.into_iter().map(|value| value - mean).collect()
}
