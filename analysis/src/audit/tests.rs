//! The audit as a veterinarian gets it: what it says of planted readings, what it must not use, and that nothing known is
//! never shown as health.

use std::path::Path;
use std::sync::Arc;

use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR};

use super::model::weightiest;
use super::timeline::{Event, Weight};
use super::{Asked, Audit, Beside, Inputs, audit, gather, html, inputs, json};
use crate::report::sample;

const STEP_MS: i64 = 10 * 60_000;
const UNTIL: &str = "2026-05-22T09:00";
const DAYS_READ: i64 = 60;
const LIMIT_C: f64 = 28.0;

/// Two enclosures of the invented room; nothing is in its data folder.
fn site() -> Site {
    let mut site = sample::site(
        "Europe/Lisbon",
        "metric",
        &[
            ("mossy-1", "Mossy frogs, tall tank", "mossy-frog"),
            ("dart-1", "Dyeing poison frogs", "dyeing-poison-frog"),
        ],
    );
    site.data_dir = Path::new("no-such-folder").to_owned();
    site.enclosures[0].limits.max_c = LIMIT_C;
    site
}

fn at(site: &Site, text: &str) -> i64 {
    site.zone.parse(text).expect("a local time")
}

/// A steady course with a little of every hour in it, so that no sensor looks stuck.
fn course(at_ms: i64, seed: i64) -> f64 {
    let step = at_ms / STEP_MS;
    let hours = at_ms as f64 / MS_PER_HOUR as f64;
    ((hours - 14.0) / 24.0 * std::f64::consts::TAU).cos() + 0.1 * (((step * 7 + seed * 3) % 11) as f64 / 11.0)
}

/// Sixty days of every sensor; on 20 May from 14:00 to 16:00 both sensors of mossy-1 read 11 K more.
fn readings(site: &Site) -> Vec<Reading> {
    let until_ms = at(site, UNTIL);
    let hot = at(site, "2026-05-20T14:00")..at(site, "2026-05-20T16:00");
    let mut sensors = vec![("room", "room-wall".to_owned())];
    for id in ["mossy-1", "dart-1"] {
        sensors.extend(["stat", "check"].map(|name| (id, format!("{id}-{name}"))));
    }
    let mut readings = Vec::new();
    for (seed, (place, sensor)) in sensors.iter().enumerate() {
        let mut at_ms = until_ms - DAYS_READ * MS_PER_24_H;
        while at_ms < until_ms {
            let swing = course(at_ms, seed as i64);
            let heat = if *place == "mossy-1" && hot.contains(&at_ms) {
                11.0
            } else {
                0.0
            };
            readings.push(reading(
                place,
                sensor,
                Quantity::Temperature,
                at_ms,
                21.0 + swing + heat,
            ));
            readings.push(reading(
                place,
                sensor,
                Quantity::Humidity,
                at_ms,
                82.0 - 3.0 * swing,
            ));
            at_ms += STEP_MS;
        }
    }
    readings
}

fn reading(place: &str, sensor: &str, quantity: Quantity, at_ms: i64, value: f64) -> Reading {
    Reading {
        at_ms,
        received_ms: at_ms,
        time_source: TimeSource::Device,
        enclosure: Arc::from(place),
        sensor: Arc::from(sensor),
        quantity,
        value,
        mark: Mark::Ok,
    }
}

fn entry(site: &Site, when: &str, written: &str, kind: &str, text: &str) -> Entry {
    Entry {
        at_ms: at(site, when),
        written_ms: at(site, written),
        enclosure: "mossy-1".to_owned(),
        kind: kind.to_owned(),
        subject: None,
        text: text.to_owned(),
        by: None,
        amends: None,
    }
}

fn journal(site: &Site) -> Vec<Entry> {
    vec![
        entry(site, "2026-04-10", "2026-04-10", "arrived", "from a friend"),
        entry(
            site,
            "2026-05-12T10:00",
            "2026-05-16T11:00",
            "setpoint-changed",
            "80 to 75 %RH",
        ),
        entry(
            site,
            UNTIL,
            UNTIL,
            "looks-unwell",
            "sits in the open, <b>dark</b> & still",
        ),
    ]
}

fn make(site: &Site, tail: &[Reading], journal: &[Entry], days: u32) -> Audit {
    make_amended(site, tail, journal, &[], days)
}

fn make_amended(site: &Site, tail: &[Reading], journal: &[Entry], amended: &[Entry], days: u32) -> Audit {
    let asked = Asked {
        enclosure: "mossy-1",
        until_ms: at(site, UNTIL),
        days,
    };
    let own = site.enclosure("mossy-1").expect("the sample has it");
    let gathered = gather(
        site,
        own,
        asked,
        Beside {
            archive: &site.data_dir,
            tail,
            journal,
            amended,
            corrections: &[],
        },
        &mut |_| {},
    )
    .expect("nothing is on disk");
    let inputs = inputs(&gathered).expect("nothing is on disk");
    audit(&gathered, inputs, true)
}

