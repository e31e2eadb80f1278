//! The keeper's journal: added, listed, taken in from CSV.

use crate::harness::{Home, Publisher, SITE, free_port};

#[test]
fn entries_are_added_and_listed_in_order_of_time() {
    let home = Home::new(SITE);
    home.run(&[
        "journal",
        "add",
        "--enclosure",
        "mossy-1",
        "--kind",
        "cleaned",
        "--at",
        "2026-03-29T10:00",
        "--by",
        "Ana",
        "glass",
        "and",
        "bowl",
    ])
    .expect_code(0);
    home.run(&[
        "journal",
        "add",
        "--enclosure",
        "mossy-1",
        "--kind",
        "sensor-replaced",
        "--subject",
        "mossy-1-stat",
        "--at",
        "2026-03-01T10:00:00Z",
    ])
    .expect_code(0);
    let listed = home.run(&["journal", "list"]).expect_code(0);
    let lines: Vec<&str> = listed.stdout.lines().collect();
    assert_eq!(lines.len(), 2, "{}", listed.stdout);
    assert!(lines[0].starts_with("Sun 2026-03-01 10:00  mossy-1  sensor-replaced  mossy-1-stat"));
    // Local time: on the 29th Lisbon's clocks stand an hour ahead of UTC.
    assert!(lines[1].starts_with("Sun 2026-03-29 10:00  mossy-1  cleaned"));
    assert!(lines[1].contains("glass and bowl") && lines[1].ends_with("(Ana)"));
    let within = home
        .run(&["journal", "list", "--from", "2026-03-20", "--to", "2026-03-30"])
        .expect_code(0);
    assert_eq!(within.stdout.lines().count(), 1);
    let json = home
        .run(&["journal", "list", "--format", "json"])
        .expect_code(0)
        .json();
    assert_eq!(json[1]["time"], "2026-03-29T10:00:00+01:00");
    assert_eq!(json[1]["by"], "Ana");
    let none = home
        .run(&["journal", "list", "--from", "2026-04-20", "--to", "2026-04-30"])
        .expect_code(0);
    assert!(none.stderr.contains("no entry in that span"), "{}", none.stderr);
}

#[test]
fn what_has_not_happened_and_what_is_no_weight_is_refused() {
    let home = Home::new(SITE);
    let add = ["journal", "add", "--enclosure", "mossy-1", "--kind"];
    let said = home
        .run(&[&add[..], &["ate", "--at", "2999-01-01", "x"]].concat())
        .expect_code(2);
    assert!(
        said.stderr.contains("lies in the future") && said.stderr.contains("hint:"),
        "{}",
        said.stderr
    );
    let said = home.run(&[&add[..], &["weight", "big"]].concat()).expect_code(2);
    assert!(said.stderr.contains("write the grams first"), "{}", said.stderr);
    home.run(&[&add[..], &["weight", "41.5", "g", "Juno"]].concat())
        .expect_code(0);
}

#[test]
fn what_is_usually_about_one_thing_asks_for_its_name() {
    let home = Home::new(SITE);
    let add = [
        "journal",
        "add",
        "--enclosure",
        "mossy-1",
        "--kind",
        "sensor-moved",
    ];
    let said = home.run(&add).expect_code(0);
    let words = "it was about one of mossy-1-stat";
    assert!(said.stderr.contains(words), "no {words:?} in {}", said.stderr);
    let command = said.stderr.split("journal amend ").nth(1).expect("a command");
    let id = command.split_whitespace().next().expect("an id");
    let amend = ["journal", "amend", id, "--subject", "mossy-1-stat"];
    assert_eq!(home.run(&amend).expect_code(0).stderr, "");
}

#[test]
fn unknown_words_are_refused_with_the_nearest_known_one() {
    let home = Home::new(SITE);
    for (enclosure, kind, subject, words) in [
        ("mosy-1", "cleaned", "", "did you mean `mossy-1`?"),
        ("mossy-1", "cleand", "", "did you mean `cleaned`?"),
        (
            "mossy-1",
            "sensor-moved",
            "mossy-1-sat",
            "did you mean `mossy-1-stat`?",
        ),
    ] {
        let mut arguments = vec!["journal", "add", "--enclosure", enclosure, "--kind", kind];
        if !subject.is_empty() {
            arguments.extend(["--subject", subject]);
        }
        let said = home.run(&arguments).expect_code(2);
        assert!(said.stderr.contains(words), "no {words:?} in {}", said.stderr);
    }
    let listed = home.run(&["journal", "list"]).expect_code(0);
    assert_eq!(listed.stdout, "");
    assert!(
        listed.stderr.contains("the journal is empty"),
        "{}",
        listed.stderr
    );
}

