//! The marks of stored readings, beside them: by sensor, quantity and time.

use std::collections::BTreeMap;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Enclosure, Limits, Site};
use mosswarden_config::table::Reading;
use mosswarden_config::zone::{MS_PER_HOUR, Span};

use super::{Ends, Quality, Thresholds, of_series};
use crate::load::Record;
use crate::series::on_spans;

/// What the tests say of readings that were read from the archive.
#[derive(Debug, Default)]
pub struct Marks {
    by_reading: BTreeMap<(String, Quantity, i64), Quality>,
}

impl Marks {
    /// Judges every reading of a span by itself and the readings beside it.
    pub fn of(site: &Site, readings: &[Reading], span: Span) -> Marks {
        let record = Record::from_readings(readings.iter().cloned(), Vec::new(), span);
        let mut marks = Marks::default();
        for (sensor, quantity, series) in record.iter() {
            let Some(thresholds) = Thresholds::of(quantity) else {
                continue;
            };
            let enclosure = site
                .enclosures
                .iter()
                .find(|enclosure| enclosure.sensors.iter().any(|known| known.id == sensor));
            let is_of_room = site.room_sensors.iter().any(|known| known.id == sensor);
            let usual = |at_ms: i64| match enclosure {
                Some(enclosure) => usual(&enclosure.limits_on(site.zone.date(at_ms)), quantity),
                None if is_of_room => usual_of_room(quantity),
                None => None,
            };
            let mistings = enclosure.map_or_else(Vec::new, |enclosure| wetted(enclosure, &record));
            let judged = of_series(series, quantity, &thresholds, usual, &mistings);
            for (at_ms, quality) in series.at_ms.iter().zip(judged) {
                marks
                    .by_reading
                    .insert((sensor.to_owned(), quantity, *at_ms), quality);
            }
        }
        marks
    }

    /// `None` for a quantity that is not judged, such as a device's state.
    pub fn get(&self, reading: &Reading) -> Option<&Quality> {
        let key = (reading.sensor.to_string(), reading.quantity, reading.at_ms);
        self.by_reading.get(&key)
    }
}

/// What is wanted for the animals, in the season of the day, is what is usual there.
fn usual(limits: &Limits, quantity: Quantity) -> Option<Ends> {
    match quantity {
        Quantity::Temperature => Some((limits.min_c, limits.max_c)),
        Quantity::Humidity => {
            let (day, night) = (limits.humidity_day_pct?, limits.humidity_night_pct?);
            Some((day.low.min(night.low), day.high.max(night.high)))
        }
        _ => None,
    }
}

/// What rooms in which people live have (common practice, no source).
const fn usual_of_room(quantity: Quantity) -> Option<Ends> {
    match quantity {
        Quantity::Temperature => Some((10.0, 32.0)),
        Quantity::Humidity => Some((20.0, 80.0)),
        _ => None,
    }
}

fn wetted(enclosure: &Enclosure, record: &Record) -> Vec<Span> {
    [DeviceKind::Mister, DeviceKind::Fogger]
        .into_iter()
        .flat_map(|kind| enclosure.devices_of(kind))
        .filter_map(|device| record.get(&device.id, Quantity::State))
        .flat_map(|states| on_spans(states.view(), MS_PER_HOUR))
        .collect()
}
