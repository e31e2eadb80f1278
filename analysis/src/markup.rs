//! Parts of an HTML page that report and audit share: prose, tables, figures, notes, the style. No script, no request to
//! anywhere, light and dark, for screens, paper and screen readers. Also the same parts as JSON.

use serde_json::{Value, json};

use crate::plot::{Cell, Picture, Table, escape, figure_css, page_css};

/// A heading and what stands under it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    pub heading: String,
    pub text: String,
}

impl Note {
    pub(crate) fn new(heading: &str, text: &str) -> Note {
        Note {
            heading: heading.to_owned(),
            text: text.to_owned(),
        }
    }
}

const STYLE: &str = include_str!("markup.css");

/// Everything before the page's own content; `skip_to` is the id that a keyboard user can jump to.
pub(crate) fn head(title: &str, skip_to: &str, skip_words: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{}</title>\n<style>\n{}{STYLE}{}</style>\n</head>\n<body>\n<div class=\"page\">\n\
         <a class=\"skip\" href=\"#{skip_to}\">{skip_words}</a>\n",
        escape(title),
        page_css(),
        figure_css()
    )
}

/// Words that stay on the line of the number before them.
const KEPT: [&str; 19] = [
    "°C",
    "°F",
    "%",
    "%RH",
    "h",
    "min",
    "days",
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// Escaped text in which a number and its unit, or a day and its month, stay on one line.
pub(crate) fn prose(text: &str) -> String {
    escape(&kept(text))
}

/// The same, not escaped.
pub(crate) fn kept(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for word in text.split(' ') {
        let bare: &str = word.trim_end_matches([',', '.', ';', ':', ')']);
        let is_kept = KEPT.contains(&bare);
        let after_number = out.ends_with(|c: char| c.is_ascii_digit());
        if !out.is_empty() {
            out.push(if is_kept && after_number { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
    }
    out
}

pub(crate) fn heading(page: &mut String, text: &str) {
    *page += &format!("<h4>{text}</h4>\n");
}

pub(crate) fn lines(page: &mut String, lines: &[String], otherwise: &str) {
    if lines.is_empty() && !otherwise.is_empty() {
        *page += &format!("<p>{}</p>\n", escape(otherwise));
        return;
    }
    *page += "<ul class=\"lines\">\n";
    for line in lines {
        *page += &format!("<li>{}</li>\n", prose(line));
    }
    *page += "</ul>\n";
}

pub(crate) fn pictures(page: &mut String, pictures: &[Picture], id: &str) {
    if pictures.is_empty() {
        return;
    }
    *page += "<div class=\"pair\">\n";
    for (index, picture) in pictures.iter().enumerate() {
        figure(page, picture, &format!("{id}-{index}"), &[]);
    }
    *page += "</div>\n";
}

/// A picture with its words below and its figures one click away.
pub(crate) fn figure(page: &mut String, picture: &Picture, id: &str, notes: &[String]) {
    *page += &format!("<div class=\"figure\"><figure>\n{}<figcaption>", picture.html(id));
    if notes.is_empty() {
        *page += &format!("{}. {}", escape(&picture.title), prose(&picture.alternative));
    } else {
        *page += &prose(&notes.join(" "));
    }
    *page += &format!(
        "</figcaption></figure>\n<details><summary>Its figures as a table<span class=\"unseen\">: {}</span></summary>\n",
        escape(&picture.title)
    );
    table(page, &picture.title, &picture.table, false);
    *page += "</details>\n</div>\n";
}

/// A table in a frame that scrolls where it is too wide; `place` makes its name one of its own on the page.
pub(crate) fn table(page: &mut String, place: &str, table: &Table, is_words: bool) {
    let numeric: Vec<bool> = (0..table.columns.len())
        .map(|column| {
            table
                .rows
                .iter()
                .any(|row| row.get(column).is_some_and(|cell| cell.number.is_some()))
        })
        .collect();
    // Most tables are a column of words and figures beside it: that is said once, not in every cell.
    let all_figures = !is_words && numeric.len() > 1 && !numeric[0] && numeric[1..].iter().all(|is| *is);
    let class = |column: usize| {
        if numeric.get(column) == Some(&true) && !all_figures {
            " class=\"n\""
        } else {
            ""
        }
    };
    // On a phone the rows of a table of words stand one below the other, each cell after its column's name.
    let term = |column: usize| match table.columns.get(column) {
        Some(name) if is_words => format!(" data-term=\"{}\"", escape(name)),
        _ => String::new(),
    };
    *page += &format!(
        "<section class=\"scroll\" tabindex=\"0\" aria-label=\"{2}{0}\"><table{1}><caption><span>{0}</span></caption>\n<thead><tr>",
        prose(&table.caption),
        match (is_words, all_figures) {
            (true, _) => " class=\"words\"",
            (false, true) => " class=\"figures\"",
            (false, false) => "",
        },
        if place.is_empty() {
            String::new()
        } else {
            format!("{}: ", escape(place))
        }
    );
    for (column, name) in table.columns.iter().enumerate() {
        *page += &format!("<th scope=\"col\"{}>{}</th>", class(column), prose(name));
    }
    *page += "</tr></thead>\n<tbody>\n";
    for row in &table.rows {
        *page += "<tr>";
        for (column, Cell { text, .. }) in row.iter().enumerate() {
            *page += &if column == 0 {
                format!("<th scope=\"row\">{}</th>", prose(text))
            } else {
                format!("<td{}{}>{}</td>", class(column), term(column), prose(text))
            };
        }
        *page += "</tr>\n";
    }
    *page += "</tbody></table></section>\n";
}

pub(crate) fn notes(page: &mut String, id: &str, heading: &str, notes: &[Note]) {
    *page += &format!("<section aria-labelledby=\"{id}\">\n<h2 id=\"{id}\">{heading}</h2>\n");
    notes_list(page, notes);
    *page += "</section>\n";
}

pub(crate) fn notes_list(page: &mut String, notes: &[Note]) {
    *page += "<dl>\n";
    for note in notes {
        *page += &format!(
            "<div><dt>{}</dt><dd>{}</dd></div>\n",
            escape(&note.heading),
            prose(&note.text)
        );
    }
    *page += "</dl>\n";
}

/// A picture without its drawing: what it says, and its figures.
pub(crate) fn picture_json(picture: &Picture) -> Value {
    json!({
        "title": picture.title,
        "says": picture.alternative,
        "figures": table_json(&picture.table),
    })
}

/// A number where a cell is one, otherwise its words.
pub(crate) fn table_json(table: &Table) -> Value {
    let cell = |cell: &Cell| {
        cell.number
            .map_or_else(|| json!(cell.text), |number| json!(number))
    };
    json!({
        "caption": table.caption,
        "columns": table.columns,
        "rows": table.rows.iter().map(|row| row.iter().map(cell).collect::<Vec<_>>()).collect::<Vec<_>>(),
    })
}

pub(crate) fn note_json(note: &Note) -> Value {
    json!({ "heading": note.heading, "text": note.text })
}
