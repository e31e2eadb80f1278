//! Side by side: the last fourteen days, the enclosure's own earlier months, and the room's other enclosures.
//!
//! The same measures everywhere. A difference shows no cause, and the words say so.

use chrono::{Datelike, NaiveDate};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Enclosure;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::Span;

use super::gather::{FOLLOWED, Gathered, LATE_DAYS, Track, YEAR_DAYS, before};
use super::words;
use crate::halves::{Half, Measured, halves, total_h, wanted};
use crate::plot::{Cell, Table};
use crate::words::NOT_KNOWN;

/// The columns of measures: temperature and humidity, each by day and at night, and the hours known.
fn columns(first: &str) -> Vec<String> {
    [
        first,
        "temperature by day",
        "temperature at night",
        "humidity by day",
        "humidity at night",
        "hours known, °C",
        "hours known, %RH",
    ]
    .map(str::to_owned)
    .to_vec()
}

/// "19.8 to 25.1, mean 22.4 °C …; 97 % inside".
pub(super) fn measured_words(quantity: Quantity, measured: &Measured) -> String {
    let inside = match (measured.inside_h, measured.inside_words()) {
        (None, _) => "no range wanted".to_owned(),
        (_, None) => "too little known for a share".to_owned(),
        (_, Some(share)) => format!("{share} inside"),
    };
    format!(
        "{}, mean {}; {inside}",
        words::range(quantity, measured.low, measured.high),
        words::value(quantity, measured.mean)
    )
}

/// One row of measures over a span.
fn row(
    gathered: &Gathered<'_>,
    tracks: &[Track],
    enclosure: &Enclosure,
    span: Span,
    name: String,
) -> (Vec<Cell>, f64) {
    let mut cells = vec![Cell::text(name)];
    let mut known = Vec::new();
    for quantity in FOLLOWED {
        let track = gathered.speaker(tracks, &enclosure.id, quantity, span);
        let (mut known_h, mut whole_h) = (0.0, 0.0);
        for half in Half::BOTH {
            let spans = halves(gathered.site.zone, enclosure, span, half);
            let found =
                track.and_then(|track| track.measure(&spans, wanted(&enclosure.limits, quantity, half)));
            known_h += found.map_or(0.0, |m| m.known_h);
            whole_h += total_h(&spans);
            cells.push(Cell::text(
                found.map_or_else(|| NOT_KNOWN.to_owned(), |m| measured_words(quantity, &m)),
            ));
        }
        known.push((known_h, whole_h));
    }
    let any = known.iter().map(|(known_h, _)| known_h).sum();
    cells.extend(known.into_iter().map(|(known_h, whole_h)| {
        Cell::text(format!("{} of {}", words::hours(known_h), words::hours(whole_h)))
    }));
    (cells, any)
}

/// The last fourteen days against the months before them and the same days a year before; words where there is nothing.
pub(crate) fn months(gathered: &Gathered<'_>) -> (Table, Vec<String>) {
    let late = gathered.last(LATE_DAYS);
    let own = |span: Span, name: String| row(gathered, &gathered.tracks, gathered.enclosure, span, name);
    let mut rows = vec![own(late, "the last 14 days".to_owned()).0];
    let mut notes = Vec::new();
    for month in months_of(gathered, late.from_ms).into_iter().rev() {
        let (cells, known_h) = own(month, month_name(gathered, month));
        if known_h > 0.0 {
            rows.push(cells);
        }
    }
    if rows.len() == 1 {
        notes.push(
            "Not compared with earlier months: no earlier reading of the time looked at can be used."
                .to_owned(),
        );
    }
    let year = Span {
        from_ms: before(late.from_ms, YEAR_DAYS),
        until_ms: before(late.until_ms, YEAR_DAYS),
    };
    let (cells, known_h) = row(
        gathered,
        &gathered.year_tracks,
        gathered.enclosure,
        year,
        "the same days a year before".to_owned(),
    );
    if known_h > 0.0 {
        rows.push(cells);
    } else {
        notes.push("Not compared with the same days a year before: no reading of them is known.".to_owned());
    }
    let table = Table {
        caption: "This enclosure in its own earlier months; “inside” is the share of the known hours inside the range wanted now"
            .to_owned(),
        columns: columns("When"),
        rows,
    };
    (table, notes)
}

