//! Which enclosure needs the keeper, in which order, and which was really judged.
//!
//! Order: the verdict first, then severity × duration × how fast it harms × trust, summed over the findings.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use chrono::{Datelike, NaiveDate};
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR, Span, Zone};

use crate::findings::{Cause, Finding, Kind, Severity, Value, Verdicts, is_heaters_heat};
use crate::plot::{Display, number};
use crate::trust::Standing;
use crate::words;

/// A verdict is words first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    ActNow,
    LookAtThis,
    NotKnown,
    Well,
}

impl Verdict {
    pub const fn words(self) -> &'static str {
        match self {
            Verdict::ActNow => "act now",
            Verdict::LookAtThis => "look at this",
            Verdict::NotKnown => "not known",
            Verdict::Well => "well",
        }
    }

    /// Whether it asks for the keeper: the first page tells why.
    pub(super) fn is_needed(self) -> bool {
        matches!(self, Verdict::ActNow | Verdict::LookAtThis)
    }

    /// The name in JSON and in style rules.
    pub const fn name(self) -> &'static str {
        match self {
            Verdict::ActNow => "act-now",
            Verdict::LookAtThis => "look-at-this",
            Verdict::NotKnown => "not-known",
            Verdict::Well => "well",
        }
    }
}

/// One reason for the keeper to come: findings of one kind about one subject, or a heater that stays on with the heat it makes.
#[derive(Debug, Clone, PartialEq)]
pub struct Need {
    /// Such as "Too hot, with the room".
    pub headline: String,
    /// When, in words.
    pub when: String,
    /// What was measured, the worst first; one sentence each.
    pub evidence: Vec<String>,
    /// One next step.
    pub next: String,
    /// Where a heavier need asks for that step already: the words for it, such as "The same as above."
    pub next_told: Option<String>,
    /// How sure.
    pub sure: String,
    /// Seen from the end of the span: what was urgent and is over is a warning.
    pub severity: Severity,
    pub kind: Kind,
    pub subject: String,
    pub weight: f64,
}

impl Need {
    /// The next step where needs stand one below the other: each step is told once.
    pub fn next_in_turn(&self) -> &str {
        self.next_told.as_deref().unwrap_or(&self.next)
    }
}

/// Findings of one need that are told in their own words; of the others, how many and between what they lie.
const EVIDENCE_MAX: usize = 3;

/// What was urgent and ended longer than this before the end of the span is over: to look at, no longer to act on now.
const OVER_MS: i64 = MS_PER_24_H;

fn is_over(finding: &Finding, span: Span) -> bool {
    finding.severity == Severity::Urgent
        && finding
            .end_ms
            .is_some_and(|end_ms| span.until_ms - end_ms > OVER_MS)
}

/// How soon to act, seen from the end of the span.
fn severity(finding: &Finding, span: Span) -> Severity {
    if is_over(finding, span) {
        Severity::Warning
    } else {
        finding.severity
    }
}

/// What a severity weighs against the others (our own choice: one warning outweighs two notices, one urgent two warnings).
const fn severity_weight(severity: Severity) -> f64 {
    match severity {
        Severity::Notice => 1.0,
        Severity::Warning => 3.0,
        Severity::Urgent => 9.0,
    }
}

/// What a finding weighs by the sensor it rests on (our own choice). A finding is never weighed away.
const fn trust_weight(standing: Standing) -> f64 {
    match standing {
        Standing::Believed => 1.0,
        Standing::NotKnown => 0.7,
        Standing::Doubtful => 0.5,
        Standing::NotBelieved => 0.3,
    }
}

/// A finding shorter than this counts as this long, days: a short danger is a danger.
const LEAST_DAYS: f64 = 0.25;
/// A heater that failed or stuck once may at any moment again: it counts as this long at least, days (own choice).
const HEATER_LEAST_DAYS: f64 = 2.0;
/// Heat and cold harm in hours what a sensor that reads wrong harms in weeks: their days weigh so many times as much (own choice).
const HARM_IN_HOURS: f64 = 30.0;

