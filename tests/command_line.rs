//! Commands, exit codes, and what goes to which output.

use crate::harness::{CSV_HEADER, Home, Mosquitto, Python, READINGS, SITE, root, wait_until};

#[test]
fn help_and_version_are_no_failures() {
    let home = Home::new(SITE);
    let help = home.run(&["--help"]).expect_code(0);
    for command in [
        "demo", "collect", "check", "import", "export", "flags", "report", "journal", "simulate",
    ] {
        assert!(help.stdout.contains(command), "{command} in {}", help.stdout);
    }
    assert!(
        help.stdout
            .contains("never replaces a thermostat or a veterinarian")
    );
    let kinds = home.run(&["journal", "add", "--help"]).expect_code(0).stdout;
    for (kind, meaning) in mosswarden_config::journal::MEANINGS {
        assert!(
            kinds.contains(kind) && kinds.contains(meaning),
            "{kind} in {kinds}"
        );
    }
    home.run(&["flags", "--from", "yesterday", "--to", "now"])
        .expect_code(0);
    let version = home.run(&["--version"]).expect_code(0);
    assert!(version.stdout.starts_with("mosswarden "));
}

/// A command line that is refused with exit code 2 and these words on standard error.
#[track_caller]
fn refused(home: &Home, arguments: &[&str], words: &[&str]) {
    let said = home.run(arguments).expect_code(2);
    assert_eq!(said.stdout, "", "results only on standard output");
    for word in words {
        assert!(said.stderr.contains(word), "no {word:?} in {}", said.stderr);
    }
}

#[test]
fn a_wrong_command_line_is_refused_with_a_way_out() {
    let home = Home::new(SITE);
    refused(&home, &["collekt"], &["unrecognized subcommand", "collect"]);
    refused(&home, &[], &["Usage"]);
    refused(&home, &["import"], &["<FILE>"]);
    refused(
        &home,
        &["flags", "--format", "xml"],
        &["possible values: text, json"],
    );
    refused(
        &home,
        &["flags", "--enclosure", "mosy-1"],
        &["no enclosure `mosy-1`", "did you mean `mossy-1`?"],
    );
    refused(
        &home,
        &["flags", "--from", "2026-02-30"],
        &[
            "`2026-02-30` is not a time; there is no 30 February 2026",
            "`yesterday`",
        ],
    );
    refused(
        &home,
        &["flags", "--from", "2026-03-02", "--to", "2026-03-01"],
        &["the span is empty", "swap the two times"],
    );
    refused(
        &home,
        &["flags", "--from", "2999-01-01"],
        &["--from lies in the future", "name a time that is past"],
    );
    refused(
        &home,
        &["compare", "--enclosure", "mossy-1"],
        &["journal add --enclosure mossy-1 --kind schedule-changed"],
    );
    refused(
        &home,
        &["care", "done", "water-bowl", "--enclosure", "mossy-1"],
        &["mossy-1 has no task `water-bowl`", "it has: dechlorinated-refill"],
    );
    refused(
        &home,
        &["calibrate", "withdraw", "--sensor", "mossy-1-stat"],
        &["there is nothing to withdraw", "calibrate list"],
    );
    let tub = [
        "calibrate",
        "side-by-side",
        "--from",
        "2026-03-01T20:00",
        "--to",
        "2026-03-02T08:00",
    ];
    refused(
        &home,
        &[
            &tub[..],
            &["--save", "--reference", "mossy-1-check", "mossy-1-stat"],
        ]
        .concat(),
        &[
            "the journal does not tell that mossy-1-stat stood in the tub then",
            "journal add --enclosure mossy-1 --kind sensor-calibrated --subject mossy-1-stat --at 2026-03-01T20:00",
        ],
    );
    refused(
        &home,
        &["journal", "add", "--enclosure", "mossy-1", "--kind", "note"],
        &["a note needs words"],
    );
    refused(
        &home,
        &["away", "--to", "2020-01-01"],
        &["2020-01-01 is no day to come back on", "name a later day"],
    );
    refused(
        &home,
        &["away", "--to", "2999-01-01"],
        &["more than 92 days away", "name an earlier day"],
    );
    refused(
        &home,
        &["away", "--to", "tomorrow", "--room", "28..17"],
        &["the warmer one stands first", "17..28"],
    );
    refused(
        &home,
        &["report", "--week", "2026-W54"],
        &["`2026-W54` is not an ISO 8601 week", "2026-W21"],
    );
    refused(
        &home,
        &["report", "--week", "21"],
        &["`21` is not an ISO 8601 week"],
    );
    refused(
        &home,
        &["report", "--week", "2026-W21", "--from", "2026-03-01"],
        &["cannot be used with"],
    );
}

