//! Misters that share a pump, judged together: all that stop on one day have lost their pump or reservoir; one alone its nozzle.
//!
//! In: the site and the outcomes of its enclosures. Changes the words of findings about mistings that weaken, so that the keeper looks in
//! the right place first, and how urgent they are: a pump that fails is never one dry run by chance. So a dry run that is not enough by
//! itself is told where another mister on its pump was dry at that time.

use mosswarden_config::site::{DeviceKind, Site};

use super::Outcome;
use crate::findings::{Finding, Kind, Severity, TOGETHER_MS};
use crate::statistics::robust::median;
use crate::words::brings_nothing;

/// Misters compared, at least.
const MISTERS_MIN: usize = 2;
/// Runs that raise the vapour by this share of what they did before give water (own choice).
const WELL_FRAC: f64 = 0.5;

/// A mister and what is said of its yield.
struct Mister {
    enclosure: String,
    id: String,
    /// Place of the outcome and of the finding in it.
    finding: Option<(usize, usize)>,
}

/// Words the findings about weak mistings of misters on one pump.
pub fn together(site: &Site, outcomes: &mut [Outcome]) {
    let pumps: std::collections::BTreeSet<&str> = site
        .enclosures
        .iter()
        .flat_map(|enclosure| enclosure.devices_of(DeviceKind::Mister))
        .filter_map(|device| device.pump.as_deref())
        .collect();
    for pump in pumps {
        bear_out(site, outcomes, pump);
        let misters = misters(site, outcomes, |on| on == Some(pump));
        judge(outcomes, &misters, Some(pump));
    }
    // Where the site file names no pump, all that stop on one day may still hang on one.
    let misters = misters(site, outcomes, |on| on.is_none());
    judge(outcomes, &misters, None);
}

/// Tells what is suspected of a mister where another on its pump was dry at the same time.
fn bear_out(site: &Site, outcomes: &mut [Outcome], pump: &str) {
    let is_on = |id: &str| {
        let mut misters = site
            .enclosures
            .iter()
            .flat_map(|own| own.devices_of(DeviceKind::Mister));
        misters.any(|device| device.id == id && device.pump.as_deref() == Some(pump))
    };
    let is_dry = |finding: &&Finding| {
        finding.kind == Kind::MistWeak
            && finding.end_ms.is_none()
            && brings_nothing(finding)
            && is_on(&finding.subject)
    };
    let dry: Vec<(String, i64)> = outcomes
        .iter()
        .flat_map(|outcome| outcome.verdicts.findings.iter().chain(&outcome.suspected))
        .filter(is_dry)
        .map(|finding| (finding.subject.clone(), finding.start_ms))
        .collect();
    for outcome in outcomes {
        let borne_out = |suspected: &mut Finding| {
            is_on(&suspected.subject)
                && dry.iter().any(|(other, start_ms)| {
                    *other != suspected.subject && (start_ms - suspected.start_ms).abs() <= TOGETHER_MS
                })
        };
        let told: Vec<Finding> = outcome.suspected.extract_if(.., borne_out).collect();
        outcome.verdicts.findings.extend(told);
        outcome.verdicts.sort();
    }
}

fn misters(site: &Site, outcomes: &[Outcome], wanted: impl Fn(Option<&str>) -> bool) -> Vec<Mister> {
    let mut found = Vec::new();
    for enclosure in &site.enclosures {
        for device in enclosure
            .devices_of(DeviceKind::Mister)
            .filter(|d| wanted(d.pump.as_deref()))
        {
            let finding = outcomes.iter().enumerate().find_map(|(index, outcome)| {
                let findings = &outcome.verdicts.findings;
                let place = findings
                    .iter()
                    .position(|f| f.kind == Kind::MistWeak && f.subject == device.id)?;
                Some((index, place))
            });
            found.push(Mister {
                enclosure: enclosure.id.clone(),
                id: device.id.clone(),
                finding,
            });
        }
    }
    found
}

