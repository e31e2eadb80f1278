//! From the text of a site file to [`Site`]: every key is read, checked and given its default here.

mod alerts;
mod broker;
mod care;
mod crossing;
mod data;
mod device;
mod enclosure;
mod feed;
mod season;
mod sensor;
mod service;

use std::path::Path;

use alerts::alerts;
use broker::broker;
pub use broker::{MQTT_PORT, MQTTS_PORT};
pub(crate) use care::every_days;
use care::room_care;
use crossing::{Places, check_controllers, check_ids_and_topics};
use enclosure::{ENCLOSURE_KEYS, enclosure};
use sensor::{SENSOR_KEYS, sensor};
use service::{collect, journal, page};

use super::*;
use crate::species::SpeciesList;
use crate::sun::{LATITUDE_DEG_MAX, Place};

pub(super) fn site(file: &Path, source: &str) -> Result<Site, Vec<Problem>> {
    let mut reader = Reader::new(file, source);
    let mut warnings = Vec::new();
    let Some(root) = reader.parse() else {
        return Err(reader.problems);
    };
    let top = reader.section(
        root.get_ref(),
        root.span(),
        "the site file",
        &[
            "site",
            "broker",
            "collect",
            "page",
            "journal",
            "alerts",
            "room",
            "enclosure",
        ],
    );
    let base = file.parent().unwrap_or(Path::new("")).to_owned();

    let own_dir = base.join("species");
    let species = match SpeciesList::load(own_dir.is_dir().then_some(own_dir.as_path())) {
        Ok(species) => species,
        Err(problems) => {
            reader.problems.extend(problems);
            return Err(reader.problems);
        }
    };

    let mut head_keys = vec!["name", "timezone", "latitude", "longitude", "units"];
    head_keys.extend(data::KEYS);
    let head = reader.child(&top, "site", "[site]", &head_keys);
    if head.is_none() {
        reader.missing(&top, "[site]", "a table with name and timezone");
    }
    let name = head
        .as_ref()
        .and_then(|h| reader.required_text(h, "name", "\"my room\""))
        .unwrap_or_default();
    let zone = head.as_ref().and_then(|h| zone(&mut reader, h));
    let place = head.as_ref().and_then(|h| place(&mut reader, h));
    let (data_dir, bucket) = data::data(&mut reader, head.as_ref(), &base);
    let units = head
        .as_ref()
        .and_then(|h| {
            reader.word(h, "units", &["metric", "imperial"], |word| match word {
                "metric" => Some(Units::Metric),
                "imperial" => Some(Units::Imperial),
                _ => None,
            })
        })
        .unwrap_or(Units::Metric);

    let broker = broker(&mut reader, &top, &base);
    let collect = collect(&mut reader, &top);
    let page = page(&mut reader, &top, &base);
    let journal = journal(&mut reader, &top);
    let alerts = alerts(&mut reader, &top, &base);

    let mut room_sensors = Vec::new();
    let room = reader.child(&top, "room", "[room]", &["sensor", "care"]);
    if let Some(room) = &room {
        for section in reader.children(room, "sensor", "[[room.sensor]]", SENSOR_KEYS) {
            room_sensors.extend(sensor(&mut reader, section, "room"));
        }
    }
    let mut enclosures = Vec::new();
    let mut places = Places::default();
    for section in reader.children(&top, "enclosure", "[[enclosure]]", ENCLOSURE_KEYS) {
        let span = section.key_span("id");
        if let Some(found) = enclosure(&mut reader, section, &species, place, &mut warnings) {
            places.id(&mut reader, &found.id, &span, "enclosure");
            enclosures.push(found);
        }
    }
    tell_labels_apart(&mut enclosures);
    let room_care = room_care(&mut reader, room.as_ref(), &enclosures);
    check_ids_and_topics(&mut reader, &top, &mut places);
    check_controllers(&mut reader, &top, &enclosures);

    match zone {
        Some(zone) if reader.problems.is_empty() => Ok(Site {
            file: file.to_owned(),
            name,
            zone,
            place,
            data_dir,
            bucket,
            also_read: Vec::new(),
            units,
            broker,
            collect,
            page,
            journal,
            alerts,
            room_sensors,
            room_care,
            enclosures,
            warnings,
        }),
        _ => {
            reader.problems.sort_by_key(|problem| problem.line);
            Err(reader.problems)
        }
    }
}

/// Enclosures of one label bear their ids as well: an alert for "Mossy frogs" must say which of the two.
fn tell_labels_apart(enclosures: &mut [Enclosure]) {
    let labels: Vec<String> = enclosures.iter().map(|own| own.label.clone()).collect();
    for own in enclosures {
        if labels.iter().filter(|label| **label == own.label).count() > 1 {
            own.label = format!("{} ({})", own.label, own.id);
        }
    }
}

fn zone(reader: &mut Reader<'_>, head: &Section<'_, '_>) -> Option<Zone> {
    let name = reader.required_text(head, "timezone", "\"Europe/Lisbon\"")?;
    let zone = Zone::from_name(&name);
    if zone.is_none() {
        let city = |known: &&str| {
            let last = known.rsplit('/').next().unwrap_or(known);
            last.eq_ignore_ascii_case(&name.trim().replace(' ', "_"))
        };
        let near = Zone::names().find(city).or_else(|| nearest(&name, Zone::names()));
        let hint = match near {
            Some(near) => format!("the nearest IANA name is \"{near}\""),
            None => "write an IANA name such as \"Europe/Lisbon\"".to_owned(),
        };
        reader.problem(
            &head.key_span("timezone"),
            format!("unknown time zone \"{name}\""),
            Some(hint),
        );
    }
    zone
}

/// Where the site is: both figures or none.
fn place(reader: &mut Reader<'_>, head: &Section<'_, '_>) -> Option<Place> {
    let (latitude, longitude) = (reader.number(head, "latitude"), reader.number(head, "longitude"));
    let (Some(latitude_deg), Some(longitude_deg)) = (latitude, longitude) else {
        if latitude.is_some() {
            reader.missing(head, "longitude", "-9.1");
        } else if longitude.is_some() {
            reader.missing(head, "latitude", "38.7");
        }
        return None;
    };
    if latitude_deg.abs() > LATITUDE_DEG_MAX {
        reader.problem(
            &head.key_span("latitude"),
            format!("`latitude` must lie between -{LATITUDE_DEG_MAX} and {LATITUDE_DEG_MAX}: beyond, the sun does not rise and set every day"),
            Some("leave latitude and longitude out and give each enclosure `day`".to_owned()),
        );
    }
    if longitude_deg.abs() > 180.0 {
        reader.problem(
            &head.key_span("longitude"),
            "`longitude` must lie between -180 and 180, east positive".to_owned(),
            None,
        );
    }
    Some(Place {
        latitude_deg,
        longitude_deg,
    })
}

fn id(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<String> {
    let id = reader.required_text(section, "id", "\"mossy-1\"")?;
    let sound = !id.is_empty() && id.chars().all(|c| c.is_alphanumeric() || c == '-' || c == '_');
    if !sound || id == crate::table::ROOM {
        reader.problem(
            &section.key_span("id"),
            format!("`id = \"{id}\"` can't be used"),
            Some("use letters, digits, '-' and '_'; `room` is taken by the room itself".to_owned()),
        );
        return None;
    }
    Some(id)
}

fn positive(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str) -> Option<f64> {
    let number = reader.number(section, key)?;
    if number <= 0.0 {
        reader.problem(
            &section.key_span(key),
            format!("`{key}` must be above 0, not {number:?}"),
            None,
        );
        return None;
    }
    Some(number)
}
