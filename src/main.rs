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
    let arguments = cli::Arguments::parse();
    let stays = matches!(arguments.command, cli::Command::Collect(_));
    if stays {
        memory::is_given_back();
    }
    logging::start(arguments.verbose, stays);
    match commands::run(arguments) {
        Ok(outcome) => outcome.into(),
        Err(failure) => reporter::tell(&failure),
    }
}
