//! The simulated site's own site file.

use std::fmt::Write as _;

use super::calendar::clock_text;
use super::device::{DeviceKind, DeviceSpec, StateWire};
use super::enclosure::EnclosureSpec;
use super::run::SiteSpec;
use super::sensor::{SensorSpec, Wire};

/// The site file of a simulated site: built-in broker, every limit written out.
pub(super) fn site_toml(site: &SiteSpec) -> String {
    let mut out = String::new();
    write_site(&mut out, site).expect("writing into a String cannot fail");
    out
}

fn write_site(out: &mut String, site: &SiteSpec) -> std::fmt::Result {
    writeln!(out, "# Invented data: a simulated site (seed {}).\n", site.seed)?;
    writeln!(
        out,
        "[site]\nname = \"{}\"\ntimezone = \"{}\"",
        site.name,
        site.zone.name()
    )?;
    writeln!(out, "data_dir = \"data\"\nunits = \"metric\"\n")?;
    writeln!(out, "[broker]\nurl = \"builtin\"\nlisten = \"127.0.0.1:1883\"\n")?;
    for sensor in &site.room_sensors {
        writeln!(out, "[[room.sensor]]")?;
        write_sensor(out, sensor)?;
    }
    for enclosure in &site.enclosures {
        write_enclosure(out, enclosure)?;
    }
    Ok(())
}

fn write_enclosure(out: &mut String, enclosure: &EnclosureSpec) -> std::fmt::Result {
    let limits = &enclosure.limits;
    writeln!(
        out,
        "[[enclosure]]\nid = \"{}\"\nlabel = \"{}\"",
        enclosure.id, enclosure.label
    )?;
    writeln!(
        out,
        "species = \"{}\"\nanimals = {}",
        enclosure.species, enclosure.animals
    )?;
    let (start, end) = (clock_text(enclosure.light.0), clock_text(enclosure.light.1));
    writeln!(out, "day = {{ start = \"{start}\", end = \"{end}\" }}")?;
    writeln!(
        out,
        "limits = {{ day_c = [{:.1}, {:.1}], night_c = [{:.1}, {:.1}], min_c = {:.1}, max_c = {:.1}, humidity_pct = [{:.1}, {:.1}] }}\n",
        limits.day_c.0,
        limits.day_c.1,
        limits.night_c.0,
        limits.night_c.1,
        limits.min_c,
        limits.max_c,
        limits.humidity_pct.0,
        limits.humidity_pct.1
    )?;
    for sensor in &enclosure.sensors {
        writeln!(out, "[[enclosure.sensor]]")?;
        write_sensor(out, sensor)?;
    }
    for device in &enclosure.devices {
        write_device(out, device)?;
    }
    Ok(())
}

fn write_sensor(out: &mut String, sensor: &SensorSpec) -> std::fmt::Result {
    writeln!(out, "id = \"{}\"", sensor.id)?;
    if let Some(role) = sensor.role {
        writeln!(out, "role = \"{}\"", role.name())?;
    }
    writeln!(out, "place = \"{}\"", sensor.place)?;
    writeln!(
        out,
        "accuracy = {{ humidity_pct = {:.1}, temperature_c = {:.1} }}",
        sensor.accuracy_pct, sensor.accuracy_k
    )?;
    if let Some(date) = sensor.installed {
        writeln!(out, "installed = {date}")?;
    }
    if let Some(date) = sensor.calibrated {
        writeln!(out, "calibrated = {date}")?;
    }
    let topic = &sensor.topic;
    let pointed = |t: &str, rh: &str, time: &str| {
        format!(
            "  {{ topic = \"{topic}\", format = \"json\", pointer = \"{t}\",{time} quantity = \"temperature\", unit = \"Cel\" }},\n  \
             {{ topic = \"{topic}\", format = \"json\", pointer = \"{rh}\",{time} quantity = \"humidity\", unit = \"%RH\" }},\n"
        )
    };
    let numbers = |unit: &str| {
        format!(
            "  {{ topic = \"{topic}/temperature\", format = \"number\", quantity = \"temperature\", unit = \"{unit}\" }},\n  \
             {{ topic = \"{topic}/humidity\", format = \"number\", quantity = \"humidity\", unit = \"%RH\" }},\n"
        )
    };
    let feeds = match sensor.wire {
        Wire::JsonTimed(_) => pointed("/temperature", "/humidity", " time_pointer = \"/at\","),
        Wire::Json => pointed("/t", "/rh", ""),
        Wire::NumbersFahrenheit => numbers("[degF]"),
        Wire::Numbers => numbers("Cel"),
        Wire::SenMl => format!("  {{ topic = \"{topic}\", format = \"senml\" }},\n"),
    };
    writeln!(out, "feeds = [\n{feeds}]\n")
}

fn write_device(out: &mut String, device: &DeviceSpec) -> std::fmt::Result {
    writeln!(
        out,
        "[[enclosure.device]]\nid = \"{}\"\nkind = \"{}\"",
        device.id,
        device.kind.name()
    )?;
    match &device.kind {
        DeviceKind::Mister { runs, .. } => {
            let runs: Vec<String> = runs
                .iter()
                .map(|r| format!("\"{} for {}s\"", clock_text(r.local_min), r.duration_s))
                .collect();
            writeln!(out, "schedule = [{}]", runs.join(", "))?;
        }
        DeviceKind::Fogger {
            controller,
            set_pct,
            hysteresis_pct,
            ..
        } => writeln!(
            out,
            "controlled_by = \"{controller}\"\nsetpoint = {{ humidity_pct = {set_pct:.1}, hysteresis_pct = {hysteresis_pct:.1} }}"
        )?,
        DeviceKind::Heater {
            controller,
            set_c,
            hysteresis_k,
        } => writeln!(
            out,
            "controlled_by = \"{controller}\"\nsetpoint = {{ temperature_c = {set_c:.1}, hysteresis_c = {hysteresis_k:.1} }}"
        )?,
        DeviceKind::Lamp => {}
    }
    let shape = match device.wire {
        StateWire::OnOff => "on = [\"ON\"], off = [\"OFF\"]",
        StateWire::OneZero => "on = [\"1\"], off = [\"0\"]",
        StateWire::JsonTimed => {
            "pointer = \"/state\", time_pointer = \"/at\", on = [\"ON\"], off = [\"OFF\"]"
        }
        StateWire::Json => "pointer = \"/state\", on = [\"ON\"], off = [\"OFF\"]",
    };
    writeln!(
        out,
        "feeds = [ {{ topic = \"{}\", format = \"state\", {shape} }} ]\n",
        device.topic
    )
}
