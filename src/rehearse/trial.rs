//! A small design of our own to try the practice photos with.

use crate::design::Design;
use crate::geometry::Point2;

/// One repeat, 240 mm long and about 115 mm high, of a looping wave that crosses itself.
pub fn trial_design() -> Design {
    const REPEAT_MM: f64 = 240.0;
    const POINTS: i32 = 2400;
    let tau = std::f64::consts::TAU;
    let mut curve_mm: Vec<Point2> = (0..=POINTS)
        .map(|i| {
            let t = f64::from(i) / f64::from(POINTS);
            Point2::new(
                REPEAT_MM * t - 42.0 * (2.0 * tau * t).sin(),
                50.0 * (tau * t).sin() + 9.0 * (3.0 * tau * t).sin(),
            )
        })
        .collect();
    // sin(τ) is not quite 0 in floating point; a repeat ends exactly where the next begins.
    curve_mm[POINTS as usize] = Point2::new(REPEAT_MM, 0.0);
    Design {
        curve_mm,
        repeat_mm: REPEAT_MM,
        breaks: Vec::new(),
    }
}
