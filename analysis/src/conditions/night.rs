//! Nights: their mean against the wanted range, and whether they fall below the day.
//!
//! In: the mean over the places that animals can reach. Out: every night that ends in the span, findings, what could not be
//! judged. A night bears the local date on which it begins; its window follows the clock across clock changes.

use chrono::{Days, NaiveDate};
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::Night;
use super::context::{Context, silent_words};
use super::heater::{why_no_warmth, why_warmth};
use super::places::Places;
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::statistics::robust::median;
use crate::words::only_percent;

/// A night is judged when this share of it is known and no gap in it is longer than [`GAP_H_MAX`]: the usual share for
/// validity in air-quality rules (from memory); two hours is about two time constants of a glass tank.
const KNOWN_FRAC_MIN: f64 = 0.75;
const GAP_H_MAX: f64 = 2.0;
/// A mean this little outside is inside: below what a good sensor can tell, ±0.2 °C (common practice, no source).
const TOLERANCE_K: f64 = 0.15;
/// From here on it is a warning, or where the animals' own lowest or highest limit is passed.
const WARNING_K: f64 = 1.0;
/// A night that still runs is judged when this much of it is over and its mean is this far outside, K.
const RUNNING_FRAC_MIN: f64 = 0.75;
const RUNNING_K: f64 = 1.0;
/// Sensors known for less than this share of a night are named as silent.
const SILENT_FRAC: f64 = 0.9;

/// Drops: nights that say what is usual, and how many are needed.
pub const USUAL_NIGHTS: usize = 14;
const USUAL_NIGHTS_MIN: usize = 5;
/// Over so many there must have been a drop as well: some nights of a failed heater or an open window are no habit (own choice).
const LONG_NIGHTS: usize = 3 * USUAL_NIGHTS;
/// Species that want a smaller drop than this, K, are not judged by it; nor enclosures that never had it.
const WANTED_DROP_K_MIN: f64 = 1.5;
const USUAL_DROP_K_MIN: f64 = 2.0;
/// A drop that is left below this share of the wanted and the usual one has vanished.
const DROP_LEFT_FRAC: f64 = 0.35;
/// So many nights in a row.
const NO_DROP_NIGHTS_MIN: usize = 2;

/// Judges the nights that end in the span.
pub(super) fn judge(context: &Context<'_>) -> (Vec<Night>, Verdicts) {
    let mut verdicts = Verdicts::default();
    let Some(places) = &context.temperature else {
        for kind in [Kind::NightTooWarm, Kind::NightTooCold, Kind::NoNightDrop] {
            verdicts.not_assessed.push(context.not_assessed(
                kind,
                None,
                context.span,
                "no usable temperature where the animals can be".to_owned(),
            ));
        }
        return (Vec::new(), verdicts);
    };
    let all = measure(context, places);
    let first = all.partition_point(|night| night.span.until_ms <= context.span.from_ms);
    for night in &all[first..] {
        if let Some(reason) = &night.not_judged {
            if night.span.until_ms <= context.span.until_ms {
                for kind in [Kind::NightTooWarm, Kind::NightTooCold] {
                    verdicts
                        .not_assessed
                        .push(context.not_assessed(kind, None, night.span, reason.clone()));
                }
            }
            continue;
        }
        verdicts.findings.extend(outside(context, places, night));
    }
    verdicts.findings.extend(no_drop(context, &all));
    let nights = all
        .into_iter()
        .skip(first)
        .filter(|night| night.span.until_ms <= context.span.until_ms)
        .collect();
    (nights, verdicts)
}

/// Every night of the record, in order; the last one may still run.
fn measure(context: &Context<'_>, places: &Places) -> Vec<Night> {
    let whole = Span {
        from_ms: context.record_from_ms() - MS_PER_24_H,
        until_ms: context.span.until_ms,
    };
    let mut nights: Vec<Night> = context
        .zone
        .dates(whole)
        .into_iter()
        .map(|local_date| measure_one(context, places, local_date))
        .filter(|night| {
            night.span.from_ms < context.span.until_ms && night.span.from_ms >= context.record_from_ms()
        })
        .collect();
    for index in 0..nights.len() {
        nights[index].usual_mean_c = usual_mean_c(&nights[..index]);
    }
    nights
}

