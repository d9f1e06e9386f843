//! Between rows and against the plan: drift, skew and bow of a row through the chain of gaps.
//!
//! Frame: quilt frame, x across, y down. Rows that are rolled away cannot be photographed together
//! with the newest one, so its place against row 1 is the sum of the measured gaps between them.

pub mod distortion;

use crate::plan::Plan;
use crate::record::{At, DriftRecord, GapRecord, SpacingRecord};
use crate::units::Uncertain;

/// A gap that nobody has measured, so that the rows below it cannot be placed against row 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the gap from row {from_row} to row {to_row} was never measured")]
pub struct MissingGap {
    /// Row above.
    pub from_row: u32,
    /// Row below.
    pub to_row: u32,
}

/// Where a row lies against the plan, with row 1 as the datum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowPosition {
    /// Accumulated error of y at left, centre and right.
    pub drift: DriftRecord,
    /// x of left, centre and right, mm; `None` for row 1, which is the datum itself.
    pub x_mm: Option<[f64; 3]>,
    /// Slope of the row against row 1, mm/m; positive when the right-hand end lies further down.
    pub skew_mm_per_m: Uncertain,
}

/// Drift of every row that an unbroken chain of gaps joins to row 1, in row order.
///
/// `gaps` may come in any order; when one gap is there more than once, the last one counts.
///
/// ```text
/// drift(k) = Σ (spacingᵢ − plan)        u² = Σ uᵢ²        i = 1 … k−1
/// ```
///
/// Each row's drift is given at the left, centre and right of the gap above it. Row 1 is the datum:
/// drift 0, `u` 0. For the rows that are left out, [`position`] gives the reason.
///
/// `u` counts the gaps as independent. What all photos of a quilt have in common, such as the
/// reading of the cards' check bar, adds up in proportion instead and is not in this `u`.
pub fn drift(plan: &Plan, gaps: &[GapRecord]) -> Vec<DriftRecord> {
    (1..=plan.rows)
        .map_while(|row| Some(position(plan, gaps, row).ok()?.drift))
        .collect()
}

/// The gaps of a quilt after a photo of `row`: the photo's for that row and where none was known, for the others those of
/// their own photos.
///
/// Photos err independently and the gaps of one photo together, so that a gap which the next photo shows again is better
/// left as it was: over 12 practice quilts of 6 rows drift was off by 0.43 mm RMS so, by 0.52 mm with the newest photo's
/// gaps, by 0.45 mm with the mean of both. So a row's drift also stays what was told when it was measured.
pub fn joined(of_quilt: &[GapRecord], in_photo: &[GapRecord], row: u32) -> Vec<GapRecord> {
    let known = |gap: &GapRecord| of_quilt.iter().any(|old| old.to_row == gap.to_row);
    let new = in_photo
        .iter()
        .filter(|gap| gap.to_row == row || !known(gap));
    // Where a gap is there twice, the last one counts.
    of_quilt.iter().chain(new).cloned().collect()
}

/// Where `row` lies against the plan, through the gaps between row 1 and it; see [`drift`].
///
/// # Errors
///
/// [`MissingGap`] names the first gap, counted from row 1, that is not in `gaps` or not known at
/// left, centre and right.
pub fn position(plan: &Plan, gaps: &[GapRecord], row: u32) -> Result<RowPosition, MissingGap> {
    let chain = (1..row)
        .map(|from_row| {
            gaps.iter()
                .rev()
                .find(|gap| gap.from_row == from_row && gap.to_row == from_row + 1)
                .and_then(|gap| Some((gap, places(gap)?)))
                .ok_or(MissingGap {
                    from_row,
                    to_row: from_row + 1,
                })
        })
        .collect::<Result<Vec<_>, _>>()?;

    let x_mm = chain
        .last()
        .map(|(_, places)| places.map(|place| place.x_mm));
    let drift_at = |index: usize| {
        in_quadrature(chain.iter().map(|(_, places)| {
            let x_mm = x_mm.unwrap_or_default();
            let spacing = match same_stretch(&places.map(|place| place.x_mm), &x_mm) {
                true => spacing_at(places, x_mm[index]),
                false => places[index].spacing(),
            };
            Uncertain {
                value: spacing.value - plan.spacing_mm,
                u: spacing.u,
            }
        }))
    };
    let [left, centre, right] = [0, 1, 2].map(drift_at);
    Ok(RowPosition {
        drift: DriftRecord {
            row,
            left,
            centre,
            right,
        },
        x_mm,
        skew_mm_per_m: in_quadrature(chain.iter().map(|(gap, _)| gap.skew_mm_per_m)),
    })
}

/// The gap's spacing at left, centre and right; `None` when one of them was not measured.
pub fn places(gap: &GapRecord) -> Option<[SpacingRecord; 3]> {
    let find = |at: At| gap.spacing.iter().copied().find(|place| place.at == at);
    Some([find(At::Left)?, find(At::Centre)?, find(At::Right)?])
}

