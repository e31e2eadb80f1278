//! A second subscriber of the same broker, which says how often the broker handed each reading on as a new message.

use std::collections::{BTreeMap, HashMap};
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

const TOPICS: [&str; 2] = ["nature-room/mossy-1/low/humidity", "nature-room/mossy-1/stat"];

/// Its session is kept by the broker and it acknowledges at once; nobody kills it.
pub(crate) struct Witness {
    heard: Arc<Mutex<Heard>>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

#[derive(Default)]
struct Heard {
    is_subscribed: bool,
    /// How often each reading came as a new message.
    counts: BTreeMap<u32, usize>,
    /// What came last under each packet id: a message that says it may be a repeat is compared with that.
    last: HashMap<u16, u32>,
}

impl Witness {
    /// Returns when its subscriptions stand.
    pub(crate) fn start(port: u16) -> Witness {
        let (heard, stop) = (
            Arc::new(Mutex::new(Heard::default())),
            Arc::new(AtomicBool::new(false)),
        );
        let (heard_in, stop_in) = (Arc::clone(&heard), Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            while !stop_in.load(Ordering::Relaxed) {
                // Ends with the broker, or with the stop.
                let _ended = listen(port, &heard_in, &stop_in);
                std::thread::sleep(Duration::from_millis(5));
            }
        });
        let witness = Witness { heard, stop, thread };
        while !witness.heard.lock().expect("no panic").is_subscribed {
            std::thread::sleep(Duration::from_millis(5));
        }
        witness
    }

    /// Messages heard so far.
    pub(crate) fn count(&self) -> usize {
        self.heard.lock().expect("no panic").counts.values().sum()
    }

    pub(crate) fn finish(self) -> BTreeMap<u32, usize> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().expect("no panic");
        std::mem::take(&mut self.heard.lock().expect("no panic").counts)
    }
}

fn listen(port: u16, heard: &Mutex<Heard>, stop: &AtomicBool) -> io::Result<()> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.write_all(b"\x10\x13\x00\x04MQTT\x04\x00\x00\x3c\x00\x07witness")?;
    let mut answer = [0; 4];
    stream.read_exact(&mut answer)?;
    let mut subscribe = vec![0x82, 0, 0, 1];
    for topic in TOPICS {
        subscribe.extend_from_slice(&(topic.len() as u16).to_be_bytes());
        subscribe.extend_from_slice(topic.as_bytes());
        subscribe.push(1);
    }
    subscribe[1] = (subscribe.len() - 2) as u8;
    stream.write_all(&subscribe)?;
    stream.set_read_timeout(Some(Duration::from_millis(100)))?;
    let mut input = Vec::new();
    let mut buffer = [0; 16 * 1024];
    while !stop.load(Ordering::Relaxed) {
        match stream.read(&mut buffer) {
            Ok(0) => return Ok(()),
            Ok(read) => input.extend_from_slice(&buffer[..read]),
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) => {
                // Keeps the connection alive.
                stream.write_all(&[0xc0, 0])?;
            }
            Err(error) => return Err(error),
        }
        let mut acks = Vec::new();
        let mut at = 0;
        // All packets here are shorter than 128 bytes: one byte of length.
        while input.len() >= at + 2 && input.len() >= at + 2 + usize::from(input[at + 1]) {
            let end = at + 2 + usize::from(input[at + 1]);
            take(&input[at..end], heard, &mut acks);
            at = end;
        }
        input.drain(..at);
        stream.write_all(&acks)?;
    }
    Ok(())
}

fn take(packet: &[u8], heard: &Mutex<Heard>, acks: &mut Vec<u8>) {
    let mut heard = heard.lock().expect("no panic");
    match packet[0] >> 4 {
        9 => heard.is_subscribed = true,
        3 => {
            let topic_bytes = usize::from(u16::from_be_bytes([packet[2], packet[3]]));
            let id_at = 4 + topic_bytes;
            let id = u16::from_be_bytes([packet[id_at], packet[id_at + 1]]);
            let digits = packet[id_at + 2..]
                .iter()
                .skip_while(|byte| !byte.is_ascii_digit())
                .take_while(|byte| byte.is_ascii_digit());
            let number = digits.fold(0, |number, digit| number * 10 + u32::from(digit - b'0'));
            let is_repeat = packet[0] & 0x08 != 0 && heard.last.get(&id) == Some(&number);
            heard.last.insert(id, number);
            if !is_repeat {
                *heard.counts.entry(number).or_default() += 1;
            }
            acks.extend_from_slice(&[0x40, 2, packet[id_at], packet[id_at + 1]]);
        }
        _ => {}
    }
}
