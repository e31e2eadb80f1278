//! Before and after: what a change did to an enclosure, with an interval on each measure.
//!
//! In: the site, an enclosure, the record, the instant of the change. Out: the effect on each measure, matched for the room's
//! weather, or "too early to say". A change of the season that the room does not show, and anything else that was changed on
//! the same day, can't be told from it.
//!
//! - [`daily`]: each day's figures; [`effect`]: the regression; [`text`]: the answer in words.

mod daily;
mod effect;
mod picture;
mod text;

#[cfg(test)]
mod tests;

use chrono::NaiveDate;
use mosswarden_config::journal::Entry;
use mosswarden_config::journal::{
    DEVICE_REPLACED, LID_OR_VENT_CHANGED, PLANTED, PRUNED, SCHEDULE_CHANGED, SENSOR_CALIBRATED, SENSOR_MOVED,
    SENSOR_REPLACED, SETPOINT_CHANGED,
};
use mosswarden_config::site::{Enclosure, Site};
use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};
use serde::Serialize;

use crate::assess::needed;
use crate::conditions;
use crate::load::Record;
use crate::statistics::Estimate;
use crate::trust;

pub use effect::{Effect, effect};
pub use picture::picture;
pub use text::text;

/// Journal entries that ask for a comparison.
pub const KINDS: [&str; 5] = [
    SCHEDULE_CHANGED,
    SETPOINT_CHANGED,
    DEVICE_REPLACED,
    LID_OR_VENT_CHANGED,
    PLANTED,
];
/// Entries that change the enclosure or what is measured of it for good: a comparison never reaches across one.
const CUTS: [&str; 9] = [
    SCHEDULE_CHANGED,
    SETPOINT_CHANGED,
    DEVICE_REPLACED,
    LID_OR_VENT_CHANGED,
    PLANTED,
    SENSOR_MOVED,
    SENSOR_REPLACED,
    SENSOR_CALIBRATED,
    PRUNED,
];
/// Entries this near to the change belong to it.
const SAME_MS: i64 = 12 * 60 * 60_000;
/// Days before and after that are needed.
pub const BEFORE_DAYS_MIN: usize = 7;
pub const AFTER_DAYS_MIN: usize = 4;

/// What is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Measure {
    HumidityLit,
    HumidityDark,
    DeficitLit,
    DeficitDark,
    TemperatureLit,
    TemperatureDark,
    OutsideBand,
    Damp,
    HalfLife,
    Rise,
}

impl Measure {
    pub const ALL: [Measure; 10] = [
        Measure::HumidityLit,
        Measure::HumidityDark,
        Measure::DeficitLit,
        Measure::DeficitDark,
        Measure::TemperatureLit,
        Measure::TemperatureDark,
        Measure::OutsideBand,
        Measure::Damp,
        Measure::HalfLife,
        Measure::Rise,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Measure::HumidityLit => "humidity by day",
            Measure::HumidityDark => "humidity by night",
            Measure::DeficitLit => "vapour pressure deficit by day",
            Measure::DeficitDark => "vapour pressure deficit by night",
            Measure::TemperatureLit => "temperature by day",
            Measure::TemperatureDark => "temperature by night",
            Measure::OutsideBand => "hours a day outside the humidity band",
            Measure::Damp => "hours a day at or above 95 %RH",
            Measure::HalfLife => "half-life after a misting",
            Measure::Rise => "rise per second of misting",
        }
    }

    /// Unit code of the effect.
    pub const fn unit(self) -> &'static str {
        match self {
            Measure::HumidityLit | Measure::HumidityDark => "%RH",
            Measure::DeficitLit | Measure::DeficitDark => "kPa",
            Measure::TemperatureLit | Measure::TemperatureDark => "Cel",
            Measure::OutsideBand | Measure::Damp => "h",
            Measure::HalfLife | Measure::Rise => "%",
        }
    }

    /// A change of this size is worth knowing (our own choice): an interval wider than it that holds zero says little.
    pub const fn worth(self) -> f64 {
        match self {
            Measure::HumidityLit | Measure::HumidityDark => 3.0,
            Measure::DeficitLit | Measure::DeficitDark => 0.1,
            Measure::TemperatureLit | Measure::TemperatureDark => 0.5,
            Measure::OutsideBand | Measure::Damp => 1.0,
            Measure::HalfLife | Measure::Rise => 20.0,
        }
    }

    /// A change that lies within this whole interval is too small to matter (our own choice): about what a sensor resolves, 0.3 °C and
    /// 1 %RH, and for the vapour pressure deficit what 1 %RH makes at 25 °C.
    pub const fn matters(self) -> f64 {
        match self {
            Measure::HumidityLit | Measure::HumidityDark => 1.0,
            Measure::DeficitLit | Measure::DeficitDark => 0.03,
            Measure::TemperatureLit | Measure::TemperatureDark => 0.3,
            Measure::OutsideBand | Measure::Damp => 0.25,
            Measure::HalfLife | Measure::Rise => 5.0,
        }
    }

    /// Errors of daily figures carry over from day to day at least this much, since a short record shows less of it than there is: soil
    /// and air wander over days (our own choice), and the elements of humidity sensors with a memory of about two days, exp(−1/2).
    const fn carried_min(self) -> f64 {
        match self {
            Measure::TemperatureLit | Measure::TemperatureDark | Measure::HalfLife | Measure::Rise => 0.3,
            _ => 0.6,
        }
    }

    /// A day has 24 hours, which a fit does not know.
    fn as_can_be(self, change: Estimate) -> Estimate {
        let hours_max = match self {
            Measure::OutsideBand | Measure::Damp => 24.0,
            _ => f64::INFINITY,
        };
        let [value, low, high] =
            [change.value, change.low, change.high].map(|hours| hours.clamp(-hours_max, hours_max));
        Estimate { value, low, high }
    }

    /// Whether the effect is a ratio, given in percent.
    const fn is_ratio(self) -> bool {
        matches!(self, Measure::HalfLife | Measure::Rise)
    }
}

