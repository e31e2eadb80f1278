//! Messages to durable files.
#![forbid(unsafe_code)]

mod archive;
pub mod clock;
mod compact;
pub mod counts;
pub mod decode;
pub mod disk;
mod feeds;
mod message;
mod publish;
mod refused;
mod spool;
mod validate;
mod window;
