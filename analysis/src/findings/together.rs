//! Findings that tell of one cause: a heater that stays on and the heat it makes, one that fails and the cold it leaves, a room that is too
//! hot, a pump that fails.
//!
//! In: findings in the order in which they are printed. Out: the same findings, those of one cause together, so that whoever prints them
//! says the next step once.

use std::collections::BTreeSet;

use mosswarden_config::site::Site;
use mosswarden_config::zone::{MS_PER_24_H, MS_PER_HOUR};

use super::{Cause, Finding, Kind};

/// Misters of one pump that fell off within this did so together (own choice).
pub(crate) const TOGETHER_MS: i64 = 36 * MS_PER_HOUR;
/// Days of one heat wave, or of one heater's fault, follow each other within this: the night between two hot days is shorter.
const APART_MS: i64 = MS_PER_24_H;

/// What lies behind a finding, where that can be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Root<'a> {
    Room,
    /// A pump by its name in the site file.
    Pump(&'a str),
    /// The heater of an enclosure, on beyond its set-point.
    Heater(&'a str),
    /// What is missing of the warmth of an enclosure.
    Cold(&'a str),
}

impl<'a> Root<'a> {
    fn of(site: &'a Site, finding: &'a Finding) -> Option<Root<'a>> {
        match (finding.kind, finding.cause) {
            (Kind::Overheating, Some(Cause::RoomHeat)) => Some(Root::Room),
            _ if is_heaters_heat(finding) => Some(Root::Heater(&finding.enclosure)),
            (Kind::HeaterFailed | Kind::Overcooling | Kind::NightTooCold, _) => {
                Some(Root::Cold(&finding.enclosure))
            }
            (Kind::MistWeak, _) => {
                let enclosure = site.enclosure(&finding.enclosure)?;
                let device = enclosure
                    .devices
                    .iter()
                    .find(|device| device.id == finding.subject)?;
                device.pump.as_deref().map(Root::Pump)
            }
            _ => None,
        }
    }
}

/// Whether a finding is that a heater heats too much, or what came of it.
pub(crate) fn is_heaters_heat(finding: &Finding) -> bool {
    matches!(
        (finding.kind, finding.cause),
        (Kind::HeaterStuckOn, _) | (Kind::Overheating, Some(Cause::Heater))
    )
}

/// Findings of one cause together; groups, and findings in each, in the order in which they come.
pub fn by_cause<'f>(site: &Site, findings: impl IntoIterator<Item = &'f Finding>) -> Vec<Vec<&'f Finding>> {
    let mut groups: Vec<Vec<&Finding>> = Vec::new();
    for finding in findings {
        match groups
            .iter_mut()
            .find(|group| group.iter().any(|other| is_one_cause(site, other, finding)))
        {
            Some(group) => group.push(finding),
            None => groups.push(vec![finding]),
        }
    }
    groups
}

fn is_one_cause(site: &Site, a: &Finding, b: &Finding) -> bool {
    let (Some(root), Some(other)) = (Root::of(site, a), Root::of(site, b)) else {
        return false;
    };
    let follow = |apart_ms: i64| {
        let ends_before =
            |a: &Finding, b: &Finding| a.end_ms.is_some_and(|end_ms| end_ms + apart_ms < b.start_ms);
        !ends_before(a, b) && !ends_before(b, a)
    };
    root == other
        && match root {
            // Nozzles clog one by one; what hangs on the pump begins together.
            Root::Pump(_) => (a.start_ms - b.start_ms).abs() <= TOGETHER_MS,
            Root::Room | Root::Heater(_) => follow(APART_MS),
            // Cold alone may have many causes; what was cold while a heater failed had that one.
            Root::Cold(_) => [a, b].iter().any(|one| one.kind == Kind::HeaterFailed) && follow(0),
        }
}

