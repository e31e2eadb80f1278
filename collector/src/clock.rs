//! The seam to the clock: the wall clock in ms since 1970-01-01T00:00Z. Tests put another one in its place.

use chrono::Utc;

pub trait Clock: Send + Sync {
    fn now_ms(&self) -> i64;
}

/// The machine's own clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now_ms(&self) -> i64 {
        Utc::now().timestamp_millis()
    }
}
