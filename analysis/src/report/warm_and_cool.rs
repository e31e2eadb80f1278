//! Whether an animal could choose between a warm and a cool place by day, in sentences.

use mosswarden_config::site::Enclosure;

use super::limits;
use crate::conditions::WarmAndCool;
use crate::plot::{Display, number};
use crate::series::Excess;
use crate::words;

/// Light hours that must be known before something is said.
const KNOWN_H_MIN: f64 = 1.0;
/// Places nearer to each other than this are one: two sensors' doubt is as large, K (our own choice).
const APART_K_MIN: f64 = 0.5;
/// Hours below this are not worth a word.
const WORTH_SAYING_H: f64 = 1.0 / 60.0;

/// Nothing where fewer than two places are measured.
pub(super) fn sentences(display: Display, enclosure: &Enclosure, found: &[WarmAndCool]) -> Vec<String> {
    let known_h: f64 = found.iter().map(|day| day.known_h).sum();
    if known_h < KNOWN_H_MIN {
        return Vec::new();
    }
    let apart_k = found.iter().map(|day| day.apart_k * day.known_h).sum::<f64>() / known_h;
    let sum = |of: fn(&WarmAndCool) -> Excess| Excess {
        hours: found.iter().map(|day| of(day).hours).sum(),
        longest_h: found.iter().map(|day| of(day).longest_h).fold(0.0, f64::max),
        ..Excess::default()
    };
    let (no_cool, no_warm) = (sum(|day| day.no_cool), sum(|day| day.no_warm));
    let without: Vec<String> = [
        (no_cool, "even the coolest was above its wanted day range"),
        (no_warm, "even the warmest was below it"),
    ]
    .into_iter()
    .filter(|(without, _)| without.hours >= WORTH_SAYING_H)
    .map(|(without, what)| {
        format!(
            "{what} for {} in all, at most {} at a time",
            words::duration(without.hours),
            words::duration(without.longest_h)
        )
    })
    .collect();
    let choice = if apart_k < APART_K_MIN {
        "as good as nothing to choose between".to_owned()
    } else if without.is_empty() {
        "at every known moment one of them was cool enough and one warm enough".to_owned()
    } else {
        let both_h = (known_h - no_cool.hours - no_warm.hours).max(0.0);
        format!(
            "for {} of the known light hours one of them was cool enough and one warm enough; {}",
            words::share(both_h, known_h),
            without.join("; ")
        )
    };
    let mut lines = vec![format!(
        "By day its warmest and its coolest place lay {} {} apart on average; {choice}.",
        number(display.difference(apart_k)),
        display.degree()
    )];
    lines.extend(basking(display, enclosure));
    lines
}

/// A basking place is a warm surface, which no sensor of air measures.
fn basking(display: Display, enclosure: &Enclosure) -> Option<String> {
    let species = enclosure.species.as_ref()?;
    let wanted = species.stages[limits::stage(species, enclosure)?]
        .basking_c
        .as_ref()?;
    Some(format!(
        "It basks on a surface of {} ({}). Sensors of air don't tell whether it has one: measure it under the lamp by hand.",
        display.range_words(wanted.band.low, wanted.band.high),
        wanted.source
    ))
}

#[cfg(test)]
mod tests {
    use mosswarden_config::site::Units;

    use super::*;
    use crate::report::sample;

    fn excess(hours: f64, longest_h: f64) -> Excess {
        Excess {
            hours,
            longest_h,
            ..Excess::default()
        }
    }

    fn said(species: &str, found: &[WarmAndCool]) -> Vec<String> {
        let site = sample::site("Europe/Lisbon", "metric", &[("a", "A", species)]);
        sentences(Display::new(Units::Metric), &site.enclosures[0], found)
    }

    #[test]
    fn hours_without_a_choice_are_told_with_the_longest_run_of_any_day() {
        let day = |apart_k, no_cool, no_warm| WarmAndCool {
            known_h: 10.0,
            apart_k,
            no_cool,
            no_warm,
        };
        let fine = day(2.0, Excess::default(), Excess::default());
        let hot = day(4.0, excess(4.0, 1.5), excess(1.0, 1.0));
        assert_eq!(
            said("mossy-frog", &[fine, hot]),
            [
                "By day its warmest and its coolest place lay 3.0 °C apart on average; for 75 % of the known light hours one of them \
                 was cool enough and one warm enough; even the coolest was above its wanted day range for 4 h in all, at most 1 h 30 min \
                 at a time; even the warmest was below it for 1 h in all, at most 1 h at a time."
            ]
        );
        assert_eq!(said("mossy-frog", &[]), Vec::<String>::new());
        let alike = day(0.1, excess(4.0, 1.5), Excess::default());
        assert_eq!(
            said("mossy-frog", &[alike]),
            [
                "By day its warmest and its coolest place lay 0.1 °C apart on average; as good as nothing to choose between."
            ]
        );
    }

    #[test]
    fn a_basking_animal_needs_a_surface_that_no_sensor_of_air_tells_of() {
        let fine = WarmAndCool {
            known_h: 10.0,
            apart_k: 6.0,
            no_cool: Excess::default(),
            no_warm: Excess::default(),
        };
        let lines = said("bearded-dragon", &[fine]);
        assert_eq!(
            lines[0],
            "By day its warmest and its coolest place lay 6.0 °C apart on average; at every known moment one of them was cool \
             enough and one warm enough."
        );
        assert_eq!(
            lines[1],
            "It basks on a surface of 38.0 to 42.0 °C (common practice, no source). Sensors of air don't tell whether it has one: \
             measure it under the lamp by hand."
        );
    }
}