fn judge(outcomes: &mut [Outcome], misters: &[Mister], pump: Option<&str>) {
    if misters.len() < MISTERS_MIN {
        return;
    }
    let finding = |place: (usize, usize)| &outcomes[place.0].verdicts.findings[place.1];
    let weak: Vec<(&Mister, (usize, usize))> = misters.iter().filter_map(|m| Some((m, m.finding?))).collect();
    let mut said: Vec<((usize, usize), String, &str)> = Vec::new();
    for (mister, place) in &weak {
        let start_ms = finding(*place).start_ms;
        let with: Vec<&str> = weak
            .iter()
            .filter(|(_, other)| (finding(*other).start_ms - start_ms).abs() <= TOGETHER_MS)
            .map(|(m, _)| m.enclosure.as_str())
            .collect();
        let known = misters.iter().filter(|m| well(outcomes, m, start_ms)).count();
        match (with.len(), pump) {
            // With no pump named, only all of them at once point to one.
            (count, Some(pump)) if count >= MISTERS_MIN && count < misters.len() && known == 0 => said.push((
                *place,
                format!(" {count} of {} misters on {pump} fell off within a day and a half ({}), and of the others nothing is known: it is probably the pump, its filter or the reservoir.", misters.len(), with.join(", ")),
                "Look at the reservoir's level, the pump and its filter first: every enclosure on it may need water today. ",
            )),
            (count, Some(pump)) if count == misters.len() && known == 0 => said.push((
                *place,
                format!(" All {count} misters on {pump} fell off within a day and a half ({}): it is the pump, its filter or the reservoir, not a nozzle.", with.join(", ")),
                "Look at the reservoir's level, the pump and its filter first: every enclosure on it needs water today. ",
            )),
            (count, None) if count == misters.len() && known == 0 => said.push((
                *place,
                format!(" All {count} misters of the room fell off within a day and a half ({}): if they share a pump or reservoir, it is that.", with.join(", ")),
                "Look at the reservoir and the pump first, if they share one. ",
            )),
            (1, Some(pump)) if known == misters.len() - 1 => said.push((
                *place,
                format!(" {} on {pump} mist as ever: it is {}'s own nozzle, hose or valve, not the pump.", others(known), mister.id),
                "",
            )),
            _ => {}
        }
    }
    for ((outcome, place), words, first) in said {
        let finding: &mut Finding = &mut outcomes[outcome].verdicts.findings[place];
        finding.message += &words;
        finding.advice = format!("{first}{}", finding.advice);
        if !first.is_empty() && finding.end_ms.is_none() && brings_nothing(finding) {
            finding.severity = Severity::Urgent;
        }
    }
}

fn others(count: usize) -> String {
    match count {
        1 => "The other mister".to_owned(),
        count => format!("The other {count} misters"),
    }
}

