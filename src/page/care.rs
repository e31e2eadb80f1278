//! `/care`: what is due, ticked off with one press; and the same as a calendar, `/care.ics`.

use std::cmp::Ordering;
use std::sync::Arc;

use axum::extract::{Extension, Form, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse as _, Redirect, Response};
use chrono::{NaiveDate, NaiveTime};
use mosswarden_analysis::care::{Due, due};
use mosswarden_analysis::plot::escape;
use mosswarden_config::journal::{CARE_DONE, Entry};
use mosswarden_config::table::ROOM;
use serde::Deserialize;

use super::guard::{Visitor, is_own_form};
use super::journal::write;
use super::layout::{View, answer, capital, count, place_link, prose};
use super::{Page, journal, layout};
use crate::calendar;

/// When something was done of which only the day is known.
const NOON: NaiveTime = NaiveTime::from_hms_opt(12, 0, 0).expect("it is on every clock");

#[derive(Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    done: String,
}

/// The form as it was sent.
#[derive(Deserialize)]
pub(super) struct Sent {
    #[serde(default)]
    token: String,
    /// The button that was pressed: a place and its task, parted by a blank.
    #[serde(default)]
    done: String,
    #[serde(default)]
    by: String,
    /// The day on which it was done; empty for today.
    #[serde(default)]
    on: String,
    /// "enclosure" leads back to the enclosure's view.
    #[serde(default)]
    from: String,
}

pub(super) async fn view(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    Query(asked): Query<Asked>,
) -> Response {
    let said = (!asked.done.is_empty()).then_some("Ticked off. It stands in the journal.");
    show(&page, &visitor, said, StatusCode::OK).await
}

pub(super) async fn tick(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    headers: HeaderMap,
    Form(sent): Form<Sent>,
) -> Response {
    if !is_own_form(&headers, &visitor.form_token, &sent.token) {
        let why = "Not ticked off: the form is from before the collector's last start, or from elsewhere. Press again.";
        return show(&page, &visitor, Some(why), StatusCode::FORBIDDEN).await;
    }
    let now_ms = (page.now_ms)();
    let at_ms = match done_ms(&page, sent.on.trim(), now_ms) {
        Ok(at_ms) => at_ms,
        Err(why) => {
            let why = format!("Not ticked off: {why}.");
            return show(&page, &visitor, Some(&why), StatusCode::UNPROCESSABLE_ENTITY).await;
        }
    };
    let by = sent.by.trim();
    let (place, task) = sent.done.split_once(' ').unwrap_or_default();
    let entry = Entry {
        at_ms,
        written_ms: now_ms,
        enclosure: place.to_owned(),
        kind: CARE_DONE.to_owned(),
        subject: Some(task.to_owned()),
        text: String::new(),
        by: (!by.is_empty()).then(|| by.to_owned()),
        amends: None,
    };
    match write(&page, entry).await {
        Ok(()) if sent.from == "enclosure" && place != ROOM => {
            Redirect::to(&format!("/enclosure/{place}?done=1#care")).into_response()
        }
        Ok(()) => Redirect::to("/care?done=1").into_response(),
        Err((status, why)) => show(&page, &visitor, Some(&format!("Not ticked off: {why}.")), status).await,
    }
}

/// When it was done: now, or at noon of an earlier day.
fn done_ms(page: &Page, on: &str, now_ms: i64) -> Result<i64, &'static str> {
    let zone = page.site.zone;
    let local_today = zone.date(now_ms);
    if on.is_empty() {
        return Ok(now_ms);
    }
    let day: NaiveDate = on.parse().map_err(|_| "a day is written as 2026-05-18")?;
    match day.cmp(&local_today) {
        Ordering::Greater => Err("that day lies ahead"),
        Ordering::Equal => Ok(now_ms),
        Ordering::Less => Ok(zone.instant_ms(day.and_time(NOON))),
    }
}

