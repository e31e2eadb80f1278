use super::*;

const EXAMPLE: &str = include_str!("../../../tests/reference/site.toml");

fn problems(source: &str) -> Vec<Problem> {
    Site::from_source(Path::new("site.toml"), source)
        .map(|_| ())
        .expect_err("the site file is wrong")
}

/// The example with `from` replaced by `to`; the one problem that this makes.
#[track_caller]
fn check(from: &str, to: &str, expected: &str) {
    assert!(EXAMPLE.contains(from), "the example has no {from}");
    let source = EXAMPLE.replacen(from, to, 1);
    let line = 1 + source[..source.find(to).expect("it was put there")]
        .matches('\n')
        .count();
    let found = problems(&source);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].to_string(), format!("site.toml:{line}: {expected}"));
}

#[test]
fn enclosures_of_one_label_bear_their_ids() {
    let enclosures = |second: &str| {
        let own = EXAMPLE
            .find("[[enclosure]]")
            .map(|at| EXAMPLE[at..].replace("mossy-1", "mossy-2"));
        let source = EXAMPLE.to_owned() + &own.expect("it has one").replace("Mossy frogs, tall tank", second);
        let site = Site::from_source(Path::new("site.toml"), &source).expect("two enclosures");
        site.enclosures
            .into_iter()
            .map(|own| own.label)
            .collect::<Vec<_>>()
    };
    assert_eq!(enclosures("Young ones"), ["Mossy frogs, tall tank", "Young ones"]);
    assert_eq!(
        enclosures("Mossy frogs, tall tank"),
        [
            "Mossy frogs, tall tank (mossy-1)",
            "Mossy frogs, tall tank (mossy-2)"
        ]
    );
}

#[test]
fn the_example_is_accepted_whole() {
    let site = Site::from_source(Path::new("home/site.toml"), EXAMPLE).expect("the contract's example");
    assert_eq!(site.data_dir, Path::new("home/data"));
    assert_eq!(site.zone.name(), "Europe/Lisbon");
    let mossy = site.enclosure("mossy-1").expect("the only enclosure");
    assert_eq!(mossy.limits.max_c, 28.0);
    assert_eq!(
        mossy.limits.humidity_day_pct,
        Some(Band {
            low: 70.0,
            high: 98.0
        })
    );
    assert_eq!(
        mossy.limits.emergency_c,
        Some(30.0),
        "the species' step above its limit is kept"
    );
    assert_eq!(
        mossy.limits_written,
        ["day_c", "night_c", "max_c", "humidity_pct"]
    );
    assert_eq!(mossy.sensors[0].role, Role::Controller);
    assert_eq!(mossy.animal_sensors().len(), 2, "all but the controller");
    assert_eq!(mossy.devices[0].schedule[2].duration_s, 60);
    assert_eq!(site.feeds().count(), 10);
}

#[test]
fn a_schedule_asks_by_local_time_across_a_clock_change() {
    let site = Site::from_source(Path::new("site.toml"), EXAMPLE).expect("the contract's example");
    let mister = &site.enclosures[0].devices[0];
    // Lisbon's clocks go forward on 29 March 2026 at 01:00 UTC.
    let days = [28, 29].map(|day| NaiveDate::from_ymd_opt(2026, 3, day).expect("a date"));
    let within = Span {
        from_ms: site.zone.day(days[0]).from_ms,
        until_ms: site.zone.day(days[1]).until_ms,
    };
    let asked = mister.scheduled(site.zone, within);
    let count = mister.schedule.len();
    assert_eq!(asked.len(), 2 * count);
    let first = |day: usize| asked[day * count].1.from_ms;
    assert_eq!(first(1) - first(0), 23 * 3_600_000);
    for (slot, run) in asked {
        let length_s = (run.until_ms - run.from_ms) / 1000;
        assert_eq!(length_s as u64, mister.schedule[slot].duration_s);
    }
}

