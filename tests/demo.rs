//! The demo: the promised findings and no others, and a report that asks nobody for anything.

use std::collections::BTreeSet;
use std::time::Instant;

use crate::browser::Browser;
use crate::command_line::validate;
use crate::harness::{Home, Python, SITE};

const REPORT_BYTES_MAX: usize = 1_000_000;

/// Kind, enclosure, subject, cause. mourning-1 and toad-1 are well and stand in no line.
const PROMISED: [(&str, &str, &str, &str); 7] = [
    ("heater-failed", "crested-1", "crested-1-heater", ""),
    ("heater-stuck-on", "crested-1", "crested-1-heater", ""),
    ("humidity-drift", "mossy-1", "mossy-1-stat", ""),
    ("mist-weak", "dart-1", "dart-1-mister", ""),
    ("night-too-cold", "crested-1", "crested-1", ""),
    ("overheating", "crested-1", "crested-1", "heater"),
    ("overheating", "dart-1", "dart-1", "room-heat"),
];

/// Fails where a page would ask anybody for anything when it is opened.
#[track_caller]
pub(crate) fn asks_nobody(html: &str) {
    for (place, _) in html.match_indices("://") {
        let start = html[..place]
            .rfind(['"', '\'', '(', ' ', '>'])
            .map_or(0, |at| at + 1);
        // Names of namespaces, which nobody fetches.
        assert!(
            html[start..].starts_with("http://www.w3.org/"),
            "{}",
            html[start..].chars().take(80).collect::<String>()
        );
    }
    for (word, allowed) in [
        ("src=", &["\"data:"][..]),
        ("href=", &["\"#", "\"data:"][..]),
        ("url(", &["#", "\"#", "data:", "\"data:"][..]),
    ] {
        for (place, _) in html.match_indices(word) {
            let rest = &html[place + word.len()..];
            assert!(
                allowed.iter().any(|start| rest.starts_with(start)),
                "{word}{}",
                rest.chars().take(80).collect::<String>()
            );
        }
    }
    for word in [
        "@import",
        "<link",
        "<iframe",
        "<script src",
        "fetch(",
        "XMLHttpRequest",
    ] {
        assert!(!html.contains(word), "{word}");
    }
}

#[test]
fn the_demo_finds_what_was_promised_and_nothing_else() {
    let home = Home::new(SITE);
    let started = Instant::now();
    let said = home.run(&["demo", "--once", "--folder", "demo"]).expect_code(0);
    let took = started.elapsed();
    println!("the demo took {:.1} s", took.as_secs_f64());
    assert!(said.stderr.contains("Invented data"), "{}", said.stderr);
    assert!(said.stdout.contains(" 0 refused, 0 repeats"), "{}", said.stdout);

    // Judged again from the files that it left.
    let site = ["--site", "demo/site.toml"];
    let month = (chrono::Utc::now() - chrono::TimeDelta::days(25))
        .format("%Y-%m-%d")
        .to_string();
    let json = home
        .run(&[&["flags", "--format", "json", "--from", &month], &site[..]].concat())
        .expect_code(3);
    let document = json.json();
    let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    let found: BTreeSet<[String; 4]> = document["findings"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|finding| ["kind", "enclosure", "subject", "cause"].map(|key| text(&finding[key])))
        .collect();
    let set = |(kind, enclosure, subject, cause): (&str, &str, &str, &str)| {
        [kind, enclosure, subject, cause].map(str::to_owned)
    };
    let promised: BTreeSet<[String; 4]> = PROMISED.into_iter().map(set).collect();
    assert_eq!(found, promised);
    assert_eq!(
        document["findings"].as_array().expect("a list").len(),
        PROMISED.len(),
        "one finding each: one overheating day by the room, one by the heater"
    );
    for (kind, enclosure, ..) in PROMISED {
        assert!(
            said.stdout.contains(&format!("· {enclosure} · {kind} ·")),
            "the demo itself does not tell {kind}: {}",
            said.stdout
        );
    }
    if let Some(python) = Python::find() {
        validate(&home, &python, "found.json", &json.stdout);
    }

    let line = said
        .stdout
        .lines()
        .find_map(|line| line.split_once("report: "))
        .expect("the demo says where the report is");
    let html = fs_err::read_to_string(home.path(line.1.trim())).expect("the report is there");
    assert!(html.len() < REPORT_BYTES_MAX, "{} bytes", html.len());
    assert!(html.to_lowercase().contains("invented data"));
    assert!(html.contains("<svg"), "a report without a picture");
    for label in [
        "Mossy frogs",
        "Dyeing poison frogs",
        "Crested gecko",
        "Mourning geckos",
        "Fire-bellied toads",
    ] {
        assert!(html.contains(label), "no word of {label}");
    }
    asks_nobody(&html);
    if let Some(browser) = Browser::find() {
        browser.must_be_fit(&[&home.path(line.1.trim()).to_string_lossy()]);
    }
    let until = chrono::Utc::now().format("%Y-%m-%dT%H:%M:%SZ").to_string();
    crate::documents::tell_of(&home, &site, "mossy-1", &until);
    // Nothing is written over: the same folder is refused.
    home.run(&["demo", "--once", "--folder", "demo"]).expect_code(2);
}