/// Whether a mister is known to give water since an instant: nothing was found, and its runs raise the vapour as they did before.
fn well(outcomes: &[Outcome], mister: &Mister, since_ms: i64) -> bool {
    let outcome = outcomes
        .iter()
        .find(|outcome| outcome.enclosure == mister.enclosure);
    let rises = outcome
        .iter()
        .flat_map(|outcome| outcome.earlier_mistings.iter().chain(&outcome.mistings))
        .filter(|misting| misting.device == mister.id && misting.left_out.is_none())
        .filter_map(|misting| Some((misting.at_ms, misting.rise_g_m3?)));
    let (since, before): (Vec<_>, Vec<_>) = rises.partition(|(at_ms, _)| *at_ms >= since_ms);
    let middle = |runs: Vec<(i64, f64)>| median(&runs.into_iter().map(|(_, rise)| rise).collect::<Vec<_>>());
    let is_as_before = middle(since)
        .zip(middle(before))
        .is_some_and(|(now, usual)| now >= WELL_FRAC * usual);
    mister.finding.is_none() && is_as_before
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::{Misting, Outcome, Ran};
    use crate::assess::{assess, needed};
    use crate::findings::{Finding, Kind, Severity, Value};
    use crate::load::Record;
    use crate::simulate::{self, Effect, scenario};
    use mosswarden_config::site::Site;
    use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

    /// Messages about weak mistings in a healthy room of five misters on one pump, with some reservoirs empty since a day.
    fn messages(empty: impl Fn(usize) -> bool) -> Vec<String> {
        let mut spec = scenario::healthy(11);
        spec.until = spec.from + chrono::Days::new(35);
        for index in 0..spec.enclosures.len() {
            let enclosure = &mut spec.enclosures[index];
            enclosure.devices.retain(|device| device.kind.name() != "fogger");
            let (id, mister) = (enclosure.id.clone(), format!("{}-mister", enclosure.id));
            if empty(index) {
                let from_ms = spec.at(32, 300);
                spec.add_fault(&id, &mister, Effect::ReservoirEmpty, from_ms, None);
            }
        }
        let simulation = simulate::run(&spec);
        let text = simulation
            .site_toml
            .replace("kind = \"mister\"", "kind = \"mister\"\n  pump = \"tank\"");
        let site = Site::from_source(Path::new("site.toml"), &text).expect("a site file");
        let span = Span {
            from_ms: simulation.truth.until.0 - 7 * MS_PER_24_H,
            until_ms: simulation.truth.until.0,
        };
        let record = Record::from_readings(simulation.readings.iter().cloned(), Vec::new(), needed(span));
        let findings = assess(&site, &record, span).verdicts.findings;
        findings
            .iter()
            .filter(|f| f.kind == Kind::MistWeak)
            .map(|f| f.message.clone())
            .collect()
    }

    /// Two enclosures on one pump, and a third mister elsewhere: a dry run suspected of each of `suspected`, since so many hours after the
    /// first, and ten runs of each before. Whose are told, in the words after the first sentence.
    fn told_of(suspected: &[(&str, i64)]) -> Vec<(String, String)> {
        let enclosure = |id: &str, pump: &str| {
            format!(
                "[[enclosure]]\nid = \"{id}\"\nspecies = \"crested-gecko\"\n[[enclosure.device]]\nid = \"{id}-mister\"\nkind = \"mister\"\n\
                 pump = \"{pump}\"\nfeeds = [ {{ topic = \"t/{id}\", format = \"state\" }} ]\n"
            )
        };
        let text = [
            "[site]\nname = \"Test bench\"\ntimezone = \"UTC\"\n[broker]\nurl = \"builtin\"\n".to_owned(),
            enclosure("a", "tank"),
            enclosure("b", "tank"),
            enclosure("c", "other"),
        ];
        let site = Site::from_source(Path::new("site.toml"), &text.concat()).expect("a site file");
        let mut outcomes: Vec<Outcome> = ["a", "b", "c"]
            .map(|id| Outcome {
                enclosure: id.to_owned(),
                suspected: suspected
                    .iter()
                    .filter(|(of, _)| *of == id)
                    .map(|(_, hours)| Finding {
                        kind: Kind::MistWeak,
                        enclosure: id.to_owned(),
                        subject: format!("{id}-mister"),
                        start_ms: hours * MS_PER_HOUR,
                        end_ms: None,
                        severity: Severity::Warning,
                        value: Value::new("vapour per misting against its own usual", 3.0, "%"),
                        cause: None,
                        also: Vec::new(),
                        message: "Dry.".to_owned(),
                        advice: String::new(),
                    })
                    .collect(),
                ..Outcome::default()
            })
            .into();
        super::together(&site, &mut outcomes);
        let told = outcomes.into_iter().flat_map(|outcome| outcome.verdicts.findings);
        told.map(|finding| (finding.enclosure, finding.message)).collect()
    }

    #[test]
    fn one_dry_run_is_told_where_another_on_the_pump_was_dry_then() {
        let told = told_of(&[("a", 0), ("b", 12)]);
        let whose: Vec<&str> = told.iter().map(|(id, _)| id.as_str()).collect();
        assert_eq!(whose, ["a", "b"]);
        assert!(
            told.iter()
                .all(|(_, words)| words.contains("All 2 misters on tank")),
            "{told:?}"
        );
        for not_enough in [&[("a", 0)][..], &[("a", 0), ("b", 48)], &[("a", 0), ("c", 0)]] {
            assert_eq!(told_of(not_enough), [], "{not_enough:?}");
        }
    }

    #[test]
    fn a_mister_that_has_not_run_since_does_not_mist_as_ever() {
        let mister = super::Mister {
            enclosure: "a".to_owned(),
            id: "a-mister".to_owned(),
            finding: None,
        };
        let is_well = |rises_g_m3: &[f64], since_h: i64| {
            let mistings = rises_g_m3.iter().zip(0..).map(|(rise_g_m3, hours)| Misting {
                device: "a-mister".to_owned(),
                at_ms: hours * MS_PER_HOUR,
                duration_s: 30.0,
                scheduled: true,
                ran: Ran::Yes,
                rise_g_m3: Some(*rise_g_m3),
                rise_pct: None,
                minutes_to_peak: None,
                half_life_min: None,
                dried: None,
                censored: false,
                left_out: None,
            });
            let outcome = Outcome {
                enclosure: "a".to_owned(),
                mistings: mistings.collect(),
                ..Outcome::default()
            };
            super::well(&[outcome], &mister, since_h * MS_PER_HOUR)
        };
        assert!(is_well(&[3.0, 3.0, 3.0, 2.5], 3));
        assert!(!is_well(&[3.0, 3.0, 3.0, 2.5], 4), "it has not run since");
        assert!(!is_well(&[3.0, 3.0, 3.0, 0.1], 3));
    }

    #[test]
    fn all_that_stop_together_point_to_the_pump() {
        let messages = messages(|_| true);
        assert!(messages.len() >= 2, "{messages:?}");
        assert!(
            messages.iter().all(|m| m.contains("it is the pump")),
            "{messages:?}"
        );
    }

    #[test]
    fn one_alone_points_to_its_nozzle() {
        let messages = messages(|index| index == 2);
        assert_eq!(messages.len(), 1, "{messages:?}");
        assert!(messages[0].contains("own nozzle"), "{messages:?}");
    }
}