async fn show(page: &Arc<Page>, visitor: &Visitor, said: Option<&str>, status: StatusCode) -> Response {
    let Some(journal) = journal::known(page).await else {
        let body = "<h1>The journal can't be read just now.</h1>\n".to_owned();
        return answer(
            page,
            &View::new("Care", "/care", body).status(StatusCode::INTERNAL_SERVER_ERROR),
        );
    };
    let now_ms = (page.now_ms)();
    let local_today = page.site.zone.date(now_ms);
    let all = due(&page.site, &journal.entries, now_ms);
    let overdue = all
        .iter()
        .filter(|due| due.is_kept() && due.overdue_days > 0)
        .count();
    let today = all
        .iter()
        .filter(|due| due.local_due == Some(local_today))
        .count();
    let unknown = all.iter().filter(|due| due.local_due.is_none()).count();
    let is_noted = all.iter().any(|due| due.last.is_some());
    let mut body = format!("<h1>{}</h1>\n", headline(overdue, today, unknown, is_noted));
    if let Some(said) = said {
        body += &layout::said(said);
    }
    let mut places = String::new();
    for place in page.site.places() {
        let here: Vec<&Due> = all.iter().filter(|due| due.place == place).collect();
        if !here.is_empty() {
            let heading = place_link(page, place);
            places += &format!("<h2>{heading}</h2>\n{}", tasks(&here, local_today, !is_noted));
        }
    }
    body += &form(visitor, "care", &places);
    let key = page
        .access
        .as_ref()
        .map_or_else(String::new, |access| format!("?key={}", access.reading_key()));
    body += &format!(
        "<h2>In your calendar</h2>\n<p>Any calendar can subscribe to <a href=\"/care.ics{key}\">this address</a>: each due day stands \
         there, renewed as you tick off.{}</p>\n",
        if key.is_empty() {
            ""
        } else {
            " The address opens the calendar without the password: do not pass it on."
        }
    );
    body += "<p class=\"small faint\">Intervals that the site file does not give are common practice without a published \
             source; the label on a device, your veterinarian and your local code come first. \
             <code>[[enclosure.care]]</code> in the site file sets or adds a task.</p>\n";
    answer(page, &View::new("Care", "/care", body).status(status))
}

fn headline(overdue: usize, today: usize, unknown: usize, is_noted: bool) -> String {
    let verb = |count: usize| if count == 1 { "is" } else { "are" };
    match (overdue, today) {
        (0, 0) => {
            let (tasks, them) = match unknown {
                0 => return "Nothing is due today.".to_owned(),
                1 => ("task has", "it"),
                _ => ("tasks have", "them"),
            };
            let nothing = if is_noted {
                "Nothing that has a date is due. "
            } else {
                ""
            };
            let many = capital(&count(unknown));
            format!("{nothing}{many} {tasks} no date yet. When did you last do {them}?")
        }
        (0, today) => format!("{} {} due today.", capital(&count(today)), verb(today)),
        (overdue, 0) => format!("{} {} overdue.", capital(&count(overdue)), verb(overdue)),
        (overdue, today) => format!(
            "{} {} overdue, {} {} due today.",
            capital(&count(overdue)),
            verb(overdue),
            count(today),
            verb(today)
        ),
    }
}

/// The form around the tasks: who did it and when, and a button each.
fn form(visitor: &Visitor, from: &str, tasks: &str) -> String {
    format!(
        "<form method=\"post\" action=\"/care\" class=\"care\">\n<input type=\"hidden\" name=\"token\" value=\"{}\">\n\
         <input type=\"hidden\" name=\"from\" value=\"{from}\">\n<label for=\"by\">Done by (may be empty)</label>\n\
         <input id=\"by\" name=\"by\" maxlength=\"80\" autocomplete=\"name\">\n\
         <label for=\"on\">Done on (empty: today)</label>\n<input id=\"on\" name=\"on\" type=\"date\">\n{tasks}</form>\n",
        escape(&visitor.form_token)
    )
}

/// An enclosure's tasks with their form, on its own view; all one click away where nobody keeps any of them.
pub(super) fn of_enclosure(visitor: &Visitor, here: &[&Due], local_today: NaiveDate) -> String {
    if here.iter().any(|due| due.is_kept()) {
        return form(visitor, "enclosure", &tasks(here, local_today, false));
    }
    let form = form(visitor, "enclosure", &list(here, false, local_today));
    format!("<div class=\"care\">{}</div>\n", folded(here, &form, false))
}

