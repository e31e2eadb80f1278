//! `simulate`: a room with known faults, as a site file, tidy CSV, MQTT messages, a journal and the truth.

use mosswarden_analysis::simulate::{holdout, messages_jsonl, run as simulate, sample_day, scenario};

use crate::cli::{Scenario, Simulate};
use crate::commands::now_ms;
use crate::reporter::{Failure, Outcome};

pub(crate) fn run(arguments: &Simulate) -> Result<Outcome, Failure> {
    let today = chrono::DateTime::from_timestamp_millis(now_ms())
        .unwrap_or_default()
        .date_naive();
    let seed = arguments.seed;
    let simulation = match arguments.scenario {
        Scenario::Demo => simulate(&scenario::demo(seed, today)),
        Scenario::Holdout => simulate(&holdout::holdout(seed)),
        Scenario::Healthy => simulate(&scenario::healthy(seed)),
        Scenario::Day => sample_day(seed),
    };
    let folder = &arguments.out;
    if folder.exists() {
        return Err(Failure::usage(
            format!("{} exists already", folder.display()),
            "name a new folder with --out",
        ));
    }
    fs_err::create_dir_all(folder).map_err(Failure::failed("could not make the folder"))?;
    let files = [
        ("site.toml", simulation.site_toml.clone()),
        ("readings.csv", simulation.readings_csv()),
        ("messages.jsonl", messages_jsonl(&simulation)),
        ("journal.csv", simulation.journal_csv()),
        ("truth.json", simulation.truth_json()),
    ];
    for (name, text) in files {
        fs_err::write(folder.join(name), text).map_err(Failure::failed("could not write the simulation"))?;
    }
    println!(
        "Invented data: {} readings in {}",
        simulation.readings.len(),
        folder.display()
    );
    Ok(Outcome::Done)
}
