//! A comparison in words, with what it cannot say.

use mosswarden_config::site::{Site, Units};

use super::{Comparison, Effect, Measure, Said};
use crate::words;

/// The answer as text: what changed, what did not, what can't be told yet.
pub fn text(site: &Site, comparison: &Comparison) -> String {
    let zone = site.zone;
    let what = if comparison.what.is_empty() {
        "the change".to_owned()
    } else {
        format!("\"{}\"", comparison.what)
    };
    let mut lines = vec![format!(
        "{}, {}: before and after {what} on {}",
        site.name,
        comparison.enclosure,
        words::instant(zone, comparison.at_ms)
    )];
    lines.push(match comparison.days {
        Some((first, last)) => format!(
            "Compared: {} to {}, at the same room warmth and vapour; the day itself is left out.",
            words::day(first),
            words::day(last)
        ),
        None => "Compared: nothing, because no day is known well enough, the room's included.".to_owned(),
    });
    for (at_ms, kind) in &comparison.cut_by {
        lines.push(format!(
            "Cut at {} ({kind}): two changes can't be told apart.",
            words::date(zone, *at_ms)
        ));
    }
    lines.push(String::new());
    let changed: Vec<String> = of(comparison, |said| matches!(said, Said::Changed(_)), site);
    let too_small: Vec<String> = of(comparison, |said| matches!(said, Said::TooSmall(_)), site);
    let as_before: Vec<String> = of(comparison, |said| matches!(said, Said::AsBefore(_)), site);
    let unclear: Vec<String> = of(
        comparison,
        |said| matches!(said, Said::TooWide(_) | Said::TooEarly { .. }),
        site,
    );
    let open = match unclear.is_empty() {
        true => ".",
        false => "; of others it is too early to say.",
    };
    lines.push(match changed.len() {
        0 if comparison.is_too_early() => "Too early to say.".to_owned(),
        0 if !too_small.is_empty() => {
            format!("Of the measures that can be told, none changed by as much as matters{open}")
        }
        0 => {
            format!("Of the measures that can be told, none changed beyond what weather and chance do{open}")
        }
        1 => format!("One measure changed{open}"),
        count => format!("{count} measures changed{open}"),
    });
    for (heading, part) in [
        ("Changed:", changed),
        ("Changed, too small to matter:", too_small),
        ("As before, within:", as_before),
        ("Too early to say:", unclear),
    ] {
        if !part.is_empty() {
            // Where nothing else can be said, the answer is the heading already.
            if lines
                .last()
                .is_some_and(|last| last.trim_end_matches('.') != heading.trim_end_matches(':'))
            {
                lines.push(heading.to_owned());
            }
            lines.extend(part);
        }
    }
    lines.push(String::new());
    lines.push("Each interval is meant to hold the truth 19 times in 20: of ten measures one stands out by chance in about two comparisons of five.".to_owned());
    lines.push("What else changed that day, or slowly with the season inside the enclosure, can't be told from the change.".to_owned());
    lines.join("\n")
}

fn of(comparison: &Comparison, wanted: impl Fn(&Said) -> bool, site: &Site) -> Vec<String> {
    // Measures of which the same is said stand in one line.
    let mut lines: Vec<(Vec<String>, String)> = Vec::new();
    for (measure, said) in comparison.measures.iter().filter(|(_, said)| wanted(said)) {
        let (name, figures) = (measure.name().to_owned(), figures(*measure, said, site.units));
        match lines.iter_mut().find(|(_, known)| *known == figures) {
            Some((names, _)) => names.push(name),
            None => lines.push((vec![name], figures)),
        }
    }
    lines
        .into_iter()
        .map(|(names, figures)| format!("  {}: {figures}", words::list(&names)))
        .collect()
}

fn figures(measure: Measure, said: &Said, units: Units) -> String {
    match said {
        Said::TooEarly {
            before_days,
            after_days,
        } => {
            format!(
                "{before_days} days known before and {after_days} after, at least {} and {} are needed",
                super::BEFORE_DAYS_MIN,
                super::AFTER_DAYS_MIN
            )
        }
        Said::Changed(effect) | Said::TooSmall(effect) | Said::AsBefore(effect) | Said::TooWide(effect) => {
            change(measure, effect, units)
        }
    }
}

fn change(measure: Measure, effect: &Effect, units: Units) -> String {
    format!(
        "{}; {} days before, {} after",
        interval(measure, effect, units),
        effect.before_days,
        effect.after_days
    )
}

/// "+8.7 %RH (+8.0 to +9.4)".
pub(super) fn interval(measure: Measure, effect: &Effect, units: Units) -> String {
    let imperial = units == Units::Imperial && measure.unit() == "Cel";
    let (scale, unit) = match (measure.unit(), imperial) {
        (_, true) => (1.8, "°F"),
        ("Cel", false) => (1.0, "°C"),
        (unit, false) => (1.0, unit),
    };
    let digits = if measure.unit() == "kPa" {
        2
    } else {
        usize::from(measure.unit() != "%")
    };
    let number = |value: f64| {
        let text = format!("{:+.digits$}", value * scale);
        // What rounds to nothing has no sign.
        let is_nothing = text.bytes().all(|byte| !(b'1'..=b'9').contains(&byte));
        if is_nothing { text[1..].to_owned() } else { text }
    };
    let [value, low, high] = [effect.change.value, effect.change.low, effect.change.high].map(number);
    format!("{value} {unit} ({low} to {high})")
}
