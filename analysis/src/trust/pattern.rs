//! A change that is one of the air in a place and not of the sensor there. Of humidity there are two signs.
//!
//! A sensor that begins to read wrong does so at all hours, or along the level if it is its gain. Plants that grow or are cut, leaves that
//! come, a vent, a lamp that moved change the course of the day: one place grows drier by day and not at night. So a change that was
//! found ([`super::onset`]) is measured once more between each two parts of the day, by the same generalised least squares: it is the
//! air's where one part moved against another by more than the whole day did, and by more than a gain can.
//!
//! And sensors go wrong one at a time: where several of one enclosure moved the same way, by the same amount, from the same days on, the
//! air parted between them and the others, or what they share went wrong; a comparison can't say which.
//!
//! Two sensors that changed places read right, each for the other's place ([`super::exchanged`]).
//!
//! Warm and cool places part where the thermostat was set anew ([`super::thermostat`]). And any places part where the whole enclosure jumped:
//! a door ajar or a blocked vent moves every sensor there by more than they part, while one that lies moves by itself, and takes the
//! others along by no more than it lies where it holds the enclosure.
//!
//! The limits are our own choice, measured on simulated rooms with sensor faults and on open recordings (ACCURACY.md).

use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::{MS_PER_24_H, Span, Zone};

use super::assess::{CHECKED, ComparedMap, SAME_TIME_MS};
use super::cross::{Blamed, Compared};
use super::daily::{DayFigure, PARTS, PartFigure};
use super::exchanged;
use super::onset::{Change, Noise, Shape, went_along};
use super::scene::Scene;
use super::thermostat::{self, SetAnew};
use super::witness::{self, Case};
use crate::physics::uncertainty::rectangular;
use crate::statistics::robust::median;
use crate::words;

const PART_NAMES: [&str; PARTS] = ["at night", "in the morning", "in the afternoon", "in the evening"];
/// Largest change of gain that a sensor is believed to have, %RH per %RH.
const GAIN_MAX: f64 = 0.1;
/// Days since it began that are needed.
const DAYS_SINCE_MIN: i64 = 2;
/// How many standard deviations make it plain: six pairs of parts are looked at.
const PLAIN_SD: f64 = 3.0;
/// The whole enclosure moved where its other sensors did by this many times what they part, plainly (own choice; one that holds the
/// enclosure and lies moves them by once that).
const WHOLE_RATIO: f64 = 1.5;
/// Least noise of one part of the day against another, before the record itself says how much it is, %RH.
const BETWEEN_PARTS: Noise = Noise {
    sd_min: 0.1,
    sd_usual: 0.4,
    usual_days: 5.0,
    carried_frac: 0.7,
    carried_phi: 0.5,
    walk_per_sqrt_day: 0.03,
    ..witness::NATURAL_HUMIDITY
};

/// A change of the air in one place.
#[derive(Debug, Clone)]
pub(super) struct Parted {
    onset_ms: i64,
    ended_ms: Option<i64>,
    /// By how much the whole day moved, %RH or K.
    day: f64,
    by: By,
}

/// What shows that it is of the air.
#[derive(Debug, Clone, PartialEq)]
enum By {
    /// The two parts of the day that differ most, and how far each moved, %RH.
    Hours([(usize, f64); 2]),
    /// Sensors that moved with it.
    Company(Vec<String>),
    Thermostat(SetAnew),
    /// How far the others moved, %RH or K.
    Whole(f64),
    /// The sensor that it changed places with.
    Exchanged(String),
    /// The same weeks of a year before, which lay just so.
    Season,
}

