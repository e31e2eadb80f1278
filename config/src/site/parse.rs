//! From the text of a site file to [`Site`]: every key is read, checked and given its default here.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::Path;

use super::reader::{parse_duration_s, parse_time};
use super::*;
use crate::species::SpeciesList;

const FEED_KEYS: &[&str] = &[
    "topic",
    "format",
    "pointer",
    "time_pointer",
    "quantity",
    "unit",
    "on",
    "off",
];
const SENSOR_KEYS: &[&str] = &[
    "id",
    "role",
    "place",
    "accuracy",
    "installed",
    "calibrated",
    "animal_zone",
    "feeds",
];
const ENCLOSURE_KEYS: &[&str] = &[
    "id", "label", "species", "stage", "animals", "day", "limits", "sensor", "device",
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
const QUANTITY_NAMES: [&str; 9] = {
    let mut names = [""; 9];
    let mut index = 0;
    while index < names.len() {
        names[index] = Quantity::ALL[index].name();
        index += 1;
    }
    names
};
/// The port of MQTT over TLS and in the clear, registered with IANA.
const MQTTS_PORT: u16 = 8883;
const MQTT_PORT: u16 = 1883;

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
        &["site", "broker", "collect", "page", "alerts", "room", "enclosure"],
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

    let head = reader.child(&top, "site", "[site]", &["name", "timezone", "data_dir", "units"]);
    if head.is_none() {
        reader.missing(&top, "[site]", "a table with name and timezone");
    }
    let name = head
        .as_ref()
        .and_then(|h| reader.required_text(h, "name", "\"my room\""))
        .unwrap_or_default();
    let zone = head.as_ref().and_then(|h| zone(&mut reader, h));
    let data_dir = head
        .as_ref()
        .and_then(|h| reader.text(h, "data_dir"))
        .unwrap_or_else(|| "data".to_owned());
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
    let alerts = alerts(&mut reader, &top, &base);

    let mut room_sensors = Vec::new();
    if let Some(room) = reader.child(&top, "room", "[room]", &["sensor"]) {
        for section in reader.children(&room, "sensor", "[[room.sensor]]", SENSOR_KEYS) {
            room_sensors.extend(sensor(&mut reader, section, "room"));
        }
    }
    let mut enclosures = Vec::new();
    let mut places = Places::default();
    for section in reader.children(&top, "enclosure", "[[enclosure]]", ENCLOSURE_KEYS) {
        let span = section.key_span("id");
        if let Some(found) = enclosure(&mut reader, section, &species, &mut warnings) {
            places.id(&mut reader, &found.id, &span, "enclosure");
            enclosures.push(found);
        }
    }
    check_ids_and_topics(&mut reader, &top, &mut places);
    check_controllers(&mut reader, &top, &enclosures);

    match zone {
        Some(zone) if reader.problems.is_empty() => Ok(Site {
            file: file.to_owned(),
            name,
            zone,
            data_dir: base.join(data_dir),
            units,
            broker,
            collect,
            page,
            alerts,
            room_sensors,
            enclosures,
            warnings,
        }),
        _ => {
            reader.problems.sort_by_key(|problem| problem.line);
            Err(reader.problems)
        }
    }
}

