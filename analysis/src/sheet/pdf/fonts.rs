//! Letters for paper: the project's own fonts, and where they lack a letter, the fonts of this machine.
//!
//! The machine's fonts are looked through only when they are needed, in an order that does not depend on where they lie. A letter
//! that no font has is shown as U+FFFD and told to the caller.

use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use krilla::text::Font;
use rustybuzz::ttf_parser;
use rustybuzz::{Face as Shaper, UnicodeBuffer};
use usvg::fontdb::{Database, ID, Source, Style, Weight};

/// The family names of what is embedded.
pub(super) const SANS: &str = "Noto Sans";

const EMBEDDED: [&[u8]; 5] = [
    include_bytes!("../../../fonts/NotoSerif-Regular.ttf"),
    include_bytes!("../../../fonts/NotoSerif-Bold.ttf"),
    include_bytes!("../../../fonts/NotoSans-Regular.ttf"),
    include_bytes!("../../../fonts/NotoSans-Bold.ttf"),
    include_bytes!("../../../fonts/NotoSansMath-Regular.ttf"),
];

/// What stands for a letter that no font has.
const NO_LETTER: char = '\u{fffd}';

/// The cut of a text; the first four of [`EMBEDDED`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Cut {
    Serif,
    SerifBold,
    Sans,
    SansBold,
}

struct Face {
    font: Font,
    data: Arc<Vec<u8>>,
    index: u32,
    letters: BTreeSet<char>,
    /// What measures texts, for the embedded fonts: reading a font takes longer than measuring a word.
    shaper: Option<Shaper<'static>>,
}

pub(super) struct Fonts {
    faces: Vec<Face>,
    /// For the text inside pictures.
    pub(super) database: Arc<Database>,
    pub(super) missing: BTreeSet<char>,
    /// Advances in em by cut and text.
    widths: RefCell<HashMap<(Cut, String), f32>>,
}

/// Part of a text that one font has all letters of.
pub(super) struct FaceRun<'f> {
    face: &'f Face,
    pub(super) text: String,
}

impl FaceRun<'_> {
    pub(super) fn font(&self) -> Font {
        self.face.font.clone()
    }

    /// Its advance, em.
    pub(super) fn width_em(&self) -> f32 {
        self.face.width_em(&self.text)
    }
}

impl Fonts {
    /// Fonts for these letters; `None` only where an embedded font can't be read.
    pub(super) fn for_letters(letters: &BTreeSet<char>) -> Option<Fonts> {
        let mut database = Database::new();
        let mut faces = Vec::new();
        for embedded in EMBEDDED {
            let data = Arc::new(embedded.to_vec());
            faces.push(Face {
                shaper: Shaper::from_slice(embedded, 0),
                ..Face::new(Arc::clone(&data), 0)?
            });
            database.load_font_source(Source::Binary(data));
        }
        database.set_sans_serif_family(SANS);
        let mut missing: BTreeSet<char> = letters
            .iter()
            .copied()
            .filter(|letter| !is_unseen(*letter) && !faces.iter().any(|face| face.letters.contains(letter)))
            .collect();
        if !missing.is_empty() {
            add_from_machine(&mut faces, &mut database, &mut missing);
        }
        Some(Fonts {
            faces,
            database: Arc::new(database),
            missing,
            widths: RefCell::default(),
        })
    }

    /// A text cut where its font changes. Letters that say nothing on paper are left out.
    pub(super) fn runs(&self, cut: Cut, text: &str) -> Vec<FaceRun<'_>> {
        let mut runs: Vec<(usize, String)> = Vec::new();
        for letter in text.chars().filter(|letter| !is_unseen(*letter)) {
            let face = self.face_of(cut, letter);
            let letter = if face.is_some() { letter } else { NO_LETTER };
            let face = face.unwrap_or(cut as usize);
            match runs.last_mut() {
                Some((last, run)) if *last == face => run.push(letter),
                _ => runs.push((face, letter.into())),
            }
        }
        runs.into_iter()
            .map(|(face, text)| FaceRun {
                face: &self.faces[face],
                text,
            })
            .collect()
    }

    /// The advance of a text, em.
    pub(super) fn width_em(&self, cut: Cut, text: &str) -> f32 {
        let key = (cut, text.to_owned());
        if let Some(known) = self.widths.borrow().get(&key) {
            return *known;
        }
        let width = self.runs(cut, text).iter().map(FaceRun::width_em).sum();
        self.widths.borrow_mut().insert(key, width);
        width
    }

    /// Whether every letter of a text can be shown.
    pub(super) fn has_all(&self, text: &str) -> bool {
        !text.chars().any(|letter| self.missing.contains(&letter))
    }

    fn face_of(&self, cut: Cut, letter: char) -> Option<usize> {
        let has = |face: &usize| self.faces[*face].letters.contains(&letter);
        let others = (0..self.faces.len()).filter(|face| *face > Cut::SansBold as usize);
        std::iter::once(cut as usize).chain(others).find(has)
    }
}

