//! `/reports`: the reports that were written, newest first, and their files.

use std::io;
use std::path::Path as FilePath;
use std::sync::Arc;

use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use mosswarden_analysis::plot::escape;
use mosswarden_config::table::reports_dir;

use super::Page;
use super::layout::{View, answer, missing};

/// Forms that are shown, and how they are sent.
const FORMS: [(&str, &str); 4] = [
    ("html", "text/html; charset=utf-8"),
    ("pdf", "application/pdf"),
    ("json", "application/json"),
    ("txt", "text/plain; charset=utf-8"),
];
/// A report carries its style inside; it runs nothing and loads nothing.
const REPORT_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; base-uri 'none'; \
     form-action 'none'; sandbox";
/// As many as ten years of weeks.
const REPORTS_MAX: usize = 520;

pub(super) async fn view(State(page): State<Arc<Page>>) -> Response {
    let dir = reports_dir(&page.site.data_dir);
    let names = tokio::task::spawn_blocking(move || names(&dir)).await;
    let names = match names {
        Ok(Ok(names)) => names,
        _ => {
            let body = "<h1>The reports can't be read just now.</h1>\n".to_owned();
            let view = View::new("Reports", "/reports", body).status(StatusCode::INTERNAL_SERVER_ERROR);
            return answer(&page, &view);
        }
    };
    let mut body = "<h1>Reports</h1>\n".to_owned();
    if names.is_empty() {
        body += "<p>None has been written yet. <code>mosswarden report</code> writes the last whole week's.</p>\n";
    }
    let mut stems: Vec<&str> = names
        .iter()
        .filter_map(|name| Some(name.rsplit_once('.')?.0))
        .collect();
    stems.dedup();
    body += "<ul class=\"lines\">\n";
    for stem in stems.into_iter().take(REPORTS_MAX) {
        let links: Vec<String> = FORMS
            .iter()
            .map(|(form, _)| (form, format!("{stem}.{form}")))
            .filter(|(_, name)| names.contains(name))
            .map(|(form, name)| {
                format!(
                    "<a href=\"/reports/{0}\" aria-label=\"{1} as {form}\">{form}</a>",
                    escape(&name),
                    escape(stem)
                )
            })
            .collect();
        body += &format!("<li>{}: {}</li>\n", escape(stem), links.join(", "));
    }
    body += "</ul>\n<p><a href=\"/export\">Export readings as a table</a></p>\n";
    answer(&page, &View::new("Reports", "/reports", body))
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

/// Names of report files, the last in order of name first: weeks and dates sort by time.
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
    names.sort_by(|a, b| b.cmp(a));
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
        .find(|(known, _)| is_plain && *known == form)
        .map(|(_, sent)| *sent)
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
