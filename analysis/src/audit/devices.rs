//! What devices did in the last days against the weeks before, what mistings took place, and what the site file asks now.

use mosswarden_config::site::{Device, DeviceKind};
use mosswarden_config::zone::Span;

use super::gather::{Gathered, LATE_DAYS, RECENT_DAYS};
use super::words;
use crate::conditions::{Ran, device_states, hours_within};
use crate::plot::{both_scales, number};
use crate::words as report_words;

/// How long a device did is told from so many known hours on (own choice).
const KNOWN_H_MIN: f64 = 24.0;

/// One sentence a device.
pub(crate) fn lines(gathered: &Gathered<'_>) -> Vec<String> {
    let mut lines: Vec<String> = gathered
        .enclosure
        .devices
        .iter()
        .map(|device| format!("{}: {}. {}", device.id, did(gathered, device), asked(device)))
        .collect();
    if lines.is_empty() {
        lines.push("The site file names no device for this enclosure.".to_owned());
    } else {
        lines.push(
            "Set-points and schedules are those of the site file now; what they were before is known only where the journal says so."
                .to_owned(),
        );
    }
    lines
}

fn did(gathered: &Gathered<'_>, device: &Device) -> String {
    if device.kind == DeviceKind::Mister {
        return mistings(gathered, device);
    }
    let late = gathered.last(LATE_DAYS);
    let before = Span {
        from_ms: gathered
            .last(RECENT_DAYS.min(i64::from(gathered.asked.days)))
            .from_ms,
        until_ms: late.from_ms,
    };
    let kind = device.kind.name().replace('-', " ");
    let states = device_states(
        gathered.site,
        gathered.enclosure,
        &gathered.recent,
        device,
        late.until_ms,
    );
    let Some(states) = states else {
        return format!("{kind}; what it did is not known, it has reported no state");
    };
    let a_day = |span: Span| {
        let known_h = hours_within(&states.known, span);
        (known_h >= KNOWN_H_MIN).then(|| 24.0 * hours_within(&states.on, span) / known_h)
    };
    let show = |value: Option<f64>| {
        value.map_or_else(
            || crate::words::NOT_KNOWN.to_owned(),
            |h| format!("{} h a day", number(h)),
        )
    };
    let (lately, earlier) = (a_day(late), a_day(before));
    if lately.is_none() && earlier.is_none() {
        return format!("{kind}; how long it was on is not known");
    }
    let longest = states
        .on
        .iter()
        .filter_map(|on| on.intersect(late))
        .max_by(|a, b| a.hours().total_cmp(&b.hours()));
    let longest = longest.map_or_else(String::new, |on| {
        let from = report_words::instant(gathered.site.zone, on.from_ms);
        format!(
            "; its longest run in these {}, from {from}",
            report_words::duration(on.hours())
        )
    });
    format!(
        "{kind}, on {} in the last 14 days, {} in the weeks before{longest}",
        show(lately),
        show(earlier)
    )
}

fn mistings(gathered: &Gathered<'_>, device: &Device) -> String {
    let runs: Vec<_> = gathered
        .lived
        .mistings
        .iter()
        .filter(|misting| misting.device == device.id)
        .collect();
    let count = |ran: Ran| runs.iter().filter(|run| run.ran == ran).count();
    if runs.is_empty() {
        return "mister; no misting of the last 14 days is known".to_owned();
    }
    format!(
        "mister; of {} in the last 14 days {} ran, {} did not, {} not known",
        report_words::several(runs.len(), "misting"),
        count(Ran::Yes),
        count(Ran::No),
        count(Ran::NotKnown)
    )
}

/// What the site file asks of it now.
fn asked(device: &Device) -> String {
    let mut parts = Vec::new();
    let setpoint = &device.setpoint;
    if let Some(set_c) = setpoint.temperature_c {
        parts.push(format!("set to {}", words::degrees(set_c)));
    }
    if let Some(by_k) = setpoint.hysteresis_c {
        parts.push(both_scales(&format!("hysteresis of ±{} °C", number(by_k))));
    }
    if let Some(set_pct) = setpoint.humidity_pct {
        parts.push(format!("set to {set_pct:.0} %RH"));
    }
    if let Some(by_pct) = setpoint.hysteresis_pct {
        parts.push(format!("hysteresis of {by_pct:.0} %RH"));
    }
    let runs: Vec<String> = device
        .schedule
        .iter()
        .map(|run| format!("{} for {} s", run.local_start.format("%H:%M"), run.duration_s))
        .collect();
    if !runs.is_empty() {
        parts.push(format!("scheduled at {}", report_words::list(&runs)));
    }
    if parts.is_empty() {
        "The site file states no set-point and no schedule.".to_owned()
    } else {
        format!("{}.", report_words::capital(&parts.join(", ")))
    }
}
