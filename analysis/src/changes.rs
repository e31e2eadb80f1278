//! What changed since yesterday: the last 24 hours against the same clock hours before, by what is usual from day to day.
//!
//! In: usable readings, a moment. Out: at most [`TOLD_MAX`] lines, the largest first against the usual swing of that enclosure, and the
//! places of which nothing can be said. A change is no fault; it says where to look first.

use std::collections::BTreeMap;

use chrono::Days;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Enclosure, Role, Sensor, Site};
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::Span;

use crate::plot::{Display, number};
use crate::statistics::robust::median;
use crate::trusted::Trusted;
use crate::words;

/// Lines told; more would not be read.
pub const TOLD_MAX: usize = 5;
/// Days whose day-to-day differences say what is usual.
const USUAL_DAYS: u64 = 14;
/// With fewer differences nothing is usual yet (our own choice).
const DIFFERENCES_MIN: usize = 5;
/// A day counts when this share of it is known.
const COVERED_FRAC_MIN: f64 = 0.7;
/// Told from this many usual swings on: about one day in twenty where days differ by chance alone.
const SWINGS_MIN: f64 = 2.0;
/// The standard deviation of normal differences for a median size of 1: 1 / Φ⁻¹(3/4), as for the median absolute deviation.
const NORMAL_PER_MEDIAN: f64 = 1.482_602_218_505_602;
/// Smaller changes are not worth a line, however steady an enclosure is (our own choice; about what cheap sensors resolve).
const LEAST_K: f64 = 0.5;
const LEAST_PCT: f64 = 3.0;

/// One change that is larger than usual.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// An enclosure's id, or `room`.
    pub place: String,
    pub sentence: String,
    /// The change in usual swings.
    pub swings: f64,
}

#[derive(Debug, Clone, Default, PartialEq)]
pub struct Changes {
    /// The largest first.
    pub told: Vec<Change>,
    /// Further changes that were left out.
    pub left_out: usize,
    /// Places that were compared.
    pub compared: Vec<String>,
    /// Places of which nothing can be said, with the reason.
    pub not_judged: BTreeMap<String, String>,
}

/// What is measured over a day.
#[derive(Clone, Copy)]
enum Measure {
    Mean,
    Highest,
}

/// Compares the 24 hours before `now_ms` with those a local day earlier.
pub fn since_yesterday(site: &Site, trusted: &Trusted, display: Display, now_ms: i64) -> Changes {
    let windows = windows(site, now_ms);
    let mut found = Changes::default();
    for enclosure in &site.enclosures {
        let all: Vec<&Sensor> = enclosure.sensors.iter().collect();
        let parts = [
            (Quantity::Temperature, Measure::Mean, enclosure.animal_sensors()),
            (
                Quantity::Temperature,
                Measure::Highest,
                enclosure.animal_sensors(),
            ),
            (Quantity::Humidity, Measure::Mean, all),
        ];
        compare(
            &mut found,
            trusted,
            display,
            &windows,
            &enclosure.id,
            &parts,
            Some(enclosure),
        );
    }
    let room: Vec<&Sensor> = site.room_sensors.iter().collect();
    if !room.is_empty() {
        let parts = [
            (Quantity::Temperature, Measure::Mean, room.clone()),
            (Quantity::Humidity, Measure::Mean, room),
        ];
        compare(&mut found, trusted, display, &windows, ROOM, &parts, None);
    }
    found.told.sort_by(|a, b| b.swings.total_cmp(&a.swings));
    found.left_out = found.told.len().saturating_sub(TOLD_MAX);
    found.told.truncate(TOLD_MAX);
    found
}

/// The last local day up to now and those before it, the newest first: the same clock hours, whatever the clock did.
fn windows(site: &Site, now_ms: i64) -> Vec<Span> {
    let local = site.zone.local(now_ms);
    let ends: Vec<i64> = (0..=USUAL_DAYS + 1)
        .filter_map(|back| local.checked_sub_days(Days::new(back)))
        .map(|local| site.zone.instant_ms(local))
        .collect();
    ends.windows(2)
        .map(|pair| Span {
            from_ms: pair[1],
            until_ms: pair[0],
        })
        .collect()
}

