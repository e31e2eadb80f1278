//! Each sensor against the others of its enclosure: which one began to read wrong, when, and how far it has come.
//!
//! The one that is blamed is the one that the others contradict most and without which they agree; where there are only two, what both show
//! of the air (`nature`), role, accuracy class and calibration weigh, and the sentence says so. One that stands alone is judged against what
//! the air should be by its nature. What is compared, and which cells are left out, stands in `scene`.

use std::collections::BTreeMap;

use mosswarden_config::journal::{self, CHANGES_AIR, Entry};
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Sensor;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::corrections;
use super::daily::{DayFigure, at_level_of_both, combine, daily, usual_level};
use super::nature::Nature;
use super::onset::{self, Change, Noise, Shared};
use super::pattern::Parted;
use super::scene::{Cells, Comparison, Scene};
use super::suspicion::suspicion;
use super::witness;
use crate::statistics::robust::median;

/// What the comparison says of one sensor.
#[derive(Debug, Clone, Default)]
pub(super) struct Compared {
    /// Ids of the sensors it was compared with.
    pub others: Vec<String>,
    /// Differences by day, what was always there taken off.
    pub figures: Vec<DayFigure>,
    /// What was always there, in the quantity's unit: the middle of them over several sensors.
    pub stood: f64,
    pub change: Option<Blamed>,
    /// Since when it agrees with the others that it stood far apart from: what was wrong was wrong before.
    pub together_since_ms: Option<i64>,
    /// A change that is laid to the other of two and may be this one's, with how likely that is.
    pub perhaps: Option<Blamed>,
    /// What seemed a change of this sensor, and is one of the air where it hangs.
    pub parted: Option<Parted>,
}

impl Compared {
    /// Whether it was compared with nothing but what room, warmth and water explain.
    pub(super) fn is_alone(&self) -> bool {
        self.others.is_empty() && self.change.is_some()
    }

    /// The end of the last day on which it could be compared.
    pub(super) fn last_compared_ms(&self) -> Option<i64> {
        Some(self.figures.last()?.at_ms + MS_PER_24_H)
    }

    /// Whether it could be compared up to the end of a span, or nearly so: one whose companion fell silent may drift unseen since.
    pub(super) fn is_current(&self, span: Span) -> bool {
        self.last_compared_ms()
            .is_some_and(|last_ms| last_ms >= span.until_ms - LATELY_MS)
    }
}

/// A sensor that was not heard, or not compared, for so long is no company (own choice).
const LATELY_MS: i64 = 4 * MS_PER_24_H;

/// A change that is laid to this sensor.
#[derive(Debug, Clone)]
pub(super) struct Blamed {
    pub change: Change,
    /// How likely it is this sensor and not the other, where only two were there.
    pub share: Option<f64>,
    /// When the sensor was replaced or calibrated, or read as it used to again, ms.
    pub ended_ms: Option<i64>,
}

/// Below this nobody should act on which of two sensors it is.
const SURE_FRAC: f64 = 0.75;

impl Blamed {
    /// Whether it holds, or held, at some time of a span.
    pub(super) fn concerns(&self, span: Span) -> bool {
        self.ended_ms.is_none_or(|ended| ended > span.from_ms)
    }

    /// How likely it is this sensor; certain where others bear it out.
    pub(super) fn probability(&self) -> f64 {
        self.share.unwrap_or(1.0)
    }

    pub(super) fn is_sure(&self) -> bool {
        self.probability() >= SURE_FRAC
    }

    /// The same difference as a change of the other of two.
    pub(super) fn of_other(&self) -> Blamed {
        Blamed {
            change: self.change.mirrored(),
            share: Some(1.0 - self.probability()),
            ended_ms: self.ended_ms,
        }
    }

    /// What a reading is off by, if it is this sensor.
    pub(super) fn bias_at(&self, at_ms: i64) -> f64 {
        if self.ended_ms.is_some_and(|ended| at_ms >= ended) {
            0.0
        } else {
            self.change.bias_at(at_ms)
        }
    }
}

