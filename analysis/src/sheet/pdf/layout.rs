//! Blocks laid out as pieces that pages are filled with, and the structure that a screen reader follows.
//!
//! Lengths in pt. A piece is never broken over two pages.

use super::fonts::{Cut, Fonts};
use super::lines::{self, Line, Run};
use crate::markup::kept;
use crate::plot::Picture;
use crate::sheet::{Block, Entry, Figure};

/// A4, ISO 216: 210 mm × 297 mm.
pub(super) const PAGE_WIDTH: f32 = 595.28;
pub(super) const PAGE_HEIGHT: f32 = 841.89;
pub(super) const MARGIN_LEFT: f32 = 56.0;
pub(super) const MARGIN_TOP: f32 = 62.0;
pub(super) const MARGIN_BOTTOM: f32 = 58.0;
pub(super) const TEXT_WIDTH: f32 = PAGE_WIDTH - 2.0 * MARGIN_LEFT;
pub(super) const TEXT_HEIGHT: f32 = PAGE_HEIGHT - MARGIN_TOP - MARGIN_BOTTOM;

/// Between a rule and the heading below it.
const RULE_GAP: f32 = 7.0;
/// The widest line of prose: some 80 letters.
const PROSE_WIDTH: f32 = 425.0;
const BODY: f32 = 9.5;
const SMALL: f32 = 7.8;
/// Distance of base lines, in sizes.
const LEADING: f32 = 1.38;
/// Height of a line above its base line, in sizes.
const ASCENT: f32 = 1.03;
/// Pictures wider than this stand alone, px.
const SMALL_PICTURE_PX: f64 = 400.0;
/// A picture's pixel on paper where the page does not force it smaller, pt.
const PICTURE_PT_PER_PX: f32 = TEXT_WIDTH / 740.0;
/// The least scale at which a page is still read, and the steps to it, of which the largest that fits is taken.
const SCALE_MIN: f32 = 0.62;
const SCALE_STEPS: u8 = 32;

/// Ink on paper: 0 black, 1 white.
pub(super) const BLACK: f32 = 0.08;
pub(super) const GREY: f32 = 0.36;
pub(super) const PALE: f32 = 0.78;

/// A place in the structure that marks on pages belong to.
pub(super) type Slot = usize;

/// What is drawn; `y` grows downwards.
#[derive(Debug, Clone)]
pub(super) enum Mark {
    /// `y` is the base line.
    Text {
        x: f32,
        y: f32,
        cut: Cut,
        size: f32,
        ink: f32,
        text: String,
        slot: Option<Slot>,
    },
    /// A filled rectangle, such as a rule.
    Bar {
        x: f32,
        y: f32,
        width: f32,
        height: f32,
        ink: f32,
    },
    Picture {
        x: f32,
        y: f32,
        width: f32,
        height: f32,
        picture: usize,
        slot: Slot,
    },
}

impl Mark {
    pub(super) fn move_by(&mut self, dx: f32, dy: f32) {
        let (Mark::Text { x, y, .. } | Mark::Bar { x, y, .. } | Mark::Picture { x, y, .. }) = self;
        *x += dx;
        *y += dy;
    }
}

/// A strip of a page.
#[derive(Debug, Clone, Default)]
pub(super) struct Piece {
    /// Space above it, unless it stands first on a page.
    pub(super) before: f32,
    pub(super) height: f32,
    pub(super) marks: Vec<Mark>,
    /// Stays on one page with the piece after it.
    pub(super) keeps: bool,
    pub(super) begins_page: bool,
    /// A rule stands so far above it, unless it stands first on a page.
    pub(super) ruled_above: Option<f32>,
    /// Level and words, for the list of contents.
    pub(super) outline: Option<(u8, String)>,
    /// The rows that are repeated above it where it begins a page, as an index into [`Layout::heads`].
    pub(super) head: Option<usize>,
    pub(super) bar: Option<SideBar>,
}

/// A bar at the left of several pieces, also over the space between them.
#[derive(Debug, Clone, Copy)]
pub(super) struct SideBar {
    pub(super) width: f32,
    pub(super) is_first: bool,
}

