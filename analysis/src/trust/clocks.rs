//! Wrong clocks of sensors: by marks and misdated readings, and by when a sensor sees what the rest of its enclosure sees.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Sensor};
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::assess::{CHECKED, FaultMap, Grids, Room};
use super::clock;
use super::grid::Grid;
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
}

impl ClockFault {
    /// The series with the stretch's stamps moved to where they belong; readings that would fall back in time are left out.
    pub(super) fn put_right(&self, series: &Series) -> Series {
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
    /// The mistings as a grid whose changes are the mister's work: a probe in the enclosure sees them at once.
    pub(super) fn mistings(&self, like: &Grid) -> Vec<Grid> {
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
    pub(super) fn clock_fault(
        &self,
        sensor: &Sensor,
        grids: &Grids,
        faults: &FaultMap,
    ) -> Option<ClockFault> {
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
}
