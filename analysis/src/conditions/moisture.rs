//! Hours too dry and too wet by local day, and long runs near saturation.
//!
//! In: the mean humidity over the usable sensors where animals are, the day's and the night's band. Out: one finding a local
//! day and side, one a wet run. A finding needs hours that lie beyond the band by more than the sensors' doubt.

use mosswarden_config::site::Band;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::Day;
use super::context::{Context, silent_words};
use super::places::{Line, Places};
use crate::findings::{Finding, Kind, Severity, Value, Verdicts};
use crate::series::Excess;
use crate::statistics::robust::quantile;
use crate::words::percent;

/// Near saturation: surfaces stay wet, %RH (common practice, no source).
pub(super) const NEAR_SATURATION_PCT: f64 = 97.0;
/// Hours beyond the band and the doubt that make a finding (our own choice). Above the band more, since every misting
/// saturates a healthy enclosure for a while.
const DRY_H_MIN: f64 = 1.0;
const WET_H_MIN: f64 = 3.0;
/// Hours below that make it a warning.
const DRY_WARNING_H: f64 = 4.0;
const WET_WARNING_H: f64 = 8.0;
/// After a change between the day's and the night's band the air gets this long to follow.
const FOLLOW_MS: i64 = MS_PER_HOUR;
/// A day is judged when this share of it is known: the usual share for validity in air-quality rules (from memory).
const KNOWN_FRAC_MIN: f64 = 0.75;
const SILENT_FRAC: f64 = 0.9;
/// Doubt that stands in where a sensor states less than this, %RH: no capacitive sensor is better in wet air.
const DOUBT_PCT_MIN: f64 = 1.5;

/// A wet run is unusual when it is this long, h, and this many times the longest of nearly every day before.
const WET_RUN_H_MIN: f64 = 18.0;
const WET_RUN_TIMES: f64 = 1.75;
const WET_RUN_QUANTILE: f64 = 0.9;
/// Days of history needed to say so; without them only a band that ends below saturation speaks.
const WET_RUN_DAYS_MIN: usize = 7;
/// Wet runs closer than this are one: a short dip of the reading does not dry a leaf.
const WET_JOIN_MS: i64 = MS_PER_HOUR / 2;

/// The band that holds in each part of a span.
pub(super) struct Bands {
    parts: Vec<(Span, Band)>,
    /// The same with the wider of both bands for a while after each change.
    lenient: Vec<(Span, Band)>,
}

impl Bands {
    pub(super) fn of(context: &Context<'_>, span: Span) -> Bands {
        let limits = context.limits_at(span.from_ms);
        let light = context.light_within(span);
        let mut parts: Vec<(Span, Option<Band>)> = Vec::new();
        let mut at_ms = span.from_ms;
        for lit in &light {
            if at_ms < lit.from_ms {
                let dark = Span {
                    from_ms: at_ms,
                    until_ms: lit.from_ms,
                };
                parts.push((dark, limits.humidity_night_pct));
            }
            parts.push((*lit, limits.humidity_day_pct));
            at_ms = lit.until_ms;
        }
        if at_ms < span.until_ms {
            let dark = Span {
                from_ms: at_ms,
                until_ms: span.until_ms,
            };
            parts.push((dark, limits.humidity_night_pct));
        }
        let parts: Vec<(Span, Band)> = parts
            .into_iter()
            .filter_map(|(part, band)| band.map(|band| (part, band)))
            .collect();
        let wider = limits
            .humidity_day_pct
            .zip(limits.humidity_night_pct)
            .map(|(day, night)| Band {
                low: day.low.min(night.low),
                high: day.high.max(night.high),
            });
        let mut lenient = Vec::new();
        for (part, band) in &parts {
            let change_ms = (part.from_ms + FOLLOW_MS).min(part.until_ms);
            let starts_inside = part.from_ms > span.from_ms;
            let (from_ms, until_ms) = (part.from_ms, part.until_ms);
            if starts_inside && let Some(wider) = wider {
                lenient.push((
                    Span {
                        from_ms,
                        until_ms: change_ms,
                    },
                    wider,
                ));
                lenient.push((
                    Span {
                        from_ms: change_ms,
                        until_ms,
                    },
                    *band,
                ));
            } else {
                lenient.push((*part, *band));
            }
        }
        lenient.retain(|(part, _)| part.from_ms < part.until_ms);
        Bands { parts, lenient }
    }

