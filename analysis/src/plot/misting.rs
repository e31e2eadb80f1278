//! The misting plot: what mistings did by day or week, with intervals, the usual level ruled.

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
    /// By the measure of [`MistingPlot::brought`].
    pub brought: Option<[f64; 3]>,
    pub half_life_min: Option<[f64; 3]>,
}

/// What a misting plot shows. Triples are value, low, high.
#[derive(Debug, Clone, PartialEq)]
pub struct MistingPlot {
    pub title: String,
    pub groups: Vec<MistingGroup>,
    pub brought: Brought,
    /// The enclosure's own usual of [`MistingPlot::brought`].
    pub usual: Option<f64>,
    pub usual_half_life_min: Option<f64>,
    /// How far the bars reach.
    pub bars: Bars,
}

/// What mistings are measured by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Brought {
    /// The rise of the humidity, %RH.
    Rise,
    /// Vapour per second of run as a share of the usual, %.
    Yield,
}

impl Brought {
    const fn word(self) -> &'static str {
        match self {
            Brought::Rise => "rise",
            Brought::Yield => "yield",
        }
    }

    const fn unit(self) -> &'static str {
        match self {
            Brought::Rise => "%RH",
            Brought::Yield => "%",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bars {
    LowestToHighest,
    Interval95,
}

const LEFT_PX: f64 = 34.0;
const RIGHT_PX: f64 = 62.0;
const PANEL_PX: f64 = 72.0;
const TOP_PX: f64 = 22.0;
const BETWEEN_PX: f64 = 24.0;

/// Draws both panels; `None` where nothing was measured.
pub fn misting_plot(plot: &MistingPlot) -> Option<Picture> {
    plot.groups.iter().find(|group| group.brought.is_some())?;
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
        let with_number = |usual: f64| (usual, format!("usual {}", number(usual)));
        let usual = match plot.brought {
            Brought::Rise => plot.usual.map(with_number),
            Brought::Yield => plot.usual.map(|usual| (usual, "usual".to_owned())),
        };
        type Panels<'p> = [(&'p str, &'p str, Option<(f64, String)>, Pick); 2];
        let panels: Panels<'_> = [
            (plot.brought.unit(), plot.brought.word(), usual, |group| {
                group.brought
            }),
            (
                "min",
                "half-life",
                plot.usual_half_life_min.map(with_number),
                |group| group.half_life_min,
            ),
        ];
        for (unit, word, usual, pick) in panels.into_iter().take(if has_half_lives { 2 } else { 1 }) {
            let values = plot
                .groups
                .iter()
                .filter_map(pick)
                .flatten()
                .chain(usual.iter().map(|(usual, _)| *usual))
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
            if let Some((usual, label)) = usual {
                let y = panel.y(usual);
                canvas.dashed((from_px, y), (until_px, y), palette::INK, 2, (5.0, 4.0));
                labels.push((y, label, SMALL));
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
    picture.title.clone_from(&plot.title);
    picture.alternative = words(plot);
    picture.table = table(plot);
    Some(picture)
}

fn words(plot: &MistingPlot) -> String {
    let (word, unit) = (plot.brought.word(), plot.brought.unit());
    let middles: Vec<f64> = plot
        .groups
        .iter()
        .filter_map(|group| group.brought)
        .map(|triple| triple[0])
        .collect();
    let (low, high) = middles
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), middle| {
            (low.min(*middle), high.max(*middle))
        });
    let usual = match (plot.brought, plot.usual) {
        (Brought::Yield, _) => " of the usual".to_owned(),
        (Brought::Rise, Some(usual)) => format!(", against a usual {} {unit}", number(usual)),
        (Brought::Rise, None) => String::new(),
    };
    let middle = if number(low) == number(high) {
        number(low)
    } else {
        format!("{} to {}", number(low), number(high))
    };
    let bars = match plot.bars {
        Bars::LowestToHighest => "Bars run from the lowest to the highest",
        Bars::Interval95 => "Bars are 95 % intervals of the middle",
    };
    format!("The middle {word} was {middle} {unit}{usual}. {bars}; the scales start at zero.")
}

fn table(plot: &MistingPlot) -> Table {
    let (word, unit) = (plot.brought.word(), plot.brought.unit());
    let interval = |triple: Option<[f64; 3]>| match triple {
        Some([value, low, high]) => Cell {
            text: format!("{} ({} to {})", number(value), number(low), number(high)),
            number: Some((value * 1000.0).round() / 1000.0),
        },
        None => Cell::known(None),
    };
    Table {
        caption: match plot.bars {
            Bars::LowestToHighest => format!("{}: those that count, middle value (and range)", plot.title),
            Bars::Interval95 => format!(
                "{}: those that count, middle value (and 95 % interval)",
                plot.title
            ),
        },
        columns: vec![
            "When".to_owned(),
            "mistings".to_owned(),
            format!("{word}, {unit}"),
            "half-life, min".to_owned(),
        ],
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
                    interval(group.brought),
                    interval(group.half_life_min),
                ]
            })
            .collect(),
    }
}
