//! What made a day too hot: the room, a heater, a lamp, or cannot be told.
//!
//! In: the hours above the limit, what is usual at those hours, states of heaters and lamps. Out: a cause with its evidence in
//! words and what to do. Compared are two departures from the usual at the same hours: the room's, and the enclosure's excess
//! over the room. The larger one is the cause; inside the enclosure the states of the devices say which source it is.

use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::context::Context;
use super::device::{hours_within, union};
use super::heater;
use super::places::{Line, hour_of, hour_start};
use super::usual::{Usual, hour_mean};
use crate::findings::Cause;
use crate::series::Excess;
use crate::words::percent;

/// A departure from the usual below this, K, explains nothing: rooms and enclosures vary by about so much from day to day
/// (common practice, no source).
const DEPARTURE_K_MIN: f64 = 0.7;
/// Share of the hot hours that a heater must have been on beyond its set-point to be the cause.
const STUCK_FRAC_MIN: f64 = 0.3;
/// A heater on for this much more of the time than usual, and the enclosure warmer over the room than usual, is the cause.
const ON_MORE_FRAC: f64 = 0.3;
/// Time before the first hot minute in which a source already acted.
const LEAD_MS: i64 = 2 * MS_PER_HOUR;
/// Light outside the light hours that points at the lamp, h.
const EXTRA_LIGHT_H: f64 = 1.0;
/// A lamp's excess is there from the first hours of light and for most of them; the sun's is not.
const LAMP_HOURS_FRAC: f64 = 0.7;
/// Without a usual to compare with, a room this near the limit, K, is the cause by itself.
const ROOM_NEAR_K: f64 = 1.5;

pub(super) struct Verdict {
    pub(super) cause: Option<Cause>,
    pub(super) evidence: String,
    pub(super) advice: String,
}

/// Departures from the usual during the hot hours, weighted by how far above the limit each hour was.
#[derive(Debug, Clone, Copy)]
struct Departures {
    room_k: f64,
    excess_k: f64,
}

/// The cause of the hours in `over`.
pub(super) fn of_overheating(context: &Context<'_>, line: &Line, day: Span, over: &Excess) -> Verdict {
    let hot = Span {
        from_ms: over.first_ms.unwrap_or(day.from_ms),
        until_ms: over
            .last_ms
            .unwrap_or(day.until_ms)
            .max(over.first_ms.unwrap_or(0) + 1),
    };
    let limit_c = context.limits_at(day.from_ms).max_c;
    let acting = Span {
        from_ms: hot.from_ms - LEAD_MS,
        until_ms: hot.until_ms,
    };
    let usual = Usual::before(context, line, limit_c, day.from_ms);
    let departures = usual
        .as_ref()
        .and_then(|usual| departures(context, line, usual, hot, limit_c));
    let heaters = Source::of(context, DeviceKind::Heater, acting, usual.as_ref());
    let lamps = Source::of(context, DeviceKind::Lamp, acting, usual.as_ref());
    let unusual_inside = departures.is_none_or(|d| d.excess_k >= DEPARTURE_K_MIN);

    if heaters.stuck_frac >= STUCK_FRAC_MIN
        && departures.is_none_or(|d| d.excess_k > d.room_k.min(DEPARTURE_K_MIN))
    {
        return heater_verdict(format!(
            "the heater was on beyond its set-point for {} of that time",
            percent(heaters.stuck_frac)
        ));
    }
    if unusual_inside && heaters.more_than_usual() && departures.is_none_or(|d| d.excess_k >= d.room_k) {
        return heater_verdict(format!(
            "the heater was on for {} of that time, far more than usual",
            percent(heaters.on_frac.unwrap_or(0.0))
        ));
    }
    match departures {
        Some(d) if d.room_k >= DEPARTURE_K_MIN && d.room_k >= d.excess_k => room_verdict(format!(
            "the room was {} warmer than usual at that hour, the enclosure followed it",
            context.words.difference(d.room_k)
        )),
        Some(d) if d.excess_k >= DEPARTURE_K_MIN => {
            inside(context, line, usual.as_ref(), day, &heaters, &lamps, d)
        }
        Some(_) => unknown(
            "neither the room nor the warming inside was far from usual; the enclosure usually runs close to the limit",
        ),
        None => without_usual(context, line, hot, &heaters, &lamps),
    }
}

