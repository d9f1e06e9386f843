//! One finished check as plain data: what `--json` prints and the journal keeps.
//!
//! Lengths mm, slopes mm/m, `u` standard uncertainty in the same unit. Keys may be added, never
//! renamed; unknown is `null`, never 0.

use crate::row::chance::Chance;
use crate::units::Uncertain;
use serde::{Deserialize, Serialize};

/// Name and version of the document.
pub const SCHEMA: &str = "rowsight.row/1";

/// One checked row: the JSON document `rowsight.row/1`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// [`SCHEMA`].
    pub schema: String,
    /// The photos measured, in the order given.
    pub photos: Vec<PhotoRecord>,
    /// Every row seen, top to bottom; offsets in one common frame.
    pub rows: Vec<RowRecord>,
    /// Gaps between neighbouring rows seen, top to bottom.
    pub gaps: Vec<GapRecord>,
    /// Drift against the plan, for rows whose chain of gaps to row 1 is known.
    pub drift: Vec<DriftRecord>,
    /// What to do.
    pub verdict: VerdictRecord,
}

/// A photo and the cards found in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotoRecord {
    /// Path as given.
    pub path: String,
    /// Cards found, as "sheet 1" or "strip 3".
    pub cards: Vec<String>,
    /// Number of card corners used.
    pub corners: usize,
    /// RMS distance of the corners from the solved plane, px.
    pub residual_px: f64,
    /// Scale at the newest row's middle, mm/px.
    pub mm_per_px: f64,
    /// SHA-256 of the file, lower-case hexadecimal.
    #[serde(default)]
    pub sha256: String,
}

/// How far rows may end from the quilt's sides as planned, mm: they run off a little onto the batting or stop
/// a little before (common practice, no source).
pub const SIDE_MM: f64 = 60.0;

/// What x = 0 means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum XOrigin {
    /// The quilt's centre line.
    Quilt,
    /// The middle of what is seen.
    View,
}

/// One row as measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RowRecord {
    /// Row number, 1 first.
    pub row: u32,
    /// What x = 0 means.
    pub x_origin: XOrigin,
    /// Left end of what is seen of the row, mm.
    pub seen_from_mm: f64,
    /// Right end of what is seen of the row, mm.
    pub seen_to_mm: f64,
    /// y of the baseline at x = 0 in the document's common frame, mm.
    pub offset_mm: Uncertain,
    /// Slope of the baseline in the document's common frame, mm/m.
    pub slope_mm_per_m: Uncertain,
    /// Sagitta over what is seen, mm; positive when the middle lies further down the quilt.
    pub bow_mm: Uncertain,
    /// Shift of the design along x against the plan, mm, relative to the topmost row of the document.
    pub shift_mm: Uncertain,
    /// RMS distance of the stitched line from the fitted design, mm.
    pub wobble_mm: f64,
    /// Share of the design seen in the photo on which stitching was found, 0…1.
    pub coverage: f64,
    /// Parts of the design that were not stitched.
    pub missed: Vec<Stretch>,
    /// Where a photo shows each of them, in their order; `null` where none shows it whole.
    #[serde(default)]
    pub missed_in_photo: Vec<Option<InPhoto>>,
    /// Parts that were stitched off the design: a wrong turn, or the line lost and found again.
    #[serde(default)]
    pub off_design: Vec<OffDesign>,
    /// How likely chance alone shows as much of a row; `null` without a design.
    #[serde(default)]
    pub chance: Option<Chance>,
}

/// Where a photo shows a part of the quilt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InPhoto {
    /// Which of the document's photos.
    pub photo: usize,
    /// Corners of a rectangle around the part, sides along the quilt's x and y, in the upright photo, px: top left, top
    /// right, bottom right, bottom left.
    pub corners_px: [[f64; 2]; 4],
    /// Width and height of that rectangle on the quilt, mm.
    pub size_mm: [f64; 2],
    /// Where the stitching should be, in runs, mm to the right of and below the rectangle's top left.
    pub line_mm: Vec<Vec<[f64; 2]>>,
}

/// A stretch along x that was stitched off the design.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OffDesign {
    /// Left end, mm.
    pub from_mm: f64,
    /// Right end, mm.
    pub to_mm: f64,
    /// Greatest distance from the design, mm.
    pub off_mm: f64,
}

/// A stretch along x.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// Left end, mm.
    pub from_mm: f64,
    /// Right end, mm.
    pub to_mm: f64,
}

/// Where across the quilt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum At {
    /// Left end of the quilt width when known, else of what is seen.
    Left,
    /// Middle.
    Centre,
    /// Right end.
    Right,
}

/// Spacing at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpacingRecord {
    /// Where.
    pub at: At,
    /// x, mm.
    pub x_mm: f64,
    /// Spacing, mm.
    pub value: f64,
    /// Standard uncertainty, mm.
    pub u: f64,
}

impl SpacingRecord {
    /// The spacing alone.
    pub fn spacing(&self) -> Uncertain {
        Uncertain {
            value: self.value,
            u: self.u,
        }
    }
}

/// A gap between two neighbouring rows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GapRecord {
    /// Row above.
    pub from_row: u32,
    /// Row below.
    pub to_row: u32,
    /// Planned spacing, mm.
    pub plan_mm: f64,
    /// Least distance between the two rows' stitching, mm; negative when they cross.
    pub clearance_mm: Option<Uncertain>,
    /// Planned least distance, mm.
    #[serde(default)]
    pub plan_clearance_mm: Option<f64>,
    /// x at which the two rows come nearest, or cross most, mm.
    #[serde(default)]
    pub clearance_x_mm: Option<f64>,
    /// Which of the two rows there strays more from its own design toward the other; `null` when neither does by
    /// 1 mm.
    #[serde(default)]
    pub clearance_row: Option<u32>,
    /// Spacing at left, centre, right.
    pub spacing: Vec<SpacingRecord>,
    /// Slope of the lower row against the upper, mm/m.
    pub skew_mm_per_m: Uncertain,
    /// Bow of the lower row against the upper, mm.
    pub bow_mm: Uncertain,
}

/// Accumulated error of a row's y against the plan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DriftRecord {
    /// Row number.
    pub row: u32,
    /// At the left, mm.
    pub left: Uncertain,
    /// In the middle, mm.
    pub centre: Uncertain,
    /// At the right, mm.
    pub right: Uncertain,
}

/// What to do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// All is inside its tolerance.
    CarryOn,
    /// Trim the next advance.
    Trim,
    /// Set the quilt square on the bars before the next row.
    ReSquare,
    /// The photo does not settle it.
    Retake,
}

/// The verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VerdictRecord {
    /// What to do.
    pub action: Action,
    /// Why, one sentence each, in a quilter's words.
    pub reasons: Vec<String>,
    /// By how much to lengthen (+) or shorten (−) the next advance; `null` when nothing is known.
    pub next_advance_mm: Option<AdvanceTrim>,
}

/// Change of the next advance at left, centre, right, mm; positive: roll on further.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct AdvanceTrim {
    /// At the left end.
    pub left: f64,
    /// In the middle.
    pub centre: f64,
    /// At the right end.
    pub right: f64,
}
