//! Care as a calendar: one all-day event a task on its next due day, coming back at its interval (iCalendar, RFC 5545).
//!
//! An overdue task stands on today until it is ticked off. Usual tasks that nobody keeps here are left out.

use chrono::DateTime;
use icalendar::{Calendar, Component as _, Event, EventLike as _, Parameter, Property};
use mosswarden_analysis::care::Due;
use mosswarden_config::site::Site;

/// How often a calendar should look again.
const REFRESH: &str = "PT1H";

pub(crate) fn care(site: &Site, tasks: &[Due], now_ms: i64) -> String {
    let local_today = site.zone.date(now_ms);
    let mut calendar = Calendar::new();
    calendar.name(&format!("Care, {}", site.name));
    calendar.append_property(("PRODID", "-//mosswarden//care//EN"));
    calendar.append_property(
        Property::new("REFRESH-INTERVAL", REFRESH)
            .append_parameter(Parameter::new("VALUE", "DURATION"))
            .done(),
    );
    calendar.append_property(("X-PUBLISHED-TTL", REFRESH));
    for due in tasks.iter().filter(|due| due.is_kept()) {
        let place = site
            .enclosure(&due.place)
            .map_or("The room", |enclosure| enclosure.label.as_str());
        let late = match due.overdue_days {
            0 => String::new(),
            1 => " (1 day overdue)".to_owned(),
            days => format!(" ({days} days overdue)"),
        };
        let last = due.last.as_ref().map_or_else(
            || "Never ticked off here.".to_owned(),
            |done| format!("Last done on {}.", done.local_date),
        );
        let mut event = Event::new();
        event
            .uid(&format!(
                "{}.{}@care.mosswarden.invalid",
                due.task.name, due.place
            ))
            .timestamp(DateTime::from_timestamp_millis(now_ms).unwrap_or_default())
            .summary(&format!("{}: {}{late}", place, due.task.label))
            .description(&format!("{last} Interval by {}.", due.task.source))
            .starts(due.local_due.unwrap_or(local_today).max(local_today))
            .append_property((
                "RRULE",
                format!("FREQ=DAILY;INTERVAL={}", due.task.every_days).as_str(),
            ))
            // It takes no time out of a day.
            .append_property(("TRANSP", "TRANSPARENT"));
        calendar.push(event.done());
    }
    calendar.to_string()
}