#[test]
fn a_table_is_taken_in_once_and_its_bad_lines_are_told() {
    let home = Home::new(SITE);
    home.write(
        "journal.csv",
        "time,enclosure,kind,subject,text\n\
         2026-03-01T10:00:00Z,mossy-1,weight,,32\n\
         2026-03-01T10:05:00Z,mossy-1,note,,\"quiet, a little pale\"\n\
         2026-03-01T10:10:00Z,mossy-1,sang,,at dusk\n",
    );
    let first = home.run(&["journal", "import", "journal.csv"]).expect_code(0);
    assert!(
        first
            .stdout
            .contains("2 entries added, 0 were there already, 1 refused"),
        "{}",
        first.stdout
    );
    assert!(
        first.stderr.contains("journal.csv:4: unknown kind `sang`"),
        "{}",
        first.stderr
    );
    let second = home.run(&["journal", "import", "journal.csv"]).expect_code(0);
    assert!(
        second
            .stdout
            .contains("0 entries added, 2 were there already, 1 refused"),
        "{}",
        second.stdout
    );
    let listed = home.run(&["journal", "list"]).expect_code(0);
    assert!(
        listed.stdout.contains("quiet, a little pale"),
        "{}",
        listed.stdout
    );
}

#[test]
fn an_entry_is_amended_by_a_further_one_and_both_stay() {
    let home = Home::new(SITE);
    home.run(&[
        "journal",
        "add",
        "--enclosure",
        "mossy-1",
        "--kind",
        "ate",
        "--by",
        "Ana",
        "two crickets",
    ])
    .expect_code(0);
    let listed = home.run(&["journal", "list", "--ids"]).expect_code(0);
    let (id, _) = listed.stdout.split_once(' ').expect("an id begins the line");
    home.run(&["journal", "amend", id, "--kind", "refused-food", "nothing"])
        .expect_code(0);
    let listed = home.run(&["journal", "list"]).expect_code(0);
    let lines: Vec<&str> = listed.stdout.lines().collect();
    assert!(
        lines[0].ends_with("ate    two crickets (Ana) [amended]"),
        "{}",
        listed.stdout
    );
    assert!(
        lines[1].ends_with(&format!("refused-food    nothing (Ana) [amends {id}]")),
        "{}",
        listed.stdout
    );
    let file = fs_err::read_to_string(home.path("data/journal.jsonl")).expect("it is there");
    assert_eq!(file.lines().count(), 2, "nothing is changed in the file: {file}");
    let again = home.run(&["journal", "amend", id, "all"]).expect_code(2);
    assert!(again.stderr.contains("was amended already"), "{}", again.stderr);
    home.run(&["journal", "amend", "00", "all"]).expect_code(2);
}

#[test]
fn entries_come_in_by_mqtt_durably_and_once() {
    let topic = "[journal]\nmqtt_topic = \"nature-room/journal\"\n\n[alerts]";
    let port = free_port();
    let site = SITE
        .replace("127.0.0.1:1883", &format!("127.0.0.1:{port}"))
        .replacen("[alerts]", topic, 1);
    let home = Home::new(&site);
    let Some(publisher) = Publisher::find(port) else {
        return;
    };
    let collector = home.collect_builtin(port);
    let send = |payload: &str| publisher.publish("nature-room/journal", payload, &["-q", "1"]);
    send(r#"{"enclosure":"mossy-1","kind":"weight","text":"41.5 g Juno","by":"Ana"}"#);
    // The publisher had its acknowledgement: the entry is on disk now, whatever comes.
    let file = fs_err::read_to_string(home.path("data/journal.jsonl")).expect("it is there");
    assert!(file.contains("41.5 g Juno"), "{file}");
    let timed = r#"{"enclosure":"mossy-1","kind":"shed","at":"2026-03-01T08:00:00Z"}"#;
    send(timed);
    send(timed);
    send(r#"{"enclosure":"mosy-1","kind":"shed"}"#);
    collector.kill();
    let listed = home.run(&["journal", "list"]).expect_code(0);
    assert_eq!(listed.stdout.lines().count(), 2, "{}", listed.stdout);
    let refused: String = fs_err::read_dir(home.path("data/refused"))
        .expect("it is there")
        .map(|item| fs_err::read_to_string(item.expect("a name").path()).expect("readable"))
        .collect();
    assert!(refused.contains("did you mean `mossy-1`"), "{refused}");
}
