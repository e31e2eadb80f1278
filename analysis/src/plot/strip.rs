//! The strip: an enclosure's days side by side, with nights, wanted range, mistings, devices, journal and gaps.
//!
//! Up to [`STRIP_DAYS_MAX`] days it is drawn reading by reading; a longer span is drawn as bands by day (`bands.rs`).

use chrono::NaiveDate;
use mosswarden_config::site::{Band, Limits};
use mosswarden_config::zone::{LightHours, Span, Zone};

use super::calendar::{day_names, journal, narrow_rows, nights};
use super::canvas::{Anchor, Canvas, Lettering, draw};
use super::palette::{self, Ink};
use super::panel::{Panel, SMALL, STRONG, scale, spread};
use super::picture::Picture;
use super::thin::{TimeAxis, columns, gaps, points};
use super::units::Display;
use super::{bands, strip_words};
use crate::conditions::Ran;
use crate::series::View;

/// One sensor's line in the strip.
#[derive(Debug, Clone, Copy)]
pub struct Line<'a> {
    /// Which sensor, in words.
    pub label: &'a str,
    /// Readings that can be used; drawn whole.
    pub usable: View<'a>,
    /// Every reading; drawn thin and broken where it can't be used.
    pub raw: View<'a>,
    pub gap_ms: i64,
    /// Half-width of the 95 % interval of one reading; draws a ribbon.
    pub half_width: Option<f64>,
    /// Stretches that can't be used.
    pub doubtful: &'a [Span],
}

/// One misting: when, whether it took place, and the rise that it made, %RH.
#[derive(Debug, Clone, Copy)]
pub struct Stroke {
    pub at_ms: i64,
    pub ran: Ran,
    pub rise_pct: Option<f64>,
}

/// One device, when it was on, and when it is known whether it was.
#[derive(Debug, Clone)]
pub struct Bar {
    pub label: String,
    pub on: Vec<Span>,
    pub known: Vec<Span>,
}

/// A journal entry's number or letter, and its time.
#[derive(Debug, Clone)]
pub struct Mark {
    pub label: String,
    pub at_ms: i64,
}

/// What a strip shows.
#[derive(Debug, Clone)]
pub struct Strip<'a> {
    pub name: &'a str,
    pub span: Span,
    pub zone: Zone,
    /// `None` for a room, which has no nights of its own.
    pub light: Option<LightHours>,
    pub limits: Option<Limits>,
    pub temperature: Option<Line<'a>>,
    pub humidity: Option<Line<'a>>,
    pub mistings: Vec<Stroke>,
    pub bars: Vec<Bar>,
    pub marks: Vec<Mark>,
    pub display: Display,
}

/// Days up to which single readings can still be told apart.
const STRIP_DAYS_MAX: usize = 35;

pub(super) const WIDTH_PX: f64 = 740.0;
pub(super) const LEFT_PX: f64 = 40.0;
pub(super) const RIGHT_PX: f64 = 100.0;
pub(super) const DAY_ROW_PX: f64 = 20.0;
pub(super) const MARK_ROW_PX: f64 = 18.0;
pub(super) const TEMPERATURE_PX: f64 = 132.0;
pub(super) const HUMIDITY_PX: f64 = 104.0;
const BETWEEN_PX: f64 = 20.0;
const MIST_ROW_PX: f64 = 30.0;
const BAR_ROW_PX: f64 = 14.0;
/// Room that the words in a gap take, px.
const GAP_WORDS_PX: f64 = 70.0;
/// A rise that fills the misting row, %RH.
const FULL_RISE_PCT: f64 = 20.0;
/// Least height of a vertical scale, K or °F and %RH: a steady week then looks steady.
const LEAST_DEGREES: f64 = 6.0;
const LEAST_PCT: f64 = 20.0;

/// Draws the strip, or its bands where the span is long.
pub fn week_strip(strip: &Strip<'_>) -> Picture {
    let dates = strip.zone.dates(strip.span);
    if dates.is_empty() {
        return Picture::default();
    }
    if dates.len() > STRIP_DAYS_MAX {
        return bands::draw_bands(strip, &dates);
    }
    let frame = Frame::new(strip);
    let drawing = draw(WIDTH_PX, frame.height_px, |canvas| {
        nights(canvas, strip, &frame, &dates);
        day_names(canvas, strip, &frame, &dates);
        if let Some(line) = &strip.temperature {
            temperature(canvas, strip, &frame, line, &dates);
        }
        if let Some(line) = &strip.humidity {
            humidity(canvas, strip, &frame, line, &dates);
        }
        mistings(canvas, strip, &frame);
        devices(canvas, strip, &frame);
        journal(canvas, strip, &frame);
    });
    let mut picture = Picture::new(WIDTH_PX, frame.height_px, drawing);
    picture.narrow = narrow_rows(strip, &frame, &dates);
    strip_words::describe(&mut picture, strip, &dates);
    picture
}

