//! Who is in danger now: a state machine fed with the newest readings and with how the collector is.
//!
//! In: the newest reading of each sensor, whether the way in and the disk work, and the time. Out: alerts, each once; again if it
//! worsens or stays; an all-clear. Silence is never an all-clear. What holds for the whole site stands here, one enclosure's heat
//! and cold in [`super::place`]. Every number here is our own choice.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use mosswarden_config::site::Site;
use mosswarden_config::table::Reading;
use mosswarden_config::zone::Zone;
use serde::{Deserialize, Serialize};

use super::open::{Open, id};
use super::place::Watched;
use super::words;

pub(super) const MS_PER_MIN: i64 = 60_000;
/// An enclosure from which nothing came for this long is silent; an older reading says nothing of now.
pub(crate) const SILENT_MS: i64 = 30 * MS_PER_MIN;
/// When all enclosures are at least this silent, one is not told alone: power or network is likelier than many sensors.
const TOGETHER_MS: i64 = 20 * MS_PER_MIN;
/// After everything was silent, each enclosure has this long to be heard again before it counts alone.
const RETURN_MS: i64 = 15 * MS_PER_MIN;
/// The broker may be gone this long before it is told: a restart of it or of a router takes less.
const CUT_OFF_MS: i64 = 5 * MS_PER_MIN;
/// Readings may be held up this long by the disk: a tidying one takes less.
const NOT_STORING_MS: i64 = MS_PER_MIN;

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Danger {
    TooHot,
    TooCold,
    HeaterRunaway,
    Silent,
    /// The collector has no connection to its broker.
    CutOff,
    /// The collector can't write what comes in.
    NotStoring,
}

impl Danger {
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Danger::TooHot => "too-hot",
            Danger::TooCold => "too-cold",
            Danger::HeaterRunaway => "heater-runaway",
            Danger::Silent => "silent",
            Danger::CutOff => "cut-off",
            Danger::NotStoring => "not-storing",
        }
    }

    /// Whether it is that nothing is known, rather than that something is wrong with the animals' air.
    pub(crate) const fn is_ignorance(self) -> bool {
        matches!(self, Danger::Silent | Danger::CutOff | Danger::NotStoring)
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum What {
    Begins,
    Worse,
    Stays,
    AllClear,
}

impl What {
    pub(crate) const fn name(self) -> &'static str {
        match self {
            What::Begins => "begins",
            What::Worse => "worse",
            What::Stays => "stays",
            What::AllClear => "all-clear",
        }
    }
}

/// One word to the keeper about one danger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Alert {
    /// The same from a danger's beginning to its end.
    pub(crate) id: String,
    /// `None` for the whole site.
    pub(crate) enclosure: Option<String>,
    pub(crate) danger: Danger,
    pub(crate) what: What,
    pub(crate) at_ms: i64,
    pub(crate) since_ms: i64,
    /// What was read, °C, for dangers that are measured in degrees.
    pub(crate) value_c: Option<f64>,
    pub(crate) text: String,
}

/// What the watch looks at.
pub(crate) struct Seen<'r> {
    pub(crate) readings: &'r [Reading],
    pub(crate) is_connected: bool,
    pub(crate) can_store: bool,
}

/// The watch over a site.
pub(crate) struct Watch {
    zone: Zone,
    /// The local date whose limits hold.
    local_date: Option<NaiveDate>,
    say: words::Say,
    watched: Vec<Watched>,
    /// Dangers of the whole site that were told.
    open: BTreeMap<Danger, Open>,
    /// Since when the broker is gone, and since when the disk takes nothing.
    gone_ms: BTreeMap<Danger, i64>,
    /// No single enclosure counts as silent before this.
    return_until_ms: i64,
}

impl Watch {
    /// Silence is counted from `started_ms` where nothing came before. `told` is what earlier runs told, in order: what is open in it
    /// goes on and is not told anew.
    pub(crate) fn new(
        site: &Site,
        started_ms: i64,
        told: &[Alert],
        acknowledged: &BTreeSet<String>,
    ) -> Watch {
        let mut watch = Watch {
            zone: site.zone,
            local_date: None,
            say: words::Say::new(site),
            watched: site
                .enclosures
                .iter()
                .map(|enclosure| Watched::new(enclosure, started_ms))
                .collect(),
            open: BTreeMap::new(),
            gone_ms: BTreeMap::new(),
            return_until_ms: i64::MIN,
        };
        for ((enclosure, danger), open) in still_open(told) {
            watch.resume(enclosure.as_deref(), danger, open);
        }
        watch.acknowledge(acknowledged);
        watch
    }

