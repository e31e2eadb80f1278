//! Two sensors disagree and nobody else is there: whose reading changed, by what the enclosure itself shows.
//!
//! Where nothing acts on the readings, the true air did not change with the fault: the sensor whose own record jumped or bent
//! at the onset, after what room and temperature explain, is the liar. Where a humidistat holds the enclosure by one of them, that
//! one's record stands at the set-point whoever lies; then the fogger's work tells: a controller that reads high lets it rest, a
//! check device that reads high leaves it as it was.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{Device, Enclosure, Sensor, Site};
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::cross::Checked;
use super::daily::{DayFigure, Difference, daily};
use super::grid::{CELL_MS, Grid};
use super::onset::{self, Change, Noise};
use crate::load::Record;
use crate::physics::humidity::humidity_at_pct;
use crate::series::on_spans;
use crate::statistics::robust::median;

/// What is natural in an enclosure's own humidity and temperature from day to day (own choice; measured by the benchmark
/// `detection`).
const NATURAL_HUMIDITY: Noise = Noise {
    sd_min: 0.8,
    walk_per_sqrt_day: 0.5,
    gain_sd: 0.0,
    drift_min: 0.0,
    step_min: 0.0,
};
const NATURAL_TEMPERATURE: Noise = Noise {
    sd_min: 0.2,
    walk_per_sqrt_day: 0.15,
    gain_sd: 0.0,
    drift_min: 0.0,
    step_min: 0.0,
};
/// How the humidity of an enclosure may follow that of the room (at its own temperature), and its own temperature.
const ROOM_PRIOR_SD: f64 = 0.7;
const TEMPERATURE_PRIOR_SD: f64 = 2.0;
/// Natural changes of a duty, and how it may follow the room.
const NATURAL_DUTY: Noise = Noise {
    sd_min: 0.01,
    walk_per_sqrt_day: 0.005,
    gain_sd: 0.0,
    drift_min: 0.0,
    step_min: 0.0,
};
const DUTY_PER_ROOM_PCT_SD: f64 = 0.02;
/// Below this duty a humidistat does not hold the enclosure.
const DUTY_MIN: f64 = 0.03;
/// No physical evidence is taken as surer than this (natural logarithm of odds): about 55 to 1.
const EVIDENCE_MAX: f64 = 4.0;
/// A state message holds at most this long.
const STATE_HOLD_MS: i64 = 6 * MS_PER_HOUR;

/// Natural logarithm of the odds that `a` lies and not `b`, by physics; 0 where it can't be told.
#[expect(clippy::too_many_arguments, reason = "one call, named at the call")]
pub(super) fn evidence(
    site: &Site,
    enclosure: &Enclosure,
    record: &Record,
    checked: &Checked,
    quantity: Quantity,
    history: Span,
    a: &Sensor,
    b: &Sensor,
    change: &Change,
) -> f64 {
    let days = Days {
        site,
        record,
        checked,
        quantity,
        history,
    };
    let holder = |sensor: &Sensor| {
        enclosure.devices.iter().find_map(|device| {
            let holds = device.controlled_by.as_deref() == Some(sensor.id.as_str());
            let setpoint = match quantity {
                Quantity::Humidity => device.setpoint.humidity_pct,
                _ => device.setpoint.temperature_c,
            };
            let duty = (holds && setpoint.is_some()).then(|| days.duty(device))?;
            (days.usual_duty(&duty, change)? > DUTY_MIN).then_some((duty, setpoint?))
        })
    };
    let found = match (holder(a), holder(b)) {
        (Some((duty, setpoint)), _) => days.by_duty(&duty, setpoint, a, change, 1.0),
        (_, Some((duty, setpoint))) => days.by_duty(&duty, setpoint, b, change, -1.0).map(|e| -e),
        (None, None) => days.by_own_record(a, b, change),
    };
    found.unwrap_or(0.0).clamp(-EVIDENCE_MAX, EVIDENCE_MAX)
}

struct Days<'a> {
    site: &'a Site,
    record: &'a Record,
    checked: &'a Checked,
    quantity: Quantity,
    history: Span,
}

