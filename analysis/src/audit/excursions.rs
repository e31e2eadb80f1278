//! The worst excursions: runs beyond a limit or a wanted range, with exact crossings, by degree-hours.
//!
//! A gap ends a run and is never bridged, so a run beside a gap lasted at least what is said.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::gather::{Gathered, LATE_DAYS, Track};
use super::words;
use crate::halves::{Half, halves, wanted};
use crate::plot::{Cell, Table, number};
use crate::series::View;
use crate::words as report_words;

/// Runs that come back for less than this are one run: sensors flicker at a limit (our own choice).
const JOIN_MS: i64 = 15 * 60_000;
/// Runs of each kind that are told, of the last days and of the time before (our own choice).
const TOLD_MAX: usize = 2;
/// Shorter runs inside the hard limits are a door, a hand or a misting, and are not told (our own choice), h.
const TOLD_H_MIN: f64 = 0.5;

/// One run beyond a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Run {
    pub(super) from_ms: i64,
    pub(super) until_ms: i64,
    pub(super) unit_hours: f64,
    pub(super) extreme: f64,
    pub(super) extreme_ms: i64,
}

impl Run {
    pub(super) fn hours(&self) -> f64 {
        (self.until_ms - self.from_ms) as f64 / MS_PER_HOUR as f64
    }
}

/// Runs of a line beyond `limit` in a span: above it, or below where `is_above` is false.
pub(super) fn runs(view: View<'_>, gap_ms: i64, span: Span, limit: f64, is_above: bool) -> Vec<Run> {
    let sign = if is_above { 1.0 } else { -1.0 };
    let mut runs: Vec<Run> = Vec::new();
    let mut known_until_ms = i64::MIN;
    let mut gap_since_run = true;
    view.pieces(span, gap_ms, |from, until, v0, v1| {
        if from != known_until_ms {
            gap_since_run = true;
        }
        known_until_ms = until;
        let (d0, d1) = (sign * (v0 - limit), sign * (v1 - limit));
        if d0 <= 0.0 && d1 <= 0.0 {
            return;
        }
        let length = (until - from) as f64;
        let s0 = if d0 > 0.0 { 0.0 } else { d0 / (d0 - d1) };
        let s1 = if d1 > 0.0 { 1.0 } else { d0 / (d0 - d1) };
        let (start, end) = (from + (length * s0) as i64, from + (length * s1) as i64);
        let unit_hours = (d0.max(0.0) + d1.max(0.0)) / 2.0 * length * (s1 - s0) / MS_PER_HOUR as f64;
        let (extreme, extreme_ms) = if d0 >= d1 { (v0, from) } else { (v1, until) };
        match runs.last_mut() {
            Some(run) if !gap_since_run && start - run.until_ms <= JOIN_MS => {
                run.until_ms = end;
                run.unit_hours += unit_hours;
                if sign * (extreme - run.extreme) > 0.0 {
                    (run.extreme, run.extreme_ms) = (extreme, extreme_ms);
                }
            }
            _ => runs.push(Run {
                from_ms: start,
                until_ms: end,
                unit_hours,
                extreme,
                extreme_ms,
            }),
        }
        gap_since_run = false;
    });
    runs
}

/// A kind of excursion: what it is called, its limit, where it counts.
struct Sort {
    name: String,
    quantity: Quantity,
    limit: f64,
    is_above: bool,
    /// `None` counts day and night.
    half: Option<Half>,
}

fn sorts(gathered: &Gathered<'_>) -> Vec<Sort> {
    let limits = &gathered.enclosure.limits;
    let mut sorts = vec![
        Sort {
            name: format!("above {}, the limit", words::degrees(limits.max_c)),
            quantity: Quantity::Temperature,
            limit: limits.max_c,
            is_above: true,
            half: None,
        },
        Sort {
            name: format!("below {}, the limit", words::degrees(limits.min_c)),
            quantity: Quantity::Temperature,
            limit: limits.min_c,
            is_above: false,
            half: None,
        },
    ];
    if let Some(limit_c) = limits.emergency_c {
        sorts.insert(
            0,
            Sort {
                name: format!("above {}, the emergency limit", words::degrees(limit_c)),
                quantity: Quantity::Temperature,
                limit: limit_c,
                is_above: true,
                half: None,
            },
        );
    }
    for (quantity, more, less) in [
        (Quantity::Temperature, "warmer", "cooler"),
        (Quantity::Humidity, "damper", "drier"),
    ] {
        for half in Half::BOTH {
            let Some(band) = wanted(limits, quantity, half) else {
                continue;
            };
            for (word, limit, is_above) in [(more, band.high, true), (less, band.low, false)] {
                sorts.push(Sort {
                    name: format!(
                        "{word} {} than the wanted {}",
                        half.words(),
                        words::value(quantity, limit)
                    ),
                    quantity,
                    limit,
                    is_above,
                    half: Some(half),
                });
            }
        }
    }
    sorts
}

