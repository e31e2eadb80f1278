//! The built-in way in: devices connect to the collector itself, no other program is needed.
//!
//! In: MQTT 3.1.1 and 5 over TCP or TLS. Out: arrivals into the writer's queue, acknowledged when durable. Also passes messages on to subscribers
//! (QoS 0), among them the collector's own topics. Not a broker for general use: subscribers' messages are not stored.
//! Limits: connections, packet size, messages in flight, filters, retained messages, sessions; all named constants.

mod connection;
mod hub;
mod sessions;
pub(crate) mod wire;

use std::collections::BTreeMap;
use std::io;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use mosswarden_config::site::Broker;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;

use crate::clock::Clock;
use crate::counts::Counts;
use crate::disk::Disk;
use crate::secrets::{self, SecretError};
use crate::writer::Queue;
use hub::Hub;
use sessions::Sessions;

/// Devices connected at once (our choice; a site has some dozens).
const CONNECTIONS_MAX: usize = 256;
const TLS_WITHIN: Duration = Duration::from_secs(10);
/// After a failed accept, so that a lack of file descriptors does not spin.
const ACCEPT_PAUSE: Duration = Duration::from_millis(200);

/// Why the listener can't open.
#[derive(Debug, thiserror::Error)]
pub enum ListenError {
    #[error("cannot listen on {address}")]
    Bind { address: String, source: io::Error },
    #[error(
        "`listen = \"{address}\"` is open to other machines and has no password; name a `password_file` under [broker], or listen on 127.0.0.1"
    )]
    OpenWithoutPassword { address: String },
    #[error("the listener's secrets can't be used")]
    Secret(#[from] SecretError),
}

/// The listener, open and ready.
pub(crate) struct Listener {
    socket: TcpListener,
    tls: Option<TlsAcceptor>,
    shared: Arc<Shared>,
}

/// Who may come in, and where: all that is known before the port is taken.
struct Entrance {
    login: Option<Login>,
    tls: Option<TlsAcceptor>,
    addresses: Vec<SocketAddr>,
}

/// What all connections share.
pub(crate) struct Shared {
    queue: Queue,
    clock: Arc<dyn Clock>,
    counts: Arc<Counts>,
    login: Option<Login>,
    hub: Hub,
    sessions: Arc<Sessions>,
    /// Who has each client id: the connection's number, and how to push it out.
    guests: Mutex<Guests>,
    next_number: AtomicU64,
}

type Guests = BTreeMap<Arc<str>, (u64, Arc<Notify>)>;

struct Login {
    username: Option<String>,
    password: String,
}

/// A connection's place among the others.
struct Guest {
    number: u64,
    client: Arc<str>,
    pushed_out: Arc<Notify>,
    shared: Arc<Shared>,
}

impl Guest {
    /// Completes when another connection has taken the client id.
    async fn is_pushed_out(&self) {
        self.pushed_out.notified().await;
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        let mut guests = self.shared.guests.lock().unwrap_or_else(PoisonError::into_inner);
        if guests
            .get(&self.client)
            .is_some_and(|(number, _)| *number == self.number)
        {
            guests.remove(&self.client);
        }
    }
}

impl Shared {
    fn may_enter(&self, login: Option<&(String, String)>) -> bool {
        let Some(wanted) = &self.login else { return true };
        login.is_some_and(|(username, password)| {
            let is_user = wanted
                .username
                .as_ref()
                .is_none_or(|wanted| secrets::is_equal(wanted.as_bytes(), username.as_bytes()));
            let is_password = secrets::is_equal(wanted.password.as_bytes(), password.as_bytes());
            is_user && is_password
        })
    }

    fn new_client_id(&self) -> Arc<str> {
        // Unique over restarts: redeliveries are known by it.
        let number = self.next_number.fetch_add(1, Ordering::Relaxed);
        Arc::from(format!("unnamed-{}-{number}", self.clock.now_ms()))
    }

    /// Takes a client id; a connection that has it is pushed out (MQTT 3.1.1, section 3.1.4).
    fn enter(self: &Arc<Self>, client: &Arc<str>) -> Guest {
        let number = self.next_number.fetch_add(1, Ordering::Relaxed);
        let pushed_out = Arc::new(Notify::new());
        let mut guests = self.guests.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, old)) = guests.insert(Arc::clone(client), (number, Arc::clone(&pushed_out))) {
            old.notify_one();
        }
        self.counts.connection();
        Guest {
            number,
            client: Arc::clone(client),
            pushed_out,
            shared: Arc::clone(self),
        }
    }

    /// The filters of a known session; a disk that fails costs the session, not the connection.
    async fn session(&self, client: &Arc<str>, is_kept: bool, clean_start: bool) -> Option<Vec<String>> {
        let (sessions, client, now_ms) = (
            Arc::clone(&self.sessions),
            Arc::clone(client),
            self.clock.now_ms(),
        );
        let work = move || sessions.connect(&client, is_kept, clean_start, now_ms);
        match tokio::task::spawn_blocking(work).await {
            Ok(Ok(found)) => found,
            Ok(Err(error)) => {
                tracing::warn!(%error, "a device's session can't be kept");
                None
            }
            Err(_) => None,
        }
    }

    async fn remember_filters(&self, client: &Arc<str>, filters: &[String]) {
        let (sessions, client, filters) = (Arc::clone(&self.sessions), Arc::clone(client), filters.to_vec());
        if let Ok(Err(error)) =
            tokio::task::spawn_blocking(move || sessions.set_filters(&client, &filters)).await
        {
            tracing::warn!(%error, "a device's subscriptions can't be kept");
        }
    }

    /// Publishes one of the collector's own messages.
    pub(crate) fn publish(&self, topic: &str, payload: &Bytes, retain: bool) {
        self.hub.publish(topic, payload, retain);
    }
}

