//! Payload bytes → raw values, one file per format.
//!
//! In: a feed's format, the payload as it came, the instant of arrival (for relative times). Out: values in the stored unit
//! with the device's own time where the payload has one, or why the payload is refused. Pure: no clock, no files, no
//! knowledge of sensors. Never panics, whatever the bytes are; work and memory are bounded by the payload's size.

mod json;
mod number;
mod senml;
mod state;
mod time;

use std::cell::OnceCell;

use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::Format;
use serde_json::Value;

/// Longest payload that is read: a day of one sensor's SenML records fits (common practice, no source).
pub const PAYLOAD_BYTES_MAX: usize = 64 * 1024;
/// Longest piece of a payload that is quoted in a reason.
const QUOTE_CHARS_MAX: usize = 40;

/// One value, before anything is known about its sensor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Raw {
    pub quantity: Quantity,
    /// In the quantity's stored unit; always finite.
    pub value: f64,
    /// The device's own time, ms since 1970-01-01T00:00Z, as sent: it may be nonsense.
    pub device_time_ms: Option<i64>,
}

/// What a payload gave.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Decoded {
    /// At least one.
    pub values: Vec<Raw>,
    /// What else stands there and can't be taken: the values go on without it.
    pub refused: Option<Refusal>,
}

impl Decoded {
    fn one(value: Raw) -> Decoded {
        Decoded {
            values: vec![value],
            refused: None,
        }
    }
}

/// Why a payload gave no value.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    #[error("payload has {bytes} bytes, more than {PAYLOAD_BYTES_MAX}")]
    TooLong { bytes: usize },
    #[error("payload is not UTF-8 text")]
    NotText,
    #[error("payload is empty")]
    Empty,
    #[error("payload is not JSON: {why}")]
    NotJson { why: String },
    #[error("nothing stands at pointer \"{pointer}\"")]
    Absent { pointer: String },
    #[error("`{found}` is not a number")]
    NotANumber { found: String },
    #[error("`{found}` is not a finite number")]
    NotFinite { found: String },
    #[error("`{found}` is neither an on word nor an off word")]
    NotAState { found: String },
    #[error("the SenML pack is wrong at record {record}: {why}")]
    Senml { record: usize, why: String },
    #[error("the SenML pack has no value of {wanted}")]
    SenmlWithout { wanted: String },
    #[error(
        "the unit `{unit}` of SenML record {record} may mean several things{}; name the feed's quantity in the site file, or send %RH, %EL or Cel",
        if *more > 0 { format!(", and so may those of {more} more") } else { String::new() }
    )]
    SenmlAmbiguous {
        record: usize,
        unit: String,
        more: usize,
    },
    #[error("{0}")]
    Unit(String),
}

/// A payload, parsed as JSON at most once however many feeds read it.
pub struct Payload<'a> {
    bytes: &'a [u8],
    json: OnceCell<Result<Value, Refusal>>,
}

impl<'a> Payload<'a> {
    pub fn new(bytes: &'a [u8]) -> Payload<'a> {
        Payload {
            bytes,
            json: OnceCell::new(),
        }
    }

    fn text(&self) -> Result<&'a str, Refusal> {
        let text = std::str::from_utf8(self.bytes)
            .map_err(|_| Refusal::NotText)?
            .trim();
        if text.is_empty() {
            Err(Refusal::Empty)
        } else {
            Ok(text)
        }
    }

    fn json(&self) -> Result<&Value, Refusal> {
        self.json
            .get_or_init(|| {
                if self.bytes.is_empty() {
                    return Err(Refusal::Empty);
                }
                // serde_json stops at 128 levels of nesting by itself.
                serde_json::from_slice(self.bytes).map_err(|error| Refusal::NotJson {
                    why: error.to_string(),
                })
            })
            .as_ref()
            .map_err(Clone::clone)
    }
}

