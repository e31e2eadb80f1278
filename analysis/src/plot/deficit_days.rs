//! What the air could still take up, day by day and night by night, with the hours of dew on the glass below.

use super::canvas::{Anchor, draw};
use super::palette;
use super::panel::{Panel, SMALL, STRONG, scale, spread};
use super::picture::{Cell, Picture, Table};
use super::trust_line::SMALL_WIDTH_PX;
use super::units::number;

/// One local day.
#[derive(Debug, Clone, PartialEq)]
pub struct DeficitDay {
    /// Such as "Mon 18".
    pub label: String,
    /// Mean vapour pressure deficit in the light and in the dark, kPa.
    pub lit_kpa: Option<f64>,
    pub dark_kpa: Option<f64>,
    pub dew_h: Option<f64>,
}

const LEFT_PX: f64 = 40.0;
const RIGHT_PX: f64 = 84.0;
const TOP_PX: f64 = 22.0;
const PANEL_PX: f64 = 96.0;
const BARS_PX: f64 = 34.0;
const BETWEEN_PX: f64 = 22.0;
/// Below this deficit, kPa, next to nothing dries.
const STILL_KPA: f64 = 0.2;
const HOURS_PER_DAY: f64 = 24.0;
/// Bars below this, h, can't be seen.
const WORTH_DRAWING_H: f64 = 0.2;
/// Room that a day's name needs.
const LABEL_PX: f64 = 46.0;

/// Draws the days; `None` without a value.
pub fn deficit_days(title: &str, days: Vec<DeficitDay>) -> Option<Picture> {
    let values = days.iter().flat_map(|day| [day.lit_kpa, day.dark_kpa]).flatten();
    values.clone().next()?;
    let (_, high) = scale(values.chain([0.0, STILL_KPA]), 0.4);
    let panel = Panel {
        low: 0.0,
        high,
        top_px: TOP_PX,
        bottom_px: TOP_PX + PANEL_PX,
    };
    let bars_px = panel.bottom_px + BETWEEN_PX;
    let height_px = bars_px + BARS_PX + 20.0;
    let (from_px, until_px) = (LEFT_PX, SMALL_WIDTH_PX - RIGHT_PX);
    let step = (until_px - from_px) / days.len() as f64;
    let x = |index: usize| from_px + step * (index as f64 + 0.5);
    let every = (LABEL_PX / step).ceil().max(1.0) as usize;
    let drawing = draw(SMALL_WIDTH_PX, height_px, |canvas| {
        canvas.rect(
            (from_px, panel.y(STILL_KPA)),
            (until_px, panel.bottom_px),
            palette::NIGHT,
            1.0,
        );
        panel.grid(canvas, from_px, until_px, "kPa");
        let mut labels = vec![(panel.y(0.5 * STILL_KPA), "nothing dries".to_owned(), SMALL)];
        type Pick = fn(&DeficitDay) -> Option<f64>;
        let rows: [(&str, bool, Pick); 2] = [
            ("by day", true, |d| d.lit_kpa),
            ("by night", false, |d| d.dark_kpa),
        ];
        for (word, filled, pick) in rows {
            for (index, day) in days.iter().enumerate() {
                if let Some(kpa) = pick(day) {
                    canvas.dot((x(index), panel.y(kpa)), 4.0, palette::HUMIDITY, filled);
                }
            }
            if let Some(kpa) = days.iter().rev().find_map(pick) {
                labels.push((panel.y(kpa), word.to_owned(), STRONG));
            }
        }
        for (y, text, lettering) in spread(labels, panel.top_px, panel.bottom_px) {
            canvas.text((until_px + 6.0, y), &text, Anchor::Left, lettering);
        }
        let foot = bars_px + BARS_PX;
        canvas.path(&[(from_px, foot), (until_px, foot)], palette::RULE, 1);
        for (index, day) in days.iter().enumerate() {
            if let Some(hours) = day.dew_h.filter(|h| *h >= WORTH_DRAWING_H) {
                let top = foot - BARS_PX * hours / HOURS_PER_DAY;
                canvas.rect(
                    (x(index) - 8.0, top),
                    (x(index) + 8.0, foot),
                    palette::DEVICE,
                    1.0,
                );
                canvas.text(
                    (x(index), top - 7.0),
                    &format!("{} h", number(hours)),
                    Anchor::Middle,
                    SMALL,
                );
            }
            if index % every == 0 {
                canvas.text((x(index), height_px - 9.0), &day.label, Anchor::Middle, SMALL);
            }
        }
        canvas.text(
            (until_px + 6.0, foot - 0.5 * BARS_PX),
            "dew on glass",
            Anchor::Left,
            SMALL,
        );
    });
    let mut picture = Picture::new(SMALL_WIDTH_PX, height_px, drawing);
    picture.title = title.to_owned();
    picture.alternative = "Filled: mean deficit in the light; hollow: in the dark; bars: hours of likely dew on the coldest glass. In the shaded part next to nothing dries.".to_owned();
    picture.table = Table {
        caption: title.to_owned(),
        columns: [
            "Day",
            "deficit by day, kPa",
            "by night, kPa",
            "dew on the glass, h",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows: days
            .iter()
            .map(|day| {
                let kpa = |value: Option<f64>| match value {
                    Some(kpa) => Cell {
                        text: format!("{kpa:.2}"),
                        number: Some(kpa),
                    },
                    None => Cell::known(None),
                };
                vec![
                    Cell::text(day.label.clone()),
                    kpa(day.lit_kpa),
                    kpa(day.dark_kpa),
                    Cell::known(day.dew_h),
                ]
            })
            .collect(),
    };
    Some(picture)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_known_is_said_so() {
        let day = DeficitDay {
            label: "Mon 18".to_owned(),
            lit_kpa: Some(0.62),
            dark_kpa: None,
            dew_h: None,
        };
        let picture = deficit_days("Deficit", vec![day.clone()]).expect("one value");
        assert_eq!(picture.table.rows[0][1].text, "0.62");
        assert_eq!(picture.table.rows[0][2].text, "not known");
        let nothing = DeficitDay { lit_kpa: None, ..day };
        assert!(deficit_days("Deficit", vec![nothing]).is_none());
    }
}
