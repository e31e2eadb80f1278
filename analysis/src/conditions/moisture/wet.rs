//! Long runs near saturation, against the enclosure's own usual.

use mosswarden_config::journal::{CHANGES_AIR, NOTE};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::super::context::Context;
use super::super::places::{Line, Places};
use super::{KNOWN_FRAC_MIN, NEAR_SATURATION_PCT};
use crate::findings::{Finding, Kind, Severity, Value};
use crate::statistics::robust::quantile;

/// A wet run is unusual when it is this long, h, and this many times the longest of nearly every day before.
pub const WET_RUN_H_MIN: f64 = 18.0;
const WET_RUN_TIMES: f64 = 1.75;
const WET_RUN_QUANTILE: f64 = 0.9;
/// From here on a warning, h, where the sensors' doubt leaves an unusual run of it.
const WET_RUN_WARNING_H: f64 = 48.0;
/// Without a history only a run of a whole day speaks, h.
const WET_RUN_ALONE_H: f64 = 24.0;
/// Days of history needed to say so; without them only a band that ends below saturation speaks.
const WET_RUN_DAYS_MIN: usize = 7;
/// Days whose longest time near saturation is this, h, were wet from end to end, but for minutes.
const NEVER_DRY_H: f64 = 23.0;
/// How far back the usual reaches.
const USUAL_MS: i64 = 28 * MS_PER_24_H;
/// Wet runs closer than this are one: a short dip of the reading does not dry a leaf.
const WET_JOIN_MS: i64 = MS_PER_HOUR / 2;
/// A change of the enclosure that the journal knows within this time explains a slower exchange of air (own choice).
const NOTED_MS: i64 = 2 * MS_PER_24_H;

