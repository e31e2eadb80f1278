//! Messages to durable files: "acknowledged means on disk; after any crash, each acknowledged reading is in the archive, once".
//!
//! The way of a reading: [`mqtt`](run) or the built-in [`broker`](run) → a bounded queue → `writer` (group commit) → `store`, which
//! judges by `feeds` ([`decode`], `validate`) and `window` (redeliveries) → `spool` → acknowledgement → `publish` → day
//! files of Parquet → `compact` (days) → `months`. Beside it: [`import_csv`] (history straight into the archive), [`journal`] (what a keeper saw), [`corrections`] (what a check said of a sensor), [`tail`] (what is
//! durable and not yet published).
//!
//! Knows nothing of the analysis. Files are touched through [`disk`], the time is asked of [`clock`]; tests put failing ones there.
//!
//! What makes two records one reading: sensor, quantity, time and value (`Reading::identity`). A message without a time of its own
//! gets its arrival, which rises strictly within a topic; that such a message was redelivered is told by `window`.
#![forbid(unsafe_code)]

mod archive;
mod broker;
mod bucket;
pub mod clock;
mod columns;
mod compact;
pub mod corrections;
mod counts;
mod counts_file;
mod csv;
pub mod decode;
pub mod disk;
mod export;
#[cfg(test)]
mod faults;
mod feeds;
#[cfg(test)]
mod fuzz;
mod import;
pub mod journal;
mod life;
pub mod lines;
mod merge;
mod message;
mod months;
mod mqtt;
mod names;
mod own;
mod places;
mod publish;
mod refused;
mod run;
mod secrets;
mod spool;
mod store;
mod table_file;
mod tail;
mod validate;
mod verify;
mod window;
mod writer;

pub use archive::ArchiveError;
pub use broker::ListenError;
pub use bucket::try_bucket;
pub use columns::{Columns, ColumnsError, Origins};
pub use counts::{Counts, FeedSnapshot, Newest, Part, SensorSnapshot, Snapshot, worst};
pub use counts_file::{KeptCounts, KeptFeed, kept_counts};
pub use export::{ExportError, export_parquet};
pub use import::{BadLine, ImportError, ImportSummary, Marked, import_csv};
pub use mqtt::ClientError;
pub use own::NameError;
pub use places::archive;
pub use refused::{LastRefused, last_refused};
pub use run::{
    CollectError, OwnMessage, RunOptions, STATE_TOPIC, Summary, chain, is_collecting, run, try_way_in,
};
pub use secrets::{SecretError, client_tls, password as secret, server_tls};
pub use spool::{NewerVersion, SpoolError};
pub use table_file::{TableError, is_guarded};
pub use tail::tail;
pub use verify::{Problem, Verified, VerifyError, verify};

/// The archive's inside, for this workspace's benchmarks: they measure years, which no way in brings in time. No interface for others.
#[doc(hidden)]
pub mod bench {
    pub use crate::life::{Life, live_through};
    pub use crate::months::write_month;
}
