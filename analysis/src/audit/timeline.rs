//! What changed, in order of time: the journal, the site file's dates, and what the readings of the sensors show.
//!
//! An entry that was written down later than a day after what it tells is marked as late; nothing is left out or put right.

use mosswarden_config::journal;
use mosswarden_config::journal::{
    ARRIVED, ATE, DIED, Entry, FED, LAID_EGGS, LEFT, LID_OR_VENT_CHANGED, LOOKS_UNWELL, REFUSED_FOOD, SHED,
    TREATED, WEIGHT,
};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::gather::Gathered;
use super::words;
use crate::findings::{Finding, Kind, Severity};
use crate::plot::{Mark, both_scales};
use crate::words as report_words;

/// Kinds of entries that tell of the animal.
const ANIMAL_KINDS: [&str; 11] = [
    LOOKS_UNWELL,
    ATE,
    FED,
    REFUSED_FOOD,
    SHED,
    WEIGHT,
    LAID_EGGS,
    TREATED,
    ARRIVED,
    LEFT,
    DIED,
];
/// Kinds that are marked where many weeks are drawn: what changes the conditions or the readings, and illness.
const LONG_KINDS: [&str; 14] = [
    LOOKS_UNWELL,
    TREATED,
    ARRIVED,
    LEFT,
    DIED,
    LID_OR_VENT_CHANGED,
    journal::SENSOR_MOVED,
    journal::SENSOR_REPLACED,
    journal::SENSOR_CALIBRATED,
    journal::DEVICE_REPLACED,
    journal::SETPOINT_CHANGED,
    journal::SCHEDULE_CHANGED,
    journal::POWER_CUT,
    journal::BATTERY_CHANGED,
];
/// The kind of an entry that a later one stands for.
const AMENDED: &str = "amended";
/// Written down later than this after it happened is late.
const LATE_MS: i64 = MS_PER_24_H;

/// So many entries written down at one instant come from a table.
const TAKEN_IN_MIN: usize = 3;

/// One line of what changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// Under which it stands in the pictures; entries of the journal only.
    pub number: Option<usize>,
    pub at: String,
    pub what: String,
    /// "this enclosure", "the room".
    pub place: String,
    pub text: String,
    /// "journal", "site file", "readings".
    pub from: String,
    /// When it was written, where that was later than a day after.
    pub late: Option<String>,
    pub(crate) at_ms: i64,
    pub(super) kind: String,
    /// When it was over: itself for an entry, never for a finding that had not ended.
    pub(super) until_ms: i64,
    pub(super) weight: Weight,
}

/// What must stand on the first page before what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Weight {
    /// Everyday care.
    Care,
    /// What changes conditions or readings, and lesser findings.
    Change,
    /// A finding that asks to be looked at.
    Finding,
}

/// Everything in the reach, in order of time.
pub(crate) fn events(gathered: &Gathered<'_>) -> Vec<Event> {
    let mut events: Vec<Event> = gathered
        .journal
        .iter()
        .filter(|entry| entry.at_ms >= gathered.reach.from_ms)
        .filter(|entry| entry.enclosure == gathered.enclosure.id || entry.enclosure == ROOM)
        .enumerate()
        .map(|(index, entry)| of_entry(gathered, entry, Some(index + 1)))
        .collect();
    events.extend(
        gathered
            .amended
            .iter()
            .filter(|entry| entry.at_ms >= gathered.reach.from_ms)
            .filter(|entry| entry.enclosure == gathered.enclosure.id || entry.enclosure == ROOM)
            .map(|entry| of_amended(gathered, entry)),
    );
    events.extend(of_site_file(gathered));
    events.extend(of_readings(gathered));
    events.sort_by(|a, b| (a.at_ms, &a.from, a.number).cmp(&(b.at_ms, &b.from, b.number)));
    events
}

fn place(gathered: &Gathered<'_>, id: &str) -> String {
    if id == gathered.enclosure.id {
        "this enclosure".to_owned()
    } else {
        "the room".to_owned()
    }
}

