//! A room simulated by another hand than ours (`tests/other_room`, Python), through import and six weeks of judging.
//!
//! That simulation shares nothing with `mosswarden simulate` or the analysis. What many of its rooms say stands in analysis/ACCURACY.md; this
//! one, with a heater that stays on, shows that it still runs and is still judged rightly.

use crate::harness::{Python, root};

const SEED: &str = "9013";

#[test]
fn a_room_by_another_simulation_is_judged_without_a_false_word() {
    let Some(python) = Python::find() else {
        return;
    };
    let dir = tempfile::tempdir().expect("a temporary folder can be made");
    let (scripts, site) = (root().join("tests/other_room"), dir.path().join(SEED));
    let site = site.to_string_lossy();
    let simulated = ["--seed", SEED, "--weeks", "6", "--out", &site];
    python
        .run_file(&scripts.join("simulate.py"), &simulated)
        .expect_code(0);
    let judged = [
        "--program",
        env!("CARGO_BIN_EXE_mosswarden"),
        "--jobs",
        "1",
        &site,
    ];
    let said = python.run_file(&scripts.join("score.py"), &judged).expect_code(0);
    let line = |begins: &str| {
        let found = said.stdout.lines().find(|line| line.starts_with(begins));
        found
            .map(|line| line.split_whitespace().collect::<Vec<_>>().join(" "))
            .unwrap_or_default()
    };
    let stuck = line("heater-stuck");
    assert!(stuck.starts_with("heater-stuck 1 1/1 1/1"), "{stuck}");
    let hot = line("overheating");
    assert!(
        hot.contains("recall 1/1") && hot.contains("precision 1/1"),
        "{hot}"
    );
    let sensors = line("false sensor findings, sites with white noise only");
    assert!(sensors.contains(": 0 in 42 healthy sensor-weeks"), "{sensors}");
    let conditions = line("false condition findings");
    assert!(
        conditions.contains(": 0 in 18 healthy enclosure-weeks"),
        "{conditions}"
    );
}
