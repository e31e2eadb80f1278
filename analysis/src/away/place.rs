//! One enclosure before some days away.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Limits, Site};

use super::{Answer, Asked, Place, care_lines};
use crate::assess::Assessment;
use crate::care::Due;
use crate::conditions::{Outcome, Thermal};
use crate::findings::Severity;
use crate::plot::Display;
use crate::report::{EnclosureSection, Verdict};
use crate::statistics::Estimate;
use crate::words::{Words, several};

/// What is gathered of an enclosure.
#[derive(Default)]
struct Lines {
    first: Vec<String>,
    meanwhile: Vec<String>,
    expected: Vec<String>,
    not_known: Vec<String>,
}

pub(super) fn place(
    site: &Site,
    own: &Enclosure,
    section: &EnclosureSection,
    assessment: &Assessment,
    tasks: &[Due],
    asked: Asked,
    room_c: Option<(f64, f64)>,
) -> Place {
    let conditions = assessment
        .conditions
        .iter()
        .find(|outcome| outcome.enclosure == own.id);
    let mut lines = Lines::default();
    for need in section
        .needs
        .iter()
        .filter(|need| need.severity > Severity::Notice)
    {
        // That it is over stands in the next step.
        let when = need.when.trim_end_matches("; it is over");
        lines.first.push(format!(
            "{} ({}), {when}. {}",
            need.headline,
            need.subject,
            need.next_in_turn()
        ));
    }
    for (line, is_before) in care_lines(site, tasks, &own.id, asked) {
        if is_before {
            lines.first.push(line);
        } else {
            lines.meanwhile.push(line);
        }
    }
    by_hand(own, conditions, &mut lines);
    watchers(own, assessment, &mut lines);
    let display = Display::new(site.units);
    if let Some((outcome, room_c)) = conditions.zip(room_c) {
        let reasons = outcome.would_do.refused.iter();
        lines.not_known.extend(
            reasons.map(|reason| display.sentence(&format!("What heat and cold would do: {reason}."))),
        );
        warmth(site, own, outcome, asked, room_c, &mut lines);
    }
    let is_unknown = section.verdict == Verdict::NotKnown;
    if is_unknown {
        lines.not_known.insert(0, section.coverage.clone());
    }
    let answer = match () {
        () if !lines.first.is_empty() => Answer::SeeToItFirst,
        () if is_unknown || lines.expected.is_empty() => Answer::NotKnown,
        () if !lines.meanwhile.is_empty() => Answer::LookIn,
        () => Answer::NothingAgainst,
    };
    Place {
        id: own.id.clone(),
        label: own.label.clone(),
        answer,
        first: lines.first,
        meanwhile: lines.meanwhile,
        expected: lines.expected,
        not_known: lines.not_known,
    }
}

/// An enclosure that nothing mists.
fn by_hand(own: &Enclosure, conditions: Option<&Outcome>, lines: &mut Lines) {
    let wants_moisture = own
        .limits
        .humidity_day_pct
        .or(own.limits.humidity_night_pct)
        .is_some();
    let waters = |kind: DeviceKind| own.devices_of(kind).next().is_some();
    if !wants_moisture || waters(DeviceKind::Mister) || waters(DeviceKind::Fogger) {
        return;
    }
    let noted = conditions.map_or(0, |outcome| outcome.mistings.len());
    lines.meanwhile.push(match noted {
        0 => "Mist by hand as you do: no device does it.".to_owned(),
        noted => format!(
            "Mist by hand as you do: no device does it ({} in the last seven days, noted or seen).",
            several(noted, "misting")
        ),
    });
}

/// Where one thermometer alone watches.
fn watchers(own: &Enclosure, assessment: &Assessment, lines: &mut Lines) {
    let heard = assessment.trust.sensors.iter();
    let thermometers =
        heard.filter(|said| said.enclosure == own.id && said.quantity == Quantity::Temperature);
    match thermometers.count() {
        0 => lines
            .not_known
            .push("No temperature was heard of it: nobody would be told of heat or cold.".to_owned()),
        1 => lines.not_known.push(
            "Whether its thermometer is right: it is the only one, and what watches heat and cold there ends with it.".to_owned(),
        ),
        _ => {}
    }
}

