//! What was told, acknowledged and delivered: `data/alerts.jsonl`, append-only, one JSON object a line.
//!
//! It is what makes an alert be told once, also across a restart, and what lets a way out that failed go on where it stopped.
//! Lines are written by a thread of their own: a disk that hangs never holds an alert back.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::sync::{Mutex, PoisonError};
use std::thread::JoinHandle;

use mosswarden_collector::lines;
use mosswarden_config::table::alerts_file;
use serde::{Deserialize, Serialize};

use super::board::Told;
use super::daily::Findings;
use super::open::id;
use super::watch::{Alert, still_open};

/// Lines that may wait for the disk; a room says far less in a day.
const LINES_WAITING: usize = 1024;

/// Something to tell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum News {
    Alert(Alert),
    Findings(Findings),
    /// Asked for by the keeper, to see whether a way works.
    Test {
        at_ms: i64,
        text: String,
    },
}

impl News {
    pub(super) fn at_ms(&self) -> i64 {
        match self {
            News::Alert(alert) => alert.at_ms,
            News::Findings(findings) => findings.at_ms,
            News::Test { at_ms, .. } => *at_ms,
        }
    }

    pub(super) fn text(&self) -> &str {
        match self {
            News::Alert(alert) => &alert.text,
            News::Findings(findings) => &findings.text,
            News::Test { text, .. } => text,
        }
    }
}

/// Something to tell with its number, which is the same however often a way out tries.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Item {
    pub(crate) number: u64,
    pub(crate) news: News,
}

/// Who said that they know of a danger, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Acknowledged {
    pub(crate) at_ms: i64,
    pub(crate) by: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "line", rename_all = "kebab-case")]
pub(super) enum Line {
    Told { item: Item, ways: Vec<String> },
    Acknowledged { at_ms: i64, id: String, by: String },
    Sent { at_ms: i64, way: String, number: u64 },
    Failed { at_ms: i64, way: String, why: String },
}

/// How a way out stands.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Standing {
    pub(crate) last_sent_ms: Option<i64>,
    /// Since when it fails, and why; `None` while it works.
    pub(crate) failing: Option<(i64, String)>,
    /// What waits for it.
    pub(crate) waiting: usize,
}

/// What the file holds.
#[derive(Debug, Default)]
pub(crate) struct Past {
    /// Every alert that was told, in order.
    pub(crate) alerts: Vec<Alert>,
    pub(crate) findings: Vec<Findings>,
    pub(crate) acknowledged: BTreeMap<String, Acknowledged>,
    /// By way out: what it was given and has not sent, by number.
    pub(super) waiting: BTreeMap<String, Vec<Item>>,
    ways: BTreeMap<String, Standing>,
    pub(super) next_number: u64,
    /// Lines that can't be read: a write that a crash interrupted, or a later version's.
    pub(crate) unreadable: u64,
}

impl Past {
    pub(super) fn acknowledged_ids(&self) -> BTreeSet<String> {
        self.acknowledged.keys().cloned().collect()
    }

    /// What was told and is not over.
    pub(crate) fn open(&self) -> Vec<Told> {
        let ids: BTreeSet<String> = still_open(&self.alerts)
            .into_iter()
            .map(|((enclosure, danger), open)| id(enclosure.as_deref(), danger, open.since_ms))
            .collect();
        let last = |wanted: &String| self.alerts.iter().rev().find(|alert| alert.id == *wanted);
        let told = |alert: &Alert| Told {
            acknowledged: self.acknowledged.get(&alert.id).cloned(),
            ..Told::from(alert.clone())
        };
        ids.iter().filter_map(last).map(told).collect()
    }

    pub(crate) fn way(&self, name: &str) -> Standing {
        let mut standing = self.ways.get(name).cloned().unwrap_or_default();
        standing.waiting = self.waiting.get(name).map_or(0, Vec::len);
        standing
    }

    fn take(&mut self, line: Line) {
        match line {
            Line::Told { item, ways } => {
                self.next_number = self.next_number.max(item.number + 1);
                match &item.news {
                    News::Alert(alert) => self.alerts.push(alert.clone()),
                    News::Findings(findings) => self.findings.push(findings.clone()),
                    News::Test { .. } => {}
                }
                for way in ways {
                    super::ways::put(self.waiting.entry(way).or_default(), item.clone());
                }
            }
            Line::Acknowledged { at_ms, id, by } => {
                // The first who knew counts.
                self.acknowledged.entry(id).or_insert(Acknowledged { at_ms, by });
            }
            Line::Sent { at_ms, way, number } => {
                if let Some(waiting) = self.waiting.get_mut(&way) {
                    waiting.retain(|item| item.number != number);
                }
                let standing = self.ways.entry(way).or_default();
                standing.last_sent_ms = Some(at_ms);
                standing.failing = None;
            }
            Line::Failed { at_ms, way, why } => {
                self.ways.entry(way).or_default().failing = Some((at_ms, why));
            }
        }
    }
}

