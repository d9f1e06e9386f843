//! Bow and skew of a line in the sense of the textile standards, in mm and in percent of the width.
//!
//! Definitions after ASTM D3882-08(2020) and ISO 13015:2013. There the datum is the selvage and the
//! distance is measured along it; here the datum is the y axis of the quilt frame. Percentages are
//! magnitudes, lengths keep their sign.

use crate::geometry::Point2;

/// Bow and skew of one line across the quilt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BowSkew {
    /// Distance in x between the line's two ends, mm.
    pub width_mm: f64,
    /// y of the right end less y of the left end, mm.
    pub skew_mm: f64,
    /// Greatest distance in y from the chord, mm; positive when the line lies further down there.
    pub bow_mm: f64,
}

/// Why a line has no bow and skew.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum BowSkewError {
    /// Fewer than two points.
    #[error("bow and skew need at least 2 points on the line, found {found}")]
    TooFewPoints {
        /// Points given.
        found: usize,
    },
    /// No width between the leftmost and the rightmost point, or a point that is not a number.
    #[error(
        "bow and skew need a line that reaches across the quilt, found a width of {width_mm} mm"
    )]
    NoWidth {
        /// Width found, mm.
        width_mm: f64,
    },
}

/// Bow and skew of a line given as points in the quilt frame, mm, in any order.
///
/// The chord joins the leftmost and the rightmost point. The bow is the greatest distance among the
/// points given, so a curve has to be given densely.
///
/// # Errors
///
/// [`BowSkewError`] for fewer than two points or a line without width.
pub fn bow_and_skew(line_mm: &[Point2]) -> Result<BowSkew, BowSkewError> {
    let found = line_mm.len();
    if found < 2 {
        return Err(BowSkewError::TooFewPoints { found });
    }
    let left = line_mm
        .iter()
        .min_by(|a, b| a.x.total_cmp(&b.x))
        .copied()
        .unwrap_or_default();
    let right = line_mm
        .iter()
        .max_by(|a, b| a.x.total_cmp(&b.x))
        .copied()
        .unwrap_or_default();
    let width_mm = right.x - left.x;
    if !(width_mm > 0.0 && width_mm.is_finite()) {
        return Err(BowSkewError::NoWidth { width_mm });
    }
    let skew_mm = right.y - left.y;
    let bow_mm = line_mm
        .iter()
        .map(|point| point.y - (left.y + skew_mm * (point.x - left.x) / width_mm))
        .fold(0.0_f64, |bow, distance| {
            if distance.abs() > bow.abs() {
                distance
            } else {
                bow
            }
        });
    Ok(BowSkew {
        width_mm,
        skew_mm,
        bow_mm,
    })
}

/// A bow or a skew as a percentage of the width, as ASTM D3882 reports both:
/// `100 · distance / width`.
pub fn percent_of_width(distance_mm: f64, width_mm: f64) -> f64 {
    100.0 * distance_mm.abs() / width_mm
}

/// A slope in mm/m as skew in percent of the width: 10 mm/m are 1 %.
pub fn skew_percent(slope_mm_per_m: f64) -> f64 {
    percent_of_width(slope_mm_per_m, 1000.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// The six curves of `tests/reference/bow-skew/bow_skew.json` (definitions of ASTM D3882, values
    /// computed with numpy on 20001 samples).
    #[test]
    fn bow_and_skew_match_the_analytic_curves_of_the_reference() {
        let reference: serde_json::Value =
            serde_json::from_str(include_str!("../../tests/reference/bow-skew/bow_skew.json"))
                .unwrap();
        let curve = |name: &str, x: f64, width: f64| match name {
            "pure skew 2 %" => 0.02 * x,
            "pure parabolic bow 1 %" => 15.0 * (1.0 - (2.0 * x / width).powi(2)),
            "skew and bow together" => -0.004 * x + 6.0 * (1.0 - (2.0 * x / width).powi(2)),
            "double reverse bow (S shape)" => 8.0 * (TAU * x / width).sin(),
            "hooked bow, right" => 9.0 * (-((x - 700.0) / 150.0).powi(2)).exp(),
            "circular arc" => (20_000.0_f64.powi(2) - x * x).sqrt(),
            other => panic!("no curve for {other}"),
        };
        let cases = reference["computed_cases"].as_array().unwrap();
        assert_eq!(cases.len(), 6);
        for case in cases {
            let name = case["name"].as_str().unwrap();
            let number = |key: &str| case[key].as_f64().unwrap();
            let width = number("width");
            let line: Vec<Point2> = (0..=20_000)
                .map(|i| (f64::from(i) / 20_000.0 - 0.5) * width)
                .map(|x| Point2::new(x, curve(name, x, width)))
                .collect();
            let got = bow_and_skew(&line).unwrap();
            // The file's own tolerance: 1e-4 mm, from the sampling.
            assert!((got.width_mm - width).abs() < 1e-9, "{name}: {got:?}");
            assert!(
                (got.skew_mm - number("skew")).abs() < 1e-4,
                "{name}: {got:?}"
            );
            // The S curve reaches ±8 mm alike, so rounding picks the side: magnitude only there.
            let (bow, expected) = match name {
                "double reverse bow (S shape)" => (got.bow_mm.abs(), number("bow_signed").abs()),
                _ => (got.bow_mm, number("bow_signed")),
            };
            assert!((bow - expected).abs() < 1e-4, "{name}: {got:?}");
            for (mm, key) in [(got.bow_mm, "bow_pct"), (got.skew_mm, "skew_pct")] {
                let percent = percent_of_width(mm, width);
                assert!(
                    (percent - number(key).abs()).abs() < 1e-5,
                    "{name} {key}: {percent}"
                );
            }
        }
    }

    #[test]
    fn a_line_without_width_is_refused() {
        let upright = [Point2::new(1.0, 0.0), Point2::new(1.0, 5.0)];
        assert_eq!(
            bow_and_skew(&upright),
            Err(BowSkewError::NoWidth { width_mm: 0.0 })
        );
        assert_eq!(
            bow_and_skew(&upright[..1]),
            Err(BowSkewError::TooFewPoints { found: 1 })
        );
        let broken = [Point2::new(0.0, 0.0), Point2::new(f64::NAN, 5.0)];
        assert!(matches!(
            bow_and_skew(&broken),
            Err(BowSkewError::NoWidth { .. })
        ));
    }
}
