//! A payload that is the number itself, as text.

use super::{Refusal, quote};

/// A finite decimal number.
pub(super) fn parse(text: &str) -> Result<f64, Refusal> {
    let value: f64 = text
        .parse()
        .map_err(|_| Refusal::NotANumber { found: quote(text) })?;
    if value.is_finite() {
        Ok(value)
    } else {
        Err(Refusal::NotFinite { found: quote(text) })
    }
}
