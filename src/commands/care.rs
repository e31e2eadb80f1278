//! `care`: tasks that come back: what is due, what was done, a calendar.

use mosswarden_analysis::care::{Due, due};
use mosswarden_collector::journal;
use mosswarden_config::journal::{CARE_DONE, Entry};
use mosswarden_config::site::Site;

use super::journal::note;
use super::{now_ms, past};
use crate::calendar;
use crate::cli::Care;
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, command: Care) -> Result<Outcome, Failure> {
    let now_ms = now_ms();
    match command {
        Care::Done {
            task,
            enclosure,
            at,
            by,
        } => {
            let at_ms = match &at {
                Some(text) => past(site, "--at", text)?,
                None => now_ms,
            };
            is_of(site, &enclosure, &task)?;
            let entry = Entry {
                at_ms,
                written_ms: now_ms,
                enclosure,
                kind: CARE_DONE.to_owned(),
                subject: Some(task),
                text: String::new(),
                by,
                amends: None,
            };
            note(site, &entry)
        }
        Care::List => {
            for due in tasks(site, now_ms)? {
                println!("{}", line(&due));
            }
            Ok(Outcome::Done)
        }
        Care::Calendar => {
            print!("{}", calendar::care(site, &tasks(site, now_ms)?, now_ms));
            Ok(Outcome::Done)
        }
    }
}

/// Refuses a task that a place does not have; whether there is such a place is checked with the entry.
fn is_of(site: &Site, place: &str, task: &str) -> Result<(), Failure> {
    let known: Vec<&str> = site.care(place).iter().map(|task| task.name.as_str()).collect();
    if known.contains(&task) || !site.places().any(|id| id == place) {
        return Ok(());
    }
    Err(Failure::usage(
        format!("{place} has no task `{task}`"),
        match known.is_empty() {
            true => "it has none; write [[enclosure.care]] in the site file to give it one".to_owned(),
            false => format!("it has: {}", known.join(", ")),
        },
    ))
}

fn tasks(site: &Site, now_ms: i64) -> Result<Vec<Due>, Failure> {
    let journal = journal::list(&site.data_dir).map_err(Failure::failed("could not read the journal"))?;
    Ok(due(site, &journal.entries, now_ms))
}

fn line(due: &Due) -> String {
    let when = match due.local_due {
        None => "never ticked off".to_owned(),
        Some(day) if due.overdue_days > 0 => format!("overdue since {day}, {} d", due.overdue_days),
        Some(day) => format!("due on {day}"),
    };
    let last = due.last.as_ref().map_or_else(String::new, |done| {
        let by = done
            .by
            .as_ref()
            .map_or_else(String::new, |by| format!(" by {by}"));
        format!(", last on {}{by}", done.local_date)
    });
    format!(
        "{}  {}  {when}, every {} d{last}  ({})",
        due.place, due.task.name, due.task.every_days, due.task.source
    )
}