#[test]
fn slips_are_refused_with_line_expectation_and_nearest_word() {
    check(
        "place = \"upper back\"",
        "plaze = \"upper back\"",
        "unknown key `plaze` in [[enclosure.sensor]]\n  hint: the nearest known key is `place`",
    );
    check(
        "timezone = \"Europe/Lisbon\"",
        "timezone = \"Europe/Lisboa\"",
        "unknown time zone \"Europe/Lisboa\"\n  hint: the nearest IANA name is \"Europe/Lisbon\"",
    );
    check(
        "pointer = \"/humidity\", time_pointer = \"/at\", quantity = \"humidity\", unit = \"%RH\"",
        "pointer = \"/humidity\", time_pointer = \"/at\", quantity = \"humidity\", unit = \"Cel\"",
        "unit `Cel` does not measure humidity; expected one of `%RH`, `%`, `/`",
    );
    check(
        "night_c = [17.0, 22.0]",
        "night_c = [22.0, 17.0]",
        "`night_c = [22.0, 17.0]` has its ends swapped (low must be below high)\n  hint: write [17.0, 22.0]",
    );
    check(
        "max_c = 28.0",
        "max_c = 23.0",
        "`max_c` lies below the wanted day range: limits are upside down",
    );
    check(
        "timezone = \"Europe/Lisbon\"",
        "timezone = \"new york\"",
        "unknown time zone \"new york\"\n  hint: the nearest IANA name is \"America/New_York\"",
    );
    check(
        "max_c = 28.0",
        "max_c = 82.0",
        "`max_c` has 82.0, which is in °C here: no animal is kept at that\n  hint: write °C; 82 °F are 27.8 °C",
    );
    check(
        "listen = \"127.0.0.1:1883\"",
        "listen = \"1884\"",
        "`listen = \"1884\"` is no address with a port\n  hint: write \"127.0.0.1:1884\"",
    );
    check(
        "listen = \"127.0.0.1:8460\"",
        "listen = \"127.0.0.1\"",
        "`listen = \"127.0.0.1\"` is no address with a port\n  hint: write \"127.0.0.1:8460\"",
    );
}

#[test]
fn a_pump_is_shared_by_misters_only() {
    let shared = EXAMPLE.replacen("kind = \"mister\"", "kind = \"mister\"\n  pump = \"tank\"", 1);
    let site = Site::from_source(Path::new("site.toml"), &shared).expect("a mister may share a pump");
    let mister = site.enclosures[0].devices_of(DeviceKind::Mister).next();
    assert_eq!(mister.and_then(|device| device.pump.as_deref()), Some("tank"));
    let wrong = EXAMPLE.replacen("kind = \"heater\"", "kind = \"heater\"\n  pump = \"tank\"", 1);
    assert!(
        problems(&wrong)[0]
            .to_string()
            .contains("only a mister shares a pump")
    );
}

#[test]
fn two_sensors_of_one_id_are_refused_with_both_places() {
    let source = EXAMPLE.replacen("id = \"mossy-1-check\"", "id = \"mossy-1-stat\"", 1);
    assert_eq!(
        problems(&source)[0].to_string(),
        "site.toml:66: the id \"mossy-1-stat\" is used twice; it stands at line 54 already\n  hint: give each sensor, device and enclosure an id of its own"
    );
}

#[test]
fn a_place_in_a_payload_has_one_owner() {
    let source = EXAMPLE.replacen("nature-room/mossy-1/low/humidity", "nature-room/mossy-1/check", 1);
    let found = problems(&source);
    assert!(found[0].message.contains("claimed twice; line"), "{found:?}");
}

#[test]
fn all_problems_come_in_one_go_in_order_of_line() {
    let source = EXAMPLE
        .replacen("units = \"metric\"", "units = \"metrik\"", 1)
        .replacen("kind = \"fogger\"", "kind = \"foger\"", 1);
    let found = problems(&source);
    assert_eq!(found.len(), 2);
    assert!(found[0].line < found[1].line);
    assert!(found[1].to_string().contains("did you mean \"fogger\"?"));
}