impl Days<'_> {
    fn grid(&self, id: &str, quantity: Quantity) -> Option<Grid> {
        self.checked
            .get(&(id.to_owned(), quantity))
            .or_else(|| self.record.get(id, quantity))
            .map(|series| Grid::of(series.view(), self.history))
    }

    /// A grid's own level by day.
    fn levels(&self, grid: &Grid) -> Vec<DayFigure> {
        let cells: Vec<Difference> = (0..grid.cells.len())
            .filter_map(|i| {
                Some(Difference {
                    at_ms: grid.start_ms(i),
                    value: grid.cells[i]?,
                    level: 0.0,
                })
            })
            .collect();
        daily(self.site.zone, self.history, &cells)
    }

    /// The room's value by day, humidity carried to the temperature of `at`.
    fn room(&self, at: Option<&Grid>) -> Vec<DayFigure> {
        let Some(room) = self
            .site
            .room_sensors
            .iter()
            .find_map(|s| Some((s, self.grid(&s.id, self.quantity)?)))
        else {
            return Vec::new();
        };
        let (sensor, mut grid) = room;
        if let (Quantity::Humidity, Some(at)) = (self.quantity, at) {
            let Some(room_t) = self.grid(&sensor.id, Quantity::Temperature) else {
                return Vec::new();
            };
            for index in 0..grid.cells.len() {
                let carried = grid.cells[index].zip(room_t.cells[index]).zip(at.cells[index]);
                grid.cells[index] = carried.map(|((rh, from_t), to_t)| humidity_at_pct(rh, from_t, to_t));
            }
        }
        self.levels(&grid)
    }

    /// How much of each day a device was on.
    fn duty(&self, device: &Device) -> Vec<DayFigure> {
        let Some(states) = self.record.get(&device.id, Quantity::State) else {
            return Vec::new();
        };
        let on = on_spans(states.view(), STATE_HOLD_MS);
        let first = self.history.from_ms.div_euclid(CELL_MS);
        let count = ((self.history.until_ms - self.history.from_ms) / CELL_MS) as usize;
        let mut cells = vec![0.0; count];
        for span in on {
            let (from, until) = (
                span.from_ms.max(self.history.from_ms),
                span.until_ms.min(self.history.until_ms),
            );
            let mut at = from;
            while at < until {
                let cell = at.div_euclid(CELL_MS);
                let end = ((cell + 1) * CELL_MS).min(until);
                if let Some(sum) = usize::try_from(cell - first)
                    .ok()
                    .and_then(|index| cells.get_mut(index))
                {
                    *sum += (end - at) as f64 / CELL_MS as f64;
                }
                at = end;
            }
        }
        // The mean of each day, not the median of its cells: a duty of 20 % is mostly cells of 0.
        let mut figures = Vec::new();
        for (number, date) in self.site.zone.dates(self.history).into_iter().enumerate() {
            let day = self.site.zone.day(date);
            let range = |ms: i64| {
                usize::try_from(ms.div_euclid(CELL_MS) - first)
                    .unwrap_or(0)
                    .min(count)
            };
            let part = &cells[range(day.from_ms)..range(day.until_ms)];
            let heard = states.within(day).len() > 0;
            if heard && part.len() > 100 {
                figures.push(DayFigure {
                    at_ms: day.from_ms,
                    day: number as f64,
                    difference: part.iter().sum::<f64>() / part.len() as f64,
                    level: 0.0,
                    hour_count: 24,
                });
            }
        }
        figures
    }

    fn usual_duty(&self, duty: &[DayFigure], change: &Change) -> Option<f64> {
        median(
            &duty
                .iter()
                .filter(|f| f.at_ms < change.onset_ms)
                .map(|f| f.difference)
                .collect::<Vec<_>>(),
        )
    }

    /// The controller's own fault changes the duty in proportion to what the fogger (or heater) has to make up for.
    fn by_duty(
        &self,
        duty: &[DayFigure],
        setpoint: f64,
        controller: &Sensor,
        change: &Change,
        sign: f64,
    ) -> Option<f64> {
        let temperature = self.grid(&controller.id, Quantity::Temperature);
        let room = self.room(temperature.as_ref());
        let (duty, room_column) = aligned(duty, &room);
        let usual_room = median(&room.iter().map(|f| f.difference).collect::<Vec<_>>())?;
        let to_make_up = setpoint - usual_room;
        let usual = self.usual_duty(&duty, change)?;
        let (moved, sd) = onset::went_along(
            &duty,
            change,
            NATURAL_DUTY,
            &[(room_column, DUTY_PER_ROOM_PCT_SD)],
        )?;
        if to_make_up <= 0.0 {
            return None;
        }
        let expected = -usual * (sign * change.now.value / to_make_up).clamp(-1.0, 1.0);
        Some((moved.powi(2) - (moved - expected).powi(2)) / (2.0 * sd * sd))
    }

    fn by_own_record(&self, a: &Sensor, b: &Sensor, change: &Change) -> Option<f64> {
        let moved = |sensor: &Sensor| {
            let own = self.levels(&self.grid(&sensor.id, self.quantity)?);
            let temperature = self.grid(&sensor.id, Quantity::Temperature);
            let room = self.room(temperature.as_ref());
            let (own, room_column) = aligned(&own, &room);
            let mut soft = vec![(room_column, ROOM_PRIOR_SD)];
            let noise = if self.quantity == Quantity::Humidity {
                let by_day = temperature.map(|grid| self.levels(&grid)).unwrap_or_default();
                soft.push((aligned(&own, &by_day).1, TEMPERATURE_PRIOR_SD));
                NATURAL_HUMIDITY
            } else {
                NATURAL_TEMPERATURE
            };
            onset::went_along(&own, change, noise, &soft)
        };
        let ((moved_a, sd_a), (moved_b, sd_b)) = (moved(a)?, moved(b)?);
        let variance = (sd_a * sd_a + sd_b * sd_b) / 2.0;
        // If `a` lies, `b` shows the truth and should not have moved; and the other way round.
        Some((moved_a.powi(2) - moved_b.powi(2)) / (2.0 * variance))
    }
}

/// `figures` with the other's figures of the same days, taken off their median; days that the other lacks count as usual.
fn aligned(figures: &[DayFigure], other: &[DayFigure]) -> (Vec<DayFigure>, Vec<f64>) {
    let centre = median(&other.iter().map(|f| f.difference).collect::<Vec<_>>()).unwrap_or(0.0);
    let column = figures
        .iter()
        .map(|f| {
            other
                .iter()
                .find(|o| o.at_ms == f.at_ms)
                .map_or(0.0, |o| o.difference - centre)
        })
        .collect();
    (figures.to_vec(), column)
}