#[test]
fn the_site_file_is_found_here_or_by_option_or_by_the_environment() {
    let home = Home::new(SITE);
    home.run(&["export"]).expect_code(0);
    let away = Home::new(SITE);
    fs_err::remove_file(away.path("site.toml")).expect("it was written");
    refused(
        &away,
        &["export"],
        &["there is no site.toml", "MOSSWARDEN_SITE", "mosswarden discover"],
    );
    let file = home.path("site.toml");
    away.run(&["export", "--site", &file.to_string_lossy()])
        .expect_code(0);
    away.run_with(&["export"], &[("MOSSWARDEN_SITE", &file)])
        .expect_code(0);
    refused(&away, &["export", "--site", "nowhere.toml"], &["nowhere.toml:1:"]);
}

#[test]
fn a_failing_world_is_exit_code_1() {
    let home = Home::new(SITE);
    let said = home.run(&["import", "nothing.csv"]).expect_code(1);
    assert!(said.stderr.contains("nothing.csv"), "{}", said.stderr);
    home.write("data", "a file where the folder should be");
    let said = home.run(&["import", "site.toml"]).expect_code(1);
    assert!(said.stderr.contains("site.toml:1:"), "{}", said.stderr);
    home.write("readings.csv", READINGS);
    let said = home.run(&["import", "readings.csv"]).expect_code(1);
    assert!(said.stderr.contains("data"), "{}", said.stderr);
    let said = home.run(&["collect"]).expect_code(1);
    assert!(said.stderr.contains("data"), "{}", said.stderr);
}

#[test]
fn a_reader_that_goes_ends_the_program_without_a_word() {
    let home = Home::new(SITE);
    let said = home.run_unread(&["check"]).expect_code(141);
    assert_eq!(said.stderr, "");
    // A full disk is no reader that went.
    let said = home.run_into(&["check"], "/dev/full").expect_code(1);
    assert!(
        said.stderr.contains("failed printing to stdout"),
        "{}",
        said.stderr
    );
}

#[test]
fn check_says_what_is_fit_and_changes_nothing() {
    let (home, _) = Home::builtin();
    let said = home.run(&["check"]).expect_code(3);
    assert!(
        said.stdout.contains("fit:      way in: built in"),
        "{}",
        said.stdout
    );
    assert!(
        said.stdout
            .contains("room-wall, room: nothing in the last seven days"),
        "{}",
        said.stdout
    );
    assert!(!home.path("data").exists(), "check made the data folder");
    // Every sensor heard an hour ago: nothing left to look at.
    let at = (chrono::Utc::now() - chrono::TimeDelta::hours(1)).format("%Y-%m-%dT%H:%M:%SZ");
    let rows: String = [
        ("mossy-1", "mossy-1-stat"),
        ("mossy-1", "mossy-1-check"),
        ("mossy-1", "mossy-1-low"),
        ("room", "room-wall"),
    ]
    .iter()
    .map(|(enclosure, sensor)| format!("{at},{enclosure},{sensor},temperature,21,Cel\n"))
    .collect();
    home.write("readings.csv", &format!("{}\n{rows}", crate::harness::CSV_HEADER));
    home.run(&["import", "readings.csv"]).expect_code(0);
    let said = home.run(&["check"]).expect_code(0);
    for trouble in ["look at:", "unfit:"] {
        assert!(!said.stdout.contains(trouble), "{}", said.stdout);
    }
}