    /// Hours below and above the band by more than `doubt_pct`.
    pub(super) fn hours_outside(&self, line: &Line, doubt_pct: f64) -> (f64, f64) {
        outside(&self.parts, line, doubt_pct)
    }

    /// The same with time to follow a change of the band.
    fn hours_outside_leniently(&self, line: &Line, doubt_pct: f64) -> (f64, f64) {
        outside(&self.lenient, line, doubt_pct)
    }
}

fn outside(parts: &[(Span, Band)], line: &Line, doubt_pct: f64) -> (f64, f64) {
    parts.iter().fold((0.0, 0.0), |(dry, wet), (part, band)| {
        (
            dry + line.below(band.low - doubt_pct, *part).hours,
            wet + line.above(band.high + doubt_pct, *part).hours,
        )
    })
}

/// Judges the measured days.
pub(super) fn judge(context: &Context<'_>, days: &[Day]) -> Verdicts {
    let mut verdicts = Verdicts::default();
    let limits = context.enclosure.limits;
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
    for day in days {
        judge_day(context, places, day, &mut verdicts);
    }
    verdicts.findings.extend(stays_wet(context, places));
    verdicts
}

fn judge_day(context: &Context<'_>, places: &Places, day: &Day, verdicts: &mut Verdicts) {
    let bands = Bands::of(context, day.span);
    let doubt_pct = places.half_width.max(DOUBT_PCT_MIN);
    let (sure_dry_h, sure_wet_h) = bands.hours_outside_leniently(&places.mean, doubt_pct);
    let known_frac = day.humidity_pct.map_or(0.0, |summary| summary.covered_frac);
    let (dry, wet) = (sure_dry_h >= DRY_H_MIN, sure_wet_h >= WET_H_MIN);
    if dry {
        let hours = (
            sure_dry_h,
            day.dry_h,
            bands.hours_outside(&places.mean, -doubt_pct).0,
        );
        verdicts.findings.push(too_low(context, places, day, hours));
    }
    if wet {
        let hours = (
            sure_wet_h,
            day.wet_h,
            bands.hours_outside(&places.mean, -doubt_pct).1,
        );
        verdicts.findings.push(too_high(context, places, day, hours));
    }
    if known_frac < KNOWN_FRAC_MIN {
        for (kind, found) in [(Kind::HumidityTooLow, dry), (Kind::HumidityTooHigh, wet)] {
            if !found {
                verdicts.not_assessed.push(context.not_assessed(
                    kind,
                    None,
                    day.span,
                    format!(
                        "only {} of the humidity of {} known",
                        percent(known_frac),
                        context.words.day(day.span.from_ms)
                    ),
                ));
            }
        }
    }
}

/// First and last instant below (or above) the day's bands.
fn reach(context: &Context<'_>, places: &Places, day: &Day, low: bool) -> (i64, Option<i64>) {
    let bands = Bands::of(context, day.span);
    let runs: Vec<Excess> = bands
        .parts
        .iter()
        .map(|(part, band)| match low {
            true => places.mean.below(band.low, *part),
            false => places.mean.above(band.high, *part),
        })
        .collect();
    let first_ms = runs
        .iter()
        .find_map(|run| run.first_ms)
        .unwrap_or(day.span.from_ms);
    let last_ms = runs
        .iter()
        .rev()
        .find_map(|run| run.last_ms)
        .unwrap_or(day.span.until_ms);
    let open = day.span.until_ms == context.span.until_ms
        && context.span.until_ms - last_ms <= places.mean.gap_ms.min(MS_PER_HOUR);
    (first_ms, (!open).then_some(last_ms))
}

