//! A sensor's clock that jumps: put forward it leaves a pause in its stamps, set back they run twice through a stretch, each as long as the
//! jump. Where the sensor follows the rest of its enclosure by just that shift, the clock was off from there on.
//!
//! In: one series, and what sees the same as it. Out: the stretch and the offset, never a changed stamp.

use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::clock::{AGREEMENT_MIN, Channel, FINE_MS, LAG_CELLS_MAX, Offset, agreement, fisher, twice};
use crate::series::Series;

/// A stretch run through twice is known to some intervals at each end, a pause to one.
const ALIKE_MS: i64 = 8 * FINE_MS;

/// So much of a stretch, and of the time before a jump, is looked at.
const WINDOW_MS: i64 = 7 * 24 * MS_PER_HOUR;

/// A jump of a sensor's clock, by its stamps: put forward it leaves a pause of its own length, set back a stretch that they run twice
/// through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Jump {
    pub span: Span,
    /// Positive where the clock was put forward.
    pub by_ms: i64,
}

impl Jump {
    /// By as much; a stretch run through twice is shorter than the jump where readings were missing then, whose size a date put right tells.
    fn is_back_from(&self, earlier: &Jump) -> bool {
        let left_ms = self.by_ms + earlier.by_ms;
        left_ms.abs() <= ALIKE_MS
            || (earlier.by_ms < 0 && left_ms > 0 && self.by_ms > 0 && self.is_of_whole_days())
    }

    /// A pause of whole days, to the length of an interval: silences end at any minute, and a wrong date is off by just that. A stretch run
    /// through twice is known less well, but nothing else makes one.
    fn is_of_whole_days(&self) -> bool {
        const EXACT_MS: i64 = FINE_MS / 2;
        let days = (self.by_ms as f64 / MS_PER_24_H as f64).round() as i64;
        let off_by_ms = (self.by_ms - days * MS_PER_24_H).abs();
        days != 0 && off_by_ms <= if days > 0 { EXACT_MS } else { ALIKE_MS }
    }

    /// How much better a sensor must agree with the rest, shifted by this jump, than as before it, on Fisher's scale: a tenth, and as many
    /// standard errors of a correlation over the stretch's cells, 1/√n (Fisher 1921, from memory). One day is much like the next, so where
    /// its date jumped it need only not agree worse.
    fn gain_min(&self, stretch: Span) -> f64 {
        const GAIN_MIN: f64 = 0.1;
        const ERRORS_MIN: f64 = 4.0;
        let cells = (stretch.until_ms - stretch.from_ms) as f64 / FINE_MS as f64;
        if self.is_of_whole_days() {
            0.0
        } else {
            GAIN_MIN.max(ERRORS_MIN / cells.sqrt())
        }
    }

