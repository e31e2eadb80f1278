//! The task that keeps watch: asks every few seconds, tells by every way, and shows what is open to the page.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant};

use mosswarden_analysis::by_part::{Kept, Pace};
use mosswarden_analysis::findings::Finding;
use mosswarden_collector::{Counts, Newest, OwnMessage, Part, Snapshot};
use mosswarden_config::site::{self, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span};
use tokio::sync::mpsc;
use tokio::task::{JoinHandle, JoinSet};

use super::board::{Board, Told};
use super::daily::{Daily, Findings};
use super::log::{self, Item, Line, News, Past, Scribe};
use super::watch::{Alert, Seen, Watch, What};
use super::ways::{Around, Outlet, Way};
use super::{heartbeat, message};
use crate::commands::Readable;
use crate::service;

/// Well within the minute in which danger must be told.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// The machine's clock was set, or the machine slept, where its time and the time that passed differ by more.
const CLOCK_SET_MS: i64 = 60_000;

/// A watch that broke off is started again this much later.
const AGAIN_AFTER: Duration = Duration::from_secs(5);

/// What the watch is given.
#[derive(Clone)]
pub(crate) struct Sentry {
    pub(crate) site: Site,
    pub(crate) newest: Arc<Newest>,
    pub(crate) counts: Arc<Counts>,
    pub(crate) board: Arc<Board>,
    pub(crate) scribe: Arc<Scribe>,
    /// Messages to publish by MQTT.
    pub(crate) out: mpsc::Sender<OwnMessage>,
    pub(crate) now_ms: fn() -> i64,
}

/// Watches until dropped. A watch that breaks off (a mistake in the program) is said and begins again by what it had noted, as after a restart.
pub(crate) async fn keep_watch(sentry: Sentry) {
    loop {
        // In a set, so that who drops this one ends that one too.
        let mut watching = JoinSet::new();
        watching.spawn(watch(sentry.clone()));
        let ended = watching.join_next().await;
        tracing::error!(?ended, "the watch over dangers broke off; it begins again");
        let text = "the watch over dangers broke off and began again, because of a mistake in the program; look at the animals yourself, and report what the log says";
        sentry.counts.trouble(Part::Watch, Some(text.to_owned()));
        tokio::time::sleep(AGAIN_AFTER).await;
    }
}

/// A way out that is full or gone is logged and never waited for.
async fn watch(sentry: Sentry) {
    let past = past(&sentry.site);
    let mut watch = Watch::new(
        &sentry.site,
        (sentry.now_ms)(),
        &past.alerts,
        &past.acknowledged_ids(),
    );
    let mut daily = DailyRound::new(&sentry.site, &past.findings);
    let (mut teller, _outlets) = Teller::start(sentry, past);
    teller.show(&watch);
    let mut tick = tokio::time::interval(LOOK_EVERY);
    tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let (mut looked, mut looked_ms) = (Instant::now(), teller.now_ms());
    loop {
        tick.tick().await;
        let now_ms = teller.now_ms();
        let set_by_ms = now_ms - looked_ms - i64::try_from(looked.elapsed().as_millis()).unwrap_or(i64::MAX);
        (looked, looked_ms) = (Instant::now(), now_ms);
        if set_by_ms.abs() > CLOCK_SET_MS {
            tracing::warn!(
                seconds = set_by_ms / 1000,
                "the machine's clock was set, or it slept"
            );
            watch.clock_was_set(set_by_ms);
        }
        let acknowledged = teller.around.board.acknowledged_ids();
        watch.acknowledge(&acknowledged);
        let counts = teller.counts.snapshot();
        let seen = Seen {
            readings: &teller.newest.all(),
            is_connected: counts.is_connected,
            can_store: !counts.trouble.iter().any(|(part, _)| *part == Part::Spool),
        };
        let alerts = watch.look(now_ms, &seen);
        if !alerts.is_empty() {
            teller.show(&watch);
        }
        for alert in alerts {
            teller.alert(alert);
        }
        teller.keep_state_known(&counts, acknowledged, now_ms);
        if let Some(findings) = daily.look(&teller.around.site, now_ms).await {
            teller.tell(News::Findings(findings));
        }
        service::alive(&counts, teller.around.board.open().len(), now_ms);
    }
}

fn past(site: &Site) -> Past {
    let past = log::read(&site.data_dir).unwrap_or_else(|error| {
        tracing::error!(%error, "what was told before can't be read; what is open is told anew");
        Past::default()
    });
    if past.unreadable > 0 {
        tracing::warn!(lines = past.unreadable, "lines of alerts.jsonl can't be read");
    }
    past
}

/// Tells by every way.
struct Teller {
    around: Around,
    newest: Arc<Newest>,
    counts: Arc<Counts>,
    out: mpsc::Sender<OwnMessage>,
    outlets: Vec<Arc<Outlet>>,
    next_number: u64,
    /// What the retained messages were last published for.
    said: Option<(u64, BTreeSet<String>)>,
    next_heartbeat_ms: i64,
}

