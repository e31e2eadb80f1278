//! Hours of light by the lamp's states, by a light sensor where no lamp sends any, or else by the lamp's own warmth.
//!
//! In: states and illuminance from the record, temperature. Out: hours a local day, a finding for each stretch of days with too much or
//! too little.

use mosswarden_config::journal;
use mosswarden_config::quantity::Quantity;
use mosswarden_config::site::DeviceKind;
use mosswarden_config::table::Mark;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::Day;
use super::context::Context;
use super::device::{hours_within, known_together, union};
use super::light_by_heat::by_heat;
use crate::findings::{Kind, Severity, Value, Verdicts};
use crate::statistics::robust::{median, quantile};

/// Wrong days on either side of so many unknown ones are one stretch (own choice).
const BRIDGED_DAYS_MAX: usize = 3;
/// How far back the beginning of what still goes on is looked for.
const BEFORE_MS: i64 = 56 * MS_PER_24_H;
/// Days that say what was asked for before a noted change of the hours, from so many on (own choice).
const LEARNT_DAYS_MIN: usize = 5;
/// Hours of light may differ by this much: a timer with a quarter-hour dial at both ends (common practice, no source).
const TOLERANCE_H: f64 = 0.5;
const WARNING_H: f64 = 2.0;
/// Light for this long without a break was left on.
const LEFT_ON_H: f64 = 20.0;
/// A day is judged when its states are known but for this share.
const KNOWN_FRAC_MIN: f64 = 0.95;
/// A light sensor must see the lit hours this many times brighter than the dark ones.
const CONTRAST_MIN: f64 = 3.0;
/// A light that switches is hardly ever between these shares of its brightness: for so much of the time at most, which is a dimmer's hour at
/// both ends (own choices).
const SWITCHED_FRAC: [f64; 2] = [0.15, 0.6];
const BETWEEN_FRAC_MAX: f64 = 0.05;

/// When there was light, and when that is known.
pub(super) struct Lit {
    on: Vec<Span>,
    known: Vec<Span>,
    by: String,
    /// How far the hours of a day may be off by the way they are known.
    doubt_h: f64,
}

impl Lit {
    pub(super) fn new(on: Vec<Span>, known: Vec<Span>, by: &str, doubt_h: f64) -> Lit {
        Lit {
            on: union(on),
            known: union(known),
            by: by.to_owned(),
            doubt_h,
        }
    }

    /// The longest stretch of light inside a span, h.
    fn longest_h(&self, span: Span) -> f64 {
        self.on
            .iter()
            .filter_map(|on| on.intersect(span))
            .map(Span::hours)
            .fold(0.0, f64::max)
    }

    /// Hours of a span of which it is not known whether there was light.
    fn unknown_h(&self, span: Span) -> f64 {
        span.hours() - hours_within(&self.known, span)
    }

    /// Hours of light in a span; `None` where too little is known.
    pub(super) fn hours(&self, span: Span) -> Option<f64> {
        (hours_within(&self.known, span) >= KNOWN_FRAC_MIN * span.hours())
            .then(|| hours_within(&self.on, span))
    }
}

/// The light of an enclosure: by states, else by a light sensor, else by the lamp's warmth.
pub(super) fn lit(context: &Context<'_>) -> Option<Lit> {
    by_states(context)
        .or_else(|| by_sensor(context))
        .or_else(|| by_heat(context))
}

fn by_states(context: &Context<'_>) -> Option<Lit> {
    // A lamp on a thermostat is a heater that shines: it says nothing of the hours of light.
    let lamps: Vec<_> = context
        .enclosure
        .devices_of(DeviceKind::Lamp)
        .filter(|device| device.setpoint.temperature_c.is_none())
        .collect();
    let states: Vec<_> = lamps.iter().filter_map(|device| context.states(device)).collect();
    if states.is_empty() || states.len() < lamps.len() {
        return None;
    }
    let known = known_together(&states);
    let on = states.into_iter().flat_map(|states| states.on).collect();
    Some(Lit::new(on, known, "lamp's states", 0.0))
}