fn compare(
    found: &mut Changes,
    trusted: &Trusted,
    display: Display,
    windows: &[Span],
    place: &str,
    parts: &[(Quantity, Measure, Vec<&Sensor>)],
    enclosure: Option<&Enclosure>,
) {
    let mut told: Vec<Quantity> = Vec::new();
    let mut reason = "one of the two days is known too little".to_owned();
    let mut is_compared = false;
    for (quantity, measure, sensors) in parts {
        let Some((sensor, days)) = chosen(trusted, sensors, *quantity, *measure, windows) else {
            continue;
        };
        let differences: Vec<f64> = days[1..]
            .windows(2)
            .filter_map(|pair| Some(pair[0]? - pair[1]?))
            .collect();
        let (Some(today), Some(yesterday)) = (days[0], days[1]) else {
            continue;
        };
        if differences.len() < DIFFERENCES_MIN {
            reason = format!(
                "too few days to say what is usual: {} more are needed at least",
                words::count(DIFFERENCES_MIN - differences.len())
            );
            continue;
        }
        is_compared = true;
        // About zero, not about their own middle: days that go up and down in turn have one.
        let sizes: Vec<f64> = differences.iter().map(|difference| difference.abs()).collect();
        let swing = NORMAL_PER_MEDIAN * median(&sizes).unwrap_or(0.0);
        let difference = today - yesterday;
        let least = match quantity {
            Quantity::Temperature => LEAST_K,
            _ => LEAST_PCT,
        };
        // A steady enclosure's swing is not taken below what is worth telling: the rank would be the sensor's noise.
        let swings = difference.abs() / swing.max(least / SWINGS_MIN);
        if swings < SWINGS_MIN {
            continue;
        }
        let is_off =
            |value: f64, usual: f64| (value - usual).abs() >= SWINGS_MIN * swing.max(least / SWINGS_MIN);
        let before: Vec<f64> = days[2..].iter().flatten().copied().collect();
        let back_to = median(&before).filter(|usual| is_off(yesterday, *usual) && !is_off(today, *usual));
        let several = enclosure.is_none_or(|enclosure| enclosure.sensors.len() > 1);
        // A day that was warmer in the mean had a higher peak as well: told once.
        if told.contains(quantity) {
            continue;
        }
        told.push(*quantity);
        found.told.push(Change {
            place: place.to_owned(),
            sentence: sentence(
                display,
                (*quantity, *measure),
                (today, yesterday, swing),
                back_to,
                several.then_some(sensor),
            ),
            swings,
        });
    }
    if is_compared {
        found.compared.push(place.to_owned());
    } else {
        found.not_judged.insert(place.to_owned(), reason);
    }
}

/// The sensor that speaks: known on both days, an independent one first, then the one with the most days.
fn chosen<'s>(
    trusted: &Trusted,
    sensors: &[&'s Sensor],
    quantity: Quantity,
    measure: Measure,
    windows: &[Span],
) -> Option<(&'s str, Vec<Option<f64>>)> {
    sensors
        .iter()
        .filter_map(|sensor| {
            let series = &trusted.get(&sensor.id, quantity)?.series;
            let gap_ms = series.gap_ms();
            let days: Vec<Option<f64>> = windows
                .iter()
                .map(|window| {
                    let summary = series.view().summary(*window, gap_ms)?;
                    (summary.covered_frac >= COVERED_FRAC_MIN).then_some(match measure {
                        Measure::Mean => summary.mean,
                        Measure::Highest => summary.high,
                    })
                })
                .collect();
            (days[0].is_some() && days[1].is_some()).then_some((*sensor, days))
        })
        .max_by_key(|(sensor, days)| {
            (
                sensor.role == Role::Reference,
                days.iter().flatten().count(),
                std::cmp::Reverse(sensor.id.clone()),
            )
        })
        .map(|(sensor, days)| (sensor.id.as_str(), days))
}

fn sentence(
    display: Display,
    (quantity, measure): (Quantity, Measure),
    (today, yesterday, swing): (f64, f64, f64),
    back_to: Option<f64>,
    sensor: Option<&str>,
) -> String {
    let difference = today - yesterday;
    let by = sensor.map_or_else(String::new, |sensor| format!(" by {sensor}"));
    let words = |more: &'static str, less: &'static str| if difference > 0.0 { more } else { less };
    let back = |say: &dyn Fn(f64) -> String| {
        back_to.map_or_else(String::new, |usual| {
            format!(" The day before was the unusual one: usual is {}.", say(usual))
        })
    };
    if quantity != Quantity::Temperature {
        return format!(
            "{} %RH {} on average: {} %RH in the last 24 hours{by}, {} %RH the day before; from day to day it usually moves by \
             {}.{}",
            number(difference.abs()),
            words("more humid", "drier"),
            number(today),
            number(yesterday),
            usual(swing, "%RH"),
            back(&|value| format!("{} %RH", number(value)))
        );
    }
    let size = format!(
        "{} {}",
        number(display.difference(difference.abs())),
        display.degree()
    );
    let what = match measure {
        Measure::Mean => format!("{size} {} on average", words("warmer", "cooler")),
        Measure::Highest => format!("The peak was {size} {}", words("higher", "lower")),
    };
    format!(
        "{what}: {} in the last 24 hours{by}, {} the day before; from day to day it usually moves by {}.{}",
        display.temperature_words(today),
        display.temperature_words(yesterday),
        usual(display.difference(swing), display.degree()),
        back(&|value| display.temperature_words(value))
    )
}

