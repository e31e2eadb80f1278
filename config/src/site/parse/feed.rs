//! Feeds: one place in the payloads of one topic.

use super::*;

const FEED_KEYS: &[&str] = &[
    "topic",
    "format",
    "pointer",
    "time_pointer",
    "quantity",
    "unit",
    "on",
    "off",
];

const QUANTITY_NAMES: [&str; 9] = {
    let mut names = [""; 9];
    let mut index = 0;
    while index < names.len() {
        names[index] = Quantity::ALL[index].name();
        index += 1;
    }
    names
};

/// Words that mean on and off where the site file gives none.
pub(super) const ON: &[&str] = &["ON", "on", "On", "1", "true", "True", "TRUE"];

pub(super) const OFF: &[&str] = &["OFF", "off", "Off", "0", "false", "False", "FALSE"];

pub(super) fn words(of: &[&str]) -> Vec<String> {
    of.iter().map(|word| (*word).to_owned()).collect()
}

pub(super) fn feeds(reader: &mut Reader<'_>, section: &Section<'_, '_>, default: Format) -> Vec<Feed> {
    let name = format!("{} feeds", section.name);
    let sections = reader.children(section, "feeds", &name, FEED_KEYS);
    sections
        .iter()
        .filter_map(|inner| feed(reader, inner, &default))
        .collect()
}

fn feed(reader: &mut Reader<'_>, section: &Section<'_, '_>, default: &Format) -> Option<Feed> {
    let topic = reader.required_text(section, "topic", "\"nature-room/mossy-1/stat\"")?;
    /// MQTT 3.1.1, section 4.7.3: at most 65,535 bytes.
    const TOPIC_BYTES_MAX: usize = 65_535;
    if topic.is_empty() || topic.contains(['+', '#', '\0']) || topic.len() > TOPIC_BYTES_MAX {
        reader.problem(
            &section.key_span("topic"),
            format!("`topic = \"{topic}\"` must name one topic"),
            Some("write it without + and #".to_owned()),
        );
        return None;
    }
    let is_device = matches!(default, Format::State { .. });
    let default_format = match (section.has("pointer"), section.has("quantity"), is_device) {
        (_, _, true) => "state",
        (true, _, _) => "json",
        (false, true, _) => "number",
        (false, false, _) => "senml",
    };
    let format = if section.has("format") {
        reader.word(section, "format", &["json", "number", "senml", "state"], |word| {
            Some(word.to_owned())
        })?
    } else {
        default_format.to_owned()
    };
    let format = match format.as_str() {
        "json" => {
            let (quantity, unit) = measured(reader, section)?;
            let pointer = reader.text(section, "pointer").unwrap_or_default();
            Format::Json {
                pointer,
                time_pointer: pointer_key(reader, section, "time_pointer"),
                quantity,
                unit,
            }
        }
        "number" => {
            let (quantity, unit) = measured(reader, section)?;
            Format::Number { quantity, unit }
        }
        "senml" => Format::Senml {
            quantity: quantity(reader, section),
        },
        "state" => Format::State {
            pointer: pointer_key(reader, section, "pointer"),
            time_pointer: pointer_key(reader, section, "time_pointer"),
            on: word_list(reader, section, "on", ON),
            off: word_list(reader, section, "off", OFF),
        },
        other => {
            let known = ["json", "number", "senml", "state"];
            let near =
                nearest(other, known).map_or_else(String::new, |near| format!("did you mean \"{near}\"? "));
            reader.problem(
                &section.key_span("format"),
                format!("`format = \"{other}\"` is not known"),
                Some(format!("{near}known: {}", known.join(", "))),
            );
            return None;
        }
    };
    if let Format::Json { pointer, .. } = &format {
        check_pointer(reader, section, "pointer", pointer);
    }
    Some(Feed { topic, format })
}

fn word_list(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str, default: &[&str]) -> Vec<String> {
    let written = reader.texts(section, key);
    written.map_or_else(
        || words(default),
        |list| list.into_iter().map(|(text, _)| text).collect(),
    )
}

fn pointer_key(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str) -> Option<String> {
    let pointer = reader.text(section, key)?;
    check_pointer(reader, section, key, &pointer);
    Some(pointer)
}

fn check_pointer(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str, pointer: &str) {
    // RFC 6901, section 3: empty, or each token led by '/'.
    if !pointer.is_empty() && !pointer.starts_with('/') {
        reader.problem(
            &section.key_span(key),
            format!("`{key} = \"{pointer}\"` is not a JSON Pointer (RFC 6901)"),
            Some(format!(
                "write \"/{}\"",
                pointer
                    .trim_start_matches('$')
                    .trim_start_matches('.')
                    .replace('.', "/")
            )),
        );
    }
}

fn quantity(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<Quantity> {
    reader.word(section, "quantity", &QUANTITY_NAMES, Quantity::from_name)
}

fn measured(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<(Quantity, String)> {
    if !section.has("quantity") {
        reader.missing(section, "quantity", "\"humidity\"");
    }
    let quantity = quantity(reader, section)?;
    let unit = reader
        .text(section, "unit")
        .unwrap_or_else(|| quantity.stored_unit().to_owned());
    if let Err(wrong) = quantity.to_stored(0.0, &unit) {
        let near = nearest(&unit, quantity.accepted_units().iter().copied());
        reader.problem(
            &section.key_span("unit"),
            wrong.to_string(),
            near.map(|near| format!("did you mean `{near}`?")),
        );
        return None;
    }
    Some((quantity, unit))
}
