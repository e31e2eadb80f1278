//! Misters that share a pump, judged together: all that stop on one day have lost their pump or reservoir; one alone its nozzle.
//!
//! In: the site and the outcomes of its enclosures. Changes only the words of findings about mistings that weaken, so that the
//! keeper looks in the right place first, and how urgent they are: a pump that fails is never one dry run by chance.

use mosswarden_config::site::{DeviceKind, Site};
use mosswarden_config::zone::MS_PER_24_H;

use super::Outcome;
use crate::findings::{Finding, Kind, Severity};
use crate::words::brings_nothing;

/// Falls that began within this are one event.
pub(crate) const TOGETHER_MS: i64 = 36 * 60 * 60_000;
/// Misters compared, at least.
const MISTERS_MIN: usize = 2;
/// Findings that ended longer ago than this are not news.
const OLD_MS: i64 = 7 * MS_PER_24_H;

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
        let misters = misters(site, outcomes, |on| on == Some(pump));
        judge(outcomes, &misters, Some(pump));
    }
    // Where the site file names no pump, all that stop on one day may still hang on one.
    let misters = misters(site, outcomes, |on| on.is_none());
    judge(outcomes, &misters, None);
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

/// Whether a mister is known to give water since an instant: nothing was found, and its yield could be measured.
fn well(outcomes: &[Outcome], mister: &Mister, since_ms: i64) -> bool {
    mister.finding.is_none()
        && outcomes.iter().any(|outcome| {
            outcome.enclosure == mister.enclosure
                && outcome
                    .mist_trends
                    .iter()
                    .any(|t| t.device == mister.id && t.yield_share.is_some())
                && outcome
                    .mistings
                    .iter()
                    .any(|m| m.device == mister.id && m.at_ms > since_ms - OLD_MS && m.rise_g_m3.is_some())
        })
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::assess::{assess, needed};
    use crate::findings::Kind;
    use crate::load::Record;
    use crate::simulate::{self, Effect, scenario};
    use mosswarden_config::site::Site;
    use mosswarden_config::zone::{MS_PER_24_H, Span};

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
