//! Reads the CSV tables of `tests/reference` for the unit tests: comment lines start with `#`, then one header line.

use std::collections::BTreeMap;

/// One row: column name to text.
pub(crate) struct Row(BTreeMap<String, String>);

impl Row {
    /// The text of a column.
    #[track_caller]
    pub(crate) fn text(&self, column: &str) -> &str {
        self.0
            .get(column)
            .map(String::as_str)
            .expect("the table has this column")
    }

    /// The number in a column, or `None` where the cell is empty.
    #[track_caller]
    pub(crate) fn number_or_none(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        (!text.is_empty()).then(|| text.parse().expect("the cell is a number"))
    }

    /// The number in a column that is never empty.
    #[track_caller]
    pub(crate) fn number(&self, column: &str) -> f64 {
        self.number_or_none(column).expect("the cell is filled")
    }
}

/// All rows of a table. Panics on a row with another count of cells than the header.
pub(crate) fn rows(csv: &str) -> Vec<Row> {
    let mut lines = csv
        .lines()
        .filter(|line| !line.starts_with('#') && !line.trim().is_empty());
    let header = cells(lines.next().expect("the table has a header"));
    lines
        .map(|line| {
            let row = cells(line);
            assert_eq!(row.len(), header.len(), "ragged row: {line}");
            Row(header.iter().cloned().zip(row).collect())
        })
        .collect()
}

/// The cells of one line; a cell in double quotes may hold commas.
fn cells(line: &str) -> Vec<String> {
    let mut cells = vec![String::new()];
    let mut quoted = false;
    for character in line.chars() {
        match character {
            '"' => quoted = !quoted,
            ',' if !quoted => cells.push(String::new()),
            other => cells.last_mut().expect("there is always a cell").push(other),
        }
    }
    cells
}
