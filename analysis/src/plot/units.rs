//! What people are shown: the metric values of the analysis in the site's units, as numbers and as words.
//!
//! The only place where a temperature leaves the Celsius scale. Difference and place on the scale are kept apart: 1 K is
//! 1.8 °F, 0 °C is 32 °F (NIST SP 811).

use mosswarden_config::site::Units;

/// The units that a site wants to be shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Display {
    units: Units,
}

/// °F in one K (NIST SP 811, appendix B).
const F_PER_K: f64 = 1.8;
/// °F at 0 °C (NIST SP 811, appendix B).
const F_AT_0_C: f64 = 32.0;

/// Words before a temperature below nothing that make it a difference: what each gave.
const SOURCES_OF_HEAT: [&str; 5] = ["room", "heater", "lamp", "fogger", "unexplained"];
/// Words behind a temperature that make it a difference.
const DIFFERENCE_WORDS: [&str; 16] = [
    "above", "below", "over", "under", "warmer", "cooler", "colder", "hotter", "higher", "lower", "high",
    "low", "too", "per", "more", "less",
];

impl Display {
    pub const fn new(units: Units) -> Display {
        Display { units }
    }

    const fn is_imperial(self) -> bool {
        matches!(self.units, Units::Imperial)
    }

    /// What a keeper wrote on the shown scale, °C.
    pub fn celsius(self, shown: f64) -> f64 {
        if self.is_imperial() {
            (shown - F_AT_0_C) / F_PER_K
        } else {
            shown
        }
    }

    /// A temperature on the shown scale.
    pub fn temperature(self, value_c: f64) -> f64 {
        if self.is_imperial() {
            value_c * F_PER_K + F_AT_0_C
        } else {
            value_c
        }
    }

    /// A temperature difference in shown degrees.
    pub fn difference(self, value_k: f64) -> f64 {
        if self.is_imperial() {
            value_k * F_PER_K
        } else {
            value_k
        }
    }

    pub const fn degree(self) -> &'static str {
        if self.is_imperial() { "°F" } else { "°C" }
    }

    /// Such as "31.4 °C".
    pub fn temperature_words(self, value_c: f64) -> String {
        format!("{} {}", number(self.temperature(value_c)), self.degree())
    }

    /// Such as "20.0 to 25.0 °C".
    pub fn range_words(self, low_c: f64, high_c: f64) -> String {
        format!(
            "{} to {} {}",
            number(self.temperature(low_c)),
            number(self.temperature(high_c)),
            self.degree()
        )
    }

    /// A figure with a unit code of a finding: shown value and shown unit.
    pub fn coded(self, value: f64, code: &str) -> (f64, String) {
        match code {
            "Cel.h" => (self.difference(value), format!("{}·h", self.degree())),
            "Cel" | "K" => (self.difference(value), self.degree().to_owned()),
            "1" | "" => (value, String::new()),
            "1/d" => (value, "a day".to_owned()),
            "%RH/(30.d)" | "%RH/30d" => (value, "%RH in 30 days".to_owned()),
            "d" => (value, "days".to_owned()),
            other => (value, other.to_owned()),
        }
    }

    /// A sentence of the analysis with each "… °C" in it turned into the shown unit.
    ///
    /// A number is a difference where "±", "+" or "by" stands before it, or less than nothing is what a source of heat gave, or "·h" or a word such as "above" behind it; otherwise it
    /// is a place on the scale. Both ends of "17.0 to 22.0 °C" and "17.0–22.0 °C" are turned.
    pub fn sentence(self, metric: &str) -> String {
        if !self.is_imperial() {
            return metric.to_owned();
        }
        let mut shown = String::with_capacity(metric.len());
        let mut rest = metric;
        while let Some(found) = rest.find("°C") {
            let (before, after) = (&rest[..found], &rest[found + "°C".len()..]);
            shown.push_str(&self.with_converted_tail(before, after));
            shown.push_str("°F");
            rest = after;
        }
        shown.push_str(rest);
        shown
    }

    fn with_converted_tail(self, before: &str, after: &str) -> String {
        let trimmed = before.trim_end_matches([' ', '\u{a0}']);
        let space = &before[trimmed.len()..];
        self.converted(trimmed, after).map_or_else(
            || before.to_owned(),
            |(start, turned)| format!("{start}{turned}{space}"),
        )
    }

    /// The number or range at the end of a text, turned, and what stands before it.
    fn converted<'t>(self, trimmed: &'t str, after: &str) -> Option<(&'t str, String)> {
        let (head, last) = split_number(trimmed)?;
        let next: String = after
            .trim_start()
            .chars()
            .take_while(|c| c.is_alphabetic())
            .collect();
        let previous = head.trim_end();
        let is_difference = previous.ends_with(['±', '+'])
            || previous.ends_with(" by")
            || (last < 0.0 && SOURCES_OF_HEAT.iter().any(|source| previous.ends_with(source)))
            || after.starts_with('·')
            || DIFFERENCE_WORDS.contains(&next.as_str());
        let turn = |value: f64| {
            number(if is_difference {
                self.difference(value)
            } else {
                self.temperature(value)
            })
        };
        for joint in [" to ", "–", " and "] {
            if let Some((start, first)) = head.strip_suffix(joint).and_then(split_number) {
                return Some((start, format!("{}{joint}{}", turn(first), turn(last))));
            }
        }
        Some((head, turn(last)))
    }
}

