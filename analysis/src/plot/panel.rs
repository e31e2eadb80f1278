//! One panel of a figure: a vertical scale with its gridlines, and labels that do not run into each other.

use super::canvas::{Anchor, Canvas, Lettering};
use super::palette;
use super::units::number;

/// Text of axes and labels, px.
pub(crate) const SMALL_PX: f64 = 11.0;

pub(crate) const SMALL: Lettering = Lettering {
    size_px: SMALL_PX,
    ink: palette::FAINT,
    bold: false,
};

pub(crate) const STRONG: Lettering = Lettering {
    size_px: SMALL_PX,
    ink: palette::INK,
    bold: true,
};

/// Gridlines in one panel, at most.
const GRIDLINES_MAX: usize = 4;
/// Least distance of two labels' middles, px.
const LABEL_PX: f64 = 12.5;

/// A vertical scale: `low` stands at `bottom_px`, `high` at `top_px`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Panel {
    pub low: f64,
    pub high: f64,
    pub top_px: f64,
    pub bottom_px: f64,
}

impl Panel {
    pub(crate) fn y(self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low);
        (self.bottom_px - share * (self.bottom_px - self.top_px)).clamp(self.top_px, self.bottom_px)
    }

    pub(crate) fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// Values at which gridlines stand.
    pub(crate) fn ticks(self) -> Vec<f64> {
        let span = self.high - self.low;
        let step = [
            0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0,
        ]
        .into_iter()
        .find(|step| span / step <= GRIDLINES_MAX as f64)
        .unwrap_or(span);
        let mut ticks = Vec::new();
        let mut index = (self.low / step).ceil();
        while index * step <= self.high + 1e-9 && ticks.len() < GRIDLINES_MAX {
            ticks.push(index * step);
            index += 1.0;
        }
        ticks
    }

    /// Gridlines with their numbers left of `from_px`, and the unit above them.
    pub(crate) fn grid(self, canvas: &Canvas<'_>, from_px: f64, until_px: f64, unit: &str) {
        let ticks = self.ticks();
        let whole = ticks.iter().all(|tick| (tick - tick.round()).abs() < 1e-9);
        for tick in &ticks {
            let y = self.y(*tick);
            canvas.path(&[(from_px, y), (until_px, y)], palette::RULE, 1);
            let text = number(*tick);
            let text = if whole { text.trim_end_matches(".0") } else { &text };
            canvas.text((from_px - 5.0, y), text, Anchor::Right, SMALL);
        }
        let clear = ticks
            .last()
            .is_none_or(|top| self.y(*top) - self.top_px > LABEL_PX);
        let y = if clear {
            self.top_px + 2.0
        } else {
            self.top_px - LABEL_PX
        };
        canvas.text((from_px - 5.0, y), unit, Anchor::Right, STRONG);
    }
}

/// A scale that holds all values, with a little air.
pub(crate) fn scale(values: impl IntoIterator<Item = f64>, least_span: f64) -> (f64, f64) {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for value in values {
        low = low.min(value);
        high = high.max(value);
    }
    if low > high {
        return (0.0, least_span);
    }
    let air = (0.06 * (high - low))
        .max((least_span - (high - low)) / 2.0)
        .max(0.0);
    (low - air, high + air)
}

/// Labels in one column at the wanted heights, pushed apart until they can be read, from top to bottom.
pub(crate) fn spread(
    mut labels: Vec<(f64, String, Lettering)>,
    top_px: f64,
    bottom_px: f64,
) -> Vec<(f64, String, Lettering)> {
    labels.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut least = top_px;
    for label in &mut labels {
        label.0 = label.0.max(least);
        least = label.0 + LABEL_PX;
    }
    let mut most = bottom_px;
    for label in labels.iter_mut().rev() {
        label.0 = label.0.min(most);
        most = label.0 - LABEL_PX;
    }
    labels
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn never_more_than_four_gridlines() {
        for high in [0.3, 1.0, 7.0, 16.0, 41.0, 100.0, 333.0] {
            let panel = Panel {
                low: 0.0,
                high,
                top_px: 0.0,
                bottom_px: 100.0,
            };
            let count = panel.ticks().len();
            assert!((2..=4).contains(&count), "{count} gridlines up to {high}");
        }
    }

    #[test]
    fn labels_keep_their_distance() {
        let label = |y: f64| (y, String::new(), SMALL);
        let placed = spread(vec![label(50.0), label(51.0), label(49.0)], 0.0, 60.0);
        for pair in placed.windows(2) {
            assert!(pair[1].0 - pair[0].0 >= LABEL_PX - 1e-9, "{placed:?}");
        }
        assert!(placed[2].0 <= 60.0);
    }
}
