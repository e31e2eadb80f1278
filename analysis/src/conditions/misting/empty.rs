//! Runs that gave nothing: an empty reservoir, a dead pump, a shut valve.

use mosswarden_config::site::Device;

use super::super::Ran;
use super::super::context::Context;
use super::Observed;
use super::weak::{NOW_MS, half_lives};
use super::yields::{STANDS_OUT_FRAC, Sample, Yield};
use crate::findings::{Finding, Kind, Severity, Value};
use crate::statistics::robust::{median, quantile};
use crate::words::percent;

/// A run that gives less than this share of the usual, and no more than noise does, gave nothing.
pub const NOTHING_FRAC: f64 = 0.2;
/// Runs in a row that gave nothing: two where every usual run stands out, else three.
const NOTHING_COUNT: usize = 2;
const NOTHING_COUNT_UNSURE: usize = 3;
/// One is enough, while it is the last, where nearly all usual runs give at least this share of the middle one and it gave less than that.
const ALIKE_FRAC: f64 = 0.7;
const SURELY_NOTHING_FRAC: f64 = 0.1;
/// A run just after the light changed shows that water came when it gives at least this share of the usual.
const EDGE_WELL_FRAC: f64 = 0.75;

/// From this factor of the usual room to saturation on, the air goes by itself, too (own choice).
const MUCH_DRIER: f64 = 1.5;

/// What is said of runs that gave nothing.
#[derive(Default)]
pub(super) struct Nothing {
    pub(super) told: Vec<Finding>,
    /// The last run or two gave nothing, and by themselves that is not enough.
    pub(super) suspected: Option<Finding>,
}

/// Stretches of runs that gave nothing and reach into the span.
pub(super) fn judge(
    context: &Context<'_>,
    device: &Device,
    by_main: &Yield,
    noise: f64,
    seen_elsewhere: impl Fn(i64, i64) -> bool,
) -> Nothing {
    let Some(lowest_usual) = quantile(&by_main.usual, 0.05).map(f64::exp) else {
        return Nothing::default();
    };
    let needed = if lowest_usual >= STANDS_OUT_FRAC {
        NOTHING_COUNT
    } else {
        NOTHING_COUNT_UNSURE
    };
    let gave_nothing = |(sample, log_share): &(Sample, f64)| {
        let share = log_share.exp();
        let is_small = share < NOTHING_FRAC || (sample.rise_g_m3 <= noise && share < 1.5 * NOTHING_FRAC);
        is_small && !by_main.bent(sample)
    };
    let mut telling = by_main.later.clone();
    // Where the light has just changed, the air's own rise may hide that nothing came: such a
    // run does not break a row.
    telling.retain(|one| !one.0.near_edge || gave_nothing(one) || one.1.exp() >= EDGE_WELL_FRAC);
    let surely_nothing = |(sample, log_share): &(Sample, f64)| {
        !sample.near_edge && sample.rise_g_m3 <= noise && log_share.exp() < SURELY_NOTHING_FRAC
    };
    let mut nothing = Nothing::default();
    let mut from = 0;
    for index in 0..=telling.len() {
        if index < telling.len() && gave_nothing(&telling[index]) {
            continue;
        }
        let (streak, is_last) = (&telling[from..index], index == telling.len());
        from = index + 1;
        let Some((first, last)) = streak.first().zip(streak.last()) else {
            continue;
        };
        let (first_ms, last_ms) = (first.0.at_ms, last.0.at_ms);
        if last_ms < context.span.from_ms || seen_elsewhere(first_ms, last_ms) {
            continue;
        }
        let is_sure = is_last && surely_nothing(first);
        if streak.len() >= needed || is_sure && lowest_usual >= ALIKE_FRAC {
            nothing
                .told
                .extend(finding(context, device, by_main, streak, is_last));
        } else if is_sure {
            nothing.suspected = finding(context, device, by_main, streak, true);
        }
    }
    nothing
}