fn cells(row: &[crate::plot::Cell]) -> Vec<&str> {
    row.iter().map(|cell| cell.text.as_str()).collect()
}

#[test]
fn the_planted_afternoon_is_told_with_its_local_time_on_both_scales() {
    let site = site();
    let audit = make(&site, &readings(&site), &journal(&site), 28);
    let row = audit
        .excursions
        .rows
        .iter()
        .map(|row| cells(row))
        .find(|row| row[0] == "above 28.0 °C (82.4 °F), the limit")
        .expect("the hot afternoon");
    // By hand: at 13:50 it read 21.95 °C and at 14:00 32.97 °C, so the line between them crosses 28 °C at 13:55:29; back
    // between 15:50 (32.98 °C) and 16:00 (21.97 °C) at 15:54:31. The unrest of the readings moves this by 5 s at most.
    assert_eq!(row[1], "last 14 days");
    assert_eq!(row[2], "Wed 20 May 2026, 13:55");
    assert_eq!(row[3], "1 h 59 min");
    assert!(row[4].starts_with("33.") && row[4].contains("°F)"), "{row:?}");
    assert!(
        audit.worst[0].contains("Wed 20 May 2026, 13:55"),
        "{:?}",
        audit.worst
    );
    assert!(
        audit
            .excursions_note
            .as_deref()
            .is_some_and(|note| note.contains("below"))
    );
}

#[test]
fn windows_stand_apart_by_day_and_night_with_hours_known_and_not_known() {
    let site = site();
    // Two days before the last are lost.
    let lost = at(&site, "2026-05-18")..at(&site, "2026-05-20");
    let tail: Vec<Reading> = readings(&site)
        .into_iter()
        .filter(|reading| !lost.contains(&reading.at_ms))
        .collect();
    let audit = make(&site, &tail, &journal(&site), 28);
    let find = |window: &str, what: &str| {
        audit
            .day_night
            .rows
            .iter()
            .map(|row| cells(row))
            .find(|row| row[0] == window && row[1] == what)
            .unwrap_or_else(|| panic!("{window}, {what}"))
    };
    // By hand. Light is 08:00 to 20:00, the window ends at 09:00, the last reading is of 08:50: of 168 h by day those of
    // 18 and 19 May are lost, and ten minutes.
    let day = find("the last 14 days", "temperature by day");
    assert_eq!((day[9], day[10]), ("143.8 h", "24.2 h"));
    // At night: from 17 May, 23:50, to 08:00, the whole next night, and on 19 May from 20:00 to midnight.
    let night = find("the last 14 days", "temperature at night");
    assert_eq!((night[9], night[10]), ("143.8 h", "24.2 h"));
    // 72 hours reach back to 19 May, 09:00: its day is lost from there on.
    let late = find("the last 72 hours", "temperature by day");
    assert_eq!((late[9], late[10]), ("24.8 h", "11.2 h"));
    let names: Vec<&str> = audit.strips.iter().map(|strip| strip.heading.as_str()).collect();
    assert_eq!(
        names,
        [
            "The last 14 days",
            "The last 28 days",
            "Since arrival on 10 April 2026"
        ]
    );
}

#[test]
fn nothing_later_than_the_end_is_used_and_runs_give_the_same_bytes() {
    let site = site();
    let until_ms = at(&site, UNTIL);
    let (early, notes) = (readings(&site), journal(&site));
    let first = make(&site, &early, &notes, 28);
    let mut later = early.clone();
    for step in 0..500 {
        for quantity in [Quantity::Temperature, Quantity::Humidity] {
            later.push(reading(
                "mossy-1",
                "mossy-1-check",
                quantity,
                until_ms + step * STEP_MS,
                45.0,
            ));
        }
    }
    let mut later_notes = notes.clone();
    later_notes.push(entry(&site, "2026-05-23", "2026-05-23", "treated", "later"));
    let second = make(&site, &later, &later_notes, 28);
    assert_eq!(json(&first), json(&second));
    assert_eq!(html(&first), html(&second));
    assert_eq!(html(&first), html(&make(&site, &early, &notes, 28)));
    assert!(!json(&first).contains("later\""));
}

#[test]
fn what_was_seen_is_told_as_written_and_late_entries_are_marked() {
    let site = site();
    let audit = make(&site, &readings(&site), &journal(&site), 28);
    let page = html(&audit);
    assert!(page.contains("sits in the open, &lt;b&gt;dark&lt;/b&gt; &amp; still"));
    assert!(!page.contains("<b>dark"));
    let seen: Vec<&str> = audit.seen.iter().map(|event| event.what.as_str()).collect();
    assert_eq!(seen, ["arrived", "looks unwell"]);
    let changed = audit
        .changes
        .iter()
        .find(|event| event.what == "setpoint changed")
        .expect("in the journal");
    assert_eq!(
        changed.late.as_deref(),
        Some("written late: Sat 16 May 2026, 11:00, 4 days 1 h after")
    );
    assert_eq!(
        audit.changes.iter().filter(|event| event.late.is_some()).count(),
        1
    );
}

