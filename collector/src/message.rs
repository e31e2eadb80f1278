//! One message as it came in, before anything is made of it.

use std::sync::Arc;

use bytes::Bytes;

/// A published message with the identity that its packet carried.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Message {
    pub(crate) topic: Arc<str>,
    pub(crate) payload: Bytes,
    /// Instant of arrival, ms since 1970-01-01T00:00Z.
    pub(crate) arrived_ms: i64,
    pub(crate) packet: Packet,
}

/// What the packet said of itself. Kept in the spool, because redeliveries are known by it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Packet {
    /// Who sent it: the device's client id at the built-in listener, our own towards a broker.
    pub(crate) client: Arc<str>,
    /// 0 for QoS 0, which has none.
    pub(crate) id: u16,
    /// The sender says that it may have sent this before.
    pub(crate) is_repeat: bool,
    /// The broker kept it for new subscribers: not a fresh reading.
    pub(crate) is_retained: bool,
    /// A will: published because its device was lost.
    pub(crate) is_will: bool,
}