fn by_sensor(context: &Context<'_>) -> Option<Lit> {
    let (id, series) = context
        .enclosure
        .sensors
        .iter()
        .find_map(|sensor| Some((&sensor.id, context.record.get(&sensor.id, Quantity::Illuminance)?)))?;
    let series = series.filtered(|at, _, mark| mark != Mark::Impossible && at < context.span.until_ms);
    let bright = quantile(&series.value, 0.75)?;
    let dark = quantile(&series.value, 0.1)?.max(1.0);
    if bright < CONTRAST_MIN * dark {
        return None;
    }
    // Daylight comes and goes slowly, and no timer asks for it.
    let (dim, lit) = (SWITCHED_FRAC[0] * bright, SWITCHED_FRAC[1] * bright);
    let between = series.value.iter().filter(|lx| (dim..lit).contains(*lx)).count();
    if between as f64 > BETWEEN_FRAC_MAX * series.value.len() as f64 {
        return None;
    }
    // Above daylight beside a lamp as well as above the dark.
    let threshold_lx = (bright * dark).sqrt().max((dim * lit).sqrt());
    let gap_ms = series.gap_ms();
    let (mut on, mut known) = (Vec::new(), Vec::new());
    series
        .view()
        .pieces(context.whole(), gap_ms, |from_ms, until_ms, v0, v1| {
            known.push(Span { from_ms, until_ms });
            // The switch lies somewhere between two readings: half of the piece counts.
            let middle_ms = from_ms + (until_ms - from_ms) / 2;
            match (v0 > threshold_lx, v1 > threshold_lx) {
                (true, true) => on.push(Span { from_ms, until_ms }),
                (true, false) => on.push(Span {
                    from_ms,
                    until_ms: middle_ms,
                }),
                (false, true) => on.push(Span {
                    from_ms: middle_ms,
                    until_ms,
                }),
                (false, false) => {}
            }
        });
    Some(Lit::new(on, known, &format!("light sensor {id}"), 0.0))
}

/// Judges every whole day.
pub(super) fn judge(context: &Context<'_>, days: &[Day]) -> Verdicts {
    let mut verdicts = Verdicts::default();
    let Some(lit) = lit(context) else {
        verdicts.not_assessed.push(context.not_assessed(
            Kind::LightHoursWrong,
            None,
            context.span,
            "no lamp sends its state, no light sensor sees one that switches, and no lamp's warmth stands out".to_owned(),
        ));
        return verdicts;
    };
    let asked = Asked::of(context, &lit);
    let looked = Looked::at(context, days, &lit, &asked);
    let unjudged = looked.without_past.into_iter().map(|day| {
        let reason = "the journal has a change of the light hours since, and too few days before it say what was asked for then";
        (day, reason.to_owned())
    });
    let unknown = looked.unknown.into_iter().map(|day| {
        let date = context.words.day(day.from_ms);
        (
            day,
            format!(
                "the hours of light by the {} are not known for all of {date}",
                lit.by
            ),
        )
    });
    for (day, reason) in unjudged.chain(unknown) {
        verdicts
            .not_assessed
            .push(context.not_assessed(Kind::LightHoursWrong, None, day, reason));
    }
    for stretch in looked.stretches {
        let span = stretch.span;
        if span.until_ms <= context.span.from_ms {
            continue;
        }
        // A hand inside or the heating bends the line as a weak lamp does.
        if let ([alone], true) = (stretch.differences_h.as_slice(), lit.doubt_h > 0.0) {
            let reason = format!(
                "{} {} light than asked for on {} by the {}, and one day alone says too little",
                context.words.hours(alone.abs()),
                if *alone < 0.0 { "less" } else { "more" },
                context.words.day(span.from_ms),
                lit.by
            );
            verdicts
                .not_assessed
                .push(context.not_assessed(Kind::LightHoursWrong, None, span, reason));
            continue;
        }
        let mut found = finding(context, &lit, span, &stretch.differences_h, stretch.is_open);
        if asked.is_of_before(span) {
            found.message +=
                " What was asked for then is taken from the lamp's own days before the noted change.";
        }
        verdicts.findings.push(found);
    }
    verdicts
}

