//! Light hours, schedules, and what one must know of each sensor.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use mosswarden_config::site::{Dates, Limits, Sensor, Site};
use mosswarden_config::table::ROOM;

use crate::audit::gather::{FOLLOWED, Gathered};
use crate::audit::{sensors, words};
use crate::care::{Due, due};
use crate::plot::both_scales;
use crate::words as report_words;

/// Light hours first, then what runs by the clock.
pub(super) fn schedule(gathered: &Gathered<'_>) -> Vec<String> {
    let own = gathered.enclosure;
    let mut lines = vec![format!("Light from {}, local time.", own.light)];
    for season in &own.seasons {
        let dates = match season.dates {
            Dates::Once { from, to } => format!("{} to {}", from.format(DAY_YEAR), to.format(DAY_YEAR)),
            Dates::Yearly { from, to } => format!("{} to {} each year", day_of_year(from), day_of_year(to)),
        };
        let Limits { day_c, night_c, .. } = season.limits;
        lines.push(format!(
            "Season “{}”, {dates}: light from {}, wanted {} by day and {} at night.",
            season.name,
            season.light,
            words::degrees_range(day_c.low, day_c.high),
            words::degrees_range(night_c.low, night_c.high)
        ));
    }
    for device in &own.devices {
        let name = format!("{} ({})", device.id, device.kind.name().replace('-', " "));
        if let Some(date) = device.installed {
            let renew = device.renew_after_s.map_or_else(String::new, |after_s| {
                format!(
                    ", to be renewed after {}",
                    report_words::duration(after_s as f64 / 3600.0)
                )
            });
            lines.push(format!("{name}: put in on {}{renew}.", date.format(DAY_YEAR)));
        }
    }
    for device in own.devices.iter().filter(|device| !device.schedule.is_empty()) {
        let runs: Vec<String> = device
            .schedule
            .iter()
            .map(|run| format!("{} for {} s", run.local_start.format("%H:%M"), run.duration_s))
            .collect();
        lines.push(format!(
            "{} ({}): {}.",
            device.id,
            device.kind.name().replace('-', " "),
            report_words::list(&runs)
        ));
    }
    lines
}

/// Tasks that come back, of the enclosure and of the room: those that are kept first, the most overdue before others.
pub(super) fn care(gathered: &Gathered<'_>) -> Vec<String> {
    let mut tasks: Vec<Due> = due(gathered.site, &gathered.journal, gathered.asked.until_ms)
        .into_iter()
        .filter(|due| due.place == gathered.enclosure.id || due.place == ROOM)
        .collect();
    if tasks.is_empty() {
        return vec!["The site file and the species file ask for no care that comes back.".to_owned()];
    }
    tasks.sort_by_key(|due| (!due.is_kept(), -due.overdue_days, due.local_due));
    let known = tasks
        .iter()
        .filter_map(|due| Some(care_line(due, due.local_due?)));
    let mut by_source: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for due in tasks.iter().filter(|due| due.local_due.is_none()) {
        let task = format!("{}, {}", task(due), often(due));
        by_source.entry(&due.task.source).or_default().push(task);
    }
    let never = by_source.into_iter().map(|(source, tasks)| {
        format!(
            "Never ticked off, so nobody knows when they are due ({source}): {}.",
            tasks.join("; ")
        )
    });
    known.chain(never).collect()
}

fn task(due: &Due) -> String {
    let place = if due.place == ROOM { " (the room)" } else { "" };
    format!("{}{place}", due.task.label)
}

fn often(due: &Due) -> String {
    let days = usize::try_from(due.task.every_days).unwrap_or_default();
    format!("every {}", report_words::several(days, "day"))
}

fn care_line(due: &Due, local_due: NaiveDate) -> String {
    let date = local_due.format(DAY_YEAR);
    let when = if due.overdue_days > 0 {
        let days = usize::try_from(due.overdue_days).unwrap_or_default();
        format!("overdue since {date}, by {}", report_words::several(days, "day"))
    } else {
        format!("due on {date}")
    };
    let last = due.last.as_ref().map_or_else(String::new, |done| {
        let by = done
            .by
            .as_ref()
            .map_or_else(String::new, |by| format!(" by {by}"));
        format!("; last done on {}{by}", done.local_date.format(DAY_YEAR))
    });
    format!(
        "{}: {when}{last}; {} ({}).",
        task(due),
        often(due),
        due.task.source
    )
}

/// How a date is written out.
const DAY_YEAR: &str = "%-d %B %Y";

/// "15 November".
fn day_of_year((month, day): (u32, u32)) -> String {
    // A leap year has every date.
    NaiveDate::from_ymd_opt(2024, month, day)
        .map_or_else(String::new, |date| date.format("%-d %B").to_string())
}

/// One line a sensor of the enclosure and of the room.
pub(super) fn quirks(gathered: &Gathered<'_>) -> Vec<String> {
    let site: &Site = gathered.site;
    let inside = gathered
        .enclosure
        .sensors
        .iter()
        .map(|s| (gathered.enclosure.id.as_str(), s));
    let room = site.room_sensors.iter().map(|s| (ROOM, s));
    inside
        .chain(room)
        .map(|(place, sensor)| line(gathered, place, sensor))
        .collect()
}

fn line(gathered: &Gathered<'_>, place: &str, sensor: &Sensor) -> String {
    let zone = gathered.site.zone;
    let mut parts = Vec::new();
    for quantity in FOLLOWED {
        if gathered
            .tracks
            .iter()
            .any(|t| t.sensor == sensor.id && t.quantity == quantity)
        {
            let trust = sensors::trust_words(gathered, &sensor.id, quantity);
            parts.push(format!("{}: {}", quantity.name(), trust.trim_end_matches('.')));
        }
    }
    if parts.is_empty() {
        parts.push("no reading of the time looked at can be used".to_owned());
    }
    parts.extend(left_out(gathered, &sensor.id));
    for correction in gathered
        .recent
        .corrections
        .iter()
        .filter(|found| found.sensor == sensor.id)
    {
        parts.push(format!(
            "{} of {} by {}",
            correction.method.words(),
            correction.quantity,
            zone.date(correction.valid_from_ms).format("%-d %B %Y")
        ));
    }
    let mut done: BTreeMap<String, (usize, i64)> = BTreeMap::new();
    for entry in &gathered.journal {
        if entry.enclosure == place && entry.subject.as_deref() == Some(sensor.id.as_str()) {
            let known = done.entry(entry.kind.replace('-', " ")).or_default();
            *known = (known.0 + 1, known.1.max(entry.at_ms));
        }
    }
    for (kind, (count, last_ms)) in done {
        let last = zone.date(last_ms).format("%-d %B %Y");
        parts.push(if count == 1 {
            format!("{kind} on {last}")
        } else {
            format!("{kind} {count} times, last on {last}")
        });
    }
    format!("{}: {}.", words::sensor(sensor), parts.join("; "))
}

/// How much was not used, with the reason of the longest stretch.
fn left_out(gathered: &Gathered<'_>, sensor: &str) -> Vec<String> {
    gathered
        .tracks
        .iter()
        .filter(|track| track.sensor == sensor)
        .filter_map(|track| {
            let total_h: f64 = track.left_out.iter().map(|(span, _)| span.hours()).sum();
            let (_, reason) = track
                .left_out
                .iter()
                .max_by(|a, b| a.0.hours().total_cmp(&b.0.hours()))?;
            Some(format!(
                "{} of its {} were not used, most of them because: {}",
                report_words::duration(total_h),
                track.quantity.name(),
                both_scales(reason).trim_end_matches('.')
            ))
        })
        .collect()
}
