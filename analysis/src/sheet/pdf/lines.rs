//! Text broken into lines of a width: at spaces, and after letters of scripts without spaces.

use super::fonts::{Cut, Fonts};

/// A piece of text of one cut.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Run {
    pub(super) cut: Cut,
    pub(super) text: String,
}

/// Text of one cut at its place in a line, pt from its left edge.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Segment {
    pub(super) x: f32,
    pub(super) cut: Cut,
    pub(super) text: String,
}

/// One line; a space at its end says that a word follows on the next.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Line {
    pub(super) segments: Vec<Segment>,
    pub(super) width: f32,
}

/// What is never broken unless it is wider than a line.
#[derive(Default)]
struct Atom {
    parts: Vec<Run>,
    space_after: bool,
}

impl Atom {
    fn push(&mut self, cut: Cut, letter: char) {
        match self.parts.last_mut() {
            Some(last) if last.cut == cut => last.text.push(letter),
            _ => self.parts.push(Run {
                cut,
                text: letter.into(),
            }),
        }
    }

    fn width_em(&self, fonts: &Fonts) -> f32 {
        self.parts
            .iter()
            .map(|part| fonts.width_em(part.cut, &part.text))
            .sum()
    }
}

fn atoms(runs: &[Run]) -> Vec<Atom> {
    let mut atoms = Vec::new();
    let mut open = Atom::default();
    for run in runs {
        for letter in run.text.chars() {
            if letter == ' ' || letter == '\n' {
                if !open.parts.is_empty() {
                    open.space_after = true;
                    atoms.push(std::mem::take(&mut open));
                }
                continue;
            }
            open.push(run.cut, letter);
            if crate::sheet::text::is_wide(letter) {
                atoms.push(std::mem::take(&mut open));
            }
        }
    }
    if !open.parts.is_empty() {
        atoms.push(open);
    }
    atoms
}

/// The widest part that is never broken, and the whole on one line, pt.
pub(super) fn extent(fonts: &Fonts, runs: &[Run], size: f32) -> (f32, f32) {
    let atoms = atoms(runs);
    let widest = atoms.iter().map(|atom| atom.width_em(fonts)).fold(0.0, f32::max);
    (
        widest * size,
        set(fonts, runs, size, f32::INFINITY)
            .first()
            .map_or(0.0, |line| line.width),
    )
}

/// Lines no wider than `width`; at least one.
pub(super) fn set(fonts: &Fonts, runs: &[Run], size: f32, width: f32) -> Vec<Line> {
    let mut setter = Setter {
        fonts,
        size,
        width,
        lines: vec![Line::default()],
        space_due: false,
    };
    for atom in atoms(runs) {
        setter.add(&atom);
    }
    setter.lines
}

struct Setter<'f> {
    fonts: &'f Fonts,
    size: f32,
    width: f32,
    lines: Vec<Line>,
    space_due: bool,
}

impl Setter<'_> {
    fn add(&mut self, atom: &Atom) {
        let width = atom.width_em(self.fonts) * self.size;
        let cut = atom.parts.first().map_or(Cut::Serif, |part| part.cut);
        let space = if self.space_due {
            self.fonts.width_em(cut, " ") * self.size
        } else {
            0.0
        };
        let used = self.line().width;
        if used > 0.0 && used + space + width > self.width {
            self.end_line();
        } else if self.space_due {
            self.append(cut, " ");
        }
        if width <= self.width {
            for part in &atom.parts {
                self.append(part.cut, &part.text);
            }
        } else {
            self.add_broken(atom);
        }
        self.space_due = atom.space_after;
    }

    /// What is wider than a line is cut where the line ends.
    fn add_broken(&mut self, atom: &Atom) {
        for part in &atom.parts {
            for letter in part.text.chars() {
                let letter = letter.to_string();
                let wide = self.fonts.width_em(part.cut, &letter) * self.size;
                if self.line().width > 0.0 && self.line().width + wide > self.width {
                    self.lines.push(Line::default());
                }
                self.append(part.cut, &letter);
            }
        }
    }

    fn line(&mut self) -> &mut Line {
        if self.lines.is_empty() {
            self.lines.push(Line::default());
        }
        let last = self.lines.len() - 1;
        &mut self.lines[last]
    }

    fn end_line(&mut self) {
        if self.space_due
            && let Some(last) = self.line().segments.last_mut()
        {
            last.text.push(' ');
        }
        self.lines.push(Line::default());
        self.space_due = false;
    }

    fn append(&mut self, cut: Cut, text: &str) {
        let wide = self.fonts.width_em(cut, text) * self.size;
        let line = self.line();
        match line.segments.last_mut() {
            Some(last) if last.cut == cut => last.text.push_str(text),
            _ => {
                let x = line.width;
                line.segments.push(Segment {
                    x,
                    cut,
                    text: text.to_owned(),
                });
            }
        }
        line.width += wide;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str, width: f32) -> Vec<String> {
        let fonts = Fonts::for_letters(&text.chars().collect()).expect("the embedded fonts can be read");
        let run = Run {
            cut: Cut::Sans,
            text: text.to_owned(),
        };
        set(&fonts, &[run], 10.0, width)
            .into_iter()
            .map(|line| line.segments.into_iter().map(|segment| segment.text).collect())
            .collect()
    }

    #[test]
    fn lines_break_at_spaces_and_keep_them() {
        // Each digit is 5.72 pt wide at 10 pt: two and a space (2.6 pt) fit 20 pt, three groups do not.
        assert_eq!(lines("11 22 33", 27.0), ["11 22 ", "33"]);
        assert_eq!(lines("", 20.0), [""]);
    }

    #[test]
    fn a_word_wider_than_a_line_is_cut() {
        assert_eq!(lines("1234567", 24.0), ["1234", "567"]);
        assert_eq!(lines("1 23\u{a0}45", 24.0), ["1 ", "23\u{a0}4", "5"]);
    }

    #[test]
    fn scripts_without_spaces_break_between_letters() {
        for line in lines("蛙が水槽の中にいる", 30.0) {
            assert!(line.chars().count() <= 4, "{line}");
        }
    }
}
