//! Is a sensor's clock right? By the marks given at the door, by how its readings arrive, and by when it sees what the others see.

use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::grid::{CELL_MS, Grid};
use crate::series::Series;
use crate::statistics::robust::median;

/// A clock that is wrong, s, positive where the sensor's stamps are late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Offset {
    pub span: Span,
    pub offset_s: f64,
    /// Half-width of what the method can tell, s.
    pub half_width_s: f64,
}

/// Share of a sensor's readings with a refused clock from which on it is told.
const MARKED_FRAC_MIN: f64 = 0.05;

/// Stretches in which the device's own time could not be believed.
pub(super) fn marked(series: &Series, span: Span) -> Option<Span> {
    let inside = (0..series.len()).filter(|index| span.contains(series.at_ms[*index]));
    let (mut count, mut wrong) = (0_usize, Vec::new());
    for index in inside {
        count += 1;
        if matches!(series.mark[index], Mark::ClockReset | Mark::ClockAhead) {
            wrong.push(series.at_ms[index]);
        }
    }
    let enough = !wrong.is_empty() && wrong.len() as f64 >= MARKED_FRAC_MIN * count as f64;
    enough.then(|| Span {
        from_ms: wrong[0],
        until_ms: wrong[wrong.len() - 1] + 1,
    })
}

/// Largest offset that is looked for: four hours covers a zone written wrongly by up to that and every clock change.
const LAG_CELLS_MAX: i64 = 4 * MS_PER_HOUR / CELL_MS;
/// An offset below two cells can't be told from the response of the sensor.
const LAG_CELLS_MIN: i64 = 2;
/// Correlation at the best shift, and how much better it must be than without a shift.
const CORRELATION_MIN: f64 = 0.55;
const CORRELATION_GAIN_MIN: f64 = 0.25;
/// A window is one day; it needs this many cells in common.
const CELLS_MIN: usize = 90;
/// Days in a row that must agree.
const DAYS_MIN: usize = 2;

/// Days on which `own` follows `others` by the same shift, to the end of `history` or until it was put right.
pub(super) fn shifted(own: &Grid, others: &[&Grid], history: Span) -> Option<Offset> {
    let day_cells = MS_PER_24_H / CELL_MS;
    let day_count = (history.until_ms - history.from_ms) / MS_PER_24_H;
    // Days are counted back from the end, so that the last one is whole.
    let mut run: Vec<(i64, i64)> = Vec::new();
    let last_cell = history.until_ms.div_euclid(CELL_MS) - own.first_index;
    for day in 0..day_count {
        let until = last_cell - day * day_cells;
        let lags: Vec<f64> = others
            .iter()
            .filter_map(|other| lag(own, other, until - day_cells, until))
            .map(|l| l as f64)
            .collect();
        match median(&lags) {
            Some(l)
                if l.abs() >= LAG_CELLS_MIN as f64
                    && run.last().is_none_or(|(_, first)| (l as i64 - first).abs() <= 1) =>
            {
                run.push((until, l as i64));
            }
            _ => break,
        }
    }
    if run.len() < DAYS_MIN {
        return None;
    }
    let lags: Vec<f64> = run.iter().map(|(_, lag)| *lag as f64).collect();
    let oldest = run[run.len() - 1].0 - day_cells;
    Some(Offset {
        span: Span {
            from_ms: (own.first_index + oldest) * CELL_MS,
            until_ms: history.until_ms,
        },
        offset_s: median(&lags)? * CELL_MS as f64 / 1000.0,
        half_width_s: CELL_MS as f64 / 1000.0,
    })
}

/// The shift in cells at which changes of `own` follow those of `other` best, where a shift is clearly better than none.
fn lag(own: &Grid, other: &Grid, from: i64, until: i64) -> Option<i64> {
    let changes = |grid: &Grid, from: i64, until: i64| -> Vec<Option<f64>> {
        (from..until)
            .map(|index| {
                grid.change(usize::try_from(index).ok()?)
                    .filter(|_| (index as usize) < grid.cells.len())
            })
            .collect()
    };
    if from < LAG_CELLS_MAX + 1 || until > own.cells.len() as i64 {
        return None;
    }
    let mine = changes(own, from, until);
    let at = |shift: i64| correlation(&mine, &changes(other, from - shift, until - shift));
    let unshifted = at(0)?;
    let (best, most) = (-LAG_CELLS_MAX..=LAG_CELLS_MAX)
        .filter(|shift| until - shift <= other.cells.len() as i64)
        .filter_map(|shift| Some((shift, at(shift)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    if most >= CORRELATION_MIN && most - unshifted >= CORRELATION_GAIN_MIN {
        Some(best)
    } else if unshifted >= CORRELATION_MIN {
        Some(0)
    } else {
        None
    }
}

/// Pearson's correlation over positions known on both sides; `None` where too few are.
fn correlation(a: &[Option<f64>], b: &[Option<f64>]) -> Option<f64> {
    let pairs: Vec<(f64, f64)> = a.iter().zip(b).filter_map(|(x, y)| (*x).zip(*y)).collect();
    if pairs.len() < CELLS_MIN {
        return None;
    }
    let count = pairs.len() as f64;
    let (mean_a, mean_b) = (
        pairs.iter().map(|p| p.0).sum::<f64>() / count,
        pairs.iter().map(|p| p.1).sum::<f64>() / count,
    );
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        ab += (x - mean_a) * (y - mean_b);
        aa += (x - mean_a).powi(2);
        bb += (y - mean_b).powi(2);
    }
    (aa > 0.0 && bb > 0.0).then(|| ab / (aa * bb).sqrt())
}
