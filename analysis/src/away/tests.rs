//! What a keeper reads before leaving: on a simulated room that is well, hot or unheard.

use std::path::Path;

use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::*;
use crate::assess::{assess, needed};
use crate::load::Record;
use crate::report::weekly;
use crate::simulate::{run, scenario};

const DAYS: u64 = 35;

/// The sheet of three days away at the end of a quiet room's record; `extra` goes into the site file, and no reading is heard where not `heard`.
fn sheet_of(room_c: Option<(f64, f64)>, extra: &str, heard: bool) -> Away {
    let spec = scenario::single_healthy(3, DAYS, 300.0);
    let now_ms = spec.at(DAYS, 0);
    let simulation = run(&spec);
    let source = simulation.site_toml.clone() + extra;
    let site = Site::from_source(Path::new("site.toml"), &source).expect("a site file");
    let judged = Span {
        from_ms: now_ms - 7 * MS_PER_24_H,
        until_ms: now_ms,
    };
    let readings = simulation.readings.iter().filter(|_| heard).cloned();
    let record = Record::from_readings(readings, Vec::new(), needed(judged));
    let assessment = assess(&site, &record, judged);
    let report = weekly(
        &site,
        &record,
        &assessment.trust,
        &assessment.conditions,
        &assessment.verdicts,
        judged,
        None,
        true,
    );
    let span = Span {
        from_ms: now_ms,
        until_ms: now_ms + 3 * MS_PER_24_H,
    };
    away(&site, &report, &assessment, &[], Asked { span, room_c }, now_ms)
}

#[test]
fn in_a_quiet_room_nothing_known_speaks_against_it_and_in_a_hot_one_heat_does() {
    let quiet = sheet_of(Some((18.0, 21.0)), "", true);
    let place = &quiet.enclosures[0];
    assert_eq!(place.answer, Answer::NothingAgainst, "{place:?}");
    assert_eq!(place.expected.len(), 2, "{place:?}");
    assert!(quiet.told.starts_with("Nobody would be told"), "{}", quiet.told);
    let hot = sheet_of(Some((18.0, 38.0)), "", true);
    let place = &hot.enclosures[0];
    assert_eq!(place.answer, Answer::SeeToItFirst);
    assert!(
        place.first[0].starts_with("A day on which the room stays at 38.0 °C is too warm"),
        "{place:?}"
    );
}

#[test]
fn where_nothing_is_said_of_the_room_its_last_weeks_stand_for_it() {
    let sheet = sheet_of(None, "", true);
    assert!(sheet.room.contains("as in the last weeks"), "{}", sheet.room);
    assert!(!sheet.enclosures[0].expected.is_empty());
}

#[test]
fn an_enclosure_that_was_not_heard_is_never_fit_to_be_left() {
    for room_c in [None, Some((18.0, 21.0))] {
        let sheet = sheet_of(room_c, "", false);
        let place = &sheet.enclosures[0];
        assert!(place.answer <= Answer::NotKnown, "{place:?}");
        assert!(!place.not_known.is_empty(), "{place:?}");
    }
}

#[test]
fn care_due_on_the_day_of_leaving_is_done_before_and_later_care_by_somebody_else() {
    let task = |name: &str, every: &str, since: &str| {
        format!("\n  [[enclosure.care]]\n  task = \"{name}\"\n  every = \"{every}\"\n  since = {since}\n")
    };
    let leave = scenario::SINGLE_FROM + chrono::Days::new(DAYS);
    let since = |days: u64| (leave - chrono::Days::new(days)).to_string();
    let extra = task("prune", "7d", &since(7))
        + &task("water-bowl", "2d", &since(1))
        + &task("leaf-litter", "30d", &since(1));
    let sheet = sheet_of(Some((18.0, 21.0)), &extra, true);
    let place = &sheet.enclosures[0];
    assert_eq!((place.first.len(), place.meanwhile.len()), (1, 1), "{place:?}");
    assert!(place.meanwhile[0].contains("due on"), "{place:?}");
}

#[test]
fn json_has_the_shape_of_its_schema() {
    let schema: serde_json::Value = serde_json::from_str(JSON_SCHEMA).expect("JSON");
    let told = json(&sheet_of(Some((18.0, 21.0)), "", true)).expect("JSON");
    let told: serde_json::Value = serde_json::from_str(&told).expect("JSON");
    for name in schema["required"].as_array().expect("a list") {
        assert!(told.get(name.as_str().expect("a name")).is_some(), "{name}");
    }
}
