//! Comma-separated text, RFC 4180: records with their line numbers, quotes and line breaks inside quotes. Where the header is separated by
//! semicolons, as spreadsheets write it in countries with a decimal comma, the whole file is.
//!
//! In: a reader. Out: one record at a time in buffers that are used again. No more of a line is held than a record may have, so that a
//! file that is no CSV can't fill the memory.

use std::borrow::Cow;
use std::io::{self, BufRead, Read as _};

/// Longest record, bytes: a journal text of some pages fits (our choice).
const RECORD_BYTES_MAX: usize = 64 * 1024;

pub(crate) struct Records<R> {
    input: R,
    /// Whether a quoted cell may hold line breaks.
    spans_lines: bool,
    /// What stands between cells; known once the header was read.
    separator: Option<char>,
    /// The record as it stands in the file, without its line end.
    record: Vec<u8>,
    /// Unquoted content of all cells, and where each ends.
    cells: String,
    ends: Vec<usize>,
    line: u64,
    next_line: u64,
    bytes: u64,
}

/// What came of reading one record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Next {
    Record,
    /// Not UTF-8, too long, or a quote out of place: the reason.
    Broken(&'static str),
    End,
}

impl<R: BufRead> Records<R> {
    /// Records as RFC 4180 has them: an open quote takes the line break with it.
    pub(crate) fn new(input: R) -> Records<R> {
        Records {
            input,
            spans_lines: true,
            separator: None,
            record: Vec::new(),
            cells: String::new(),
            ends: Vec::new(),
            line: 0,
            next_line: 1,
            bytes: 0,
        }
    }

    /// Records of one line each, for tables whose cells hold no line breaks: a quote that is never closed costs its own line only.
    pub(crate) fn of_lines(input: R) -> Records<R> {
        Records {
            spans_lines: false,
            ..Records::new(input)
        }
    }

    /// Reads the next record; empty lines are passed over.
    pub(crate) fn next(&mut self) -> io::Result<Next> {
        loop {
            self.record.clear();
            self.line = self.next_line;
            let mut is_open = false;
            let mut fits = true;
            loop {
                let start = self.record.len();
                let read = self.read_line()?;
                if read == 0 && start == 0 {
                    return Ok(Next::End);
                }
                fits = fits && self.record.len() <= RECORD_BYTES_MAX;
                let quotes = self.record[start..].iter().filter(|byte| **byte == b'"').count();
                is_open ^= quotes % 2 == 1;
                if read == 0 || !fits || !is_open || !self.spans_lines {
                    break;
                }
            }
            self.record.truncate(RECORD_BYTES_MAX);
            while let [.., b'\n' | b'\r'] = self.record[..] {
                self.record.pop();
            }
            if self.line == 1 && self.record.starts_with(b"\xef\xbb\xbf") {
                self.record.drain(..3);
            }
            if !fits {
                return Ok(Next::Broken("the line is too long"));
            }
            if !self.record.is_empty() {
                return Ok(self.split());
            }
        }
    }

    /// Adds the next line to the record and gives its length, 0 at the end. Of a line that does not fit, one byte too many is kept
    /// and the rest is passed over.
    fn read_line(&mut self) -> io::Result<usize> {
        let room = (RECORD_BYTES_MAX + 1).saturating_sub(self.record.len());
        let mut read = self
            .input
            .by_ref()
            .take(room as u64)
            .read_until(b'\n', &mut self.record)?;
        if read == room && self.record.last() != Some(&b'\n') {
            read += self.pass_over_line()?;
        }
        self.bytes += read as u64;
        self.next_line += u64::from(read > 0);
        Ok(read)
    }

    fn pass_over_line(&mut self) -> io::Result<usize> {
        let mut passed = 0;
        loop {
            let buffer = self.input.fill_buf()?;
            let end = buffer.iter().position(|byte| *byte == b'\n');
            let count = end.map_or(buffer.len(), |end| end + 1);
            self.input.consume(count);
            passed += count;
            if end.is_some() || count == 0 {
                return Ok(passed);
            }
        }
    }

    fn split(&mut self) -> Next {
        self.cells.clear();
        self.ends.clear();
        let Ok(text) = std::str::from_utf8(&self.record) else {
            return Next::Broken("the line is not UTF-8");
        };
        let separator = *self.separator.get_or_insert_with(|| separator(text));
        if !text.contains('"') {
            for cell in text.split(separator) {
                self.cells.push_str(cell);
                self.ends.push(self.cells.len());
            }
            return Next::Record;
        }
        let mut rest = text;
        loop {
            if let Some(quoted) = rest.strip_prefix('"') {
                let Some(after) = unquote(quoted, &mut self.cells) else {
                    return Next::Broken("a quote is not closed");
                };
                rest = after;
                if !rest.is_empty() && !rest.starts_with(separator) {
                    return Next::Broken("text follows a closing quote");
                }
            } else {
                let end = rest.find(separator).unwrap_or(rest.len());
                self.cells.push_str(&rest[..end]);
                rest = &rest[end..];
            }
            self.ends.push(self.cells.len());
            match rest.strip_prefix(separator) {
                Some(after) => rest = after,
                None => return Next::Record,
            }
        }
    }

    /// The cells of the last record; absent cells are empty.
    pub(crate) fn cell(&self, index: usize) -> &str {
        let Some(end) = self.ends.get(index) else {
            return "";
        };
        let start = if index == 0 { 0 } else { self.ends[index - 1] };
        self.cells[start..*end].trim()
    }

