//! UV lamps that are due for renewal: their ultraviolet fades long before their light does.
//!
//! In: when a lamp was put in, by the site file or the journal. Out: a finding from the day it is due.

use mosswarden_config::journal;
use mosswarden_config::site::{Device, DeviceKind};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::context::Context;
use crate::findings::{Kind, Severity, Value, Verdicts};

/// Tubes are renewed after 6 to 12 months, or when a UV meter says so (common practice, no source): the longer time, so that nobody is
/// sent to buy a lamp too early.
const RENEW_AFTER_MS: i64 = 365 * MS_PER_24_H;
/// Overdue by this much is a warning.
const WARNING_MS: i64 = 90 * MS_PER_24_H;

/// Judges every UV lamp at the end of the span.
pub(super) fn judge(context: &Context<'_>) -> Verdicts {
    let mut verdicts = Verdicts::default();
    for device in context.enclosure.devices_of(DeviceKind::UvLamp) {
        let Some(installed_ms) = installed_ms(context, device) else {
            verdicts.not_assessed.push(context.not_assessed(
                Kind::CareOverdue,
                Some(&device.id),
                context.span,
                "the site file does not say when it was put in (`installed`)".to_owned(),
            ));
            continue;
        };
        let after_ms = device
            .renew_after_s
            .and_then(|s| i64::try_from(s).ok())
            .map_or(RENEW_AFTER_MS, |s| s.saturating_mul(1000));
        let due = context
            .zone
            .day(context.zone.date(installed_ms.saturating_add(after_ms)));
        if due.from_ms >= context.span.until_ms {
            continue;
        }
        let overdue = Span {
            from_ms: due.from_ms,
            until_ms: context.span.until_ms,
        };
        let severity = if overdue.until_ms - overdue.from_ms >= WARNING_MS {
            Severity::Warning
        } else {
            Severity::Notice
        };
        let value = Value::new("days overdue", overdue.hours() / 24.0, "d");
        let mut finding = context.finding(Kind::CareOverdue, due.from_ms, severity, value);
        finding.subject = device.id.clone();
        finding.message = format!(
            "{} was put in on {} and has been due for renewal since {}: a UV lamp's ultraviolet fades long before its light does.",
            device.id,
            context.zone.date(installed_ms).format("%-d %B %Y"),
            context.zone.date(due.from_ms).format("%-d %B %Y")
        );
        finding.advice = "Measure the UV index where the animal sits, or renew the lamp, unplugged and cold. Note the change in the journal \
            (device-replaced), or write the new date in the site file."
            .to_owned();
        verdicts.findings.push(finding);
    }
    verdicts
}

/// When the lamp that shines now was put in: the later of the site file's date and the journal's last replacement.
fn installed_ms(context: &Context<'_>, device: &Device) -> Option<i64> {
    let written = device.installed.map(|date| context.zone.day(date).from_ms);
    let replaced = context
        .record
        .journal
        .iter()
        .filter(|entry| {
            entry.kind == journal::DEVICE_REPLACED && entry.subject.as_deref() == Some(device.id.as_str())
        })
        .map(|entry| entry.at_ms)
        .max();
    written.max(replaced)
}

#[cfg(test)]
mod tests {
    use super::super::kit::{Kit, of, unjudged};
    use super::*;

    /// The quiet record with a UV lamp put in on a date.
    fn with_lamp(installed: Option<&str>) -> Kit {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.site.enclosures[0].devices.push(Device {
            id: "uv".to_owned(),
            kind: DeviceKind::UvLamp,
            controlled_by: None,
            setpoint: mosswarden_config::site::Setpoint::default(),
            installed: installed.map(|date| date.parse().expect("a date")),
            renew_after_s: None,
            schedule: Vec::new(),
            pump: None,
            feeds: Vec::new(),
        });
        kit
    }

    #[test]
    fn a_uv_lamp_is_due_after_a_year() {
        let outcome = with_lamp(Some("2025-05-15")).judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::CareOverdue);
        assert_eq!(found.len(), 1);
        // From 15 May to 25 May 2026.
        assert!(
            (found[0].value.estimate - 10.0).abs() < 0.1,
            "{:?}",
            found[0].value
        );
        let young = with_lamp(Some("2025-06-15")).judge("2026-05-18", "2026-05-25");
        assert!(of(&young, Kind::CareOverdue).is_empty());
        assert!(unjudged(
            &with_lamp(None).judge("2026-05-18", "2026-05-25"),
            Kind::CareOverdue
        ));
    }
}
