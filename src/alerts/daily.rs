//! New findings, told once a day outside quiet hours. They are about weeks: none of them is worth a night's sleep.

use std::collections::BTreeMap;

use chrono::{NaiveDate, NaiveTime};
use mosswarden_analysis::findings::{Finding, Severity, by_cause};
use mosswarden_analysis::words::next_steps;
use mosswarden_config::site::Site;
use mosswarden_config::zone::MS_PER_24_H;
use serde::{Deserialize, Serialize};

use super::quiet;

/// Told at this time of day, or after the quiet hours where they go on longer.
const TOLD_AT: NaiveTime = match NaiveTime::from_hms_opt(8, 0, 0) {
    Some(time) => time,
    None => NaiveTime::MIN,
};
/// A judgement that failed is tried again after this long.
const RETRY_MS: i64 = 15 * 60_000;
/// A finding that still holds is told again after this long.
const AGAIN_MS: i64 = 7 * MS_PER_24_H;

/// What was found, in one message.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Findings {
    pub(crate) at_ms: i64,
    pub(crate) text: String,
    pub(crate) found: Vec<Found>,
}

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) struct Found {
    pub(crate) enclosure: String,
    pub(crate) kind: String,
    pub(crate) subject: String,
    pub(crate) severity: String,
}

/// Says once a day that it is time, and which findings are new.
pub(super) struct Daily {
    looked: Option<NaiveDate>,
    not_before_ms: i64,
    told: BTreeMap<(String, String, String), i64>,
}

impl Daily {
    /// `before` is what earlier runs told.
    pub(super) fn new(site: &Site, before: &[Findings]) -> Daily {
        let mut daily = Daily {
            looked: before.last().map(|last| site.zone.date(last.at_ms)),
            not_before_ms: i64::MIN,
            told: BTreeMap::new(),
        };
        for findings in before {
            daily.remember(findings);
        }
        daily
    }

    fn remember(&mut self, findings: &Findings) {
        for found in &findings.found {
            self.told.insert(found.key(), findings.at_ms);
        }
    }

    /// Whether to judge now; `true` once a local day.
    pub(super) fn is_due(&mut self, site: &Site, now_ms: i64) -> bool {
        let local = site.zone.local(now_ms);
        let is_due = site.alerts.findings
            && self.looked != Some(local.date())
            && now_ms >= self.not_before_ms
            && local.time() >= TOLD_AT
            && !quiet::is_quiet(&site.alerts, site.zone, now_ms);
        if is_due {
            self.looked = Some(local.date());
        }
        is_due
    }

    /// The judgement that was due could not be made.
    pub(super) fn try_again(&mut self, now_ms: i64) {
        self.looked = None;
        self.not_before_ms = now_ms + RETRY_MS;
    }

    /// One message of what needs a look, still holds, and was not told in the last week, what has one cause together; `None` where there is
    /// nothing new.
    pub(super) fn news(&mut self, site: &Site, findings: &[Finding], now_ms: i64) -> Option<Findings> {
        let new: Vec<&Finding> = findings
            .iter()
            .filter(|finding| finding.severity >= Severity::Warning)
            .filter(|finding| finding.end_ms.is_none_or(|end_ms| now_ms - end_ms < MS_PER_24_H))
            .filter(|finding| {
                let told = self.told.get(&Found::from(*finding).key());
                told.is_none_or(|told_ms| now_ms - told_ms >= AGAIN_MS)
            })
            .collect();
        if new.is_empty() {
            return None;
        }
        let causes = by_cause(site, new.iter().copied());
        let mut text = match causes.len() {
            1 => "One thing needs a look.".to_owned(),
            count => format!("{count} things need a look."),
        };
        for group in &causes {
            for finding in group {
                text += &format!("\n{}: {}", finding.enclosure, finding.message);
            }
            text += &format!(" {}", next_steps(group).join(" "));
        }
        let findings = Findings {
            at_ms: now_ms,
            text,
            found: new.into_iter().map(Found::from).collect(),
        };
        self.remember(&findings);
        Some(findings)
    }
}

impl Found {
    fn key(&self) -> (String, String, String) {
        (self.enclosure.clone(), self.kind.clone(), self.subject.clone())
    }
}

