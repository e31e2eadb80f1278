//! A danger that was told and is not over: when it is told again.

use mosswarden_config::zone::MS_PER_HOUR;

use super::watch::{Alert, Danger, What};

/// Told again when it stays this long; then each time after twice the pause before.
const STAYS_MS: i64 = 2 * MS_PER_HOUR;

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Open {
    pub(super) since_ms: i64,
    pub(super) told_ms: i64,
    /// The pause before it is told again.
    again_ms: i64,
    /// What was told last, and the worst so far, °C; for dangers that are measured in degrees.
    pub(super) told_c: f64,
    pub(super) worst_c: f64,
    pub(super) text: String,
    /// Somebody said that they know: it is told again only if it gets worse.
    pub(super) is_acknowledged: bool,
}

impl Open {
    pub(super) fn new(since_ms: i64, now_ms: i64, told_c: f64, text: String) -> Open {
        Open {
            since_ms,
            told_ms: now_ms,
            again_ms: STAYS_MS,
            told_c,
            worst_c: told_c,
            text,
            is_acknowledged: false,
        }
    }

    /// As the alerts that told of it left it: the first, and those after.
    pub(super) fn from_alert(alert: &Alert, before: Option<Open>) -> Open {
        let told_c = alert.value_c.unwrap_or(0.0);
        let Some(mut open) = before else {
            return Open::new(alert.since_ms, alert.at_ms, told_c, alert.text.clone());
        };
        open.told(alert.what, alert.at_ms, alert.text.clone());
        open.told_c = told_c;
        let is_further = match alert.danger {
            Danger::TooCold => told_c < open.worst_c,
            _ => told_c > open.worst_c,
        };
        if is_further {
            open.worst_c = told_c;
        }
        open
    }

    pub(super) fn is_due(&self, now_ms: i64) -> bool {
        !self.is_acknowledged && now_ms - self.told_ms > self.again_ms
    }

    pub(super) fn told(&mut self, what: What, now_ms: i64, text: String) {
        self.told_ms = now_ms;
        if what == What::Stays {
            self.again_ms *= 2;
        }
        self.text = text;
    }
}

/// The name of one danger of one place from its beginning to its end, such as `mossy-1.too-hot.1772352000`. No enclosure's id
/// holds a dot.
pub(super) fn id(enclosure: Option<&str>, danger: Danger, since_ms: i64) -> String {
    let enclosure = enclosure.unwrap_or(super::EVERYWHERE);
    format!("{enclosure}.{}.{}", danger.name(), since_ms.div_euclid(1000))
}