/// Days in a row, but for few of which nothing is known, that differ from what was asked for in one direction.
struct Stretch {
    span: Span,
    /// Day by day.
    differences_h: Vec<f64>,
    /// As far as is known it goes on.
    is_open: bool,
}

/// What the days showed.
#[derive(Default)]
struct Looked {
    stretches: Vec<Stretch>,
    /// Days to be judged whose hours are not known.
    unknown: Vec<Span>,
    /// Days that differ from what holds since a later change, where nothing says what held then.
    without_past: Vec<Span>,
}

impl Looked {
    /// Looks at the whole days of the span, and at those before it, which say since when it is so, back to the last noted change of the hours.
    fn at(context: &Context<'_>, days: &[Day], lit: &Lit, asked: &Asked) -> Looked {
        let looked_at = Span {
            from_ms: context
                .record_from_ms()
                .max(context.span.from_ms - BEFORE_MS)
                .max(asked.changed_before_ms(context.span.from_ms)),
            until_ms: context.span.until_ms,
        };
        let mut looked = Looked::default();
        let mut unknown_in_a_row = 0;
        for date in context.zone.dates(looked_at) {
            let whole = context.zone.day(date);
            if whole.until_ms > context.span.until_ms {
                continue;
            }
            let Some(hours) = lit.hours(whole) else {
                if days.iter().any(|day| day.local_date == date) {
                    looked.unknown.push(whole);
                }
                // What is not known for some days may go on through them.
                unknown_in_a_row += 1;
                if unknown_in_a_row > BRIDGED_DAYS_MAX {
                    looked.end();
                }
                continue;
            };
            unknown_in_a_row = 0;
            let (least_h, most_h, is_learnt) = asked.hours(context, whole);
            // Light may have fallen into what is not known.
            let difference_h = if hours < least_h {
                (hours + lit.unknown_h(whole) - least_h).min(0.0)
            } else {
                (hours - most_h).max(0.0)
            };
            if difference_h.abs() <= TOLERANCE_H + lit.doubt_h {
                looked.end();
            } else if is_learnt {
                looked.differs(whole, difference_h);
            } else {
                looked.end();
                if whole.until_ms > context.span.from_ms {
                    looked.without_past.push(whole);
                }
            }
        }
        looked
    }

    fn differs(&mut self, day: Span, difference_h: f64) {
        let goes_on = |stretch: &&mut Stretch| {
            stretch.is_open
                && stretch
                    .differences_h
                    .last()
                    .is_some_and(|last| last.signum() == difference_h.signum())
        };
        if let Some(stretch) = self.stretches.last_mut().filter(goes_on) {
            stretch.span.until_ms = day.until_ms;
            stretch.differences_h.push(difference_h);
            return;
        }
        self.end();
        self.stretches.push(Stretch {
            span: day,
            differences_h: vec![difference_h],
            is_open: true,
        });
    }

    fn end(&mut self) {
        if let Some(stretch) = self.stretches.last_mut() {
            stretch.is_open = false;
        }
    }
}

/// The hours of light asked for. The site file says what holds since the last noted change of them; what was asked for before, the lamp's
/// own days say.
struct Asked {
    /// Each time between noted changes but the last: by how much its days usually differ from the site file, h, where that is known.
    before: Vec<(Span, Option<f64>)>,
}

impl Asked {
    fn of(context: &Context<'_>, lit: &Lit) -> Asked {
        let mut changes = context.noted(&[journal::SCHEDULE_CHANGED], |id| {
            let mut lamps = context.enclosure.devices_of(DeviceKind::Lamp);
            lamps.any(|lamp| lamp.id == id)
        });
        changes.sort_unstable();
        let mut from_ms = context.record_from_ms();
        let before = changes.into_iter().map(|until_ms| {
            let time = Span { from_ms, until_ms };
            from_ms = until_ms;
            (time, usual_difference_h(context, lit, time))
        });
        Asked {
            before: before.collect(),
        }
    }

