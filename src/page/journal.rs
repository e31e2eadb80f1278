//! `/journal`: write down what you saw and did, read it back, correct it by a further entry. Written only by POST.

use std::path::Path as FilePath;
use std::sync::{Arc, PoisonError};
use std::time::SystemTime;

use axum::extract::{Extension, Form, Path, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse as _, Redirect, Response};
use mosswarden_analysis::plot::escape;
use mosswarden_collector::journal::{self, Journal, Line};
use mosswarden_config::care;
use mosswarden_config::journal::{BEGINS_ANEW, CARE_DONE, Entry, KINDS, LOOKS_UNWELL};
use mosswarden_config::site::Sensor;
use mosswarden_config::table::{ROOM, journal_file};
use mosswarden_config::zone::{AHEAD_MS_MAX, MS_PER_24_H};
use serde::Deserialize;

use super::guard::{Visitor, is_own_form};
use super::layout::{View, answer, label, missing, moment, option, said};
use super::{Page, unwell};

/// Entries listed below the form go back this far, and are at most this many.
const LIST_MS: i64 = 84 * MS_PER_24_H;
const LIST_MAX: usize = 60;
/// Chosen where an entry is about every sensor or device of its place; no id looks like this.
const ALL: &str = "*";

/// The journal as it was last read, and how its file looked then.
pub(super) struct Kept {
    stamp: (u64, Option<SystemTime>),
    journal: Arc<Journal>,
}

/// The whole journal, read anew only where its file has changed; `None` where it can't be read.
pub(super) async fn known(page: &Arc<Page>) -> Option<Arc<Journal>> {
    let page = Arc::clone(page);
    let read = move || {
        let stamp = stamp(&journal_file(&page.site.data_dir));
        let mut kept = page.journal.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(kept) = kept.as_ref().filter(|kept| kept.stamp == stamp) {
            return Some(Arc::clone(&kept.journal));
        }
        match journal::list(&page.site.data_dir) {
            Ok(journal) => {
                let journal = Arc::new(journal);
                *kept = Some(Kept {
                    stamp,
                    journal: Arc::clone(&journal),
                });
                Some(journal)
            }
            Err(error) => {
                tracing::error!(%error, "the journal can't be read");
                None
            }
        }
    };
    tokio::task::spawn_blocking(read).await.ok().flatten()
}

fn stamp(file: &FilePath) -> (u64, Option<SystemTime>) {
    fs_err::metadata(file).map_or((0, None), |found| (found.len(), found.modified().ok()))
}

/// Checks an entry and writes it down, durably; otherwise the answer's status and the reason.
pub(super) async fn write(page: &Page, entry: Entry) -> Result<(), (StatusCode, String)> {
    if let Err(error) = journal::check(&page.site, &entry) {
        return Err((StatusCode::UNPROCESSABLE_ENTITY, error.to_string()));
    }
    let dir = page.site.data_dir.clone();
    match tokio::task::spawn_blocking(move || journal::append(&dir, &entry)).await {
        Ok(Ok(())) => Ok(()),
        failed => {
            tracing::error!(?failed, "a journal entry could not be written");
            let why = "the journal could not be written; look at the disk".to_owned();
            Err((StatusCode::INTERNAL_SERVER_ERROR, why))
        }
    }
}

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
    /// The id of the entry that this one stands for; empty for a new one.
    #[serde(default)]
    amends: String,
}

pub(super) async fn view(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Query(asked): Query<Asked>,
) -> Response {
    let journal = known(&page).await;
    let line = journal.as_ref().and_then(|journal| journal.line(&asked.noted));
    let said = line.map_or_else(String::new, |line| {
        said("Noted. It stands below.") + &what_follows(&page, &visitor, line)
    });
    let sent = Sent {
        enclosure: asked.enclosure,
        ..Sent::default()
    };
    show(&page, &visitor, &sent, &said, StatusCode::OK).await
}

/// What an entry that was just written does, or asks for.
fn what_follows(page: &Page, visitor: &Visitor, line: &Line) -> String {
    let entry = &line.entry;
    if entry.kind == LOOKS_UNWELL {
        return unwell::what_to_do(page, visitor, &entry.enclosure);
    }
    if !BEGINS_ANEW.contains(&entry.kind.as_str()) {
        return String::new();
    }
    let place = label(page, &entry.enclosure);
    let from = moment(page, entry.at_ms);
    let (what, is_one) = match &entry.subject {
        Some(subject) => (
            format!("{subject} ({place})"),
            "Was it about another one, or at another time?",
        ),
        None if entry.kind.starts_with("sensor") => {
            (format!("all sensors of {place}"), "Was it only one of them?")
        }
        None => (format!("all devices of {place}"), "Was it only one of them?"),
    };
    format!(
        "<p>What was usual for {} is learned anew from {from} on, so a fault that began before may not be told any more. {is_one} \
         <a href=\"/journal/amend/{}\">Correct it</a>.</p>\n",
        escape(&what),
        line.id
    )
}