fn band_words(context: &Context<'_>) -> String {
    let limits = context.enclosure.limits;
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
        " (a sensor's known error of {:+.1} %RH is taken off)",
        places.corrected_by
    )
}

fn too_low(
    context: &Context<'_>,
    places: &Places,
    day: &Day,
    (sure, hours, most): (f64, f64, f64),
) -> Finding {
    let severity = if sure >= DRY_WARNING_H {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let value = Value::new("hours below the band", hours, "h").between(sure.min(hours), most.max(hours));
    let (start_ms, end_ms) = reach(context, places, day, true);
    let mut finding = context.finding(Kind::HumidityTooLow, start_ms, severity, value);
    finding.end_ms = end_ms;
    let summary = day.humidity_pct;
    finding.also = summary
        .map(|s| Value::new("lowest humidity", s.low, "%RH"))
        .into_iter()
        .collect();
    let lowest = summary.map_or(String::new(), |s| {
        format!(
            "; lowest {:.1} %RH at {}",
            s.low,
            context.words.clock(s.low_at_ms)
        )
    });
    finding.message = format!(
        "Drier than wanted ({}) for {} on {}{lowest}{}{}.",
        band_words(context),
        context.words.hours(hours),
        context.words.day(day.span.from_ms),
        corrected_words(places),
        silent_words(&places.silent(day.span, SILENT_FRAC), places.sensors.len())
    );
    finding.advice =
        "See that the water dish is full and that mister or fogger works, then compare with the room: dry \
        winter air needs more misting or less vent. Mist by hand today if the animals need it."
            .to_owned();
    finding
}

fn too_high(
    context: &Context<'_>,
    places: &Places,
    day: &Day,
    (sure, hours, most): (f64, f64, f64),
) -> Finding {
    let severity = if sure >= WET_WARNING_H {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let value = Value::new("hours above the band", hours, "h").between(sure.min(hours), most.max(hours));
    let (start_ms, end_ms) = reach(context, places, day, false);
    let mut finding = context.finding(Kind::HumidityTooHigh, start_ms, severity, value);
    finding.end_ms = end_ms;
    finding.also = day
        .humidity_pct
        .map(|s| Value::new("highest humidity", s.high, "%RH"))
        .into_iter()
        .collect();
    finding.message = format!(
        "Wetter than wanted ({}) for {} on {}{}{}.",
        band_words(context),
        context.words.hours(hours),
        context.words.day(day.span.from_ms),
        corrected_words(places),
        silent_words(&places.silent(day.span, SILENT_FRAC), places.sensors.len())
    );
    finding.advice =
        "Look for a valve or fogger that stays on, a covered vent, or soggy ground; let it dry between \
        mistings. Keep water away from plugs and strips."
            .to_owned();
    finding
}

/// Runs near saturation that are unusual here.
fn stays_wet(context: &Context<'_>, places: &Places) -> Vec<Finding> {
    let limits = context.enclosure.limits;
    let top_pct = [limits.humidity_day_pct, limits.humidity_night_pct]
        .into_iter()
        .flatten()
        .map(|band| band.high)
        .fold(0.0, f64::max);
    let runs = wet_runs(&places.mean, context.whole());
    let last = runs.last().copied();
    runs.iter()
        .filter(|run| run.until_ms > context.span.from_ms && run.hours() >= WET_RUN_H_MIN)
        .filter_map(|run| {
            let usual_h = usual_wet_h(context, &places.mean, *run);
            // Without a history only a band that ends well below saturation speaks, and only for a whole day.
            let unusual = match usual_h {
                Some(usual_h) => run.hours() >= WET_RUN_TIMES * usual_h.max(1.0),
                None => top_pct < NEAR_SATURATION_PCT - places.half_width && run.hours() >= 24.0,
            };
            if !unusual {
                return None;
            }
            let value = Value::new("longest time near saturation", run.hours(), "h");
            let severity = if run.hours() >= 48.0 {
                Severity::Warning
            } else {
                Severity::Notice
            };
            let mut finding = context.finding(Kind::StaysWet, run.from_ms, severity, value);
            let open = last == Some(*run) && context.span.until_ms - run.until_ms <= WET_JOIN_MS;
            finding.end_ms = (!open).then_some(run.until_ms);
            finding.also = usual_h
                .map(|hours| Value::new("usual longest in a day", hours, "h"))
                .into_iter()
                .collect();
            let usual = usual_h.map_or(String::new(), |hours| {
                format!("; usually at most about {} a day", context.words.hours(hours))
            });
            finding.message = format!(
                "At or above {NEAR_SATURATION_PCT:.0} %RH without a break for {} from {}{usual}.",
                context.words.hours(run.hours()),
                context.words.moment(run.from_ms)
            );
            finding.advice = "Open a vent or shorten the mistings until leaves and glass dry once a day; look for a valve \
                that leaks, a covered vent and soggy ground. Leaf litter may stay damp, still wet air breeds mould."
                .to_owned();
            Some(finding)
        })
        .collect()
}

/// Runs at or above [`NEAR_SATURATION_PCT`]; a gap ends one, a short dip does not.
fn wet_runs(line: &Line, span: Span) -> Vec<Span> {
    let mut runs: Vec<Span> = Vec::new();
    let mut known_until_ms = i64::MIN;
    line.series
        .view()
        .pieces(span, line.gap_ms, |from_ms, until_ms, v0, v1| {
            let gap = known_until_ms != from_ms;
            known_until_ms = until_ms;
            if v0 < NEAR_SATURATION_PCT || v1 < NEAR_SATURATION_PCT {
                return;
            }
            match runs.last_mut() {
                Some(last) if !gap && from_ms - last.until_ms <= WET_JOIN_MS => last.until_ms = until_ms,
                _ => runs.push(Span { from_ms, until_ms }),
            }
        });
    runs
}

/// What nearly every day's longest wet run stayed below, before this run; `None` with too little history.
fn usual_wet_h(context: &Context<'_>, line: &Line, run: Span) -> Option<f64> {
    let past = Span {
        from_ms: context.record_from_ms().max(run.from_ms - 28 * MS_PER_24_H),
        until_ms: run.from_ms,
    };
    let longest: Vec<f64> = context
        .zone
        .dates(past)
        .into_iter()
        .map(|date| context.zone.day(date))
        .filter(|day| day.until_ms <= run.from_ms && line.known_frac(*day) >= KNOWN_FRAC_MIN)
        .map(|day| {
            wet_runs(line, day)
                .iter()
                .map(|run| run.hours())
                .fold(0.0, f64::max)
        })
        .collect();
    if longest.len() < WET_RUN_DAYS_MIN {
        return None;
    }
    quantile(&longest, WET_RUN_QUANTILE)
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use super::super::kit::{Kit, of, unjudged};
    use super::*;

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

    #[test]
    fn within_the_doubt_or_short_it_is_silent() {
        let kind = Kind::HumidityTooLow;
        assert!(
            of(
                &with_humidity(58.0, 8.0, 20.0).judge("2026-05-18", "2026-05-25"),
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
    fn long_above_the_band_and_long_near_saturation() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        for sensor in ["check", "cool"] {
            kit.refill(sensor, Quantity::Humidity, |kit, at| {
                let inside = (kit.at("2026-05-20T06:00")..kit.at("2026-05-21T06:00")).contains(&at);
                Some(if inside { 99.5 } else { 75.0 })
            });
        }
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        assert_eq!(of(&outcome, Kind::HumidityTooHigh).len(), 2, "two local days");
        let wet = of(&outcome, Kind::StaysWet);
        assert_eq!(wet.len(), 1);
        assert!((wet[0].value.estimate - 24.0).abs() < 0.2, "{:?}", wet[0].value);
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
