//! Devices: what they are, what drives them, when they should run.

use super::enclosure::livable;
use super::feed::{OFF, ON, feeds, words};
use super::*;
use crate::site::reader::{parse_duration_s, parse_time};

pub(super) const DEVICE_KEYS: &[&str] = &[
    "id",
    "kind",
    "controlled_by",
    "setpoint",
    "installed",
    "renew_after",
    "schedule",
    "pump",
    "feeds",
];

pub(super) fn device(reader: &mut Reader<'_>, mut section: Section<'_, '_>) -> Option<Device> {
    let id = id(reader, &section)?;
    section.name = format!("device {id}");
    if !section.has("kind") {
        reader.missing(&section, "kind", "\"mister\"");
    }
    let names = DeviceKind::ALL.map(|(name, _)| name);
    let kind = reader.word(&section, "kind", &names, |word| {
        DeviceKind::ALL
            .into_iter()
            .find(|(name, _)| *name == word)
            .map(|(_, kind)| kind)
    })?;
    let mut setpoint = Setpoint::default();
    let keys = ["humidity_pct", "hysteresis_pct", "temperature_c", "hysteresis_c"];
    let name = format!("{} setpoint", section.name);
    if let Some(inner) = reader.child(&section, "setpoint", &name, &keys) {
        setpoint.humidity_pct = reader.number(&inner, "humidity_pct");
        setpoint.hysteresis_pct = positive(reader, &inner, "hysteresis_pct");
        setpoint.temperature_c = reader.number(&inner, "temperature_c");
        if let Some(written_c) = setpoint.temperature_c {
            livable(reader, &inner, "temperature_c", written_c);
        }
        setpoint.hysteresis_c = positive(reader, &inner, "hysteresis_c");
    }
    let mut schedule = Vec::new();
    for (text, span) in reader.texts(&section, "schedule").unwrap_or_default() {
        match run(&text) {
            Some(run) => schedule.push(run),
            None => reader.problem(
                &span,
                format!("\"{text}\" is not a run"),
                Some("write \"07:30 for 40s\"".to_owned()),
            ),
        }
    }
    schedule.sort_by_key(|run: &Run| run.local_start);
    let state = Format::State {
        pointer: None,
        time_pointer: None,
        on: words(ON),
        off: words(OFF),
    };
    let feeds = feeds(reader, &section, state);
    let controlled_by = reader.text(&section, "controlled_by");
    let installed = reader.date(&section, "installed");
    let renew_after_s = reader.duration_s(&section, "renew_after");
    let pump = reader.text(&section, "pump");
    if pump.is_some() && kind != DeviceKind::Mister {
        let span = section.key_span("pump");
        let message = "only a mister shares a pump".to_owned();
        reader.problem(
            &span,
            message,
            Some("take the line out, or make it a mister".to_owned()),
        );
    }
    Some(Device {
        id,
        kind,
        controlled_by,
        setpoint,
        installed,
        renew_after_s,
        schedule,
        pump,
        feeds,
    })
}

fn run(text: &str) -> Option<Run> {
    let (start, duration) = text.split_once(" for ")?;
    Some(Run {
        local_start: parse_time(start.trim())?,
        duration_s: parse_duration_s(duration.trim())?,
    })
}