/// Whether a kind speaks of a sensor itself, of humidity, or of temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RestsOn {
    SensorItself,
    Humidity,
    Temperature,
}

pub(super) fn rests_on(finding: &Finding) -> RestsOn {
    match finding.kind {
        Kind::SetpointMissed if words::is_of_thermostat(finding) => RestsOn::Temperature,
        Kind::HumidityDrift
        | Kind::HumidityStep
        | Kind::SensorStuck
        | Kind::SensorPinned
        | Kind::SensorSpikes
        | Kind::SensorSilent
        | Kind::ClockWrong
        | Kind::TemperatureBias
        | Kind::LightHoursWrong
        | Kind::CareOverdue => RestsOn::SensorItself,
        Kind::HumidityTooLow
        | Kind::HumidityTooHigh
        | Kind::SetpointMissed
        | Kind::MistWeak
        | Kind::MistMissed
        | Kind::StaysWet => RestsOn::Humidity,
        Kind::Overheating
        | Kind::Overcooling
        | Kind::NightTooWarm
        | Kind::NightTooCold
        | Kind::NoNightDrop
        | Kind::HeaterStuckOn
        | Kind::HeaterFailed => RestsOn::Temperature,
    }
}

/// How the sensors that an enclosure is judged by stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Standings {
    pub temperature: Standing,
    pub humidity: Standing,
}

/// The needs of one place, the heaviest first.
pub(crate) fn needs(
    zone: Zone,
    display: Display,
    span: Span,
    verdicts: &Verdicts,
    place: &str,
    standings: Standings,
) -> Vec<Need> {
    let mut groups: BTreeMap<(Kind, &str), Vec<&Finding>> = BTreeMap::new();
    for finding in verdicts
        .findings
        .iter()
        .filter(|finding| finding.enclosure == place)
    {
        let about = if is_heaters_heat(finding) {
            (Kind::HeaterStuckOn, place)
        } else {
            (finding.kind, finding.subject.as_str())
        };
        groups.entry(about).or_default().push(finding);
    }
    let mut needs: Vec<Need> = groups
        .into_values()
        .map(|findings| need(zone, display, span, findings, standings))
        .collect();
    needs.sort_by(|a, b| {
        b.severity
            .cmp(&a.severity)
            .then(b.weight.total_cmp(&a.weight))
            .then_with(|| (a.kind, &a.subject).cmp(&(b.kind, &b.subject)))
    });
    for index in 1..needs.len() {
        let is_above = needs[..index].iter().any(|above| above.next == needs[index].next);
        needs[index].next_told = is_above.then(|| "The same as above.".to_owned());
    }
    needs
}

fn need(zone: Zone, display: Display, span: Span, mut findings: Vec<&Finding>, standings: Standings) -> Need {
    let standing = match rests_on(findings[0]) {
        RestsOn::SensorItself => None,
        RestsOn::Humidity => Some(standings.humidity),
        RestsOn::Temperature => Some(standings.temperature),
    };
    let weight = findings
        .iter()
        .map(|finding| {
            severity_weight(finding.severity)
                * harm_weight(finding)
                * days_in(finding, span)
                * standing.map_or(1.0, trust_weight)
        })
        .sum();
    // Of a heater and its heat, what is worse or still so speaks for both.
    let speaks = |finding: &&Finding| {
        (
            severity(finding, span),
            finding.end_ms.is_none(),
            Reverse(finding.kind),
        )
    };
    let lead = findings
        .iter()
        .max_by_key(|finding| speaks(finding))
        .map(|finding| finding.kind);
    findings.sort_by(|a, b| {
        (lead != Some(a.kind))
            .cmp(&(lead != Some(b.kind)))
            .then(severity(b, span).cmp(&severity(a, span)))
            .then(b.value.estimate.abs().total_cmp(&a.value.estimate.abs()))
            .then(a.start_ms.cmp(&b.start_ms))
    });
    let worst = findings[0];
    let of_lead: Vec<&Finding> = findings
        .iter()
        .copied()
        .filter(|finding| finding.kind == worst.kind)
        .collect();
    // What holds, or else what was there last, asks for the next step, also beside something worse that is over.
    let holding = findings.iter().find(|finding| finding.end_ms.is_none());
    let speaks_now = if worst.end_ms.is_none() {
        worst
    } else {
        let lately = findings.iter().filter(|finding| !is_over(finding, span));
        holding
            .or_else(|| lately.max_by_key(|finding| finding.end_ms))
            .unwrap_or(&worst)
    };
    let headline = match holding {
        Some(_) => words::kind(worst),
        None => words::kind_over(worst),
    };
    Need {
        headline: headline.to_owned(),
        when: when(zone, span, &of_lead),
        evidence: evidence(display, &findings),
        next: display.sentence(&words::next_step(speaks_now)),
        next_told: None,
        sure: match worst.kind {
            Kind::CareOverdue => "By the journal and the site file.".to_owned(),
            Kind::SensorSilent => "By when readings came in.".to_owned(),
            _ => sure(display, &worst.value, standing),
        },
        severity: severity(worst, span),
        kind: worst.kind,
        subject: worst.subject.clone(),
        weight,
    }
}