/// The values of one feed in a payload; at least one where it succeeds.
///
/// # Errors
/// A [`Refusal`] that says what stands there instead.
pub fn decode(format: &Format, payload: &Payload<'_>, arrived_ms: i64) -> Result<Decoded, Refusal> {
    if payload.bytes.len() > PAYLOAD_BYTES_MAX {
        return Err(Refusal::TooLong {
            bytes: payload.bytes.len(),
        });
    }
    match format {
        Format::Json {
            pointer,
            time_pointer,
            quantity,
            unit,
        } => {
            let document = payload.json()?;
            Ok(Decoded::one(Raw {
                quantity: *quantity,
                value: stored(*quantity, json::number_at(document, pointer)?, unit)?,
                device_time_ms: json::time_at(document, time_pointer.as_deref()),
            }))
        }
        Format::Number { quantity, unit } => Ok(Decoded::one(Raw {
            quantity: *quantity,
            value: stored(*quantity, number::parse(payload.text()?)?, unit)?,
            device_time_ms: None,
        })),
        Format::Senml { quantity } => senml::decode(payload.json()?, *quantity, arrived_ms),
        Format::State {
            pointer,
            time_pointer,
            on,
            off,
        } => {
            let words = state::Words { on, off };
            let (value, device_time_ms) = match pointer {
                None => (words.read(payload.text()?)?, None),
                Some(pointer) => {
                    let document = payload.json()?;
                    let word = json::word_at(document, pointer)?;
                    (
                        words.read(&word)?,
                        json::time_at(document, time_pointer.as_deref()),
                    )
                }
            };
            Ok(Decoded::one(Raw {
                quantity: Quantity::State,
                value,
                device_time_ms,
            }))
        }
    }
}

/// A number in the stored unit. Conversion can overflow what was finite, so that is looked at here.
fn stored(quantity: Quantity, value: f64, unit: &str) -> Result<f64, Refusal> {
    let converted = quantity
        .to_stored(value, unit)
        .map_err(|error| Refusal::Unit(error.to_string()))?;
    if converted.is_finite() {
        // Adding zero turns −0 into 0, so that the two are one value.
        Ok(converted + 0.0)
    } else {
        Err(Refusal::NotFinite {
            found: format!("{value:e} {unit}"),
        })
    }
}

