//! The report as JSON, version [`SCHEMA`]; its shape is `report.schema.json` beside this file.

use serde_json::{Value, json};

use super::enclosure::{EnclosureSection, JournalLine};
use super::model::{PlaceLine, SCHEMA, WeeklyReport};
use super::need::Need;
use super::room::RoomSection;
use super::week_before::Comparison;
use crate::markup::{note_json as note, picture_json as picture, table_json as table};

/// The JSON Schema (2020-12) of what [`json`] gives.
pub const JSON_SCHEMA: &str = include_str!("report.schema.json");

/// The whole report, indented, with a line feed at its end.
pub fn json(report: &WeeklyReport) -> String {
    let value = json!({
        "schema": SCHEMA,
        "site": report.site,
        "timezone": report.timezone,
        "week": report.week,
        "dates": report.dates,
        "from": report.from,
        "until": report.until,
        "invented": report.invented,
        "answer": report.answer,
        "answer_more": report.answer_more,
        "clock_changes": report.clock_changes,
        "needs": report.needs.iter().map(|place| json!({
            "enclosure": place.id,
            "label": place.label,
            "verdict": place.verdict.name(),
            "reasons": place.needs.iter().map(need).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "well": report.well.iter().map(line).collect::<Vec<_>>(),
        "not_known": report.not_known.iter().map(line).collect::<Vec<_>>(),
        "enclosures": report.enclosures.iter().map(enclosure).collect::<Vec<_>>(),
        "room": room(&report.room),
        "method": report.method.iter().map(note).collect::<Vec<_>>(),
        "cautions": report.cautions.iter().map(note).collect::<Vec<_>>(),
    });
    format!("{value:#}\n")
}

pub(crate) fn need(need: &Need) -> Value {
    json!({
        "kind": need.kind.name(),
        "subject": need.subject,
        "severity": need.severity.name(),
        "headline": need.headline,
        "when": need.when,
        "evidence": need.evidence,
        "next": need.next,
        "sure": need.sure,
    })
}

fn line(line: &PlaceLine) -> Value {
    json!({
        "enclosure": line.id,
        "label": line.label,
        "verdict": line.verdict.name(),
        "words": line.words,
    })
}

fn enclosure(section: &EnclosureSection) -> Value {
    let before = match &section.before {
        Comparison::Table(found) => table(found),
        Comparison::NotCompared(reason) => json!({ "not_compared": reason }),
    };
    json!({
        "id": section.id,
        "label": section.label,
        "about": section.about,
        "verdict": section.verdict.name(),
        "coverage": section.coverage,
        "reasons": section.needs.iter().map(need).collect::<Vec<_>>(),
        "strip": section.strip.as_ref().map(picture),
        "strip_notes": section.strip_notes,
        "journal": section.journal.iter().map(entry).collect::<Vec<_>>(),
        "inside": table(&section.inside),
        "nights": table(&section.nights),
        "days": table(&section.days),
        "hours": section.hours,
        "hour_pictures": section.hour_pictures.iter().map(picture).collect::<Vec<_>>(),
        "would_do": section.would_do,
        "misting": section.misting.as_ref().map(|part| json!({
            "sentences": part.sentences,
            "picture": part.picture.as_ref().map(picture),
            "trend_pictures": part.trend_pictures.iter().chain(&part.steady_pictures).map(picture).collect::<Vec<_>>(),
        })),
        "sensors": table(&section.sensors),
        "trust_lines": section.trust_lines.iter().chain(&section.steady_lines).map(picture).collect::<Vec<_>>(),
        "before": before,
        "not_judged": section.not_judged,
        "limits": table(&section.limits),
        "limits_note": section.limits_note,
    })
}

fn room(room: &RoomSection) -> Value {
    json!({
        "reasons": room.needs.iter().map(need).collect::<Vec<_>>(),
        "words": room.words,
        "strip": room.strip.as_ref().map(picture),
        "journal": room.journal.iter().map(entry).collect::<Vec<_>>(),
        "sensors": table(&room.sensors),
        "trust_lines": room.trust_lines.iter().chain(&room.steady_lines).map(picture).collect::<Vec<_>>(),
        "not_judged": room.not_judged,
    })
}

fn entry(line: &JournalLine) -> Value {
    json!({ "number": line.number, "when": line.when, "kind": line.kind, "text": line.text })
}
