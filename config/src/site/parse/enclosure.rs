//! `[[enclosure]]`: species, stage, limits and light hours.

use toml::de::DeValue;

use super::care::enclosure_care;
use super::device::{DEVICE_KEYS, device};
use super::season::seasons;
use super::*;

pub(super) const ENCLOSURE_KEYS: &[&str] = &[
    "id", "label", "species", "stage", "animals", "day", "limits", "season", "sensor", "device", "care",
];

const LIMIT_KEYS: &[&str] = &[
    "day_c",
    "night_c",
    "max_c",
    "min_c",
    "emergency_c",
    "humidity_pct",
    "humidity_day_pct",
    "humidity_night_pct",
];

pub(super) fn enclosure(
    reader: &mut Reader<'_>,
    mut section: Section<'_, '_>,
    list: &SpeciesList,
    place: Option<Place>,
    warnings: &mut Vec<Problem>,
) -> Option<Enclosure> {
    let id = id(reader, &section)?;
    section.name = format!("[[enclosure]] {id}");
    let label = reader.text(&section, "label").unwrap_or_else(|| id.clone());
    let species_id = reader
        .required_text(&section, "species", "\"mossy-frog\"")
        .unwrap_or_default();
    let species = list.get(&species_id).cloned();
    let base = stage_limits(reader, &section, species.as_ref());
    let limits_written = limits_written(&section);
    let limits = limits(reader, &section, base);
    if species.is_none() && !species_id.is_empty() {
        let near = nearest(&species_id, list.ids());
        let hint = match near {
            Some(near) => {
                format!("the nearest known species is \"{near}\"; or add a file to the folder species/")
            }
            None => {
                let or = match limits.is_none() {
                    true => ", or give day_c, night_c and max_c in limits",
                    false => "",
                };
                let known: Vec<&str> = list.ids().collect();
                format!(
                    "known are {}; or add a file to the folder species/ beside the site file{or}",
                    known.join(", ")
                )
            }
        };
        let span = section.key_span("species");
        let message = format!("unknown species \"{species_id}\"");
        if limits.is_none() {
            reader.problem(&span, message, Some(hint));
        } else {
            let message = format!("{message}: only the limits written here are used");
            let line = reader.line(&span);
            warnings.push(Problem {
                file: reader.file().to_owned(),
                line,
                message,
                hint: Some(hint),
            });
        }
    }
    // Twelve hours, as most keepers set them (common practice, no source), or the sun's where the place is known.
    let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
    let unwritten = place.map_or(
        LightHours::Clock {
            start: at(8),
            end: at(20),
        },
        LightHours::Sun,
    );
    let light = light(reader, &section, unwritten);
    let seasons = seasons(reader, &section, species.as_ref(), limits, light);
    let animals = reader.count(&section, "animals");
    let mut sensors = Vec::new();
    for inner in reader.children(&section, "sensor", "[[enclosure.sensor]]", SENSOR_KEYS) {
        sensors.extend(sensor(reader, inner, &id));
    }
    let mut devices = Vec::new();
    for inner in reader.children(&section, "device", "[[enclosure.device]]", DEVICE_KEYS) {
        devices.extend(device(reader, inner));
    }
    let care = enclosure_care(reader, &section, species.as_ref(), &sensors, &devices);
    Some(Enclosure {
        id,
        label,
        species_id,
        species,
        animals,
        light,
        limits: limits?,
        limits_written,
        seasons,
        sensors,
        devices,
        care,
    })
}

/// The limits of the life stage that a section names; where it names none, of the species' first.
pub(super) fn stage_limits(
    reader: &mut Reader<'_>,
    section: &Section<'_, '_>,
    species: Option<&Species>,
) -> Option<Limits> {
    let species = species?;
    let Some(name) = reader.text(section, "stage") else {
        return species.stages.first().map(|s| s.limits());
    };
    let stage = species.stage(&name);
    if stage.is_none() {
        let known: Vec<&str> = species.stages.iter().map(|s| s.name.as_str()).collect();
        reader.problem(
            &section.key_span("stage"),
            format!("`stage = \"{name}\"` is not known for {}", species.id),
            Some(format!("known: {}", known.join(", "))),
        );
    }
    stage.map(|s| s.limits())
}

/// The keys of a section's `limits`.
fn limits_written(section: &Section<'_, '_>) -> Vec<&'static str> {
    let Some(DeValue::Table(written)) = section.value("limits").map(|value| value.get_ref()) else {
        return Vec::new();
    };
    let keys = LIMIT_KEYS.iter().copied();
    keys.filter(|key| written.contains_key(*key)).collect()
}