    /// A cell's text with a decimal point: a file that is separated by semicolons may write a comma.
    pub(crate) fn decimal<'t>(&self, cell: &'t str) -> Cow<'t, str> {
        match self.separator {
            Some(SEMICOLON) => Cow::Owned(cell.replace(',', ".")),
            _ => Cow::Borrowed(cell),
        }
    }

    pub(crate) fn cell_count(&self) -> usize {
        self.ends.len()
    }

    /// The line on which the last record begins.
    pub(crate) fn line(&self) -> u64 {
        self.line
    }

    /// Bytes read so far.
    pub(crate) fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The last record as it stands in the file.
    pub(crate) fn raw(&self) -> &[u8] {
        &self.record
    }
}

const SEMICOLON: char = ';';

/// What separates the cells of a header: a comma, unless more semicolons stand outside its quotes.
fn separator(header: &str) -> char {
    let unquoted = || header.split('"').step_by(2);
    let count = |wanted: char| unquoted().map(|part| part.matches(wanted).count()).sum::<usize>();
    if count(SEMICOLON) > count(',') {
        SEMICOLON
    } else {
        ','
    }
}

/// Takes a cell up to its closing quote into `cell`; doubled quotes stand for one. Gives what follows.
fn unquote<'t>(mut text: &'t str, cell: &mut String) -> Option<&'t str> {
    loop {
        let quote = text.find('"')?;
        cell.push_str(&text[..quote]);
        text = &text[quote + 1..];
        match text.strip_prefix('"') {
            Some(after) => {
                cell.push('"');
                text = after;
            }
            None => return Some(text),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(text: &str) -> Vec<(u64, Result<Vec<String>, &'static str>)> {
        let mut records = Records::new(text.as_bytes());
        let mut all = Vec::new();
        loop {
            let cells = |r: &Records<&[u8]>| (0..r.cell_count()).map(|n| r.cell(n).to_owned()).collect();
            match records.next().expect("memory does not fail") {
                Next::End => return all,
                Next::Record => all.push((records.line(), Ok(cells(&records)))),
                Next::Broken(why) => all.push((records.line(), Err(why))),
            }
        }
    }

    #[test]
    fn quotes_breaks_and_empty_lines() {
        let owned = |cells: &[&str]| Ok(cells.iter().map(|cell| (*cell).to_owned()).collect::<Vec<_>>());
        let text = "\u{feff}a,b\r\n\r\n\"x, \"\"y\"\"\",\"two\nlines\"\n,\n\"open";
        assert_eq!(
            read(text),
            [
                (1, owned(&["a", "b"])),
                (3, owned(&["x, \"y\"", "two\nlines"])),
                (5, owned(&["", ""])),
                (6, Err("a quote is not closed")),
            ]
        );
        assert_eq!(read("\"a\"b,c"), [(1, Err("text follows a closing quote"))]);
    }

    #[test]
    fn a_header_with_semicolons_makes_them_the_separator() {
        let mut records = Records::new(&b"When;\"Temp; C, in\";RH\n1;\"21,7\";80,5\n"[..]);
        assert_eq!(records.next().expect("memory"), Next::Record);
        assert_eq!((records.cell_count(), records.cell(1)), (3, "Temp; C, in"));
        assert_eq!(records.next().expect("memory"), Next::Record);
        assert_eq!(
            (records.cell(1), &*records.decimal(records.cell(2))),
            ("21,7", "80.5")
        );
        let mut records = Records::new(&b"a;b,c\n21,7;x\n"[..]);
        assert_eq!(records.next().expect("memory"), Next::Record);
        assert_eq!(records.next().expect("memory"), Next::Record);
        assert_eq!((records.cell(0), &*records.decimal("1,5")), ("21", "1,5"));
    }

    #[test]
    fn a_quote_that_is_never_closed_costs_its_own_line_where_records_are_lines() {
        let mut records = Records::of_lines(&b"a,\"b\nc,\"d\"\n"[..]);
        assert_eq!(
            records.next().expect("memory"),
            Next::Broken("a quote is not closed")
        );
        assert_eq!(records.next().expect("memory"), Next::Record);
        assert_eq!((records.cell(0), records.cell(1), records.line()), ("c", "d", 2));
        assert_eq!(records.next().expect("memory"), Next::End);
    }

    #[test]
    fn of_a_line_without_end_no_more_is_held_than_a_record_may_have() {
        let long = io::repeat(b'x').take(64 * 1024 * 1024);
        let input = io::BufReader::new(long.chain(&b"\na,b\n"[..]));
        let mut records = Records::new(input);
        assert_eq!(
            records.next().expect("memory"),
            Next::Broken("the line is too long")
        );
        assert!(
            records.record.capacity() <= 4 * RECORD_BYTES_MAX,
            "{}",
            records.record.capacity()
        );
        assert_eq!(records.next().expect("memory"), Next::Record);
        assert_eq!((records.cell(1), records.line()), ("b", 2));
    }

    proptest! {
        #[test]
        fn cells_round_trip(rows in proptest::collection::vec(proptest::collection::vec("[a-z\",\n\r é]{0,6}", 2..4), 1..5)) {
            let trimmed: Vec<Vec<String>> = rows.iter().map(|row| row.iter().map(|cell| cell.trim().to_owned()).collect()).collect();
            let text: String = trimmed
                .iter()
                .map(|row| row.iter().map(|cell| format!("\"{}\"", cell.replace('"', "\"\""))).collect::<Vec<_>>().join(",") + "\n")
                .collect();
            let found: Vec<Vec<String>> = read(&text).into_iter().map(|(_, cells)| cells.expect("well formed")).collect();
            prop_assert_eq!(found, trimmed);
        }

        #[test]
        fn no_text_makes_the_reader_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let mut records = Records::new(&bytes[..]);
            while records.next().expect("memory does not fail") != Next::End {
                prop_assert!(records.cell(0).len() + records.cell(9).len() <= records.raw().len());
            }
        }
    }
}