/// The blame for a disagreement of two is theirs in common until one is sure: what may be the other's is set beside it.
pub(super) fn suspect_others(compared: &mut BTreeMap<(String, Quantity), Compared>) {
    let shared: Vec<((String, Quantity), Blamed)> = compared
        .iter()
        .filter_map(|((_, quantity), found)| {
            let blamed = found.change.as_ref().filter(|blamed| blamed.share.is_some())?;
            let [other] = found.others.as_slice() else {
                return None;
            };
            Some(((other.clone(), *quantity), blamed.of_other()))
        })
        .collect();
    for (other, blamed) in shared {
        if let Some(found) = compared.get_mut(&other) {
            found.perhaps = Some(blamed);
        }
    }
}

impl Comparison {
    fn noise(self) -> Noise {
        match self {
            Comparison::Humidity => HUMIDITY_NOISE,
            Comparison::Temperature => TEMPERATURE_NOISE,
            Comparison::TemperatureByDay => TEMPERATURE_BY_DAY_NOISE,
        }
    }
}

/// What two sensors of one enclosure do against each other from day to day. Measured on simulated rooms, where elements wander by some
/// tenths of a %RH over days; METHODS of the trade expect 0.5 to 1.5 %RH with a memory of a day or two.
const HUMIDITY_NOISE: Noise = Noise {
    sd_min: 0.25,
    sd_usual: 0.5,
    usual_days: 10.0,
    carried_frac: 0.9,
    carried_phi: 0.65,
    walk_per_sqrt_day: 0.03,
    gain_sd: 0.05,
    drift_min: 1.0,
    step_min: 2.5,
    // Set so that rooms without a fault stay silent (ACCURACY.md).
    evidence_min: 3.2,
    further_gain_min: 30.0,
    rate_sd_per_day: 5.0 / 30.0,
    step_sd: 4.0,
    unseen_sd: 0.5,
};
const TEMPERATURE_NOISE: Noise = Noise {
    sd_min: 0.08,
    sd_usual: 0.08,
    usual_days: 0.0,
    carried_frac: 0.5,
    carried_phi: 0.6,
    walk_per_sqrt_day: 0.03,
    gain_sd: 0.3,
    drift_min: 0.6,
    step_min: 0.45,
    evidence_min: 13.0,
    further_gain_min: 40.0,
    rate_sd_per_day: 2.0 / 30.0,
    step_sd: 1.5,
    unseen_sd: 0.05,
};

const TEMPERATURE_BY_DAY_NOISE: Noise = Noise {
    sd_min: 0.15,
    sd_usual: 0.2,
    usual_days: 5.0,
    walk_per_sqrt_day: 0.05,
    ..TEMPERATURE_NOISE
};

/// Compares every sensor of one enclosure for one quantity.
pub(super) fn compare(scene: &Scene<'_>, comparison: Comparison, window: Span) -> BTreeMap<String, Compared> {
    let quantity = comparison.quantity();
    let sensors: Vec<&Sensor> = scene
        .enclosure
        .sensors
        .iter()
        .filter(|s| scene.grids.contains_key(&(s.id.clone(), quantity)))
        .collect();
    let cells = Cells::new(scene, comparison, &sensors);
    let mut pairs: Pairs = BTreeMap::new();
    for a in 0..sensors.len() {
        for b in (0..sensors.len()).filter(|b| *b != a) {
            let mut figures = daily(scene.site.zone, scene.history, &cells.differences(a, b));
            if comparison == Comparison::Humidity {
                at_level_of_both(&mut figures);
            }
            pairs.insert((a, b), figures);
        }
    }
    let nature = (comparison == Comparison::Humidity && sensors.len() > 1)
        .then(|| Nature::of(scene, &sensors))
        .flatten();
    let bench = Bench {
        scene,
        comparison,
        window,
        sensors,
    };
    bench.blame_all(Evidence { pairs, nature })
}

/// What the only humidity sensor that is heard in an enclosure shows of itself: a level that left what room, warmth and water explain. It
/// may be the air that changed, so it is laid to the sensor by half.
pub(super) fn alone(scene: &Scene<'_>, window: Span) -> Option<(String, Compared)> {
    /// Nothing tells which of the two it was (own choice).
    const SHARE: f64 = 0.5;
    let is_heard = |sensor: &&Sensor| {
        let view = scene.checked_view(sensor, Quantity::Humidity);
        let last_ms = view.and_then(|view| view.at_ms.last().copied());
        last_ms.is_some_and(|last_ms| last_ms >= window.until_ms - LATELY_MS)
    };
    let mut sensors = scene.enclosure.sensors.iter().filter(is_heard);
    let (Some(sensor), None) = (sensors.next(), sensors.next()) else {
        return None;
    };
    let nature = Nature::of(scene, &[sensor])?;
    let bench = Bench {
        scene,
        comparison: Comparison::Humidity,
        window,
        sensors: vec![sensor],
    };
    let own = |from_ms: i64, until_ms: i64| nature.shared(&[0], from_ms, until_ms);
    // What came and went by itself was the enclosure (a door ajar, a lid off): a sensor that reads wrong seldom heals. Its days are judged as read.
    let change = bench
        .judge(sensor, &[], nature.own(0), own)
        .filter(|change| change.ended_ms.is_none())?;
    let change = Some(Blamed {
        share: Some(SHARE),
        ..change
    });
    Some((
        sensor.id.clone(),
        Compared {
            change,
            ..Compared::default()
        },
    ))
}

