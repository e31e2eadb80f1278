//! Differences of two sensors, cell by cell, to one robust figure a local day.
//!
//! Spatial differences that were always there (a warm spot, a wet corner, the lamp's side) come back at the same hour every
//! day: they are learned by hour of day and taken off by median polish [Tukey1977], so that a day of which only the night
//! is known can be compared with whole days.

use std::collections::BTreeMap;

use mosswarden_config::zone::{MS_PER_HOUR, Span, Zone};

use crate::statistics::robust::{median, robust_standard_deviation};

/// One cell's difference, with what else may explain it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Difference {
    pub at_ms: i64,
    pub value: f64,
    /// The level at which it was taken (what the sensor should read), for gain.
    pub level: f64,
}

/// One local day's figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct DayFigure {
    /// Start of the local day.
    pub at_ms: i64,
    /// Days since the first day of the history.
    pub day: f64,
    pub difference: f64,
    pub level: f64,
    /// Hours of the day that had enough quiet cells.
    pub hour_count: usize,
    /// The same by part of the day; `None` where nothing of that part is known.
    pub by_part: [Option<PartFigure>; PARTS],
}

/// Night, morning, afternoon and evening: quarters of the local day, from midnight on.
pub(super) const PARTS: usize = 4;
const HOURS_PER_PART: usize = HOURS / PARTS;

/// What one part of a day shows beside the whole of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PartFigure {
    /// Its difference less that of the day and less what is usual at these hours.
    pub departure: f64,
    pub level: f64,
}

/// A day needs this many hours with quiet cells.
const HOURS_PER_DAY_MIN: usize = 4;
/// Sweeps of the median polish; it has settled long before.
const SWEEP_COUNT: usize = 6;
const HOURS: usize = 24;

type Table = Vec<[Option<(f64, f64)>; HOURS]>;

/// Effects of the day and of the hour by median polish [Tukey1977].
struct Polished {
    /// By day of the table; 0 where a day is not judged.
    day_effect: Vec<f64>,
    hour_effect: [f64; HOURS],
}

fn polished(table: &Table, judged: &[usize], of: impl Fn(&(f64, f64)) -> f64) -> Polished {
    let mut day_effect = vec![0.0; table.len()];
    let mut hour_effect = [0.0; HOURS];
    for _ in 0..SWEEP_COUNT {
        for &day in judged {
            let left: Vec<f64> = (0..HOURS)
                .filter_map(|hour| Some(of(table[day][hour].as_ref()?) - hour_effect[hour]))
                .collect();
            day_effect[day] = median(&left).unwrap_or(0.0);
        }
        for hour in 0..HOURS {
            let left: Vec<f64> = judged
                .iter()
                .filter_map(|&day| Some(of(table[day][hour].as_ref()?) - day_effect[day]))
                .collect();
            hour_effect[hour] = median(&left).unwrap_or(0.0);
        }
        // The common level belongs to the days, so that hours hold a pattern only.
        let centre = median(&hour_effect).unwrap_or(0.0);
        hour_effect.iter_mut().for_each(|effect| *effect -= centre);
        day_effect.iter_mut().for_each(|effect| *effect += centre);
    }
    Polished {
        day_effect,
        hour_effect,
    }
}

/// Prior standard deviation of how a difference follows the level: a corner that is wetter by a share of what lacks to saturation.
const FOLLOWS_SD: f64 = 0.15;