fn departures(
    context: &Context<'_>,
    line: &Line,
    usual: &Usual,
    hot: Span,
    limit_c: f64,
) -> Option<Departures> {
    let room = context.room_c.as_ref()?;
    let (mut weights, mut room_k, mut excess_k) = (0.0, 0.0, 0.0);
    let mut from_ms = hour_start(hot.from_ms);
    while from_ms < hot.until_ms {
        let hour = hour_of(context.zone, from_ms);
        let found = hour_mean(line, from_ms)
            .zip(hour_mean(room, from_ms))
            .zip(usual.room_c.get(&hour).zip(usual.excess_k.get(&hour)));
        if let Some(((inside, room), (usual_room, usual_excess))) = found {
            /// Every hot hour counts a little, however close to the limit.
            const WEIGHT_MIN_K: f64 = 0.1;
            let weight = (inside - limit_c).max(WEIGHT_MIN_K);
            weights += weight;
            room_k += weight * (room - usual_room);
            excess_k += weight * (inside - room - usual_excess);
        }
        from_ms += MS_PER_HOUR;
    }
    (weights > 0.0).then(|| Departures {
        room_k: room_k / weights,
        excess_k: excess_k / weights,
    })
}

/// What the devices of one kind did.
struct Source {
    present: bool,
    /// Share of the time on, where states are known.
    on_frac: Option<f64>,
    usual_on_frac: Option<f64>,
    /// Share of the time on beyond the set-point (heaters).
    stuck_frac: f64,
    on: Vec<Span>,
}

impl Source {
    fn of(context: &Context<'_>, kind: DeviceKind, window: Span, usual: Option<&Usual>) -> Source {
        let mut source = Source {
            present: false,
            on_frac: None,
            usual_on_frac: None,
            stuck_frac: 0.0,
            on: Vec::new(),
        };
        for device in context.enclosure.devices_of(kind) {
            source.present = true;
            let Some(states) = context.states(device) else {
                continue;
            };
            if kind == DeviceKind::Heater {
                let beyond = heater::beyond_setpoint(context, device, &states, window);
                source.stuck_frac = source
                    .stuck_frac
                    .max(hours_within(&beyond, window) / window.hours());
            }
            let on_frac = states.on_frac(window);
            if on_frac > source.on_frac {
                source.on_frac = on_frac;
                source.usual_on_frac = usual.and_then(|usual| usual.on_frac(&states, window));
            }
            source.on.extend(states.on_within(window_of_two_days(window)));
        }
        source.on = union(std::mem::take(&mut source.on));
        source
    }

    fn more_than_usual(&self) -> bool {
        self.on_frac
            .zip(self.usual_on_frac)
            .is_some_and(|(now, usual)| now - usual >= ON_MORE_FRAC)
    }

    /// Known to have been no more on than usual.
    fn as_usual(&self) -> bool {
        !self.present
            || self.on_frac.is_some_and(|now| {
                self.stuck_frac < STUCK_FRAC_MIN
                    && self.usual_on_frac.is_none_or(|usual| now - usual < ON_MORE_FRAC)
            })
    }
}

fn window_of_two_days(window: Span) -> Span {
    Span {
        from_ms: window.from_ms - 24 * MS_PER_HOUR,
        until_ms: window.until_ms,
    }
}