#[test]
fn it_puts_the_animal_first_and_gives_no_diagnosis() {
    let site = site();
    let page = html(&make(&site, &readings(&site), &journal(&site), 28));
    let first = page.find("ring a veterinarian who knows").expect("act first");
    assert!(first < page.find("<table").expect("tables"));
    assert!(page.contains("no sudden heating, no ice"));
    assert!(page.contains("it does not say that conditions caused an illness or ruled one out"));
    assert!(page.contains("This shows no cause."));
    assert!(page.contains("UV: no sensor here has measured it."));
    assert!(!page.contains("<script") && !page.contains("http://") && !page.contains("https://"));
}

#[test]
fn months_and_other_enclosures_stand_side_by_side() {
    let site = site();
    let audit = make(&site, &readings(&site), &journal(&site), 28);
    let months: Vec<&str> = audit.months.rows.iter().map(|row| row[0].text.as_str()).collect();
    assert_eq!(
        months,
        ["the last 14 days", "1 to 8 May 2026", "10 to 30 April 2026"]
    );
    let others: Vec<&str> = audit.others.rows.iter().map(|row| row[0].text.as_str()).collect();
    assert_eq!(
        others,
        [
            "Mossy frogs, tall tank (this one)",
            "Dyeing poison frogs",
            "the room outside the enclosures"
        ]
    );
    assert_eq!(audit.others.rows[0].last().expect("a cell").text, "1 entry");
}

#[test]
fn an_enclosure_without_readings_is_not_known() {
    let site = site();
    let audit = make(&site, &[], &[], 84);
    assert_eq!(
        audit.answer,
        [
            "Temperature is not known: no reading of the last 14 days can be used.",
            "Humidity is not known: no reading of the last 14 days can be used."
        ]
    );
    assert!(audit.first_strip.picture.is_none());
    assert_eq!(
        audit.worst,
        ["Not known: no reading of the last 14 days can be used."]
    );
    for row in audit.glance.rows.iter().chain(&audit.months.rows) {
        assert!(row[1..5].iter().all(|cell| cell.text == "not known"), "{row:?}");
    }
    assert_eq!(
        audit.excursions_note.as_deref(),
        Some("Not known: no reading of this time can be used.")
    );
    assert_eq!(audit.inputs, Inputs::default());
    assert!(
        audit
            .never_measured
            .iter()
            .any(|line| line.starts_with("The temperature of the air"))
    );
    assert_eq!(
        audit.recent_changes_note.as_deref(),
        Some("Nothing was noted in the last 14 days; there were no readings to check.")
    );
    let page = html(&audit);
    assert!(page.contains("No file of readings."));
    assert!(page.contains("Nothing about the animal itself is in the journal"));
}

#[test]
fn an_amended_entry_is_shown_and_counts_for_nothing() {
    let site = site();
    let mut journal = journal(&site);
    let old = entry(&site, "2026-05-20T08:00", "2026-05-20T08:05", "weight", "52 g");
    let mut new = entry(&site, "2026-05-20T08:00", "2026-05-21T19:00", "weight", "25 g");
    new.amends = Some("an id".to_owned());
    journal.push(new);
    let audit = make_amended(&site, &readings(&site), &journal, &[old], 28);
    let told: Vec<(&str, &str)> = audit
        .changes
        .iter()
        .filter(|event| event.what.starts_with("weight"))
        .map(|event| (event.what.as_str(), event.text.as_str()))
        .collect();
    assert_eq!(
        told,
        [
            ("weight, amended: a later entry stands for this one", "52 g"),
            ("weight, amends an earlier entry", "25 g"),
        ]
    );
    let seen: Vec<&str> = audit.seen.iter().map(|event| event.text.as_str()).collect();
    assert!(seen.contains(&"25 g") && !seen.contains(&"52 g"), "{seen:?}");
    assert!(audit.recent_changes.iter().all(|event| event.text != "52 g"));
}

#[test]
fn the_first_page_keeps_what_weighs_most_and_of_equals_the_newest() {
    let event = |at_ms: i64, weight: Weight| Event {
        number: None,
        at: String::new(),
        what: format!("{at_ms}"),
        place: String::new(),
        text: String::new(),
        from: String::new(),
        late: None,
        at_ms,
        kind: String::new(),
        until_ms: at_ms,
        weight,
    };
    let events = vec![
        event(1, Weight::Finding),
        event(2, Weight::Care),
        event(3, Weight::Change),
        event(4, Weight::Care),
        event(5, Weight::Care),
    ];
    let (kept, more) = weightiest(events, 3);
    let names: Vec<&str> = kept.iter().map(|event| event.what.as_str()).collect();
    assert_eq!((names, more), (vec!["1", "3", "5"], 2));
}