fn zone(reader: &mut Reader<'_>, head: &Section<'_, '_>) -> Option<Zone> {
    let name = reader.required_text(head, "timezone", "\"Europe/Lisbon\"")?;
    let zone = Zone::from_name(&name);
    if zone.is_none() {
        let hint = match nearest(&name, Zone::names()) {
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

fn broker(reader: &mut Reader<'_>, top: &Section<'_, '_>, base: &Path) -> Broker {
    let known = [
        "url",
        "listen",
        "username",
        "password_file",
        "ca_file",
        "client_id",
        "certificate_file",
        "key_file",
    ];
    let default_listen = format!("127.0.0.1:{MQTT_PORT}");
    let mut broker = Broker {
        way: Way::Builtin {
            listen: default_listen.clone(),
        },
        username: None,
        password_file: None,
        ca_file: None,
        tls: None,
        client_id: "mosswarden-collector".to_owned(),
    };
    let Some(section) = reader.child(top, "broker", "[broker]", &known) else {
        return broker;
    };
    let url = reader
        .text(&section, "url")
        .unwrap_or_else(|| "builtin".to_owned());
    let listen = reader.text(&section, "listen").unwrap_or(default_listen);
    match way(&url, listen) {
        Some(way) => broker.way = way,
        None => reader.problem(
            &section.key_span("url"),
            format!("`url = \"{url}\"` is not a way in"),
            Some("write \"builtin\", \"mqtt://host:1883\" or \"mqtts://host:8883\"".to_owned()),
        ),
    }
    broker.username = reader.text(&section, "username");
    broker.password_file = reader.text(&section, "password_file").map(|file| base.join(file));
    broker.ca_file = reader.text(&section, "ca_file").map(|file| base.join(file));
    let certificate = reader
        .text(&section, "certificate_file")
        .map(|file| base.join(file));
    let key = reader.text(&section, "key_file").map(|file| base.join(file));
    match (certificate, key) {
        (Some(certificate_file), Some(key_file)) => {
            broker.tls = Some(ListenerTls {
                certificate_file,
                key_file,
            })
        }
        (None, None) => {}
        (Some(_), None) => reader.missing(&section, "key_file", "\"secrets/key.pem\""),
        (None, Some(_)) => reader.missing(&section, "certificate_file", "\"secrets/certificate.pem\""),
    }
    if let Some(client_id) = reader.text(&section, "client_id") {
        broker.client_id = client_id;
    }
    broker
}

fn way(url: &str, listen: String) -> Option<Way> {
    if url == "builtin" {
        return Some(Way::Builtin { listen });
    }
    let (tls, rest) = match (url.strip_prefix("mqtt://"), url.strip_prefix("mqtts://")) {
        (Some(rest), _) => (false, rest),
        (_, Some(rest)) => (true, rest),
        _ => return None,
    };
    let rest = rest.trim_end_matches('/');
    let default_port = if tls { MQTTS_PORT } else { MQTT_PORT };
    let (host, port) = match rest.rsplit_once(':') {
        Some((host, port)) if !host.ends_with(':') => (host, port.parse().ok()?),
        _ => (rest, default_port),
    };
    (!host.is_empty() && !host.contains('@')).then(|| Way::Client {
        host: host.to_owned(),
        port,
        tls,
    })
}

fn collect(reader: &mut Reader<'_>, top: &Section<'_, '_>) -> Collect {
    /// Fifteen minutes: a quarter of an hour's readings make a Parquet file worth its header.
    const PUBLISH_EVERY_S: u64 = 900;
    const COMMIT_EVERY_S: u64 = 2;
    let mut collect = Collect {
        commit_every_s: COMMIT_EVERY_S,
        publish_every_s: PUBLISH_EVERY_S,
        keep_s: None,
    };
    let Some(section) = reader.child(
        top,
        "collect",
        "[collect]",
        &["commit_every", "publish_every", "keep"],
    ) else {
        return collect;
    };
    if let Some(seconds) = reader.duration_s(&section, "commit_every") {
        collect.commit_every_s = seconds;
    }
    if let Some(seconds) = reader.duration_s(&section, "publish_every") {
        collect.publish_every_s = seconds.max(1);
    }
    if section.value("keep").and_then(|v| v.get_ref().as_str()) != Some("forever") {
        collect.keep_s = reader.duration_s(&section, "keep");
    }
    collect
}

fn page(reader: &mut Reader<'_>, top: &Section<'_, '_>, base: &Path) -> Page {
    let mut page = Page {
        listen: Some("127.0.0.1:8460".to_owned()),
        access_file: None,
    };
    let Some(section) = reader.child(top, "page", "[page]", &["listen", "access_file"]) else {
        return page;
    };
    if let Some(listen) = reader.text(&section, "listen") {
        page.listen = (listen != "off").then_some(listen);
    }
    page.access_file = reader.text(&section, "access_file").map(|file| base.join(file));
    page
}

fn alerts(reader: &mut Reader<'_>, top: &Section<'_, '_>, base: &Path) -> Alerts {
    let keys = ["mqtt_topic", "webhook_url", "email_to", "smtp"];
    let Some(section) = reader.child(top, "alerts", "[alerts]", &keys) else {
        return Alerts::default();
    };
    let smtp_keys = ["host", "port", "from", "username", "password_file"];
    let smtp = reader
        .child(&section, "smtp", "[alerts.smtp]", &smtp_keys)
        .and_then(|inner| {
            /// Submission with STARTTLS, RFC 6409.
            const SUBMISSION_PORT: u32 = 587;
            Some(Smtp {
                host: reader.required_text(&inner, "host", "\"mail.example.org\"")?,
                port: reader
                    .count(&inner, "port")
                    .unwrap_or(SUBMISSION_PORT)
                    .try_into()
                    .ok()?,
                from: reader.required_text(&inner, "from", "\"mosswarden@example.org\"")?,
                username: reader.text(&inner, "username"),
                password_file: reader.text(&inner, "password_file").map(|file| base.join(file)),
            })
        });
    let alerts = Alerts {
        mqtt_topic: reader.text(&section, "mqtt_topic"),
        webhook_url: reader.text(&section, "webhook_url"),
        email_to: reader.text(&section, "email_to"),
        smtp,
    };
    if alerts.email_to.is_some() && alerts.smtp.is_none() {
        reader.missing(&section, "[alerts.smtp]", "a table with host and from");
    }
    alerts
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

fn enclosure(
    reader: &mut Reader<'_>,
    mut section: Section<'_, '_>,
    list: &SpeciesList,
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
    let limits = limits(reader, &section, base);
    if species.is_none() && !species_id.is_empty() {
        let near = nearest(&species_id, list.ids());
        let hint = match near {
            Some(near) => format!("the nearest known species is \"{near}\"; or add a file to the folder species/"),
            None => "add a file to the folder species/ beside the site file, or give day_c, night_c and max_c in limits"
                .to_owned(),
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
    let light = light(reader, &section);
    let animals = reader.count(&section, "animals");
    let mut sensors = Vec::new();
    for inner in reader.children(&section, "sensor", "[[enclosure.sensor]]", SENSOR_KEYS) {
        sensors.extend(sensor(reader, inner, &id));
    }
    let device_keys = ["id", "kind", "controlled_by", "setpoint", "schedule", "feeds"];
    let mut devices = Vec::new();
    for inner in reader.children(&section, "device", "[[enclosure.device]]", &device_keys) {
        devices.extend(device(reader, inner));
    }
    Some(Enclosure {
        id,
        label,
        species_id,
        species,
        animals,
        light,
        limits: limits?,
        sensors,
        devices,
    })
}

fn stage_limits(
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

/// The species' limits, overridden one by one. `None` where neither gives day, night and highest temperature.
fn limits(reader: &mut Reader<'_>, section: &Section<'_, '_>, base: Option<Limits>) -> Option<Limits> {
    /// Stands below the wanted night where nothing says how cold is too cold (common practice, no source).
    const MIN_BELOW_NIGHT_K: f64 = 3.0;
    let name = format!("{} limits", section.name);
    let Some(written) = reader.child(section, "limits", &name, LIMIT_KEYS) else {
        return base;
    };
    let band = |(low, high)| Band { low, high };
    let day_c = reader
        .range(&written, "day_c")
        .map(band)
        .or(base.map(|b| b.day_c));
    let night_c = reader
        .range(&written, "night_c")
        .map(band)
        .or(base.map(|b| b.night_c));
    let max_c = reader.number(&written, "max_c").or(base.map(|b| b.max_c));
    let min_c = reader.number(&written, "min_c");
    let emergency_c = reader.number(&written, "emergency_c");
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
            b.emergency_c
                .map(|e| if e > max_c { e } else { max_c + (e - b.max_c) })
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

fn light(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> LightHours {
    let at = |hour| NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default();
    // Twelve hours, as most keepers set them (common practice, no source).
    let mut hours = LightHours {
        start: at(8),
        end: at(20),
    };
    let name = format!("{} day", section.name);
    let Some(day) = reader.child(section, "day", &name, &["start", "end"]) else {
        return hours;
    };
    if let Some(start) = reader.time(&day, "start") {
        hours.start = start;
    }
    if let Some(end) = reader.time(&day, "end") {
        hours.end = end;
    }
    hours
}

fn sensor(reader: &mut Reader<'_>, mut section: Section<'_, '_>, of: &str) -> Option<Sensor> {
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

fn device(reader: &mut Reader<'_>, mut section: Section<'_, '_>) -> Option<Device> {
    let id = id(reader, &section)?;
    section.name = format!("device {id}");
    if !section.has("kind") {
        reader.missing(&section, "kind", "\"mister\"");
    }
    let names = DeviceKind::ALL.map(|(name, _)| name);
    let kind = reader.word(&section, "kind", &names, |word| {
        DeviceKind::ALL
            .into_iter()
            .find(|(name, _)| *name == word)
            .map(|(_, kind)| kind)
    })?;
    let mut setpoint = Setpoint::default();
    let keys = ["humidity_pct", "hysteresis_pct", "temperature_c", "hysteresis_c"];
    let name = format!("{} setpoint", section.name);
    if let Some(inner) = reader.child(&section, "setpoint", &name, &keys) {
        setpoint.humidity_pct = reader.number(&inner, "humidity_pct");
        setpoint.hysteresis_pct = positive(reader, &inner, "hysteresis_pct");
        setpoint.temperature_c = reader.number(&inner, "temperature_c");
        setpoint.hysteresis_c = positive(reader, &inner, "hysteresis_c");
    }
    let mut schedule = Vec::new();
    for (text, span) in reader.texts(&section, "schedule").unwrap_or_default() {
        match run(&text) {
            Some(run) => schedule.push(run),
            None => reader.problem(
                &span,
                format!("\"{text}\" is not a run"),
                Some("write \"07:30 for 40s\"".to_owned()),
            ),
        }
    }
    schedule.sort_by_key(|run: &Run| run.local_start);
    let state = Format::State {
        pointer: None,
        time_pointer: None,
        on: words(ON),
        off: words(OFF),
    };
    let feeds = feeds(reader, &section, state);
    let controlled_by = reader.text(&section, "controlled_by");
    Some(Device {
        id,
        kind,
        controlled_by,
        setpoint,
        schedule,
        feeds,
    })
}

fn run(text: &str) -> Option<Run> {
    let (start, duration) = text.split_once(" for ")?;
    Some(Run {
        local_start: parse_time(start.trim())?,
        duration_s: parse_duration_s(duration.trim())?,
    })
}

/// Words that mean on and off where the site file gives none.
const ON: &[&str] = &["ON", "on", "On", "1", "true", "True", "TRUE"];
const OFF: &[&str] = &["OFF", "off", "Off", "0", "false", "False", "FALSE"];

fn words(of: &[&str]) -> Vec<String> {
    of.iter().map(|word| (*word).to_owned()).collect()
}

fn feeds(reader: &mut Reader<'_>, section: &Section<'_, '_>, default: Format) -> Vec<Feed> {
    let name = format!("{} feeds", section.name);
    let sections = reader.children(section, "feeds", &name, FEED_KEYS);
    sections
        .iter()
        .filter_map(|inner| feed(reader, inner, &default))
        .collect()
}

fn feed(reader: &mut Reader<'_>, section: &Section<'_, '_>, default: &Format) -> Option<Feed> {
    let topic = reader.required_text(section, "topic", "\"nature-room/mossy-1/stat\"")?;
    /// MQTT 3.1.1, section 4.7.3: at most 65,535 bytes.
    const TOPIC_BYTES_MAX: usize = 65_535;
    if topic.is_empty() || topic.contains(['+', '#', '\0']) || topic.len() > TOPIC_BYTES_MAX {
        reader.problem(
            &section.key_span("topic"),
            format!("`topic = \"{topic}\"` must name one topic"),
            Some("write it without + and #".to_owned()),
        );
        return None;
    }
    let is_device = matches!(default, Format::State { .. });
    let default_format = match (section.has("pointer"), section.has("quantity"), is_device) {
        (_, _, true) => "state",
        (true, _, _) => "json",
        (false, true, _) => "number",
        (false, false, _) => "senml",
    };
    let format = if section.has("format") {
        reader.word(section, "format", &["json", "number", "senml", "state"], |word| {
            Some(word.to_owned())
        })?
    } else {
        default_format.to_owned()
    };
    let format = match format.as_str() {
        "json" => {
            let (quantity, unit) = measured(reader, section)?;
            let pointer = reader.text(section, "pointer").unwrap_or_default();
            Format::Json {
                pointer,
                time_pointer: pointer_key(reader, section, "time_pointer"),
                quantity,
                unit,
            }
        }
        "number" => {
            let (quantity, unit) = measured(reader, section)?;
            Format::Number { quantity, unit }
        }
        "senml" => Format::Senml {
            quantity: quantity(reader, section),
        },
        "state" => Format::State {
            pointer: pointer_key(reader, section, "pointer"),
            time_pointer: pointer_key(reader, section, "time_pointer"),
            on: word_list(reader, section, "on", ON),
            off: word_list(reader, section, "off", OFF),
        },
        other => {
            let known = ["json", "number", "senml", "state"];
            let near =
                nearest(other, known).map_or_else(String::new, |near| format!("did you mean \"{near}\"? "));
            reader.problem(
                &section.key_span("format"),
                format!("`format = \"{other}\"` is not known"),
                Some(format!("{near}known: {}", known.join(", "))),
            );
            return None;
        }
    };
    if let Format::Json { pointer, .. } = &format {
        check_pointer(reader, section, "pointer", pointer);
    }
    Some(Feed { topic, format })
}

fn word_list(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str, default: &[&str]) -> Vec<String> {
    let written = reader.texts(section, key);
    written.map_or_else(
        || words(default),
        |list| list.into_iter().map(|(text, _)| text).collect(),
    )
}

fn pointer_key(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str) -> Option<String> {
    let pointer = reader.text(section, key)?;
    check_pointer(reader, section, key, &pointer);
    Some(pointer)
}

fn check_pointer(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str, pointer: &str) {
    // RFC 6901, section 3: empty, or each token led by '/'.
    if !pointer.is_empty() && !pointer.starts_with('/') {
        reader.problem(
            &section.key_span(key),
            format!("`{key} = \"{pointer}\"` is not a JSON Pointer (RFC 6901)"),
            Some(format!(
                "write \"/{}\"",
                pointer
                    .trim_start_matches('$')
                    .trim_start_matches('.')
                    .replace('.', "/")
            )),
        );
    }
}

fn quantity(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<Quantity> {
    reader.word(section, "quantity", &QUANTITY_NAMES, Quantity::from_name)
}

fn measured(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<(Quantity, String)> {
    if !section.has("quantity") {
        reader.missing(section, "quantity", "\"humidity\"");
    }
    let quantity = quantity(reader, section)?;
    let unit = reader
        .text(section, "unit")
        .unwrap_or_else(|| quantity.stored_unit().to_owned());
    if let Err(wrong) = quantity.to_stored(0.0, &unit) {
        let near = nearest(&unit, quantity.accepted_units().iter().copied());
        reader.problem(
            &section.key_span("unit"),
            wrong.to_string(),
            near.map(|near| format!("did you mean `{near}`?")),
        );
        return None;
    }
    Some((quantity, unit))
}

/// Where ids and topics were first seen.
#[derive(Default)]
struct Places {
    ids: BTreeMap<String, usize>,
    topics: BTreeMap<String, Vec<(Option<String>, usize)>>,
}

impl Places {
    fn id(&mut self, reader: &mut Reader<'_>, id: &str, span: &Range<usize>, what: &str) {
        let line = reader.line(span);
        if let Some(first) = self.ids.insert(
            format!("{}:{id}", if what == "enclosure" { "e" } else { "s" }),
            line,
        ) {
            reader.problem(
                span,
                format!("the id \"{id}\" is used twice; it stands at line {first} already"),
                Some("give each sensor, device and enclosure an id of its own".to_owned()),
            );
        }
    }

    /// A topic may be read by several JSON pointers, but one place in a payload has one owner.
    fn topic(&mut self, reader: &mut Reader<'_>, topic: &str, part: Option<String>, span: &Range<usize>) {
        let line = reader.line(span);
        let seen = self.topics.entry(topic.to_owned()).or_default();
        let clash = seen
            .iter()
            .find(|(other, _)| other.is_none() || part.is_none() || *other == part);
        if let Some((_, first)) = clash {
            reader.problem(
                span,
                format!("the topic \"{topic}\" is claimed twice; line {first} reads it already"),
                Some(
                    "one place in a payload belongs to one sensor; use a pointer of its own for each"
                        .to_owned(),
                ),
            );
        }
        seen.push((part, line));
    }
}

fn check_ids_and_topics(reader: &mut Reader<'_>, top: &Section<'_, '_>, places: &mut Places) {
    let mut lists = Vec::new();
    if let Some(room) = top.value("room").and_then(|v| v.get_ref().as_table()) {
        lists.extend(room.get("sensor"));
    }
    for enclosure in top
        .value("enclosure")
        .and_then(|v| v.get_ref().as_array())
        .into_iter()
        .flat_map(|a| a.iter())
    {
        if let Some(table) = enclosure.get_ref().as_table() {
            lists.extend(table.get("sensor"));
            lists.extend(table.get("device"));
        }
    }
    for item in lists
        .iter()
        .filter_map(|list| list.get_ref().as_array())
        .flat_map(|array| array.iter())
    {
        let Some(table) = item.get_ref().as_table() else {
            continue;
        };
        if let Some((id, span)) = table
            .get("id")
            .and_then(|v| Some((v.get_ref().as_str()?, v.span())))
        {
            places.id(reader, id, &span, "sensor or device");
        }
        for feed in table
            .get("feeds")
            .and_then(|v| v.get_ref().as_array())
            .into_iter()
            .flat_map(|a| a.iter())
        {
            let text = |key: &str| {
                feed.get_ref()
                    .as_table()
                    .and_then(|t| t.get(key))
                    .and_then(|v| v.get_ref().as_str())
            };
            if let Some(topic) = text("topic") {
                places.topic(reader, topic, text("pointer").map(str::to_owned), &feed.span());
            }
        }
    }
}

fn check_controllers(reader: &mut Reader<'_>, top: &Section<'_, '_>, enclosures: &[Enclosure]) {
    for enclosure in enclosures {
        let known: Vec<&str> = enclosure
            .sensors
            .iter()
            .map(|sensor| sensor.id.as_str())
            .collect();
        for device in &enclosure.devices {
            let Some(by) = device.controlled_by.as_deref().filter(|by| !known.contains(by)) else {
                continue;
            };
            let span = find_text(top, by).unwrap_or_else(|| top.span.clone());
            let hint = match nearest(by, known.iter().copied()) {
                Some(near) => format!("the nearest sensor of {} is \"{near}\"", enclosure.id),
                None => format!("sensors of {}: {}", enclosure.id, known.join(", ")),
            };
            let message = format!(
                "device \"{}\" is controlled by \"{by}\", which is no sensor of {}",
                device.id, enclosure.id
            );
            reader.problem(&span, message, Some(hint));
        }
    }
}

/// Where a `controlled_by` of that value stands.
fn find_text(top: &Section<'_, '_>, by: &str) -> Option<Range<usize>> {
    let enclosures = top.value("enclosure")?.get_ref().as_array()?;
    enclosures
        .iter()
        .filter_map(|enclosure| {
            enclosure
                .get_ref()
                .as_table()?
                .get("device")?
                .get_ref()
                .as_array()
        })
        .flat_map(|devices| devices.iter())
        .filter_map(|device| device.get_ref().as_table()?.get("controlled_by"))
        .find(|value| value.get_ref().as_str() == Some(by))
        .map(toml::Spanned::span)
}
