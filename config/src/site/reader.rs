//! Reads TOML as a person wrote it: every problem at once, each with its line, what was expected and the nearest known word.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

use chrono::{NaiveDate, NaiveTime};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One thing wrong in a file that a keeper wrote.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    pub file: PathBuf,
    /// Counted from 1.
    pub line: usize,
    pub message: String,
    pub hint: Option<String>,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}", self.file.display(), self.line, self.message)?;
        match &self.hint {
            Some(hint) => write!(f, "\n  hint: {hint}"),
            None => Ok(()),
        }
    }
}

/// The known word nearest to what was written, where one is near enough to be a slip.
pub fn nearest<'w>(written: &str, known: impl IntoIterator<Item = &'w str>) -> Option<&'w str> {
    /// Jaro–Winkler similarity from which a word counts as a slip of another (common practice, no source).
    const NEAR_ENOUGH: f64 = 0.75;
    known
        .into_iter()
        .map(|word| {
            (
                strsim::jaro_winkler(&written.to_lowercase(), &word.to_lowercase()),
                word,
            )
        })
        .filter(|(similarity, _)| *similarity >= NEAR_ENOUGH)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, word)| word)
}

/// A file being read, and what is wrong with it so far.
pub(crate) struct Reader<'s> {
    file: PathBuf,
    source: &'s str,
    pub(crate) problems: Vec<Problem>,
}

/// What the parser says of a file that is no TOML, in a keeper's words where we have them.
fn no_toml(said: &str) -> (String, Option<String>) {
    let (message, hint) = match said.split(',').next().unwrap_or_default() {
        "invalid basic string" | "invalid literal string" | "invalid string" | "missing opening quote" => (
            "a text is not closed, or holds a sign that it may not",
            "begin and end it with a quote on one line, as in name = \"My room\"; for \\ write \\\\",
        ),
        "string values must be quoted" => (
            "a text stands without quotes",
            "write it as in name = \"My room\"",
        ),
        "key with no value" | "missing value for key" | "missing value" => (
            "a key has no value",
            "write one behind it, as in name = \"My room\", or take the line away",
        ),
        "unclosed array" | "missing comma between array elements" => (
            "a list is not closed, or a comma is missing in it",
            "write it as in day_c = [21.0, 26.0]",
        ),
        _ => return (said.to_owned(), None),
    };
    (message.to_owned(), Some(hint.to_owned()))
}

/// A value with its place in the file.
pub(crate) type Value<'s> = Spanned<DeValue<'s>>;

/// One table of the file: its keys were checked against the known ones when it was opened.
pub(crate) struct Section<'t, 's> {
    table: &'t DeTable<'s>,
    /// How messages call it, such as `[[enclosure]] mossy-1`.
    pub(crate) name: String,
    pub(crate) span: Range<usize>,
}

impl<'s> Reader<'s> {
    pub(crate) fn new(file: &Path, source: &'s str) -> Self {
        Reader {
            file: file.to_owned(),
            source,
            problems: Vec::new(),
        }
    }

    pub(crate) fn file(&self) -> &Path {
        &self.file
    }

