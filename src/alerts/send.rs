//! The task that keeps watch: asks every few seconds, logs, publishes, and shows what is open to the page.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use mosswarden_collector::{Newest, OwnMessage};
use mosswarden_config::site::Site;
use tokio::sync::mpsc;

use super::watch::{Alert, Danger, Watch, What};

/// Well within the minute in which danger must be told.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// Version of the message's shape.
const SCHEMA: &str = "mosswarden.alert/1";

/// A danger that was told and is not over.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Told {
    /// `None` for the whole site.
    pub(crate) enclosure: Option<String>,
    pub(crate) danger: Danger,
    pub(crate) since_ms: i64,
    pub(crate) text: String,
}

/// What is open now, for whoever shows it.
#[derive(Debug, Default)]
pub(crate) struct Board(Mutex<Vec<Told>>);

impl Board {
    pub(crate) fn open(&self) -> Vec<Told> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    pub(crate) fn set(&self, told: Vec<Told>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = told;
    }
}

/// What the site file asks for and this version does not do: nobody may rely on it unknowingly.
pub(crate) fn not_sent(site: &Site) -> Option<&'static str> {
    (site.alerts.webhook_url.is_some() || site.alerts.email_to.is_some()).then_some(
        "Alerts by webhook and e-mail, which the site file asks for, are not sent by this version: only the page, the log \
         and `mqtt_topic` tell them",
    )
}

/// Watches until dropped. A way out that is full or gone is logged and never waited for.
pub(crate) async fn keep_watch(
    site: Site,
    newest: Arc<Newest>,
    board: Arc<Board>,
    out: mpsc::Sender<OwnMessage>,
    now_ms: fn() -> i64,
) {
    if let Some(words) = not_sent(&site) {
        tracing::error!("{words}");
    }
    let mut watch = Watch::new(&site, now_ms());
    // The retained message of an earlier run may tell of a danger that is long over.
    publish(&site, &out, &message(&site, None, now_ms(), &[]));
    let mut tick = tokio::time::interval(LOOK_EVERY);
    tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tick.tick().await;
        let alerts = watch.look(now_ms(), &newest.all());
        if alerts.is_empty() {
            continue;
        }
        let open: Vec<Told> = watch
            .open()
            .into_iter()
            .map(|(enclosure, danger, since_ms, text)| Told {
                enclosure,
                danger,
                since_ms,
                text,
            })
            .collect();
        for alert in &alerts {
            let enclosure = alert.enclosure.as_deref().unwrap_or("all");
            if alert.what == What::AllClear {
                tracing::info!(
                    enclosure,
                    danger = alert.danger.name(),
                    text = alert.text,
                    "all-clear"
                );
            } else {
                tracing::warn!(
                    enclosure,
                    danger = alert.danger.name(),
                    what = alert.what.name(),
                    text = alert.text,
                    "alert"
                );
            }
            publish(&site, &out, &message(&site, Some(alert), alert.at_ms, &open));
        }
        board.set(open);
    }
}

fn publish(site: &Site, out: &mpsc::Sender<OwnMessage>, message: &serde_json::Value) {
    let Some(topic) = &site.alerts.mqtt_topic else {
        return;
    };
    let own = OwnMessage {
        topic: topic.clone(),
        payload: message.to_string().into(),
        retain: true,
    };
    if let Err(error) = out.try_send(own) {
        tracing::error!(%error, "an alert could not be published");
    }
}

/// The message: what happened, and everything that is open, so that the retained one always tells the whole state.
fn message(site: &Site, alert: Option<&Alert>, at_ms: i64, open: &[Told]) -> serde_json::Value {
    let time = |at_ms| site.zone.rfc3339(at_ms);
    let enclosure = |id: &Option<String>| id.clone().unwrap_or_else(|| "all".to_owned());
    let open: Vec<serde_json::Value> = open
        .iter()
        .map(|told| {
            serde_json::json!({
                "enclosure": enclosure(&told.enclosure), "danger": told.danger.name(), "since": time(told.since_ms),
                "text": told.text,
            })
        })
        .collect();
    let mut message = serde_json::json!({
        "schema": SCHEMA, "site": site.name, "time": time(at_ms), "what": "started", "open": open,
    });
    if let Some(alert) = alert {
        message["what"] = alert.what.name().into();
        message["enclosure"] = enclosure(&alert.enclosure).into();
        message["danger"] = alert.danger.name().into();
        message["since"] = time(alert.since_ms).into();
        message["text"] = alert.text.clone().into();
    }
    message
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    #[test]
    fn a_way_out_that_is_not_there_is_told() {
        let source = include_str!("../../tests/reference/site.toml");
        let mut site = Site::from_source(Path::new("site.toml"), source).expect("the contract's example");
        assert_eq!(not_sent(&site), None);
        site.alerts.webhook_url = Some("https://example.org/hook".to_owned());
        assert!(not_sent(&site).is_some());
    }

    #[test]
    fn the_message_tells_the_event_and_the_whole_state() {
        let source = include_str!("../../tests/reference/site.toml");
        let site = Site::from_source(Path::new("site.toml"), source).expect("the contract's example");
        let alert = Alert {
            enclosure: Some("mossy-1".to_owned()),
            danger: Danger::TooHot,
            what: What::Begins,
            at_ms: 1_772_352_000_000,
            since_ms: 1_772_351_940_000,
            text: "too hot".to_owned(),
        };
        let told = Told {
            enclosure: None,
            danger: Danger::Silent,
            since_ms: 1_772_351_940_000,
            text: "silent".to_owned(),
        };
        let message = message(&site, Some(&alert), alert.at_ms, &[told]);
        assert_eq!(message["time"], "2026-03-01T08:00:00+00:00");
        assert_eq!(message["what"], "begins");
        assert_eq!(message["enclosure"], "mossy-1");
        assert_eq!(message["open"][0]["enclosure"], "all");
        assert_eq!(message["open"][0]["danger"], "silent");
    }
}
