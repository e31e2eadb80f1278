//! What is said to the keeper: findings, and what could not be judged.
//!
//! The shapes here are those of `findings.schema.json`, version `mosswarden.findings/1`. Only this module is serialised.

mod document;
mod together;
mod unjudged;

pub use document::Document;
pub use together::by_cause;
pub(crate) use together::{TOGETHER_MS, is_heaters_heat, shared};
pub use unjudged::{Unjudged, gathered};

use mosswarden_config::zone::Span;

/// What a finding is about. A kind never changes meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    HumidityDrift,
    HumidityStep,
    SensorStuck,
    SensorPinned,
    SensorSpikes,
    SensorSilent,
    ClockWrong,
    TemperatureBias,
    Overheating,
    Overcooling,
    NightTooWarm,
    NightTooCold,
    NoNightDrop,
    HeaterStuckOn,
    HeaterFailed,
    HumidityTooLow,
    HumidityTooHigh,
    SetpointMissed,
    MistWeak,
    MistMissed,
    StaysWet,
    LightHoursWrong,
    CareOverdue,
}

impl Kind {
    pub const fn name(self) -> &'static str {
        match self {
            Kind::HumidityDrift => "humidity-drift",
            Kind::HumidityStep => "humidity-step",
            Kind::SensorStuck => "sensor-stuck",
            Kind::SensorPinned => "sensor-pinned",
            Kind::SensorSpikes => "sensor-spikes",
            Kind::SensorSilent => "sensor-silent",
            Kind::ClockWrong => "clock-wrong",
            Kind::TemperatureBias => "temperature-bias",
            Kind::Overheating => "overheating",
            Kind::Overcooling => "overcooling",
            Kind::NightTooWarm => "night-too-warm",
            Kind::NightTooCold => "night-too-cold",
            Kind::NoNightDrop => "no-night-drop",
            Kind::HeaterStuckOn => "heater-stuck-on",
            Kind::HeaterFailed => "heater-failed",
            Kind::HumidityTooLow => "humidity-too-low",
            Kind::HumidityTooHigh => "humidity-too-high",
            Kind::SetpointMissed => "setpoint-missed",
            Kind::MistWeak => "mist-weak",
            Kind::MistMissed => "mist-missed",
            Kind::StaysWet => "stays-wet",
            Kind::LightHoursWrong => "light-hours-wrong",
            Kind::CareOverdue => "care-overdue",
        }
    }
}

/// How soon to act.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    Notice,
    Warning,
    Urgent,
}

impl Severity {
    pub const fn name(self) -> &'static str {
        match self {
            Severity::Notice => "notice",
            Severity::Warning => "warning",
            Severity::Urgent => "urgent",
        }
    }
}

/// What made an enclosure overheat, where it can be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cause {
    RoomHeat,
    Heater,
    Lamp,
}

impl Cause {
    pub const fn name(self) -> &'static str {
        match self {
            Cause::RoomHeat => "room-heat",
            Cause::Heater => "heater",
            Cause::Lamp => "lamp",
        }
    }
}

/// A figure with its unit (SenML or UCUM code) and, where known, its 95 % interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Value {
    pub name: &'static str,
    pub estimate: f64,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub unit: &'static str,
}

impl Value {
    pub fn new(name: &'static str, estimate: f64, unit: &'static str) -> Value {
        Value {
            name,
            estimate,
            low: None,
            high: None,
            unit,
        }
    }

    pub fn between(mut self, low: f64, high: f64) -> Value {
        (self.low, self.high) = (Some(low), Some(high));
        self
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    pub kind: Kind,
    /// An enclosure's id, or `room`.
    pub enclosure: String,
    /// The sensor or device; the enclosure's id where it is about the animals' conditions.
    pub subject: String,
    pub start_ms: i64,
    /// `None` while it still holds at the end of the span.
    pub end_ms: Option<i64>,
    pub severity: Severity,
    pub value: Value,
    pub cause: Option<Cause>,
    pub also: Vec<Value>,
    /// One sentence for the keeper, figures in it.
    pub message: String,
    /// What a careful keeper would do next.
    pub advice: String,
}

/// What could not be judged, and why.
#[derive(Debug, Clone, PartialEq)]
pub struct NotAssessed {
    pub kind: Kind,
    pub enclosure: String,
    pub subject: Option<String>,
    pub span: Option<Span>,
    pub reason: String,
}

/// Findings and what could not be judged, together: every detector gives both.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Verdicts {
    pub findings: Vec<Finding>,
    pub not_assessed: Vec<NotAssessed>,
}

impl Verdicts {
    pub fn extend(&mut self, other: Verdicts) {
        self.findings.extend(other.findings);
        self.not_assessed.extend(other.not_assessed);
    }

    /// Most urgent first, then by enclosure, kind, subject and start: one order for every output.
    pub fn sort(&mut self) {
        self.findings.sort_by(|a, b| {
            b.severity.cmp(&a.severity).then_with(|| {
                (&a.enclosure, a.kind, &a.subject, a.start_ms).cmp(&(
                    &b.enclosure,
                    b.kind,
                    &b.subject,
                    b.start_ms,
                ))
            })
        });
        self.not_assessed.sort_by(|a, b| {
            (&a.enclosure, a.kind, &a.subject, a.span).cmp(&(&b.enclosure, b.kind, &b.subject, b.span))
        });
        self.not_assessed.dedup();
    }
}
