//! Why a check has no record, and what to do about it.

use crate::card::CardError;
use crate::row::measure::CannotMeasure;

/// Why there is no record.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CheckError {
    /// A photo's cards.
    #[error("{path}: {error}; {}", error.remedy())]
    Cards {
        /// The photo.
        path: String,
        /// Why.
        error: CardError,
    },
    /// The rows.
    #[error("{path}: {error}; {}", remedy(error))]
    Rows {
        /// The photo, or the first of several.
        path: String,
        /// Why.
        error: CannotMeasure,
    },
    /// The row is not in the plan.
    #[error(
        "row {row} is not in the plan, which has {rows} rows; check --row, or change `rows` in plan.toml"
    )]
    NotInPlan {
        /// The row.
        row: u32,
        /// Rows of the plan.
        rows: u32,
    },
}

fn remedy(error: &CannotMeasure) -> &'static str {
    match error {
        CannotMeasure::NoRow => {
            "see that the newest row and the one above it are in the photo, that the plan names the right design, and retake it in light that falls across the quilt"
        }
        CannotMeasure::NoQuilt => {
            "see that the plan names the right design with its repeat and spacing, and take the photos again from nearer, in light that falls across the quilt from one side"
        }
        CannotMeasure::NoTwoRows => {
            "without a design two whole rows have to be in the photo: see that they are, that the plan's spacing and stagger are right, and retake it in light that falls across the quilt; or give the design, from a photo of its printed paper with `rowsight design --from-photo`"
        }
        CannotMeasure::PatternRepeats => {
            "give the design, from a photo of its printed paper with `rowsight design --from-photo`, or the plan's repeat if that is not in it yet"
        }
        _ => "lay a card flat beside the row, all of it in the photo, and retake it",
    }
}
