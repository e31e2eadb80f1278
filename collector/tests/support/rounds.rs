//! A long run in rounds, each proven at its end and written down, so that a run that was interrupted goes on where it stopped.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::PathBuf;

/// Kills of one round at most: then the archive is looked at, and everything begins anew in an empty folder.
const KILLS_PER_ROUND: u64 = 100;

/// What is counted, by name.
pub(crate) type Tally = BTreeMap<String, u64>;

pub(crate) struct Rounds {
    name: &'static str,
    wanted: u64,
    done: Tally,
    file: Option<PathBuf>,
}

impl Rounds {
    /// `wanted` kills in all; what `MOSSWARDEN_RESULTS`, a file, says of earlier rounds of this name counts.
    pub(crate) fn new(name: &'static str, wanted: u64) -> Rounds {
        let file = std::env::var_os("MOSSWARDEN_RESULTS").map(PathBuf::from);
        let written = file
            .as_ref()
            .and_then(|file| fs_err::read_to_string(file).ok())
            .unwrap_or_default();
        let mut done = Tally::new();
        let rounds = written
            .lines()
            .filter_map(|line| line.strip_prefix(name)?.strip_prefix(": "));
        for pair in rounds.flat_map(|line| line.split(", ")) {
            if let Some((what, count)) = pair.rsplit_once(' ')
                && let Ok(count) = count.parse::<u64>()
            {
                *done.entry(what.to_owned()).or_default() += count;
            }
        }
        Rounds {
            name,
            wanted,
            done,
            file,
        }
    }

    /// Kills of the next round; `None` when all are done.
    pub(crate) fn next_round(&self) -> Option<u64> {
        let left = self
            .wanted
            .saturating_sub(self.done.get("kills").copied().unwrap_or(0));
        (left > 0).then_some(left.min(KILLS_PER_ROUND))
    }

    /// Writes a round down that held what was promised.
    pub(crate) fn held(&mut self, round: &[(&str, u64)]) {
        let line: Vec<String> = round
            .iter()
            .map(|(what, count)| format!("{what} {count}"))
            .collect();
        for (what, count) in round {
            *self.done.entry((*what).to_owned()).or_default() += count;
        }
        if let Some(file) = &self.file {
            let opened = fs_err::OpenOptions::new().create(true).append(true).open(file);
            writeln!(
                opened.expect("the results can be written"),
                "{}: {}",
                self.name,
                line.join(", ")
            )
            .expect("the results can be written");
        }
    }

    pub(crate) fn summary(&self) {
        let told: Vec<String> = self
            .done
            .iter()
            .map(|(what, count)| format!("{what} {count}"))
            .collect();
        println!("{}: {}, lost 0, doubled 0", self.name, told.join(", "));
    }
}
