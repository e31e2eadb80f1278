//! What made a day too hot: the room, a heater, a lamp, or cannot be told.
//!
//! In: the hours above the limit, what is usual at those hours, states of heaters and lamps. Out: a cause with its evidence in
//! words, how sure that is, and what to do. Compared are two departures from the usual at the same hours: the room's, and the enclosure's
//! excess over the room. The larger one is the cause; inside the enclosure the states of the devices say which source it is. Where the
//! enclosure's own heat was learned, its model says independently how much room, heater and lamp made of it: both agree, or it is told
//! as likely only.

mod source;
mod verdict;

use mosswarden_config::site::DeviceKind;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::context::Context;
use super::device::hours_within;
use super::heater;
use super::places::{Line, hour_of};
use super::thermal::{Shares, WhatItWouldDo};
use super::usual::{Usual, hour_mean};
use crate::series::Excess;
use crate::words::percent;
use source::Source;
use verdict::{Verdict, heater_verdict, lamp_verdict, room_verdict, unknown};

/// A departure from the usual below this, K, explains nothing: rooms and enclosures vary by about so much from day to day
/// (common practice, no source).
const DEPARTURE_K_MIN: f64 = 0.7;
/// Share of the hot hours that a heater must have been on beyond its set-point to be the cause.
const STUCK_FRAC_MIN: f64 = 0.3;
/// A heater on for this much more of the time than usual, and the enclosure warmer over the room than usual, is the cause.
const ON_MORE_FRAC: f64 = 0.3;
/// Time before the first hot minute in which a source already acted.
const LEAD_MS: i64 = 2 * MS_PER_HOUR;
/// Without a sensor in the room: dark hours that count begin so long before the day, and were warmer by this share of the hot hours.
const DARK_BEFORE_MS: i64 = 6 * MS_PER_HOUR;
const DARK_FRAC_MIN: f64 = 0.4;
/// A heater that was on for this much less of the dark hours was needed less.
const NEEDED_LESS_FRAC: f64 = 0.1;
/// Light outside the light hours that points at the lamp, h.
const EXTRA_LIGHT_H: f64 = 1.0;
/// A lamp's excess is there from the first hours of light and for most of them; the sun's is not.
const LAMP_HOURS_FRAC: f64 = 0.7;
/// Without a usual to compare with, a room this near the limit, K, is the cause by itself.
const ROOM_NEAR_K: f64 = 1.5;

/// Departures from the usual during the hot hours, weighted by how far above the limit each hour was.
#[derive(Debug, Clone, Copy)]
struct Departures {
    room_k: f64,
    excess_k: f64,
}

/// The cause of the hours in `over`.
pub(super) fn of_overheating(
    context: &Context<'_>,
    learned: &WhatItWouldDo,
    line: &Line,
    day: Span,
    over: &Excess,
) -> Verdict {
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
    let shares = usual.as_ref().and_then(|usual| shares(learned, usual, hot));
    by_evidence(context, line, day, hot, acting, usual).weighed(context, shares)
}

/// What made the hot hours, by the thermal model of the place that was coolest then.
fn shares(learned: &WhatItWouldDo, usual: &Usual, hot: Span) -> Option<Shares> {
    learned
        .places
        .iter()
        .filter_map(|place| Some((place.mean_c(hot)?, place.shares(hot, &usual.days)?)))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, shares)| shares)
}

