//! The hand-over as the next keeper gets it: it tells what was measured and what was not, and every form says the same.

use std::sync::Arc;

use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Setpoint, Site};
use mosswarden_config::table::{Mark, Reading, TimeSource};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::{HandOver, PAST_DAYS, handover, html, json, sheet};
use crate::assess::{assess, needed};
use crate::audit::{Asked, Beside, gather};
use crate::load::Record;
use crate::report::sample;
use crate::sheet::{pdf, text};

const UNTIL: &str = "2026-05-22T09:00";
const STEP_MS: i64 = 30 * 60_000;

fn site() -> Site {
    let mut site = sample::site(
        "Europe/Lisbon",
        "metric",
        &[("mossy-1", "Βάτραχοι, tall tank", "mossy-frog")],
    );
    site.data_dir = std::path::Path::new("no-such-folder").to_owned();
    let devices = &mut site.enclosures[0].devices;
    if let Some(device) = devices
        .iter_mut()
        .find(|device| device.kind == DeviceKind::Heater)
    {
        device.controlled_by = Some("mossy-1-stat".to_owned());
        device.setpoint = Setpoint {
            temperature_c: Some(24.0),
            ..Setpoint::default()
        };
    }
    site
}

/// `days` days up to the end: 25 °C by day, 19 °C at night at the check, one degree more at the thermostat.
fn readings(site: &Site, days: i64) -> Vec<Reading> {
    let until_ms = site.zone.parse(UNTIL).expect("a local time");
    let mut readings = Vec::new();
    for (sensor, more) in [("mossy-1-check", 0.0), ("mossy-1-stat", 1.0)] {
        for at_ms in (until_ms - days * MS_PER_24_H..until_ms).step_by(STEP_MS as usize) {
            let own = site.enclosures.first().expect("one enclosure");
            let date = site.zone.date(at_ms);
            let is_light = site.zone.light(date, own.light).contains(at_ms);
            let wobble = 0.1 * ((at_ms / STEP_MS * 7) % 11) as f64 / 11.0;
            let temperature = if is_light { 25.0 } else { 19.0 } + more + wobble;
            for (quantity, value) in [
                (Quantity::Temperature, temperature),
                (Quantity::Humidity, 82.0 + wobble),
            ] {
                readings.push(Reading {
                    at_ms,
                    received_ms: at_ms,
                    time_source: TimeSource::Device,
                    enclosure: Arc::from("mossy-1"),
                    sensor: Arc::from(sensor),
                    quantity,
                    value,
                    mark: Mark::Ok,
                });
            }
        }
    }
    readings
}

fn make(site: &Site, tail: &[Reading], journal: &[Entry]) -> HandOver {
    let until_ms = site.zone.parse(UNTIL).expect("a local time");
    let beside = Beside {
        archive: &site.data_dir,
        tail,
        journal,
        amended: &[],
        corrections: &[],
    };
    let asked = Asked {
        enclosure: "mossy-1",
        until_ms,
        days: 365,
    };
    let gathered =
        gather(site, &site.enclosures[0], asked, beside, &mut |_| {}).expect("nothing on disk is no error");
    let open = Span {
        from_ms: until_ms - 14 * MS_PER_24_H,
        until_ms,
    };
    let past = Span {
        from_ms: open.from_ms - PAST_DAYS * MS_PER_24_H,
        until_ms: open.from_ms,
    };
    let judged = |span| {
        let record = Record::from_readings(tail.to_vec(), journal.to_vec(), needed(span));
        assess(site, &record, span)
    };
    handover(&gathered, &judged(open), &judged(past), true)
}

fn entry(site: &Site, days_before: i64, kind: &str, subject: Option<&str>, text: &str) -> Entry {
    let at_ms = site.zone.parse(UNTIL).expect("a local time") - days_before * MS_PER_24_H;
    Entry {
        at_ms,
        written_ms: at_ms + MS_PER_HOUR,
        enclosure: "mossy-1".to_owned(),
        kind: kind.to_owned(),
        subject: subject.map(str::to_owned),
        text: text.to_owned(),
        by: None,
        amends: None,
    }
}

