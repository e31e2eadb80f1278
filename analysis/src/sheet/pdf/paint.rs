//! Pages to PDF by krilla, with the structure for screen readers and the list of contents.

use std::num::NonZeroU16;
use std::sync::Arc;

use chrono::{DateTime as Moment, Datelike as _, FixedOffset, Timelike as _};
use krilla::color::rgb;
use krilla::configure::{Accessibility, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, Identifier, ListNumbering, SpanTag, TableHeaderScope, Tag, TagGroup,
    TagKind, TagTree,
};
use krilla::text::TextDirection;
use krilla::{Document, SerializeSettings};
use krilla_svg::{SurfaceExt as _, SvgSettings};

use super::PdfError;
use super::fonts::{Cut, SANS};
use super::layout::{
    GREY, Layout, MARGIN_BOTTOM, MARGIN_LEFT, MARGIN_TOP, Mark, Node, PAGE_HEIGHT, PAGE_WIDTH, PALE, Role,
    TEXT_WIDTH,
};
use super::pages::PageMarks;
use crate::plot::Picture;
use crate::sheet::Sheet;
use crate::threads::{cores, in_order};

/// The language of what the program says.
const LANGUAGE: &str = "en";
const RUNNING_SIZE: f32 = 7.5;

/// The whole file.
pub(super) fn paint(
    sheet: &Sheet,
    layout: &Layout<'_>,
    structure: &[Node],
    pages: &[PageMarks],
) -> Result<Vec<u8>, PdfError> {
    let configuration = ConfigurationBuilder::new()
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|error| PdfError::Refused(format!("{error:?}")))?;
    let mut document = Document::new_with(SerializeSettings {
        configuration,
        ..SerializeSettings::default()
    });
    document.set_metadata(metadata(sheet));
    let trees = trees(layout)?;
    let mut marked: Vec<Vec<Identifier>> = vec![Vec::new(); layout.slots];
    for (index, page) in pages.iter().enumerate() {
        let size = Size::from_wh(PAGE_WIDTH, PAGE_HEIGHT)
            .ok_or_else(|| PdfError::Refused("page size".to_owned()))?;
        let mut sheet_page = document.start_page_with(PageSettings::new(size));
        let mut surface = sheet_page.surface();
        let mut painter = Painter {
            surface: &mut surface,
            layout,
            trees: &trees,
            marked: &mut marked,
        };
        painter.running(sheet, index + 1, pages.len());
        for mark in &page.marks {
            painter.mark(mark);
        }
        surface.finish();
        sheet_page.finish();
    }
    document.set_outline(outline(pages));
    let mut tree = TagTree::new();
    for node in structure {
        add_node(node, &mut marked, &mut |group| tree.push(group));
    }
    document.set_tag_tree(tree);
    document
        .finish()
        .map_err(|error| PdfError::Refused(format!("{error:?}")))
}

fn metadata(sheet: &Sheet) -> Metadata {
    let metadata = Metadata::new()
        .title(sheet.title.clone())
        .description(sheet.about.clone())
        .creator("mosswarden".to_owned())
        .language(LANGUAGE.to_owned());
    match Moment::parse_from_rfc3339(&sheet.until) {
        Ok(at) => metadata.creation_date(date(at)),
        Err(_) => metadata,
    }
}

fn date(at: Moment<FixedOffset>) -> DateTime {
    let offset_min = at.offset().local_minus_utc() / 60;
    let part = |value: u32| u8::try_from(value).unwrap_or_default();
    DateTime::new(u16::try_from(at.year()).unwrap_or_default())
        .month(part(at.month()))
        .day(part(at.day()))
        .hour(part(at.hour()))
        .minute(part(at.minute()))
        .second(part(at.second()))
        .utc_offset_hour(i8::try_from(offset_min / 60).unwrap_or_default())
        .utc_offset_minute(u8::try_from(offset_min.rem_euclid(60)).unwrap_or_default())
}