    /// The clock over a stretch, where the sensor follows the rest by this jump there.
    pub(super) fn off_over(self, channels: &[Channel], stretch: Span) -> Option<Offset> {
        let uncertain_ms = if self.by_ms > 0 { FINE_MS } else { ALIKE_MS };
        let began_ms = self.span.from_ms - self.by_ms.abs();
        let before = Span {
            from_ms: began_ms - WINDOW_MS,
            until_ms: began_ms,
        };
        let (off, gain, agreement) = follows(channels, stretch, before, self.by_ms, uncertain_ms)?;
        if gain < self.gain_min(stretch) {
            return None;
        }
        let offset_ms = if self.by_ms > 0 { self.by_ms } else { off * FINE_MS };
        Some(Offset {
            span: stretch,
            offset_s: offset_ms as f64 / 1000.0,
            half_width_s: FINE_MS as f64 / 1000.0,
            agreement,
        })
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

/// A clock that jumped and stands so: a jump since which the sensor follows the rest by just that shift. One shift is tried and not
/// hundreds, over as many days as there are, so this sees what [`clock::shifted`](super::clock::shifted) is too unsure of by half days.
pub(super) fn stands_off(channels: &[Channel], jumps: &[Jump], span: Span) -> Option<Offset> {
    const JUMPS_MAX: usize = 20;
    jumps.iter().rev().take(JUMPS_MAX).find_map(|jump| {
        // Put right by a jump back, after which it follows by that shift no more; most pauses are silences.
        let put_right = jumps.iter().find(|later| {
            let after = Span {
                from_ms: later.span.until_ms,
                until_ms: span.until_ms.min(later.span.until_ms + WINDOW_MS),
            };
            later.span.from_ms >= jump.span.until_ms
                && later.is_back_from(jump)
                && jump.off_over(channels, after).is_none()
        });
        let until_ms = put_right.map_or(span.until_ms, |later| later.span.from_ms.min(span.until_ms));
        let window = Span {
            from_ms: jump.span.until_ms.max(until_ms - WINDOW_MS),
            until_ms,
        };
        window.intersect(span)?;
        // Set forward, nothing was stamped within the pause; set back, both times were within the stretch.
        let since = Span {
            from_ms: if jump.by_ms > 0 {
                jump.span.from_ms
            } else {
                jump.span.until_ms
            },
            until_ms,
        };
        let found = jump.off_over(channels, window)?;
        Some(Offset { span: since, ..found })
    })
}

/// A clock that was wrong for a stretch that reaches into the span and was put right within it.
pub(super) fn put_right_within(channels: &[Channel], jumps: &[Jump], span: Span) -> Option<Offset> {
    put_right_since(jumps)
        .into_iter()
        .rev()
        .filter(|stretch| stretch.span.until_ms > span.from_ms)
        .find_map(|stretch| stretch.off_over(channels, stretch.span))
}

/// Stretches over which a clock may have been wrong that was put right since: between a jump and the next one back by as much.
pub(super) fn put_right_since(jumps: &[Jump]) -> Vec<Jump> {
    let between = |(index, jump): (usize, &Jump)| {
        let back = jumps[index + 1..].iter().find(|later| later.is_back_from(jump))?;
        let span = Span {
            from_ms: jump.span.until_ms,
            until_ms: back.span.from_ms + 1,
        };
        let by_ms = if jump.by_ms > 0 { jump.by_ms } else { -back.by_ms };
        (span.from_ms < span.until_ms).then_some(Jump { span, by_ms })
    };
    jumps.iter().enumerate().filter_map(between).collect()
}

/// How many cells a sensor is off by, near what is thought of, for it to follow the rest best over a stretch, how much better that is than
/// as it followed them before, and how well it agrees then; `None` where it is not off, or the stretch is too short to tell.
fn follows(
    channels: &[Channel],
    stretch: Span,
    before: Span,
    off_ms: i64,
    uncertain_ms: i64,
) -> Option<(i64, f64, f64)> {
    /// Nearly a day: what is told the next day has no more.
    const HOURS_MIN: f64 = 20.0;
    /// What a sensor's response may delay it by against the others, where how it followed them before is not known.
    const RESPONSE_CELLS: i64 = 3;
    /// The same where it is known.
    const RESPONSE_KNOWN_CELLS: i64 = 1;
    /// Less is no jump: a quarter of an hour (own choice).
    const OFF_CELLS_MIN: i64 = 3;
    let first_index = channels.first()?.own.first_index;
    if stretch.hours() < HOURS_MIN {
        return None;
    }
    let cell = |at_ms: i64| at_ms.div_euclid(FINE_MS) - first_index;
    let best = |over: Span, around: i64, cells: i64| {
        (around - cells..=around + cells)
            .filter_map(|shift| {
                Some((
                    shift,
                    agreement(channels, cell(over.from_ms), cell(over.until_ms), shift)?,
                ))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1))
    };
    let as_before = best(before, 0, RESPONSE_CELLS).filter(|(_, agreement)| *agreement >= AGREEMENT_MIN);
    let (response, doubt) = as_before.map_or((0, RESPONSE_CELLS), |(shift, _)| (shift, RESPONSE_KNOWN_CELLS));
    let (_, unshifted) = best(stretch, response, doubt)?;
    let (shift, shifted) = best(stretch, response + off_ms / FINE_MS, uncertain_ms / FINE_MS)?;
    let off = shift - response;
    let is_off = off.abs() >= OFF_CELLS_MIN.max(doubt + 1);
    (is_off && shifted >= AGREEMENT_MIN).then_some((off, fisher(shifted) - fisher(unshifted), shifted))
}

#[cfg(test)]
mod tests {
    use super::super::clock::Changes;
    use super::super::clock::tests::{STEP_MS, heating_day_by_day, off, probe, probe_of, span};
    use super::super::grid::Grid;
    use super::*;

    fn beside_a_right_one(series: &Series) -> Channel {
        beside(series, &probe(2, |at_ms| at_ms))
    }

    fn beside(series: &Series, other: &Series) -> Channel {
        let history = Span {
            from_ms: 0,
            until_ms: 10 * MS_PER_24_H,
        };
        let changes = |series: &Series| Changes::of(&Grid::with_cells(series, history, FINE_MS));
        Channel {
            own: changes(series),
            others: vec![changes(other)],
        }
    }

    #[test]
    fn a_jump_tells_a_clock_that_stands_off_where_the_rest_agrees_with_it_and_only_there() {
        let found = |series: &Series| stands_off(&[beside_a_right_one(series)], &jumps(series), span());
        let ahead = found(&off(MS_PER_HOUR)).expect("an hour ahead");
        assert!((ahead.offset_s - 3600.0).abs() < 1.0, "{ahead:?}");
        assert!(
            (ahead.span.from_ms - 6 * MS_PER_24_H).abs() <= STEP_MS,
            "{ahead:?}"
        );
        let behind = found(&off(-MS_PER_HOUR)).expect("an hour behind");
        assert!((behind.offset_s + 3600.0).abs() <= 600.0, "{behind:?}");
        assert!(
            (behind.span.from_ms - 6 * MS_PER_24_H).abs() <= 2 * STEP_MS,
            "{behind:?}"
        );
        // The pause of an outage, as long as the jump, does not put it right.
        let heard = off(-MS_PER_HOUR);
        let heard =
            heard.filtered(|at_ms, _, _| !(8 * MS_PER_24_H..8 * MS_PER_24_H + MS_PER_HOUR).contains(&at_ms));
        let still = found(&heard).expect("still behind");
        assert_eq!(still.span.until_ms, span().until_ms);
        // One that follows the rest ten minutes late, as ever, and was set back by 25 minutes.
        let late = probe(1, |at_ms| {
            let back_ms = if at_ms >= 6 * MS_PER_24_H { 5 * STEP_MS } else { 0 };
            at_ms + 2 * STEP_MS - back_ms
        });
        let found_late = found(&late).expect("25 min behind");
        assert!((found_late.offset_s + 1500.0).abs() <= 300.0, "{found_late:?}");
        // An hour in which it was not heard.
        let day_6 = 6 * MS_PER_24_H;
        let silent = off(0)
            .filtered(|at_ms, _, _| !(day_6..day_6 + MS_PER_HOUR).contains(&at_ms))
            .into_owned();
        assert_eq!(found(&silent), None);
        assert_eq!(found(&off(0)), None);
    }

    #[test]
    fn a_pause_of_whole_days_is_a_wrong_date_unless_the_rest_speaks_against_it() {
        let day_6 = 6 * MS_PER_24_H;
        let own = |by_ms: i64| {
            let stamp_ms = |at_ms: i64| if at_ms >= day_6 { at_ms + by_ms } else { at_ms };
            probe_of(heating_day_by_day(), 1, stamp_ms)
        };
        let other = probe_of(heating_day_by_day(), 2, |at_ms| at_ms);
        let found = |series: &Series| stands_off(&[beside(series, &other)], &jumps(series), span());
        assert!(found(&own(MS_PER_24_H)).is_some_and(|off| (off.offset_s - 86_400.0).abs() < 1.0));
        let unheard = |series: &Series| {
            let silence = day_6 + STEP_MS..day_6 + MS_PER_24_H + STEP_MS;
            series
                .filtered(|at_ms, _, _| !silence.contains(&at_ms))
                .into_owned()
        };
        assert_eq!(found(&unheard(&own(0))), None);
    }

    #[test]
    fn a_date_that_was_wrong_is_known_when_it_is_put_right_though_readings_were_missing() {
        let (day_4, day_7) = (4 * MS_PER_24_H, 7 * MS_PER_24_H);
        let was_back = probe(1, |at_ms| {
            let is_off = (day_4..day_7).contains(&at_ms);
            if is_off { at_ms - MS_PER_24_H } else { at_ms }
        });
        // Of the day that its stamps ran through twice the first half is missing.
        let missing = day_4 - MS_PER_24_H..day_4 - MS_PER_24_H / 2;
        let heard = was_back.filtered(|at_ms, _, _| !missing.contains(&at_ms));
        let found = put_right_within(&[beside_a_right_one(&heard)], &jumps(&heard), span());
        let found = found.expect("a day behind");
        assert!((found.offset_s + 86_400.0).abs() <= 300.0, "{found:?}");
        assert!(
            (found.span.until_ms - (day_7 - MS_PER_24_H)).abs() <= STEP_MS,
            "{found:?}"
        );
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
            let off = found[0].off_over(&[beside_a_right_one(&series)], found[0].span);
            assert!(off.is_some_and(|off| (off.offset_s - 3600.0 * hours as f64).abs() <= 600.0));
        }
        assert_eq!(put_right_since(&jumps(&off(MS_PER_HOUR))), []);
        assert_eq!(put_right_since(&jumps(&off(0))), []);
    }
}
