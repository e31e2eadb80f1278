//! `/journal`: write down what you saw and did, and read it back. The only view that writes, and only by POST.

use std::sync::Arc;

use axum::extract::{Form, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse as _, Redirect, Response};
use mosswarden_analysis::plot::escape;
use mosswarden_collector::journal;
use mosswarden_config::journal::{Entry, KINDS};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::MS_PER_24_H;
use serde::Deserialize;

use super::layout::{View, answer, moment};
use super::{Page, guard};

/// Entries listed below the form go back this far, and are at most this many.
const LIST_MS: i64 = 84 * MS_PER_24_H;
const LIST_MAX: usize = 60;
/// An entry may lie this far ahead: clocks of a phone and of this machine differ.
const AHEAD_MS: i64 = 10 * 60_000;

#[derive(Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    enclosure: String,
    #[serde(default)]
    noted: String,
}

/// The form as it was sent.
#[derive(Default, Deserialize)]
pub(super) struct Sent {
    #[serde(default)]
    token: String,
    #[serde(default)]
    enclosure: String,
    #[serde(default)]
    kind: String,
    #[serde(default)]
    subject: String,
    #[serde(default)]
    at: String,
    #[serde(default)]
    by: String,
    #[serde(default)]
    text: String,
}

pub(super) async fn view(State(page): State<Arc<Page>>, Query(asked): Query<Asked>) -> Response {
    let said = (!asked.noted.is_empty()).then(|| "Noted. It stands below.".to_owned());
    let sent = Sent {
        enclosure: asked.enclosure,
        ..Sent::default()
    };
    show(&page, &sent, said.as_deref(), StatusCode::OK).await
}

pub(super) async fn add(
    State(page): State<Arc<Page>>,
    headers: HeaderMap,
    Form(sent): Form<Sent>,
) -> Response {
    if !guard::is_own_form(&headers, &page.token, &sent.token) {
        let why = "Not noted: the form is from before the collector's last start, or from elsewhere. What you wrote is still \
                   below; send it again.";
        return show(&page, &sent, Some(why), StatusCode::FORBIDDEN).await;
    }
    let entry = match entry(&page, &sent) {
        Ok(entry) => entry,
        Err(why) => {
            let why = format!("Not noted: {why}. What you wrote is still below.");
            return show(&page, &sent, Some(&why), StatusCode::UNPROCESSABLE_ENTITY).await;
        }
    };
    let dir = page.site.data_dir.clone();
    match tokio::task::spawn_blocking(move || journal::append(&dir, &entry)).await {
        Ok(Ok(())) => Redirect::to("/journal?noted=1").into_response(),
        failed => {
            tracing::error!(?failed, "a journal entry could not be written");
            let why = "Not noted: the journal could not be written. What you wrote is still below; keep a copy and look at \
                       the disk.";
            show(&page, &sent, Some(why), StatusCode::INTERNAL_SERVER_ERROR).await
        }
    }
}

fn entry(page: &Page, sent: &Sent) -> Result<Entry, String> {
    let some = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
    let written_ms = (page.now_ms)();
    let at_ms = match some(&sent.at) {
        Some(text) => page.site.zone.parse(&text).map_err(|error| error.to_string())?,
        None => written_ms,
    };
    if at_ms > written_ms + AHEAD_MS {
        return Err("the time lies ahead".to_owned());
    }
    let entry = Entry {
        at_ms,
        written_ms,
        enclosure: sent.enclosure.clone(),
        kind: sent.kind.clone(),
        subject: some(&sent.subject),
        text: sent.text.trim().replace("\r\n", "\n"),
        by: some(&sent.by),
    };
    journal::check(&page.site, &entry).map_err(|error| error.to_string())?;
    Ok(entry)
}

async fn show(page: &Arc<Page>, sent: &Sent, said: Option<&str>, status: StatusCode) -> Response {
    let mut body = "<h1>Journal</h1>\n".to_owned();
    if let Some(said) = said {
        body += &format!("<p role=\"status\"><strong>{}</strong></p>\n", escape(said));
    }
    body += &form(page, sent);
    body += "<h2>Written down</h2>\n";
    body += &entries(page, None, (page.now_ms)() - LIST_MS).await;
    answer(page, &View::new("Journal", "/journal", body).status(status))
}

fn option(value: &str, word: &str, chosen: &str) -> String {
    let selected = if value == chosen { " selected" } else { "" };
    format!(
        "<option value=\"{}\"{selected}>{}</option>\n",
        escape(value),
        escape(word)
    )
}

