//! Values, words and times at a JSON Pointer (RFC 6901). The empty pointer is the whole document.

use std::borrow::Cow;

use serde_json::{Number, Value};

use super::{Refusal, number, quote, time};

fn at<'d>(document: &'d Value, pointer: &str) -> Result<&'d Value, Refusal> {
    find(document, pointer).ok_or_else(|| Refusal::Absent {
        pointer: quote(pointer),
    })
}

/// As `Value::pointer`, without an allocation for each name on the way.
fn find<'d>(document: &'d Value, pointer: &str) -> Option<&'d Value> {
    if pointer.is_empty() {
        return Some(document);
    }
    let mut names = pointer.strip_prefix('/')?.split('/');
    names.try_fold(document, |value, name| {
        let name = match name.contains('~') {
            true => Cow::Owned(name.replace("~1", "/").replace("~0", "~")),
            false => Cow::Borrowed(name),
        };
        match value {
            Value::Object(members) => members.get(&*name),
            Value::Array(list) => list.get(index(&name)?),
            _ => None,
        }
    })
}

/// A place in an array: digits without a leading zero (RFC 6901, section 4).
fn index(name: &str) -> Option<usize> {
    let is_plain = name.bytes().all(|byte| byte.is_ascii_digit()) && (name == "0" || !name.starts_with('0'));
    name.parse().ok().filter(|_| is_plain)
}

/// A number, or a text that is one: many devices send their numbers in quotes.
pub(super) fn number_at(document: &Value, pointer: &str) -> Result<f64, Refusal> {
    match at(document, pointer)? {
        Value::Number(number) => finite(number),
        Value::String(text) => number::parse(text.trim()),
        other => Err(Refusal::NotANumber {
            found: describe(other),
        }),
    }
}

fn finite(number: &Number) -> Result<f64, Refusal> {
    let value = number.as_f64().filter(|value| value.is_finite());
    value.ok_or_else(|| Refusal::NotFinite {
        found: quote(&number.to_string()),
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
    match find(document, pointer?)? {
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn pointers_are_followed_as_the_library_follows_them(pointer in "(/(a|b~1|~01|~|0|00|1|\\+1|-1|)){0,4}/?|a") {
            let document = serde_json::json!({
                "a": [1, {"b/": {"~1": 2, "": 3}}, [4, [5, 6]]], "b/": {"a": 7, "0": 8, "00": 9}, "~1": [10], "": {"": 11}, "~": 12, "+1": 13
            });
            prop_assert_eq!(find(&document, &pointer), document.pointer(&pointer));
        }
    }
}
