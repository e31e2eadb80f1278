//! Sensors that fall silent together, and if they come back do so together: what carries their readings was off, and none of them is at fault.
//!
//! In: the site and what was said of its sensors one by one.

use std::collections::BTreeSet;

use mosswarden_config::site::{Sensor, Site};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::MS_PER_HOUR;

use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::words;

/// Silences whose ends differ by no more than this are one: the slowest sensors speak once an hour.
const TOGETHER_MS: i64 = MS_PER_HOUR;
/// Fewer sensors than this may fall silent on one day by chance.
const SENSORS_MIN: usize = 3;

/// Tells each outage once, in place of one silence a sensor.
pub(crate) fn tell_once(site: &Site, verdicts: &mut Verdicts) {
    let never_heard = |id: &str| {
        verdicts
            .not_assessed
            .iter()
            .any(|item| item.kind == Kind::SensorSilent && item.subject.as_deref() == Some(id))
    };
    let sensors: Vec<&Sensor> = site
        .enclosures
        .iter()
        .flat_map(|enclosure| &enclosure.sensors)
        .chain(&site.room_sensors)
        .filter(|sensor| !never_heard(&sensor.id))
        .collect();
    let silences: Vec<Finding> = verdicts
        .findings
        .iter()
        .filter(|finding| finding.kind == Kind::SensorSilent && !is_fading(finding))
        .cloned()
        .collect();
    let mut told: Vec<Finding> = Vec::new();
    let mut laid_to_outages: Vec<&Finding> = Vec::new();
    for first in &silences {
        if laid_to_outages.contains(&first) {
            continue;
        }
        // Two that still go on have one end.
        let near = |a_ms: Option<i64>, b_ms: Option<i64>| match (a_ms, b_ms) {
            (Some(a_ms), Some(b_ms)) => (a_ms - b_ms).abs() <= TOGETHER_MS,
            (a_ms, b_ms) => a_ms == b_ms,
        };
        let alike = |other: &&Finding| {
            near(other.end_ms, first.end_ms) && near(Some(other.start_ms), Some(first.start_ms))
        };
        let was_silent_before = |id: &str| {
            silences.iter().any(|other| {
                other.subject == id
                    && other.start_ms < first.start_ms - TOGETHER_MS
                    && other.end_ms.is_none_or(|end_ms| end_ms > first.start_ms)
            })
        };
        let together: Vec<&Finding> = silences.iter().filter(alike).collect();
        let ids: BTreeSet<&str> = together.iter().map(|finding| finding.subject.as_str()).collect();
        let all = sensors
            .iter()
            .all(|sensor| ids.contains(sensor.id.as_str()) || was_silent_before(&sensor.id));
        if all && ids.len() >= SENSORS_MIN {
            told.push(outage(site, first, &together, ids.len()));
            laid_to_outages.extend(together);
        }
    }
    verdicts
        .findings
        .retain(|finding| !laid_to_outages.contains(&finding));
    verdicts.findings.extend(told);
}

/// Whether a sensor is heard less and less, not silent: that is no more than a notice while it holds.
fn is_fading(finding: &Finding) -> bool {
    finding.end_ms.is_none() && finding.severity == Severity::Notice
}

