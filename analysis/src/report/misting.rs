//! What an enclosure's mistings did: how many took place, the rise they made, how fast it went.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use mosswarden_config::zone::Zone;

use super::model::{Judged, Material};
use crate::conditions::{Airing, Dried, MistTrend, Misting, PEAK_MIN, Ran};
use crate::findings::Kind;
use crate::plot::{self, Bars, Brought, MistingGroup, MistingPlot, Picture, number};
use crate::statistics::Estimate;
use crate::words;

/// The misting part of an enclosure's pages.
#[derive(Debug, Clone, PartialEq)]
pub struct MistingPart {
    pub sentences: Vec<String>,
    pub picture: Option<Picture>,
    /// Yield and half-life week by week, of each mister of which something is said.
    pub trend_pictures: Vec<Picture>,
    /// The same of those that bring what they usually do.
    pub steady_pictures: Vec<Picture>,
}

/// Groups up to which mistings are shown by day; more days are shown by week.
const DAY_GROUPS_MAX: usize = 14;

/// Runs before the span that are needed to say what is usual (our own choice).
const USUAL_RUNS_MIN: usize = 5;

pub(super) fn part(material: &Material<'_>, judged: &Judged<'_>) -> Option<MistingPart> {
    let all = || judged.mistings();
    let inside: Vec<&Misting> = all().filter(|m| material.span.contains(m.at_ms)).collect();
    if inside.is_empty() {
        return None;
    }
    let earlier: Vec<&Misting> = all().filter(|m| m.at_ms < material.span.from_ms).collect();
    let usual = |pick: fn(&Misting) -> Option<f64>| {
        let values = counting(&earlier, pick);
        (values.len() >= USUAL_RUNS_MIN)
            .then(|| middle(values))
            .flatten()
            .map(|triple| triple[0])
    };
    let picture = plot::misting_plot(&MistingPlot {
        title: format!("{}: what the mistings did", judged.enclosure.label),
        groups: groups(material, &inside),
        brought: Brought::Rise,
        usual: usual(|m| m.rise_pct),
        usual_half_life_min: usual(|m| m.half_life_min),
        bars: Bars::LowestToHighest,
    });
    let mut lines = sentences(material, &inside);
    lines.extend(super::moisture::trends(judged));
    let trends = judged.conditions.map_or(&[][..], |outcome| &outcome.mist_trends);
    let is_steady = |trend: &&MistTrend| {
        let mut findings = material.verdicts.findings.iter();
        let is_weak = findings.any(|f| f.kind == Kind::MistWeak && f.subject == trend.device);
        !is_weak && matches!(trend.airing, Airing::Usual | Airing::NotKnown)
    };
    let (steady, changed): (Vec<_>, Vec<_>) = trends.iter().partition(is_steady);
    let pictures = |trends: Vec<&MistTrend>| {
        let picture = |trend| by_week(material.site.zone, &judged.enclosure.label, trend);
        trends.into_iter().filter_map(picture).collect()
    };
    Some(MistingPart {
        sentences: lines,
        picture,
        trend_pictures: pictures(changed),
        steady_pictures: pictures(steady),
    })
}

/// A mister's yield and half-life by seven days, the last of which end with the span; `None` where there are too few of them for a course.
fn by_week(zone: Zone, label: &str, trend: &MistTrend) -> Option<Picture> {
    const WEEKS_MIN: usize = 3;
    let known = trend.weeks.iter().filter(|week| week.yield_share.is_some());
    if known.count() < WEEKS_MIN {
        return None;
    }
    let triple =
        |estimate: Estimate, scale: f64| [estimate.value, estimate.low, estimate.high].map(|v| scale * v);
    let groups = trend
        .weeks
        .iter()
        .map(|week| MistingGroup {
            label: zone.date(week.from_ms).format("%-d %b").to_string(),
            count: week.counted,
            brought: week.yield_share.map(|share| triple(share, 100.0)),
            half_life_min: week.half_life_min.map(|minutes| triple(minutes, 1.0)),
        })
        .collect();
    plot::misting_plot(&MistingPlot {
        title: format!("{label}: what {} brought week by week", trend.device),
        groups,
        brought: Brought::Yield,
        usual: Some(100.0),
        usual_half_life_min: trend.usual_half_life_min,
        bars: Bars::Interval95,
    })
}

