//! What is compared: one enclosure's readings on common cells, and which of these may not be used.
//!
//! Humidity is compared through vapour pressure at the tested sensor's own temperature ([JCGM100] for the doubt), because the
//! same air reads 85 %RH at 24 °C and 75 %RH at 26 °C. Temperatures are compared at night, away from lamps; by day only to see
//! whether a probe whose humidity jumped hangs elsewhere since. Cells near saturation, after a misting, around a cleaning and beside a heater
//! that knows no pause are left out.

use std::borrow::Cow;
use std::collections::BTreeMap;

use mosswarden_config::journal;
use mosswarden_config::journal::CHANGES_AIR;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Sensor, Site};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::daily::Difference;
use super::grid::{CELL_MS, Grid};
use super::signal::TOP_PCT;
use crate::load::Record;
use crate::physics::humidity::humidity_at_pct;
use crate::series::{STATE_HOLD_MS_MAX, Series, View, on_spans};
use crate::statistics::robust::{median, quantile};

/// Near saturation humidity sensors say little: capacitive elements are specified to about 95 %RH and pinned above (common
/// practice, no source).
pub(super) const LEVEL_PCT_MAX: f64 = 97.0;
/// After a misting the air is not mixed for this long (METHODS a: at least 60 min).
pub(super) const AFTER_MIST_MS: i64 = MS_PER_HOUR;
/// A rise faster than this in one cell is a misting that no device told of, %RH.
const SUDDEN_RISE_PCT: f64 = 4.0;
/// After a hand in the enclosure.
const AFTER_HAND_MS: i64 = 2 * MS_PER_HOUR;
/// After lights-off temperatures settle first.
const AFTER_LIGHT_MS: i64 = 2 * MS_PER_HOUR;

/// Where a heater keeps the warmth: beyond what is usual by more than this, K, vapour lies otherwise among the places (it failed, or a rest in
/// the cold), and their difference says nothing of the sensors (own choice). Without one, warmth goes with room and season.
const UNLIKE_K: f64 = 5.0;
/// Usual is what lies between these quantiles of the record: nights and days, and no week of a failed heater.
const USUAL_QUANTILES: [f64; 2] = [0.2, 0.8];

/// A heater that is on for so long without a pause, where such times make up less than this share of its record, works otherwise than usual: it
/// died, or can't do what is asked; so long after it the places are as they were (own choice).
const PAUSELESS_MS: i64 = 12 * MS_PER_HOUR;
const PAUSELESS_FRAC_MAX: f64 = 0.25;
const SETTLED_MS: i64 = 6 * MS_PER_HOUR;

/// By sensor and quantity, on the common cells.
pub(super) type Grids = BTreeMap<(String, Quantity), Grid>;

/// Readings of one sensor after the signal checks.
pub(super) type Checked<'r> = BTreeMap<(String, Quantity), Cow<'r, Series>>;

/// One enclosure with all that is known of it.
#[derive(Clone, Copy)]
pub(super) struct Scene<'a> {
    pub site: &'a Site,
    pub enclosure: &'a Enclosure,
    pub record: &'a Record,
    pub checked: &'a Checked<'a>,
    /// The same on cells.
    pub grids: &'a Grids,
    pub history: Span,
}

