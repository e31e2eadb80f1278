//! `collect`: the daemon.

use mosswarden_collector::RunOptions;
use mosswarden_config::site::Site;

use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: Site) -> Result<Outcome, Failure> {
    let runtime = runtime()?;
    let summary = runtime
        .block_on(mosswarden_collector::run(
            site,
            RunOptions::default(),
            stop_signal(),
        ))
        .map_err(Failure::failed("could not collect"))?;
    eprintln!(
        "stopped: {} messages received, {} readings stored, {} refused, {} repeats",
        summary.counts.received, summary.counts.stored, summary.counts.refused, summary.counts.duplicate
    );
    if !summary.is_published {
        eprintln!(
            "  hint: the archive could not be written; the readings are safe in the spool and follow at the next start"
        );
    }
    Ok(Outcome::Done)
}

pub(crate) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(Failure::failed("could not start the asynchronous runtime"))
}

/// Completes at SIGTERM or SIGINT.
pub(crate) async fn stop_signal() {
    use tokio::signal::unix::{SignalKind, signal};
    match (signal(SignalKind::terminate()), signal(SignalKind::interrupt())) {
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