/// A metric sentence with °F behind each "… °C" in it, by the rule of [`Display::sentence`]: "30.0 °C (86.0 °F)".
pub fn both_scales(metric: &str) -> String {
    let imperial = Display::new(Units::Imperial);
    let mut shown = String::with_capacity(metric.len());
    let mut rest = metric;
    while let Some(found) = rest.find("°C") {
        let (before, after) = (&rest[..found], &rest[found + "°C".len()..]);
        shown.push_str(before);
        shown.push_str("°C");
        if let Some((_, turned)) = imperial.converted(before.trim_end_matches([' ', '\u{a0}']), after) {
            shown.push_str(&format!(" ({turned} °F)"));
        }
        rest = after;
    }
    shown.push_str(rest);
    shown
}

/// A text that ends with a number: what stands before it, and the number.
fn split_number(text: &str) -> Option<(&str, f64)> {
    let digits = text.trim_end_matches(|c: char| c.is_ascii_digit() || c == '.');
    let sign = digits.strip_suffix('−').or_else(|| {
        digits
            .strip_suffix('-')
            .filter(|head| !head.ends_with(|c: char| c.is_ascii_digit()))
    });
    let value: f64 = text[digits.len()..].parse().ok()?;
    Some(match sign {
        Some(head) => (head, -value),
        None => (digits, value),
    })
}

/// One digit after the point, with a true minus sign; never "−0.0".
pub fn number(value: f64) -> String {
    let text = format!("{value:.1}");
    match text.strip_prefix('-') {
        Some("0.0") => "0.0".to_owned(),
        Some(digits) => format!("−{digits}"),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const IMPERIAL: Display = Display::new(Units::Imperial);

    #[track_caller]
    fn check(metric: &str, expected: &str) {
        assert_eq!(IMPERIAL.sentence(metric), expected);
        assert_eq!(Display::new(Units::Metric).sentence(metric), metric);
    }

    #[test]
    fn sentences_keep_places_and_differences_apart() {
        check("It reached 30.0 °C at noon.", "It reached 86.0 °F at noon.");
        check("3.0 °C above the limit", "5.4 °F above the limit");
        check(
            "wanted 20.0 to 25.0 °C, had 10 °C",
            "wanted 68.0 to 77.0 °F, had 50.0 °F",
        );
        check("believed within ±0.5 °C", "believed within ±0.9 °F");
        check("10.0 °C·h", "18.0 °F·h");
        check("fell to −5.0 °C", "fell to 23.0 °F");
        check("kept at 80 %RH, in °C", "kept at 80 %RH, in °F");
        check("room +1.0 °C, lamp −0.5 °C", "room +1.8 °F, lamp −0.9 °F");
    }

    #[test]
    fn both_scales_stand_side_by_side() {
        // NIST SP 811, appendix B: 30 °C is 86 °F, 0.5 K is 0.9 °F.
        assert_eq!(
            both_scales("kept at 20.0 to 30.0 °C, within ±0.5 °C"),
            "kept at 20.0 to 30.0 °C (68.0 to 86.0 °F), within ±0.5 °C (0.9 °F)"
        );
        assert_eq!(both_scales("3.0 °C above it"), "3.0 °C (5.4 °F) above it");
    }

    #[test]
    fn numbers_have_one_digit_and_a_true_minus() {
        assert_eq!(number(-0.04), "0.0");
        assert_eq!(number(-3.25), "−3.2");
        assert_eq!(IMPERIAL.temperature_words(100.0), "212.0 °F");
    }
}
