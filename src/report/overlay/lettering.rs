//! Labels on a picture, in the one font that is shipped (its licence lies beside it).

use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};
use std::sync::LazyLock;

static FONT: LazyLock<FontRef<'static>> = LazyLock::new(|| {
    FontRef::try_from_slice(include_bytes!("../font/DejaVuSans-Bold-subset.ttf"))
        .expect("the font shipped with the program can be read")
});

/// Width of a line of text in px at a font size in px.
pub fn text_width(text: &str, size_px: f32) -> f32 {
    let mut width = 0.0;
    place(text, size_px, |_, end| width = end);
    width
}

/// Height of capitals and figures in px.
pub fn capital_height(size_px: f32) -> f32 {
    // 1493 of 2048 units, from the font's OS/2 table; ab_glyph sizes by ascent less descent.
    let units_per_em = FONT.units_per_em().unwrap_or(2048.0);
    1493.0 / units_per_em * em_px(size_px)
}

/// Coverage of every pixel of a line of text: calls `pixel(x, y, 0…1)`.
///
/// `x`, `baseline` in px: where the first letter starts and on which line the letters stand.
pub fn each_pixel(
    text: &str,
    x: f32,
    baseline: f32,
    size_px: f32,
    mut pixel: impl FnMut(i32, i32, f32),
) {
    place(text, size_px, |mut glyph, _| {
        glyph.position += point(x, baseline);
        if let Some(outline) = FONT.outline_glyph(glyph) {
            let bounds = outline.px_bounds();
            let (left, top) = (bounds.min.x as i32, bounds.min.y as i32);
            outline.draw(|dx, dy, coverage| {
                pixel(left + dx as i32, top + dy as i32, coverage.clamp(0.0, 1.0));
            });
        }
    });
}

/// Breaks text at blanks into lines no wider than `width_px`.
pub fn wrap(text: &str, size_px: f32, width_px: f32) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.last_mut().expect("starts with one line");
        let longer = if last.is_empty() {
            word.to_owned()
        } else {
            format!("{last} {word}")
        };
        if last.is_empty() || text_width(&longer, size_px) <= width_px {
            *last = longer;
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}

/// Cuts the middle out of a text that is too wide: `row-07…back.jpg`.
pub fn shorten(text: &str, size_px: f32, width_px: f32) -> String {
    if text_width(text, size_px) <= width_px {
        return text.to_owned();
    }
    let letters: Vec<char> = text.chars().collect();
    for keep in (1..letters.len()).rev() {
        let (head, tail) = (keep - keep / 2, keep / 2);
        let short: String = letters[..head]
            .iter()
            .chain(&['…'])
            .chain(&letters[letters.len() - tail..])
            .collect();
        if text_width(&short, size_px) <= width_px {
            return short;
        }
    }
    String::new()
}

/// Size of the em square in px for a size as ab_glyph counts it.
fn em_px(size_px: f32) -> f32 {
    let units_per_em = FONT.units_per_em().unwrap_or(2048.0);
    size_px * units_per_em / FONT.height_unscaled()
}

/// Sets the letters side by side from 0: calls `each(glyph, end of the line so far)`.
fn place(text: &str, size_px: f32, mut each: impl FnMut(Glyph, f32)) {
    let font = FONT.as_scaled(PxScale::from(size_px));
    let mut x = 0.0;
    let mut before = None;
    for letter in text.chars() {
        let id = font.glyph_id(letter);
        if let Some(before) = before {
            x += font.kern(before, id);
        }
        let glyph = id.with_scale_and_position(size_px, point(x, 0.0));
        x += font.h_advance(id);
        before = Some(id);
        each(glyph, x);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_font_has_every_sign_that_labels_use() {
        for sign in "Row 7 ± 1/32 in − + … ½¼¾ éäöüß ↔ ↕".chars() {
            assert_ne!(FONT.glyph_id(sign).0, 0, "{sign}");
        }
    }

    #[test]
    fn text_is_as_wide_as_its_pixels() {
        let (mut left, mut right) = (i32::MAX, i32::MIN);
        each_pixel("Hold it straight", 10.0, 40.0, 30.0, |x, _, coverage| {
            if coverage > 0.5 {
                (left, right) = (left.min(x), right.max(x));
            }
        });
        let width = text_width("Hold it straight", 30.0);
        // Side bearings are a few pixels at this size.
        assert!((10..16).contains(&left), "{left}");
        assert!(
            (f64::from(10.0 + width) - f64::from(right)).abs() < 5.0,
            "{right} {width}"
        );
    }

    #[test]
    fn long_text_is_wrapped_or_shortened_to_its_width() {
        let text = "Roll the next advance one thirty-second less at the left than planned";
        let lines = wrap(text, 20.0, 200.0);
        assert!(lines.len() > 2);
        assert!(
            lines.iter().all(|line| text_width(line, 20.0) <= 200.0),
            "{lines:?}"
        );
        assert_eq!(lines.join(" "), text);
        let short = shorten("photos/row-07-from-the-back-of-the-frame.jpg", 20.0, 200.0);
        assert!(
            text_width(&short, 20.0) <= 200.0 && short.ends_with(".jpg"),
            "{short}"
        );
    }
}
