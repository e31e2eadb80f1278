//! Why an estimate was not made.

/// The reason why a statistic is not given. Too little data is a reason of its own, never a default value.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Refused {
    /// Fewer samples than the method needs for what was asked.
    #[error("{method} needs at least {needed} samples, got {count}")]
    TooFew {
        method: &'static str,
        needed: usize,
        count: usize,
    },
    /// Two slices that belong together differ in length.
    #[error("{method} got {left} and {right} samples that should pair up")]
    Unpaired {
        method: &'static str,
        left: usize,
        right: usize,
    },
    /// A value is not a finite number.
    #[error("{method} got a value that is not a finite number at index {index}")]
    NotFinite { method: &'static str, index: usize },
    /// Times that should rise strictly do not.
    #[error("{method} needs strictly rising times; index {index} does not rise")]
    NotRising { method: &'static str, index: usize },
    /// An argument outside its range.
    #[error("{method} needs {name} in {low} to {high}, got {value}")]
    OutOfRange {
        method: &'static str,
        name: &'static str,
        value: f64,
        low: f64,
        high: f64,
    },
    /// The data do not determine what was asked for (no spread, or two columns alike).
    #[error("{method} cannot separate its parameters with these samples")]
    Undetermined { method: &'static str },
    /// An iteration did not settle within its bound.
    #[error("{method} did not settle within {bound} iterations")]
    NoConvergence { method: &'static str, bound: usize },
}

/// Refuses unless all values are finite and there are at least `needed`.
pub(crate) fn check(method: &'static str, values: &[f64], needed: usize) -> Result<(), Refused> {
    if values.len() < needed {
        return Err(Refused::TooFew {
            method,
            needed,
            count: values.len(),
        });
    }
    match values.iter().position(|value| !value.is_finite()) {
        Some(index) => Err(Refused::NotFinite { method, index }),
        None => Ok(()),
    }
}

/// [`check`] for two slices that pair up.
pub(crate) fn check_pair(
    method: &'static str,
    left: &[f64],
    right: &[f64],
    needed: usize,
) -> Result<(), Refused> {
    if left.len() != right.len() {
        return Err(Refused::Unpaired {
            method,
            left: left.len(),
            right: right.len(),
        });
    }
    check(method, left, needed)?;
    check(method, right, needed)
}

/// Refuses unless times rise strictly.
pub(crate) fn check_rising(method: &'static str, times: &[f64]) -> Result<(), Refused> {
    match times.windows(2).position(|pair| pair[0] >= pair[1]) {
        Some(index) => Err(Refused::NotRising {
            method,
            index: index + 1,
        }),
        None => Ok(()),
    }
}

/// Refuses unless `low ≤ value ≤ high`.
pub(crate) fn check_range(
    method: &'static str,
    name: &'static str,
    value: f64,
    (low, high): (f64, f64),
) -> Result<(), Refused> {
    if (low..=high).contains(&value) {
        Ok(())
    } else {
        Err(Refused::OutOfRange {
            method,
            name,
            value,
            low,
            high,
        })
    }
}

/// Confidence levels that make sense for an interval; outside, a caller has mixed up a level and its complement.
pub(crate) const CONFIDENCE_RANGE: (f64, f64) = (0.5, 0.9999);
