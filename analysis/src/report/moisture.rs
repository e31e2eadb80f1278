//! An enclosure's moisture in sentences and pictures: the deficit beside the humidity, dew on the glass, air in which nothing dries, what the
//! humidistat held, and how the mistings stand against their usual.

use chrono::NaiveDate;
use mosswarden_config::site::Enclosure;
use mosswarden_config::zone::{MS_PER_HOUR, Zone};

use super::model::{Judged, Material};
use crate::conditions::{Airing, HalfDay, Held, MistTrend, MoistDay, YieldBy};
use crate::plot::{self, DayHours, DeficitDay, HourLine, Picture, number};
use crate::words;

/// Pa in a kPa.
const PA_PER_KPA: f64 = 1000.0;
/// Hours below this are not worth a sentence.
const WORTH_SAYING_H: f64 = 0.5;
/// A controller that differs less than this from the trusted sensors is not worth a word, %RH.
const WORTH_SAYING_PCT: f64 = 1.0;

pub(super) fn sentences(judged: &Judged<'_>) -> Vec<String> {
    let Some(outcome) = judged.conditions else {
        return Vec::new();
    };
    let mut lines: Vec<String> = deficit(&outcome.moisture).into_iter().collect();
    lines.extend(dew(&outcome.moisture));
    lines.extend(still(&outcome.moisture));
    lines.extend(outcome.held.iter().filter_map(held));
    lines
}

/// What each humidistat held hour by hour, and the deficit day by day.
pub(super) fn pictures(material: &Material<'_>, judged: &Judged<'_>) -> Vec<Picture> {
    /// A course needs more than a day or two.
    const DAYS_MIN: usize = 3;
    let Some(outcome) = judged.conditions else {
        return Vec::new();
    };
    let zone = material.site.zone;
    let last_day = zone.date(material.span.until_ms - 1);
    let mut pictures: Vec<Picture> = outcome
        .held
        .iter()
        .filter_map(|held| humidistat_day(zone, judged.enclosure, last_day, held))
        .collect();
    if outcome.moisture.len() >= DAYS_MIN {
        pictures.extend(deficit_by_day(judged.enclosure, &outcome.moisture));
    }
    pictures
}

/// What a humidistat held by the trusted sensors, what its own probe showed where that differs, and how long it was on, hour by hour, beside
/// what was wanted on a date; `None` where nothing is known.
pub fn humidistat_day(zone: Zone, enclosure: &Enclosure, date: NaiveDate, held: &Held) -> Option<Picture> {
    let (limits, midnight_ms) = (enclosure.limits_on(date), zone.day(date).from_ms);
    let lit = [date.pred_opt()?, date].map(|date| zone.light(date, enclosure.light_on(date)));
    let wanted = std::array::from_fn(|hour| {
        let middle_ms = midnight_ms + hour as i64 * MS_PER_HOUR + MS_PER_HOUR / 2;
        let band = if lit.iter().any(|light| light.contains(middle_ms)) {
            limits.humidity_day_pct
        } else {
            limits.humidity_night_pct
        };
        band.map(|band| (band.low, band.high))
    });
    let shows_otherwise = held
        .shows_more_pct
        .is_some_and(|more| more.abs() >= WORTH_SAYING_PCT);
    let shown = shows_otherwise.then(|| HourLine {
        label: "its probe",
        values: held.hours.map(|hour| hour.shown_pct),
        dashed: true,
    });
    let lines = [HourLine {
        label: "held",
        values: held.hours.map(|hour| hour.held_pct),
        dashed: false,
    }];
    plot::day_hours(&DayHours {
        title: format!("{}: what {} held, hour by hour", enclosure.label, held.device),
        unit: "%RH",
        lines: lines.into_iter().chain(shown).collect(),
        wanted,
        asked: Some(held.set_pct),
        on_frac: held.hours.map(|hour| hour.on_frac),
    })
}

/// What the air could still take up, and hours of dew on the glass, day by day; `None` where nothing is known.
pub fn deficit_by_day(enclosure: &Enclosure, days: &[MoistDay]) -> Option<Picture> {
    let kpa = |half: &HalfDay| half.deficit_pa.map(|pa| pa / PA_PER_KPA);
    let days = days
        .iter()
        .map(|day| DeficitDay {
            label: day.local_date.format("%a %-d").to_string(),
            lit_kpa: kpa(&day.lit),
            dark_kpa: kpa(&day.dark),
            dew_h: day.dew_h,
        })
        .collect();
    let title = format!(
        "{}: what the air could still take up, and dew on the glass",
        enclosure.label
    );
    plot::deficit_days(&title, days)
}

/// The mistings against their usual, to stand with the other sentences on misting.
pub(super) fn trends(judged: &Judged<'_>) -> Vec<String> {
    judged
        .conditions
        .map_or(&[][..], |outcome| outcome.mist_trends.as_slice())
        .iter()
        .filter_map(trend)
        .collect()
}