/// What can be said of one measure.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// It changed, beyond what weather and chance do.
    Changed(Effect),
    /// It changed, by less than matters.
    TooSmall(Effect),
    /// As before, within the interval.
    AsBefore(Effect),
    /// The interval holds both none and a change worth knowing.
    TooWide(Effect),
    /// Too few days.
    TooEarly { before_days: usize, after_days: usize },
}

impl Said {
    pub const fn word(&self) -> &'static str {
        match self {
            Said::Changed(_) => "changed",
            Said::TooSmall(_) => "too small to matter",
            Said::AsBefore(_) => "as before",
            Said::TooWide(_) | Said::TooEarly { .. } => "too early to say",
        }
    }

    pub const fn effect(&self) -> Option<&Effect> {
        match self {
            Said::Changed(effect)
            | Said::TooSmall(effect)
            | Said::AsBefore(effect)
            | Said::TooWide(effect) => Some(effect),
            Said::TooEarly { .. } => None,
        }
    }
}

/// What was asked for.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    pub at_ms: i64,
    /// Days on either side, at most.
    pub days: u32,
    pub what: &'a str,
    /// Nothing later is used.
    pub until_ms: i64,
}

/// A change with its effects.
#[derive(Debug, Clone)]
pub struct Comparison {
    pub enclosure: String,
    pub at_ms: i64,
    pub what: String,
    /// What was compared: the days asked for, cut at other changes.
    pub span: Span,
    /// What cut it, with its kind.
    pub cut_by: Vec<(i64, String)>,
    /// The first and the last day of which a figure was used.
    pub days: Option<(NaiveDate, NaiveDate)>,
    pub measures: Vec<(Measure, Said)>,
}

impl Comparison {
    /// Whether everything is still too early to say.
    pub fn is_too_early(&self) -> bool {
        self.measures
            .iter()
            .all(|(_, said)| matches!(said, Said::TooEarly { .. } | Said::TooWide(_)))
    }
}

/// The span of readings that a comparison needs, with what trust needs before it.
pub fn readings_needed(asked: &Asked<'_>) -> Span {
    needed(reach(asked))
}

fn reach(asked: &Asked<'_>) -> Span {
    let length_ms = i64::from(asked.days) * MS_PER_24_H;
    Span {
        from_ms: asked.at_ms - length_ms,
        until_ms: (asked.at_ms + length_ms).min(asked.until_ms),
    }
}

/// The journal's changes of an enclosure that ask for a comparison, in order of time.
pub fn changes<'j>(journal: &'j [Entry], enclosure: &'j str, span: Span) -> impl Iterator<Item = &'j Entry> {
    journal.iter().filter(move |entry| {
        entry.enclosure == enclosure && span.contains(entry.at_ms) && KINDS.contains(&entry.kind.as_str())
    })
}

/// Compares an enclosure before and after an instant; the record reaches as far as [`readings_needed`].
pub fn compare(site: &Site, enclosure: &Enclosure, record: &Record, asked: &Asked<'_>) -> Comparison {
    let (span, cut_by) = cut(site.zone, record, &enclosure.id, asked);
    let trust = trust::assess(site, record, span);
    let outcome = conditions::assess(site, enclosure, record, &trust.trusted, span);
    let changed_on = site.zone.date(asked.at_ms);
    let days = daily::days(&outcome, record, enclosure, changed_on, span);
    let measures = Measure::ALL
        .into_iter()
        .map(|measure| (measure, said(measure, &days)))
        .collect();
    let used = || {
        let has_figure =
            |day: &&daily::Day| Measure::ALL.iter().any(|measure| day.figure(*measure).is_some());
        days.iter().filter(has_figure).map(daily::Day::local_date)
    };
    Comparison {
        enclosure: enclosure.id.clone(),
        at_ms: asked.at_ms,
        what: asked.what.to_owned(),
        span,
        cut_by,
        days: used().min().zip(used().max()),
        measures,
    }
}

