//! Quiet hours: when only danger is told.

use mosswarden_config::site::Alerts;
use mosswarden_config::zone::Zone;

use super::log::News;
use super::watch::What;

/// Whether this must wait for the end of the quiet hours. Danger never does; its end and findings do.
pub(super) fn is_held(alerts: &Alerts, zone: Zone, news: &News, now_ms: i64) -> bool {
    is_quiet(alerts, zone, now_ms) && !is_danger(news)
}

pub(super) fn is_danger(news: &News) -> bool {
    matches!(news, News::Alert(alert) if alert.what != What::AllClear)
}

/// By the clock on the wall, so that a clock change moves nothing that people notice.
pub(super) fn is_quiet(alerts: &Alerts, zone: Zone, now_ms: i64) -> bool {
    let Some(quiet) = alerts.quiet else { return false };
    let time = zone.local(now_ms).time();
    let (start, end) = (quiet.local_start, quiet.local_end);
    if start < end {
        start <= time && time < end
    } else {
        start <= time || time < end
    }
}