/// Takes off how the difference follows the level within the days: a wetter corner or a gain error that was always there moves with
/// every misting and every lamp, a drift does not.
fn follow_level(table: &mut Table, judged: &[usize]) {
    // The middle of both: noise of the one that gives the level would pose as something that the difference follows.
    let of_both = |(value, level): &(f64, f64)| level + 0.5 * value;
    let (values, levels) = (
        polished(table, judged, |cell| cell.0),
        polished(table, judged, of_both),
    );
    let mut pairs = Vec::new();
    for &day in judged {
        for hour in 0..HOURS {
            if let Some(cell) = table[day][hour] {
                let left =
                    |of: f64, effects: &Polished| of - effects.day_effect[day] - effects.hour_effect[hour];
                pairs.push((left(of_both(&cell), &levels), left(cell.0, &values)));
            }
        }
    }
    let residuals: Vec<f64> = pairs.iter().map(|(_, value)| *value).collect();
    let Some(spread) = robust_standard_deviation(&residuals).filter(|spread| *spread > 0.0) else {
        return;
    };
    let others = judged.iter().flat_map(|day| table[*day].iter().flatten());
    let Some(usual) = median(&others.map(|(_, level)| *level).collect::<Vec<_>>()) else {
        return;
    };
    let clipped = |value: f64| value.clamp(-3.0 * spread, 3.0 * spread);
    let (mut along, mut square) = (0.0, (spread / FOLLOWS_SD).powi(2));
    for (level, value) in pairs {
        along += level * clipped(value);
        square += level * level;
    }
    let follows = along / square;
    // By the other alone, which has no part in what the one that is judged is off by.
    let slope = follows / (1.0 - 0.5 * follows);
    for cell in table.iter_mut().flatten().flatten() {
        cell.0 -= slope * (cell.1 - usual);
    }
}

/// Differences in order of time → one figure a local day; days with too little are left out.
pub(super) fn daily(zone: Zone, span: Span, differences: &[Difference]) -> Vec<DayFigure> {
    let days: Vec<Span> = zone.dates(span).into_iter().map(|date| zone.day(date)).collect();
    let mut table: Table = vec![[None; HOURS]; days.len()];
    let (mut values, mut levels) = (Vec::new(), Vec::new());
    let mut start = 0;
    for (day, row) in days.iter().zip(&mut table) {
        let until = start + differences[start..].partition_point(|d| d.at_ms < day.until_ms);
        // Hours since midnight in elapsed time: lamps and heaters move with the light hours, which do the same.
        let hour =
            |of: &Difference| ((of.at_ms - day.from_ms) / MS_PER_HOUR).clamp(0, HOURS as i64 - 1) as usize;
        for of_hour in differences[start..until].chunk_by(|a, b| hour(a) == hour(b)) {
            values.clear();
            values.extend(of_hour.iter().map(|difference| difference.value));
            levels.clear();
            levels.extend(of_hour.iter().map(|difference| difference.level));
            row[hour(&of_hour[0])] = median(&values).zip(median(&levels));
        }
        start = until;
    }

    let known = |row: &[Option<(f64, f64)>; HOURS]| row.iter().flatten().count();
    let judged: Vec<usize> = (0..days.len())
        .filter(|day| known(&table[*day]) >= HOURS_PER_DAY_MIN)
        .collect();
    follow_level(&mut table, &judged);
    let Polished {
        day_effect,
        hour_effect,
    } = polished(&table, &judged, |cell| cell.0);
    let part_figure = |day: usize, part: usize| {
        let of = |value: &dyn Fn(usize, &(f64, f64)) -> f64| {
            let hours = part * HOURS_PER_PART..(part + 1) * HOURS_PER_PART;
            let known: Vec<f64> = hours
                .filter_map(|hour| Some(value(hour, table[day][hour].as_ref()?)))
                .collect();
            median(&known)
        };
        Some(PartFigure {
            departure: of(&|hour, cell| cell.0 - hour_effect[hour])? - day_effect[day],
            level: of(&|_, cell| cell.1)?,
        })
    };
    judged
        .iter()
        .map(|&day| {
            let levels: Vec<f64> = table[day].iter().flatten().map(|(_, level)| *level).collect();
            DayFigure {
                at_ms: days[day].from_ms,
                day: day as f64,
                difference: day_effect[day],
                level: median(&levels).unwrap_or(0.0),
                hour_count: levels.len(),
                by_part: std::array::from_fn(|part| part_figure(day, part)),
            }
        })
        .collect()
}

/// Takes the middle of both for the level of each day: what the other wanders by would pose as a level that the difference follows, and as a drift of the
/// one that is judged.
pub(super) fn at_level_of_both(figures: &mut [DayFigure]) {
    for figure in figures {
        figure.level += 0.5 * figure.difference;
    }
}