#[test]
fn it_tells_month_by_month_what_was_measured_and_since_when() {
    let site = site();
    let told = make(&site, &readings(&site, 70), &[]);
    // Rows: the last 14 days, then May (its part before them), April, March from the 13th on.
    let months: Vec<&str> = told.months.rows.iter().map(|row| row[0].text.as_str()).collect();
    assert_eq!(months.len(), 4, "{months:?}");
    let april = &told.months.rows[2];
    assert!(april[0].text.contains("April 2026"), "{months:?}");
    // A reading stands for half the time to its neighbours, so a quarter of an hour of the night enters each day, and of the day each
    // night: 25.05 − 6 × 15/720 = 24.9 °C and 19.05 + 6 × 15/720 = 19.2 °C.
    assert!(april[1].text.contains("mean 24.9 °C"), "{}", april[1].text);
    assert!(april[2].text.contains("mean 19.2 °C"), "{}", april[2].text);
    assert!(
        told.months_notes[0].starts_with("Nothing is recorded before 13 March 2026"),
        "{:?}",
        told.months_notes
    );
}

#[test]
fn a_set_point_stands_beside_what_both_sensors_read() {
    let site = site();
    let told = make(&site, &readings(&site, 40), &[]);
    let row = &told.setpoints.rows[0];
    let texts: Vec<&str> = row.iter().map(|cell| cell.text.as_str()).collect();
    assert_eq!(texts[1], "24.0 °C (75.2 °F)");
    assert_eq!(texts[2], "mossy-1-stat");
    assert!(
        texts[3].starts_with("25.9 °C") && texts[4].starts_with("20.2 °C"),
        "{texts:?}"
    );
    assert_eq!(texts[5], "mossy-1-check");
    assert!(
        texts[6].starts_with("24.9 °C") && texts[7].starts_with("19.2 °C"),
        "{texts:?}"
    );
}

#[test]
fn quirks_and_recent_entries_are_told_and_old_ones_are_not() {
    let site = site();
    let journal = [
        entry(&site, 300, "note", None, "an old word"),
        entry(&site, 30, "battery-changed", Some("mossy-1-stat"), ""),
        entry(&site, 3, "ate", None, "six crickets"),
    ];
    let told = make(&site, &readings(&site, 40), &journal);
    let quirk = told
        .quirks
        .iter()
        .find(|line| line.starts_with("mossy-1-stat"))
        .expect("every sensor has a line");
    assert!(quirk.contains("battery changed on 22 April 2026"), "{quirk}");
    let written = text(&sheet(&told));
    assert!(
        written.contains("six crickets") && !written.contains("an old word"),
        "{written}"
    );
    // The sample's mister makes the program ask for its nozzles, and nobody ever ticked that off.
    assert!(
        told.care.iter().any(|line| line.starts_with("Never ticked off")
            && line.contains("Descale the nozzles, every 30 days")),
        "{:?}",
        told.care
    );
}

#[test]
fn nothing_known_is_said_in_every_form() {
    let site = site();
    let told = make(&site, &[], &[]);
    let (page, document) = (html(&told), json(&told));
    assert!(page.contains("Temperature is not known"), "{page}");
    assert!(
        told.months_notes[0].starts_with("Nothing of this enclosure"),
        "{:?}",
        told.months_notes
    );
    assert!(document.contains("\"schema\": \"mosswarden.handover/1\""));
    let paper = pdf(&sheet(&told)).expect("a PDF");
    assert!(
        paper.bytes.starts_with(b"%PDF-1.7") && paper.missing.is_empty(),
        "{:?}",
        paper.missing
    );
}

#[test]
fn the_same_readings_give_the_same_bytes() {
    let site = site();
    let readings = readings(&site, 20);
    let paper = || pdf(&sheet(&make(&site, &readings, &[]))).expect("a PDF").bytes;
    assert!(paper() == paper());
}

#[test]
fn where_nothing_was_read_nothing_is_said_to_wait_or_not() {
    let site = site();
    let silent = make(&site, &[], &[]);
    assert!(
        silent.answer.contains(
            &"What waits for you is not known: no reading of the last 14 days can be used.".to_owned()
        ),
        "{:?}",
        silent.answer
    );
    assert!(
        silent
            .open_note
            .is_some_and(|note| note.starts_with("Nothing can be said"))
    );
    let heard = make(&site, &readings(&site, 7), &[]);
    let known = heard
        .answer
        .iter()
        .any(|line| line.contains("of the last 14 days 50 % are known"));
    assert!(known || !heard.open.is_empty(), "{:?}", heard.answer);
}
