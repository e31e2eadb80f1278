//! The keeper's journal: added, listed, taken in from CSV.

use crate::harness::{Home, SITE};

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
    assert!(lines[0].starts_with("2026-03-01T10:00:00+00:00  mossy-1  sensor-replaced  mossy-1-stat"));
    // Local time: on the 29th Lisbon's clocks stand an hour ahead of UTC.
    assert!(lines[1].starts_with("2026-03-29T10:00:00+01:00  mossy-1  cleaned"));
    assert!(lines[1].contains("glass and bowl") && lines[1].ends_with("(Ana)"));
    let within = home
        .run(&["journal", "list", "--from", "2026-03-20", "--to", "2026-03-30"])
        .expect_code(0);
    assert_eq!(within.stdout.lines().count(), 1);
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
