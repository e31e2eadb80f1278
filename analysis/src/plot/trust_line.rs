//! The trust line: by how much a sensor differs from what it should read, by day, with its interval.

use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use super::canvas::{Anchor, draw};
use super::palette;
use super::panel::{Panel, SMALL, STRONG, scale, spread};
use super::picture::{Cell, Picture, Table};
use super::strip::Mark;
use super::thin::TimeAxis;
use super::units::number;
use crate::trust::DailyDifference;

/// What a trust line shows, already in shown units.
#[derive(Debug, Clone)]
pub struct TrustLine<'a> {
    pub name: &'a str,
    pub unit: &'a str,
    pub zone: Zone,
    pub differences: &'a [DailyDifference],
    /// ± that is tolerated, such as the maker's limits; shaded.
    pub tolerance: Option<f64>,
    pub marks: Vec<Mark>,
}

/// Size of a small picture, px: it fits a phone at full size.
pub(super) const SMALL_WIDTH_PX: f64 = 344.0;
const HEIGHT_PX: f64 = 150.0;
const LEFT_PX: f64 = 34.0;
const RIGHT_PX: f64 = 62.0;
const TOP_PX: f64 = 24.0;
const BOTTOM_PX: f64 = 128.0;
/// Days without a comparison after which the line is parted.
const PARTED_DAYS: i64 = 2;

/// Draws the line; `None` where nothing could be compared.
pub fn trust_line(line: &TrustLine<'_>) -> Option<Picture> {
    let (first, last) = (line.differences.first()?, line.differences.last()?);
    let axis = TimeAxis {
        span: Span {
            from_ms: first.at_ms,
            until_ms: last.at_ms + MS_PER_24_H,
        },
        from_px: LEFT_PX,
        until_px: SMALL_WIDTH_PX - RIGHT_PX,
    };
    let tolerance = line.tolerance.unwrap_or(0.0);
    let values = line
        .differences
        .iter()
        .flat_map(|d| [d.difference - d.half_width, d.difference + d.half_width])
        .chain([0.0, -tolerance, tolerance]);
    let (low, high) = scale(values, 2.0);
    let panel = Panel {
        low,
        high,
        top_px: TOP_PX,
        bottom_px: BOTTOM_PX,
    };
    let x = |at_ms: i64| axis.x(at_ms + MS_PER_24_H / 2);
    let drawing = draw(SMALL_WIDTH_PX, HEIGHT_PX, |canvas| {
        panel.grid(canvas, axis.from_px, axis.until_px, line.unit);
        if tolerance > 0.0 {
            canvas.rect(
                (axis.from_px, panel.y(tolerance)),
                (axis.until_px, panel.y(-tolerance)),
                palette::WANTED,
                0.16,
            );
        }
        canvas.path(
            &[(axis.from_px, panel.y(0.0)), (axis.until_px, panel.y(0.0))],
            palette::INK,
            2,
        );
        for run in line
            .differences
            .chunk_by(|a, b| b.at_ms - a.at_ms <= PARTED_DAYS * MS_PER_24_H)
        {
            let upper = run
                .iter()
                .map(|d| (x(d.at_ms), panel.y(d.difference + d.half_width)));
            let lower = run
                .iter()
                .rev()
                .map(|d| (x(d.at_ms), panel.y(d.difference - d.half_width)));
            let outline: Vec<(f64, f64)> = upper.chain(lower).collect();
            canvas.polygon(&outline, palette::HUMIDITY, 0.22);
            let path: Vec<(f64, f64)> = run.iter().map(|d| (x(d.at_ms), panel.y(d.difference))).collect();
            match path.as_slice() {
                [only] => canvas.dot(*only, 2.0, palette::HUMIDITY, true),
                _ => canvas.path(&path, palette::HUMIDITY, 3),
            }
        }
        let mut free_from = f64::NEG_INFINITY;
        for mark in line.marks.iter().filter(|mark| axis.span.contains(mark.at_ms)) {
            let place = axis.x(mark.at_ms);
            let centre = place.max(free_from);
            free_from = centre + 15.0;
            canvas.path(&[(place, TOP_PX - 6.0), (place, BOTTOM_PX)], palette::FAINT, 1);
            canvas.dot((centre, 10.0), 7.0, palette::PAPER, true);
            canvas.dot((centre, 10.0), 7.0, palette::INK, false);
            canvas.text((centre, 10.0), &mark.label, Anchor::Middle, STRONG);
        }
        let mut labels = vec![
            (panel.y(0.0), "agrees".to_owned(), SMALL),
            (panel.y(last.difference), "reads".to_owned(), STRONG),
        ];
        if tolerance > 0.0 {
            labels.push((panel.y(-tolerance), format!("±{}", number(tolerance)), SMALL));
        }
        for (y, text, lettering) in spread(labels, TOP_PX, BOTTOM_PX) {
            canvas.text((axis.until_px + 4.0, y), &text, Anchor::Left, lettering);
        }
        let name = |at_ms: i64| line.zone.date(at_ms).format("%-d %b").to_string();
        canvas.text(
            (axis.from_px, BOTTOM_PX + 12.0),
            &name(first.at_ms),
            Anchor::Left,
            SMALL,
        );
        canvas.text(
            (axis.until_px, BOTTOM_PX + 12.0),
            &name(last.at_ms),
            Anchor::Right,
            SMALL,
        );
    });
    let mut picture = Picture::new(SMALL_WIDTH_PX, HEIGHT_PX, drawing);
    picture.title = format!("{}: difference from what it should read", line.name);
    picture.alternative = format!(
        "From {} to {} {} on {}, by day over {} days; the last lies between {} and {} {} (95 %).",
        number(first.difference),
        number(last.difference),
        line.unit,
        line.zone.date(last.at_ms).format("%-d %B"),
        line.differences.len(),
        number(last.difference - last.half_width),
        number(last.difference + last.half_width),
        line.unit
    );
    picture.table = Table {
        caption: format!("{}: difference from what it should read, by day", line.name),
        columns: vec![
            "Day".to_owned(),
            format!("difference, {}", line.unit),
            "lowest (95 %)".to_owned(),
            "highest (95 %)".to_owned(),
        ],
        rows: line
            .differences
            .iter()
            .map(|d| {
                vec![
                    Cell::text(line.zone.date(d.at_ms).format("%a %-d %b").to_string()),
                    Cell::number(d.difference),
                    Cell::number(d.difference - d.half_width),
                    Cell::number(d.difference + d.half_width),
                ]
            })
            .collect(),
    };
    Some(picture)
}
