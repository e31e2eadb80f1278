//! The page that `collect` serves: how it is now, one enclosure, findings, reports, the journal.
//!
//! Server-rendered; works without script, and one small script renews what is looked at ([`stream`]). Nothing is written by GET. It
//! listens on this machine only until an access file exists; then on any address, behind a log-in. What the analysis says is
//! worked out in the background ([`judged`]) and kept; a request only puts words together and never holds the collector.
//!
//! - [`router`]: the addresses; [`layout`]: what all views share.
//! - [`guard`]: who is answered, and the headers; [`access`]: password, sessions, limits; [`login`]: its views; [`door`]: how many come in; [`tls`]: HTTPS.
//! - [`live`]: how each enclosure is at this moment; [`now`], [`alarm`], [`enclosure`], [`changes`], [`care`], [`journal`], [`weights`],
//!   [`findings`], [`reports`], [`export`]: the views; [`made`]: reports made at a press; [`unwell`]: what an animal's keeper does next.
//! - [`health`]: for programs.

pub(crate) mod access;
mod alarm;
mod care;
mod changes;
mod door;
mod enclosure;
mod export;
mod findings;
mod guard;
mod health;
mod journal;
mod judged;
mod layout;
mod live;
mod login;
mod made;
mod now;
mod random;
mod reports;
mod stream;
#[cfg(test)]
mod tests;
mod tls;
mod unwell;
mod weights;

use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware;
use axum::routing::{get, post};
use mosswarden_collector::{Counts, Newest};
use mosswarden_config::site::Site;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

use crate::alerts::Board;
use crate::reporter::Failure;
use access::Access;
use door::Door;
use guard::Peer;
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
    /// `None` without a log-in: this machine only.
    access: Option<Access>,
    journal: Mutex<Option<journal::Kept>>,
    /// Screens that wait for signs.
    lookers: Arc<Semaphore>,
    /// Exports under way: each holds a day of readings.
    exports: Arc<Semaphore>,
    making: made::Making,
    /// Said on every view where the readings are made up.
    is_invented: bool,
    /// Stands for a session's token where there is no log-in.
    token: String,
    now_ms: fn() -> i64,
    /// When the collector started.
    since_ms: i64,
}

