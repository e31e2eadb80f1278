//! `/export`: a span of readings as tidy CSV, sent as it is read.

use std::io::{self, BufWriter, Write};
use std::sync::Arc;

use axum::body::{Body, Bytes};
use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use chrono::{Days, NaiveDate};
use futures_util::stream;
use mosswarden_analysis::load;
use mosswarden_analysis::plot::escape;
use mosswarden_config::table::Reading;
use mosswarden_config::zone::Span;
use serde::Deserialize;
use tokio::sync::mpsc;

use super::layout::{View, answer, option};
use super::{Page, layout};
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
        .map(|enclosure| option(&enclosure.id, &enclosure.label, ""))
        .collect();
    let said = said.map_or_else(String::new, layout::said);
    let body = format!(
        "<h1>Export</h1>\n{said}<p>Readings as they are stored, one a row, for a spreadsheet or another program.</p>\n\
         <form method=\"get\" action=\"/export.csv\">\n\
         <label for=\"from\">First day</label>\n<input id=\"from\" name=\"from\" type=\"date\" value=\"{week_ago}\" required>\n\
         <label for=\"until\">Last day</label>\n<input id=\"until\" name=\"until\" type=\"date\" value=\"{local_today}\" required>\n\
         <label for=\"enclosure\">Where</label>\n<select id=\"enclosure\" name=\"enclosure\">\n<option value=\"\">Everywhere</option>\n\
         {places}<option value=\"room\">The room</option>\n</select>\n<p class=\"small\">Days are those of {zone}; the times inside the file are UTC (they end in Z).</p>\n\
         <button type=\"submit\">Fetch the file</button>\n</form>\n\
         <p class=\"small faint\"><code>mosswarden export</code> gives Parquet and longer spans.</p>\n",
        zone = escape(page.site.zone.name())
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
    let waiting = in_pieces(move |pieces| {
        // Given back when the last piece is written.
        let _turn = turn;
        write(&page, &dates, &asked.enclosure, pieces)
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

type Piece = io::Result<Bytes>;

/// What `write` sends, piece by piece. However it ends before its end, the last piece is an error: the browser must not take half a
/// file for the whole.
fn in_pieces(
    write: impl FnOnce(&mpsc::Sender<Piece>) -> io::Result<()> + Send + 'static,
) -> mpsc::Receiver<Piece> {
    let (pieces, waiting) = mpsc::channel(PIECES);
    let sender = pieces.clone();
    tokio::spawn(async move {
        let written = tokio::task::spawn_blocking(move || write(&sender)).await;
        // The outer error is a panic.
        if let Err(error) = written.map_err(io::Error::other).flatten() {
            tracing::warn!(%error, "an export by the page broke off");
            let _gone = pieces.send(Err(error)).await;
        }
    });
    waiting
}

/// A day at a time, so that memory stays small whatever was asked for.
fn write(page: &Page, dates: &[NaiveDate], enclosure: &str, pieces: &mpsc::Sender<Piece>) -> io::Result<()> {
    let mut out = BufWriter::with_capacity(PIECE_BYTES, Pieces(pieces));
    // First what no file has yet: what is published meanwhile is met in both, and told once.
    let tail = mosswarden_collector::tail(&page.site).map_err(io::Error::other)?;
    let archive = mosswarden_collector::archive(&page.site)?;
    writeln!(out, "{}", export::HEADER)?;
    for date in dates {
        let span: Span = page.site.zone.day(*date);
        let of_day: Vec<Reading> = tail
            .iter()
            .filter(|reading| span.contains(reading.at_ms))
            .cloned()
            .collect();
        let readings = load::stored(&*archive, span, of_day).map_err(io::Error::other)?;
        let wanted = readings
            .iter()
            .filter(|reading| enclosure.is_empty() || *reading.enclosure == *enclosure);
        export::write_rows(&mut out, wanted)?;
    }
    out.flush()
}

/// A writer whose bytes go to the browser as they come.
struct Pieces<'c>(&'c mpsc::Sender<Piece>);

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

#[cfg(test)]
mod tests {
    use super::*;

    fn begin(pieces: &mpsc::Sender<Piece>) -> io::Result<()> {
        Pieces(pieces).write_all(b"time\n")
    }

    #[tokio::test]
    async fn what_breaks_off_ends_with_an_error_and_what_ends_does_not() {
        let mut whole = in_pieces(begin);
        assert!(whole.recv().await.is_some_and(|piece| piece.is_ok()));
        assert!(whole.recv().await.is_none());
        let failing = in_pieces(|pieces| begin(pieces).and(Err(io::Error::other("the disk failed"))));
        let panicking = in_pieces(|pieces| {
            begin(pieces)?;
            panic!("a file that no one foresaw")
        });
        for mut broken in [failing, panicking] {
            assert!(broken.recv().await.is_some_and(|piece| piece.is_ok()));
            assert!(broken.recv().await.is_some_and(|piece| piece.is_err()));
            assert!(broken.recv().await.is_none());
        }
    }
}
