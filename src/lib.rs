//! rowsight checks, from phone photos, how straight and evenly spaced the rows of a hand-guided
//! longarm quilt are, and says what to do at the next advance.
//!
//! ```
//! use rowsight::check::{Known, check};
//! use rowsight::{design, photo, plan};
//! use std::path::Path;
//!
//! let quilt = Path::new("sample-images/harvest");
//! let plan = plan::file::read(quilt).unwrap();
//! let design = design::import::read(&quilt.join(&plan.design_file), Some(plan.repeat_mm)).unwrap().design;
//! let photos = [photo::read(&quilt.join("row-photos/row-02.jpg")).unwrap()];
//! let checked = check(&photos, &plan, Some(&design), &Known::default(), Some(2)).unwrap();
//! let gap = &checked.record.gaps[0];
//! // Planned 152.4 mm; the truth beside the photo says 154.4 in the middle.
//! assert!((gap.spacing[1].value - 154.4).abs() < 1.0);
//! println!("{:?}: {}", checked.record.verdict.action, checked.record.verdict.reasons[0]);
//! ```
//!
//! # Conventions
//!
//! - Millimetres and `f64` throughout; x right (across the quilt), y down (from the first row to the
//!   last). Pixel (0, 0) of a photo has its centre at (0.5, 0.5). Radians inside, degrees on screen.
//! - Transforms read target-from-source: `quilt_from_photo`.
//! - `u` is a standard uncertainty (GUM); intervals shown to people are 95 %.

pub mod budget;
pub mod calibrate;
pub mod card;
pub mod check;
pub mod cli;
pub mod design;
pub mod finished;
pub mod gap;
pub mod geometry;
pub mod journal;
pub mod learn;
pub mod line;
pub mod photo;
pub mod plan;
pub mod plane;
pub mod record;
pub mod rehearse;
pub mod report;
pub mod row;
mod shell;
pub mod solve;
pub mod units;
pub mod verdict;
mod whole_file;