/// The form with an entry in it, to be corrected.
pub(super) async fn amend(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Path(id): Path<String>,
) -> Response {
    let journal = known(&page).await;
    let line = journal.as_ref().and_then(|journal| journal.line(&id));
    let Some(Line { entry, id, .. }) = line.filter(|line| !line.is_amended) else {
        return missing(&page, "There is no entry of that id that still stands.");
    };
    let sent = Sent {
        enclosure: entry.enclosure.clone(),
        kind: entry.kind.clone(),
        subject: entry.subject.clone().unwrap_or_else(|| {
            if BEGINS_ANEW.contains(&entry.kind.as_str()) {
                ALL.to_owned()
            } else {
                String::new()
            }
        }),
        at: page
            .site
            .zone
            .local(entry.at_ms)
            .format("%Y-%m-%dT%H:%M")
            .to_string(),
        by: String::new(),
        text: entry.text.clone(),
        amends: id.clone(),
        token: String::new(),
    };
    show(&page, &visitor, &sent, "", StatusCode::OK).await
}

pub(super) async fn add(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    headers: HeaderMap,
    Form(sent): Form<Sent>,
) -> Response {
    if !is_own_form(&headers, &visitor.form_token, &sent.token) {
        let why = "Not noted: the form is from before the collector's last start, or from elsewhere. What you wrote is still \
                   below; send it again.";
        return show(&page, &visitor, &sent, &said(why), StatusCode::FORBIDDEN).await;
    }
    let written = match entry(&page, &sent).await {
        Ok(entry) => {
            let id = journal::id(&entry);
            write(&page, entry).await.map(|()| id)
        }
        Err(why) => Err((StatusCode::UNPROCESSABLE_ENTITY, why)),
    };
    match written {
        Ok(id) => Redirect::to(&format!("/journal?noted={id}")).into_response(),
        Err((status, why)) => {
            let why = said(&format!("Not noted: {why}. What you wrote is still below."));
            show(&page, &visitor, &sent, &why, status).await
        }
    }
}

async fn entry(page: &Arc<Page>, sent: &Sent) -> Result<Entry, String> {
    let some = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
    let written_ms = (page.now_ms)();
    let at_ms = match some(&sent.at) {
        Some(text) => page.site.zone.parse(&text).map_err(|error| error.to_string())?,
        None => written_ms,
    };
    if at_ms > written_ms + AHEAD_MS_MAX {
        return Err("the time lies ahead".to_owned());
    }
    let subject = some(&sent.subject);
    if BEGINS_ANEW.contains(&sent.kind.as_str()) && subject.is_none() {
        let why = "choose the sensor or device that it is about, or \"all of them there\": what is usual for it is learned anew";
        return Err(why.to_owned());
    }
    let new = Entry {
        at_ms,
        written_ms,
        enclosure: sent.enclosure.clone(),
        kind: sent.kind.clone(),
        subject: subject.filter(|subject| subject != ALL),
        text: sent.text.trim().replace("\r\n", "\n"),
        by: some(&sent.by),
        amends: None,
    };
    let Some(id) = some(&sent.amends) else {
        return Ok(new);
    };
    let journal = known(page).await.ok_or("the journal can't be read")?;
    let old =
        journal::amendment(&journal, &id, written_ms, new.by.clone()).map_err(|error| error.to_string())?;
    Ok(Entry {
        amends: old.amends,
        by: old.by,
        ..new
    })
}

async fn show(page: &Arc<Page>, visitor: &Visitor, sent: &Sent, said: &str, status: StatusCode) -> Response {
    let heading = if sent.amends.is_empty() {
        "Journal"
    } else {
        "Correct an entry"
    };
    let mut body = format!("<h1>{heading}</h1>\n{said}");
    body += &form(page, visitor, sent);
    if sent.amends.is_empty() {
        body += "<h2>Written down</h2>\n";
        body += &entries(page, None, (page.now_ms)() - LIST_MS).await;
        body += "<p><a href=\"/weights\">Weights as lines</a></p>\n";
    }
    answer(page, &View::new(heading, "/journal", body).status(status))
}

