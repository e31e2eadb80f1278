//! The audit as JSON, version [`SCHEMA`]; its shape is `audit.schema.json` beside this file.

use serde_json::{Value, json};

use super::inputs::{FileDigest, Inputs};
use super::model::{Audit, SCHEMA, StripPart};
use super::timeline::Event;
use crate::markup::{note_json, picture_json, table_json};

/// The JSON Schema (2020-12) of what [`json`](json()) gives.
pub const JSON_SCHEMA: &str = include_str!("audit.schema.json");

/// The whole audit, indented, with a line feed at its end.
pub fn json(audit: &Audit) -> String {
    let mut value = sheet(audit);
    if let (Value::Object(whole), Value::Object(more)) = (&mut value, evidence(audit)) {
        whole.extend(more);
    }
    format!("{value:#}\n")
}

/// What stands on the first page.
fn sheet(audit: &Audit) -> Value {
    json!({
        "schema": SCHEMA,
        "site": audit.site,
        "timezone": audit.timezone,
        "enclosure": audit.enclosure,
        "label": audit.label,
        "from": audit.from,
        "until": audit.until,
        "days": audit.days,
        "invented": audit.invented,
        "title": audit.title,
        "act_first": audit.act_first,
        "answer": audit.answer,
        "facts": audit.facts.iter().map(note_json).collect::<Vec<_>>(),
        "seen": audit.seen.iter().map(event).collect::<Vec<_>>(),
        "seen_note": audit.seen_note,
        "glance": table_json(&audit.glance),
        "worst": audit.worst,
        "recent_changes": audit.recent_changes.iter().map(event).collect::<Vec<_>>(),
        "recent_changes_note": audit.recent_changes_note,
        "never_measured": audit.never_measured,
        "no_diagnosis": audit.no_diagnosis,
    })
}

/// Everything below it.
fn evidence(audit: &Audit) -> Value {
    json!({
        "strips": std::iter::once(&audit.first_strip).chain(&audit.strips).map(strip).collect::<Vec<_>>(),
        "day_night": table_json(&audit.day_night),
        "excursions": table_json(&audit.excursions),
        "excursions_note": audit.excursions_note,
        "changes": audit.changes.iter().map(event).collect::<Vec<_>>(),
        "devices": audit.devices,
        "months": table_json(&audit.months),
        "months_notes": audit.months_notes,
        "others": table_json(&audit.others),
        "others_notes": audit.others_notes,
        "sensors": table_json(&audit.sensors),
        "trust_lines": audit.trust_lines.iter().map(picture_json).collect::<Vec<_>>(),
        "left_out": audit.left_out,
        "not_judged": audit.not_judged,
        "limits": table_json(&audit.limits),
        "limits_note": audit.limits_note,
        "method": audit.method.iter().map(note_json).collect::<Vec<_>>(),
        "cautions": audit.cautions.iter().map(note_json).collect::<Vec<_>>(),
        "inputs": inputs(&audit.inputs),
    })
}

fn inputs(inputs: &Inputs) -> Value {
    json!({
        "sources": inputs.sources.iter().map(file).collect::<Vec<_>>(),
        "files": inputs.files.iter().map(file).collect::<Vec<_>>(),
        "journal": inputs.journal.as_ref().map(|journal| json!({
            "path": "journal.jsonl",
            "entries": journal.entries,
            "first_bytes": journal.bytes,
            "sha256": journal.sha256,
        })),
        "readings": inputs.readings.as_ref().map(file),
        "readings_in_no_file_yet": inputs.spool_readings,
    })
}

fn file(file: &FileDigest) -> Value {
    json!({ "path": file.path, "bytes": file.bytes, "sha256": file.sha256 })
}

pub(crate) fn event(event: &Event) -> Value {
    json!({
        "number": event.number,
        "at": event.at,
        "what": event.what,
        "where": event.place,
        "text": event.text,
        "from": event.from,
        "late": event.late,
    })
}

pub(crate) fn strip(part: &StripPart) -> Value {
    json!({
        "heading": part.heading,
        "picture": part.picture.as_ref().map(picture_json),
        "notes": part.notes,
    })
}
