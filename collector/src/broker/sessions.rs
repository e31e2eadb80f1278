//! Sessions that devices asked to be kept: which client ids are known, and their filters, over restarts.
//!
//! What a session holds for incoming messages is in the spool's memory of redeliveries already; this file lets a device hear
//! "session present", so that it sends again what was not acknowledged instead of forgetting it.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use serde::{Deserialize, Serialize};

use crate::disk::{self, Disk};

/// Sessions kept; the one that was least recently used goes first (our choice; a site has some dozens of devices).
const SESSIONS_MAX: usize = 1000;

pub(super) struct Sessions {
    disk: Arc<dyn Disk>,
    file: PathBuf,
    known: Mutex<BTreeMap<String, Session>>,
}

#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Session {
    filters: Vec<String>,
    used_ms: i64,
}

impl Sessions {
    /// Reads what is known; a file that can't be read is begun anew, with a warning.
    pub(super) fn open(disk: Arc<dyn Disk>, data_dir: &Path) -> Sessions {
        let file = data_dir.join("sessions.json");
        let known = match disk.read(&file) {
            Ok(bytes) => serde_json::from_slice(&bytes).unwrap_or_else(|error| {
                tracing::warn!(file = %file.display(), %error, "the file of known devices can't be read and is begun anew");
                BTreeMap::new()
            }),
            Err(_) => BTreeMap::new(),
        };
        Sessions {
            disk,
            file,
            known: Mutex::new(known),
        }
    }

    /// A device connects: its filters if its session is known and wanted; afterwards it is known if it asked for that.
    pub(super) fn connect(
        &self,
        client: &str,
        is_kept: bool,
        clean_start: bool,
        now_ms: i64,
    ) -> io::Result<Option<Vec<String>>> {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let old = known.get(client).cloned();
        let found = old.clone().filter(|_| !clean_start);
        if is_kept {
            let filters = found
                .as_ref()
                .map(|session| session.filters.clone())
                .unwrap_or_default();
            known.insert(
                client.to_owned(),
                Session {
                    filters,
                    used_ms: now_ms,
                },
            );
            while known.len() > SESSIONS_MAX {
                let oldest = known
                    .iter()
                    .min_by_key(|(_, session)| session.used_ms)
                    .map(|(client, _)| client.clone());
                known.remove(&oldest.unwrap_or_default());
            }
        } else {
            known.remove(client);
        }
        // Only a change of what is known is worth a write; the time of use alone is not.
        let is_changed =
            old.is_some() != is_kept || old.is_some_and(|old| clean_start && !old.filters.is_empty());
        if is_changed {
            self.save(&known)?;
        }
        Ok(found.map(|session| session.filters))
    }

    pub(super) fn set_filters(&self, client: &str, filters: &[String]) -> io::Result<()> {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        match known.get_mut(client) {
            Some(session) if session.filters != filters => session.filters = filters.to_vec(),
            _ => return Ok(()),
        }
        self.save(&known)
    }

    fn save(&self, known: &BTreeMap<String, Session>) -> io::Result<()> {
        disk::put(
            &*self.disk,
            &self.file,
            &serde_json::to_vec(known).map_err(io::Error::other)?,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::RealDisk;

    #[test]
    fn a_kept_session_is_known_after_a_restart_and_a_clean_one_is_not() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let open = || Sessions::open(Arc::new(RealDisk), dir.path());
        assert_eq!(open().connect("a", true, false, 1).expect("room"), None);
        open().set_filters("a", &["x/#".to_owned()]).expect("room");
        assert_eq!(
            open().connect("a", true, false, 2).expect("room"),
            Some(vec!["x/#".to_owned()])
        );
        assert_eq!(
            open().connect("a", true, true, 3).expect("room"),
            None,
            "a clean start forgets"
        );
        assert_eq!(
            open().connect("a", true, false, 4).expect("room"),
            Some(Vec::new())
        );
        assert_eq!(open().connect("a", false, true, 5).expect("room"), None);
        assert_eq!(open().connect("a", true, false, 6).expect("room"), None);
    }

    #[test]
    fn the_count_of_sessions_is_bounded() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let sessions = Sessions::open(Arc::new(RealDisk), &dir.path().join("absent"));
        for n in 0..SESSIONS_MAX + 5 {
            let _no_room = sessions.connect(&format!("c{n}"), true, false, n as i64);
        }
        let known = sessions.known.lock().expect("no panic");
        assert!(known.len() == SESSIONS_MAX && !known.contains_key("c0") && known.contains_key("c1004"));
    }
}