/// A few findings each in its own words; of many the worst of each cause, and between what the others of its kind lie. They come the
/// worst first.
fn evidence(display: Display, findings: &[&Finding]) -> Vec<String> {
    let are_few = findings.len() <= EVIDENCE_MAX;
    let mut told: Vec<&Finding> = Vec::new();
    let mut others: BTreeMap<Kind, (&Value, Vec<f64>)> = BTreeMap::new();
    for finding in findings {
        let is_new = told.iter().all(|earlier| earlier.cause != finding.cause);
        if are_few || (is_new && told.len() < EVIDENCE_MAX) {
            told.push(finding);
        } else {
            let (_, figures) = others.entry(finding.kind).or_insert((&finding.value, Vec::new()));
            figures.push(finding.value.estimate);
        }
    }
    let mut sentences: Vec<String> = told
        .iter()
        .map(|finding| display.sentence(&finding.message))
        .collect();
    for (value, figures) in others.values_mut() {
        figures.sort_by(f64::total_cmp);
        let (Some(least), Some(most)) = (figures.first(), figures.last()) else {
            continue;
        };
        let (least, unit) = display.coded(*least, value.unit);
        let (most, _) = display.coded(*most, value.unit);
        // Runs are counted, all else is measured.
        let show = |shown: f64| match value.unit {
            "1" => format!("{shown:.0}"),
            _ => number(shown),
        };
        let range = if least == most {
            show(least)
        } else {
            format!("{} to {}", show(least), show(most))
        };
        let figure = format!("{} {range} {unit}", value.name);
        sentences.push(format!(
            "{} more of this kind: {}.",
            words::capital(&words::count(figures.len())),
            figure.trim_end()
        ));
    }
    sentences
}

/// Of a finding's days against those of others.
fn harm_weight(finding: &Finding) -> f64 {
    let is_heat_or_cold = match finding.kind {
        Kind::Overheating | Kind::Overcooling | Kind::HeaterStuckOn | Kind::HeaterFailed => true,
        _ => is_heaters_heat(finding),
    };
    if is_heat_or_cold { HARM_IN_HOURS } else { 1.0 }
}

fn days_in(finding: &Finding, span: Span) -> f64 {
    let whole = Span {
        from_ms: finding.start_ms,
        until_ms: finding.end_ms.unwrap_or(span.until_ms),
    };
    let inside_ms = whole
        .intersect(span)
        .map_or(0, |part| part.until_ms - part.from_ms);
    let is_heater = matches!(finding.kind, Kind::HeaterStuckOn | Kind::HeaterFailed)
        || finding.cause == Some(Cause::Heater);
    let least = if is_heater { HEATER_LEAST_DAYS } else { LEAST_DAYS };
    (inside_ms as f64 / MS_PER_24_H as f64).max(least)
}

