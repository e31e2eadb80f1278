//! `[collect]` and `[page]`: what the running program does besides taking readings in.

use std::path::Path;

use super::broker::{check_listen, listener_tls};
use super::*;

pub(super) fn collect(reader: &mut Reader<'_>, top: &Section<'_, '_>) -> Collect {
    /// Fifteen minutes: a quarter of an hour's readings make a Parquet file worth its header.
    const PUBLISH_EVERY_S: u64 = 900;
    const COMMIT_EVERY_S: u64 = 2;
    let mut collect = Collect {
        commit_every_s: COMMIT_EVERY_S,
        publish_every_s: PUBLISH_EVERY_S,
        keep_s: None,
    };
    let Some(section) = reader.child(
        top,
        "collect",
        "[collect]",
        &["commit_every", "publish_every", "keep"],
    ) else {
        return collect;
    };
    if let Some(seconds) = reader.duration_s(&section, "commit_every") {
        collect.commit_every_s = seconds;
    }
    if let Some(seconds) = reader.duration_s(&section, "publish_every") {
        collect.publish_every_s = seconds.max(1);
    }
    if section.value("keep").and_then(|v| v.get_ref().as_str()) != Some("forever") {
        collect.keep_s = reader.duration_s(&section, "keep");
    }
    collect
}

pub(super) fn page(reader: &mut Reader<'_>, top: &Section<'_, '_>, base: &Path) -> Page {
    /// Our own choice.
    const PAGE_PORT: u16 = 8460;
    let mut page = Page {
        listen: Some(format!("127.0.0.1:{PAGE_PORT}")),
        access_file: None,
        tls: None,
    };
    let keys = ["listen", "access_file", "certificate_file", "key_file"];
    let Some(section) = reader.child(top, "page", "[page]", &keys) else {
        return page;
    };
    if let Some(listen) = reader.text(&section, "listen") {
        page.listen = (listen != "off").then_some(listen);
        if let Some(listen) = &page.listen {
            check_listen(reader, &section, listen, PAGE_PORT);
        }
    }
    page.access_file = reader.text(&section, "access_file").map(|file| base.join(file));
    page.tls = listener_tls(reader, &section, base);
    page
}

pub(super) fn journal(reader: &mut Reader<'_>, top: &Section<'_, '_>) -> Journal {
    let Some(section) = reader.child(top, "journal", "[journal]", &["mqtt_topic"]) else {
        return Journal::default();
    };
    let mqtt_topic = reader.text(&section, "mqtt_topic");
    if let Some(topic) = &mqtt_topic
        && (topic.is_empty() || topic.contains(['+', '#']))
    {
        reader.problem(
            &section.key_span("mqtt_topic"),
            format!("`mqtt_topic = \"{topic}\"` is not one topic"),
            Some("write one topic without + and #, such as \"nature-room/journal\"".to_owned()),
        );
    }
    Journal { mqtt_topic }
}
