//! What becomes of freed memory.
//!
//! glibc gives each thread a store of freed memory of its own, and keeps or gives back of it what suits neither a program that stays nor one
//! that computes and ends (figures in DEVELOPERS.md). It takes other settings only from the environment of a program that starts, so the
//! program starts itself once more with them.

/// What a program does, and so what it needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Use {
    /// It stays: what it does not need goes back to the system.
    Stays,
    /// It judges a lot of readings and ends: what is freed is used again at once.
    Judges,
}

/// Says that the program was started once more: a marker of our own, since a loader may take settings away again where a program has
/// more rights than who starts it.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const STARTED_AGAIN: &str = "MOSSWARDEN_STARTED_AGAIN";

/// Goes on as the same process with settings for this use; returns where there are any, by whomever, or there can't be.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
pub(crate) fn settle(used: Use) {
    use std::env;
    use std::os::unix::process::CommandExt as _;
    use std::path::PathBuf;
    use std::process::Command;

    // See mallopt(3).
    let settings: &[(&str, &str)] = match used {
        Use::Stays => &[
            ("MALLOC_ARENA_MAX", "2"),
            ("MALLOC_MMAP_THRESHOLD_", "65536"),
            ("MALLOC_TRIM_THRESHOLD_", "131072"),
        ],
        Use::Judges => &[
            ("MALLOC_MMAP_THRESHOLD_", "33554432"),
            ("MALLOC_TRIM_THRESHOLD_", "268435456"),
        ],
    };
    let is_set = |name: &str| name == STARTED_AGAIN || name.starts_with("MALLOC_");
    if env::vars_os().any(|(name, _)| is_set(&name.to_string_lossy())) {
        return;
    }
    // Started by way of a loader, that would be the loader.
    let is_ours = |program: &PathBuf| {
        program
            .file_stem()
            .is_some_and(|name| name == env!("CARGO_PKG_NAME"))
    };
    let Some(program) = env::current_exe().ok().filter(is_ours) else {
        return;
    };
    let mut arguments = env::args_os();
    let mut again = Command::new(program);
    if let Some(name) = arguments.next() {
        again.arg0(name);
    }
    again
        .args(arguments)
        .env(STARTED_AGAIN, "1")
        .envs(settings.iter().copied());
    // It returns only where it failed; then the program goes on with more memory or time, and ends where a pipe that it writes to closes.
    let _error = again.exec();
}

/// Other C libraries need no settings or take none.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
pub(crate) fn settle(_: Use) {}
