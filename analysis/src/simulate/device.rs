//! Devices of an enclosure as specified: misters, foggers, heaters, lamps.

use super::calendar::LocalMin;

/// One scheduled misting, every local day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MistRun {
    pub local_min: LocalMin,
    pub duration_s: u32,
}

/// What water a mister or fogger gives while it runs, g per m³ of the enclosure's air and second.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct WaterYield {
    /// Droplets that evaporate in the air.
    pub air_g_m3_s: f64,
    /// What lands on leaves and glass.
    pub store_g_m3_s: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub enum DeviceKind {
    Mister {
        runs: Vec<MistRun>,
        water: WaterYield,
    },
    /// A humidistat's fogger: on below set-point minus hysteresis, off at the set-point.
    Fogger {
        controller: String,
        set_pct: f64,
        hysteresis_pct: f64,
        water: WaterYield,
    },
    /// A thermostat's heater, in the same manner.
    Heater {
        controller: String,
        set_c: f64,
        hysteresis_k: f64,
    },
    /// A lamp by the enclosure's light hours.
    Lamp,
}

impl DeviceKind {
    /// The sensor it acts on, where it acts on one.
    pub fn controller(&self) -> Option<&String> {
        match self {
            DeviceKind::Fogger { controller, .. } | DeviceKind::Heater { controller, .. } => Some(controller),
            DeviceKind::Mister { .. } | DeviceKind::Lamp => None,
        }
    }

    /// The word of the site file.
    pub fn name(&self) -> &'static str {
        match self {
            DeviceKind::Mister { .. } => "mister",
            DeviceKind::Fogger { .. } => "fogger",
            DeviceKind::Heater { .. } => "heater",
            DeviceKind::Lamp => "lamp",
        }
    }
}

/// How a device says its state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StateWire {
    /// `ON` and `OFF`.
    OnOff,
    /// `1` and `0`.
    OneZero,
    /// `{"state":"on"}`, by pointer.
    Json,
}

#[derive(Debug, Clone, PartialEq)]
pub struct DeviceSpec {
    pub id: String,
    pub kind: DeviceKind,
    pub wire: StateWire,
    pub topic: String,
}

/// On below `set − hysteresis`, off at `set`, unchanged between.
pub fn two_point(on: bool, indicated: f64, set: f64, hysteresis: f64) -> bool {
    if indicated >= set {
        false
    } else if indicated < set - hysteresis {
        true
    } else {
        on
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_two_point_controller_holds_its_state_inside_the_hysteresis() {
        assert!(two_point(false, 74.9, 80.0, 5.0));
        assert!(!two_point(false, 75.0, 80.0, 5.0));
        assert!(two_point(true, 79.9, 80.0, 5.0));
        assert!(!two_point(true, 80.0, 80.0, 5.0));
    }
}
