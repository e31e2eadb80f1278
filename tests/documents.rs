//! Reports, audits and hand-overs as their readers open them: each form is checked by a program that is not ours.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use crate::browser::Browser;
use crate::demo::asks_nobody;
use crate::harness::{CSV_HEADER, Home, Python, SITE, Said, root, skip};

/// RFC 5322 (2.1.1) asks for lines of no more than 78 characters.
const COLUMNS_MAX: usize = 78;
const HTML_BYTES_MAX: usize = 1_000_000;
const REPORT_SCHEMA: &str = "analysis/src/report/report.schema.json";
const AUDIT_SCHEMA: &str = "analysis/src/audit/audit.schema.json";
const HANDOVER_SCHEMA: &str = "analysis/src/handover/handover.schema.json";
const AWAY_SCHEMA: &str = "analysis/src/away/away.schema.json";

/// What one command wrote, by ending.
pub(crate) struct Document {
    files: BTreeMap<String, PathBuf>,
    pub(crate) said: Said,
}

impl Document {
    #[track_caller]
    pub(crate) fn write(home: &Home, arguments: &[&str]) -> Document {
        let said = home.run(arguments).expect_code(0);
        let files = said
            .stdout
            .lines()
            .map(|line| {
                let (_, end) = line.rsplit_once('.').expect("a file with an ending");
                (end.to_owned(), home.path(line))
            })
            .collect();
        Document { files, said }
    }

    #[track_caller]
    pub(crate) fn path(&self, end: &str) -> String {
        let file = self
            .files
            .get(end)
            .unwrap_or_else(|| panic!("no {end} in {:?}", self.files));
        file.to_string_lossy().into_owned()
    }

    #[track_caller]
    pub(crate) fn text(&self, end: &str) -> String {
        fs_err::read_to_string(self.path(end)).expect("the form is there")
    }

    /// What the PDF says, as another program reads it; `None` where that program is missing.
    #[track_caller]
    pub(crate) fn paper(&self) -> Option<String> {
        Some(poppler("pdftotext", &["-layout", &self.path("pdf"), "-"])?.stdout)
    }

    /// Fails where a form is not what its readers need: HTML that asks nobody, lines that fit an e-mail, JSON of its schema, a
    /// tagged PDF on A4 with every font inside.
    #[track_caller]
    pub(crate) fn must_be_sound(&self, schema: &str) {
        asks_nobody(&self.text("html"));
        for line in self.text("txt").lines().filter(|line| line.is_ascii()) {
            assert!(line.len() <= COLUMNS_MAX, "{line}");
        }
        if let Some(python) = Python::find() {
            let schema = root().join(schema);
            python
                .run(
                    "validate_findings.py",
                    &[&schema.to_string_lossy(), &self.path("json")],
                )
                .expect_code(0);
        }
        let Some(about) = poppler("pdfinfo", &[&self.path("pdf")]) else {
            return;
        };
        let about = about.expect_code(0).stdout;
        for said in ["Tagged:          yes", "(A4)", "Title:"] {
            assert!(about.contains(said), "{about}");
        }
        let fonts = poppler("pdffonts", &[&self.path("pdf")])
            .map(|said| said.stdout)
            .unwrap_or_default();
        let rows: Vec<&str> = fonts.lines().skip(2).collect();
        assert!(!rows.is_empty(), "no font at all");
        for row in rows {
            assert!(
                row.contains("yes yes yes"),
                "not embedded, subset and readable: {row}"
            );
        }
    }
}

/// Runs a program of poppler-utils.
#[track_caller]
fn poppler(program: &str, arguments: &[&str]) -> Option<Said> {
    let output = Command::new(program)
        .args(arguments)
        .stdin(Stdio::null())
        .output();
    match output {
        Ok(output) => Some(output.into()),
        Err(_) => {
            skip("poppler-utils is missing");
            None
        }
    }
}

