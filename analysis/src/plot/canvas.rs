//! A sheet to draw on: plotters' SVG backend with coordinates in screen pixels.
//!
//! The backend knows whole numbers only, so everything is drawn at [`SCALE`] times the size and shown smaller: lines then
//! fall on half pixels. Text stays text.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::palette::Ink;

/// Drawing units in one screen pixel.
pub(crate) const SCALE: f64 = 2.0;
/// plotters writes a font's size divided by this.
const FONT_FACTOR: f64 = 1.24;
/// Why drawing cannot fail.
const INTO_A_STRING: &str = "drawing into a string has no way to fail";

/// Where a text stands against its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Left,
    Middle,
    Right,
}

/// Size and weight of text.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lettering {
    pub size_px: f64,
    pub ink: Ink,
    pub bold: bool,
}

pub(crate) struct Canvas<'s> {
    area: DrawingArea<SVGBackend<'s>, Shift>,
}

/// Draws on a sheet of that size; gives the elements without the outer `<svg>`.
pub(crate) fn draw(width_px: f64, height_px: f64, paint: impl FnOnce(&Canvas<'_>)) -> String {
    let mut source = String::new();
    {
        let size = (units(width_px) as u32, units(height_px) as u32);
        let area = SVGBackend::with_string(&mut source, size).into_drawing_area();
        let canvas = Canvas { area };
        paint(&canvas);
        canvas.area.present().expect(INTO_A_STRING);
    }
    compact(&source)
}

fn units(px: f64) -> i32 {
    (px * SCALE).round() as i32
}

fn at((x, y): (f64, f64)) -> (i32, i32) {
    (units(x), units(y))
}

/// Leaves out what says nothing: the outer tag, full opacity, the font (it is set once, outside).
fn compact(source: &str) -> String {
    let inner = source
        .split_once(">\n")
        .and_then(|(_, rest)| rest.rsplit_once("</svg>"))
        .map_or("", |(inner, _)| inner);
    inner
        .replace(" opacity=\"1\"", "")
        .replace(" stroke=\"none\"", "")
        .replace(" stroke-width=\"1\"", "")
        .replace(" text-anchor=\"start\"", "")
        .replace(" font-family=\"sans-serif\"", "")
        .replace(" \"/>", "\"/>")
        .replace("\n</text>", "</text>")
        .replace(">\n", ">")
        .replace("><", ">\n<")
}

impl Canvas<'_> {
    pub(crate) fn rect(&self, from: (f64, f64), until: (f64, f64), ink: Ink, alpha: f64) {
        let style = ink.paper.mix(alpha).filled();
        self.area
            .draw(&Rectangle::new([at(from), at(until)], style))
            .expect(INTO_A_STRING);
    }

    /// `width` in half pixels.
    pub(crate) fn path(&self, points: &[(f64, f64)], ink: Ink, width: u32) {
        if points.len() < 2 {
            return;
        }
        let mut places: Vec<(i32, i32)> = points.iter().map(|point| at(*point)).collect();
        places.dedup();
        self.area
            .draw(&PathElement::new(places, ink.paper.stroke_width(width)))
            .expect(INTO_A_STRING);
    }

    /// A straight line of dashes of `on_px` with pauses of `off_px`.
    pub(crate) fn dashed(&self, from: (f64, f64), until: (f64, f64), ink: Ink, width: u32, dash: (f64, f64)) {
        let (dx, dy) = (until.0 - from.0, until.1 - from.1);
        let length = dx.hypot(dy);
        let mut along = 0.0;
        while along < length {
            let end = (along + dash.0).min(length);
            let place = |s: f64| (from.0 + dx * s / length, from.1 + dy * s / length);
            self.path(&[place(along), place(end)], ink, width);
            along += dash.0 + dash.1;
        }
    }

    pub(crate) fn polygon(&self, points: &[(f64, f64)], ink: Ink, alpha: f64) {
        if points.len() < 3 {
            return;
        }
        let places: Vec<(i32, i32)> = points.iter().map(|point| at(*point)).collect();
        self.area
            .draw(&Polygon::new(places, ink.paper.mix(alpha)))
            .expect(INTO_A_STRING);
    }

    pub(crate) fn dot(&self, centre: (f64, f64), radius_px: f64, ink: Ink, filled: bool) {
        let style = if filled {
            ink.paper.filled()
        } else {
            ink.paper.stroke_width(2)
        };
        self.area
            .draw(&Circle::new(at(centre), units(radius_px), style))
            .expect(INTO_A_STRING);
    }

    /// Text with its vertical middle at the point.
    pub(crate) fn text(&self, place: (f64, f64), text: &str, anchor: Anchor, lettering: Lettering) {
        let weight = if lettering.bold {
            FontStyle::Bold
        } else {
            FontStyle::Normal
        };
        let h_pos = match anchor {
            Anchor::Left => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::Right => HPos::Right,
        };
        let style = TextStyle::from(
            (
                FontFamily::SansSerif,
                lettering.size_px * SCALE * FONT_FACTOR,
                weight,
            )
                .into_font(),
        )
        .color(&lettering.ink.paper)
        .pos(Pos::new(h_pos, VPos::Center));
        self.area
            .draw(&Text::new(text.to_owned(), at(place), style))
            .expect(INTO_A_STRING);
    }
}

#[cfg(test)]
mod tests {
    use super::super::palette;
    use super::*;

    #[test]
    fn text_stays_text_and_is_escaped() {
        let plain = Lettering {
            size_px: 12.0,
            ink: palette::INK,
            bold: false,
        };
        let drawing = draw(100.0, 20.0, |canvas| {
            canvas.text((5.0, 10.0), "<script> & Βάτραχος 蛙", Anchor::Left, plain);
        });
        assert!(
            drawing.contains("&lt;script&gt; &amp; Βάτραχος 蛙</text>"),
            "{drawing}"
        );
        assert!(
            drawing.contains("x=\"10\"") && drawing.contains("font-size=\"24\""),
            "{drawing}"
        );
        assert!(!drawing.contains("<svg"), "{drawing}");
    }
}
