//! `[broker]`: the way in.

use std::path::Path;

use super::*;

/// The port of MQTT over TLS, registered with IANA.
pub const MQTTS_PORT: u16 = 8883;
/// The same in the clear.
pub const MQTT_PORT: u16 = 1883;

pub(super) fn broker(reader: &mut Reader<'_>, top: &Section<'_, '_>, base: &Path) -> Broker {
    let known = [
        "url",
        "listen",
        "username",
        "password_file",
        "ca_file",
        "client_id",
        "certificate_file",
        "key_file",
    ];
    let default_listen = format!("127.0.0.1:{MQTT_PORT}");
    let mut broker = Broker {
        way: Way::Builtin {
            listen: default_listen.clone(),
        },
        username: None,
        password_file: None,
        ca_file: None,
        tls: None,
        client_id: "mosswarden-collector".to_owned(),
    };
    let Some(section) = reader.child(top, "broker", "[broker]", &known) else {
        return broker;
    };
    let url = reader
        .text(&section, "url")
        .unwrap_or_else(|| "builtin".to_owned());
    let listen = reader.text(&section, "listen").unwrap_or(default_listen);
    check_listen(reader, &section, &listen, MQTT_PORT);
    match way(&url, listen) {
        Some(way) => broker.way = way,
        None => reader.problem(
            &section.key_span("url"),
            format!("`url = \"{url}\"` is not a way in"),
            Some("write \"builtin\", \"mqtt://host:1883\" or \"mqtts://host:8883\"".to_owned()),
        ),
    }
    broker.username = reader.text(&section, "username");
    broker.password_file = reader.text(&section, "password_file").map(|file| base.join(file));
    broker.ca_file = reader.text(&section, "ca_file").map(|file| base.join(file));
    broker.tls = listener_tls(reader, &section, base);
    if let Some(client_id) = reader.text(&section, "client_id") {
        broker.client_id = client_id;
    }
    broker
}

/// Where a listener is to listen: a host and a port.
pub(super) fn check_listen(
    reader: &mut Reader<'_>,
    section: &Section<'_, '_>,
    listen: &str,
    usual_port: u16,
) {
    let is_port = |text: &str| text.parse::<u16>().is_ok();
    if listen
        .rsplit_once(':')
        .is_some_and(|(host, port)| !host.is_empty() && is_port(port))
    {
        return;
    }
    let bare = listen.trim_start_matches(':');
    let port = if is_port(bare) {
        bare.to_owned()
    } else {
        usual_port.to_string()
    };
    reader.problem(
        &section.key_span("listen"),
        format!("`listen = \"{listen}\"` is no address with a port"),
        Some(format!("write \"127.0.0.1:{port}\"")),
    );
}

/// Certificate and key of a listener: both or neither.
pub(super) fn listener_tls(
    reader: &mut Reader<'_>,
    section: &Section<'_, '_>,
    base: &Path,
) -> Option<ListenerTls> {
    let certificate = reader
        .text(section, "certificate_file")
        .map(|file| base.join(file));
    let key = reader.text(section, "key_file").map(|file| base.join(file));
    match (certificate, key) {
        (Some(certificate_file), Some(key_file)) => {
            return Some(ListenerTls {
                certificate_file,
                key_file,
            });
        }
        (None, None) => {}
        (Some(_), None) => reader.missing(section, "key_file", "\"secrets/key.pem\""),
        (None, Some(_)) => reader.missing(section, "certificate_file", "\"secrets/certificate.pem\""),
    }
    None
}

fn way(url: &str, listen: String) -> Option<Way> {
    if url == "builtin" {
        return Some(Way::Builtin { listen });
    }
    let (tls, rest) = match (url.strip_prefix("mqtt://"), url.strip_prefix("mqtts://")) {
        (Some(rest), _) => (false, rest),
        (_, Some(rest)) => (true, rest),
        _ => return None,
    };
    let rest = rest.trim_end_matches('/');
    let default_port = if tls { MQTTS_PORT } else { MQTT_PORT };
    let (host, port) = match rest.rsplit_once(':') {
        Some((host, port)) if !host.ends_with(':') => (host, port.parse().ok()?),
        _ => (rest, default_port),
    };
    (!host.is_empty() && !host.contains('@')).then(|| Way::Client {
        host: host.to_owned(),
        port,
        tls,
    })
}