fn sentences(material: &Material<'_>, inside: &[&Misting]) -> Vec<String> {
    let count = |scheduled: bool, ran: Ran| {
        let alike = |m: &&&Misting| m.scheduled == scheduled && m.ran == ran;
        inside.iter().filter(alike).count()
    };
    let unasked = count(false, Ran::Yes);
    let asked = inside.iter().filter(|m| m.scheduled).count();
    let mut lines = vec![if asked == 0 {
        let seen = inside.iter().filter(|m| m.is_only_seen()).count();
        let rises = match seen {
            0 => String::new(),
            1 => "; one sharp rise of humidity looks like another (or a door, or a bowl that was filled)"
                .to_owned(),
            count => format!(
                "; {count} sharp rises of humidity look like further ones (or a door, or a bowl that was filled)"
            ),
        };
        format!(
            "No misting is asked for by a schedule: {} noted or sent{rises}.",
            unasked - seen
        )
    } else {
        let mut told = vec![format!("{} ran", count(true, Ran::Yes))];
        for (runs, what) in [
            (count(true, Ran::No), "did not"),
            (count(true, Ran::NotKnown), "not known, for want of readings"),
            (unasked, "more without being asked for"),
        ] {
            if runs > 0 {
                told.push(format!("{runs} {what}"));
            }
        }
        format!(
            "{} asked for by the schedule: {}.",
            words::several(asked, "misting"),
            told.join(", ")
        )
    }];
    if let Some([middle, low, high]) = middle(counting(inside, |m| m.rise_pct)) {
        lines.push(if low == high {
            format!("The humidity rose by {} %RH at the misting.", number(middle))
        } else {
            format!(
                "The humidity rose by {} %RH at a misting (middle value; from {} to {}).",
                number(middle),
                number(low),
                number(high)
            )
        });
    }
    lines.extend(course(inside));
    let censored = inside.iter().filter(|m| m.censored).count();
    if censored > 0 {
        lines.push(format!(
            "{} ended at saturation: the true rise may be larger.",
            words::capital(&words::several(censored, "misting"))
        ));
    }
    let missed: Vec<String> = inside
        .iter()
        .filter(|m| m.ran == Ran::No)
        .map(|m| words::moment_short(material.site.zone, m.at_ms))
        .collect();
    if !missed.is_empty() {
        lines.push(format!("Did not take place: {}.", missed.join("; ")));
    }
    let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
    for reason in inside.iter().filter_map(|m| m.left_out.as_deref()) {
        *reasons.entry(reason).or_default() += 1;
    }
    lines.extend(reasons.iter().map(|(reason, runs)| {
        format!(
            "{} left out of the trend: {reason}.",
            words::capital(&words::several(*runs, "misting"))
        )
    }));
    lines
}

/// How the air took a misting: when it was dampest, when half of the rise was gone, when it was as dry again as before.
fn course(inside: &[&Misting]) -> Option<String> {
    let minutes = |minutes: f64| format!("{minutes:.0} min");
    let peak = middle(counting(inside, |m| m.minutes_to_peak));
    let half = middle(counting(inside, |m| m.half_life_min));
    let hours = counting(inside, |m| match m.dried? {
        Dried::AfterH(hours) => Some(hours),
        Dried::NotBeforeTheNext => None,
    });
    let wet = counting(inside, |m| (m.dried? == Dried::NotBeforeTheNext).then_some(1.0)).len();
    let mut parts = Vec::new();
    parts.extend(peak.map(|peak| {
        format!(
            "the air was dampest after {} of the {PEAK_MIN} looked at",
            ranging(peak, minutes)
        )
    }));
    parts.extend(half.map(|half| format!("half of the rise was gone after {}", ranging(half, minutes))));
    parts.extend(middle(hours).map(|dry| {
        format!(
            "it was as dry again as before after {}",
            ranging(dry, words::duration)
        )
    }));
    parts.extend((wet > 0).then(|| {
        format!(
            "after {} water came again before that",
            words::several(wet, "misting")
        )
    }));
    (!parts.is_empty()).then(|| format!("{}.", words::capital(&parts.join("; "))))
}

/// A middle value with the lowest and the highest, where they differ.
fn ranging([middle, low, high]: [f64; 3], say: impl Fn(f64) -> String) -> String {
    let [middle, low, high] = [middle, low, high].map(say);
    match low == high {
        true => middle,
        false => format!("{middle} ({low} to {high})"),
    }
}

fn counting(mistings: &[&Misting], pick: fn(&Misting) -> Option<f64>) -> Vec<f64> {
    mistings
        .iter()
        .filter(|m| m.left_out.is_none() && m.ran == Ran::Yes)
        .filter_map(|m| pick(m))
        .collect()
}

/// Median with lowest and highest: honest for the few runs of a day.
fn middle(mut values: Vec<f64>) -> Option<[f64; 3]> {
    values.sort_by(f64::total_cmp);
    let (low, high) = (*values.first()?, *values.last()?);
    let half = values.len() / 2;
    let median = if values.len() % 2 == 1 {
        values[half]
    } else {
        (values[half - 1] + values[half]) / 2.0
    };
    Some([median, low, high])
}

fn groups(material: &Material<'_>, inside: &[&Misting]) -> Vec<MistingGroup> {
    let zone = material.site.zone;
    let dates = zone.dates(material.span);
    let by_day = dates.len() <= DAY_GROUPS_MAX;
    let key = |date: NaiveDate| {
        if by_day {
            date
        } else {
            date.week(chrono::Weekday::Mon).first_day()
        }
    };
    let mut groups: BTreeMap<NaiveDate, Vec<&Misting>> = BTreeMap::new();
    for date in dates {
        groups.entry(key(date)).or_default();
    }
    for misting in inside {
        groups
            .entry(key(zone.date(misting.at_ms)))
            .or_default()
            .push(misting);
    }
    groups
        .into_iter()
        .map(|(date, mistings)| MistingGroup {
            label: date.format(if by_day { "%a %-d" } else { "%-d %b" }).to_string(),
            count: counting(&mistings, |m| m.rise_pct).len(),
            brought: middle(counting(&mistings, |m| m.rise_pct)),
            half_life_min: middle(counting(&mistings, |m| m.half_life_min)),
        })
        .collect()
}
