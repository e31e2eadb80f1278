//! `collect`: the daemon: collector, alerts and page side by side. Neither alerts nor page can hold the collector.

use std::net::SocketAddr;
use std::sync::Arc;

use mosswarden_collector::{CollectError, Counts, Newest, RunOptions, Summary};
use mosswarden_config::site::Site;
use tokio::sync::{mpsc, oneshot};

use super::now_ms;
use crate::alerts::{self, Board, Scribe, Sentry, keep_watch};
use crate::cli::Collect;
use crate::page::{self, Page};
use crate::reporter::{Failure, Outcome};
use crate::service;

/// Alerts that wait for the way out; a room has fewer dangers than this at once.
const ALERTS_WAITING: usize = 64;

pub(crate) fn run(site: Site, asked: Collect) -> Result<Outcome, Failure> {
    if asked.share.is_some() {
        return share(site, asked);
    }
    let address = page::address(&site)?;
    let runtime = runtime()?;
    let counts = Arc::new(Counts::new(&site));
    let newest = Arc::new(Newest::default());
    let board = Arc::new(Board::default());
    let scribe =
        Scribe::start(site.data_dir.clone()).map_err(Failure::failed("could not start the alerts' log"))?;
    let scribe = Arc::new(scribe);
    let (out, outgoing) = mpsc::channel(ALERTS_WAITING);
    let (on_ready, ready) = oneshot::channel();
    let options = RunOptions {
        counts: Some(Arc::clone(&counts)),
        newest: Some(Arc::clone(&newest)),
        outgoing: Some(outgoing),
        on_ready: Some(on_ready),
        will: alerts::will(&site),
        last_word: alerts::stopped(&site),
        ..RunOptions::default()
    };
    let summary = runtime.block_on(async {
        let stopped = stop_signal();
        let watch = tokio::spawn(keep_watch(Sentry {
            site: site.clone(),
            newest: Arc::clone(&newest),
            counts: Arc::clone(&counts),
            board: Arc::clone(&board),
            scribe: Arc::clone(&scribe),
            out,
            now_ms,
        }));
        let (shown, address) = match address {
            Some(address) => open_page(&site, address, counts, newest, board).await.unzip(),
            None => (None, None),
        };
        tokio::spawn(say_ready(ready, address));
        let stop = async {
            stopped.await;
            service::stopping();
        };
        let summary = mosswarden_collector::run(site, options, stop).await;
        watch.abort();
        if let Some(shown) = shown {
            shown.abort();
        }
        summary
    });
    // A judgement under way is of no use any more: it is not waited for.
    runtime.shutdown_background();
    scribe.close();
    say(&summary.map_err(could_not)?);
    Ok(Outcome::Done)
}

fn could_not(error: CollectError) -> Failure {
    Failure::Failed {
        hint: error.next_step(),
        doing: "could not collect".to_owned(),
        source: Box::new(error),
    }
}

/// One of several collectors: it takes its share of the messages in and does nothing else.
fn share(site: Site, asked: Collect) -> Result<Outcome, Failure> {
    let options = RunOptions {
        share: asked.share,
        ..RunOptions::default()
    };
    let summary =
        runtime()?.block_on(async { mosswarden_collector::run(site, options, stop_signal()).await });
    say(&summary.map_err(could_not)?);
    Ok(Outcome::Done)
}

fn say(summary: &Summary) {
    eprintln!(
        "stopped: {} messages received, {} readings stored, {} refused, {} repeats",
        summary.counts.received, summary.counts.stored, summary.counts.refused, summary.counts.duplicate
    );
    if !summary.is_published {
        eprintln!(
            "  hint: the archive could not be written; the readings are safe in the spool and follow at the next start"
        );
    }
}

/// Says what is open, once the start can't fail any more. A broker that is not there yet is no reason to call it failed.
async fn say_ready(ready: oneshot::Receiver<Option<SocketAddr>>, page: Option<SocketAddr>) {
    let Ok(devices) = ready.await else {
        return;
    };
    if let Some(address) = devices {
        tracing::info!(%address, "devices can connect by MQTT");
    }
    if let Some(address) = page {
        tracing::info!(%address, "the page is open");
    }
    service::ready();
}

/// Opens the page. Where that fails it is said, and collecting goes on without.
async fn open_page(
    site: &Site,
    address: SocketAddr,
    counts: Arc<Counts>,
    newest: Arc<Newest>,
    board: Arc<Board>,
) -> Option<(tokio::task::JoinHandle<()>, SocketAddr)> {
    let listener = match tokio::net::TcpListener::bind(address).await {
        Ok(listener) => listener,
        Err(error) => {
            let hint = page::next_step(address, &error);
            tracing::error!(%address, %error, hint, "the page can't be opened; collecting goes on without it");
            return None;
        }
    };
    match Page::new(site.clone(), counts, newest, board, now_ms) {
        Ok(page) => {
            // Port 0 takes any free one; what is told is the one that was taken.
            let address = listener.local_addr().unwrap_or(address);
            let shown = tokio::spawn(page::serve(listener, Arc::new(page)));
            Some((shown, address))
        }
        Err(error) => {
            tracing::error!(%error, "the page can't be opened; collecting goes on without it");
            None
        }
    }
}

pub(crate) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(Failure::failed("could not start the asynchronous runtime"))
}

/// Completes at SIGTERM or SIGINT. They are caught from the call on, not only once it is awaited.
pub(crate) fn stop_signal() -> impl Future<Output = ()> {
    use tokio::signal::unix::{SignalKind, signal};
    let signals = (signal(SignalKind::terminate()), signal(SignalKind::interrupt()));
    async {
        match signals {
            (Ok(mut terminate), Ok(mut interrupt)) => {
                tokio::select! {
                    _ = terminate.recv() => {}
                    _ = interrupt.recv() => {}
                }
            }
            // Without signal handlers only a kill ends the collector; that is safe, if rude.
            _ => std::future::pending().await,
        }
    }
}
