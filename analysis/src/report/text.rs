//! The report as plain text of at most 78 columns: it fits an e-mail.

use super::model::{PlaceLine, WeeklyReport};
use super::need::Need;
use super::week_before::Comparison;
use crate::plot::Table;

/// Columns of a line: RFC 5322 (2.1.1) asks for no more than 78 characters.
const WIDTH: usize = 78;

/// The whole text.
pub fn text(report: &WeeklyReport) -> String {
    let mut out = Lines::default();
    if let Some(invented) = &report.invented {
        out.paragraph(0, &format!("*** {invented} ***"));
        out.blank();
    }
    out.paragraph(0, &report.answer);
    for line in report.answer_more.iter().chain(&report.clock_changes) {
        out.paragraph(0, line);
    }
    out.blank();
    out.paragraph(0, &format!("{}, {} ({})", report.site, report.dates, report.week));
    if !report.needs.is_empty() {
        out.heading("What needs you, in order");
        for (index, place) in report.needs.iter().enumerate() {
            out.item(
                &format!("{}. ", index + 1),
                &format!("{}: {}", place.label, place.verdict.words().to_uppercase()),
            );
            for need in &place.needs {
                out.need(need);
            }
            out.blank();
        }
    }
    out.places("What is well, and how it was judged", &report.well);
    out.places("What is not known", &report.not_known);
    for section in &report.enclosures {
        out.heading(&format!("{}: {}", section.label, section.verdict.words()));
        out.paragraph(0, &section.about);
        out.paragraph(0, &section.coverage);
        if let Some(strip) = &section.strip {
            out.paragraph(0, &strip.alternative);
        }
        out.bullets(&section.strip_notes);
        for entry in &section.journal {
            let text = if entry.text.is_empty() {
                String::new()
            } else {
                format!(": {}", entry.text)
            };
            out.item(
                &format!("({}) ", entry.number),
                &format!("{}, {}{text}", entry.when, entry.kind),
            );
        }
        out.table(&section.nights);
        out.table(&section.days);
        out.bullets(&section.hours);
        if !section.would_do.is_empty() {
            out.blank();
            out.bullets(&section.would_do);
        }
        if let Some(misting) = &section.misting {
            out.blank();
            out.bullets(&misting.sentences);
        }
        out.table(&section.sensors);
        match &section.before {
            Comparison::Table(table) => out.table(table),
            Comparison::NotCompared(reason) => {
                out.paragraph(0, &format!("Not compared with the days before: {reason}."))
            }
        }
        if !section.not_judged.is_empty() {
            out.blank();
            out.paragraph(0, "What could not be judged");
            out.bullets(&section.not_judged);
        }
        out.table(&section.limits);
    }
    out.heading("The room");
    for need in &report.room.needs {
        out.need(need);
    }
    out.paragraph(0, &report.room.words);
    out.table(&report.room.sensors);
    out.bullets(&report.room.not_judged);
    for (heading, notes) in [
        ("How it was judged", &report.method),
        ("Cautions", &report.cautions),
    ] {
        out.heading(heading);
        for note in notes {
            out.item("- ", &format!("{}: {}", note.heading, note.text));
        }
    }
    out.finish()
}

#[derive(Default)]
struct Lines {
    lines: Vec<String>,
}

impl Lines {
    fn blank(&mut self) {
        if self.lines.last().is_some_and(|line| !line.is_empty()) {
            self.lines.push(String::new());
        }
    }

    fn heading(&mut self, text: &str) {
        self.blank();
        let from = self.lines.len();
        self.paragraph(0, text);
        let longest = self.lines[from..]
            .iter()
            .map(|line| columns(line))
            .max()
            .unwrap_or(0);
        self.lines.push("-".repeat(longest));
    }

    fn paragraph(&mut self, indent: usize, text: &str) {
        self.wrapped(&" ".repeat(indent), indent, text);
    }

    /// A text behind a mark; later lines stand under the text.
    fn item(&mut self, mark: &str, text: &str) {
        self.wrapped(mark, columns(mark), text);
    }

    fn bullets(&mut self, lines: &[String]) {
        for line in lines {
            self.item("- ", line);
        }
    }

    fn need(&mut self, need: &Need) {
        self.paragraph(3, &format!("{}, {}.", need.headline, need.when));
        for sentence in &need.evidence {
            self.paragraph(3, sentence);
        }
        self.item("   Next: ", &need.next);
        self.item("   How sure: ", &need.sure);
    }

