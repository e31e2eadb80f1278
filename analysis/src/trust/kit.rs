//! What the tests of this module share: an enclosure with two sensors and a heater, and its readings.

use std::path::Path;
use std::sync::Arc;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Site;
use mosswarden_config::table::{Mark, Reading, TimeSource};

/// 2026-03-01T00:00Z
pub(super) const START_MS: i64 = 1_772_323_200_000;

/// The enclosure "box" in UTC, with a humidistat, a reference and the device "heater".
pub(super) fn site(humidistat: &str, reference: &str) -> Site {
    let sensor = |id: &str, role: &str| {
        format!(
            "[[enclosure.sensor]]\nid = \"{id}\"\nrole = \"{role}\"\nfeeds = [ {{ topic = \"t/{id}\", format = \"senml\" }} ]\n"
        )
    };
    let text = [
        "[site]\nname = \"Test bench\"\ntimezone = \"UTC\"\n[broker]\nurl = \"builtin\"\n",
        "[[enclosure]]\nid = \"box\"\nspecies = \"crested-gecko\"\n",
        &sensor(humidistat, "controller"),
        &sensor(reference, "reference"),
        "[[enclosure.device]]\nid = \"heater\"\nkind = \"heater\"\nfeeds = [ { topic = \"t/heater\", format = \"state\" } ]\n",
    ];
    Site::from_source(Path::new("site.toml"), &text.concat()).expect("a site file")
}

/// The same with the sensors given, by id and role, with "wall" in the room, and with a device's table.
pub(super) fn site_in_room(sensors: &[(&str, &str)], device: &str) -> Site {
    let feeds = |id: &str| format!("feeds = [ {{ topic = \"t/{id}\", format = \"senml\" }} ]\n");
    let sensors = sensors.iter().map(|(id, role)| {
        format!(
            "[[enclosure.sensor]]\nid = \"{id}\"\nrole = \"{role}\"\n{}",
            feeds(id)
        )
    });
    let text = [
        "[site]\nname = \"Test bench\"\ntimezone = \"UTC\"\n[broker]\nurl = \"builtin\"\n",
        &format!("[[room.sensor]]\nid = \"wall\"\n{}", feeds("wall")),
        "[[enclosure]]\nid = \"box\"\nspecies = \"crested-gecko\"\n",
        &sensors.collect::<String>(),
        device,
    ];
    Site::from_source(Path::new("site.toml"), &text.concat()).expect("a site file")
}

/// A reading in it that came at once.
pub(super) fn reading(sensor: &str, quantity: Quantity, at_ms: i64, value: f64) -> Reading {
    Reading {
        at_ms,
        received_ms: at_ms,
        time_source: TimeSource::Device,
        enclosure: Arc::from("box"),
        sensor: Arc::from(sensor),
        quantity,
        value,
        mark: Mark::Ok,
    }
}
