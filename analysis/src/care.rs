//! Care that comes back: when each task was last done, when it is due, what is overdue.
//!
//! In: the site's tasks, the journal, a moment. Out: one [`Due`] a task, and findings `care-overdue`. By the local calendar: a task
//! done on a Monday and due every seven days is due on the next Monday, whatever the hour, and overdue from Tuesday on.
//!
//! A finding is made only of tasks that the site file asks for or that were ticked off once: a usual task that nobody keeps
//! here is no neglect.

use chrono::{Days, NaiveDate};
use mosswarden_config::care::{self, Task};
use mosswarden_config::journal;
use mosswarden_config::journal::{CARE_DONE, Entry};
use mosswarden_config::site::{DeviceKind, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use crate::findings::{Finding, Kind, NotAssessed, Severity, Value, Verdicts};
use crate::load::Record;

/// How a task stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Due {
    /// An enclosure's id, or `room`.
    pub place: String,
    pub task: Task,
    pub last: Option<Done>,
    /// `None` where nobody knows when it was last done.
    pub local_due: Option<NaiveDate>,
    /// Whole local days past the due day; 0 up to and on it.
    pub overdue_days: i64,
}

/// When a task was last done, and by whom.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    pub local_date: NaiveDate,
    /// `None` where the site file says it.
    pub at_ms: Option<i64>,
    pub by: Option<String>,
}

impl Due {
    /// It counts: the site file asks for it, or it was ticked off once.
    pub fn is_kept(&self) -> bool {
        self.task.is_asked || self.last.is_some()
    }

    pub fn is_due(&self, local_today: NaiveDate) -> bool {
        self.local_due.is_some_and(|due| due <= local_today)
    }
}

/// How every task of every place stands at `now_ms`; entries after it are not looked at.
pub fn due(site: &Site, journal: &[Entry], now_ms: i64) -> Vec<Due> {
    site.places()
        .flat_map(|place| site.care(place).iter().map(move |task| (place, task)))
        .map(|(place, task)| one(site, journal, now_ms, place, task))
        .collect()
}

fn one(site: &Site, journal: &[Entry], now_ms: i64, place: &str, task: &Task) -> Due {
    let ticked = journal
        .iter()
        .filter(|entry| entry.at_ms <= now_ms && entry.enclosure == place && ticks_off(site, entry, task))
        .max_by_key(|entry| entry.at_ms)
        .map(|entry| Done {
            local_date: site.zone.date(entry.at_ms),
            at_ms: Some(entry.at_ms),
            by: entry.by.clone(),
        });
    let said = task.since.map(|local_date| Done {
        local_date,
        at_ms: None,
        by: None,
    });
    let last = match (ticked, said) {
        (Some(ticked), Some(said)) if ticked.local_date < said.local_date => Some(said),
        (ticked, said) => ticked.or(said),
    };
    let local_due = last.as_ref().and_then(|done| {
        done.local_date
            .checked_add_days(Days::new(u64::from(task.every_days)))
    });
    let local_today = site.zone.date(now_ms);
    Due {
        place: place.to_owned(),
        task: task.clone(),
        last,
        local_due,
        overdue_days: local_due.map_or(0, |due| (local_today - due).num_days().max(0)),
    }
}

/// `care-done` with the task as its subject, or an entry of a kind that says the same.
fn ticks_off(site: &Site, entry: &Entry, task: &Task) -> bool {
    if entry.kind == CARE_DONE {
        return entry.subject.as_deref() == Some(task.name.as_str());
    }
    if task.name == "uv-lamp-renewal" && entry.kind == journal::DEVICE_REPLACED {
        let is_uv_lamp = |id: &str| {
            site.enclosure(&entry.enclosure)
                .is_some_and(|enclosure| enclosure.devices_of(DeviceKind::UvLamp).any(|lamp| lamp.id == id))
        };
        return entry.subject.as_deref().is_some_and(is_uv_lamp);
    }
    care::find(&task.name).is_some_and(|known| known.also_by == Some(entry.kind.as_str()))
}

