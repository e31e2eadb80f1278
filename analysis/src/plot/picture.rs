//! A finished picture: its drawing, what it says in words, its figures as a table, and how it is cut for a narrow screen.

use super::canvas::SCALE;
use super::palette;
use crate::words;

/// One cell: what is shown, and the number behind it where it is one.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cell {
    pub text: String,
    pub number: Option<f64>,
}

impl Cell {
    pub fn text(text: impl Into<String>) -> Cell {
        Cell {
            text: text.into(),
            number: None,
        }
    }

    /// One digit after the point.
    pub fn number(value: f64) -> Cell {
        Cell {
            text: super::units::number(value),
            number: Some((value * 1000.0).round() / 1000.0),
        }
    }

    /// A number, or the words for "nothing is known".
    pub fn known(value: Option<f64>) -> Cell {
        value.map_or_else(|| Cell::text(words::NOT_KNOWN), Cell::number)
    }
}

/// Figures as a table. The first column heads its row.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    pub caption: String,
    pub columns: Vec<String>,
    pub rows: Vec<Vec<Cell>>,
}

/// A part of a picture, from one horizontal place to another, px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slice {
    pub from_px: f64,
    pub until_px: f64,
}

/// A picture and everything that stands for it where it can't be seen.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Picture {
    pub title: String,
    /// A sentence or two that say what the picture shows.
    pub alternative: String,
    pub width_px: f64,
    pub height_px: f64,
    /// SVG elements, in [`SCALE`] units a pixel.
    drawing: String,
    /// Rows of slices for a narrow screen; empty where the picture is narrow already.
    pub narrow: Vec<Vec<Slice>>,
    pub table: Table,
}

impl Picture {
    pub(crate) fn new(width_px: f64, height_px: f64, drawing: String) -> Picture {
        Picture {
            width_px,
            height_px,
            drawing,
            ..Picture::default()
        }
    }

    /// The drawing alone in the colours of paper, of a size in px.
    pub fn paper_svg(&self) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"{}\">{}</svg>",
            self.width_px,
            self.height_px,
            self.view_box(Slice {
                from_px: 0.0,
                until_px: self.width_px
            }),
            self.group("")
        )
    }

    fn group(&self, id: &str) -> String {
        let id = if id.is_empty() {
            String::new()
        } else {
            format!(" id=\"{id}\"")
        };
        format!(
            "<g{id} font-family=\"system-ui,sans-serif\" stroke-linejoin=\"round\">\n{}</g>",
            self.drawing
        )
    }

    fn view_box(&self, slice: Slice) -> String {
        format!(
            "{} 0 {} {}",
            slice.from_px * SCALE,
            (slice.until_px - slice.from_px) * SCALE,
            self.height_px * SCALE
        )
    }

    /// HTML of the picture; `id` is unique on the page, of letters, digits and `-`.
    ///
    /// The drawing stands once; a wide screen and print show it whole, a narrow screen shows it in rows with the axis
    /// repeated before each. [`figure_css`] switches between the two.
    pub fn html(&self, id: &str) -> String {
        let whole = self.view_box(Slice {
            from_px: 0.0,
            until_px: self.width_px,
        });
        let (title, words) = (escape(&self.title), escape(&self.alternative));
        if self.narrow.is_empty() {
            return format!(
                "<svg class=\"small\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\" viewBox=\"{whole}\"><title id=\"{id}-t\">{title}</title>\
                 <desc id=\"{id}-d\">{words}</desc>{}</svg>\n",
                self.group("")
            );
        }
        let mut html = format!(
            "<svg class=\"store\" width=\"0\" height=\"0\" aria-hidden=\"true\" focusable=\"false\"><defs>{}</defs></svg>\n\
             <svg class=\"wide\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\" viewBox=\"{whole}\"><title id=\"{id}-t\">{title}</title>\
             <desc id=\"{id}-d\">{words}</desc><use href=\"#{id}\"/></svg>\n\
             <div class=\"narrow\" role=\"img\" aria-label=\"{title}. {words}\">\n",
            self.group(id)
        );
        let row_width = self
            .narrow
            .iter()
            .map(|row| row.iter().map(|slice| slice.until_px - slice.from_px).sum())
            .fold(0.0, f64::max);
        for row in &self.narrow {
            html += &format!(
                "<svg viewBox=\"0 0 {} {}\" aria-hidden=\"true\">",
                row_width * SCALE,
                self.height_px * SCALE
            );
            let mut x_px = 0.0;
            for slice in row {
                let width_px = slice.until_px - slice.from_px;
                html += &format!(
                    "<svg x=\"{}\" width=\"{}\" height=\"{}\" viewBox=\"{}\"><use href=\"#{id}\"/></svg>",
                    x_px * SCALE,
                    width_px * SCALE,
                    self.height_px * SCALE,
                    self.view_box(*slice)
                );
                x_px += width_px;
            }
            html += "</svg>\n";
        }
        html + "</div>\n"
    }
}

/// Style rules that every page with pictures needs.
pub fn figure_css() -> String {
    format!(
        "svg.store{{position:absolute}}svg.wide,.narrow svg{{display:block;width:100%;height:auto}}\n\
         svg.small{{display:block;width:100%;max-width:360px;height:auto}}\n\
         svg text{{font-family:inherit}}.narrow{{display:none}}.narrow>svg+svg{{margin-top:1rem}}\n\
         @media screen and (max-width:640px){{svg.wide{{display:none}}.narrow{{display:block}}}}\n\
         @media screen and (prefers-color-scheme:dark){{\n{}}}\n",
        palette::dark_css()
    )
}

/// Text as it may stand in HTML and SVG, between tags and inside quoted attributes.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '&' => safe.push_str("&amp;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // Control characters are not allowed in HTML text.
            c if c.is_control() && c != '\n' && c != '\t' => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}
