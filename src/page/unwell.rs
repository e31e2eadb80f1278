//! An animal looks unwell: what to do at once, and a line that stays open until somebody says more.

use std::sync::Arc;

use mosswarden_analysis::plot::escape;
use mosswarden_config::journal::{DIED, Entry, LEFT, LOOKS_UNWELL, TREATED};
use mosswarden_config::zone::MS_PER_24_H;

use super::guard::Visitor;
use super::layout::{moment, place_link};
use super::{Page, journal, reports};

/// Such an entry stays open for this long (our own choice: two weeks are an appointment and a look after it).
const OPEN_DAYS: i64 = 14;
/// A later entry of one of these kinds in the same place closes it.
const CLOSED_BY: [&str; 3] = [TREATED, LEFT, DIED];

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
        let here: Vec<&Entry> = journal
            .entries
            .iter()
            .filter(|entry| entry.enclosure == of)
            .collect();
        let mut open: Vec<&Entry> = here
            .iter()
            .copied()
            .filter(|entry| is_open(entry, &here, now_ms))
            .collect();
        open.sort_by_key(|entry| entry.at_ms);
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

fn is_open(entry: &Entry, here: &[&Entry], now_ms: i64) -> bool {
    let closes = |later: &&&Entry| later.at_ms >= entry.at_ms && CLOSED_BY.contains(&later.kind.as_str());
    entry.kind == LOOKS_UNWELL
        && now_ms - entry.at_ms <= OPEN_DAYS * MS_PER_24_H
        && !here.iter().any(|later| closes(&later))
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
