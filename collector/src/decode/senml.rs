//! SenML in JSON, RFC 8428: base fields, units, absolute and relative times.
//!
//! Of the pack's records those are taken whose unit measures what the feed wants, or, where the feed does not say, whose unit
//! stands for one quantity. Names are not looked at: a feed is one sensor. Passed over are records with text, data or only a sum,
//! without a unit, or with one that measures nothing here. A number whose unit may mean several quantities (`/`, `%`) is refused, so
//! that the pack is kept whole in the refused log; the other records are taken.

use mosswarden_config::quantity::Quantity;
use serde_json::{Map, Value};

use super::{Decoded, Raw, Refusal, quote, stored, time};

/// Most records read of one pack: the payload's limit allows no more that carry a value and a time (our choice).
const RECORDS_MAX: usize = 1000;
/// The version of SenML that RFC 8428 defines; a pack of a later one must not be read (section 4.4).
const VERSION: f64 = 10.0;
/// Times below 2^28 s are relative to now (RFC 8428, section 4.5.3).
const RELATIVE_BELOW_S: f64 = 268_435_456.0;

const KNOWN_FIELDS: [&str; 16] = [
    "bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "l",
];

/// Base fields, which carry on to later records.
#[derive(Default)]
struct Base<'p> {
    time_s: f64,
    unit: &'p str,
    value: f64,
}

pub(super) fn decode(pack: &Value, wanted: Option<Quantity>, arrived_ms: i64) -> Result<Decoded, Refusal> {
    let wrong = |record: usize, why: String| Refusal::Senml { record, why };
    let records = pack
        .as_array()
        .ok_or_else(|| wrong(0, "a pack is a JSON array".to_owned()))?;
    if records.len() > RECORDS_MAX {
        return Err(wrong(
            RECORDS_MAX,
            format!("the pack has {} records, more than {RECORDS_MAX}", records.len()),
        ));
    }
    let mut base = Base::default();
    let mut values = Vec::new();
    let mut refused = None;
    for (index, record) in records.iter().enumerate() {
        let fields = record
            .as_object()
            .ok_or_else(|| wrong(index, "a record is a JSON object".to_owned()))?;
        match read_record(fields, &mut base, wanted, arrived_ms).map_err(|why| wrong(index, why))? {
            Record::Value(raw) => values.push(raw),
            Record::Other => {}
            Record::Ambiguous { unit } => note_ambiguous(&mut refused, index, unit),
        }
    }
    if values.is_empty() {
        return Err(refused.unwrap_or_else(|| Refusal::SenmlWithout {
            wanted: wanted.map_or_else(|| "a known unit".to_owned(), |quantity| quantity.to_string()),
        }));
    }
    Ok(Decoded { values, refused })
}

/// What a record holds.
enum Record<'p> {
    Value(Raw),
    /// Nothing that is measured here.
    Other,
    /// A number, and nobody says of what.
    Ambiguous {
        unit: &'p str,
    },
}

/// One refusal speaks for all such records of a pack.
fn note_ambiguous(refused: &mut Option<Refusal>, record: usize, unit: &str) {
    match refused {
        Some(Refusal::SenmlAmbiguous { more, .. }) => *more += 1,
        _ => {
            *refused = Some(Refusal::SenmlAmbiguous {
                record,
                unit: quote(unit),
                more: 0,
            });
        }
    }
}

fn read_record<'p>(
    fields: &'p Map<String, Value>,
    base: &mut Base<'p>,
    wanted: Option<Quantity>,
    arrived_ms: i64,
) -> Result<Record<'p>, String> {
    // Section 4.4: a field that ends in "_" must be understood or the pack refused; others may be ignored.
    if let Some(name) = fields
        .keys()
        .find(|name| name.ends_with('_') && !KNOWN_FIELDS.contains(&name.as_str()))
    {
        return Err(format!(
            "the field `{}` must be understood and is not",
            quote(name)
        ));
    }
    if number(fields, "bver")?.is_some_and(|version| version > VERSION) {
        return Err("the pack's version is later than RFC 8428's".to_owned());
    }
    text(fields, "bn")?;
    text(fields, "n")?;
    if let Some(time_s) = number(fields, "bt")? {
        base.time_s = time_s;
    }
    if let Some(unit) = text(fields, "bu")? {
        base.unit = unit;
    }
    if let Some(value) = number(fields, "bv")? {
        base.value = value;
    }
    let unit = text(fields, "u")?.unwrap_or(base.unit);
    let time_s = base.time_s + number(fields, "t")?.unwrap_or(0.0);
    let Some(quantity) = quantity_of(unit, wanted) else {
        let is_ambiguous = wanted.is_none() && is_ambiguous(unit) && number(fields, "v")?.is_some();
        return Ok(if is_ambiguous {
            Record::Ambiguous { unit }
        } else {
            Record::Other
        });
    };
    let value = match (number(fields, "v")?, fields.get("vb")) {
        (Some(value), _) => base.value + value,
        (None, Some(Value::Bool(on))) if quantity == Quantity::State => f64::from(u8::from(*on)),
        _ => return Ok(Record::Other),
    };
    Ok(Record::Value(Raw {
        quantity,
        value: stored(quantity, value, unit).map_err(|refusal| refusal.to_string())?,
        device_time_ms: instant_ms(time_s, arrived_ms),
    }))
}

