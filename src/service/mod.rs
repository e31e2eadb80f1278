//! What systemd is told: that the collector is ready, that it lives, what it does, that it stops. Nothing without systemd.

use mosswarden_collector::Snapshot;
use sd_notify::NotifyState;

/// The unit file, as packages install it.
pub(crate) const UNIT: &str = include_str!("mosswarden.service");

/// Devices can send, the page is open, alerts are watched for.
pub(crate) fn ready() {
    notify(&[NotifyState::Ready]);
}

/// Feeds the watchdog; the watch over the enclosures calls it, so that a watch that hangs is started anew.
pub(crate) fn alive(counts: &Snapshot, open_alerts: usize, now_ms: i64) {
    let last = match counts.last_received_ms(now_ms) {
        Some(at_ms) => format!("the last {} s ago", (now_ms - at_ms) / 1000),
        None => "none yet".to_owned(),
    };
    let status = format!("{} readings, {last}; {open_alerts} alerts open", counts.stored);
    notify(&[NotifyState::Watchdog, NotifyState::Status(&status)]);
}

pub(crate) fn stopping() {
    notify(&[NotifyState::Stopping]);
}

fn notify(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!(%error, "systemd does not listen");
    }
}
