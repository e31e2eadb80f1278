//! Wrong clocks of sensors: by marks and misdated readings, by how readings arrive, and by when a sensor sees what the rest of its
//! enclosure sees. What can be put right is put right before anything else is judged.

use std::borrow::Cow;
use std::collections::BTreeMap;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Sensor};
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span};

use super::assess::{CHECKED, Room};
use super::clock::{self, Changes, Channel, FINE_MS, Offset};
use super::grid::Grid;
use super::jump::{self, Jump};
use super::scene::Checked;
use super::signal;
use crate::findings::Value;
use crate::series::{Series, on_spans};
use crate::words;

/// A clock that is wrong.
pub(super) struct ClockFault {
    pub(super) stretch: Span,
    pub(super) value: Value,
    pub(super) message: String,
    /// What puts a stamp of the stretch right; 0 where nothing can.
    pub(super) shift_ms: i64,
    /// How well it agrees with the rest once shifted; 1 where its own stamps say it.
    agreement: f64,
    /// `None` where no offset was measured.
    seen: Option<Seen>,
}

/// How much better one of two must agree with all the rest to be the one (own choice).
const SURELY_BETTER: f64 = 0.02;

impl ClockFault {
    /// Whether a pause in the stamps is this clock's doing: nothing true was stamped since, or it is no longer than what a jump of this
    /// size leaves where its edges are not known to the hour. A longer one is a silence of its own.
    pub(super) fn explains(&self, pause: Span) -> bool {
        let length_ms = pause.until_ms - pause.from_ms;
        pause.from_ms == self.stretch.from_ms
            || (self.shift_ms != 0 && length_ms <= self.shift_ms.abs() + signal::SILENT_MS_MIN)
    }

    pub(super) fn put_right(&self, series: &Series) -> Series {
        moved(series, self.stretch, self.shift_ms)
    }
}

/// A series with a stretch's stamps moved to where they belong; readings that would fall back in time are left out.
fn moved(series: &Series, stretch: Span, shift_ms: i64) -> Series {
    let mut right = Series::with_capacity(series.len());
    for index in 0..series.len() {
        let at = series.at_ms[index];
        let at = if stretch.contains(at) { at + shift_ms } else { at };
        if right.at_ms.last().is_none_or(|last| *last < at) {
            right.push(
                at,
                series.received_ms[index],
                series.value[index],
                series.mark[index],
            );
        }
    }
    right
}

pub(super) type ClockFaults = BTreeMap<String, ClockFault>;