type Pairs = BTreeMap<(usize, usize), Vec<DayFigure>>;

/// What sensors are judged by: their differences, and what they show together.
struct Evidence {
    pairs: Pairs,
    nature: Option<Nature>,
}

/// The sensors that are compared, and what the judgement of each needs.
struct Bench<'a> {
    scene: &'a Scene<'a>,
    comparison: Comparison,
    window: Span,
    sensors: Vec<&'a Sensor>,
}

impl Bench<'_> {
    /// Takes out the sensor that the others contradict most, until the rest agree.
    fn blame_all(&self, mut evidence: Evidence) -> BTreeMap<String, Compared> {
        let mut active: Vec<usize> = (0..self.sensors.len()).collect();
        // Those whose change is over: known, and witnesses again.
        let mut recovered: Vec<usize> = Vec::new();
        let mut results = BTreeMap::new();
        while active.len() >= 2 {
            let judged = active.iter().filter(|a| !recovered.contains(a));
            let (ill, quiet): (Vec<_>, Vec<_>) = judged
                .map(|&a| (a, self.compared(a, &active, &evidence)))
                .partition(|(_, compared)| compared.change.is_some());
            let odds = |compared: &Compared| {
                compared
                    .change
                    .as_ref()
                    .map_or(0.0, |found| found.change.evidence)
            };
            // Who lies is contradicted by all others, and they agree once it is gone.
            let left_without = |a: usize| {
                let rest: Vec<usize> = active.iter().copied().filter(|b| *b != a).collect();
                let judged = rest.iter().filter(|b| !recovered.contains(b));
                judged
                    .map(|b| odds(&self.compared(*b, &rest, &evidence)))
                    .fold(0.0, f64::max)
            };
            let is_contested = ill.len() > 1 && active.len() > 2;
            let weighed = ill.into_iter().map(|(a, compared)| {
                let left = if is_contested { left_without(a) } else { 0.0 };
                (odds(&compared) - left, (a, compared))
            });
            let worst = weighed.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, worst)| worst);
            let Some((mut guilty, mut compared)) = worst else {
                results.extend(
                    quiet
                        .into_iter()
                        .map(|(a, compared)| (self.sensors[a].id.clone(), compared)),
                );
                break;
            };
            if let [x, y] = *active.as_slice() {
                let other = if x == guilty { y } else { x };
                // One that was told before stays what it is: the rest is the other's.
                if !recovered.contains(&other) {
                    (guilty, compared) = self.one_of_two(guilty, other, compared, &evidence);
                }
            }
            let over = compared.change.as_ref().filter(|found| found.ended_ms.is_some());
            if let Some(found) = over {
                take_off(&mut evidence.pairs, guilty, found);
                if let Some(nature) = &mut evidence.nature {
                    nature.take_off(guilty, found);
                }
                recovered.push(guilty);
            } else {
                active.retain(|index| *index != guilty);
            }
            results.insert(self.sensors[guilty].id.clone(), compared);
            if let [last] = active.as_slice() {
                results.entry(self.sensors[*last].id.clone()).or_default();
            }
        }
        results
    }

    fn compared(&self, a: usize, active: &[usize], evidence: &Evidence) -> Compared {
        let others: Vec<usize> = active.iter().copied().filter(|b| *b != a).collect();
        let pairs: Vec<&[DayFigure]> = others.iter().map(|b| &evidence.pairs[&(a, *b)][..]).collect();
        let figures = combine(&pairs);
        let stood: Vec<f64> = pairs.iter().map(|pair| usual_level(pair)).collect();
        let names: Vec<String> = others.iter().map(|b| self.sensors[*b].id.clone()).collect();
        let shared =
            |from_ms: i64, until_ms: i64| evidence.nature.as_ref()?.shared(active, from_ms, until_ms);
        let stood = median(&stood).unwrap_or(0.0);
        let change = self.judge(self.sensors[a], &names, &figures, shared);
        let witnesses: Vec<&Sensor> = others.iter().map(|b| self.sensors[*b]).collect();
        let explained = explained(self.comparison.quantity(), self.sensors[a], &witnesses);
        let together = |found: &Blamed| {
            let since = figures.iter().filter(|f| f.at_ms >= found.change.onset_ms);
            let since: Vec<f64> = since.map(|f| stood + f.difference).collect();
            found.ended_ms.is_none()
                && stood.abs() > explained
                && median(&since).is_some_and(|now| now.abs() <= explained.min(TOGETHER_FRAC * stood.abs()))
        };
        let (together, change): (Option<Blamed>, Option<Blamed>) = match change {
            Some(found) if together(&found) => (Some(found), None),
            change => (None, change),
        };
        Compared {
            change,
            together_since_ms: together.map(|found| found.change.onset_ms),
            others: names,
            figures,
            stood,
            perhaps: None,
            parted: None,
        }
    }

    /// Two alone: the same difference, seen from either side. Physics and prior suspicion say whose it is.
    fn one_of_two(
        &self,
        first: usize,
        other: usize,
        compared: Compared,
        evidence: &Evidence,
    ) -> (usize, Compared) {
        let Some(found) = &compared.change else {
            return (first, compared);
        };
        let (a, b) = (self.sensors[first], self.sensors[other]);
        let mirrored = self.compared(other, &[first, other], evidence);
        let by_mean = found
            .change
            .evidence_of_other
            .map(|of_other| found.change.evidence - of_other);
        let physics = witness::evidence(
            self.scene,
            self.comparison.quantity(),
            a,
            b,
            &found.change,
            by_mean,
        );
        let today = self.scene.site.zone.date(self.window.until_ms);
        let odds = suspicion(a, today) / suspicion(b, today) * physics.exp();
        let share = odds / (1.0 + odds);
        if share >= 0.5 {
            let change = Some(Blamed {
                share: Some(share),
                ..found.clone()
            });
            return (first, Compared { change, ..compared });
        }
        // Seen from its own side the other's change may fall short of what is told; the difference is the same.
        let seen = mirrored.change.unwrap_or_else(|| Blamed {
            change: found.change.mirrored(),
            ..found.clone()
        });
        let change = Some(Blamed {
            share: Some(1.0 - share),
            ..seen
        });
        (other, Compared { change, ..mirrored })
    }
}

