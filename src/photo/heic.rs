//! HEIC pictures, read by a build with the feature `heic` (HEIF: ISO/IEC 23008-12; HEVC: ITU-T H.265).

use super::decode::PhotoError;
use std::path::Path;

/// A picture as stored, with its EXIF block.
pub struct Stored<P> {
    /// The picture.
    pub picture: P,
    /// What the EXIF tag Orientation would have to say for it to stand upright; the one in the block is not meant
    /// for the picture itself.
    pub orientation: u8,
    /// EXIF block.
    pub exif: Option<Vec<u8>>,
}

#[cfg(not(feature = "heic"))]
mod reading {
    use super::*;

    pub fn luma(_: &[u8], path: &Path) -> Result<Stored<image::GrayImage>, PhotoError> {
        Err(PhotoError::Heic {
            path: path.to_owned(),
        })
    }

    pub fn colour(_: &[u8], path: &Path) -> Result<Stored<image::RgbImage>, PhotoError> {
        Err(PhotoError::Heic {
            path: path.to_owned(),
        })
    }
}

#[cfg(feature = "heic")]
mod reading {
    use super::*;
    use heic_rs::{DecodeOptions, Error, PixelLayout, Rotation};
    use std::io::Cursor;

    fn failed(path: &Path, error: &Error) -> PhotoError {
        let path = path.to_owned();
        match error {
            Error::Truncated(_) => PhotoError::Truncated { path },
            Error::Unsupported(_) => PhotoError::Heic { path },
            error => PhotoError::Damaged {
                path,
                reason: error.to_string(),
            },
        }
    }

    fn decoded(
        bytes: &[u8],
        path: &Path,
        layout: PixelLayout,
    ) -> Result<Stored<(u32, u32, Vec<u8>)>, PhotoError> {
        let info = heic_rs::probe(bytes).map_err(|e| failed(path, &e))?;
        crate::photo::decode::check_size(path, u64::from(info.width), u64::from(info.height))?;
        // A lens does not turn with the phone, so the picture is wanted as the sensor saw it; only where it is
        // mirrored or cropped as well is it taken as it is meant to be shown.
        let orientation = match info.rotation {
            Rotation::None => 1,
            Rotation::Ccw90 => 8,
            Rotation::Ccw180 => 3,
            Rotation::Ccw270 => 6,
        };
        let whole = match orientation {
            1 | 3 => (info.width, info.height),
            _ => (info.height, info.width),
        };
        let only_turned = info.mirror.is_none() && whole == (info.coded_width, info.coded_height);
        let options = DecodeOptions {
            layout,
            apply_transforms: !only_turned,
            ..DecodeOptions::default()
        };
        let image = heic_rs::decode(bytes, &options).map_err(|e| failed(path, &e))?;
        let exif = exif::Reader::new()
            .continue_on_error(true)
            .read_from_container(&mut Cursor::new(bytes))
            .or_else(|e| e.distill_partial_result(|_| {}));
        Ok(Stored {
            picture: (image.width, image.height, image.data),
            orientation: if only_turned { orientation } else { 1 },
            exif: exif.ok().map(|e| e.buf().to_vec()),
        })
    }

    fn as_picture<P>(
        stored: Stored<(u32, u32, Vec<u8>)>,
        path: &Path,
        of: impl Fn(u32, u32, Vec<u8>) -> Option<P>,
    ) -> Result<Stored<P>, PhotoError> {
        let (width, height, data) = stored.picture;
        let picture = of(width, height, data).ok_or_else(|| PhotoError::Damaged {
            path: path.to_owned(),
            reason: "its size and its data disagree".to_owned(),
        })?;
        Ok(Stored {
            picture,
            orientation: stored.orientation,
            exif: stored.exif,
        })
    }

    pub fn luma(bytes: &[u8], path: &Path) -> Result<Stored<image::GrayImage>, PhotoError> {
        let stored = decoded(bytes, path, PixelLayout::Gray8)?;
        as_picture(stored, path, image::GrayImage::from_raw)
    }

    pub fn colour(bytes: &[u8], path: &Path) -> Result<Stored<image::RgbImage>, PhotoError> {
        let stored = decoded(bytes, path, PixelLayout::Rgb8)?;
        as_picture(stored, path, image::RgbImage::from_raw)
    }
}

pub use reading::{colour, luma};
