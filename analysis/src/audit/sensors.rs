//! What was measured, by which sensors, where and how far they are believed; and what was never measured.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::{DeviceKind, Sensor};
use mosswarden_config::zone::Span;

use super::gather::{Gathered, LATE_DAYS, Track};
use super::words;
use crate::plot::{Cell, Table, both_scales, number};
use crate::trust::Standing;
use crate::words as report_words;

/// Every sensor of the enclosure and of the room, with what it read in the last days.
pub(crate) fn table(gathered: &Gathered<'_>) -> Table {
    let inside = gathered.enclosure.sensors.iter().map(|sensor| (sensor, false));
    let room = gathered.site.room_sensors.iter().map(|sensor| (sensor, true));
    let mut rows = Vec::new();
    for (sensor, is_room) in inside.chain(room) {
        rows.extend(sensor_rows(gathered, sensor, is_room));
    }
    Table {
        caption: format!(
            "Sensors, how far they are believed at the end, and what was so by them in the last 14 days ({} h): corrected where they are known to be off, \
             with what they showed beside it",
            LATE_DAYS * 24
        ),
        columns: [
            "Sensor",
            "measures",
            "trust",
            "limits of error",
            "last checked",
            "lowest",
            "mean",
            "highest",
            "known",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    }
}

fn sensor_rows(gathered: &Gathered<'_>, sensor: &Sensor, is_room: bool) -> Vec<Vec<Cell>> {
    let late = gathered.last(LATE_DAYS);
    let name = if is_room {
        format!("room: {}", words::sensor(sensor))
    } else {
        words::sensor(sensor)
    };
    let checked = sensor.calibrated.map_or_else(
        || "not stated".to_owned(),
        |date| {
            if gathered.site.zone.day(date).from_ms > gathered.asked.until_ms {
                "not before this".to_owned()
            } else {
                date.format("%-d %b %Y").to_string()
            }
        },
    );
    let mut rows = Vec::new();
    for quantity in super::gather::FOLLOWED {
        if !measures(sensor, quantity) {
            continue;
        }
        let track = gathered
            .tracks
            .iter()
            .find(|track| track.sensor == sensor.id && track.quantity == quantity);
        let found = track.and_then(|track| track.measure(&[late], None));
        let shown = track.and_then(|track| before_correction(track, late));
        let show = |value: Option<f64>, shown: Option<f64>| {
            let as_shown = shown.map_or_else(String::new, |shown| {
                format!(" (it showed {})", words::value(quantity, shown))
            });
            Cell::text(value.map_or_else(
                || crate::words::NOT_KNOWN.to_owned(),
                |value| words::value(quantity, value) + &as_shown,
            ))
        };
        let error = match quantity {
            Quantity::Temperature => both_scales(&format!("±{} °C", number(sensor.accuracy.temperature_c))),
            _ => format!("±{} %RH", number(sensor.accuracy.humidity_pct)),
        };
        rows.push(vec![
            Cell::text(name.clone()),
            Cell::text(quantity.name()),
            Cell::text(trust_words(gathered, &sensor.id, quantity)),
            Cell::text(error),
            Cell::text(checked.clone()),
            show(found.map(|m| m.low), shown.map(|(low, _)| low)),
            show(found.map(|m| m.mean), None),
            show(found.map(|m| m.high), shown.map(|(_, high)| high)),
            Cell::text(words::hours(found.map_or(0.0, |m| m.known_h))),
        ]);
    }
    rows
}

/// The lowest and highest that a sensor showed, where what is used of it was corrected.
fn before_correction(track: &Track, span: Span) -> Option<(f64, f64)> {
    /// Less than this is a rounding, in the quantity's unit.
    const CORRECTED_MIN: f64 = 0.05;
    let usable = track.usable.within(span);
    let (mut low, mut high, mut is_corrected) = (f64::INFINITY, f64::NEG_INFINITY, false);
    for (at_ms, value) in usable.at_ms.iter().zip(usable.value) {
        let Ok(place) = track.raw.at_ms.binary_search(at_ms) else {
            continue;
        };
        let shown = track.raw.value[place];
        (low, high) = (low.min(shown), high.max(shown));
        is_corrected |= (shown - value).abs() >= CORRECTED_MIN;
    }
    is_corrected.then_some((low, high))
}

fn measures(sensor: &Sensor, quantity: Quantity) -> bool {
    use mosswarden_config::site::Format;
    sensor.feeds.iter().any(|feed| match &feed.format {
        Format::Json { quantity: q, .. } | Format::Number { quantity: q, .. } => *q == quantity,
        Format::Senml { quantity: q } => q.is_none_or(|q| q == quantity),
        Format::State { .. } => false,
    })
}

/// "believed within ±2.1 %RH", on both scales.
pub(crate) fn trust_words(gathered: &Gathered<'_>, sensor: &str, quantity: Quantity) -> String {
    let said = gathered
        .trust
        .sensors
        .iter()
        .find(|said| said.sensor == sensor && said.quantity == quantity);
    match said {
        None => "not known: no reading came, or nothing could be checked".to_owned(),
        Some(said) if !said.words.is_empty() => both_scales(&said.words),
        Some(said) => match said.standing {
            Standing::Believed => "believed",
            Standing::Doubtful => "doubtful",
            Standing::NotBelieved => "not believed",
            Standing::NotKnown => "not known",
        }
        .to_owned(),
    }
}

/// Stretches of the reach that were not used, with their reasons, in order of time.
pub(crate) fn left_out(gathered: &Gathered<'_>) -> Vec<String> {
    let mut stretches: Vec<_> = gathered
        .tracks
        .iter()
        .flat_map(|track| {
            track
                .left_out
                .iter()
                .map(move |(span, reason)| (span.from_ms, *span, track, reason))
        })
        .collect();
    stretches.sort_by(|a, b| (a.0, &a.2.sensor, a.2.quantity).cmp(&(b.0, &b.2.sensor, b.2.quantity)));
    stretches
        .into_iter()
        .map(|(_, span, track, reason)| {
            format!(
                "{}, {} from {} for {}: {}.",
                track.sensor,
                track.quantity.name(),
                words::at(gathered.site.zone, span.from_ms),
                report_words::duration(span.hours()),
                both_scales(reason).trim_end_matches('.')
            )
        })
        .collect()
}

/// What the site file names no sensor for. A sensor's place is told as the keeper wrote it, and is not interpreted.
pub(crate) fn never_measured(gathered: &Gathered<'_>) -> Vec<String> {
    let enclosure = gathered.enclosure;
    let any = |quantity: Quantity| {
        enclosure
            .sensors
            .iter()
            .any(|sensor| gathered.recent.get(&sensor.id, quantity).is_some())
    };
    let mut lines = vec![
        "What the animal itself felt: its skin or body temperature, and where in the enclosure it was.".to_owned(),
        "Anywhere but at the sensors’ places as the keeper named them: the surface under the lamp, the inside of hides and bromeliads, \
         the depth of the substrate and the warmest and coldest corner are known only where a sensor’s place above says so."
            .to_owned(),
    ];
    for (quantity, line) in [
        (
            Quantity::Temperature,
            "The temperature of the air: no reading of these weeks is there.",
        ),
        (
            Quantity::Humidity,
            "The humidity of the air: no reading of these weeks is there.",
        ),
    ] {
        if !any(quantity) {
            lines.push(line.to_owned());
        }
    }
    if any(Quantity::UvIndex) {
        lines.push("UV except at its sensor; the lamp’s age and what of it reaches the animal.".to_owned());
    } else {
        lines.push("UV: no sensor here has measured it.".to_owned());
    }
    if any(Quantity::Illuminance) {
        lines.push("Light except at its sensor.".to_owned());
    } else {
        let lamps = enclosure.devices_of(DeviceKind::Lamp).count();
        lines.push(if lamps > 0 {
            "Light: no sensor here has measured it; only the lamp’s switching may be known.".to_owned()
        } else {
            "Light: no sensor here has measured it.".to_owned()
        });
    }
    lines.push(if any(Quantity::WaterTemperature) {
        "Water except its temperature: pH, hardness, ammonia, nitrite, chlorine and metals.".to_owned()
    } else {
        "Water: its temperature, pH, hardness, ammonia, nitrite, chlorine and metals.".to_owned()
    });
    lines.push(if any(Quantity::SoilMoisture) {
        "Substrate except its moisture at the sensor: its temperature, its chemistry, mould, parasites."
            .to_owned()
    } else {
        "Substrate: its moisture, temperature, chemistry, mould, parasites.".to_owned()
    });
    lines.push(
        "Air quality: carbon dioxide, smoke, sprays, pesticides, draughts; noise and shaking; power cuts that nobody noted.".to_owned(),
    );
    lines.push(
        "Food, supplements, weight, droppings and handling, but for what the journal tells.".to_owned(),
    );
    lines
}