/// Local calendar months of the reach before an instant, cut to it.
fn months_of(gathered: &Gathered<'_>, until_ms: i64) -> Vec<Span> {
    let zone = gathered.site.zone;
    let whole = Span {
        from_ms: gathered.reach.from_ms,
        until_ms,
    };
    let mut months = Vec::new();
    let mut first = zone.date(whole.from_ms).with_day(1);
    while let Some(date) = first {
        let next = next_month(date);
        let (Some(from), Some(until)) = (Some(zone.day(date).from_ms), next.map(|n| zone.day(n).from_ms))
        else {
            break;
        };
        let month = Span {
            from_ms: from,
            until_ms: until,
        };
        if from >= until_ms {
            break;
        }
        months.extend(month.intersect(whole));
        first = next;
    }
    months
}

fn next_month(date: NaiveDate) -> Option<NaiveDate> {
    let (year, month) = if date.month() == 12 {
        (date.year() + 1, 1)
    } else {
        (date.year(), date.month() + 1)
    };
    NaiveDate::from_ymd_opt(year, month, 1)
}

fn month_name(gathered: &Gathered<'_>, month: Span) -> String {
    let zone = gathered.site.zone;
    let (first, last) = (zone.date(month.from_ms), zone.date(month.until_ms - 1));
    format!("{} to {}", first.format("%-d"), last.format("%-d %B %Y"))
}

/// The last fourteen days of the other enclosures of the room and of the room itself.
pub(super) fn others(gathered: &Gathered<'_>) -> (Table, Vec<String>) {
    let late = gathered.last(LATE_DAYS);
    let mut columns = columns("Enclosure");
    columns.insert(1, "animals".to_owned());
    columns.push("“looks unwell” in its journal".to_owned());
    let unwell = |id: &str| {
        let count = gathered
            .journal
            .iter()
            .filter(|entry| entry.enclosure == id && entry.kind == mosswarden_config::journal::LOOKS_UNWELL)
            .filter(|entry| entry.at_ms >= late.from_ms)
            .count();
        Cell::text(match count {
            0 => "no entry".to_owned(),
            1 => "1 entry".to_owned(),
            count => format!("{count} entries"),
        })
    };
    let line = |tracks: &[Track], enclosure: &Enclosure, name: String| {
        let (mut cells, _) = row(gathered, tracks, enclosure, late, name);
        cells.insert(
            1,
            Cell::text(
                enclosure
                    .animals
                    .map_or_else(|| "not stated".to_owned(), |count| count.to_string()),
            ),
        );
        cells.push(unwell(&enclosure.id));
        cells
    };
    let mut rows = vec![line(
        &gathered.tracks,
        gathered.enclosure,
        format!("{} (this one)", gathered.enclosure.label),
    )];
    for enclosure in &gathered.site.enclosures {
        if enclosure.id != gathered.enclosure.id {
            rows.push(line(&gathered.other_tracks, enclosure, enclosure.label.clone()));
        }
    }
    rows.push(room(gathered, late));
    let mut notes = vec![
        "This shows no cause. Enclosures differ in animals, plants, age and care, few animals are compared, and each is \
         judged by its own wanted ranges; that one was warmer or drier than another does not say why an animal looks unwell."
            .to_owned(),
    ];
    if gathered.site.enclosures.len() < 2 {
        notes.push("The site file names no other enclosure.".to_owned());
    }
    let table = Table {
        caption: "The last 14 days side by side; “inside” is by each enclosure’s own wanted range".to_owned(),
        columns,
        rows,
    };
    (table, notes)
}

/// The room by day and night of the enclosure in question; it has no wanted range.
fn room(gathered: &Gathered<'_>, span: Span) -> Vec<Cell> {
    let mut cells = vec![Cell::text("the room outside the enclosures"), Cell::text("")];
    let mut known = Vec::new();
    for quantity in FOLLOWED {
        let track = gathered.speaker(&gathered.tracks, ROOM, quantity, span);
        let (mut known_h, mut whole_h) = (0.0, 0.0);
        for half in Half::BOTH {
            let spans = halves(gathered.site.zone, gathered.enclosure, span, half);
            let found = track.and_then(|track| track.measure(&spans, None));
            known_h += found.map_or(0.0, |m| m.known_h);
            whole_h += total_h(&spans);
            cells.push(Cell::text(found.map_or_else(
                || NOT_KNOWN.to_owned(),
                |m| {
                    format!(
                        "{}, mean {}",
                        words::range(quantity, m.low, m.high),
                        words::value(quantity, m.mean)
                    )
                },
            )));
        }
        known.push(Cell::text(format!(
            "{} of {}",
            words::hours(known_h),
            words::hours(whole_h)
        )));
    }
    cells.extend(known);
    cells.push(Cell::text(""));
    cells
}
