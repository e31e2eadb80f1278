//! Random sites for measuring what is said of mistings: each enclosure has a mister, its confounders, and one fault of a known
//! size in its water or its air, or none. Hold-out sites have too few of each to count.

use chrono::{Days, NaiveDate};
use chrono_tz::Tz;
use rand::Rng;
use rand::rngs::StdRng;

use super::fault::{Change, Effect};
use super::holdout::{confounders, draw_room};
use super::planted::{Furnishing, enclosure, kinds};
use super::run::SiteSpec;
use super::scenario::bare;
use super::stream::{between, stream};

const DAYS: u64 = 56;
const INTERVAL_S: f64 = 300.0;
/// Faults begin between these days.
const FIRST_DAY: u64 = 24;
const LAST_DAY: u64 = 38;
const ENCLOSURES: usize = 5;

/// A random site of five enclosures over eight weeks at five minutes, one misting fault each at most.
pub fn mistings(seed: u64) -> SiteSpec {
    let mut rng = stream(seed, "mistings");
    let base = NaiveDate::from_ymd_opt(2025, 3, 1).expect("1 March 2025 exists");
    let until = base
        .checked_add_days(Days::new(rng.random_range(0..365)))
        .unwrap_or(base);
    let mut site = bare(
        &format!("Misting room {seed}"),
        Tz::Europe__Lisbon,
        seed,
        until,
        DAYS,
        INTERVAL_S,
    );
    draw_room(&mut site, &mut rng);
    let first = rng.random_range(0..kinds().len());
    for number in 0..ENCLOSURES {
        let kind = &kinds()[(first + number) % kinds().len()];
        let with = Furnishing {
            reference: rng.random_bool(0.85),
            third: rng.random_bool(0.4),
            fogger: rng.random_bool(0.5),
            mister: true,
            interval_s: INTERVAL_S,
            today: site.from,
        };
        let id = format!("{}-{}", kind.short, number + 1);
        site.enclosures
            .push(enclosure(kind, &id, kind.species, "nature-room", with, &mut rng));
    }
    for spec in site.enclosures.clone() {
        confounders(&mut site, &spec, &mut rng);
        let mister = format!("{}-mister", spec.id);
        // A new schedule in the weeks of the fault would blur what its size is.
        site.events
            .retain(|e| !(e.enclosure == spec.id && matches!(e.change, Change::ScheduleChanged { .. })));
        fault(&mut site, &spec.id, &mister, &mut rng);
    }
    site
}

fn fault(site: &mut SiteSpec, enclosure: &str, mister: &str, rng: &mut StdRng) {
    let day = rng.random_range(FIRST_DAY..LAST_DAY);
    let from_ms = site.at(day, rng.random_range(480..780));
    let clog = |lost_frac: f64, over_d: f64| Effect::NozzleClog { lost_frac, over_d };
    /// A fall that takes no longer than this is one at once.
    const AT_ONCE_D: f64 = 0.05;
    match rng.random_range(0..10) {
        0 | 1 => site.add_fault(enclosure, mister, clog(0.4, AT_ONCE_D), from_ms, None),
        2 | 3 => {
            let lost_frac = between(rng, 0.4, 0.85);
            let effect = clog(lost_frac, between(rng, 5.0, 20.0));
            site.add_fault(enclosure, mister, effect, from_ms, None);
        }
        4 => site.add_fault(
            enclosure,
            mister,
            clog(between(rng, 0.5, 0.8), AT_ONCE_D),
            from_ms,
            None,
        ),
        5 => {
            let until_ms = site.at(day + rng.random_range(3..7), 1080);
            site.add_fault(enclosure, mister, Effect::ReservoirEmpty, from_ms, Some(until_ms));
            site.add_event(enclosure, mister, Change::Refilled, until_ms);
        }
        6 => {
            let ratio = between(rng, 0.25, 0.5);
            site.add_fault(enclosure, enclosure, Effect::VentBlocked { ratio }, from_ms, None);
        }
        7 => {
            let ratio = between(rng, 2.5, 6.0);
            site.add_fault(enclosure, enclosure, Effect::DoorAjar { ratio }, from_ms, None);
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_of_misting_fault_occurs_and_some_enclosures_are_well() {
        let mut words = std::collections::BTreeSet::new();
        let mut well = 0;
        for seed in 0..30 {
            let site = mistings(seed);
            words.extend(site.faults.iter().map(|f| f.effect.meaning().fault));
            well += ENCLOSURES - site.faults.len();
        }
        assert_eq!(
            words.into_iter().collect::<Vec<_>>(),
            ["door-ajar", "nozzle-clog", "reservoir-empty", "vent-blocked"]
        );
        assert!((15..60).contains(&well), "{well}");
    }
}
