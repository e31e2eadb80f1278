//! What a keeper reads before leaving: on a simulated room that is well, hot, cold or unheard.

use std::path::Path;

use mosswarden_config::journal::{self, Entry};
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::*;
use crate::assess::{assess, needed};
use crate::load::Record;
use crate::report::weekly;
use crate::simulate::{run, scenario};
use crate::words;

const DAYS: u64 = 35;
const QUIET: Option<Room> = Some(Room {
    low_c: 18.0,
    high_c: 21.0,
});

/// What differs from a quiet room whose keeper leaves for three days at the end of its record.
struct Case<'a> {
    room: Option<Room>,
    /// Goes into the site file.
    extra: &'a str,
    /// The last hours of the record that were not heard.
    unheard_h: i64,
    /// Kinds of entries of the day before, with their texts.
    noted: &'a [(&'a str, &'a str)],
}

const USUAL: Case<'static> = Case {
    room: QUIET,
    extra: "",
    unheard_h: 0,
    noted: &[],
};

impl Case<'_> {
    fn sheet(&self) -> Away {
        let spec = scenario::single_healthy(3, DAYS, 300.0);
        let now_ms = spec.at(DAYS, 0);
        let simulation = run(&spec);
        let source = simulation.site_toml.clone() + self.extra;
        let site = Site::from_source(Path::new("site.toml"), &source).expect("a site file");
        let judged = Span {
            from_ms: now_ms - 7 * MS_PER_24_H,
            until_ms: now_ms,
        };
        let heard_ms = now_ms - self.unheard_h * MS_PER_HOUR;
        let readings = simulation
            .readings
            .iter()
            .filter(|reading| reading.at_ms < heard_ms);
        let entry = |(kind, text): &(&str, &str)| Entry {
            at_ms: now_ms - MS_PER_24_H,
            written_ms: now_ms - MS_PER_24_H,
            enclosure: scenario::SINGLE_ID.to_owned(),
            kind: (*kind).to_owned(),
            subject: None,
            text: (*text).to_owned(),
            by: None,
            amends: None,
        };
        let entries: Vec<Entry> = self.noted.iter().map(entry).collect();
        let record = Record::from_readings(readings.cloned(), entries.clone(), needed(judged));
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
        let asked = Asked {
            span,
            room: self.room,
        };
        let told = vec!["Nobody.".to_owned()];
        away(&Given::new(
            &site,
            &record,
            &report,
            &assessment,
            &entries,
            told,
            asked,
            now_ms,
        ))
    }

    fn place(&self) -> Place {
        self.sheet().enclosures.remove(0)
    }
}

fn room(low_c: f64, high_c: f64) -> Option<Room> {
    Some(Room { low_c, high_c })
}

#[test]
fn in_a_quiet_room_it_may_be_left_with_somebody_who_looks_in() {
    let sheet = USUAL.sheet();
    assert_eq!(sheet.enclosures[0].first, [""; 0]);
    assert_eq!(sheet.warmth.rows.len(), 1);
    assert_eq!(sheet.warnings, [""; 0]);
    assert!(
        sheet.enclosures[0].answer >= Answer::LookIn,
        "{:?}",
        sheet.enclosures[0]
    );
}

#[test]
fn a_hot_and_a_cold_room_are_seen_to_first_and_the_one_who_looks_in_knows_what_to_do() {
    let sheet = Case {
        room: room(18.0, 38.0),
        ..USUAL
    }
    .sheet();
    assert!(sheet.room.contains("straight line"), "{}", sheet.room);
    let hot = &sheet.enclosures[0];
    assert_eq!(hot.answer, Answer::SeeToItFirst);
    assert!(
        hot.first[0].starts_with("Too warm on a day on which the room stays at 38.0 °C"),
        "{hot:?}"
    );
    assert!(hot.meanwhile[0].contains("lamps off"), "{hot:?}");
    let cold = Case {
        room: room(2.0, 21.0),
        ..USUAL
    }
    .place();
    assert!(
        cold.first.iter().any(|line| line.starts_with("Too cold")),
        "{cold:?}"
    );
    assert!(
        cold.meanwhile
            .iter()
            .any(|line| line.contains("somebody must be able to come")),
        "{cold:?}"
    );
}

#[test]
fn where_nothing_is_said_of_the_room_its_last_days_stand_for_it() {
    let sheet = Case { room: None, ..USUAL }.sheet();
    assert!(sheet.room.contains("as in the last 14 days"), "{}", sheet.room);
    assert_eq!(sheet.warmth.rows.len(), 1);
}

#[test]
fn what_was_not_heard_lately_is_never_fit_to_be_left() {
    for unheard_h in [2, 24 * 60] {
        for room in [None, QUIET] {
            let sheet = Case {
                room,
                unheard_h,
                ..USUAL
            }
            .sheet();
            let place = &sheet.enclosures[0];
            assert!(place.answer <= Answer::NotKnown, "{place:?}");
            assert!(sheet.warnings[0].contains("do not leave"), "{:?}", sheet.warnings);
        }
    }
}

#[test]
fn who_is_unwell_or_under_treatment_is_told_with_the_journals_words() {
    let place = Case {
        noted: &[(journal::LOOKS_UNWELL, "thin, lies on the floor")],
        ..USUAL
    }
    .place();
    assert_eq!(place.answer, Answer::SeeToItFirst);
    assert!(
        place.first[0].contains("(“thin, lies on the floor”). Do not leave it"),
        "{place:?}"
    );
    let noted = &[
        (journal::LOOKS_UNWELL, "thin"),
        (journal::TREATED, "bath each day"),
    ];
    let place = Case { noted, ..USUAL }.place();
    assert_eq!(place.first, [""; 0], "a later entry closes it");
    assert!(place.meanwhile[0].contains("“bath each day”"), "{place:?}");
}

#[test]
fn care_comes_back_while_away() {
    let leave = scenario::SINGLE_FROM + chrono::Days::new(DAYS);
    let since = |days: u64| (leave - chrono::Days::new(days)).to_string();
    let task = |name: &str, every: &str, since: Option<String>| {
        let since = since.map_or(String::new(), |since| format!("  since = {since}\n"));
        format!("\n  [[enclosure.care]]\n  task = \"{name}\"\n  every = \"{every}\"\n{since}")
    };
    let extra = task("prune", "7d", Some(since(7)))
        + &task("water-bowl", "1d", Some(since(1)))
        + &task("leaf-litter", "4d", Some(since(2)))
        + &task("nozzle-descale", "30d", None);
    let place = Case {
        extra: &extra,
        ..USUAL
    }
    .place();
    assert_eq!(place.first.len(), 2, "pruning, and the bowl today: {place:?}");
    assert!(
        place
            .meanwhile
            .iter()
            .any(|line| line.contains(": every day from ")),
        "{place:?}"
    );
    let due = leave + chrono::Days::new(2);
    assert!(
        place
            .meanwhile
            .iter()
            .any(|line| line.ends_with(&format!(": {}.", words::day(due)))),
        "{place:?}"
    );
    assert!(
        place
            .not_known
            .iter()
            .any(|line| line.contains("never ticked off")),
        "{place:?}"
    );
}

#[test]
fn json_has_the_shape_of_its_schema() {
    let schema: serde_json::Value = serde_json::from_str(JSON_SCHEMA).expect("JSON");
    let told: serde_json::Value = serde_json::from_str(&json(&USUAL.sheet())).expect("JSON");
    for name in schema["required"].as_array().expect("a list") {
        assert!(told.get(name.as_str().expect("a name")).is_some(), "{name}");
    }
}
