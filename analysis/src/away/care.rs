//! Care that comes back, over the days away: what is due before leaving, what while away and when, what nobody knows.

use chrono::{Days, NaiveDate};

use super::model::Given;
use super::place::Lines;
use crate::care::Due;
use crate::words;

/// So many dates are named; of more, the first, and how often.
const DATES_MAX: usize = 4;

/// A place's tasks.
#[derive(Default)]
pub(super) struct Tasks {
    first: Vec<String>,
    meanwhile: Vec<String>,
    /// Asked for in the site file and never ticked off.
    unknown: Vec<String>,
    /// Usual for such a place, and never ticked off.
    usual: Vec<String>,
}

impl Tasks {
    pub(super) fn of(given: &Given<'_>, place: &str) -> Tasks {
        let zone = given.site.zone;
        let (leave, back) = (
            zone.date(given.asked.span.from_ms),
            zone.date(given.asked.span.until_ms - 1),
        );
        let mut tasks = Tasks::default();
        let mut here: Vec<&Due> = given.tasks.iter().filter(|due| due.place == place).collect();
        here.sort_by_key(|due| (due.local_due, due.task.every_days));
        for due in here {
            let (label, every) = (&due.task.label, due.task.every_days);
            let Some(local_due) = due.local_due.filter(|_| due.is_kept()) else {
                let often = format!("{label} ({})", how_often(every));
                if due.task.is_asked {
                    tasks.unknown.push(often);
                } else if i64::from(every) <= (back - leave).num_days() {
                    tasks.usual.push(often);
                }
                continue;
            };
            let is_before = local_due <= leave;
            if is_before {
                tasks
                    .first
                    .push(format!("{label}: due on {}.", words::day(local_due)));
            }
            // Done on the day of leaving, it comes back from then on.
            let next = if is_before {
                after(leave, every)
            } else {
                Some(local_due)
            };
            let dates: Vec<NaiveDate> = std::iter::successors(next, |date| after(*date, every))
                .take_while(|date| *date <= back)
                .collect();
            if !dates.is_empty() {
                tasks.meanwhile.push(format!("{label}: {}.", when(&dates, every)));
            }
        }
        tasks
    }

    pub(super) fn say(self, lines: &mut Lines) {
        lines.first.extend(self.first);
        lines.meanwhile.extend(self.meanwhile);
        if !self.unknown.is_empty() {
            lines.not_known.push(format!(
                "When it is due, for it was never ticked off: {}.",
                words::list(&self.unknown)
            ));
        }
        if !self.usual.is_empty() {
            lines.meanwhile.push(format!(
                "Usual for its kind, though never ticked off here: {}.",
                words::list(&self.usual)
            ));
        }
    }
}

fn after(date: NaiveDate, every_days: u32) -> Option<NaiveDate> {
    date.checked_add_days(Days::new(u64::from(every_days.max(1))))
}

fn how_often(every_days: u32) -> String {
    match every_days {
        1 => "every day".to_owned(),
        days => format!("every {days} days"),
    }
}

fn when(dates: &[NaiveDate], every_days: u32) -> String {
    let days: Vec<String> = dates
        .iter()
        .take(DATES_MAX)
        .map(|date| words::day(*date))
        .collect();
    match (every_days, dates.len()) {
        (1, count) if count > 1 => format!("every day from {} on", days[0]),
        (_, count) if count > DATES_MAX => format!("{} from {} on", how_often(every_days), days[0]),
        _ => words::list(&days),
    }
}
