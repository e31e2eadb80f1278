//! Open dangers, before everything else, each with a button that says "I know"; `/alerts/acknowledge` takes it.

use std::sync::Arc;

use axum::extract::{Extension, Form, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse as _, Redirect, Response};
use mosswarden_analysis::plot::{Display, escape};
use serde::Deserialize;

use super::Page;
use super::guard::{Visitor, is_own_form};
use super::judged::State as Known;
use super::layout::{View, answer, moment, prose};
use super::live::newest_temperature;
use crate::alerts::{Told, acknowledge, over_when};

/// Longer names are cut.
const NAME_CHARS_MAX: usize = 80;

/// What is dangerous at this moment. What somebody knows of is not cried out again.
pub(super) fn section(page: &Page, known: &Known, visitor: &Visitor, told: &[Told]) -> String {
    if told.is_empty() {
        return String::new();
    }
    let lines: String = told
        .iter()
        .enumerate()
        .map(|(index, told)| item(page, known, visitor, told, index))
        .collect();
    let is_known = told.iter().all(|told| told.acknowledged.is_some());
    let heading = if is_known {
        "Known, and not over"
    } else if told.iter().all(|told| told.danger.is_ignorance()) {
        "Not known: go and look"
    } else {
        "Act now"
    };
    format!("<section class=\"alarm\"><h2>{heading}</h2>\n{lines}</section>\n")
}

fn item(page: &Page, known: &Known, visitor: &Visitor, told: &Told, index: usize) -> String {
    // Only what was told is cried out; what is newest is renewed beside it.
    let role = if told.acknowledged.is_none() {
        " role=\"alert\""
    } else {
        ""
    };
    let text = format!(
        "<p{role}>{}</p>\n{}",
        prose(&told.text),
        newest(page, known, told)
    );
    if let Some(known) = &told.acknowledged {
        let by = if known.by.is_empty() {
            String::new()
        } else {
            format!(" by {}", known.by)
        };
        return format!(
            "{text}<p class=\"small\">Known{} since {}; it is told again only if it gets worse.</p>\n",
            escape(&by),
            moment(page, known.at_ms)
        );
    }
    format!(
        "{text}<form method=\"post\" action=\"/alerts/acknowledge\">\n<input type=\"hidden\" name=\"token\" value=\"{}\">\n\
         <input type=\"hidden\" name=\"id\" value=\"{}\">\n<label for=\"known-{index}\">Who knows of it (may be empty)</label>\n\
         <input id=\"known-{index}\" name=\"by\" maxlength=\"80\" autocomplete=\"name\">\n\
         <button type=\"submit\">I know, and look after it</button>\n</form>\n",
        escape(&visitor.form_token),
        escape(&told.id)
    )
}

/// What is read now, and why the danger is open all the same.
fn newest(page: &Page, known: &Known, told: &Told) -> String {
    let enclosure = told.enclosure.as_ref().and_then(|id| page.site.enclosure(id));
    let over = over_when(told.danger, Display::new(page.site.units));
    match enclosure.zip(over) {
        Some((enclosure, over)) => {
            let newest = newest_temperature(page, known, enclosure);
            format!(
                "<p class=\"newest\">{}</p>\n",
                prose(&format!("{newest} {over}."))
            )
        }
        None => String::new(),
    }
}

#[derive(Deserialize)]
pub(super) struct Sent {
    #[serde(default)]
    token: String,
    #[serde(default)]
    id: String,
    #[serde(default)]
    by: String,
}

pub(super) async fn known(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    headers: HeaderMap,
    Form(sent): Form<Sent>,
) -> Response {
    if !is_own_form(&headers, &visitor.form_token, &sent.token) {
        let why = "The form is from before the collector's last start, or from elsewhere. Press again on the first view.";
        return refused(&page, why, StatusCode::FORBIDDEN);
    }
    let by: String = sent.by.trim().chars().take(NAME_CHARS_MAX).collect();
    let looked = Arc::clone(&page);
    let noted = tokio::task::spawn_blocking(move || {
        acknowledge(
            &looked.board,
            &looked.site.data_dir,
            &sent.id,
            &by,
            (looked.now_ms)(),
        )
    })
    .await;
    match noted {
        // One that is over meanwhile is no longer shown; there is nothing to say of it.
        Ok(Ok(_)) => Redirect::to("/").into_response(),
        failed => {
            tracing::error!(?failed, "a danger could not be acknowledged");
            let why = "It could not be written down; look at the disk.";
            refused(&page, why, StatusCode::INTERNAL_SERVER_ERROR)
        }
    }
}

fn refused(page: &Page, why: &str, status: StatusCode) -> Response {
    let body = format!(
        "<h1>Not acknowledged</h1>\n<p role=\"status\">{}</p>\n<p><a href=\"/\">To how it is now</a></p>\n",
        escape(why)
    );
    answer(page, &View::new("Not acknowledged", "", body).status(status))
}
