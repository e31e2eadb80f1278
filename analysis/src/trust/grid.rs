//! One sensor's readings on a common grid, usually of ten minutes, so that sensors with different clocks and intervals can be compared.

use mosswarden_config::zone::Span;

use crate::series::Series;

/// Width of a cell. Shorter than the response of an enclosure, longer than the interval of most sensors (own choice).
pub(super) const CELL_MS: i64 = 10 * 60_000;

/// Means by cell of one series; `None` where a cell has no reading and none can be drawn between close neighbours.
#[derive(Debug, Clone)]
pub(super) struct Grid {
    pub cell_ms: i64,
    /// Index of the first cell: its start divided by the width of a cell.
    pub first_index: i64,
    pub cells: Vec<Option<f64>>,
}

impl Grid {
    pub(super) fn of(series: &Series, span: Span) -> Grid {
        Grid::with_cells(series, span, CELL_MS)
    }

    pub(super) fn with_cells(series: &Series, span: Span, cell_ms: i64) -> Grid {
        let first_index = span.from_ms.div_euclid(cell_ms);
        let until_index = (span.until_ms + cell_ms - 1).div_euclid(cell_ms);
        let count = usize::try_from(until_index - first_index).unwrap_or(0);
        let (mut sums, mut counts) = (vec![0.0; count], vec![0_u32; count]);
        let inside = series.within(span);
        let (mut index, mut end_ms) = (0, first_index * cell_ms);
        for (at, value) in inside.at_ms.iter().zip(inside.value) {
            if *at >= end_ms {
                index = (at.div_euclid(cell_ms) - first_index) as usize;
                end_ms = (first_index + index as i64 + 1) * cell_ms;
            }
            sums[index] += value;
            counts[index] += 1;
        }
        let (view, gap_ms) = (series.view(), series.gap_ms());
        let cells = (0..count)
            .map(|index| match counts[index] {
                0 => view.value_at((first_index + index as i64) * cell_ms + cell_ms / 2, gap_ms),
                n => Some(sums[index] / f64::from(n)),
            })
            .collect();
        Grid {
            cell_ms,
            first_index,
            cells,
        }
    }

    /// Start of cell `index`, ms.
    pub(super) fn start_ms(&self, index: usize) -> i64 {
        (self.first_index + index as i64) * self.cell_ms
    }

    /// Index of the cell that holds an instant, if it is on the grid.
    pub(super) fn index_of(&self, at_ms: i64) -> Option<usize> {
        let index = usize::try_from(at_ms.div_euclid(self.cell_ms) - self.first_index).ok()?;
        (index < self.cells.len()).then_some(index)
    }

    /// Change over the cell before, per cell.
    pub(super) fn change(&self, index: usize) -> Option<f64> {
        Some(self.cells[index]? - self.cells[index.checked_sub(1)?]?)
    }
}
