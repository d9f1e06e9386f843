//! Between the stored picture and the upright one: the EXIF orientation, for points and for cameras.

use crate::geometry::{Point2, Vector2};
use crate::plane::camera::{Camera, Distortion};
use nalgebra::Matrix2;

/// How the stored picture becomes the upright one (EXIF tag Orientation, CIPA DC-008, 1…8): upright =
/// matrix·stored + offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// A signed permutation.
    matrix: Matrix2<f64>,
    offset_px: Vector2,
}

impl Turn {
    /// For a picture of this upright size, px.
    pub fn new(orientation: u8, upright_px: (u32, u32)) -> Turn {
        let (w, h) = (f64::from(upright_px.0), f64::from(upright_px.1));
        // Rows of the matrix: what upright x and y are of stored x and y.
        let [a, b, c, d] = match orientation {
            2 => [-1.0, 0.0, 0.0, 1.0],
            3 => [-1.0, 0.0, 0.0, -1.0],
            4 => [1.0, 0.0, 0.0, -1.0],
            5 => [0.0, 1.0, 1.0, 0.0],
            6 => [0.0, -1.0, 1.0, 0.0],
            7 => [0.0, -1.0, -1.0, 0.0],
            8 => [0.0, 1.0, -1.0, 0.0],
            _ => [1.0, 0.0, 0.0, 1.0],
        };
        Turn {
            matrix: Matrix2::new(a, b, c, d),
            offset_px: Vector2::new(
                if a + b < 0.0 { w } else { 0.0 },
                if c + d < 0.0 { h } else { 0.0 },
            ),
        }
    }

    /// Size of the stored picture, px.
    pub fn stored_size(&self, upright_px: (u32, u32)) -> (u32, u32) {
        if self.swaps() {
            (upright_px.1, upright_px.0)
        } else {
            upright_px
        }
    }

    fn swaps(&self) -> bool {
        self.matrix[(0, 0)] == 0.0
    }

    /// Place in the stored picture of a place in the upright one, px.
    pub fn stored(&self, upright_px: Point2) -> Point2 {
        Point2::from(self.matrix.transpose() * (upright_px.coords - self.offset_px))
    }

    /// Covariance in the stored picture, px².
    pub fn stored_covariance(&self, upright: &Matrix2<f64>) -> Matrix2<f64> {
        self.matrix.transpose() * upright * self.matrix
    }

    /// The camera of the upright picture from that of the stored one.
    ///
    /// A turn or a mirror of the picture by M turns the tangential term's vector (p2, p1) with it: in
    /// vector form the distortion is x·(d + 2·q·x) + q·r² with q = (p2, p1).
    pub fn upright_camera(&self, stored: &Camera) -> Camera {
        let [p1, p2] = stored.distortion.tangential;
        let q = self.matrix * Vector2::new(p2, p1);
        let f_y = stored.focal_px * stored.aspect;
        let (focal_px, aspect) = if self.swaps() {
            (f_y, 1.0 / stored.aspect)
        } else {
            (stored.focal_px, stored.aspect)
        };
        Camera {
            focal_px,
            aspect,
            skew_px: 0.0,
            centre_px: Point2::from(self.matrix * stored.centre_px.coords + self.offset_px),
            distortion: Distortion {
                tangential: [q.y, q.x],
                ..stored.distortion
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::{DynamicImage, GrayImage, Luma};
    use nalgebra::Vector3;

    /// The `image` crate's own reading of the orientations, on a picture with one white pixel.
    #[test]
    fn a_pixel_is_found_where_the_image_crate_turns_it_to() {
        for orientation in 1..=8u8 {
            let mut stored = GrayImage::new(7, 4);
            stored.put_pixel(5, 1, Luma([255]));
            let mut picture = DynamicImage::ImageLuma8(stored);
            let by_crate = image::metadata::Orientation::from_exif(orientation).unwrap();
            picture.apply_orientation(by_crate);
            let upright = picture.into_luma8();
            let (x, y, _) = upright
                .enumerate_pixels()
                .find(|p| p.2.0[0] == 255)
                .unwrap();
            let turn = Turn::new(orientation, upright.dimensions());
            let back = turn.stored(Point2::new(f64::from(x) + 0.5, f64::from(y) + 0.5));
            assert_eq!(back, Point2::new(5.5, 1.5), "orientation {orientation}");
            assert_eq!(turn.stored_size(upright.dimensions()), (7, 4));
        }
    }

    #[test]
    fn the_turned_camera_sees_every_point_where_the_turned_picture_shows_it() {
        let stored = Camera {
            aspect: 1.01,
            distortion: Distortion {
                radial: [-0.2, 0.05, 0.01],
                tangential: [0.003, -0.002],
            },
            ..Camera::new(900.0, Point2::new(610.0, 470.0), Distortion::default())
        };
        for orientation in 1..=8u8 {
            let upright_px = if orientation < 5 {
                (1200, 900)
            } else {
                (900, 1200)
            };
            let turn = Turn::new(orientation, upright_px);
            let camera = turn.upright_camera(&stored);
            let p = Vector3::new(0.3, -0.2, 1.0);
            let seen = stored.project(&p).unwrap();
            let turned = turn.matrix * Vector2::new(p.x, p.y);
            let upright = camera
                .project(&Vector3::new(turned.x, turned.y, 1.0))
                .unwrap();
            assert!(
                (turn.stored(upright) - seen).norm() < 1e-9,
                "orientation {orientation}"
            );
        }
    }
}