/// The span that is compared, cut at other changes that last.
fn cut(zone: Zone, record: &Record, enclosure: &str, asked: &Asked<'_>) -> (Span, Vec<(i64, String)>) {
    let mut span = reach(asked);
    let mut cut_by = Vec::new();
    // Who asks by the date alone means what was changed on it.
    let is_same =
        |at_ms: i64| (at_ms - asked.at_ms).abs() <= SAME_MS || zone.date(at_ms) == zone.date(asked.at_ms);
    for entry in record.entries(enclosure, span) {
        if !CUTS.contains(&entry.kind.as_str()) || is_same(entry.at_ms) {
            continue;
        }
        if entry.at_ms < asked.at_ms && entry.at_ms > span.from_ms {
            span.from_ms = entry.at_ms;
            cut_by.push((entry.at_ms, entry.kind.clone()));
        }
        if entry.at_ms > asked.at_ms && entry.at_ms < span.until_ms {
            span.until_ms = entry.at_ms;
            cut_by.push((entry.at_ms, entry.kind.clone()));
        }
    }
    (span, cut_by)
}

fn said(measure: Measure, days: &[daily::Day]) -> Said {
    let known: Vec<(&daily::Day, daily::Figure)> = days
        .iter()
        .filter_map(|day| Some((day, day.figure(measure)?)))
        .collect();
    let after_days = known.iter().filter(|(day, _)| day.after).count();
    let before_days = known.len() - after_days;
    let too_early = Said::TooEarly {
        before_days,
        after_days,
    };
    if before_days < BEFORE_DAYS_MIN || after_days < AFTER_DAYS_MIN {
        return too_early;
    }
    let Ok(effect) = effect(&known, measure) else {
        return too_early;
    };
    judged(measure, effect)
}

fn judged(measure: Measure, effect: Effect) -> Said {
    let half_width = 0.5 * (effect.change.high - effect.change.low);
    let furthest = effect.change.low.abs().max(effect.change.high.abs());
    if effect.change.excludes_zero() && furthest < measure.matters() {
        Said::TooSmall(effect)
    } else if effect.change.excludes_zero() {
        Said::Changed(effect)
    } else if half_width <= measure.worth() {
        Said::AsBefore(effect)
    } else {
        Said::TooWide(effect)
    }
}

/// What `compare --format json` prints.
#[derive(Debug, Serialize)]
pub struct Document {
    pub schema: &'static str,
    pub enclosure: String,
    pub at: String,
    pub what: String,
    pub from: String,
    pub to: String,
    pub too_early: bool,
    pub measures: Vec<MeasureDocument>,
}

#[derive(Debug, Serialize)]
pub struct MeasureDocument {
    pub name: &'static str,
    pub unit: &'static str,
    /// `changed`, `too small to matter`, `as before` or `too early to say`.
    pub verdict: &'static str,
    pub change: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub before_days: usize,
    pub after_days: usize,
}

impl Document {
    pub fn new(comparison: &Comparison) -> Document {
        let instant = |at_ms: i64| {
            chrono::DateTime::from_timestamp_millis(at_ms).map_or_else(String::new, |at| at.to_rfc3339())
        };
        let measures = comparison.measures.iter().map(|(measure, said)| {
            let change: Option<Estimate> = said.effect().map(|effect| effect.change);
            let (before_days, after_days) = match said {
                Said::TooEarly {
                    before_days,
                    after_days,
                } => (*before_days, *after_days),
                Said::Changed(effect)
                | Said::TooSmall(effect)
                | Said::AsBefore(effect)
                | Said::TooWide(effect) => (effect.before_days, effect.after_days),
            };
            MeasureDocument {
                name: measure.name(),
                unit: measure.unit(),
                verdict: said.word(),
                change: change.map(|c| c.value),
                low: change.map(|c| c.low),
                high: change.map(|c| c.high),
                before_days,
                after_days,
            }
        });
        Document {
            schema: "mosswarden.comparison/1",
            enclosure: comparison.enclosure.clone(),
            at: instant(comparison.at_ms),
            what: comparison.what.clone(),
            from: instant(comparison.span.from_ms),
            to: instant(comparison.span.until_ms),
            too_early: comparison.is_too_early(),
            measures: measures.collect(),
        }
    }
}
