//! Which of two sensors jumped, by the minutes in which it did: a reading that is put off jumps from one to the next, and the
//! other goes on as before; air that changes takes both along.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::onset::{Change, Shape};
use crate::series::View;
use crate::statistics::robust::{median, robust_standard_deviation};

/// A jump lies between two readings that are no further apart than so many usual intervals, nor than this (own choices): a humidistat
/// that is put off answers within minutes, and then the air itself follows.
const APART_INTERVALS_MAX: i64 = 3;
const APART_MS_MAX: i64 = 15 * 60_000;
/// The jump is sought this far around the day that the figures tell.
const AROUND_MS: i64 = MS_PER_24_H;
/// It must be the step to within so many standard deviations, and still be there over the hours around.
const OFF_SD_MAX: f64 = 2.0;
const LASTING_MS: i64 = MS_PER_HOUR;
/// To within this share of the step: air that a humidistat fills in answer stands at the top of the other's scale.
const LASTING_OFF_FRAC: f64 = 0.5;
/// How far a jump may differ from the step that the days tell, as a share of it.
const LIKE_STEP_FRAC: f64 = 0.2;

/// A fall by this share of the step is no noise.
const FELL_FRAC: f64 = 0.5;

/// What one reading differs from the next by at least, standard deviation, %RH or K (own choice).
const fn jump_sd_min(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Humidity => 0.3,
        _ => 0.1,
    }
}

/// Natural logarithm of the odds that `a` jumped and not `b`, where `change` of `a` against `b` is a step; `None` where no such jump is
/// seen. In the spans of `wet` the air itself jumps, but never down: there only a fall counts (a humidistat answers it within
/// seconds). Our own method; measured on two simulations (ACCURACY.md).
pub(super) fn evidence(
    quantity: Quantity,
    a: View<'_>,
    b: View<'_>,
    change: &Change,
    wet: &[Span],
) -> Option<f64> {
    let step = change
        .parts
        .iter()
        .filter(|part| part.shape == Shape::Step)
        .max_by(|x, y| x.size.abs().total_cmp(&y.size.abs()))?;
    let sought = Span {
        from_ms: step.at_ms - AROUND_MS,
        until_ms: step.at_ms + 2 * AROUND_MS,
    };
    let (apart_a, apart_b) = (apart_ms(a.within(sought))?, apart_ms(b.within(sought))?);
    let fell = |jump: &Jump| {
        let fall = if step.size < 0.0 { jump.a } else { jump.b };
        fall <= -FELL_FRAC * step.size.abs()
    };
    let jumps: Vec<Jump> = a
        .within(sought)
        .at_ms
        .iter()
        .chain(b.within(sought).at_ms)
        .filter_map(|at_ms| {
            Some(Jump {
                at_ms: *at_ms,
                a: jump(a, *at_ms, apart_a)?,
                b: jump(b, *at_ms, apart_b)?,
            })
        })
        .filter(|jump| fell(jump) || !wet.iter().any(|span| span.contains(jump.at_ms)))
        .collect();
    let spread = |of: fn(&Jump) -> f64| {
        let all: Vec<f64> = jumps.iter().map(of).collect();
        robust_standard_deviation(&all)
            .unwrap_or(0.0)
            .max(jump_sd_min(quantity))
    };
    let (sd_a, sd_b) = (spread(|jump| jump.a), spread(|jump| jump.b));
    let like_step = LIKE_STEP_FRAC * step.size;
    // The step may lie at each instant that fits; by how much likelier it makes what each showed there than its usual noise does.
    let (mut by_a, mut by_b) = (0.0, 0.0);
    for jump in &jumps {
        let off = jump.a - jump.b - step.size;
        if off.abs() > OFF_SD_MAX * sd_a.hypot(sd_b).hypot(like_step) {
            continue;
        }
        let lasting = level_change(a, jump.at_ms).zip(level_change(b, jump.at_ms));
        if lasting.is_none_or(|(a, b)| (a - b - step.size).abs() > LASTING_OFF_FRAC * step.size.abs()) {
            continue;
        }
        by_a += likelihood(jump.a - step.size, sd_a.hypot(like_step)) / likelihood(jump.a, sd_a);
        by_b += likelihood(jump.b + step.size, sd_b.hypot(like_step)) / likelihood(jump.b, sd_b);
    }
    (by_a > 0.0 && by_b > 0.0).then(|| (by_a / by_b).ln())
}

/// Student's density with three degrees of freedom, but for a factor: readings jump far more often than by the normal law.
fn likelihood(left: f64, sd: f64) -> f64 {
    (1.0 + (left / sd).powi(2) / 3.0).powi(-2) / sd
}

/// What both did at an instant.
struct Jump {
    at_ms: i64,
    a: f64,
    b: f64,
}

fn apart_ms(view: View<'_>) -> Option<i64> {
    let intervals: Vec<f64> = view
        .at_ms
        .windows(2)
        .map(|pair| (pair[1] - pair[0]) as f64)
        .collect();
    Some((APART_INTERVALS_MAX * median(&intervals)? as i64).min(APART_MS_MAX))
}

