//! A sheet on paper: A4, page numbers, embedded fonts, tagged for screen readers (ISO 14289-1, PDF/UA-1), the same bytes each time.
//!
//! - `fonts`: letters, and where they come from;
//! - `lines`, `layout`, `table`: blocks to pieces; `pages`: pieces to pages; `paint`: pages to PDF.

mod fonts;
mod layout;
mod lines;
mod pages;
mod paint;
mod table;

use std::collections::BTreeSet;

use super::{Block, Sheet};
use crate::plot::{Picture, Table};
use fonts::Fonts;
use layout::{Frame, Layout};

/// A finished file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pdf {
    pub bytes: Vec<u8>,
    /// Letters that neither the project's fonts nor this machine's have; they are shown as U+FFFD.
    pub missing: BTreeSet<char>,
}

#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    #[error("a font of the program can't be read")]
    Font,
    #[error("a picture can't be read: {0}")]
    Picture(String),
    #[error("the library refused the document: {0}")]
    Refused(String),
}

/// The sheet as PDF.
///
/// # Errors
/// [`PdfError`] where fonts or pictures of the program itself are broken; never by what a keeper wrote.
pub fn pdf(sheet: &Sheet) -> Result<Pdf, PdfError> {
    let fonts = Fonts::for_letters(&letters(sheet)).ok_or(PdfError::Font)?;
    let mut layout = Layout::new(&fonts);
    let structure = layout.blocks(&sheet.blocks, Frame::PAGE);
    let pages = pages::fill(&layout.pieces, &layout.heads);
    let bytes = paint::paint(sheet, &layout, &structure, &pages)?;
    Ok(Pdf {
        bytes,
        missing: fonts.missing,
    })
}

/// Every letter that is shown.
fn letters(sheet: &Sheet) -> BTreeSet<char> {
    let mut letters: BTreeSet<char> = "0123456789 •.:Page of()".chars().collect();
    for text in [&sheet.title, &sheet.site, &sheet.about] {
        letters.extend(text.chars());
    }
    add_letters(&sheet.blocks, &mut letters);
    letters
}

fn add_letters(blocks: &[Block], letters: &mut BTreeSet<char>) {
    for block in blocks {
        match block {
            Block::Heading { text, beside, .. } => letters.extend(text.chars().chain(beside.chars())),
            Block::Paragraph(text) | Block::Small(text) | Block::Framed(text) => letters.extend(text.chars()),
            Block::Labelled { label, text } => letters.extend(label.chars().chain(text.chars())),
            Block::Bullets(lines) => letters.extend(lines.iter().flat_map(|line| line.chars())),
            Block::Numbered(lines) => letters.extend(
                lines
                    .iter()
                    .flat_map(|(mark, text)| mark.chars().chain(text.chars())),
            ),
            Block::Terms(notes) => {
                letters.extend(
                    notes
                        .iter()
                        .flat_map(|note| note.heading.chars().chain(note.text.chars())),
                );
            }
            Block::Table { table, .. } => add_table(table, letters),
            Block::Figures(figures) => {
                for figure in figures {
                    letters.extend(figure.notes.iter().flat_map(|note| note.chars()));
                    add_picture(&figure.picture, letters);
                }
            }
            Block::Entry(entry) => {
                letters.extend(entry.head.chars().chain(entry.verdict.chars()));
                add_letters(&entry.body, letters);
            }
            Block::Columns(columns) => columns
                .iter()
                .for_each(|(_, blocks)| add_letters(blocks, letters)),
            Block::OnePage(blocks) => add_letters(blocks, letters),
            Block::NewPage => {}
        }
    }
}

fn add_table(table: &Table, letters: &mut BTreeSet<char>) {
    letters.extend(table.caption.chars());
    letters.extend(table.columns.iter().flat_map(|name| name.chars()));
    letters.extend(table.rows.iter().flatten().flat_map(|cell| cell.text.chars()));
}

/// The words inside a picture, which is text between tags.
fn add_picture(picture: &Picture, letters: &mut BTreeSet<char>) {
    for part in picture.paper_svg().split('>') {
        letters.extend(part.split('<').next().unwrap_or_default().chars());
    }
}