impl Room<'_> {
    /// Sensors of this place whose clock is wrong.
    pub(super) fn clock_faults(&self, plausible: &Checked<'_>) -> ClockFaults {
        let fine = self.fine(plausible);
        let mut found: ClockFaults = self
            .sensors
            .iter()
            .filter_map(|sensor| Some((sensor.id.clone(), self.clock_fault(sensor, plausible, &fine)?)))
            .collect();
        self.lay_to_the_other(&mut found, &fine);
        lay_to_one(&mut found);
        found
    }

    /// Two sensors are off against each other alike: where no jump in a sensor's own stamps says that it is this one, it is the one that agrees
    /// better with all the rest once it is shifted. Where there is no rest, that can't be told.
    fn lay_to_the_other(&self, found: &mut ClockFaults, fine: &BTreeMap<(String, Quantity), Grid>) {
        let unmarked: Vec<String> = found
            .iter()
            .filter(|(_, fault)| fault.seen == Some(Seen::Drifting))
            .map(|(id, _)| id.clone())
            .collect();
        for id in unmarked {
            let fault = &found[&id];
            let agreement = |sensor: &Sensor, offset_s: f64| {
                clock::agreement_over(&self.channels(sensor, fine), fault.stretch, offset_s)
            };
            let of = |id: &str| self.sensors.iter().find(|sensor| sensor.id == id);
            let own = of(&id).and_then(|sensor| agreement(sensor, fault.value.estimate));
            let other = self
                .sensors
                .iter()
                .filter(|other| !found.contains_key(&other.id))
                .filter_map(|other| Some((other, agreement(other, -fault.value.estimate)?)))
                .max_by(|a, b| a.1.total_cmp(&b.1));
            let (Some(own), Some((other, others))) = (own, other) else {
                continue;
            };
            if others > own + SURELY_BETTER {
                let offset = Offset {
                    span: fault.stretch,
                    offset_s: -fault.value.estimate,
                    half_width_s: FINE_MS as f64 / 1000.0,
                    agreement: others,
                };
                let fault = self.off(other, offset, Seen::Drifting);
                found.remove(&id);
                found.insert(other.id.clone(), fault);
            } else if others > own - SURELY_BETTER {
                let words = format!(
                    " Or that of {} is as much {}: nothing else there tells which.",
                    other.id,
                    way(-fault.value.estimate)
                );
                if let Some(fault) = found.get_mut(&id) {
                    fault.message += &words;
                }
            }
        }
    }

    /// Puts right what clocks that run right again stamped before the span: it is history by which the span is judged.
    pub(super) fn put_past_clocks_right(&self, plausible: &mut Checked<'_>) {
        let suspects: Vec<(&Sensor, Vec<Jump>)> = self
            .sensors
            .iter()
            .filter_map(|sensor| {
                let series = CHECKED
                    .iter()
                    .find_map(|quantity| plausible.get(&(sensor.id.clone(), *quantity)))?;
                let mut stretches = jump::put_right_since(&jump::jumps(series));
                stretches.retain(|stretch| stretch.span.until_ms <= self.span.from_ms);
                (!stretches.is_empty()).then_some((sensor, stretches))
            })
            .collect();
        if suspects.is_empty() {
            return;
        }
        let fine = self.fine(plausible);
        for (sensor, stretches) in suspects {
            let channels = self.channels(sensor, &fine);
            let mut right_from_ms = i64::MIN;
            for stretch in stretches {
                if stretch.span.from_ms < right_from_ms {
                    continue;
                }
                let Some(off) = stretch.off_over(&channels, stretch.span) else {
                    continue;
                };
                right_from_ms = stretch.span.until_ms;
                for quantity in CHECKED {
                    if let Some(series) = plausible.get_mut(&(sensor.id.clone(), quantity)) {
                        *series = Cow::Owned(moved(series, stretch.span, -(off.offset_s * 1000.0) as i64));
                    }
                }
            }
        }
    }

    /// Every series on the cells on which clocks are compared.
    fn fine(&self, plausible: &Checked<'_>) -> BTreeMap<(String, Quantity), Grid> {
        plausible
            .iter()
            .map(|(key, series)| {
                let grid = Grid::with_cells(series, self.history(), FINE_MS);
                (key.clone(), grid)
            })
            .collect()
    }

    fn clock_fault(
        &self,
        sensor: &Sensor,
        plausible: &Checked<'_>,
        fine: &BTreeMap<(String, Quantity), Grid>,
    ) -> Option<ClockFault> {
        self.refused_stamps(sensor)
            .or_else(|| self.misdated(sensor))
            .or_else(|| {
                let channels = self.channels(sensor, fine);
                let heard = || {
                    CHECKED
                        .iter()
                        .filter_map(|quantity| plausible.get(&(sensor.id.clone(), *quantity)))
                };
                heard()
                    .find_map(|series| Some((clock::arriving_late(series, self.span)?, Seen::Arriving)))
                    .or_else(|| self.jumped(heard().next()?, &channels))
                    .or_else(|| {
                        let jumps = jump::jumps(heard().next()?);
                        let found = jump::stands_off(&channels, &jumps, self.span)
                            .or_else(|| jump::put_right_within(&channels, &jumps, self.span));
                        Some((found?, Seen::Shifted))
                    })
                    .or_else(|| {
                        heard().find_map(|series| {
                            Some((clock::set_back(&channels, series, self.span)?, Seen::Twice))
                        })
                    })
                    .map(|(offset, seen)| self.off(sensor, offset, seen))
            })
    }

    /// A shift against the rest, whose beginning the sensor's own stamps show too: days are alike, so a shift alone proves little. A
    /// clock that drifts leaves no mark; then the shift must be small, long and clear.
    fn jumped(&self, series: &Series, channels: &[Channel]) -> Option<(Offset, Seen)> {
        const DRIFTED_S_MAX: f64 = 1800.0;
        const DRIFTED_H_MIN: f64 = 48.0;
        const DRIFTED_AGREEMENT_MIN: f64 = 0.6;
        let mut offset = clock::shifted(channels, self.span)?;
        let drifted = offset.offset_s.abs() <= DRIFTED_S_MAX
            && offset.span.hours() >= DRIFTED_H_MIN
            && offset.agreement >= DRIFTED_AGREEMENT_MIN;
        match clock::jumped_ms(series, offset.span.from_ms, offset.offset_s) {
            Some(from_ms) => {
                offset.span.from_ms = from_ms.min(offset.span.until_ms - 1);
                // Some messages lost in a row look like a small jump.
                let seen = if offset.offset_s.abs() <= DRIFTED_S_MAX {
                    Seen::Drifting
                } else {
                    Seen::Shifted
                };
                Some((offset, seen))
            }
            None => drifted.then_some((offset, Seen::Drifting)),
        }
    }

    /// Stamps that were refused at the door.
    fn refused_stamps(&self, sensor: &Sensor) -> Option<ClockFault> {
        let (stretch, ahead) = CHECKED
            .iter()
            .filter_map(|quantity| self.record.get(&sensor.id, *quantity))
            .find_map(|series| {
                Some((
                    clock::marked(series, self.span)?,
                    series.mark.contains(&Mark::ClockAhead),
                ))
            })?;
        let what = if ahead {
            "in the future"
        } else {
            "long before, as after a reset"
        };
        // How far off is not stored once a time was refused; what is known is that it exceeds the door's tolerance.
        Some(ClockFault {
            stretch,
            value: Value::new("offset, at least", if ahead { 600.0 } else { -600.0 }, "s"),
            message: format!(
                "The clock of {} stands {what} since {}; its readings carry the time of their arrival instead.",
                sensor.id,
                words::instant(self.site.zone, stretch.from_ms)
            ),
            shift_ms: 0,
            agreement: 1.0,
            seen: None,
        })
    }

    /// Imported readings with an impossible date, and none with a true one for as long: a shorter silence is another one.
    fn misdated(&self, sensor: &Sensor) -> Option<ClockFault> {
        let stamps = self.record.misdated(&sensor.id)?;
        let holds_them =
            |pause: &Span| pause.until_ms == self.span.until_ms || pause.hours() >= stamps.hours();
        let stretch = CHECKED
            .iter()
            .filter_map(|quantity| self.record.get(&sensor.id, *quantity))
            .find_map(|series| signal::silent(series, self.span).into_iter().rfind(holds_them))?;
        Some(ClockFault {
            stretch,
            value: Value::new("offset", (stamps.from_ms - stretch.from_ms) as f64 / 1000.0, "s"),
            message: format!(
                "The clock of {} was reset: readings dated {} came in, and none with a true date since {}.",
                sensor.id,
                self.site.zone.local(stamps.from_ms).format("%Y"),
                words::instant(self.site.zone, stretch.from_ms)
            ),
            shift_ms: 0,
            agreement: 1.0,
            seen: None,
        })
    }

    fn off(&self, sensor: &Sensor, offset: Offset, seen: Seen) -> ClockFault {
        let (zone, id) = (self.site.zone, &sensor.id);
        let long = words::duration(offset.offset_s.abs() / 3600.0);
        let way = way(offset.offset_s);
        let since = words::instant(zone, offset.span.from_ms);
        let hour_change = self.clocks_changed(offset);
        let message = match seen {
            Seen::Arriving => format!(
                "The readings of {id} arrive {long} after the time that they bear, steadily since {since}: its clock is {way}."
            ),
            Seen::Shifted | Seen::Drifting => format!(
                "{id} sees everything {long} {} than the rest of its enclosure since about {since}: its clock is {way}.",
                if offset.offset_s > 0.0 { "later" } else { "earlier" }
            ),
            Seen::Twice => {
                format!("The stamps of {id} run twice through {long} near {since}: its clock was set back.")
            }
        };
        ClockFault {
            stretch: offset.span,
            value: Value::new("offset", offset.offset_s, "s").between(
                offset.offset_s - offset.half_width_s,
                offset.offset_s + offset.half_width_s,
            ),
            message: message + hour_change,
            shift_ms: -(offset.offset_s * 1000.0) as i64,
            agreement: offset.agreement,
            seen: Some(seen),
        }
    }

    /// An hour off from the day on which the zone's clocks changed.
    fn clocks_changed(&self, offset: Offset) -> &'static str {
        const HOUR_S: f64 = 3600.0;
        let zone_s = |at_ms: i64| self.site.zone.offset_s(at_ms);
        let from_ms = offset.span.from_ms;
        let changed = zone_s(from_ms - MS_PER_24_H) != zone_s(from_ms + MS_PER_24_H);
        if changed && (offset.offset_s.abs() - HOUR_S).abs() <= offset.half_width_s {
            " It began with the change of the clocks: the device keeps local time and was not told."
        } else {
            ""
        }
    }

    /// What a sensor can be compared with: the others, and the work of devices that it feels at once.
    fn channels(&self, sensor: &Sensor, fine: &BTreeMap<(String, Quantity), Grid>) -> Vec<Channel> {
        CHECKED
            .iter()
            .filter_map(|quantity| {
                let own = fine.get(&(sensor.id.clone(), *quantity))?;
                let others = self
                    .sensors
                    .iter()
                    .filter(|other| other.id != sensor.id)
                    .filter_map(|other| fine.get(&(other.id.clone(), *quantity)).map(Changes::of));
                let felt: &[DeviceKind] = match quantity {
                    Quantity::Humidity => &[DeviceKind::Mister, DeviceKind::Fogger],
                    _ => &[DeviceKind::Heater],
                };
                let work = felt
                    .iter()
                    .filter_map(|kind| Some(Changes::of(&self.work(*kind, own)?)));
                Some(Channel {
                    own: Changes::of(own),
                    others: others.chain(work).collect(),
                })
            })
            .collect()
    }

    /// The summed work of one kind of device, h, as a grid whose changes are its work by cell.
    fn work(&self, kind: DeviceKind, like: &Grid) -> Option<Grid> {
        let mut work = vec![0.0; like.cells.len()];
        let mut any = false;
        for device in self.enclosure?.devices_of(kind) {
            let Some(states) = self.record.get(&device.id, Quantity::State) else {
                continue;
            };
            // A command that nothing followed holds an hour at most.
            for run in on_spans(states.view(), MS_PER_HOUR) {
                let mut at_ms = run.from_ms;
                while let Some(index) = like.index_of(at_ms).filter(|_| at_ms < run.until_ms) {
                    let end_ms = (like.start_ms(index) + like.cell_ms).min(run.until_ms);
                    work[index] += (end_ms - at_ms) as f64 / MS_PER_HOUR as f64;
                    any = true;
                    at_ms = end_ms;
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
        any.then_some(Grid {
            cells,
            cell_ms: like.cell_ms,
            first_index: like.first_index,
        })
    }
}

/// How a wrong clock was seen.
#[derive(Clone, Copy, PartialEq)]
enum Seen {
    Arriving,
    Shifted,
    /// Shifted, and nothing in its own stamps surely says so.
    Drifting,
    Twice,
}

fn way(offset_s: f64) -> &'static str {
    if offset_s > 0.0 { "ahead" } else { "behind" }
}

/// Two sensors that are off by the same against each other are one fault seen twice: the one that agrees better with all the rest
/// once it is shifted is off.
fn lay_to_one(found: &mut ClockFaults) {
    const SAME_S: f64 = 601.0;
    let offsets: Vec<(String, f64, f64)> = found
        .iter()
        .map(|(id, fault)| (id.clone(), fault.value.estimate, fault.agreement))
        .collect();
    for (id, offset_s, agreement) in &offsets {
        let mirrored = offsets.iter().any(|(other, other_s, other_agreement)| {
            other != id && (offset_s + other_s).abs() < SAME_S && other_agreement > agreement
        });
        if mirrored {
            found.remove(id);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::clock::tests::{STEP_MS, heating, off, probe, span};
    use super::super::kit::{START_MS, reading, site};
    use super::*;
    use crate::findings::{Finding, Kind};
    use crate::load::Record;
    use mosswarden_config::table::Reading;

    /// "wrong" is 20 minutes behind, "right" is right; the offset between them was first laid to one of them. Whose it is then, and in
    /// what words.
    fn laid_to(first: &str, heater_is_heard: bool) -> (Vec<String>, f64, String) {
        const BEHIND_MS: i64 = -20 * 60_000;
        let site = site("wrong", "right");
        let history = Span { from_ms: 0, ..span() };
        let states = heating().into_iter().enumerate();
        let readings = states.filter(|_| heater_is_heard).map(|(step, on)| {
            let state = f64::from(u8::from(on));
            reading("heater", Quantity::State, step as i64 * STEP_MS, state)
        });
        let record = Record::from_readings(readings, Vec::new(), history);
        let enclosure = &site.enclosures[0];
        let room = Room {
            site: &site,
            record: &record,
            span: span(),
            id: &enclosure.id,
            enclosure: Some(enclosure),
            sensors: &enclosure.sensors,
        };
        let plausible = Checked::from(
            [("wrong", off(BEHIND_MS)), ("right", probe(2, |at_ms| at_ms))]
                .map(|(id, series)| ((id.to_owned(), Quantity::Temperature), Cow::Owned(series))),
        );
        let sensor = enclosure.sensors.iter().find(|sensor| sensor.id == first);
        let offset = Offset {
            span: Span {
                from_ms: 6 * MS_PER_24_H,
                ..span()
            },
            offset_s: (if first == "wrong" { BEHIND_MS } else { -BEHIND_MS }) as f64 / 1000.0,
            half_width_s: 300.0,
            agreement: 0.9,
        };
        let fault = room.off(sensor.expect("of the site file"), offset, Seen::Drifting);
        let mut found = ClockFaults::from([(first.to_owned(), fault)]);
        room.lay_to_the_other(&mut found, &room.fine(&plausible));
        let fault = found.values().next().expect("it is not lost");
        (
            found.keys().cloned().collect(),
            fault.value.estimate,
            fault.message.clone(),
        )
    }

    #[test]
    fn of_two_clocks_the_one_is_wrong_that_then_agrees_with_the_heater() {
        for first in ["wrong", "right"] {
            let (whose, offset_s, words) = laid_to(first, true);
            assert_eq!(whose, ["wrong"], "first laid to {first}");
            assert_eq!(offset_s, -1200.0);
            assert!(
                words.starts_with("wrong sees everything 20 min earlier"),
                "{words}"
            );
            assert!(!words.contains("nothing else"), "{words}");
        }
    }

    #[test]
    fn of_two_clocks_beside_nothing_else_it_is_said_that_none_can_tell() {
        let (whose, _, words) = laid_to("right", false);
        assert_eq!(whose, ["right"]);
        assert!(
            words.ends_with("Or that of wrong is as much behind: nothing else there tells which."),
            "{words}"
        );
    }

    /// What is said of the clock of "right" after two days of stamps of 1970, where it was silent for these hours from the eighth day on.
    fn after_stamps_of_1970(silent_h: i64) -> Option<String> {
        let site = site("wrong", "right");
        let silent = Span {
            from_ms: 8 * MS_PER_24_H,
            until_ms: 8 * MS_PER_24_H + silent_h * MS_PER_HOUR,
        };
        let true_ms = (0..10 * MS_PER_24_H).step_by(STEP_MS as usize);
        let right_ms = true_ms
            .filter(|at_ms| !silent.contains(*at_ms))
            .map(|at_ms| START_MS + at_ms);
        let stamps = right_ms.chain((0..2 * MS_PER_24_H).step_by(STEP_MS as usize));
        let readings = stamps.map(|at_ms| Reading {
            received_ms: START_MS + 30 * MS_PER_24_H,
            ..reading("right", Quantity::Temperature, at_ms, 22.0 + (at_ms % 7) as f64)
        });
        let history = Span {
            from_ms: START_MS,
            until_ms: START_MS + 10 * MS_PER_24_H,
        };
        let record = Record::from_readings(readings, Vec::new(), history);
        let outcome = crate::trust::assess(&site, &record, history);
        let of_clock = |finding: &&Finding| finding.kind == Kind::ClockWrong;
        let found = outcome.verdicts.findings.iter().find(of_clock);
        found.map(|finding| finding.message.clone())
    }

    #[test]
    fn a_silence_that_is_too_short_for_what_was_stamped_1970_is_another_one() {
        let told = after_stamps_of_1970(48).expect("two days went there");
        assert!(told.contains("readings dated 1970 came in"), "{told}");
        assert_eq!(after_stamps_of_1970(12), None);
    }

    #[test]
    fn a_wrong_clock_explains_the_gap_that_its_jump_leaves_and_no_later_silence() {
        let span = |from_h: i64, until_h: i64| Span {
            from_ms: from_h * MS_PER_HOUR,
            until_ms: until_h * MS_PER_HOUR,
        };
        let fault = |shift_ms: i64| ClockFault {
            stretch: span(100, 200),
            value: Value::new("offset", 86_400.0, "s"),
            message: String::new(),
            shift_ms,
            agreement: 1.0,
            seen: None,
        };
        let a_day_ahead = fault(-MS_PER_24_H);
        assert!(a_day_ahead.explains(span(198, 224)));
        assert!(!a_day_ahead.explains(span(240, 300)));
        // Stamps of 1970 since then: that nothing true was stamped is the clock's doing; a pause after it is not.
        let reset = fault(0);
        assert!(reset.explains(span(100, 200)));
        assert!(!reset.explains(span(210, 230)));
    }
}
