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

/// An error with its causes, in one line.
pub(crate) fn chain(error: &(dyn Error + 'static)) -> String {
    std::iter::successors(Some(error), |error| (**error).source())
        .map(|error| error.to_string())
        .collect::<Vec<_>>()
        .join(": ")
}