/// Whether the listener could be opened; `is_taken` where a running collector has the port already.
pub(crate) async fn try_listen(broker: &Broker, address: &str, is_taken: bool) -> Result<(), ListenError> {
    let entrance = Entrance::of(broker, address).await?;
    if !is_taken {
        entrance.bind(address).await?;
    }
    Ok(())
}

impl Entrance {
    async fn of(broker: &Broker, address: &str) -> Result<Entrance, ListenError> {
        let login = match &broker.password_file {
            Some(file) => Some(Login {
                username: broker.username.clone(),
                password: secrets::password(file)?,
            }),
            None => None,
        };
        let tls = match &broker.tls {
            Some(tls) => Some(TlsAcceptor::from(secrets::server_tls(
                &tls.certificate_file,
                &tls.key_file,
            )?)),
            None => None,
        };
        let found = tokio::net::lookup_host(address)
            .await
            .map_err(|source| ListenError::bind(address, source))?;
        let addresses: Vec<SocketAddr> = found.collect();
        // Looked up before it is bound: an open door is not opened even for a moment.
        if login.is_none() && addresses.iter().any(|address| !address.ip().is_loopback()) {
            return Err(ListenError::OpenWithoutPassword {
                address: address.to_owned(),
            });
        }
        Ok(Entrance {
            login,
            tls,
            addresses,
        })
    }

    async fn bind(&self, address: &str) -> Result<TcpListener, ListenError> {
        TcpListener::bind(&*self.addresses)
            .await
            .map_err(|source| ListenError::bind(address, source))
    }
}

impl ListenError {
    fn bind(address: &str, source: io::Error) -> ListenError {
        ListenError::Bind {
            address: address.to_owned(),
            source,
        }
    }

    /// What to do, where the error does not say it.
    pub(crate) fn next_step(&self) -> Option<String> {
        let ListenError::Bind { address, source } = self else {
            return None;
        };
        let (_, port) = address.rsplit_once(':')?;
        (source.kind() == io::ErrorKind::AddrInUse).then(|| {
            format!(
                "another program (often mosquitto) holds port {port}: use it with url = \"mqtt://127.0.0.1:{port}\", or choose \
                 another port with `listen` in [broker]"
            )
        })
    }
}

impl Listener {
    /// Opens the listener.
    pub(crate) async fn open(
        broker: &Broker,
        address: &str,
        disk: Arc<dyn Disk>,
        data_dir: &std::path::Path,
        queue: Queue,
        clock: Arc<dyn Clock>,
        counts: Arc<Counts>,
    ) -> Result<Listener, ListenError> {
        let entrance = Entrance::of(broker, address).await?;
        let socket = entrance.bind(address).await?;
        let Entrance { login, tls, .. } = entrance;
        let shared = Shared {
            queue,
            clock,
            counts,
            login,
            hub: Hub::default(),
            sessions: Arc::new(Sessions::open(disk, data_dir)),
            guests: Mutex::new(BTreeMap::new()),
            next_number: AtomicU64::new(1),
        };
        Ok(Listener {
            socket,
            tls,
            shared: Arc::new(shared),
        })
    }

    pub(crate) fn address(&self) -> io::Result<SocketAddr> {
        self.socket.local_addr()
    }

    pub(crate) fn shared(&self) -> Arc<Shared> {
        Arc::clone(&self.shared)
    }

    /// Serves until told to stop; returns when every connection has ended.
    pub(crate) async fn serve(self, mut stop: watch::Receiver<bool>) {
        let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
        let mut connections = JoinSet::new();
        self.shared.counts.connected(true);
        while !*stop.borrow() {
            tokio::select! {
                accepted = self.socket.accept() => match accepted {
                    Ok((stream, _)) => match Arc::clone(&places).try_acquire_owned() {
                        Ok(place) => {
                            let work = serve_stream(stream, self.tls.clone(), Arc::clone(&self.shared), stop.clone());
                            connections.spawn(async move {
                                work.await;
                                drop(place);
                            });
                        }
                        Err(_) => tracing::warn!(limit = CONNECTIONS_MAX, "a connection was turned away: too many"),
                    },
                    Err(error) => {
                        tracing::warn!(%error, "a connection could not be accepted");
                        tokio::time::sleep(ACCEPT_PAUSE).await;
                    }
                },
                Some(ended) = connections.join_next(), if !connections.is_empty() => {
                    if let Err(error) = ended {
                        tracing::error!(%error, "serving a connection failed");
                    }
                }
                changed = stop.changed() => if changed.is_err() { break },
            }
        }
        drop(self.socket);
        while connections.join_next().await.is_some() {}
        self.shared.counts.connected(false);
    }
}

async fn serve_stream(
    stream: TcpStream,
    tls: Option<TlsAcceptor>,
    shared: Arc<Shared>,
    stop: watch::Receiver<bool>,
) {
    // Small packets go out at once; a failure costs only time.
    let _slower = stream.set_nodelay(true);
    match tls {
        None => connection::serve(stream, shared, stop).await,
        Some(tls) => match timeout(TLS_WITHIN, tls.accept(stream)).await {
            Ok(Ok(stream)) => connection::serve(stream, shared, stop).await,
            Ok(Err(error)) => tracing::warn!(%error, "a device could not agree on TLS"),
            Err(_) => {}
        },
    }
}
