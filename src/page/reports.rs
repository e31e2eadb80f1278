//! `/reports`: the reports, audits, hand-overs and sheets for days away that were written, newest first, their files, and a way to make one.

use std::io;
use std::path::Path as FilePath;
use std::sync::Arc;

use axum::extract::{Extension, Form, Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse as _, Redirect, Response};
use chrono::{Datelike as _, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Timelike as _};
use mosswarden_analysis::plot::{Display, escape};
use mosswarden_analysis::words::span_dates;
use mosswarden_config::site::Site;
use mosswarden_config::table::reports_dir;
use mosswarden_config::zone::Span;
use serde::Deserialize;

use super::Page;
use super::guard::{Visitor, is_own_form};
use super::layout::{View, answer, missing, option, said};
use super::made::{self, Wanted};

/// Forms that are shown: ending, how they are sent, what they are for.
const FORMS: [(&str, &str, &str); 4] = [
    ("html", "text/html; charset=utf-8", "read"),
    ("pdf", "application/pdf", "print (PDF)"),
    ("txt", "text/plain; charset=utf-8", "for e-mail (text)"),
    ("json", "application/json", "for programs (JSON)"),
];
/// A report carries its style inside; it runs nothing and loads nothing.
const REPORT_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'; \
     form-action 'none'; sandbox";
/// As many as ten years of weeks.
const REPORTS_MAX: usize = 520;

/// A form that was sent: what to make.
#[derive(Deserialize)]
pub(super) struct Sent {
    #[serde(default)]
    token: String,
    #[serde(default)]
    pub(super) what: String,
    #[serde(default)]
    pub(super) enclosure: String,
    /// When the keeper leaves, and the last day away.
    #[serde(default)]
    pub(super) leave: String,
    #[serde(default)]
    pub(super) back: String,
    /// What they expect of the room.
    #[serde(default)]
    pub(super) low: String,
    #[serde(default)]
    pub(super) high: String,
}

pub(super) async fn view(State(page): State<Arc<Page>>, Extension(visitor): Extension<Visitor>) -> Response {
    let how = page.making.html(&page);
    show(&page, &visitor, &how, StatusCode::OK).await
}

pub(super) async fn make(
    State(page): State<Arc<Page>>,
    Extension(visitor): Extension<Visitor>,
    headers: HeaderMap,
    Form(sent): Form<Sent>,
) -> Response {
    if !is_own_form(&headers, &visitor.form_token, &sent.token) {
        let why =
            "Not begun: the form is from before the collector's last start, or from elsewhere. Press again.";
        return show(&page, &visitor, &said(why), StatusCode::FORBIDDEN).await;
    }
    let Some(wanted) = Wanted::of(&page.site, &sent) else {
        let why =
            "Not begun: there is no such enclosure or no such report, or the last day away was left empty.";
        return show(&page, &visitor, &said(why), StatusCode::UNPROCESSABLE_ENTITY).await;
    };
    match made::begin(&page, wanted) {
        Ok(()) => Redirect::to("/reports").into_response(),
        Err(why) => show(&page, &visitor, &said(why), StatusCode::SERVICE_UNAVAILABLE).await,
    }
}

async fn show(page: &Arc<Page>, visitor: &Visitor, how: &str, status: StatusCode) -> Response {
    let Some(names) = known(page).await else {
        let body = "<h1>The reports can't be read just now.</h1>\n".to_owned();
        let view = View::new("Reports", "/reports", body).status(StatusCode::INTERNAL_SERVER_ERROR);
        return answer(page, &view);
    };
    let mut body = format!("<h1>Reports</h1>\n{how}");
    if names.is_empty() {
        body += "<p>None has been written yet. A button below makes one; <code>mosswarden report</code> writes the last whole \
                 week's.</p>\n";
    }
    let lines: String = documents(&page.site, &names)
        .iter()
        .take(REPORTS_MAX)
        .map(|document| format!("<li>{}</li>\n", document.links(&names)))
        .collect();
    body += &format!("<ul class=\"lines\">\n{lines}</ul>\n");
    body += &forms(page, visitor);
    body += "<p><a href=\"/export\">Export readings as a table</a></p>\n";
    answer(
        page,
        &View::new("Reports", "/reports", body).status(status).live(),
    )
}