fn form(page: &Page, sent: &Sent) -> String {
    let site = &page.site;
    let places: String = site
        .enclosures
        .iter()
        .map(|enclosure| option(&enclosure.id, &enclosure.label, &sent.enclosure))
        .chain([option(ROOM, "The room", &sent.enclosure)])
        .collect();
    let chosen = if sent.kind.is_empty() { "note" } else { &sent.kind };
    let kinds: String = KINDS
        .iter()
        .map(|kind| option(kind, &kind.replace('-', " "), chosen))
        .collect();
    let inside = |id: &str, ids: Vec<&str>| {
        let options: String = ids.iter().map(|id| option(id, id, &sent.subject)).collect();
        format!("<optgroup label=\"{}\">\n{options}</optgroup>\n", escape(id))
    };
    let mut subjects = option("", "none", &sent.subject);
    for enclosure in &site.enclosures {
        let sensors = enclosure.sensors.iter().map(|sensor| sensor.id.as_str());
        let devices = enclosure.devices.iter().map(|device| device.id.as_str());
        subjects += &inside(&enclosure.label, sensors.chain(devices).collect());
    }
    let room = site.room_sensors.iter().map(|sensor| sensor.id.as_str());
    subjects += &inside("The room", room.collect());
    format!(
        "<form method=\"post\" action=\"/journal\">\n<input type=\"hidden\" name=\"token\" value=\"{}\">\n\
         <label for=\"enclosure\">Where</label>\n<select id=\"enclosure\" name=\"enclosure\">\n{places}</select>\n\
         <label for=\"kind\">What kind</label>\n<select id=\"kind\" name=\"kind\">\n{kinds}</select>\n\
         <label for=\"text\">What you saw or did (a weight in grams)</label>\n<textarea id=\"text\" name=\"text\" maxlength=\"4000\">{}</textarea>\n\
         <label for=\"subject\">The sensor or device, if it is about one</label>\n<select id=\"subject\" name=\"subject\">\n{subjects}</select>\n\
         <label for=\"at\">When (empty: now)</label>\n<input id=\"at\" name=\"at\" type=\"datetime-local\" value=\"{}\">\n\
         <label for=\"by\">Who (may be empty)</label>\n<input id=\"by\" name=\"by\" maxlength=\"80\" autocomplete=\"name\" value=\"{}\">\n\
         <button>Write it down</button>\n</form>\n\
         <p class=\"small faint\">Nothing is ever changed or removed: to correct an entry, write another. It helps the judgement: a \
         sensor that was moved or a hand misting is then not taken for a fault.</p>\n",
        escape(&page.token),
        escape(&sent.text),
        escape(&sent.at),
        escape(&sent.by)
    )
}

/// Entries since an instant, newest first, of one place or of all.
pub(super) async fn entries(page: &Arc<Page>, place: Option<&str>, since_ms: i64) -> String {
    let dir = page.site.data_dir.clone();
    let Ok(Ok(journal)) = tokio::task::spawn_blocking(move || journal::list(&dir)).await else {
        return "<p>The journal can't be read just now.</p>\n".to_owned();
    };
    let mut found: Vec<&Entry> = journal
        .entries
        .iter()
        .filter(|entry| entry.at_ms >= since_ms && place.is_none_or(|place| entry.enclosure == place))
        .collect();
    if found.is_empty() {
        return "<p>Nothing.</p>\n".to_owned();
    }
    found.sort_by_key(|entry| std::cmp::Reverse(entry.at_ms));
    let lines: String = found
        .into_iter()
        .take(LIST_MAX)
        .map(|entry| {
            let label = match (place, page.site.enclosure(&entry.enclosure)) {
                (Some(_), _) => String::new(),
                (None, Some(enclosure)) => format!("{}, ", enclosure.label),
                (None, None) => "The room, ".to_owned(),
            };
            let subject = entry
                .subject
                .as_ref()
                .map_or_else(String::new, |subject| format!(" ({subject})"));
            let by = entry
                .by
                .as_ref()
                .map_or_else(String::new, |by| format!(" — {by}"));
            let text = if entry.text.is_empty() {
                String::new()
            } else {
                format!(": {}", entry.text)
            };
            format!(
                "<li>{}: {}<em>{}</em>{}</li>\n",
                moment(page, entry.at_ms),
                escape(&label),
                escape(&entry.kind.replace('-', " ")),
                escape(&format!("{subject}{text}{by}"))
            )
        })
        .collect();
    format!("<ul class=\"lines\">\n{lines}</ul>\n")
}