/// The strictest limits of the days away.
fn limits(site: &Site, own: &Enclosure, asked: Asked) -> Limits {
    let dates = site.zone.dates(asked.span);
    let of_days = dates.into_iter().map(|date| own.limits_on(date));
    let mut strictest = own.limits_on(site.zone.date(asked.span.from_ms));
    for limits in of_days {
        strictest.max_c = strictest.max_c.min(limits.max_c);
        strictest.min_c = strictest.min_c.max(limits.min_c);
    }
    strictest
}

/// What the room's warmest and coldest hours would do, by the fitted models.
fn warmth(
    site: &Site,
    own: &Enclosure,
    outcome: &Outcome,
    asked: Asked,
    (low_room_c, high_room_c): (f64, f64),
    lines: &mut Lines,
) {
    let words = Words::of(site);
    let limits = limits(site, own, asked);
    let light_h = outcome.would_do.light_h;
    let evening = |place: &Thermal| place.evening_c(high_room_c, light_h);
    let coolest = outcome
        .would_do
        .places
        .iter()
        .filter_map(|place| Some((place, evening(place)?)))
        .min_by(|(_, a), (_, b)| a.value.total_cmp(&b.value));
    if let Some((place, hot)) = coolest {
        let dark = (own.devices_of(DeviceKind::Lamp).next().is_some() && light_h > 0.0)
            .then(|| place.evening_c(high_room_c, 0.0))
            .flatten();
        let sentence = format!(
            "In a room that stays at {} all day it would come to about {} by the end of the light hours, at {}, the coolest place that is known, with \
             the heater off; its limit is {}.{}",
            words.temperature(high_room_c),
            range(words, hot),
            place.place,
            words.temperature(limits.max_c),
            dark.map_or_else(String::new, |dark| format!(
                " With its lamps off, to about {}.",
                range(words, dark)
            ))
        );
        if hot.value > limits.max_c {
            lines.first.push(format!(
                "A day on which the room stays at {} is too warm for it, by what is told below. Think of a cooler place for it, of its lamps, of the room's shade.",
                words.temperature(high_room_c)
            ));
        } else if hot.high > limits.max_c {
            lines
                .meanwhile
                .push("On the warmest afternoons look at it: it may pass its limit.".to_owned());
        }
        lines.expected.push(sentence);
    }
    let coldest = outcome
        .would_do
        .places
        .iter()
        .filter_map(|place| Some((place, place.long_run_c(low_room_c, false)?)))
        .min_by(|(_, a), (_, b)| a.value.total_cmp(&b.value));
    if let Some((place, cold)) = coldest {
        let heated = place.long_run_c(low_room_c, true);
        if let Some(heated) = heated.filter(|heated| heated.value < limits.min_c) {
            lines.first.push(format!(
                "Too cold if the room gets so cold: in {} its heater, on all the time, would hold about {} at {}; its lowest limit is {}.",
                words.temperature(low_room_c),
                range(words, heated),
                place.place,
                words.temperature(limits.min_c)
            ));
        }
        lines
            .expected
            .push(without_heat(words, place, cold, low_room_c, &limits));
    }
}

fn without_heat(words: Words, place: &Thermal, cold: Estimate, room_c: f64, limits: &Limits) -> String {
    let begin = format!(
        "In a room of {} with heater and lamps off it would stand at about {} at {} in the end",
        words.temperature(room_c),
        range(words, cold),
        place.place
    );
    if cold.low >= limits.min_c {
        return format!(
            "{begin}, above its lowest limit of {}.",
            words.temperature(limits.min_c)
        );
    }
    let reached = place
        .hours_without_power(limits.min_c, room_c)
        .map_or_else(String::new, |hours| {
            format!(
                ", and pass that after about {} ({} to {}) from where it stands",
                words.hours(hours.value),
                words.hours(hours.low),
                words.hours(hours.high)
            )
        });
    format!(
        "{begin}; its lowest limit is {}{reached}. So much hangs on its heater and on the mains.",
        words.temperature(limits.min_c)
    )
}

fn range(words: Words, estimate: Estimate) -> String {
    format!(
        "{} ({} to {})",
        words.temperature(estimate.value),
        words.temperature(estimate.low),
        words.temperature(estimate.high)
    )
}