/// A site of these enclosures: id, label and species, each with a humidistat and a second sensor.
fn site(name: &str, zone: &str, enclosures: &[(String, String, &str)]) -> String {
    let mut site = format!(
        "[site]\nname = \"{name}\"\ntimezone = \"{zone}\"\ndata_dir = \"data\"\n[broker]\nurl = \"builtin\"\nlisten = \"127.0.0.1:0\"\n"
    );
    for (id, label, species) in enclosures {
        let _ = write!(
            site,
            "[[enclosure]]\nid = \"{id}\"\nlabel = \"{label}\"\nspecies = \"{species}\"\nday = {{ start = \"08:00\", end = \"20:00\" }}\n"
        );
        for (sensor, role) in [("stat", "controller"), ("check", "reference")] {
            let _ = write!(
                site,
                "[[enclosure.sensor]]\nid = \"{id}-{sensor}\"\nrole = \"{role}\"\n\
                 feeds = [ {{ topic = \"{id}/{sensor}/t\", format = \"number\", quantity = \"temperature\", unit = \"Cel\" }}, \
                 {{ topic = \"{id}/{sensor}/h\", format = \"number\", quantity = \"humidity\", unit = \"%RH\" }} ]\n"
            );
        }
    }
    site
}

/// Invented readings of each sensor from an instant (UTC) on: a day's course, and a little of every reading in it.
fn readings(ids: &[&str], from: &str, days: i64, step_min: i64) -> String {
    let from = chrono::DateTime::parse_from_rfc3339(from).expect("an instant");
    let mut csv = format!("{CSV_HEADER}\n");
    for (seed, id) in ids.iter().enumerate() {
        for sensor in ["stat", "check"] {
            for step in 0..days * 24 * 60 / step_min {
                let minute = step * step_min;
                let at = (from + chrono::TimeDelta::minutes(minute)).format("%Y-%m-%dT%H:%M:%SZ");
                let turn = (minute as f64 / 1440.0 - 0.6) * std::f64::consts::TAU;
                let wobble = 0.3 * ((step * 7 + seed as i64 * 3) % 11) as f64 / 11.0;
                let (temperature, humidity) =
                    (21.0 + 2.0 * turn.cos() + wobble, 84.0 - 5.0 * turn.cos() + wobble);
                let _ = writeln!(csv, "{at},{id},{id}-{sensor},temperature,{temperature:.2},Cel");
                let _ = writeln!(csv, "{at},{id},{id}-{sensor},humidity,{humidity:.2},%RH");
            }
        }
    }
    csv
}

fn named(count: usize) -> Vec<(String, String, &'static str)> {
    let species = [
        "mossy-frog",
        "crested-gecko",
        "dyeing-poison-frog",
        "orchid-mantis",
        "fire-salamander",
    ];
    (1..=count)
        .map(|number| {
            (
                format!("box-{number}"),
                format!("Enclosure {number}, shelf {}", number % 5 + 1),
                species[number % species.len()],
            )
        })
        .collect()
}

/// A home with these enclosures and their readings of eight weeks before a day and of the week from it on.
fn kept(
    site_name: &str,
    zone: &str,
    enclosures: &[(String, String, &str)],
    from: &str,
    days: i64,
    step_min: i64,
) -> Home {
    let home = Home::new(&site(site_name, zone, enclosures));
    let ids: Vec<&str> = enclosures.iter().map(|(id, ..)| id.as_str()).collect();
    home.write("readings.csv", &readings(&ids, from, days, step_min));
    home.run(&["import", "readings.csv"]).expect_code(0);
    home
}

fn fit(pages: &[&Document]) {
    if let Some(browser) = Browser::find() {
        let paths: Vec<String> = pages.iter().map(|page| page.path("html")).collect();
        browser.must_be_fit(&paths.iter().map(String::as_str).collect::<Vec<_>>());
    }
}

