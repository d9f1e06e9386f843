//! The two faces that documents are set in.
//!
//! Both are DejaVu Sans 2.37 (licence beside them), cut down with fonttools:
//! `pyftsubset DejaVuSans.ttf --no-hinting --layout-features= --drop-tables+=MATH,GSUB,GPOS,GDEF,kern --unicodes=…`
//! to Latin, Greek and Cyrillic letters, fractions, arrows and the signs that pages use.

use ab_glyph::{Font, FontRef};
use std::sync::LazyLock;

/// A face of the type.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Face {
    /// For text.
    Regular,
    /// For headings and emphasis.
    Bold,
}

/// Both faces.
pub(super) const FACES: [Face; 2] = [Face::Regular, Face::Bold];

static REGULAR: &[u8] = include_bytes!("../font/DejaVuSans-subset.ttf");
static BOLD: &[u8] = include_bytes!("../font/DejaVuSans-Bold-subset.ttf");

static FONTS: LazyLock<[FontRef<'static>; 2]> = LazyLock::new(|| {
    [REGULAR, BOLD].map(|data| {
        FontRef::try_from_slice(data).expect("the font shipped with the program can be read")
    })
});

/// What stands for a character that neither face has.
pub(super) const UNKNOWN: char = '?';

impl Face {
    /// The font file.
    pub fn file(self) -> &'static [u8] {
        match self {
            Face::Regular => REGULAR,
            Face::Bold => BOLD,
        }
    }

    /// Name inside the font file.
    pub fn name(self) -> &'static [u8] {
        match self {
            Face::Regular => b"DejaVuSans",
            Face::Bold => b"DejaVuSans-Bold",
        }
    }

    fn font(self) -> &'static FontRef<'static> {
        &FONTS[self as usize]
    }

    /// Advance of a glyph in thousandths of the size.
    pub fn advance(self, glyph: u16) -> f32 {
        let font = self.font();
        let units = font.units_per_em().unwrap_or(2048.0);
        font.h_advance_unscaled(ab_glyph::GlyphId(glyph)) * 1000.0 / units
    }

    fn glyph(self, character: char) -> Option<u16> {
        let id = self.font().glyph_id(character).0;
        (id != 0).then_some(id)
    }
}

/// A glyph to set: face, number in the font file, the character it shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Set {
    pub face: Face,
    pub glyph: u16,
    pub character: char,
}

/// The glyph for a character; the other face helps out, and what neither has is a question mark.
pub(super) fn set(character: char, face: Face) -> Set {
    // A space that does not break looks like any other, and searches find it so.
    let character = match character {
        '\u{a0}' | '\u{202f}' | '\t' | '\n' => ' ',
        other => other,
    };
    let found = [face, Face::Regular, Face::Bold]
        .into_iter()
        .find_map(|face| {
            face.glyph(character).map(|glyph| Set {
                face,
                glyph,
                character,
            })
        });
    found.unwrap_or_else(|| set(UNKNOWN, face))
}

/// Width of text at a size, in the size's unit.
pub(super) fn width(text: &str, face: Face, size: f64) -> f64 {
    let glyphs = text.chars().map(|c| set(c, face));
    let thousandths: f64 = glyphs.map(|g| f64::from(g.face.advance(g.glyph))).sum();
    thousandths * size / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every sign that pages use has a glyph. Advances of A (1401) and space (651) of 2048 are from DejaVu Sans 2.37
    /// as fonttools prints them.
    #[test]
    fn signs_have_glyphs_and_widths_are_the_fonts() {
        for sign in "±×–—−◀●▶½⅛→≤≥°µ “”’…äéłЖ".chars() {
            assert_eq!(set(sign, Face::Bold).character, sign);
        }
        assert!((width("A", Face::Regular, 2048.0) - 1401.0).abs() < 0.01);
        assert!((width("\u{a0}", Face::Regular, 2048.0) - 651.0).abs() < 0.01);
        assert_eq!(set('\u{4e00}', Face::Regular).character, '?');
    }
}
