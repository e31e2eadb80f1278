//! On and off, as words.

use super::{Refusal, quote};

/// The words of one device.
pub(super) struct Words<'a> {
    pub(super) on: &'a [String],
    pub(super) off: &'a [String],
}

impl Words<'_> {
    /// 1 for an on word, 0 for an off word; upper and lower case are one.
    pub(super) fn read(&self, word: &str) -> Result<f64, Refusal> {
        let is_in = |list: &[String]| list.iter().any(|known| known.eq_ignore_ascii_case(word));
        match (is_in(self.on), is_in(self.off)) {
            (true, false) => Ok(1.0),
            (false, true) => Ok(0.0),
            _ => Err(Refusal::NotAState { found: quote(word) }),
        }
    }
}
