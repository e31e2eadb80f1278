//! `[[enclosure.care]]` and `[[room.care]]`: tasks that come back, over what species and equipment make usual.

use super::*;
use crate::care::{self, COMMON_PRACTICE, Task};

const CARE_KEYS: &[&str] = &["task", "every", "label", "since"];

/// The tasks of one enclosure: by its species, by its equipment, then as the site file says.
pub(super) fn enclosure_care(
    reader: &mut Reader<'_>,
    section: &Section<'_, '_>,
    species: Option<&Species>,
    sensors: &[Sensor],
    devices: &[Device],
) -> Vec<Task> {
    let mut tasks = species.map(|species| species.care.clone()).unwrap_or_default();
    let has = |kinds: &[DeviceKind]| devices.iter().any(|device| kinds.contains(&device.kind));
    let by_equipment = [
        ("nozzle-descale", has(&[DeviceKind::Mister, DeviceKind::Fogger])),
        ("sensor-check", sensors.iter().any(measures_humidity)),
        ("uv-lamp-renewal", has(&[DeviceKind::UvLamp])),
    ];
    for (name, is_there) in by_equipment {
        tasks.extend(is_there.then(|| usual(name)).flatten());
    }
    let name = format!("{} care", section.name);
    written(reader, section, &name, &mut tasks);
    tasks
}

/// The tasks of the room: what concerns its wiring, then as the site file says.
pub(super) fn room_care(
    reader: &mut Reader<'_>,
    section: Option<&Section<'_, '_>>,
    enclosures: &[Enclosure],
) -> Vec<Task> {
    let mut tasks = Vec::new();
    if enclosures.iter().any(|enclosure| !enclosure.devices.is_empty()) {
        tasks.extend(usual("residual-current-test"));
    }
    if let Some(section) = section {
        written(reader, section, "[[room.care]]", &mut tasks);
    }
    tasks
}

fn measures_humidity(sensor: &Sensor) -> bool {
    sensor.feeds.iter().any(|feed| match &feed.format {
        Format::Json { quantity, .. } | Format::Number { quantity, .. } => *quantity == Quantity::Humidity,
        // It says itself what it measures; most measure humidity.
        Format::Senml { quantity } => quantity.is_none_or(|quantity| quantity == Quantity::Humidity),
        Format::State { .. } => false,
    })
}

fn usual(name: &str) -> Option<Task> {
    care::find(name).map(|known| Task::by_default(known, known.every_days, COMMON_PRACTICE))
}

fn written(reader: &mut Reader<'_>, section: &Section<'_, '_>, name: &str, tasks: &mut Vec<Task>) {
    for inner in reader.children(section, "care", name, CARE_KEYS) {
        let Some(task) = reader.required_text(&inner, "task", "\"water-bowl\"") else {
            continue;
        };
        if reader.text(&inner, "every").as_deref() == Some("off") {
            tasks.retain(|other| other.name != task);
            continue;
        }
        let label = reader.text(&inner, "label");
        let since = reader.date(&inner, "since");
        let every_days = every_days(reader, &inner);
        let Some(label) = label.or_else(|| care::find(&task).map(|known| known.label.to_owned())) else {
            unknown(reader, &inner, &task);
            continue;
        };
        let Some(every_days) = every_days else {
            continue;
        };
        if !is_sound(&task) {
            reader.problem(
                &inner.key_span("task"),
                format!("`task = \"{task}\"` can't be used"),
                Some("use small letters, digits and '-'".to_owned()),
            );
            continue;
        }
        let task = Task {
            name: task,
            label,
            every_days,
            is_asked: true,
            since,
            source: "the site file".to_owned(),
        };
        care::put(tasks, task);
    }
    care::sort(tasks);
}

fn is_sound(task: &str) -> bool {
    !task.is_empty()
        && task
            .chars()
            .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
}

fn unknown(reader: &mut Reader<'_>, inner: &Section<'_, '_>, task: &str) {
    let hint = match nearest(task, care::KNOWN.iter().map(|known| known.name)) {
        Some(near) => format!("the nearest known task is \"{near}\"; a task of your own needs a `label`"),
        None => "a task of your own needs `label = \"what to do\"`".to_owned(),
    };
    reader.problem(
        &inner.key_span("task"),
        format!("unknown task \"{task}\""),
        Some(hint),
    );
}

/// Whole days: care goes by the calendar.
pub(crate) fn every_days(reader: &mut Reader<'_>, inner: &Section<'_, '_>) -> Option<u32> {
    const S_PER_DAY: u64 = 24 * 3600;
    /// Ten years: longer is a slip.
    const DAYS_MAX: u64 = 3660;
    if !inner.has("every") {
        reader.missing(inner, "every", "\"14d\"");
        return None;
    }
    let seconds = reader.duration_s(inner, "every")?;
    let days = seconds / S_PER_DAY;
    if seconds % S_PER_DAY != 0 || days == 0 || days > DAYS_MAX {
        reader.problem(
            &inner.key_span("every"),
            "`every` must be whole days, at least one".to_owned(),
            Some("write it as \"1d\" or \"14d\"; \"off\" turns a usual task off".to_owned()),
        );
        return None;
    }
    u32::try_from(days).ok()
}
