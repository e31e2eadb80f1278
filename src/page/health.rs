//! For programs: `/health` says whether readings come in, `/metrics` what came in.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use mosswarden_collector::{FeedSnapshot, Snapshot};

use super::Page;
use crate::alerts::{Board, WayOut};

/// Without a reading for this long, something is wrong with the way in (our own choice: three times a slow device's interval).
const QUIET_MS: i64 = 15 * 60_000;

/// 200 while readings come in, 503 when none came for a quarter of an hour since the start. What came before it is read from the
/// archive.
pub(super) async fn health(State(page): State<Arc<Page>>) -> Response {
    let counts = page.counts.snapshot();
    let now_ms = (page.now_ms)();
    let received_ms = counts.last_received_ms(now_ms);
    let judged = page.judging.known().judged;
    let kept_ms = judged.and_then(|judged| {
        let latest = judged.latest.values().map(|(at_ms, _)| *at_ms);
        latest.filter(|at_ms| *at_ms <= now_ms).max()
    });
    let newest_ms = received_ms.or(kept_ms);
    let status = if newest_ms.is_some_and(|at_ms| now_ms - at_ms <= QUIET_MS) {
        Some("readings come in")
    } else {
        (now_ms - page.since_ms <= QUIET_MS).then_some("started just now")
    };
    let trouble: Vec<serde_json::Value> = counts
        .trouble
        .iter()
        .map(|(part, text)| serde_json::json!({"part": part.name(), "text": text}))
        .collect();
    let said = serde_json::json!({
        "status": status.unwrap_or("no reading for 15 min"),
        "time": page.site.zone.rfc3339(now_ms),
        "last_received": newest_ms.map(|at_ms| page.site.zone.rfc3339(at_ms)),
        "age_s": newest_ms.map(|at_ms| (now_ms - at_ms) / 1000),
        "connected": counts.is_connected,
        "open_alerts": page.board.open().len(),
        "trouble": trouble,
        "ways_failing": page.board.ways_failing(),
    });
    let status = if status.is_some() {
        StatusCode::OK
    } else {
        StatusCode::SERVICE_UNAVAILABLE
    };
    (
        status,
        [(header::CONTENT_TYPE, "application/json")],
        format!("{said}\n"),
    )
        .into_response()
}

pub(super) async fn metrics(State(page): State<Arc<Page>>) -> Response {
    const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    let text = open_metrics(&page.counts.snapshot(), &page.board);
    ([(header::CONTENT_TYPE, OPEN_METRICS)], text).into_response()
}

/// OpenMetrics 1.0 text: each family with type and help, counters ending in `_total`, `# EOF` last.
fn open_metrics(counts: &Snapshot, board: &Board) -> String {
    let mut text = String::new();
    let counters = [
        ("messages_received", "Messages that came in.", counts.received),
        ("readings_stored", "Readings made durable.", counts.stored),
        (
            "messages_refused",
            "Messages refused, whole or in part.",
            counts.refused,
        ),
        (
            "redelivered",
            "Redeliveries and readings known already.",
            counts.duplicate,
        ),
        (
            "readings_late",
            "Readings that waited more than five minutes in their device.",
            counts.late,
        ),
        (
            "messages_retained",
            "Retained messages without a time, not stored.",
            counts.retained,
        ),
        (
            "messages_unknown_topic",
            "Messages on topics that no feed reads.",
            counts.unknown_topic,
        ),
        ("devices_lost", "Wills of devices.", counts.device_lost),
        (
            "readings_doubtful",
            "Stored readings with a mark.",
            counts.doubtful,
        ),
        (
            "readings_published",
            "Readings written to the archive.",
            counts.published,
        ),
        ("connections", "Connections so far.", counts.connections),
    ];
    for (name, help, value) in counters {
        family(&mut text, name, "counter", help);
        let _ = writeln!(text, "mosswarden_{name}_total {value}");
    }
    let gauges = [
        (
            "connected",
            "1 while the way in is open.",
            u64::from(counts.is_connected),
        ),
        (
            "parts_in_trouble",
            "Parts of the collector in trouble.",
            counts.trouble.len() as u64,
        ),
        (
            "open_alerts",
            "Dangers told and not over.",
            board.open().len() as u64,
        ),
    ];
    for (name, help, value) in gauges {
        family(&mut text, name, "gauge", help);
        let _ = writeln!(text, "mosswarden_{name} {value}");
    }
    by_way(&mut text, board);
    family(
        &mut text,
        "sensor_readings",
        "counter",
        "Readings made durable, by sensor.",
    );
    for sensor in &counts.by_sensor {
        let _ = writeln!(
            text,
            "mosswarden_sensor_readings_total{{sensor=\"{}\"}} {}",
            sensor.sensor, sensor.stored
        );
    }
    by_feed(&mut text, counts);
    let name = "sensor_last_received_seconds";
    family(
        &mut text,
        name,
        "gauge",
        "When a sensor was last heard, seconds since 1970.",
    );
    let _ = writeln!(text, "# UNIT mosswarden_{name} seconds");
    for sensor in &counts.by_sensor {
        if let Some(at_ms) = sensor.last_received_ms {
            let _ = writeln!(
                text,
                "mosswarden_{name}{{sensor=\"{}\"}} {}",
                sensor.sensor,
                at_ms as f64 / 1000.0
            );
        }
    }
    text + "# EOF\n"
}

/// Whether alerts get out by webhook and e-mail.
fn by_way(text: &mut String, board: &Board) {
    type Count = fn(&WayOut) -> u64;
    let families: [(&str, &str, Count); 2] = [
        ("alerts_waiting", "Alerts that wait for a way out.", |way| {
            way.standing.waiting as u64
        }),
        ("way_failing", "1 while a way out of alerts fails.", |way| {
            u64::from(way.standing.failing.is_some())
        }),
    ];
    let ways = board.ways();
    for (name, help, count) in families {
        family(text, name, "gauge", help);
        for way in &ways {
            let _ = writeln!(text, "mosswarden_{name}{{way=\"{}\"}} {}", way.name, count(way));
        }
    }
}

/// One series a feed: as many as the site file names, whatever comes in.
fn by_feed(text: &mut String, counts: &Snapshot) {
    type Count = fn(&FeedSnapshot) -> u64;
    let families: [(&str, &str, Count); 5] = [
        ("feed_messages_received", "Messages on a feed's topic.", |feed| {
            feed.received
        }),
        (
            "feed_readings_stored",
            "Readings made durable, by feed.",
            |feed| feed.stored,
        ),
        (
            "feed_messages_refused",
            "Messages refused, whole or in part, by feed.",
            |feed| feed.refused,
        ),
        ("feed_redelivered", "Redeliveries, by feed.", |feed| {
            feed.duplicate
        }),
        (
            "feed_readings_late",
            "Readings that waited in their device, by feed.",
            |feed| feed.late,
        ),
    ];
    for (name, help, count) in families {
        family(text, name, "counter", help);
        for feed in &counts.by_feed {
            let _ = writeln!(
                text,
                "mosswarden_{name}_total{{sensor=\"{}\",topic=\"{}\"}} {}",
                label(&feed.sensor),
                label(&feed.topic),
                count(feed)
            );
        }
    }
}

/// A label's value as OpenMetrics 1.0 escapes it.
fn label(text: &str) -> String {
    text.replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace('\n', "\\n")
}

fn family(text: &mut String, name: &str, kind: &str, help: &str) {
    let _ = writeln!(
        text,
        "# TYPE mosswarden_{name} {kind}\n# HELP mosswarden_{name} {help}"
    );
}
