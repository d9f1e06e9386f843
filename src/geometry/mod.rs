//! Points, polylines and plane transforms, shared by every room.
//!
//! Frames: x right, y down, `f64`. In a photo the pixel (0, 0) has its centre at (0.5, 0.5).
//! Transforms read target-from-source: `quilt_from_photo`.

pub mod camera;
pub mod cells;
pub mod homography;

/// A point; its frame and unit are in the variable's name.
pub type Point2 = nalgebra::Point2<f64>;
/// A displacement in the plane.
pub type Vector2 = nalgebra::Vector2<f64>;
/// A homography or other 3 × 3 matrix.
pub type Matrix3 = nalgebra::Matrix3<f64>;
