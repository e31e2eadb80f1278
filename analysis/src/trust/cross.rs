//! Each sensor against the others of its enclosure: which one began to read wrong, when, and how far it has come.
//!
//! Humidity is compared through vapour pressure at the tested sensor's own temperature ([JCGM100] for the doubt), because the
//! same air reads 85 %RH at 24 °C and 75 %RH at 26 °C. Temperatures are compared at night, away from lamps.
//! Cells near saturation, after a misting and around a cleaning are left out. The one that is blamed is the one that the
//! others contradict most; where there are only two, role, accuracy class and calibration weigh, and the sentence says so.

use std::collections::BTreeMap;

use mosswarden_config::journal::Entry;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Role, Sensor, Site};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::corrections;
use super::daily::{DayFigure, Difference, daily};
use super::grid::{CELL_MS, Grid};
use super::onset::{self, Change, Noise};
use super::witness;
use crate::load::Record;
use crate::physics::humidity::humidity_at_pct;
use crate::series::{Series, on_spans};
use crate::statistics::robust::median;

/// Readings of one sensor after the signal checks.
pub(super) type Checked = BTreeMap<(String, Quantity), Series>;

/// What the comparison says of one sensor.
#[derive(Debug, Clone)]
pub(super) struct Compared {
    /// Ids of the sensors it was compared with.
    pub others: Vec<String>,
    /// Differences by day, what was always there taken off.
    pub figures: Vec<DayFigure>,
    pub change: Option<Blamed>,
}

/// A change that is laid to this sensor.
#[derive(Debug, Clone)]
pub(super) struct Blamed {
    pub change: Change,
    /// How likely it is this sensor and not the other, where only two were there.
    pub share: Option<f64>,
    /// When the sensor was replaced or calibrated since, ms.
    pub ended_ms: Option<i64>,
}

const HUMIDITY_NOISE: Noise = Noise {
    sd_min: 0.3,
    walk_per_sqrt_day: 0.08,
    gain_sd: 0.06,
    drift_min: 1.4,
    step_min: 2.2,
};
const TEMPERATURE_NOISE: Noise = Noise {
    sd_min: 0.08,
    walk_per_sqrt_day: 0.03,
    gain_sd: 0.15,
    drift_min: 0.6,
    step_min: 0.45,
};

/// Near saturation humidity sensors say little: capacitive elements are specified to about 95 %RH and pinned above (common
/// practice, no source).
const LEVEL_PCT_MAX: f64 = 97.0;
/// After a misting the air is not mixed for this long (METHODS a: at least 60 min).
const AFTER_MIST_MS: i64 = MS_PER_HOUR;
/// A rise faster than this in one cell is a misting that no device told of, %RH.
const SUDDEN_RISE_PCT: f64 = 4.0;
/// After a hand in the enclosure.
const AFTER_HAND_MS: i64 = 2 * MS_PER_HOUR;
/// After lights-off temperatures settle first.
const AFTER_LIGHT_MS: i64 = 2 * MS_PER_HOUR;