/// Runs near saturation that are unusual here.
pub(super) fn judge(context: &Context<'_>, places: &Places, airing: &str) -> Vec<Finding> {
    let limits = context.limits_at(context.span.from_ms);
    let top_pct = [limits.humidity_day_pct, limits.humidity_night_pct]
        .into_iter()
        .flatten()
        .map(|band| band.high)
        .fold(0.0, f64::max);
    let at_level = |level_pct: f64| wet_runs(&places.mean, context.whole(), level_pct);
    let doubt_pct = places.mean_half_width;
    let runs = at_level(NEAR_SATURATION_PCT);
    let (sure, possible) = (
        at_level(NEAR_SATURATION_PCT + doubt_pct),
        at_level(NEAR_SATURATION_PCT - doubt_pct),
    );
    let last = runs.last().copied();
    runs.iter()
        .filter(|run| run.until_ms > context.span.from_ms && run.hours() >= WET_RUN_H_MIN)
        .filter_map(|run| {
            let usual_h = usual_wet_h(context, &places.mean, *run);
            // Without a history only a band that ends well below saturation speaks, and only for a whole day.
            let unusual = match usual_h {
                Some(usual_h) => run.hours() >= WET_RUN_TIMES * usual_h.max(1.0),
                None => top_pct < NEAR_SATURATION_PCT - places.mean_half_width && run.hours() >= WET_RUN_ALONE_H,
            };
            if !unusual {
                return None;
            }
            let sure_h = longest_h(&sure, *run);
            let value = Value::new("longest time near saturation", run.hours(), "h")
                .between(sure_h, longest_h(&possible, *run));
            let severity = if run.hours() >= WET_RUN_WARNING_H && sure_h >= WET_RUN_H_MIN {
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
            let usual = match usual_h {
                Some(hours) if hours >= NEVER_DRY_H => "; nor did it dry on the days before".to_owned(),
                Some(hours) => format!("; usually at most about {} a day", context.words.hours(hours)),
                None => String::new(),
            };
            finding.message = format!(
                "At or above {NEAR_SATURATION_PCT:.0} %RH by its sensors (±{doubt_pct:.1} %RH) without a break for {} from {}{usual}.{airing}",
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

/// Air that is exchanged slower than usual and did not stay beyond the band, nor near saturation for unusually long; `None` where the journal
/// knows of a change then.
pub(super) fn badly_aired(
    context: &Context<'_>,
    places: &Places,
    since_ms: i64,
    airing: &str,
) -> Option<Finding> {
    let mut noted = context.noted(&[NOTE], |_| false);
    noted.extend(context.noted(&CHANGES_AIR, |_| false));
    if noted.iter().any(|at_ms| (at_ms - since_ms).abs() <= NOTED_MS) {
        return None;
    }
    let since = Span {
        from_ms: since_ms,
        until_ms: context.span.until_ms,
    };
    let runs = |level_pct: f64| wet_runs(&places.mean, since, level_pct);
    let longest = |level_pct: f64| runs(level_pct).iter().map(|run| run.hours()).fold(0.0, f64::max);
    let doubt_pct = places.mean_half_width;
    let hours = longest(NEAR_SATURATION_PCT);
    let value = Value::new("longest time near saturation", hours, "h").between(
        longest(NEAR_SATURATION_PCT + doubt_pct),
        longest(NEAR_SATURATION_PCT - doubt_pct),
    );
    let mut finding = context.finding(Kind::StaysWet, since_ms, Severity::Notice, value);
    let near = match hours > 0.0 {
        true => format!("for no longer than {} at a time", context.words.hours(hours)),
        false => "at no time".to_owned(),
    };
    finding.message = format!(
        "It dries slower than usual since about {}, though its sensors read {NEAR_SATURATION_PCT:.0} %RH or more {near}.{airing}{}",
        context.words.day(since_ms),
        alone_words(context)
    );
    finding.advice = "Look at the vents: dust, a cover, a new lid, plants or a towel before them. Still wet air breeds mould; if nothing is \
        there and the soil was watered or plants were added, note it in the journal."
        .to_owned();
    Some(finding)
}

/// That a sensor which stands alone may be what changed.
fn alone_words(context: &Context<'_>) -> String {
    let mut heard = context
        .enclosure
        .sensors
        .iter()
        .filter(|sensor| context.trusted.get(&sensor.id, Quantity::Humidity).is_some());
    match (heard.next(), heard.next()) {
        (Some(alone), None) => format!(
            " Only {} tells it, and a sensor that reads higher than it did looks the same: look at both.",
            alone.id
        ),
        _ => String::new(),
    }
}

/// The longest of the runs that touch another, h.
fn longest_h(runs: &[Span], touching: Span) -> f64 {
    runs.iter()
        .filter(|run| run.intersect(touching).is_some())
        .map(|run| run.hours())
        .fold(0.0, f64::max)
}

/// Runs at or above a level; a gap ends one, a short dip does not.
fn wet_runs(line: &Line, span: Span, level_pct: f64) -> Vec<Span> {
    let mut runs: Vec<Span> = Vec::new();
    let (mut known_until_ms, mut gap) = (i64::MIN, true);
    line.view()
        .pieces(span, line.gap_ms, |from_ms, until_ms, v0, v1| {
            gap |= known_until_ms != from_ms;
            known_until_ms = until_ms;
            if v0 < level_pct || v1 < level_pct {
                return;
            }
            match runs.last_mut() {
                Some(last) if !gap && from_ms - last.until_ms <= WET_JOIN_MS => last.until_ms = until_ms,
                _ => runs.push(Span { from_ms, until_ms }),
            }
            gap = false;
        });
    runs
}

/// What nearly every day's longest wet run stayed below, before this run; `None` with too little history.
fn usual_wet_h(context: &Context<'_>, line: &Line, run: Span) -> Option<f64> {
    let past = Span {
        from_ms: context.record_from_ms().max(run.from_ms - USUAL_MS),
        until_ms: run.from_ms,
    };
    let longest: Vec<f64> = context
        .zone
        .dates(past)
        .into_iter()
        .map(|date| context.zone.day(date))
        .filter(|day| day.until_ms <= run.from_ms && line.known_frac(*day) >= KNOWN_FRAC_MIN)
        .map(|day| {
            wet_runs(line, day, NEAR_SATURATION_PCT)
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
