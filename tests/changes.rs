//! `compare` and `advise` from outside: on a room with nothing yet they say so, and never invent.

use crate::harness::{Home, SITE};

#[test]
fn without_a_change_to_compare_the_next_step_is_said() {
    let home = Home::new(SITE);
    let said = home.run(&["compare", "--enclosure", "mossy-1"]).expect_code(2);
    assert!(said.stderr.contains("no change of mossy-1"), "{}", said.stderr);
    assert!(said.stderr.contains("--at"), "{}", said.stderr);
}

#[test]
fn a_change_without_readings_is_too_early_to_say() {
    let home = Home::new(SITE);
    let arguments = [
        "compare",
        "--enclosure",
        "mossy-1",
        "--at",
        "2026-03-29",
        "--what",
        "new lid",
    ];
    let said = home.run(&arguments).expect_code(0);
    assert!(said.stdout.contains("Too early to say."), "{}", said.stdout);
    let json = home
        .run(&[&arguments[..], &["--format", "json"]].concat())
        .expect_code(0)
        .json();
    assert_eq!(json[0]["too_early"], true);
    assert_eq!(json[0]["schema"], "mosswarden.comparison/1");
}

#[test]
fn no_advice_where_the_record_does_not_support_it() {
    let home = Home::new(SITE);
    let said = home.run(&["advise", "--enclosure", "mossy-1"]).expect_code(0);
    assert!(
        said.stdout.contains("no advice") && said.stdout.contains("Nothing is switched"),
        "{}",
        said.stdout
    );
    let json = home
        .run(&["advise", "--enclosure", "mossy-1", "--format", "json"])
        .expect_code(0)
        .json();
    assert!(json["refused"].is_string() && json["better"].is_null(), "{json}");
}