/// Lays changes to the air where their days, other sensors or the thermostat show that.
pub(super) fn lay_to_air(compared: &mut ComparedMap, scene: &Scene<'_>) {
    for pair in exchanged::pairs(compared, scene) {
        let [first, second] = &pair.sensors;
        for (sensor, other, sign) in [(first, second, 1.0), (second, first, -1.0)] {
            for (quantity, moved) in CHECKED.into_iter().zip(pair.moved) {
                if let Some(found) = compared.get_mut(&(sensor.clone(), quantity)) {
                    found.change = None;
                    found.parted = Some(Parted {
                        onset_ms: pair.onset_ms,
                        ended_ms: None,
                        day: sign * moved,
                        by: By::Exchanged(other.clone()),
                    });
                }
            }
        }
    }
    let moved: Vec<(String, Change)> = compared
        .iter()
        .filter_map(|((sensor, quantity), found)| {
            Some((sensor.clone(), settled(*quantity, found)?.change.clone()))
        })
        .collect();
    for ((sensor, quantity), found) in compared {
        let of_temperature = found
            .change
            .as_ref()
            .filter(|_| *quantity == Quantity::Temperature);
        if let Some(blamed) = of_temperature {
            found.parted = thermostat::set_anew(scene, blamed.change.onset_ms)
                .map(|set_anew| Parted::new(blamed, By::Thermostat(set_anew)));
        } else if let Some(blamed) = settled(*quantity, found) {
            found.parted = Parted::with_company(sensor, blamed, &moved)
                .or_else(|| Parted::by_hours(&found.figures, blamed));
        }
        if let (Some(blamed), None) = (&found.change, &found.parted) {
            let case = Case {
                scene,
                quantity: *quantity,
            };
            found.parted = Parted::with_whole(&case, sensor, &found.others, blamed);
        }
        if found.parted.is_some() {
            found.change = None;
        }
    }
}

/// A change of humidity that is old enough: of its first days neither its hours nor whom it is laid to are sure.
fn settled(quantity: Quantity, found: &Compared) -> Option<&Blamed> {
    let blamed = found.change.as_ref().filter(|_| quantity == Quantity::Humidity)?;
    let old_ms = found.figures.last()?.at_ms - blamed.change.onset_ms;
    (old_ms >= DAYS_SINCE_MIN * MS_PER_24_H).then_some(blamed)
}

fn together(a: &Change, b: &Change) -> bool {
    (a.onset_ms - b.onset_ms).abs() <= SAME_TIME_MS
        && a.now.value.signum() == b.now.value.signum()
        && a.now.low <= b.now.high
        && b.now.low <= a.now.high
}

impl Parted {
    fn new(found: &Blamed, by: By) -> Parted {
        Parted {
            onset_ms: found.change.onset_ms,
            ended_ms: found.ended_ms,
            day: found.change.now.value,
            by,
        }
    }

    /// As it did a year before (`slow`).
    pub(super) fn with_season(found: &Blamed) -> Parted {
        Parted::new(found, By::Season)
    }

    /// `None` where no other sensor moved alike.
    fn with_company(sensor: &str, found: &Blamed, moved: &[(String, Change)]) -> Option<Parted> {
        let company: Vec<String> = moved
            .iter()
            .filter(|(other, change)| other != sensor && together(&found.change, change))
            .map(|(other, _)| other.clone())
            .collect();
        (!company.is_empty()).then(|| Parted::new(found, By::Company(company)))
    }

    /// `None` where the others stayed, or moved by no more than this one may have made them.
    fn with_whole(case: &Case<'_>, sensor: &str, others: &[String], found: &Blamed) -> Option<Parted> {
        // What opens or closes does so at once; weeks of weather move all sensors further than a slow drift does.
        if found.change.shape != Shape::Step {
            return None;
        }
        let moved = |id: &String| {
            let sensor = case.enclosure.sensors.iter().find(|s| s.id == *id)?;
            let (moved, sd) = case.own_moved(sensor, &found.change)?;
            let parted = found.change.now.value.abs();
            (moved.abs() > WHOLE_RATIO * parted + PLAIN_SD * sd).then_some(moved)
        };
        let own = moved(&sensor.to_owned())?;
        let of_others: Option<Vec<f64>> = others.iter().map(moved).collect();
        let of_others = of_others.filter(|all| all.iter().all(|one| one.signum() == own.signum()))?;
        Some(Parted::new(found, By::Whole(median(&of_others)?)))
    }