/// Several comparisons of one sensor to one figure a day: each is taken off its own usual level first.
pub(super) fn combine(pairs: &[&[DayFigure]]) -> Vec<DayFigure> {
    let mut by_day: BTreeMap<i64, Vec<DayFigure>> = BTreeMap::new();
    for figures in pairs {
        let usual = usual_level(figures);
        for figure in *figures {
            let centred = DayFigure {
                difference: figure.difference - usual,
                ..*figure
            };
            by_day.entry(figure.at_ms).or_default().push(centred);
        }
    }
    by_day
        .into_values()
        .map(|figures| {
            let count = figures.len() as f64;
            DayFigure {
                difference: figures.iter().map(|f| f.difference).sum::<f64>() / count,
                level: figures.iter().map(|f| f.level).sum::<f64>() / count,
                hour_count: figures.iter().map(|f| f.hour_count).min().unwrap_or(1),
                by_part: std::array::from_fn(|part| mean_of_part(&figures, part)),
                ..figures[0]
            }
        })
        .collect()
}

/// One part of a day over several comparisons, where all know it.
fn mean_of_part(figures: &[DayFigure], part: usize) -> Option<PartFigure> {
    let parts: Vec<PartFigure> = figures.iter().map(|f| f.by_part[part]).collect::<Option<_>>()?;
    let mean = |of: fn(&PartFigure) -> f64| parts.iter().map(of).sum::<f64>() / parts.len() as f64;
    Some(PartFigure {
        departure: mean(|part| part.departure),
        level: mean(|part| part.level),
    })
}

/// The level of the first two weeks: what was always there.
pub(super) fn usual_level(figures: &[DayFigure]) -> f64 {
    const FIRST_DAYS: usize = 14;
    let first: Vec<f64> = figures.iter().take(FIRST_DAYS).map(|f| f.difference).collect();
    median(&first).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pattern_of_the_day_is_learned_and_a_half_known_day_is_not_a_change() {
        let zone = Zone::from_name("UTC").expect("an IANA name");
        let span = Span {
            from_ms: 0,
            until_ms: 10 * 24 * MS_PER_HOUR,
        };
        let mut differences = Vec::new();
        for hour in 0..240_i64 {
            let of_day = hour % 24;
            // By day the probe stands 4 above, by night 0; on the last day only six hours of daylight are known.
            let value = if (8..20).contains(&of_day) { 4.0 } else { 0.0 };
            if hour < 216 || (10..16).contains(&of_day) {
                differences.push(Difference {
                    at_ms: hour * MS_PER_HOUR,
                    value,
                    level: 80.0,
                });
            }
        }
        let figures = daily(zone, span, &differences);
        assert_eq!(figures.len(), 10);
        let (first, last) = (figures[0].difference, figures[9].difference);
        assert!((first - last).abs() < 1e-9, "first {first}, last {last}");
        assert_eq!(figures[9].hour_count, 6);
    }

    #[test]
    fn a_change_by_day_alone_shows_in_the_parts_of_that_day() {
        let zone = Zone::from_name("UTC").expect("an IANA name");
        let span = Span {
            from_ms: 0,
            until_ms: 10 * 24 * MS_PER_HOUR,
        };
        let differences: Vec<Difference> = (0..240_i64)
            .map(|hour| Difference {
                at_ms: hour * MS_PER_HOUR,
                // On the last day 3 more in the afternoon.
                value: if hour >= 216 && (12..18).contains(&(hour % 24)) {
                    3.0
                } else {
                    0.0
                },
                level: 80.0,
            })
            .collect();
        let figures = daily(zone, span, &differences);
        let departures = |day: usize| figures[day].by_part.map(|part| part.map(|part| part.departure));
        assert_eq!(departures(8), [Some(0.0); PARTS]);
        assert_eq!(departures(9), [Some(0.0), Some(0.0), Some(3.0), Some(0.0)]);
    }
}
