//! Payload samples → what they might measure, in which unit, and why that is thought.
//!
//! By the words of the payload's keys and of the topic first; the values then choose the unit, and rule out what they can't be.
//! Nothing is taken by its values alone: 21.5 may be a temperature, a humidity or a battery.

use mosswarden_config::quantity::Quantity;
use serde_json::Value;

/// How a value is reached in the payload.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Form {
    Json { pointer: String },
    Number,
    Senml,
    State { pointer: Option<String> },
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Guess {
    pub(crate) form: Form,
    /// `None` where it is not known, or the payload itself says (SenML).
    pub(crate) quantity: Option<Quantity>,
    pub(crate) unit: &'static str,
    pub(crate) time_pointer: Option<String>,
    pub(crate) reason: String,
}

impl Guess {
    /// Whether the site file can use it.
    pub(crate) fn is_usable(&self) -> bool {
        self.quantity.is_some() || self.form == Form::Senml
    }
}

/// Words that name a quantity. Single letters count only as a whole key.
const WORDS: [(Quantity, &[&str]); 7] = [
    (
        Quantity::Temperature,
        &[
            "temperature",
            "temp",
            "t",
            "celsius",
            "fahrenheit",
            "tempc",
            "tempf",
        ],
    ),
    (Quantity::Humidity, &["humidity", "hum", "rh", "h", "humid"]),
    (
        Quantity::Pressure,
        &["pressure", "press", "p", "barometer", "baro"],
    ),
    (Quantity::Illuminance, &["illuminance", "lux", "lx", "brightness"]),
    (Quantity::UvIndex, &["uv", "uvi", "uvindex"]),
    (Quantity::SoilMoisture, &["soil", "moisture", "substrate"]),
    (Quantity::Battery, &["battery", "batt", "bat"]),
];
/// Words of what is measured about the device, not about an enclosure.
const NOT_MEASURED: [&str; 8] = [
    "rssi",
    "voltage",
    "volt",
    "mv",
    "uptime",
    "linkquality",
    "count",
    "counter",
];
const TIME_WORDS: [&str; 6] = ["at", "time", "timestamp", "ts", "datetime", "date"];
const ON: [&str; 2] = ["on", "true"];
const OFF: [&str; 2] = ["off", "false"];
/// A number of seconds from here on is an instant: September 2001.
const EPOCH_S_MIN: f64 = 1e9;
/// Deeper payloads are not looked through.
const DEPTH_MAX: usize = 4;
/// Numbers looked at in one payload.
const LEAVES_MAX: usize = 64;

/// What the messages of a topic might be.
pub(crate) fn guess(topic: &str, samples: &[String]) -> Vec<Guess> {
    if samples.is_empty() {
        return Vec::new();
    }
    if samples.iter().all(|text| is_state(text)) {
        return vec![state(None, "only on and off words come")];
    }
    let numbers: Vec<f64> = samples.iter().filter_map(|text| text.parse().ok()).collect();
    if numbers.len() == samples.len() {
        if numbers.iter().all(|n| *n == 0.0 || *n == 1.0) && named(topic).is_none() {
            return vec![state(None, "only 0 and 1 come, and the topic names no quantity")];
        }
        return vec![number(Form::Number, topic, &numbers, None)];
    }
    let parsed: Vec<Value> = samples
        .iter()
        .filter_map(|text| serde_json::from_str(text).ok())
        .collect();
    if parsed.len() < samples.len() {
        return Vec::new();
    }
    if parsed.iter().all(is_senml) {
        return vec![Guess {
            form: Form::Senml,
            quantity: None,
            unit: "",
            time_pointer: None,
            reason: "records with names, units and values as in RFC 8428".to_owned(),
        }];
    }
    object(topic, &parsed)
}

fn object(topic: &str, parsed: &[Value]) -> Vec<Guess> {
    let mut pointers = Vec::new();
    for value in parsed {
        leaves(value, String::new(), 0, &mut pointers);
    }
    pointers.sort();
    pointers.dedup();
    let of = |pointer: &str| -> Vec<&Value> { parsed.iter().filter_map(|v| v.pointer(pointer)).collect() };
    let time = pointers
        .iter()
        .find(|pointer| is_time(pointer, &of(pointer)))
        .cloned();
    let mut guesses = Vec::new();
    for pointer in pointers.iter().filter(|pointer| Some(*pointer) != time.as_ref()) {
        let values = of(pointer);
        let numbers: Vec<f64> = values.iter().filter_map(|value| value.as_f64()).collect();
        if numbers.len() == values.len() {
            let form = Form::Json {
                pointer: pointer.clone(),
            };
            let name = match named(pointer) {
                Some(_) => pointer.clone(),
                // A key such as /value says nothing; the topic may.
                None if words(pointer).iter().all(|word| word == "value" || word == "v") => topic.to_owned(),
                None => pointer.clone(),
            };
            guesses.push(number(form, &name, &numbers, time.clone()));
        } else if values.iter().all(|value| match value {
            Value::Bool(_) => true,
            Value::String(text) => is_state(text),
            _ => false,
        }) {
            let mut found = state(Some(pointer.clone()), "only on and off words come under it");
            found.time_pointer = time.clone();
            guesses.push(found);
        }
    }
    guesses
}