/// The tasks of one place, what is overdue first; those that nobody keeps here one click away, or unfolded.
fn tasks(here: &[&Due], local_today: NaiveDate, is_unfolded: bool) -> String {
    let usual = list(here, false, local_today);
    let folded = if usual.is_empty() {
        usual
    } else {
        folded(here, &usual, is_unfolded)
    };
    list(here, true, local_today) + &folded
}

/// Tasks that somebody keeps, or the others; empty where there is none.
fn list(here: &[&Due], is_kept: bool, local_today: NaiveDate) -> String {
    let mut sorted: Vec<&&Due> = here.iter().filter(|due| due.is_kept() == is_kept).collect();
    sorted.sort_by_key(|due| (due.local_due.is_none(), due.local_due));
    let lines: String = sorted.iter().map(|due| task(due, local_today)).collect();
    if lines.is_empty() {
        lines
    } else {
        format!("<ul>\n{lines}</ul>\n")
    }
}

/// What nobody keeps: one click away under its names, or unfolded.
fn folded(here: &[&Due], inside: &str, is_unfolded: bool) -> String {
    if is_unfolded {
        return format!("<details open><summary>No date yet</summary>\n{inside}</details>\n");
    }
    let names: Vec<&str> = here
        .iter()
        .filter(|due| !due.is_kept())
        .map(|due| due.task.label.as_str())
        .collect();
    format!(
        "<details><summary>No date yet: {}</summary>\n{inside}</details>\n",
        escape(&names.join("; "))
    )
}

fn task(due: &Due, local_today: NaiveDate) -> String {
    let class = if due.is_kept() && due.overdue_days > 0 {
        " class=\"late\""
    } else {
        ""
    };
    let label = escape(&due.task.label);
    format!(
        "<li{class}><p><strong>{label}</strong><br>{}</p>\n<button type=\"submit\" name=\"done\" value=\"{} {}\">Done<span class=\"unseen\">: \
         {label}</span></button></li>\n",
        prose(&words(due, local_today)),
        escape(&due.place),
        escape(&due.task.name)
    )
}

/// "overdue by 3 days; every 7 days, last on Tue 4 Nov by Ana".
fn words(due: &Due, local_today: NaiveDate) -> String {
    let days = |count: i64| {
        if count == 1 {
            "1 day".to_owned()
        } else {
            format!("{count} days")
        }
    };
    let every = match due.task.every_days {
        1 => "every day".to_owned(),
        count => format!("every {count} days"),
    };
    let date = |date: NaiveDate| date.format("%a %-d %b").to_string();
    let when = match due.local_due {
        None => return format!("Never ticked off here; {every} ({}).", due.task.source),
        Some(_) if due.overdue_days > 0 => format!("Overdue by {}", days(due.overdue_days)),
        Some(day) if day == local_today => "Due today".to_owned(),
        Some(day) => format!(
            "Due in {}, on {}",
            days((day - local_today).num_days()),
            date(day)
        ),
    };
    let last = due.last.as_ref().map_or_else(String::new, |done| {
        let by = done
            .by
            .as_ref()
            .map_or_else(String::new, |by| format!(" by {by}"));
        format!(", last done on {}{by}", date(done.local_date))
    });
    format!("{when}; {every}{last} ({}).", due.task.source)
}

/// For any calendar program, RFC 5545.
pub(super) async fn feed(State(page): State<Arc<Page>>) -> Response {
    let Some(journal) = journal::known(&page).await else {
        return StatusCode::INTERNAL_SERVER_ERROR.into_response();
    };
    let now_ms = (page.now_ms)();
    let text = calendar::care(&page.site, &due(&page.site, &journal.entries, now_ms), now_ms);
    (
        [
            (header::CONTENT_TYPE, "text/calendar; charset=utf-8"),
            (header::CONTENT_DISPOSITION, "inline; filename=\"care.ics\""),
        ],
        text,
    )
        .into_response()
}