/// An entry that counts for nothing any more: it is shown, and stands in no picture and in no list of the first page.
fn of_amended(gathered: &Gathered<'_>, entry: &Entry) -> Event {
    let mut event = of_entry(gathered, entry, None);
    event.what += ", amended: a later entry stands for this one";
    event.kind = AMENDED.to_owned();
    event
}

fn of_entry(gathered: &Gathered<'_>, entry: &Entry, number: Option<usize>) -> Event {
    let zone = gathered.site.zone;
    let mut what = entry.kind.replace('-', " ");
    if let Some(subject) = &entry.subject {
        what += &format!(" ({subject})");
    }
    if let Some(by) = &entry.by {
        what += &format!(", by {by}");
    }
    if entry.amends.is_some() {
        what += ", amends an earlier entry";
    }
    let after_ms = entry.written_ms - entry.at_ms;
    let together = gathered
        .journal
        .iter()
        .filter(|other| other.written_ms == entry.written_ms);
    let late = (after_ms > LATE_MS).then(|| {
        // A table taken in is not a memory that came late.
        if together.count() >= TAKEN_IN_MIN {
            return format!(
                "taken in from a table on {}",
                zone.date(entry.written_ms).format("%-d %B %Y")
            );
        }
        let end = if entry.written_ms > gathered.asked.until_ms {
            ", after the end of this sheet"
        } else {
            ""
        };
        format!(
            "written late: {}, {} after{end}",
            words::at(zone, entry.written_ms),
            report_words::duration(after_ms as f64 / MS_PER_HOUR as f64)
        )
    });
    Event {
        number,
        at: words::at(zone, entry.at_ms),
        what,
        place: place(gathered, &entry.enclosure),
        text: entry.text.trim().to_owned(),
        from: "journal".to_owned(),
        late,
        at_ms: entry.at_ms,
        kind: entry.kind.clone(),
        until_ms: entry.at_ms,
        weight: if LONG_KINDS.contains(&entry.kind.as_str()) {
            Weight::Change
        } else {
            Weight::Care
        },
    }
}

fn of_site_file(gathered: &Gathered<'_>) -> Vec<Event> {
    let zone = gathered.site.zone;
    let inside = gathered
        .enclosure
        .sensors
        .iter()
        .map(|sensor| (gathered.enclosure.id.as_str(), sensor));
    let room = gathered.site.room_sensors.iter().map(|sensor| (ROOM, sensor));
    let mut events = Vec::new();
    for (place_id, sensor) in inside.chain(room) {
        for (what, date) in [("installed", sensor.installed), ("calibrated", sensor.calibrated)] {
            let Some(date) = date else { continue };
            let at_ms = zone.day(date).from_ms;
            if !gathered.reach.contains(at_ms) {
                continue;
            }
            events.push(Event {
                number: None,
                at: date.format("%a %-d %b %Y").to_string(),
                what: format!("sensor {what} ({})", sensor.id),
                place: place(gathered, place_id),
                text: String::new(),
                from: "site file".to_owned(),
                late: None,
                at_ms,
                kind: format!("sensor-{what}"),
                until_ms: at_ms,
                weight: Weight::Change,
            });
        }
    }
    events
}

/// What the checks of the sensors and, in the last weeks, of the devices found, from when on; and days and nights too warm or too cold with
/// their cause.
fn of_readings(gathered: &Gathered<'_>) -> Vec<Event> {
    let (mut findings, mut days) = (Vec::new(), Vec::new());
    for finding in &gathered.lived.verdicts.findings {
        match finding.kind {
            Kind::HeaterStuckOn
            | Kind::HeaterFailed
            | Kind::LightHoursWrong
            | Kind::MistMissed
            | Kind::MistWeak
            | Kind::SetpointMissed
            | Kind::StaysWet => findings.push(finding),
            Kind::Overheating | Kind::Overcooling | Kind::NightTooWarm | Kind::NightTooCold => {
                days.push(finding)
            }
            _ => {}
        }
    }
    findings.extend(&gathered.trust.verdicts.findings);
    let mut events: Vec<Event> = findings
        .into_iter()
        // What began before and went on into it belongs to it.
        .filter(|finding| {
            finding
                .end_ms
                .is_none_or(|end_ms| end_ms > gathered.reach.from_ms)
        })
        .map(|finding| of_finding(gathered, finding))
        .collect();
    events.extend(in_a_row(&days).into_iter().map(|row| of_days(gathered, &row)));
    events
}

