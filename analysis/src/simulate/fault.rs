//! Faults and confounders, and what each means in the words of findings.

use super::device::MistRun;
use super::sensor::Position;

/// A fault: where, from when, until when, what.
#[derive(Debug, Clone, PartialEq)]
pub struct FaultSpec {
    /// An enclosure's id, or `room`.
    pub enclosure: String,
    /// The sensor or device, or the enclosure's id.
    pub subject: String,
    pub effect: Effect,
    pub from_ms: i64,
    /// First instant at which it no longer holds; a drift or step is then gone, as after a replacement.
    pub until_ms: Option<i64>,
}

/// What a fault does, with its size.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    // Sensors. On a controller's probe they act on the enclosure too.
    HumidityDrift {
        pct_per_30d: f64,
    },
    HumidityStep {
        pct: f64,
    },
    /// The span above 30 %RH shrinks by `lost_frac` over `over_d` days.
    GainLoss {
        lost_frac: f64,
        over_d: f64,
    },
    /// The humidity stays at one value; with `temperature_too` both do.
    Stuck {
        temperature_too: bool,
    },
    /// The humidity stays at the top of the scale.
    Pinned,
    Spikes {
        per_day: f64,
    },
    Silent,
    /// More and more messages are lost: half of them after `half_d` days, nearly all after four times that.
    FadingBattery {
        half_d: f64,
    },
    /// The device's clock is off; it only shows where the device sends its time.
    ClockOffset {
        s: f64,
    },
    /// The device's clock gains this much a day; it only shows where the device sends its time.
    ClockDrift {
        s_per_day: f64,
    },
    /// The device's clock started again at 1970-01-01.
    ClockReset,
    TemperatureBias {
        k: f64,
    },
    /// The probe hangs elsewhere: this share of the way to the room's air.
    Dislodged {
        toward_room_frac: f64,
    },
    /// The sensor hangs in another place of the enclosure, which is judged by it from then on, and nobody noted it; two of these exchange two
    /// sensors.
    Relocated {
        to: Position,
    },
    /// Dirt on the element draws water from 90 %RH on, which stays this long after the air has dried.
    WetElement {
        holds_h: f64,
    },
    /// The humidity lags this much behind: a filter full of dust or lime.
    SlowResponse {
        lag_min: f64,
    },
    /// The lamp shines on the probe and warms it by this much; the vapour at it is the air's.
    LampOnProbe {
        k: f64,
    },
    // Devices.
    HeaterStuckOn,
    /// Says it is on, gives no heat.
    HeaterFailed,
    /// Switched off at the plug: says off, gives no heat.
    HeaterUnplugged,
    ThermostatSetWrong {
        k: f64,
    },
    HumidistatSetWrong {
        pct: f64,
    },
    LampLeftOn,
    LampFailed,
    /// A lamp that gives this many times its usual heat (too strong, too near, a fan that stopped).
    LampTooStrong {
        ratio: f64,
    },
    /// The lamp's timer starts and ends the light hours this much later than asked for.
    LightHoursWrong {
        start_h: f64,
        end_h: f64,
    },
    /// Yield falls steadily by `lost_frac` over `over_d` days.
    NozzleClog {
        lost_frac: f64,
        over_d: f64,
    },
    /// The pump runs, no water comes.
    ReservoirEmpty,
    PumpDead,
    /// This share of the scheduled runs does not happen.
    RunsMissed {
        frac: f64,
    },
    // Surroundings.
    RoomHeat {
        peak_k: f64,
    },
    /// Sun on the enclosure, peak warming of the warm zone, between local hours.
    Sun {
        peak_k_per_h: f64,
        from_h: f64,
        until_h: f64,
    },
    /// The air around this enclosure differs from the room's outside the light hours (a window ajar, a radiator).
    NightAmbient {
        k: f64,
    },
    VentBlocked {
        ratio: f64,
    },
    DoorAjar {
        ratio: f64,
    },
    /// No mains: lamps, heaters, pumps. Sensors and the logger run on.
    PowerCut,
}

