//! What is open now and how the ways out stand, for whoever shows it; and where a danger is acknowledged.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::log::{self, Acknowledged, Line, Standing};
use super::watch::{Alert, Danger};

/// A danger that was told and is not over.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Told {
    /// The same from its beginning to its end: what [`acknowledge`] takes.
    pub(crate) id: String,
    /// `None` for the whole site.
    pub(crate) enclosure: Option<String>,
    pub(crate) danger: Danger,
    pub(crate) since_ms: i64,
    pub(crate) text: String,
    pub(crate) acknowledged: Option<Acknowledged>,
}

impl From<Alert> for Told {
    fn from(alert: Alert) -> Told {
        Told {
            id: alert.id,
            enclosure: alert.enclosure,
            danger: alert.danger,
            since_ms: alert.since_ms,
            text: alert.text,
            acknowledged: None,
        }
    }
}

/// A way out as it stands now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct WayOut {
    /// `webhook` or `email`.
    pub(crate) name: &'static str,
    /// Where it leads, without anything secret.
    pub(crate) to: String,
    pub(crate) standing: Standing,
}

/// What is open now.
#[derive(Debug, Default)]
pub(crate) struct Board {
    open: Mutex<Vec<Told>>,
    acknowledged: Mutex<BTreeMap<String, Acknowledged>>,
    ways: Mutex<Vec<WayOut>>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Board {
    /// Dangers that were told and are not over, those of the whole site first.
    pub(crate) fn open(&self) -> Vec<Told> {
        let acknowledged = locked(&self.acknowledged);
        let mut open = locked(&self.open).clone();
        for told in &mut open {
            if told.acknowledged.is_none() {
                told.acknowledged = acknowledged.get(&told.id).cloned();
            }
        }
        open
    }

    pub(crate) fn set(&self, told: Vec<Told>) {
        *locked(&self.open) = told;
    }

    /// The ways out that the site file names, beside the page, the log and MQTT.
    pub(crate) fn ways(&self) -> Vec<WayOut> {
        locked(&self.ways).clone()
    }

    /// One sentence for each way out that fails.
    pub(crate) fn ways_in_trouble(&self, say_moment: impl Fn(i64) -> String) -> Vec<String> {
        self.ways()
            .iter()
            .filter_map(|way| trouble(way, &say_moment))
            .collect()
    }

    /// The names of the ways out that fail.
    pub(crate) fn ways_failing(&self) -> Vec<&'static str> {
        self.ways()
            .iter()
            .filter(|way| way.standing.failing.is_some())
            .map(|way| way.name)
            .collect()
    }

    pub(super) fn set_ways(&self, ways: Vec<WayOut>) {
        *locked(&self.ways) = ways;
    }

    pub(super) fn set_standing(&self, name: &str, change: impl FnOnce(&mut Standing)) {
        let mut ways = locked(&self.ways);
        if let Some(way) = ways.iter_mut().find(|way| way.name == name) {
            change(&mut way.standing);
        }
    }

    pub(super) fn set_acknowledged(&self, acknowledged: BTreeMap<String, Acknowledged>) {
        *locked(&self.acknowledged) = acknowledged;
    }

    pub(super) fn acknowledged_ids(&self) -> BTreeSet<String> {
        locked(&self.acknowledged).keys().cloned().collect()
    }
}

/// What is wrong with a way out, in one sentence.
pub(crate) fn trouble(way: &WayOut, say_moment: impl Fn(i64) -> String) -> Option<String> {
    let (since_ms, why) = way.standing.failing.as_ref()?;
    let waiting = match way.standing.waiting {
        0 => String::new(),
        1 => "; 1 message waits".to_owned(),
        count => format!("; {count} messages wait"),
    };
    Some(format!(
        "Alerts by {} to {} fail since {}: {why}{waiting}. It is tried again by itself",
        way.name,
        way.to,
        say_moment(*since_ms)
    ))
}

/// Notes that somebody knows of an open danger: it is told again only if it gets worse. Durable when it returns; may wait for the
/// disk. `false` where no such danger is open (any more); who said so first counts.
///
/// # Errors
/// When `alerts.jsonl` can't be written; nothing is acknowledged then.
pub(crate) fn acknowledge(
    board: &Board,
    data_dir: &Path,
    id: &str,
    by: &str,
    at_ms: i64,
) -> std::io::Result<bool> {
    let Some(told) = board.open().into_iter().find(|told| told.id == id) else {
        return Ok(false);
    };
    if told.acknowledged.is_some() {
        return Ok(true);
    }
    let line = Line::Acknowledged {
        at_ms,
        id: id.to_owned(),
        by: by.to_owned(),
    };
    log::append(data_dir, &line)?;
    let by = by.to_owned();
    locked(&board.acknowledged)
        .entry(id.to_owned())
        .or_insert(Acknowledged { at_ms, by });
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_open_danger_is_acknowledged_once_and_durably() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let board = Board::default();
        let id = "a.too-hot.1772352000";
        let acknowledge = |by, at_ms| acknowledge(&board, dir.path(), id, by, at_ms).expect("room");
        assert!(!acknowledge("Ana", 1), "nothing is open");
        board.set(vec![Told {
            id: id.to_owned(),
            enclosure: Some("a".to_owned()),
            danger: Danger::TooHot,
            since_ms: 1_772_352_000_000,
            text: "A: too hot.".to_owned(),
            acknowledged: None,
        }]);
        assert!(acknowledge("Ana", 2));
        assert!(acknowledge("Rui", 3), "known already");
        let by_ana = Acknowledged {
            at_ms: 2,
            by: "Ana".to_owned(),
        };
        assert_eq!(board.open()[0].acknowledged.as_ref(), Some(&by_ana));
        let past = log::read(dir.path()).expect("readable");
        assert_eq!(past.acknowledged.get(id), Some(&by_ana));
    }
}