#[test]
fn check_says_what_no_enclosure_can_be_like() {
    let (home, _) = Home::builtin();
    let at = (chrono::Utc::now() - chrono::TimeDelta::hours(1)).format("%Y-%m-%dT%H:%M:%SZ");
    home.write(
        "readings.csv",
        &format!(
            "{CSV_HEADER}\n{at},mossy-1,mossy-1-stat,temperature,72.3,Cel\n{at},mossy-1,mossy-1-stat,humidity,0.86,%RH\n\
             {at},mossy-1,mossy-1-check,temperature,-127,Cel\n"
        ),
    );
    home.run(&["import", "readings.csv"]).expect_code(0);
    let said = home.run(&["check"]).expect_code(3).stdout;
    for words in [
        "they fit in °F: write unit = \"[degF]\"",
        "they fit as shares of 1: write unit = \"/\"",
        "mossy-1-check, mossy-1: no value of temperature in its last 1 reading is possible, the newest is -127.0 °C",
    ] {
        assert!(said.contains(words), "no {words:?} in {said}");
    }
}

#[test]
fn check_says_what_would_end_collect_at_its_start() {
    let (home, port) = Home::builtin();
    let site = fs_err::read_to_string(home.path("site.toml")).expect("it was written");
    let unfit = |why: &[&str]| {
        let said = home.run(&["check"]).expect_code(3);
        for part in why {
            assert!(said.stdout.contains(part), "{part} is not in {}", said.stdout);
        }
    };
    let taken = std::net::TcpListener::bind(("127.0.0.1", port)).expect("it was free");
    let next =
        format!("holds port {port}: use it with url = \"mqtt://127.0.0.1:{port}\", or choose another port");
    unfit(&[
        "unfit:    way in: collect will not start: ",
        "Address already in use",
        &next,
    ]);
    let said = home.run(&["collect"]).expect_code(1);
    assert!(
        said.stderr
            .contains(&format!("  hint: another program (often mosquitto) {next}")),
        "{}",
        said.stderr
    );
    assert!(!said.stderr.contains("the page is open"), "{}", said.stderr);
    drop(taken);

    let secret = "[broker]\npassword_file = \"secrets/none\"";
    home.write("site.toml", &site.replacen("[broker]", secret, 1));
    unfit(&["unfit:    way in: collect will not start: ", "none can't be read"]);
    home.run(&["collect"]).expect_code(1);

    home.write(
        "site.toml",
        &site.replacen("data_dir = \"data\"", "data_dir = \"site.toml/data\"", 1),
    );
    unfit(&["unfit:    data folder: collect will not start: "]);
    home.run(&["collect"]).expect_code(1);

    home.write("site.toml", &site);
    let page = site
        .split("[page]\nlisten = \"")
        .nth(1)
        .and_then(|rest| rest.split('"').next());
    let page = page.expect("a page");
    let taken = std::net::TcpListener::bind(page).expect("it was free");
    unfit(&[
        "look at:  page: ",
        "collect will go on without the page: another program holds port",
    ]);
    let collector = home.collect_builtin(port);
    wait_until("the page's port is told", || {
        collector
            .log()
            .contains("choose another port with `listen` in [page]")
    });
    assert!(collector.log().contains("devices can connect by MQTT"));
    drop(taken);
    // A collector holds its own ports: nothing is wrong with that.
    let said = home.run(&["check"]).expect_code(3);
    assert!(
        said.stdout.contains("fit:      way in: built in"),
        "{}",
        said.stdout
    );
    assert!(!said.stdout.contains("unfit:"), "{}", said.stdout);
}

