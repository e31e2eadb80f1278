//! Two sensors that changed places, or names: since one day each shows, hour by hour, what the other used to show against it.
//!
//! A sensor that goes wrong moves against its companion by some amount; that the difference turns round just so, in humidity and in temperature and
//! through the hours of the day, takes an exchange. Only places that differ plainly in both can show it (limits: own choice).

use chrono::Timelike as _;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::assess::{CHECKED, ComparedMap};
use super::scene::Scene;
use crate::statistics::robust::median;

/// So many days on either side are compared, without the day before and the two from the onset on, whose hour is not known.
const DAYS: i64 = 14;
const AROUND_BEFORE_MS: i64 = MS_PER_24_H;
const AROUND_AFTER_MS: i64 = 2 * MS_PER_24_H;
const HOURS: usize = 24;
/// Hours of the day that must be known on both sides, from so many cells each.
const HOURS_MIN: usize = 18;
const CELLS_MIN: usize = 6;
/// What is left after turning the difference round must be below this share of what is left without.
const TURNED_FRAC: f64 = 0.4;

/// Places differ plainly from this on, root mean square over the hours, %RH or K.
const fn plain(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Humidity => 2.5,
        _ => 0.5,
    }
}

/// Two sensors of an enclosure that changed places.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Exchanged {
    pub sensors: [String; 2],
    pub onset_ms: i64,
    /// By how much the difference of the first to the second turned, by quantity of [`CHECKED`], K and %RH.
    pub moved: [f64; 2],
}

/// The pairs that a change which was found makes look exchanged.
pub(super) fn pairs(compared: &ComparedMap, scene: &Scene<'_>) -> Vec<Exchanged> {
    let sensors = &scene.enclosure.sensors;
    let mut found: Vec<Exchanged> = Vec::new();
    for (first, a) in sensors.iter().enumerate() {
        for b in &sensors[first + 1..] {
            let is_taken = |id: &String| found.iter().any(|pair| pair.sensors.contains(id));
            if is_taken(&a.id) || is_taken(&b.id) {
                continue;
            }
            let onsets = [a, b].into_iter().flat_map(|sensor| {
                CHECKED.into_iter().filter_map(|quantity| {
                    let blamed = compared.get(&(sensor.id.clone(), quantity))?.change.as_ref()?;
                    Some(blamed.change.onset_ms)
                })
            });
            let exchanged = onsets.filter_map(|onset_ms| {
                let [temperature, humidity] =
                    CHECKED.map(|quantity| turned(scene, [&a.id, &b.id], quantity, onset_ms));
                Some(Exchanged {
                    sensors: [a.id.clone(), b.id.clone()],
                    onset_ms,
                    moved: [temperature?, humidity?],
                })
            });
            found.extend(exchanged.take(1));
        }
    }
    found
}

/// How far the difference of two sensors turned round about an onset; `None` where it did not, or was too small to tell.
fn turned(scene: &Scene<'_>, ids: [&String; 2], quantity: Quantity, onset_ms: i64) -> Option<f64> {
    let side = |from_ms: i64, until_ms: i64| by_hour(scene, ids, quantity, Span { from_ms, until_ms });
    let before = side(
        onset_ms - AROUND_BEFORE_MS - DAYS * MS_PER_24_H,
        onset_ms - AROUND_BEFORE_MS,
    );
    let after = side(
        onset_ms + AROUND_AFTER_MS,
        onset_ms + AROUND_AFTER_MS + DAYS * MS_PER_24_H,
    );
    let hours: Vec<(f64, f64)> = (0..HOURS)
        .filter_map(|hour| before[hour].zip(after[hour]))
        .collect();
    if hours.len() < HOURS_MIN {
        return None;
    }
    let size = |of: fn(&(f64, f64)) -> f64| {
        (hours.iter().map(|hour| of(hour).powi(2)).sum::<f64>() / hours.len() as f64).sqrt()
    };
    let is_plain = size(|(before, _)| *before) >= plain(quantity);
    let is_turned =
        size(|(before, after)| after + before) <= TURNED_FRAC * size(|(before, after)| after - before);
    let moved: Vec<f64> = hours.iter().map(|(before, after)| after - before).collect();
    median(&moved).filter(|_| is_plain && is_turned)
}

