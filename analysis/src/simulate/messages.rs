//! The same packets as MQTT messages, in the shapes that real devices send. Pure: no network.

use super::calendar::rfc3339;
use super::device::StateWire;
use super::output::{Body, Packet, Simulation, Source, Voice, fahrenheit};
use super::sensor::{TimeForm, Wire};

/// One MQTT message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    pub topic: String,
    pub payload: Vec<u8>,
    /// Arrival, ms; never falls from one message to the next.
    pub at_ms: i64,
}

/// All messages of a simulation, in order of arrival.
pub fn messages(simulation: &Simulation) -> impl Iterator<Item = Message> + '_ {
    simulation
        .packets
        .iter()
        .flat_map(|packet| spoken(&simulation.sources[packet.source as usize], packet))
}

/// How many messages [`messages`] gives.
pub fn message_count(simulation: &Simulation) -> usize {
    let two = |p: &&Packet| {
        let voice = simulation.sources[p.source as usize].voice;
        matches!(voice, Voice::Sensor(Wire::Numbers | Wire::NumbersFahrenheit))
    };
    simulation.packets.len() + simulation.packets.iter().filter(two).count()
}

fn spoken(source: &Source, packet: &Packet) -> Vec<Message> {
    let one = |payload: String| {
        vec![Message {
            topic: source.topic.clone(),
            payload: payload.into_bytes(),
            at_ms: packet.received_ms,
        }]
    };
    let at_ms = packet.device_ms.unwrap_or(packet.received_ms);
    match (packet.body, source.voice) {
        (Body::Air { t_c, rh_pct }, Voice::Sensor(wire)) => match wire {
            Wire::JsonTimed(form) => {
                let at = match form {
                    TimeForm::Rfc3339 => format!("\"{}\"", rfc3339(at_ms)),
                    TimeForm::EpochS => format!("{}", at_ms.div_euclid(1000)),
                    TimeForm::EpochMs => format!("{at_ms}"),
                };
                one(format!(
                    "{{\"at\":{at},\"temperature\":{t_c:.1},\"humidity\":{rh_pct:.1}}}"
                ))
            }
            Wire::Json => one(format!("{{\"t\":{t_c:.1},\"rh\":{rh_pct:.1}}}")),
            Wire::SenMl => one(format!(
                "[{{\"bn\":\"{}:\",\"bt\":{},\"n\":\"temperature\",\"u\":\"Cel\",\"v\":{t_c:.1}}},\
                 {{\"n\":\"humidity\",\"u\":\"%RH\",\"v\":{rh_pct:.1}}}]",
                source.id,
                at_ms.div_euclid(1000)
            )),
            Wire::Numbers | Wire::NumbersFahrenheit => {
                let t = if wire == Wire::Numbers {
                    t_c
                } else {
                    fahrenheit(t_c)
                };
                [("temperature", t), ("humidity", rh_pct)]
                    .into_iter()
                    .map(|(leaf, value)| Message {
                        topic: format!("{}/{leaf}", source.topic),
                        payload: format!("{value:.1}").into_bytes(),
                        at_ms: packet.received_ms,
                    })
                    .collect()
            }
        },
        (Body::State { on }, Voice::Device(wire)) => one(match wire {
            StateWire::OnOff => if on { "ON" } else { "OFF" }.to_owned(),
            StateWire::OneZero => if on { "1" } else { "0" }.to_owned(),
            StateWire::Json => format!("{{\"state\":\"{}\"}}", if on { "ON" } else { "OFF" }),
        }),
        // A sensor has no state and a device no air: such a packet is never made.
        _ => Vec::new(),
    }
}