/// Compares every sensor of one enclosure for one quantity.
pub(super) fn compare(
    site: &Site,
    enclosure: &Enclosure,
    record: &Record,
    checked: &Checked,
    quantity: Quantity,
    history: Span,
    window: Span,
) -> BTreeMap<String, Compared> {
    let sensors: Vec<&Sensor> = enclosure
        .sensors
        .iter()
        .filter(|s| checked.contains_key(&(s.id.clone(), quantity)))
        .collect();
    let cells = Cells::new(site, enclosure, record, checked, quantity, history, &sensors);
    let mut pairs: BTreeMap<(usize, usize), Vec<DayFigure>> = BTreeMap::new();
    for a in 0..sensors.len() {
        for b in (0..sensors.len()).filter(|b| *b != a) {
            let differences = cells.differences(a, b);
            pairs.insert((a, b), daily(site.zone, history, &differences));
            if std::env::var("MW_DUMP").is_ok() { for f in &pairs[&(a,b)] { eprintln!("DUMP,{},{},{},{:?},{},{:.4},{:.3},{}", site.name, sensors[a].id, sensors[b].id, quantity, f.day, f.difference, f.level, f.hour_count); } }
        }
    }

    let mut active: Vec<usize> = (0..sensors.len()).collect();
    let mut results = BTreeMap::new();
    let noise = if quantity == Quantity::Humidity {
        HUMIDITY_NOISE
    } else {
        TEMPERATURE_NOISE
    };
    while active.len() >= 2 {
        let mut worst: Option<(f64, usize, Compared)> = None;
        let mut quiet = Vec::new();
        for &a in &active {
            let others: Vec<usize> = active.iter().copied().filter(|b| *b != a).collect();
            let figures = combine(&others.iter().map(|b| &pairs[&(a, *b)][..]).collect::<Vec<_>>());
            let names: Vec<String> = others.iter().map(|b| sensors[*b].id.clone()).collect();
            let blamed = judge(
                enclosure, record, sensors[a], quantity, &names, &figures, noise, site, history, window,
            );
            let compared = Compared {
                others: names,
                figures,
                change: blamed,
            };
            match &compared.change {
                Some(found) => {
                    let score = found.change.gain;
                    if worst.as_ref().is_none_or(|(most, _, _)| score > *most) {
                        worst = Some((score, a, compared));
                    }
                }
                None => quiet.push((a, compared)),
            }
        }
        let Some((_, mut guilty, mut compared)) = worst else {
            results.extend(
                quiet
                    .into_iter()
                    .map(|(a, compared)| (sensors[a].id.clone(), compared)),
            );
            break;
        };
        if let ([x, y], Some(found)) = (active.as_slice(), compared.change.as_ref()) {
            // Two alone: the same difference, seen from either side. Physics and prior suspicion say whose it is.
            let other = if *x == guilty { *y } else { *x };
            let evidence = witness::evidence(
                site,
                enclosure,
                record,
                checked,
                quantity,
                history,
                sensors[guilty],
                sensors[other],
                &found.change,
            );
            let odds = blame(sensors[guilty], window.until_ms) / blame(sensors[other], window.until_ms)
                * evidence.exp();
            let share = odds / (1.0 + odds);
            if share < 0.5 {
                let figures = combine(&[&pairs[&(other, guilty)][..]]);
                let names = vec![sensors[guilty].id.clone()];
                if let Some(change) = judge(
                    enclosure,
                    record,
                    sensors[other],
                    quantity,
                    &names,
                    &figures,
                    noise,
                    site,
                    history,
                    window,
                ) {
                    compared = Compared {
                        others: names,
                        figures,
                        change: Some(change),
                    };
                    guilty = other;
                }
            }
            if let Some(found) = compared.change.as_mut() {
                found.share = Some(share.max(1.0 - share));
            }
        }
        active.retain(|index| *index != guilty);
        results.insert(sensors[guilty].id.clone(), compared);
        if let [last] = active.as_slice() {
            results.insert(
                sensors[*last].id.clone(),
                Compared {
                    others: Vec::new(),
                    figures: Vec::new(),
                    change: None,
                },
            );
        }
    }
    results
}

/// How readily a sensor is suspected before its readings are looked at: cheap ones drift more, the controller lives in the wet,
/// a recent calibration speaks for it (common practice, no source).
fn blame(sensor: &Sensor, now_ms: i64) -> f64 {
    let role = match sensor.role {
        Role::Controller => 2.0,
        Role::Probe => 1.4,
        Role::Reference => 1.0,
    };
    let days = sensor
        .calibrated
        .map(|date| now_ms / MS_PER_24_H - i64::from(epoch_day(date)));
    let calibrated = if days.is_some_and(|days| days < 365) {
        0.7
    } else {
        1.0
    };
    role * calibrated * sensor.accuracy.humidity_pct / 3.0
}

fn epoch_day(date: chrono::NaiveDate) -> i32 {
    i32::try_from(
        date.signed_duration_since(chrono::NaiveDate::default())
            .num_days(),
    )
    .unwrap_or(0)
}