const WINTER: &str = "\n  [[enclosure.season]]\n  name = \"cooling\"\n  from = \"11-15\"\n  to = \"02-15\"\n  \
    limits = { day_c = [8.0, 14.0], night_c = [6.0, 12.0], max_c = 18.0, min_c = 4.0 }\n  day = { start = \"09:00\", end = \"17:00\" }\n";

#[test]
fn a_season_has_its_own_limits_over_the_turn_of_the_year() {
    let source = format!("{EXAMPLE}{WINTER}");
    let site = Site::from_source(Path::new("site.toml"), &source).expect("a season is allowed");
    let mossy = &site.enclosures[0];
    let on = |text: &str| text.parse::<NaiveDate>().expect("a date");
    for inside in ["2026-11-15", "2027-01-01", "2028-02-15"] {
        assert_eq!(mossy.limits_on(on(inside)).max_c, 18.0, "{inside}");
        assert_eq!(mossy.light_on(on(inside)).to_string(), "09:00 to 17:00");
    }
    for outside in ["2026-11-14", "2027-02-16", "2027-06-01"] {
        assert_eq!(mossy.limits_on(on(outside)).max_c, 28.0, "{outside}");
        assert_eq!(mossy.light_on(on(outside)), mossy.light);
    }
    assert_eq!(
        mossy.limits_on(on("2027-01-01")).humidity_day_pct,
        mossy.limits.humidity_day_pct,
        "what a season does not name stays"
    );
}

#[test]
fn a_season_can_hold_once_and_seasons_may_not_overlap() {
    let once = WINTER
        .replace("11-15", "2026-12-01")
        .replace("02-15", "2027-01-10");
    let site = Site::from_source(Path::new("site.toml"), &format!("{EXAMPLE}{once}")).expect("full dates");
    let season = |text: &str| {
        site.enclosures[0]
            .season_on(text.parse().expect("a date"))
            .map(|s| s.name.clone())
    };
    assert_eq!(season("2027-01-10").as_deref(), Some("cooling"));
    assert_eq!(season("2028-01-05"), None);
    let both = format!("{EXAMPLE}{WINTER}{}", once.replace("cooling", "quarantine"));
    assert!(problems(&both)[0].message.contains("overlaps \"cooling\""));
    let mixed = format!("{EXAMPLE}{}", WINTER.replace("\"02-15\"", "2027-02-15"));
    assert!(problems(&mixed)[0].message.contains("both be"));
    let odd = format!("{EXAMPLE}{}", WINTER.replace("02-15", "02-31"));
    assert!(problems(&odd)[0].message.contains("is not a date"));
}

#[test]
fn light_hours_follow_the_sun_where_they_are_not_given() {
    let place = "timezone = \"Europe/Lisbon\"\nlatitude = 38.7\nlongitude = -9.1";
    let source = EXAMPLE.replacen("timezone = \"Europe/Lisbon\"", place, 1);
    let site = Site::from_source(Path::new("site.toml"), &source).expect("a place is allowed");
    assert_eq!(
        site.enclosures[0].light.to_string(),
        "08:00 to 20:00",
        "written hours stay"
    );
    let wild = source.replacen("day = { start = \"08:00\", end = \"20:00\" }", "", 1);
    let site = Site::from_source(Path::new("site.toml"), &wild).expect("no light hours");
    assert_eq!(site.enclosures[0].light.to_string(), "sunrise to sunset");
    let half = EXAMPLE.replacen(
        "timezone = \"Europe/Lisbon\"",
        "timezone = \"Europe/Lisbon\"\nlatitude = 38.7",
        1,
    );
    assert!(problems(&half)[0].message.contains("longitude"));
}

#[test]
fn an_unknown_species_needs_limits_of_its_own() {
    let source = EXAMPLE.replacen("species = \"mossy-frog\"", "species = \"mosy-frog\"", 1);
    let site = Site::from_source(Path::new("site.toml"), &source).expect("its limits are written");
    assert!(
        site.warnings[0]
            .to_string()
            .contains("nearest known species is \"mossy-frog\"")
    );
    let bare = source.replacen("limits = {", "# limits = {", 1);
    assert!(problems(&bare)[0].message.contains("unknown species"));
}
