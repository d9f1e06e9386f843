//! The plan of a quilt: how wide and long, which design, where each row is to fall, how much is too much.

pub mod file;
pub mod picture;

use crate::units::LengthUnit;

/// What a person planned for one quilt; `plan.toml` in the quilt's folder.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Unit in which lengths are shown.
    pub unit: LengthUnit,
    /// Width of the quilt across the frame, mm.
    pub width_mm: f64,
    /// Length of the quilt from its first to its last edge, mm.
    pub length_mm: f64,
    /// Design file, relative to the quilt's folder; empty where there is none.
    pub design_file: String,
    /// Length of one repeat along the row, mm; nought where it is not told, as may be without a design.
    pub repeat_mm: f64,
    /// Distance from one row's baseline to the next one's, mm.
    pub spacing_mm: f64,
    /// How far each row's design is moved along against the row before it, as a fraction of the
    /// repeat (0 none, 0.5 half a repeat), positive to the right.
    pub stagger: f64,
    /// Number of rows.
    pub rows: u32,
    /// y of row 1's baseline below the top edge of the quilt, mm.
    pub first_row_mm: f64,
    /// What a ruler reads on the printed 150 mm check bar, mm.
    pub card_bar_mm: f64,
    /// How much deviation is accepted.
    pub tolerance: Tolerance,
    /// The take-up roll and the depth of the machine's throat, as far as they were given.
    pub roll: crate::learn::roll::Roll,
    /// What the quilter's own earlier quilts showed of the advance; the advice starts from it.
    pub earlier: Vec<crate::learn::earlier::EarlierQuilt>,
}

/// How much deviation from the plan is accepted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Greatest difference of a gap from the planned spacing, at left, centre or right, mm.
    pub spacing_mm: f64,
    /// Greatest accumulated drift of a row against the plan, mm.
    pub drift_mm: f64,
    /// Greatest slope of a row against the datum, mm/m.
    pub skew_mm_per_m: f64,
    /// Greatest bow of a row, mm.
    pub bow_mm: f64,
}

impl Plan {
    /// y of a row's baseline below the quilt's top edge, mm.
    pub fn baseline_mm(&self, row: u32) -> f64 {
        self.first_row_mm + (f64::from(row) - 1.0) * self.spacing_mm
    }

    /// Whether the plan names a design.
    pub fn has_design(&self) -> bool {
        !self.design_file.is_empty()
    }

    /// Length of one repeat along the row, mm, where it is told.
    pub fn told_repeat_mm(&self) -> Option<f64> {
        (self.repeat_mm > 0.0).then_some(self.repeat_mm)
    }

    /// How far the design of `row` is planned to be moved right against row 1, mm, in 0…repeat.
    pub fn phase_mm(&self, row: u32) -> f64 {
        ((f64::from(row) - 1.0) * self.stagger).rem_euclid(1.0) * self.repeat_mm
    }
}
