//! `/export`: a span of readings as tidy CSV, sent as it is read.

use std::io::{self, BufWriter, Write};
use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use chrono::{Days, NaiveDate};
use futures_util::stream;
use mosswarden_analysis::plot::escape;
use mosswarden_config::zone::Span;
use serde::Deserialize;
use tokio::sync::mpsc;

use super::Page;
use super::layout::{View, answer};
use crate::commands::export;

/// A browser's span is read into memory a day at a time; this many days are as long as a year and a bit.
const DAYS_MAX: u64 = 400;
/// At once; who asks for one more is told to wait.
pub(super) const EXPORTS_MAX: usize = 2;
/// Pieces that wait for a slow browser, of at most [`PIECE_BYTES`].
const PIECES: usize = 8;
const PIECE_BYTES: usize = 64 * 1024;

#[derive(Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    from: String,
    #[serde(default)]
    until: String,
    #[serde(default)]
    enclosure: String,
}

pub(super) async fn view(State(page): State<Arc<Page>>) -> Response {
    show(&page, None, StatusCode::OK)
}

fn show(page: &Page, said: Option<&str>, status: StatusCode) -> Response {
    let local_today = page.site.zone.date((page.now_ms)());
    let week_ago = local_today.checked_sub_days(Days::new(6)).unwrap_or(local_today);
    let places: String = page
        .site
        .enclosures
        .iter()
        .map(|enclosure| {
            format!(
                "<option value=\"{}\">{}</option>\n",
                escape(&enclosure.id),
                escape(&enclosure.label)
            )
        })
        .collect();
    let said = said.map_or_else(String::new, |said| {
        format!("<p role=\"status\"><strong>{}</strong></p>\n", escape(said))
    });
    let body = format!(
        "<h1>Export</h1>\n{said}<p>Readings as they are stored, one a row, for a spreadsheet or another program.</p>\n\
         <form method=\"get\" action=\"/export.csv\">\n\
         <label for=\"from\">First day</label>\n<input id=\"from\" name=\"from\" type=\"date\" value=\"{week_ago}\" required>\n\
         <label for=\"until\">Last day</label>\n<input id=\"until\" name=\"until\" type=\"date\" value=\"{local_today}\" required>\n\
         <label for=\"enclosure\">Where</label>\n<select id=\"enclosure\" name=\"enclosure\">\n<option value=\"\">Everywhere</option>\n\
         {places}<option value=\"room\">The room</option>\n</select>\n<button type=\"submit\">Fetch the file</button>\n</form>\n\
         <p class=\"small faint\">Times are UTC; <code>mosswarden export</code> gives Parquet and longer spans.</p>\n"
    );
    answer(page, &View::new("Export", "", body).status(status))
}

pub(super) async fn csv(State(page): State<Arc<Page>>, Query(asked): Query<Asked>) -> Response {
    let dates = match dates(&asked) {
        Ok(dates) => dates,
        Err(why) => return show(&page, Some(why), StatusCode::UNPROCESSABLE_ENTITY),
    };
    let is_known = asked.enclosure.is_empty() || page.site.places().any(|place| place == asked.enclosure);
    if !is_known {
        return show(
            &page,
            Some("There is no such enclosure."),
            StatusCode::UNPROCESSABLE_ENTITY,
        );
    }
    let Ok(turn) = Arc::clone(&page.exports).try_acquire_owned() else {
        return show(
            &page,
            Some("Other exports are under way. Try again when they are done."),
            StatusCode::SERVICE_UNAVAILABLE,
        );
    };
    let name = format!("readings-{}-{}.csv", asked.from, asked.until);
    let (pieces, waiting) = mpsc::channel(PIECES);
    tokio::task::spawn_blocking(move || {
        if let Err(error) = write(&page, &dates, &asked.enclosure, &pieces) {
            tracing::warn!(%error, "an export by the page broke off");
            // The browser must not take half a file for the whole.
            let _gone = pieces.blocking_send(Err(error));
        }
        drop(turn);
    });
    let body = Body::from_stream(stream::unfold(waiting, |mut waiting| async move {
        waiting.recv().await.map(|piece| (piece, waiting))
    }));
    let disposition = HeaderValue::from_str(&format!("attachment; filename=\"{name}\""))
        .unwrap_or(HeaderValue::from_static("attachment"));
    (
        [
            (
                header::CONTENT_TYPE,
                HeaderValue::from_static("text/csv; charset=utf-8"),
            ),
            (header::CONTENT_DISPOSITION, disposition),
        ],
        body,
    )
        .into_response()
}

fn dates(asked: &Asked) -> Result<Vec<NaiveDate>, &'static str> {
    let date = |text: &str| {
        text.parse::<NaiveDate>()
            .map_err(|_| "A day is written as 2026-05-18.")
    };
    let (first, last) = (date(&asked.from)?, date(&asked.until)?);
    let count = (last - first).num_days();
    if count < 0 {
        return Err("The last day lies before the first.");
    }
    if count >= DAYS_MAX as i64 {
        return Err("That is more than 400 days; the command `mosswarden export` gives longer spans.");
    }
    Ok(first.iter_days().take(count as usize + 1).collect())
}

/// A day at a time, so that memory stays small whatever was asked for.
fn write(
    page: &Page,
    dates: &[NaiveDate],
    enclosure: &str,
    pieces: &mpsc::Sender<io::Result<Bytes>>,
) -> io::Result<()> {
    let mut out = BufWriter::with_capacity(PIECE_BYTES, Pieces(pieces));
    writeln!(out, "{}", export::HEADER)?;
    for date in dates {
        let span: Span = page.site.zone.day(*date);
        let readings = export::stored(&page.site, span).map_err(io::Error::other)?;
        let wanted = readings
            .iter()
            .filter(|reading| enclosure.is_empty() || *reading.enclosure == *enclosure);
        export::write_rows(&mut out, wanted)?;
    }
    out.flush()
}

/// A writer whose bytes go to the browser as they come.
struct Pieces<'c>(&'c mpsc::Sender<io::Result<Bytes>>);

impl Write for Pieces<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0
            .blocking_send(Ok(Bytes::copy_from_slice(bytes)))
            .map_err(|_| io::Error::new(io::ErrorKind::BrokenPipe, "the browser has gone"))?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