/// The pictures, read once.
fn trees(layout: &Layout<'_>) -> Result<Vec<usvg::Tree>, PdfError> {
    let options = usvg::Options {
        font_family: SANS.to_owned(),
        fontdb: Arc::clone(&layout.fonts.database),
        ..usvg::Options::default()
    };
    let read = |picture: &&Picture| {
        usvg::Tree::from_str(&picture.paper_svg(), &options)
            .map_err(|error| PdfError::Picture(error.to_string()))
    };
    in_order(&layout.pictures, cores(), read).into_iter().collect()
}

struct Painter<'p, 's> {
    surface: &'p mut Surface<'s>,
    layout: &'p Layout<'p>,
    trees: &'p [usvg::Tree],
    marked: &'p mut Vec<Vec<Identifier>>,
}

impl Painter<'_, '_> {
    /// The site and the subject above, the page's number below; not read aloud on every page.
    fn running(&mut self, sheet: &Sheet, number: usize, count: usize) {
        let right = MARGIN_LEFT + TEXT_WIDTH;
        let (above, below) = (MARGIN_TOP - 24.0, PAGE_HEIGHT - MARGIN_BOTTOM + 26.0);
        self.artifact(ArtifactType::Header, |painter| {
            painter.line(MARGIN_LEFT, above, &sheet.site);
            painter.line(right - painter.wide(&sheet.about), above, &sheet.about);
            painter.bar(MARGIN_LEFT, above + 6.0, TEXT_WIDTH, 0.4, PALE);
        });
        let page = format!("Page {number} of {count}");
        self.artifact(ArtifactType::Footer, |painter| {
            painter.line(right - painter.wide(&page), below, &page);
        });
    }

    fn wide(&self, text: &str) -> f32 {
        self.layout.fonts.width_em(Cut::Sans, text) * RUNNING_SIZE
    }

    fn line(&mut self, x: f32, y: f32, text: &str) {
        self.text((x, y), Cut::Sans, RUNNING_SIZE, GREY, text);
    }

    fn artifact(&mut self, kind: ArtifactType, draw: impl FnOnce(&mut Self)) {
        // Artifacts have no place in the structure, so what names them is not needed.
        let _unused = self
            .surface
            .start_tagged(ContentTag::Artifact(Artifact::with_kind(kind)));
        draw(self);
        self.surface.end_tagged();
    }

    fn mark(&mut self, mark: &Mark) {
        match mark {
            Mark::Text {
                x,
                y,
                cut,
                size,
                ink,
                text,
                slot: Some(slot),
            } => {
                let named = self.surface.start_tagged(ContentTag::Span(SpanTag::empty()));
                self.text((*x, *y), *cut, *size, *ink, text);
                self.surface.end_tagged();
                self.marked[*slot].push(named);
            }
            Mark::Text {
                x,
                y,
                cut,
                size,
                ink,
                text,
                slot: None,
            } => self.artifact(ArtifactType::PaginationOther, |painter| {
                painter.text((*x, *y), *cut, *size, *ink, text);
            }),
            Mark::Bar {
                x,
                y,
                width,
                height,
                ink,
            } => self.artifact(ArtifactType::Layout, |painter| {
                painter.bar(*x, *y, *width, *height, *ink)
            }),
            Mark::Picture {
                x,
                y,
                width,
                height,
                picture,
                slot,
            } => {
                let (Some(tree), Some(size)) = (self.trees.get(*picture), Size::from_wh(*width, *height))
                else {
                    return;
                };
                let named = self.surface.start_tagged(ContentTag::Other);
                self.surface.push_transform(&Transform::from_translate(*x, *y));
                self.surface.draw_svg(tree, size, SvgSettings::default());
                self.surface.pop();
                self.surface.end_tagged();
                self.marked[*slot].push(named);
            }
        }
    }

    fn text(&mut self, (x, y): (f32, f32), cut: Cut, size: f32, ink: f32, text: &str) {
        self.surface.set_fill(Some(fill(ink)));
        let mut x = x;
        let runs = self.layout.fonts.runs(cut, text);
        for (index, run) in runs.iter().enumerate() {
            let place = Point::from_xy(x, y);
            self.surface
                .draw_text(place, run.font(), size, &run.text, false, TextDirection::Auto);
            if index + 1 < runs.len() {
                x += run.width_em() * size;
            }
        }
    }