    fn resume(&mut self, enclosure: Option<&str>, danger: Danger, open: Open) {
        match enclosure {
            // An enclosure that was taken out of the site file is watched no more.
            Some(id) => {
                if let Some(watched) = self.watched.iter_mut().find(|watched| watched.place.id == id) {
                    watched.resume(danger, open);
                }
            }
            None if danger == Danger::Silent => {
                for watched in &mut self.watched {
                    watched.silent_since(open.since_ms);
                }
                self.open.insert(danger, open);
            }
            None => {
                self.gone_ms.insert(danger, open.since_ms);
                self.open.insert(danger, open);
            }
        }
    }

    /// These were acknowledged: they are told again only if they get worse.
    pub(crate) fn acknowledge(&mut self, ids: &BTreeSet<String>) {
        for (danger, open) in &mut self.open {
            open.is_acknowledged = ids.contains(&id(None, *danger, open.since_ms));
        }
        for watched in &mut self.watched {
            for (danger, open) in &mut watched.open {
                open.is_acknowledged = ids.contains(&id(Some(&watched.place.id), *danger, open.since_ms));
            }
        }
    }

    /// The machine's clock was set by so much: what was noted by the old time is counted by the new one.
    pub(crate) fn clock_was_set(&mut self, by_ms: i64) {
        let own = self.open.values_mut().map(|open| &mut open.told_ms);
        for at_ms in own
            .chain(self.gone_ms.values_mut())
            .chain([&mut self.return_until_ms])
        {
            *at_ms = at_ms.saturating_add(by_ms);
        }
        for watched in &mut self.watched {
            watched.clock_was_set(by_ms);
        }
    }

    /// Takes in the newest readings and says what must be told now.
    pub(crate) fn look(&mut self, now_ms: i64, seen: &Seen<'_>) -> Vec<Alert> {
        let mut alerts = Vec::new();
        let local_date = self.zone.date(now_ms);
        if self.local_date.replace(local_date) != Some(local_date) {
            for watched in &mut self.watched {
                watched.enter(local_date);
            }
        }
        for watched in &mut self.watched {
            watched.take_in(now_ms, seen.readings);
        }
        self.collector(
            Danger::NotStoring,
            seen.can_store,
            NOT_STORING_MS,
            now_ms,
            &mut alerts,
        );
        self.collector(Danger::CutOff, seen.is_connected, CUT_OFF_MS, now_ms, &mut alerts);
        // While nothing can come in, that nothing comes is no news.
        if self.open.keys().all(|danger| *danger == Danger::Silent) {
            self.silence(now_ms, &mut alerts);
        }
        for watched in &mut self.watched {
            watched.heat(now_ms, &self.say, &mut alerts);
            watched.cold(now_ms, &self.say, &mut alerts);
            watched.runaway(now_ms, &self.say, seen.readings, &mut alerts);
        }
        alerts
    }

    /// What was told and is not over, as alerts of what was said last; those of the whole site first.
    pub(crate) fn open(&self) -> Vec<Alert> {
        let site = self
            .open
            .iter()
            .map(|(danger, open)| alert(None, *danger, What::Stays, open.since_ms, open));
        let single = self.watched.iter().flat_map(|watched| {
            watched.open.iter().map(|(danger, open)| {
                alert(Some(&watched.place.id), *danger, What::Stays, open.since_ms, open)
            })
        });
        site.chain(single).collect()
    }

