//! One sensor's readings on a common grid of ten minutes, so that sensors with different clocks and intervals can be compared.

use mosswarden_config::zone::Span;

use crate::series::View;

/// Width of a cell. Shorter than the response of an enclosure, longer than the interval of most sensors (own choice).
pub(super) const CELL_MS: i64 = 10 * 60_000;

/// Means by cell of one series; `None` where a cell has no reading and none can be drawn between close neighbours.
#[derive(Debug, Clone)]
pub(super) struct Grid {
    /// Index of the first cell: its start divided by [`CELL_MS`].
    pub first_index: i64,
    pub cells: Vec<Option<f64>>,
}

impl Grid {
    pub(super) fn of(view: View<'_>, span: Span) -> Grid {
        let first_index = span.from_ms.div_euclid(CELL_MS);
        let until_index = (span.until_ms + CELL_MS - 1).div_euclid(CELL_MS);
        let count = usize::try_from(until_index - first_index).unwrap_or(0);
        let (mut sums, mut counts) = (vec![0.0; count], vec![0_u32; count]);
        let inside = view.within(span);
        for (at, value) in inside.at_ms.iter().zip(inside.value) {
            let index = (at.div_euclid(CELL_MS) - first_index) as usize;
            sums[index] += value;
            counts[index] += 1;
        }
        let gap_ms = view.gap_ms();
        let cells = (0..count)
            .map(|index| match counts[index] {
                0 => view.value_at((first_index + index as i64) * CELL_MS + CELL_MS / 2, gap_ms),
                n => Some(sums[index] / f64::from(n)),
            })
            .collect();
        Grid { first_index, cells }
    }

    /// Start of cell `index`, ms.
    pub(super) fn start_ms(&self, index: usize) -> i64 {
        (self.first_index + index as i64) * CELL_MS
    }

    /// Index of the cell that holds an instant, if it is on the grid.
    pub(super) fn index_of(&self, at_ms: i64) -> Option<usize> {
        let index = usize::try_from(at_ms.div_euclid(CELL_MS) - self.first_index).ok()?;
        (index < self.cells.len()).then_some(index)
    }

    /// Change over the cell before, per cell.
    pub(super) fn change(&self, index: usize) -> Option<f64> {
        Some(self.cells[index]? - self.cells[index.checked_sub(1)?]?)
    }
}
