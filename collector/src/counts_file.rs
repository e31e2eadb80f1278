//! The counters as a small file, `counts.json` in the data folder, so that another program can say what came in.
//!
//! Written every minute and at the end; counts since the collector started. Losing it loses no reading.

use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::counts::{FeedSnapshot, Snapshot};
use crate::disk::{self, Disk, RealDisk};

/// What the file holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptCounts {
    /// When the collector started and when it wrote this, ms since 1970-01-01T00:00Z.
    pub since_ms: i64,
    pub written_ms: i64,
    pub received: u64,
    pub stored: u64,
    pub refused: u64,
    pub duplicate: u64,
    pub late: u64,
    pub unknown_topic: u64,
    #[serde(default)]
    pub unread_topics: Vec<String>,
    pub feeds: Vec<KeptFeed>,
    /// What was wrong when it was written: a part's name, and words.
    pub trouble: Vec<(String, String)>,
}

/// One feed's counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptFeed {
    pub topic: String,
    pub sensor: String,
    pub received: u64,
    pub stored: u64,
    pub refused: u64,
    pub duplicate: u64,
    pub late: u64,
}

impl From<&FeedSnapshot> for KeptFeed {
    fn from(feed: &FeedSnapshot) -> KeptFeed {
        KeptFeed {
            topic: feed.topic.to_string(),
            sensor: feed.sensor.to_string(),
            received: feed.received,
            stored: feed.stored,
            refused: feed.refused,
            duplicate: feed.duplicate,
            late: feed.late,
        }
    }
}

fn path(data_dir: &Path) -> PathBuf {
    data_dir.join("counts.json")
}

pub(crate) fn write(
    disk: &dyn Disk,
    data_dir: &Path,
    counts: &Snapshot,
    since_ms: i64,
    now_ms: i64,
) -> io::Result<()> {
    let trouble = counts.trouble.iter();
    let kept = KeptCounts {
        since_ms,
        written_ms: now_ms,
        received: counts.received,
        stored: counts.stored,
        refused: counts.refused,
        duplicate: counts.duplicate,
        late: counts.late,
        unknown_topic: counts.unknown_topic,
        unread_topics: counts.unread_topics.clone(),
        feeds: counts.by_feed.iter().map(KeptFeed::from).collect(),
        trouble: trouble
            .map(|(part, text)| (part.name().to_owned(), text.clone()))
            .collect(),
    };
    let bytes = serde_json::to_vec(&kept).map_err(io::Error::other)?;
    disk::put(disk, &path(data_dir), &bytes)
}

/// What a collector wrote last; `None` where none did, or where it can't be read.
pub fn kept_counts(data_dir: &Path) -> Option<KeptCounts> {
    serde_json::from_slice(&RealDisk.read(&path(data_dir)).ok()?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::counts::Counts;
    use crate::feeds::tests::site;

    #[test]
    fn what_is_written_is_read_again() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        assert_eq!(kept_counts(dir.path()), None);
        let counts = Counts::new(&site());
        counts.received("nature-room/room-wall");
        write(&RealDisk, dir.path(), &counts.snapshot(), 1, 2).expect("room");
        let kept = kept_counts(dir.path()).expect("just written");
        assert_eq!((kept.received, kept.since_ms, kept.written_ms), (1, 1, 2));
        let feed = kept.feeds.iter().find(|feed| feed.sensor == "room-wall");
        assert_eq!(feed.map(|feed| feed.received), Some(1));
    }
}