/// The beginning of a text, for a reason.
fn quote(text: &str) -> String {
    let mut short: String = text
        .chars()
        .take(QUOTE_CHARS_MAX)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if text.chars().count() > QUOTE_CHARS_MAX {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// 2026-03-01T08:00:00Z.
    pub(super) const ARRIVED_MS: i64 = 1_772_352_000_000;

    fn json(pointer: &str, time_pointer: Option<&str>) -> Format {
        Format::Json {
            pointer: pointer.to_owned(),
            time_pointer: time_pointer.map(str::to_owned),
            quantity: Quantity::Temperature,
            unit: "Cel".to_owned(),
        }
    }

    fn state(pointer: Option<&str>) -> Format {
        let words = |list: &[&str]| list.iter().map(|word| (*word).to_owned()).collect();
        Format::State {
            pointer: pointer.map(str::to_owned),
            time_pointer: None,
            on: words(&["ON", "1", "true"]),
            off: words(&["OFF", "0", "false"]),
        }
    }

    #[track_caller]
    fn check(format: &Format, payload: &str, expected: Result<(f64, Option<i64>), &str>) {
        let found = decode(format, &Payload::new(payload.as_bytes()), ARRIVED_MS)
            .map(|decoded| (decoded.values[0].value, decoded.values[0].device_time_ms))
            .map_err(|refusal| refusal.to_string());
        assert_eq!(found, expected.map_err(str::to_owned), "{payload}");
    }

    #[test]
    fn json_values_are_found_by_pointer() {
        check(&json("/t", None), r#"{"t": 21.5}"#, Ok((21.5, None)));
        check(
            &json("/a/1/b~1c", None),
            r#"{"a": [0, {"b/c": "21.5"}]}"#,
            Ok((21.5, None)),
        );
        check(&json("", None), "21.5", Ok((21.5, None)));
        check(
            &json("/t", None),
            r#"{"h": 21.5}"#,
            Err("nothing stands at pointer \"/t\""),
        );
        check(&json("/t", None), r#"{"t": null}"#, Err("`null` is not a number"));
        check(&json("/t", None), r#"{"t": true}"#, Err("`true` is not a number"));
        check(
            &json("/t", None),
            r#"{"t": "NaN"}"#,
            Err("`NaN` is not a finite number"),
        );
        check(&json("/t", None), "", Err("payload is empty"));
        let huge = decode(&json("/t", None), &Payload::new(br#"{"t": 1e999}"#), ARRIVED_MS);
        assert!(matches!(huge, Err(Refusal::NotJson { .. })), "{huge:?}");
    }

    #[test]
    fn device_times_are_rfc_3339_or_epoch_seconds_or_ms() {
        let format = json("/t", Some("/at"));
        check(
            &format,
            r#"{"t":1,"at":"2026-03-01T08:00:00Z"}"#,
            Ok((1.0, Some(ARRIVED_MS))),
        );
        check(
            &format,
            r#"{"t":1,"at":"2026-03-01T09:00:00.250+01:00"}"#,
            Ok((1.0, Some(ARRIVED_MS + 250))),
        );
        check(&format, r#"{"t":1,"at":1772352000}"#, Ok((1.0, Some(ARRIVED_MS))));
        check(
            &format,
            r#"{"t":1,"at":1772352000.5}"#,
            Ok((1.0, Some(ARRIVED_MS + 500))),
        );
        check(
            &format,
            r#"{"t":1,"at":1772352000000}"#,
            Ok((1.0, Some(ARRIVED_MS))),
        );
        check(&format, r#"{"t":1,"at":5}"#, Ok((1.0, Some(5000))));
        check(&format, r#"{"t":1,"at":"soon"}"#, Ok((1.0, None)));
        check(&format, r#"{"t":1}"#, Ok((1.0, None)));
    }

    #[test]
    fn a_bare_number_is_converted_from_its_unit() {
        let format = Format::Number {
            quantity: Quantity::Temperature,
            unit: "[degF]".to_owned(),
        };
        check(&format, " 68.0\n", Ok((20.0, None)));
        check(&format, "warm", Err("`warm` is not a number"));
        check(&format, "inf", Err("`inf` is not a finite number"));
        let hot = Format::Number {
            quantity: Quantity::Pressure,
            unit: "bar".to_owned(),
        };
        check(&hot, "1e308", Err("`1e308 bar` is not a finite number"));
    }

    #[test]
    fn states_are_words_in_any_case_or_json() {
        check(&state(None), "ON", Ok((1.0, None)));
        check(&state(None), "off\n", Ok((0.0, None)));
        check(
            &state(None),
            "maybe",
            Err("`maybe` is neither an on word nor an off word"),
        );
        check(&state(Some("/relay/0")), r#"{"relay":[true]}"#, Ok((1.0, None)));
        check(&state(Some("/relay")), r#"{"relay":0}"#, Ok((0.0, None)));
    }

    #[test]
    fn a_payload_over_the_limit_is_refused_whole() {
        let long = "1".repeat(PAYLOAD_BYTES_MAX + 1);
        check(
            &json("", None),
            &long,
            Err("payload has 65537 bytes, more than 65536"),
        );
    }

    fn any_format() -> impl Strategy<Value = Format> {
        prop_oneof![
            Just(json("/t", Some("/at"))),
            Just(json("", None)),
            Just(Format::Number {
                quantity: Quantity::Humidity,
                unit: "/".to_owned()
            }),
            Just(Format::Senml { quantity: None }),
            Just(Format::Senml {
                quantity: Some(Quantity::Temperature)
            }),
            Just(state(None)),
            Just(state(Some("/s"))),
        ]
    }

    proptest! {
        #[test]
        fn no_bytes_make_a_decoder_panic(format in any_format(), bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            if let Ok(decoded) = decode(&format, &Payload::new(&bytes), ARRIVED_MS) {
                prop_assert!(!decoded.values.is_empty() && decoded.values.iter().all(|raw| raw.value.is_finite()));
            }
        }

        #[test]
        fn no_json_makes_a_decoder_panic(
            format in any_format(),
            text in r#"(\[|\{|\}|\]|,|:|"(t|at|s|n|v|u|bn|bt|bu|bv|bver|x_)"|"Cel"|"%RH"|-?[0-9]{1,20}(\.[0-9]{1,3})?(e-?[0-9]{1,3})?|true|null| ){0,40}"#,
        ) {
            if let Ok(decoded) = decode(&format, &Payload::new(text.as_bytes()), ARRIVED_MS) {
                prop_assert!(!decoded.values.is_empty() && decoded.values.iter().all(|raw| raw.value.is_finite()));
            }
        }
    }
}