    pub(crate) fn parse(&mut self) -> Option<Spanned<DeTable<'s>>> {
        match DeTable::parse(self.source) {
            Ok(table) => Some(table),
            Err(error) => {
                let span = error.span().unwrap_or(0..0);
                let (message, hint) = no_toml(error.message().trim());
                self.problem(&span, message, hint);
                None
            }
        }
    }

    pub(crate) fn line(&self, span: &Range<usize>) -> usize {
        1 + self.source.as_bytes()[..span.start.min(self.source.len())]
            .iter()
            .filter(|b| **b == b'\n')
            .count()
    }

    pub(crate) fn problem(&mut self, span: &Range<usize>, message: String, hint: Option<String>) {
        self.problems.push(Problem {
            file: self.file.clone(),
            line: self.line(span),
            message,
            hint,
        });
    }

    /// Opens a table and refuses keys that are not in `known`.
    pub(crate) fn section<'t, 'v>(
        &mut self,
        table: &'t DeTable<'v>,
        span: Range<usize>,
        name: &str,
        known: &[&str],
    ) -> Section<'t, 'v> {
        for key in table.keys() {
            let word: &str = key.get_ref();
            if !known.contains(&word) {
                let hint = match nearest(word, known.iter().copied()) {
                    Some(near) => format!("the nearest known key is `{near}`"),
                    None => format!("known keys: {}", known.join(", ")),
                };
                self.problem(&key.span(), format!("unknown key `{word}` in {name}"), Some(hint));
            }
        }
        Section {
            table,
            name: name.to_owned(),
            span,
        }
    }

    /// Opens the table under `key`, if it is there.
    pub(crate) fn child<'t, 'v>(
        &mut self,
        parent: &Section<'t, 'v>,
        key: &str,
        name: &str,
        known: &[&str],
    ) -> Option<Section<'t, 'v>> {
        let value = parent.value(key)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(self.section(table, value.span(), name, known)),
            _ => {
                self.wrong_type(value, key, "a table");
                None
            }
        }
    }

    /// Opens every table of the array under `key`; `name` is what messages call each.
    pub(crate) fn children<'t, 'v>(
        &mut self,
        parent: &Section<'t, 'v>,
        key: &str,
        name: &str,
        known: &[&str],
    ) -> Vec<Section<'t, 'v>> {
        let Some(value) = parent.value(key) else {
            return Vec::new();
        };
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong_type(value, key, "a list of tables");
            return Vec::new();
        };
        let mut sections = Vec::new();
        for item in items.iter() {
            match item.get_ref() {
                DeValue::Table(table) => sections.push(self.section(table, item.span(), name, known)),
                _ => self.wrong_type(item, key, "a table"),
            }
        }
        sections
    }

    fn wrong_type(&mut self, value: &Value<'_>, key: &str, expected: &str) {
        let found = value.get_ref().type_str();
        self.problem(
            &value.span(),
            format!("`{key}` must be {expected}, not {found}"),
            None,
        );
    }

    pub(crate) fn missing(&mut self, section: &Section<'_, '_>, key: &str, example: &str) {
        self.problem(
            &section.span.clone(),
            format!("{} lacks `{key}`", section.name),
            Some(format!("write {key} = {example}")),
        );
    }

    pub(crate) fn text(&mut self, section: &Section<'_, '_>, key: &str) -> Option<String> {
        let value = section.value(key)?;
        match value.get_ref().as_str() {
            Some(text) => Some(text.to_owned()),
            None => {
                self.wrong_type(value, key, "text in quotes");
                None
            }
        }
    }

    pub(crate) fn required_text(
        &mut self,
        section: &Section<'_, '_>,
        key: &str,
        example: &str,
    ) -> Option<String> {
        if section.value(key).is_none() {
            self.missing(section, key, example);
        }
        self.text(section, key)
    }

    pub(crate) fn texts(
        &mut self,
        section: &Section<'_, '_>,
        key: &str,
    ) -> Option<Vec<(String, Range<usize>)>> {
        let value = section.value(key)?;
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong_type(value, key, "a list of texts");
            return None;
        };
        let mut texts = Vec::new();
        for item in items.iter() {
            match item.get_ref().as_str() {
                Some(text) => texts.push((text.to_owned(), item.span())),
                None => self.wrong_type(item, key, "a list of texts"),
            }
        }
        Some(texts)
    }

    pub(crate) fn boolean(&mut self, section: &Section<'_, '_>, key: &str) -> Option<bool> {
        let value = section.value(key)?;
        let found = value.get_ref().as_bool();
        if found.is_none() {
            self.wrong_type(value, key, "true or false");
        }
        found
    }

    pub(crate) fn number(&mut self, section: &Section<'_, '_>, key: &str) -> Option<f64> {
        let value = section.value(key)?;
        let found = as_number(value.get_ref());
        if found.is_none() {
            self.wrong_type(value, key, "a number");
        }
        found
    }

    pub(crate) fn count(&mut self, section: &Section<'_, '_>, key: &str) -> Option<u32> {
        let number = self.number(section, key)?;
        if number.fract() != 0.0 || !(0.0..=1e6).contains(&number) {
            self.problem(
                &section.key_span(key),
                format!("`{key}` must be a whole number from 0 up, not {number}"),
                None,
            );
            return None;
        }
        Some(number as u32)
    }

    /// `[low, high]`, the low end first.
    pub(crate) fn range(&mut self, section: &Section<'_, '_>, key: &str) -> Option<(f64, f64)> {
        let value = section.value(key)?;
        let ends: Option<Vec<f64>> = value
            .get_ref()
            .as_array()
            .and_then(|items| items.iter().map(|i| as_number(i.get_ref())).collect());
        match ends.as_deref() {
            Some([low, high]) if low <= high => Some((*low, *high)),
            Some([low, high]) => {
                self.problem(
                    &value.span(),
                    format!("`{key} = [{low:?}, {high:?}]` has its ends swapped (low must be below high)"),
                    Some(format!("write [{high:?}, {low:?}]")),
                );
                None
            }
            _ => {
                self.wrong_type(value, key, "two numbers such as [18.0, 24.0]");
                None
            }
        }
    }

    pub(crate) fn date(&mut self, section: &Section<'_, '_>, key: &str) -> Option<NaiveDate> {
        let value = section.value(key)?;
        let text = match value.get_ref() {
            DeValue::Datetime(written) => written.to_string(),
            DeValue::String(written) => written.to_string(),
            _ => String::new(),
        };
        let date = NaiveDate::parse_from_str(&text, "%Y-%m-%d").ok();
        if date.is_none() {
            self.problem(
                &value.span(),
                format!("`{key}` must be a date such as 2026-01-10"),
                None,
            );
        }
        date
    }

    pub(crate) fn time(&mut self, section: &Section<'_, '_>, key: &str) -> Option<NaiveTime> {
        let text = self.text(section, key)?;
        let time = parse_time(&text);
        if time.is_none() {
            self.problem(
                &section.key_span(key),
                format!("`{key} = \"{text}\"` is not a time of day"),
                Some("write hours and minutes, such as \"08:00\"".to_owned()),
            );
        }
        time
    }

    pub(crate) fn duration_s(&mut self, section: &Section<'_, '_>, key: &str) -> Option<u64> {
        let text = self.text(section, key)?;
        let seconds = parse_duration_s(&text);
        if seconds.is_none() {
            self.problem(
                &section.key_span(key),
                format!("`{key} = \"{text}\"` is not a duration"),
                Some("write a number and s, m, h or d, such as \"90s\" or \"15m\"".to_owned()),
            );
        }
        seconds
    }

    /// One word out of `known`, turned into what it means.
    pub(crate) fn word<T>(
        &mut self,
        section: &Section<'_, '_>,
        key: &str,
        known: &[&'static str],
        meaning: impl Fn(&str) -> Option<T>,
    ) -> Option<T> {
        let written = self.text(section, key)?;
        let found = meaning(&written);
        if found.is_none() {
            let hint = match nearest(&written, known.iter().copied()) {
                Some(near) => format!("did you mean \"{near}\"? known: {}", known.join(", ")),
                None => format!("known: {}", known.join(", ")),
            };
            self.problem(
                &section.key_span(key),
                format!("`{key} = \"{written}\"` is not known"),
                Some(hint),
            );
        }
        found
    }
}