/// A run with the sensor that saw it.
struct Seen<'a> {
    run: Run,
    track: &'a Track,
}

/// Runs of a kind that a sensor saw and that are long enough to be told.
fn told_runs(gathered: &Gathered<'_>, sort: &Sort, track: &Track, span: Span) -> Vec<Run> {
    let spans = sort.half.map_or_else(
        || vec![span],
        |half| halves(gathered.site.zone, gathered.enclosure, span, half),
    );
    spans
        .into_iter()
        .flat_map(|span| runs(track.usable.view(), track.gap_ms, span, sort.limit, sort.is_above))
        .filter(|run| sort.half.is_none() || run.hours() >= TOLD_H_MIN)
        .collect()
}

fn seen<'a>(gathered: &'a Gathered<'_>, sort: &Sort, span: Span) -> Vec<Seen<'a>> {
    let reachable: Vec<&str> = gathered
        .enclosure
        .animal_sensors()
        .iter()
        .map(|sensor| sensor.id.as_str())
        .collect();
    let mut seen: Vec<Seen<'a>> = gathered
        .tracks
        .iter()
        .filter(|track| track.quantity == sort.quantity && reachable.contains(&track.sensor.as_str()))
        .flat_map(|track| {
            told_runs(gathered, sort, track, span)
                .into_iter()
                .map(move |run| Seen { run, track })
        })
        .collect();
    seen.sort_by(|a, b| {
        b.run
            .unit_hours
            .total_cmp(&a.run.unit_hours)
            .then(a.run.from_ms.cmp(&b.run.from_ms))
            .then(a.track.sensor.cmp(&b.track.sensor))
    });
    // Two places that see one run are told once, by the one that saw it worst.
    let mut told: Vec<Seen<'a>> = Vec::new();
    for next in seen {
        let is_same =
            |other: &Seen<'_>| next.run.from_ms < other.run.until_ms && other.run.from_ms < next.run.until_ms;
        if told.len() < TOLD_MAX && !told.iter().any(is_same) {
            told.push(next);
        }
    }
    told
}

/// The worst runs as a table, and of which kinds there was none.
pub(super) fn table(gathered: &Gathered<'_>) -> (Table, Vec<String>) {
    let zone = gathered.site.zone;
    let late = gathered.last(LATE_DAYS);
    let earlier = Span {
        from_ms: gathered.reach.from_ms,
        until_ms: late.from_ms,
    };
    let (mut rows, mut none) = (Vec::new(), Vec::new());
    for sort in sorts(gathered) {
        let mut found = seen(gathered, &sort, late);
        let recent = found.len();
        if earlier.from_ms < earlier.until_ms {
            found.extend(seen(gathered, &sort, earlier));
        }
        if found.is_empty() {
            none.push(sort.name.clone());
        }
        for (index, Seen { run, track }) in found.iter().enumerate() {
            let place = gathered
                .enclosure
                .sensor(&track.sensor)
                .map_or_else(|| track.sensor.clone(), words::sensor);
            rows.push(vec![
                Cell::text(sort.name.clone()),
                Cell::text(if index < recent {
                    "last 14 days"
                } else {
                    "before them"
                }),
                Cell::text(words::at(zone, run.from_ms)),
                Cell::text(report_words::duration(run.hours())),
                Cell {
                    text: words::value(sort.quantity, run.extreme),
                    number: None,
                },
                Cell::text(words::at(zone, run.extreme_ms)),
                Cell::text(place),
            ]);
        }
    }
    (
        Table {
            caption: format!(
                "The two worst runs of each kind, by degree-hours or %RH-hours, in the last 14 days and in the time before them; \
                 runs inside the limits from {} min on",
                number(TOLD_H_MIN * 60.0).trim_end_matches(".0")
            ),
            columns: ["What", "in", "from", "for", "furthest", "at", "by the sensor"]
                .map(str::to_owned)
                .to_vec(),
            rows,
        },
        none,
    )
}

/// Of which kinds there was no run, where anything is known at all.
pub(super) fn none_words(gathered: &Gathered<'_>, none: &[String]) -> Option<String> {
    if !is_anything_known(gathered, gathered.reach) {
        return Some("Not known: no reading of this time can be used.".to_owned());
    }
    (!none.is_empty()).then(|| {
        format!(
            "In the hours that are known there was no run {}; inside the limits, runs of less than {} min are not told.",
            report_words::list(none),
            number(TOLD_H_MIN * 60.0).trim_end_matches(".0")
        )
    })
}

/// Whether any reading of the enclosure in a span can be used.
pub(super) fn is_anything_known(gathered: &Gathered<'_>, span: Span) -> bool {
    gathered
        .tracks
        .iter()
        .any(|track| track.place == gathered.enclosure.id && !track.usable.within(span).is_empty())
}