/// The warming inside was unusual: by which source.
fn inside(
    context: &Context<'_>,
    line: &Line,
    usual: Option<&Usual>,
    day: Span,
    heaters: &Source,
    lamps: &Source,
    departures: Departures,
) -> Verdict {
    let by = format!(
        "the enclosure was {} warmer over its room than usual at that hour",
        context.words.difference(departures.excess_k)
    );
    let light = context.light_within(day);
    let in_light_h = |spans: &[Span]| spans.iter().map(|span| hours_within(&light, *span)).sum::<f64>();
    let on_today: Vec<Span> = lamps.on.iter().filter_map(|span| span.intersect(day)).collect();
    let lamp_h: f64 = on_today.iter().map(|span| span.hours()).sum();
    if lamp_h - in_light_h(&on_today) >= EXTRA_LIGHT_H && heaters.as_usual() {
        return lamp_verdict(format!("{by}, with the lamp on outside its hours"));
    }
    // The share of the lit hours with at least half of the unusual warming, and the same in the dark.
    let share = |lit: bool| {
        let (mut hours, mut warm) = (0.0_f64, 0.0_f64);
        let mut from_ms = day.from_ms;
        while from_ms < day.until_ms {
            let at = Span {
                from_ms,
                until_ms: from_ms + MS_PER_HOUR,
            };
            let hour = hour_of(context.zone, from_ms);
            let excess = hour_mean(line, from_ms)
                .zip(context.room_c.as_ref().and_then(|room| hour_mean(room, from_ms)))
                .zip(usual.and_then(|usual| usual.excess_k.get(&hour).copied()))
                .map(|((inside, room), usual)| inside - room - usual);
            if let Some(excess_k) = excess.filter(|_| (hours_within(&light, at) > 0.5) == lit) {
                hours += 1.0;
                warm += f64::from(u8::from(excess_k >= 0.5 * departures.excess_k));
            }
            from_ms += MS_PER_HOUR;
        }
        if hours > 0.0 { warm / hours } else { 0.0 }
    };
    let (lit_frac, dark_frac) = (share(true), share(false));
    let only_by_light = lit_frac >= LAMP_HOURS_FRAC && dark_frac < 1.0 - LAMP_HOURS_FRAC;
    if lamps.present && only_by_light && heaters.as_usual() {
        return lamp_verdict(format!("{by}, from lights-on to lights-off"));
    }
    if heaters.present && heaters.on_frac.is_none() && !only_by_light {
        return heater_verdict(format!(
            "{by}, and not only while the lamp was on (the heater sends no states)"
        ));
    }
    unknown(&format!(
        "{by}, and no heater or lamp explains it; sun on the glass is possible"
    ))
}

/// No earlier days to compare with: only plain evidence counts.
fn without_usual(context: &Context<'_>, line: &Line, hot: Span, heaters: &Source, lamps: &Source) -> Verdict {
    let limit_c = context.limits_at(hot.from_ms).max_c;
    let room_c = context
        .room_c
        .as_ref()
        .and_then(|room| room.summary(hot))
        .map(|summary| summary.mean);
    let heater_idle = !heaters.present || heaters.on_frac.is_some_and(|on| on < ON_MORE_FRAC);
    match room_c {
        Some(room_c) if room_c >= limit_c - ROOM_NEAR_K && heater_idle => room_verdict(format!(
            "the room itself stood at {}",
            context.words.temperature(room_c)
        )),
        Some(room_c)
            if heater_idle
                && lamps.on_frac.is_some_and(|on| on > 1.0 - ON_MORE_FRAC)
                && line
                    .summary(hot)
                    .is_some_and(|inside| inside.mean - room_c >= 3.0 * DEPARTURE_K_MIN) =>
        {
            lamp_verdict(format!(
                "under the lamp, while the room stood at {}",
                context.words.temperature(room_c)
            ))
        }
        _ => unknown("there are no earlier days to compare with"),
    }
}

const ANIMALS_FIRST: &str = "Look at the animals first and give them shade, air and water.";

fn room_verdict(evidence: String) -> Verdict {
    Verdict {
        cause: Some(Cause::RoomHeat),
        evidence,
        advice: format!(
            "{ANIMALS_FIRST} Cool the room (blinds, night air), shorten the lamp's hours while it lasts, and move the \
             most delicate animals to the coolest room; no ice, no sudden cold."
        ),
    }
}

fn heater_verdict(evidence: String) -> Verdict {
    Verdict {
        cause: Some(Cause::Heater),
        evidence,
        advice: format!(
            "{ANIMALS_FIRST} Pull the heater's plug (dry hands, dry floor) and leave it out until thermostat, probe and \
             relay are checked or replaced; fit an independent high cut-out, by an electrician where your rules ask for \
             one. No software stands in for it."
        ),
    }
}

fn lamp_verdict(evidence: String) -> Verdict {
    Verdict {
        cause: Some(Cause::Lamp),
        evidence,
        advice: format!(
            "{ANIMALS_FIRST} Check lamp type, distance and timer; a lamp changed for a stronger one or left on needs its \
             guard and fixing looked at, unplugged and cold."
        ),
    }
}

fn unknown(evidence: &str) -> Verdict {
    Verdict {
        cause: None,
        evidence: format!("the cause can't be told ({evidence})"),
        advice: format!(
            "{ANIMALS_FIRST} Then look for sun on the glass, a covered vent, a lamp or heater that was changed, and a \
             sensor that hangs in the warm spot."
        ),
    }
}
