//! Lengths and sides in a quilter's words.

use crate::record::{At, XOrigin};
use crate::units::{INCH, LengthUnit};

/// Inches are shown in fractions of this many parts.
const PARTS_OF_AN_INCH: f64 = 32.0;

/// Factor from a standard uncertainty to a 95 % interval, normal distribution (JCGM 100:2008, table
/// G.2, infinite degrees of freedom; 1.96 is the value for exactly 95 %).
pub const K_95: f64 = 1.96;

/// A length with its unit: `5 31/32 in` or `151.6 mm`.
pub fn length(mm: f64, unit: LengthUnit) -> String {
    format!("{} {}", number(mm, unit), unit_name(unit))
}

/// A length without its unit, rounded half away from zero: `5 31/32` or `151.6`.
///
/// Half away from zero is what a tape reader expects (common practice, no source).
pub fn number(mm: f64, unit: LengthUnit) -> String {
    match unit {
        LengthUnit::Inch => fraction((mm / INCH.0 * PARTS_OF_AN_INCH).round()),
        LengthUnit::Millimetre => tenths((mm * 10.0).round()),
    }
}

/// The half-width of the 95 % interval of a standard uncertainty, without its unit, rounded up so
/// that it never reads as nothing: `1/32` or `0.4`.
pub fn interval(u_mm: f64, unit: LengthUnit) -> String {
    // A hair less before rounding up, so that 0.4 written as 0.400…01 stays 0.4.
    let half_width_mm = K_95 * u_mm - 1e-9;
    match unit {
        LengthUnit::Inch => fraction((half_width_mm / INCH.0 * PARTS_OF_AN_INCH).ceil().max(0.0)),
        LengthUnit::Millimetre => tenths((half_width_mm * 10.0).ceil().max(0.0)),
    }
}

/// The ends of an interval moved outwards to whole steps of what is shown, mm: an interval never reads as a point.
pub fn outward(low_mm: f64, high_mm: f64, unit: LengthUnit) -> [f64; 2] {
    let step = match unit {
        LengthUnit::Inch => INCH.0 / PARTS_OF_AN_INCH,
        LengthUnit::Millimetre => 0.1,
    };
    // A hair, as in `interval`.
    let hair = 1e-9;
    [
        ((low_mm + hair) / step).floor() * step,
        ((high_mm - hair) / step).ceil() * step,
    ]
}

/// A change with its sign: `+1/8`, `-2.5`, and `0` when it rounds to nothing.
pub fn signed(mm: f64, unit: LengthUnit) -> String {
    let text = number(mm, unit);
    if mm > 0.0 && !is_nothing(mm, unit) {
        format!("+{text}")
    } else {
        text
    }
}

/// Whether a length rounds to nothing in this unit.
pub fn is_nothing(mm: f64, unit: LengthUnit) -> bool {
    matches!(number(mm, unit).as_str(), "0" | "0.0")
}

/// A length that is never nought, such as a scatter, without its unit: `1/16`, or `<1/32` where it would read as none.
pub fn never_nothing(mm: f64, unit: LengthUnit) -> String {
    let least = match unit {
        LengthUnit::Inch => "<1/32",
        LengthUnit::Millimetre => "<0.1",
    };
    match mm > 0.0 && is_nothing(mm, unit) {
        true => least.to_owned(),
        false => number(mm, unit),
    }
}

/// Levels of a chart without their unit, as finely as it takes to tell them apart: not 1/16 twice.
pub fn told_apart(levels_mm: &[f64], unit: LengthUnit) -> Vec<String> {
    let shown = |finer: i32| -> Vec<String> {
        let one = |mm: &f64| match unit {
            LengthUnit::Inch => {
                let parts = PARTS_OF_AN_INCH * 2.0_f64.powi(finer);
                fraction_of((mm / INCH.0 * parts).round(), parts)
            }
            LengthUnit::Millimetre if finer == 0 => number(*mm, unit),
            LengthUnit::Millimetre => format!("{:.*}", 1 + finer as usize, mm + 0.0),
        };
        levels_mm.iter().map(one).collect()
    };
    let are_apart = |texts: &[String]| {
        (0..texts.len())
            .all(|i| (0..i).all(|j| texts[i] != texts[j] || levels_mm[i] == levels_mm[j]))
    };
    const FINEST: i32 = 3;
    (0..FINEST)
        .map(shown)
        .find(|texts| are_apart(texts))
        .unwrap_or_else(|| shown(FINEST))
}