impl Teller {
    /// The tasks of the ways out end with the set that holds them.
    fn start(sentry: Sentry, past: Past) -> (Teller, JoinSet<()>) {
        let around = Around {
            site: Arc::new(sentry.site),
            board: sentry.board,
            scribe: sentry.scribe,
            now_ms: sentry.now_ms,
        };
        let ways = Way::all(&around.site);
        around
            .board
            .set_ways(ways.iter().map(|way| way.as_noted(&past)).collect());
        let outlets: Vec<Arc<Outlet>> = ways
            .into_iter()
            .map(|way| Arc::new(Outlet::new(way, &past)))
            .collect();
        let mut tasks = JoinSet::new();
        for outlet in &outlets {
            tasks.spawn(Arc::clone(outlet).serve(around.clone()));
        }
        around.board.set_acknowledged(past.acknowledged);
        let teller = Teller {
            around,
            newest: sentry.newest,
            counts: sentry.counts,
            out: sentry.out,
            outlets,
            next_number: past.next_number,
            said: None,
            next_heartbeat_ms: i64::MIN,
        };
        (teller, tasks)
    }

    fn now_ms(&self) -> i64 {
        (self.around.now_ms)()
    }

    fn show(&self, watch: &Watch) {
        self.around
            .board
            .set(watch.open().into_iter().map(Told::from).collect());
    }

    fn alert(&mut self, alert: Alert) {
        let enclosure = alert.enclosure.as_deref().unwrap_or(super::EVERYWHERE);
        let (danger, what, text) = (alert.danger.name(), alert.what.name(), &alert.text);
        if alert.what == What::AllClear {
            tracing::info!(enclosure, danger, text, "all-clear");
        } else {
            tracing::warn!(enclosure, danger, what, text, "alert");
        }
        self.publish_state(Some(&alert), alert.at_ms);
        self.tell(News::Alert(alert));
    }

    fn tell(&mut self, news: News) {
        let item = Item {
            number: self.next_number,
            news,
        };
        self.next_number += 1;
        self.around.scribe.write(Line::Told {
            item: item.clone(),
            ways: self
                .outlets
                .iter()
                .map(|outlet| outlet.way.name().to_owned())
                .collect(),
        });
        for outlet in &self.outlets {
            outlet.put(&self.around.board, item.clone());
        }
    }

    /// Retained messages are said again after each connection (what was said while the broker was gone was lost, and what an
    /// earlier run left may be long over) and when something was acknowledged; the heartbeat each minute.
    fn keep_state_known(&mut self, counts: &Snapshot, acknowledged: BTreeSet<String>, now_ms: i64) {
        if !counts.is_connected {
            return;
        }
        // Built in, each device's connection counts, and the listener keeps what is retained.
        let connection = match self.around.site.broker.way {
            site::Way::Builtin { .. } => 0,
            site::Way::Client { .. } => counts.connections,
        };
        let known = Some((connection, acknowledged));
        if self.said != known {
            self.publish_state(None, now_ms);
            self.next_heartbeat_ms = now_ms;
            self.said = known;
        }
        if now_ms >= self.next_heartbeat_ms || self.next_heartbeat_ms - now_ms > heartbeat::EVERY_MS {
            self.next_heartbeat_ms = now_ms + heartbeat::EVERY_MS;
            if let Some(own) = heartbeat::alive(&self.around.site, counts, &self.around.board, now_ms) {
                self.publish(own);
            }
        }
    }

    fn publish_state(&self, alert: Option<&Alert>, at_ms: i64) {
        let site = &self.around.site;
        let Some(topic) = &site.alerts.mqtt_topic else {
            return;
        };
        let message = message::state(site, alert, at_ms, &self.around.board.open());
        self.publish(OwnMessage {
            topic: topic.clone(),
            payload: message.to_string().into(),
            retain: true,
        });
    }

    fn publish(&self, own: OwnMessage) {
        if let Err(error) = self.out.try_send(own) {
            tracing::error!(%error, "an own message could not be published");
        }
    }
}

/// The daily judgement, in the background: the watch does not wait for it.
struct DailyRound {
    daily: Daily,
    judging: Option<JoinHandle<Option<Vec<Finding>>>>,
}

impl DailyRound {
    fn new(site: &Site, before: &[Findings]) -> DailyRound {
        DailyRound {
            daily: Daily::new(site, before),
            judging: None,
        }
    }

    async fn look(&mut self, site: &Arc<Site>, now_ms: i64) -> Option<Findings> {
        if self.judging.as_ref().is_some_and(JoinHandle::is_finished) {
            let Some(found) = self.judging.take()?.await.ok().flatten() else {
                self.daily.try_again(now_ms);
                return None;
            };
            return self.daily.news(site, &found, now_ms);
        }
        if self.judging.is_none() && self.daily.is_due(site, now_ms) {
            let site = Arc::clone(site);
            self.judging = Some(tokio::task::spawn_blocking(move || found(&site, now_ms)));
        }
        None
    }
}

fn found(site: &Site, now_ms: i64) -> Option<Vec<Finding>> {
    let week = Span {
        from_ms: now_ms - 7 * MS_PER_24_H,
        until_ms: now_ms,
    };
    let judged = Readable::open(site)
        .and_then(|readable| readable.judge_showing(site, week, (Pace::Quiet, Kept::Nothing), |_, _, _| ()));
    match judged {
        Ok(judged) => Some(judged.assessment.verdicts.findings),
        Err(failure) => {
            tracing::error!(?failure, "the findings of the day could not be worked out");
            None
        }
    }
}
