//! What every report must say besides its findings: how it was judged, and what it must not be used for.

use crate::markup::Note;

fn note(heading: &str, text: &str) -> Note {
    Note::new(heading, text)
}

/// How the report was judged, with its sources.
pub(super) fn method(timezone: &str, until: &str, judged_pct: f64) -> Vec<Note> {
    vec![
        note(
            "Verdicts",
            &format!(
                "“Act now” follows from an urgent finding that holds or ended in the last 24 hours of the span, “look at this” from one that is over for longer, or from a warning. “Well” is said only where no such finding stands and at least {judged_pct:.0} % of the time is known by readings that can be used; below that it is “not known”. The order is severity times duration times trust, heat and cold before what harms slowly (our own weights, no source)."
            ),
        ),
        note(
            "Time",
            &format!(
                "Local time of {timezone}. Days run from midnight to midnight, nights from the end of an enclosure’s light hours to their start; a night bears the date on which it begins. No reading or journal entry later than {until} was used."
            ),
        ),
        note(
            "Means and hours",
            "Everything is weighted by time, not by the number of readings. Between readings the value is taken as a straight line; a pause of three usual intervals, and at least ten minutes, is a gap. A gap is never bridged: hours beyond a limit are then at least what is stated.",
        ),
        note(
            "Humidity of the air",
            "Two sensors at different temperatures are compared by their water vapour, not by their %RH. Saturation vapour pressure after A. L. Buck (1996); uncertainty after the Guide to the expression of uncertainty in measurement (JCGM 100:2008).",
        ),
        note(
            "Intervals",
            "Where an interval is given, it is meant to hold the true value in 95 of 100 such cases. “±” behind a sensor covers the limits of error that its maker states and, where the reading was corrected, the doubt of the correction.",
        ),
        note(
            "Pictures",
            "Grey: night. Green: the range that is wanted. Dashed: a limit. A ribbon: the doubt of the humidity reading. Thin and broken: readings that are not used. Bare paper between dotted edges: no readings. Scales start where the data needs it; zero is left out unless it is said. Colours after M. Okabe and K. Ito (2008), Color Universal Design.",
        ),
    ]
}

/// The usual cautions.
pub(crate) fn cautions() -> Vec<Note> {
    vec![
        note(
            "Go and look",
            "Sensors, radio and software fail. This report does not replace the daily look at the animals, and silence is not health.",
        ),
        note(
            "Thermostat and cut-out",
            "Every heater needs its own thermostat and, independent of it, an over-temperature cut-out. These are the safety devices; this program is not one. Do not raise heat for a sick animal without a veterinarian’s word.",
        ),
        note(
            "Mains near water",
            "Unplug before you open, move or clean anything electric. Residual-current protection, drip loops, sockets above the water, fittings rated for damp; wiring is for an electrician, by the rules of your country.",
        ),
        note(
            "Standing water",
            "Warm standing water and fine mist can grow and spread Legionella: empty, clean and dry foggers and reservoirs regularly.",
        ),
        note(
            "No diagnosis",
            "Nothing here says that conditions caused an illness or ruled one out. If an animal looks unwell, ring a veterinarian who knows its kind.",
        ),
        note(
            "Limits",
            "Wanted ranges are starting figures from the sources named beside them, many of them common practice without a source. Set yours together with a veterinarian.",
        ),
    ]
}