#[test]
fn check_asks_the_broker() {
    let home = Home::new(SITE);
    let Some(broker) = Mosquitto::start(&home) else {
        return;
    };
    let port = broker.port;
    let url = format!("url = \"mqtt://127.0.0.1:{port}\"");
    home.write("site.toml", &SITE.replace("url = \"builtin\"", &url));
    let answers = format!("the broker 127.0.0.1:{port} lets us in");
    let said = home.run(&["check"]).expect_code(3);
    assert!(said.stdout.contains(&answers), "{}", said.stdout);
    drop(broker);
    let said = home.run(&["check"]).expect_code(3);
    let silent = format!("nothing answers at 127.0.0.1:{port}");
    assert!(said.stdout.contains(&silent), "{}", said.stdout);
}

#[test]
fn import_takes_the_contracts_table_once_and_export_gives_it_back() {
    let home = Home::new(SITE);
    home.write("readings.csv", READINGS);
    let first = home.run(&["import", "readings.csv"]).expect_code(0);
    assert!(first.stdout.contains("5 readings added"), "{}", first.stdout);
    let second = home.run(&["import", "readings.csv"]).expect_code(0);
    assert!(
        second.stdout.contains("0 readings added, 5 were there already"),
        "{}",
        second.stdout
    );
    let mut given = home.exported();
    let mut taken: Vec<String> = READINGS.lines().skip(1).map(str::to_owned).collect();
    given.sort();
    taken.sort();
    assert_eq!(given, taken);
    if let Some(python) = Python::find() {
        assert_eq!(
            home.stored(&python).len(),
            5,
            "a reading stands in the files twice"
        );
    }
    // Into another archive and out again: the same bytes.
    let out = home
        .run(&["export", "--from", "2026-03-01", "--to", "2026-03-02"])
        .expect_code(0);
    let other = Home::new(SITE);
    other.write("exported.csv", &out.stdout);
    other.run(&["import", "exported.csv"]).expect_code(0);
    let again = other
        .run(&["export", "--from", "2026-03-01", "--to", "2026-03-02"])
        .expect_code(0);
    assert_eq!(out.stdout, again.stdout);
    let room = home
        .run(&[
            "export",
            "--from",
            "2026-03-01",
            "--to",
            "2026-03-02",
            "--enclosure",
            "room",
        ])
        .expect_code(0);
    assert_eq!(room.stdout.lines().count(), 2, "{}", room.stdout);
}

#[test]
fn bad_lines_are_refused_one_by_one_and_kept() {
    let home = Home::new(SITE);
    home.write(
        "readings.csv",
        &format!(
            "{READINGS}2026-03-01T08:02:00Z,mossy-1,mossy-1-stat,humidity,wet,%RH\n\
             2026-03-01T08:02:00Z,mossy-1,mossy-1-staat,humidity,80,%RH\n\
             2026-03-01T08:02:00Z,mossy-1,mossy-1-stat,humidity,80,Cel\n"
        ),
    );
    let said = home.run(&["import", "readings.csv"]).expect_code(0);
    assert!(
        said.stdout
            .contains("5 readings added, 0 were there already, 3 refused"),
        "{}",
        said.stdout
    );
    for words in [
        "readings.csv:7: `wet` is not a number",
        "readings.csv:8: unknown sensor `mossy-1-staat`; did you mean `mossy-1-stat`?",
        "readings.csv:9: unit `Cel` does not measure humidity",
    ] {
        assert!(said.stderr.contains(words), "no {words:?} in {}", said.stderr);
    }
    let kept = fs_err::read_to_string(home.path("data/refused/refused.jsonl")).expect("a refused log");
    assert_eq!(kept.lines().count(), 3);
    assert!(kept.contains("mossy-1-staat,humidity,80,%RH"));
    // A file of which nothing can be taken has failed, and holds no other back.
    home.write(
        "wet.csv",
        &format!("{CSV_HEADER}\n2026-03-01T08:02:00Z,mossy-1,mossy-1-stat,humidity,wet,%RH\n"),
    );
    let said = home.run(&["import", "wet.csv", "readings.csv"]).expect_code(1);
    assert!(
        said.stderr.contains("not one line of wet.csv could be read"),
        "{}",
        said.stderr
    );
    assert!(
        said.stdout
            .contains("0 readings added, 5 were there already, 3 refused"),
        "{}",
        said.stdout
    );
}

