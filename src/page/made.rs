//! A report, an audit, a hand-over or a sheet for days away made at the press of a button: in the background, one at a time, never over another.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use mosswarden_config::site::Site;
use mosswarden_config::table::reports_dir;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::Page;
use super::layout::{clock, label, prose, said};
use super::reports::Sent;
use crate::cli;
use crate::commands::{audit, away, handover, report};
use crate::reporter::Failure;

/// More in 24 hours are left to the terminal: beside each audit lie its raw readings, and a memory card is small (our own choice).
const A_DAY_MAX: usize = 24;
/// How long is said how the last one ended.
const TOLD_MS: i64 = MS_PER_HOUR;

/// What is wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Wanted {
    /// The last seven days of the whole site.
    Week,
    /// What an enclosure's animals lived through.
    Audit(String),
    /// What its next keeper must know.
    Handover(String),
    /// What stands before days away: when the keeper leaves, the last day away, and what they expect of the room.
    Away {
        from: Option<String>,
        to: String,
        room: Option<String>,
    },
}

impl Wanted {
    /// As a form names it; `None` for what is none, or for no enclosure of the site file.
    pub(super) fn of(site: &Site, sent: &Sent) -> Option<Wanted> {
        let known = || site.enclosure(&sent.enclosure).map(|known| known.id.clone());
        let said = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
        let (low, high) = (said(&sent.low), said(&sent.high));
        match sent.what.as_str() {
            "week" => Some(Wanted::Week),
            "audit" => known().map(Wanted::Audit),
            "handover" => known().map(Wanted::Handover),
            "away" => Some(Wanted::Away {
                from: said(&sent.leave),
                to: said(&sent.back)?,
                room: (low.is_some() || high.is_some())
                    .then(|| format!("{}..{}", low.unwrap_or_default(), high.unwrap_or_default())),
            }),
            _ => None,
        }
    }

    fn words(&self, page: &Page) -> String {
        match self {
            Wanted::Week => "The report of the last seven days".to_owned(),
            Wanted::Audit(id) => format!("The audit of {}", label(page, id)),
            Wanted::Handover(id) => format!("The hand-over of {}", label(page, id)),
            Wanted::Away { to, .. } => format!("The sheet for days away until {to}"),
        }
    }

    /// As the terminal makes it, up to now.
    fn make(&self, site: &Site, now_ms: i64) -> Result<(), Failure> {
        let folder = reports_dir(&site.data_dir);
        match self {
            Wanted::Week => {
                let span = Span {
                    from_ms: now_ms - 7 * MS_PER_24_H,
                    until_ms: now_ms,
                };
                report::write(site, span, &folder, &report::span_name(site, span), false).map(drop)
            }
            Wanted::Audit(id) => {
                let asked = cli::Audit {
                    enclosure: id.clone(),
                    until: String::new(),
                    days: cli::AUDIT_DAYS,
                    paper: cli::Paper::default(),
                };
                audit::write(site, &asked, now_ms, &folder).map(drop)
            }
            Wanted::Handover(id) => {
                let asked = cli::Handover {
                    enclosure: id.clone(),
                    until: None,
                    days: cli::HANDOVER_DAYS,
                    paper: cli::Paper::default(),
                };
                handover::write(site, &asked, now_ms, &folder).map(drop)
            }
            Wanted::Away { from, to, room } => {
                let asked = cli::Away {
                    from: from.clone(),
                    to: to.clone(),
                    room: room.clone(),
                    enclosures: Vec::new(),
                    until: None,
                    paper: cli::Paper::default(),
                };
                away::write(site, &asked, now_ms, &folder).map(drop)
            }
        }
    }
}

#[derive(Debug, Default)]
struct State {
    /// When those of the last 24 hours were begun.
    begun_ms: Vec<i64>,
    /// What is being made, and since when.
    under_way: Option<(String, i64)>,
    /// What was made last and when, or why it could not be.
    last: Option<(String, i64, Result<(), String>)>,
}

/// What is being made, and how the last one ended.
#[derive(Debug, Default)]
pub(super) struct Making(Mutex<State>);

impl Making {
    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes the turn, where it is free.
    fn take(&self, words: &str, now_ms: i64) -> Result<(), &'static str> {
        let mut state = self.state();
        if state.under_way.is_some() {
            return Err("Not begun: another one is being made. Press again when it is done.");
        }
        state
            .begun_ms
            .retain(|begun_ms| (0..MS_PER_24_H).contains(&(now_ms - begun_ms)));
        if state.begun_ms.len() >= A_DAY_MAX {
            return Err("Not begun: many were made in the last 24 hours. The terminal makes more.");
        }
        state.begun_ms.push(now_ms);
        state.under_way = Some((words.to_owned(), now_ms));
        Ok(())
    }

    fn end(&self, words: String, now_ms: i64, how: Result<(), String>) {
        let mut state = self.state();
        state.under_way = None;
        state.last = Some((words, now_ms, how));
    }

    /// Changes when something is begun and when it ends.
    pub(super) fn sign(&self) -> (usize, bool) {
        let state = self.state();
        (state.begun_ms.len(), state.under_way.is_some())
    }

    /// How it stands, as HTML.
    pub(super) fn html(&self, page: &Page) -> String {
        let state = self.state();
        if let Some((words, since_ms)) = &state.under_way {
            let words = format!(
                "{words} is being made, since {}. It takes from some seconds to some minutes, and then stands in this list.",
                clock(page, *since_ms)
            );
            return format!(
                "<p role=\"status\"><strong>{}</strong> <a href=\"/reports\">Look again</a></p>\n",
                prose(&words)
            );
        }
        let last = state.last.as_ref();
        match last.filter(|(_, at_ms, _)| (page.now_ms)() - at_ms <= TOLD_MS) {
            None => String::new(),
            Some((words, _, Ok(()))) => said(&format!("{words} is made; it stands below.")),
            Some((words, _, Err(why))) => said(&format!("{words} was not made: {why}.")),
        }
    }
}

/// Begins to make it.
///
/// # Errors
/// Why it was not begun: another one is under way, or too many were made.
pub(super) fn begin(page: &Arc<Page>, wanted: Wanted) -> Result<(), &'static str> {
    let now_ms = (page.now_ms)();
    let words = wanted.words(page);
    page.making.take(&words, now_ms)?;
    let page = Arc::clone(page);
    tokio::spawn(async move {
        let of = Arc::clone(&page);
        let made = tokio::task::spawn_blocking(move || wanted.make(&of.site, now_ms)).await;
        let how = match made {
            Ok(made) => made.map_err(|failure| failure.words()),
            Err(_) => Err("it broke off".to_owned()),
        };
        if let Err(why) = &how {
            tracing::warn!(words, why, "what was asked for on the page was not made");
        }
        page.making.end(words, (page.now_ms)(), how);
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_at_a_time_and_not_without_end() {
        let making = Making::default();
        for turn in 0..A_DAY_MAX as i64 {
            assert_eq!(making.take("The audit", turn), Ok(()), "{turn}");
            assert!(making.take("The audit", turn).is_err(), "one is under way");
            making.end("The audit".to_owned(), turn, Ok(()));
        }
        assert!(making.take("The audit", MS_PER_24_H - 1).is_err());
        assert_eq!(making.take("The audit", MS_PER_24_H), Ok(()));
    }
}