    /// `None` where the hours of the day moved alike.
    fn by_hours(figures: &[DayFigure], found: &Blamed) -> Option<Parted> {
        let change = &found.change;
        // A jump may fall into the middle of a day, which then shows it in its later parts alone.
        let in_doubt = change.onset_low_ms..=change.onset_high_ms;
        let whole: Vec<DayFigure> = figures
            .iter()
            .copied()
            .filter(|figure| change.shape != Shape::Step || !in_doubt.contains(&figure.at_ms))
            .collect();
        let day = change.now.value;
        let pairs = (0..PARTS).flat_map(|a| (a + 1..PARTS).map(move |b| (a, b)));
        let (_, a, b) = pairs
            .filter_map(|(a, b)| {
                let between = between(&whole, change, a, b)?;
                let explained = day.abs().max(GAIN_MAX * between.levels);
                Some(((between.moved.abs() - explained) / between.sd, a, b))
            })
            .filter(|(plain, ..)| *plain > PLAIN_SD)
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let moved = |part: usize| Some((part, day + departure(&whole, change, part)?));
        Some(Parted::new(found, By::Hours([moved(a)?, moved(b)?])))
    }

    /// Whether it holds, or held, at some time of a span.
    pub(super) fn concerns(&self, span: Span) -> bool {
        self.ended_ms.is_none_or(|ended| ended > span.from_ms)
    }

    /// By how much it moved, %RH or K.
    pub(super) fn day(&self) -> f64 {
        self.day
    }

    /// The sensor that it seems to have changed places with, and when.
    pub(super) fn exchanged(&self) -> Option<(&str, i64)> {
        match &self.by {
            By::Exchanged(other) => Some((other, self.onset_ms)),
            _ => None,
        }
    }

    /// Standard uncertainty that it adds to a reading, %RH or K: a sensor may have moved by as much unseen.
    pub(super) fn standard(&self, span: Span) -> f64 {
        if self.concerns(span) {
            rectangular(self.day.abs())
        } else {
            0.0
        }
    }

    pub(super) fn words(&self, quantity: Quantity, zone: Zone, others: &[String]) -> String {
        let size = |(part, size): (usize, f64)| {
            format!("{} {}", words::change(Quantity::Humidity, size), PART_NAMES[part])
        };
        let until = self.ended_ms.map_or_else(
            || format!("since about {}", words::date(zone, self.onset_ms)),
            |ended| {
                format!(
                    "from about {} to {}",
                    words::date(zone, self.onset_ms),
                    words::date(zone, ended)
                )
            },
        );
        match &self.by {
            By::Hours(parts) => format!(
                "the places parted by the hour of the day {until} ({} and {} against {}), so most likely the air changed there and not the sensor",
                size(parts[0]),
                size(parts[1]),
                others.join(" and ")
            ),
            By::Exchanged(other) => format!(
                "it and {other} seem to have changed places {until}: each reads what the other used to, hour by hour, in humidity and temperature"
            ),
            By::Season => format!(
                "it and {} part by {} {until}, as far as in the same weeks a year before, so most likely with the season",
                others.join(" and "),
                words::value(quantity, self.day.abs())
            ),
            By::Company(company) => format!(
                "it parted from the others together with {} {until} ({}), so most likely the air changed there, or what they share",
                words::list(company),
                words::change(Quantity::Humidity, self.day)
            ),
            By::Whole(moved) => format!(
                "it and {} parted by {} {until}, when the whole enclosure changed by {} beyond what the room explains: its places part then",
                others.join(" and "),
                words::value(quantity, self.day.abs()),
                words::change(quantity, *moved)
            ),
            By::Thermostat(SetAnew { device, from_c, to_c }) => format!(
                "it and {} parted by {} {until}, when {device} began to switch off at {} instead of {} by its own probe: warm and cool places part then",
                others.join(" and "),
                words::value(Quantity::Temperature, self.day.abs()),
                words::value(Quantity::Temperature, *to_c),
                words::value(Quantity::Temperature, *from_c)
            ),
        }
    }
}

/// How far one part of the day went along with a change against another.
struct Between {
    moved: f64,
    sd: f64,
    /// How far apart their levels lie, %RH.
    levels: f64,
}

