//! `mosswarden`: logs planted enclosures and says what to look at. This file parses, runs, tells a failure, exits.
#![forbid(unsafe_code)]

mod alerts;
mod calendar;
mod cli;
mod commands;
mod dial;
mod discover;
mod logging;
mod memory;
mod page;
mod reporter;
mod service;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    reporter::end_with_standard_output();
    let arguments = cli::Arguments::parse();
    arguments.command.memory().into_iter().for_each(memory::settle);
    logging::start(
        arguments.verbose,
        matches!(arguments.command, cli::Command::Collect(_)),
    );
    match commands::run(arguments) {
        Ok(outcome) => outcome.into(),
        Err(failure) => reporter::tell(&failure),
    }
}