    /// The last noted change before an instant.
    fn changed_before_ms(&self, at_ms: i64) -> i64 {
        let changes = self.before.iter().map(|(time, _)| time.until_ms);
        changes
            .filter(|changed_ms| *changed_ms <= at_ms)
            .max()
            .unwrap_or(i64::MIN)
    }

    fn is_of_before(&self, span: Span) -> bool {
        self.before.iter().any(|(time, _)| time.until_ms >= span.until_ms)
    }

    /// The least and the most hours asked for on a day, and whether they are known: a day with a change may follow either.
    fn hours(&self, context: &Context<'_>, day: Span) -> (f64, f64, bool) {
        let by_file = by_file_h(context, day);
        let touched = || {
            self.before
                .iter()
                .filter(|(time, _)| time.intersect(day).is_some())
        };
        let since = self
            .before
            .last()
            .is_none_or(|(time, _)| time.until_ms < day.until_ms);
        let differences: Vec<f64> = touched()
            .map(|(_, usual_h)| usual_h.unwrap_or(0.0))
            .chain(since.then_some(0.0))
            .collect();
        let least_h = differences.iter().copied().fold(f64::INFINITY, f64::min);
        let most_h = differences.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (
            by_file + least_h,
            by_file + most_h,
            touched().all(|(_, usual_h)| usual_h.is_some()),
        )
    }
}

fn by_file_h(context: &Context<'_>, day: Span) -> f64 {
    context.light_within(day).iter().map(|span| span.hours()).sum()
}

/// By how much the whole days of a time usually have more light than the site file asks for now, h; `None` where they are few or vary.
fn usual_difference_h(context: &Context<'_>, lit: &Lit, time: Span) -> Option<f64> {
    let days = context
        .zone
        .dates(time)
        .into_iter()
        .map(|date| context.zone.day(date));
    let differences: Vec<f64> = days
        .filter(|day| time.from_ms <= day.from_ms && day.until_ms <= time.until_ms)
        .filter_map(|day| Some(lit.hours(day)? - by_file_h(context, day)))
        .collect();
    let usual_h = median(&differences).filter(|_| differences.len() >= LEARNT_DAYS_MIN)?;
    let off_h: Vec<f64> = differences.iter().map(|h| (h - usual_h).abs()).collect();
    median(&off_h)
        .filter(|off_h| *off_h <= TOLERANCE_H)
        .map(|_| usual_h)
}