fn forms(page: &Page, visitor: &Visitor) -> String {
    let token = escape(&visitor.form_token);
    let places: String = page
        .site
        .enclosures
        .iter()
        .map(|enclosure| option(&enclosure.id, &enclosure.label, ""))
        .collect();
    let zone = page.site.zone;
    let today = zone.date((page.now_ms)());
    let degree = Display::new(page.site.units).degree();
    format!(
        "<h2>Make one</h2>\n<p>Up to now; nothing is ever written over.</p>\n\
         <form method=\"post\" action=\"/reports\">\n<input type=\"hidden\" name=\"token\" value=\"{token}\">\n\
         <button type=\"submit\" name=\"what\" value=\"week\">Report of the last seven days</button>\n</form>\n\
         <form method=\"post\" action=\"/reports\">\n<input type=\"hidden\" name=\"token\" value=\"{token}\">\n\
         <label for=\"enclosure\">Of one enclosure</label>\n<select id=\"enclosure\" name=\"enclosure\">\n{places}</select>\n\
         <button type=\"submit\" name=\"what\" value=\"audit\">Audit: what its animals lived through, for the veterinarian</button>\n\
         <button type=\"submit\" name=\"what\" value=\"handover\">Hand-over: what its next keeper must know</button>\n</form>\n\
         <form method=\"post\" action=\"/reports\">\n<input type=\"hidden\" name=\"token\" value=\"{token}\">\n\
         <label for=\"leave\">Going away: when do you leave? (empty: now)</label>\n<input id=\"leave\" name=\"leave\" type=\"date\" min=\"{today}\">\n\
         <label for=\"back\">Your last day away</label>\n<input id=\"back\" name=\"back\" type=\"date\" min=\"{today}\" required>\n\
         <label for=\"low\">Coldest that you expect of the room, {degree} (empty: as in the last 14 days)</label>\n\
         <input id=\"low\" name=\"low\" type=\"number\" step=\"0.5\">\n\
         <label for=\"high\">Warmest, {degree}</label>\n<input id=\"high\" name=\"high\" type=\"number\" step=\"0.5\">\n\
         <button type=\"submit\" name=\"what\" value=\"away\">Before you go: what to see to, and a page for whoever looks in</button>\n</form>\n"
    )
}

/// What is in the folder of reports; `None` where it can't be read.
async fn known(page: &Page) -> Option<Vec<String>> {
    let dir = reports_dir(&page.site.data_dir);
    let names = tokio::task::spawn_blocking(move || names(&dir)).await;
    names.ok()?.ok()
}

/// The newest audit of an enclosure that reaches up to an instant, with its links.
pub(super) async fn audit_since(page: &Page, enclosure: &str, at_ms: i64) -> Option<String> {
    let names = known(page).await?;
    let zone = page.site.zone;
    let since = zone.local(at_ms).with_second(0)?.with_nanosecond(0)?;
    let of_it = format!("audit-{enclosure}-");
    let found = documents(&page.site, &names).into_iter().find(|document| {
        let is_of_it = document
            .stem
            .strip_prefix(&of_it)
            .and_then(whole_moment)
            .is_some();
        is_of_it && document.until.is_some_and(|until| until >= since)
    })?;
    Some(found.links(&names))
}

/// One report in its forms: files of one stem.
struct Document<'n> {
    stem: &'n str,
    /// What it is, in words.
    title: String,
    /// The end of what it tells of, local; `None` where its name does not say.
    until: Option<NaiveDateTime>,
}

