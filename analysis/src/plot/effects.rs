//! The effects picture: what a change did, one row a measure, with intervals in multiples of what is worth knowing.

use super::canvas::{Anchor, draw};
use super::palette;
use super::panel::{SMALL, STRONG};
use super::picture::{Cell, Picture, Table};
use super::trust_line::SMALL_WIDTH_PX;

/// One measure's effect.
#[derive(Debug, Clone, PartialEq)]
pub struct EffectRow {
    pub name: String,
    /// Such as "+4.1 %RH (+2.0 to +6.2)"; what is said where there is no figure.
    pub words: String,
    /// Value, low and high in multiples of what is worth knowing; `None` where it is too early.
    pub change: Option<[f64; 3]>,
    /// The interval leaves out zero.
    pub changed: bool,
}

const ROW_PX: f64 = 22.0;
const TOP_PX: f64 = 26.0;
const BOTTOM_PX: f64 = 22.0;
const NAMES_PX: f64 = 232.0;
const WORDS_PX: f64 = 200.0;
/// Half of the axis, in multiples of what is worth knowing, at least; the longest interval has room.
const AXIS_MIN: f64 = 4.0;

/// Draws the rows; `None` without any.
pub fn effects(title: &str, rows: &[EffectRow]) -> Option<Picture> {
    if rows.is_empty() {
        return None;
    }
    let height_px = TOP_PX + ROW_PX * rows.len() as f64 + BOTTOM_PX;
    let width_px = SMALL_WIDTH_PX.max(NAMES_PX + WORDS_PX + 240.0);
    let (from_px, until_px) = (NAMES_PX, width_px - WORDS_PX);
    let axis = rows
        .iter()
        .filter_map(|row| row.change)
        .flatten()
        .fold(AXIS_MIN, |axis, value| axis.max(value.abs()));
    let x = |value: f64| {
        let share = (value + axis) / (2.0 * axis);
        from_px + share * (until_px - from_px)
    };
    let foot_px = height_px - BOTTOM_PX;
    let drawing = draw(width_px, height_px, |canvas| {
        canvas.rect((x(-1.0), TOP_PX), (x(1.0), foot_px), palette::NIGHT, 1.0);
        canvas.path(&[(x(0.0), TOP_PX), (x(0.0), foot_px)], palette::INK, 2);
        canvas.text((x(-axis), TOP_PX - 12.0), "less", Anchor::Left, STRONG);
        canvas.text((x(axis), TOP_PX - 12.0), "more", Anchor::Right, STRONG);
        canvas.text(
            (x(0.0), foot_px + 12.0),
            "shaded: too little to matter",
            Anchor::Middle,
            SMALL,
        );
        for (index, row) in rows.iter().enumerate() {
            let y = TOP_PX + ROW_PX * (index as f64 + 0.5);
            canvas.text(
                (from_px - 8.0, y),
                &row.name,
                Anchor::Right,
                if row.changed { STRONG } else { SMALL },
            );
            canvas.text(
                (until_px + 8.0, y),
                &row.words,
                Anchor::Left,
                if row.changed { STRONG } else { SMALL },
            );
            if let Some([value, low, high]) = row.change {
                let ink = if row.changed {
                    palette::HUMIDITY
                } else {
                    palette::DEVICE
                };
                canvas.path(&[(x(low), y), (x(high), y)], ink, if row.changed { 5 } else { 2 });
                canvas.dot((x(value), y), 3.5, ink, row.changed);
            }
        }
    });
    let mut picture = Picture::new(width_px, height_px, drawing);
    picture.title = title.to_owned();
    let changed: Vec<String> = rows
        .iter()
        .filter(|r| r.changed)
        .map(|r| format!("{}: {}", r.name, r.words))
        .collect();
    picture.alternative = if changed.is_empty() {
        "No measure changed beyond what weather and chance do.".to_owned()
    } else {
        format!("Changed: {}.", changed.join("; "))
    };
    picture.table = Table {
        caption: title.to_owned(),
        columns: ["Measure", "change"].map(str::to_owned).to_vec(),
        rows: rows
            .iter()
            .map(|r| vec![Cell::text(r.name.clone()), Cell::text(r.words.clone())])
            .collect(),
    };
    Some(picture)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changed_is_said_in_words_too() {
        let row = |name: &str, changed, change| EffectRow {
            name: name.to_owned(),
            words: "+4.1 %RH".to_owned(),
            change,
            changed,
        };
        let rows = [
            row("humidity by day", true, Some([1.4, 0.7, 9.0])),
            row("half-life", false, None),
        ];
        let picture = effects("Before and after", &rows).expect("two rows");
        assert_eq!(picture.alternative, "Changed: humidity by day: +4.1 %RH.");
        assert_eq!(picture.table.rows.len(), 2);
        assert!(effects("Before and after", &[]).is_none());
    }
}
