//! A document as blocks, in the order in which it is read: what report, audit and hand-over say, before it becomes a form.
//!
//! In: blocks of finished words, tables and pictures. Out: [`text`](text()) for an e-mail, [`pdf`](pdf()) for paper,
//! [`html`](html()) for a screen. Renderers compute nothing but places on the page.

mod html;
mod pdf;
mod text;

pub(crate) use html::html;
pub use pdf::{Pdf, PdfError, pdf};
pub use text::text;

use crate::markup::Note;
use crate::plot::{Picture, Table};

/// A whole document.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    pub title: String,
    /// Stands at the top of each page of paper: whose it is, and what it is about.
    pub site: String,
    pub about: String,
    /// RFC 3339; the end of what is told, which is also the date of the file.
    pub until: String,
    pub blocks: Vec<Block>,
}

/// One part of a document.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Level 1 to 4; `beside` is the id that belongs to the text, said where a form can't show the text's letters.
    Heading {
        level: u8,
        text: String,
        beside: String,
    },
    Paragraph(String),
    /// Small print.
    Small(String),
    /// Framed: what must not be overlooked.
    Framed(String),
    /// A word or two in bold, and the sentence that they announce.
    Labelled {
        label: String,
        text: String,
    },
    Bullets(Vec<String>),
    /// Items under numbers of their own, such as those in a picture.
    Numbered(Vec<(String, String)>),
    Terms(Vec<Note>),
    /// `is_words`: cells hold sentences and break into lines.
    Table {
        table: Table,
        is_words: bool,
    },
    /// Wide pictures stand alone, small ones in pairs; notes stand below each.
    Figures(Vec<Figure>),
    Entry(Entry),
    /// Side by side on paper, one after the other elsewhere; with the share of the width.
    Columns(Vec<(f32, Vec<Block>)>),
    /// Set as small as needed to fit one page of paper.
    OnePage(Vec<Block>),
    /// What follows begins a page of paper.
    NewPage,
}

/// A picture and what is said below it.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    pub picture: Picture,
    pub notes: Vec<String>,
}

/// One of the things that need the keeper.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    pub number: usize,
    pub head: String,
    /// The id that belongs to the head, as for a heading.
    pub beside: String,
    pub verdict: String,
    pub is_urgent: bool,
    pub body: Vec<Block>,
}

impl Block {
    pub(crate) fn heading(level: u8, text: impl Into<String>) -> Block {
        Block::Heading {
            level,
            text: text.into(),
            beside: String::new(),
        }
    }

    pub(crate) fn labelled(label: &str, text: impl Into<String>) -> Block {
        Block::Labelled {
            label: label.to_owned(),
            text: text.into(),
        }
    }

    pub(crate) fn figure(picture: &Picture, notes: Vec<String>) -> Block {
        Block::Figures(vec![Figure {
            picture: picture.clone(),
            notes,
        }])
    }

    /// Pictures with their alternatives below; nothing where there are none.
    pub(crate) fn figures(pictures: &[Picture]) -> Option<Block> {
        let figure = |picture: &Picture| Figure {
            picture: picture.clone(),
            notes: vec![format!("{}. {}", picture.title, picture.alternative)],
        };
        (!pictures.is_empty()).then(|| Block::Figures(pictures.iter().map(figure).collect()))
    }

    /// A table, or nothing where it has no row.
    pub(crate) fn table(table: &Table, is_words: bool) -> Option<Block> {
        (!table.rows.is_empty()).then(|| Block::Table {
            table: table.clone(),
            is_words,
        })
    }

    pub(crate) fn bullets(lines: &[String]) -> Option<Block> {
        (!lines.is_empty()).then(|| Block::Bullets(lines.to_vec()))
    }
}
