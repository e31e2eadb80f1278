//! Values, words and times at a JSON Pointer (RFC 6901). The empty pointer is the whole document.

use serde_json::Value;

use super::{Refusal, number, quote, time};

fn at<'d>(document: &'d Value, pointer: &str) -> Result<&'d Value, Refusal> {
    document.pointer(pointer).ok_or_else(|| Refusal::Absent {
        pointer: quote(pointer),
    })
}

/// A number, or a text that is one: many devices send their numbers in quotes.
pub(super) fn number_at(document: &Value, pointer: &str) -> Result<f64, Refusal> {
    match at(document, pointer)? {
        Value::Number(number) => finite(number.as_f64(), &number.to_string()),
        Value::String(text) => number::parse(text.trim()),
        other => Err(Refusal::NotANumber {
            found: describe(other),
        }),
    }
}

fn finite(number: Option<f64>, written: &str) -> Result<f64, Refusal> {
    number
        .filter(|value| value.is_finite())
        .ok_or_else(|| Refusal::NotFinite {
            found: quote(written),
        })
}

/// A text, number or boolean as the word it would be in a plain payload.
pub(super) fn word_at(document: &Value, pointer: &str) -> Result<String, Refusal> {
    match at(document, pointer)? {
        Value::String(text) => Ok(text.trim().to_owned()),
        Value::Number(number) => Ok(number.to_string()),
        Value::Bool(truth) => Ok(truth.to_string()),
        other => Err(Refusal::NotAState {
            found: describe(other),
        }),
    }
}

/// The device's own time, if the payload has one that can be read.
pub(super) fn time_at(document: &Value, pointer: Option<&str>) -> Option<i64> {
    match document.pointer(pointer?)? {
        Value::Number(number) => time::from_epoch(number.as_f64()?),
        Value::String(text) => time::from_text(text.trim()),
        _ => None,
    }
}

/// What stands there, without its content where that is long.
fn describe(value: &Value) -> String {
    match value {
        Value::Array(_) => "[…]".to_owned(),
        Value::Object(_) => "{…}".to_owned(),
        other => quote(&other.to_string()),
    }
}