/// Mean over the days, weighted by what is known of each.
fn mean(days: &[MoistDay], half: fn(&MoistDay) -> &HalfDay, of: fn(&HalfDay) -> Option<f64>) -> Option<f64> {
    let (mut sum, mut hours) = (0.0, 0.0);
    for half in days.iter().map(half) {
        if let Some(value) = of(half) {
            sum += value * half.known_h;
            hours += half.known_h;
        }
    }
    (hours > 0.0).then(|| sum / hours)
}

fn deficit(days: &[MoistDay]) -> Option<String> {
    let lit: fn(&MoistDay) -> &HalfDay = |day| &day.lit;
    let dark: fn(&MoistDay) -> &HalfDay = |day| &day.dark;
    let humidity = |half| mean(days, half, |h| h.humidity_pct);
    let kpa = |half| mean(days, half, |h| h.deficit_pa).map(|pa| pa / PA_PER_KPA);
    Some(format!(
        "By all sensors that can be used: mean humidity {} %RH by day and {} %RH by night; the air could take up {:.2} kPa and {:.2} kPa more (vapour pressure deficit, what skin and leaves feel).",
        number(humidity(lit)?),
        number(humidity(dark)?),
        kpa(lit)?,
        kpa(dark)?
    ))
}

fn dew(days: &[MoistDay]) -> Option<String> {
    let hours: Vec<f64> = days.iter().filter_map(|day| day.dew_h).collect();
    let sum: f64 = hours.iter().sum();
    (sum >= WORTH_SAYING_H).then(|| {
        format!(
            "The coldest glass was likely wet for {} in all, on {}.",
            words::duration(sum),
            words::several(hours.iter().filter(|h| **h > 0.0).count(), "day")
        )
    })
}

fn still(days: &[MoistDay]) -> Option<String> {
    /// Half a day in which nothing dries.
    const LONG_H: f64 = 12.0;
    let longest = days
        .iter()
        .max_by(|a, b| a.longest_still_h.total_cmp(&b.longest_still_h))?;
    (longest.longest_still_h >= LONG_H).then(|| {
        format!(
            "On {} the air stayed so damp for {} that next to nothing dries (deficit below 0.2 kPa).",
            longest.local_date.format("%A %-d %B"),
            words::duration(longest.longest_still_h)
        )
    })
}

fn held(held: &Held) -> Option<String> {
    let known: Vec<f64> = held.hours.iter().filter_map(|hour| hour.held_pct).collect();
    if known.is_empty() {
        return None;
    }
    let low = known.iter().copied().fold(f64::INFINITY, f64::min);
    let high = known.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let switched = held
        .on_at_pct
        .zip(held.off_at_pct)
        .map_or(String::new(), |(on, off)| {
            format!(
                "; it went on at {} %RH and off at {} %RH by the trusted sensors",
                number(on),
                number(off)
            )
        });
    let shown = held
        .shows_more_pct
        .filter(|more| more.abs() >= WORTH_SAYING_PCT)
        .map_or(String::new(), |more| {
            format!(
                "; its own probe shows {} %RH {}",
                number(more.abs()),
                if more > 0.0 { "more" } else { "less" }
            )
        });
    let hidden = held
        .hidden_h
        .filter(|h| *h >= WORTH_SAYING_H)
        .map_or(String::new(), |hours| {
            format!(", which hid {} outside the band", words::duration(hours))
        });
    Some(format!(
        "{} is set to {:.0} %RH: the hours of the day held {} to {} %RH{switched}{shown}{hidden}.",
        held.device,
        held.set_pct,
        number(low),
        number(high)
    ))
}

fn trend(trend: &MistTrend) -> Option<String> {
    let told = trend.yield_share.filter(|share| share.high.is_finite());
    let counted = match trend.by {
        YieldBy::First => " in the first minutes",
        YieldBy::Lasting => ", counted until half of it is gone",
    };
    let mut text = told.map_or(String::new(), |share| {
        format!(
            "{}'s mistings bring {:.0} % of their usual vapour{counted} ({:.0} to {:.0} %; {} count).",
            trend.device,
            100.0 * share.value,
            100.0 * share.low,
            100.0 * share.high,
            words::several(trend.counted, "run")
        )
    });
    if let (Some(now), Some(usual)) = (trend.half_life_min, trend.usual_half_life_min) {
        text += &format!(
            " Half of a rise is gone after {:.0} min ({:.0} to {:.0}), usually {usual:.0}.",
            now.value, now.low, now.high
        );
    }
    text += match trend.airing {
        Airing::Slower => {
            " The air is exchanged slower than usual: a covered vent, a new lid, plants before it?"
        }
        Airing::Faster => " The air is exchanged faster than usual: a door ajar, a lid off, a draught?",
        Airing::Usual | Airing::NotKnown => "",
    };
    (!text.is_empty()).then(|| text.trim_start().to_owned())
}
