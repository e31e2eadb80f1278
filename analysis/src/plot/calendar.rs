//! Time in a strip: nights, names of days and hours, journal marks, and where a narrow screen breaks the row.

use chrono::{Datelike, NaiveDate, Timelike, Weekday};
use mosswarden_config::zone::MS_PER_HOUR;

use super::canvas::{Anchor, Canvas};
use super::palette;
use super::panel::{SMALL, STRONG};
use super::picture::Slice;
use super::strip::{DAY_ROW_PX, Frame, MARK_ROW_PX, Strip, WIDTH_PX};

/// Room that a day's name takes, px.
const NAME_PX: f64 = 46.0;
/// Room that a month's name takes, px.
const MONTH_PX: f64 = 40.0;
/// From more days on months are ruled instead of weeks.
const MONTHS_FROM_DAYS: usize = 140;
/// Widest plot part of one row on a narrow screen: with the axis it fits 360 px at nearly full size.
const NARROW_PX: f64 = 274.0;

pub(super) fn nights(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame, dates: &[NaiveDate]) {
    let Some(light) = strip.light else { return };
    let before = dates.first().and_then(|date| date.pred_opt());
    for date in before.iter().chain(dates) {
        if let Some(night) = strip.zone.night(*date, light).intersect(strip.span) {
            let (from, until) = (frame.axis.x(night.from_ms), frame.axis.x(night.until_ms));
            canvas.rect(
                (from, DAY_ROW_PX),
                (until, frame.height_px - 4.0),
                palette::NIGHT,
                1.0,
            );
        }
    }
}

pub(super) fn day_names(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame, dates: &[NaiveDate]) {
    let per_day = (frame.axis.until_px - frame.axis.from_px) / dates.len() as f64;
    let y = DAY_ROW_PX / 2.0;
    if dates.len() <= 2 {
        for hour_ms in hours_of(strip, 2) {
            let name = format!("{:02}:00", strip.zone.local(hour_ms).hour());
            canvas.text((frame.axis.x(hour_ms), y), &name, Anchor::Left, SMALL);
        }
        return;
    }
    if dates.len() > MONTHS_FROM_DAYS {
        month_names(canvas, strip, frame, dates, per_day);
        return;
    }
    let is_named_daily = per_day >= NAME_PX;
    // Where not every day has room for its name, Mondays have it, or every so many of them.
    let weeks = (NAME_PX / (7.0 * per_day)).ceil().max(1.0) as usize;
    let mut mondays = 0;
    for (index, date) in dates.iter().enumerate() {
        let day = strip.zone.day(*date);
        let Some(shown) = day.intersect(strip.span) else {
            continue;
        };
        if !is_named_daily && date.weekday() != Weekday::Mon {
            continue;
        }
        let x = frame.axis.x(shown.from_ms);
        if index > 0 {
            let line = [(x, DAY_ROW_PX - 6.0), (x, frame.height_px - 4.0)];
            canvas.path(&line, palette::RULE, 1);
        }
        if is_named_daily {
            let mut name = date.format("%a %-d").to_string();
            if (day.hours() - 24.0).abs() > 1e-9 {
                name += &format!(" ({:.0} h)", day.hours());
            }
            // A day of which some hours are shown at an edge has no room for its name: it would stand over the axis.
            let until_x = frame.axis.x(shown.until_ms);
            if until_x - x >= NAME_PX / 2.0 {
                canvas.text(((x + until_x) / 2.0, y), &name, Anchor::Middle, STRONG);
            }
        } else {
            if mondays % weeks == 0 && frame.axis.until_px - x > NAME_PX / 2.0 {
                canvas.text(
                    (x + 2.0, y),
                    &date.format("%-d %b").to_string(),
                    Anchor::Left,
                    STRONG,
                );
            }
            mondays += 1;
        }
    }
}

/// The first of each month: a rule, and its name where there is room for it; January with its year.
fn month_names(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame, dates: &[NaiveDate], per_day: f64) {
    let every = (MONTH_PX / (30.0 * per_day)).ceil().max(1.0) as u32;
    for date in dates.iter().filter(|date| date.day() == 1) {
        let x = frame.axis.x(strip.zone.day(*date).from_ms);
        let line = [(x, DAY_ROW_PX - 6.0), (x, frame.height_px - 4.0)];
        canvas.path(&line, palette::RULE, 1);
        if date.month0() % every == 0 && frame.axis.until_px - x > MONTH_PX / 2.0 {
            let name = date
                .format(if date.month() == 1 { "%b %y" } else { "%b" })
                .to_string();
            canvas.text((x + 2.0, DAY_ROW_PX / 2.0), &name, Anchor::Left, STRONG);
        }
    }
}

fn hours_of<'s>(strip: &'s Strip<'_>, every: u32) -> impl Iterator<Item = i64> + 's {
    let first = strip.zone.hour_start_ms(strip.span.from_ms + MS_PER_HOUR - 1);
    (first..strip.span.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .filter(move |at| strip.zone.local(*at).hour().is_multiple_of(every))
}

pub(super) fn journal(canvas: &Canvas<'_>, strip: &Strip<'_>, frame: &Frame) {
    let mut free_from = f64::NEG_INFINITY;
    let y = frame.marks_px + MARK_ROW_PX / 2.0;
    for mark in strip.marks.iter().filter(|mark| strip.span.contains(mark.at_ms)) {
        let x = frame.axis.x(mark.at_ms);
        let centre = x.max(free_from);
        free_from = centre + 15.0;
        canvas.path(&[(x, y + 8.0), (x, frame.height_px - 4.0)], palette::FAINT, 1);
        canvas.dot((centre, y), 7.0, palette::PAPER, true);
        canvas.dot((centre, y), 7.0, palette::INK, false);
        canvas.text((centre, y), &mark.label, Anchor::Middle, STRONG);
    }
}

/// Rows for a narrow screen: as many whole days (or even hours, for one or two days) as fit, the axis before each row.
pub(super) fn narrow_rows(strip: &Strip<'_>, frame: &Frame, dates: &[NaiveDate]) -> Vec<Vec<Slice>> {
    let mut places: Vec<f64> = if dates.len() <= 2 {
        hours_of(strip, 2).map(|at| frame.axis.x(at)).collect()
    } else {
        dates
            .iter()
            .map(|date| frame.axis.x(strip.zone.day(*date).from_ms))
            .collect()
    };
    places.retain(|x| *x > frame.axis.from_px);
    places.push(frame.axis.until_px);
    let gutter = Slice {
        from_px: 0.0,
        until_px: frame.axis.from_px,
    };
    let mut rows = Vec::new();
    let mut from_px = frame.axis.from_px;
    let mut until_px = from_px;
    for (index, place) in places.iter().enumerate() {
        // The last piece takes the labels at the lines' ends along.
        let end = if index + 1 == places.len() {
            WIDTH_PX
        } else {
            *place
        };
        if end - from_px > NARROW_PX && until_px > from_px {
            rows.push(vec![gutter, Slice { from_px, until_px }]);
            from_px = until_px;
        }
        until_px = end;
    }
    rows.push(vec![gutter, Slice { from_px, until_px }]);
    rows
}