/// Whether a unit that is stated measures more than one quantity.
fn is_ambiguous(unit: &str) -> bool {
    let quantities = Quantity::ALL
        .iter()
        .filter(|quantity| quantity.accepted_units().contains(&unit));
    !unit.is_empty() && quantities.count() > 1
}

fn quantity_of(unit: &str, wanted: Option<Quantity>) -> Option<Quantity> {
    match wanted {
        Some(quantity) => quantity.accepted_units().contains(&unit).then_some(quantity),
        None => Quantity::from_unit(unit),
    }
}

/// The instant of a resolved time; `None` for a time of 0, which means "now" and so the arrival.
fn instant_ms(time_s: f64, arrived_ms: i64) -> Option<i64> {
    if time_s == 0.0 {
        None
    } else if time_s < RELATIVE_BELOW_S {
        // Negative times of any size are relative too.
        Some(arrived_ms.saturating_add(time::whole_ms(time_s * 1000.0)?))
    } else {
        time::whole_ms(time_s * 1000.0)
    }
}

fn number(fields: &Map<String, Value>, name: &str) -> Result<Option<f64>, String> {
    match fields.get(name) {
        None => Ok(None),
        Some(value) => match value.as_f64().filter(|number| number.is_finite()) {
            Some(number) => Ok(Some(number)),
            None => Err(format!("`{name}` is not a number")),
        },
    }
}

