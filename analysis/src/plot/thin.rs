//! Long series to as few points as a screen can show: the lowest and highest of each column of pixels, in their order.

use mosswarden_config::zone::Span;

use crate::series::View;

/// A straight map from time to a horizontal place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TimeAxis {
    pub span: Span,
    pub from_px: f64,
    pub until_px: f64,
}

impl TimeAxis {
    pub(crate) fn x(self, at_ms: i64) -> f64 {
        let share = (at_ms - self.span.from_ms) as f64 / (self.span.until_ms - self.span.from_ms) as f64;
        self.from_px + share * (self.until_px - self.from_px)
    }
}

/// The lowest and highest value of one column, in the order in which they came.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Column {
    pub first: (i64, f64),
    pub second: (i64, f64),
}

impl Column {
    pub(crate) fn low(self) -> f64 {
        self.first.1.min(self.second.1)
    }

    pub(crate) fn high(self) -> f64 {
        self.first.1.max(self.second.1)
    }
}

/// Runs without a gap, each as columns `column_px` wide. Readings outside the axis' span are left out.
pub(crate) fn columns(view: View<'_>, gap_ms: i64, axis: TimeAxis, column_px: f64) -> Vec<Vec<Column>> {
    let part = view.within(axis.span);
    let mut runs: Vec<Vec<Column>> = Vec::new();
    let mut current = (usize::MAX, i64::MIN);
    for (at_ms, value) in part.at_ms.iter().copied().zip(part.value.iter().copied()) {
        let index = ((axis.x(at_ms) - axis.from_px) / column_px) as usize;
        let interrupted = runs.is_empty() || at_ms - current.1 > gap_ms;
        let point = (at_ms, value);
        let fresh = Column {
            first: point,
            second: point,
        };
        if interrupted {
            runs.push(vec![fresh]);
        } else if let Some(run) = runs.last_mut() {
            match run.last_mut().filter(|_| index == current.0) {
                Some(column) => widen(column, point),
                None => run.push(fresh),
            }
        }
        current = (index, at_ms);
    }
    runs
}

fn widen(column: &mut Column, point: (i64, f64)) {
    let (low, high) = if column.first.1 <= column.second.1 {
        (column.first, column.second)
    } else {
        (column.second, column.first)
    };
    let low = if point.1 < low.1 { point } else { low };
    let high = if point.1 > high.1 { point } else { high };
    (column.first, column.second) = if low.0 <= high.0 { (low, high) } else { (high, low) };
}

/// The points of a run, for a line.
pub(crate) fn points(run: &[Column]) -> impl Iterator<Item = (i64, f64)> + '_ {
    run.iter().flat_map(|column| {
        let both = [Some(column.first), Some(column.second)];
        let count = if column.first == column.second { 1 } else { 2 };
        both.into_iter().take(count).flatten()
    })
}

/// Parts of the span for which there are no readings: pauses longer than `gap_ms`, and the edges.
pub(crate) fn gaps(view: View<'_>, gap_ms: i64, span: Span) -> Vec<Span> {
    let part = view.within(span);
    let mut gaps = Vec::new();
    let mut before = None;
    for at_ms in part.at_ms.iter().copied().map(Some).chain([None]) {
        let from_ms = before.unwrap_or(span.from_ms);
        let until_ms = at_ms.unwrap_or(span.until_ms);
        if until_ms - from_ms > gap_ms {
            gaps.push(Span { from_ms, until_ms });
        }
        before = at_ms;
    }
    gaps
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::Series;
    use mosswarden_config::table::Mark;

    fn series(points: &[(i64, f64)]) -> Series {
        let mut series = Series::default();
        for (at_ms, value) in points {
            series.push(*at_ms, *at_ms, *value, Mark::Ok);
        }
        series
    }

    const SPAN: Span = Span {
        from_ms: 0,
        until_ms: 100,
    };
    const AXIS: TimeAxis = TimeAxis {
        span: SPAN,
        from_px: 0.0,
        until_px: 10.0,
    };

    #[test]
    fn extremes_survive_and_gaps_part_the_line() {
        let many = series(&[(0, 1.0), (3, 9.0), (5, 2.0), (8, -4.0), (50, 5.0), (55, 6.0)]);
        let runs = columns(many.view(), 20, AXIS, 1.0);
        assert_eq!(runs.len(), 2, "a pause of 42 is a gap");
        assert_eq!(
            points(&runs[0]).collect::<Vec<_>>(),
            [(3, 9.0), (8, -4.0)],
            "highest, then lowest, as they came"
        );
        assert_eq!(points(&runs[1]).count(), 2);
    }

    #[test]
    fn edges_without_readings_are_gaps() {
        let late = series(&[(40, 1.0), (50, 1.0)]);
        let span = |from_ms, until_ms| Span { from_ms, until_ms };
        assert_eq!(gaps(late.view(), 20, SPAN), [span(0, 40), span(50, 100)]);
        assert_eq!(gaps(series(&[]).view(), 20, SPAN), [SPAN]);
    }
}
