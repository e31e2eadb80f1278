//! Standard uncertainties from what data sheets give.
//!
//! Source: [JCGM100] 4.3.7 and 6.3.3 in `SOURCES.md`.

/// Coverage factor of an expanded uncertainty: about 95 % for a normal distribution. Source: [JCGM100] 6.3.3.
pub const COVERAGE_FACTOR: f64 = 2.0;

/// Standard uncertainty of a value known only to lie within `±limit`: `limit / √3`, in the unit of the limit.
///
/// Data sheets give limits without a coverage; [JCGM100] 4.3.7 then takes every value inside as equally likely.
pub fn rectangular(limit: f64) -> f64 {
    limit / 3.0_f64.sqrt()
}
