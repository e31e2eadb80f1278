//! A sheet as plain text of at most 78 columns: it fits an e-mail.

use super::{Block, Sheet};
use crate::plot::Table;
use crate::words::NOT_KNOWN;

/// Columns of a line: RFC 5322 (2.1.1) asks for no more than 78 characters.
const WIDTH: usize = 78;
/// Columns of a label that later lines stand clear of.
const LABEL_MAX: usize = 6;

/// The whole text.
pub fn text(sheet: &Sheet) -> String {
    let mut out = Lines::default();
    out.blocks(&sheet.blocks);
    out.finish()
}

#[derive(Default)]
struct Lines {
    lines: Vec<String>,
    indent: usize,
}

impl Lines {
    fn blocks(&mut self, blocks: &[Block]) {
        for block in blocks {
            self.block(block);
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Heading { level: 1, text, .. } => self.paragraph(text),
            Block::Heading {
                level: 2 | 3, text, ..
            } => self.heading(text),
            Block::Heading { text, .. } => {
                self.blank();
                self.paragraph(text);
            }
            Block::Paragraph(text) | Block::Small(text) => self.paragraph(text),
            Block::Framed(text) => {
                self.blank();
                self.paragraph(&format!("*** {text} ***"));
                self.blank();
            }
            // Only a short label can stand out to the left.
            Block::Labelled { label, text } if columns(label) <= LABEL_MAX => {
                self.item(&format!("{label} "), text)
            }
            Block::Labelled { label, text } => self.paragraph(&format!("{label} {text}")),
            Block::Bullets(lines) => lines.iter().for_each(|line| self.item("- ", line)),
            Block::Numbered(lines) => {
                for (mark, text) in lines {
                    self.item(&format!("({mark}) "), text);
                }
            }
            Block::Terms(notes) => {
                for note in notes {
                    self.item("- ", &format!("{}: {}", note.heading, note.text));
                }
            }
            Block::Table { table, .. } => self.table(table),
            Block::Figures(figures) => {
                for figure in figures {
                    let (title, alternative) = (&figure.picture.title, &figure.picture.alternative);
                    self.paragraph(&format!("{title}. {alternative}"));
                    let is_said = |note: &str| note.contains(alternative) || alternative.contains(note);
                    for note in figure.notes.iter().filter(|note| !is_said(note)) {
                        self.item("- ", note);
                    }
                }
            }
            Block::Entry(entry) => {
                self.blank();
                let head = format!("{}: {}", entry.head, entry.verdict.to_uppercase());
                self.item(&format!("{}. ", entry.number), &head);
                self.indent += 3;
                self.blocks(&entry.body);
                self.indent -= 3;
            }
            Block::Columns(columns) => columns.iter().for_each(|(_, blocks)| self.blocks(blocks)),
            Block::OnePage(blocks) => self.blocks(blocks),
            Block::NewPage => {}
        }
    }

    fn blank(&mut self) {
        if self.lines.last().is_some_and(|line| !line.is_empty()) {
            self.lines.push(String::new());
        }
    }

    fn heading(&mut self, text: &str) {
        self.blank();
        let from = self.lines.len();
        self.paragraph(text);
        let longest = self.lines[from..]
            .iter()
            .map(|line| columns(line))
            .max()
            .unwrap_or(0);
        self.lines.push("-".repeat(longest));
    }

    fn paragraph(&mut self, text: &str) {
        self.item("", text);
    }

    /// A text behind a mark; later lines stand under the text.
    fn item(&mut self, mark: &str, text: &str) {
        let first = format!("{}{mark}", " ".repeat(self.indent));
        self.wrapped(&first, columns(&first), text);
    }

    /// A table in columns where it fits, otherwise one item a row with the names before the values.
    fn table(&mut self, table: &Table) {
        if table.rows.is_empty() {
            return;
        }
        self.blank();
        self.paragraph(&table.caption);
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
            let cells = || table.columns.iter().zip(row).skip(1);
            // Several that are not known are told at once.
            let unknown = cells().filter(|(_, cell)| cell.text == NOT_KNOWN).count();
            let mut parts = Vec::new();
            for (name, cell) in cells() {
                let is_told = unknown < 2 || cell.text != NOT_KNOWN;
                if is_told && !cell.text.is_empty() {
                    parts.push(format!("{name}: {}", cell.text));
                }
            }
            if unknown > 1 {
                let what = if parts.is_empty() { "all" } else { "the rest" };
                parts.push(format!("{what}: {NOT_KNOWN}"));
            }
            let head = row.first().map_or("", |cell| cell.text.as_str());
            self.item("- ", &format!("{head}. {}", parts.join("; ")));
        }
        self.blank();
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

/// Whether a letter is East Asian wide (Unicode Standard Annex 11, the main blocks); a line may end after one.
pub(super) fn is_wide(letter: char) -> bool {
    matches!(
        letter as u32,
        0x1100..=0x115f
        | 0x2e80..=0xa4cf
        | 0xac00..=0xd7a3
        | 0xf900..=0xfaff
        | 0xfe30..=0xfe6f
        | 0xff00..=0xff60
        | 0xffe0..=0xffe6
        | 0x1f300..=0x1faff
        | 0x20000..=0x3fffd
    )
}

/// Columns that a letter takes.
fn width(letter: char) -> usize {
    if is_wide(letter) { 2 } else { 1 }
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