    fn bar(&mut self, x: f32, y: f32, width: f32, height: f32, ink: f32) {
        let mut path = PathBuilder::new();
        if let Some(rect) = Rect::from_xywh(x, y, width, height) {
            path.push_rect(rect);
        }
        if let Some(path) = path.finish() {
            self.surface.set_fill(Some(fill(ink)));
            self.surface.draw_path(&path);
        }
    }
}

fn fill(ink: f32) -> Fill {
    let grey = (ink * 255.0).round() as u8;
    Fill {
        paint: rgb::Color::new(grey, grey, grey).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::NonZero,
    }
}

/// Headings of the first three levels; each under the last one of a higher level.
fn outline(pages: &[PageMarks]) -> Outline {
    let headings: Vec<(u8, &str, usize, f32)> = pages
        .iter()
        .enumerate()
        .flat_map(|(page, marks)| {
            marks
                .headings
                .iter()
                .filter(|(level, ..)| *level <= 3)
                .map(move |(level, text, y)| (*level, text.as_str(), page, *y))
        })
        .collect();
    let mut outline = Outline::new();
    for node in outline_nodes(&headings, 1) {
        outline.push_child(node);
    }
    outline
}

fn outline_nodes(headings: &[(u8, &str, usize, f32)], level: u8) -> Vec<OutlineNode> {
    let mut nodes = Vec::new();
    let mut from = 0;
    while let Some((own, text, page, y)) = headings.get(from).copied() {
        let below = headings[from + 1..]
            .iter()
            .take_while(|(other, ..)| *other > own.max(level))
            .count();
        let place = XyzDestination::new(page, Point::from_xy(0.0, (y - 6.0).max(0.0)));
        let mut node = OutlineNode::new(text.to_owned(), place);
        for child in outline_nodes(&headings[from + 1..from + 1 + below], level + 1) {
            node.push_child(child);
        }
        nodes.push(node);
        from += 1 + below;
    }
    nodes
}

/// Adds a part of the structure with everything that was drawn for it.
fn add_node(node: &Node, marked: &mut [Vec<Identifier>], add: &mut dyn FnMut(krilla::tagging::Node)) {
    match node {
        Node::Marks(slot) => {
            for named in std::mem::take(&mut marked[*slot]) {
                add(named.into());
            }
        }
        Node::Part(role, children) => {
            let mut group = TagGroup::new(tag(role));
            for child in children {
                add_node(child, marked, &mut |child| group.push(child));
            }
            if !group.children.is_empty() {
                add(group.into());
            }
        }
    }
}

fn tag(role: &Role) -> TagKind {
    match role {
        Role::Heading(level, text) => {
            let level = NonZeroU16::new(u16::from(*level)).unwrap_or(NonZeroU16::MIN);
            Tag::Hn(level, Some(text.clone())).into()
        }
        Role::Paragraph => Tag::P.into(),
        Role::List { is_numbered: true } => Tag::L(ListNumbering::Decimal).into(),
        Role::List { is_numbered: false } => Tag::L(ListNumbering::Disc).into(),
        Role::Item => Tag::LI.into(),
        Role::Label => Tag::Lbl.into(),
        Role::Body => Tag::LBody.into(),
        Role::Section => Tag::Section.into(),
        Role::Table => Tag::Table.into(),
        Role::TableHead => Tag::THead.into(),
        Role::TableBody => Tag::TBody.into(),
        Role::Row => Tag::TR.into(),
        Role::ColumnHead => Tag::TH(TableHeaderScope::Column).into(),
        Role::RowHead => Tag::TH(TableHeaderScope::Row).into(),
        Role::Cell => Tag::TD.into(),
        Role::Caption => Tag::Caption.into(),
        Role::Picture(alternative) => Tag::Figure(Some(alternative.clone())).into(),
    }
}