fn leaves(value: &Value, pointer: String, depth: usize, out: &mut Vec<String>) {
    match value {
        Value::Object(fields) if depth < DEPTH_MAX => {
            for (key, value) in fields {
                let key = key.replace('~', "~0").replace('/', "~1");
                leaves(value, format!("{pointer}/{key}"), depth + 1, out);
            }
        }
        Value::Number(_) | Value::String(_) | Value::Bool(_) if depth > 0 && out.len() < LEAVES_MAX => {
            out.push(pointer);
        }
        _ => {}
    }
}

fn state(pointer: Option<String>, why: &str) -> Guess {
    Guess {
        form: Form::State { pointer },
        quantity: Some(Quantity::State),
        unit: "",
        time_pointer: None,
        reason: why.to_owned(),
    }
}

fn number(form: Form, name: &str, numbers: &[f64], time_pointer: Option<String>) -> Guess {
    let low = numbers.iter().copied().fold(f64::INFINITY, f64::min);
    let high = numbers.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let seen = if low == high {
        format!("{low}")
    } else {
        format!("{low} to {high}")
    };
    let (quantity, unit, reason) = match named(name) {
        None => (
            None,
            "",
            format!("nothing names what {seen} is; write its feed yourself if you know"),
        ),
        Some((quantity, word)) => match unit(quantity, &words(name), low, high) {
            Some((unit, why)) => (
                Some(quantity),
                unit,
                format!("it is called \"{word}\", and {seen} {why}"),
            ),
            None => (
                None,
                "",
                format!("it is called \"{word}\", but {seen} fits no unit of it"),
            ),
        },
    };
    Guess {
        form,
        quantity,
        unit,
        time_pointer,
        reason,
    }
}

/// The quantity that a key or topic names, and the word that says so; the last word counts most.
fn named(name: &str) -> Option<(Quantity, String)> {
    let words = words(name);
    let last_part = name.rsplit('/').next().unwrap_or(name);
    if words
        .last()
        .is_some_and(|word| NOT_MEASURED.contains(&word.as_str()))
    {
        return None;
    }
    let is_water = words.iter().any(|word| word == "water");
    words.iter().rev().find_map(|word| {
        let (quantity, _) = WORDS.iter().find(|(_, known)| {
            known.contains(&word.as_str()) && (word.len() > 1 || last_part.eq_ignore_ascii_case(word))
        })?;
        let quantity = match quantity {
            Quantity::Temperature if is_water => Quantity::WaterTemperature,
            other => *other,
        };
        Some((quantity, word.clone()))
    })
}

/// "waterTemp_C" → water, temp, c.
pub(super) fn words(name: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut word = String::new();
    let mut was_lower = false;
    for c in name.chars() {
        if (!c.is_alphanumeric() || (c.is_uppercase() && was_lower)) && !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        was_lower = c.is_lowercase();
        if c.is_alphanumeric() {
            word.extend(c.to_lowercase());
        }
    }
    if !word.is_empty() {
        words.push(word);
    }
    words
}

/// The unit that the values speak for, with why; `None` where none fits. Spans are what rooms and enclosures can be.
fn unit(quantity: Quantity, words: &[String], low: f64, high: f64) -> Option<(&'static str, &'static str)> {
    let within = |from: f64, until: f64| low >= from && high <= until;
    let says = |known: &[&str]| words.iter().any(|word| known.contains(&word.as_str()));
    match quantity {
        Quantity::Temperature | Quantity::WaterTemperature => {
            if says(&["fahrenheit", "f", "degf", "tempf"]) && within(-4.0, 150.0) {
                Some(("[degF]", "is said to be in °F"))
            } else if within(-20.0, 45.0) {
                Some(("Cel", "is a room's or enclosure's in °C"))
            } else {
                match quantity.fits_rather(low, high)?.0 {
                    "K" => Some(("K", "fits only in K")),
                    unit => Some((unit, "would be too hot in °C, and fits in °F")),
                }
            }
        }
        Quantity::Humidity if within(0.0, 1.0) => Some(("/", "is a share of 1")),
        Quantity::Humidity if within(0.0, 105.0) => Some(("%RH", "fits in %RH")),
        Quantity::Pressure if within(500.0, 1100.0) => Some(("hPa", "fits in hPa")),
        Quantity::Pressure if within(50_000.0, 110_000.0) => Some(("Pa", "fits in Pa")),
        Quantity::Pressure if within(50.0, 110.0) => Some(("kPa", "fits in kPa")),
        Quantity::Illuminance if within(0.0, 200_000.0) => Some(("lx", "fits in lx")),
        Quantity::UvIndex if within(0.0, 20.0) => Some(("1", "fits the UV index")),
        Quantity::SoilMoisture if within(0.0, 1.0) => Some(("/", "is a share of 1")),
        Quantity::SoilMoisture if within(0.0, 100.0) => Some(("%", "fits in %")),
        Quantity::Battery if within(0.0, 1.0) => Some(("/", "is a share of 1")),
        Quantity::Battery if within(0.0, 100.0) => Some(("%EL", "fits in %")),
        _ => None,
    }
}

