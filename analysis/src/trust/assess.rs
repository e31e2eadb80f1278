//! Every sensor of the site through every check.
//!
//! What is found is worded in `say`, wrong clocks are told in `clocks`, and what others may use is made in `standing`.

use std::borrow::Cow;
use std::collections::BTreeMap;

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Sensor, Site};
use mosswarden_config::table::{Mark, ROOM};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::cross::{self, Blamed, Compared};
use super::grid::Grid;
use super::pattern::lay_to_air;
use super::scene::{self, Checked, Comparison, Grids, Scene};
use super::signal::{self, Fading};
use super::{Outcome, alone, clock, corrections, jar, slow};
use crate::load::Record;
use crate::physics::humidity::humidity_at_pct;
use crate::series::{Series, on_spans};
use crate::statistics::robust::median;

/// The quantities that are checked.
pub(super) const CHECKED: [Quantity; 2] = [Quantity::Temperature, Quantity::Humidity];

/// Judges every sensor by what is known up to the end of `span`.
pub fn assess(site: &Site, record: &Record, span: Span) -> Outcome {
    let mut outcome = Outcome::default();
    for enclosure in &site.enclosures {
        Room {
            site,
            record,
            span,
            id: &enclosure.id,
            enclosure: Some(enclosure),
            sensors: &enclosure.sensors,
        }
        .assess(&mut outcome);
    }
    Room {
        site,
        record,
        span,
        id: ROOM,
        enclosure: None,
        sensors: &site.room_sensors,
    }
    .assess(&mut outcome);
    outcome
}

/// One enclosure, or the room.
pub(super) struct Room<'a> {
    pub(super) site: &'a Site,
    pub(super) record: &'a Record,
    pub(super) span: Span,
    pub(super) id: &'a str,
    pub(super) enclosure: Option<&'a Enclosure>,
    pub(super) sensors: &'a [Sensor],
}

/// What was found wrong with one series, before anything is said.
#[derive(Default)]
pub(super) struct Faults {
    pub(super) stuck: Vec<Span>,
    pub(super) pinned: Vec<Span>,
    /// Out of the enclosure, for a check over salt.
    pub(super) out: Vec<Span>,
    pub(super) spike_count: usize,
    pub(super) silent: Vec<Span>,
    pub(super) fading: Option<Fading>,
}

/// Two changes of one sensor that began this near to each other are one.
pub(super) const SAME_TIME_MS: i64 = 3 * MS_PER_24_H;

/// The level of one sensor and quantity at an instant.
fn level_at(grids: &Grids, sensor: &str, quantity: Quantity, at_ms: i64) -> Option<f64> {
    let grid = grids.get(&(sensor.to_owned(), quantity))?;
    grid.cells[grid.index_of(at_ms)?]
}

fn onset_ms(compared: Option<&Compared>) -> Option<i64> {
    Some(compared?.change.as_ref()?.change.onset_ms)
}

/// A probe whose humidity jumped and whose days grew cooler or warmer at the same time hangs elsewhere: its temperature says so best.
/// By itself a difference by day is no fault, since lamps move and are changed.
fn hangs_elsewhere(compared: &mut ComparedMap, by_day: BTreeMap<String, Compared>) {
    for (sensor, found) in by_day {
        let at = |quantity: Quantity| onset_ms(compared.get(&(sensor.clone(), quantity)));
        let (Some(by_day), Some(humidity), None) = (
            onset_ms(Some(&found)),
            at(Quantity::Humidity),
            at(Quantity::Temperature),
        ) else {
            continue;
        };
        if (by_day - humidity).abs() <= SAME_TIME_MS {
            compared.insert((sensor, Quantity::Temperature), found);
        }
    }
}

/// Humidity is compared at a sensor's own temperature: where that began to read wrong at the same time, a change of its
/// humidity, or of that of the only one that it is compared with, is the same fault seen twice, and is told once.
fn lay_to_temperature(compared: &mut ComparedMap) {
    let moved: Vec<(String, i64)> = compared
        .iter()
        .filter(|((_, quantity), _)| *quantity == Quantity::Temperature)
        .filter_map(|((sensor, _), found)| Some((sensor.clone(), onset_ms(Some(found))?)))
        .collect();
    let of_humidity = compared
        .iter_mut()
        .filter(|((_, quantity), _)| *quantity == Quantity::Humidity);
    for ((sensor, _), found) in of_humidity {
        let same = |(moved, at_ms): &(String, i64)| {
            (moved == sensor || found.others == [moved.as_str()])
                && onset_ms(Some(found)).is_some_and(|onset| (onset - at_ms).abs() <= SAME_TIME_MS)
        };
        if moved.iter().any(same) {
            found.change = None;
        }
    }
}

