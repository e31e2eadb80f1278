//! The same packets as MQTT messages, in the shapes that real devices send. Pure: no network.

use serde::Serialize;

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

/// Messages as JSON, one object a line: `topic`, `payload` as text, and `time`, the arrival.
pub fn messages_jsonl(simulation: &Simulation) -> String {
    messages(simulation)
        .map(|message| {
            let line = Line {
                topic: &message.topic,
                payload: &String::from_utf8_lossy(&message.payload),
                time: rfc3339(message.at_ms),
            };
            serde_json::to_string(&line).expect("three texts are JSON") + "\n"
        })
        .collect()
}

#[derive(Serialize)]
struct Line<'m> {
    topic: &'m str,
    payload: &'m str,
    time: String,
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
            StateWire::JsonTimed => {
                format!(
                    "{{\"at\":\"{}\",\"state\":\"{}\"}}",
                    rfc3339(at_ms),
                    if on { "ON" } else { "OFF" }
                )
            }
        }),
        // A sensor has no state and a device no air: such a packet is never made.
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use mosswarden_config::quantity::Quantity;

    use super::super::calendar::MS_PER_H;
    use super::super::run::run;
    use super::super::scenario::single_healthy;
    use super::*;

    #[test]
    fn messages_carry_the_readings_and_are_in_order() {
        let simulation = run(&single_healthy(3, 2, 300.0));
        let all: Vec<_> = messages(&simulation).collect();
        assert!(all.windows(2).all(|w| w[0].at_ms <= w[1].at_ms));
        let senml = all
            .iter()
            .find(|m| m.topic.ends_with("bench/check"))
            .expect("the reference speaks");
        let pack: serde_json::Value = serde_json::from_slice(&senml.payload).expect("SenML is JSON");
        let reading = simulation
            .readings
            .iter()
            .find(|r| &*r.sensor == "bench-check" && r.quantity == Quantity::Humidity)
            .expect("the reference reads");
        assert_eq!(pack[1]["v"].as_f64(), Some(reading.value));
        assert_eq!(pack[0]["bt"].as_i64().map(|s| s * 1000), Some(reading.at_ms));
        assert!(simulation.readings.windows(2).all(|w| w[0].at_ms <= w[1].at_ms));
        assert!(
            simulation
                .readings_csv()
                .starts_with("time,enclosure,sensor,quantity,value,unit\n2026-03-02T00:0")
        );
        // 13 °C is 55.4 °F (exact by the scale's definition).
        assert_eq!(fahrenheit(13.0), 55.4);
    }

    #[test]
    fn states_are_said_at_every_change_and_every_hour() {
        let simulation = run(&single_healthy(3, 3, 300.0));
        for device in ["bench-mister", "bench-fogger", "bench-heater", "bench-lamp"] {
            let at: Vec<i64> = simulation
                .readings
                .iter()
                .filter(|r| &*r.sensor == device)
                .map(|r| r.at_ms)
                .collect();
            assert!(
                at.len() >= 71 && at.windows(2).all(|w| w[1] - w[0] <= MS_PER_H + 15_000),
                "{device}"
            );
        }
        let lamp: Vec<f64> = simulation
            .readings
            .iter()
            .filter(|r| &*r.sensor == "bench-lamp")
            .map(|r| r.value)
            .collect();
        assert_eq!(lamp.windows(2).filter(|w| w[0] != w[1]).count(), 6);
    }
}