/// Takes what a sensor was off by off every comparison with it, so that it can be a witness again.
fn take_off(pairs: &mut Pairs, guilty: usize, found: &Blamed) {
    for ((a, b), figures) in pairs {
        let sign = match (*a == guilty, *b == guilty) {
            (true, _) => 1.0,
            (_, true) => -1.0,
            _ => continue,
        };
        for figure in figures {
            figure.difference -= sign * found.bias_at(figure.at_ms);
        }
    }
}

/// A sensor that stood far apart and is left with no more than this share of it has come together with the others (own choice).
const TOGETHER_FRAC: f64 = 0.3;

/// How far a sensor may stand from the others by the limits of error and by two places in one enclosure (common practice, no source): 5 %RH,
/// 2 K.
pub(super) fn explained(quantity: Quantity, own: &Sensor, others: &[&Sensor]) -> f64 {
    let (limit, places): (fn(&Sensor) -> f64, f64) = match quantity {
        Quantity::Humidity => (|sensor| sensor.accuracy.humidity_pct, 5.0),
        _ => (|sensor| sensor.accuracy.temperature_c, 2.0),
    };
    let widest = others.iter().map(|other| limit(other)).fold(0.0, f64::max);
    limit(own).hypot(widest) + places
}

/// When a sensor was put in, where the site file says so and that is not later than the time judged.
fn put_in_ms(scene: &Scene<'_>, sensor: &Sensor) -> Option<i64> {
    let from_ms = scene.site.zone.day(sensor.installed?).from_ms;
    (from_ms < scene.history.until_ms).then_some(from_ms)
}