/// `in` or `mm`.
pub fn unit_name(unit: LengthUnit) -> &'static str {
    match unit {
        LengthUnit::Inch => "in",
        LengthUnit::Millimetre => "mm",
    }
}

/// A place along the row against where x counts from, without its unit: `12 1/2 left`.
pub fn beside(x_mm: f64, unit: LengthUnit) -> String {
    let direction = if x_mm < 0.0 { "left" } else { "right" };
    format!("{} {direction}", number(x_mm.abs(), unit))
}

/// Where x counts from.
pub fn origin(x_origin: XOrigin) -> &'static str {
    match x_origin {
        XOrigin::Quilt => "the centre of the quilt",
        XOrigin::View => "the middle of the photo",
    }
}

/// A side by its name.
pub fn side(at: At) -> &'static str {
    match at {
        At::Left => "left",
        At::Centre => "centre",
        At::Right => "right",
    }
}

/// What an advance comes to by itself, with its bias at left, centre and right: `comes out 1/16 in long`.
pub fn advance_comes_out([left, _, right]: [f64; 3], unit: LengthUnit) -> String {
    let of = |mm: f64| match is_nothing(mm, unit) {
        true => "on its mark".to_owned(),
        false => {
            let way = if mm > 0.0 { "long" } else { "short" };
            format!("{} {way}", length(mm.abs(), unit))
        }
    };
    let (left, right) = (of(left), of(right));
    match left == right {
        true => format!("comes out {left}"),
        false => format!("comes out {left} at the left and {right} at the right"),
    }
}

/// Items as a person lists them: `left, centre and right`.
pub fn list<T: AsRef<str>>(items: &[T]) -> String {
    match items {
        [] => String::new(),
        [one] => one.as_ref().to_owned(),
        [head @ .., last] => {
            let head: Vec<&str> = head.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", head.join(", "), last.as_ref())
        }
    }
}

/// The text with its first letter a capital one.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or(String::new(), |c| c.to_uppercase().chain(chars).collect())
}

/// Whole inches and a reduced fraction, from a whole number of the parts that lengths are shown in.
fn fraction(parts: f64) -> String {
    fraction_of(parts, PARTS_OF_AN_INCH)
}

/// Whole inches and a reduced fraction, from a whole number of parts of which so many make an inch.
fn fraction_of(parts: f64, in_an_inch: f64) -> String {
    if !parts.is_finite() {
        return "unknown".to_owned();
    }
    let sign = if parts < 0.0 { "-" } else { "" };
    let parts = parts.abs();
    let (whole, rest) = ((parts / in_an_inch).floor(), parts % in_an_inch);
    if rest == 0.0 {
        return format!("{sign}{whole}");
    }
    let (mut numerator, mut denominator) = (rest, in_an_inch);
    while numerator % 2.0 == 0.0 {
        (numerator, denominator) = (numerator / 2.0, denominator / 2.0);
    }
    match whole {
        0.0 => format!("{sign}{numerator}/{denominator}"),
        _ => format!("{sign}{whole} {numerator}/{denominator}"),
    }
}

