//! What the analysis says, worked out in the background and kept for the views.
//!
//! At most once a minute, and only that often while somebody looks: twelve weeks of readings are read for it, and a small
//! machine has other things to do. Between looks it is renewed every quarter of an hour.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use mosswarden_analysis::assess::Assessment;
use mosswarden_analysis::by_part::{Kept, Pace};
use mosswarden_analysis::changes::{self, Changes};
use mosswarden_analysis::findings::Verdicts;
use mosswarden_analysis::load::Record;
use mosswarden_analysis::plot::{Display, Picture};
use mosswarden_analysis::report::{self, WeeklyReport};
use mosswarden_analysis::trust::Standing;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::commands::Readable;

/// Not judged anew before this, however often somebody looks.
const FRESH_MS: i64 = 60_000;
/// Judged anew after this even if nobody looks.
const STALE_MS: i64 = 15 * 60_000;
/// How often the keeper of freshness looks at the clock.
const TICK: Duration = Duration::from_secs(2);

/// One judgement.
pub(super) struct Judged {
    pub(super) at_ms: i64,
    pub(super) week_span: Span,
    /// The last seven days, worded as in the weekly report.
    pub(super) week: WeeklyReport,
    /// The last 24 hours of each enclosure.
    pub(super) day: BTreeMap<String, Picture>,
    /// The last 30 days of each enclosure, as bands by day.
    pub(super) month: BTreeMap<String, Picture>,
    /// What is unlike yesterday.
    pub(super) changes: Changes,
    pub(super) verdicts: Verdicts,
    pub(super) standing: BTreeMap<(String, Quantity), Standing>,
    /// The newest reading in the archive, by sensor: when and what.
    pub(super) latest: BTreeMap<(String, Quantity), (i64, f64)>,
}

/// The newest judgement, or why there is none.
#[derive(Clone, Default)]
pub(super) struct State {
    pub(super) judged: Option<Arc<Judged>>,
    /// Why the last try failed.
    pub(super) trouble: Option<String>,
}

impl State {
    /// Why nothing of the archive is known yet; `None` once it was read.
    pub(super) fn unread(&self) -> Option<&'static str> {
        match (&self.judged, &self.trouble) {
            (Some(_), _) => None,
            (None, None) => Some("The archive is being read; look again in a moment."),
            (None, Some(_)) => Some("The archive could not be read."),
        }
    }
}

pub(super) struct Judging {
    site: Site,
    now_ms: fn() -> i64,
    state: Mutex<State>,
    tried_ms: AtomicI64,
    is_asked: AtomicBool,
}

impl Judging {
    pub(super) fn new(site: Site, now_ms: fn() -> i64) -> Judging {
        Judging {
            site,
            now_ms,
            state: Mutex::default(),
            tried_ms: AtomicI64::new(i64::MIN / 2),
            is_asked: AtomicBool::new(true),
        }
    }

    /// What is known, at once; asks for a newer judgement where this one is older than a minute.
    pub(super) fn look(&self) -> State {
        self.is_asked.store(true, Ordering::Relaxed);
        self.known()
    }

    /// What is known, for who does not look at the judgement itself.
    pub(super) fn known(&self) -> State {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn is_due(&self) -> bool {
        let age_ms = (self.now_ms)() - self.tried_ms.load(Ordering::Relaxed);
        // A judgement from later than now is of before the machine's clock was set back.
        !(0..=STALE_MS).contains(&age_ms) || (age_ms > FRESH_MS && self.is_asked.load(Ordering::Relaxed))
    }

    /// Judges the last seven days; for a thread that may block.
    pub(super) fn judge_now(&self) {
        let now_ms = (self.now_ms)();
        self.tried_ms.store(now_ms, Ordering::Relaxed);
        self.is_asked.store(false, Ordering::Relaxed);
        let started = Instant::now();
        let found = judged(&self.site, now_ms);
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        match found {
            Ok(found) => {
                tracing::debug!(
                    took_ms = started.elapsed().as_millis() as u64,
                    "judged the last seven days"
                );
                *state = State {
                    judged: Some(Arc::new(found)),
                    trouble: None,
                };
            }
            Err(text) => {
                tracing::warn!(
                    text,
                    "the last seven days could not be judged; the page shows the judgement before"
                );
                state.trouble = Some(text);
            }
        }
    }
}

/// Starts the task that keeps the judgement fresh. One judgement at a time.
pub(super) fn keep_fresh(judging: Arc<Judging>) {
    tokio::spawn(async move {
        loop {
            if judging.is_due() {
                let worker = Arc::clone(&judging);
                if let Err(error) = tokio::task::spawn_blocking(move || worker.judge_now()).await {
                    tracing::error!(%error, "judging broke off");
                }
            }
            tokio::time::sleep(TICK).await;
            // Nobody else holds it: the page is gone.
            if Arc::strong_count(&judging) == 1 {
                return;
            }
        }
    });
}

fn judged(site: &Site, now_ms: i64) -> Result<Judged, String> {
    let week = Span {
        from_ms: now_ms - 7 * MS_PER_24_H,
        until_ms: now_ms,
    };
    let day = Span {
        from_ms: now_ms - MS_PER_24_H,
        until_ms: now_ms,
    };
    let month = Span {
        from_ms: now_ms - 30 * MS_PER_24_H,
        until_ms: now_ms,
    };
    let report = |site: &Site, record: &Record, found: &Assessment, span| {
        report::weekly(
            site,
            record,
            &found.trust,
            &found.conditions,
            &found.verdicts,
            span,
            None,
            false,
        )
    };
    // A month of readings is held for a part only, and for as long as its strips are drawn.
    let draw = |site: &Site, record: &Record, found: &Assessment| {
        [day, month].map(|span| strips(report(site, record, found, span)))
    };
    let judged = Readable::open(site)
        .and_then(|readable| readable.judge_showing(site, week, (Pace::Quiet, Kept::for_report(week)), draw))
        .map_err(|failure| failure.words())?;
    let (record, assessment) = (judged.record, judged.assessment);
    let (mut day, mut month) = (BTreeMap::new(), BTreeMap::new());
    for [of_day, of_month] in judged.shown {
        day.extend(of_day);
        month.extend(of_month);
    }
    let latest = record
        .iter()
        .filter_map(|(sensor, quantity, samples)| {
            let last = samples.at_ms.last().zip(samples.value.last())?;
            Some(((sensor.to_owned(), quantity), (*last.0, *last.1)))
        })
        .collect();
    Ok(Judged {
        at_ms: now_ms,
        week_span: week,
        week: report(site, &record, &assessment, week),
        day,
        month,
        changes: changes::since_yesterday(site, &assessment.trust.trusted, Display::new(site.units), now_ms),
        standing: assessment
            .trust
            .sensors
            .iter()
            .map(|trust| ((trust.sensor.clone(), trust.quantity), trust.standing))
            .collect(),
        latest,
        verdicts: assessment.verdicts,
    })
}

/// Each enclosure's strip.
fn strips(report: WeeklyReport) -> BTreeMap<String, Picture> {
    report
        .enclosures
        .into_iter()
        .filter_map(|section| Some((section.id, section.strip?)))
        .collect()
}