fn of_finding(gathered: &Gathered<'_>, finding: &Finding) -> Event {
    Event {
        number: None,
        at: words::at(gathered.site.zone, finding.start_ms),
        what: match finding.end_ms {
            None => report_words::kind(finding),
            Some(_) => report_words::kind_over(finding),
        }
        .to_lowercase(),
        place: place(gathered, &finding.enclosure),
        text: both_scales(&finding.message),
        from: "readings".to_owned(),
        late: None,
        at_ms: finding.start_ms,
        kind: finding.kind.name().to_owned(),
        until_ms: finding.end_ms.unwrap_or(i64::MAX),
        weight: if finding.severity >= Severity::Warning {
            Weight::Finding
        } else {
            Weight::Change
        },
    }
}

/// Findings of one kind and cause on days or nights in a row, as one row each.
fn in_a_row<'f>(days: &[&'f Finding]) -> Vec<Vec<&'f Finding>> {
    /// From the beginning of one to the beginning of the next.
    const NEXT_MS: i64 = 36 * MS_PER_HOUR;
    let mut rows: Vec<Vec<&Finding>> = Vec::new();
    let mut days = days.to_vec();
    days.sort_by_key(|finding| finding.start_ms);
    for finding in days {
        let row = rows.iter_mut().find(|row| {
            row.last().is_some_and(|last| {
                (last.kind, last.cause) == (finding.kind, finding.cause)
                    && finding.start_ms - last.start_ms <= NEXT_MS
            })
        });
        match row {
            Some(row) => row.push(finding),
            None => rows.push(vec![finding]),
        }
    }
    rows
}

/// Days or nights in a row: what is said of the worst, under the first.
fn of_days(gathered: &Gathered<'_>, row: &[&Finding]) -> Event {
    let worst = row
        .iter()
        .max_by(|a, b| a.value.estimate.abs().total_cmp(&b.value.estimate.abs()))
        .unwrap_or(&row[0]);
    let mut event = of_finding(gathered, worst);
    event.at_ms = row[0].start_ms;
    event.at = words::at(gathered.site.zone, event.at_ms);
    let ends = row.iter().map(|finding| finding.end_ms.unwrap_or(i64::MAX));
    event.until_ms = ends.max().unwrap_or(event.until_ms);
    if row.len() > 1 {
        event.text = format!(
            "{} in a row; the worst: {}",
            report_words::several(row.len(), "time"),
            event.text
        );
    }
    event
}

/// What was noted of the animal itself.
pub(super) fn of_animal(events: &[Event]) -> impl Iterator<Item = &Event> {
    events
        .iter()
        .filter(|event| event.number.is_some() && event.place == "this enclosure")
        .filter(|event| ANIMAL_KINDS.contains(&event.kind.as_str()))
}

/// What changed that is not about the animal itself.
pub(super) fn of_conditions(events: &[Event]) -> impl Iterator<Item = &Event> {
    events
        .iter()
        .filter(|event| event.kind != AMENDED)
        .filter(|event| {
            event.number.is_none()
                || event.place != "this enclosure"
                || !ANIMAL_KINDS.contains(&event.kind.as_str())
        })
}

/// Marks of a picture, under the numbers of the list; of the weightier kinds only where many weeks are drawn.
pub(super) fn marks(events: &[Event], span: Span, is_long: bool) -> Vec<Mark> {
    events
        .iter()
        .filter(|event| span.contains(event.at_ms))
        .filter(|event| !is_long || LONG_KINDS.contains(&event.kind.as_str()))
        .filter_map(|event| {
            Some(Mark {
                label: event.number?.to_string(),
                at_ms: event.at_ms,
            })
        })
        .collect()
}