impl From<&Finding> for Found {
    fn from(finding: &Finding) -> Found {
        Found {
            enclosure: finding.enclosure.clone(),
            kind: finding.kind.name().to_owned(),
            subject: finding.subject.clone(),
            severity: finding.severity.name().to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use mosswarden_analysis::findings::{Cause, Kind, Value};

    use super::*;

    const SITE: &str = include_str!("../../tests/reference/site.toml");

    fn site(alerts: &str) -> Site {
        let source = SITE.replacen("[alerts]", &format!("[alerts]\nfindings = true\n{alerts}\n"), 1);
        Site::from_source(Path::new("site.toml"), &source).unwrap_or_else(|problems| panic!("{problems:?}"))
    }

    fn drift(severity: Severity) -> Finding {
        Finding {
            kind: Kind::HumidityDrift,
            enclosure: "mossy-1".to_owned(),
            subject: "mossy-1-stat".to_owned(),
            start_ms: 0,
            end_ms: None,
            severity,
            value: Value::new("bias", 5.0, "%RH"),
            cause: None,
            also: Vec::new(),
            message: "It drifts.".to_owned(),
            advice: "Check it.".to_owned(),
        }
    }

    #[test]
    fn once_a_day_at_eight_or_after_the_quiet_hours() {
        let plain = site("");
        let at = |text: &str| plain.zone.parse(text).expect("a time");
        let mut daily = Daily::new(&plain, &[]);
        assert!(!daily.is_due(&plain, at("2026-03-01T07:59")));
        assert!(daily.is_due(&plain, at("2026-03-01T08:00")));
        assert!(!daily.is_due(&plain, at("2026-03-01T20:00")));
        daily.try_again(at("2026-03-01T20:00"));
        assert!(!daily.is_due(&plain, at("2026-03-01T20:14")));
        assert!(
            daily.is_due(&plain, at("2026-03-01T20:15")),
            "a judgement that failed is made later"
        );
        assert!(
            daily.is_due(&plain, at("2026-03-02T12:00")),
            "a late start still tells"
        );
        let late = site("quiet = { start = \"23:00\", end = \"10:30\" }");
        let mut daily = Daily::new(&late, &[]);
        assert!(!daily.is_due(&late, at("2026-03-01T10:29")));
        assert!(daily.is_due(&late, at("2026-03-01T10:30")));
    }

    #[test]
    fn a_finding_is_told_once_a_week_and_a_notice_never() {
        let site = site("");
        let mut daily = Daily::new(&site, &[]);
        assert_eq!(daily.news(&site, &[drift(Severity::Notice)], 0), None);
        let first = daily
            .news(&site, &[drift(Severity::Warning)], 0)
            .expect("it is new");
        assert_eq!(
            first.text,
            "One thing needs a look.\nmossy-1: It drifts. Check it."
        );
        assert_eq!(daily.news(&site, &[drift(Severity::Warning)], MS_PER_24_H), None);
        // A restart does not tell it anew.
        let mut daily = Daily::new(&site, &[first]);
        assert_eq!(daily.news(&site, &[drift(Severity::Warning)], AGAIN_MS - 1), None);
        assert!(daily.news(&site, &[drift(Severity::Warning)], AGAIN_MS).is_some());
    }

    #[test]
    fn what_has_one_cause_is_told_once_with_one_step() {
        let site = site("");
        let of = |kind, message: &str| Finding {
            kind,
            cause: (kind == Kind::Overheating).then_some(Cause::Heater),
            message: message.to_owned(),
            advice: "Pull its plug.".to_owned(),
            ..drift(Severity::Urgent)
        };
        let found = [
            of(Kind::Overheating, "It was too hot."),
            of(Kind::HeaterStuckOn, "The heater is on."),
        ];
        let told = Daily::new(&site, &[]).news(&site, &found, 0).expect("it is new");
        assert_eq!(
            told.text,
            "One thing needs a look.\nmossy-1: It was too hot.\nmossy-1: The heater is on. Pull its plug."
        );
        assert_eq!(told.found.len(), 2, "a receiver still gets both");
    }
}