impl Page {
    /// # Errors
    /// When the system gives no random bytes, or the access file can't be used.
    pub(crate) fn new(
        site: Site,
        counts: Arc<Counts>,
        newest: Arc<Newest>,
        board: Arc<Board>,
        now_ms: fn() -> i64,
    ) -> Result<Page, PageError> {
        /// How the site file of the demo and of every simulation begins.
        const INVENTED: &str = "# Invented data";
        let is_invented = fs_err::read_to_string(&site.file).is_ok_and(|source| source.starts_with(INVENTED));
        let access = access_file(&site).map(Access::load).transpose()?;
        Ok(Page {
            judging: Arc::new(Judging::new(site.clone(), now_ms)),
            site,
            counts,
            newest,
            board,
            is_invented,
            access,
            journal: Mutex::default(),
            lookers: Arc::new(Semaphore::new(stream::LOOKERS_MAX)),
            exports: Arc::new(Semaphore::new(export::EXPORTS_MAX)),
            making: made::Making::default(),
            token: random::hex()?,
            now_ms,
            since_ms: now_ms(),
        })
    }
}

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PageError {
    #[error("the system gives no random bytes")]
    Random(#[from] std::io::Error),
    #[error(transparent)]
    Access(#[from] access::AccessError),
}

/// The access file, where it exists.
pub(crate) fn access_file(site: &Site) -> Option<&Path> {
    site.page.access_file.as_deref().filter(|file| file.exists())
}

pub(crate) fn router(page: Arc<Page>) -> Router {
    Router::new()
        .route("/", get(now::view))
        .route("/enclosure/{id}", get(enclosure::view))
        .route("/changes", get(changes::view))
        .route("/care", get(care::view).post(care::tick))
        .route("/care.ics", get(care::feed))
        .route("/weights", get(weights::view))
        .route("/export", get(export::view))
        .route("/export.csv", get(export::csv))
        .route("/findings", get(findings::view))
        .route("/reports", get(reports::view).post(reports::make))
        .route("/reports/{file}", get(reports::file))
        .route("/journal", get(journal::view).post(journal::add))
        .route("/journal/amend/{id}", get(journal::amend))
        .route("/login", get(login::view).post(login::enter))
        .route("/logout", get(login::leaving).post(login::leave))
        .route("/alerts/acknowledge", post(alarm::known))
        .route("/live", get(stream::live))
        .route("/page.js", get(stream::script))
        .route("/health", get(health::health))
        .route("/metrics", get(health::metrics))
        .fallback(layout::not_found)
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(middleware::from_fn_with_state(Arc::clone(&page), guard::guard))
        .with_state(page)
}

/// The address to listen on, where the site file wants a page.
///
/// # Errors
/// An address that is none, or one that other machines can reach while no access file exists.
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
    if addresses.iter().any(|address| !address.ip().is_loopback()) && access_file(site).is_none() {
        let (why, next) = match &site.page.access_file {
            Some(file) => (
                format!("the access file {} does not exist", file.display()),
                "make it with `mosswarden page password`".to_owned(),
            ),
            None => (
                "no access_file is named".to_owned(),
                "write access_file = \"secrets/page\" into [page] and make it with `mosswarden page password`".to_owned(),
            ),
        };
        return Err(Failure::usage(
            format!(
                "`listen = \"{listen}\"` in [page] would show the page to other machines without a password: {why}"
            ),
            format!("{next}; or keep listen = \"127.0.0.1:8460\", which this machine alone can reach"),
        ));
    }
    Ok(Some(*first))
}

/// What to do where the page can't be opened.
pub(crate) fn next_step(address: SocketAddr, error: &std::io::Error) -> String {
    if error.kind() == std::io::ErrorKind::AddrInUse {
        let port = address.port();
        format!("another program holds port {port}: end it, or choose another port with `listen` in [page]")
    } else {
        "choose another address with `listen` in [page]".to_owned()
    }
}

/// What a keeper should know of who can see the page.
fn say_how_open(page: &Page) {
    let site = &page.site.page;
    if let (None, Some(file)) = (&page.access, &site.access_file) {
        tracing::warn!(
            file = %file.display(),
            hint = "`mosswarden page password` makes it",
            "the access file is not there: the page answers to this machine only, without a password"
        );
    }
    let is_near = site.listen.as_deref().is_some_and(|listen| {
        ["127.", "localhost", "[::1]"]
            .iter()
            .any(|near| listen.starts_with(near))
    });
    if page.access.is_some() && site.tls.is_none() && !is_near {
        tracing::warn!(
            hint = "name certificate_file and key_file in [page], or put a web server with HTTPS in front",
            "the page's password travels in the clear through your network"
        );
    }
}

/// Serves until dropped.
pub(crate) async fn serve(listener: TcpListener, page: Arc<Page>) {
    judged::keep_fresh(Arc::clone(&page.judging));
    say_how_open(&page);
    let tls = page.site.page.tls.clone();
    let service = router(page).into_make_service_with_connect_info::<Peer>();
    let ended = match tls {
        None => axum::serve(Door::new(listener), service).await,
        Some(files) => {
            let door = mosswarden_collector::server_tls(&files.certificate_file, &files.key_file)
                .map_err(std::io::Error::other)
                .and_then(|config| tls::Shaken::new(listener, config));
            match door {
                Ok(shaken) => axum::serve(Door::new(shaken), service).await,
                Err(error) => Err(error),
            }
        }
    };
    if let Err(error) = ended {
        tracing::error!(%error, "the page stopped; collecting goes on");
    }
}
