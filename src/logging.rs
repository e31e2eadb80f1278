//! Structured logs on standard error: quiet by default, one level more for each `-v`.

use tracing_subscriber::EnvFilter;

pub(crate) fn start(verbose: u8) {
    let level = match verbose {
        0 => "warn,mosswarden=info,mosswarden_collector=info",
        1 => "info,mosswarden=debug,mosswarden_collector=debug",
        _ => "debug,mosswarden=trace,mosswarden_collector=trace",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_target(false)
        .init();
}
