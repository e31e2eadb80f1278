//! `flags`: findings of a span as text or JSON.

use std::io::Write as _;

use mosswarden_analysis::by_part::Kept;
use mosswarden_analysis::findings::{Document, Verdicts, gathered};
use mosswarden_analysis::words;
use mosswarden_config::site::Site;
use mosswarden_config::zone::Span;

use crate::cli::{Flags, FlagsFormat};
use crate::commands::{judge, only, span};
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(mut site: Site, flags: &Flags) -> Result<Outcome, Failure> {
    only(&mut site, &flags.enclosures)?;
    let span = span(&site, &flags.span)?;
    let (_, assessment) = judge(&site, span, Kept::Nothing)?;
    let verdicts = &assessment.verdicts;
    let printed = match flags.format {
        FlagsFormat::Json => serde_json::to_string_pretty(&Document::new(&site, span, verdicts))
            .map_err(Failure::failed("could not write the findings"))?,
        FlagsFormat::Text => text(&site, span, verdicts),
    };
    writeln!(std::io::stdout(), "{printed}").map_err(Failure::failed("could not print the findings"))?;
    Ok(if verdicts.findings.is_empty() {
        Outcome::Done
    } else {
        Outcome::Attention
    })
}

/// Findings in words, then what could not be judged.
pub(crate) fn text(site: &Site, span: Span, verdicts: &Verdicts) -> String {
    let zone = site.zone;
    let mut lines = vec![format!(
        "{}, {} to {} ({})",
        site.name,
        words::instant(zone, span.from_ms),
        words::instant(zone, span.until_ms),
        zone.name()
    )];
    lines.push(match verdicts.findings.len() {
        0 => "Nothing was found.".to_owned(),
        1 => "One thing was found.".to_owned(),
        count => format!("{count} things were found."),
    });
    for finding in &verdicts.findings {
        lines.push(String::new());
        let still = finding.end_ms.map_or(", still so", |_| "");
        lines.push(format!(
            "{} · {} · {} · {} (since {}{still})",
            finding.severity.name(),
            finding.enclosure,
            finding.kind.name(),
            finding.subject,
            words::instant(zone, finding.start_ms)
        ));
        lines.push(format!("  {}", finding.message));
        lines.push(format!("  Next: {}", finding.advice));
    }
    if !verdicts.not_assessed.is_empty() {
        lines.push(String::new());
        lines.push("Not judged:".to_owned());
        for item in gathered(&verdicts.not_assessed) {
            let kinds: Vec<&str> = item.kinds.iter().map(|kind| kind.name()).collect();
            let when = item
                .when(zone, span)
                .map_or_else(String::new, |when| format!(", {when}"));
            lines.push(format!(
                "  {} · {}{when}: {}",
                item.enclosure,
                kinds.join(", "),
                item.reason
            ));
        }
    }
    lines.join("\n")
}
