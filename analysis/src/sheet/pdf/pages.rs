//! Pieces put on pages: what keeps with the next stays with it, table heads are repeated.

use super::layout::{BLACK, MARGIN_LEFT, MARGIN_TOP, Mark, PALE, Piece, TEXT_HEIGHT, TEXT_WIDTH};

/// The marks of one page, and the headings on it with their level and height.
#[derive(Debug, Default)]
pub(super) struct PageMarks {
    pub(super) marks: Vec<Mark>,
    pub(super) headings: Vec<(u8, String, f32)>,
}

/// Fills pages; at least one.
pub(super) fn fill(pieces: &[Piece], heads: &[Piece]) -> Vec<PageMarks> {
    let mut pages = vec![PageMarks::default()];
    let mut y = 0.0;
    let mut from = 0;
    while from < pieces.len() {
        let until = group_end(pieces, from);
        let group = &pieces[from..until];
        let first = &group[0];
        let height: f32 = group
            .iter()
            .enumerate()
            .map(|(index, piece)| piece.height + if index == 0 && y == 0.0 { 0.0 } else { piece.before })
            .sum();
        let is_full = y > 0.0 && y + height > TEXT_HEIGHT;
        if (first.begins_page && y > 0.0) || is_full {
            pages.push(PageMarks::default());
            y = 0.0;
            if let Some(head) = first.head.and_then(|index| heads.get(index)) {
                y = place(&mut pages, head, y);
            }
        }
        for piece in group {
            // A group higher than a page is broken after all.
            if y > 0.0 && y + piece.before + piece.height > TEXT_HEIGHT + 0.5 {
                pages.push(PageMarks::default());
                y = 0.0;
            }
            y = place(&mut pages, piece, y);
        }
        from = until;
    }
    pages
}

/// The end of the pieces that stay together from one on.
fn group_end(pieces: &[Piece], from: usize) -> usize {
    let mut until = from + 1;
    while until < pieces.len() && pieces[until - 1].keeps && !pieces[until].begins_page {
        until += 1;
    }
    until
}

/// Puts a piece on the last page; gives the height that is used then.
fn place(pages: &mut [PageMarks], piece: &Piece, y: f32) -> f32 {
    let before = if y == 0.0 { 0.0 } else { piece.before };
    let top = y + before;
    let Some(page) = pages.last_mut() else { return y };
    if let Some((level, text)) = &piece.outline {
        page.headings.push((*level, text.clone(), MARGIN_TOP + top));
    }
    if let (Some(gap), true) = (piece.ruled_above, y > 0.0) {
        page.marks.push(Mark::Bar {
            x: MARGIN_LEFT,
            y: MARGIN_TOP + top - gap,
            width: TEXT_WIDTH,
            height: 0.5,
            ink: PALE,
        });
    }
    if let Some(bar) = piece.bar {
        let above = if bar.is_first { 0.0 } else { before };
        page.marks.push(Mark::Bar {
            x: MARGIN_LEFT,
            y: MARGIN_TOP + top - above,
            width: bar.width,
            height: piece.height + above,
            ink: BLACK,
        });
    }
    for mark in &piece.marks {
        let mut mark = mark.clone();
        mark.move_by(MARGIN_LEFT, MARGIN_TOP + top);
        page.marks.push(mark);
    }
    top + piece.height
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(height: f32, keeps: bool) -> Piece {
        Piece {
            height,
            keeps,
            marks: vec![Mark::Bar {
                x: 0.0,
                y: 0.0,
                width: 1.0,
                height,
                ink: 0.0,
            }],
            ..Piece::default()
        }
    }

    fn counts(pieces: &[Piece], heads: &[Piece]) -> Vec<usize> {
        fill(pieces, heads).iter().map(|page| page.marks.len()).collect()
    }

    #[test]
    fn a_heading_goes_with_what_follows() {
        let half = TEXT_HEIGHT * 0.6;
        assert_eq!(
            counts(&[piece(half, false), piece(20.0, true), piece(half, false)], &[]),
            [1, 2]
        );
        assert_eq!(
            counts(&[piece(half, false), piece(20.0, false), piece(half, false)], &[]),
            [2, 1]
        );
    }

    #[test]
    fn a_table_that_goes_on_has_its_head_again() {
        let mut rows: Vec<Piece> = (0..3).map(|_| piece(TEXT_HEIGHT * 0.45, false)).collect();
        rows.iter_mut().for_each(|row| row.head = Some(0));
        assert_eq!(counts(&rows, &[piece(10.0, true)]), [2, 2]);
    }

    #[test]
    fn what_is_higher_than_a_page_ends_all_the_same() {
        let all: Vec<Piece> = (0..5).map(|_| piece(TEXT_HEIGHT * 0.5, true)).collect();
        assert_eq!(counts(&all, &[]).iter().sum::<usize>(), 5);
    }
}