fn usual(swing: f64, unit: &str) -> String {
    if swing < 0.1 {
        format!("less than 0.1 {unit}")
    } else {
        format!("about {} {unit}", number(swing))
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use mosswarden_config::site::Units;
    use mosswarden_config::table::Mark;
    use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR};

    use super::*;
    use crate::series::Series;
    use crate::trusted::Usable;

    const SITE: &str = include_str!("../../tests/reference/site.toml");
    /// 20 March 2026, noon in Lisbon.
    const NOW_MS: i64 = 1_774_008_000_000;

    fn trusted(days: i64, value: impl Fn(i64) -> f64) -> Trusted {
        let mut series = Series::default();
        let mut at_ms = NOW_MS - days * MS_PER_24_H;
        while at_ms <= NOW_MS {
            let back = (NOW_MS - at_ms) / MS_PER_24_H;
            series.push(at_ms, at_ms, value(back), Mark::Ok);
            at_ms += MS_PER_HOUR / 6;
        }
        let mut trusted = Trusted::default();
        let usable = Usable {
            series,
            ..Usable::default()
        };
        trusted.insert("mossy-1-check", Quantity::Temperature, usable);
        trusted
    }

    fn changes(trusted: &Trusted) -> Changes {
        let site = Site::from_source(Path::new("site.toml"), SITE).expect("the contract's example");
        since_yesterday(&site, trusted, Display::new(Units::Metric), NOW_MS)
    }

    /// Days that differ by chance: ±0.3 in turn.
    fn usual_day(back: i64) -> f64 {
        22.0 + if back % 2 == 0 { 0.15 } else { -0.15 }
    }

    #[test]
    fn a_usual_day_is_not_told_and_an_unusual_one_is_with_what_is_usual() {
        assert_eq!(changes(&trusted(20, usual_day)).told, []);
        let warm = trusted(20, |back| if back == 0 { 24.0 } else { usual_day(back) });
        let found = changes(&warm);
        assert_eq!(found.told.len(), 1, "mean and peak are one change: {found:?}");
        let sentence = found
            .told
            .iter()
            .map(|change| &change.sentence)
            .find(|sentence| sentence.starts_with("2.1 °C warmer on average: 24.0 °C"))
            .unwrap_or_else(|| panic!("{found:?}"));
        // Days differ by 0.3 in turn: 1.4826 × 0.3 = 0.44.
        assert!(sentence.contains("usually moves by about 0.4 °C"), "{found:?}");
        assert!(found.compared.contains(&"mossy-1".to_owned()));
    }

    #[test]
    fn a_return_to_the_usual_is_told_as_one() {
        let fault = trusted(20, |back| if back == 1 { 30.0 } else { usual_day(back) });
        let found = changes(&fault);
        assert!(!found.told.is_empty());
        for change in &found.told {
            let is_back = change
                .sentence
                .ends_with("The day before was the unusual one: usual is 22.1 °C.");
            assert!(
                is_back || change.sentence.ends_with("usual is 21.9 °C."),
                "{}",
                change.sentence
            );
        }
        let warm = trusted(20, |back| if back == 0 { 24.0 } else { usual_day(back) });
        let said = |change: &Change| change.sentence.contains("the unusual one");
        assert!(!changes(&warm).told.iter().any(said), "today is the unusual one");
    }

    #[test]
    fn without_both_days_or_with_few_days_nothing_is_said() {
        let few = changes(&trusted(4, usual_day));
        assert_eq!(few.told, []);
        // Four days give two differences before the last one, and five are asked for.
        assert_eq!(
            few.not_judged["mossy-1"],
            "too few days to say what is usual: three more are needed at least"
        );
        let none = changes(&Trusted::default());
        assert_eq!(
            none.not_judged["mossy-1"],
            "one of the two days is known too little"
        );
    }
}
