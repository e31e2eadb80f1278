//! A long span as bands, one step a day: lowest to highest, the middle half, the median.

use chrono::NaiveDate;
use mosswarden_config::zone::Span;

use super::calendar::{day_names, journal, narrow_rows};
use super::canvas::{Anchor, Canvas, draw};
use super::palette::{self, Ink};
use super::panel::{Panel, SMALL, STRONG, spread};
use super::picture::Picture;
use super::strip::{Frame, Line, Strip, WIDTH_PX, gap_edges, humidity_panel, limit_rules, temperature_panel};
use super::strip_words;

/// A day with a smaller share of known time is left bare (our own choice).
const COVERED_FRAC_MIN: f64 = 0.5;
/// The grid on which a day is looked at, ms: quantiles are then weighted by time, not by count.
const GRID_MS: i64 = 5 * 60_000;

struct DayBand {
    span: Span,
    /// Lowest, lower quarter, median, upper quarter, highest.
    levels: [f64; 5],
}

pub(super) fn draw_bands(strip: &Strip<'_>, dates: &[NaiveDate]) -> Picture {
    let mut shown = strip.clone();
    shown.mistings.clear();
    shown.bars.clear();
    let strip = &shown;
    let frame = Frame::new(strip);
    let drawing = draw(WIDTH_PX, frame.height_px, |canvas| {
        day_names(canvas, strip, &frame, dates);
        if let Some(line) = &strip.temperature {
            let panel = temperature_panel(strip, &frame, line);
            panel.grid(
                canvas,
                frame.axis.from_px,
                frame.axis.until_px,
                strip.display.degree(),
            );
            let mut labels = limit_rules(canvas, strip, &frame, panel);
            let show = |value: f64| strip.display.temperature(value);
            labels.extend(band(
                canvas,
                strip,
                &frame,
                panel,
                (line, palette::TEMPERATURE, dates),
                &show,
            ));
            for (y, text, lettering) in spread(labels, panel.top_px, panel.bottom_px) {
                canvas.text((frame.axis.until_px + 5.0, y), &text, Anchor::Left, lettering);
            }
        }
        if let Some(line) = &strip.humidity {
            let panel = humidity_panel(strip, &frame, line);
            panel.grid(canvas, frame.axis.from_px, frame.axis.until_px, "%RH");
            let labels = band(
                canvas,
                strip,
                &frame,
                panel,
                (line, palette::HUMIDITY, dates),
                &|value| value,
            );
            for (y, text, lettering) in spread(labels, panel.top_px, panel.bottom_px) {
                canvas.text((frame.axis.until_px + 5.0, y), &text, Anchor::Left, lettering);
            }
        }
        journal(canvas, strip, &frame);
    });
    let mut picture = Picture::new(WIDTH_PX, frame.height_px, drawing);
    picture.narrow = narrow_rows(strip, &frame, dates);
    strip_words::describe(&mut picture, strip, dates);
    picture
}

type Labels = Vec<(f64, String, super::canvas::Lettering)>;

fn band(
    canvas: &Canvas<'_>,
    strip: &Strip<'_>,
    frame: &Frame,
    panel: Panel,
    (line, ink, dates): (&Line<'_>, Ink, &[NaiveDate]),
    show: &dyn Fn(f64) -> f64,
) -> Labels {
    let mut labels = Vec::new();
    let days: Vec<Option<DayBand>> = dates.iter().map(|date| day_band(strip, line, *date)).collect();
    for missing in missing_runs(strip, dates, &days) {
        let (from, until) = (frame.axis.x(missing.from_ms), frame.axis.x(missing.until_ms));
        gap_edges(canvas, (from, until), (panel.top_px, panel.bottom_px));
    }
    for run in days.split(Option::is_none).filter(|run| !run.is_empty()) {
        let run: Vec<&DayBand> = run.iter().flatten().collect();
        let level = |index: usize| -> Vec<(f64, f64)> {
            run.iter()
                .flat_map(|day| {
                    let y = panel.y(show(day.levels[index]));
                    [
                        (frame.axis.x(day.span.from_ms), y),
                        (frame.axis.x(day.span.until_ms), y),
                    ]
                })
                .collect()
        };
        for (low, high, alpha) in [(0, 4, 0.18), (1, 3, 0.35)] {
            let outline: Vec<(f64, f64)> = level(high)
                .into_iter()
                .chain(level(low).into_iter().rev())
                .collect();
            canvas.polygon(&outline, ink, alpha);
        }
        canvas.path(&level(2), ink, 3);
        labels = vec![
            (level(4).last().map_or(0.0, |p| p.1), "highest".to_owned(), SMALL),
            (level(2).last().map_or(0.0, |p| p.1), "median".to_owned(), STRONG),
            (level(0).last().map_or(0.0, |p| p.1), "lowest".to_owned(), SMALL),
        ];
    }
    labels
}

/// Runs of days that are left bare, each from its first to its last instant.
fn missing_runs(strip: &Strip<'_>, dates: &[NaiveDate], days: &[Option<DayBand>]) -> Vec<Span> {
    let mut runs: Vec<Span> = Vec::new();
    let missing = dates.iter().zip(days).filter(|(_, day)| day.is_none());
    for span in missing.filter_map(|(date, _)| strip.zone.day(*date).intersect(strip.span)) {
        match runs.last_mut() {
            Some(last) if last.until_ms == span.from_ms => last.until_ms = span.until_ms,
            _ => runs.push(span),
        }
    }
    runs
}

fn day_band(strip: &Strip<'_>, line: &Line<'_>, date: NaiveDate) -> Option<DayBand> {
    let span = strip.zone.day(date).intersect(strip.span)?;
    let summary = line.usable.summary(span, line.gap_ms)?;
    if summary.covered_frac < COVERED_FRAC_MIN {
        return None;
    }
    let mut values: Vec<f64> = (span.from_ms..span.until_ms)
        .step_by(GRID_MS as usize)
        .filter_map(|at| line.usable.value_at(at, line.gap_ms))
        .collect();
    values.sort_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    let at = |share: f64| values[(share * last as f64).round() as usize];
    Some(DayBand {
        span,
        levels: [summary.low, at(0.25), at(0.5), at(0.75), summary.high],
    })
}