impl<'a> Scene<'a> {
    /// A sensor's readings after the signal checks.
    pub(super) fn checked_view(&self, sensor: &Sensor, quantity: Quantity) -> Option<View<'a>> {
        let series = self.checked.get(&(sensor.id.clone(), quantity))?;
        Some(series.view())
    }

    /// While a lamp burns, by its states.
    fn lit(&self) -> Vec<Span> {
        self.enclosure
            .devices_of(DeviceKind::Lamp)
            .filter_map(|lamp| self.record.get(&lamp.id, Quantity::State))
            .flat_map(|states| on_spans(states.view(), STATE_HOLD_MS_MAX))
            .collect()
    }

    /// While a heater is on without a pause for so long that it does not do what is asked, or can't, where it usually pauses, and until the
    /// warmth lies among the places as it used to.
    fn heated_without_pause(&self) -> Vec<Span> {
        let heaters = self.enclosure.devices_of(DeviceKind::Heater);
        let states = heaters.filter_map(|heater| self.record.get(&heater.id, Quantity::State));
        let mut without = Vec::new();
        for states in states {
            let on = on_spans(states.view(), STATE_HOLD_MS_MAX).into_iter();
            let mut long: Vec<Span> = on.filter_map(|on| on.intersect(self.history)).collect();
            long.retain(|on| on.until_ms - on.from_ms >= PAUSELESS_MS);
            let length_ms: i64 = long.iter().map(|on| on.until_ms - on.from_ms).sum();
            let heard = states.at_ms.first().zip(states.at_ms.last());
            let heard_ms = heard.map_or(0, |(first_ms, last_ms)| last_ms - first_ms);
            if (length_ms as f64) < PAUSELESS_FRAC_MAX * heard_ms as f64 {
                without.extend(long.into_iter().map(|on| Span {
                    from_ms: on.from_ms,
                    until_ms: on.until_ms + SETTLED_MS,
                }));
            }
        }
        without
    }

    /// When nothing is compared.
    fn odd_times(&self, comparison: Comparison) -> Vec<Span> {
        let mut odd = self.wet();
        odd.extend(self.heated_without_pause());
        let entries = self.record.entries(&self.enclosure.id, self.history);
        odd.extend(entries.filter_map(|entry| match entry.kind.as_str() {
            journal::CLEANED | journal::DOOR_OPEN | journal::MISTED_BY_HAND | journal::POWER_CUT => {
                Some(by_hand(entry.at_ms))
            }
            kind if CHANGES_AIR.contains(&kind) => Some(by_hand(entry.at_ms)),
            journal::SENSOR_CALIBRATED => Some(Span {
                from_ms: entry.at_ms - NEAR_CHECK_MS,
                until_ms: entry.at_ms + NEAR_CHECK_MS,
            }),
            _ => None,
        }));
        if comparison == Comparison::Temperature {
            // Nor is a night settled in which a lamp burns.
            odd.extend(self.lit().into_iter().map(|lit| Span {
                until_ms: lit.until_ms + AFTER_LIGHT_MS,
                ..lit
            }));
        }
        odd
    }

    /// Nights, or light hours, from when on they have settled: a lamp warms one place more than another, so the two are never mixed.
    fn settled(&self, comparison: Comparison) -> Vec<Span> {
        let zone = self.site.zone;
        let of_date = |date| {
            let light = self.enclosure.light_on(date);
            let whole = match comparison {
                Comparison::TemperatureByDay => zone.light(date, light),
                _ => zone.night(date, light),
            };
            Span {
                from_ms: whole.from_ms + AFTER_LIGHT_MS,
                ..whole
            }
        };
        zone.dates(self.history).into_iter().map(of_date).collect()
    }

    /// While a mister runs and as long after it as its vapour is not spread.
    pub(super) fn wet(&self) -> Vec<Span> {
        self.enclosure
            .devices_of(DeviceKind::Mister)
            .filter_map(|mister| self.record.get(&mister.id, Quantity::State))
            .flat_map(|states| on_spans(states.view(), MS_PER_HOUR))
            .map(after_mist)
            .collect()
    }
}

/// A run of a mister and as long after it as its vapour is not spread.
pub(super) fn after_mist(run: Span) -> Span {
    Span {
        from_ms: run.from_ms,
        until_ms: run.until_ms + AFTER_MIST_MS,
    }
}

/// About when a hand was inside, of which the journal has an entry.
pub(super) fn by_hand(at_ms: i64) -> Span {
    Span {
        from_ms: at_ms - AFTER_HAND_MS / 4,
        until_ms: at_ms + AFTER_HAND_MS,
    }
}

/// A sensor may be out so long before and after the journal's entry of a check or a calibration: over salt it takes half a day to a day
/// (common practice, no source).
pub(crate) const NEAR_CHECK_MS: i64 = MS_PER_24_H;

/// What is compared, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Comparison {
    Humidity,
    /// In the settled night.
    Temperature,
    /// While the lamps are on: a warm place differs from a cool one then, and a probe that fell shows it.
    TemperatureByDay,
}

impl Comparison {
    pub(super) fn quantity(self) -> Quantity {
        match self {
            Comparison::Humidity => Quantity::Humidity,
            _ => Quantity::Temperature,
        }
    }
}