#[test]
fn an_empty_week_and_a_single_reading_are_not_known_in_every_form() {
    let home = Home::new(SITE);
    let empty = Document::write(&home, &["report", "--week", "2026-W20"]);
    home.write(
        "one.csv",
        &format!("{CSV_HEADER}\n2026-05-20T12:00:00Z,mossy-1,mossy-1-stat,temperature,22.5,Cel\n"),
    );
    home.run(&["import", "one.csv"]).expect_code(0);
    let one = Document::write(&home, &["report", "--week", "2026-W21"]);
    for report in [&empty, &one] {
        report.must_be_sound(REPORT_SCHEMA);
        let told: serde_json::Value = serde_json::from_str(&report.text("json")).expect("JSON");
        assert_eq!(
            told["well"].as_array().map(Vec::len),
            Some(0),
            "silence is never health"
        );
        assert!(!told["not_known"].as_array().expect("a list").is_empty());
        for end in ["html", "txt"] {
            assert!(report.text(end).contains("not known"), "{end}");
        }
        if let Some(paper) = report.paper() {
            assert!(
                paper.contains("not known") && paper.contains("Page 1 of "),
                "{paper}"
            );
        }
    }
    let handover = Document::write(
        &home,
        &["handover", "--enclosure", "mossy-1", "--until", "2026-05-25"],
    );
    handover.must_be_sound(HANDOVER_SCHEMA);
    let audit = Document::write(
        &home,
        &["audit", "--enclosure", "mossy-1", "--until", "2026-05-25"],
    );
    audit.must_be_sound(AUDIT_SCHEMA);
    let away = Document::write(&home, &["away", "--until", "2026-05-25", "--to", "2026-05-28"]);
    away.must_be_sound(AWAY_SCHEMA);
    assert!(
        away.said
            .stderr
            .contains("do not leave before readings come again"),
        "{}",
        away.said.stderr
    );
    fit(&[&empty, &one, &handover, &audit, &away]);
    // Nothing is written over.
    home.run(&["report", "--week", "2026-W21"]).expect_code(2);
    home.run(&["handover", "--enclosure", "mossy-1", "--until", "2026-05-25"])
        .expect_code(2);
    home.run(&["report", "--week", "2026-W21", "--force"])
        .expect_code(0);
}

#[test]
fn eight_enclosures_make_less_than_a_megabyte_and_the_same_bytes_each_time() {
    let home = kept(
        "Harbour Street nature room",
        "Europe/Lisbon",
        &named(8),
        "2026-05-11T00:00:00Z",
        14,
        5,
    );
    let week = ["report", "--week", "2026-W21"];
    let report = Document::write(&home, &week);
    report.must_be_sound(REPORT_SCHEMA);
    let page = report.text("html");
    assert!(page.len() < HTML_BYTES_MAX, "{} bytes", page.len());
    assert!(
        page.contains("these days") && page.contains("not recorded"),
        "compared with the week before and the year before"
    );
    let first = fs_err::read(report.path("pdf")).expect("a PDF");
    let again = Document::write(&home, &[&week[..], &["--force"]].concat());
    assert_eq!(page, again.text("html"));
    assert!(
        first == fs_err::read(again.path("pdf")).expect("a PDF"),
        "the PDF differs"
    );
    fit(&[&report]);
}

#[test]
fn thirty_enclosures_are_told_one_page_each() {
    let home = kept(
        "Harbour Street nature room",
        "Europe/Lisbon",
        &named(30),
        "2026-05-11T00:00:00Z",
        14,
        60,
    );
    let report = Document::write(&home, &["report", "--week", "2026-W21"]);
    report.must_be_sound(REPORT_SCHEMA);
    let told: serde_json::Value = serde_json::from_str(&report.text("json")).expect("JSON");
    assert_eq!(told["enclosures"].as_array().map(Vec::len), Some(30));
    if let Some(paper) = report.paper() {
        let pages = paper.matches('\u{c}').count();
        assert!(pages > 31, "{pages} pages");
        for number in 1..=30 {
            assert!(
                paper.contains(&format!("Enclosure {number}, shelf")),
                "no word of {number}"
            );
        }
    }
    fit(&[&report]);
}

#[test]
fn a_clock_change_is_named_and_its_day_has_the_hours_it_had() {
    let home = kept(
        "Harbour Street nature room",
        "Europe/Lisbon",
        &named(2),
        "2026-03-16T00:00:00Z",
        14,
        30,
    );
    let report = Document::write(&home, &["report", "--week", "2026-W13"]);
    report.must_be_sound(REPORT_SCHEMA);
    // Portugal, 2026: the last Sunday of March, by the IANA time zone database.
    let said = "On Sunday 29 March the clocks went forward by 1 h: that day has 23 hours.";
    assert!(report.text("html").contains("the clocks went forward by 1"));
    assert!(report.text("json").contains(said));
    fit(&[&report]);
}

