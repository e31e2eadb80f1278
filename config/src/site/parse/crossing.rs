//! Checks that look across the whole file: ids and topics used once, controllers that exist.

use std::collections::BTreeMap;
use std::ops::Range;

use super::*;

/// Where ids and topics were first seen.
#[derive(Default)]
pub(super) struct Places {
    ids: BTreeMap<String, usize>,
    topics: BTreeMap<String, Vec<(Option<String>, usize)>>,
}

impl Places {
    pub(super) fn id(&mut self, reader: &mut Reader<'_>, id: &str, span: &Range<usize>, what: &str) {
        let line = reader.line(span);
        if let Some(first) = self.ids.insert(
            format!("{}:{id}", if what == "enclosure" { "e" } else { "s" }),
            line,
        ) {
            reader.problem(
                span,
                format!("the id \"{id}\" is used twice; it stands at line {first} already"),
                Some("give each sensor, device and enclosure an id of its own".to_owned()),
            );
        }
    }

    /// A topic may be read by several JSON pointers, but one place in a payload has one owner.
    pub(super) fn topic(
        &mut self,
        reader: &mut Reader<'_>,
        topic: &str,
        part: Option<String>,
        span: &Range<usize>,
    ) {
        let line = reader.line(span);
        let seen = self.topics.entry(topic.to_owned()).or_default();
        let clash = seen
            .iter()
            .find(|(other, _)| other.is_none() || part.is_none() || *other == part);
        if let Some((_, first)) = clash {
            reader.problem(
                span,
                format!("the topic \"{topic}\" is claimed twice; line {first} reads it already"),
                Some(
                    "one place in a payload belongs to one sensor; use a pointer of its own for each"
                        .to_owned(),
                ),
            );
        }
        seen.push((part, line));
    }
}

pub(super) fn check_ids_and_topics(reader: &mut Reader<'_>, top: &Section<'_, '_>, places: &mut Places) {
    let mut lists = Vec::new();
    if let Some(room) = top.value("room").and_then(|v| v.get_ref().as_table()) {
        lists.extend(room.get("sensor"));
    }
    for enclosure in top
        .value("enclosure")
        .and_then(|v| v.get_ref().as_array())
        .into_iter()
        .flat_map(|a| a.iter())
    {
        if let Some(table) = enclosure.get_ref().as_table() {
            lists.extend(table.get("sensor"));
            lists.extend(table.get("device"));
        }
    }
    for item in lists
        .iter()
        .filter_map(|list| list.get_ref().as_array())
        .flat_map(|array| array.iter())
    {
        let Some(table) = item.get_ref().as_table() else {
            continue;
        };
        if let Some((id, span)) = table
            .get("id")
            .and_then(|v| Some((v.get_ref().as_str()?, v.span())))
        {
            places.id(reader, id, &span, "sensor or device");
        }
        for feed in table
            .get("feeds")
            .and_then(|v| v.get_ref().as_array())
            .into_iter()
            .flat_map(|a| a.iter())
        {
            let text = |key: &str| {
                feed.get_ref()
                    .as_table()
                    .and_then(|t| t.get(key))
                    .and_then(|v| v.get_ref().as_str())
            };
            if let Some(topic) = text("topic") {
                places.topic(reader, topic, text("pointer").map(str::to_owned), &feed.span());
            }
        }
    }
}

pub(super) fn check_controllers(reader: &mut Reader<'_>, top: &Section<'_, '_>, enclosures: &[Enclosure]) {
    for enclosure in enclosures {
        let known: Vec<&str> = enclosure
            .sensors
            .iter()
            .map(|sensor| sensor.id.as_str())
            .collect();
        for device in &enclosure.devices {
            let Some(by) = device.controlled_by.as_deref().filter(|by| !known.contains(by)) else {
                continue;
            };
            let span = find_text(top, by).unwrap_or_else(|| top.span.clone());
            let hint = match nearest(by, known.iter().copied()) {
                Some(near) => format!("the nearest sensor of {} is \"{near}\"", enclosure.id),
                None => format!("sensors of {}: {}", enclosure.id, known.join(", ")),
            };
            let message = format!(
                "device \"{}\" is controlled by \"{by}\", which is no sensor of {}",
                device.id, enclosure.id
            );
            reader.problem(&span, message, Some(hint));
        }
    }
}

/// Where a `controlled_by` of that value stands.
fn find_text(top: &Section<'_, '_>, by: &str) -> Option<Range<usize>> {
    let enclosures = top.value("enclosure")?.get_ref().as_array()?;
    enclosures
        .iter()
        .filter_map(|enclosure| {
            enclosure
                .get_ref()
                .as_table()?
                .get("device")?
                .get_ref()
                .as_array()
        })
        .flat_map(|devices| devices.iter())
        .filter_map(|device| device.get_ref().as_table()?.get("controlled_by"))
        .find(|value| value.get_ref().as_str() == Some(by))
        .map(toml::Spanned::span)
}
