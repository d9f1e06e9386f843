//! Growth of the take-up roll.
//!
//! The cross-section of what is rolled is its length times its thickness, whatever the spiral does in
//! between:
//!
//! ```text
//! π (D² − d²)/4 = t L        D = √(d² + 4 t L/π)        one turn moves π D
//! ```
//!
//! Source: The Math Forum, Ask Dr. Math, 24 Nov 2003, Determining length of material remaining on a
//! roll; the exact spiral is longer by t/(4π) ln(D/d), a hundredth of a layer or so.

use std::f64::consts::PI;

/// A take-up roll and the room it has. Unknown parts are `None`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Roll {
    /// Diameter of the bare bar, mm.
    pub bar_mm: Option<f64>,
    /// Thickness of one layer rolled up under tension, mm.
    pub loft_mm: Option<f64>,
    /// Depth from the needle's front limit to the back of the machine's throat with nothing rolled up,
    /// mm.
    pub depth_mm: Option<f64>,
}

/// Diameter with this length on the bar, mm.
pub fn diameter_mm(bar_mm: f64, loft_mm: f64, length_mm: f64) -> f64 {
    (bar_mm * bar_mm + 4.0 * loft_mm * length_mm.max(0.0) / PI).sqrt()
}

/// Length on a roll of this diameter, mm.
pub fn length_mm(bar_mm: f64, loft_mm: f64, diameter_mm: f64) -> f64 {
    PI * (diameter_mm * diameter_mm - bar_mm * bar_mm) / (4.0 * loft_mm)
}

/// How far one turn of the bar moves the quilt at this diameter, mm.
pub fn turn_mm(diameter_mm: f64) -> f64 {
    PI * diameter_mm
}

/// Thickness of a layer from measured diameters, mm: least squares through `D² − d² = (4 t/π) L`.
///
/// `measured` are (length rolled, diameter), mm. `None` where nothing was rolled or the roll did not
/// grow.
pub fn loft_from_diameters(bar_mm: f64, measured: &[(f64, f64)]) -> Option<f64> {
    let (top, bottom) = measured.iter().fold((0.0, 0.0), |(top, bottom), (l, d)| {
        (top + l * (d * d - bar_mm * bar_mm), bottom + l * l)
    });
    let loft = PI / 4.0 * top / bottom;
    (loft.is_finite() && loft > 0.0).then_some(loft)
}

/// The roll when a row is stitched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtRow {
    /// The row.
    pub row: u32,
    /// Length on the bar, mm.
    pub rolled_mm: f64,
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Depth left for the design, mm; `None` when the depth is not known.
    pub free_mm: Option<f64>,
    /// How far one turn of the bar moves the quilt, mm.
    pub turn_mm: f64,
}

/// The roll at every row. At a row, what lies above its design is taken as rolled up; the leader cloth
/// is not counted, and the roll takes its whole diameter from the depth (common practice, no source).
/// `None` when bar or thickness is not known.
pub fn at_rows(plan: &crate::plan::Plan, design_height_mm: f64) -> Option<Vec<AtRow>> {
    let (bar, loft) = (plan.roll.bar_mm?, plan.roll.loft_mm?);
    let rows = (1..=plan.rows).map(|row| {
        let rolled_mm = (plan.baseline_mm(row) - design_height_mm / 2.0).max(0.0);
        let diameter = diameter_mm(bar, loft, rolled_mm);
        AtRow {
            row,
            rolled_mm,
            diameter_mm: diameter,
            free_mm: plan.roll.depth_mm.map(|depth| depth - diameter),
            turn_mm: turn_mm(diameter),
        }
    });
    Some(rows.collect())
}

/// Greatest height of a design that still fits at the last row, mm.
pub fn greatest_height_mm(rows: &[AtRow]) -> Option<f64> {
    let free: Option<Vec<f64>> = rows.iter().map(|r| r.free_mm).collect();
    free?.into_iter().reduce(f64::min)
}

#[cfg(test)]
mod tests {
    use super::super::statistics::tests::close;
    use super::*;
    use serde_json::Value;

    fn reference() -> Value {
        serde_json::from_str(include_str!("../../tests/reference/learn/roll_checks.json")).unwrap()
    }

    /// roll_checks.json: two public calculators' examples and the exact spiral's arc.
    #[test]
    fn length_on_a_roll_is_that_of_the_published_examples_and_of_the_exact_spiral() {
        for case in reference()["cases"].as_array().unwrap() {
            let number = |key: &str| case[key].as_f64().unwrap();
            let length = length_mm(number("d"), number("t"), number("D"));
            close(length, &case["length_annulus"], 1e-9);
            // The spiral climbs as it winds, which adds ∫ a²/(2r) dθ = t/(4π) ln(D/d).
            let climb = number("t") / (4.0 * PI) * (number("D") / number("d")).ln();
            close(length + climb, &case["archimedean_arc"], 1e-7);
            let back = diameter_mm(number("d"), number("t"), length);
            close(back, &case["D"], 1e-9);
        }
    }

    #[test]
    fn winding_forward_gives_the_tabled_diameters_and_turns() {
        for case in reference()["winding_forward"].as_array().unwrap() {
            let number = |key: &str| case[key].as_f64().unwrap();
            let diameter = diameter_mm(number("core_d"), number("t"), number("length"));
            close(diameter, &case["D"], 1e-9);
            close(turn_mm(diameter), &case["advance_per_turn"], 1e-9);
        }
    }

    #[test]
    fn the_thickness_is_found_back_from_the_roll() {
        for case in reference()["thickness_from_turns"].as_array().unwrap() {
            let number = |key: &str| case[key].as_f64().unwrap();
            let measured = [(number("length"), number("D_after"))];
            let loft = loft_from_diameters(number("core_d"), &measured).unwrap();
            close(loft, &case["t_effective"], 1e-9);
        }
        assert_eq!(loft_from_diameters(50.0, &[]), None);
        assert_eq!(loft_from_diameters(50.0, &[(500.0, 49.0)]), None);
    }
}