#[test]
fn another_sites_table_changes_nothing() {
    let home = Home::new(SITE);
    home.write("readings.csv", &READINGS.replace("mossy-1", "mossy-9"));
    let said = home.run(&["import", "readings.csv"]).expect_code(1);
    assert!(said.stderr.contains("nothing was imported"), "{}", said.stderr);
    assert!(home.exported().is_empty());
}

#[test]
fn flags_speak_json_by_the_schema_and_plain_text() {
    let home = Home::new(SITE);
    let battery = "2026-03-01T08:00:00Z,mossy-1,mossy-1-stat,battery,9,%\n";
    home.write("readings.csv", &(READINGS.to_owned() + battery));
    home.run(&["import", "readings.csv"]).expect_code(0);
    let span = ["--from", "2026-03-01", "--to", "2026-03-02"];
    let json = home
        .run(&[&["flags", "--format", "json"], &span[..]].concat())
        .expect_code(3);
    let document = json.json();
    assert_eq!(document["schema"], "mosswarden.findings/1");
    assert_eq!(document["timezone"], "Europe/Lisbon");
    assert_eq!(document["from"], "2026-03-01T00:00:00+00:00");
    assert_eq!(json.stderr, "", "nothing but the document is said");
    let kinds: Vec<&str> = document["findings"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|finding| finding["kind"].as_str())
        .collect();
    assert_eq!(kinds, ["sensor-silent", "sensor-silent"]);
    assert!(
        !document["not_assessed"].as_array().expect("a list").is_empty(),
        "silence is never shown as health"
    );
    let text = home.run(&[&["flags"], &span[..]].concat()).expect_code(3);
    for words in [
        "2 things were found.",
        "mossy-1-stat has been silent for 16 h (last heard on Sunday 1 March, 08:00). Its battery stood at 9 %. Nothing else measures \
         the temperature and humidity there now.",
        "Next: ",
        "Not judged:",
    ] {
        assert!(text.stdout.contains(words), "no {words:?} in {}", text.stdout);
    }
    // Nothing later than `--to` is used, and what is unknown is said to be.
    let before = home
        .run(&[
            "flags",
            "--from",
            "2026-02-01",
            "--to",
            "2026-02-08",
            "--format",
            "json",
        ])
        .expect_code(0);
    assert!(before.json()["findings"].as_array().expect("a list").is_empty());
    assert!(
        !before.json()["not_assessed"]
            .as_array()
            .expect("a list")
            .is_empty()
    );
    if let Some(python) = Python::find() {
        for (name, said) in [("found.json", &json), ("before.json", &before)] {
            validate(&home, &python, name, &said.stdout);
        }
    }
}

/// Fails unless the contract's schema accepts the document.
#[track_caller]
pub(crate) fn validate(home: &Home, python: &Python, name: &str, document: &str) {
    let file = home.write(name, document);
    let schema = root().join("tests/reference/findings.schema.json");
    python
        .run(
            "validate_findings.py",
            &[&schema.to_string_lossy(), &file.to_string_lossy()],
        )
        .expect_code(0);
}

#[test]
fn the_validator_itself_refuses_what_is_wrong() {
    let Some(python) = Python::find() else {
        return;
    };
    let home = Home::new(SITE);
    let file = home.write(
        "wrong.json",
        r#"{"schema":"mosswarden.findings/1","site":"x","timezone":"UTC","from":"2026-03-01","to":"2026-03-02T00:00:00Z","findings":[],"not_assessed":[]}"#,
    );
    let schema = root().join("tests/reference/findings.schema.json");
    let said = python.run(
        "validate_findings.py",
        &[&schema.to_string_lossy(), &file.to_string_lossy()],
    );
    assert_eq!(said.code, 1, "{said:?}");
    assert!(said.stdout.contains("$.from"), "{said:?}");
}