fn text<'p>(fields: &'p Map<String, Value>, name: &str) -> Result<Option<&'p str>, String> {
    match fields.get(name) {
        None => Ok(None),
        Some(Value::String(text)) => Ok(Some(text)),
        Some(_) => Err(format!("`{name}` is not a text")),
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Payload, decode as decode_format, tests::ARRIVED_MS};
    use super::*;
    use mosswarden_config::site::Format;

    fn read(pack: &str, quantity: Option<Quantity>) -> Result<Vec<(Quantity, f64, Option<i64>)>, String> {
        decode_format(
            &Format::Senml { quantity },
            &Payload::new(pack.as_bytes()),
            ARRIVED_MS,
        )
        .map(|decoded| {
            decoded
                .values
                .iter()
                .map(|raw| (raw.quantity, raw.value, raw.device_time_ms))
                .collect()
        })
        .map_err(|refusal| refusal.to_string())
    }

    /// RFC 8428, section 5.1.1.
    #[test]
    fn rfc_example_of_a_single_data_point() {
        let pack = r#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
        assert_eq!(read(pack, None), Ok(vec![(Quantity::Temperature, 23.1, None)]));
    }

    /// RFC 8428, section 5.1.2: volts and amperes, which no sensor here measures.
    #[test]
    fn rfc_example_of_multiple_data_points_has_nothing_for_us() {
        let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]"#;
        assert_eq!(
            read(pack, None),
            Err("the SenML pack has no value of a known unit".to_owned())
        );
    }

    /// RFC 8428, section 5.1.3: humidity, position and battery at several times.
    #[test]
    fn rfc_example_of_multiple_measurements() {
        let pack = r#"[
            {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
            {"u":"lon","v":24.30621},
            {"u":"lat","v":60.07965},
            {"t":60,"v":20.3},
            {"u":"lon","t":60,"v":24.30622},
            {"u":"lat","t":60,"v":60.07965},
            {"t":120,"v":20.7},
            {"u":"lon","t":120,"v":24.30623},
            {"u":"lat","t":120,"v":60.07966},
            {"u":"%EL","t":150,"v":98},
            {"t":180,"v":21.2},
            {"u":"lon","t":180,"v":24.30628},
            {"u":"lat","t":180,"v":60.07967}
        ]"#;
        let start = 1_320_067_464_000;
        let humidity = |after_s: i64, value: f64| (Quantity::Humidity, value, Some(start + after_s * 1000));
        assert_eq!(
            read(pack, None),
            Ok(vec![
                humidity(0, 20.0),
                humidity(60, 20.3),
                humidity(120, 20.7),
                (Quantity::Battery, 98.0, Some(start + 150_000)),
                humidity(180, 21.2),
            ])
        );
        assert_eq!(
            read(pack, Some(Quantity::Humidity)).map(|values| values.len()),
            Ok(4)
        );
    }

    /// RFC 8428, section 5.1.5: several data types; only the number is a measurement.
    #[test]
    fn rfc_example_of_multiple_data_types() {
        let pack = r#"[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
            {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]"#;
        assert_eq!(read(pack, None), Ok(vec![(Quantity::Temperature, 23.1, None)]));
    }

    /// RFC 8428, section 5.1.6: a later base name leaves the base time standing.
    #[test]
    fn rfc_example_of_a_collection_of_resources() {
        let pack = r#"[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
            {"n":"humidity","u":"%RH","v":30},
            {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
            {"n":"humidity","u":"%RH","v":67}]"#;
        let at = Some(1_320_078_429_000);
        assert_eq!(
            read(pack, None),
            Ok(vec![
                (Quantity::Temperature, 25.2, at),
                (Quantity::Humidity, 30.0, at),
                (Quantity::Temperature, 12.3, at),
                (Quantity::Humidity, 67.0, at),
            ])
        );
    }

    #[test]
    fn base_values_add_and_times_below_2_to_the_28_are_relative_to_arrival() {
        let pack = r#"[{"bv":20,"bu":"Cel","bt":-10,"v":1.5},{"v":-0.5,"t":5},{"t":10,"v":0}]"#;
        assert_eq!(
            read(pack, None),
            Ok(vec![
                (Quantity::Temperature, 21.5, Some(ARRIVED_MS - 10_000)),
                (Quantity::Temperature, 19.5, Some(ARRIVED_MS - 5_000)),
                (Quantity::Temperature, 20.0, None),
            ])
        );
    }

    #[test]
    fn a_field_that_must_be_understood_refuses_the_pack() {
        assert_eq!(
            read(r#"[{"u":"Cel","v":1},{"u":"Cel","v":1,"x_":1}]"#, None),
            Err(
                "the SenML pack is wrong at record 1: the field `x_` must be understood and is not"
                    .to_owned()
            )
        );
        assert!(read(r#"[{"u":"Cel","v":1,"x":1}]"#, None).is_ok());
        assert!(read(r#"[{"bver":11,"u":"Cel","v":1}]"#, None).is_err());
        assert!(read(r#"[{"u":"Cel","v":"1"}]"#, None).is_err());
        assert!(read(r#"{"u":"Cel","v":1}"#, None).is_err());
    }

    #[test]
    fn units_are_converted_and_ambiguous_ones_need_the_feed_to_say() {
        assert_eq!(read(r#"[{"u":"K","v":293.15}]"#, None).map(|v| v[0].1), Ok(20.0));
        assert!(read(r#"[{"u":"/","v":0.8}]"#, None).is_err());
        assert_eq!(
            read(r#"[{"u":"/","v":0.8}]"#, Some(Quantity::Humidity)).map(|v| v[0].1),
            Ok(80.0)
        );
        assert_eq!(
            read(r#"[{"vb":true}]"#, Some(Quantity::State)).map(|v| v[0].1),
            Ok(1.0)
        );
    }

    #[test]
    fn a_number_of_which_nobody_says_what_it_is_is_refused_beside_its_neighbours() {
        let pack = r#"[{"u":"Cel","v":21.5},{"u":"/","v":0.8},{"u":"V","v":3.1},{"v":7},{"u":"%","v":60}]"#;
        let decoded = decode_format(
            &Format::Senml { quantity: None },
            &Payload::new(pack.as_bytes()),
            ARRIVED_MS,
        )
        .expect("one record is good");
        assert_eq!(decoded.values.len(), 1);
        assert_eq!(
            decoded.refused,
            Some(Refusal::SenmlAmbiguous {
                record: 1,
                unit: "/".to_owned(),
                more: 1
            })
        );
        let alone = read(r#"[{"u":"/","v":0.8}]"#, None).expect_err("nothing else is there");
        assert!(
            alone.contains("`/` of SenML record 0 may mean several things; name the feed's"),
            "{alone}"
        );
    }

    #[test]
    fn the_count_of_records_is_bounded() {
        let pack = format!("[{}]", vec![r#"{"u":"Cel","v":1}"#; RECORDS_MAX + 1].join(","));
        assert!(read(&pack, None).is_err());
    }
}
