//! The ways out that can fail for long: webhook and e-mail. Each has its own task and its own queue and never waits for another.
//!
//! Of one danger only the last word waits, so a queue is as long as there are dangers, and after an outage nobody reads an hour
//! of old news. A try that fails is made again after growing pauses, and at once when something new is told. What was not sent is
//! taken up again after a restart ([`super::log`]); a crash between sending and noting it sends a message twice, with one number.

mod email;
mod webhook;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use mosswarden_collector::SecretError;
use mosswarden_config::site::{self, Site};
use tokio::sync::Notify;

use super::board::{Board, WayOut};
use super::log::{Item, Line, News, Past, Scribe, Standing};
use super::quiet;

/// A try that takes longer failed.
const TRY_WITHIN: Duration = Duration::from_secs(20);
const PAUSE_FIRST: Duration = Duration::from_secs(5);
const PAUSE_LAST: Duration = Duration::from_secs(300);
/// How often a held message is looked at: quiet hours end by the clock on the wall.
const LOOK_EVERY: Duration = Duration::from_secs(30);
/// A way that fails is logged again after this many tries: about once an hour.
const LOG_EVERY_TRIES: u32 = 12;
/// Days of findings that wait at most.
const FINDINGS_WAITING: usize = 7;

/// Why a message did not get out. None of these words holds a secret.
#[derive(Debug, thiserror::Error)]
pub(crate) enum WayError {
    #[error(transparent)]
    Secret(#[from] SecretError),
    #[error("`{0}` is no address to write to")]
    Address(String),
    #[error("the answer was {0}")]
    Answer(u16),
    #[error("{0}")]
    Failed(String),
}

/// One way out, as the site file names it.
#[derive(Debug, Clone)]
pub(crate) enum Way {
    Webhook(site::Webhook),
    Email(site::Email),
}

impl Way {
    pub(crate) fn all(site: &Site) -> Vec<Way> {
        let webhook = site.alerts.webhook.clone().map(Way::Webhook);
        let email = site.alerts.email.clone().map(Way::Email);
        webhook.into_iter().chain(email).collect()
    }

    pub(crate) const fn name(&self) -> &'static str {
        match self {
            Way::Webhook(_) => "webhook",
            Way::Email(_) => "email",
        }
    }

    /// Where it leads; a webhook's path is often as good as a password and stays out.
    pub(crate) fn to(&self) -> String {
        match self {
            Way::Webhook(webhook) => webhook::host(&webhook.url).to_owned(),
            Way::Email(email) => email.to.clone(),
        }
    }

    /// Sends one message; waits for the network.
    pub(crate) fn send(&self, site: &Site, item: &Item, now_ms: i64) -> Result<(), WayError> {
        match self {
            Way::Webhook(webhook) => webhook::send(webhook, site, item, now_ms),
            Way::Email(email) => email::send(email, site, item, now_ms),
        }
    }

    /// As it stood when the log was last written.
    pub(crate) fn as_noted(&self, past: &Past) -> WayOut {
        WayOut {
            name: self.name(),
            to: self.to(),
            standing: past.way(self.name()),
        }
    }
}

/// Puts a message into a queue; an older one about the same danger is not worth sending any more.
pub(super) fn put(waiting: &mut Vec<Item>, item: Item) {
    match &item.news {
        News::Alert(new) => waiting.retain(|old| match &old.news {
            News::Alert(old) => old.enclosure != new.enclosure || old.danger != new.danger,
            News::Findings(_) | News::Test { .. } => true,
        }),
        News::Findings(_) => {
            let is_findings = |item: &Item| matches!(item.news, News::Findings(_));
            if waiting.iter().filter(|item| is_findings(item)).count() >= FINDINGS_WAITING
                && let Some(oldest) = waiting.iter().position(is_findings)
            {
                waiting.remove(oldest);
            }
        }
        News::Test { .. } => {}
    }
    waiting.push(item);
}

/// A way out with what waits for it.
pub(super) struct Outlet {
    pub(super) way: Way,
    waiting: Mutex<Vec<Item>>,
    wake: Notify,
}

/// What an outlet's task needs.
#[derive(Clone)]
pub(super) struct Around {
    pub(super) site: Arc<Site>,
    pub(super) board: Arc<Board>,
    pub(super) scribe: Arc<Scribe>,
    pub(super) now_ms: fn() -> i64,
}