/// Spacing at x = ∓`half_width_mm` and 0, as [`drift`] compares gaps seen over different widths; at the
/// gap's own places when the half-width is 0, or when the gap was seen over another part of the width. `None` when a place was not measured.
pub fn spacing_across(gap: &GapRecord, half_width_mm: f64) -> Option<[Uncertain; 3]> {
    let places = places(gap)?;
    let x = [-half_width_mm, 0.0, half_width_mm];
    Some(
        match half_width_mm > 0.0 && same_stretch(&places.map(|place| place.x_mm), &x) {
            true => x.map(|x_mm| spacing_at(&places, x_mm)),
            false => places.map(|place| place.spacing()),
        },
    )
}

/// Shift of the middles, as a share of the wider stretch, up to which two stretches show the same part.
const SAME_MIDDLE: f64 = 0.1;

/// Whether two gaps were seen over stretches about the same middle, so that one parabola may be held against
/// the other at its x. A photo of one end of a quilt says next to nothing at the other: there left goes
/// with left and right with right, as seen.
fn same_stretch(a: &[f64; 3], b: &[f64; 3]) -> bool {
    let middle = |x: &[f64; 3]| f64::midpoint(x[0], x[2]);
    let width = (a[2] - a[0]).max(b[2] - b[0]);
    (middle(a) - middle(b)).abs() <= SAME_MIDDLE * width
}

/// Spacing at any x: the parabola through the three places, which is what a baseline of offset,
/// slope and bow is.
///
/// The errors at the three places are correlated in a way the record does not say, so their shares
/// of `u` are added, not squared: exact at the places themselves, on the safe side elsewhere.
fn spacing_at(places: &[SpacingRecord; 3], x_mm: f64) -> Uncertain {
    // Lagrange's form; a photo narrower than a millimetre has no left and right to tell apart.
    let [a, b, c] = places.map(|place| place.x_mm);
    if (b - a).abs() < 1.0 || (c - b).abs() < 1.0 || (c - a).abs() < 1.0 {
        return Uncertain {
            value: places[1].value,
            u: places[1].u,
        };
    }
    let weights = [
        (x_mm - b) * (x_mm - c) / ((a - b) * (a - c)),
        (x_mm - a) * (x_mm - c) / ((b - a) * (b - c)),
        (x_mm - a) * (x_mm - b) / ((c - a) * (c - b)),
    ];
    let weighted = || weights.iter().zip(places);
    Uncertain {
        value: weighted().map(|(weight, place)| weight * place.value).sum(),
        u: weighted()
            .map(|(weight, place)| weight.abs() * place.u)
            .sum(),
    }
}

