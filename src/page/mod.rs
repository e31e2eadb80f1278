//! The page that `collect` serves: how it is now, one enclosure, findings, reports, the journal.
//!
//! Server-rendered, without script; nothing is written by GET. It listens on this machine only and answers only to its own
//! name, so that no other site's page can read it through a browser. What the analysis says is worked out in the background
//! ([`judged`]) and kept; a request only puts words together and never holds the collector.
//!
//! - [`router`]: the addresses; [`layout`]: what all views share; [`guard`]: who is answered, and the headers.
//! - [`live`]: how each enclosure is at this moment; [`now`], [`enclosure`], [`findings`], [`reports`], [`journal`]: the views.
//! - [`health`]: for programs.

mod enclosure;
mod findings;
mod guard;
mod health;
mod journal;
mod judged;
mod layout;
mod live;
mod now;
mod reports;
#[cfg(test)]
mod tests;

use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware;
use axum::routing::get;
use mosswarden_collector::{Counts, Newest};
use mosswarden_config::site::Site;
use tokio::net::TcpListener;

use crate::alerts::Board;
use crate::reporter::Failure;
use judged::Judging;

/// A journal entry's text has at most 16 kB; percent-encoding can triple it.
const BODY_BYTES_MAX: usize = 64 * 1024;

/// Everything that the views read.
pub(crate) struct Page {
    site: Site,
    counts: Arc<Counts>,
    newest: Arc<Newest>,
    board: Arc<Board>,
    judging: Arc<Judging>,
    /// Said on every view where the readings are made up.
    is_invented: bool,
    /// Goes out with the form and must come back: no other page can know it.
    token: String,
    now_ms: fn() -> i64,
}

impl Page {
    /// # Errors
    /// When the system gives no random bytes.
    pub(crate) fn new(
        site: Site,
        counts: Arc<Counts>,
        newest: Arc<Newest>,
        board: Arc<Board>,
        now_ms: fn() -> i64,
    ) -> std::io::Result<Page> {
        /// How the site file of the demo and of every simulation begins.
        const INVENTED: &str = "# Invented data";
        let is_invented = fs_err::read_to_string(&site.file).is_ok_and(|source| source.starts_with(INVENTED));
        Ok(Page {
            judging: Arc::new(Judging::new(site.clone(), now_ms)),
            site,
            counts,
            newest,
            board,
            is_invented,
            token: guard::random_hex()?,
            now_ms,
        })
    }
}

pub(crate) fn router(page: Arc<Page>) -> Router {
    Router::new()
        .route("/", get(now::view))
        .route("/enclosure/{id}", get(enclosure::view))
        .route("/findings", get(findings::view))
        .route("/reports", get(reports::view))
        .route("/reports/{file}", get(reports::file))
        .route("/journal", get(journal::view).post(journal::add))
        .route("/health", get(health::health))
        .route("/metrics", get(health::metrics))
        .fallback(layout::not_found)
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(middleware::from_fn(guard::guard))
        .with_state(page)
}

/// The address to listen on, where the site file wants a page.
///
/// # Errors
/// An address that is none, or one that other machines can reach.
pub(crate) fn address(site: &Site) -> Result<Option<SocketAddr>, Failure> {
    use std::net::ToSocketAddrs as _;
    let Some(listen) = &site.page.listen else {
        return Ok(None);
    };
    let addresses: Vec<SocketAddr> = listen
        .to_socket_addrs()
        .map(Iterator::collect)
        .unwrap_or_default();
    let Some(first) = addresses.first() else {
        return Err(Failure::usage(
            format!("`listen = \"{listen}\"` in [page] is no address with a port"),
            "write listen = \"127.0.0.1:8460\", or \"off\"",
        ));
    };
    if addresses.iter().any(|address| !address.ip().is_loopback()) {
        return Err(Failure::usage(
            format!(
                "`listen = \"{listen}\"` in [page] would show the page to other machines, and this version has no log-in \
                 of its own yet, with or without an access_file"
            ),
            "keep listen = \"127.0.0.1:8460\" and reach it from elsewhere with `ssh -L 8460:127.0.0.1:8460 this-machine`, or \
             through a web server here that asks for a password, speaks HTTPS and passes on `Host: 127.0.0.1:8460`",
        ));
    }
    Ok(Some(*first))
}

/// Serves until dropped.
pub(crate) async fn serve(listener: TcpListener, page: Arc<Page>) {
    judged::keep_fresh(Arc::clone(&page.judging));
    if let Err(error) = axum::serve(listener, router(page)).await {
        tracing::error!(%error, "the page stopped; collecting goes on");
    }
}
