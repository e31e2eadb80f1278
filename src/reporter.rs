//! Failures as text with a hint, and the one table of exit codes.

use std::error::Error;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::process::ExitCode;

use mosswarden_collector::chain;
use mosswarden_config::site::Problem;

/// What a command came to, and its exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// 0
    Done,
    /// 3: `flags` and `check` found something that needs attention; `calibrate` gives no result.
    Attention,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> ExitCode {
        match outcome {
            Outcome::Done => ExitCode::SUCCESS,
            Outcome::Attention => ExitCode::from(3),
        }
    }
}

/// Ends the program where standard output takes nothing more. Where its reader has gone, as in `flags | head`, silently and with 128 + SIGPIPE, as
/// other programs do; else, as on a full disk, with the reason and exit code 1. Panics that are caught and told as a damaged file say nothing.
pub(crate) fn end_with_standard_output() {
    const OF_SIGPIPE: i32 = 141;
    const FAILED: i32 = 1;
    let told = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        let words = panic.payload().downcast_ref::<String>();
        match words.filter(|words| words.starts_with("failed printing to stdout")) {
            Some(words) if words.contains("Broken pipe") => std::process::exit(OF_SIGPIPE),
            Some(words) => {
                eprintln!("{words}");
                std::process::exit(FAILED)
            }
            None if mosswarden_collector::is_guarded() => {}
            None => told(panic),
        }
    }));
}

/// Why a command did not do its work.
#[derive(Debug)]
pub(crate) enum Failure {
    /// The site file is wrong: exit code 2.
    Site(Vec<Problem>),
    /// The command line is wrong: exit code 2.
    Usage { message: String, hint: Option<String> },
    /// The world failed: exit code 1.
    Failed {
        doing: String,
        source: Box<dyn Error + Send + Sync>,
        hint: Option<String>,
    },
}

impl Failure {
    pub(crate) fn usage(message: impl Into<String>, hint: impl Into<String>) -> Failure {
        Failure::Usage {
            message: message.into(),
            hint: Some(hint.into()),
        }
    }

    /// In one line, without the hint.
    pub(crate) fn words(&self) -> String {
        match self {
            Failure::Site(_) => "the site file is wrong".to_owned(),
            Failure::Usage { message, .. } => message.clone(),
            Failure::Failed { doing, source, .. } => format!("{doing}: {}", chain(&**source)),
        }
    }

    pub(crate) fn hint(&self) -> Option<&str> {
        match self {
            Failure::Site(_) => None,
            Failure::Usage { hint, .. } | Failure::Failed { hint, .. } => hint.as_deref(),
        }
    }

    /// Wraps an error with what was being done, such as "could not read the archive".
    pub(crate) fn failed<E: Error + Send + Sync + 'static>(
        doing: impl Into<String>,
    ) -> impl FnOnce(E) -> Failure {
        let doing = doing.into();
        move |source| Failure::Failed {
            doing,
            source: Box::new(source),
            hint: None,
        }
    }

    /// The same of something below a path that is written; where that is forbidden, the hint says whose it is.
    pub(crate) fn failed_in<E: Error + Send + Sync + 'static>(
        doing: impl Into<String>,
        path: &Path,
    ) -> impl FnOnce(E) -> Failure {
        let (doing, path) = (doing.into(), path.to_owned());
        move |source| Failure::Failed {
            doing,
            hint: is_forbidden(&source).then(|| whose(&path)),
            source: Box::new(source),
        }
    }
}

fn is_forbidden(error: &(dyn Error + 'static)) -> bool {
    let is_denied = |error: &io::Error| error.kind() == io::ErrorKind::PermissionDenied;
    error.downcast_ref().is_some_and(is_denied) || error.source().is_some_and(is_forbidden)
}

/// Whose the nearest folder is that is there, and what to do about it.
fn whose(path: &Path) -> String {
    let there = path
        .ancestors()
        .map(|above| {
            if above.as_os_str().is_empty() {
                Path::new(".")
            } else {
                above
            }
        })
        .find_map(|above| {
            Some((
                above,
                fs_err::metadata(above).ok().filter(|found| found.is_dir())?,
            ))
        });
    let Some((folder, found)) = there else {
        return "write it as a user who may, or name another folder".to_owned();
    };
    let owner = user(found.uid()).unwrap_or_else(|| format!("user {}", found.uid()));
    format!(
        "the folder {} belongs to {owner}; run this as {owner} (sudo -u {owner} …), or use a folder of your own",
        folder.display()
    )
}

/// The name of a user of this machine.
fn user(uid: u32) -> Option<String> {
    let known = fs_err::read_to_string("/etc/passwd").ok()?;
    known.lines().find_map(|line| {
        let mut cells = line.split(':');
        let name = cells.next()?;
        (cells.nth(1)? == uid.to_string()).then(|| name.to_owned())
    })
}

/// Prints a failure on standard error and gives its exit code.
pub(crate) fn tell(failure: &Failure) -> ExitCode {
    const FAILED: u8 = 1;
    const WRONG_INPUT: u8 = 2;
    match failure {
        Failure::Site(problems) => {
            for problem in problems {
                eprintln!("{problem}");
            }
            ExitCode::from(WRONG_INPUT)
        }
        Failure::Usage { .. } | Failure::Failed { .. } => {
            eprintln!("{}", failure.words());
            if let Some(hint) = failure.hint() {
                eprintln!("  hint: {hint}");
            }
            ExitCode::from(match failure {
                Failure::Failed { .. } => FAILED,
                _ => WRONG_INPUT,
            })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn where_writing_is_forbidden_the_hint_says_whose_the_folder_is() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let file = folder.path().join("reports/report.html");
        let owner = user(fs_err::metadata(folder.path()).expect("it is there").uid());
        let hint = |kind| match Failure::failed_in("could not write", &file)(io::Error::from(kind)) {
            Failure::Failed { hint, .. } => hint,
            other => panic!("{other:?}"),
        };
        let said = hint(io::ErrorKind::PermissionDenied).expect("a hint");
        let whose = format!(
            "{} belongs to {}",
            folder.path().display(),
            owner.expect("a user")
        );
        assert!(said.contains(&whose), "{said}");
        assert_eq!(hint(io::ErrorKind::StorageFull), None);
    }
}
