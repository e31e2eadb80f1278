//! What all views share: the frame, the words for numbers, figures and tables.

use std::sync::Arc;

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use mosswarden_analysis::plot::{Cell, Picture, Table, escape, figure_css, page_css};
use mosswarden_analysis::words;
use mosswarden_config::zone::MS_PER_HOUR;

use super::{Page, random};

const STYLE: &str = include_str!("page.css");

/// The views of the top line: address and word.
const VIEWS: [(&str, &str); 6] = [
    ("/", "Now"),
    ("/changes", "Changes"),
    ("/care", "Care"),
    ("/journal", "Journal"),
    ("/findings", "Findings"),
    ("/reports", "Reports"),
];

/// One view: its title, its address in the top line (or none of them), and its HTML.
pub(super) struct View {
    pub(super) title: String,
    pub(super) at: &'static str,
    pub(super) body: String,
    pub(super) status: StatusCode,
    /// Renewed while somebody looks at it.
    is_live: bool,
    /// Without the way to other views: for who has not logged in.
    is_bare: bool,
}

impl View {
    pub(super) fn new(title: impl Into<String>, at: &'static str, body: String) -> View {
        View {
            title: title.into(),
            at,
            body,
            status: StatusCode::OK,
            is_live: false,
            is_bare: false,
        }
    }

    pub(super) fn live(mut self) -> View {
        self.is_live = true;
        self
    }

    pub(super) fn bare(mut self) -> View {
        self.is_bare = true;
        self
    }

    pub(super) fn status(mut self, status: StatusCode) -> View {
        self.status = status;
        self
    }
}

/// The whole answer. The style's nonce is new each time: no style that somebody smuggled in would count.
pub(super) fn answer(page: &Page, view: &View) -> Response {
    let Ok(nonce) = random::hex() else {
        return StatusCode::INTERNAL_SERVER_ERROR.into_response();
    };
    let mut headers = HeaderMap::new();
    headers.insert(
        header::CONTENT_TYPE,
        HeaderValue::from_static("text/html; charset=utf-8"),
    );
    let policy = format!(
        "default-src 'none'; style-src 'nonce-{nonce}'; script-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    );
    if let Ok(policy) = HeaderValue::from_str(&policy) {
        headers.insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    (view.status, headers, html(page, view, &nonce)).into_response()
}

fn html(page: &Page, view: &View, nonce: &str) -> String {
    let site = escape(&page.site.name);
    // Who has not logged in is told nothing of what stands behind.
    let title_site = if view.is_bare { "mosswarden" } else { &site };
    let links: String = VIEWS
        .iter()
        .map(|(address, word)| {
            let current = if *address == view.at {
                " aria-current=\"page\""
            } else {
                ""
            };
            format!("<li><a href=\"{address}\"{current}>{word}</a></li>")
        })
        .collect();
    let invented = if page.is_invented {
        "<aside class=\"invented small\" aria-label=\"Notice\">Invented data: every reading, animal and event here is made up.</aside>\n"
    } else {
        ""
    };
    let (nav, leave, said) = if view.is_bare {
        (String::new(), "", String::new())
    } else {
        (
            format!("<nav class=\"top\" aria-label=\"Views\"><ul>{links}</ul></nav>\n"),
            if page.access.is_some() {
                " <a href=\"/logout\">Log out</a>"
            } else {
                ""
            },
            format!(
                "{site}. Local time of {}. Nothing here replaces a thermostat or a veterinarian.",
                escape(page.site.zone.name())
            ),
        )
    };
    let (live, script) = if view.is_live {
        (" data-live", "<script src=\"/page.js\" defer></script>\n")
    } else {
        ("", "")
    };
    let figures = if view.body.contains("<svg") {
        figure_css()
    } else {
        String::new()
    };
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}, {title_site}</title>\n\
         <style nonce=\"{nonce}\">\n{}{STYLE}{figures}</style>\n{script}</head>\n<body>\n<div class=\"page\">\n\
         <a class=\"skip\" href=\"#main\">Skip to the answer</a>\n\
         {nav}{invented}<main id=\"main\"{live}>\n{}</main>\n\
         <footer><p>{said}{leave}</p></footer>\n</div>\n</body>\n</html>\n",
        escape(&view.title),
        page_css(),
        view.body,
    )
}

pub(super) async fn not_found(State(page): State<Arc<Page>>) -> Response {
    missing(&page, "There is no such view here.")
}

pub(super) fn missing(page: &Page, why: &str) -> Response {
    let body = format!(
        "<h1>Not here</h1>\n<p>{}</p>\n<p><a href=\"/\">To how it is now</a></p>\n",
        escape(why)
    );
    answer(
        page,
        &View::new("Not here", "", body).status(StatusCode::NOT_FOUND),
    )
}

/// What stays on the line of the number before it.
const KEPT: [&str; 7] = ["°C", "°F", "%RH", "%", "h", "min", "days"];

