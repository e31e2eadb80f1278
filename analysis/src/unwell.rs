//! Animals that look unwell by the journal, and until when that stands open.

use mosswarden_config::journal::{DIED, Entry, LEFT, LOOKS_UNWELL, TREATED};
use mosswarden_config::zone::MS_PER_24_H;

/// Such an entry stays open for this long (our own choice: two weeks are an appointment and a look after it).
pub const OPEN_DAYS: i64 = 14;
/// A later entry of one of these kinds in the same place closes it.
pub const CLOSED_BY: [&str; 3] = [TREATED, LEFT, DIED];

/// The entries of a place that are open at an instant, in order of time.
pub fn open<'j>(journal: &'j [Entry], place: &str, now_ms: i64) -> Vec<&'j Entry> {
    let here: Vec<&Entry> = journal
        .iter()
        .filter(|entry| entry.enclosure == place && entry.at_ms <= now_ms)
        .collect();
    let is_closed = |entry: &Entry| {
        here.iter()
            .any(|later| later.at_ms >= entry.at_ms && CLOSED_BY.contains(&later.kind.as_str()))
    };
    let mut open: Vec<&Entry> = here
        .iter()
        .copied()
        .filter(|entry| entry.kind == LOOKS_UNWELL && now_ms - entry.at_ms <= OPEN_DAYS * MS_PER_24_H)
        .filter(|entry| !is_closed(entry))
        .collect();
    open.sort_by_key(|entry| entry.at_ms);
    open
}