    fn places(&mut self, heading: &str, places: &[PlaceLine]) {
        if places.is_empty() {
            return;
        }
        self.heading(heading);
        for place in places {
            self.item(
                "- ",
                &format!("{}: {}. {}", place.label, place.verdict.words(), place.words),
            );
        }
    }

    /// A table in columns where it fits, otherwise one item a row with the names before the values.
    fn table(&mut self, table: &Table) {
        if table.rows.is_empty() {
            return;
        }
        self.blank();
        self.paragraph(0, &table.caption);
        let widths: Vec<usize> = (0..table.columns.len())
            .map(|column| {
                let cells = table
                    .rows
                    .iter()
                    .filter_map(|row| row.get(column))
                    .map(|cell| columns(&cell.text));
                cells.chain([columns(&table.columns[column])]).max().unwrap_or(0)
            })
            .collect();
        if widths.iter().sum::<usize>() + 2 * (widths.len() - 1) <= WIDTH {
            self.in_columns(table, &widths);
            return;
        }
        for row in &table.rows {
            let mut parts = Vec::new();
            for (name, cell) in table.columns.iter().zip(row).skip(1) {
                if !cell.text.is_empty() {
                    parts.push(format!("{name}: {}", cell.text));
                }
            }
            let head = row.first().map_or("", |cell| cell.text.as_str());
            self.item("- ", &format!("{head}. {}", parts.join("; ")));
        }
    }

    fn in_columns(&mut self, table: &Table, widths: &[usize]) {
        let is_numeric = |column: usize| {
            table
                .rows
                .iter()
                .any(|row| row.get(column).is_some_and(|cell| cell.number.is_some()))
        };
        let head: Vec<&str> = table.columns.iter().map(String::as_str).collect();
        let body = table
            .rows
            .iter()
            .map(|row| row.iter().map(|cell| cell.text.as_str()).collect::<Vec<_>>());
        for row in [head].into_iter().chain(body) {
            let mut line = String::new();
            for (column, text) in row.iter().enumerate() {
                let blank = " ".repeat(widths[column].saturating_sub(columns(text)));
                line += if column == 0 { "" } else { "  " };
                line += &if is_numeric(column) {
                    format!("{blank}{text}")
                } else {
                    format!("{text}{blank}")
                };
            }
            self.lines.push(line.trim_end().to_owned());
        }
        self.blank();
    }

    fn wrapped(&mut self, first: &str, indent: usize, text: &str) {
        let mut line = first.to_owned();
        let mut is_fresh = true;
        for word in text.split_whitespace() {
            let needed = columns(word) + usize::from(!is_fresh);
            if !is_fresh && columns(&line) + needed > WIDTH {
                self.lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
                is_fresh = true;
            }
            if !is_fresh {
                line.push(' ');
            }
            is_fresh = false;
            for letter in word.chars() {
                // A word longer than a line, as in scripts without spaces, is cut where the line ends.
                if columns(&line) + width(letter) > WIDTH {
                    self.lines.push(std::mem::replace(&mut line, " ".repeat(indent)));
                }
                line.push(letter);
            }
        }
        self.lines.push(line.trim_end().to_owned());
    }

    fn finish(mut self) -> String {
        while self.lines.last().is_some_and(String::is_empty) {
            self.lines.pop();
        }
        self.lines.join("\n") + "\n"
    }
}

/// Columns that a letter takes: two for East Asian wide letters (Unicode Standard Annex 11, the main blocks), one otherwise.
fn width(letter: char) -> usize {
    match letter as u32 {
        0x1100..=0x115f
        | 0x2e80..=0xa4cf
        | 0xac00..=0xd7a3
        | 0xf900..=0xfaff
        | 0xfe30..=0xfe6f
        | 0xff00..=0xff60
        | 0xffe0..=0xffe6
        | 0x1f300..=0x1faff
        | 0x20000..=0x3fffd => 2,
        _ => 1,
    }
}

fn columns(text: &str) -> usize {
    text.chars().map(width).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wide_letters_take_two_columns_and_no_line_is_too_long() {
        let mut out = Lines::default();
        out.item("- ", &"蛙".repeat(60));
        out.item("- ", &"Βάτραχος ".repeat(20));
        for line in out.finish().lines() {
            assert!(columns(line) <= WIDTH, "{line}");
        }
        assert_eq!(columns("蛙と"), 4);
    }
}
