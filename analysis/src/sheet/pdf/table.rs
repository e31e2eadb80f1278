//! Tables on paper: columns as wide as their words need, rows never broken, heads repeated on each page.

use super::fonts::Cut;
use super::layout::{BLACK, Frame, GREY, Layout, Look, Mark, Node, PALE, Piece, Role, run};
use super::lines;
use crate::plot::Table;

const SIZE: f32 = 7.8;
const GAP: f32 = 9.0;
const PAD: f32 = 1.8;
/// Sizes that are tried where a table is too wide for its words, as shares of [`SIZE`].
const SHARES: [f32; 4] = [1.0, 0.92, 0.85, 0.78];

/// Places of a table's columns.
struct Columns {
    size: f32,
    /// Left edge and width of each.
    places: Vec<(f32, f32)>,
    is_numeric: Vec<bool>,
}

impl Layout<'_> {
    pub(super) fn table(&mut self, table: &Table, is_words: bool, frame: Frame) -> Node {
        let columns = self.columns_of(table, frame);
        let caption = self.slot();
        let grey = Look {
            size: SIZE * frame.scale,
            ink: GREY,
        };
        let lines = lines::set(
            self.fonts,
            &[run(Cut::Sans, &table.caption)],
            grey.size,
            frame.width,
        );
        let (marks, height) = self.marks(&lines, frame.left, grey, caption);
        self.pieces.push(Piece {
            before: 8.0 * frame.scale,
            height,
            marks,
            keeps: true,
            ..Piece::default()
        });
        let names: Vec<&str> = table.columns.iter().map(String::as_str).collect();
        let (mut head, head_row) = self.row(&names, &columns, frame, true);
        head.keeps = true;
        let index = self.heads.len();
        self.heads.push(unmarked(&head));
        self.pieces.push(head);
        let mut rows = Vec::new();
        for (number, row) in table.rows.iter().enumerate() {
            let texts: Vec<&str> = row.iter().map(|cell| cell.text.as_str()).collect();
            let (mut piece, node) = self.row(&texts, &columns, frame, false);
            piece.head = (number > 0).then_some(index);
            // A table of some lines begins with at least two rows, and does not leave one alone.
            piece.keeps =
                (number == 0 && table.rows.len() > 1) || (!is_words && number + 2 == table.rows.len());
            self.pieces.push(piece);
            rows.push(node);
        }
        Node::Part(
            Role::Table,
            vec![
                Node::Part(Role::Caption, vec![Node::Marks(caption)]),
                Node::Part(Role::TableHead, vec![head_row]),
                Node::Part(Role::TableBody, rows),
            ],
        )
    }

    fn columns_of(&self, table: &Table, frame: Frame) -> Columns {
        let count = table.columns.len();
        let is_numeric = (0..count)
            .map(|column| {
                table
                    .rows
                    .iter()
                    .any(|row| row.get(column).is_some_and(|cell| cell.number.is_some()))
            })
            .collect();
        let inside = frame.width - GAP * count.saturating_sub(1) as f32;
        let mut chosen = (SIZE * frame.scale, vec![inside / count.max(1) as f32; count]);
        for share in SHARES {
            let size = SIZE * frame.scale * share;
            let (least, natural): (Vec<f32>, Vec<f32>) = (0..count)
                .map(|column| self.extent_of(table, column, size))
                .unzip();
            let (least_sum, natural_sum) = (least.iter().sum::<f32>(), natural.iter().sum::<f32>());
            if natural_sum <= inside {
                chosen = (size, natural);
                break;
            }
            let over: f32 = natural.iter().zip(&least).map(|(n, l)| n - l).sum();
            let spare = (inside - least_sum) / over.max(1.0);
            let widths = least.iter().zip(&natural);
            chosen = if least_sum <= inside {
                (size, widths.map(|(l, n)| l + (n - l) * spare).collect())
            } else {
                (size, least.iter().map(|l| l * inside / least_sum).collect())
            };
            if least_sum <= inside {
                break;
            }
        }
        let (size, widths) = chosen;
        let mut left = frame.left;
        let places = widths
            .into_iter()
            .map(|width| {
                let place = (left, width);
                left += width + GAP;
                place
            })
            .collect();
        Columns {
            size,
            places,
            is_numeric,
        }
    }

    /// The width below which a column's words break, and the one that it would like.
    fn extent_of(&self, table: &Table, column: usize, size: f32) -> (f32, f32) {
        /// A word longer than this may break, in sizes: a digest, or a language without spaces.
        const UNBROKEN_MAX: f32 = 12.0;
        let head = table.columns.get(column).map(String::as_str);
        let cells = table
            .rows
            .iter()
            .filter_map(|row| Some(row.get(column)?.text.as_str()));
        head.into_iter()
            .chain(cells)
            .fold((0.0, 0.0), |(least, natural), text| {
                let (word, whole) = lines::extent(self.fonts, &[run(Cut::Sans, text)], size);
                (
                    f32::max(least, word.min(UNBROKEN_MAX * size)),
                    f32::max(natural, whole + 0.1),
                )
            })
    }

    fn row(&mut self, texts: &[&str], columns: &Columns, frame: Frame, is_head: bool) -> (Piece, Node) {
        let look = Look {
            size: columns.size,
            ink: if is_head { GREY } else { BLACK },
        };
        let mut piece = Piece::default();
        let mut cells = Vec::new();
        for (index, text) in texts.iter().enumerate() {
            let Some((left, width)) = columns.places.get(index).copied() else {
                continue;
            };
            let slot = self.slot();
            // A hair more than the text, which was measured in other parts.
            let mut lines = lines::set(self.fonts, &[run(Cut::Sans, text)], look.size, width + 0.2);
            if columns.is_numeric[index] {
                for line in &mut lines {
                    let shift = width - line.width;
                    line.segments.iter_mut().for_each(|segment| segment.x += shift);
                }
            }
            let (mut marks, height) = self.marks(&lines, left, look, slot);
            marks
                .iter_mut()
                .for_each(|mark| mark.move_by(0.0, PAD * frame.scale));
            piece.marks.append(&mut marks);
            piece.height = piece.height.max(height + 2.0 * PAD * frame.scale);
            let role = match (is_head, index) {
                (true, _) => Role::ColumnHead,
                (false, 0) => Role::RowHead,
                (false, _) => Role::Cell,
            };
            cells.push(Node::Part(role, vec![Node::Marks(slot)]));
        }
        piece.marks.push(Mark::Bar {
            x: frame.left,
            y: piece.height - 0.4,
            width: frame.width,
            height: if is_head { 0.7 } else { 0.35 },
            ink: if is_head { GREY } else { PALE },
        });
        (piece, Node::Part(Role::Row, cells))
    }
}

/// A row that is drawn again and read once.
fn unmarked(head: &Piece) -> Piece {
    let mut again = head.clone();
    for mark in &mut again.marks {
        if let Mark::Text { slot, .. } = mark {
            *slot = None;
        }
    }
    again
}
