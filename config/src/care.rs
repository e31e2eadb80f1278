//! Care that comes back: the tasks that are known, and one task of one place as the site file and the species files make it.
//!
//! How often is common practice without a published source; the site file overrides each, or turns it off.

use chrono::NaiveDate;

use crate::journal::{PRUNED, REFILLED, SENSOR_CALIBRATED};

/// A task that is known without being written out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Known {
    pub name: &'static str,
    /// What to do, as it is shown.
    pub label: &'static str,
    /// Stands where only the equipment says that the task is there.
    pub every_days: u32,
    /// A kind of journal entry that ticks it off as well.
    pub also_by: Option<&'static str>,
}

/// The tasks that are known, in the order in which they are shown. Intervals: common practice, no source.
pub const KNOWN: [Known; 9] = [
    known("water-bowl", "Scrub and refill the water bowl", 1, None),
    known(
        "dechlorinated-refill",
        "Change or top up with dechlorinated water",
        7,
        Some(REFILLED),
    ),
    known("nozzle-descale", "Descale the nozzles", 30, None),
    known("prune", "Prune the plants", 30, Some(PRUNED)),
    known("leaf-litter", "Top up the leaf litter", 90, None),
    known("clean-up-crew", "Feed the clean-up crew", 14, None),
    known(
        "sensor-check",
        "Check the humidity sensors over salt or side by side",
        180,
        Some(SENSOR_CALIBRATED),
    ),
    known("uv-lamp-renewal", "Renew the UV lamp", 365, None),
    known(
        "residual-current-test",
        "Press the test button of the residual-current device",
        30,
        None,
    ),
];

const fn known(
    name: &'static str,
    label: &'static str,
    every_days: u32,
    also_by: Option<&'static str>,
) -> Known {
    Known {
        name,
        label,
        every_days,
        also_by,
    }
}

/// Where an interval that nobody published comes from.
pub const COMMON_PRACTICE: &str = "common practice, no source";

/// The known task of that name.
pub fn find(name: &str) -> Option<&'static Known> {
    KNOWN.iter().find(|known| known.name == name)
}

/// One task of one place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Task {
    /// What a journal entry of the kind `care-done` names as its subject.
    pub name: String,
    /// What to do.
    pub label: String,
    pub every_days: u32,
    /// The site file itself asks for it: it can be overdue before it was ever ticked off here.
    pub is_asked: bool,
    /// When it was last done before the journal knew, as the site file says.
    pub since: Option<NaiveDate>,
    /// Where the interval comes from.
    pub source: String,
}

impl Task {
    /// A known task by default, at its usual interval or another.
    pub fn by_default(known: &Known, every_days: u32, source: &str) -> Task {
        Task {
            name: known.name.to_owned(),
            label: known.label.to_owned(),
            every_days,
            is_asked: false,
            since: None,
            source: source.to_owned(),
        }
    }
}

/// Puts a task in its place: it replaces one of the same name.
pub(crate) fn put(tasks: &mut Vec<Task>, task: Task) {
    match tasks.iter_mut().find(|other| other.name == task.name) {
        Some(other) => *other = task,
        None => tasks.push(task),
    }
}

/// Known tasks first, in the order of [`KNOWN`], then the keeper's own in theirs.
pub(crate) fn sort(tasks: &mut [Task]) {
    let place = |task: &Task| {
        KNOWN
            .iter()
            .position(|known| known.name == task.name)
            .unwrap_or(KNOWN.len())
    };
    tasks.sort_by_key(place);
}
