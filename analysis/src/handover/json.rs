//! The hand-over as JSON, version [`SCHEMA`]; its shape is `handover.schema.json` beside this file.

use serde_json::{Value, json};

use super::model::{HandOver, SCHEMA};
use crate::audit::{event_json, strip_json};
use crate::markup::{note_json, table_json};
use crate::report::need_json;

/// The JSON Schema (2020-12) of what [`json`](json()) gives.
pub const JSON_SCHEMA: &str = include_str!("handover.schema.json");

/// The whole hand-over, indented, with a line feed at its end.
pub fn json(handover: &HandOver) -> String {
    let list = |notes: &[crate::markup::Note]| notes.iter().map(note_json).collect::<Vec<Value>>();
    let value = json!({
        "schema": SCHEMA,
        "site": handover.site,
        "timezone": handover.timezone,
        "enclosure": handover.enclosure,
        "label": handover.label,
        "from": handover.from,
        "until": handover.until,
        "invented": handover.invented,
        "title": handover.title,
        "answer": handover.answer,
        "open": handover.open.iter().map(need_json).collect::<Vec<_>>(),
        "open_note": handover.open_note,
        "past": handover.past,
        "care": handover.care,
        "months": table_json(&handover.months),
        "months_notes": handover.months_notes,
        "strips": handover.strips.iter().map(strip_json).collect::<Vec<_>>(),
        "setpoints": table_json(&handover.setpoints),
        "setpoints_notes": handover.setpoints_notes,
        "schedule": handover.schedule,
        "devices": handover.devices,
        "sensors": table_json(&handover.sensors),
        "quirks": handover.quirks,
        "never_measured": handover.never_measured,
        "limits": table_json(&handover.limits),
        "limits_note": handover.limits_note,
        "species": list(&handover.species),
        "journal": handover.journal.iter().map(event_json).collect::<Vec<_>>(),
        "journal_note": handover.journal_note,
        "method": list(&handover.method),
        "cautions": list(&handover.cautions),
    });
    format!("{value:#}\n")
}
