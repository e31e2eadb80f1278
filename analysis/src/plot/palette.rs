//! The one palette of every picture and page: Okabe and Ito's colours for all kinds of colour vision, on paper and on near-black.
//!
//! A drawing is written in the paper colours; [`dark_css`] gives the rules that turn each of them into its partner on a dark
//! screen. At most three hues stand in one figure, and each has its own weight, dash or label as well.
//! Source: [OkabeIto2008] in `SOURCES.md` (vermillion, blue, sky blue, bluish green).

use plotters::style::RGBColor;

/// One colour on paper and its partner on a dark screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ink {
    pub paper: RGBColor,
    pub dark: RGBColor,
}

const fn ink(paper: (u8, u8, u8), dark: (u8, u8, u8)) -> Ink {
    Ink {
        paper: RGBColor(paper.0, paper.1, paper.2),
        dark: RGBColor(dark.0, dark.1, dark.2),
    }
}

/// What is drawn on.
pub const PAPER: Ink = ink((255, 255, 255), (22, 22, 20));
/// Text and what must stand out.
pub const INK: Ink = ink((27, 27, 27), (232, 230, 224));
/// Small print: 6.4 to 1 on paper, 7.5 to 1 on near-black (contrast by WCAG 2.2, success criterion 1.4.3).
pub const FAINT: Ink = ink((94, 94, 94), (168, 168, 162));
/// Gridlines.
pub const RULE: Ink = ink((216, 216, 214), (58, 58, 56));
/// The wash that marks a night.
pub const NIGHT: Ink = ink((238, 238, 236), (37, 37, 43));
/// Okabe and Ito's vermillion.
pub const TEMPERATURE: Ink = ink((213, 94, 0), (213, 94, 1));
/// Okabe and Ito's blue; sky blue on a dark screen.
pub const HUMIDITY: Ink = ink((0, 114, 178), (86, 180, 233));
/// Okabe and Ito's bluish green: the range that is wanted.
pub const WANTED: Ink = ink((0, 158, 115), (0, 158, 116));
/// Devices: grey, so that no hue is spent on them.
pub const DEVICE: Ink = ink((110, 110, 108), (150, 150, 146));

/// What stands apart on a page: fields, frames.
pub const WASH: Ink = ink((245, 245, 242), (31, 31, 29));

/// What is drawn with.
const ALL: [Ink; 9] = [
    PAPER,
    INK,
    FAINT,
    RULE,
    NIGHT,
    TEMPERATURE,
    HUMIDITY,
    WANTED,
    DEVICE,
];

/// `#RRGGBB`, as the drawing writes it.
pub fn hex(color: RGBColor) -> String {
    format!("#{:02X}{:02X}{:02X}", color.0, color.1, color.2)
}

/// The colours of a page around its pictures, as custom properties of its root, for paper and for a dark screen.
pub fn page_css() -> String {
    let named = [
        ("paper", PAPER),
        ("ink", INK),
        ("faint", FAINT),
        ("rule", RULE),
        ("wash", WASH),
    ];
    let all = |of: fn(Ink) -> RGBColor| -> String {
        let one = |(name, ink): &(&str, Ink)| format!("--{name}:{};", hex(of(*ink)));
        named.iter().map(one).collect()
    };
    format!(
        ":root{{{}color-scheme:light dark}}\n@media screen and (prefers-color-scheme:dark){{:root{{{}}}}}\n",
        all(|ink| ink.paper),
        all(|ink| ink.dark)
    )
}

/// Style rules, to stand inside `@media (prefers-color-scheme: dark)`. They name no ancestor: a drawing that is shown again
/// through `<use>` stands in a tree of its own, where none would be found.
pub fn dark_css() -> String {
    ALL.iter()
        .map(|ink| {
            let (paper, dark) = (hex(ink.paper), hex(ink.dark));
            format!("[fill=\"{paper}\"]{{fill:{dark}}}[stroke=\"{paper}\"]{{stroke:{dark}}}\n")
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Contrast ratio of two colours: WCAG 2.2, definitions "contrast ratio" and "relative luminance".
    fn contrast(a: RGBColor, b: RGBColor) -> f64 {
        let channel = |value: u8| {
            let share = f64::from(value) / 255.0;
            if share <= 0.04045 {
                share / 12.92
            } else {
                ((share + 0.055) / 1.055).powf(2.4)
            }
        };
        let luminance = |c: RGBColor| 0.2126 * channel(c.0) + 0.7152 * channel(c.1) + 0.0722 * channel(c.2);
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_reads_at_four_and_a_half_to_one_and_lines_at_three_to_one() {
        for text in [INK, FAINT] {
            for ground in [PAPER, NIGHT] {
                assert!(
                    contrast(text.paper, ground.paper) >= 4.5,
                    "{text:?} on {ground:?}"
                );
                assert!(contrast(text.dark, ground.dark) >= 4.5, "{text:?} on {ground:?}");
            }
        }
        for line in [TEMPERATURE, HUMIDITY, WANTED, DEVICE] {
            assert!(contrast(line.paper, PAPER.paper) >= 3.0, "{line:?}");
            assert!(contrast(line.dark, PAPER.dark) >= 3.0, "{line:?}");
        }
    }

    #[test]
    fn every_paper_colour_is_its_own_so_that_it_has_one_partner() {
        for (index, one) in ALL.iter().enumerate() {
            assert!(
                ALL[..index].iter().all(|other| other.paper != one.paper),
                "{one:?}"
            );
        }
    }
}
