//! The two ways in behind one face: how they are opened, served, and spoken through.

use std::net::SocketAddr;
use std::sync::Arc;

use mosswarden_config::site::{Broker, Site, Way};
use tokio::sync::watch;

use super::{CollectError, OwnMessage, RunOptions, is_collecting};
use crate::broker::{self, Listener, Shared};
use crate::clock::Clock;
use crate::counts::Counts;
use crate::disk::Disk;
use crate::mqtt;
use crate::own::Own;
use crate::writer::Queue;

/// The two ways in.
pub(super) enum WayIn {
    Builtin(Listener),
    Client(Box<mqtt::Client>),
}

/// Publishes the collector's own messages.
pub(super) enum Speaker {
    Builtin(Arc<Shared>),
    Client(mqtt::Voice),
}

/// Whether [`run`](super::run) could open the way in now; changes nothing. The port of a collector that runs here is not tried.
///
/// # Errors
/// What would end the collector at its start.
pub async fn try_way_in(site: &Site) -> Result<(), CollectError> {
    match &site.broker.way {
        Way::Builtin { listen } => {
            broker::try_listen(
                &site.broker,
                listen,
                is_collecting(&site.data_dir).unwrap_or(false),
            )
            .await?;
        }
        Way::Client { tls, .. } => {
            mqtt::Secrets::of(&site.broker, *tls)?;
        }
    }
    Ok(())
}

impl WayIn {
    pub(super) async fn open(
        site: &Site,
        own: &Own,
        options: &RunOptions,
        topics: Vec<Arc<str>>,
        disk: &Arc<dyn Disk>,
        queue: Queue,
        clock: &Arc<dyn Clock>,
        counts: &Arc<Counts>,
    ) -> Result<WayIn, CollectError> {
        match &site.broker.way {
            Way::Builtin { listen } => {
                let address = options.listen_override.as_ref().unwrap_or(listen);
                let (disk, clock, counts) = (Arc::clone(disk), Arc::clone(clock), Arc::clone(counts));
                let listener =
                    Listener::open(&site.broker, address, disk, &site.data_dir, queue, clock, counts).await?;
                Ok(WayIn::Builtin(listener))
            }
            Way::Client { host, port, tls } => {
                let target = mqtt::Target {
                    host: host.clone(),
                    port: *port,
                    tls: *tls,
                    keep_alive: options.keep_alive.unwrap_or(mqtt::KEEP_ALIVE),
                };
                let group = site.broker.client_id.clone();
                let broker = Broker {
                    client_id: own.client_id(&group),
                    ..site.broker.clone()
                };
                let filters = topics.iter().map(|topic| own.filter(&group, topic)).collect();
                let client = mqtt::Client::new(
                    &broker,
                    target,
                    options.will.clone(),
                    topics,
                    filters,
                    queue,
                    Arc::clone(clock),
                    Arc::clone(counts),
                )?;
                Ok(WayIn::Client(Box::new(client)))
            }
        }
    }

    /// Where devices can connect; none as a client of a broker.
    pub(super) fn address(&self) -> Option<SocketAddr> {
        match self {
            WayIn::Builtin(listener) => listener.address().ok(),
            WayIn::Client(_) => None,
        }
    }

    pub(super) fn speaker(&self) -> Speaker {
        match self {
            WayIn::Builtin(listener) => Speaker::Builtin(listener.shared()),
            WayIn::Client(client) => Speaker::Client(client.voice()),
        }
    }

    pub(super) async fn serve(self, stop: watch::Receiver<bool>) {
        match self {
            WayIn::Builtin(listener) => listener.serve(stop).await,
            WayIn::Client(client) => client.serve(stop).await,
        }
    }
}

impl Speaker {
    pub(super) fn say(&self, message: &OwnMessage) {
        match self {
            Speaker::Builtin(shared) => shared.publish(&message.topic, &message.payload, message.retain),
            Speaker::Client(voice) => voice.say(message),
        }
    }
}
