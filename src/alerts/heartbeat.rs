//! The dead-man's sign: a retained message that says every minute that the collector lives and when readings last came.
//!
//! Who waits for it must mind what does not come: a message whose `next_by` is past means that nobody watches. As a client of a
//! broker the collector also leaves a will: the broker says `lost` when the connection breaks. An orderly stop says `stopped`.

use mosswarden_collector::{OwnMessage, Snapshot};
use mosswarden_config::site::Site;
use serde_json::{Value, json};

use super::board::Board;

/// Version of the message's shape.
const SCHEMA: &str = "mosswarden.heartbeat/1";
pub(super) const EVERY_MS: i64 = 60_000;
/// After this long without the next one something is wrong: two may be missed.
const NEXT_WITHIN_MS: i64 = 3 * EVERY_MS;

fn own(site: &Site, message: &Value) -> Option<OwnMessage> {
    let topic = site.alerts.heartbeat_topic.clone()?;
    Some(OwnMessage {
        topic,
        payload: message.to_string().into(),
        retain: true,
    })
}

pub(super) fn alive(site: &Site, counts: &Snapshot, board: &Board, now_ms: i64) -> Option<OwnMessage> {
    let last_ms = counts.last_received_ms(now_ms);
    let trouble: Vec<Value> = counts
        .trouble
        .iter()
        .map(|(part, text)| json!({"part": part.name(), "text": text}))
        .collect();
    own(
        site,
        &json!({
            "schema": SCHEMA,
            "site": site.name,
            "status": "alive",
            "time": site.zone.rfc3339(now_ms),
            "next_by": site.zone.rfc3339(now_ms + NEXT_WITHIN_MS),
            "last_received": last_ms.map(|at_ms| site.zone.rfc3339(at_ms)),
            "age_s": last_ms.map(|at_ms| (now_ms - at_ms) / 1000),
            "connected": counts.is_connected,
            "open_alerts": board.open().len(),
            "trouble": trouble,
            "ways_failing": board.ways_failing(),
        }),
    )
}

/// What a broker says when the connection breaks. It is left at every connection and can't know the time.
pub(crate) fn will(site: &Site) -> Option<OwnMessage> {
    ended(site, "lost")
}

/// The last word before an orderly stop.
pub(crate) fn stopped(site: &Site) -> Option<OwnMessage> {
    ended(site, "stopped")
}

fn ended(site: &Site, status: &str) -> Option<OwnMessage> {
    own(
        site,
        &json!({
            "schema": SCHEMA, "site": site.name, "status": status, "text": "nobody watches over the enclosures now",
        }),
    )
}