/// Where everything stands.
pub(super) struct Frame {
    pub(super) axis: TimeAxis,
    pub(super) marks_px: f64,
    pub(super) temperature_px: f64,
    pub(super) humidity_px: f64,
    mist_px: f64,
    bars_px: f64,
    pub(super) height_px: f64,
}

impl Frame {
    pub(super) fn new(strip: &Strip<'_>) -> Frame {
        let marks_px = DAY_ROW_PX;
        let mut y = marks_px + if strip.marks.is_empty() { 0.0 } else { MARK_ROW_PX };
        y += BETWEEN_PX / 2.0;
        let temperature_px = y;
        y += if strip.temperature.is_some() {
            TEMPERATURE_PX + BETWEEN_PX
        } else {
            0.0
        };
        let humidity_px = y;
        y += if strip.humidity.is_some() {
            HUMIDITY_PX
        } else {
            0.0
        };
        let mist_px = y;
        y += if strip.mistings.is_empty() {
            6.0
        } else {
            MIST_ROW_PX + 6.0
        };
        let bars_px = y;
        y += BAR_ROW_PX * strip.bars.len() as f64;
        Frame {
            axis: TimeAxis {
                span: strip.span,
                from_px: LEFT_PX,
                until_px: WIDTH_PX - RIGHT_PX,
            },
            marks_px,
            temperature_px,
            humidity_px,
            mist_px,
            bars_px,
            height_px: y + 4.0,
        }
    }
}

/// A range that changes between day and night, over the span.
fn wanted(strip: &Strip<'_>, dates: &[NaiveDate], by_day: Band, by_night: Band) -> Vec<(Span, Band)> {
    let Some(light) = strip.light else {
        return Vec::new();
    };
    let before = dates.first().and_then(|date| date.pred_opt());
    before
        .iter()
        .chain(dates)
        .flat_map(|date| {
            [
                (strip.zone.light(*date, light), by_day),
                (strip.zone.night(*date, light), by_night),
            ]
        })
        .filter_map(|(span, band)| Some((span.intersect(strip.span)?, band)))
        .collect()
}

fn wash(
    canvas: &Canvas<'_>,
    frame: &Frame,
    panel: Panel,
    parts: &[(Span, Band)],
    shown: impl Fn(f64) -> f64,
) {
    for (span, band) in parts {
        let (from, until) = (frame.axis.x(span.from_ms), frame.axis.x(span.until_ms));
        let (top, bottom) = (panel.y(shown(band.high)), panel.y(shown(band.low)));
        canvas.rect((from, top), (until, bottom), palette::WANTED, 0.16);
        for y in [top, bottom] {
            if y > panel.top_px && y < panel.bottom_px {
                canvas.path(&[(from, y), (until, y)], palette::WANTED, 1);
            }
        }
    }
}

/// Bare paper between dotted edges, where nothing was read. It reaches halfway to the neighbouring panel.
fn bare(canvas: &Canvas<'_>, frame: &Frame, panel: Panel, line: &Line<'_>) {
    let (top, bottom) = (
        panel.top_px - BETWEEN_PX / 2.0,
        panel.bottom_px + BETWEEN_PX / 2.0,
    );
    for gap in gaps(line.raw, line.gap_ms, frame.axis.span) {
        let (from, until) = (frame.axis.x(gap.from_ms), frame.axis.x(gap.until_ms));
        canvas.rect((from, top), (until, bottom), palette::PAPER, 1.0);
        gap_edges(canvas, (from, until), (panel.top_px, panel.bottom_px));
    }
}

/// The dotted edges of a gap, and its words where they have room.
pub(super) fn gap_edges(canvas: &Canvas<'_>, (from, until): (f64, f64), (top, bottom): (f64, f64)) {
    for x in [from, until] {
        canvas.dashed((x, top), (x, bottom), palette::FAINT, 2, (1.5, 2.5));
    }
    if until - from > GAP_WORDS_PX {
        let middle = ((from + until) / 2.0, (top + bottom) / 2.0);
        canvas.text(middle, "no readings", Anchor::Middle, SMALL);
    }
}

