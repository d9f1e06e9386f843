//! rowsight checks, from phone photos, how straight and evenly spaced the rows of a hand-guided
//! longarm quilt are, and says what to do at the next advance.
//!
//! # Conventions
//!
//! - Millimetres and `f64` throughout; x right (across the quilt), y down (from the first row to the
//!   last). Pixel (0, 0) of a photo has its centre at (0.5, 0.5). Radians inside, degrees on screen.
//! - Transforms read target-from-source: `quilt_from_photo`.
//! - `u` is a standard uncertainty (GUM); intervals shown to people are 95 %.

pub mod card;
pub mod check;
pub mod cli;
pub mod design;
pub mod gap;
pub mod geometry;
pub mod journal;
pub mod line;
pub mod photo;
pub mod plan;
pub mod plane;
pub mod record;
pub mod rehearse;
pub mod report;
pub mod row;
pub mod solve;
pub mod units;
pub mod verdict;
