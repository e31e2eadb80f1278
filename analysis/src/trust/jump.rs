//! A sensor's clock that jumps: put forward it leaves a pause in its stamps, set back they run twice through a stretch, each as long as the
//! jump. Where the sensor follows the rest of its enclosure by just that shift, the clock was off from there on.
//!
//! In: one series, and what sees the same as it. Out: the stretch and the offset, never a changed stamp.

use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::clock::{AGREEMENT_MIN, Channel, FINE_MS, LAG_CELLS_MAX, Offset, agreement, fisher, twice};
use crate::series::Series;

/// A jump of a sensor's clock, by its stamps: put forward it leaves a pause of its own length, set back a stretch that they run twice
/// through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Jump {
    pub span: Span,
    /// Positive where the clock was put forward.
    pub by_ms: i64,
}

impl Jump {
    /// The clock over the stretch that it was off by this jump.
    fn offset(self, span: Span, agreement: f64) -> Offset {
        Offset {
            span,
            offset_s: self.by_ms as f64 / 1000.0,
            half_width_s: FINE_MS as f64 / 1000.0,
            agreement,
        }
    }
}

/// Every pause and every stretch run through twice that may be a jump, in order. Most pauses are silences: the rest must agree.
pub(super) fn jumps(series: &Series) -> Vec<Jump> {
    const JUMP_MS_MIN: i64 = 20 * 60_000;
    const JUMP_INTERVALS: i64 = 5;
    let Some(usual) = series.usual_interval_ms() else {
        return Vec::new();
    };
    let lengths = JUMP_MS_MIN.max(JUMP_INTERVALS * usual)..=LAG_CELLS_MAX * FINE_MS;
    let pauses = series.at_ms.windows(2).map(|pair| Jump {
        span: Span {
            from_ms: pair[0],
            until_ms: pair[1],
        },
        by_ms: pair[1] - pair[0] - usual,
    });
    let back = twice(series).into_iter().map(|span| Jump {
        span,
        by_ms: span.from_ms - span.until_ms,
    });
    let mut jumps: Vec<Jump> = pauses
        .chain(back)
        .filter(|jump| lengths.contains(&(jump.span.until_ms - jump.span.from_ms)))
        .collect();
    jumps.sort_by_key(|jump| jump.span.from_ms);
    jumps
}

/// A clock that was put forward and stands so: a pause since which the sensor follows the rest by just that shift. One shift is tried
/// and not hundreds, over as many days as there are, so this sees what [`clock::shifted`](super::clock::shifted) is too unsure of by half days.
pub(super) fn put_forward(channels: &[Channel], jumps: &[Jump], span: Span) -> Option<Offset> {
    const JUMPS_MAX: usize = 20;
    const WINDOW_MS: i64 = 7 * 24 * MS_PER_HOUR;
    let forward = jumps.iter().rev().filter(|jump| jump.by_ms > 0);
    forward.take(JUMPS_MAX).find_map(|jump| {
        let put_right = jumps
            .iter()
            .find(|later| later.by_ms < 0 && later.span.from_ms >= jump.span.until_ms);
        let until_ms = put_right.map_or(span.until_ms, |later| later.span.from_ms.min(span.until_ms));
        let window = Span {
            from_ms: jump.span.until_ms.max(until_ms - WINDOW_MS),
            until_ms,
        };
        window.intersect(span)?;
        let since = Span {
            from_ms: jump.span.from_ms,
            until_ms,
        };
        Some(jump.offset(since, follows(channels, window, jump.by_ms)?))
    })
}

/// A clock that was wrong for a stretch that reaches into the span and was put right within it.
pub(super) fn put_right_within(channels: &[Channel], jumps: &[Jump], span: Span) -> Option<Offset> {
    put_right_since(jumps)
        .into_iter()
        .rev()
        .filter(|stretch| stretch.span.until_ms > span.from_ms)
        .find_map(|stretch| {
            let agreement = follows(channels, stretch.span, stretch.by_ms)?;
            Some(stretch.offset(stretch.span, agreement))
        })
}

/// Stretches over which a clock may have been wrong that was put right since: between a jump and the next one back by as much.
pub(super) fn put_right_since(jumps: &[Jump]) -> Vec<Jump> {
    // A stretch run through twice is known to some intervals at each end, a pause to one.
    const ALIKE_MS: i64 = 8 * FINE_MS;
    let between = |(index, jump): (usize, &Jump)| {
        let is_back = |later: &&Jump| (later.by_ms + jump.by_ms).abs() <= ALIKE_MS;
        let back = jumps[index + 1..].iter().find(is_back)?;
        let span = Span {
            from_ms: jump.span.until_ms,
            until_ms: back.span.from_ms + 1,
        };
        let by_ms = if jump.by_ms > 0 { jump.by_ms } else { -back.by_ms };
        (span.from_ms < span.until_ms).then_some(Jump { span, by_ms })
    };
    jumps.iter().enumerate().filter_map(between).collect()
}

