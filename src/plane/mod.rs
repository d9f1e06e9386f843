//! From photo to quilt: camera, pose, the quilt's surface and the cards lying on it, as one problem.
//!
//! Quilt frame in space: x across, y down the quilt, z away from the camera; height above the quilt is
//! −z. A place *on* the quilt is (x, s), s measured along the fabric, which sags a little across the
//! rolled band. The card's plane is not the thread's plane: every card has its own height and tilts.

pub mod camera;
pub mod joint;
pub mod relief;
pub mod start;
