//! The strips of the audit: each window's picture with what must be said below it.

use mosswarden_config::quantity::Quantity;
use mosswarden_config::table::ROOM;
use mosswarden_config::zone::{MS_PER_24_H, Span};

use super::gather::{FOLLOWED, Gathered, Track};
use super::model::{StripPart, Window};
use super::timeline::{self, Event};
use super::{sensors, words};
use crate::plot::{self, Display};
use crate::report::enclosure::bar;
use crate::words as report_words;

/// From here on a strip shows many weeks, with the weightier entries of the journal only.
const LONG_MS: i64 = 20 * MS_PER_24_H;

/// A key to the other scale (NIST SP 811, appendix B).
pub(super) const SCALE: &str =
    "On the scale: 15 °C is 59 °F, 20 °C is 68 °F, 25 °C is 77 °F, 30 °C is 86 °F.";

/// One window's picture.
pub(crate) fn part(gathered: &Gathered<'_>, window: &Window, events: &[Event]) -> StripPart {
    let span = window.span;
    let heading = report_words::capital(&window.name);
    let own = gathered.enclosure;
    let of = |quantity| {
        gathered
            .speaker(&gathered.tracks, &own.id, quantity, span)
            .filter(|track| !raw(gathered, track, span).is_empty())
    };
    let (temperature, humidity) = (of(Quantity::Temperature), of(Quantity::Humidity));
    let mut notes = Vec::new();
    for (quantity, track) in FOLLOWED.iter().zip([temperature, humidity]) {
        notes.push(track.map_or_else(
            || {
                format!(
                    "{} was not read in this time.",
                    report_words::capital(quantity.name())
                )
            },
            |track| said(gathered, track, span),
        ));
    }
    if temperature.is_none() && humidity.is_none() {
        return StripPart {
            heading,
            picture: None,
            notes: vec!["Not known: no temperature and no humidity was read in this time.".to_owned()],
        };
    }
    let names: Vec<String> = [temperature, humidity]
        .iter()
        .map(|track| {
            track
                .and_then(|track| own.sensor(&track.sensor))
                .map_or_else(String::new, words::sensor)
        })
        .collect();
    let outs: Vec<Vec<Span>> = [temperature, humidity]
        .iter()
        .map(|track| {
            track.map_or_else(Vec::new, |track| {
                track.left_out.iter().map(|(out, _)| *out).collect()
            })
        })
        .collect();
    let is_long = span.until_ms - span.from_ms > LONG_MS;
    let mistings = gathered
        .lived
        .mistings
        .iter()
        .filter(|misting| !is_long && span.contains(misting.at_ms))
        .map(|misting| plot::Stroke {
            at_ms: misting.at_ms,
            ran: misting.ran,
            rise_pct: misting.rise_pct,
        })
        .collect();
    let bars = if is_long {
        Vec::new()
    } else {
        own.devices
            .iter()
            .filter_map(|device| bar(gathered.site, own, &gathered.recent, device, span.until_ms))
            .collect()
    };
    let mut picture = plot::week_strip(&plot::Strip {
        name: &own.label,
        span,
        zone: gathered.site.zone,
        light: Some(own.light),
        limits: Some(own.limits),
        temperature: temperature.map(|track| line(gathered, track, span, &names[0], &outs[0])),
        humidity: humidity.map(|track| line(gathered, track, span, &names[1], &outs[1])),
        mistings,
        bars,
        marks: timeline::marks(events, span, is_long),
        display: Display::new(gathered.site.units),
    });
    picture.title = format!("{}, {}", own.label, window.name);
    picture.alternative = notes.join(" ");
    notes.push(SCALE.to_owned());
    if is_long {
        notes.push(
            "Of the journal, only entries that change conditions or readings, and illness, are marked."
                .to_owned(),
        );
    }
    StripPart {
        heading,
        picture: Some(picture),
        notes,
    }
}

fn line<'t>(
    gathered: &Gathered<'_>,
    track: &'t Track,
    span: Span,
    label: &'t str,
    doubtful: &'t [Span],
) -> plot::Line<'t> {
    plot::Line {
        label,
        usable: track.usable.view(),
        raw: raw(gathered, track, span),
        gap_ms: track.gap_ms,
        half_width: Some(track.half_width),
        doubtful,
    }
}

/// Everything that was read in a span, where it was kept; else what can be used.
fn raw<'t>(gathered: &Gathered<'_>, track: &'t Track, span: Span) -> crate::series::View<'t> {
    let kept_from_ms = gathered.last(super::gather::RECENT_DAYS).from_ms;
    if span.from_ms >= kept_from_ms && !track.raw.is_empty() {
        track.raw.within(span)
    } else {
        track.usable.within(span)
    }
}

/// What a line of the strip showed, on both scales, and how far it is believed.
fn said(gathered: &Gathered<'_>, track: &Track, span: Span) -> String {
    let place = if track.place == ROOM {
        track.sensor.clone()
    } else {
        gathered
            .enclosure
            .sensor(&track.sensor)
            .map_or_else(|| track.sensor.clone(), words::sensor)
    };
    let trust = sensors::trust_words(gathered, &track.sensor, track.quantity);
    let figures = track.measure(&[span], None).map_or_else(
        || "no reading of this time can be used".to_owned(),
        |m| {
            format!(
                "{}, mean {}, known for {} of the time",
                words::range(track.quantity, m.low, m.high),
                words::value(track.quantity, m.mean),
                words::share(m.known_h, span.hours())
            )
        },
    );
    format!(
        "{} by {place}: {figures}; {}.",
        report_words::capital(track.quantity.name()),
        trust.trim_end_matches('.')
    )
}
