//! A photo as it comes in: decoded, turned upright, with what the camera says about itself.

use image::{GrayImage, RgbImage};
use std::path::PathBuf;

/// A decoded photo, turned upright by its EXIF orientation.
#[derive(Debug, Clone)]
pub struct Photo {
    /// Where it was read from.
    pub path: PathBuf,
    /// Colour picture.
    pub colour: RgbImage,
    /// Luma (Y of YCbCr, full range) of the same picture.
    pub luma: GrayImage,
    /// What the camera wrote about the capture.
    pub facts: CaptureFacts,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub sha256: String,
}

/// What the camera wrote about the capture; `None` where it is silent.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CaptureFacts {
    /// Camera maker.
    pub make: Option<String>,
    /// Camera model.
    pub model: Option<String>,
    /// Focal length of the lens, mm.
    pub focal_length_mm: Option<f64>,
    /// Focal length of a 35 mm film camera with the same angle of view, mm.
    pub focal_length_35mm: Option<f64>,
    /// When the picture was taken, camera's local time.
    pub taken: Option<jiff::civil::DateTime>,
    /// EXIF orientation 1…8 as found in the file (1 when absent); already applied to the pixels.
    pub orientation: u8,
}