fn between(figures: &[DayFigure], change: &Change, a: usize, b: usize) -> Option<Between> {
    let (contrasts, levels): (Vec<DayFigure>, Vec<f64>) = figures
        .iter()
        .filter_map(|figure| {
            let (a, b) = figure.by_part[a].zip(figure.by_part[b])?;
            let contrast = DayFigure {
                difference: a.departure - b.departure,
                ..*figure
            };
            Some((contrast, (a.level - b.level).abs()))
        })
        .unzip();
    let (moved, sd) = went_along(&contrasts, change, BETWEEN_PARTS.walking_as(&contrasts))?;
    Some(Between {
        moved,
        sd,
        levels: median(&levels)?,
    })
}

/// How far one part of the day went along with a change beyond the whole of the day.
fn departure(figures: &[DayFigure], change: &Change, part: usize) -> Option<f64> {
    let of_part: Vec<DayFigure> = figures
        .iter()
        .filter_map(|figure| {
            let PartFigure { departure, .. } = figure.by_part[part]?;
            Some(DayFigure {
                difference: departure,
                ..*figure
            })
        })
        .collect();
    went_along(&of_part, change, BETWEEN_PARTS.walking_as(&of_part)).map(|(moved, _)| moved)
}

#[cfg(test)]
mod tests {
    use super::super::kit::{START_MS, reading, site_in_room};
    use super::*;
    use crate::findings::Kind;
    use crate::load::Record;
    use crate::statistics::Estimate;
    use crate::trust::assess;
    use crate::trust::onset::Part;
    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    const DAYS: i64 = 40;
    const ONSET_DAY: i64 = 30;

    /// Days on which each part departs by noise, and from the onset on by what is given; levels at night and by day.
    fn figures(departures: [f64; PARTS], levels: [f64; PARTS], seed: u64) -> Vec<DayFigure> {
        let mut random = StdRng::seed_from_u64(seed);
        (0..DAYS)
            .map(|day| DayFigure {
                at_ms: day * MS_PER_24_H,
                day: day as f64,
                difference: 0.0,
                level: 80.0,
                hour_count: 24,
                by_part: std::array::from_fn(|part| {
                    let noise = random.random::<f64>() - 0.5;
                    let moved = if day >= ONSET_DAY { departures[part] } else { 0.0 };
                    Some(PartFigure {
                        departure: noise + moved,
                        level: levels[part],
                    })
                }),
            })
            .collect()
    }

    fn step(size: f64) -> Blamed {
        let estimate = |value: f64| Estimate {
            value,
            low: value - 1.0,
            high: value + 1.0,
        };
        let onset_ms = ONSET_DAY * MS_PER_24_H;
        Blamed {
            change: Change {
                shape: Shape::Step,
                onset_ms,
                onset_low_ms: onset_ms,
                onset_high_ms: onset_ms,
                per_day: estimate(0.0),
                now: estimate(size),
                ended_ms: None,
                evidence: 10.0,
                evidence_of_other: None,
                parts: vec![Part {
                    shape: Shape::Step,
                    at_ms: onset_ms,
                    size,
                }],
            },
            share: None,
            ended_ms: None,
        }
    }

    #[test]
    fn what_is_there_by_day_and_not_at_night_is_of_the_air() {
        for seed in 0..20 {
            // Nothing at night, 4 %RH in the morning and evening, 8 in the afternoon.
            let parted = Parted::by_hours(&figures([-4.0, 0.0, 4.0, 0.0], [80.0; PARTS], seed), &step(4.0))
                .expect("a change of the day's course");
            let By::Hours([(night, at_night), (afternoon, by_day)]) = parted.by else {
                panic!("{parted:?}");
            };
            assert_eq!((night, afternoon), (0, 2));
            assert!(at_night.abs() < 1.0 && (by_day - 8.0).abs() < 1.0, "{parted:?}");
            // A sensor is not excused by it: as much may hide.
            let span = Span {
                from_ms: 33 * MS_PER_24_H,
                until_ms: DAYS * MS_PER_24_H,
            };
            assert!((parted.standard(span) - 4.0 / 3.0_f64.sqrt()).abs() < 1e-9);
            let words = parted.words(
                Quantity::Humidity,
                Zone::from_name("UTC").expect("an IANA name"),
                &["other".to_owned()],
            );
            assert!(words.contains("in the afternoon against other"), "{words}");
        }
    }