fn in_quadrature(values: impl Iterator<Item = Uncertain>) -> Uncertain {
    let (value, variance) = values.fold((0.0, 0.0), |(value, variance), next| {
        (value + next.value, variance + next.u * next.u)
    });
    Uncertain {
        value,
        u: variance.sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Tolerance;
    use crate::units::LengthUnit;

    fn plan() -> Plan {
        Plan {
            unit: LengthUnit::Millimetre,
            width_mm: 2000.0,
            length_mm: 2000.0,
            design_file: "waves.svg".into(),
            repeat_mm: 250.0,
            spacing_mm: 150.0,
            stagger: 0.5,
            rows: 12,
            first_row_mm: 80.0,
            card_bar_mm: 150.0,
            tolerance: Tolerance {
                spacing_mm: 3.0,
                drift_mm: 6.0,
                skew_mm_per_m: 3.0,
                bow_mm: 3.0,
            },
            roll: Default::default(),
            earlier: Vec::new(),
        }
    }

    fn gap(from_row: u32, half_width_mm: f64, spacing: [f64; 3], u: f64) -> GapRecord {
        let place = |at, x_mm, value| SpacingRecord { at, x_mm, value, u };
        GapRecord {
            from_row,
            to_row: from_row + 1,
            plan_mm: 150.0,
            clearance_mm: None,
            plan_clearance_mm: None,
            clearance_x_mm: None,
            clearance_row: None,
            spacing: vec![
                place(At::Left, -half_width_mm, spacing[0]),
                place(At::Centre, 0.0, spacing[1]),
                place(At::Right, half_width_mm, spacing[2]),
            ],
            skew_mm_per_m: Uncertain {
                value: (spacing[2] - spacing[0]) / (2.0 * half_width_mm) * 1000.0,
                u: 0.3,
            },
            bow_mm: Uncertain {
                value: spacing[1] - (spacing[0] + spacing[2]) / 2.0,
                u,
            },
        }
    }

    #[test]
    fn drift_is_the_sum_of_the_gaps_errors_and_its_u_grows_in_quadrature() {
        let gaps = [
            gap(2, 600.0, [149.0, 150.0, 151.5], 0.4),
            gap(1, 600.0, [151.0, 150.5, 150.0], 0.3),
        ];
        let drift = drift(&plan(), &gaps);
        assert_eq!(drift.iter().map(|d| d.row).collect::<Vec<_>>(), [1, 2, 3]);
        let datum = Uncertain { value: 0.0, u: 0.0 };
        assert_eq!([drift[0].left, drift[0].centre, drift[0].right], [datum; 3]);
        // By hand: left 1.0 − 1.0, centre 0.5 + 0.0, right 0.0 + 1.5; u = √(0.3² + 0.4²) = 0.5.
        let expected = [
            (drift[2].left, 0.0),
            (drift[2].centre, 0.5),
            (drift[2].right, 1.5),
        ];
        for (got, value) in expected {
            assert!(
                (got.value - value).abs() < 1e-9 && (got.u - 0.5).abs() < 1e-9,
                "{got:?}"
            );
        }
    }

    #[test]
    fn a_gap_seen_at_one_end_of_the_quilt_is_taken_end_for_end_not_at_the_others_x() {
        let whole = gap(1, 1000.0, [151.0, 150.5, 150.0], 0.3);
        let mut one_end = gap(2, 300.0, [149.0, 150.0, 151.5], 0.4);
        for place in &mut one_end.spacing {
            place.x_mm -= 700.0;
        }
        let drift = drift(&plan(), &[whole, one_end.clone()]);
        // By hand: left 1.0 − 1.0, centre 0.5 + 0.0, right 0.0 + 1.5; u as before.
        for (got, value) in [
            (drift[2].left, 0.0),
            (drift[2].centre, 0.5),
            (drift[2].right, 1.5),
        ] {
            assert!(
                (got.value - value).abs() < 1e-9 && (got.u - 0.5).abs() < 1e-9,
                "{got:?}"
            );
        }
        let across = spacing_across(&one_end, 1000.0).unwrap();
        assert_eq!(across.map(|s| s.value), [149.0, 150.0, 151.5]);
    }

    #[test]
    fn a_row_below_a_gap_nobody_measured_has_no_drift_and_the_gap_is_named() {
        let gaps = [
            gap(1, 600.0, [150.0; 3], 0.3),
            gap(2, 600.0, [150.0; 3], 0.3),
            gap(4, 600.0, [150.0; 3], 0.3),
        ];
        assert_eq!(drift(&plan(), &gaps).last().unwrap().row, 3);
        let missing = position(&plan(), &gaps, 5).unwrap_err();
        assert_eq!(
            missing,
            MissingGap {
                from_row: 3,
                to_row: 4
            }
        );
        assert_eq!(
            missing.to_string(),
            "the gap from row 3 to row 4 was never measured"
        );
    }

    #[test]
    fn a_gap_measured_again_replaces_the_earlier_measurement() {
        let gaps = [
            gap(1, 600.0, [155.0; 3], 0.3),
            gap(1, 600.0, [151.0; 3], 0.2),
        ];
        let centre = drift(&plan(), &gaps)[1].centre;
        assert!(
            (centre.value - 1.0).abs() < 1e-9 && (centre.u - 0.2).abs() < 1e-9,
            "{centre:?}"
        );
    }

    /// A wide view and a narrow one have different left ends; the same tilted gap must not look
    /// smaller because it was seen over less width.
    #[test]
    fn gaps_seen_over_different_widths_are_compared_at_the_same_x() {
        // 2 mm/m of skew, seen over 2 m and then over 1 m.
        let gaps = [
            gap(1, 1000.0, [148.0, 150.0, 152.0], 0.3),
            gap(2, 500.0, [149.0, 150.0, 151.0], 0.3),
        ];
        let row_3 = position(&plan(), &gaps, 3).unwrap();
        // At x = ±0.5 m each gap is 1 mm off.
        assert!((row_3.drift.left.value + 2.0).abs() < 1e-9, "{row_3:?}");
        assert!((row_3.drift.right.value - 2.0).abs() < 1e-9, "{row_3:?}");
        assert!((row_3.skew_mm_per_m.value - 4.0).abs() < 1e-9, "{row_3:?}");
        assert_eq!(row_3.x_mm, Some([-500.0, 0.0, 500.0]));
    }

    #[test]
    fn looking_outside_what_was_seen_costs_certainty() {
        let narrow = gap(1, 500.0, [149.0, 150.0, 151.0], 0.3);
        let wide = gap(2, 1000.0, [148.0, 150.0, 152.0], 0.3);
        let row_3 = position(&plan(), &[narrow, wide], 3).unwrap();
        assert!((row_3.drift.left.value + 4.0).abs() < 1e-9, "{row_3:?}");
        // Lagrange weights at twice the half width are 3, 3 and 1: 7 × 0.3 mm, and 0.3 mm.
        let expected = (2.1_f64.powi(2) + 0.3_f64.powi(2)).sqrt();
        assert!((row_3.drift.left.u - expected).abs() < 1e-9, "{row_3:?}");
    }
}
