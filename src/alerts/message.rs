//! What goes out: one JSON object for programs, subject and text for people.

use mosswarden_analysis::words;
use mosswarden_config::site::Site;
use mosswarden_config::zone::MS_PER_HOUR;
use serde_json::{Value, json};

use super::board::Told;
use super::daily::Findings;
use super::log::{Item, News};
use super::watch::{Alert, MS_PER_MIN, What};

/// Version of the message's shape.
const SCHEMA: &str = "mosswarden.alert/1";
/// A message that waited longer says so.
const LATE_MS: i64 = 5 * MS_PER_MIN;

fn enclosure(id: Option<&str>) -> &str {
    id.unwrap_or(super::EVERYWHERE)
}

/// One message for a program.
pub(super) fn json(site: &Site, item: &Item, now_ms: i64) -> Value {
    let mut message = match &item.news {
        News::Alert(alert) => alert_json(site, alert),
        News::Findings(findings) => findings_json(site, findings),
        News::Test { at_ms, text } => json!({
            "schema": SCHEMA, "site": site.name, "time": site.zone.rfc3339(*at_ms), "what": "test", "text": text,
        }),
    };
    message["number"] = item.number.into();
    message["late_s"] = late_ms(item, now_ms).map_or(0, |late_ms| late_ms / 1000).into();
    message
}

fn alert_json(site: &Site, alert: &Alert) -> Value {
    json!({
        "schema": SCHEMA,
        "site": site.name,
        "time": site.zone.rfc3339(alert.at_ms),
        "what": alert.what.name(),
        "id": alert.id,
        "enclosure": enclosure(alert.enclosure.as_deref()),
        "danger": alert.danger.name(),
        "since": site.zone.rfc3339(alert.since_ms),
        "text": alert.text,
    })
}

fn findings_json(site: &Site, findings: &Findings) -> Value {
    let found: Vec<Value> = findings
        .found
        .iter()
        .map(|found| {
            json!({
                "enclosure": found.enclosure, "kind": found.kind, "subject": found.subject, "severity": found.severity,
            })
        })
        .collect();
    json!({
        "schema": SCHEMA,
        "site": site.name,
        "time": site.zone.rfc3339(findings.at_ms),
        "what": "findings",
        "text": findings.text,
        "findings": found,
    })
}

/// The retained message: what happened last (nothing where `alert` is `None`), and everything that is open, so that it always
/// tells the whole state.
pub(super) fn state(site: &Site, alert: Option<&Alert>, at_ms: i64, open: &[Told]) -> Value {
    let open: Vec<Value> = open
        .iter()
        .map(|told| {
            json!({
                "id": told.id,
                "enclosure": enclosure(told.enclosure.as_deref()),
                "danger": told.danger.name(),
                "since": site.zone.rfc3339(told.since_ms),
                "text": told.text,
                "acknowledged_by": told.acknowledged.as_ref().map(|acknowledged| &acknowledged.by),
            })
        })
        .collect();
    let mut message = match alert {
        Some(alert) => alert_json(site, alert),
        None => json!({
            "schema": SCHEMA, "site": site.name, "time": site.zone.rfc3339(at_ms), "what": "state",
        }),
    };
    message["open"] = open.into();
    message
}

/// "Danger in the Harbour Street nature room: Mossy frogs: too hot".
pub(super) fn subject(site: &Site, item: &Item) -> String {
    let kind = match &item.news {
        News::Alert(alert) if alert.what == What::AllClear => "All clear",
        News::Alert(_) => "Danger",
        News::Findings(_) => "Findings",
        News::Test { .. } => "Test",
    };
    let first = item.news.text().split(['\n']).next().unwrap_or_default();
    let first = first.split_once(". ").map_or(first, |(first, _)| first);
    format!("{kind}, {}: {}", site.name, first.trim_end_matches('.'))
}

/// The text for a person: what happened first, then how late it comes and what it can't be.
pub(super) fn text(site: &Site, item: &Item, now_ms: i64) -> String {
    let mut text = String::new();
    if let Some(late_ms) = late_ms(item, now_ms) {
        text += &format!(
            "This message comes {} late: it waited because it could not be sent, or for the end of the quiet hours.\n\n",
            words::duration(late_ms as f64 / MS_PER_HOUR as f64)
        );
    }
    text += item.news.text();
    text += &format!("\n\nSaid on {}.\n", words::instant(site.zone, item.news.at_ms()));
    text += "\nAn alert can fail to reach you. It replaces no thermostat, no cut-out and no look.\n";
    text
}

fn late_ms(item: &Item, now_ms: i64) -> Option<i64> {
    let late_ms = now_ms - item.news.at_ms();
    (late_ms > LATE_MS).then_some(late_ms)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::watch::Danger;
    use super::*;

    fn site() -> Site {
        let source = include_str!("../../tests/reference/site.toml");
        Site::from_source(Path::new("site.toml"), source).expect("the contract's example")
    }

    fn too_hot() -> Alert {
        Alert {
            id: "mossy-1.too-hot.1772351940".to_owned(),
            enclosure: Some("mossy-1".to_owned()),
            danger: Danger::TooHot,
            what: What::Begins,
            at_ms: 1_772_352_000_000,
            since_ms: 1_772_351_940_000,
            value_c: Some(30.4),
            text: "Mossy frogs: too hot. At 08:00 it reads 30.4 °C. Go and look now.".to_owned(),
        }
    }

    #[test]
    fn the_message_tells_the_event_and_the_whole_state() {
        let alert = too_hot();
        let silent = Told {
            id: "all.silent.1772351940".to_owned(),
            enclosure: None,
            danger: Danger::Silent,
            since_ms: 1_772_351_940_000,
            text: "silent".to_owned(),
            acknowledged: None,
        };
        let message = state(&site(), Some(&alert), alert.at_ms, &[silent]);
        assert_eq!(message["time"], "2026-03-01T08:00:00+00:00");
        assert_eq!(message["what"], "begins");
        assert_eq!(message["enclosure"], "mossy-1");
        assert_eq!(message["open"][0]["enclosure"], "all");
        assert_eq!(message["open"][0]["danger"], "silent");
        assert_eq!(message["open"][0]["acknowledged_by"], Value::Null);
    }

    #[test]
    fn a_mail_says_what_happened_first_and_how_late_it_comes() {
        let item = Item {
            number: 3,
            news: News::Alert(too_hot()),
        };
        assert_eq!(
            subject(&site(), &item),
            format!("Danger, {}: Mossy frogs: too hot", site().name)
        );
        let in_time = text(&site(), &item, 1_772_352_000_000);
        assert!(in_time.starts_with("Mossy frogs: too hot. At 08:00"), "{in_time}");
        let late = text(&site(), &item, 1_772_352_000_000 + 2 * MS_PER_HOUR);
        assert!(late.starts_with("This message comes 2 h late"), "{late}");
        assert_eq!(
            json(&site(), &item, 1_772_352_000_000 + 2 * MS_PER_HOUR)["late_s"],
            7200
        );
    }
}