fn measure_one(context: &Context<'_>, places: &Places, local_date: NaiveDate) -> Night {
    let span = context.night_on(local_date);
    let limits = context.enclosure.limits_on(local_date);
    let summary = places.mean.summary(span);
    let outside_h = places.mean.above(limits.night_c.high, span).hours
        + places.mean.below(limits.night_c.low, span).hours;
    let mut night = Night {
        local_date,
        span,
        temperature_c: summary,
        outside_h,
        drop_k: None,
        usual_mean_c: None,
        not_judged: None,
    };
    night.not_judged = why_not(context, places, span, summary.map_or(0.0, |s| s.covered_frac));
    if night.not_judged.is_none() {
        night.drop_k = day_mean_c(context, places, local_date, span)
            .zip(summary)
            .map(|(day_c, night)| day_c - night.mean);
    }
    night
}

fn why_not(context: &Context<'_>, places: &Places, span: Span, known_frac: f64) -> Option<String> {
    let over = span.until_ms <= context.span.until_ms;
    if !over {
        let passed = (context.span.until_ms - span.from_ms) as f64 / (span.until_ms - span.from_ms) as f64;
        return (passed < RUNNING_FRAC_MIN || known_frac < RUNNING_FRAC_MIN)
            .then(|| "the night is not over".to_owned());
    }
    if known_frac < KNOWN_FRAC_MIN {
        return Some(format!("{} of the night known", only_percent(known_frac)));
    }
    places
        .mean
        .gaps(span)
        .into_iter()
        .find(|gap| gap.hours() > GAP_H_MAX)
        .map(|gap| {
            format!(
                "nothing known for {} in the night of {}",
                context.words.hours(gap.hours()),
                context.words.day(span.from_ms)
            )
        })
}

/// The mean of the light hours before a night.
fn day_mean_c(context: &Context<'_>, places: &Places, local_date: NaiveDate, night: Span) -> Option<f64> {
    // The light hours that end where the night begins start on the night's date, or on the one before where they pass midnight.
    [Some(local_date), local_date.checked_sub_days(Days::new(1))]
        .into_iter()
        .flatten()
        .map(|date| context.light_on(date))
        .find(|light| light.until_ms == night.from_ms)
        .and_then(|light| places.mean.summary(light))
        .filter(|summary| summary.covered_frac >= KNOWN_FRAC_MIN)
        .map(|summary| summary.mean)
}

