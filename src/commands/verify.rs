//! `verify`: every file of the archive looked through, and repaired where asked.

use mosswarden_collector::{disk, verify};
use mosswarden_config::site::Site;

use crate::cli::Verify;
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(site: &Site, asked: &Verify) -> Result<Outcome, Failure> {
    let disk = disk::of(site).map_err(Failure::failed("could not reach the archive"))?;
    let found = verify(&*disk, &site.data_dir, asked.repair)
        .map_err(Failure::failed("could not look through the archive"))?;
    for problem in &found.problems {
        println!("{problem}");
    }
    println!(
        "Files looked through: {}; readings in them: {}.",
        found.files, found.readings
    );
    let left = found
        .problems
        .iter()
        .filter(|problem| problem.repaired.is_none())
        .count();
    match (found.problems.len(), left) {
        (0, _) => println!("Nothing is wrong."),
        (_, 0) => println!("Everything that was wrong is put right; readings are merged again by `collect`."),
        (_, left) if asked.repair => println!("{left} things could not be put right."),
        (_, left) => {
            println!("{left} things are wrong; `mosswarden verify --repair` puts right what can be.")
        }
    }
    Ok(if left == 0 {
        Outcome::Done
    } else {
        Outcome::Attention
    })
}
