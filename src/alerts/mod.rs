//! Alerts: danger is told within a minute of the reading, once, then only if it worsens or stays; and its end.
//!
//! - [`watch`]: the state machine, pure: newest readings and the time in, alerts out; [`place`] for one enclosure, [`open`] for
//!   when a danger is told again, [`words`] for what an alert says.
//! - [`daily`]: new findings, once a day; [`quiet`]: when only danger is told.
//! - [`send`]: the task that asks every few seconds and tells by every way; [`message`]: the shapes that go out; [`ways`]: webhook
//!   and e-mail; [`heartbeat`]: the dead-man's sign.
//! - [`log`]: what was told, acknowledged and sent, on disk; [`board`]: what is open now, for the page.
//!
//! Danger is apart from findings: minutes, not weeks. It never replaces a thermostat with a cut-out.

mod board;
mod daily;
mod heartbeat;
mod log;
mod message;
mod open;
mod place;
mod quiet;
mod send;
#[cfg(test)]
mod table;
mod watch;
mod ways;
#[cfg(test)]
mod week;
mod words;

pub(crate) use board::{Board, Told, WayOut, acknowledge, trouble};
pub(crate) use heartbeat::{stopped, will};
pub(crate) use log::{Item, News, Past, Scribe, read};
pub(crate) use send::{Sentry, keep_watch};
#[cfg(test)]
pub(crate) use watch::Danger;
pub(crate) use ways::Way;
pub(crate) use words::over_when;

/// How an alert calls the whole site where an enclosure's id would stand.
const EVERYWHERE: &str = "all";