/// The worst run of each kind in the last fourteen days, as sentences; one sentence where there was none.
pub(super) fn worst(gathered: &Gathered<'_>) -> Vec<String> {
    let zone = gathered.site.zone;
    let late = gathered.last(LATE_DAYS);
    let mut lines = Vec::new();
    for sort in sorts(gathered) {
        if let Some(Seen { run, track }) = seen(gathered, &sort, late).first() {
            lines.push(format!(
                "{}: {} for {} from {}{}, at {}{}.",
                report_words::capital(&sort.name),
                words::value(sort.quantity, run.extreme),
                report_words::duration(run.hours()),
                words::at(zone, run.from_ms),
                beyond_the_edge(gathered, &sort, run, track),
                track.sensor,
                in_all(gathered, &sort, track, late)
            ));
        }
    }
    if lines.is_empty() {
        lines.push(if is_anything_known(gathered, late) {
            "None in the hours of the last 14 days that are known.".to_owned()
        } else {
            "Not known: no reading of the last 14 days can be used.".to_owned()
        });
    }
    lines
}

/// Whether a run by day or night goes on in the next half, or comes from the one before.
fn beyond_the_edge(gathered: &Gathered<'_>, sort: &Sort, run: &Run, track: &Track) -> &'static str {
    let Some(half) = sort.half else { return "" };
    let (other, on, before) = match half {
        Half::Day => (Half::Night, ", and on into the night", ", on from the night"),
        Half::Night => (Half::Day, ", and on into the day", ", on from the day"),
    };
    let Some(band) = wanted(&gathered.enclosure.limits, sort.quantity, other) else {
        return "";
    };
    let around = Span {
        from_ms: run.from_ms - JOIN_MS,
        until_ms: run.until_ms + JOIN_MS,
    };
    let limit = if sort.is_above { band.high } else { band.low };
    let touches = |edge_ms: i64| {
        halves(gathered.site.zone, gathered.enclosure, around, other)
            .into_iter()
            .flat_map(|span| runs(track.usable.view(), track.gap_ms, span, limit, sort.is_above))
            .any(|next| next.from_ms == edge_ms || next.until_ms == edge_ms)
    };
    match (touches(run.until_ms), touches(run.from_ms)) {
        (true, _) => on,
        (false, true) => before,
        (false, false) => "",
    }
}

/// "; 5 times, 55 h in all there", where a sensor saw more than one run of a kind.
fn in_all(gathered: &Gathered<'_>, sort: &Sort, track: &Track, span: Span) -> String {
    let all = told_runs(gathered, sort, track, span);
    if all.len() < 2 {
        return String::new();
    }
    let hours = all.iter().map(Run::hours).sum();
    format!(
        "; {} times there, {} in all",
        report_words::count(all.len()),
        report_words::duration(hours)
    )
}

#[cfg(test)]
mod tests {
    use mosswarden_config::table::Mark;

    use super::*;
    use crate::series::Series;

    const MIN: i64 = 60_000;

    fn series(points: &[(i64, f64)]) -> Series {
        let mut series = Series::default();
        for (minute, value) in points {
            series.push(minute * MIN, minute * MIN, *value, Mark::Ok);
        }
        series
    }

    #[test]
    fn a_run_has_exact_crossings_and_a_gap_ends_it() {
        // Up from 26 to 30 and back in 2 h: above 28 from minute 30 to 90, 1 °C·h (worked by hand). Then a gap in the heat.
        let day = series(&[
            (0, 26.0),
            (60, 30.0),
            (120, 26.0),
            (180, 29.0),
            (400, 29.0),
            (410, 29.0),
        ]);
        let span = Span {
            from_ms: 0,
            until_ms: 600 * MIN,
        };
        let found = runs(day.view(), 60 * MIN, span, 28.0, true);
        assert_eq!(found.len(), 3, "{found:?}");
        assert_eq!((found[0].from_ms, found[0].until_ms), (30 * MIN, 90 * MIN));
        assert!((found[0].unit_hours - 1.0).abs() < 1e-9);
        assert_eq!((found[0].extreme, found[0].extreme_ms), (30.0, 60 * MIN));
        assert_eq!((found[2].from_ms, found[2].until_ms), (400 * MIN, 410 * MIN));
        let cold = runs(day.view(), 60 * MIN, span, 27.0, false);
        assert_eq!((cold[0].from_ms, cold[0].until_ms), (0, 15 * MIN));
    }

    #[test]
    fn a_flicker_at_the_limit_is_one_run() {
        let day = series(&[(0, 29.0), (5, 27.9), (10, 29.0), (15, 29.0)]);
        let span = Span {
            from_ms: 0,
            until_ms: 15 * MIN,
        };
        assert_eq!(runs(day.view(), 60 * MIN, span, 28.0, true).len(), 1);
    }
}