#[test]
fn a_report_is_written_in_every_form_and_never_over_another() {
    let home = Home::new(SITE);
    home.write("readings.csv", READINGS);
    home.run(&["import", "readings.csv"]).expect_code(0);
    let said = home.run(&["report", "--week", "2026-W09"]).expect_code(0);
    let files: Vec<&str> = said.stdout.lines().collect();
    assert_eq!(
        files,
        ["html", "pdf", "json", "txt"].map(|form| format!("data/reports/report-2026-W09.{form}"))
    );
    let written = fs_err::read(home.path(files[0])).expect("a report");
    let said = home.run(&["report", "--week", "2026-W09"]).expect_code(2);
    assert!(
        said.stderr.contains("report-2026-W09.html is there already") && said.stderr.contains("--force"),
        "{}",
        said.stderr
    );
    home.run(&["report", "--week", "2026-W9"]).expect_code(2);
    home.run(&["report", "--week", "2026-W09", "--force"])
        .expect_code(0);
    assert_eq!(
        written,
        fs_err::read(home.path(files[0])).expect("a report"),
        "same input, same bytes"
    );
    home.run(&["report", "--week", "2026-W09", "--out", "elsewhere"])
        .expect_code(0);
    assert!(home.path("elsewhere/report-2026-W09.txt").exists());
    let model: serde_json::Value =
        serde_json::from_slice(&fs_err::read(home.path(files[2])).expect("a report")).expect("JSON");
    assert!(model.is_object());
    // Spans of the same dates and other hours have names of their own.
    for (from, to, name) in [
        ("2026-02-20", "2026-02-27", "report-2026-02-20-to-2026-02-27"),
        (
            "2026-02-20T05:00",
            "2026-02-27T02:30",
            "report-2026-02-20-0500-to-2026-02-27-0230",
        ),
    ] {
        let said = home.run(&["report", "--from", from, "--to", to]).expect_code(0);
        assert!(said.stdout.contains(&format!("{name}.html")), "{}", said.stdout);
    }
}

#[test]
fn where_no_reading_is_that_is_the_first_thing_said() {
    let home = Home::new(SITE);
    home.write("readings.csv", READINGS);
    home.run(&["import", "readings.csv"]).expect_code(0);
    let answer = |from: &str, to: &str| {
        let said = home.run(&["flags", "--from", from, "--to", to]).expect_code(0);
        said.stdout.lines().nth(1).map(str::to_owned)
    };
    assert_eq!(
        answer("2026-01-01", "2026-01-08").as_deref(),
        Some("Nothing can be said: no reading of this span is there.")
    );
    let said = home
        .run(&["flags", "--from", "2026-01-01", "--to", "2026-01-08"])
        .expect_code(0);
    assert_eq!(
        said.stdout.lines().nth(2),
        Some("Your readings are of 1 March 2026; ask: mosswarden flags --from 2026-03-01 --to 2026-03-02")
    );
    assert_eq!(
        said.stdout.lines().count(),
        3,
        "nothing else is listed: {}",
        said.stdout
    );
    let said = home
        .run(&[
            "flags",
            "--from",
            "2026-02-25",
            "--to",
            "2026-03-01T08:10",
            "--enclosure",
            "mossy-1",
        ])
        .expect_code(0);
    assert!(!said.stdout.contains(" room "), "{}", said.stdout);
    let said = home
        .run(&["report", "--from", "2026-01-01", "--to", "2026-01-08"])
        .expect_code(0);
    assert!(
        said.stderr
            .contains("nothing was recorded then: your readings are of 1 March 2026"),
        "{}",
        said.stderr
    );
    refused(
        &home,
        &["audit", "--enclosure", "mossy-1", "--until", "2999-01-01"],
        &["--until 2999-01-01 lies in the future"],
    );
    assert_eq!(
        answer("2026-02-25", "2026-03-01T08:10").as_deref(),
        Some(
            "Nothing was found in what could be judged. Too little is known of mossy-1 to say how it is there: less than half of this time."
        )
    );
    let said = home.run(&["alerts"]).expect_code(3);
    assert!(
        said.stdout
            .starts_with("Nobody is watching: no collector runs on this folder (none has ever run here)"),
        "{}",
        said.stdout
    );
    let audit = ["audit", "--enclosure", "mossy-1", "--until", "2026-03-02"];
    let said = home.run(&audit).expect_code(0);
    assert!(
        said.stderr
            .contains("before Monday 2 March, 00:00: nothing of that day"),
        "{}",
        said.stderr
    );
}