/// The species' limits, overridden one by one. `None` where neither gives day, night and highest temperature.
pub(super) fn limits(
    reader: &mut Reader<'_>,
    section: &Section<'_, '_>,
    base: Option<Limits>,
) -> Option<Limits> {
    /// Stands below the wanted night where nothing says how cold is too cold (common practice, no source).
    const MIN_BELOW_NIGHT_K: f64 = 3.0;
    let name = format!("{} limits", section.name);
    let Some(written) = reader.child(section, "limits", &name, LIMIT_KEYS) else {
        return base;
    };
    let band = |(low, high)| Band { low, high };
    let [day_c, night_c] = ["day_c", "night_c"].map(|key| {
        let range = reader.range(&written, key);
        for written_c in range.into_iter().flat_map(|(low, high)| [low, high]) {
            livable(reader, &written, key, written_c);
        }
        range.map(band)
    });
    let [max_c, min_c, emergency_c] = ["max_c", "min_c", "emergency_c"].map(|key| {
        let number = reader.number(&written, key);
        if let Some(written_c) = number {
            livable(reader, &written, key, written_c);
        }
        number
    });
    let day_c = day_c.or(base.map(|b| b.day_c));
    let night_c = night_c.or(base.map(|b| b.night_c));
    let max_c = max_c.or(base.map(|b| b.max_c));
    let both = reader.range(&written, "humidity_pct").map(band);
    let humidity_day_pct = reader.range(&written, "humidity_day_pct").map(band).or(both);
    let humidity_night_pct = reader.range(&written, "humidity_night_pct").map(band).or(both);
    let (Some(day_c), Some(night_c), Some(max_c)) = (day_c, night_c, max_c) else {
        return None;
    };

    let coldest_wanted = day_c.low.min(night_c.low);
    let min_c = min_c.unwrap_or_else(|| {
        base.map_or(coldest_wanted - MIN_BELOW_NIGHT_K, |b| b.min_c)
            .min(coldest_wanted)
    });
    // The species' emergency stands a step above its limit; an overridden limit takes that step along.
    let emergency_c = emergency_c.or_else(|| {
        base.and_then(|b| {
            b.emergency_c.map(|e| {
                if max_c < b.max_c || e <= max_c {
                    max_c + (e - b.max_c)
                } else {
                    e
                }
            })
        })
    });
    check_order(
        reader,
        &written,
        "max_c",
        max_c >= day_c.high,
        "below the wanted day range",
    );
    check_order(
        reader,
        &written,
        "min_c",
        min_c <= night_c.low,
        "above the wanted night range",
    );
    check_order(
        reader,
        &written,
        "emergency_c",
        emergency_c.is_none_or(|e| e >= max_c),
        "below max_c",
    );
    Some(Limits {
        day_c,
        night_c,
        max_c,
        min_c,
        emergency_c,
        humidity_day_pct: humidity_day_pct.or(base.and_then(|b| b.humidity_day_pct)),
        humidity_night_pct: humidity_night_pct.or(base.and_then(|b| b.humidity_night_pct)),
    })
}

/// No animal is kept beyond these, °C (own choice): who writes 82.0 means Fahrenheit, and no alarm would ever sound.
const LIVABLE_C: std::ops::RangeInclusive<f64> = -20.0..=55.0;

/// Refuses a temperature that no enclosure is kept at.
pub(super) fn livable(reader: &mut Reader<'_>, written: &Section<'_, '_>, key: &str, written_c: f64) {
    if !LIVABLE_C.contains(&written_c) {
        reader.problem(
            &written.key_span(key),
            format!("`{key}` has {written_c:?}, which is in °C here: no animal is kept at that"),
            Some(format!(
                "write °C; {written_c} °F are {:.1} °C",
                (written_c - 32.0) / 1.8
            )),
        );
    }
}

fn check_order(reader: &mut Reader<'_>, written: &Section<'_, '_>, key: &str, holds: bool, wrong: &str) {
    if !holds {
        let at = if written.has(key) { key } else { "day_c" };
        reader.problem(
            &written.key_span(at),
            format!("`{key}` lies {wrong}: limits are upside down"),
            None,
        );
    }
}

/// Light hours as written under `day`; what is not written stays as in `unwritten`.
pub(super) fn light(reader: &mut Reader<'_>, section: &Section<'_, '_>, unwritten: LightHours) -> LightHours {
    let name = format!("{} day", section.name);
    let Some(day) = reader.child(section, "day", &name, &["start", "end"]) else {
        return unwritten;
    };
    for key in ["start", "end"] {
        if !day.has(key) {
            reader.missing(&day, key, "\"08:00\"");
        }
    }
    match (reader.time(&day, "start"), reader.time(&day, "end")) {
        (Some(start), Some(end)) => LightHours::Clock { start, end },
        _ => unwritten,
    }
}