/// The enclosure's readings on one grid, with the cells that must not be used.
pub(super) struct Cells<'a> {
    quantity: Quantity,
    /// By sensor: what is compared, and its own temperature.
    value: Vec<&'a Grid>,
    temperature: Vec<Option<&'a Grid>>,
    /// The room's temperature: warm and cool places part by how far the enclosure stands above it.
    room: Option<Grid>,
    quiet: Vec<bool>,
}

impl<'a> Cells<'a> {
    pub(super) fn new(scene: &Scene<'a>, comparison: Comparison, sensors: &[&Sensor]) -> Cells<'a> {
        let quantity = comparison.quantity();
        let mut in_room = scene.site.room_sensors.iter();
        let room = in_room
            .find_map(|sensor| scene.record.get(&sensor.id, Quantity::Temperature))
            .map(|series| Grid::of(series, scene.history));
        let grids = scene.grids;
        let grid = |id: &str, quantity: Quantity| grids.get(&(id.to_owned(), quantity));
        let value: Vec<&Grid> = sensors.iter().filter_map(|s| grid(&s.id, quantity)).collect();
        let temperature: Vec<Option<&Grid>> = if quantity == Quantity::Humidity {
            sensors
                .iter()
                .map(|s| grid(&s.id, Quantity::Temperature))
                .collect()
        } else {
            vec![None; sensors.len()]
        };
        let quiet = value.first().map_or_else(Vec::new, |first| {
            quiet_cells(scene, comparison, first, &value, &temperature)
        });
        Cells {
            quantity,
            value,
            temperature,
            room,
            quiet,
        }
    }

    /// `a` minus what it should read by `b`, over the quiet cells. At the top of its scale `a` reads so much more at least: that is compared only
    /// where it is more than what it lately read below the top.
    pub(super) fn differences(&self, a: usize, b: usize) -> Vec<Difference> {
        let mut differences = Vec::new();
        let mut below_top = BelowTop::default();
        for index in (0..self.quiet.len()).filter(|index| self.quiet[*index]) {
            let (Some(own), Some(other)) = (self.value[a].cells[index], self.value[b].cells[index]) else {
                continue;
            };
            let level = if self.quantity == Quantity::Humidity {
                let own_t = self.temperature[a].and_then(|grid| grid.cells[index]);
                let other_t = self.temperature[b].and_then(|grid| grid.cells[index]);
                match own_t.zip(other_t) {
                    Some((own_t, other_t)) => humidity_at_pct(other, other_t, own_t),
                    None => other,
                }
            } else {
                other
            };
            let at_ms = self.value[a].start_ms(index);
            if self.quantity == Quantity::Humidity && level > LEVEL_PCT_MAX {
                continue;
            }
            let above = match (self.quantity, &self.room) {
                (Quantity::Humidity, _) | (_, None) => level,
                // Without the room the level would be of another scale for as long as it is silent.
                (_, Some(grid)) => match grid.cells[index] {
                    Some(room) => level - room,
                    None => continue,
                },
            };
            let value = own - level;
            if self.quantity == Quantity::Humidity && below_top.says_nothing(at_ms, own, value) {
                continue;
            }
            differences.push(Difference {
                at_ms,
                value,
                level: above,
            });
        }
        differences
    }
}

/// Which cells may be used.
fn quiet_cells(
    scene: &Scene<'_>,
    comparison: Comparison,
    first: &Grid,
    value: &[&Grid],
    temperature: &[Option<&Grid>],
) -> Vec<bool> {
    let history = scene.history;
    let mut quiet = vec![true; first.cells.len()];
    for odd in scene.odd_times(comparison) {
        let index_of = |at_ms: i64| at_ms.div_euclid(CELL_MS) - first.first_index;
        let from = index_of(odd.from_ms.max(history.from_ms)).max(0) as usize;
        let until = (index_of(odd.until_ms.min(history.until_ms)) + 1).max(0) as usize;
        quiet
            .iter_mut()
            .take(until)
            .skip(from)
            .for_each(|cell| *cell = false);
    }
    if comparison.quantity() == Quantity::Humidity {
        let misted = value.iter().flat_map(|grid| {
            let rose = |index: &usize| grid.change(*index).is_some_and(|change| change > SUDDEN_RISE_PCT);
            (1..grid.cells.len()).filter(rose)
        });
        for index in misted {
            let until = index + 1 + (AFTER_MIST_MS / 2 / CELL_MS) as usize;
            quiet
                .iter_mut()
                .take(until)
                .skip(index)
                .for_each(|cell| *cell = false);
        }
        if scene.enclosure.devices_of(DeviceKind::Heater).next().is_some() {
            for (cell, is_unlike) in quiet.iter_mut().zip(unlike_warmth(temperature)) {
                *cell &= !is_unlike;
            }
        }
    } else {
        let stretches = scene.settled(comparison);
        let mut stretch = stretches.iter().peekable();
        for (index, cell) in quiet.iter_mut().enumerate() {
            let at = first.start_ms(index);
            while stretch.peek().is_some_and(|n| n.until_ms <= at) {
                stretch.next();
            }
            *cell &= stretch.peek().is_some_and(|n| n.from_ms <= at && at < n.until_ms);
        }
    }
    quiet
}

/// The cells in which the enclosure was far colder or warmer than usual, by the mean of its sensors.
fn unlike_warmth(temperature: &[Option<&Grid>]) -> Vec<bool> {
    let grids: Vec<&Grid> = temperature.iter().copied().flatten().collect();
    let count = grids.first().map_or(0, |grid| grid.cells.len());
    let warmth_c: Vec<Option<f64>> = (0..count)
        .map(|index| {
            let read: Vec<f64> = grids.iter().filter_map(|grid| grid.cells[index]).collect();
            (!read.is_empty()).then(|| read.iter().sum::<f64>() / read.len() as f64)
        })
        .collect();
    let known: Vec<f64> = warmth_c.iter().copied().flatten().collect();
    let [Some(low_c), Some(high_c)] = USUAL_QUANTILES.map(|share| quantile(&known, share)) else {
        return vec![false; count];
    };
    let usual = low_c - UNLIKE_K..=high_c + UNLIKE_K;
    warmth_c
        .into_iter()
        .map(|t_c| t_c.is_some_and(|t_c| !usual.contains(&t_c)))
        .collect()
}

/// By how much a sensor reads more than another while it is not at the top of its scale.
#[derive(Default)]
struct BelowTop {
    day: i64,
    of_day: Vec<f64>,
    /// The middle difference of the last day that had enough.
    last: Option<f64>,
}

impl BelowTop {
    /// So many cells of a day are enough.
    const CELLS_MIN: usize = 6;

