//! Who may see the page: a password's hash in the access file, sessions in memory, a limit on attempts.
//!
//! The access file holds one line, an Argon2id hash in PHC form; nobody can read the password out of it. Sessions are lost when
//! the collector stops. Everything here is bounded: sessions, attempts, and how many passwords are tried at once.

use std::collections::BTreeMap;
use std::io::{self, Write as _};
use std::net::IpAddr;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordHasher as _, PasswordVerifier as _, SaltString};
use hmac::{Hmac, Mac as _};
use sha2::{Digest as _, Sha256};
use tokio::sync::Semaphore;

use super::random;

/// Shorter passwords are refused: the least length of NIST SP 800-63B (from memory).
pub(crate) const PASSWORD_CHARS_MIN: usize = 8;
/// Longer ones too: nobody types them, and hashing takes time.
pub(crate) const PASSWORD_BYTES_MAX: usize = 1024;
/// A session lasts this long, ms: a month, because a keeper looks every day on the same phone (our own choice).
pub(super) const SESSION_MS: i64 = 30 * 24 * 3_600_000;
/// A household has fewer phones and screens; the oldest session ends first.
const SESSIONS_MAX: usize = 64;
/// Within this time an address may fail so often, and all addresses together (our own choices).
const ATTEMPTS_MS: i64 = 15 * 60_000;
const ATTEMPTS_OF_ONE_MAX: u32 = 5;
const ATTEMPTS_OF_ALL_MAX: u32 = 50;

/// The log-in of a page.
pub(super) struct Access {
    hash: String,
    sessions: Mutex<BTreeMap<[u8; 32], Session>>,
    attempts: Mutex<Attempts>,
    /// One password at a time: each try takes 19 MB and some tens of milliseconds.
    trying: Semaphore,
}

#[derive(Clone)]
pub(super) struct Session {
    /// Must come back with every form of this session.
    pub(super) form_token: String,
    until_ms: i64,
}

/// Why an access file can't be used.
#[derive(Debug, thiserror::Error)]
pub(crate) enum AccessError {
    #[error("{file} can't be read or written")]
    Io { file: String, source: io::Error },
    #[error("{file} holds no password hash")]
    NoHash { file: String },
    #[error("the password can't be hashed")]
    Hash(argon2::password_hash::Error),
}

impl Access {
    /// Reads the access file.
    ///
    /// # Errors
    /// [`AccessError`] when it can't be read or holds something else.
    pub(crate) fn load(file: &Path) -> Result<Access, AccessError> {
        let text = fs_err::read_to_string(file).map_err(io_error(file))?;
        let hash = text.lines().next().unwrap_or_default().trim().to_owned();
        if PasswordHash::new(&hash).is_err() {
            return Err(AccessError::NoHash {
                file: file.display().to_string(),
            });
        }
        Ok(Access {
            hash,
            sessions: Mutex::default(),
            attempts: Mutex::default(),
            trying: Semaphore::new(1),
        })
    }

    /// Tries a password for a caller; a session's token where it is right.
    pub(super) async fn enter(&self, from: IpAddr, password: String, now_ms: i64) -> Entry {
        if let Err(wait_ms) = self.attempts().begin(from, now_ms) {
            return Entry::Wait { wait_ms };
        }
        let Ok(_turn) = self.trying.acquire().await else {
            return Entry::Failed;
        };
        let hash = self.hash.clone();
        match tokio::task::spawn_blocking(move || is_right(&hash, &password)).await {
            Ok(true) => {}
            Ok(false) => return Entry::Wrong,
            Err(_) => return Entry::Failed,
        }
        self.attempts().forget(from);
        match self.open(now_ms) {
            Ok(token) => Entry::Open { token },
            Err(_) => Entry::Failed,
        }
    }

    fn open(&self, now_ms: i64) -> io::Result<String> {
        let (token, form_token) = (random::hex()?, random::hex()?);
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.retain(|_, session| session.until_ms > now_ms);
        while sessions.len() >= SESSIONS_MAX {
            let oldest = sessions.iter().min_by_key(|(_, session)| session.until_ms);
            let Some(key) = oldest.map(|(key, _)| *key) else {
                break;
            };
            sessions.remove(&key);
        }
        let session = Session {
            form_token,
            until_ms: now_ms + SESSION_MS,
        };
        sessions.insert(digest(&token), session);
        Ok(token)
    }

    /// The session of a token that a browser sent.
    pub(super) fn session(&self, token: &str, now_ms: i64) -> Option<Session> {
        let sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions
            .get(&digest(token))
            .filter(|session| session.until_ms > now_ms)
            .cloned()
    }