impl Document<'_> {
    /// "Audit of Mossy frogs, up to Sunday 29 November 2026, 11:30: read, print (PDF)", each a link.
    fn links(&self, names: &[String]) -> String {
        let title = escape(&self.title);
        let links: Vec<String> = FORMS
            .iter()
            .map(|(form, _, word)| (format!("{}.{form}", self.stem), word))
            .filter(|(name, _)| names.contains(name))
            .map(|(name, word)| {
                format!(
                    "<a href=\"/reports/{}\">{word}<span class=\"unseen\">: {title}</span></a>",
                    escape(&name)
                )
            })
            .collect();
        format!("{title}: {}", links.join(", "))
    }
}

/// The reports behind the names of files, newest first; those whose name says no time last.
fn documents<'n>(site: &Site, names: &'n [String]) -> Vec<Document<'n>> {
    let mut stems: Vec<&str> = names
        .iter()
        .filter_map(|name| Some(name.rsplit_once('.')?.0))
        .collect();
    stems.sort_unstable();
    stems.dedup();
    let mut documents: Vec<Document<'n>> = stems.into_iter().map(|stem| document(site, stem)).collect();
    documents.sort_by(|a, b| (b.until, b.stem).cmp(&(a.until, a.stem)));
    documents
}

/// Reads a name as `report`, `audit`, `handover` and `away` give it.
fn document<'n>(site: &Site, stem: &'n str) -> Document<'n> {
    let label = |id: &str| {
        site.enclosure(id)
            .map_or_else(|| id.to_owned(), |enclosure| enclosure.label.clone())
    };
    let found = match stem.split_once('-') {
        Some(("audit", rest)) => split_at_moment(rest)
            .map(|(id, until)| (format!("Audit of {}, up to {}", label(id), moment(until)), until)),
        // Its name says the day only, and within it the end of what it tells of: the day's is the latest.
        Some(("handover", rest)) => split_at_moment(rest).map(|(id, local)| {
            let title = format!("Hand-over of {}, {}", label(id), moment(local));
            (title, local + TimeDelta::days(1))
        }),
        Some(("report", rest)) => report(site, rest, label),
        Some(("away", rest)) => away(rest, label),
        _ => None,
    };
    match found {
        Some((title, until)) => Document {
            stem,
            title,
            until: Some(until),
        },
        None => Document {
            stem,
            title: stem.to_owned(),
            until: None,
        },
    }
}

/// A report's name after its kind: a week or a span, then the ids of the enclosures that it was narrowed to.
fn report(site: &Site, name: &str, label: impl Fn(&str) -> String) -> Option<(String, NaiveDateTime)> {
    /// "2026-W21".
    const WEEK_CHARS: usize = 8;
    let (span, what, rest) = match name.split_once("-to-") {
        Some((from, rest)) => {
            let end = MOMENTS
                .iter()
                .map(|(chars, _)| *chars)
                .find(|chars| rest.get(..*chars).and_then(whole_moment).is_some())?;
            let span = Span {
                from_ms: site.zone.instant_ms(whole_moment(from)?),
                until_ms: site.zone.instant_ms(whole_moment(&rest[..end])?),
            };
            (span, "Report", &rest[end..])
        }
        None => {
            let span = site.zone.week(name.get(..WEEK_CHARS)?).ok()?;
            (span, "Weekly report", &name[WEEK_CHARS..])
        }
    };
    let of = rest
        .strip_prefix('-')
        .map_or_else(String::new, |ids| format!(" of {}", label(ids)));
    let (from, until) = (site.zone.local(span.from_ms), site.zone.local(span.until_ms));
    let is_whole_days = from.time() == NaiveTime::MIN && until.time() == NaiveTime::MIN;
    let dates = if is_whole_days {
        span_dates(site.zone, span)
    } else {
        let of_year = format!(" {}", until.year());
        format!("{} to {}", moment(from).replacen(&of_year, "", 1), moment(until))
    };
    Some((format!("{what}{of}, {dates}"), until))
}