/// The first reading from an instant on less the last one before it.
fn jump(view: View<'_>, at_ms: i64, apart_ms: i64) -> Option<f64> {
    let next = view.at_ms.partition_point(|at| *at < at_ms);
    let last = next.checked_sub(1)?;
    let is_near = *view.at_ms.get(next)? - view.at_ms[last] <= apart_ms;
    is_near.then(|| view.value[next] - view.value[last])
}

/// Median of the hours from an instant on less that of the hours before it.
fn level_change(view: View<'_>, at_ms: i64) -> Option<f64> {
    let level = |from_ms: i64, until_ms: i64| median(view.within(Span { from_ms, until_ms }).value);
    Some(level(at_ms, at_ms + LASTING_MS)? - level(at_ms - LASTING_MS, at_ms)?)
}

#[cfg(test)]
mod tests {
    use super::super::onset::Part;
    use super::*;
    use crate::statistics::Estimate;

    const MIN_MS: i64 = 60_000;
    const AT_MS: i64 = 30 * MIN_MS * 60;

    /// Three days, a reading a minute: the air's own course, a noise of `noise` %RH, and what is added from an instant on.
    fn series(noise: f64, added: impl Fn(i64) -> f64) -> (Vec<i64>, Vec<f64>) {
        let at_ms: Vec<i64> = (0..3 * 1440).map(|minute| minute * MIN_MS).collect();
        let value = at_ms
            .iter()
            .enumerate()
            .map(|(index, at)| {
                let course = 70.0 + 8.0 * (*at as f64 / MS_PER_24_H as f64 * std::f64::consts::TAU).sin();
                course + noise * ((index * 7919 % 101) as f64 / 50.0 - 1.0) + added(*at)
            })
            .collect();
        (at_ms, value)
    }

    fn odds(a: &(Vec<i64>, Vec<f64>), b: &(Vec<i64>, Vec<f64>), size: f64, wet: &[Span]) -> Option<f64> {
        let view = |(at_ms, value): &(Vec<i64>, Vec<f64>)| -> crate::series::Series {
            let mut series = crate::series::Series::empty();
            for (at, value) in at_ms.iter().zip(value) {
                series.push(*at, *at, *value, mosswarden_config::table::Mark::Ok);
            }
            series
        };
        let exactly = |value: f64| Estimate {
            value,
            low: value,
            high: value,
        };
        let change = Change {
            shape: Shape::Step,
            onset_ms: MS_PER_24_H,
            onset_low_ms: MS_PER_24_H,
            onset_high_ms: MS_PER_24_H,
            per_day: exactly(0.0),
            now: exactly(size),
            ended_ms: None,
            evidence: 10.0,
            evidence_of_other: None,
            parts: vec![Part {
                shape: Shape::Step,
                at_ms: MS_PER_24_H,
                size,
            }],
        };
        evidence(Quantity::Humidity, view(a).view(), view(b).view(), &change, wet)
    }

    fn from_then(size: f64) -> impl Fn(i64) -> f64 {
        move |at| if at >= AT_MS { size } else { 0.0 }
    }

    #[test]
    fn the_one_whose_reading_jumped_is_named_from_either_side() {
        let (calm, jumped) = (series(0.8, |_| 0.0), series(0.3, from_then(4.0)));
        let by_other = odds(&calm, &jumped, -4.0, &[]).expect("a jump");
        let by_itself = odds(&jumped, &calm, 4.0, &[]).expect("a jump");
        assert!(by_other < -3.0, "{by_other}");
        assert!((by_other + by_itself).abs() < 1e-9, "{by_other} {by_itself}");
    }

    #[test]
    fn a_humidistat_that_lets_the_air_follow_is_still_seen_to_jump() {
        // It reads 6 low from then on; its fogger brings the air up by as much in half an hour, and both see that.
        let up = |at: i64| (at - AT_MS).clamp(0, 30 * MIN_MS) as f64 / (30 * MIN_MS) as f64 * 6.0;
        let humidistat = series(0.3, move |at| from_then(-6.0)(at) + up(at));
        let check = series(0.3, up);
        assert!(odds(&humidistat, &check, -6.0, &[]).expect("a jump") > 3.0);
    }

    #[test]
    fn a_slow_parting_and_a_misting_say_nothing() {
        let calm = series(0.3, |_| 0.0);
        let slow = series(0.3, |at| {
            (at - AT_MS).clamp(0, 8 * MS_PER_HOUR) as f64 / (8 * MS_PER_HOUR) as f64 * 4.0
        });
        assert_eq!(odds(&slow, &calm, 4.0, &[]), None);
        let jumped = series(0.3, from_then(4.0));
        let wet = [Span {
            from_ms: AT_MS - MIN_MS,
            until_ms: AT_MS + 60 * MIN_MS,
        }];
        assert_eq!(odds(&jumped, &calm, 4.0, &wet), None);
        // Water makes no reading fall: a humidistat that jumped down calls for fog in the same minute.
        let fell = series(0.3, from_then(-4.0));
        assert!(odds(&fell, &calm, -4.0, &wet).expect("a jump") > 2.0);
    }
}