    /// Takes the next difference in order of time; whether it is one at the top of the scale that says no more than is known.
    fn says_nothing(&mut self, at_ms: i64, own_pct: f64, difference: f64) -> bool {
        let day = at_ms.div_euclid(MS_PER_24_H);
        if day != self.day {
            if self.of_day.len() >= BelowTop::CELLS_MIN {
                self.last = median(&self.of_day);
            }
            self.of_day.clear();
            self.day = day;
        }
        if own_pct >= TOP_PCT {
            return self.last.is_some_and(|last| difference <= last);
        }
        self.of_day.push(difference);
        false
    }
}

#[cfg(test)]
mod tests {
    use super::super::kit::{START_MS, reading, site_in_room};
    use crate::findings::Kind;
    use crate::trust::assess;

    use super::*;

    const DAYS: i64 = 40;
    const LEFT_ON_DAY: i64 = 30;

    /// How many temperature biases are told where a lamp burns day and night from a day on, which warms one place by 2.6 K and the other by 0.4.
    fn biases_beside_a_lamp(has_states: bool) -> usize {
        let history = Span {
            from_ms: START_MS,
            until_ms: START_MS + DAYS * MS_PER_24_H,
        };
        let lamp = "[[enclosure.device]]\nid = \"lamp\"\nkind = \"lamp\"\nfeeds = [ { topic = \"t/lamp\", format = \"state\" } ]\n";
        let site = site_in_room(&[("stat", "controller"), ("check", "reference")], lamp);
        let is_lit = |at_ms: i64| {
            let hour = (at_ms - START_MS) % MS_PER_24_H / MS_PER_HOUR;
            (8..20).contains(&hour) || at_ms >= START_MS + LEFT_ON_DAY * MS_PER_24_H
        };
        let mut readings = Vec::new();
        for at_ms in (history.from_ms..history.until_ms).step_by(1_200_000) {
            let wobble_k = 0.1 * (at_ms as f64 / 7e6).sin();
            let lamp_share = f64::from(u8::from(is_lit(at_ms)));
            for (sensor, warmed_k) in [("stat", 2.6), ("check", 0.4), ("wall", 0.0)] {
                let t_c = 20.0 + warmed_k * lamp_share + if sensor == "check" { wobble_k } else { 0.0 };
                readings.push(reading(sensor, Quantity::Temperature, at_ms, t_c));
            }
            if has_states && (at_ms == START_MS || is_lit(at_ms) != is_lit(at_ms - 1_200_000)) {
                readings.push(reading("lamp", Quantity::State, at_ms, lamp_share));
            }
        }
        let record = Record::from_readings(readings, Vec::new(), history);
        let span = Span {
            from_ms: history.until_ms - 7 * MS_PER_24_H,
            ..history
        };
        let findings = assess(&site, &record, span).verdicts.findings;
        findings
            .iter()
            .filter(|f| f.kind == Kind::TemperatureBias)
            .count()
    }

