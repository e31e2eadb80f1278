//! A wrong site file: every slip at once, each with file, line, what was expected and the nearest known word.

use crate::harness::{Home, SITE};

/// The example with one text put in place of another, and the line on which the new text stands.
#[track_caller]
fn slip(site: &str, from: &str, to: &str) -> (String, usize) {
    assert!(site.contains(from), "the example has no {from}");
    let place = site.find(from).expect("it was just seen");
    let line = 1 + site[..place].matches('\n').count();
    (site.replacen(from, to, 1), line)
}

/// One slip makes one refusal that says these words at that line.
#[track_caller]
fn check(from: &str, to: &str, words: &str) {
    let (site, line) = slip(SITE, from, to);
    let home = Home::new(&site);
    let said = home.run(&["check"]).expect_code(2);
    assert_eq!(said.stdout, "");
    let place = format!("site.toml:{line}: ");
    assert!(said.stderr.contains(&place), "no {place:?} in {}", said.stderr);
    assert!(said.stderr.contains(words), "no {words:?} in {}", said.stderr);
    assert_eq!(said.stderr.matches("site.toml:").count(), 1, "{}", said.stderr);
    assert!(!home.path("data").exists());
}

#[test]
fn unknown_words_name_the_nearest_known_one() {
    check("units = ", "unitz = ", "the nearest known key is `units`");
    check("Europe/Lisbon", "Europe/Lissabon", "unknown time zone");
    check(
        "role = \"reference\"",
        "role = \"referense\"",
        "did you mean \"reference\"?",
    );
    check(
        "kind = \"mister\"",
        "kind = \"misster\"",
        "did you mean \"mister\"?",
    );
    check(
        "unit = \"[degF]\"",
        "unit = \"F\"",
        "unit `F` does not measure temperature",
    );
    check(
        "format = \"senml\"",
        "format = \"senmll\"",
        "did you mean \"senml\"?",
    );
    check(
        "quantity = \"temperature\", unit = \"Cel\"",
        "quantity = \"temperatur\", unit = \"Cel\"",
        "temperature",
    );
}

#[test]
fn figures_that_cannot_be_are_refused() {
    check(
        "humidity_pct = [70.0, 98.0]",
        "humidity_pct = [98.0, 70.0]",
        "ends swapped",
    );
    check("max_c = 28.0", "max_c = 24.0", "limits are upside down");
    check("commit_every = \"2s\"", "commit_every = \"2 turns\"", "2 turns");
    check("start = \"08:00\"", "start = \"8 o'clock\"", "8 o'clock");
    check("07:30 for 40s", "07:30 during 40s", "07:30 during 40s");
}

#[test]
fn ids_and_topics_have_one_owner() {
    check("id = \"mossy-1-low\"", "id = \"mossy-1-check\"", "is used twice");
    check(
        "nature-room/mossy-1/low/humidity",
        "nature-room/mossy-1/check",
        "claimed twice",
    );
    check(
        "controlled_by = \"mossy-1-stat\"",
        "controlled_by = \"mossy-1-stta\"",
        "mossy-1-stat",
    );
}

#[test]
fn all_slips_are_told_in_one_go_in_order_of_line() {
    let (site, first) = slip(SITE, "units = \"metric\"", "units = \"metrik\"");
    let (site, second) = slip(&site, "place = \"upper back\"", "plaze = \"upper back\"");
    let (site, third) = slip(&site, "kind = \"fogger\"", "kind = \"foger\"");
    let said = Home::new(&site).run(&["flags"]).expect_code(2);
    let lines: Vec<usize> = said
        .stderr
        .lines()
        .filter_map(|line| line.strip_prefix("site.toml:")?.split(':').next()?.parse().ok())
        .collect();
    assert_eq!(lines, [first, second, third], "{}", said.stderr);
}

#[test]
fn text_that_is_no_toml_is_refused_with_its_line() {
    let (site, line) = slip(SITE, "animals = 3", "animals = three");
    let said = Home::new(&site).run(&["check"]).expect_code(2);
    assert!(
        said.stderr.contains(&format!("site.toml:{line}: ")),
        "{}",
        said.stderr
    );
}

#[test]
fn an_unknown_species_is_a_warning_where_the_limits_are_written() {
    let (site, line) = slip(SITE, "species = \"mossy-frog\"", "species = \"mosy-frog\"");
    let said = Home::new(&site).run(&["export"]).expect_code(0);
    assert!(
        said.stderr.contains(&format!("site.toml:{line}: ")) && said.stderr.contains("mossy-frog"),
        "{}",
        said.stderr
    );
}
