//! Weights over time: each weighing a dot, and where a trend can be told its line inside the fan of its interval.

use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use super::canvas::{Anchor, draw};
use super::palette;
use super::panel::{Panel, SMALL, STRONG, scale, spread};
use super::picture::Picture;
use super::thin::TimeAxis;
use super::trust_line::SMALL_WIDTH_PX;
use super::units::number;
use crate::statistics::interval::Estimate;

/// What is shown; weights in g.
pub struct WeightPlot<'a> {
    pub zone: Zone,
    /// In order of time, at least one.
    pub points: &'a [(i64, f64)],
    /// The middle that the line goes through, and its slope per ms with its interval.
    pub line: Option<((i64, f64), Estimate)>,
}

const HEIGHT_PX: f64 = 170.0;
const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 62.0;
const TOP_PX: f64 = 14.0;
const BOTTOM_PX: f64 = 146.0;
/// Room above and below the weights, as a share of the heaviest.
const ROOM_FRAC: f64 = 0.02;

/// Draws the weights; words and table are the caller's.
pub fn weight_plot(plot: &WeightPlot<'_>) -> Picture {
    let (Some(first), Some(last)) = (plot.points.first(), plot.points.last()) else {
        return Picture::new(SMALL_WIDTH_PX, HEIGHT_PX, String::new());
    };
    let axis = TimeAxis {
        span: Span {
            from_ms: first.0,
            until_ms: last.0.max(first.0 + MS_PER_24_H),
        },
        from_px: LEFT_PX,
        until_px: SMALL_WIDTH_PX - RIGHT_PX,
    };
    let heaviest = plot.points.iter().map(|point| point.1).fold(0.0, f64::max);
    let values = plot
        .points
        .iter()
        .flat_map(|point| [point.1 - ROOM_FRAC * heaviest, point.1 + ROOM_FRAC * heaviest]);
    let (low, high) = scale(values, 1.0);
    let panel = Panel {
        low,
        high,
        top_px: TOP_PX,
        bottom_px: BOTTOM_PX,
    };
    let place = |at_ms: i64, grams: f64| (axis.x(at_ms), panel.y(grams.clamp(low, high)));
    let drawing = draw(SMALL_WIDTH_PX, HEIGHT_PX, |canvas| {
        panel.grid(canvas, axis.from_px, axis.until_px, "g");
        let mut labels = vec![(panel.y(last.1), format!("{} g", number(last.1)), STRONG)];
        if let Some(((middle_ms, middle), slope)) = plot.line {
            let at = |at_ms: i64, slope: f64| middle + slope * (at_ms - middle_ms) as f64;
            let ends = [first.0, middle_ms, last.0];
            let upper = ends
                .iter()
                .map(|end| (*end, at(*end, slope.low).max(at(*end, slope.high))));
            let lower = ends
                .iter()
                .rev()
                .map(|end| (*end, at(*end, slope.low).min(at(*end, slope.high))));
            let fan: Vec<(f64, f64)> = upper
                .chain(lower)
                .map(|(at_ms, grams)| place(at_ms, grams))
                .collect();
            canvas.polygon(&fan, palette::HUMIDITY, 0.22);
            let line = [first.0, last.0].map(|end| place(end, at(end, slope.value)));
            canvas.path(&line, palette::HUMIDITY, 3);
            labels.push((line[1].1, "trend".to_owned(), SMALL));
        }
        for point in plot.points {
            canvas.dot(place(point.0, point.1), 3.0, palette::INK, true);
        }
        for (y, text, lettering) in spread(labels, TOP_PX, BOTTOM_PX) {
            canvas.text((axis.until_px + 5.0, y), &text, Anchor::Left, lettering);
        }
        let name = |at_ms: i64| plot.zone.date(at_ms).format("%-d %b %Y").to_string();
        let under = BOTTOM_PX + 13.0;
        canvas.text((axis.from_px, under), &name(first.0), Anchor::Left, SMALL);
        canvas.text((axis.until_px, under), &name(last.0), Anchor::Right, SMALL);
    });
    Picture::new(SMALL_WIDTH_PX, HEIGHT_PX, drawing)
}