/// Since when a sensor is the same in the same place, by site file, journal and checks; `None` where nothing says that it ever was another.
pub(super) fn unchanged_since_ms(scene: &Scene<'_>, sensor: &Sensor) -> Option<i64> {
    const RENEWED: [&str; 3] = [
        journal::SENSOR_MOVED,
        journal::SENSOR_REPLACED,
        journal::SENSOR_CALIBRATED,
    ];
    let ever = Span {
        from_ms: i64::MIN,
        until_ms: scene.history.until_ms,
    };
    scene
        .record
        .entries(&scene.enclosure.id, ever)
        .filter(|entry| RENEWED.contains(&entry.kind.as_str()))
        .filter(|entry| entry.subject.as_ref().is_none_or(|subject| *subject == sensor.id))
        .map(|entry| entry.at_ms)
        .chain(put_in_ms(scene, sensor))
        .chain(corrections::restarts_ms(
            scene.record,
            &sensor.id,
            Quantity::Humidity,
        ))
        .max()
}

impl Bench<'_> {
    /// The change of one sensor against others, with what the journal explains taken out.
    fn judge(
        &self,
        sensor: &Sensor,
        others: &[String],
        figures: &[DayFigure],
        shared: impl Fn(i64, i64) -> Option<Shared>,
    ) -> Option<Blamed> {
        let Scene {
            enclosure,
            record,
            history,
            ..
        } = *self.scene;
        let of = |entry: &Entry, id: &str| entry.subject.as_deref().is_none_or(|subject| subject == id);
        let entries: Vec<&Entry> = record.entries(&enclosure.id, history).collect();
        let corrected = |id| corrections::restarts_ms(record, id, self.comparison.quantity());
        // A new or freshly calibrated sensor is a new series.
        let renewed: Vec<i64> = entries
            .iter()
            .filter(|e| {
                [journal::SENSOR_REPLACED, journal::SENSOR_CALIBRATED].contains(&e.kind.as_str())
                    && of(e, &sensor.id)
            })
            .map(|e| e.at_ms)
            .chain(put_in_ms(self.scene, sensor))
            .chain(corrected(&sensor.id))
            .collect();
        let steps: Vec<i64> = entries
            .iter()
            .filter(|e| match e.kind.as_str() {
                journal::SENSOR_MOVED => of(e, &sensor.id) || others.iter().any(|other| of(e, other)),
                journal::SENSOR_REPLACED | journal::SENSOR_CALIBRATED => {
                    others.iter().any(|other| of(e, other))
                }
                journal::SCHEDULE_CHANGED | journal::SETPOINT_CHANGED | journal::DEVICE_REPLACED => true,
                kind if CHANGES_AIR.contains(&kind) => true,
                // What a keeper writes of an enclosure may be why its level changed, and nothing beside a sensor that stands alone says otherwise.
                journal::NOTE => others.is_empty() && e.subject.is_none(),
                _ => false,
            })
            .map(|e| e.at_ms)
            .chain(others.iter().flat_map(|other| corrected(other)))
            .collect();
        let first_ms = figures.first()?.at_ms;
        let as_day = |at_ms: i64| (at_ms - first_ms) as f64 / MS_PER_24_H as f64 + figures[0].day;
        let look = |from_ms: i64, until_ms: i64| {
            let part: Vec<DayFigure> = figures
                .iter()
                .copied()
                .filter(|f| from_ms <= f.at_ms && f.at_ms + MS_PER_24_H / 2 < until_ms)
                .collect();
            let breaks: Vec<f64> = steps.iter().map(|at| as_day(*at) - 0.5).collect();
            let shared = shared(from_ms, until_ms);
            if others.is_empty() {
                return onset::find_alone(&shared?, &breaks);
            }
            onset::find(&part, self.comparison.noise(), &breaks, shared.as_ref())
        };
        // The series before the last renewal, where that fell into the window, then the one since.
        let last = renewed.iter().copied().max().unwrap_or(i64::MIN);
        if let Some(change) = look(last, i64::MAX) {
            return Some(Blamed {
                share: None,
                ended_ms: change.ended_ms,
                change,
            });
        }
        if !self.window.contains(last) {
            return None;
        }
        let before = renewed
            .iter()
            .copied()
            .filter(|at| *at < last)
            .max()
            .unwrap_or(i64::MIN);
        look(before, last).map(|change| Blamed {
            change,
            share: None,
            ended_ms: Some(last),
        })
    }
}

#[cfg(test)]
mod tests;
