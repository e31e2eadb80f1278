//! The JSON that `mosswarden flags --format json` prints.

use mosswarden_config::site::Site;
use mosswarden_config::zone::{Span, Zone};
use serde::Serialize;

use super::{Finding, NotAssessed, Value, Verdicts};
use crate::words;

/// Version of the document's shape.
const SCHEMA: &str = "mosswarden.findings/1";

/// `findings.schema.json`, as a value that serialises into it.
#[derive(Debug, Serialize)]
pub struct Document {
    schema: &'static str,
    site: String,
    timezone: &'static str,
    from: String,
    to: String,
    findings: Vec<FindingOut>,
    not_assessed: Vec<NotAssessedOut>,
}

#[derive(Debug, Serialize)]
struct FindingOut {
    kind: &'static str,
    enclosure: String,
    subject: String,
    start: String,
    end: Option<String>,
    severity: &'static str,
    value: ValueOut,
    cause: Option<&'static str>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    also: Vec<ValueOut>,
    message: String,
    advice: String,
}

#[derive(Debug, Serialize)]
struct ValueOut {
    name: &'static str,
    estimate: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    low: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    high: Option<f64>,
    unit: &'static str,
}

#[derive(Debug, Serialize)]
struct NotAssessedOut {
    kind: &'static str,
    enclosure: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    subject: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    start: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    end: Option<String>,
    reason: String,
}

impl Document {
    pub fn new(site: &Site, span: Span, verdicts: &Verdicts) -> Document {
        let zone = site.zone;
        Document {
            schema: SCHEMA,
            site: site.name.clone(),
            timezone: zone.name(),
            from: zone.rfc3339(span.from_ms),
            to: zone.rfc3339(span.until_ms),
            findings: verdicts
                .findings
                .iter()
                .map(|finding| finding_out(zone, finding))
                .collect(),
            not_assessed: verdicts
                .not_assessed
                .iter()
                .map(|item| not_assessed_out(zone, item))
                .collect(),
        }
    }
}

fn finding_out(zone: Zone, finding: &Finding) -> FindingOut {
    FindingOut {
        kind: finding.kind.name(),
        enclosure: finding.enclosure.clone(),
        subject: finding.subject.clone(),
        start: zone.rfc3339(finding.start_ms),
        end: finding.end_ms.map(|end| zone.rfc3339(end)),
        severity: finding.severity.name(),
        value: value_out(&finding.value),
        cause: finding.cause.map(|cause| cause.name()),
        also: finding.also.iter().map(value_out).collect(),
        message: finding.message.clone(),
        advice: words::next_step(finding),
    }
}

fn value_out(value: &Value) -> ValueOut {
    // Three digits after the point: more than any sensor here resolves.
    let round = |number: f64| (number * 1000.0).round() / 1000.0;
    ValueOut {
        name: value.name,
        estimate: round(value.estimate),
        low: value.low.map(round),
        high: value.high.map(round),
        unit: value.unit,
    }
}

fn not_assessed_out(zone: Zone, item: &NotAssessed) -> NotAssessedOut {
    NotAssessedOut {
        kind: item.kind.name(),
        enclosure: item.enclosure.clone(),
        subject: item.subject.clone(),
        start: item.span.map(|span| zone.rfc3339(span.from_ms)),
        end: item.span.map(|span| zone.rfc3339(span.until_ms)),
        reason: item.reason.clone(),
    }
}