/// Runs of which none did anything, where nothing says yet what is usual: of whatever is usual, nothing is nothing.
pub(super) fn none_at_all(
    context: &Context<'_>,
    device: &Device,
    observed: &[Observed],
    main: usize,
    seen_elsewhere: impl Fn(i64, i64) -> bool,
) -> Option<Finding> {
    /// Runs that it takes.
    const COUNT_MIN: usize = 6;
    /// Before them the air was no damper than this, %RH: there was room for what a misting brings.
    const BEFORE_PCT_MAX: f64 = 85.0;
    /// Nearly all of them raised the vapour by less than this share of the room to saturation (own choice).
    const SHARE_MAX: f64 = 0.05;
    const NEARLY_ALL: f64 = 0.9;
    let runs: Vec<(i64, f64)> = observed
        .iter()
        .filter(|one| one.run.ran == Ran::Yes && one.run.at_ms >= context.span.until_ms - NOW_MS)
        .filter(|one| one.left_out.is_none() || one.fog_only)
        .filter_map(|one| {
            let response = one.responses[main].as_ref()?;
            let has_room = response.before_pct <= BEFORE_PCT_MAX && response.headroom_g_m3 > 0.0;
            has_room.then(|| (one.run.at_ms, response.rise_g_m3 / response.headroom_g_m3))
        })
        .collect();
    let shares: Vec<f64> = runs.iter().map(|(_, share)| *share).collect();
    let (first_ms, last_ms) = (runs.first()?.0, runs.last()?.0);
    let is_nothing = runs.len() >= COUNT_MIN
        && quantile(&shares, NEARLY_ALL)? < SHARE_MAX
        && context.span.contains(last_ms)
        && !seen_elsewhere(first_ms, last_ms);
    if !is_nothing {
        return None;
    }
    let value = Value::new("vapour per misting against its own usual", 0.0, "%");
    let mut finding = context.finding(Kind::MistWeak, first_ms, Severity::Warning, value);
    finding.subject = device.id.clone();
    finding.message = format!(
        "None of the {} runs of {} since {} raised the humidity, though the air had room for it: an empty reservoir, a pump without water, \
         a shut valve or a nozzle that sprays elsewhere. What is usual of it is not known yet.",
        runs.len(),
        device.id,
        context.words.moment(first_ms)
    );
    finding.advice = advice();
    Some(finding)
}

fn advice() -> String {
    "Mist by hand if the animals need it. Fill and rinse the reservoir, prime the pump, look for a kinked or loose hose and a shut \
     valve; unplug before you reach into water. If other enclosures on the same pump are dry too, it is the pump."
        .to_owned()
}

fn finding(
    context: &Context<'_>,
    device: &Device,
    by_main: &Yield,
    streak: &[(Sample, f64)],
    open: bool,
) -> Option<Finding> {
    let first_ms = streak.first()?.0.at_ms;
    let last_ms = streak.last()?.0.at_ms;
    let shares: Vec<f64> = streak.iter().map(|(_, log_share)| log_share.exp()).collect();
    let share = median(&shares)?;
    let high = shares.iter().copied().fold(0.0, f64::max);
    let value =
        Value::new("vapour per misting against its own usual", share * 100.0, "%").between(0.0, high * 100.0);
    let severity = if open && streak.len() >= NOTHING_COUNT {
        Severity::Urgent
    } else {
        Severity::Warning
    };
    let mut finding = context.finding(Kind::MistWeak, first_ms, severity, value);
    finding.subject = device.id.clone();
    finding.end_ms = (!open).then_some(last_ms);
    finding.also = half_lives(context, by_main);
    let until = if open {
        String::new()
    } else {
        format!(" until {}", context.words.moment(last_ms))
    };
    let runs = match streak.len() {
        1 => format!(
            "The last run of {}, {},",
            device.id,
            context.words.moment(first_ms)
        ),
        count => format!(
            "{count} runs of {} in a row, from {}{until},",
            device.id,
            context.words.moment(first_ms)
        ),
    };
    let open_door = match by_main.more_room(streak) {
        Some(factor) if factor >= MUCH_DRIER => {
            " The air was far drier than usual before them: a door or a lid that stands open looks the same."
        }
        _ => "",
    };
    finding.message = format!(
        "{runs} raised the humidity by next to nothing ({} of the usual): an empty reservoir, a pump without water or a \
         shut valve.{open_door}",
        percent(share)
    );
    finding.advice = advice();
    Some(finding)
}