/// How a fault stands in the truth.
#[derive(Debug, Clone, PartialEq)]
pub struct Meaning {
    /// The simulation's own word.
    pub fault: &'static str,
    /// The kind of finding it should raise by itself, where there is one.
    pub kind: Option<&'static str>,
    /// Further kinds that are right to raise for it.
    pub accepted: &'static [&'static str],
    pub size: f64,
    pub unit: &'static str,
    /// The cause that findings on conditions should name.
    pub cause: Option<&'static str>,
}

impl FaultSpec {
    pub fn holds(&self, at_ms: i64) -> bool {
        at_ms >= self.from_ms && self.until_ms.is_none_or(|until| at_ms < until)
    }

    /// Days since it began.
    pub(super) fn age_d(&self, at_ms: i64) -> f64 {
        (at_ms - self.from_ms) as f64 / super::calendar::MS_PER_DAY
    }
}

const DRY: &[&str] = &["humidity-too-low", "setpoint-missed"];
const MOIST: &[&str] = &[
    "humidity-too-low",
    "humidity-too-high",
    "setpoint-missed",
    "humidity-step",
    "humidity-drift",
];
const HOT: &[&str] = &[
    "overheating",
    "night-too-warm",
    "no-night-drop",
    "humidity-too-low",
    "setpoint-missed",
];
const COLD: &[&str] = &["overcooling", "night-too-cold", "humidity-too-high"];
const TEMPERATURE: &[&str] = &[
    "overheating",
    "overcooling",
    "night-too-warm",
    "night-too-cold",
    "no-night-drop",
];
const THERMOSTAT: &[&str] = &[
    "setpoint-missed",
    "overheating",
    "overcooling",
    "night-too-warm",
    "night-too-cold",
    "no-night-drop",
];
const MIST: &[&str] = &["mist-missed", "mist-weak", "humidity-too-low", "setpoint-missed"];
const WET: &[&str] = &[
    "sensor-pinned",
    "humidity-too-high",
    "setpoint-missed",
    "humidity-step",
    "humidity-drift",
];
const LIT: &[&str] = &[
    "temperature-bias",
    "overheating",
    "humidity-step",
    "humidity-drift",
    "humidity-too-low",
    "setpoint-missed",
];
const NONE: &[&str] = &[];
/// Span above which [`Effect::GainLoss`] acts, and the humidity at which its size is stated.
pub(super) const GAIN_PIVOT_PCT: f64 = 30.0;
const GAIN_STATED_AT_PCT: f64 = 80.0;
/// A loss of span slower than this is a drift, faster a step.
const STEP_D_MAX: f64 = 3.0;

