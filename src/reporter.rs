//! Failures as text with a hint, and the one table of exit codes.

use std::error::Error;
use std::process::ExitCode;

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
            Failure::Failed { doing, source, .. } => format!("{doing}: {source}"),
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
        Failure::Usage { message, hint } => {
            eprintln!("{message}");
            tell_hint(hint.as_deref());
            ExitCode::from(WRONG_INPUT)
        }
        Failure::Failed { doing, source, hint } => {
            eprint!("{doing}: {source}");
            let mut cause = source.source();
            while let Some(next) = cause {
                eprint!(": {next}");
                cause = next.source();
            }
            eprintln!();
            tell_hint(hint.as_deref());
            ExitCode::from(FAILED)
        }
    }
}

fn tell_hint(hint: Option<&str>) {
    if let Some(hint) = hint {
        eprintln!("  hint: {hint}");
    }
}
