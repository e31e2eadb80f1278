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

/// Goes on as the same process with settings for this use; returns where there are any, by whomever, or there can't be.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
pub(crate) fn is_for(used: Use) {
    use std::env;
    use std::os::unix::process::CommandExt as _;
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
    if env::vars_os().any(|(name, _)| name.to_string_lossy().starts_with("MALLOC_")) {
        return;
    }
    let Ok(program) = env::current_exe() else {
        return;
    };
    let mut arguments = env::args_os();
    let mut again = Command::new(program);
    if let Some(name) = arguments.next() {
        again.arg0(name);
    }
    // It returns only where it failed; then everything works as before, with more memory or time.
    let _error = again.args(arguments).envs(settings.iter().copied()).exec();
}

/// Other C libraries need no settings or take none.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
pub(crate) fn is_for(_: Use) {}
