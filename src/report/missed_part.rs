//! A picture of a part that was not stitched: cut out of its photo, straightened, with dashes where the stitching
//! should be.

use super::overlay::canvas::{Canvas, Ink, dashes};
use crate::geometry::Point2;
use crate::geometry::homography::Homography;
use crate::record::InPhoto;
use image::{Rgb, RgbImage};

/// Longer side of a cut-out, px, at most; and pixels it has per pixel of the photo, at most.
const LONGEST_PX: f64 = 560.0;
const ENLARGED: f64 = 2.5;
/// What lies outside the photo.
const OUTSIDE: Rgb<u8> = Rgb([128; 3]);
/// Yellow and black: seen on any cloth (palette of Okabe and Ito, 2008).
const DASH: [u8; 3] = [240, 228, 66];
const CASING: [u8; 3] = [0; 3];

/// The cut-out; `None` where its corners give no rectangle.
pub fn cut_out(photo: &RgbImage, part: &InPhoto) -> Option<RgbImage> {
    let [wide_mm, high_mm] = part.size_mm;
    let corners = part.corners_px.map(|[x, y]| Point2::new(x, y));
    let photo_px_per_mm = (corners[1] - corners[0]).norm() / wide_mm;
    let scale = (ENLARGED * photo_px_per_mm).min(LONGEST_PX / wide_mm.max(high_mm));
    let size = [wide_mm, high_mm].map(|mm| (mm * scale).round());
    if !(size[0] >= 8.0 && size[1] >= 8.0 && size[0] <= LONGEST_PX && size[1] <= LONGEST_PX) {
        return None;
    }
    let here = [
        (0.0, 0.0),
        (size[0], 0.0),
        (size[0], size[1]),
        (0.0, size[1]),
    ];
    let here = here.map(|(x, y)| Point2::new(x, y));
    let to_photo = Homography::from_points(&here, &corners).ok()?;
    let picture = RgbImage::from_fn(size[0] as u32, size[1] as u32, |x, y| {
        let place = to_photo.apply(Point2::new(f64::from(x) + 0.5, f64::from(y) + 0.5));
        sampled(photo, place)
    });
    let mut canvas = Canvas::new(picture);
    let lines: Vec<Vec<Point2>> = (part.line_mm.iter())
        .flat_map(|run| {
            let px: Vec<Point2> = run
                .iter()
                .map(|[x, y]| Point2::new(x * scale, y * scale))
                .collect();
            dashes(&px, 7.0, 9.0)
        })
        .collect();
    let ink = Ink {
        colour: DASH,
        width_px: 1.6,
        casing: CASING,
        casing_px: 1.0,
        opacity: 0.9,
    };
    canvas.stroke(&lines, ink);
    Some(canvas.finish())
}

/// Between the pixels; pixel (0, 0) has its centre at (0.5, 0.5).
fn sampled(photo: &RgbImage, at: Point2) -> Rgb<u8> {
    let (x, y) = (at.x - 0.5, at.y - 0.5);
    let (w, h) = (f64::from(photo.width()), f64::from(photo.height()));
    if !(x >= 0.0 && y >= 0.0 && x < w - 1.0 && y < h - 1.0) {
        return OUTSIDE;
    }
    let (i, j) = (x as u32, y as u32);
    let (u, v) = (x.fract(), y.fract());
    let of = |i: u32, j: u32, c: usize| f64::from(photo.get_pixel(i, j)[c]);
    Rgb(std::array::from_fn(|c| {
        let top = of(i, j, c) * (1.0 - u) + of(i + 1, j, c) * u;
        let bottom = of(i, j + 1, c) * (1.0 - u) + of(i + 1, j + 1, c) * u;
        (top * (1.0 - v) + bottom * v).round() as u8
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A checkerboard of 10 px, seen turned by a quarter: the cut-out shows it upright, each square where it is.
    #[test]
    fn a_turned_rectangle_is_cut_out_upright() {
        let photo = RgbImage::from_fn(200, 200, |x, y| {
            // Red grows to the right, green down.
            Rgb([x as u8, y as u8, 0])
        });
        // Its top runs down the photo's right side: what is right in the cut-out is down in the photo.
        let part = InPhoto {
            photo: 0,
            corners_px: [[150.0, 50.0], [150.0, 150.0], [90.0, 150.0], [90.0, 50.0]],
            size_mm: [100.0, 60.0],
            line_mm: Vec::new(),
        };
        let picture = cut_out(&photo, &part).unwrap();
        let (w, h) = picture.dimensions();
        assert!((f64::from(w) / f64::from(h) - 100.0 / 60.0).abs() < 0.01);
        for (u, v) in [(0.1, 0.2), (0.9, 0.5), (0.5, 0.9)] {
            let pixel = picture.get_pixel((u * f64::from(w)) as u32, (v * f64::from(h)) as u32);
            let (red, green) = (150.0 - 60.0 * v, 50.0 + 100.0 * u);
            assert!((f64::from(pixel[0]) - red).abs() < 2.0, "{pixel:?} {red}");
            assert!(
                (f64::from(pixel[1]) - green).abs() < 2.0,
                "{pixel:?} {green}"
            );
        }
    }

    #[test]
    fn a_part_without_size_gives_no_picture() {
        let part = InPhoto {
            photo: 0,
            corners_px: [[1.0, 1.0]; 4],
            size_mm: [100.0, 60.0],
            line_mm: Vec::new(),
        };
        assert!(cut_out(&RgbImage::new(50, 50), &part).is_none());
    }
}
