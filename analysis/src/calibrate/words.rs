//! What a check came to, as lines for a keeper.

use mosswarden_config::zone::Zone;

use super::{Compared, Fit, SaltPoint, Share, combined_pct};
use crate::statistics::Estimate;
use crate::words;

fn signed(estimate: Estimate, digits: usize) -> String {
    format!(
        "{:+.digits$} ({:+.digits$} to {:+.digits$})",
        estimate.value, estimate.low, estimate.high
    )
}

fn budget_lines(budget: &[Share]) -> Vec<String> {
    let mut lines = vec!["  where the doubt comes from (standard uncertainty, JCGM 100):".to_owned()];
    lines.extend(
        budget
            .iter()
            .map(|share| format!("    {:5.2} %RH  {}", share.u_pct, share.what)),
    );
    lines.push(format!("    {:5.2} %RH  together", combined_pct(budget)));
    lines
}

/// One sensor beside the reference.
pub fn compared_lines(zone: Zone, found: &Compared) -> Vec<String> {
    let mut lines = vec![
        format!("{}, against {}:", found.fit.sensor, found.fit.against),
        format!(
            "  settled on {}; {} of quiet readings, {:.0} to {:.0} %RH",
            words::instant(zone, found.judged.from_ms),
            words::duration(found.quiet_h),
            found.level_pct.0,
            found.level_pct.1
        ),
        format!(
            "  it reads {} %RH beside the reference (95 %, by the scatter alone)",
            signed(found.difference, 1)
        ),
        format!(
            "  its own error is {} %RH (95 %, with the doubt of the reference and of the tub)",
            signed(found.error, 1)
        ),
    ];
    lines.push(match found.gain {
        Some(gain) => format!(
            "  gain: {} %RH for each 10 %RH (95 %, by the scatter alone)",
            signed(gain.scaled(10.0), 2)
        ),
        None => "  gain: not known; the tub's humidity did not span 20 %RH".to_owned(),
    });
    lines.push(format!(
        "  temperature: {} °C beside the reference (95 %, by the scatter alone; shown, not corrected)",
        signed(found.temperature_k, 2)
    ));
    lines.extend(budget_lines(&found.budget));
    lines
}

/// One fixed point.
pub fn salt_lines(zone: Zone, point: &SaltPoint) -> Vec<String> {
    let mut lines = vec![
        format!(
            "{} over {}: the air has {:.1} %RH at {:.1} °C",
            point.sensor,
            point.salt.formula(),
            point.fixed.rh_pct,
            point.t_c
        ),
        format!(
            "  settled; judged from {}, {} of quiet readings",
            words::instant(zone, point.judged.from_ms),
            words::duration(point.quiet_h)
        ),
        format!(
            "  it reads {:.1} %RH: its error is {} %RH (95 %)",
            point.reading_pct,
            signed(point.error, 1)
        ),
    ];
    lines.extend(budget_lines(&point.budget));
    lines
}

/// What is to be taken off later readings, with how sure that is at the pivot and at the level at which the sensor works.
pub fn fit_lines(fit: &Fit, working_pct: f64) -> Vec<String> {
    let bias = |reading_pct: f64| fit.bias_pct + fit.gain * (reading_pct - fit.pivot_pct);
    let doubt = |reading_pct: f64| {
        super::COVERAGE_K * fit.u_bias_pct.hypot(fit.u_gain * (reading_pct - fit.pivot_pct))
    };
    let at = |reading_pct: f64| {
        format!(
            "where {} reads {reading_pct:.1} %RH, the air has {:.1} ±{:.1} %RH",
            fit.sensor,
            reading_pct - bias(reading_pct),
            doubt(reading_pct)
        )
    };
    let mut lines = vec![format!("correction: {}", at(fit.pivot_pct))];
    if (working_pct - fit.pivot_pct).abs() >= 1.0 {
        lines.push(format!("            {}", at(working_pct)));
    }
    if bias(working_pct).abs() <= doubt(working_pct) {
        lines.push(
            "            no error is shown at the level where it works: the correction lies inside its own doubt".to_owned(),
        );
    }
    lines
}