impl Face {
    fn new(data: Arc<Vec<u8>>, index: u32) -> Option<Face> {
        let parsed = ttf_parser::Face::parse(&data, index).ok()?;
        let letters = letters(&parsed);
        Some(Face {
            font: Font::new(Arc::clone(&data).into(), index)?,
            letters,
            data,
            index,
            shaper: None,
        })
    }

    fn width_em(&self, text: &str) -> f32 {
        let of_machine = match self.shaper {
            Some(_) => None,
            None => Shaper::from_slice(&self.data, self.index),
        };
        let Some(shaper) = self.shaper.as_ref().or(of_machine.as_ref()) else {
            return 0.0;
        };
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(text);
        buffer.guess_segment_properties();
        let advance: i32 = rustybuzz::shape(shaper, &[], buffer)
            .glyph_positions()
            .iter()
            .map(|place| place.x_advance)
            .sum();
        advance as f32 / self.font.units_per_em()
    }
}

/// Every letter that a font has a glyph for.
fn letters(face: &ttf_parser::Face<'_>) -> BTreeSet<char> {
    let mut letters = BTreeSet::new();
    for table in face.tables().cmap.iter().flat_map(|cmap| cmap.subtables) {
        if table.is_unicode() {
            table.codepoints(|code| {
                letters.extend(char::from_u32(code).filter(|c| face.glyph_index(*c).is_some()))
            });
        }
    }
    letters
}

/// Marks that steer how letters join and are not seen themselves.
fn is_unseen(letter: char) -> bool {
    matches!(letter, '\u{200b}'..='\u{200f}' | '\u{2060}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}')
        || letter.is_control()
}

/// Takes fonts of this machine until none of the missing letters is left or no font has any of them; each time the one that
/// has most, upright and regular before others.
fn add_from_machine(faces: &mut Vec<Face>, own: &mut Database, missing: &mut BTreeSet<char>) {
    let mut machine = Database::new();
    machine.load_system_fonts();
    let mut known: Vec<(bool, String, ID)> = machine
        .faces()
        .map(|face| {
            let is_plain = face.style == Style::Normal && face.weight == Weight::NORMAL;
            (!is_plain, face.post_script_name.clone(), face.id)
        })
        .collect();
    known.sort_by(|a, b| (a.0, &a.1).cmp(&(b.0, &b.1)));
    while !missing.is_empty() {
        let has = |id: ID| {
            let count = |data: &[u8], index: u32| {
                ttf_parser::Face::parse(data, index).map_or(0, |face| {
                    missing.iter().filter(|c| face.glyph_index(**c).is_some()).count()
                })
            };
            machine.with_face_data(id, count).unwrap_or(0)
        };
        let mut best: Option<(usize, ID)> = None;
        for (_, _, id) in &known {
            let count = has(*id);
            if count > best.map_or(0, |(most, _)| most) {
                best = Some((count, *id));
            }
        }
        let Some((_, id)) = best else { return };
        known.retain(|(_, _, other)| *other != id);
        let found = machine.with_face_data(id, |data, index| (data.to_vec(), index));
        let Some((data, index)) = found else { return };
        let data = Arc::new(data);
        if let Some(face) = Face::new(Arc::clone(&data), index) {
            missing.retain(|letter| !face.letters.contains(letter));
            faces.push(face);
            own.load_font_source(Source::Binary(data));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fonts(text: &str) -> Fonts {
        Fonts::for_letters(&text.chars().collect()).expect("the embedded fonts can be read")
    }

    #[test]
    fn latin_and_greek_need_no_font_of_the_machine() {
        let text = "Mossy frogs: 31.4 °C, −3.4 K, ≤ 75 %RH, Βάτραχος, Łódź, Фрог “…”";
        let fonts = fonts(text);
        assert!(fonts.missing.is_empty(), "{:?}", fonts.missing);
        assert_eq!(fonts.faces.len(), EMBEDDED.len());
    }

    #[test]
    fn widths_are_those_of_the_font() {
        // Digits of Noto Sans are 572 thousandths of an em wide each (its hmtx table, read with fonttools).
        let fonts = fonts("10");
        assert!((fonts.width_em(Cut::Sans, "10") - 1.144).abs() < 1e-4);
    }

    #[test]
    fn a_letter_of_no_font_is_told_and_shown_as_such() {
        // A noncharacter: no font may have it.
        let fonts = fonts("a\u{fdd0}b");
        assert_eq!(fonts.missing, BTreeSet::from(['\u{fdd0}']));
        let shown: String = fonts
            .runs(Cut::Serif, "a\u{fdd0}b")
            .into_iter()
            .map(|run| run.text)
            .collect();
        assert_eq!(shown, "a\u{fffd}b");
    }
}