    pub(super) fn leave(&self, token: &str) {
        let mut sessions = self.sessions.lock().unwrap_or_else(PoisonError::into_inner);
        sessions.remove(&digest(token));
    }

    /// For programs that can't log in, such as a calendar: opens what only reads, and changes with the password.
    pub(super) fn reading_key(&self) -> String {
        let mut mac = <Hmac<Sha256> as hmac::Mac>::new_from_slice(self.hash.as_bytes())
            .unwrap_or_else(|_| unreachable!("HMAC takes keys of any length"));
        mac.update(b"mosswarden reading key 1");
        let bytes = mac.finalize().into_bytes();
        bytes.iter().take(16).map(|byte| format!("{byte:02x}")).collect()
    }

    fn attempts(&self) -> std::sync::MutexGuard<'_, Attempts> {
        self.attempts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What came of a try.
pub(super) enum Entry {
    Open {
        token: String,
    },
    Wrong,
    /// Too many were wrong.
    Wait {
        wait_ms: i64,
    },
    /// This machine could not try it.
    Failed,
}

/// Tokens are kept as digests: whoever could read this memory could still not use them, and looking one up tells nothing by its time.
fn digest(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

fn is_right(hash: &str, password: &str) -> bool {
    PasswordHash::new(hash).is_ok_and(|hash| {
        password.len() <= PASSWORD_BYTES_MAX
            && Argon2::default()
                .verify_password(password.as_bytes(), &hash)
                .is_ok()
    })
}

/// Failed tries by address since the first one of a quarter of an hour. No more addresses are kept than tries are allowed.
#[derive(Default)]
struct Attempts {
    by_address: BTreeMap<IpAddr, Tries>,
    all: Tries,
}

#[derive(Default, Clone, Copy)]
struct Tries {
    count: u32,
    since_ms: i64,
}

impl Tries {
    fn is_over(self, now_ms: i64) -> bool {
        now_ms - self.since_ms >= ATTEMPTS_MS
    }

    fn begin(&mut self, count_max: u32, now_ms: i64) -> Result<(), i64> {
        if self.is_over(now_ms) {
            *self = Tries {
                count: 0,
                since_ms: now_ms,
            };
        }
        if self.count >= count_max {
            return Err(self.since_ms + ATTEMPTS_MS - now_ms);
        }
        self.count += 1;
        Ok(())
    }
}

impl Attempts {
    /// Counts a try before it is made, so that many at once are counted too. An error says how long to wait, ms.
    fn begin(&mut self, from: IpAddr, now_ms: i64) -> Result<(), i64> {
        self.by_address.retain(|_, tries| !tries.is_over(now_ms));
        if let Some(tries) = self.by_address.get(&network(from))
            && tries.count >= ATTEMPTS_OF_ONE_MAX
        {
            return Err(tries.since_ms + ATTEMPTS_MS - now_ms);
        }
        self.all.begin(ATTEMPTS_OF_ALL_MAX, now_ms)?;
        self.by_address
            .entry(network(from))
            .or_default()
            .begin(ATTEMPTS_OF_ONE_MAX, now_ms)
    }

    fn forget(&mut self, from: IpAddr) {
        if let Some(tries) = self.by_address.remove(&network(from)) {
            self.all.count = self.all.count.saturating_sub(tries.count);
        }
    }
}

/// One caller's addresses: an IPv6 caller owns a whole /64.
fn network(address: IpAddr) -> IpAddr {
    match address {
        IpAddr::V6(v6) => match v6.to_ipv4_mapped() {
            Some(v4) => IpAddr::V4(v4),
            None => IpAddr::from(u128::to_be_bytes(u128::from(v6) & (u128::MAX << 64))),
        },
        v4 => v4,
    }
}

/// Writes the hash of a password, readable by its owner only; replaces one that is there.
///
/// # Errors
/// [`AccessError`] from hashing or the disk; the old file is then still whole.
pub(crate) fn write(file: &Path, password: &str) -> Result<(), AccessError> {
    use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
    let salt = random::bytes()
        .map_err(io_error(file))
        .and_then(|bytes| SaltString::encode_b64(&bytes).map_err(AccessError::Hash))?;
    let hash = Argon2::default()
        .hash_password(password.as_bytes(), &salt)
        .map_err(AccessError::Hash)?
        .to_string();
    let dir = file.parent().filter(|dir| !dir.as_os_str().is_empty());
    if let Some(dir) = dir
        && !dir.exists()
    {
        std::fs::DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(dir)
            .map_err(io_error(dir))?;
    }
    let unfinished = file.with_extension("unfinished");
    let put = || -> io::Result<()> {
        // One that was left behind may have other rights.
        match fs_err::remove_file(&unfinished) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let mut open = std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&unfinished)?;
        open.write_all(format!("{hash}\n").as_bytes())?;
        open.sync_all()?;
        fs_err::rename(&unfinished, file)
    };
    put().map_err(io_error(file))
}

fn io_error(file: &Path) -> impl FnOnce(io::Error) -> AccessError {
    let file = file.display().to_string();
    move |source| AccessError::Io { file, source }
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    const NOW_MS: i64 = 1_772_352_000_000;

    fn home(last: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, last])
    }

    fn access(dir: &Path) -> Access {
        let file = dir.join("secrets").join("page");
        write(&file, "moss and fern").expect("room");
        Access::load(&file).expect("just written")
    }

    #[test]
    fn the_file_is_its_owners_only_and_does_not_hold_the_password() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let file = dir.path().join("secrets").join("page");
        write(&file, "moss and fern").expect("room");
        write(&file, "moss and fern, again").expect("it is replaced");
        let mode = |path: &Path| fs_err::metadata(path).expect("there").permissions().mode() & 0o777;
        assert_eq!(mode(&file), 0o600);
        assert_eq!(mode(file.parent().expect("a folder")), 0o700);
        let text = fs_err::read_to_string(&file).expect("readable");
        assert!(text.starts_with("$argon2id$") && !text.contains("moss"), "{text}");
        assert!(is_right(text.trim(), "moss and fern, again"));
        assert!(!is_right(text.trim(), "moss and fern"));
        fs_err::write(&file, "moss and fern\n").expect("room");
        assert!(matches!(Access::load(&file), Err(AccessError::NoHash { .. })));
    }

    #[tokio::test]
    async fn the_right_password_opens_a_session_that_ends() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let access = access(dir.path());
        assert!(matches!(
            access.enter(home(1), "moss".to_owned(), NOW_MS).await,
            Entry::Wrong
        ));
        let Entry::Open { token } = access.enter(home(1), "moss and fern".to_owned(), NOW_MS).await else {
            panic!("it is the password");
        };
        assert!(access.session(&token, NOW_MS + SESSION_MS - 1).is_some());
        assert!(access.session(&token, NOW_MS + SESSION_MS).is_none());
        assert!(access.session("", NOW_MS).is_none());
        access.leave(&token);
        assert!(access.session(&token, NOW_MS).is_none());
    }

    #[test]
    fn sessions_are_bounded_and_the_oldest_goes_first() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let access = access(dir.path());
        let first = access.open(NOW_MS).expect("random bytes");
        let second = access.open(NOW_MS + 1).expect("random bytes");
        for n in 0..SESSIONS_MAX as i64 - 1 {
            access.open(NOW_MS + 2 + n).expect("random bytes");
        }
        assert!(access.session(&first, NOW_MS + 100).is_none());
        assert!(access.session(&second, NOW_MS + 100).is_some());
    }

    #[test]
    fn guessing_is_slowed_by_address_and_in_all() {
        let mut attempts = Attempts::default();
        for _ in 0..ATTEMPTS_OF_ONE_MAX {
            assert_eq!(attempts.begin(home(1), NOW_MS), Ok(()));
        }
        assert_eq!(
            attempts.begin(home(1), NOW_MS + 60_000),
            Err(ATTEMPTS_MS - 60_000)
        );
        assert_eq!(attempts.begin(home(2), NOW_MS), Ok(()), "another address may try");
        assert_eq!(attempts.begin(home(1), NOW_MS + ATTEMPTS_MS), Ok(()));
        attempts.forget(home(1));
        let now_ms = NOW_MS + 2 * ATTEMPTS_MS;
        let taken = (0..=255)
            .filter(|last| attempts.begin(home(*last), now_ms).is_ok())
            .count();
        assert_eq!(taken, ATTEMPTS_OF_ALL_MAX as usize);
        assert!(attempts.by_address.len() <= ATTEMPTS_OF_ALL_MAX as usize);
    }

    #[test]
    fn a_caller_with_many_addresses_is_one() {
        let v6 = |text: &str| network(text.parse().expect("an address"));
        assert_eq!(v6("2001:db8::1"), v6("2001:db8::ffff:1"));
        assert_ne!(v6("2001:db8::1"), v6("2001:db8:0:1::1"));
        assert_eq!(v6("::ffff:192.0.2.1"), home(1));
    }

    #[test]
    fn the_reading_key_changes_with_the_password() {
        let dir = tempfile::tempdir().expect("a temporary folder");
        let first = access(dir.path()).reading_key();
        assert_eq!(first.len(), 32);
        assert_ne!(
            first,
            access(dir.path()).reading_key(),
            "another salt, another key"
        );
    }
}
