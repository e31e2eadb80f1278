//! Which of two sensors lost span, by how far each swings within its days: mistings, lamps and nights move both, and one that answers
//! by less than it used to has lost of its scale.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::zone::Span;

use super::daily::DayFigure;
use super::grid::Grid;
use super::onset::{Change, Noise};
use super::scene::LEVEL_PCT_MAX;
use super::witness::{self, Case};
use crate::statistics::distribution::normal_density;

/// How the logarithm of the swings' ratio goes from day to day at least (own choice).
const NATURAL: Noise = witness::natural(0.03, 0.01);
/// A day counts if both are known in so much of it below the top of the scale, and both swing by so much, %RH (own choices).
const KNOWN_FRAC: f64 = 0.5;
const SWING_PCT_MIN: f64 = 0.7;
/// What a wrong humidity is by lost span, not by an offset; and of these a span that grew, which ageing and dirt do not make (common
/// practice, no source).
const SPAN_FRAC: f64 = 0.2;
const GREW_FRAC: f64 = 0.02;
/// A span that is lost: mean and standard deviation of its logarithm (own choices).
const LOST_LN: f64 = -0.3;
const LOST_LN_SD: f64 = 0.2;

/// Natural logarithm of the odds that `a` lies and not `b`, by how `a` swings against `b` since a change; `None` where too few days tell.
/// Our own method; measured on simulations by other hands (ACCURACY.md).
pub(super) fn evidence(case: &Case<'_>, a: &Sensor, b: &Sensor, change: &Change) -> Option<f64> {
    let (of_a, of_b) = (
        case.grid(&a.id, Quantity::Humidity)?,
        case.grid(&b.id, Quantity::Humidity)?,
    );
    let ratios: Vec<DayFigure> = case.by_day(|day| ratio_ln(&of_a, &of_b, day));
    Some(odds(witness::moved(&ratios, change, NATURAL)?))
}

/// Logarithm of the ratio of both standard deviations within a day.
fn ratio_ln(a: &Grid, b: &Grid, day: Span) -> Option<f64> {
    let (first, last) = (a.index_of(day.from_ms)?, a.index_of(day.until_ms - 1)?);
    let both: Vec<(f64, f64)> = (first..=last)
        .filter_map(|index| a.cells[index].zip(b.cells[b.index_of(a.start_ms(index))?]))
        .filter(|(a, b)| a.max(*b) < LEVEL_PCT_MAX)
        .collect();
    if (both.len() as f64) < KNOWN_FRAC * (last - first + 1) as f64 {
        return None;
    }
    let swing = |of: fn(&(f64, f64)) -> f64| {
        let mean = both.iter().map(of).sum::<f64>() / both.len() as f64;
        let square = both.iter().map(|pair| (of(pair) - mean).powi(2)).sum::<f64>();
        (square / both.len() as f64).sqrt()
    };
    let (a, b) = (swing(|pair| pair.0), swing(|pair| pair.1));
    (a.min(b) >= SWING_PCT_MIN).then(|| (a / b).ln())
}

/// By how far the logarithm of the swings' ratio moved, with its standard deviation.
fn odds((moved, sd): (f64, f64)) -> f64 {
    let likely = |expected: f64, sd: f64| normal_density((moved - expected) / sd) / sd;
    let by_span = |sign: f64| likely(sign * LOST_LN, sd.hypot(LOST_LN_SD));
    let if_wrong = |sign: f64| {
        (1.0 - SPAN_FRAC) * likely(0.0, sd)
            + SPAN_FRAC * ((1.0 - GREW_FRAC) * by_span(sign) + GREW_FRAC * by_span(-sign))
    };
    (if_wrong(1.0) / if_wrong(-1.0)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_one_that_swings_by_less_than_it_used_to_is_the_one() {
        // A quarter of its span lost, well known.
        assert!(odds((-0.29, 0.05)) > 3.0 && odds((0.29, 0.05)) < -3.0);
        // Nothing moved, or nobody knows: it tells nothing.
        for nothing in [(0.0, 0.05), (0.03, 0.05), (-0.3, 0.5)] {
            assert!(odds(nothing).abs() < 0.5, "{nothing:?}: {}", odds(nothing));
        }
    }
}
