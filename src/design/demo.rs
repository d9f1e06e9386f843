//! Continuous-line designs of our own invention, for practice and tests.

use super::Design;
use crate::geometry::Point2;
use std::f64::consts::TAU;

/// Names of the practice designs.
pub const NAMES: [&str; 4] = ["ripple", "meander", "loops", "petals"];

/// A practice design by name; `None` when there is none of that name.
pub fn by_name(name: &str, repeat_mm: f64, height_mm: f64) -> Option<Design> {
    let (r, h) = (repeat_mm, height_mm / 2.0);
    let at: Box<dyn Fn(f64) -> (f64, f64)> = match name {
        // A plain wave with a smaller one on it.
        "ripple" => {
            Box::new(move |t| (r * t, h * ((TAU * t).sin() + 0.25 * (3.0 * TAU * t).sin())))
        }
        // Bends back on itself without crossing.
        "meander" => Box::new(move |t| {
            let x = r * (t - 0.16 * (2.0 * TAU * t).sin() + 0.02 * (TAU * t).sin());
            (
                x,
                h * ((TAU * t).sin() + 0.35 * (2.0 * TAU * t + 0.6).sin()),
            )
        }),
        // Loops that cross themselves.
        "loops" => Box::new(move |t| {
            let x = r * (t - 0.19 * (2.0 * TAU * t).sin());
            (
                x,
                h * (-(2.0 * TAU * t).cos() + 0.5 * (TAU * t).cos() + 0.2 * (TAU * t).sin()),
            )
        }),
        // A stem with petals of different sizes.
        "petals" => Box::new(move |t| {
            let petal = (3.0 * TAU * t).sin();
            let x = r * (t - 0.07 * (3.0 * TAU * t).cos() + 0.07 + 0.03 * (TAU * t).sin());
            (
                x,
                h * (0.6 * petal + 0.4 * (TAU * t).cos() + 0.25 * (2.0 * TAU * t + 1.0).sin()),
            )
        }),
        _ => return None,
    };
    const POINTS: usize = 1200;
    let raw: Vec<Point2> = (0..=POINTS)
        .map(|i| {
            let (x, y) = at(i as f64 / POINTS as f64);
            Point2::new(x, y)
        })
        .collect();
    let (x0, top, bottom) = raw
        .iter()
        .fold((raw[0].x, f64::MAX, f64::MIN), |(x0, top, bottom), p| {
            (x0, top.min(p.y), bottom.max(p.y))
        });
    let scale = height_mm / (bottom - top);
    let curve_mm = raw
        .iter()
        .map(|p| Point2::new(p.x - x0, (p.y - (top + bottom) / 2.0) * scale))
        .collect();
    Some(Design {
        curve_mm,
        repeat_mm,
        breaks: Vec::new(),
    })
}
