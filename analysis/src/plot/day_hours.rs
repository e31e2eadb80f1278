//! A day by the hour: lines of what was held and shown, the wanted band, a device's share of each hour as bars below.

use super::canvas::{Anchor, draw};
use super::palette::{self, Ink};
use super::panel::{Panel, SMALL, STRONG, scale, spread};
use super::picture::{Cell, Picture, Table};
use super::trust_line::SMALL_WIDTH_PX;
use super::units::number;

pub(super) const HOURS: usize = 24;

/// One line over the hours.
#[derive(Debug, Clone, PartialEq)]
pub struct HourLine {
    pub label: &'static str,
    pub values: [Option<f64>; HOURS],
    /// Drawn broken: what a doubtful sensor shows.
    pub dashed: bool,
}

/// What is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct DayHours {
    pub title: String,
    pub unit: &'static str,
    pub lines: Vec<HourLine>,
    /// The wanted band of each hour, and a level that is asked for.
    pub wanted: [Option<(f64, f64)>; HOURS],
    pub asked: Option<f64>,
    /// Share of each hour on, 0 to 1.
    pub on_frac: [Option<f64>; HOURS],
}

const LEFT_PX: f64 = 34.0;
const RIGHT_PX: f64 = 92.0;
const TOP_PX: f64 = 22.0;
const PANEL_PX: f64 = 120.0;
const BARS_PX: f64 = 26.0;

/// Draws the day; `None` without a value.
pub fn day_hours(day: &DayHours) -> Option<Picture> {
    let values = day.lines.iter().flat_map(|line| line.values).flatten();
    values.clone().next()?;
    let (low, high) = scale(values.chain(day.asked), 8.0);
    let panel = Panel {
        low,
        high,
        top_px: TOP_PX,
        bottom_px: TOP_PX + PANEL_PX,
    };
    let bars_px = panel.bottom_px + 8.0;
    let height_px = bars_px + BARS_PX + 20.0;
    let (from_px, until_px) = (LEFT_PX, SMALL_WIDTH_PX - RIGHT_PX);
    let step = (until_px - from_px) / HOURS as f64;
    let x = |hour: usize| from_px + step * (hour as f64 + 0.5);
    let drawing = draw(SMALL_WIDTH_PX, height_px, |canvas| {
        for (hour, (band_low, band_high)) in day
            .wanted
            .iter()
            .enumerate()
            .filter_map(|(h, b)| Some((h, (*b)?)))
        {
            let (top, bottom) = (panel.y(band_high), panel.y(band_low));
            let (left, right) = (x(hour) - 0.5 * step, x(hour) + 0.5 * step);
            if top < bottom {
                canvas.rect((left, top), (right, bottom), palette::WANTED, 0.12);
            }
        }
        panel.grid(canvas, from_px, until_px, day.unit);
        let mut labels = Vec::new();
        if let Some(asked) = day.asked {
            let y = panel.y(asked);
            canvas.dashed((from_px, y), (until_px, y), palette::INK, 2, (5.0, 4.0));
            labels.push((y, format!("asked {}", number(asked)), SMALL));
        }
        for line in &day.lines {
            let ink: Ink = if line.dashed {
                palette::DEVICE
            } else {
                palette::HUMIDITY
            };
            for hour in 1..HOURS {
                if let (Some(before), Some(now)) = (line.values[hour - 1], line.values[hour]) {
                    let (from, until) = ((x(hour - 1), panel.y(before)), (x(hour), panel.y(now)));
                    if line.dashed {
                        canvas.dashed(from, until, ink, 3, (4.0, 3.0));
                    } else {
                        canvas.path(&[from, until], ink, 4);
                    }
                }
            }
            if let Some(value) = line.values.iter().rev().find_map(|v| *v) {
                labels.push((panel.y(value), line.label.to_owned(), STRONG));
            }
        }
        for (y, text, lettering) in spread(labels, panel.top_px, panel.bottom_px) {
            canvas.text((until_px + 4.0, y), &text, Anchor::Left, lettering);
        }
        let most = day.on_frac.iter().flatten().copied().fold(0.0, f64::max);
        for (hour, share) in day.on_frac.iter().enumerate() {
            if let Some(share) = share.filter(|_| most > 0.0) {
                let top = bars_px + BARS_PX * (1.0 - share / most);
                canvas.rect(
                    (x(hour) - 0.35 * step, top),
                    (x(hour) + 0.35 * step, bars_px + BARS_PX),
                    palette::DEVICE,
                    1.0,
                );
            }
            if hour % 6 == 0 {
                canvas.text(
                    (x(hour), height_px - 10.0),
                    &format!("{hour:02}:00"),
                    Anchor::Middle,
                    SMALL,
                );
            }
        }
        let foot = bars_px + BARS_PX;
        canvas.path(&[(from_px, foot), (until_px, foot)], palette::RULE, 1);
        let label = format!("on, up to {:.0} %", 100.0 * most);
        canvas.text(
            (until_px + 4.0, bars_px + 0.5 * BARS_PX),
            &label,
            Anchor::Left,
            SMALL,
        );
    });
    let mut picture = Picture::new(SMALL_WIDTH_PX, height_px, drawing);
    picture.title.clone_from(&day.title);
    picture.alternative = words(day);
    picture.table = table(day);
    Some(picture)
}

fn words(day: &DayHours) -> String {
    let parts: Vec<String> = day
        .lines
        .iter()
        .filter_map(|line| {
            let known: Vec<f64> = line.values.iter().flatten().copied().collect();
            let low = known.iter().copied().fold(f64::INFINITY, f64::min);
            let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            (!known.is_empty())
                .then(|| format!("{}: {} to {} {}", line.label, number(low), number(high), day.unit))
        })
        .collect();
    format!(
        "Hour means over the day; shaded: the wanted range; {}.",
        parts.join("; ")
    )
}

fn table(day: &DayHours) -> Table {
    let mut columns = vec!["Hour".to_owned()];
    columns.extend(
        day.lines
            .iter()
            .map(|line| format!("{}, {}", line.label, day.unit)),
    );
    columns.push("on, % of the hour".to_owned());
    let rows = (0..HOURS)
        .map(|hour| {
            let mut row = vec![Cell::text(format!("{hour:02}:00"))];
            row.extend(day.lines.iter().map(|line| Cell::known(line.values[hour])));
            row.push(Cell::known(day.on_frac[hour].map(|share| 100.0 * share)));
            row
        })
        .collect();
    Table {
        caption: day.title.clone(),
        columns,
        rows,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_that_is_not_known_is_not_drawn_over() {
        let mut values = [Some(70.0); HOURS];
        values[12] = None;
        let day = DayHours {
            title: "What the humidistat held".to_owned(),
            unit: "%RH",
            lines: vec![HourLine {
                label: "held",
                values,
                dashed: false,
            }],
            wanted: [Some((60.0, 95.0)); HOURS],
            asked: Some(80.0),
            on_frac: [Some(0.25); HOURS],
        };
        let picture = day_hours(&day).expect("it has values");
        assert_eq!(picture.table.rows[12][1].text, "not known");
        assert!(
            picture.alternative.contains("70.0 to 70.0 %RH"),
            "{}",
            picture.alternative
        );
        let empty = DayHours {
            lines: Vec::new(),
            ..day
        };
        assert!(day_hours(&empty).is_none());
    }
}