/// Escaped text in which a number and its unit stay on one line.
pub(super) fn prose(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for word in text.split(' ') {
        let bare = word.trim_end_matches([',', '.', ';', ':', ')']);
        let is_kept = KEPT.contains(&bare) && out.ends_with(|c: char| c.is_ascii_digit());
        if !out.is_empty() {
            out.push(if is_kept { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
    }
    escape(&out)
}

/// What became of what was just sent, where a screen reader says it at once.
pub(super) fn said(text: &str) -> String {
    format!("<p role=\"status\"><strong>{}</strong></p>\n", escape(text))
}

/// A choice of a list.
pub(super) fn option(value: &str, word: &str, chosen: &str) -> String {
    let selected = if value == chosen { " selected" } else { "" };
    format!(
        "<option value=\"{}\"{selected}>{}</option>\n",
        escape(value),
        escape(word)
    )
}

/// "3 min ago", "just now".
pub(super) fn ago(now_ms: i64, at_ms: i64) -> String {
    let age_ms = (now_ms - at_ms).max(0);
    if age_ms < 60_000 {
        return "just now".to_owned();
    }
    format!("{} ago", words::duration(age_ms as f64 / MS_PER_HOUR as f64))
}

/// "14:10".
pub(super) fn clock(page: &Page, at_ms: i64) -> String {
    page.site.zone.local(at_ms).format("%H:%M").to_string()
}

/// "Tue 19 May, 14:10".
pub(super) fn moment(page: &Page, at_ms: i64) -> String {
    page.site.zone.local(at_ms).format("%a %-d %b, %H:%M").to_string()
}

/// What an enclosure is called; "The room" for the room.
pub(super) fn label(page: &Page, place: &str) -> String {
    page.site
        .enclosure(place)
        .map_or_else(|| "The room".to_owned(), |enclosure| enclosure.label.clone())
}

/// The same, escaped, as a link to the enclosure.
pub(super) fn place_link(page: &Page, place: &str) -> String {
    let name = escape(&label(page, place));
    if page.site.enclosure(place).is_some() {
        format!("<a href=\"/enclosure/{}\">{name}</a>", escape(place))
    } else {
        name
    }
}

const COUNTS: [&str; 13] = [
    "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
];

/// "two"; digits from thirteen on.
pub(super) fn count(count: usize) -> String {
    COUNTS
        .get(count)
        .map_or_else(|| count.to_string(), |word| (*word).to_owned())
}

pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A heading and its picture, with words below and the figures one click away.
pub(super) fn figure(heading: &str, picture: &Picture, id: &str, notes: &[String]) -> String {
    let caption = if notes.is_empty() {
        picture.alternative.clone()
    } else {
        notes.join(" ")
    };
    format!(
        "<h2>{heading}</h2>\n<div class=\"figure\"><figure>\n{}<figcaption>{}</figcaption></figure>\n\
         <details><summary>Its figures as a table<span class=\"unseen\">: {}</span></summary>\n{}</details></div>\n",
        picture.html(id),
        prose(&caption),
        escape(&picture.title),
        table(heading, &picture.table),
        heading = escape(heading)
    )
}

/// A table of words, whose rows stand one below the other on a phone.
pub(super) fn words_table(shown: &Table) -> String {
    table("", shown).replacen("<table>", "<table class=\"words\">", 1)
}

/// A table in a frame that scrolls where it is too wide. `under` is the heading that tells it from others of its caption.
fn table(under: &str, table: &Table) -> String {
    let is_number = |column: usize| {
        table
            .rows
            .iter()
            .any(|row| row.get(column).is_some_and(|cell| cell.number.is_some()))
    };
    let class = |column: usize| {
        if column > 0 && is_number(column) {
            " class=\"n\""
        } else {
            ""
        }
    };
    // On a phone each cell of a table of words stands after its column's name.
    let term = |column: usize| {
        table
            .columns
            .get(column)
            .map_or_else(String::new, |name| escape(name))
    };
    let head: String = table
        .columns
        .iter()
        .enumerate()
        .map(|(column, name)| format!("<th scope=\"col\"{}>{}</th>", class(column), escape(name)))
        .collect();
    let rows: String = table
        .rows
        .iter()
        .map(|row| {
            let cells: String = row
                .iter()
                .enumerate()
                .map(|(column, Cell { text, .. })| {
                    let text = escape(text);
                    if column == 0 {
                        format!("<th scope=\"row\">{text}</th>")
                    } else {
                        format!("<td{} data-term=\"{}\">{text}</td>", class(column), term(column))
                    }
                })
                .collect();
            format!("<tr>{cells}</tr>\n")
        })
        .collect();
    let caption = escape(&table.caption);
    let label = if under.is_empty() {
        caption.clone()
    } else {
        format!("{}: {caption}", escape(under))
    };
    format!(
        "<section class=\"scroll\" tabindex=\"0\" aria-label=\"{label}\"><table><caption class=\"unseen\">{caption}</caption>\n\
         <thead><tr>{head}</tr></thead>\n<tbody>\n{rows}</tbody></table></section>\n"
    )
}
