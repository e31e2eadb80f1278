//! The sheet for days away as JSON, version [`SCHEMA`]; its shape is `away.schema.json` beside this file.

use serde_json::json;

use super::model::{Away, Place, SCHEMA};
use crate::markup::table_json;

/// The JSON Schema (2020-12) of what [`json`](json()) gives.
pub const JSON_SCHEMA: &str = include_str!("away.schema.json");

/// The whole sheet as JSON, indented, with a line feed at its end.
pub fn json(away: &Away) -> String {
    let place = |place: &Place| {
        json!({
            "id": place.id,
            "label": place.label,
            "answer": place.answer.name(),
            "first": place.first,
            "meanwhile": place.meanwhile,
            "not_known": place.not_known,
        })
    };
    let value = json!({
        "schema": SCHEMA,
        "site": away.site,
        "timezone": away.timezone,
        "until": away.until,
        "from": away.from,
        "to": away.to,
        "invented": away.invented,
        "title": away.title,
        "made": away.made,
        "answer": away.answer,
        "answer_more": away.answer_more,
        "warnings": away.warnings,
        "room": away.room,
        "warmth": table_json(&away.warmth),
        "told": away.told,
        "enclosures": away.enclosures.iter().map(place).collect::<Vec<_>>(),
        "room_first": away.room_first,
        "room_meanwhile": away.room_meanwhile,
        "cautions": away.cautions,
    });
    format!("{value:#}\n")
}