/// The finding about a night outside its range.
fn outside(context: &Context<'_>, places: &Places, night: &Night) -> Option<Finding> {
    let summary = night.temperature_c?;
    let limits = context.enclosure.limits_on(night.local_date);
    let (kind, beyond_k) = if summary.mean > limits.night_c.high {
        (Kind::NightTooWarm, summary.mean - limits.night_c.high)
    } else {
        (Kind::NightTooCold, summary.mean - limits.night_c.low)
    };
    let running = night.span.until_ms > context.span.until_ms;
    let tolerance_k = if running { RUNNING_K } else { TOLERANCE_K };
    let out = match kind {
        Kind::NightTooWarm => beyond_k >= tolerance_k,
        _ => beyond_k <= -tolerance_k,
    };
    if !out {
        return None;
    }
    let passed_limit = summary.high > limits.max_c || summary.low < limits.min_c;
    let severity = if beyond_k.abs() >= WARNING_K || passed_limit {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let u = places.half_width;
    let value =
        Value::new("night mean minus the nearest limit", beyond_k, "Cel").between(beyond_k - u, beyond_k + u);
    let mut finding = context.finding(kind, night.span.from_ms, severity, value);
    finding.end_ms = (!running).then_some(night.span.until_ms);
    finding.also = vec![
        Value::new("night mean", summary.mean, "Cel"),
        Value::new("lowest", summary.low, "Cel"),
        Value::new("highest", summary.high, "Cel"),
        Value::new("hours outside the night range", night.outside_h, "h"),
    ];
    finding.also.extend(
        night
            .drop_k
            .map(|drop_k| Value::new("day mean minus night mean", drop_k, "Cel")),
    );
    finding.also.extend(
        night
            .usual_mean_c
            .map(|mean_c| Value::new("usual night mean", mean_c, "Cel")),
    );
    let words = context.words;
    let (direction, limit_c, end, end_c) = match kind {
        Kind::NightTooWarm => ("above", limits.night_c.high, "highest", summary.high),
        _ => ("below", limits.night_c.low, "lowest", summary.low),
    };
    let usual = night.usual_mean_c.map_or(String::new(), |mean_c| {
        format!(" (usually {})", words.temperature(mean_c))
    });
    let silent = silent_words(&places.silent(night.span, SILENT_FRAC), places.sensors.len());
    let why = match kind {
        Kind::NightTooWarm => why_warmth(context, night.span),
        _ => why_no_warmth(context, night.span),
    };
    let room = room_words(context, night, kind == Kind::NightTooWarm);
    let why: Vec<String> = [why, room].into_iter().flatten().collect();
    let why = match why.is_empty() {
        true => String::new(),
        false => format!(": {}", why.join("; ")),
    };
    finding.message = format!(
        "The night of {} had a mean of {}{usual}, {} {direction} the wanted {}; {end} {}{silent}{why}.",
        words.day(night.span.from_ms),
        words.temperature(summary.mean),
        words.difference(beyond_k.abs()),
        words.temperature(limit_c),
        words.temperature(end_c)
    );
    finding.advice = match kind {
        Kind::NightTooWarm => "Check that lamps and heaters are off at night and what the room does; air the room in the \
            evening. A night target below what the room allows can't be met by the enclosure alone. Animals that need a cool night rest badly \
            without it."
            .to_owned(),
        _ => "Look at the animals, then at heater, plug, thermostat and draughts. Never raise the heat on an animal that looks \
            unwell; ring a veterinarian."
            .to_owned(),
    };
    Some(finding)
}

/// What the room did in a night outside its range, where that explains some of it.
fn room_words(context: &Context<'_>, night: &Night, is_warm: bool) -> Option<String> {
    /// A room this much beyond its usual nights is worth saying, K; or one that is itself this near the range's upper end.
    const ROOM_BEYOND_K: f64 = 1.0;
    const ROOM_NEAR_K: f64 = 0.5;
    let room = context.room_c.as_ref()?;
    let mean_c = |date: NaiveDate| {
        let known = room.summary(context.night_on(date))?;
        (known.covered_frac >= KNOWN_FRAC_MIN).then_some(known.mean)
    };
    let now_c = mean_c(night.local_date)?;
    let before: Vec<f64> = (1..=USUAL_NIGHTS as u64)
        .filter_map(|days| mean_c(night.local_date.checked_sub_days(Days::new(days))?))
        .collect();
    let usual_c = (before.len() >= USUAL_NIGHTS_MIN)
        .then(|| median(&before))
        .flatten();
    let beyond_k = usual_c.map_or(
        0.0,
        |usual_c| if is_warm { now_c - usual_c } else { usual_c - now_c },
    );
    let words = context.words;
    let limit_c = context.enclosure.limits_on(night.local_date).night_c.high;
    if beyond_k >= ROOM_BEYOND_K {
        Some(format!(
            "the room was {} {} than in its usual nights, {} in the mean",
            words.difference(beyond_k),
            if is_warm { "warmer" } else { "colder" },
            words.temperature(now_c)
        ))
    } else if is_warm && now_c >= limit_c - ROOM_NEAR_K {
        Some(format!(
            "the room itself had a mean of {}",
            words.temperature(now_c)
        ))
    } else {
        None
    }
}

/// Median of the means of the last nights that were judged.
fn usual_mean_c(before: &[Night]) -> Option<f64> {
    let values: Vec<f64> = before
        .iter()
        .rev()
        .filter(|night| night.not_judged.is_none())
        .filter_map(|night| night.temperature_c.map(|summary| summary.mean))
        .take(USUAL_NIGHTS)
        .collect();
    if values.len() < USUAL_NIGHTS_MIN {
        return None;
    }
    median(&values)
}

/// Stretches of nights that no longer fall below the day.
fn no_drop(context: &Context<'_>, nights: &[Night]) -> Vec<Finding> {
    let middle = |band: mosswarden_config::site::Band| 0.5 * (band.low + band.high);
    let wanted_k = |night: &Night| {
        let limits = context.enclosure.limits_on(night.local_date);
        middle(limits.day_c) - middle(limits.night_c)
    };
    let mut good: Vec<f64> = Vec::new();
    let mut stretches: Vec<(Vec<&Night>, f64)> = Vec::new();
    let mut open = false;
    for night in nights {
        let Some(drop_k) = night.drop_k else { continue };
        let wanted_k = wanted_k(night);
        if wanted_k < WANTED_DROP_K_MIN {
            continue;
        }
        let last = |nights: usize| &good[good.len().saturating_sub(nights)..];
        let usual_k = (good.len() >= USUAL_NIGHTS_MIN)
            .then(|| median(last(USUAL_NIGHTS)))
            .flatten();
        let long_since = || median(last(LONG_NIGHTS)).is_some_and(|drop_k| drop_k >= USUAL_DROP_K_MIN);
        let vanished = usual_k.is_some_and(|usual_k| {
            usual_k >= USUAL_DROP_K_MIN
                && long_since()
                && drop_k < DROP_LEFT_FRAC * usual_k
                && drop_k < DROP_LEFT_FRAC * wanted_k
        });
        if !vanished {
            good.push(drop_k);
        } else if open && let Some((stretch, _)) = stretches.last_mut() {
            stretch.push(night);
        } else {
            stretches.push((vec![night], usual_k.unwrap_or(wanted_k)));
        }
        open = vanished;
    }
    let still_open = open;
    let count = stretches.len();
    stretches
        .into_iter()
        .enumerate()
        .filter_map(|(index, (stretch, usual_k))| {
            let (first, last) = (stretch.first()?, stretch.last()?);
            if stretch.len() < NO_DROP_NIGHTS_MIN || last.span.until_ms <= context.span.from_ms {
                return None;
            }
            let drops: Vec<f64> = stretch.iter().filter_map(|night| night.drop_k).collect();
            let mean_k = drops.iter().sum::<f64>() / drops.len() as f64;
            let wanted_k = wanted_k(last);
            let value = Value::new("day mean minus night mean", mean_k, "Cel");
            let mut finding = context.finding(Kind::NoNightDrop, first.span.from_ms, Severity::Notice, value);
            finding.end_ms = (!(still_open && index + 1 == count)).then_some(last.span.until_ms);
            finding.also = vec![
                Value::new("usual drop", usual_k, "Cel"),
                Value::new("nights", stretch.len() as f64, "1"),
            ];
            finding.message = format!(
                "For {} since {} the night was only {} cooler than the day; usual here are {}, the species wants about {}.",
                crate::words::several(stretch.len(), "night"),
                context.words.day(first.span.from_ms),
                context.words.difference(mean_k),
                context.words.difference(usual_k),
                context.words.difference(wanted_k)
            );
            finding.advice = "Check whether a lamp or heater runs through the night, whether the lamp warms by day at all, \
                and whether the room cools; then the set-point for the night."
                .to_owned();
            Some(finding)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use super::super::kit::{Kit, of, quiet_c};
    use super::*;

    /// A quiet record whose night that begins on `date` is shifted by `shift_k`.
    fn shifted(date: &str, shift_k: f64) -> Kit {
        let mut kit = Kit::quiet("2026-03-02", 35);
        let night = kit
            .zone
            .night(date.parse().expect("a date"), kit.site.enclosures[0].light);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                Some(quiet_c(kit, at) + if night.contains(at) { shift_k } else { 0.0 })
            });
        }
        kit
    }

    #[test]
    fn a_cold_night_over_a_clock_change_bears_the_date_on_which_it_begins() {
        let outcome = shifted("2026-03-28", -4.0).judge("2026-03-23", "2026-03-30");
        let found = of(&outcome, Kind::NightTooCold);
        assert_eq!(found.len(), 1, "{found:?}");
        // 15 °C against a lower limit of 16 °C; the switch between two readings moves the mean by some hundredths.
        assert!(
            (found[0].value.estimate + 1.0).abs() < 0.1,
            "{:?}",
            found[0].value
        );
        assert_eq!(
            found[0].start_ms,
            Kit::new("2026-03-02", 1).at("2026-03-28T20:00")
        );
        assert_eq!(
            found[0].end_ms,
            Some(Kit::new("2026-03-02", 1).at("2026-03-29T08:00"))
        );
        assert!(
            found[0].message.contains("the night of Saturday 28 March")
                || found[0].message.contains("The night of Saturday 28 March")
        );
    }

    #[test]
    fn what_is_usual_is_the_middle_of_the_nights_before_and_no_cold_night_moves_it() {
        let outcome = shifted("2026-03-25", -4.0).judge("2026-03-23", "2026-03-30");
        let (cold, next) = (&outcome.nights[3], &outcome.nights[4]);
        assert_eq!(cold.local_date.to_string(), "2026-03-25");
        let mean_c = cold.temperature_c.expect("known").mean;
        for night in [cold, next] {
            let usual_c = night.usual_mean_c.expect("three weeks stand before it");
            assert!((usual_c - mean_c - 4.0).abs() < 0.1, "{usual_c} {mean_c}");
        }
        // In the first days of a record nothing is usual yet.
        let outcome = Kit::quiet("2026-03-02", 4).judge("2026-03-02", "2026-03-06");
        assert!(outcome.nights.iter().all(|night| night.usual_mean_c.is_none()));
    }

    #[test]
    fn a_warm_night_is_found_and_a_slightly_warm_one_is_not() {
        assert_eq!(
            of(
                &shifted("2026-03-25", 2.5).judge("2026-03-23", "2026-03-30"),
                Kind::NightTooWarm
            )
            .len(),
            1
        );
        assert!(
            of(
                &shifted("2026-03-25", 1.4).judge("2026-03-23", "2026-03-30"),
                Kind::NightTooWarm
            )
            .is_empty()
        );
    }

    #[test]
    fn a_warm_night_names_a_room_that_was_warmer_than_in_its_usual_nights_and_only_then() {
        let said = |room_c: f64| {
            let mut kit = shifted("2026-03-25", 2.5);
            kit.refill("wall", Quantity::Temperature, move |kit, at| {
                let then = (kit.at("2026-03-25T18:00")..kit.at("2026-03-26T12:00")).contains(&at);
                Some(if then { room_c } else { 18.0 })
            });
            let outcome = kit.judge("2026-03-23", "2026-03-30");
            of(&outcome, Kind::NightTooWarm)[0].message.clone()
        };
        let warm = said(20.5);
        assert!(
            warm.contains("the room was 2.5 °C warmer than in its usual nights, 20.5 °C in the mean"),
            "{warm}"
        );
        assert!(!said(18.3).contains("the room"), "{}", said(18.3));
    }

    #[test]
    fn a_night_with_a_long_gap_is_not_judged() {
        let mut kit = shifted("2026-03-25", -4.0);
        let gap = Span {
            from_ms: kit.at("2026-03-26T01:00"),
            until_ms: kit.at("2026-03-26T03:30"),
        };
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                (!gap.contains(at)).then(|| quiet_c(kit, at) - 4.0)
            });
        }
        let outcome = kit.judge("2026-03-25", "2026-03-27");
        assert!(
            of(&outcome, Kind::NightTooCold)
                .iter()
                .all(|f| f.start_ms != kit.at("2026-03-25T20:00"))
        );
        let night = outcome
            .nights
            .iter()
            .find(|night| night.local_date.to_string() == "2026-03-25")
            .expect("it is listed");
        assert!(
            night
                .not_judged
                .as_deref()
                .is_some_and(|why| why.contains("2 h 35 min")),
            "{night:?}"
        );
    }

    #[test]
    fn nights_that_no_longer_fall_are_one_finding() {
        let mut kit = Kit::quiet("2026-03-02", 35);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                Some(if at >= kit.at("2026-03-25T20:00") {
                    20.0
                } else {
                    quiet_c(kit, at)
                })
            });
        }
        let outcome = kit.judge("2026-03-23", "2026-03-30");
        let found = of(&outcome, Kind::NoNightDrop);
        assert_eq!(found.len(), 1, "{found:?}");
        // The night of the 25th still follows a day of 24 °C.
        assert_eq!(found[0].start_ms, kit.at("2026-03-26T20:00"));
        assert!(found[0].value.estimate.abs() < 0.2 && found[0].end_ms.is_none());
    }

    /// The nights are as warm as the days, but for ten in which the heater had failed.
    #[test]
    fn what_was_so_for_a_few_nights_is_no_drop_that_vanishes() {
        let mut kit = Kit::quiet("2026-03-02", 42);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Temperature, |kit, at| {
                let has_failed = (kit.at("2026-03-22")..kit.at("2026-04-01")).contains(&at);
                Some(if has_failed { quiet_c(kit, at) } else { 24.0 })
            });
        }
        let outcome = kit.judge("2026-04-06", "2026-04-13");
        assert!(of(&outcome, Kind::NoNightDrop).is_empty());
        assert!(outcome.nights.iter().all(|night| night.drop_k.is_some()));
    }
}