fn is_state(text: &str) -> bool {
    ON.iter().chain(&OFF).any(|word| text.eq_ignore_ascii_case(word))
}

fn is_time(pointer: &str, values: &[&Value]) -> bool {
    let names_time = words(pointer)
        .last()
        .is_some_and(|word| TIME_WORDS.contains(&word.as_str()));
    names_time
        && values.iter().all(|value| match value {
            Value::Number(number) => number.as_f64().is_some_and(|number| number >= EPOCH_S_MIN),
            Value::String(text) => chrono::DateTime::parse_from_rfc3339(text).is_ok(),
            _ => false,
        })
}

fn is_senml(value: &Value) -> bool {
    value.as_array().is_some_and(|records| {
        !records.is_empty()
            && records.iter().all(|record| {
                let has = |key: &str| record.get(key).is_some();
                record.is_object()
                    && (has("n") || has("bn"))
                    && (has("v") || has("vb") || has("vs") || has("s"))
            })
            && records
                .iter()
                .any(|record| record.get("u").or(record.get("bu")).is_some())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "pointer quantity unit" of each guess; "?" where it is not known.
    #[track_caller]
    fn check(topic: &str, samples: &[&str], expected: &[&str]) {
        let samples: Vec<String> = samples.iter().map(|text| (*text).to_owned()).collect();
        let found: Vec<String> = guess(topic, &samples)
            .iter()
            .map(|guess| {
                assert!(!guess.reason.is_empty());
                let form = match &guess.form {
                    Form::Json { pointer } => pointer.clone(),
                    Form::Number => "number".to_owned(),
                    Form::Senml => "senml".to_owned(),
                    Form::State { pointer } => pointer.clone().unwrap_or_else(|| "state".to_owned()),
                };
                let time = guess
                    .time_pointer
                    .as_ref()
                    .map_or_else(String::new, |time| format!(" at {time}"));
                let quantity = guess.quantity.map_or("?", Quantity::name);
                let unit = match guess.unit {
                    "" => String::new(),
                    unit => format!(" {unit}"),
                };
                format!("{form} {quantity}{unit}{time}")
            })
            .collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn plain_numbers_take_their_name_from_the_topic() {
        check(
            "room/a/temperature",
            &["21.5", "21.7"],
            &["number temperature Cel"],
        );
        check("room/a/temperature", &["71.3"], &["number temperature [degF]"]);
        check("room/a/temperature", &["294.6"], &["number temperature K"]);
        check("room/a/temperature", &["999"], &["number ?"]);
        check("room/a/humidity", &["0.81"], &["number humidity /"]);
        check("room/a/humidity", &["81"], &["number humidity %RH"]);
        check("room/a/pressure", &["1013.2"], &["number pressure hPa"]);
        check("room/a/water-temp", &["18.1"], &["number water-temperature Cel"]);
        check("room/a/7", &["21.5"], &["number ?"]);
        check("room/t/7", &["21.5"], &["number ?"]);
    }

    #[test]
    fn states() {
        check("room/a/mister", &["ON", "off"], &["state state"]);
        check("room/a/lamp", &["0", "1"], &["state state"]);
        check("room/a/battery", &["1", "1"], &["number battery /"]);
        check(
            "room/a/lamp",
            &[r#"{"power":true}"#, r#"{"power":false}"#],
            &["/power state"],
        );
    }

    #[test]
    fn documents() {
        check(
            "x/stat",
            &[r#"{"at":"2026-03-01T08:00:00Z","humidity":81.2,"temperature":22.4,"rssi":-61}"#],
            &[
                "/humidity humidity %RH at /at",
                "/rssi ? at /at",
                "/temperature temperature Cel at /at",
            ],
        );
        check(
            "x",
            &[r#"{"t":22.1,"rh":55,"time":1772352000,"batteryVoltage":3.1}"#],
            &[
                "/batteryVoltage ? at /time",
                "/rh humidity %RH at /time",
                "/t temperature Cel at /time",
            ],
        );
        check(
            "x",
            &[r#"{"air":{"temp_f":71.2},"a/b":{"lux":120}}"#],
            &["/air/temp_f temperature [degF]", "/a~1b/lux illuminance lx"],
        );
        check("x/humidity", &[r#"{"value":55.0}"#], &["/value humidity %RH"]);
        check("x", &[r#"{"time":12}"#], &["/time ?"]);
    }

    #[test]
    fn records_by_rfc_8428() {
        check(
            "x",
            &[r#"[{"bn":"a/","n":"t","u":"Cel","v":22.1},{"n":"rh","u":"%RH","v":81}]"#],
            &["senml ?"],
        );
        check("x", &[r#"[1,2,3]"#], &[]);
        check("x", &["hello"], &[]);
        check("x", &[], &[]);
        check("x", &["[]"], &[]);
    }
}