fn tenths(tenths: f64) -> String {
    if !tenths.is_finite() {
        return "unknown".to_owned();
    }
    // Adding zero turns -0.0 into 0.0.
    format!("{:.1}", tenths / 10.0 + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use LengthUnit::{Inch, Millimetre};

    #[test]
    fn inches_are_reduced_fractions_to_a_thirty_second() {
        let cases = [
            (0.0, "0"),
            (25.4, "1"),
            (12.7, "1/2"),
            (-3.175, "-1/8"),
            (151.60625, "5 31/32"),
            (152.3, "6"),
            (0.3, "0"),
            (25.4 / 64.0, "1/32"), // half a part: away from zero
            (f64::NAN, "unknown"),
        ];
        for (mm, expected) in cases {
            assert_eq!(number(mm, Inch), expected, "{mm} mm");
        }
    }

    #[test]
    fn millimetres_have_one_decimal_and_no_negative_zero() {
        assert_eq!(length(151.64, Millimetre), "151.6 mm");
        assert_eq!(number(-0.04, Millimetre), "0.0");
        assert_eq!(signed(2.0, Millimetre), "+2.0");
        assert_eq!(signed(-0.5, Inch), "-1/32");
        assert_eq!(signed(0.3, Inch), "0");
    }

    #[test]
    fn an_interval_is_rounded_up() {
        assert_eq!(interval(0.2, Inch), "1/32"); // 0.392 mm is just under half a part
        assert_eq!(interval(0.2, Millimetre), "0.4");
        assert_eq!(interval(0.0, Millimetre), "0.0");
    }

    #[test]
    fn the_ends_of_an_interval_move_outwards_and_never_meet() {
        let shown = |low, high, unit| outward(low, high, unit).map(|mm| signed(mm, unit));
        assert_eq!(shown(0.6, 0.9, Inch), ["0", "+1/16"]);
        assert_eq!(shown(-0.9, 0.1, Inch), ["-1/16", "+1/32"]);
        assert_eq!(shown(25.4 / 32.0, 25.4 / 16.0, Inch), ["+1/32", "+1/16"]);
        assert_eq!(shown(0.12, 0.14, Millimetre), ["+0.1", "+0.2"]);
        assert_eq!(shown(0.3, 0.4, Millimetre), ["+0.3", "+0.4"]);
    }

    #[test]
    fn levels_are_shown_as_finely_as_it_takes_and_a_scatter_never_as_none() {
        let inch =
            |of_an_inch: &[f64]| -> Vec<f64> { of_an_inch.iter().map(|i| i * 25.4).collect() };
        // 0.09, 0.07 and 0.05 in are 2.88, 2.24 and 1.6 of 32 parts, 5.76, 4.48 and 3.2 of 64.
        assert_eq!(
            told_apart(&inch(&[0.09, 0.07, 0.05]), Inch),
            ["3/32", "1/16", "3/64"]
        );
        assert_eq!(
            told_apart(&inch(&[0.25, 0.0, -0.25]), Inch),
            ["1/4", "0", "-1/4"]
        );
        assert_eq!(told_apart(&[0.11, 0.14], Millimetre), ["0.11", "0.14"]);
        assert_eq!(told_apart(&[2.0, 2.0], Millimetre), ["2.0", "2.0"]);
        assert_eq!(never_nothing(0.2, Inch), "<1/32");
        assert_eq!(never_nothing(0.02, Millimetre), "<0.1");
        assert_eq!(never_nothing(0.0, Inch), "0");
        assert_eq!(never_nothing(1.6, Inch), "1/16");
    }

    #[test]
    fn an_advance_comes_out_long_short_or_on_its_mark() {
        let of = |left: f64, right: f64| advance_comes_out([left, 0.0, right], Inch);
        assert_eq!(of(1.6, 1.5), "comes out 1/16 in long");
        assert_eq!(of(0.1, -0.1), "comes out on its mark");
        assert_eq!(
            of(-0.8, 0.2),
            "comes out 1/32 in short at the left and on its mark at the right"
        );
    }

    #[test]
    fn lists_read_like_a_sentence() {
        assert_eq!(list(&["left"]), "left");
        assert_eq!(list(&["left", "centre", "right"]), "left, centre and right");
    }
}