fn form(page: &Page, visitor: &Visitor, sent: &Sent) -> String {
    let site = &page.site;
    let places: String = site
        .enclosures
        .iter()
        .map(|enclosure| option(&enclosure.id, &enclosure.label, &sent.enclosure))
        .chain([option(ROOM, "The room", &sent.enclosure)])
        .collect();
    let chosen = if sent.kind.is_empty() { "note" } else { &sent.kind };
    // The care view ticks tasks off; here such an entry is only corrected.
    let kinds: String = KINDS
        .iter()
        .filter(|kind| **kind != CARE_DONE || sent.kind == CARE_DONE)
        .map(|kind| option(kind, &kind.replace('-', " "), chosen))
        .collect();
    let inside =
        |id: &str, options: String| format!("<optgroup label=\"{}\">\n{options}</optgroup>\n", escape(id));
    let named = |id: &str| option(id, id, &sent.subject);
    let sensors = |sensors: &[Sensor]| -> String {
        let placed = |sensor: &Sensor| match &sensor.place {
            Some(place) => option(&sensor.id, &format!("{} ({place})", sensor.id), &sent.subject),
            None => named(&sensor.id),
        };
        sensors.iter().map(placed).collect()
    };
    let mut subjects = option("", "none", &sent.subject) + &option(ALL, "all of them there", &sent.subject);
    for enclosure in &site.enclosures {
        let devices: String = enclosure.devices.iter().map(|device| named(&device.id)).collect();
        subjects += &inside(&enclosure.label, sensors(&enclosure.sensors) + &devices);
    }
    subjects += &inside("The room", sensors(&site.room_sensors));
    if sent.kind == CARE_DONE {
        let tasks = care::KNOWN.iter().map(|known| known.name);
        let own = site.care(&sent.enclosure).iter().map(|task| task.name.as_str());
        let mut tasks: Vec<&str> = tasks.chain(own).collect();
        tasks.sort_unstable();
        tasks.dedup();
        subjects += &inside("Care", tasks.into_iter().map(named).collect());
    }
    let anew = BEGINS_ANEW.map(|kind| kind.replace('-', " ")).join(", ");
    format!(
        "<form method=\"post\" action=\"/journal\">\n<input type=\"hidden\" name=\"token\" value=\"{}\">\n\
         <input type=\"hidden\" name=\"amends\" value=\"{}\">\n\
         <label for=\"enclosure\">Where</label>\n<select id=\"enclosure\" name=\"enclosure\">\n{places}</select>\n\
         <label for=\"kind\">What kind</label>\n<select id=\"kind\" name=\"kind\">\n{kinds}</select>\n\
         <label for=\"subject\">The sensor or device, if it is about one</label>\n\
         <select id=\"subject\" name=\"subject\" aria-describedby=\"anew\">\n{subjects}</select>\n\
         <p id=\"anew\" class=\"small faint\">Must be chosen for {anew}: what is usual there is learned anew.</p>\n\
         <label for=\"text\">What you saw or did (a weight in grams)</label>\n<textarea id=\"text\" name=\"text\" maxlength=\"4000\">{}</textarea>\n\
         <label for=\"at\">When (empty: now)</label>\n<input id=\"at\" name=\"at\" type=\"datetime-local\" value=\"{}\">\n\
         <label for=\"by\">Who (may be empty)</label>\n<input id=\"by\" name=\"by\" maxlength=\"80\" autocomplete=\"name\" value=\"{}\">\n\
         <button type=\"submit\">Write it down</button>\n</form>\n\
         <p class=\"small faint\">Nothing is ever changed or removed: a correction is a further entry, and both stay in the file. The \
         journal helps the judgement: a sensor that was moved or a hand misting is then not taken for a fault.</p>\n",
        escape(&visitor.form_token),
        escape(&sent.amends),
        escape(&sent.text),
        escape(&sent.at),
        escape(&sent.by)
    )
}

/// Entries since an instant, newest first, of one place or of all; amended ones struck through below those that stand for them.
pub(super) async fn entries(page: &Arc<Page>, place: Option<&str>, since_ms: i64) -> String {
    let Some(journal) = known(page).await else {
        return "<p>The journal can't be read just now.</p>\n".to_owned();
    };
    let mut found: Vec<&Line> = journal
        .lines
        .iter()
        .filter(|line| {
            let is_here = place.is_none_or(|place| line.entry.enclosure == place);
            line.entry.at_ms >= since_ms && is_here && !line.is_amended
        })
        .collect();
    if found.is_empty() {
        return "<p>Nothing.</p>\n".to_owned();
    }
    found.sort_by_key(|line| std::cmp::Reverse(line.entry.at_ms));
    let lines: String = found
        .into_iter()
        .take(LIST_MAX)
        .map(|line| item(page, &journal, line, place.is_none()))
        .collect();
    format!("<ul class=\"lines entries\">\n{lines}</ul>\n")
}

fn item(page: &Page, journal: &Journal, line: &Line, names_place: bool) -> String {
    let mut amended = String::new();
    let mut earlier = line.entry.amends.as_deref();
    // Each amendment names an earlier line, so this ends.
    while let Some(old) =
        earlier.and_then(|id| journal.lines.iter().find(|old| old.id == id && old.is_amended))
    {
        amended += &format!(
            "<br><span class=\"small faint\">Before: <del>{}</del></span>",
            words(page, &old.entry, names_place)
        );
        earlier = old.entry.amends.as_deref();
    }
    format!(
        "<li>{} <a class=\"small\" href=\"/journal/amend/{id}\">correct<span class=\"unseen\"> the entry {id}</span></a>{amended}</li>\n",
        words(page, &line.entry, names_place),
        id = line.id
    )
}

fn words(page: &Page, entry: &Entry, names_place: bool) -> String {
    let place = if names_place {
        format!("{}, ", label(page, &entry.enclosure))
    } else {
        String::new()
    };
    let subject = match &entry.subject {
        Some(subject) => format!(" ({subject})"),
        None if BEGINS_ANEW.contains(&entry.kind.as_str()) => " (all of them)".to_owned(),
        None => String::new(),
    };
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
        "{}: {}<em>{}</em>{}",
        moment(page, entry.at_ms),
        escape(&place),
        escape(&entry.kind.replace('-', " ")),
        escape(&format!("{subject}{text}{by}"))
    )
}