/// Several comparisons of one sensor to one figure a day: each is taken off its own usual level first.
fn combine(pairs: &[&[DayFigure]]) -> Vec<DayFigure> {
    let mut by_day: BTreeMap<i64, Vec<DayFigure>> = BTreeMap::new();
    for figures in pairs {
        let usual = usual_level(figures);
        for figure in *figures {
            let centred = DayFigure {
                difference: figure.difference - usual,
                ..*figure
            };
            by_day.entry(figure.at_ms).or_default().push(centred);
        }
    }
    by_day
        .into_values()
        .map(|figures| {
            let count = figures.len() as f64;
            DayFigure {
                difference: figures.iter().map(|f| f.difference).sum::<f64>() / count,
                level: figures.iter().map(|f| f.level).sum::<f64>() / count,
                hour_count: figures.iter().map(|f| f.hour_count).min().unwrap_or(1),
                ..figures[0]
            }
        })
        .collect()
}

/// The level of the first two weeks: what was always there.
fn usual_level(figures: &[DayFigure]) -> f64 {
    const FIRST_DAYS: usize = 14;
    let first: Vec<f64> = figures.iter().take(FIRST_DAYS).map(|f| f.difference).collect();
    median(&first).unwrap_or(0.0)
}

#[expect(clippy::too_many_arguments, reason = "one call, named at the call")]
fn judge(
    enclosure: &Enclosure,
    record: &Record,
    sensor: &Sensor,
    quantity: Quantity,
    others: &[String],
    figures: &[DayFigure],
    noise: Noise,
    site: &Site,
    history: Span,
    window: Span,
) -> Option<Blamed> {
    let of = |entry: &Entry, id: &str| entry.subject.as_deref().is_none_or(|subject| subject == id);
    let entries: Vec<&Entry> = record.entries(&enclosure.id, history).collect();
    // A new or freshly calibrated sensor is a new series.
    let renewed: Vec<i64> = entries
        .iter()
        .filter(|e| ["sensor-replaced", "sensor-calibrated"].contains(&e.kind.as_str()) && of(e, &sensor.id))
        .map(|e| e.at_ms)
        .chain(sensor.installed.map(|date| site.zone.day(date).from_ms))
        .chain(corrections::restarts_ms(record, sensor, quantity))
        .collect();
    let steps: Vec<i64> = entries
        .iter()
        .filter(|e| match e.kind.as_str() {
            "sensor-moved" => of(e, &sensor.id) || others.iter().any(|other| of(e, other)),
            "sensor-replaced" | "sensor-calibrated" => others.iter().any(|other| of(e, other)),
            "schedule-changed" | "setpoint-changed" | "device-replaced" | "pruned" => true,
            _ => false,
        })
        .map(|e| e.at_ms)
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
        onset::find(&part, noise, &breaks)
    };
    // The series before the last renewal, where that fell into the window, then the one since.
    let last = renewed.iter().copied().max().unwrap_or(i64::MIN);
    if let Some(change) = look(last, i64::MAX) {
        return Some(Blamed {
            change,
            share: None,
            ended_ms: None,
        });
    }
    if window.contains(last) {
        let before = renewed
            .iter()
            .copied()
            .filter(|at| *at < last)
            .max()
            .unwrap_or(i64::MIN);
        return look(before, last).map(|change| Blamed {
            change,
            share: None,
            ended_ms: Some(last),
        });
    }
    None
}

/// The enclosure's readings on one grid, with the cells that must not be used.
struct Cells {
    quantity: Quantity,
    /// By sensor: what is compared, and its own temperature.
    value: Vec<Grid>,
    temperature: Vec<Option<Grid>>,
    quiet: Vec<bool>,
}

