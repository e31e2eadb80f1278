//! A short connection to the keeper's own broker, for `discover` and `check`: never under the collector's name, never kept.

use std::path::PathBuf;
use std::time::Duration;

use mosswarden_config::plain::plain;
use mosswarden_config::site::{Broker, Way};
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, MqttOptions, Packet, TlsConfiguration, Transport,
};

use crate::reporter::Failure;

/// A broker that does not answer in this time is not there.
const ANSWER_WITHIN: Duration = Duration::from_secs(8);
/// A larger message is no sensor's; the connection would break at it.
const PACKET_BYTES_MAX: usize = 1024 * 1024;

/// Where the broker is and how it is spoken to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Target {
    pub(crate) host: String,
    pub(crate) port: u16,
    pub(crate) tls: bool,
    pub(crate) username: Option<String>,
    pub(crate) password_file: Option<PathBuf>,
    pub(crate) ca_file: Option<PathBuf>,
}

impl Target {
    /// The broker of a site file; `None` where devices connect to the collector itself.
    pub(crate) fn of(broker: &Broker) -> Option<Target> {
        let Way::Client { host, port, tls } = &broker.way else {
            return None;
        };
        Some(Target {
            host: host.clone(),
            port: *port,
            tls: *tls,
            username: broker.username.clone(),
            password_file: broker.password_file.clone(),
            ca_file: broker.ca_file.clone(),
        })
    }

    /// # Errors
    /// When the password or the certificates can't be read.
    pub(crate) fn options(&self, name: &str) -> Result<MqttOptions, Failure> {
        let client_id = format!("mosswarden-{name}-{}", std::process::id());
        let mut options = MqttOptions::new(client_id, &self.host, self.port);
        options.set_clean_session(true);
        options.set_max_packet_size(PACKET_BYTES_MAX, PACKET_BYTES_MAX);
        if let Some(username) = &self.username {
            let password = match &self.password_file {
                Some(file) => fs_err::read_to_string(file)
                    .map_err(Failure::failed("could not read the password"))?
                    .lines()
                    .next()
                    .unwrap_or_default()
                    .to_owned(),
                None => String::new(),
            };
            options.set_credentials(username, password);
        }
        if self.tls {
            let config = mosswarden_collector::client_tls(self.ca_file.as_deref())
                .map_err(Failure::failed("could not set up TLS"))?;
            options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(config)));
        }
        Ok(options)
    }

    /// Connects and leaves again.
    ///
    /// # Errors
    /// Why the broker does not let us in, in words with the next step.
    pub(crate) async fn try_out(&self, name: &str) -> Result<(), String> {
        let options = self.options(name).map_err(|failure| failure.words())?;
        let (client, mut events) = AsyncClient::new(options, 4);
        let connect = async {
            loop {
                match events.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => return Ok(()),
                    Ok(_) => {}
                    Err(error) => return Err(self.why(&error)),
                }
            }
        };
        let result = tokio::time::timeout(ANSWER_WITHIN, connect)
            .await
            .unwrap_or_else(|_| Err(format!("{} does not answer; {}", self.name(), start_it())));
        // It has let us in or not; how the connection ends is of no interest.
        let _ended = client.try_disconnect();
        result
    }

    pub(crate) fn name(&self) -> String {
        format!("{}:{}", self.host, self.port)
    }

    pub(crate) fn why(&self, error: &ConnectionError) -> String {
        let name = self.name();
        match error {
            ConnectionError::ConnectionRefused(
                ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
            ) => format!(
                "{name} refuses this name and password; set `username` and `password_file` as the broker knows them"
            ),
            ConnectionError::ConnectionRefused(code) => format!("{name} refuses the connection: {code:?}"),
            ConnectionError::Tls(error) => format!(
                "{name} and we do not agree on TLS: {error}; name the authority that signed its certificate with `ca_file`"
            ),
            ConnectionError::Io(error) => {
                format!("nothing answers at {name}: {}; {}", plain(error), start_it())
            }
            other => format!("{name}: {}; {}", plain(other), start_it()),
        }
    }
}

fn start_it() -> &'static str {
    "start the broker or correct its address"
}
