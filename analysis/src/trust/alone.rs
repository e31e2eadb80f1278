//! What a humidity sensor that nothing stands beside can't have seen: air that stays at the top of the scale while it warms and no water
//! comes.
//!
//! In: its own temperature on cells, and when water was given. Out: what it would read if the air had been saturated when it was coolest
//! and had kept that vapour. Warmed by 3 K near 25 °C, that is 84 %RH (by the formula in `physics`).

use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::grid::Grid;
use crate::physics::humidity::humidity_at_pct;

/// Air that warmed by so much dries visibly (own choice).
const WARMED_K_MIN: f64 = 3.0;
/// Walls and soil give water slowly: warmth that came over a longer time than this contradicts nothing.
const WARMED_WITHIN_MS: i64 = 6 * MS_PER_HOUR;

/// What the sensor should read at an instant at most, %RH; `None` where it was not warmed, or where water came meanwhile. `watered`: spans.
pub(super) fn expected_pct(temperature: &Grid, watered: &[Span], at_ms: i64) -> Option<f64> {
    let now = temperature.index_of(at_ms)?;
    let now_c = temperature.cells[now]?;
    let last_water_ms = watered
        .iter()
        .filter(|span| span.from_ms <= at_ms)
        .map(|span| span.until_ms)
        .max();
    let from_ms = (at_ms - WARMED_WITHIN_MS).max(last_water_ms.unwrap_or(i64::MIN));
    let coolest_c = (0..=now)
        .rev()
        .take_while(|index| temperature.start_ms(*index) >= from_ms)
        .filter_map(|index| temperature.cells[index])
        .fold(f64::INFINITY, f64::min);
    (now_c - coolest_c >= WARMED_K_MIN && coolest_c.is_finite())
        .then(|| humidity_at_pct(100.0, coolest_c, now_c))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn air_that_warmed_without_water_cannot_stay_saturated() {
        let hour = MS_PER_HOUR;
        // Cool until 08:00, then 3.5 K warmer within half an hour.
        let temperature = Grid {
            cell_ms: hour / 6,
            first_index: 0,
            cells: (0..144)
                .map(|cell| Some(20.0 + (f64::from(cell - 47) * 1.2).clamp(0.0, 3.5)))
                .collect(),
        };
        let at = |hours: i64, watered: &[Span]| expected_pct(&temperature, watered, hours * hour);
        assert_eq!(at(7, &[]), None);
        assert!(
            at(9, &[]).is_some_and(|pct| (pct - 80.7).abs() < 0.1),
            "{:?}",
            at(9, &[])
        );
        assert_eq!(at(20, &[]), None, "the cool night is too long ago");
        let misting = Span {
            from_ms: 8 * hour + hour / 2,
            until_ms: 9 * hour,
        };
        assert_eq!(at(10, &[misting]), None, "water came when it was warm");
        let before = Span {
            from_ms: 6 * hour,
            until_ms: 7 * hour,
        };
        assert!(at(10, &[before]).is_some());
    }
}