/// How well a sensor follows the rest by a shift over a stretch, where that is clearly better than without; `None` where it is not, or the
/// stretch is too short to tell.
pub(super) fn follows(channels: &[Channel], stretch: Span, shift_ms: i64) -> Option<f64> {
    const HOURS_MIN: f64 = 24.0;
    /// How much better it must agree than without the shift, on Fisher's scale: that, and as many standard errors of a correlation over the
    /// stretch's cells, 1/√n (Fisher 1921, from memory).
    const GAIN_MIN: f64 = 0.1;
    const GAIN_ERRORS_MIN: f64 = 4.0;
    /// Without the shift means to within a sensor's response.
    const UNSHIFTED_CELLS: i64 = 3;
    let first_index = channels.first()?.own.first_index;
    if stretch.hours() < HOURS_MIN {
        return None;
    }
    let cell = |at_ms: i64| at_ms.div_euclid(FINE_MS) - first_index;
    let best = |around: i64, cells: i64| {
        (around - cells..=around + cells)
            .filter_map(|shift| agreement(channels, cell(stretch.from_ms), cell(stretch.until_ms), shift))
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let (shifted, unshifted) = (best(shift_ms / FINE_MS, 1), best(0, UNSHIFTED_CELLS));
    let cells = (stretch.until_ms - stretch.from_ms) as f64 / FINE_MS as f64;
    let gain_min = GAIN_MIN.max(GAIN_ERRORS_MIN / cells.sqrt());
    let is_better = fisher(shifted) - fisher(unshifted) >= gain_min;
    (unshifted.is_finite() && shifted >= AGREEMENT_MIN && is_better).then_some(shifted)
}

#[cfg(test)]
mod tests {
    use super::super::clock::Changes;
    use super::super::clock::tests::{MS_PER_24_H, STEP_MS, off, probe, span};
    use super::super::grid::Grid;
    use super::*;

    fn beside_a_right_one(series: &Series) -> Channel {
        let history = Span {
            from_ms: 0,
            until_ms: 10 * MS_PER_24_H,
        };
        let changes = |series: &Series| Changes::of(&Grid::with_cells(series, history, FINE_MS));
        Channel {
            own: changes(series),
            others: vec![changes(&probe(2, |at_ms| at_ms))],
        }
    }

    #[test]
    fn a_pause_tells_a_clock_put_forward_where_the_rest_agrees_with_it_and_only_there() {
        let found = |series: &Series| put_forward(&[beside_a_right_one(series)], &jumps(series), span());
        let ahead = found(&off(MS_PER_HOUR)).expect("an hour ahead");
        assert!((ahead.offset_s - 3600.0).abs() < 1.0, "{ahead:?}");
        assert!(
            (ahead.span.from_ms - 6 * MS_PER_24_H).abs() <= STEP_MS,
            "{ahead:?}"
        );
        // An hour in which it was not heard.
        let day_6 = 6 * MS_PER_24_H;
        let silent = off(0)
            .filtered(|at_ms, _, _| !(day_6..day_6 + MS_PER_HOUR).contains(&at_ms))
            .into_owned();
        assert_eq!(found(&silent), None);
        assert_eq!(found(&off(0)), None);
    }

    #[test]
    fn a_clock_that_was_put_right_again_is_known_by_its_two_jumps() {
        let was_off = |offset_ms: i64| {
            probe(1, |at_ms| {
                let is_off = (4 * MS_PER_24_H..7 * MS_PER_24_H).contains(&at_ms);
                if is_off { at_ms + offset_ms } else { at_ms }
            })
        };
        for hours in [-5, -1, 1, 5] {
            let offset_ms = hours * MS_PER_HOUR;
            let series = was_off(offset_ms);
            let found = put_right_since(&jumps(&series));
            assert_eq!(found.len(), 1, "{hours} h: {found:?}");
            assert!(
                (found[0].by_ms - offset_ms).abs() <= 2 * STEP_MS,
                "{hours} h: {found:?}"
            );
            // Set back, the first hours hold stamps of both times.
            let from_ms = 4 * MS_PER_24_H + offset_ms.max(0);
            assert!(
                (found[0].span.from_ms - from_ms).abs() <= 2 * STEP_MS,
                "{hours} h: {found:?}"
            );
            assert!(follows(&[beside_a_right_one(&series)], found[0].span, found[0].by_ms).is_some());
        }
        assert_eq!(put_right_since(&jumps(&off(MS_PER_HOUR))), []);
        assert_eq!(put_right_since(&jumps(&off(0))), []);
    }
}
