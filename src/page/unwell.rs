//! An animal looks unwell: what to do at once, and a line that stays open until somebody says more.

use std::sync::Arc;

use mosswarden_analysis::plot::escape;
use mosswarden_analysis::unwell::{self, CLOSED_BY, OPEN_DAYS};
use mosswarden_config::journal::Entry;

use super::guard::Visitor;
use super::layout::{moment, place_link};
use super::{Page, journal, reports};

const RING: &str = "Ring a veterinarian who knows such animals.";

/// What such an entry asks for at once, with the button for the audit.
pub(super) fn what_to_do(page: &Page, visitor: &Visitor, place: &str) -> String {
    if page.site.enclosure(place).is_none() {
        return format!("<p>{RING}</p>\n");
    }
    format!(
        "<form method=\"post\" action=\"/reports\">\n<p>{RING} What it lived through, up to now, to print and take along:</p>\n\
         <input type=\"hidden\" name=\"token\" value=\"{}\">\n<input type=\"hidden\" name=\"enclosure\" value=\"{}\">\n\
         <button type=\"submit\" name=\"what\" value=\"audit\">Make the audit</button>\n</form>\n",
        escape(&visitor.form_token),
        escape(place)
    )
}

/// Places with such an entry that is open, each with what to do; of one place or of all.
pub(super) async fn section(page: &Arc<Page>, visitor: &Visitor, place: Option<&str>) -> String {
    let Some(journal) = journal::known(page).await else {
        return String::new();
    };
    let now_ms = (page.now_ms)();
    let mut body = String::new();
    for of in page
        .site
        .places()
        .filter(|of| place.is_none_or(|place| place == *of))
    {
        let open = unwell::open(&journal.entries, of, now_ms);
        let Some(last) = open.last() else { continue };
        let seen: String = open.iter().map(|entry| line(page, entry)).collect();
        let sheet = match reports::audit_since(page, of, last.at_ms).await {
            Some(sheet) => format!("<p>{RING} To print and take along: {sheet}</p>\n"),
            None => what_to_do(page, visitor, of),
        };
        body += &format!(
            "<div class=\"need\"><p><strong>{}: looks unwell</strong></p>\n<ul class=\"lines\">\n{seen}</ul>\n{sheet}</div>\n",
            place_link(page, of)
        );
    }
    if !body.is_empty() {
        body += &format!(
            "<p class=\"small faint\">This stands here for {OPEN_DAYS} days, or until the <a href=\"/journal\">journal</a> says \
             <em>{}</em>.</p>\n",
            CLOSED_BY.join("</em> or <em>")
        );
    }
    body
}

fn line(page: &Page, entry: &Entry) -> String {
    let text = match entry.text.as_str() {
        "" => String::new(),
        text => format!(": {text}"),
    };
    let by = entry
        .by
        .as_ref()
        .map_or_else(String::new, |by| format!(" — {by}"));
    format!(
        "<li>{}{}</li>\n",
        moment(page, entry.at_ms),
        escape(&format!("{text}{by}"))
    )
}
