//! A photo as it comes in: decoded, turned upright, with what the camera says about itself.
//!
//! Only the luma is decoded at once, which takes half the time of colour; colour is decoded again from
//! the kept bytes when a picture is to be drawn.

mod decode;
mod heic;
mod kind;
pub mod shrink;

pub use decode::{PhotoError, Small, decode, glance, picture, read, read_with_small};

use image::{GrayImage, RgbImage};
use std::path::PathBuf;

/// A decoded photo, turned upright by its EXIF orientation.
#[derive(Debug, Clone)]
pub struct Photo {
    /// Where it was read from.
    pub path: PathBuf,
    /// Luma (Y of YCbCr, full range), upright.
    pub luma: GrayImage,
    /// What the camera wrote about the capture.
    pub facts: CaptureFacts,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub sha256: String,
    /// The file's bytes.
    pub bytes: Vec<u8>,
    /// The file's name says another type than its content is: what it is.
    pub really: Option<&'static str>,
}

impl Photo {
    /// The picture in colour, upright.
    ///
    /// # Errors
    ///
    /// [`PhotoError`] as in [`decode`]; a photo whose luma could be decoded hardly ever fails here.
    pub fn colour(&self) -> Result<RgbImage, PhotoError> {
        decode::colour(&self.bytes, &self.path, self.facts.orientation)
    }
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

#[cfg(test)]
mod tests;
