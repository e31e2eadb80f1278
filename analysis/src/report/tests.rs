//! The report as a keeper gets it: content of all three forms, and that missing data is never health.

use std::path::PathBuf;

use mosswarden_config::zone::Span;

use super::sample::{self, Sample};
use super::{Comparison, JSON_SCHEMA, Verdict, WeeklyReport, html, json, sheet, weekly};
use crate::findings::{Kind, Severity, Verdicts};
use crate::load::Record;
use crate::trust;

fn report(sample: &Sample) -> WeeklyReport {
    weekly(
        &sample.site,
        &sample.record,
        &sample.trust,
        &sample.conditions,
        &sample.verdicts,
        sample.span,
        None,
        true,
    )
}

fn text(report: &WeeklyReport) -> String {
    crate::sheet::text(&sheet(report))
}

/// Where pictures are kept for the eye when MOSSWARDEN_KEEP_PICTURES names a folder.
fn keep(name: &str, content: &str) {
    if let Some(folder) = std::env::var_os("MOSSWARDEN_KEEP_PICTURES") {
        let folder = PathBuf::from(folder);
        fs_err::create_dir_all(&folder).expect("the folder for pictures can be made");
        fs_err::write(folder.join(name), content).expect("the picture can be written");
    }
}

#[test]
fn the_first_line_answers_and_the_order_is_by_need() {
    let report = report(&sample::harbour("metric"));
    assert_eq!(report.answer, "Three of five enclosures need you this week.");
    assert_eq!(
        report.answer_more,
        [
            "Act now: Crested geckos, window shelf.",
            "Look at this: Mossy frogs, tall tank; Dyeing poison frogs.",
            "One could not be judged."
        ]
    );
    let order: Vec<(&str, Verdict)> = report
        .needs
        .iter()
        .map(|place| (place.id.as_str(), place.verdict))
        .collect();
    // Both warnings hold all week and rest on what is believed or on the sensor itself; the site file's order decides.
    assert_eq!(
        order,
        [
            ("gecko-1", Verdict::ActNow),
            ("mossy-1", Verdict::LookAtThis),
            ("dart-1", Verdict::LookAtThis)
        ]
    );
    let heat = &report.needs[0].needs[0];
    assert_eq!(heat.headline, "Too hot, with the room");
    assert_eq!(heat.when, "Sunday 24 May, 11:20 to 18:39, for 7 h 19 min");
    assert_eq!(
        heat.sure,
        "Degree-hours above the limit: 15.1 °C·h, with 95 % certainty between 13.4 and 16.9; the sensors that it rests on are believed."
    );
    assert_eq!(
        report.needs[1].needs[0].when,
        "since about 12 April, and it still holds"
    );
    assert_eq!(report.well.len(), 1);
    assert_eq!(
        report.well[0].words,
        "Judged by 90 % of the hours for temperature and 90 % for humidity."
    );
    assert_eq!(report.not_known.len(), 1);
    assert!(
        report.not_known[0]
            .words
            .starts_with("Its temperature is known for only 16 % of the time"),
        "{}",
        report.not_known[0].words
    );
}

