//! HTTPS: a listener whose connections have shaken hands before the page sees them.
//!
//! Hands are shaken beside each other, at most [`SHAKING_MAX`] at a time and each within [`SHAKE_TIMEOUT`]: somebody who connects and
//! says nothing holds nobody up.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::serve::Listener;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, mpsc};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

const SHAKING_MAX: usize = 32;
const SHAKE_TIMEOUT: Duration = Duration::from_secs(10);
/// After an accept that failed (no file descriptors left) the next is tried this much later.
const ACCEPT_RETRY: Duration = Duration::from_millis(200);

/// Connections over TLS.
pub(super) struct Shaken {
    shaken: mpsc::Receiver<(TlsStream<TcpStream>, SocketAddr)>,
    address: SocketAddr,
}

impl Shaken {
    /// Takes connections until dropped.
    ///
    /// # Errors
    /// When the listener does not know its own address.
    pub(super) fn new(listener: TcpListener, config: Arc<rustls::ServerConfig>) -> io::Result<Shaken> {
        let address = listener.local_addr()?;
        let (ready, shaken) = mpsc::channel(SHAKING_MAX);
        tokio::spawn(shake_hands(listener, TlsAcceptor::from(config), ready));
        Ok(Shaken { shaken, address })
    }
}

async fn shake_hands(
    listener: TcpListener,
    acceptor: TlsAcceptor,
    ready: mpsc::Sender<(TlsStream<TcpStream>, SocketAddr)>,
) {
    let turns = Arc::new(Semaphore::new(SHAKING_MAX));
    while !ready.is_closed() {
        let Ok(turn) = Arc::clone(&turns).acquire_owned().await else {
            return;
        };
        let (stream, from) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::debug!(%error, "a connection to the page could not be taken");
                tokio::time::sleep(ACCEPT_RETRY).await;
                continue;
            }
        };
        let (acceptor, ready) = (acceptor.clone(), ready.clone());
        tokio::spawn(async move {
            match tokio::time::timeout(SHAKE_TIMEOUT, acceptor.accept(stream)).await {
                Ok(Ok(shaken)) => {
                    // The page is gone where nobody takes it.
                    let _gone = ready.send((shaken, from)).await;
                }
                Ok(Err(error)) => tracing::debug!(%from, %error, "a browser did not agree on TLS"),
                Err(_) => tracing::debug!(%from, "a connection said nothing"),
            }
            drop(turn);
        });
    }
}

impl Listener for Shaken {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        match self.shaken.recv().await {
            Some(accepted) => accepted,
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.address)
    }
}
