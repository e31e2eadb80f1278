//! What each species needs: limits by life stage, each figure with its source and how far it can be relied on.
//!
//! The figures are data in `config/species/*.toml`, one file a species, built into the program. A keeper adds or replaces a
//! species by a file of the same shape in the folder `species` beside the site file.

use std::path::Path;

use crate::care::{self, Task};
use crate::site::{Band, Limits, Problem, Reader, Section};

/// A figure with where it comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    pub band: Band,
    /// A reference, or "common practice, no source".
    pub source: String,
    /// "low", "medium" or "high".
    pub confidence: String,
}

/// One life stage's needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Stage {
    pub name: String,
    pub day_c: Figure,
    pub night_c: Figure,
    /// Of a warm surface, not of air.
    pub basking_c: Option<Figure>,
    pub humidity_day_pct: Option<Figure>,
    pub humidity_night_pct: Option<Figure>,
    pub max_c: Figure,
    pub emergency_c: Option<Figure>,
    pub min_c: Figure,
    pub light_summer_h: Option<Figure>,
    pub light_winter_h: Option<Figure>,
    pub humidity_pattern: String,
    pub note: String,
}

/// A figure that somebody published, kept beside the profile so that a keeper can weigh it.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    pub says: String,
    pub source: String,
    pub confidence: String,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Species {
    pub id: String,
    /// Other ids that mean the same species.
    pub also: Vec<String>,
    pub common_name: String,
    pub scientific_name: String,
    /// What the animal lives in: "air", "water", "air + water", "air / substrate".
    pub medium: String,
    pub activity: String,
    /// The first is the one meant where the site file names none.
    pub stages: Vec<Stage>,
    pub evidence: Vec<Evidence>,
    /// Tasks that come back with this kind of animal.
    pub care: Vec<Task>,
}

impl Stage {
    /// The limits that this stage's figures give.
    pub fn limits(&self) -> Limits {
        Limits {
            day_c: self.day_c.band,
            night_c: self.night_c.band,
            max_c: self.max_c.band.low,
            min_c: self.min_c.band.low,
            emergency_c: self.emergency_c.as_ref().map(|figure| figure.band.low),
            humidity_day_pct: self.humidity_day_pct.as_ref().map(|figure| figure.band),
            humidity_night_pct: self.humidity_night_pct.as_ref().map(|figure| figure.band),
        }
    }
}

impl Species {
    pub fn stage(&self, name: &str) -> Option<&Stage> {
        self.stages.iter().find(|stage| stage.name == name)
    }

    fn answers_to(&self, id: &str) -> bool {
        self.id == id || self.also.iter().any(|other| other == id)
    }
}

/// The species that are known at one site.
#[derive(Debug, Clone)]
pub struct SpeciesList {
    species: Vec<Species>,
}

impl SpeciesList {
    /// The built-in species, with the keeper's own from `own_dir` added or in their place.
    ///
    /// # Errors
    /// What is wrong in a species file, with its line.
    pub fn load(own_dir: Option<&Path>) -> Result<SpeciesList, Vec<Problem>> {
        let mut species = Vec::new();
        let mut problems = Vec::new();
        for (name, source) in BUILT_IN {
            match parse(Path::new(name), source) {
                Ok(found) => species.push(found),
                Err(found) => problems.extend(found),
            }
        }
        for file in own_dir.map(own_files).unwrap_or_default() {
            let source = fs_err::read_to_string(&file).map_err(|error| {
                vec![Problem {
                    file: file.clone(),
                    line: 1,
                    message: error.to_string(),
                    hint: None,
                }]
            })?;
            match parse(&file, &source) {
                Ok(found) => {
                    species.retain(|other: &Species| other.id != found.id);
                    species.push(found);
                }
                Err(found) => problems.extend(found),
            }
        }
        if problems.is_empty() {
            Ok(SpeciesList { species })
        } else {
            Err(problems)
        }
    }

    pub fn get(&self, id: &str) -> Option<&Species> {
        self.species.iter().rev().find(|species| species.answers_to(id))
    }

    pub fn ids(&self) -> impl Iterator<Item = &str> {
        self.species.iter().map(|species| species.id.as_str())
    }

    pub fn iter(&self) -> impl Iterator<Item = &Species> {
        self.species.iter()
    }
}

fn own_files(dir: &Path) -> Vec<std::path::PathBuf> {
    let mut files: Vec<_> = fs_err::read_dir(dir)
        .map(|entries| entries.filter_map(|entry| entry.ok().map(|e| e.path())).collect())
        .unwrap_or_default();
    files.retain(|file: &std::path::PathBuf| file.extension().is_some_and(|ext| ext == "toml"));
    files.sort();
    files
}

const STAGE_KEYS: &[&str] = &[
    "name",
    "day_c",
    "night_c",
    "basking_c",
    "humidity_day_pct",
    "humidity_night_pct",
    "max_c",
    "emergency_c",
    "min_c",
    "light_summer_h",
    "light_winter_h",
    "humidity_pattern",
    "note",
];

