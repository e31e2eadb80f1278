//! `/live`: a sign by server-sent events whenever what the views show has changed, and the script that waits for it.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse as _, Response};
use futures_util::stream;

use super::Page;

/// More screens than this look at once in no household; the others go on without signs.
pub(super) const LOOKERS_MAX: usize = 32;
/// How often is looked whether something changed. A room that speaks every second is shown no faster.
const LOOK_EVERY: Duration = Duration::from_secs(5);

pub(super) async fn script() -> Response {
    (
        [(header::CONTENT_TYPE, "text/javascript; charset=utf-8")],
        include_str!("page.js"),
    )
        .into_response()
}

pub(super) async fn live(State(page): State<Arc<Page>>) -> Response {
    let Ok(turn) = Arc::clone(&page.lookers).try_acquire_owned() else {
        return (
            StatusCode::SERVICE_UNAVAILABLE,
            "Too many screens look already.\n",
        )
            .into_response();
    };
    let seen = sign(&page);
    let signs = stream::unfold((page, seen, turn), |(page, seen, turn)| async move {
        loop {
            tokio::time::sleep(LOOK_EVERY).await;
            let now = sign(&page);
            if now != seen {
                let event = Event::default().event("changed").data("look");
                return Some((Ok::<Event, Infallible>(event), (page, now, turn)));
            }
        }
    });
    Sse::new(signs).keep_alive(KeepAlive::default()).into_response()
}

/// What a view depends on, in short: the newest reading, the judgement, the open alerts, the journal, what is being made.
fn sign(page: &Page) -> (Option<i64>, Option<i64>, String, u64, (usize, bool)) {
    let newest = page.counts.snapshot().last_received_ms((page.now_ms)());
    let judged = page.judging.look().judged.map(|judged| judged.at_ms);
    let open = format!("{:?}", page.board.open());
    let journal = mosswarden_config::table::journal_file(&page.site.data_dir);
    let journal_bytes = std::fs::metadata(journal).map_or(0, |found| found.len());
    (newest, judged, open, journal_bytes, page.making.sign())
}