/// The line: whole where it can be used, thin and broken where not.
fn trace(
    canvas: &Canvas<'_>,
    frame: &Frame,
    panel: Panel,
    line: &Line<'_>,
    ink: Ink,
    shown: &dyn Fn(f64) -> f64,
) {
    let place = |(at_ms, value): (i64, f64)| (frame.axis.x(at_ms), panel.y(shown(value)));
    for run in columns(line.usable, line.gap_ms, frame.axis, 1.0) {
        let path: Vec<(f64, f64)> = points(&run).map(place).collect();
        match path.as_slice() {
            [only] => canvas.dot(*only, 1.5, ink, true),
            _ => canvas.path(&path, ink, 3),
        }
    }
    for stretch in line.doubtful {
        let Some(part) = stretch.intersect(frame.axis.span) else {
            continue;
        };
        for run in columns(line.raw.within(part), line.gap_ms, frame.axis, 2.0) {
            let path: Vec<(f64, f64)> = points(&run).map(place).collect();
            if let [only] = path.as_slice() {
                canvas.dot(*only, 2.5, ink, false);
            }
            for (index, piece) in path.chunks(4).enumerate() {
                if index % 2 == 0 {
                    canvas.path(piece, ink, 1);
                }
            }
        }
    }
}

fn range_of(line: &Line<'_>, span: Span) -> Vec<f64> {
    let doubt = line.half_width.unwrap_or(0.0);
    line.raw
        .within(span)
        .value
        .iter()
        .copied()
        .filter(|value| value.is_finite())
        .fold(None, |range: Option<(f64, f64)>, value| {
            let (low, high) = range.unwrap_or((value, value));
            Some((low.min(value), high.max(value)))
        })
        .map_or_else(Vec::new, |(low, high)| vec![low - doubt, high + doubt])
}

fn end_labels(canvas: &Canvas<'_>, frame: &Frame, panel: Panel, labels: Vec<(f64, String, Lettering)>) {
    for (y, text, lettering) in spread(labels, panel.top_px, panel.bottom_px) {
        canvas.text((frame.axis.until_px + 5.0, y), &text, Anchor::Left, lettering);
    }
}

pub(super) fn temperature_panel(strip: &Strip<'_>, frame: &Frame, line: &Line<'_>) -> Panel {
    let show = |value_c: f64| strip.display.temperature(value_c);
    let mut values: Vec<f64> = range_of(line, strip.span).into_iter().map(show).collect();
    if let Some(limits) = &strip.limits {
        values.extend(
            [
                limits.day_c.low,
                limits.day_c.high,
                limits.night_c.low,
                limits.night_c.high,
                limits.max_c,
            ]
            .map(show),
        );
    }
    let (low, high) = scale(values, LEAST_DEGREES);
    Panel {
        low,
        high,
        top_px: frame.temperature_px,
        bottom_px: frame.temperature_px + TEMPERATURE_PX,
    }
}

/// Rules for the limits that lie within the panel, and their labels.
pub(super) fn limit_rules(
    canvas: &Canvas<'_>,
    strip: &Strip<'_>,
    frame: &Frame,
    panel: Panel,
) -> Vec<(f64, String, Lettering)> {
    let Some(limits) = &strip.limits else {
        return Vec::new();
    };
    let rules = [
        ("limit", Some(limits.max_c)),
        ("emergency", limits.emergency_c),
        ("least", Some(limits.min_c)),
    ];
    rules
        .into_iter()
        .filter_map(|(name, value_c)| {
            let value = strip.display.temperature(value_c?);
            panel.holds(value).then_some((name, value))
        })
        .map(|(name, value)| {
            let y = panel.y(value);
            canvas.dashed(
                (frame.axis.from_px, y),
                (frame.axis.until_px, y),
                palette::INK,
                2,
                (5.0, 4.0),
            );
            (y, format!("{name} {}", super::units::number(value)), SMALL)
        })
        .collect()
}

fn temperature(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame, line: &Line<'_>, dates: &[NaiveDate]) {
    let show = |value_c: f64| strip.display.temperature(value_c);
    let panel = temperature_panel(strip, frame, line);
    panel.grid(
        canvas,
        frame.axis.from_px,
        frame.axis.until_px,
        strip.display.degree(),
    );
    let mut labels = Vec::new();
    if let Some(limits) = &strip.limits {
        let parts = wanted(strip, dates, limits.day_c, limits.night_c);
        wash(canvas, frame, panel, &parts, show);
        if let Some((_, band)) = parts.last() {
            labels.push((
                panel.y(show((band.low + band.high) / 2.0)),
                "wanted".to_owned(),
                SMALL,
            ));
        }
    }
    labels.extend(limit_rules(canvas, strip, frame, panel));
    bare(canvas, frame, panel, line);
    trace(canvas, frame, panel, line, palette::TEMPERATURE, &show);
    if let Some(last) = line.raw.within(strip.span).value.last() {
        labels.push((panel.y(show(*last)), "temperature".to_owned(), STRONG));
    }
    end_labels(canvas, frame, panel, labels);
}