impl Outlet {
    pub(super) fn new(way: Way, past: &Past) -> Outlet {
        let waiting = past.waiting.get(way.name()).cloned().unwrap_or_default();
        Outlet {
            way,
            waiting: Mutex::new(waiting),
            wake: Notify::new(),
        }
    }

    fn waiting<T>(&self, work: impl FnOnce(&mut Vec<Item>) -> T) -> T {
        work(&mut self.waiting.lock().unwrap_or_else(PoisonError::into_inner))
    }

    pub(super) fn put(&self, board: &Board, item: Item) {
        let count = self.waiting(|waiting| {
            put(waiting, item);
            waiting.len()
        });
        board.set_standing(self.way.name(), |standing| standing.waiting = count);
        self.wake.notify_one();
    }

    /// What goes next: danger before all else, then what was refused least often, then by age: a message that a receiver refuses
    /// holds no other back.
    fn next(&self, around: &Around, refused: &BTreeMap<u64, u32>) -> Option<Item> {
        let now_ms = (around.now_ms)();
        let site = &around.site;
        self.waiting(|waiting| {
            waiting
                .iter()
                .filter(|item| !quiet::is_held(&site.alerts, site.zone, &item.news, now_ms))
                .min_by_key(|item| {
                    let times = refused.get(&item.number).copied().unwrap_or(0);
                    (!quiet::is_danger(&item.news), times, item.number)
                })
                .cloned()
        })
    }

    /// Sends what comes until dropped.
    pub(super) async fn serve(self: Arc<Outlet>, around: Around) {
        let mut tries = 0;
        let mut refused: BTreeMap<u64, u32> = BTreeMap::new();
        loop {
            let Some(item) = self.next(&around, &refused) else {
                refused.clear();
                let _looked = tokio::time::timeout(LOOK_EVERY, self.wake.notified()).await;
                continue;
            };
            let number = item.number;
            match self.try_once(&around, item).await {
                Ok(()) => {
                    tries = 0;
                    refused.remove(&number);
                    self.note_sent(&around, number);
                }
                Err(error) => {
                    tries += 1;
                    *refused.entry(number).or_default() += 1;
                    self.note_failed(&around, tries, &error.to_string());
                    let pause = (PAUSE_FIRST * 2_u32.saturating_pow(tries.min(16) - 1)).min(PAUSE_LAST);
                    let _woken = tokio::time::timeout(pause, self.wake.notified()).await;
                }
            }
        }
    }

    /// On a thread that may block: neither the collector nor another way waits for it.
    async fn try_once(self: &Arc<Outlet>, around: &Around, item: Item) -> Result<(), WayError> {
        let (outlet, site, now_ms) = (Arc::clone(self), Arc::clone(&around.site), (around.now_ms)());
        tokio::task::spawn_blocking(move || outlet.way.send(&site, &item, now_ms))
            .await
            .unwrap_or_else(|error| Err(WayError::Failed(error.to_string())))
    }

    fn note_sent(&self, around: &Around, number: u64) {
        let at_ms = (around.now_ms)();
        let name = self.way.name();
        let count = self.waiting(|waiting| {
            waiting.retain(|item| item.number != number);
            waiting.len()
        });
        around.board.set_standing(name, |standing| {
            *standing = Standing {
                last_sent_ms: Some(at_ms),
                failing: None,
                waiting: count,
            };
        });
        around.scribe.write(Line::Sent {
            at_ms,
            way: name.to_owned(),
            number,
        });
        tracing::info!(way = name, number, "an alert was sent");
    }

    fn note_failed(&self, around: &Around, tries: u32, why: &str) {
        let at_ms = (around.now_ms)();
        let name = self.way.name();
        let mut is_new = false;
        around.board.set_standing(name, |standing| {
            is_new = standing.failing.is_none();
            let since_ms = standing.failing.as_ref().map_or(at_ms, |(since_ms, _)| *since_ms);
            standing.failing = Some((since_ms, why.to_owned()));
        });
        if is_new {
            around.scribe.write(Line::Failed {
                at_ms,
                way: name.to_owned(),
                why: why.to_owned(),
            });
        }
        if is_new || tries.is_multiple_of(LOG_EVERY_TRIES) {
            tracing::error!(
                way = name,
                why,
                tries,
                hint = "correct it in [alerts]; it is tried again by itself",
                "an alert could not be sent"
            );
        }
    }
}
