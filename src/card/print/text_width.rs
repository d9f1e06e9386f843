//! Widths of Helvetica's letters, to centre text and to know how far it reaches.

/// Widths of the printable ASCII characters from the space on, in thousandths of the font size.
///
/// Source: Adobe, Font Metrics for the PDF Core 14 Fonts, `Helvetica.afm`; in WinAnsi encoding, where
/// 0x27 is the straight quote and 0x2D the hyphen.
#[rustfmt::skip]
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278,
    556, 556, 556, 556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556,
    1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556,
    333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556,
    556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

/// Width of a text of printable ASCII, in ems.
///
/// # Panics
///
/// On any other character.
pub(super) fn width_in_ems(text: &str) -> f64 {
    let thousandths: u32 = text
        .bytes()
        .map(|byte| u32::from(WIDTHS[usize::from(byte) - 0x20]))
        .sum();
    f64::from(thousandths) / 1000.0
}
