//! What an audit says before and after everything else.

use crate::markup::Note;

/// What comes before any reading of tables (common practice, no source).
pub(super) const ACT_FIRST: &str = "First the animal: bring it out of danger, offer water, and ring a veterinarian who knows \
    exotic animals. Correct a wrong temperature gently: no sudden heating, no ice. Do not treat or dose on your own. Leave the \
    logger running, and do not clean everything before samples or photographs are taken.";

/// What stands under the vet's page.
pub(super) const NO_DIAGNOSIS: &str = "This sheet tells what was recorded. It is no diagnosis, and it does not say that \
    conditions caused an illness or ruled one out.";

/// How it was worked out.
pub(super) fn method(timezone: &str, until: &str) -> Vec<Note> {
    vec![
        Note::new(
            "Time",
            &format!(
                "Local time of {timezone}. Days are the enclosure’s light hours by the site file, nights the hours between them. No reading later than {until} was used; a journal entry counts by the time it tells of, and one that was written down more than a day later is marked."
            ),
        ),
        Note::new(
            "Hours inside the range",
            "By time, not by number of readings, at the one sensor that speaks for the enclosure: where the animals can be, believed rather than doubtful, and known for most of the time. Between readings the value is taken as a straight line; a pause of three usual intervals, and at least ten minutes, is a gap, and its hours are not known. The range is the one wanted now, by the site file, also for earlier months. A reading’s own doubt is not counted for or against.",
        ),
        Note::new(
            "Excursions",
            "At every sensor where the animals can be. A run ends where the value comes back for more than 15 min (our own choice) or where readings are missing; beside a gap it lasted at least what is said. Ordered by how far times how long.",
        ),
        Note::new(
            "Sensors",
            "Each stretch of about eight weeks was judged by what was known at its end and four weeks before it. Readings that can’t be believed are left out, a drift that is known is taken off; the raw readings beside this sheet are as they came. Two sensors at different temperatures are compared by their water vapour: A. L. Buck (1996); uncertainty after JCGM 100:2008.",
        ),
        Note::new(
            "Scales",
            "°F from °C by NIST SP 811: a temperature times 1.8 plus 32, a difference times 1.8.",
        ),
        Note::new(
            "Pictures",
            "Grey: night. Pale band: the range that is wanted. Dashed: a limit. A ribbon: the doubt of the humidity reading. Thin and broken: readings that are not used. Bare paper between dotted edges: no readings. Over many weeks each day is a step (pale: lowest to highest; darker: the middle half; line: the median), and the range that is wanted is not drawn. Numbers: the list of what changed. Scales start where the data needs it.",
        ),
    ]
}
