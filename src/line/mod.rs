//! Evidence for a thin stitched line, light or dark or only a groove, on any fabric.

pub mod map;
pub mod periodic;
pub mod strip;
