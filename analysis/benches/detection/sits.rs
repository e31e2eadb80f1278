//! What is remarked of probes that sit badly, week by week, and of those that do not.

use std::collections::BTreeMap;

use mosswarden_analysis::trust::Sits;
use mosswarden_config::zone::MS_PER_24_H;

use crate::looks::Watched;

#[derive(Default)]
struct Class {
    there: usize,
    /// Remarked on in some week.
    said: usize,
    weeks: usize,
    weeks_said: usize,
    lines: Vec<String>,
}

#[derive(Default)]
pub(crate) struct Tally {
    classes: BTreeMap<String, Class>,
    sensor_weeks: usize,
    /// Remarks of another kind on probes that do sit badly.
    of_another_kind: Vec<String>,
    without_reason: Vec<String>,
}

fn name(sits: Sits) -> &'static str {
    match sits {
        Sits::Wet => "wet-element",
        Sits::Slow => "slow-response",
        Sits::Lit => "lamp-on-probe",
    }
}

impl Tally {
    pub(crate) fn of(watched: &Watched) -> Tally {
        let mut tally = Tally::default();
        let faults = &watched.simulation.truth.faults;
        let mut said = vec![(0, 0); faults.len()];
        for end in watched.ends() {
            let outcome = watched.judge(end, None);
            tally.sensor_weeks += watched.sensors().count();
            let remarks: Vec<(&str, &str, &str)> = outcome
                .sensors
                .iter()
                .flat_map(|trust| {
                    trust
                        .remarks
                        .iter()
                        .map(|remark| (&*trust.sensor, name(remark.sits), &*remark.words))
                })
                .collect();
            for (fault, (weeks, weeks_said)) in faults.iter().zip(&mut said) {
                if fault.start.0 < end - MS_PER_24_H {
                    *weeks += 1;
                    let is_said = remarks
                        .iter()
                        .any(|(sensor, sits, _)| *sensor == fault.subject && *sits == fault.fault);
                    *weeks_said += usize::from(is_said);
                }
            }
            for (sensor, sits, words) in remarks {
                let of_sensor: Vec<&str> = faults
                    .iter()
                    .filter(|fault| fault.subject == sensor && fault.start.0 < end)
                    .map(|fault| &*fault.fault)
                    .collect();
                if of_sensor.contains(&sits) {
                    continue;
                }
                let day = (end - watched.begins_ms()) / MS_PER_24_H;
                let line = format!("seed {} day {day} {sensor} {sits}: {words}", watched.seed);
                match of_sensor.is_empty() {
                    true => tally.without_reason.push(line),
                    false => tally.of_another_kind.push(line),
                }
            }
        }
        for (fault, (weeks, weeks_said)) in faults.iter().zip(said) {
            let class = tally.classes.entry(fault.fault.clone()).or_default();
            class.there += 1;
            class.said += usize::from(weeks_said > 0);
            class.weeks += weeks;
            class.weeks_said += weeks_said;
            class.lines.push(format!(
                "seed {} {} {:.1} {}: {weeks_said} of {weeks} weeks",
                watched.seed, fault.subject, fault.size, fault.unit
            ));
        }
        tally
    }

    pub(crate) fn add(&mut self, other: Tally) {
        for (name, class) in other.classes {
            let into = self.classes.entry(name).or_default();
            into.there += class.there;
            into.said += class.said;
            into.weeks += class.weeks;
            into.weeks_said += class.weeks_said;
            into.lines.extend(class.lines);
        }
        self.sensor_weeks += other.sensor_weeks;
        self.of_another_kind.extend(other.of_another_kind);
        self.without_reason.extend(other.without_reason);
    }

    pub(crate) fn print(&self, list: bool) {
        println!("| probe | there | remarked on | weeks | remarked on |\n| --- | --- | --- | --- | --- |");
        for (name, class) in &self.classes {
            println!(
                "| {name} | {} | {} | {} | {} |",
                class.there, class.said, class.weeks, class.weeks_said
            );
        }
        println!(
            "\nof {} sensor-weeks, remarks of another kind on such a probe: {}; remarks on any other sensor: {}",
            self.sensor_weeks,
            self.of_another_kind.len(),
            self.without_reason.len()
        );
        if list {
            let lines = self.classes.values().flat_map(|class| &class.lines);
            lines
                .chain(&self.of_another_kind)
                .chain(&self.without_reason)
                .for_each(|line| println!("  {line}"));
        }
    }
}
