//! Alerts: danger is told within a minute of the reading, once, then only if it worsens or stays; and its end.
//!
//! - [`watch`]: the state machine, pure: newest readings and the time in, alerts out.
//! - [`words`]: what an alert says.
//! - [`send`]: the task that asks every few seconds, logs, publishes and keeps the board that the page shows.
//!
//! Danger is apart from findings: minutes, not weeks. It never replaces a thermostat with a cut-out.

mod send;
#[cfg(test)]
mod table;
mod watch;
mod words;

pub(crate) use send::{Board, Told, keep_watch, not_sent};
pub(crate) use watch::Danger;