/// From the last reading of any to the first of any, or until now.
fn outage(site: &Site, first: &Finding, together: &[&Finding], sensors: usize) -> Finding {
    let from_ms = together
        .iter()
        .map(|finding| finding.start_ms)
        .max()
        .unwrap_or(first.start_ms);
    let end_ms = together.iter().filter_map(|finding| finding.end_ms).min();
    let hours = match end_ms {
        Some(end_ms) => (end_ms - from_ms) as f64 / MS_PER_HOUR as f64,
        None => together
            .iter()
            .map(|finding| finding.value.estimate)
            .fold(f64::INFINITY, f64::min),
    };
    let (lasting, from) = (words::duration(hours), words::instant(site.zone, from_ms));
    let who = format!("All {sensors} sensors heard until then");
    let (message, advice) = match end_ms {
        Some(_) => (
            format!(
                "{who} were silent together for {lasting} from {from}: collector, network, broker or power was off then, not a sensor."
            ),
            "If the power was off and the journal does not have it, note it there. See that collector, network and broker start again by themselves after \
             a cut.",
        ),
        None => (
            format!(
                "{who} have been silent together for {lasting}, since {from}: collector, network, broker or power is off, not a sensor. Nothing is known of \
                 any enclosure since."
            ),
            "Go and look at every enclosure, with a thermometer. Then see whether the power is on, and whether broker, network and collector run.",
        ),
    };
    Finding {
        enclosure: ROOM.to_owned(),
        subject: ROOM.to_owned(),
        start_ms: from_ms,
        end_ms,
        severity: together
            .iter()
            .map(|finding| finding.severity)
            .max()
            .unwrap_or(first.severity),
        value: Value::new("hours without a reading", hours, "h"),
        message,
        advice: advice.to_owned(),
        ..first.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::NotAssessed;
    use crate::report::sample;

    const MIN: i64 = 60_000;

    fn silence(enclosure: &str, sensor: &str, start_ms: i64, end_ms: Option<i64>) -> Finding {
        Finding {
            kind: Kind::SensorSilent,
            enclosure: enclosure.to_owned(),
            subject: sensor.to_owned(),
            start_ms,
            end_ms,
            severity: if end_ms.is_some() {
                Severity::Notice
            } else {
                Severity::Warning
            },
            value: Value::new("hours without a reading", 7.0, "h"),
            cause: None,
            also: Vec::new(),
            message: format!("{sensor} was silent."),
            advice: "Look at its battery.".to_owned(),
        }
    }

    /// What is told of the site's five sensors, one of them never heard where `never` names it.
    fn told(findings: Vec<Finding>, never: Option<&str>) -> Vec<String> {
        let site = sample::site(
            "UTC",
            "metric",
            &[("a", "A", "mossy-frog"), ("b", "B", "mossy-frog")],
        );
        let mut verdicts = Verdicts {
            findings,
            not_assessed: Vec::new(),
        };
        verdicts.not_assessed.extend(never.map(|id| NotAssessed {
            kind: Kind::SensorSilent,
            enclosure: "b".to_owned(),
            subject: Some(id.to_owned()),
            span: None,
            reason: "never heard".to_owned(),
        }));
        tell_once(&site, &mut verdicts);
        verdicts
            .findings
            .into_iter()
            .map(|finding| finding.message)
            .collect()
    }

    /// All five sensors of the site, each a few minutes apart.
    fn all(end_ms: Option<i64>) -> Vec<Finding> {
        [
            ("a", "a-stat"),
            ("a", "a-check"),
            ("b", "b-stat"),
            ("b", "b-check"),
            (ROOM, "room-wall"),
        ]
        .iter()
        .zip(0..)
        .map(|((enclosure, sensor), minute)| {
            silence(
                enclosure,
                sensor,
                minute * MIN,
                end_ms.map(|end_ms| end_ms + minute * MIN),
            )
        })
        .collect()
    }

    #[test]
    fn an_outage_is_told_once() {
        let end_ms = Some(7 * MS_PER_HOUR);
        let outage = "All 5 sensors heard until then were silent together for 6 h 56 min from Thursday 1 January, 00:04: collector, \
                      network, broker or power was off then, not a sensor.";
        assert_eq!(told(all(end_ms), None), [outage]);
        // Another silence of one of them stays.
        let mut more = all(end_ms);
        more.push(silence("a", "a-stat", 40 * MS_PER_HOUR, Some(50 * MS_PER_HOUR)));
        assert_eq!(told(more, None), ["a-stat was silent.", outage]);
        // One that was never heard, or silent long before, says nothing against it.
        let four: Vec<Finding> = all(end_ms)
            .into_iter()
            .filter(|f| f.subject != "b-check")
            .collect();
        assert_eq!(told(four.clone(), Some("b-check")).len(), 1);
        let mut dead_before = four.clone();
        dead_before.push(silence("b", "b-check", -90 * MS_PER_HOUR, None));
        assert_eq!(told(dead_before, None).len(), 2);
        // One that was heard meanwhile does.
        assert_eq!(told(four, None).len(), 4);
        let goes_on = "All 5 sensors heard until then have been silent together for 7 h, since Thursday 1 January, 00:04: collector, network, \
                       broker or power is off, not a sensor. Nothing is known of any enclosure since.";
        assert_eq!(told(all(None), None), [goes_on]);
        // One that came back says that it is no outage, and sensors that fade are not silent.
        let fading = all(None).into_iter().map(|silence| Finding {
            severity: Severity::Notice,
            ..silence
        });
        assert_eq!(told(fading.collect(), None).len(), 5);
        let mut back = all(None);
        back[1].end_ms = end_ms;
        assert_eq!(told(back, None).len(), 5);
    }
}