    #[test]
    fn nights_in_which_a_lamp_burns_are_not_compared() {
        assert_eq!(biases_beside_a_lamp(true), 0);
        assert_eq!(
            biases_beside_a_lamp(false),
            1,
            "nothing says that it was the lamp"
        );
    }
    /// How many changes of humidity are told where from a day on the two part by 6 %RH, and the enclosure is by so much colder; with a heater that
    /// goes on and off, or from that day on is on without a pause.
    fn changes_beside_cold(colder_k: f64, heater: Option<bool>) -> usize {
        let history = Span {
            from_ms: START_MS,
            until_ms: START_MS + DAYS * MS_PER_24_H,
        };
        let device = "[[enclosure.device]]\nid = \"heater\"\nkind = \"heater\"\nfeeds = [ { topic = \"t/heater\", format = \"state\" } ]\n";
        let device = heater.map_or("", |_| device);
        let site = site_in_room(&[("stat", "controller"), ("check", "reference")], device);
        let since_ms = START_MS + (LEFT_ON_DAY + 4) * MS_PER_24_H;
        let mut readings = Vec::new();
        for (step, at_ms) in (history.from_ms..history.until_ms).step_by(1_200_000).enumerate() {
            let wobble_pct = 0.5 * (at_ms as f64 / 7e6).sin();
            let is_since = at_ms >= since_ms;
            let t_c = 20.0 - if is_since { colder_k } else { 0.0 };
            for (sensor, pct) in [
                ("stat", 70.0 + if is_since { 6.0 } else { 0.0 }),
                ("check", 70.0 + wobble_pct),
            ] {
                readings.push(reading(sensor, Quantity::Temperature, at_ms, t_c));
                readings.push(reading(sensor, Quantity::Humidity, at_ms, pct));
            }
            if let Some(is_pauseless) = heater {
                let is_on = step % 3 == 0 || is_since && is_pauseless;
                readings.push(reading(
                    "heater",
                    Quantity::State,
                    at_ms,
                    f64::from(u8::from(is_on)),
                ));
            }
        }
        let record = Record::from_readings(readings, Vec::new(), history);
        let span = Span {
            from_ms: history.until_ms - 7 * MS_PER_24_H,
            ..history
        };
        let findings = assess(&site, &record, span).verdicts.findings;
        findings
            .iter()
            .filter(|f| matches!(f.kind, Kind::HumidityStep | Kind::HumidityDrift))
            .count()
    }

    #[test]
    fn what_parts_in_unusual_cold_is_no_change_of_a_sensor() {
        assert_ne!(changes_beside_cold(0.0, Some(false)), 0);
        assert_eq!(changes_beside_cold(10.0, Some(false)), 0);
        assert_ne!(changes_beside_cold(10.0, None), 0, "with room and season");
    }

    #[test]
    fn what_parts_while_a_heater_knows_no_pause_is_no_change_of_a_sensor() {
        assert_eq!(changes_beside_cold(3.0, Some(true)), 0);
        assert_ne!(changes_beside_cold(3.0, Some(false)), 0);
    }
}
