//! Reading tags in a photo with the vendored C AprilTag library.
//!
//! The library puts the centre of the first pixel at (0.5, 0.5), as we do, and a photo shrunk by whole
//! pixels keeps that: x in the photo = factor · x in the small picture. `tests/card_detect.rs` holds
//! both against practice photos of known truth.

use super::error::CardError;
use crate::geometry::Point2;
use apriltag::detector::QuadThresholds;
use apriltag::{DetectorBuilder, Family, Image};
use image::GrayImage;
use measurements::Angle;
use noisy_float::types::r32;
use rayon::prelude::*;

/// A tag as read in a photo.
#[derive(Debug, Clone, PartialEq)]
pub struct SeenTag {
    /// Id in the family tag36h11.
    pub id: u16,
    /// Bits that had to be corrected.
    pub wrong_bits: usize,
    /// Corners of the black square in the photo, px: top left, top right, bottom right, bottom left of
    /// the upright tag.
    pub corners_px: [Point2; 4],
}

impl SeenTag {
    /// Mean of the corners, px.
    pub fn middle_px(&self) -> Point2 {
        Point2::from(
            self.corners_px
                .iter()
                .map(|p| p.coords)
                .sum::<nalgebra::Vector2<f64>>()
                / 4.0,
        )
    }

    /// Shortest side, px.
    pub fn shortest_side_px(&self) -> f64 {
        (0..4)
            .map(|i| (self.corners_px[(i + 1) % 4] - self.corners_px[i]).norm())
            .fold(f64::MAX, f64::min)
    }
}

/// A photo averaged over squares of `factor` × `factor` pixels; what is left over at the right and the
/// bottom is cut off.
#[derive(Debug, Clone)]
pub struct Shrunk {
    /// Side of the squares, px of the photo.
    pub factor: u32,
    /// The small picture.
    pub picture: GrayImage,
}

impl Shrunk {
    /// Shrinks a photo.
    pub fn new(photo: &GrayImage, factor: u32) -> Shrunk {
        let (width, height) = (photo.width() / factor, photo.height() / factor);
        if factor == 1 || width == 0 || height == 0 {
            return Shrunk {
                factor: 1,
                picture: photo.clone(),
            };
        }
        let (n, w, full) = (factor as usize, width as usize, photo.width() as usize);
        let mut small = vec![0_u8; w * height as usize];
        small.par_chunks_mut(w).enumerate().for_each_init(
            || vec![0_u16; full],
            |columns, (y, out)| {
                columns.fill(0);
                for row in photo.as_raw()[y * n * full..].chunks(full).take(n) {
                    for (sum, v) in columns.iter_mut().zip(row) {
                        // At most 257 rows of 255; a checked sum is not done 16 at a time.
                        *sum = sum.wrapping_add(u16::from(*v));
                    }
                }
                match n {
                    // The usual factors apart: a width known beforehand is five times as fast.
                    2 => squares::<2>(columns, out),
                    3 => squares::<3>(columns, out),
                    4 => squares::<4>(columns, out),
                    _ => {
                        for (o, square) in out.iter_mut().zip(columns.chunks_exact(n)) {
                            *o = mean(square, n);
                        }
                    }
                }
            },
        );
        Shrunk {
            factor,
            picture: GrayImage::from_raw(width, height, small).unwrap_or_default(),
        }
    }
}

fn squares<const N: usize>(columns: &[u16], out: &mut [u8]) {
    for (o, square) in out.iter_mut().zip(columns.as_chunks::<N>().0) {
        *o = mean(square, N);
    }
}

/// Mean of a square of `n` × `n` pixels from the sums of its columns, rounded.
fn mean(columns: &[u16], n: usize) -> u8 {
    let (sum, area) = (
        columns.iter().map(|v| u32::from(*v)).sum::<u32>(),
        (n * n) as u32,
    );
    ((sum + area / 2) / area) as u8
}

/// How to read tags.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReadOptions {
    /// Difference in grey levels, within a few pixels, below which nothing is looked at. The cloth's
    /// weave stays below about 20, ink on paper seldom does; leaving it out halves the time.
    pub least_contrast: u8,
    /// Bits of a code that may be wrong, at most 2. The table for two takes 25 ms to build, for one
    /// 0.5 ms.
    pub most_wrong_bits: usize,
}

/// Reads the tags of the family in a shrunk photo; places are given in the photo itself.
///
/// # Errors
///
/// [`CardError::Detector`] when the library cannot be set up.
pub fn read_tags(small: &Shrunk, options: &ReadOptions) -> Result<Vec<SeenTag>, CardError> {
    let trouble = |e: apriltag::Error| CardError::Detector {
        reason: e.to_string(),
    };
    let (width, height) = (
        small.picture.width() as usize,
        small.picture.height() as usize,
    );
    // The library reads beyond its tiles of 4 px in smaller pictures; a tag would not fit either.
    if width < 16 || height < 16 {
        return Ok(Vec::new());
    }
    // The library's own alignment.
    let mut image = Image::zeros_with_alignment(width, height, 96).map_err(trouble)?;
    let stride = image.stride();
    for (to, from) in image
        .as_slice_mut()
        .chunks_mut(stride)
        .zip(small.picture.as_raw().chunks(width))
    {
        to[..width].copy_from_slice(from);
    }
    let mut detector = DetectorBuilder::new()
        .add_family_bits(Family::tag_36h11(), options.most_wrong_bits.min(2))
        .build()
        .map_err(trouble)?;
    // One thread, that is, none of its own: the library's pool takes in tasks without a lock, so that a thread that
    // starts late reads memory given back already. That crashed a process on a busy machine.
    detector.set_thread_number(1);
    detector.set_decimation(1.0);
    detector.set_thresholds(QuadThresholds {
        // A tag of 8 px has a rim of at least 24.
        min_cluster_pixels: 20,
        min_white_black_diff: options.least_contrast,
        // The library's own values; it takes the cosine of the last angle where its name says angle.
        max_maxima_number: 10,
        min_angle: Angle::from_degrees(10.0),
        min_opposite_angle: Angle::from_radians(10_f64.to_radians().cos()),
        max_mse: r32(10.0),
        deglitch: false,
    });
    let scale = f64::from(small.factor);
    let tags = detector.detect(&image).into_iter().filter_map(|d| {
        // Bottom left, bottom right, top right, top left of the upright tag.
        let [bl, br, tr, tl] = d.corners().map(|[x, y]| Point2::new(scale * x, scale * y));
        Some(SeenTag {
            id: u16::try_from(d.id()).ok()?,
            wrong_bits: d.hamming(),
            corners_px: [tl, tr, br, bl],
        })
    });
    Ok(tags.collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shrinking_averages_squares_and_keeps_places() {
        let photo = GrayImage::from_fn(70, 50, |x, y| image::Luma([(3 * x + y) as u8]));
        let small = Shrunk::new(&photo, 4);
        assert_eq!(small.picture.dimensions(), (17, 12));
        // Mean of 3x + y over the square x 8…11, y 4…7.
        assert_eq!(small.picture.get_pixel(2, 1)[0], 34);
    }
}