/// What a part of the document is to a screen reader.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Role {
    Heading(u8, String),
    Paragraph,
    List { is_numbered: bool },
    Item,
    Label,
    Body,
    Section,
    Table,
    TableHead,
    TableBody,
    Row,
    ColumnHead,
    RowHead,
    Cell,
    Caption,
    Picture(String),
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Node {
    Part(Role, Vec<Node>),
    Marks(Slot),
}

/// Where a block may stand and how large its letters are.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    pub(super) left: f32,
    pub(super) width: f32,
    pub(super) scale: f32,
}

impl Frame {
    pub(super) const PAGE: Frame = Frame {
        left: 0.0,
        width: TEXT_WIDTH,
        scale: 1.0,
    };

    fn indented(self, by: f32) -> Frame {
        Frame {
            left: self.left + by,
            width: self.width - by,
            ..self
        }
    }

    fn prose(self) -> f32 {
        self.width.min(PROSE_WIDTH)
    }
}

/// Cut, size and ink of a text.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    pub(super) size: f32,
    pub(super) ink: f32,
}

pub(super) struct Layout<'s> {
    pub(super) fonts: &'s Fonts,
    pub(super) pieces: Vec<Piece>,
    pub(super) pictures: Vec<&'s Picture>,
    /// Rows that are repeated at the top of a page.
    pub(super) heads: Vec<Piece>,
    pub(super) slots: usize,
}

pub(super) fn run(cut: Cut, text: &str) -> Run {
    Run {
        cut,
        text: kept(text),
    }
}

