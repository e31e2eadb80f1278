//! Every sensor of the site through every check: findings, a sentence for each sensor, and what others may use.

use std::collections::BTreeMap;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Sensor, Site};
use mosswarden_config::table::{Mark, ROOM};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::cross::{self, Blamed, Checked, Compared};
use super::grid::Grid;
use super::onset::Shape;
use super::{DailyDifference, Outcome, SensorTrust, Standing, clock, corrections, signal};
use crate::findings::{Finding, Kind, NotAssessed, Severity, Value};
use crate::load::Record;
use crate::physics::humidity::humidity_at_pct;
use crate::physics::uncertainty::rectangular;
use crate::series::{Series, on_spans};
use crate::statistics::Estimate;
use crate::trusted::Usable;
use crate::words;

/// Coverage factor of the expanded uncertainty, about 95 % ([JCGM100] 6.2).
const COVERAGE_K: f64 = 2.0;
/// Spikes a day from which on they are told: one may be a hand, three are a loose contact (common practice, no source).
const SPIKES_PER_DAY_MIN: f64 = 3.0;
/// Days of a month in the rate of a drift.
const DAYS_30: f64 = 30.0;

/// The quantities that are checked.
const CHECKED: [Quantity; 2] = [Quantity::Temperature, Quantity::Humidity];

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
struct Room<'a> {
    site: &'a Site,
    record: &'a Record,
    span: Span,
    id: &'a str,
    enclosure: Option<&'a Enclosure>,
    sensors: &'a [Sensor],
}

/// What was found wrong with one series, before anything is said.
#[derive(Default)]
struct Faults {
    stuck: Vec<Span>,
    pinned: Vec<Span>,
    spike_count: usize,
    silent: Vec<Span>,
}

/// Humidity is compared at a sensor's own temperature: where that began to read wrong at the same time, a change of its
/// humidity is the same fault seen twice, and is told once.
fn lay_to_temperature(compared: &mut BTreeMap<(String, Quantity), Compared>) {
    const SAME_TIME_MS: i64 = 3 * MS_PER_24_H;
    let onset = |compared: &Compared| compared.change.as_ref().map(|blamed| blamed.change.onset_ms);
    let moved: Vec<(String, i64)> = compared
        .iter()
        .filter(|((_, quantity), _)| *quantity == Quantity::Temperature)
        .filter_map(|((sensor, _), found)| Some((sensor.clone(), onset(found)?)))
        .collect();
    for (sensor, at_ms) in moved {
        if let Some(found) = compared.get_mut(&(sensor, Quantity::Humidity))
            && onset(found).is_some_and(|onset| (onset - at_ms).abs() <= SAME_TIME_MS)
        {
            found.change = None;
        }
    }
}

type Grids = BTreeMap<(String, Quantity), Grid>;
type FaultMap = BTreeMap<(String, Quantity), Faults>;

/// A clock that is wrong.
struct ClockFault {
    stretch: Span,
    value: Value,
    message: String,
    /// What puts a stamp of the stretch right; 0 where nothing can.
    shift_ms: i64,
}

impl ClockFault {
    /// The series with the stretch's stamps moved to where they belong; readings that would fall back in time are left out.
    fn put_right(&self, series: &Series) -> Series {
        let mut right = Series::default();
        for index in 0..series.len() {
            let at = series.at_ms[index];
            let moved = if self.stretch.contains(at) {
                at + self.shift_ms
            } else {
                at
            };
            if right.at_ms.last().is_none_or(|last| *last < moved) {
                right.push(
                    moved,
                    series.received_ms[index],
                    series.value[index],
                    series.mark[index],
                );
            }
        }
        right
    }
}