fn finding(
    context: &Context<'_>,
    lit: &Lit,
    span: Span,
    differences: &[f64],
    is_open: bool,
) -> crate::findings::Finding {
    let mean_h = differences.iter().sum::<f64>() / differences.len() as f64;
    let severity = if mean_h.abs() >= WARNING_H {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let value = Value::new("hours of light minus the hours asked for", mean_h, "h");
    let mut finding = context.finding(Kind::LightHoursWrong, span.from_ms, severity, value);
    finding.end_ms = (!is_open).then_some(span.until_ms);
    finding.also = vec![Value::new("days", differences.len() as f64, "1")];
    let direction = if mean_h > 0.0 { "more" } else { "less" };
    // Light through a night is told by its length: it is another fault than a timer that is off.
    let longest_h = lit.longest_h(span);
    let left_on = if mean_h > 0.0 && longest_h >= LEFT_ON_H {
        format!(
            "; it shone for {} without a break",
            context.words.hours(longest_h)
        )
    } else {
        String::new()
    };
    // It is often noted the next morning.
    let near = Span {
        until_ms: span.until_ms + MS_PER_24_H / 2,
        ..span
    };
    let cut = if mean_h < 0.0 && context.record.power_was_cut(&context.enclosure.id, near) {
        "; a power cut was noted then"
    } else {
        ""
    };
    let between = context.zone.dates(span).len() - differences.len();
    let not_known = match between {
        0 => String::new(),
        days => format!(", {} between them not known", crate::words::several(days, "day")),
    };
    finding.message = format!(
        "{} {direction} light than asked for, a day, from {} for {}{not_known} (by the {}){left_on}{cut}.",
        context.words.hours(mean_h.abs()),
        context.words.day(span.from_ms),
        crate::words::several(differences.len(), "day"),
        lit.by
    );
    finding.advice = "Check the timer's clock and programme (clock changes, a flat back-up battery), then lamp and fuse with \
        the plug out. Light at night disturbs rest; a lamp that stays on also warms."
        .to_owned();
    finding
}

#[cfg(test)]
mod tests {
    use mosswarden_config::table::ROOM;

    use super::super::kit::{Kit, of, unjudged};
    use super::*;

    #[test]
    fn a_lamp_left_on_is_one_finding_for_its_days() {
        let mut kit = Kit::quiet("2026-03-02", 35);
        kit.restate("lamp", |kit, at| {
            let late = (kit.at("2026-03-25")..kit.at("2026-03-28")).contains(&at) && kit.hour(at) >= 20.0;
            kit.lit(at) || (late && kit.hour(at) < 23.0)
        });
        let outcome = kit.judge("2026-03-23", "2026-03-30");
        let found = of(&outcome, Kind::LightHoursWrong);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].value.estimate - 3.0).abs() < 0.01);
        assert_eq!(found[0].end_ms, Some(kit.at("2026-03-28")));
        assert_eq!(outcome.days[2].light_h, Some(15.0));
    }

    #[test]
    fn a_day_that_is_not_known_does_not_end_what_goes_on_after_it() {
        let mut kit = Kit::quiet("2026-03-02", 35);
        kit.restate("lamp", |kit, at| {
            let late = at >= kit.at("2026-03-24") && (20.0..23.0).contains(&kit.hour(at));
            kit.lit(at) || late
        });
        // One "off" is lost.
        kit.forget_within("lamp", "2026-03-26T22:00", "2026-03-26T23:30");
        let outcome = kit.judge("2026-03-23", "2026-03-30");
        let found = of(&outcome, Kind::LightHoursWrong);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].start_ms, found[0].end_ms), (kit.at("2026-03-24"), None));
        assert!(
            found[0].message.contains("between them not known"),
            "{}",
            found[0].message
        );
    }

    #[test]
    fn a_power_cut_of_the_room_is_named_where_light_was_lost() {
        let lost = |noted: bool| {
            let mut kit = Kit::quiet("2026-05-04", 21);
            let off = kit.at("2026-05-20T10:00")..kit.at("2026-05-20T13:00");
            kit.restate("lamp", move |kit, at| kit.lit(at) && !off.contains(&at));
            if noted {
                kit.entry_of(ROOM, kit.at("2026-05-21T08:00"), "power-cut");
            }
            let outcome = kit.judge("2026-05-18", "2026-05-25");
            let found = of(&outcome, Kind::LightHoursWrong);
            assert_eq!(found.len(), 1, "{found:?}");
            found[0].message.clone()
        };
        assert!(
            lost(true).contains("a power cut was noted then"),
            "{}",
            lost(true)
        );
        assert!(!lost(false).contains("power cut"), "{}", lost(false));
    }

    /// Ten hours of light a day until the keeper asks for twelve, at noon of a day of the span.
    fn changed(first_day: &str, days: u64, late_off: &str) -> super::super::Outcome {
        let mut kit = Kit::quiet(first_day, days);
        let changed_ms = kit.at("2026-05-20T12:00");
        let late = kit.at(late_off);
        kit.restate("lamp", move |kit, at| {
            let is_late = kit.zone.date(at) == kit.zone.date(late) && (8.0..23.0).contains(&kit.hour(at));
            is_late || kit.lit(at) && (at >= changed_ms || kit.hour(at) < 18.0)
        });
        kit.entry_of("box", changed_ms, "schedule-changed");
        kit.judge("2026-05-18", "2026-05-25")
    }

    #[test]
    fn days_before_a_noted_change_are_judged_by_what_was_asked_for_then() {
        let well = changed("2026-05-04", 21, "2026-05-04");
        assert!(of(&well, Kind::LightHoursWrong).is_empty() && !unjudged(&well, Kind::LightHoursWrong));
        // On till 23: five hours more than on its other days then, three more than asked for since.
        for (day, more_h) in [("2026-05-19", 5.0), ("2026-05-22", 3.0)] {
            let outcome = changed("2026-05-04", 21, day);
            let found = of(&outcome, Kind::LightHoursWrong);
            assert_eq!(found.len(), 1, "{found:?}");
            assert!((found[0].value.estimate - more_h).abs() < 0.01, "{found:?}");
            assert_eq!(
                found[0].message.contains("own days before"),
                more_h > 4.0,
                "{found:?}"
            );
        }
        // Two days before the change say nothing of what was asked for.
        let young = changed("2026-05-18", 7, "2026-05-22");
        assert_eq!(of(&young, Kind::LightHoursWrong).len(), 1);
        assert!(unjudged(&young, Kind::LightHoursWrong));
    }

    #[test]
    fn a_lamp_that_fails_gives_too_little() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.restate("lamp", |kit, at| kit.lit(at) && at < kit.at("2026-05-23"));
        let found_in = kit.judge("2026-05-18", "2026-05-25");
        let found = of(&found_in, Kind::LightHoursWrong);
        assert_eq!(found.len(), 1);
        assert!((found[0].value.estimate + 12.0).abs() < 0.01 && found[0].end_ms.is_none());
    }

    #[test]
    fn a_light_sensor_stands_in_and_nothing_is_not_well() {
        let mut kit = Kit::quiet("2026-05-04", 21);
        kit.restate("lamp", |_, _| false);
        let mut dark = Kit::new("2026-05-04", 21);
        dark.fill("check", Quantity::Temperature, |_, _| Some(20.0));
        assert!(unjudged(
            &dark.judge("2026-05-18", "2026-05-25"),
            Kind::LightHoursWrong
        ));
        dark.fill("check", Quantity::Illuminance, |kit, at| {
            let lit = kit.lit(at) || (kit.hour(at) < 22.0 && kit.hour(at) > 8.0 && at > kit.at("2026-05-22"));
            Some(if lit { 4000.0 } else { 2.0 })
        });
        let outcome = dark.judge("2026-05-18", "2026-05-25");
        let found = of(&outcome, Kind::LightHoursWrong);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].value.estimate - 2.0).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn daylight_on_a_light_sensor_is_no_timer_that_runs_wrong() {
        let mut kit = Kit::new("2026-05-04", 21);
        kit.fill("check", Quantity::Temperature, |_, _| Some(20.0));
        kit.fill("check", Quantity::Illuminance, |kit, at| {
            let height = ((kit.hour(at) - 6.0) / 10.0 * std::f64::consts::PI).sin();
            let is_up = (6.0..16.0).contains(&kit.hour(at));
            Some(if is_up { 120.0 * height } else { 0.0 })
        });
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        assert!(of(&outcome, Kind::LightHoursWrong).is_empty());
        assert!(unjudged(&outcome, Kind::LightHoursWrong));
    }

    #[test]
    fn daylight_beside_a_lamp_is_not_the_lamp() {
        let mut kit = Kit::new("2026-05-04", 21);
        kit.fill("check", Quantity::Temperature, |_, _| Some(20.0));
        kit.fill("check", Quantity::Illuminance, |kit, at| {
            let daylight = if (6.0..21.5).contains(&kit.hour(at)) {
                90.0
            } else {
                0.0
            };
            Some(daylight + if kit.lit(at) { 5000.0 } else { 0.0 })
        });
        let outcome = kit.judge("2026-05-18", "2026-05-25");
        assert!(of(&outcome, Kind::LightHoursWrong).is_empty());
        assert!(!unjudged(&outcome, Kind::LightHoursWrong));
    }
}
