//! The misting plot: rise and half-life of mistings by day or week, with intervals, the usual level ruled.

use super::canvas::{Anchor, draw};
use super::palette;
use super::panel::{Panel, SMALL, STRONG, scale, spread};
use super::picture::{Cell, Picture, Table};
use super::trust_line::SMALL_WIDTH_PX;
use super::units::number;

/// What one day's or week's mistings did: a middle value with its interval, where known.
#[derive(Debug, Clone, PartialEq)]
pub struct MistingGroup {
    /// Such as "Mon 18".
    pub label: String,
    pub count: usize,
    pub rise_pct: Option<[f64; 3]>,
    pub half_life_min: Option<[f64; 3]>,
}

/// What a misting plot shows. Triples are value, low, high.
#[derive(Debug, Clone, PartialEq)]
pub struct MistingPlot<'a> {
    pub name: &'a str,
    pub groups: Vec<MistingGroup>,
    /// The enclosure's own usual rise, %RH.
    pub usual_rise_pct: Option<f64>,
    pub usual_half_life_min: Option<f64>,
}

const LEFT_PX: f64 = 34.0;
const RIGHT_PX: f64 = 62.0;
const PANEL_PX: f64 = 72.0;
const TOP_PX: f64 = 22.0;
const BETWEEN_PX: f64 = 24.0;

/// Draws both panels; `None` where no rise was measured.
pub fn misting_plot(plot: &MistingPlot<'_>) -> Option<Picture> {
    plot.groups.iter().find(|group| group.rise_pct.is_some())?;
    let has_half_lives = plot.groups.iter().any(|group| group.half_life_min.is_some());
    let bottom_px = TOP_PX
        + PANEL_PX
        + if has_half_lives {
            BETWEEN_PX + PANEL_PX
        } else {
            0.0
        };
    let height_px = bottom_px + 20.0;
    let (from_px, until_px) = (LEFT_PX, SMALL_WIDTH_PX - RIGHT_PX);
    let step = (until_px - from_px) / plot.groups.len() as f64;
    let x = |index: usize| from_px + step * (index as f64 + 0.5);
    let drawing = draw(SMALL_WIDTH_PX, height_px, |canvas| {
        let mut top_px = TOP_PX;
        type Pick = fn(&MistingGroup) -> Option<[f64; 3]>;
        let panels: [(&str, &str, Option<f64>, Pick); 2] = [
            ("%RH", "rise", plot.usual_rise_pct, |group| group.rise_pct),
            ("min", "half-life", plot.usual_half_life_min, |group| {
                group.half_life_min
            }),
        ];
        for (unit, word, usual, pick) in panels.into_iter().take(if has_half_lives { 2 } else { 1 }) {
            let values = plot
                .groups
                .iter()
                .filter_map(pick)
                .flatten()
                .chain(usual)
                .chain([0.0]);
            let (_, high) = scale(values, 4.0);
            let panel = Panel {
                low: 0.0,
                high,
                top_px,
                bottom_px: top_px + PANEL_PX,
            };
            panel.grid(canvas, from_px, until_px, unit);
            let mut labels = Vec::new();
            if let Some(usual) = usual {
                let y = panel.y(usual);
                canvas.dashed((from_px, y), (until_px, y), palette::INK, 2, (5.0, 4.0));
                labels.push((y, format!("usual {}", number(usual)), SMALL));
            }
            for (index, group) in plot.groups.iter().enumerate() {
                if let Some([value, low, high]) = pick(group) {
                    canvas.path(
                        &[(x(index), panel.y(low)), (x(index), panel.y(high))],
                        palette::HUMIDITY,
                        3,
                    );
                    canvas.dot((x(index), panel.y(value)), 3.0, palette::HUMIDITY, true);
                }
            }
            if let Some([value, ..]) = plot.groups.iter().rev().find_map(pick) {
                labels.push((panel.y(value), word.to_owned(), STRONG));
            }
            for (y, text, lettering) in spread(labels, panel.top_px, panel.bottom_px) {
                canvas.text((until_px + 4.0, y), &text, Anchor::Left, lettering);
            }
            top_px += PANEL_PX + BETWEEN_PX;
        }
        let every = (36.0 / step).ceil().max(1.0) as usize;
        for (index, group) in plot
            .groups
            .iter()
            .enumerate()
            .filter(|(index, _)| index % every == 0)
        {
            canvas.text((x(index), bottom_px + 12.0), &group.label, Anchor::Middle, SMALL);
        }
    });
    let mut picture = Picture::new(SMALL_WIDTH_PX, height_px, drawing);
    picture.title = format!("{}: what the mistings did", plot.name);
    picture.alternative = words(plot);
    picture.table = table(plot);
    Some(picture)
}

fn words(plot: &MistingPlot<'_>) -> String {
    let rises: Vec<f64> = plot
        .groups
        .iter()
        .filter_map(|g| g.rise_pct)
        .map(|r| r[0])
        .collect();
    let (low, high) = rises
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), rise| {
            (low.min(*rise), high.max(*rise))
        });
    let usual = plot.usual_rise_pct.map_or_else(String::new, |usual| {
        format!(", against a usual {} %RH", number(usual))
    });
    let rise = if number(low) == number(high) {
        number(low)
    } else {
        format!("{} to {}", number(low), number(high))
    };
    format!(
        "The middle rise was {rise} %RH{usual}. Bars run from the lowest to the highest; the scales start at zero."
    )
}

fn table(plot: &MistingPlot<'_>) -> Table {
    let interval = |triple: Option<[f64; 3]>| match triple {
        Some([value, low, high]) => Cell {
            text: format!("{} ({} to {})", number(value), number(low), number(high)),
            number: Some((value * 1000.0).round() / 1000.0),
        },
        None => Cell::known(None),
    };
    Table {
        caption: format!("{}: mistings that count, middle value (and range)", plot.name),
        columns: ["When", "mistings", "rise, %RH", "half-life, min"]
            .map(str::to_owned)
            .to_vec(),
        rows: plot
            .groups
            .iter()
            .map(|group| {
                vec![
                    Cell::text(group.label.clone()),
                    Cell {
                        text: group.count.to_string(),
                        number: Some(group.count as f64),
                    },
                    interval(group.rise_pct),
                    interval(group.half_life_min),
                ]
            })
            .collect(),
    }
}
