//! Each day's figures, with the room beside them.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use mosswarden_config::site::Enclosure;
use mosswarden_config::zone::{Span, WHOLE_DAY_H_MIN};

use super::Measure;
use crate::conditions::{HalfDay, MoistDay, Outcome, Ran};
use crate::load::Record;
use crate::statistics::robust::median;

/// The known share that a half day needs.
const KNOWN_FRAC_MIN: f64 = 0.75;
/// Pa in a kPa.
const PA_PER_KPA: f64 = 1000.0;

/// One local day.
#[derive(Debug, Clone)]
pub struct Day {
    /// Days since the first of the span.
    pub number: f64,
    pub after: bool,
    moist: MoistDay,
    half_life_min: Option<f64>,
    rise_g_m3_s: Option<f64>,
}

/// A day's figure of one measure, with the room at the same hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// In the measure's unit; a natural logarithm where the effect is a ratio.
    pub value: f64,
    pub room_c: f64,
    pub room_g_m3: f64,
}

/// The days of an outcome that can be compared: not that of the change, none with the mains off.
pub(super) fn days(
    outcome: &Outcome,
    record: &Record,
    enclosure: &Enclosure,
    changed_on: NaiveDate,
    span: Span,
) -> Vec<Day> {
    let mut half_lives: BTreeMap<NaiveDate, Vec<f64>> = BTreeMap::new();
    let mut rises: BTreeMap<NaiveDate, Vec<f64>> = BTreeMap::new();
    let date_of = |at_ms: i64| {
        outcome
            .moisture
            .iter()
            .find(|day| day.span.contains(at_ms))
            .map(|day| day.local_date)
    };
    for misting in outcome
        .mistings
        .iter()
        .filter(|m| m.ran == Ran::Yes && m.left_out.is_none())
    {
        let Some(date) = date_of(misting.at_ms) else {
            continue;
        };
        half_lives.entry(date).or_default().extend(misting.half_life_min);
        let rise = misting
            .rise_g_m3
            .filter(|_| !misting.censored && misting.scheduled);
        rises
            .entry(date)
            .or_default()
            .extend(rise.map(|rise| rise / misting.duration_s));
    }
    let Some(first) = outcome.moisture.first().map(|day| day.local_date) else {
        return Vec::new();
    };
    outcome
        .moisture
        .iter()
        .filter(|day| day.local_date != changed_on)
        .filter(|day| day.span.from_ms >= span.from_ms && day.span.hours() >= WHOLE_DAY_H_MIN)
        .filter(|day| !record.power_was_cut(&enclosure.id, day.span))
        .map(|day| Day {
            number: (day.local_date - first).num_days() as f64,
            after: day.local_date > changed_on,
            half_life_min: half_lives.get(&day.local_date).and_then(|v| median(v)),
            rise_g_m3_s: rises.get(&day.local_date).and_then(|v| median(v)),
            moist: day.clone(),
        })
        .collect()
}

impl Day {
    pub fn local_date(&self) -> NaiveDate {
        self.moist.local_date
    }

    /// The day's figure; `None` where too little of it or of the room is known.
    pub fn figure(&self, measure: Measure) -> Option<Figure> {
        let (lit, dark) = (&self.moist.lit, &self.moist.dark);
        let of_half = |half: &HalfDay, value: Option<f64>| {
            Some(Figure {
                value: value?,
                room_c: half.room_c?,
                room_g_m3: half.room_g_m3?,
            })
        };
        let both = |value: Option<f64>| {
            let hours = lit.known_h + dark.known_h;
            let mean = |of: fn(&HalfDay) -> Option<f64>| {
                Some((of(lit)? * lit.known_h + of(dark)? * dark.known_h) / hours)
            };
            (hours >= KNOWN_FRAC_MIN * self.moist.span.hours())
                .then(|| {
                    Some(Figure {
                        value: value?,
                        room_c: mean(|half| half.room_c)?,
                        room_g_m3: mean(|half| half.room_g_m3)?,
                    })
                })
                .flatten()
        };
        let half = |half: &HalfDay, value: Option<f64>| {
            both(Some(0.0))?;
            of_half(half, value)
        };
        let log = |value: Option<f64>| value.filter(|v| *v > 0.0).map(f64::ln);
        match measure {
            Measure::HumidityLit => half(lit, lit.humidity_pct),
            Measure::HumidityDark => half(dark, dark.humidity_pct),
            Measure::DeficitLit => half(lit, lit.deficit_pa.map(|pa| pa / PA_PER_KPA)),
            Measure::DeficitDark => half(dark, dark.deficit_pa.map(|pa| pa / PA_PER_KPA)),
            Measure::TemperatureLit => half(lit, lit.temperature_c),
            Measure::TemperatureDark => half(dark, dark.temperature_c),
            Measure::OutsideBand => both(Some(lit.dry_h + lit.wet_h + dark.dry_h + dark.wet_h)),
            Measure::Damp => both(Some(self.moist.damp_h)),
            Measure::HalfLife => both(log(self.half_life_min)),
            Measure::Rise => both(log(self.rise_g_m3_s)),
        }
    }
}
