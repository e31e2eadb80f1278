//! Changed packets over real connections to a running listener: each is closed or answered, and a device that behaves is served
//! all the while.

use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;

use super::mutate::{Chance, mutate};
use super::{number_from, seeds};
use crate::clock::SystemClock;
use crate::disk::RealDisk;
use crate::faults::daemon::Collector;

/// Connections where nothing else is asked for; the long run makes one of a thousand of its inputs.
const CONNECTIONS_BY_DEFAULT: u64 = 300;
const INPUTS_PER_CONNECTION: u64 = 1000;
const DEADLINE: Duration = Duration::from_secs(60);

#[tokio::test]
async fn no_connection_stops_the_next() {
    let home = tempfile::tempdir().expect("a temporary folder");
    let collector = Collector::start(home.path(), Arc::new(RealDisk), Arc::new(SystemClock)).await;
    let count = number_from("MOSSWARDEN_FUZZ")
        .map_or(CONNECTIONS_BY_DEFAULT, |inputs| inputs / INPUTS_PER_CONNECTION);
    let (seeds, mut chance) = (
        seeds::of("wire"),
        Chance::new(number_from("MOSSWARDEN_SEED").unwrap_or(1)),
    );
    let mut input = Vec::new();
    let mut device = collector.device("calm");
    for number in 0..count {
        mutate(&mut chance, &seeds, &mut input);
        let mut stranger = TcpStream::connect(collector.address).await.expect("it listens");
        // Closed at once, if the first packet is refused.
        let _refused = stranger.write_all(&input).await;
        let _refused = stranger.shutdown().await;
        let mut answer = Vec::new();
        let _reset = timeout(DEADLINE, stranger.read_to_end(&mut answer))
            .await
            .expect("closed in time");
        if number % 50 == 0 {
            device.send("80.5").await;
            device.is_acknowledged().await;
        }
    }
    device.send("80.5").await;
    device.is_acknowledged().await;
    println!("{count} changed connections: none stopped the next");
    collector.stop().await.expect("an orderly end");
}