/// What several enclosures suffer from together, a sentence each, with their names.
pub(crate) fn shared(site: &Site, findings: &[Finding]) -> Vec<String> {
    let mut said = BTreeSet::new();
    for group in by_cause(site, findings) {
        let is_here = |id: &str| group.iter().any(|finding| finding.enclosure == id);
        let names: Vec<String> = site
            .enclosures
            .iter()
            .filter(|enclosure| is_here(&enclosure.id))
            .map(|enclosure| enclosure.label.clone())
            .collect();
        let what = match Root::of(site, group[0]) {
            Some(Root::Room) => "One cause, the heat of the room".to_owned(),
            Some(Root::Pump(pump)) => format!("Probably one cause, the pump “{pump}” or its reservoir"),
            _ => continue,
        };
        if names.len() > 1 {
            said.insert(format!("{what}, in {}.", crate::words::list(&names)));
        }
    }
    said.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::{Severity, Value};
    use super::*;

    const SITE: &str = include_str!("../../../tests/reference/site.toml");

    fn finding(kind: Kind, enclosure: &str, subject: &str, start_h: i64, cause: Option<Cause>) -> Finding {
        Finding {
            kind,
            enclosure: enclosure.to_owned(),
            subject: subject.to_owned(),
            start_ms: start_h * MS_PER_HOUR,
            end_ms: Some((start_h + 6) * MS_PER_HOUR),
            severity: Severity::Urgent,
            value: Value::new("hours", 6.0, "h"),
            cause,
            also: Vec::new(),
            message: String::new(),
            advice: String::new(),
        }
    }

    /// Two enclosures alike, both misters on one pump.
    fn site() -> Site {
        let first = SITE.replace("kind = \"mister\"", "pump = \"tank\"\n  kind = \"mister\"");
        let own = first
            .find("[[enclosure]]")
            .map(|at| first[at..].replace("mossy-1", "mossy-2"));
        let second = own.expect("it has one").replace("tall tank", "low tank");
        let source = first + &second;
        Site::from_source(Path::new("site.toml"), &source).unwrap_or_else(|problems| panic!("{problems:?}"))
    }

    #[test]
    fn a_heater_that_fails_and_the_cold_meanwhile_are_one_cause_and_two_cold_nights_are_not() {
        let of = |kind, start_h| finding(kind, "mossy-1", "mossy-1", start_h, None);
        let found = [
            of(Kind::HeaterFailed, 22),
            of(Kind::NightTooCold, 20),
            of(Kind::NightTooCold, 44),
            of(Kind::NightTooCold, 68),
        ];
        let counts: Vec<usize> = by_cause(&site(), &found).iter().map(Vec::len).collect();
        assert_eq!(counts, [2, 1, 1]);
    }

    #[test]
    fn a_heater_and_its_heat_are_one_cause_and_a_hot_room_is_one_in_all_its_enclosures() {
        let hot = |enclosure, start_h, cause| {
            finding(Kind::Overheating, enclosure, enclosure, start_h, Some(cause))
        };
        let found = [
            hot("mossy-1", 36, Cause::Heater),
            finding(Kind::HeaterStuckOn, "mossy-1", "mossy-1-heater", 34, None),
            hot("mossy-2", 60, Cause::RoomHeat),
            hot("mossy-1", 61, Cause::RoomHeat),
            // The day after is the same heat, another week is not.
            hot("mossy-2", 84, Cause::RoomHeat),
            hot("mossy-2", 240, Cause::RoomHeat),
            finding(Kind::NightTooWarm, "mossy-2", "mossy-2", 66, None),
        ];
        let sizes: Vec<usize> = by_cause(&site(), &found).iter().map(Vec::len).collect();
        assert_eq!(sizes, [2, 3, 1, 1]);
        assert_eq!(
            shared(&site(), &found),
            ["One cause, the heat of the room, in Mossy frogs, tall tank and Mossy frogs, low tank."]
        );
    }

    #[test]
    fn misters_on_one_pump_are_one_cause_where_they_fall_off_together() {
        let weak = |enclosure: &str, start_h| {
            finding(
                Kind::MistWeak,
                enclosure,
                &format!("{enclosure}-mister"),
                start_h,
                None,
            )
        };
        let sizes =
            |found: &[Finding]| -> Vec<usize> { by_cause(&site(), found).iter().map(Vec::len).collect() };
        assert_eq!(sizes(&[weak("mossy-1", 0), weak("mossy-2", 30)]), [2]);
        assert_eq!(sizes(&[weak("mossy-1", 0), weak("mossy-2", 40)]), [1, 1]);
    }
}