fn by_evidence(
    context: &Context<'_>,
    line: &Line,
    day: Span,
    hot: Span,
    acting: Span,
    usual: Option<Usual>,
) -> Verdict {
    let limit_c = context.limits_at(day.from_ms).max_c;
    let departures = usual
        .as_ref()
        .and_then(|usual| departures(context, line, usual, hot, limit_c));
    let heaters = Source::of(context, DeviceKind::Heater, acting, usual.as_ref());
    let lamps = Source::of(context, DeviceKind::Lamp, acting, usual.as_ref());
    let unusual_inside = departures.is_none_or(|d| d.excess_k >= DEPARTURE_K_MIN);

    if heaters.stuck_frac >= STUCK_FRAC_MIN
        && departures.is_none_or(|d| d.excess_k > d.room_k.min(DEPARTURE_K_MIN))
    {
        let works_at_c = context
            .enclosure
            .devices_of(DeviceKind::Heater)
            .find_map(|device| heater::works_at_c(context, device, acting));
        let how = match works_at_c {
            Some(works_at_c) => heater::set_higher(context, works_at_c),
            None => format!(
                "the heater was on beyond its set-point for {} of that time, without cycling",
                percent(heaters.stuck_frac)
            ),
        };
        return heater_verdict(how);
    }
    if unusual_inside && heaters.more_than_usual() && departures.is_none_or(|d| d.excess_k >= d.room_k) {
        let probe = heater::probe_too_cool_k(context, acting).map_or(String::new(), |k| {
            format!(
                "; its thermostat's probe read {} cooler than usual beside the other places: it has slipped, or hangs in a draught",
                context.words.difference(k)
            )
        });
        return heater_verdict(format!(
            "the heater was on for {} of that time, far more than usual{probe}",
            percent(heaters.on_frac.unwrap_or(0.0))
        ));
    }
    match departures {
        Some(d) if d.room_k >= DEPARTURE_K_MIN && d.room_k >= d.excess_k => room_verdict(format!(
            "the room was {} warmer than usual at that hour, the enclosure followed it",
            context.words.difference(d.room_k)
        )),
        Some(d) if d.excess_k >= DEPARTURE_K_MIN => {
            inside(context, line, usual.as_ref(), (day, hot), &heaters, &lamps, d)
        }
        Some(_) => unknown(
            "neither the room nor the warming inside was far from usual; the enclosure usually runs close to the limit",
        ),
        None => match usual.as_ref().filter(|_| context.room_c.is_none()) {
            Some(usual) => without_room(context, line, usual, (day, hot), &heaters, &lamps),
            None => without_usual(context, line, hot, &heaters, &lamps),
        },
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
    let mut from_ms = context.zone.hour_start_ms(hot.from_ms);
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

/// The warming inside was unusual: by which source.
fn inside(
    context: &Context<'_>,
    line: &Line,
    usual: Option<&Usual>,
    (day, hot): (Span, Span),
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
    let hours = unusual_hours(context, line, usual, day);
    // The share of the lit hours with at least half of the unusual warming, and the same in the dark.
    let is_lit = |from_ms: i64| hours_within(&light, hour_from(from_ms)) > 0.5;
    let share = |lit: bool| {
        let of_kind = || hours.iter().filter(|(from_ms, _)| is_lit(*from_ms) == lit);
        let warm = of_kind().filter(|(_, k)| *k >= 0.5 * departures.excess_k).count();
        warm as f64 / of_kind().count().max(1) as f64
    };
    let (lit_frac, dark_frac) = (share(true), share(false));
    let only_by_light = lit_frac >= LAMP_HOURS_FRAC && dark_frac < 1.0 - LAMP_HOURS_FRAC;
    if lamps.present && only_by_light && heaters.as_usual() {
        return lamp_verdict(format!("{by}, from lights-on to lights-off"));
    }
    if lamps.present && only_by_light && heaters.on_frac.is_none() {
        return lamp_verdict(format!(
            "{by}, from lights-on to lights-off, and as usual in the dark, in which a heater that gives too much would show (it sends no states)"
        ));
    }
    if lamps.present && heaters.as_usual() && highest_at_lights_off(&hours, &is_lit) {
        return lamp_verdict(format!(
            "{by}, and it was at its height when the light went off, long after the sun would have moved on"
        ));
    }
    if heaters.present && heaters.on_frac.is_none() && !only_by_light {
        return heater_verdict(format!(
            "{by}, and not only while the lamp was on (the heater sends no states)"
        ));
    }
    let in_sun = only_in_sunshine(context, &hours, day, departures);
    let sun = if in_sun {
        format!(
            "sun on the glass is likely: it came and went between {} and {}, and a probe that it reaches reads warmer than the air",
            context.words.clock(hot.from_ms),
            context.words.clock(hot.until_ms)
        )
    } else {
        "sun on the glass is possible".to_owned()
    };
    Verdict {
        in_sun,
        ..unknown(&format!("{by}, and no heater or lamp explains it; {sun}"))
    }
}

/// The sun moves on: no spot is in it for more than this, h (common practice, no source).
const SUN_HOURS_MAX: usize = 7;

/// Whether the unusual warming lay between sunrise and sunset and for a part of the day only.
fn only_in_sunshine(context: &Context<'_>, hours: &[(i64, f64)], day: Span, departures: Departures) -> bool {
    let sun = context.place.map_or_else(
        // Without a place: the hours in which the sun can stand on a window in most of the year.
        || Span {
            from_ms: day.from_ms + 6 * MS_PER_HOUR,
            until_ms: day.from_ms + 21 * MS_PER_HOUR,
        },
        |place| {
            let (from_ms, until_ms) = place.sun_ms(context.zone.date(day.from_ms));
            Span { from_ms, until_ms }
        },
    );
    let warm = |inside: bool| {
        hours
            .iter()
            .filter(|(from_ms, k)| *k >= 0.5 * departures.excess_k && sun.contains(*from_ms) == inside)
            .count()
    };
    warm(true) > 0 && warm(true) <= SUN_HOURS_MAX && warm(false) == 0
}

/// Whether the unusual warming lasted for hours and stood near its height in the last hour of light: a lamp's does, the sun's has faded.
fn highest_at_lights_off(hours: &[(i64, f64)], is_lit: &impl Fn(i64) -> bool) -> bool {
    /// Longer than the sun stands on one pane, h (common practice, no source).
    const WARM_HOURS_MIN: usize = 4;
    const NEAR_HEIGHT_FRAC: f64 = 0.8;
    let lit: Vec<f64> = hours
        .iter()
        .filter(|(from_ms, _)| is_lit(*from_ms))
        .map(|(_, k)| *k)
        .collect();
    let height_k = lit.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let warm = lit.iter().rev().take_while(|k| **k >= 0.5 * height_k).count();
    height_k >= DEPARTURE_K_MIN
        && warm >= WARM_HOURS_MIN
        && lit.last().is_some_and(|k| *k >= NEAR_HEIGHT_FRAC * height_k)
}

fn hour_from(from_ms: i64) -> Span {
    Span {
        from_ms,
        until_ms: from_ms + MS_PER_HOUR,
    }
}

/// By how much each hour of a day was warmer over its room than usual, K.
fn unusual_hours(context: &Context<'_>, line: &Line, usual: Option<&Usual>, day: Span) -> Vec<(i64, f64)> {
    let (Some(room), Some(usual)) = (context.room_c.as_ref(), usual) else {
        return Vec::new();
    };
    (day.from_ms..day.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .filter_map(|from_ms| {
            let usual_k = usual.excess_k.get(&hour_of(context.zone, from_ms))?;
            Some((
                from_ms,
                hour_mean(line, from_ms)? - hour_mean(room, from_ms)? - usual_k,
            ))
        })
        .collect()
}

/// Nothing measures the room: it is the cause where the dark hours were warmer as well, or their heater was needed less, and no heater or
/// lamp gave more than usual by day. Where the dark hours were as ever, heater and all, what warmed from lights-on to lights-off was the lamp.
fn without_room(
    context: &Context<'_>,
    line: &Line,
    usual: &Usual,
    (day, hot): (Span, Span),
    heaters: &Source,
    lamps: &Source,
) -> Verdict {
    let around = Span {
        from_ms: day.from_ms - DARK_BEFORE_MS,
        until_ms: day.until_ms,
    };
    let light = context.light_within(around);
    let hours: Vec<(i64, f64)> = (around.from_ms..around.until_ms)
        .step_by(MS_PER_HOUR as usize)
        .filter_map(|from_ms| {
            let usual_c = usual.inside_c.get(&hour_of(context.zone, from_ms))?;
            Some((from_ms, hour_mean(line, from_ms)? - usual_c))
        })
        .collect();
    let warmer_k = |is_asked: &dyn Fn(Span) -> bool| {
        let asked = hours.iter().filter(|(from_ms, _)| is_asked(hour_from(*from_ms)));
        let asked: Vec<f64> = asked.map(|(_, k)| *k).collect();
        (!asked.is_empty()).then(|| asked.iter().sum::<f64>() / asked.len() as f64)
    };
    let by_day_k = warmer_k(&|hour| hour.intersect(hot).is_some());
    let in_the_dark_k = warmer_k(&|hour| hours_within(&light, hour) == 0.0);
    let dark = Span {
        from_ms: around.from_ms,
        until_ms: light
            .first()
            .map_or(day.from_ms, |light| light.from_ms.max(day.from_ms)),
    };
    let needed_less_frac: Vec<Option<f64>> = context
        .enclosure
        .devices_of(DeviceKind::Heater)
        .map(|device| {
            let states = context.states(device)?;
            Some(usual.on_frac(&states, dark)? - states.on_frac(dark)?)
        })
        .collect();
    let needed_less = needed_less_frac
        .iter()
        .flatten()
        .any(|less| *less >= NEEDED_LESS_FRAC);
    let needed_as_ever = needed_less_frac
        .iter()
        .all(|less| less.is_some_and(|less| less < 0.5 * NEEDED_LESS_FRAC));
    let is_lit = |from_ms: i64| hours_within(&light, hour_from(from_ms)) > 0.5;
    let by_light_k: Vec<f64> = hours
        .iter()
        .filter(|(from_ms, _)| is_lit(*from_ms))
        .map(|(_, k)| *k)
        .collect();
    let all_through_the_light = |by_day_k: f64| {
        let warm = by_light_k.iter().filter(|k| **k >= 0.5 * by_day_k).count();
        warm as f64 >= LAMP_HOURS_FRAC * by_light_k.len() as f64 && highest_at_lights_off(&hours, &is_lit)
    };
    match (by_day_k, in_the_dark_k) {
        (Some(by_day_k), Some(in_the_dark_k))
            if (needed_less || in_the_dark_k >= DEPARTURE_K_MIN.max(DARK_FRAC_MIN * by_day_k))
                && by_day_k >= DEPARTURE_K_MIN
                && heaters.as_usual()
                && lamps.as_usual() =>
        {
            let in_the_dark = if needed_less {
                "its heater was needed less in the dark".to_owned()
            } else {
                format!("{} warmer in the dark", context.words.difference(in_the_dark_k))
            };
            room_verdict(format!(
                "it was {} warmer than usual at that hour and {in_the_dark}, while no heater or lamp gave more than usual: the room is likely, though no sensor measures it",
                context.words.difference(by_day_k),
            ))
        }
        (Some(by_day_k), Some(in_the_dark_k))
            if lamps.present
                && needed_as_ever
                && heaters.as_usual()
                && by_day_k >= DEPARTURE_K_MIN
                && in_the_dark_k < DEPARTURE_K_MIN.min(DARK_FRAC_MIN * by_day_k)
                && all_through_the_light(by_day_k) =>
        {
            lamp_verdict(format!(
                "it was {} warmer than usual at that hour, from lights-on to lights-off, and as usual in the dark, while no heater gave more than usual: the lamp is likely, \
                 though no sensor measures the room",
                context.words.difference(by_day_k),
            ))
        }
        _ if heaters.present && heaters.on_frac.is_none() => {
            unknown("no sensor measures the room, and nothing is known of the heater")
        }
        _ => unknown("no sensor measures the room"),
    }
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

/// The cause of the hours below the limit, with its evidence; the finding's `cause` is for heat alone.
pub(super) fn of_overcooling(context: &Context<'_>, line: &Line, day: Span, under: &Excess) -> Verdict {
    let cold = Span {
        from_ms: under.first_ms.unwrap_or(day.from_ms),
        until_ms: under
            .last_ms
            .unwrap_or(day.until_ms)
            .max(under.first_ms.unwrap_or(0) + 1),
    };
    let acting = Span {
        from_ms: cold.from_ms - LEAD_MS,
        until_ms: cold.until_ms,
    };
    let usual = Usual::before(context, line, f64::INFINITY, day.from_ms);
    let departures = usual
        .as_ref()
        .and_then(|usual| departures(context, line, usual, cold, f64::INFINITY));
    let evidence = if context.record.power_was_cut(&context.enclosure.id, acting) {
        "the power was cut".to_owned()
    } else if let Some(words) = heater::why_no_warmth(context, acting) {
        words
    } else {
        match departures {
            Some(d) if d.room_k <= -DEPARTURE_K_MIN && d.room_k <= d.excess_k => format!(
                "the room was {} colder than usual at that hour, the enclosure followed it",
                context.words.difference(-d.room_k)
            ),
            Some(d) if d.excess_k <= -DEPARTURE_K_MIN => format!(
                "the enclosure was {} cooler over its room than usual at that hour; {} is likely",
                context.words.difference(-d.excess_k),
                if heater::are_known(context, acting) {
                    "its heater did as it was asked, so a draught, an open lid or a lamp that failed"
                } else {
                    "a draught, an open lid, or a lamp or heater that failed (what its heater did is not known)"
                }
            ),
            Some(_) => "the cause can't be told (neither the room nor the warming inside was far from usual)"
                .to_owned(),
            None if usual.is_some() => "the cause can't be told (no sensor measures the room)".to_owned(),
            None => "the cause can't be told (there are no earlier days to compare with)".to_owned(),
        }
    };
    Verdict {
        cause: None,
        evidence,
        advice: "Look at the animals first, then at heater, thermostat and lamp, and for a draught. \
            Let a cold animal warm slowly with its room; never raise the heat on an animal that looks unwell, ring \
            a veterinarian. Unplug before you reach near wet fittings."
            .to_owned(),
        in_sun: false,
    }
}