/// What is overdue at the end of the span.
pub fn assess(site: &Site, record: &Record, span: Span) -> Verdicts {
    // The span is half-open: its last instant lies just before its end.
    let now_ms = span.until_ms - 1;
    let mut verdicts = Verdicts::default();
    for due in due(site, &record.journal, now_ms) {
        if due.overdue_days > 0 && due.is_kept() {
            verdicts.findings.push(finding(site, &due, span.until_ms));
        } else if due.local_due.is_none() && due.task.is_asked {
            verdicts.not_assessed.push(NotAssessed {
                kind: Kind::CareOverdue,
                enclosure: due.place,
                subject: Some(due.task.name.clone()),
                span: Some(span),
                reason: format!(
                    "\"{}\" was never ticked off and the site file gives no `since`: nobody knows when it is due",
                    due.task.label
                ),
            });
        }
    }
    verdicts
}

fn finding(site: &Site, due: &Due, until_ms: i64) -> Finding {
    let local_due = due.local_due.unwrap_or_default();
    let start_ms = site.zone.day(local_due).until_ms;
    let days = due.overdue_days;
    let last = due.last.as_ref().map_or_else(String::new, |done| {
        format!(", last done on {}", words(done.local_date))
    });
    Finding {
        kind: Kind::CareOverdue,
        enclosure: due.place.clone(),
        subject: due.task.name.clone(),
        start_ms,
        end_ms: None,
        severity: severity(due),
        value: Value::new(
            "days overdue",
            (until_ms - start_ms) as f64 / MS_PER_24_H as f64,
            "d",
        ),
        cause: None,
        also: Vec::new(),
        message: format!(
            "\"{}\" was due on {}, {} ago{last}.",
            due.task.label,
            words(local_due),
            count_days(days)
        ),
        advice: advice(&due.task.name),
    }
}

fn advice(task: &str) -> String {
    let caution = match task {
        "residual-current-test" => {
            " If the device does not trip, unplug what hangs on it and call an electrician."
        }
        "uv-lamp-renewal" => " Let the lamp cool and unplug it first.",
        _ => "",
    };
    format!(
        "Do it and tick it off on the page or with `mosswarden care done {task}`; if it is not needed here, write \
         `every = \"off\"`.{caution}"
    )
}

/// A task that has been left for two whole turns is more than a slip (our own choice).
fn severity(due: &Due) -> Severity {
    if due.overdue_days >= 2 * i64::from(due.task.every_days) {
        Severity::Warning
    } else {
        Severity::Notice
    }
}

fn words(date: NaiveDate) -> String {
    date.format("%A %-d %B").to_string()
}