/// The difference of two sensors by local hour of the day, the middle of its cells.
fn by_hour(scene: &Scene<'_>, ids: [&String; 2], quantity: Quantity, span: Span) -> [Option<f64>; HOURS] {
    let mut cells: [Vec<f64>; HOURS] = Default::default();
    if let [Some(a), Some(b)] = ids.map(|id| scene.grids.get(&(id.clone(), quantity))) {
        for index in 0..a.cells.len().min(b.cells.len()) {
            let at_ms = a.start_ms(index);
            if let (true, Some(a), Some(b)) = (span.contains(at_ms), a.cells[index], b.cells[index]) {
                cells[scene.site.zone.local(at_ms).hour() as usize].push(a - b);
            }
        }
    }
    cells.map(|cells| median(&cells).filter(|_| cells.len() >= CELLS_MIN))
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::super::kit::{START_MS, reading, site_in_room};
    use super::*;
    use crate::findings::{Finding, Kind};
    use crate::load::Record;
    use crate::trust::assess;

    const DAYS: i64 = 42;

    /// What is said of the sensors of a box with a warm and a cool end in its last week; `sensors` hang there in this order, the last of them from
    /// the 30th day on as `since` says.
    fn told(sensors: &[&str], since: fn(usize) -> (usize, f64)) -> Vec<Finding> {
        let roles: Vec<(&str, &str)> = sensors.iter().map(|id| (*id, "probe")).collect();
        let site = site_in_room(&roles, "");
        let history = Span {
            from_ms: START_MS,
            until_ms: START_MS + DAYS * MS_PER_24_H,
        };
        let readings = (history.from_ms..history.until_ms)
            .step_by(600_000)
            .flat_map(|at_ms| {
                let days = (at_ms - START_MS) as f64 / MS_PER_24_H as f64;
                let (sensors, count) = (sensors.to_vec(), sensors.len());
                (0..count).flat_map(move |sensor| {
                    let (place, more) = if days < 30.0 { (sensor, 0.0) } else { since(sensor) };
                    let lit = (TAU * days).sin().max(0.0);
                    let t_c = 22.0
                        + lit * [4.0, 1.0, 2.0][place]
                        + [1.5, 0.0, 0.5][place]
                        + 0.3 * (0.9 * days).sin();
                    let rh_pct = 82.0 - 8.0 * lit - [9.0, 0.0, 3.0][place] + 1.5 * (1.3 * days).sin();
                    [
                        reading(
                            sensors[sensor],
                            Quantity::Temperature,
                            at_ms,
                            (t_c * 10.0).round() / 10.0,
                        ),
                        reading(
                            sensors[sensor],
                            Quantity::Humidity,
                            at_ms,
                            ((rh_pct + more) * 10.0).round() / 10.0,
                        ),
                    ]
                })
            });
        let record = Record::from_readings(readings, Vec::new(), history);
        let week = Span {
            from_ms: history.until_ms - 7 * MS_PER_24_H,
            until_ms: history.until_ms,
        };
        let mut told = assess(&site, &record, week).verdicts.findings;
        told.retain(|finding| {
            [Kind::HumidityStep, Kind::HumidityDrift, Kind::TemperatureBias].contains(&finding.kind)
        });
        told
    }

    #[test]
    fn two_that_changed_places_are_told_once_and_neither_is_called_wrong() {
        for sensors in [&["warm", "cool"][..], &["warm", "cool", "middle"]] {
            let told = told(sensors, |sensor| ([1, 0, 2][sensor], 0.0));
            let [finding] = told.as_slice() else {
                panic!("{sensors:?}: {told:?}");
            };
            assert_eq!(
                (finding.subject.as_str(), finding.kind),
                ("warm", Kind::HumidityStep)
            );
            assert!(
                finding
                    .message
                    .contains("warm and cool seem to have changed places about Tuesday 31 March"),
                "{}",
                finding.message
            );
        }
    }

    #[test]
    fn one_that_reads_wrong_by_as_much_has_not_changed_places() {
        let told = told(&["warm", "cool", "middle"], |sensor| {
            (sensor, if sensor == 0 { 18.0 } else { 0.0 })
        });
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(
            told[0].subject == "warm" && !told[0].message.contains("places"),
            "{}",
            told[0].message
        );
    }
}