    /// A part of the collector that may be out of order for a while before it is told.
    fn collector(
        &mut self,
        danger: Danger,
        is_well: bool,
        may_last_ms: i64,
        now_ms: i64,
        alerts: &mut Vec<Alert>,
    ) {
        if is_well {
            self.gone_ms.remove(&danger);
            if let Some(mut open) = self.open.remove(&danger) {
                open.text = self.say.collector_back(danger, open.since_ms, now_ms);
                alerts.push(alert(None, danger, What::AllClear, now_ms, &open));
                self.return_until_ms = now_ms + RETURN_MS;
            }
            return;
        }
        let since_ms = *self.gone_ms.entry(danger).or_insert(now_ms);
        let text = || self.say.collector_gone(danger, since_ms, now_ms);
        match self.open.get_mut(&danger) {
            Some(open) if open.is_due(now_ms) => {
                open.told(What::Stays, now_ms, text());
                alerts.push(alert(None, danger, What::Stays, now_ms, open));
            }
            Some(_) => {}
            None if now_ms - since_ms >= may_last_ms => {
                let open = Open::new(since_ms, now_ms, 0.0, text());
                alerts.push(alert(None, danger, What::Begins, now_ms, &open));
                self.open.insert(danger, open);
            }
            None => {}
        }
    }

    fn silence(&mut self, now_ms: i64, alerts: &mut Vec<Alert>) {
        let silent_ms = |watched: &Watched| now_ms - watched.heard_ms;
        let is_shared = self.watched.len() > 1;
        if let Some(mut open) = self.open.remove(&Danger::Silent) {
            let back: Vec<&str> = self
                .watched
                .iter()
                .filter(|watched| silent_ms(watched) < TOGETHER_MS)
                .map(|watched| watched.place.label.as_str())
                .collect();
            if back.is_empty() {
                if open.is_due(now_ms) {
                    open.told(What::Stays, now_ms, self.say.all_silent(open.since_ms, now_ms));
                    alerts.push(alert(None, Danger::Silent, What::Stays, now_ms, &open));
                }
                self.open.insert(Danger::Silent, open);
                return;
            }
            open.text = self.say.all_heard(&back, open.since_ms, now_ms);
            alerts.push(alert(None, Danger::Silent, What::AllClear, now_ms, &open));
            self.return_until_ms = now_ms + RETURN_MS;
        }
        let is_together = is_shared && self.watched.iter().all(|w| silent_ms(w) > TOGETHER_MS);
        let none_told = self.watched.iter().all(|w| !w.open.contains_key(&Danger::Silent));
        if is_together && none_told {
            let all_silent = self.watched.iter().all(|w| silent_ms(w) > SILENT_MS);
            if all_silent && now_ms >= self.return_until_ms {
                let since_ms = self.watched.iter().map(|w| w.heard_ms).max().unwrap_or(now_ms);
                let text = self.say.all_silent(since_ms, now_ms);
                let open = Open::new(since_ms, now_ms, 0.0, text);
                alerts.push(alert(None, Danger::Silent, What::Begins, now_ms, &open));
                self.open.insert(Danger::Silent, open);
            }
            return;
        }
        for watched in &mut self.watched {
            let may_begin = now_ms >= self.return_until_ms;
            watched.silence(now_ms, may_begin, &self.say, alerts);
        }
    }
}

pub(super) fn alert(enclosure: Option<&str>, danger: Danger, what: What, at_ms: i64, open: &Open) -> Alert {
    Alert {
        id: id(enclosure, danger, open.since_ms),
        enclosure: enclosure.map(str::to_owned),
        danger,
        what,
        at_ms,
        since_ms: open.since_ms,
        value_c: matches!(danger, Danger::TooHot | Danger::TooCold | Danger::HeaterRunaway)
            .then_some(open.told_c),
        text: open.text.clone(),
    }
}

/// What alerts, in order, left open.
pub(super) fn still_open(told: &[Alert]) -> BTreeMap<(Option<String>, Danger), Open> {
    let mut open = BTreeMap::new();
    for alert in told {
        let key = (alert.enclosure.clone(), alert.danger);
        match alert.what {
            What::AllClear => {
                open.remove(&key);
            }
            What::Begins | What::Worse | What::Stays => {
                if alert.what == What::Begins && alert.danger == Danger::TooHot {
                    // The rise was the same danger's beginning (`Watched::beyond`).
                    open.remove(&(alert.enclosure.clone(), Danger::HeaterRunaway));
                }
                let before = open.remove(&key).filter(|_| alert.what != What::Begins);
                open.insert(key, Open::from_alert(alert, before));
            }
        }
    }
    open
}