    #[test]
    fn what_is_alike_at_all_hours_or_follows_the_level_may_be_the_sensor() {
        for seed in 0..20 {
            assert!(Parted::by_hours(&figures([0.0; PARTS], [80.0; PARTS], seed), &step(2.0)).is_none());
            // A gain: a tenth of 25 %RH between night and day.
            let gain = figures([1.2, 0.0, -1.2, 0.0], [90.0, 78.0, 65.0, 78.0], seed);
            assert!(Parted::by_hours(&gain, &step(1.5)).is_none());
        }
    }

    #[test]
    fn several_that_move_alike_on_one_day_are_not_all_at_fault() {
        let change = |size: f64, later_d: i64| {
            let mut change = step(size).change;
            change.onset_ms += later_d * MS_PER_24_H;
            change
        };
        let beside = |other: Change| {
            let moved = [("a".to_owned(), change(2.0, 0)), ("b".to_owned(), other)];
            Parted::with_company("a", &step(2.0), &moved).map(|parted| parted.by)
        };
        assert_eq!(beside(change(2.8, 1)), Some(By::Company(vec!["b".to_owned()])));
        for another in [change(-2.0, 0), change(6.0, 0), change(2.0, 9)] {
            assert_eq!(beside(another), None);
        }
    }

    #[test]
    fn a_jump_in_the_middle_of_a_day_is_no_pattern() {
        let mut days = figures([-4.0, -4.0, 0.0, 0.0], [80.0; PARTS], 1);
        days.truncate(ONSET_DAY as usize + 1);
        assert!(Parted::by_hours(&days, &step(3.0)).is_none());
    }

    /// What is said of two sensors of an enclosure which part by 4 %RH from a day on, while both move by `whole_pct`.
    fn parted_with(whole_pct: f64) -> Vec<crate::findings::Finding> {
        const DAYS: i64 = 40;
        const SINCE_DAY: i64 = 30;
        let history = Span {
            from_ms: START_MS,
            until_ms: START_MS + DAYS * MS_PER_24_H,
        };
        let mut random = StdRng::seed_from_u64(3);
        let mut readings = Vec::new();
        for at_ms in (history.from_ms..history.until_ms).step_by(1_200_000) {
            let days = (at_ms - START_MS) as f64 / MS_PER_24_H as f64;
            // Not the same every day, so that it is seen that the difference does not follow the level.
            let by_day = 4.0 * (days * std::f64::consts::TAU).sin() + 5.0 * (days * 15.0).sin();
            let since = if days >= SINCE_DAY as f64 { 1.0 } else { 0.0 };
            for (sensor, stands_pct, moves_pct) in [
                ("stat", 75.0, whole_pct + 2.0),
                ("check", 77.0, whole_pct - 2.0),
                ("wall", 50.0, 0.0),
            ] {
                let air_pct = stands_pct + by_day + moves_pct * since + random.random::<f64>() - 0.5;
                readings.push(reading(sensor, Quantity::Humidity, at_ms, air_pct));
                readings.push(reading(
                    sensor,
                    Quantity::Temperature,
                    at_ms,
                    22.0 + 0.1 * random.random::<f64>(),
                ));
            }
        }
        let site = site_in_room(&[("stat", "controller"), ("check", "reference")], "");
        let record = Record::from_readings(readings, Vec::new(), history);
        let span = Span {
            from_ms: history.until_ms - 7 * MS_PER_24_H,
            ..history
        };
        let findings = assess(&site, &record, span).verdicts.findings;
        let of_humidity = [Kind::HumidityStep, Kind::HumidityDrift];
        findings
            .into_iter()
            .filter(|f| of_humidity.contains(&f.kind))
            .collect()
    }

    #[test]
    fn places_that_part_as_the_whole_enclosure_changes_are_no_fault() {
        assert_eq!(parted_with(2.0).len(), 1, "one of them by 4 %RH");
        assert_eq!(parted_with(0.0).len(), 1, "each by 2 %RH");
        // A door ajar.
        let found = parted_with(-16.0);
        assert!(found.is_empty(), "{found:?}");
    }
}