fn when(zone: Zone, span: Span, findings: &[&Finding]) -> String {
    let holds = findings.iter().any(|finding| finding.end_ms.is_none());
    let first_ms = findings
        .iter()
        .map(|finding| finding.start_ms)
        .min()
        .unwrap_or(span.from_ms);
    let ending = if holds {
        ", and it still holds"
    } else if findings.iter().all(|finding| is_over(finding, span)) {
        "; it is over"
    } else {
        ""
    };
    let last_ms = findings.iter().filter_map(|finding| finding.end_ms).max();
    if first_ms < span.from_ms {
        let first = zone.date(first_ms).format("%-d %B");
        return match last_ms.filter(|_| !holds) {
            None => format!("since about {first}{ending}"),
            Some(last_ms) => format!("from about {first} to {}{ending}", words::instant(zone, last_ms)),
        };
    }
    if let [only] = findings {
        return match only.end_ms {
            None => format!("since {}{ending}", words::instant(zone, only.start_ms)),
            Some(end_ms) => {
                let length = words::duration((end_ms - only.start_ms) as f64 / MS_PER_HOUR as f64);
                let when = words::lasting(zone, only.start_ms, Some(end_ms));
                format!("{when}, for {length}{ending}")
            }
        };
    }
    let mut dates: Vec<_> = findings
        .iter()
        .map(|finding| zone.date(finding.start_ms))
        .collect();
    dates.sort();
    dates.dedup();
    format!("{}{ending}", dates_in_words(&dates))
}

/// Rising dates: "on Monday 4 and Friday 8 May"; without a gap "from Monday 4 to Wednesday 6 May".
fn dates_in_words(dates: &[NaiveDate]) -> String {
    let day = |date: &NaiveDate, next: Option<&NaiveDate>| {
        let month_is_told_later = next.is_some_and(|next| next.month() == date.month());
        date.format(if month_is_told_later {
            "%A %-d"
        } else {
            "%A %-d %B"
        })
        .to_string()
    };
    if let [first, _, .., last] = dates
        && (*last - *first).num_days() + 1 == dates.len() as i64
    {
        return format!("from {} to {}", day(first, Some(last)), day(last, None));
    }
    let names: Vec<String> = dates
        .iter()
        .enumerate()
        .map(|(index, date)| day(date, dates.get(index + 1)))
        .collect();
    format!("on {}", words::list(&names))
}

