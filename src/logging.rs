//! Structured logs on standard error: quiet by default, one level more for each `-v`. Under systemd in journald's own style: a
//! priority before each line and no time and no colours, because the journal has them.

use std::fmt;
use std::io::IsTerminal as _;

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::{Compact, Format, Writer};
use tracing_subscriber::fmt::{FmtContext, FormatEvent, FormatFields};
use tracing_subscriber::registry::LookupSpan;

/// `daemon`: whether the program keeps running; only then does it tell, once an hour, what came in.
pub(crate) fn start(verbose: u8, daemon: bool) {
    let level = match verbose {
        0 if daemon => "warn,mosswarden=info,mosswarden_collector=info",
        0 => "warn",
        1 => "info,mosswarden=debug,mosswarden_collector=debug",
        _ => "debug,mosswarden=trace,mosswarden_collector=trace",
    };
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(level));
    let subscriber = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr);
    if is_journal() {
        let plain = Format::default()
            .compact()
            .without_time()
            .with_level(false)
            .with_target(false)
            .with_ansi(false);
        subscriber.with_ansi(false).event_format(ForJournal(plain)).init();
    } else {
        subscriber
            .with_target(false)
            .with_ansi(std::io::stderr().is_terminal())
            .init();
    }
}

/// Whether standard error goes to the journal: systemd says in JOURNAL_STREAM which device and inode that is (systemd.exec(5)).
fn is_journal() -> bool {
    use std::os::fd::AsFd as _;
    use std::os::unix::fs::MetadataExt as _;
    let Some(said) = std::env::var_os("JOURNAL_STREAM") else {
        return false;
    };
    let stderr = std::io::stderr();
    let Ok(copy) = stderr.as_fd().try_clone_to_owned() else {
        return false;
    };
    std::fs::File::from(copy)
        .metadata()
        .is_ok_and(|found| said.to_str() == Some(&format!("{}:{}", found.dev(), found.ino())))
}

/// One line for each event, with its priority as syslog numbers it (RFC 5424, 6.2.1; sd-daemon(3)).
struct ForJournal(Format<Compact, ()>);

impl<S, N> FormatEvent<S, N> for ForJournal
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        context: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let priority = match *event.metadata().level() {
            Level::ERROR => 3,
            Level::WARN => 4,
            Level::INFO => 6,
            Level::DEBUG | Level::TRACE => 7,
        };
        let mut line = String::new();
        self.0.format_event(context, Writer::new(&mut line), event)?;
        // A line break within would begin an entry of its own.
        writeln!(writer, "<{priority}>{}", line.trim_end().replace('\n', " "))
    }
}