impl Cells {
    fn new(
        site: &Site,
        enclosure: &Enclosure,
        record: &Record,
        checked: &Checked,
        quantity: Quantity,
        history: Span,
        sensors: &[&Sensor],
    ) -> Cells {
        let grid = |id: &str, quantity: Quantity| {
            checked
                .get(&(id.to_owned(), quantity))
                .map(|series| Grid::of(series.view(), history))
        };
        let value: Vec<Grid> = sensors.iter().filter_map(|s| grid(&s.id, quantity)).collect();
        let temperature: Vec<Option<Grid>> = if quantity == Quantity::Humidity {
            sensors
                .iter()
                .map(|s| grid(&s.id, Quantity::Temperature))
                .collect()
        } else {
            vec![None; sensors.len()]
        };
        let count = value.first().map_or(0, |grid| grid.cells.len());
        let mut quiet = vec![true; count];
        let Some(first) = value.first() else {
            return Cells {
                quantity,
                value,
                temperature,
                quiet,
            };
        };
        let mut silence = |from_ms: i64, until_ms: i64| {
            let from =
                ((from_ms.max(history.from_ms)).div_euclid(CELL_MS) - first.first_index).max(0) as usize;
            let until = ((until_ms.min(history.until_ms)).div_euclid(CELL_MS) + 1 - first.first_index).max(0)
                as usize;
            quiet
                .iter_mut()
                .take(until)
                .skip(from)
                .for_each(|cell| *cell = false);
        };
        for mister in enclosure.devices_of(DeviceKind::Mister) {
            let Some(states) = record.get(&mister.id, Quantity::State) else {
                continue;
            };
            for run in on_spans(states.view(), MS_PER_HOUR) {
                silence(run.from_ms, run.until_ms + AFTER_MIST_MS);
            }
        }
        for entry in record.entries(&enclosure.id, history) {
            if ["cleaned", "door-open", "misted-by-hand", "pruned", "power-cut"]
                .contains(&entry.kind.as_str())
            {
                silence(entry.at_ms - AFTER_HAND_MS / 4, entry.at_ms + AFTER_HAND_MS);
            }
        }
        if quantity == Quantity::Humidity {
            for grid in &value {
                for index in 1..count {
                    if grid.change(index).is_some_and(|change| change > SUDDEN_RISE_PCT) {
                        let at = grid.start_ms(index);
                        silence(at, at + AFTER_MIST_MS / 2);
                    }
                }
            }
        } else {
            // Only the settled night is compared: a lamp warms one place more than another.
            let nights: Vec<Span> = site
                .zone
                .dates(history)
                .into_iter()
                .map(|date| site.zone.night(date, enclosure.light))
                .collect();
            let mut night = nights.iter().peekable();
            for (index, cell) in quiet.iter_mut().enumerate() {
                let at = first.start_ms(index);
                while night.peek().is_some_and(|n| n.until_ms <= at) {
                    night.next();
                }
                *cell &= night
                    .peek()
                    .is_some_and(|n| n.from_ms + AFTER_LIGHT_MS <= at && at < n.until_ms);
            }
        }
        Cells {
            quantity,
            value,
            temperature,
            quiet,
        }
    }

    /// `a` minus what it should read by `b`, over the quiet cells.
    fn differences(&self, a: usize, b: usize) -> Vec<Difference> {
        let mut differences = Vec::new();
        for index in (0..self.quiet.len()).filter(|index| self.quiet[*index]) {
            let (Some(own), Some(other)) = (self.value[a].cells[index], self.value[b].cells[index]) else {
                continue;
            };
            let level = if self.quantity == Quantity::Humidity {
                let own_t = self.temperature[a].as_ref().and_then(|grid| grid.cells[index]);
                let other_t = self.temperature[b].as_ref().and_then(|grid| grid.cells[index]);
                match own_t.zip(other_t) {
                    Some((own_t, other_t)) => humidity_at_pct(other, other_t, own_t),
                    None => other,
                }
            } else {
                other
            };
            if self.quantity == Quantity::Humidity && level > LEVEL_PCT_MAX {
                continue;
            }
            let at_ms = self.value[a].start_ms(index);
            differences.push(Difference {
                at_ms,
                value: own - level,
                level,
            });
        }
        differences
    }
}
