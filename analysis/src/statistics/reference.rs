//! Reads the tables of `tests/reference` for the unit tests of this room.

use serde_json::Value;

/// The reference table of robust statistics.
pub(crate) fn robust() -> Value {
    serde_json::from_str(include_str!("../../../tests/reference/robust_statistics.json")).expect("it is JSON")
}

/// The table that `make_statistics_extra.py` writes.
pub(crate) fn extra() -> Value {
    serde_json::from_str(include_str!("../../../tests/reference/statistics_extra.json")).expect("it is JSON")
}

/// A list of numbers.
#[track_caller]
pub(crate) fn list(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .expect("a list")
        .iter()
        .map(|v| v.as_f64().expect("a number"))
        .collect()
}

/// One number.
#[track_caller]
pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Asserts equality within `tolerance`, relative for expected values above one.
#[track_caller]
pub(crate) fn close(what: &str, computed: f64, expected: f64, tolerance: f64) {
    let allowed = tolerance * expected.abs().max(1.0);
    assert!(
        (computed - expected).abs() <= allowed,
        "{what}: {computed}, expected {expected}"
    );
}
