//! Sensors, of an enclosure or of the room.

use super::feed::feeds;
use super::*;

pub(super) const SENSOR_KEYS: &[&str] = &[
    "id",
    "role",
    "place",
    "accuracy",
    "installed",
    "calibrated",
    "animal_zone",
    "feeds",
];

pub(super) fn sensor(reader: &mut Reader<'_>, mut section: Section<'_, '_>, of: &str) -> Option<Sensor> {
    let id = id(reader, &section)?;
    section.name = format!("sensor {id} of {of}");
    let role = reader.word(
        &section,
        "role",
        &["controller", "reference", "probe"],
        |word| match word {
            "controller" => Some(Role::Controller),
            "reference" => Some(Role::Reference),
            "probe" => Some(Role::Probe),
            _ => None,
        },
    );
    let mut accuracy = Accuracy::UNSTATED;
    let name = format!("{} accuracy", section.name);
    if let Some(inner) = reader.child(&section, "accuracy", &name, &["humidity_pct", "temperature_c"]) {
        accuracy.is_stated = true;
        accuracy.humidity_pct = positive(reader, &inner, "humidity_pct").unwrap_or(accuracy.humidity_pct);
        accuracy.temperature_c = positive(reader, &inner, "temperature_c").unwrap_or(accuracy.temperature_c);
    }
    let feeds = feeds(reader, &section, Format::Senml { quantity: None });
    Some(Sensor {
        id,
        role: role.unwrap_or(Role::Probe),
        place: reader.text(&section, "place"),
        accuracy,
        installed: reader.date(&section, "installed"),
        calibrated: reader.date(&section, "calibrated"),
        animal_zone: reader.boolean(&section, "animal_zone"),
        feeds,
    })
}