fn sure(display: Display, value: &Value, standing: Option<Standing>) -> String {
    let mut parts = Vec::new();
    if let (Some(low), Some(high)) = (value.low, value.high) {
        let (estimate, unit) = display.coded(value.estimate, value.unit);
        let ((low, _), (high, _)) = (display.coded(low, value.unit), display.coded(high, value.unit));
        parts.push(format!(
            "{}: {} {unit}, with 95 % certainty between {} and {}",
            words::capital(value.name),
            number(estimate),
            number(low),
            number(high)
        ));
    }
    match standing {
        None => {}
        Some(Standing::Believed) => parts.push("the sensors that it rests on are believed".to_owned()),
        Some(Standing::Doubtful) => {
            parts.push("it rests on a doubtful sensor: check by hand first".to_owned())
        }
        Some(Standing::NotBelieved) => {
            parts.push("it rests on a sensor that is not believed: check by hand first".to_owned())
        }
        Some(Standing::NotKnown) => {
            parts.push("the sensors that it rests on could not be checked".to_owned())
        }
    }
    if parts.is_empty() {
        return "No interval could be given.".to_owned();
    }
    words::capital(&parts.join("; ")) + "."
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Cause;
    use mosswarden_config::site::Units;

    const HOUR: i64 = 3_600_000;

    fn finding(kind: Kind, severity: Severity, start_h: i64, hours: i64) -> Finding {
        Finding {
            kind,
            enclosure: "a".to_owned(),
            subject: "a".to_owned(),
            start_ms: start_h * HOUR,
            end_ms: Some((start_h + hours) * HOUR),
            severity,
            value: Value::new("degree-hours", hours as f64, "Cel.h"),
            cause: None,
            also: Vec::new(),
            message: format!("{hours} h of it."),
            advice: "Look.".to_owned(),
        }
    }

    fn weigh(findings: Vec<Finding>, temperature: Standing) -> Vec<Need> {
        let span = Span {
            from_ms: 0,
            until_ms: 7 * MS_PER_24_H,
        };
        let verdicts = Verdicts {
            findings,
            not_assessed: Vec::new(),
        };
        let zone = Zone::from_name("UTC").expect("an IANA name");
        let standings = Standings {
            temperature,
            humidity: Standing::Believed,
        };
        needs(zone, Display::new(Units::Metric), span, &verdicts, "a", standings)
    }

    #[test]
    fn severity_duration_and_trust_multiply() {
        // A warning of two days by a believed sensor: 3 × 2 × 1; by a doubtful one half of it (worked by hand).
        let two_days = || vec![finding(Kind::NightTooWarm, Severity::Warning, 0, 48)];
        assert_eq!(weigh(two_days(), Standing::Believed)[0].weight, 6.0);
        assert_eq!(weigh(two_days(), Standing::Doubtful)[0].weight, 3.0);
    }

    #[test]
    fn hours_of_heat_come_before_a_week_of_a_sensor_that_drifts() {
        let drift = finding(Kind::HumidityDrift, Severity::Warning, 0, 7 * 24);
        let heat = finding(Kind::Overheating, Severity::Warning, 130, 3);
        let needs = weigh(vec![drift, heat], Standing::Believed);
        assert_eq!(
            needs.iter().map(|need| need.kind).collect::<Vec<_>>(),
            [Kind::Overheating, Kind::HumidityDrift]
        );
    }

    #[test]
    fn findings_of_one_kind_are_one_need_with_the_worst_first() {
        let needs = weigh(
            vec![
                finding(Kind::Overheating, Severity::Warning, 10, 2),
                finding(Kind::Overheating, Severity::Warning, 34, 5),
                finding(Kind::NightTooCold, Severity::Urgent, 150, 8),
            ],
            Standing::Believed,
        );
        assert_eq!(needs.len(), 2);
        assert_eq!(needs[0].kind, Kind::NightTooCold, "urgent first");
        assert_eq!(needs[1].evidence[0], "5 h of it.");
        assert_eq!(needs[1].when, "on Thursday 1 and Friday 2 January");
    }

    #[test]
    fn of_many_findings_the_worst_of_each_cause_is_told_and_the_range_of_the_others() {
        let hot = |day: i64, hours: i64, cause| Finding {
            cause: Some(cause),
            value: Value::new("degree-hours above the limit", hours as f64, "Cel.h"),
            ..finding(Kind::Overheating, Severity::Warning, 24 * day + 10, hours)
        };
        let week = vec![
            hot(0, 2, Cause::RoomHeat),
            hot(1, 5, Cause::RoomHeat),
            hot(2, 3, Cause::Lamp),
            hot(3, 4, Cause::RoomHeat),
        ];
        let need = &weigh(week, Standing::Believed)[0];
        assert_eq!(
            need.evidence,
            [
                "5 h of it.",
                "3 h of it.",
                "Two more of this kind: degree-hours above the limit 2.0 to 4.0 °C·h."
            ]
        );
        assert_eq!(need.when, "from Thursday 1 to Sunday 4 January");
        let missed = |day: i64| Finding {
            value: Value::new("runs missed", 1.0 + (day % 2) as f64, "1"),
            ..finding(Kind::MistMissed, Severity::Notice, 24 * day, 1)
        };
        let need = &weigh((0..5).map(missed).collect(), Standing::Believed)[0];
        assert_eq!(need.evidence[1], "Four more of this kind: runs missed 1 to 2.");
    }

    #[test]
    fn dates_name_their_months_and_a_run_of_days_is_one_stretch() {
        let dates = |days: &[(u32, u32)]| {
            let date = |(month, day): &(u32, u32)| NaiveDate::from_ymd_opt(2026, *month, *day);
            dates_in_words(&days.iter().filter_map(date).collect::<Vec<_>>())
        };
        assert_eq!(dates(&[(5, 4), (5, 8)]), "on Monday 4 and Friday 8 May");
        assert_eq!(
            dates(&[(4, 29), (5, 1)]),
            "on Wednesday 29 April and Friday 1 May"
        );
        assert_eq!(
            dates(&[(4, 29), (4, 30), (5, 1)]),
            "from Wednesday 29 April to Friday 1 May"
        );
        assert_eq!(dates(&[(5, 4), (5, 5)]), "on Monday 4 and Tuesday 5 May");
    }

    #[test]
    fn what_was_urgent_and_is_over_asks_for_a_check_not_for_hands_now() {
        let stuck = |start_h, hours| Finding {
            advice: "Pull its plug now.".to_owned(),
            ..finding(Kind::HeaterStuckOn, Severity::Urgent, start_h, hours)
        };
        let over = &weigh(vec![stuck(10, 8)], Standing::Believed)[0];
        assert_eq!(over.severity, Severity::Warning);
        assert_eq!(over.headline, "The heater stayed on");
        assert_eq!(
            over.when,
            "Thursday 1 January, 10:00 to 18:00, for 8 h; it is over"
        );
        assert!(
            over.next.starts_with("It is over. ") && !over.next.contains("plug now"),
            "{}",
            over.next
        );
        // It ended within the last 24 hours: still urgent, but nothing to pull.
        let fresh = &weigh(vec![stuck(150, 8)], Standing::Believed)[0];
        assert_eq!(fresh.severity, Severity::Urgent);
        assert!(fresh.next.starts_with("It is over. "), "{}", fresh.next);
        let holding = Finding {
            end_ms: None,
            ..stuck(160, 8)
        };
        let both = &weigh(vec![stuck(10, 20), holding], Standing::Believed)[0];
        assert_eq!(
            (both.severity, both.next.as_str()),
            (Severity::Urgent, "Pull its plug now.")
        );
        assert_eq!(both.headline, "The heater stays on");
    }

    #[test]
    fn a_heater_that_stays_on_and_its_heat_are_one_need() {
        let stuck = finding(Kind::HeaterStuckOn, Severity::Urgent, 10, 9);
        let hot = |start_h, hours| Finding {
            cause: Some(Cause::Heater),
            ..finding(Kind::Overheating, Severity::Urgent, start_h, hours)
        };
        let needs = weigh(vec![hot(13, 6), stuck.clone()], Standing::Believed);
        assert_eq!(needs.len(), 1, "{needs:?}");
        assert_eq!(needs[0].headline, "Too hot, by its heater");
        assert_eq!(needs[0].evidence, ["6 h of it.", "9 h of it."]);
        assert_eq!(
            needs[0].when,
            "Thursday 1 January, 13:00 to 19:00, for 6 h; it is over"
        );
        // Both weigh: 9 × 30 × 2 days each, since it may come again (worked by hand).
        assert_eq!(needs[0].weight, 1080.0);
        // While the heater is on it speaks, also where the heat is over.
        let on = Finding {
            end_ms: None,
            ..stuck
        };
        let needs = weigh(vec![hot(150, 6), on], Standing::Believed);
        assert_eq!(needs[0].headline, "The heater stays on");
        assert_eq!(needs[0].evidence, ["9 h of it.", "6 h of it."]);
        // Of many days each kind's figures stay its own.
        let week = (0..5).map(|day| hot(24 * day + 13, 6 - day));
        let many: Vec<Finding> = week
            .chain([finding(Kind::HeaterStuckOn, Severity::Urgent, 10, 9)])
            .collect();
        let needs = weigh(many, Standing::Believed);
        assert_eq!(
            needs[0].evidence,
            [
                "6 h of it.",
                "9 h of it.",
                "Four more of this kind: degree-hours 2.0 to 5.0 °C·h."
            ]
        );
    }

    #[test]
    fn one_step_for_two_needs_is_told_once() {
        let found = vec![
            finding(Kind::HumidityTooLow, Severity::Warning, 10, 8),
            finding(Kind::NightTooWarm, Severity::Warning, 20, 8),
        ];
        let needs = weigh(found, Standing::Believed);
        let told: Vec<&str> = needs.iter().map(Need::next_in_turn).collect();
        assert_eq!(needs[1].next, needs[0].next);
        assert_eq!(told, [needs[0].next.as_str(), "The same as above."]);
    }
}
