//! Hours too dry and too wet by local day, and long runs near saturation.
//!
//! In: the mean humidity over the usable sensors where animals are, the day's and the night's band. Out: one finding a local
//! day and side, one a wet run. A finding needs hours that lie beyond the band by more than the sensors' doubt.
//!
//! - [`bands`]: the band that holds at a time; [`air`]: the day's moisture in figures; [`room`]: what the room made of a change;
//!   [`wet`]: runs near saturation.

mod air;
mod bands;
mod room;
mod wet;

use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::Day;
use super::context::{Context, silent_words};
use super::misting::{Airing, MistTrend, airing_words};
use super::places::{Line, Places};
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::series::Excess;
use crate::words::only_percent;

pub use air::{HalfDay, MoistDay};
pub(super) use air::{coldest_glass_c, measure};
pub(super) use bands::{Bands, Beyond};
pub use wet::WET_RUN_H_MIN;

/// Near saturation: surfaces stay wet, %RH (common practice, no source).
pub(super) const NEAR_SATURATION_PCT: f64 = 97.0;
/// A day is judged when this share of it is known: the usual share for validity in air-quality rules (from memory).
const KNOWN_FRAC_MIN: f64 = 0.75;
const SILENT_FRAC: f64 = 0.9;
/// Doubt that stands in where the sensors state less than this, %RH: no capacitive sensor is better in wet air.
const DOUBT_PCT_MIN: f64 = 1.5;
/// So long beyond the band by the readings, h, but within their doubt: then a day is neither told nor passed over (our own choice).
const WITHIN_DOUBT_H: f64 = 12.0;
/// Only one side of the sensors' interval matters to a day on one side of the band: the one-sided 95 % point of a normal error
/// over the two-sided one.
const ONE_SIDED_FRAC: f64 = 1.645 / 1.96;

/// What differs between a day too dry and a day too wet.
struct Side {
    kind: Kind,
    beyond: Beyond,
    /// Hours beyond the band and the doubt that make a finding, and a warning (our own choice). Above the band more, since
    /// every misting saturates a healthy enclosure for a while.
    hours_min: f64,
    warning_h: f64,
    hours_name: &'static str,
    extreme_name: &'static str,
    word: &'static str,
    advice: &'static str,
}

/// So long below the band by the middle of its readings is dry, h.
const DRY_H_MIN: f64 = 1.0;

const SIDES: [Side; 2] = [
    Side {
        kind: Kind::HumidityTooLow,
        beyond: Beyond::Below,
        hours_min: DRY_H_MIN,
        warning_h: 4.0,
        hours_name: "hours below the band",
        extreme_name: "lowest humidity",
        word: "Drier",
        advice: "See that door, lid and vents stand as you left them, that the water dish is full and that mister or fogger works, then \
            compare with the room: dry winter air needs more misting or less vent. Mist by hand today if the animals need it.",
    },
    Side {
        kind: Kind::HumidityTooHigh,
        beyond: Beyond::Above,
        hours_min: 3.0,
        warning_h: 8.0,
        hours_name: "hours above the band",
        extreme_name: "highest humidity",
        word: "Wetter",
        advice: "Look for a valve or fogger that stays on, a covered vent, or soggy ground; let it dry between mistings. Keep \
            water away from plugs and strips.",
    },
];

/// Where heat dried the air, a covered vent would do harm.
const DRY_BY_HEAT: &str = "Warm air dries: see to the heat first, and leave the vents open. See that the water dish is full, and mist by hand today if \
    the animals need it.";

/// Whether the air is known to have been no drier than wanted over the last day, a day and more after an instant.
pub(super) fn stays_moist_since(context: &Context<'_>, from_ms: i64) -> bool {
    let lately = Span {
        from_ms: context.span.until_ms - MS_PER_24_H,
        until_ms: context.span.until_ms,
    };
    let bands = Bands::of(context, lately);
    let is_dry = |line: &Line| bands.hours(line, Beyond::Below, 0.0) >= DRY_H_MIN;
    from_ms <= lately.from_ms
        && !bands.parts.is_empty()
        && context
            .humidity
            .as_ref()
            .is_some_and(|places| places.mean.known_frac(lately) >= KNOWN_FRAC_MIN && !is_dry(&places.mean))
}

