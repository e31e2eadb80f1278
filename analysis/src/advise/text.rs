//! Advice on a schedule in words, with its cautions.

use mosswarden_config::site::Site;

use super::{Advice, Range, Refusal, Run, Tried};
use crate::words;

/// "07:30 for 40s", as the site file writes it.
pub(super) fn run(run: Run) -> String {
    format!("{} for {}s", run.local_start.format("%H:%M"), run.duration_s)
}

fn hours(range: Range) -> String {
    format!("{:.1} h ({:.1} to {:.1})", range.middle, range.low, range.high)
}

fn schedule(tried: &Tried) -> String {
    let runs: Vec<String> = tried.runs.iter().map(|r| format!("\"{}\"", run(*r))).collect();
    format!("[{}], {} s a day", runs.join(", "), tried.seconds)
}

fn held(tried: &Tried) -> Vec<String> {
    vec![
        format!("    too dry         {}", hours(tried.held.below_h)),
        format!("    too wet         {}", hours(tried.held.above_h)),
        format!("    near saturation {}", hours(tried.held.near_saturation_h)),
    ]
}

/// The answer as text.
pub fn text(site: &Site, enclosure: &str, advice: &Result<Advice, Refusal>) -> String {
    let mut lines = Vec::new();
    match advice {
        Err(Refusal(reason)) => lines.push(format!(
            "{}, {enclosure}: no advice. {}.",
            site.name,
            words::capital(reason)
        )),
        Ok(advice) => lines.extend(given(site, advice)),
    }
    lines.push(String::new());
    lines.push("Nothing is switched. Change one thing at a time, note it in the journal (schedule-changed), look at the animals, and".to_owned());
    lines.push("ask `mosswarden compare` after a week or two. The needs of an animal that looks unwell are a veterinarian's matter.".to_owned());
    lines.push(
        "Keep plugs above the water; empty, clean and dry reservoirs regularly (Legionella).".to_owned(),
    );
    lines.join("\n")
}

fn given(site: &Site, advice: &Advice) -> Vec<String> {
    let fitted = &advice.fitted;
    let mut lines = vec![
        format!(
            "{}, {}: by {} over {:.0} days, the moisture model is off by {:.1} %RH.",
            site.name,
            advice.enclosure,
            mistings(fitted.run_count),
            fitted.days,
            fitted.error_pct
        ),
        format!(
            "Half of a rise is gone after {:.0} min ({:.0} to {:.0}) once leaves are dry.",
            fitted.half_life_min.value, fitted.half_life_min.low, fitted.half_life_min.high
        ),
        String::new(),
        format!("Now: {}", schedule(&advice.now)),
        "  hours a day by the model, the middle day (nine days of ten):".to_owned(),
    ];
    lines.extend(held(&advice.now));
    lines.push(format!(
        "  measured, the middle day: too dry {:.1} h, too wet {:.1} h",
        advice.measured_below_h, advice.measured_above_h
    ));
    lines.push(String::new());
    match &advice.better {
        None => lines.push("No schedule near the present one would hold the band clearly better.".to_owned()),
        Some(better) => {
            lines.push(format!("Would hold it better: {}", schedule(better)));
            lines.extend(held(better));
            lines.push(String::new());
            lines.push(format!(
                "Only runs of {} to {} s, at most {} a day and none into air damper than {:.0} %RH were tried: what was seen, and a little more.",
                advice.inside.duration_s.0, advice.inside.duration_s.1, advice.inside.runs_max, advice.inside.before_pct_max
            ));
        }
    }
    lines
}

fn mistings(count: usize) -> String {
    format!("{count} mistings")
}
