//! What each device is set to, what its own sensor read, and what another one read at the same time.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Device;

use crate::audit::gather::{Gathered, RECENT_DAYS, Track};
use crate::audit::words;
use crate::halves::{Half, halves};
use crate::plot::{Cell, Table};

/// One row a set-point; notes say what the table can't.
pub(super) fn table(gathered: &Gathered<'_>) -> (Table, Vec<String>) {
    let mut rows = Vec::new();
    for device in &gathered.enclosure.devices {
        let set = [
            (Quantity::Temperature, device.setpoint.temperature_c),
            (Quantity::Humidity, device.setpoint.humidity_pct),
        ];
        for (quantity, value) in set {
            if let Some(value) = value {
                rows.push(row(gathered, device, quantity, value));
            }
        }
    }
    let notes = if rows.is_empty() {
        vec!["The site file states no set-point.".to_owned()]
    } else {
        vec![
            "Means of the hours known in the last 12 weeks, with lowest and highest. A set-point says what a device aims at where its \
             own sensor is, not what the animals get. Its own sensor stands as it shows itself to the device, the other one as it can be \
             believed."
                .to_owned(),
            "Set-points are those of the site file now; whether the devices themselves are set so, look at them.".to_owned(),
        ]
    };
    let table = Table {
        caption: "Set-points, and what came of them".to_owned(),
        columns: [
            "Device",
            "set to",
            "its sensor",
            "which showed by day",
            "and at night",
            "another sensor",
            "which read by day",
            "and at night",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    };
    (table, notes)
}

fn row(gathered: &Gathered<'_>, device: &Device, quantity: Quantity, value: f64) -> Vec<Cell> {
    let own = |track: &&Track| track.place == gathered.enclosure.id && track.quantity == quantity;
    let of = |sensor: &str| {
        gathered
            .tracks
            .iter()
            .filter(own)
            .find(|track| track.sensor == sensor)
    };
    let controlling = device.controlled_by.as_deref();
    let recent = gathered.last(RECENT_DAYS);
    let other = gathered
        .speaker(&gathered.tracks, &gathered.enclosure.id, quantity, recent)
        .filter(|track| Some(track.sensor.as_str()) != controlling)
        .or_else(|| {
            gathered
                .tracks
                .iter()
                .filter(own)
                .find(|track| Some(track.sensor.as_str()) != controlling)
        });
    let mut cells = vec![
        Cell::text(format!(
            "{} ({})",
            device.id,
            device.kind.name().replace('-', " ")
        )),
        Cell::text(words::value(quantity, value)),
    ];
    cells.push(Cell::text(controlling.unwrap_or("not stated")));
    cells.extend(read(
        gathered,
        controlling.and_then(of).map(shown).as_ref(),
        quantity,
    ));
    cells.push(Cell::text(other.map_or("none", |track| track.sensor.as_str())));
    cells.extend(read(gathered, other, quantity));
    cells
}

/// A sensor as it shows itself to its device: nothing left out, no drift taken off.
fn shown(track: &Track) -> Track {
    Track {
        usable: track.raw.clone(),
        ..track.clone()
    }
}

/// What a sensor read by day and at night.
fn read(gathered: &Gathered<'_>, track: Option<&Track>, quantity: Quantity) -> [Cell; 2] {
    Half::BOTH.map(|half| {
        let spans = halves(
            gathered.site.zone,
            gathered.enclosure,
            gathered.last(RECENT_DAYS),
            half,
        );
        let found = track.and_then(|track| track.measure(&spans, None));
        Cell::text(found.map_or_else(
            || crate::words::NOT_KNOWN.to_owned(),
            |m| {
                format!(
                    "{}; {}",
                    words::value(quantity, m.mean),
                    words::range(quantity, m.low, m.high)
                )
            },
        ))
    })
}