/// Judges the measured days; by the trends of the mistings it is told where a changed exchange of air would explain what was found.
pub(super) fn judge(context: &Context<'_>, days: &[Day], trends: &[MistTrend]) -> Verdicts {
    let mut verdicts = Verdicts::default();
    let limits = context.limits_at(context.span.from_ms);
    if limits.humidity_day_pct.is_none() && limits.humidity_night_pct.is_none() {
        return verdicts;
    }
    let Some(places) = &context.humidity else {
        for kind in [Kind::HumidityTooLow, Kind::HumidityTooHigh, Kind::StaysWet] {
            verdicts.not_assessed.push(context.not_assessed(
                kind,
                None,
                context.span,
                "no usable humidity in this enclosure".to_owned(),
            ));
        }
        return verdicts;
    };
    let (drier, damper) = (
        airing_words(trends, Airing::Faster),
        airing_words(trends, Airing::Slower),
    );
    for day in days {
        for side in &SIDES {
            let airing = match side.beyond {
                Beyond::Below => &drier,
                Beyond::Above => &damper,
            };
            judge_day(context, places, day, side, airing, &mut verdicts);
        }
    }
    verdicts.findings.extend(wet::judge(context, places, &damper));
    if !damper.is_empty()
        && !verdicts
            .findings
            .iter()
            .any(|finding| finding.message.contains(&damper))
    {
        let since = trends.iter().filter(|trend| trend.airing == Airing::Slower);
        let since_ms = since.map(|trend| trend.airing_since_ms).min();
        verdicts
            .findings
            .extend(since_ms.and_then(|since_ms| wet::badly_aired(context, places, since_ms, &damper)));
    }
    verdicts
}

fn judge_day(
    context: &Context<'_>,
    places: &Places,
    day: &Day,
    side: &Side,
    airing: &str,
    verdicts: &mut Verdicts,
) {
    let bands = Bands::of(context, day.span);
    let doubt_pct = (ONE_SIDED_FRAC * places.mean_half_width).max(DOUBT_PCT_MIN);
    let sure_h = bands.hours_leniently(&places.mean, side.beyond, doubt_pct);
    let hours = bands.hours(&places.mean, side.beyond, 0.0);
    if sure_h >= side.hours_min {
        let most_h = bands.hours(&places.mean, side.beyond, -doubt_pct);
        let value = Value::new(side.hours_name, hours, "h").between(sure_h.min(hours), most_h.max(hours));
        verdicts
            .findings
            .push(finding(context, places, day, side, value, airing));
        return;
    }
    let known_frac = day.humidity_pct.map_or(0.0, |summary| summary.covered_frac);
    let reason = if known_frac < KNOWN_FRAC_MIN {
        format!("{} of the humidity known", only_percent(known_frac))
    } else if hours >= WITHIN_DOUBT_H {
        format!(
            "its sensors read {} than wanted for half the day or longer, by no more than their doubt of {doubt_pct:.1} %RH",
            side.word.to_lowercase()
        )
    } else {
        return;
    };
    verdicts
        .not_assessed
        .push(context.not_assessed(side.kind, None, day.span, reason));
}