fn count_days(days: i64) -> String {
    if days == 1 {
        "1 day".to_owned()
    } else {
        format!("{days} days")
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    const SITE: &str = r#"
[site]
name = "Harbour Street nature room"
timezone = "Europe/Lisbon"
[[room.care]]
task = "residual-current-test"
every = "30d"
since = 2026-02-01
[[enclosure]]
id = "mossy-1"
species = "mossy-frog"
  [[enclosure.sensor]]
  id = "s"
  feeds = [{ topic = "s", format = "number", quantity = "humidity", unit = "%RH" }]
  [[enclosure.care]]
  task = "prune"
  every = "14d"
  [[enclosure.care]]
  task = "wipe-glass"
  label = "Wipe the front glass"
  every = "7d"
"#;

    fn site() -> Site {
        Site::from_source(Path::new("site.toml"), SITE).expect("a sound site file")
    }

    fn entry(site: &Site, at: &str, place: &str, kind: &str, subject: Option<&str>) -> Entry {
        let at_ms = site.zone.parse(at).expect("a time");
        Entry {
            at_ms,
            written_ms: at_ms,
            enclosure: place.to_owned(),
            kind: kind.to_owned(),
            subject: subject.map(str::to_owned),
            text: String::new(),
            by: Some("Ana".to_owned()),
            amends: None,
        }
    }

    fn judged(site: &Site, journal: Vec<Entry>, until: &str) -> Verdicts {
        let until_ms = site.zone.parse(until).expect("a time");
        let span = Span {
            from_ms: until_ms - 7 * MS_PER_24_H,
            until_ms,
        };
        assess(site, &Record::from_readings([], journal, span), span)
    }

    #[test]
    fn tasks_come_from_species_equipment_and_site_file() {
        let site = site();
        let names = |place: &str| -> Vec<(String, u32, bool)> {
            let task = |task: &Task| (task.name.clone(), task.every_days, task.is_asked);
            site.care(place).iter().map(task).collect()
        };
        let expected = [
            ("dechlorinated-refill", 7, false),
            ("prune", 14, true),
            ("clean-up-crew", 14, false),
            ("sensor-check", 180, false),
            ("wipe-glass", 7, true),
        ];
        assert_eq!(names("mossy-1"), expected.map(|(n, d, a)| (n.to_owned(), d, a)));
        assert_eq!(names("room"), [("residual-current-test".to_owned(), 30, true)]);
    }

    #[test]
    fn a_usual_task_that_nobody_keeps_is_no_neglect() {
        let site = site();
        let verdicts = judged(&site, Vec::new(), "2026-02-10");
        assert_eq!(verdicts.findings, []);
        let asked: Vec<_> = verdicts
            .not_assessed
            .iter()
            .filter_map(|item| item.subject.as_deref())
            .collect();
        assert_eq!(asked, ["prune", "wipe-glass"], "asked for, and never ticked off");
    }

    #[test]
    fn due_days_go_by_the_local_calendar_across_a_clock_change() {
        let site = site();
        // Lisbon's clocks go forward on Sunday 29 March 2026: seven local days are 167 hours.
        let done = entry(
            &site,
            "2026-03-23T22:00",
            "mossy-1",
            CARE_DONE,
            Some("wipe-glass"),
        );
        let overdue = |until: &str| {
            let journal = vec![done.clone()];
            let found = judged(&site, journal, until).findings;
            found
                .into_iter()
                .find(|finding| finding.subject == "wipe-glass")
                .map(|finding| (finding.value.estimate, finding.start_ms))
        };
        let start_ms = site.zone.parse("2026-03-31").expect("a date");
        assert_eq!(overdue("2026-03-30T23:00"), None, "due on that day");
        assert_eq!(overdue("2026-03-31"), None, "the day is not over before its end");
        assert_eq!(overdue("2026-03-31T12:00"), Some((0.5, start_ms)));
        assert_eq!(overdue("2026-04-02"), Some((2.0, start_ms)));
    }

    #[test]
    fn other_entries_that_say_the_same_tick_off_too() {
        let site = site();
        let pruned = entry(&site, "2026-02-01", "mossy-1", "pruned", None);
        let refilled = entry(&site, "2026-02-01", "mossy-1", "refilled", None);
        let found = judged(&site, vec![pruned, refilled], "2026-02-20").findings;
        let overdue: Vec<_> = found.iter().map(|f| (f.subject.as_str(), f.severity)).collect();
        assert_eq!(
            overdue,
            [
                ("dechlorinated-refill", Severity::Notice),
                ("prune", Severity::Notice)
            ]
        );
        assert!(
            found[1]
                .message
                .starts_with("\"Prune the plants\" was due on Sunday 15 February, 4 days ago")
        );
    }

    #[test]
    fn what_the_site_file_says_of_the_last_time_counts_until_the_journal_knows_better() {
        let site = site();
        let found = |journal| {
            let found = judged(&site, journal, "2026-03-04T12:00").findings;
            found.into_iter().filter(|f| f.enclosure == "room").count()
        };
        assert_eq!(
            found(Vec::new()),
            1,
            "30 days from 1 February are over on 3 March"
        );
        let tested = entry(
            &site,
            "2026-02-20",
            "room",
            CARE_DONE,
            Some("residual-current-test"),
        );
        assert_eq!(found(vec![tested]), 0);
    }

    #[test]
    fn nothing_later_than_the_end_is_used() {
        let site = site();
        let later = entry(&site, "2026-03-10", "mossy-1", CARE_DONE, Some("prune"));
        let now_ms = site.zone.parse("2026-03-09").expect("a time");
        let due = due(&site, &[later], now_ms);
        assert!(
            due.iter()
                .all(|due| due.task.name != "prune" || due.last.is_none())
        );
    }
}