impl<'t, 's> Section<'t, 's> {
    pub(crate) fn value(&self, key: &str) -> Option<&'t Value<'s>> {
        self.table.get(key)
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.value(key).is_some()
    }

    /// Where the key's value stands, or the section where the key is absent.
    pub(crate) fn key_span(&self, key: &str) -> Range<usize> {
        self.value(key).map_or_else(|| self.span.clone(), Spanned::span)
    }
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(number) => i64::from_str_radix(number.as_str(), number.radix())
            .ok()
            .map(|n| n as f64),
        DeValue::Float(number) => number.as_str().parse().ok().filter(|n: &f64| n.is_finite()),
        _ => None,
    }
}

/// `08:00` or `08:00:30`.
pub(crate) fn parse_time(text: &str) -> Option<NaiveTime> {
    ["%H:%M", "%H:%M:%S"]
        .iter()
        .find_map(|format| NaiveTime::parse_from_str(text, format).ok())
}

/// `90s`, `5m`, `2h`, `14d`, `5y` (of 365 days) in seconds.
pub(crate) fn parse_duration_s(text: &str) -> Option<u64> {
    let unit = text.chars().last()?;
    let number: u64 = text[..text.len() - unit.len_utf8()].parse().ok()?;
    let seconds = match unit {
        's' => 1,
        'm' => 60,
        'h' => 3600,
        'd' => 86_400,
        'y' => 365 * 86_400,
        _ => return None,
    };
    number.checked_mul(seconds)
}