#[test]
fn what_is_no_tidy_file_gets_a_next_step() {
    let home = Home::new(SITE);
    let columns = [
        "--columns",
        "When=time",
        "--columns",
        "T=mossy-1-stat temperature",
    ];
    home.write(
        "wide.csv",
        "When;T;RH\n2026-03-01 10:00;21,7;80\n2999-03-01 10:00;21,8;80\n",
    );
    let said = home
        .run(&[&["import", "wide.csv"], &columns[..]].concat())
        .expect_code(0);
    assert!(
        said.stdout.starts_with("wide.csv: 2 readings added") && said.stdout.contains("1 kept with a mark"),
        "{}",
        said.stdout
    );
    assert!(
        said.stderr
            .contains("1 kept with the mark clock-ahead (dated in the future")
            && said.stderr.contains("line 3"),
        "{}",
        said.stderr
    );
    assert!(
        home.exported()
            .iter()
            .any(|line| line.contains(",temperature,21.7,"))
    );
    home.write(
        "late.csv",
        "When,T,RH\n28/11/2026 10:00,21.7,80\n31/02/2026 10:00,21.8,80\n",
    );
    let both = [
        &["import", "late.csv"],
        &columns[..],
        &["--columns", "RH=mossy-1-stat humidity"],
    ];
    let said = home.run(&both.concat()).expect_code(1).stderr;
    for words in [
        "late.csv:2: `28/11/2026 10:00` is read with --columns \"HEADER=time day-first\"\n",
        "late.csv:3: `31/02/2026 10:00` is not a time: there is no 31 February 2026\n",
    ] {
        assert_eq!(said.matches(words).count(), 1, "{words:?} once in {said}");
    }
    let hinted = |file: &str, words: &str| {
        let said = home.run(&["import", file]).expect_code(1);
        assert!(said.stderr.contains(words), "no {words:?} in {}", said.stderr);
    };
    hinted("wide.csv", "is read with --columns");
    hinted("data", "it is a folder; name the files in it");
    fs_err::write(home.path("log.csv.gz"), [0x1f, 0x8b, 8, 0, 0xff]).expect("room");
    hinted("log.csv.gz", "gunzip --keep log.csv.gz");
}

#[test]
fn simulate_gives_a_room_that_the_program_takes() {
    let home = Home::new(SITE);
    home.run(&["simulate", "--scenario", "demo", "--out", "room"])
        .expect_code(0);
    home.run(&["simulate", "--scenario", "demo", "--out", "room"])
        .expect_code(2);
    let site = ["--site", "room/site.toml"];
    let said = home
        .run(&[&["import", "room/readings.csv"], &site[..]].concat())
        .expect_code(0);
    assert!(said.stdout.contains(" 0 refused"), "{}", said.stdout);
    let said = home
        .run(&[&["journal", "import", "room/journal.csv"], &site[..]].concat())
        .expect_code(0);
    assert!(said.stdout.contains(" 0 refused"), "{}", said.stdout);
    let truth: serde_json::Value =
        serde_json::from_slice(&fs_err::read(home.path("room/truth.json")).expect("written")).expect("JSON");
    assert!(truth.is_object());
}