impl Effect {
    pub fn meaning(&self) -> Meaning {
        let m = |fault, kind, accepted, size, unit, cause| Meaning {
            fault,
            kind,
            accepted,
            size,
            unit,
            cause,
        };
        match *self {
            Effect::HumidityDrift { pct_per_30d } => m(
                "humidity-drift",
                Some("humidity-drift"),
                MOIST,
                pct_per_30d,
                "%RH/30d",
                None,
            ),
            Effect::HumidityStep { pct } => {
                m("humidity-step", Some("humidity-step"), MOIST, pct, "%RH", None)
            }
            Effect::GainLoss { lost_frac, over_d } => {
                let pct = -lost_frac * (GAIN_STATED_AT_PCT - GAIN_PIVOT_PCT);
                if over_d > STEP_D_MAX {
                    m(
                        "gain-loss",
                        Some("humidity-drift"),
                        MOIST,
                        pct / over_d * 30.0,
                        "%RH/30d",
                        None,
                    )
                } else {
                    m("gain-loss", Some("humidity-step"), MOIST, pct, "%RH", None)
                }
            }
            Effect::Stuck { .. } => m("stuck", Some("sensor-stuck"), MOIST, 0.0, "h", None),
            Effect::Pinned => m("pinned", Some("sensor-pinned"), MOIST, 100.0, "%", None),
            Effect::Spikes { per_day } => m("spikes", Some("sensor-spikes"), NONE, per_day, "1/d", None),
            Effect::Silent => m("silent", Some("sensor-silent"), NONE, 0.0, "h", None),
            Effect::FadingBattery { half_d } => {
                m("fading-battery", Some("sensor-silent"), NONE, half_d, "d", None)
            }
            Effect::ClockOffset { s } => m("clock-offset", Some("clock-wrong"), NONE, s, "s", None),
            Effect::ClockDrift { s_per_day } => {
                m("clock-drift", Some("clock-wrong"), NONE, s_per_day, "s/d", None)
            }
            Effect::ClockReset => m("clock-reset", Some("clock-wrong"), NONE, 0.0, "s", None),
            Effect::TemperatureBias { k } => m(
                "temperature-bias",
                Some("temperature-bias"),
                TEMPERATURE,
                k,
                "Cel",
                Some("heater"),
            ),
            Effect::Dislodged { toward_room_frac } => {
                let accepted = &[
                    "humidity-step",
                    "overheating",
                    "night-too-warm",
                    "humidity-too-low",
                    "humidity-too-high",
                ];
                m(
                    "dislodged",
                    Some("temperature-bias"),
                    accepted,
                    toward_room_frac,
                    "1",
                    Some("heater"),
                )
            }
            Effect::Relocated { to } => m(
                "relocated",
                Some("humidity-step"),
                &["temperature-bias"],
                to.warm_frac,
                "1",
                None,
            ),
            // Remarks beside a sensor's standing, and no findings.
            Effect::WetElement { holds_h } => m("wet-element", None, WET, holds_h, "h", None),
            Effect::SlowResponse { lag_min } => m("slow-response", None, MOIST, lag_min, "min", None),
            Effect::LampOnProbe { k } => m("lamp-on-probe", None, LIT, k, "Cel", None),
            Effect::HeaterStuckOn => m(
                "heater-stuck-on",
                Some("heater-stuck-on"),
                HOT,
                0.0,
                "h",
                Some("heater"),
            ),
            Effect::HeaterFailed => m("heater-failed", Some("heater-failed"), COLD, 0.0, "h", None),
            Effect::HeaterUnplugged => m("heater-unplugged", Some("heater-failed"), COLD, 0.0, "h", None),
            Effect::ThermostatSetWrong { k } => m(
                "thermostat-set-wrong",
                None,
                THERMOSTAT,
                k,
                "Cel",
                (k > 0.0).then_some("heater"),
            ),
            Effect::HumidistatSetWrong { pct } => m("humidistat-set-wrong", None, MOIST, pct, "%RH", None),
            Effect::LampLeftOn => m(
                "lamp-left-on",
                Some("light-hours-wrong"),
                HOT,
                0.0,
                "h",
                Some("lamp"),
            ),
            Effect::LampTooStrong { ratio } => m("lamp-too-strong", None, HOT, ratio, "1", Some("lamp")),
            Effect::LampFailed => m("lamp-failed", Some("light-hours-wrong"), COLD, 0.0, "h", None),
            Effect::LightHoursWrong { start_h, end_h } => m(
                "light-hours-wrong",
                Some("light-hours-wrong"),
                HOT,
                end_h - start_h,
                "h",
                Some("lamp"),
            ),
            Effect::NozzleClog { lost_frac, .. } => m(
                "nozzle-clog",
                Some("mist-weak"),
                DRY,
                100.0 * (1.0 - lost_frac),
                "%",
                None,
            ),
            Effect::ReservoirEmpty => m("reservoir-empty", Some("mist-weak"), MIST, 0.0, "%", None),
            Effect::PumpDead => m("pump-dead", Some("mist-weak"), MIST, 0.0, "%", None),
            Effect::RunsMissed { frac } => m("runs-missed", Some("mist-missed"), DRY, frac, "1", None),
            Effect::RoomHeat { peak_k } => m("room-heat", None, HOT, peak_k, "Cel", Some("room-heat")),
            Effect::Sun { peak_k_per_h, .. } => m("sun", None, HOT, peak_k_per_h, "Cel/h", Some("sun")),
            Effect::NightAmbient { k } => m("night-ambient", None, TEMPERATURE, k, "Cel", None),
            Effect::VentBlocked { ratio } => m(
                "vent-blocked",
                None,
                &["stays-wet", "humidity-too-high", "setpoint-missed"],
                ratio,
                "1",
                None,
            ),
            Effect::DoorAjar { ratio } => m("door-ajar", None, MIST, ratio, "1", None),
            Effect::PowerCut => {
                let accepted = &[
                    "mist-missed",
                    "light-hours-wrong",
                    "night-too-cold",
                    "overcooling",
                    "humidity-too-low",
                    "humidity-too-high",
                    "sensor-silent",
                ];
                m("power-cut", None, accepted, 0.0, "h", None)
            }
        }
    }