#[test]
fn html_is_one_file_with_words_pictures_and_tables() {
    let page = html(&report(&sample::harbour("metric")));
    keep("report.html", &page);
    assert!(page.contains("<h1 id=\"answer\">Three of five enclosures need you this week.</h1>"));
    assert!(page.contains("Invented data"));
    for forbidden in ["<script", "http://www.w3.org/1999", "src=", "@import", "url("] {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    let links: Vec<&str> = page.split("href=\"").skip(1).collect();
    assert!(
        links.iter().all(|link| link.starts_with('#')),
        "a link leads away"
    );
    assert_eq!(page.matches("<article").count(), 5);
    assert!(
        page.contains("no readings</text>"),
        "the gap is said in the picture"
    );
    assert!(page.matches("role=\"img\"").count() >= page.matches("<figure>").count());
    assert_eq!(
        page.matches("<figure>").count(),
        page.matches("<details>").count()
    );
    assert!(page.contains("set in the site file") || page.contains("common practice, no source"));
    assert!(page.contains("independent of it, an over-temperature cut-out"));
    assert!(page.contains("electrician") && page.contains("veterinarian"));
    assert!(
        page.len() < 1_000_000 * 5 / 8,
        "{} bytes for five enclosures",
        page.len()
    );
}

#[test]
fn json_has_the_shape_of_its_schema_and_numbers() {
    let text = json(&report(&sample::harbour("metric")));
    keep("report.json", &text);
    let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let schema: serde_json::Value = serde_json::from_str(JSON_SCHEMA).expect("JSON");
    assert_eq!(value["schema"], "mosswarden.report/1");
    for key in schema["required"].as_array().expect("a list") {
        let key = key.as_str().expect("a name");
        assert!(value.get(key).is_some(), "{key} is missing");
    }
    for key in schema["$defs"]["enclosure"]["required"]
        .as_array()
        .expect("a list")
    {
        let key = key.as_str().expect("a name");
        assert!(value["enclosures"][0].get(key).is_some(), "{key} is missing");
    }
    assert_eq!(value["needs"][0]["verdict"], "act-now");
    assert_eq!(value["needs"][0]["reasons"][0]["kind"], "overheating");
    assert_eq!(
        value["enclosures"][0]["nights"]["rows"]
            .as_array()
            .expect("rows")
            .len(),
        7
    );
    assert!(value["enclosures"][0]["nights"]["rows"][0][1].is_number());
    assert_eq!(
        value["enclosures"][0]["before"]["rows"][0][0],
        "temperature by day, °C"
    );
}

#[test]
fn text_fits_an_email_and_says_the_same() {
    let mail = text(&report(&sample::harbour("metric")));
    keep("report.txt", &mail);
    assert!(mail.lines().all(|line| line.chars().count() <= 78));
    assert!(mail.starts_with("*** Invented data"));
    assert!(mail.contains(
        "\nThree of five enclosures need you this week.\nAct now: Crested geckos, window shelf.\n"
    ));
    assert!(mail.contains("1. Crested geckos, window shelf: ACT NOW"));
    assert!(mail.contains("   Next: It cooled again, which does not mean"));
    assert!(mail.contains("- Orchid mantises: not known."));
    assert!(mail.contains("Did not take place: Mon 18 May, 13:00."));
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let (one, other) = (sample::harbour("metric"), sample::harbour("metric"));
    assert_eq!(html(&report(&one)), html(&report(&other)));
    assert_eq!(json(&report(&one)), json(&report(&other)));
}

#[test]
fn imperial_units_reach_words_tables_and_axes() {
    let page = html(&report(&sample::harbour("imperial")));
    keep("imperial.html", &page);
    let page = page.replace('\u{a0}', " ");
    assert!(
        !page.contains("°C"),
        "…{}…",
        page.split("°C")
            .next()
            .map_or("", |s| &s[s.len().saturating_sub(80)..])
    );
    // 28.0 °C is 82.4 °F, 31.3 °C is 88.3 °F, 3.3 K are 5.9 °F, 15.1 K·h are 27.2 °F·h (NIST SP 811).
    assert!(page.contains("above 82.4 °F for 7 h 19 min on Sunday 24 May, 88.3 °F at its hottest at 15:05, 5.9 °F above the limit"));
    assert!(page.contains("27.2 °F·h"));
    assert!(page.contains(">°F</text>"));
}

#[test]
fn nothing_that_a_person_wrote_becomes_markup() {
    let label = "<script>alert('x')</script> & \"co\"";
    let site = sample::site("Europe/Lisbon", "metric", &[("frog-1", label, "mossy-frog")]);
    let mut sample = sample::ordinary(site, "2026-W21");
    sample.record.journal[0].text = "</ol><script>1</script>".to_owned();
    for entry in &mut sample.record.journal {
        entry.text = "</ol><script>1</script>".to_owned();
    }
    let page = html(&report(&sample));
    assert!(!page.contains("<script"));
    assert!(page.contains("&lt;/ol&gt;&lt;script&gt;1&lt;/script&gt;"));
    assert!(page.contains(
        "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &quot;co&quot;: <span class=\"verdict\">well"
    ));
}

#[test]
fn greek_and_japanese_names_stay_as_they_are() {
    let enclosures = [
        ("a", "Βάτραχοι, ψηλό γυάλινο", "mossy-frog"),
        ("b", "苔蛙の部屋", "fire-salamander"),
    ];
    let mut sample = sample::ordinary(sample::site("Asia/Tokyo", "metric", &enclosures), "2026-W21");
    for entry in &mut sample.record.journal {
        entry.text = "水槽を掃除した。".repeat(12);
    }
    let report = report(&sample);
    assert_eq!(report.answer, "All two enclosures are well this week.");
    let (page, mail) = (html(&report), text(&report));
    keep("names.html", &page);
    keep("names.txt", &mail);
    for name in ["Βάτραχοι, ψηλό γυάλινο", "苔蛙の部屋"] {
        assert!(page.contains(name) && mail.contains(name));
    }
    assert!(page.contains("<meta charset=\"utf-8\">"));
    // A Japanese letter takes two columns: no line of them alone is longer than 39 letters.
    let longest = mail
        .lines()
        .filter(|line| line.contains('水'))
        .map(|line| line.chars().count())
        .max();
    assert!(longest.is_some_and(|count| count <= 60), "{longest:?}");
}

#[test]
fn an_empty_week_is_not_known_and_never_well() {
    let full = sample::harbour("metric");
    let empty = Sample {
        record: Record::from_readings([], Vec::new(), full.span),
        trust: trust::Outcome::default(),
        conditions: Vec::new(),
        verdicts: Verdicts::default(),
        ..full
    };
    let report = report(&empty);
    assert_eq!(
        report.answer,
        "How the five enclosures did this week is not known."
    );
    assert!(report.well.is_empty());
    assert_eq!(report.not_known.len(), 5);
    assert!(
        report
            .enclosures
            .iter()
            .all(|section| section.verdict == Verdict::NotKnown)
    );
    assert!(report.answer_more.is_empty());
    assert!(
        report.enclosures.iter().all(|section| section.strip.is_none()),
        "nothing is drawn of nothing"
    );
    let mail = text(&report);
    assert!(!mail.contains(": well"), "{mail}");
    assert!(mail.contains("Nothing is known of its temperature: no temperature reading came."));
    keep("empty.html", &html(&report));
}

#[test]
fn a_week_with_one_reading_is_not_known_and_is_drawn() {
    let full = sample::harbour("metric");
    let one = full
        .record
        .get(
            "mossy-1-check",
            mosswarden_config::quantity::Quantity::Temperature,
        )
        .expect("sampled");
    let noon = full.span.from_ms + 36 * 3_600_000;
    let reading = mosswarden_config::table::Reading {
        at_ms: noon,
        received_ms: noon,
        time_source: mosswarden_config::table::TimeSource::Device,
        enclosure: "mossy-1".into(),
        sensor: "mossy-1-check".into(),
        quantity: mosswarden_config::quantity::Quantity::Temperature,
        value: one.value[0],
        mark: mosswarden_config::table::Mark::Ok,
    };
    let sample = Sample {
        record: Record::from_readings([reading], Vec::new(), full.span),
        trust: trust::Outcome::default(),
        conditions: Vec::new(),
        verdicts: Verdicts::default(),
        ..full
    };
    let report = report(&sample);
    assert!(report.well.is_empty() && report.not_known.len() == 5);
    let page = html(&report);
    keep("one-reading.html", &page);
    assert!(page.contains("not checked"));
}

#[test]
fn readings_that_begin_in_the_week_are_too_new_to_judge() {
    let full = sample::harbour("metric");
    let begins_ms = full.span.from_ms + 5 * 24 * 3_600_000;
    let mut series = crate::series::Series::default();
    for at_ms in (begins_ms..full.span.until_ms).step_by(600_000) {
        series.push(at_ms, at_ms, 22.0, mosswarden_config::table::Mark::Ok);
    }
    let mut trust = trust::Outcome::default();
    let usable = crate::trusted::Usable {
        series,
        ..crate::trusted::Usable::default()
    };
    let temperature = mosswarden_config::quantity::Quantity::Temperature;
    trust.trusted.insert("mossy-1-check", temperature, usable);
    let new = Sample {
        trust,
        conditions: Vec::new(),
        verdicts: Verdicts::default(),
        ..full
    };
    let report = report(&new);
    let section = report.enclosures.iter().find(|section| section.id == "mossy-1");
    assert_eq!(
        section.map(|section| section.coverage.as_str()),
        Some(
            "Too new to judge: its temperature has been measured only since Saturday 23 May, 00:00, and 75 % of 7 days must be known to call it well: from Thursday 28 May, 06:00 on, if readings go on."
        )
    );
}

#[test]
fn thirty_enclosures_stay_small() {
    let names: Vec<(String, String)> = (0..30)
        .map(|n| (format!("tank-{n}"), format!("Tank {n}")))
        .collect();
    let rows: Vec<(&str, &str, &str)> = names
        .iter()
        .map(|(id, label)| (id.as_str(), label.as_str(), "dyeing-poison-frog"))
        .collect();
    let sample = sample::ordinary(sample::site("Europe/Lisbon", "metric", &rows), "2026-W21");
    let page = html(&report(&sample));
    keep("thirty.html", &page);
    // One megabyte for eight enclosures, as the report's size is promised.
    assert!(page.len() < 30 * 1_000_000 / 8, "{} bytes", page.len());
    assert_eq!(page.matches("<article").count(), 30);
}

#[test]
fn a_clock_change_is_said_on_its_day() {
    let site = sample::site(
        "Europe/Lisbon",
        "metric",
        &[("frog-1", "Mossy frogs", "mossy-frog")],
    );
    let report = report(&sample::ordinary(site, "2026-W13"));
    assert_eq!(
        report.clock_changes,
        ["On Sunday 29 March the clocks went forward by 1 h: that day has 23 hours."]
    );
    let page = html(&report);
    keep("clock-change.html", &page);
    assert!(page.contains("Sun 29 (23 h)</text>"));
    let night = report.enclosures[0]
        .nights
        .rows
        .iter()
        .find(|row| row[0].text == "Sat 28 Mar")
        .expect("the night in which the clocks change");
    assert_eq!(night.last().expect("a remark").text, "clock change, 11 h long");
}

#[test]
fn the_share_inside_the_range_and_the_hours_outside_make_up_what_is_known() {
    let sample = sample::harbour("metric");
    let report = report(&sample);
    let gecko = report.enclosures.iter().find(|own| own.id == "gecko-1");
    let inside = &gecko.expect("the enclosure of the hot day").inside;
    let heads: Vec<&str> = inside.rows.iter().map(|row| row[0].text.as_str()).collect();
    assert_eq!(
        heads,
        [
            "temperature by day",
            "temperature at night",
            "humidity by day",
            "humidity at night"
        ]
    );
    let asked_h = sample.span.hours() / 2.0;
    for row in &inside.rows {
        let number = |column: usize| row[column].number.expect("known");
        let (share, below_h, above_h, longest_h, known) =
            (number(2), number(3), number(4), number(5), number(6));
        let known_h = known * asked_h;
        assert!(
            ((1.0 - share) * known_h - below_h - above_h).abs() < 0.2,
            "{row:?}"
        );
        assert!(longest_h <= below_h.max(above_h) + 1e-9, "{row:?}");
    }
    // On the hot afternoon it was above the wanted range for hours, and what is over a part of one per cent is not rounded away.
    assert!(inside.rows[0][4].number.expect("known") > 5.0);
    assert!(
        inside
            .rows
            .iter()
            .all(|row| row[2].text != "100 %" || row[2].number == Some(1.0))
    );
    // An enclosure of which nothing came has no such table.
    let silent = report
        .enclosures
        .iter()
        .find(|own| own.verdict == Verdict::NotKnown);
    let silent = silent.expect("one that could not be judged");
    assert!(
        silent.inside.rows.iter().all(|row| row[2].number.is_none()),
        "{:?}",
        silent.inside
    );
}

#[test]
fn the_week_before_is_compared_only_where_it_is_known() {
    let sample = sample::harbour("metric");
    let report = report(&sample);
    let of = |id: &str| {
        report
            .enclosures
            .iter()
            .find(|section| section.id == id)
            .expect("a section")
    };
    assert!(matches!(of("gecko-1").before, Comparison::Table(_)));
    assert!(matches!(of("mantis-1").before, Comparison::NotCompared(_)));
}

#[test]
fn a_notice_alone_asks_for_nothing_and_is_still_said() {
    let mut sample = sample::ordinary(
        sample::site(
            "Europe/Lisbon",
            "metric",
            &[("frog-1", "Mossy frogs", "mossy-frog")],
        ),
        "2026-W21",
    );
    let mut notice = sample::harbour("metric").verdicts.findings.swap_remove(0);
    notice.enclosure = "frog-1".to_owned();
    notice.kind = Kind::SensorSpikes;
    notice.severity = Severity::Notice;
    sample.verdicts.findings.push(notice);
    let report = report(&sample);
    assert_eq!(report.answer, "The one enclosure is well this week.");
    assert!(report.well[0].words.ends_with("To note: a sensor threw spikes."));
}

#[test]
fn other_spans_are_drawn_too() {
    let sample = sample::harbour("metric");
    let day = Span {
        from_ms: sample.span.from_ms,
        until_ms: sample.span.from_ms + 86_400_000,
    };
    let month = Span {
        from_ms: sample.site.zone.parse("2026-03-19").expect("a date"),
        until_ms: sample.span.until_ms,
    };
    for (name, span, answer) in [
        ("day.html", day, "on this day"),
        ("months.html", month, "in these 67 days"),
    ] {
        let report = weekly(
            &sample.site,
            &sample.record,
            &sample.trust,
            &sample.conditions,
            &sample.verdicts,
            span,
            None,
            true,
        );
        let page = html(&report);
        keep(name, &page);
        assert!(report.answer.contains(answer), "{}", report.answer);
        assert!(
            report.enclosures[0]
                .strip
                .as_ref()
                .is_some_and(|strip| !strip.alternative.is_empty())
        );
    }
}

#[test]
fn what_was_not_judged_is_said_and_danger_not_judged_is_never_well() {
    let mut sample = sample::ordinary(
        sample::site(
            "Europe/Lisbon",
            "metric",
            &[("frog-1", "Mossy frogs", "mossy-frog")],
        ),
        "2026-W21",
    );
    let refused = |kind, span| crate::findings::NotAssessed {
        kind,
        enclosure: "frog-1".to_owned(),
        subject: None,
        span,
        reason: "the sensors disagree by more than they should".to_owned(),
    };
    sample.verdicts.not_assessed.push(refused(Kind::MistWeak, None));
    let well = report(&sample);
    assert_eq!(well.well.len(), 1);
    assert!(
        well.well[0]
            .words
            .ends_with("Not or only partly judged: what the mistings do."),
        "{}",
        well.well[0].words
    );
    sample
        .verdicts
        .not_assessed
        .push(refused(Kind::Overheating, None));
    let unknown = report(&sample);
    assert_eq!(
        unknown.answer,
        "How the one enclosure did this week is not known."
    );
    assert_eq!(
        unknown.not_known[0].words,
        "Whether it was too hot or too cold could not be judged for 7 days: the sensors disagree by more than they should."
    );
}
