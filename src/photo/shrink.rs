//! A photo made smaller by averaging: quick, and without the jaggies of leaving pixels out.

use image::RgbImage;
use rayon::prelude::*;

/// Shrinks `photo` so that its longer side is at most `longest` px; never enlarges.
///
/// Every pixel is the plain mean of all source pixels that its square touches. Returns the picture
/// and its scale, shrunk px per photo px.
pub fn shrink(photo: &RgbImage, longest: u32) -> (RgbImage, f64) {
    let (width, height) = photo.dimensions();
    let scale = (f64::from(longest) / f64::from(width.max(height).max(1))).min(1.0);
    if scale == 1.0 {
        return (photo.clone(), 1.0);
    }
    let to_small = |side: u32| ((f64::from(side) * scale).round() as u32).max(1);
    let mut small = RgbImage::new(to_small(width), to_small(height));
    let columns = touched(width, small.width());
    let rows = touched(height, small.height());
    let stride = 3 * width as usize;
    let small_stride = 3 * small.width() as usize;
    small
        .par_chunks_exact_mut(small_stride)
        .zip(&rows)
        .for_each_init(
            || vec![0_u16; stride],
            |sums, (out, &(top, bottom))| {
                add_rows(&photo.as_raw()[top * stride..bottom * stride], sums);
                for (pixel, &(left, right)) in out.chunks_exact_mut(3).zip(&columns) {
                    let mut total = [0_u32; 3];
                    for sum in sums[3 * left..3 * right].chunks_exact(3) {
                        for (total, &sum) in total.iter_mut().zip(sum) {
                            *total += u32::from(sum);
                        }
                    }
                    let share = 1.0 / ((right - left) * (bottom - top)) as f32;
                    for (channel, total) in pixel.iter_mut().zip(total) {
                        *channel = (total as f32 * share + 0.5) as u8;
                    }
                }
            },
        );
    (small, scale)
}

/// Adds up rows of the photo, at most 257 of them: 257 · 255 is the greatest sum of 16 bits.
fn add_rows(rows: &[u8], sums: &mut [u16]) {
    let mut rows = rows.chunks_exact(sums.len());
    if let Some(first) = rows.next() {
        for (sum, &value) in sums.iter_mut().zip(first) {
            *sum = u16::from(value);
        }
    }
    for row in rows {
        for (sum, &value) in sums.iter_mut().zip(row) {
            // Never wraps (see above); spares the check that keeps this loop from being vectorised.
            *sum = sum.wrapping_add(u16::from(value));
        }
    }
}

/// First and one past the last source pixel under each target pixel.
fn touched(source: u32, target: u32) -> Vec<(usize, usize)> {
    let step = f64::from(source) / f64::from(target);
    (0..target)
        .map(|i| {
            let from = (f64::from(i) * step) as usize;
            let to = (f64::from(i + 1) * step).ceil() as usize;
            // A picture shrunk more than 257 times loses rows, but keeps its sums.
            (from, to.clamp(from + 1, source as usize).min(from + 257))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    #[test]
    fn a_whole_factor_is_the_mean_of_each_block() {
        let photo = RgbImage::from_fn(6, 4, |x, y| Rgb([(10 * x) as u8, (20 * y) as u8, 7]));
        let (small, scale) = shrink(&photo, 3);
        assert_eq!((small.dimensions(), scale), ((3, 2), 0.5));
        // Means of 0 and 10 (5), 20 and 30 (25); of 0 and 20 (10), 40 and 60 (50).
        assert_eq!(small.get_pixel(0, 0), &Rgb([5, 10, 7]));
        assert_eq!(small.get_pixel(1, 1), &Rgb([25, 50, 7]));
    }

    #[test]
    fn a_ramp_stays_in_place_at_an_odd_factor() {
        let photo = RgbImage::from_fn(250, 3, |x, _| Rgb([x as u8, 0, 0]));
        let (small, scale) = shrink(&photo, 100);
        for (x, _, pixel) in small.enumerate_pixels() {
            let centre_in_photo = (f64::from(x) + 0.5) / scale - 0.5;
            // Half a source pixel: the blocks are whole pixels.
            assert!(
                (f64::from(pixel[0]) - centre_in_photo).abs() <= 1.0,
                "{x}: {pixel:?}"
            );
        }
    }

    #[test]
    fn a_small_photo_is_left_alone() {
        let photo = RgbImage::from_pixel(5, 7, Rgb([1, 2, 3]));
        assert_eq!(shrink(&photo, 1600), (photo.clone(), 1.0));
    }
}