pub(super) type ComparedMap = BTreeMap<(String, Quantity), Compared>;
pub(super) type FaultMap = BTreeMap<(String, Quantity), Faults>;

impl Room<'_> {
    pub(super) fn history(&self) -> Span {
        self.record.span.unwrap_or(self.span)
    }

    fn assess(&self, outcome: &mut Outcome) {
        let mut plausible = self.plausible();
        self.put_past_clocks_right(&mut plausible);
        let clocks = self.clock_faults(&plausible);
        for ((sensor, _), series) in &mut plausible {
            if let Some(fault) = clocks.get(sensor) {
                *series = Cow::Owned(fault.put_right(series));
            }
        }
        let grids = self.grids(&plausible);
        let mut checked = Checked::new();
        let mut faults = FaultMap::new();
        for ((sensor, quantity), series) in &plausible {
            let out = self.out_of_enclosure(sensor, &plausible);
            let (found, clean) = self.signal_faults(sensor, *quantity, series, &grids, out);
            faults.insert((sensor.clone(), *quantity), found);
            checked.insert((sensor.clone(), *quantity), clean);
        }
        // Compared is what is believed of each: a known fault is not found again in those beside it.
        for sensor in self.sensors {
            for quantity in CHECKED {
                if let Some(clean) = checked.get_mut(&(sensor.id.clone(), quantity)) {
                    corrections::take_off(self.site, self.record, self.id, sensor, quantity, clean);
                }
            }
        }
        let compared = self.compared(&checked);
        for ((sensor, quantity), found) in &mut faults {
            let change = compared
                .get(&(sensor.clone(), *quantity))
                .and_then(|c| c.change.as_ref());
            if let Some(blamed) = change {
                found
                    .pinned
                    .retain(|span| !self.explains_top(blamed, 1.0, sensor, &grids, *span));
            }
            // Nor is it one where the only other, which contradicts it, reads too low.
            if let Some(blamed) = self.only_other(sensor).and_then(|other| {
                let compared = compared.get(&(other.to_owned(), *quantity))?;
                compared.change.as_ref()
            }) {
                found
                    .pinned
                    .retain(|span| !self.explains_top(blamed, -1.0, sensor, &grids, *span));
            }
        }
        for sensor in self.sensors {
            let clock = clocks.get(&sensor.id);
            if let Some(fault) = clock {
                self.say_clock(sensor, fault, outcome);
            }
            self.say_silent(sensor, &faults, clock, outcome);
            for quantity in CHECKED {
                let key = (sensor.id.clone(), quantity);
                let measured = plausible.contains_key(&key);
                if measured {
                    self.say_signal(sensor, quantity, &faults[&key], outcome);
                }
                self.say_compared(sensor, quantity, measured, compared.get(&key), outcome);
                if let (Some(clean), Some(found)) = (checked.remove(&key), faults.get(&key)) {
                    let remarks = self.remarks(sensor, quantity, &plausible, &grids);
                    let usable = self.usable(sensor, quantity, clean.into_owned(), found, compared.get(&key));
                    let trust = self.trust(sensor, quantity, found, compared.get(&key), (&usable, remarks));
                    outcome.sensors.push(trust);
                    outcome.trusted.insert(&sensor.id, quantity, usable);
                } else if self.feeds(sensor, quantity) {
                    outcome.sensors.push(self.unheard(sensor, quantity));
                }
            }
        }
    }

    fn grids(&self, of: &Checked<'_>) -> Grids {
        of.iter()
            .map(|(key, series)| (key.clone(), Grid::of(series, self.history())))
            .collect()
    }

    /// Every sensor against the others.
    fn compared(&self, checked: &Checked<'_>) -> ComparedMap {
        let mut compared = ComparedMap::new();
        let Some(enclosure) = self.enclosure else {
            return compared;
        };
        let grids = self.grids(checked);
        let scene = Scene {
            site: self.site,
            enclosure,
            record: self.record,
            checked,
            grids: &grids,
            history: self.history(),
        };
        for comparison in [Comparison::Humidity, Comparison::Temperature] {
            for (sensor, found) in cross::compare(&scene, comparison, self.span) {
                compared.insert((sensor, comparison.quantity()), found);
            }
        }
        if compared.values().any(|found| found.change.is_some()) {
            let by_day = cross::compare(&scene, Comparison::TemperatureByDay, self.span);
            hangs_elsewhere(&mut compared, by_day);
        }
        lay_to_temperature(&mut compared);
        // Last, since a probe that hangs elsewhere may show it by day alone, and is told by its temperature.
        lay_to_air(&mut compared, &scene);
        slow::judge(&mut compared, &scene, self.span);
        cross::suspect_others(&mut compared);
        if let Some((sensor, found)) = cross::alone(&scene, self.span) {
            let key = (sensor, Quantity::Humidity);
            let before = compared.get(&key);
            // What was compared until another fell silent stays told, and had not changed by then.
            let is_since = onset_ms(Some(&found)) >= before.and_then(Compared::last_compared_ms);
            if is_since && before.is_none_or(|before| before.change.is_none()) {
                compared.insert(key, found);
            }
        }
        compared
    }

    /// The other sensor of two that measure the humidity.
    fn only_other(&self, sensor: &str) -> Option<&str> {
        let others = self.sensors.iter().filter(|other| other.id != sensor);
        let mut heard = others.filter(|other| self.is_heard(other, Quantity::Humidity));
        let other = heard.next()?;
        heard.next().is_none().then_some(other.id.as_str())
    }

    /// A sensor that reads too high reaches the top of its scale before the air does: that is its bias, not another fault. `sign` is 1 where
    /// the bias is its own, −1 where it is that of the one by which it is judged.
    fn explains_top(&self, blamed: &Blamed, sign: f64, sensor: &str, grids: &Grids, stretch: Span) -> bool {
        const NEAR_TOP_PCT: f64 = 3.0;
        let count = (stretch.hours() as i64).clamp(2, 48);
        let step_ms = (stretch.until_ms - stretch.from_ms) / count;
        // A step is dated by the day, so its first hours may stand before its midnight.
        let bias = |at_ms: i64| {
            let (then, later) = (blamed.bias_at(at_ms), blamed.bias_at(at_ms + MS_PER_24_H / 2));
            (sign * then).max(sign * later)
        };
        let levels: Vec<f64> = (0..count)
            .map(|step| stretch.from_ms + step * step_ms)
            .filter_map(|at| Some(self.expected(sensor, Quantity::Humidity, grids, at)? + bias(at)))
            .collect();
        median(&levels).is_some_and(|level| level >= signal::TOP_PCT - NEAR_TOP_PCT)
    }

    /// Series without what is physically impossible.
    fn plausible(&self) -> Checked<'_> {
        let mut plausible = Checked::new();
        for sensor in self.sensors {
            for quantity in CHECKED {
                let Some(series) = self.record.get(&sensor.id, quantity) else {
                    continue;
                };
                let kept = series.filtered(|_, _, mark| mark != Mark::Impossible);
                if !kept.is_empty() {
                    plausible.insert((sensor.id.clone(), quantity), kept);
                }
            }
        }
        plausible
    }

    /// What `sensor` should read at an instant by the others of its enclosure, in its own quantity.
    pub(super) fn expected(
        &self,
        sensor: &str,
        quantity: Quantity,
        grids: &BTreeMap<(String, Quantity), Grid>,
        at_ms: i64,
    ) -> Option<f64> {
        let own_t = level_at(grids, sensor, Quantity::Temperature, at_ms);
        self.mean_beside(sensor, |other| {
            let value = level_at(grids, other, quantity, at_ms)?;
            if quantity != Quantity::Humidity {
                return Some(value);
            }
            let other_t = level_at(grids, other, Quantity::Temperature, at_ms);
            Some(
                own_t
                    .zip(other_t)
                    .map_or(value, |(own, other)| humidity_at_pct(value, other, own)),
            )
        })
    }

    /// The mean of a level over the sensors beside one.
    fn mean_beside(&self, sensor: &str, level: impl Fn(&str) -> Option<f64>) -> Option<f64> {
        let others = self.sensors.iter().filter(|other| other.id != sensor);
        let levels: Vec<f64> = others.filter_map(|other| level(&other.id)).collect();
        (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64)
    }

    /// Whether a sensor was heard in the span.
    pub(super) fn is_heard(&self, sensor: &Sensor, quantity: Quantity) -> bool {
        let series = self.record.get(&sensor.id, quantity);
        series.is_some_and(|series| !series.within(self.span).value.is_empty())
    }

    /// Whether nothing else measures the humidity there.
    pub(super) fn is_alone(&self, sensor: &str) -> bool {
        let mut others = self.sensors.iter().filter(|other| other.id != sensor);
        !others.any(|other| self.record.get(&other.id, Quantity::Humidity).is_some())
    }

    /// When water was given, by devices and journal; a mister that says nothing runs by its schedule. `None` where a device that gives water
    /// has neither, and in the room: its air is changed by other air.
    fn watered(&self) -> Option<Vec<Span>> {
        let enclosure = self.enclosure?;
        let mut watered: Vec<Span> = self
            .record
            .entries(&enclosure.id, self.history())
            .filter(|entry| [journal::MISTED_BY_HAND, journal::CLEANED].contains(&entry.kind.as_str()))
            .map(|entry| scene::by_hand(entry.at_ms))
            .collect();
        for kind in [DeviceKind::Mister, DeviceKind::Fogger] {
            for device in enclosure.devices_of(kind) {
                let runs: Vec<Span> = match self.record.get(&device.id, Quantity::State) {
                    Some(states) => on_spans(states.view(), MS_PER_HOUR),
                    None if device.schedule.is_empty() => return None,
                    None => {
                        let asked = device.scheduled(self.site.zone, self.history());
                        asked.into_iter().map(|(_, run)| run).collect()
                    }
                };
                watered.extend(runs.into_iter().map(scene::after_mist));
            }
        }
        Some(watered)
    }

    /// When a sensor was out for the checks that the journal tells of.
    fn out_of_enclosure(&self, sensor: &str, plausible: &Checked<'_>) -> Vec<Span> {
        let Some(humidity) = plausible.get(&(sensor.to_owned(), Quantity::Humidity)) else {
            return Vec::new();
        };
        self.record
            .entries(self.id, self.history())
            .filter(|entry| match entry.kind.as_str() {
                journal::SENSOR_CALIBRATED => entry.subject.as_deref().is_none_or(|id| id == sensor),
                // "Back from the salt, no correction made."
                journal::NOTE => entry.subject.as_deref() == Some(sensor),
                _ => false,
            })
            .filter_map(|entry| jar::out_of_enclosure(humidity, entry.at_ms))
            .collect()
    }

    /// What is wrong with a series by itself, and what is left of it; `out`: when its sensor was out of the enclosure.
    fn signal_faults<'s>(
        &self,
        sensor: &str,
        quantity: Quantity,
        series: &'s Series,
        grids: &BTreeMap<(String, Quantity), Grid>,
        out: Vec<Span>,
    ) -> (Faults, Cow<'s, Series>) {
        let movement = |span: Span| {
            /// The others' own humidity must have moved as well, by this share of what it means at the sensor's temperature: where air cools
            /// and gives off its vapour, theirs stands still too (own choice).
            const SHOWN_FRAC: f64 = 0.5;
            let step = super::grid::CELL_MS;
            // What moved at its ends may be what ended it.
            let inside = span.from_ms.div_euclid(step) + 1..span.until_ms.div_euclid(step);
            let range = |level: &dyn Fn(i64) -> Option<f64>| {
                let levels: Vec<f64> = inside.clone().filter_map(|cell| level(cell * step)).collect();
                let low = levels.iter().copied().fold(f64::INFINITY, f64::min);
                let high = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                (levels.len() > 6).then_some(high - low)
            };
            let moved = range(&|at_ms| self.expected(sensor, quantity, grids, at_ms))?;
            let shown =
                range(&|at_ms| self.mean_beside(sensor, |other| level_at(grids, other, quantity, at_ms)))?;
            Some(moved.min(shown / SHOWN_FRAC))
        };
        let mut faults = Faults {
            stuck: signal::stuck(series, quantity, movement),
            silent: signal::silent(series, self.span),
            fading: signal::fading(series, self.span),
            ..Faults::default()
        };
        if quantity == Quantity::Humidity {
            let is_alone = self.is_alone(sensor);
            let own_t = grids.get(&(sensor.to_owned(), Quantity::Temperature));
            let watered = if is_alone {
                self.watered()
            } else {
                Some(Vec::new())
            };
            faults.pinned = match (own_t, &watered) {
                (Some(own_t), Some(watered)) if is_alone => alone::pinned(series, own_t, watered),
                _ => {
                    let expected = |at: i64| self.expected(sensor, quantity, grids, at);
                    let above_pct = signal::usually_above_pct(series, expected);
                    signal::pinned(series, signal::PINNED_MS_MIN, |at| {
                        Some(expected(at)? + above_pct)
                    })
                }
            };
        }
        // Where stamps run twice, two true courses are interleaved.
        let twice = clock::twice(series);
        let mut spikes = signal::spikes(series, quantity);
        spikes.retain(|index| !twice.iter().any(|stretch| stretch.contains(series.at_ms[*index])));
        faults.spike_count = spikes
            .iter()
            .filter(|index| self.span.contains(series.at_ms[**index]))
            .count();
        let is_inside = |stretch: &Span| !out.iter().any(|out| out.intersect(*stretch).is_some());
        faults.stuck.retain(is_inside);
        faults.pinned.retain(is_inside);
        faults.out = out;
        let bad: Vec<Span> = [&faults.stuck, &faults.pinned, &faults.out]
            .into_iter()
            .flatten()
            .copied()
            .collect();
        let mut index = 0;
        let clean = series.filtered(|at, _, _| {
            let spiked = spikes.binary_search(&index).is_ok();
            index += 1;
            !spiked && !bad.iter().any(|span| span.contains(at))
        });
        (faults, clean)
    }

    /// Whether a stretch goes on to the sensor's newest reading.
    pub(super) fn lasts(&self, sensor: &Sensor, quantity: Quantity, stretch: Span) -> bool {
        let last = self
            .record
            .get(&sensor.id, quantity)
            .and_then(|series| series.at_ms.last().copied());
        last.is_none_or(|last| stretch.until_ms > last)
    }

    pub(super) fn feeds(&self, sensor: &Sensor, quantity: Quantity) -> bool {
        use mosswarden_config::site::Format;
        sensor.feeds.iter().any(|feed| match &feed.format {
            Format::Json { quantity: q, .. } | Format::Number { quantity: q, .. } => *q == quantity,
            _ => false,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::kit::{START_MS, reading, site};
    use super::*;
    use crate::findings::Kind;
    use crate::load::Record;
    use crate::trust::assess;

    /// "check" shows 78 %RH for six hours in which its own air cools by 4 K and the humidity of "stat" falls by so much.
    fn stuck(fall_pct: f64) -> usize {
        const STEP_MS: i64 = 10 * 60_000;
        let history = Span {
            from_ms: START_MS,
            until_ms: START_MS + 3 * MS_PER_24_H,
        };
        let readings = (history.from_ms..history.until_ms)
            .step_by(STEP_MS as usize)
            .flat_map(|at_ms| {
                let hours = (at_ms - START_MS) as f64 / MS_PER_HOUR as f64;
                let since = ((hours - 48.0) / 6.0).clamp(0.0, 1.0);
                let wobble_pct = (hours * 1.3).sin();
                let stands = (48.0..54.0).contains(&hours);
                [
                    ("check", Quantity::Temperature, 24.0 - 4.0 * since),
                    (
                        "check",
                        Quantity::Humidity,
                        78.0 + if stands { 0.0 } else { 2.0 * wobble_pct },
                    ),
                    ("stat", Quantity::Temperature, 24.0),
                    (
                        "stat",
                        Quantity::Humidity,
                        75.0 + 0.4 * wobble_pct - fall_pct * since,
                    ),
                ]
                .map(|(sensor, quantity, value)| {
                    reading(sensor, quantity, at_ms, (value * 10.0).round() / 10.0)
                })
            });
        let record = Record::from_readings(readings, Vec::new(), history);
        let found = assess(&site("stat", "check"), &record, history).verdicts.findings;
        found
            .iter()
            .filter(|finding| finding.kind == Kind::SensorStuck && finding.subject == "check")
            .count()
    }

    #[test]
    fn one_stands_still_beside_others_that_moved_and_not_where_theirs_stood_still_too() {
        assert_eq!((stuck(8.0), stuck(0.0)), (1, 0));
    }
}
