//! Who comes in: at most [`CONNECTIONS_MAX`] at a time, and none that stays without a word.
//!
//! A connection over which nothing moved for [`IDLE`] is closed, so that browsers which went to sleep, or somebody who only holds
//! connections open, keep nobody out.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep};

use super::guard::Peer;

/// A household's browsers open six each.
const CONNECTIONS_MAX: usize = 128;
/// Longer than the pause between two signs of life of `/live`.
const IDLE: Duration = Duration::from_secs(90);

/// A listener with bounds.
pub(super) struct Door<L> {
    listener: L,
    room: Arc<Semaphore>,
}

impl<L> Door<L> {
    pub(super) fn new(listener: L) -> Door<L> {
        Door {
            listener,
            room: Arc::new(Semaphore::new(CONNECTIONS_MAX)),
        }
    }
}

impl<L: Listener<Addr = SocketAddr>> Listener for Door<L> {
    type Io = Visit<L::Io>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        // The semaphore is never closed; were it, nobody would come in.
        let Ok(place) = Arc::clone(&self.room).acquire_owned().await else {
            return std::future::pending().await;
        };
        let (io, from) = self.listener.accept().await;
        (Visit::new(io, IDLE, place), from)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

impl<L: Listener<Addr = SocketAddr>> Connected<IncomingStream<'_, Door<L>>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Door<L>>) -> Peer {
        Peer(stream.remote_addr().ip())
    }
}

/// A connection that holds its place until it is closed, and ends by itself where nothing moves.
pub(super) struct Visit<I> {
    io: I,
    idle: Duration,
    patience: Pin<Box<Sleep>>,
    _place: OwnedSemaphorePermit,
}

impl<I> Visit<I> {
    fn new(io: I, idle: Duration, place: OwnedSemaphorePermit) -> Visit<I> {
        Visit {
            io,
            idle,
            patience: Box::pin(tokio::time::sleep(idle)),
            _place: place,
        }
    }

    /// Passes on what came of a try to read or write: what moved renews the patience, what waits is ended when it is over.
    fn judged<T>(&mut self, context: &mut Context<'_>, tried: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if tried.is_ready() {
            self.patience.as_mut().reset(Instant::now() + self.idle);
            return tried;
        }
        match self.patience.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl<I: AsyncRead + Unpin> AsyncRead for Visit<I> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let tried = Pin::new(&mut self.io).poll_read(context, buffer);
        self.judged(context, tried)
    }
}

impl<I: AsyncWrite + Unpin> AsyncWrite for Visit<I> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let tried = Pin::new(&mut self.io).poll_write(context, bytes);
        self.judged(context, tried)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let tried = Pin::new(&mut self.io).poll_flush(context);
        self.judged(context, tried)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_shutdown(context)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

    use super::*;

    const SHORT: Duration = Duration::from_millis(200);

    #[tokio::test]
    async fn a_silent_connection_ends_and_gives_its_place_back() {
        let room = Arc::new(Semaphore::new(1));
        let place = Arc::clone(&room).try_acquire_owned().expect("a place");
        let (mut browser, io) = tokio::io::duplex(64);
        let mut visit = Visit::new(io, SHORT, place);
        browser.write_all(b"x").await.expect("there is room");
        let mut buffer = [0; 8];
        assert_eq!(visit.read(&mut buffer).await.expect("a byte"), 1);
        let error = visit.read(&mut buffer).await.expect_err("nothing comes any more");
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        assert_eq!(room.available_permits(), 0);
        drop(visit);
        assert_eq!(room.available_permits(), 1);
    }

    #[tokio::test]
    async fn what_is_written_keeps_a_waiting_reader() {
        let place = Arc::new(Semaphore::new(1)).try_acquire_owned().expect("a place");
        let (_browser, io) = tokio::io::duplex(1024);
        let mut visit = Visit::new(io, SHORT, place);
        // As server-sent events do: nothing to read for ever, something to write now and then.
        for _ in 0..5 {
            let mut buffer = [0; 8];
            let waited = tokio::time::timeout(SHORT / 4, visit.read(&mut buffer)).await;
            assert!(waited.is_err(), "it waits on");
            visit.write_all(b"sign").await.expect("there is room");
        }
    }
}