/// The name of a sheet for days away after its kind: from when on, the last day, then the ids of the enclosures that it was narrowed to. It
/// belongs to the moment of leaving.
fn away(name: &str, label: impl Fn(&str) -> String) -> Option<(String, NaiveDateTime)> {
    let (from, rest) = name.split_once("-to-")?;
    let [_, (date_chars, _)] = MOMENTS;
    let (from, last) = (whole_moment(from)?, whole_moment(rest.get(..date_chars)?)?);
    let of = rest[date_chars..]
        .strip_prefix('-')
        .map_or_else(String::new, |ids| format!(" of {}", label(ids)));
    let title = format!("Before days away{of}, from {} to {}", moment(from), moment(last));
    Some((title, from))
}

/// How moments stand in names, and how long they are.
const MOMENTS: [(usize, &str); 2] = [(15, "%Y-%m-%d-%H%M"), (10, "%Y-%m-%d")];

/// A text that is a moment and nothing else; a date alone is its beginning.
fn whole_moment(text: &str) -> Option<NaiveDateTime> {
    let [(with_clock, clock), (date_only, date)] = MOMENTS;
    match text.len() {
        chars if chars == with_clock => NaiveDateTime::parse_from_str(text, clock).ok(),
        chars if chars == date_only => Some(
            NaiveDate::parse_from_str(text, date)
                .ok()?
                .and_time(NaiveTime::MIN),
        ),
        _ => None,
    }
}

/// "mossy-1-2026-11-29-1130": the id and the moment at the end.
fn split_at_moment(text: &str) -> Option<(&str, NaiveDateTime)> {
    MOMENTS.iter().find_map(|(chars, _)| {
        let at = text.len().checked_sub(*chars)?;
        let moment = whole_moment(text.get(at..)?)?;
        Some((text[..at].strip_suffix('-')?, moment))
    })
}

/// "Sunday 29 November 2026, 11:30"; the date alone at its beginning.
fn moment(local: NaiveDateTime) -> String {
    let form = if local.time() == NaiveTime::MIN {
        "%A %-d %B %Y"
    } else {
        "%A %-d %B %Y, %H:%M"
    };
    local.format(form).to_string()
}

pub(super) async fn file(State(page): State<Arc<Page>>, Path(name): Path<String>) -> Response {
    let Some(form) = form(&name) else {
        return missing(&page, "There is no report of that name.");
    };
    let path = reports_dir(&page.site.data_dir).join(&name);
    match tokio::task::spawn_blocking(move || fs_err::read(path)).await {
        Ok(Ok(bytes)) => (
            [
                (header::CONTENT_TYPE, form),
                (header::CONTENT_SECURITY_POLICY, REPORT_POLICY),
            ],
            bytes,
        )
            .into_response(),
        _ => missing(&page, "There is no report of that name."),
    }
}

/// Names of report files, in no order.
fn names(dir: &FilePath) -> io::Result<Vec<String>> {
    let found = match fs_err::read_dir(dir) {
        Ok(found) => found,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut names = Vec::new();
    for item in found {
        if let Ok(name) = item?.file_name().into_string()
            && form(&name).is_some()
        {
            names.push(name);
        }
    }
    Ok(names)
}

/// How a file of that name is sent; `None` for a name that no report has, or that leads out of the folder.
fn form(name: &str) -> Option<&'static str> {
    let (stem, form) = name.rsplit_once('.')?;
    let is_plain = !stem.is_empty()
        && stem
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_');
    FORMS
        .iter()
        .find(|(known, ..)| is_plain && *known == form)
        .map(|(_, sent, _)| *sent)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_lead_elsewhere_are_no_reports() {
        assert!(form("report-2026-W21.html").is_some());
        for name in [
            "../journal.jsonl",
            "..%2fx.html",
            "a/b.html",
            ".html",
            "report.unfinished",
            "a.b.html",
            "report",
        ] {
            assert!(form(name).is_none(), "{name}");
        }
    }
}
