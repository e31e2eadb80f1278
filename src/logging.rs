//! Structured logs on standard error: quiet by default, one level more for each `-v`.

use std::io::IsTerminal as _;

use tracing_subscriber::EnvFilter;

/// `daemon`: whether the program keeps running; only then does it tell, once an hour, what came in.
pub(crate) fn start(verbose: u8, daemon: bool) {
    let level = match verbose {
        0 if daemon => "warn,mosswarden=info,mosswarden_collector=info",
        0 => "warn",
        1 => "info,mosswarden=debug,mosswarden_collector=debug",
        _ => "debug,mosswarden=trace,mosswarden_collector=trace",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal())
        .init();
}