/// Reads the file; nothing where there is none.
pub(crate) fn read(data_dir: &Path) -> std::io::Result<Past> {
    let (lines, unreadable) = lines::list::<Line>(&alerts_file(data_dir))?;
    let mut past = Past {
        unreadable,
        ..Past::default()
    };
    for line in lines {
        past.take(line);
    }
    Ok(past)
}

/// Adds one line, durably.
pub(super) fn append(data_dir: &Path, line: &Line) -> std::io::Result<()> {
    lines::append(data_dir, &alerts_file(data_dir), std::slice::from_ref(line))
}

/// Writes lines in the order in which they are given, and makes nobody wait.
pub(crate) struct Scribe {
    lines: Mutex<Option<SyncSender<Line>>>,
    thread: Mutex<Option<JoinHandle<()>>>,
}

impl Scribe {
    /// # Errors
    /// When the system gives no thread.
    pub(crate) fn start(data_dir: PathBuf) -> std::io::Result<Scribe> {
        let (sender, lines) = sync_channel::<Line>(LINES_WAITING);
        let thread = std::thread::Builder::new()
            .name("alerts-log".to_owned())
            .spawn(move || {
                for line in lines {
                    if let Err(error) = append(&data_dir, &line) {
                        tracing::error!(
                            %error,
                            hint = "alerts are told all the same, and may be told again after a restart",
                            "what was told can't be noted in alerts.jsonl"
                        );
                    }
                }
            })?;
        Ok(Scribe {
            lines: Mutex::new(Some(sender)),
            thread: Mutex::new(Some(thread)),
        })
    }

    pub(super) fn write(&self, line: Line) {
        let lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(sender) = lines.as_ref() else { return };
        if let Err(TrySendError::Full(_)) = sender.try_send(line) {
            tracing::error!("what was told can't be noted in alerts.jsonl: the disk is too slow");
        }
    }

    /// Writes what is waiting and ends.
    pub(crate) fn close(&self) {
        drop(self.lines.lock().unwrap_or_else(PoisonError::into_inner).take());
        let thread = self.thread.lock().unwrap_or_else(PoisonError::into_inner).take();
        if thread.is_some_and(|thread| thread.join().is_err()) {
            tracing::error!("the alerts' log broke off");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::watch::{Danger, What};
    use super::*;

    fn told(number: u64, what: What) -> Line {
        let alert = Alert {
            id: "a.too-hot.1772352000".to_owned(),
            enclosure: Some("a".to_owned()),
            danger: Danger::TooHot,
            what,
            at_ms: 1_772_352_000_000 + number as i64,
            since_ms: 1_772_352_000_000,
            value_c: Some(30.5),
            text: "A: too hot.".to_owned(),
        };
        Line::Told {
            item: Item {
                number,
                news: News::Alert(alert),
            },
            ways: vec!["webhook".to_owned(), "email".to_owned()],
        }
    }

    #[test]
    fn what_was_not_sent_waits_by_way_and_half_a_line_costs_only_itself() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let data = dir.path().join("data");
        assert_eq!(read(&data).expect("none yet").alerts, []);
        let scribe = Scribe::start(data.clone()).expect("a thread");
        scribe.write(told(0, What::Begins));
        scribe.write(Line::Sent {
            at_ms: 5,
            way: "webhook".to_owned(),
            number: 0,
        });
        scribe.write(Line::Failed {
            at_ms: 6,
            way: "email".to_owned(),
            why: "no route".to_owned(),
        });
        scribe.close();
        let file = alerts_file(&data);
        let mut bytes = fs_err::read(&file).expect("it is there");
        bytes.extend_from_slice(b"{\"line\":\"told\",\"it");
        fs_err::write(&file, bytes).expect("room");
        append(
            &data,
            &Line::Acknowledged {
                at_ms: 7,
                id: "a.too-hot.1772352000".to_owned(),
                by: "Ana".to_owned(),
            },
        )
        .expect("room");
        let past = read(&data).expect("readable");
        assert_eq!((past.alerts.len(), past.next_number, past.unreadable), (1, 1, 1));
        assert_eq!(past.acknowledged["a.too-hot.1772352000"].by, "Ana");
        assert_eq!(
            past.way("webhook"),
            Standing {
                last_sent_ms: Some(5),
                failing: None,
                waiting: 0
            }
        );
        assert_eq!(
            past.way("email"),
            Standing {
                last_sent_ms: None,
                failing: Some((6, "no route".to_owned())),
                waiting: 1
            }
        );
    }

    #[test]
    fn only_the_last_word_about_a_danger_waits() {
        let mut past = Past::default();
        for (number, what) in [(0, What::Begins), (1, What::Worse), (2, What::AllClear)] {
            past.take(told(number, what));
        }
        let waiting: Vec<u64> = past.waiting["email"].iter().map(|item| item.number).collect();
        assert_eq!(waiting, [2]);
    }
}
