//! Comparisons on simulated changes of known effect; how often the intervals hold is measured by the bench `changes`.

use std::path::Path;

use mosswarden_config::journal::Entry;
use mosswarden_config::site::Site;
use mosswarden_config::zone::MS_PER_24_H;

use super::*;
use crate::simulate::{self, Change, Effect as Fault, Simulation, SiteSpec, scenario};
use crate::words;

const CHANGE_DAY: u64 = 30;

/// The bench enclosure without its fogger, with what `change` puts in at the instant it is given.
fn simulated(change: impl Fn(&mut SiteSpec, i64)) -> (Simulation, i64) {
    let mut spec = scenario::single_healthy(5, 56, 300.0);
    spec.enclosures[0]
        .devices
        .retain(|device| device.kind.name() != "fogger");
    let at_ms = spec.at(CHANGE_DAY, 600);
    change(&mut spec, at_ms);
    (simulate::run(&spec), at_ms)
}

fn compared(simulation: &Simulation, at_ms: i64, days_after: i64) -> Comparison {
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let asked = Asked {
        at_ms,
        days: 21,
        what: "new lid",
        until_ms: at_ms + days_after * MS_PER_24_H,
    };
    let journal: Vec<Entry> = simulation.journal.iter().map(|row| row.entry()).collect();
    let readings = simulation
        .readings
        .iter()
        .filter(|r| r.at_ms < asked.until_ms)
        .cloned();
    let record = Record::from_readings(readings, journal, readings_needed(&asked));
    compare(&site, &site.enclosures[0], &record, &asked)
}

fn said(comparison: &Comparison, measure: Measure) -> &Said {
    let found = comparison.measures.iter().find(|(m, _)| *m == measure);
    &found.expect("every measure is there").1
}

fn lid(spec: &mut SiteSpec, at_ms: i64) {
    let id = scenario::SINGLE_ID;
    spec.add_fault(id, id, Fault::VentBlocked { ratio: 0.5 }, at_ms, None);
}

#[test]
fn a_tighter_lid_shows_as_damper_air() {
    let (simulation, at_ms) = simulated(lid);
    let comparison = compared(&simulation, at_ms, 21);
    for measure in [Measure::HumidityLit, Measure::HumidityDark] {
        let Said::Changed(effect) = said(&comparison, measure) else {
            panic!("{measure:?} {:?}", said(&comparison, measure));
        };
        assert!(effect.change.low > 0.0, "{measure:?} {effect:?}");
    }
    assert!(!comparison.is_too_early());
}

#[test]
fn two_days_after_a_change_it_is_too_early_to_say() {
    let (simulation, at_ms) = simulated(lid);
    let comparison = compared(&simulation, at_ms, 3);
    assert!(comparison.is_too_early(), "{:?}", comparison.measures);
    let site = Site::from_source(Path::new("site.toml"), &simulation.site_toml).expect("a site file");
    let said = text(&site, &comparison);
    assert!(said.contains("Too early to say."));
    // The days that were used are named, not those asked for: the last day is not over, the next would be the end.
    let (_, last) = comparison.days.expect("days before it are known");
    assert_eq!(last, site.zone.date(at_ms + 2 * MS_PER_24_H));
    assert!(
        said.contains(&format!(" to {}, at the same room", words::day(last))),
        "{said}"
    );
    let document = Document::new(&comparison);
    assert!(document.too_early && document.measures.iter().all(|m| m.verdict == "too early to say"));
}

#[test]
fn a_comparison_never_reaches_across_another_change() {
    let (simulation, at_ms) = simulated(|spec, at_ms| {
        lid(spec, at_ms);
        spec.add_event(
            scenario::SINGLE_ID,
            "",
            Change::Pruned { ratio: 1.1 },
            at_ms + 10 * MS_PER_24_H,
        );
    });
    let comparison = compared(&simulation, at_ms, 21);
    assert_eq!(comparison.span.until_ms, at_ms + 10 * MS_PER_24_H);
    assert_eq!(
        comparison.cut_by,
        vec![(at_ms + 10 * MS_PER_24_H, "pruned".to_owned())]
    );
}

#[test]
fn changes_are_those_of_the_journal_that_ask_for_a_comparison() {
    let entry = |enclosure: &str, kind: &str, at_ms| Entry {
        at_ms,
        written_ms: at_ms,
        enclosure: enclosure.to_owned(),
        kind: kind.to_owned(),
        subject: None,
        text: String::new(),
        by: None,
        amends: None,
    };
    let journal = [
        entry("a", "schedule-changed", 5),
        entry("b", "schedule-changed", 6),
        entry("a", "cleaned", 7),
        entry("a", "device-replaced", 90),
    ];
    let span = Span {
        from_ms: 0,
        until_ms: 50,
    };
    let found: Vec<i64> = changes(&journal, "a", span).map(|e| e.at_ms).collect();
    assert_eq!(found, [5]);
}

#[test]
fn a_sure_change_below_what_matters_is_called_too_small() {
    let word = |measure, low: f64, high: f64| {
        let change = Estimate {
            value: 0.5 * (low + high),
            low,
            high,
        };
        let effect = Effect {
            change,
            phi: 0.3,
            before_days: 14,
            after_days: 11,
        };
        judged(measure, effect).word()
    };
    assert_eq!(word(Measure::TemperatureLit, 0.02, 0.14), "too small to matter");
    assert_eq!(word(Measure::HumidityDark, -0.9, -0.1), "too small to matter");
    assert_eq!(word(Measure::TemperatureLit, 0.02, 0.4), "changed");
    assert_eq!(word(Measure::TemperatureLit, -0.02, 0.1), "as before");
}