pub(super) fn humidity_panel(strip: &Strip<'_>, frame: &Frame, line: &Line<'_>) -> Panel {
    let mut values = range_of(line, strip.span);
    for band in strip
        .limits
        .iter()
        .flat_map(|l| [l.humidity_day_pct, l.humidity_night_pct])
        .flatten()
    {
        values.extend([band.low, band.high]);
    }
    let (low, high) = scale(values, LEAST_PCT);
    Panel {
        low: low.max(0.0),
        high: high.min(105.0),
        top_px: frame.humidity_px,
        bottom_px: frame.humidity_px + HUMIDITY_PX,
    }
}

fn humidity(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame, line: &Line<'_>, dates: &[NaiveDate]) {
    let panel = humidity_panel(strip, frame, line);
    panel.grid(canvas, frame.axis.from_px, frame.axis.until_px, "%RH");
    let mut labels = Vec::new();
    let bands = strip
        .limits
        .and_then(|l| Some((l.humidity_day_pct?, l.humidity_night_pct?)));
    if let Some((by_day, by_night)) = bands {
        let parts = wanted(strip, dates, by_day, by_night);
        wash(canvas, frame, panel, &parts, |value| value);
        if let Some((_, band)) = parts.last() {
            labels.push((panel.y((band.low + band.high) / 2.0), "wanted".to_owned(), SMALL));
        }
    }
    bare(canvas, frame, panel, line);
    if let Some(half_width) = line.half_width.filter(|width| *width > 0.0) {
        for run in columns(line.usable, line.gap_ms, frame.axis, 3.0) {
            let upper = run
                .iter()
                .map(|c| (frame.axis.x(c.first.0), panel.y(c.high() + half_width)));
            let lower = run
                .iter()
                .rev()
                .map(|c| (frame.axis.x(c.first.0), panel.y(c.low() - half_width)));
            let outline: Vec<(f64, f64)> = upper.chain(lower).collect();
            canvas.polygon(&outline, palette::HUMIDITY, 0.22);
        }
    }
    trace(canvas, frame, panel, line, palette::HUMIDITY, &|value| value);
    if let Some(last) = line.raw.within(strip.span).value.last() {
        labels.push((panel.y(*last), "humidity".to_owned(), STRONG));
    }
    end_labels(canvas, frame, panel, labels);
}

fn mistings(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame) {
    let shown: Vec<&Stroke> = strip
        .mistings
        .iter()
        .filter(|m| strip.span.contains(m.at_ms))
        .collect();
    if strip.mistings.is_empty() {
        return;
    }
    let floor = frame.mist_px + MIST_ROW_PX;
    canvas.path(
        &[(frame.axis.from_px, floor), (frame.axis.until_px, floor)],
        palette::DEVICE,
        1,
    );
    for stroke in shown {
        let x = frame.axis.x(stroke.at_ms);
        match (stroke.ran, stroke.rise_pct) {
            (Ran::No, _) => {
                canvas.path(&[(x - 3.0, floor - 8.0), (x + 3.0, floor - 2.0)], palette::INK, 2);
                canvas.path(&[(x - 3.0, floor - 2.0), (x + 3.0, floor - 8.0)], palette::INK, 2);
            }
            (Ran::Yes, Some(rise)) => {
                let height = (rise / FULL_RISE_PCT).clamp(0.06, 1.0) * (MIST_ROW_PX - 6.0);
                canvas.path(&[(x, floor), (x, floor - height)], palette::HUMIDITY, 5);
            }
            _ => canvas.dot((x, floor - 4.0), 2.0, palette::DEVICE, false),
        }
    }
    canvas.text(
        (frame.axis.until_px + 5.0, floor - 6.0),
        "mistings",
        Anchor::Left,
        SMALL,
    );
}

fn devices(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame) {
    for (row, bar) in strip.bars.iter().enumerate() {
        let y = frame.bars_px + BAR_ROW_PX * (row as f64 + 0.5);
        // A hair where it is known, bare paper where not.
        for known in bar.known.iter().filter_map(|known| known.intersect(strip.span)) {
            let (from, until) = (frame.axis.x(known.from_ms), frame.axis.x(known.until_ms));
            canvas.rect((from, y - 0.4), (until, y + 0.4), palette::DEVICE, 0.5);
        }
        // Runs closer than a pixel are one bar; a run shorter than half a pixel still shows.
        let mut bars: Vec<(f64, f64)> = Vec::new();
        for on in bar.on.iter().filter_map(|on| on.intersect(strip.span)) {
            let (from, until) = (frame.axis.x(on.from_ms), frame.axis.x(on.until_ms));
            let until = until.max(from + 0.5);
            match bars.last_mut() {
                Some(last) if from - last.1 < 1.0 => last.1 = last.1.max(until),
                _ => bars.push((from, until)),
            }
        }
        for (from, until) in bars {
            canvas.rect((from, y - 2.5), (until, y + 2.5), palette::DEVICE, 1.0);
        }
        canvas.text((frame.axis.until_px + 5.0, y), &bar.label, Anchor::Left, SMALL);
    }
}