    /// Whether it acts on a sensor.
    pub fn of_sensor(&self) -> bool {
        matches!(
            self,
            Effect::HumidityDrift { .. }
                | Effect::HumidityStep { .. }
                | Effect::GainLoss { .. }
                | Effect::Stuck { .. }
                | Effect::Pinned
                | Effect::Spikes { .. }
                | Effect::Silent
                | Effect::FadingBattery { .. }
                | Effect::ClockOffset { .. }
                | Effect::ClockDrift { .. }
                | Effect::ClockReset
                | Effect::TemperatureBias { .. }
                | Effect::Dislodged { .. }
                | Effect::Relocated { .. }
                | Effect::WetElement { .. }
                | Effect::SlowResponse { .. }
                | Effect::LampOnProbe { .. }
        )
    }
}

/// What a keeper did: no fault, but it changes the curves. Each writes a journal entry.
#[derive(Debug, Clone, PartialEq)]
pub struct EventSpec {
    pub enclosure: String,
    /// The sensor or device, or empty.
    pub subject: String,
    pub change: Change,
    pub at_ms: i64,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    SensorMoved {
        to: Position,
    },
    /// A new device of the same class: other fixed errors, old faults gone.
    SensorReplaced,
    /// The door stands open for so long.
    Cleaned {
        minutes: f64,
    },
    ScheduleChanged {
        runs: Vec<MistRun>,
    },
    SetpointChanged {
        value: f64,
    },
    /// Plants cut back: ventilation times this, from now on.
    Pruned {
        ratio: f64,
    },
    BatteryChanged {
        gap_min: f64,
    },
    MistedByHand {
        seconds: u32,
    },
    Refilled,
    Note {
        text: String,
    },
}

impl Change {
    /// The journal's word and a sentence.
    pub fn journal(&self) -> (&'static str, String) {
        match self {
            Change::SensorMoved { .. } => ("sensor-moved", "hung in another place".to_owned()),
            Change::SensorReplaced => ("sensor-replaced", "new device of the same class".to_owned()),
            Change::Cleaned { minutes } => (
                "cleaned",
                format!("glass and bowl, door open for {minutes:.0} min"),
            ),
            Change::ScheduleChanged { .. } => ("schedule-changed", "new misting times".to_owned()),
            Change::SetpointChanged { value } => ("setpoint-changed", format!("now {value}")),
            Change::Pruned { .. } => ("pruned", "cut the creepers back".to_owned()),
            Change::BatteryChanged { .. } => ("battery-changed", "new cells".to_owned()),
            Change::MistedByHand { seconds } => {
                ("misted-by-hand", format!("spray bottle, about {seconds} s"))
            }
            Change::Refilled => ("refilled", "reservoir topped up".to_owned()),
            Change::Note { text } => ("note", text.clone()),
        }
    }
}