impl Room<'_> {
    fn history(&self) -> Span {
        self.record.span.unwrap_or(self.span)
    }

    fn assess(&self, outcome: &mut Outcome) {
        let plausible = self.plausible();
        let grids: Grids = plausible
            .iter()
            .map(|(key, series)| (key.clone(), Grid::of(series.view(), self.history())))
            .collect();
        let mut checked = Checked::new();
        let mut faults = FaultMap::new();
        for ((sensor, quantity), series) in &plausible {
            let (found, clean) = self.signal_faults(sensor, *quantity, series, &grids);
            faults.insert((sensor.clone(), *quantity), found);
            checked.insert((sensor.clone(), *quantity), clean);
        }
        let mut compared: BTreeMap<(String, Quantity), Compared> = BTreeMap::new();
        for quantity in CHECKED {
            if let Some(enclosure) = self.enclosure {
                for (sensor, result) in cross::compare(
                    self.site,
                    enclosure,
                    self.record,
                    &checked,
                    quantity,
                    self.history(),
                    self.span,
                ) {
                    compared.insert((sensor, quantity), result);
                }
            }
        }
        lay_to_temperature(&mut compared);
        for sensor in self.sensors {
            let clock = self.clock_fault(sensor, &grids, &faults);
            match &clock {
                Some(fault) => self.say_clock(sensor, fault, outcome),
                None => self.say_silent(sensor, &faults, outcome),
            }
            for quantity in CHECKED {
                let key = (sensor.id.clone(), quantity);
                let measured = plausible.contains_key(&key);
                if measured {
                    self.say_signal(sensor, quantity, &faults[&key], outcome);
                }
                self.say_compared(sensor, quantity, measured, compared.get(&key), outcome);
                if let (Some(clean), Some(found)) = (checked.remove(&key), faults.get(&key)) {
                    let clean = clock
                        .as_ref()
                        .map_or(clean.clone(), |fault| fault.put_right(&clean));
                    let usable = self.usable(sensor, quantity, clean, found, compared.get(&key));
                    let trust = self.trust(sensor, quantity, found, compared.get(&key), &usable);
                    outcome.sensors.push(trust);
                    outcome.trusted.insert(&sensor.id, quantity, usable);
                } else if self.feeds(sensor, quantity) {
                    outcome.sensors.push(self.unheard(sensor, quantity));
                }
            }
        }
    }

    /// Series without what is physically impossible.
    fn plausible(&self) -> Checked {
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
    fn expected(
        &self,
        sensor: &str,
        quantity: Quantity,
        grids: &BTreeMap<(String, Quantity), Grid>,
        at_ms: i64,
    ) -> Option<f64> {
        let cell = |id: &str, quantity: Quantity| {
            let grid = grids.get(&(id.to_owned(), quantity))?;
            grid.cells[grid.index_of(at_ms)?]
        };
        let own_t = cell(sensor, Quantity::Temperature);
        let levels: Vec<f64> = self
            .sensors
            .iter()
            .filter(|other| other.id != sensor)
            .filter_map(|other| {
                let value = cell(&other.id, quantity)?;
                if quantity != Quantity::Humidity {
                    return Some(value);
                }
                let other_t = cell(&other.id, Quantity::Temperature);
                Some(
                    own_t
                        .zip(other_t)
                        .map_or(value, |(own, other)| humidity_at_pct(value, other, own)),
                )
            })
            .collect();
        (!levels.is_empty()).then(|| levels.iter().sum::<f64>() / levels.len() as f64)
    }

    fn signal_faults(
        &self,
        sensor: &str,
        quantity: Quantity,
        series: &Series,
        grids: &BTreeMap<(String, Quantity), Grid>,
    ) -> (Faults, Series) {
        let own_grid = &grids[&(sensor.to_owned(), quantity)];
        let movement = |span: Span| {
            let step = super::grid::CELL_MS;
            let levels: Vec<f64> = (span.from_ms.div_euclid(step)..=span.until_ms.div_euclid(step))
                .filter_map(|cell| self.expected(sensor, quantity, grids, cell * step))
                .collect();
            let low = levels.iter().copied().fold(f64::INFINITY, f64::min);
            let high = levels.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            (levels.len() > 6).then_some(high - low)
        };
        let mut faults = Faults {
            stuck: signal::stuck(series, quantity, movement),
            silent: signal::silent(series.view(), self.span),
            ..Faults::default()
        };
        if quantity == Quantity::Humidity {
            faults.pinned = signal::pinned(series, |at| self.expected(sensor, quantity, grids, at));
        }
        let spikes = signal::spikes(series, quantity);
        faults.spike_count = spikes
            .iter()
            .filter(|index| self.span.contains(series.at_ms[**index]))
            .count();
        let bad: Vec<Span> = faults.stuck.iter().chain(&faults.pinned).copied().collect();
        let mut index = 0;
        let clean = series.filtered(|at, _, _| {
            let spiked = spikes.binary_search(&index).is_ok();
            index += 1;
            !spiked && !bad.iter().any(|span| span.contains(at))
        });
        debug_assert!(own_grid.cells.len() < i32::MAX as usize);
        (faults, clean)
    }

    fn say_silent(
        &self,
        sensor: &Sensor,
        faults: &BTreeMap<(String, Quantity), Faults>,
        outcome: &mut Outcome,
    ) {
        let heard: Vec<&Faults> = CHECKED
            .iter()
            .filter_map(|quantity| faults.get(&(sensor.id.clone(), *quantity)))
            .collect();
        let anything = self.record.iter().any(|(id, _, _)| id == sensor.id);
        if !anything {
            outcome.verdicts.not_assessed.push(NotAssessed {
                kind: Kind::SensorSilent,
                enclosure: self.id.to_owned(),
                subject: Some(sensor.id.clone()),
                span: Some(self.history()),
                reason: format!(
                    "no reading of {} has ever come in; check its topic in the site file",
                    sensor.id
                ),
            });
            return;
        }
        // A sensor is silent when all that it measures is; one quantity alone is told as well, being half the sensor.
        let mut told: Vec<i64> = Vec::new();
        for pause in heard.iter().flat_map(|faults| &faults.silent) {
            if told.iter().any(|from| (from - pause.from_ms).abs() < MS_PER_HOUR) {
                continue;
            }
            told.push(pause.from_ms);
            let lasts = pause.until_ms >= self.span.until_ms;
            let hours = (pause.until_ms - pause.from_ms) as f64 / MS_PER_HOUR as f64;
            let since = words::instant(self.site.zone, pause.from_ms);
            let message = if lasts {
                format!(
                    "{} has been silent for {} (last heard on {since}).",
                    sensor.id,
                    words::duration(hours)
                )
            } else {
                format!(
                    "{} was silent for {} from {since}.",
                    sensor.id,
                    words::duration(hours)
                )
            };
            outcome.verdicts.findings.push(Finding {
                kind: Kind::SensorSilent,
                enclosure: self.id.to_owned(),
                subject: sensor.id.clone(),
                start_ms: pause.from_ms,
                end_ms: (!lasts).then_some(pause.until_ms),
                severity: if lasts { Severity::Warning } else { Severity::Notice },
                value: Value::new("hours without a reading", hours, "h"),
                cause: None,
                also: Vec::new(),
                message,
                advice: "Look at its battery, plug and radio path, and read a thermometer and hygrometer by hand until it is \
                         back: what it watches is unknown meanwhile."
                    .to_owned(),
            });
        }
    }

    /// The mistings as a grid whose changes are the mister's work: a probe in the enclosure sees them at once.
    fn mistings(&self, like: &Grid) -> Vec<Grid> {
        let Some(enclosure) = self.enclosure else {
            return Vec::new();
        };
        let mut work = vec![0.0; like.cells.len()];
        for mister in enclosure.devices_of(DeviceKind::Mister) {
            let Some(states) = self.record.get(&mister.id, Quantity::State) else {
                continue;
            };
            for run in on_spans(states.view(), MS_PER_HOUR) {
                if let Some(index) = like.index_of(run.from_ms) {
                    work[index] += run.hours();
                }
            }
        }
        let mut total = 0.0;
        let cells = work
            .iter()
            .map(|hours| {
                total += hours;
                Some(total)
            })
            .collect();
        if total > 0.0 {
            vec![Grid {
                first_index: like.first_index,
                cells,
            }]
        } else {
            Vec::new()
        }
    }

    /// Whether a sensor's clock is wrong, and by how much its later readings can be put right.
    fn clock_fault(&self, sensor: &Sensor, grids: &Grids, faults: &FaultMap) -> Option<ClockFault> {
        let zone = self.site.zone;
        let heard = || {
            CHECKED
                .iter()
                .filter_map(|quantity| self.record.get(&sensor.id, *quantity))
        };
        if let Some((stretch, ahead)) = heard().find_map(|series| {
            Some((
                clock::marked(series, self.span)?,
                series.mark.contains(&Mark::ClockAhead),
            ))
        }) {
            let what = if ahead {
                "in the future"
            } else {
                "long before, as after a reset"
            };
            let since = words::instant(zone, stretch.from_ms);
            // How far off is not stored once a time was refused; what is known is that it exceeds the door's tolerance.
            return Some(ClockFault {
                stretch,
                value: Value::new("offset, at least", if ahead { 600.0 } else { -600.0 }, "s"),
                message: format!(
                    "The clock of {} stands {what} since {since}; its readings carry the time of their arrival instead.",
                    sensor.id
                ),
                shift_ms: 0,
            });
        }
        let quiet = CHECKED
            .iter()
            .filter_map(|quantity| faults.get(&(sensor.id.clone(), *quantity)))
            .find_map(|faults| faults.silent.last().copied());
        if let (Some(first_ms), Some(stretch)) = (self.record.misdated_ms(&sensor.id), quiet) {
            let since = words::instant(zone, stretch.from_ms);
            let year = zone.local(first_ms).format("%Y");
            return Some(ClockFault {
                stretch,
                value: Value::new("offset", (first_ms - stretch.from_ms) as f64 / 1000.0, "s"),
                message: format!(
                    "The clock of {} was reset: readings dated {year} came in, and none with a true date since {since}.",
                    sensor.id
                ),
                shift_ms: 0,
            });
        }
        let by = |quantity: Quantity| {
            let own = grids.get(&(sensor.id.clone(), quantity))?;
            let others = self
                .sensors
                .iter()
                .filter(|o| o.id != sensor.id)
                .filter_map(|o| grids.get(&(o.id.clone(), quantity)));
            let mistings = if quantity == Quantity::Humidity {
                self.mistings(own)
            } else {
                Vec::new()
            };
            let all: Vec<&Grid> = others.chain(&mistings).collect();
            clock::shifted(own, &all, self.history())
        };
        let offset = by(Quantity::Humidity).or_else(|| by(Quantity::Temperature))?;
        Some(ClockFault {
            stretch: offset.span,
            value: Value::new("offset", offset.offset_s, "s").between(
                offset.offset_s - offset.half_width_s,
                offset.offset_s + offset.half_width_s,
            ),
            message: format!(
                "{} sees everything {} {} than the rest of its enclosure since about {}: its clock is off.",
                sensor.id,
                words::duration(offset.offset_s.abs() / 3600.0),
                if offset.offset_s > 0.0 { "later" } else { "earlier" },
                words::instant(zone, offset.span.from_ms)
            ),
            shift_ms: -(offset.offset_s * 1000.0) as i64,
        })
    }

    fn say_clock(&self, sensor: &Sensor, fault: &ClockFault, outcome: &mut Outcome) {
        let lasts = fault.stretch.until_ms >= self.span.until_ms - MS_PER_24_H;
        outcome.verdicts.findings.push(Finding {
            kind: Kind::ClockWrong,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: fault.stretch.from_ms,
            end_ms: (!lasts).then_some(fault.stretch.until_ms),
            severity: Severity::Notice,
            value: fault.value.clone(),
            cause: None,
            also: Vec::new(),
            message: fault.message.clone(),
            advice: "Set the device's clock or its time zone; let it send UTC or no time at all.".to_owned(),
        });
    }

    fn say_signal(&self, sensor: &Sensor, quantity: Quantity, faults: &Faults, outcome: &mut Outcome) {
        let zone = self.site.zone;
        let (name, unit) = (words::quantity(quantity), quantity.stored_unit());
        let in_window =
            |stretch: &&Span| stretch.until_ms > self.span.from_ms && stretch.from_ms < self.span.until_ms;
        for stretch in faults.stuck.iter().filter(in_window) {
            let lasts = self.lasts(sensor, quantity, *stretch);
            let value = self
                .record
                .get(&sensor.id, quantity)
                .and_then(|s| s.view().value_at(stretch.from_ms, 0));
            let hours = stretch.hours();
            outcome.verdicts.findings.push(Finding {
                kind: Kind::SensorStuck,
                enclosure: self.id.to_owned(),
                subject: sensor.id.clone(),
                start_ms: stretch.from_ms,
                end_ms: (!lasts).then_some(stretch.until_ms),
                severity: Severity::Warning,
                value: Value::new("hours at one value", hours, "h"),
                cause: None,
                also: value.map(|value| Value::new("value", value, unit)).into_iter().collect(),
                message: format!(
                    "The {name} of {} stood still at {} for {} from {}, while the enclosure moved.",
                    sensor.id,
                    value.map_or_else(String::new, |value| words::value(quantity, value)),
                    words::duration(hours),
                    words::instant(zone, stretch.from_ms)
                ),
                advice: "Do not act on this reading. Unplug it for a minute; if it comes back stuck, replace it. Read by hand \
                         meanwhile, above all if a heater or fogger follows it."
                    .to_owned(),
            });
        }
        if let Some(first) = faults.pinned.iter().find(in_window) {
            let last = faults
                .pinned
                .iter()
                .filter(in_window)
                .next_back()
                .unwrap_or(first);
            let whole = Span {
                from_ms: first.from_ms,
                until_ms: last.until_ms,
            };
            let lasts = self.lasts(sensor, quantity, *last);
            let judged = whole.intersect(self.span).unwrap_or(whole);
            let readings = self
                .record
                .get(&sensor.id, quantity)
                .map(|series| series.within(judged));
            let share = readings.map_or(0.0, |view| {
                100.0 * view.value.iter().filter(|v| **v >= signal::TOP_PCT).count() as f64
                    / view.len().max(1) as f64
            });
            outcome.verdicts.findings.push(Finding {
                kind: Kind::SensorPinned,
                enclosure: self.id.to_owned(),
                subject: sensor.id.clone(),
                start_ms: whole.from_ms,
                end_ms: (!lasts).then_some(whole.until_ms),
                severity: Severity::Warning,
                value: Value::new("share of the time at the top of the scale", share, "%"),
                cause: None,
                also: Vec::new(),
                message: format!(
                    "{} has read the top of its scale for {:.0} % of the time since {}, while the others say the air was drier.",
                    sensor.id,
                    share,
                    words::instant(zone, whole.from_ms)
                ),
                advice: "Take it out and let it air in the dry room for a day; if it still reads near 100, replace it. What it \
                         controls is not controlled meanwhile: look and mist by hand."
                    .to_owned(),
            });
        }
        let days = self.span.hours() / 24.0;
        let per_day = faults.spike_count as f64 / days.max(1.0);
        if per_day >= SPIKES_PER_DAY_MIN {
            outcome.verdicts.findings.push(Finding {
                kind: Kind::SensorSpikes,
                enclosure: self.id.to_owned(),
                subject: sensor.id.clone(),
                start_ms: self.span.from_ms,
                end_ms: None,
                severity: Severity::Notice,
                value: Value::new("spikes per day", per_day, "1/d"),
                cause: None,
                also: Vec::new(),
                message: format!("The {name} of {} jumped out and back {per_day:.0} times a day.", sensor.id),
                advice: "Check its plug and cable, and move it out of the spray and away from the fogger's outlet. Single \
                         jumps are left out of everything else."
                    .to_owned(),
            });
        }
    }

    /// Whether a stretch goes on to the sensor's newest reading.
    fn lasts(&self, sensor: &Sensor, quantity: Quantity, stretch: Span) -> bool {
        let last = self
            .record
            .get(&sensor.id, quantity)
            .and_then(|series| series.at_ms.last().copied());
        last.is_none_or(|last| stretch.until_ms > last)
    }

    fn say_compared(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        measured: bool,
        compared: Option<&Compared>,
        outcome: &mut Outcome,
    ) {
        let kind = if quantity == Quantity::Humidity {
            Kind::HumidityDrift
        } else {
            Kind::TemperatureBias
        };
        if !self.feeds(sensor, quantity) && !measured {
            return;
        }
        match compared {
            Some(Compared {
                change: Some(blamed),
                others,
                ..
            }) => {
                outcome
                    .verdicts
                    .findings
                    .push(self.change_finding(sensor, quantity, others, blamed));
            }
            Some(found) if found.figures.len() >= FIGURES_MIN => {}
            _ => outcome.verdicts.not_assessed.push(NotAssessed {
                kind,
                enclosure: self.id.to_owned(),
                subject: Some(sensor.id.clone()),
                span: Some(self.span),
                reason: self.why_not_compared(sensor, quantity, compared),
            }),
        }
    }

    fn why_not_compared(&self, sensor: &Sensor, quantity: Quantity, compared: Option<&Compared>) -> String {
        let name = words::quantity(quantity);
        let test = "put a second device beside it for a day, or check it over saturated table salt";
        match compared {
            Some(found) if found.others.is_empty() => {
                format!(
                    "the {name} of {} has nothing left to be compared with that can be believed; {test}",
                    sensor.id
                )
            }
            Some(found) => format!(
                "only {} days of quiet {name} readings of {} could be compared with {}; {FIGURES_MIN} are needed",
                found.figures.len(),
                sensor.id,
                found.others.join(", ")
            ),
            None => format!(
                "the {name} of {} stands alone: no second sensor says whether it drifts; {test}",
                sensor.id
            ),
        }
    }

    fn change_finding(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        others: &[String],
        blamed: &Blamed,
    ) -> Finding {
        let zone = self.site.zone;
        let change = &blamed.change;
        let since = words::date(zone, change.onset_ms);
        let (now, unit) = (change.now, quantity.stored_unit());
        let way = if now.value > 0.0 { "high" } else { "low" };
        let against = others.join(" and ");
        let sure = match blamed.share {
            Some(share) => format!(
                " Two sensors alone can't prove which one: {:.0} % sure it is this one.",
                100.0 * share
            ),
            None => String::new(),
        };
        let value_of = |name, estimate: Estimate, scale: f64, unit| {
            Value::new(name, estimate.value * scale, unit)
                .between(estimate.low * scale, estimate.high * scale)
        };
        let bias = value_of("bias now", now, 1.0, unit);
        let range = words::range(quantity, now);
        let controlled: Vec<&str> = self
            .enclosure
            .iter()
            .flat_map(|e| &e.devices)
            .filter(|d| {
                d.controlled_by.as_deref() == Some(sensor.id.as_str()) && d.setpoint.humidity_pct.is_some()
            })
            .map(|d| d.id.as_str())
            .collect();
        let consequence = if controlled.is_empty() || quantity != Quantity::Humidity {
            String::new()
        } else if now.value > 0.0 {
            format!(
                " {} follows it, so the enclosure runs drier than it shows.",
                controlled.join(" and ")
            )
        } else {
            format!(
                " {} follows it, so the enclosure runs wetter than it shows.",
                controlled.join(" and ")
            )
        };
        let (kind, value, also, what) = match (quantity, change.shape) {
            (Quantity::Humidity, Shape::Drift) => {
                let rate = value_of("drift rate", change.per_day, DAYS_30, "%RH/(30.d)");
                let what = format!("drifts by {} in 30 days", words::change(quantity, rate.estimate));
                (Kind::HumidityDrift, rate, vec![bias], what)
            }
            (Quantity::Humidity, Shape::Step) => (
                Kind::HumidityStep,
                value_of("bias change", now, 1.0, unit),
                Vec::new(),
                "has jumped".to_owned(),
            ),
            _ => (
                Kind::TemperatureBias,
                value_of("bias", now, 1.0, unit),
                Vec::new(),
                "has moved away".to_owned(),
            ),
        };
        Finding {
            kind,
            enclosure: self.id.to_owned(),
            subject: sensor.id.clone(),
            start_ms: change.onset_ms,
            end_ms: blamed.ended_ms,
            severity: Severity::Warning,
            value,
            cause: None,
            also,
            message: format!(
                "{} {what} against {against} since about {since}: it reads {range} {way} now.{consequence}{sure}",
                sensor.id
            ),
            advice: if quantity == Quantity::Humidity {
                "Put a trusted device beside it for a day, or check it over saturated table salt; then note the correction or \
                 replace it. Until then go by the other sensor and by touch."
                    .to_owned()
            } else {
                "See whether the probe still hangs where it should, away from lamp, mat and draught; then compare it with a \
                 trusted thermometer. A thermostat and its independent cut-out protect the animal, not this reading."
                    .to_owned()
            },
        }
    }

    fn feeds(&self, sensor: &Sensor, quantity: Quantity) -> bool {
        use mosswarden_config::site::Format;
        sensor.feeds.iter().any(|feed| match &feed.format {
            Format::Json { quantity: q, .. } | Format::Number { quantity: q, .. } => *q == quantity,
            _ => false,
        })
    }

    /// What a check said of a sensor, where that holds at the end of the span.
    fn correction(&self, sensor: &Sensor, quantity: Quantity) -> Option<corrections::Applied<'_>> {
        corrections::applied(self.site, self.record, self.id, sensor, quantity, self.span)
    }

    fn usable(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        mut clean: Series,
        faults: &Faults,
        compared: Option<&Compared>,
    ) -> Usable {
        let limit = match quantity {
            Quantity::Humidity => sensor.accuracy.humidity_pct,
            _ => sensor.accuracy.temperature_c,
        };
        let mut standard = rectangular(limit);
        let mut corrected_by = 0.0;
        corrections::take_off(self.site, self.record, self.id, sensor, quantity, &mut clean);
        if let Some(applied) = self.correction(sensor, quantity) {
            standard = applied.standard(standard);
            corrected_by = applied.bias;
        }
        if let Some(blamed) = compared
            .and_then(|c| c.change.as_ref())
            .filter(|blamed| blamed.ended_ms.is_none())
        {
            let change = &blamed.change;
            for (at, value) in clean.at_ms.iter().zip(&mut clean.value) {
                if *at >= change.onset_ms {
                    let days = (*at - change.onset_ms) as f64 / MS_PER_24_H as f64;
                    let bias = match change.shape {
                        Shape::Drift => change.per_day.value * days,
                        Shape::Step => change.now.value,
                    };
                    *value -= bias;
                }
            }
            corrected_by += change.now.value;
            standard = standard.hypot((change.now.high - change.now.low) / 2.0 / COVERAGE_K);
        }
        let left_out = faults
            .stuck
            .iter()
            .map(|span| (*span, "stuck at one value".to_owned()))
            .chain(
                faults
                    .pinned
                    .iter()
                    .map(|span| (*span, "pinned at the top of the scale".to_owned())),
            )
            .collect();
        Usable {
            series: clean,
            half_width: COVERAGE_K * standard,
            left_out,
            corrected_by,
        }
    }

    fn trust(
        &self,
        sensor: &Sensor,
        quantity: Quantity,
        faults: &Faults,
        compared: Option<&Compared>,
        usable: &Usable,
    ) -> SensorTrust {
        let zone = self.site.zone;
        let ongoing = |stretches: &[Span]| {
            stretches
                .last()
                .copied()
                .filter(|stretch| self.lasts(sensor, quantity, *stretch))
        };
        let change = compared
            .and_then(|c| c.change.as_ref())
            .filter(|blamed| blamed.ended_ms.is_none());
        let width = words::half_width(quantity, usable.half_width);
        let (standing, text) = if let Some(stretch) = ongoing(&faults.stuck) {
            (
                Standing::NotBelieved,
                format!(
                    "not believed: stuck since {}",
                    words::instant(zone, stretch.from_ms)
                ),
            )
        } else if let Some(stretch) = ongoing(&faults.pinned) {
            (
                Standing::NotBelieved,
                format!(
                    "not believed: pinned at the top of its scale since {}",
                    words::instant(zone, stretch.from_ms)
                ),
            )
        } else if let Some(pause) = faults
            .silent
            .iter()
            .find(|pause| pause.until_ms >= self.span.until_ms)
        {
            (
                Standing::NotKnown,
                format!("not known: silent since {}", words::instant(zone, pause.from_ms)),
            )
        } else if let Some(blamed) = change {
            let now = blamed.change.now;
            let way = if now.value > 0.0 { "high" } else { "low" };
            (
                Standing::Doubtful,
                format!(
                    "doubtful: reads {} {way} since about {}",
                    words::range(quantity, now),
                    words::date(zone, blamed.change.onset_ms)
                ),
            )
        } else {
            match compared {
                Some(found) if found.figures.len() >= FIGURES_MIN => (
                    Standing::Believed,
                    format!(
                        "believed within {width}; no change against {}",
                        found.others.join(" and ")
                    ),
                ),
                _ => (
                    Standing::Believed,
                    format!("believed within {width} by its maker's word; nothing to compare it with"),
                ),
            }
        };
        let text = match self.correction(sensor, quantity) {
            Some(applied) => format!("{text}; {}", applied.words(self.site, quantity)),
            None => text,
        };
        let differences = compared.map_or_else(Vec::new, |found| {
            let centre = found
                .figures
                .iter()
                .take(14)
                .map(|f| f.difference)
                .collect::<Vec<_>>();
            let centre = crate::statistics::robust::median(&centre).unwrap_or(0.0);
            found
                .figures
                .iter()
                .map(|figure| DailyDifference {
                    at_ms: figure.at_ms,
                    difference: figure.difference - centre,
                    half_width: 0.5 * usable.half_width,
                })
                .collect()
        });
        SensorTrust {
            enclosure: self.id.to_owned(),
            sensor: sensor.id.clone(),
            quantity,
            standing,
            words: text,
            compared_with: compared
                .filter(|c| !c.others.is_empty())
                .map(|c| c.others.join(", ")),
            half_width: Some(usable.half_width),
            differences,
        }
    }

    fn unheard(&self, sensor: &Sensor, quantity: Quantity) -> SensorTrust {
        SensorTrust {
            enclosure: self.id.to_owned(),
            sensor: sensor.id.clone(),
            quantity,
            standing: Standing::NotKnown,
            words: "not known: nothing was heard in this time".to_owned(),
            compared_with: None,
            half_width: None,
            differences: Vec::new(),
        }
    }
}

/// Days that a comparison needs before it may say that nothing changed.
const FIGURES_MIN: usize = 7;