#[test]
fn greek_and_japanese_names_come_through_every_form() {
    let enclosures = [
        ("moss-1".to_owned(), "Βάτραχοι στα βρύα".to_owned(), "mossy-frog"),
        ("koke-1".to_owned(), "苔の水槽".to_owned(), "mossy-frog"),
    ];
    let home = kept(
        "Δωμάτιο 港",
        "Asia/Tokyo",
        &enclosures,
        "2026-05-10T15:00:00Z",
        14,
        30,
    );
    let report = Document::write(&home, &["report", "--week", "2026-W21"]);
    report.must_be_sound(REPORT_SCHEMA);
    for end in ["html", "json", "txt"] {
        let text = report.text(end);
        assert!(
            text.contains("Βάτραχοι στα βρύα") && text.contains("苔の水槽"),
            "{end}"
        );
    }
    if let Some(paper) = report.paper() {
        assert!(paper.contains("Βάτραχοι στα βρύα"), "{paper}");
        if report.said.stderr.contains("no font of this machine") {
            assert!(
                paper.contains("(koke-1)"),
                "the id stands beside a name that can't be shown: {paper}"
            );
        } else {
            assert!(paper.contains("苔の水槽"), "{paper}");
        }
    }
    let handover = Document::write(
        &home,
        &["handover", "--enclosure", "koke-1", "--until", "2026-05-25"],
    );
    handover.must_be_sound(HANDOVER_SCHEMA);
    fit(&[&report, &handover]);
}

/// Fails where a form is not what was looked at and kept; `MOSSWARDEN_SNAPSHOTS=write` keeps it anew.
#[track_caller]
fn snapshot(name: &str, now: &str) {
    let file = root().join("tests/snapshots").join(name);
    if std::env::var("MOSSWARDEN_SNAPSHOTS").is_ok_and(|asked| asked == "write") {
        fs_err::write(&file, format!("{}\n", now.trim_end())).expect("the snapshot can be written");
    }
    let kept = fs_err::read_to_string(&file).expect("a snapshot");
    for (number, (old, new)) in kept.lines().zip(now.lines()).enumerate() {
        assert_eq!(old, new, "line {} of {name} (old, new)", number + 1);
    }
    assert_eq!(kept.lines().count(), now.lines().count(), "lines of {name}");
}

#[test]
fn text_and_json_of_the_sample_day_are_what_was_looked_at() {
    let home = crate::archive::sample_home();
    let until = "2026-06-12";
    for (name, arguments) in [
        ("report", &["report", "--from", "2026-06-11", "--to", until][..]),
        (
            "audit",
            &[
                "audit",
                "--enclosure",
                "crested-1",
                "--until",
                until,
                "--days",
                "3",
            ][..],
        ),
    ] {
        let document = Document::write(&home, arguments);
        for end in ["txt", "json"] {
            // What an import is stored in bears its time in name and bytes.
            let text = document.text(end);
            let is_digest = |line: &str| {
                let last = line.rsplit(' ').next().unwrap_or(line);
                last.len() == 64 && last.bytes().all(|byte| byte.is_ascii_hexdigit())
            };
            let lines = text.lines().filter(|line| {
                !line.contains("sha256")
                    && !line.contains("parquet")
                    && !line.contains("bytes")
                    && !is_digest(line)
            });
            snapshot(&format!("{name}.{end}"), &lines.collect::<Vec<_>>().join("\n"));
        }
    }
}

/// All three documents of an archive that was lived in.
#[track_caller]
pub(crate) fn tell_of(home: &Home, site: &[&str], enclosure: &str, until: &str) {
    let with = |arguments: &[&str]| Document::write(home, &[arguments, site].concat());
    let audit = with(&["audit", "--enclosure", enclosure, "--until", until]);
    audit.must_be_sound(AUDIT_SCHEMA);
    let raw = audit.text("csv");
    assert!(raw.starts_with("time,enclosure,sensor,quantity,value,unit,received,time_source,mark\n"));
    assert!(
        raw.lines().nth(1).is_some_and(|row| row.ends_with(",ok")),
        "{:?}",
        raw.lines().nth(1)
    );
    let told: serde_json::Value = serde_json::from_str(&audit.text("json")).expect("JSON");
    let sources = told["inputs"]["sources"].as_array().expect("a list");
    assert_eq!(sources[0]["path"], "site.toml");
    if let Some(paper) = audit.paper() {
        let first = paper.split('\u{c}').next().unwrap_or_default();
        assert!(
            first.contains("It is no diagnosis"),
            "the vet's page does not fit one page: {first}"
        );
    }
    let handover = with(&["handover", "--enclosure", enclosure, "--until", until]);
    handover.must_be_sound(HANDOVER_SCHEMA);
    let away = with(&[
        "away",
        "--until",
        until,
        "--from",
        "2100-01-01",
        "--to",
        "2100-01-03",
    ]);
    away.must_be_sound(AWAY_SCHEMA);
    fit(&[&audit, &handover, &away]);
}