fn finding(
    context: &Context<'_>,
    places: &Places,
    day: &Day,
    side: &Side,
    value: Value,
    airing: &str,
) -> Finding {
    let hours = value.estimate;
    let severity = if value.low.is_some_and(|sure_h| sure_h >= side.warning_h) {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let beyond = beyond(context, places, day, side.beyond);
    let first_ms = beyond.first().map_or(day.span.from_ms, |run| run.from_ms);
    let last_ms = beyond.last().map_or(day.span.until_ms, |run| run.until_ms);
    let until_ms = context.span.until_ms;
    let open = day.span.until_ms == until_ms && places.mean.still_shows(last_ms, until_ms);
    let mut finding = context.finding(side.kind, first_ms, severity, value);
    finding.end_ms = (!open).then_some(last_ms);
    let mut extreme_words = String::new();
    if let Some(summary) = day.humidity_pct {
        let (extreme, at_ms, word) = match side.beyond {
            Beyond::Below => (summary.low, summary.low_at_ms, "lowest"),
            Beyond::Above => (summary.high, summary.high_at_ms, "highest"),
        };
        finding.also.push(Value::new(side.extreme_name, extreme, "%RH"));
        extreme_words = format!("; {word} {extreme:.1} %RH at {}", context.words.clock(at_ms));
    }
    let made = room::made(context, day.span, &beyond);
    finding.also.extend(made.map(|made| {
        Value::new(
            "share of the change that the room made",
            100.0 * made.by_room,
            "%",
        )
    }));
    finding.message = format!(
        "{} than wanted ({}) for {} on {}{extreme_words}{}{}.{}{airing}",
        side.word,
        band_words(context, day),
        context.words.hours(hours),
        context.words.day(day.span.from_ms),
        corrected_words(places),
        silent_words(&places.silent(day.span, SILENT_FRAC), places.sensors.len()),
        room::words(made, side.beyond)
    );
    let is_hot = day.over.hours > 0.0 || made.is_some_and(|made| made.is_by_own_warmth());
    let advice = match side.beyond {
        Beyond::Below if is_hot => DRY_BY_HEAT,
        _ => side.advice,
    };
    advice.clone_into(&mut finding.advice);
    finding
}

/// The reach of each stretch of the day's bands that lies beyond them, in order.
fn beyond(context: &Context<'_>, places: &Places, day: &Day, side: Beyond) -> Vec<Span> {
    let reach = |excess: Excess| {
        Some(Span {
            from_ms: excess.first_ms?,
            until_ms: excess.last_ms?,
        })
    };
    Bands::of(context, day.span)
        .parts
        .iter()
        .filter_map(|(part, band)| match side {
            Beyond::Below => reach(places.mean.below(band.low, *part)),
            Beyond::Above => reach(places.mean.above(band.high, *part)),
        })
        .collect()
}

fn band_words(context: &Context<'_>, day: &Day) -> String {
    let limits = context.limits_at(day.span.from_ms);
    match (limits.humidity_day_pct, limits.humidity_night_pct) {
        (Some(day), Some(night)) if day != night => format!(
            "{:.0} to {:.0} %RH by day, {:.0} to {:.0} by night",
            day.low, day.high, night.low, night.high
        ),
        (Some(band), _) | (None, Some(band)) => format!("{:.0} to {:.0} %RH", band.low, band.high),
        (None, None) => String::new(),
    }
}

/// What was taken off the readings, in words.
fn corrected_words(places: &Places) -> String {
    /// Smaller corrections are not worth a word, %RH.
    const WORTH_SAYING_PCT: f64 = 1.0;
    if places.corrected_by.abs() < WORTH_SAYING_PCT {
        return String::new();
    }
    format!(
        " (a sensor's likely error of {:+.1} %RH is taken off)",
        places.corrected_by
    )
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use super::super::kit::{Kit, of, unjudged};
    use super::*;
    use crate::physics::humidity::{relative_humidity_pct, vapour_pressure_pa};

    /// The quiet record with a humidity of `pct` in a window of one date.
    fn with_humidity(pct: f64, from_h: f64, until_h: f64) -> Kit {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                let inside = kit.zone.date(at).to_string() == "2026-05-20"
                    && (from_h..until_h).contains(&kit.hour(at));
                Some(if inside { pct } else { 75.0 })
            });
        }
        kit
    }

    #[test]
    fn hours_below_the_band_are_counted_by_day() {
        let outcome = with_humidity(50.0, 10.0, 14.0).judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::HumidityTooLow);
        assert_eq!(found.len(), 1);
        // From 75 to 50 and back within five minutes: 4 h and about 2 · 2 min less one step of 5 min (worked by hand).
        assert!(
            (found[0].value.estimate - 4.0).abs() < 0.1,
            "{:?}",
            found[0].value
        );
        assert_eq!(outcome.days[2].dry_h, found[0].value.estimate);
    }

    /// The same vapour all along, and at midday of one date warmer by so much, with the room or without it.
    fn dried_by_warmth(warmer_k: f64, with_room: bool) -> Finding {
        let mut kit = Kit::quiet("2026-05-04", 21);
        let warmth_k = |kit: &Kit, at: i64| {
            let is_hot =
                kit.zone.date(at).to_string() == "2026-05-20" && (10.0..16.0).contains(&kit.hour(at));
            if is_hot { warmer_k } else { 0.0 }
        };
        let pressure_pa = vapour_pressure_pa(24.0, 70.0);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                Some(24.0 + warmth_k(kit, at))
            });
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                Some(relative_humidity_pct(24.0 + warmth_k(kit, at), pressure_pa))
            });
        }
        let room_k = |kit: &Kit, at: i64| if with_room { warmth_k(kit, at) } else { 0.0 };
        kit.refill("wall", Quantity::Temperature, |kit, at| {
            Some(20.0 + room_k(kit, at))
        });
        kit.refill("wall", Quantity::Humidity, |_, _| Some(50.0));
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::HumidityTooLow);
        assert_eq!(found.len(), 1, "{found:?}");
        found[0].clone()
    }

    #[test]
    fn air_that_its_own_heat_dried_is_told_so_and_no_vent_is_to_be_closed() {
        let own = dried_by_warmth(9.0, false);
        assert!(
            own.message.contains("warmer over its room than usual"),
            "{}",
            own.message
        );
        assert!(own.advice.contains("leave the vents open"), "{}", own.advice);
        let with_room = dried_by_warmth(3.9, true);
        assert!(
            !with_room.message.contains("over its room"),
            "{}",
            with_room.message
        );
        assert!(
            with_room.advice.contains("dry winter air"),
            "{}",
            with_room.advice
        );
    }

    #[test]
    fn within_the_doubt_or_short_it_is_silent() {
        let kind = Kind::HumidityTooLow;
        assert!(
            of(
                &with_humidity(58.5, 8.0, 20.0).judge("2026-05-18", "2026-05-25"),
                kind
            )
            .is_empty()
        );
        assert!(
            of(
                &with_humidity(40.0, 8.0, 8.7).judge("2026-05-18", "2026-05-25"),
                kind
            )
            .is_empty()
        );
        let wet = with_humidity(100.0, 10.0, 12.0).judge("2026-05-18", "2026-05-25");
        assert!(
            of(&wet, Kind::HumidityTooHigh).is_empty(),
            "a misting saturates for a while"
        );
    }

    #[test]
    fn half_a_day_beyond_the_band_within_the_doubt_is_not_called_fine() {
        let kind = Kind::HumidityTooHigh;
        let outcome = with_humidity(96.5, 6.0, 19.0).judge("2026-05-18", "2026-05-25");
        assert!(of(&outcome, kind).is_empty() && unjudged(&outcome, kind));
        let outcome = with_humidity(96.5, 6.0, 11.0).judge("2026-05-18", "2026-05-25");
        assert!(of(&outcome, kind).is_empty() && !unjudged(&outcome, kind));
    }

    #[test]
    fn long_above_the_band_and_long_near_saturation() {
        let judged = |pct: f64| {
            let mut kit = Kit::quiet("2026-05-04", 21);
            for sensor in ["check", "cool"] {
                kit.refill(sensor, Quantity::Humidity, |kit, at| {
                    let inside = (kit.at("2026-05-20T06:00")..kit.at("2026-05-21T06:00")).contains(&at);
                    Some(if inside { pct } else { 75.0 })
                });
            }
            kit.judge("2026-05-18", "2026-05-25")
        };
        // Two sensors of ±3 %RH that share a quarter of their variance: their mean within ±2.4 (worked by hand).
        for (pct, sure_h) in [(99.5, 24.0), (98.5, 0.0)] {
            let outcome = judged(pct);
            let wet = of(&outcome, Kind::StaysWet);
            assert_eq!(wet.len(), 1);
            let value = &wet[0].value;
            let near = |is: f64, should: f64| assert!((is - should).abs() < 0.2, "{pct} %RH: {value:?}");
            near(value.estimate, 24.0);
            near(value.low.expect("given"), sure_h);
            near(value.high.expect("given"), 24.0);
        }
        let outcome = judged(99.5);
        assert_eq!(of(&outcome, Kind::HumidityTooHigh).len(), 2, "two local days");
    }

    #[test]
    fn a_missing_day_is_not_judged() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                (kit.zone.date(at).to_string() != "2026-05-20").then_some(75.0)
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        assert!(unjudged(&outcome, Kind::HumidityTooLow) && of(&outcome, Kind::HumidityTooLow).is_empty());
    }
}