fn parse(file: &Path, source: &str) -> Result<Species, Vec<Problem>> {
    let mut reader = Reader::new(file, source);
    let species = reader.parse().and_then(|root| {
        let span = root.span();
        let keys = [
            "id",
            "also",
            "common_name",
            "scientific_name",
            "medium",
            "activity",
            "stage",
            "evidence",
            "care",
        ];
        let top = reader.section(root.get_ref(), span, "the species file", &keys);
        let stages: Vec<Stage> = reader
            .children(&top, "stage", "[[stage]]", STAGE_KEYS)
            .iter()
            .filter_map(|section| stage(&mut reader, section))
            .collect();
        let evidence = reader
            .children(
                &top,
                "evidence",
                "[[evidence]]",
                &["says", "source", "confidence"],
            )
            .iter()
            .filter_map(|section| {
                Some(Evidence {
                    says: reader.required_text(section, "says", "\"what it says\"")?,
                    source: reader.required_text(section, "source", "\"author, title, year\"")?,
                    confidence: reader.required_text(section, "confidence", "\"low\"")?,
                })
            })
            .collect();
        let care = reader
            .children(&top, "care", "[[care]]", &["task", "every", "source"])
            .iter()
            .filter_map(|section| task(&mut reader, section))
            .collect();
        if stages.is_empty() && reader.problems.is_empty() {
            reader.missing(&top, "[[stage]]", "a table with the figures of one life stage");
        }
        Some(Species {
            id: reader.required_text(&top, "id", "\"mossy-frog\"")?,
            also: reader
                .texts(&top, "also")
                .unwrap_or_default()
                .into_iter()
                .map(|(text, _)| text)
                .collect(),
            common_name: reader.required_text(&top, "common_name", "\"mossy frog\"")?,
            scientific_name: reader.required_text(&top, "scientific_name", "\"Theloderma corticale\"")?,
            medium: reader.text(&top, "medium").unwrap_or_default(),
            activity: reader.text(&top, "activity").unwrap_or_default(),
            stages,
            evidence,
            care,
        })
    });
    match species {
        Some(species) if reader.problems.is_empty() => Ok(species),
        _ => Err(reader.problems),
    }
}

fn stage(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<Stage> {
    let example = "{ range = [20.0, 25.0], source = \"…\", confidence = \"low\" }";
    let mut needed = |key: &str| {
        if !section.has(key) {
            reader.missing(section, key, example);
        }
        figure(reader, section, key)
    };
    let (day_c, night_c, max_c, min_c) = (
        needed("day_c"),
        needed("night_c"),
        needed("max_c"),
        needed("min_c"),
    );
    Some(Stage {
        name: reader.required_text(section, "name", "\"adult\"")?,
        day_c: day_c?,
        night_c: night_c?,
        basking_c: figure(reader, section, "basking_c"),
        humidity_day_pct: figure(reader, section, "humidity_day_pct"),
        humidity_night_pct: figure(reader, section, "humidity_night_pct"),
        max_c: max_c?,
        emergency_c: figure(reader, section, "emergency_c"),
        min_c: min_c?,
        light_summer_h: figure(reader, section, "light_summer_h"),
        light_winter_h: figure(reader, section, "light_winter_h"),
        humidity_pattern: reader.text(section, "humidity_pattern").unwrap_or_default(),
        note: reader.text(section, "note").unwrap_or_default(),
    })
}

/// A usual task; of the tasks that are known, each at an interval with its source.
fn task(reader: &mut Reader<'_>, section: &Section<'_, '_>) -> Option<Task> {
    let name = reader.required_text(section, "task", "\"water-bowl\"")?;
    let source = reader.required_text(section, "source", "\"common practice, no source\"")?;
    let every_days = crate::site::every_days(reader, section)?;
    let known = care::find(&name);
    if known.is_none() {
        let names: Vec<&str> = care::KNOWN.iter().map(|known| known.name).collect();
        reader.problem(
            &section.key_span("task"),
            format!("unknown task \"{name}\""),
            Some(format!("known: {}", names.join(", "))),
        );
    }
    Some(Task::by_default(known?, every_days, &source))
}

fn figure(reader: &mut Reader<'_>, section: &Section<'_, '_>, key: &str) -> Option<Figure> {
    let name = format!("{} {key}", section.name);
    let inner = reader.child(section, key, &name, &["range", "value", "source", "confidence"])?;
    let band = match reader.range(&inner, "range") {
        Some((low, high)) => Band { low, high },
        None => {
            let value = reader.number(&inner, "value")?;
            Band {
                low: value,
                high: value,
            }
        }
    };
    Some(Figure {
        band,
        source: reader.required_text(&inner, "source", "\"common practice, no source\"")?,
        confidence: reader.required_text(&inner, "confidence", "\"low\"")?,
    })
}

/// Names and texts of the built-in species files.
const BUILT_IN: &[(&str, &str)] = include!("../species/list.rs");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_built_in_species_is_whole_and_in_order() {
        let list = SpeciesList::load(None).expect("the built-in files are sound");
        assert!(list.iter().count() >= 16);
        for species in list.iter() {
            for stage in &species.stages {
                let limits = stage.limits();
                let name = format!("{} {}", species.id, stage.name);
                assert!(
                    limits.min_c <= limits.night_c.low,
                    "{name}: least allowed above the wanted night"
                );
                assert!(
                    limits.max_c >= limits.day_c.high,
                    "{name}: most allowed below the wanted day"
                );
                assert!(
                    limits
                        .emergency_c
                        .is_none_or(|emergency| emergency > limits.max_c),
                    "{name}"
                );
            }
        }
    }

    #[test]
    fn a_species_answers_to_its_other_names() {
        let list = SpeciesList::load(None).expect("the built-in files are sound");
        let by_id = list.get("mossy-frog").expect("built in");
        assert_eq!(list.get("theloderma-corticale").map(|s| &s.id), Some(&by_id.id));
    }
}