impl<'s> Layout<'s> {
    pub(super) fn new(fonts: &'s Fonts) -> Layout<'s> {
        Layout {
            fonts,
            pieces: Vec::new(),
            pictures: Vec::new(),
            heads: Vec::new(),
            slots: 0,
        }
    }

    pub(super) fn slot(&mut self) -> Slot {
        self.slots += 1;
        self.slots - 1
    }

    pub(super) fn blocks(&mut self, blocks: &'s [Block], frame: Frame) -> Vec<Node> {
        blocks.iter().flat_map(|block| self.block(block, frame)).collect()
    }

    fn block(&mut self, block: &'s Block, frame: Frame) -> Vec<Node> {
        let body = Look {
            size: BODY * frame.scale,
            ink: BLACK,
        };
        let small = Look {
            size: SMALL * frame.scale,
            ink: GREY,
        };
        match block {
            Block::Heading { level, text, beside } => vec![self.heading(*level, text, beside, frame)],
            Block::Paragraph(text) => vec![self.paragraph(&[run(Cut::Serif, text)], body, 4.0, frame)],
            Block::Small(text) => vec![self.paragraph(&[run(Cut::Sans, text)], small, 4.0, frame)],
            Block::Labelled { label, text } => {
                let runs = [run(Cut::SerifBold, &format!("{label} ")), run(Cut::Serif, text)];
                vec![self.paragraph(&runs, body, 3.0, frame)]
            }
            Block::Framed(text) => vec![self.framed(text, body, frame)],
            Block::Bullets(lines) => {
                let items: Vec<(&str, &str)> = lines.iter().map(|line| ("•", line.as_str())).collect();
                vec![self.list(&items, false, body, frame)]
            }
            Block::Numbered(lines) => {
                let items: Vec<(&str, &str)> = lines
                    .iter()
                    .map(|(mark, text)| (mark.as_str(), text.as_str()))
                    .collect();
                let look = Look { ink: BLACK, ..small };
                vec![self.list(&items, true, look, frame)]
            }
            Block::Terms(notes) => notes
                .iter()
                .map(|note| {
                    let runs = [
                        run(Cut::SerifBold, &format!("{}. ", note.heading)),
                        run(Cut::Serif, &note.text),
                    ];
                    let look = Look {
                        size: body.size * 0.93,
                        ..body
                    };
                    self.paragraph(&runs, look, 5.0, frame)
                })
                .collect(),
            Block::Table { table, is_words } => vec![self.table(table, *is_words, frame)],
            Block::Figures(figures) => self.figures(figures, frame),
            Block::Entry(entry) => vec![self.entry(entry, frame)],
            Block::Columns(columns) => self.columns(columns, frame),
            Block::OnePage(blocks) => self.one_page(blocks, frame),
            Block::NewPage => {
                self.pieces.push(Piece {
                    begins_page: true,
                    ..Piece::default()
                });
                Vec::new()
            }
        }
    }

    /// Lines of text from an x on, as marks of one slot; their height.
    pub(super) fn marks(&self, lines: &[Line], x: f32, look: Look, slot: Slot) -> (Vec<Mark>, f32) {
        let step = look.size * LEADING;
        let marks = lines
            .iter()
            .enumerate()
            .flat_map(|(index, line)| {
                line.segments.iter().map(move |segment| Mark::Text {
                    x: x + segment.x,
                    y: index as f32 * step + look.size * ASCENT,
                    cut: segment.cut,
                    size: look.size,
                    ink: look.ink,
                    text: segment.text.clone(),
                    slot: Some(slot),
                })
            })
            .collect();
        (marks, lines.len() as f32 * step)
    }

    /// One piece a line; the first two and the last two stay together.
    fn push_lines(&mut self, lines: &[Line], x: f32, look: Look, before: f32, slot: Slot) {
        for (index, line) in lines.iter().enumerate() {
            let (marks, height) = self.marks(std::slice::from_ref(line), x, look, slot);
            self.pieces.push(Piece {
                before: if index == 0 { before } else { 0.0 },
                height,
                marks,
                keeps: lines.len() > 1 && (index == 0 || index + 2 == lines.len()),
                ..Piece::default()
            });
        }
    }

    fn paragraph(&mut self, runs: &[Run], look: Look, before: f32, frame: Frame) -> Node {
        let slot = self.slot();
        let lines = lines::set(self.fonts, runs, look.size, frame.prose());
        self.push_lines(&lines, frame.left, look, before * frame.scale, slot);
        Node::Part(Role::Paragraph, vec![Node::Marks(slot)])
    }

    fn heading(&mut self, level: u8, text: &str, beside: &str, frame: Frame) -> Node {
        // Size, space above, and whether a rule stands above it.
        let (size, before, is_ruled) = match level {
            1 => (19.0, 6.0, false),
            2 => (14.0, 26.0, true),
            3 => (12.0, 14.0, false),
            _ => (10.0, 10.0, false),
        };
        let text = self.named(text, beside);
        let look = Look {
            size: size * frame.scale,
            ink: BLACK,
        };
        let slot = self.slot();
        let lines = lines::set(self.fonts, &[run(Cut::SerifBold, &text)], look.size, frame.width);
        let (marks, height) = self.marks(&lines, frame.left, look, slot);
        self.pieces.push(Piece {
            before: before * frame.scale,
            height,
            marks,
            keeps: true,
            ruled_above: is_ruled.then_some(RULE_GAP * frame.scale),
            outline: Some((level, text.clone())),
            ..Piece::default()
        });
        Node::Part(Role::Heading(level, text), vec![Node::Marks(slot)])
    }

    /// A name, with the id that belongs to it where some of its letters can't be shown.
    fn named(&self, text: &str, beside: &str) -> String {
        if beside.is_empty() || self.fonts.has_all(text) {
            text.to_owned()
        } else {
            format!("{text} ({beside})")
        }
    }

    fn framed(&mut self, text: &str, look: Look, frame: Frame) -> Node {
        const PAD: f32 = 6.0;
        const THICK: f32 = 0.9;
        let pad = PAD * frame.scale;
        let slot = self.slot();
        let width = frame.width - 2.0 * pad;
        let lines = lines::set(self.fonts, &[run(Cut::SerifBold, text)], look.size, width);
        let (mut marks, inner) = self.marks(&lines, frame.left + pad, look, slot);
        for mark in &mut marks {
            mark.move_by(0.0, pad);
        }
        let height = inner + 2.0 * pad;
        let mut side = |x: f32, y: f32, width: f32, height: f32| {
            marks.push(Mark::Bar {
                x,
                y,
                width,
                height,
                ink: BLACK,
            });
        };
        side(frame.left, 0.0, frame.width, THICK);
        side(frame.left, height - THICK, frame.width, THICK);
        side(frame.left, 0.0, THICK, height);
        side(frame.left + frame.width - THICK, 0.0, THICK, height);
        self.pieces.push(Piece {
            before: 6.0 * frame.scale,
            height,
            marks,
            ..Piece::default()
        });
        Node::Part(Role::Paragraph, vec![Node::Marks(slot)])
    }

    fn list(&mut self, items: &[(&str, &str)], is_numbered: bool, look: Look, frame: Frame) -> Node {
        let cut = if is_numbered { Cut::Sans } else { Cut::Serif };
        let indent = items
            .iter()
            .map(|(mark, _)| self.fonts.width_em(cut, mark) * look.size)
            .fold(0.0, f32::max)
            + look.size * 0.6;
        let inner = frame.indented(indent);
        let mut nodes = Vec::new();
        for (mark, text) in items {
            let (label, body) = (self.slot(), self.slot());
            let from = self.pieces.len();
            let lines = lines::set(self.fonts, &[run(cut, text)], look.size, inner.prose());
            self.push_lines(&lines, inner.left, look, 2.5 * frame.scale, body);
            let marked = lines::set(self.fonts, &[run(cut, mark)], look.size, indent);
            let (marks, _) = self.marks(&marked, frame.left, look, label);
            if let Some(first) = self.pieces.get_mut(from) {
                first.marks.splice(0..0, marks);
            }
            nodes.push(Node::Part(
                Role::Item,
                vec![
                    Node::Part(Role::Label, vec![Node::Marks(label)]),
                    Node::Part(Role::Body, vec![Node::Marks(body)]),
                ],
            ));
        }
        Node::Part(Role::List { is_numbered }, nodes)
    }

    /// What needs the keeper: behind a bar, the heavier the more urgent.
    fn entry(&mut self, entry: &'s Entry, frame: Frame) -> Node {
        const INDENT: f32 = 12.0;
        let inner = frame.indented(INDENT * frame.scale);
        let from = self.pieces.len();
        let look = Look {
            size: 12.0 * frame.scale,
            ink: BLACK,
        };
        let slot = self.slot();
        let verdict = if entry.is_urgent {
            Cut::SerifBold
        } else {
            Cut::Serif
        };
        let head = format!("{}. {}: ", entry.number, self.named(&entry.head, &entry.beside));
        let runs = [run(Cut::SerifBold, &head), run(verdict, &entry.verdict)];
        let lines = lines::set(self.fonts, &runs, look.size, inner.prose());
        self.push_lines(&lines, inner.left, look, 12.0 * frame.scale, slot);
        for piece in &mut self.pieces[from..] {
            piece.keeps = true;
        }
        let title = head + &entry.verdict;
        let mut nodes = vec![Node::Part(Role::Heading(3, title), vec![Node::Marks(slot)])];
        nodes.extend(self.blocks(&entry.body, inner));
        for (index, piece) in self.pieces[from..].iter_mut().enumerate() {
            piece.bar = Some(SideBar {
                width: if entry.is_urgent { 3.5 } else { 1.2 },
                is_first: index == 0,
            });
        }
        Node::Part(Role::Section, nodes)
    }

    fn figures(&mut self, figures: &'s [Figure], frame: Frame) -> Vec<Node> {
        let mut nodes = Vec::new();
        let mut rest = figures;
        while let Some(first) = rest.first() {
            let is_small = |figure: &Figure| figure.picture.width_px <= SMALL_PICTURE_PX;
            let in_row = if is_small(first) && rest.get(1).is_some_and(is_small) {
                2
            } else {
                1
            };
            let (row, later) = rest.split_at(in_row);
            rest = later;
            let mut piece = Piece {
                before: 8.0 * frame.scale,
                ..Piece::default()
            };
            let mut left = frame.left;
            for figure in row {
                let asked = figure.picture.width_px as f32 * PICTURE_PT_PER_PX * frame.scale.max(0.8);
                let width = asked.min((frame.width - 16.0 * (in_row - 1) as f32) / in_row as f32);
                nodes.extend(self.figure(figure, left, width, frame.scale, &mut piece));
                left += frame.width / in_row as f32 + 8.0;
            }
            self.pieces.push(piece);
        }
        nodes
    }

    /// One picture with its notes, added to a piece.
    fn figure(
        &mut self,
        figure: &'s Figure,
        left: f32,
        width: f32,
        scale: f32,
        piece: &mut Piece,
    ) -> Vec<Node> {
        let slot = self.slot();
        let height = width * (figure.picture.height_px / figure.picture.width_px) as f32;
        piece.marks.push(Mark::Picture {
            x: left,
            y: 0.0,
            width,
            height,
            picture: self.pictures.len(),
            slot,
        });
        self.pictures.push(&figure.picture);
        let alternative = format!("{}. {}", figure.picture.title, figure.picture.alternative);
        let mut nodes = vec![Node::Part(Role::Picture(alternative), vec![Node::Marks(slot)])];
        let mut total = height;
        if !figure.notes.is_empty() {
            let look = Look {
                size: SMALL * scale,
                ink: GREY,
            };
            let caption = self.slot();
            let runs = [run(Cut::Sans, &figure.notes.join(" "))];
            let lines = lines::set(self.fonts, &runs, look.size, width.max(150.0));
            let (mut marks, tall) = self.marks(&lines, left, look, caption);
            for mark in &mut marks {
                mark.move_by(0.0, height + 3.0);
            }
            piece.marks.extend(marks);
            total += tall + 3.0;
            nodes.push(Node::Part(Role::Paragraph, vec![Node::Marks(caption)]));
        }
        piece.height = piece.height.max(total);
        nodes
    }

    fn columns(&mut self, columns: &'s [(f32, Vec<Block>)], frame: Frame) -> Vec<Node> {
        const GAP: f32 = 14.0;
        let gaps = GAP * columns.len().saturating_sub(1) as f32;
        let shares: f32 = columns.iter().map(|(share, _)| share).sum();
        let mut nodes = Vec::new();
        let mut left = frame.left;
        let mut whole = Piece {
            before: 6.0 * frame.scale,
            ..Piece::default()
        };
        for (share, blocks) in columns {
            let width = (frame.width - gaps) * share / shares;
            let outer = std::mem::take(&mut self.pieces);
            nodes.extend(self.blocks(blocks, Frame { left, width, ..frame }));
            let inner = std::mem::replace(&mut self.pieces, outer);
            let mut y = 0.0;
            for mut piece in inner {
                y += if y == 0.0 { 0.0 } else { piece.before };
                for mark in &mut piece.marks {
                    mark.move_by(0.0, y);
                }
                y += piece.height;
                whole.marks.append(&mut piece.marks);
            }
            whole.height = whole.height.max(y);
            left += width + GAP;
        }
        self.pieces.push(whole);
        nodes
    }

    fn one_page(&mut self, blocks: &'s [Block], frame: Frame) -> Vec<Node> {
        let outer = std::mem::take(&mut self.pieces);
        let (pictures, heads) = (self.pictures.len(), self.heads.len());
        // Steps down from the whole size; the last is taken whether it fits or not.
        let (mut too_large, mut fits) = (None, SCALE_STEPS);
        let mut step = 0;
        let nodes = loop {
            let scale = 1.0 - (1.0 - SCALE_MIN) * f32::from(step) / f32::from(SCALE_STEPS);
            let nodes = self.blocks(blocks, Frame { scale, ..frame });
            let height: f32 = self.pieces.iter().map(|piece| piece.before + piece.height).sum();
            if height <= TEXT_HEIGHT {
                fits = step;
            } else {
                too_large = Some(step);
            }
            let next = too_large.map_or(fits, |too_large| too_large + (fits - too_large).div_ceil(2));
            if step == fits && next == fits {
                break nodes;
            }
            step = next;
            self.pieces.clear();
            self.pictures.truncate(pictures);
            self.heads.truncate(heads);
        };
        let mut inner = std::mem::replace(&mut self.pieces, outer);
        if let Some(first) = inner.first_mut() {
            first.begins_page = true;
        }
        self.pieces.append(&mut inner);
        nodes
    }
}
