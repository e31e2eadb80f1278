//! What the program says of itself: the systemd unit, shell completions, manual pages.

use std::io::{self, Write as _};
use std::path::Path;

use clap::CommandFactory as _;
use clap_complete::Shell;

use crate::cli::Arguments;
use crate::reporter::{Failure, Outcome};
use crate::service;

const NAME: &str = "mosswarden";

pub(crate) fn service() -> Result<Outcome, Failure> {
    print(service::UNIT.as_bytes())
}

pub(crate) fn completions(shell: Shell) -> Result<Outcome, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Arguments::command(), NAME, &mut script);
    print(&script)
}

fn print(bytes: &[u8]) -> Result<Outcome, Failure> {
    io::stdout()
        .write_all(bytes)
        .map_err(Failure::failed("could not write to standard output"))?;
    Ok(Outcome::Done)
}

/// One page for the program and one for each command.
pub(crate) fn man(folder: &Path) -> Result<Outcome, Failure> {
    fs_err::create_dir_all(folder).map_err(Failure::failed("could not make the folder"))?;
    let command = Arguments::command().disable_help_subcommand(true);
    clap_mangen::generate_to(command, folder).map_err(Failure::failed("could not write the manual pages"))?;
    Ok(Outcome::Done)
}
