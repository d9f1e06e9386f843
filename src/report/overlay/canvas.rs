//! Drawing on a picture: antialiased lines with a contrasting casing, plates and text.
//!
//! Coordinates are px with the centre of pixel (0, 0) at (0.5, 0.5).

use super::lettering;
use crate::geometry::Point2;
use image::RgbImage;

/// A colour, 0…255 each.
pub type Colour = [u8; 3];

/// How a line is drawn.
#[derive(Debug, Clone, Copy)]
pub struct Ink {
    /// Colour of the line.
    pub colour: Colour,
    /// Its width, px.
    pub width_px: f32,
    /// Colour of the casing around it.
    pub casing: Colour,
    /// Width of the casing on each side, px.
    pub casing_px: f32,
    /// 0 invisible … 1 opaque.
    pub opacity: f32,
}

/// An upright rectangle, px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rect {
    /// Left edge.
    pub left: f32,
    /// Top edge.
    pub top: f32,
    /// Width.
    pub width: f32,
    /// Height.
    pub height: f32,
}

impl Rect {
    /// Area that two rectangles share, px².
    pub fn overlap(&self, other: &Rect) -> f32 {
        let across =
            (self.left + self.width).min(other.left + other.width) - self.left.max(other.left);
        let down = (self.top + self.height).min(other.top + other.height) - self.top.max(other.top);
        across.max(0.0) * down.max(0.0)
    }
}

/// A picture being drawn on.
pub struct Canvas {
    picture: RgbImage,
    /// Nearness to the line being drawn, 0 far … 255 on its middle; all 0 between two strokes.
    nearness: Vec<u8>,
    /// Columns touched in each row by the line being drawn.
    touched: Vec<(usize, usize)>,
}

impl Canvas {
    /// Takes a picture to draw on.
    pub fn new(picture: RgbImage) -> Self {
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        Canvas {
            picture,
            nearness: vec![0; width * height],
            touched: vec![(usize::MAX, 0); height],
        }
    }

    /// Gives the picture back.
    pub fn finish(self) -> RgbImage {
        self.picture
    }

    /// Draws lines as one: where they cross or double, nothing gets darker.
    pub fn stroke(&mut self, lines: &[Vec<Point2>], ink: Ink) {
        let half = ink.width_px / 2.0;
        // Beyond this the line has no coverage: half a pixel for the soft edge.
        let reach = half + ink.casing_px + 0.5;
        for line in lines {
            let line = thin_out(line);
            for pair in line.windows(2) {
                self.mark(pair[0], pair[1], reach);
            }
        }
        let width = self.picture.width() as usize;
        for (row, touched) in self.touched.iter_mut().enumerate() {
            let (from, to) = std::mem::replace(touched, (usize::MAX, 0));
            for column in from..to {
                let index = row * width + column;
                let near = std::mem::take(&mut self.nearness[index]);
                if near == 0 {
                    continue;
                }
                let distance = reach - f32::from(near) / 255.0 * reach;
                let pixel = &mut (*self.picture)[3 * index..3 * index + 3];
                let cased = (reach - distance).clamp(0.0, 1.0);
                blend(pixel, ink.casing, ink.opacity * cased);
                blend(
                    pixel,
                    ink.colour,
                    ink.opacity * (half + 0.5 - distance).clamp(0.0, 1.0),
                );
            }
        }
    }

    /// Fills a rectangle with rounded corners.
    pub fn plate(&mut self, rect: Rect, radius: f32, colour: Colour, opacity: f32) {
        let centre = (rect.left + rect.width / 2.0, rect.top + rect.height / 2.0);
        let inner = (rect.width / 2.0 - radius, rect.height / 2.0 - radius);
        self.each(rect, |x, y, pixel| {
            // Signed distance from a rounded rectangle, negative inside.
            let (dx, dy) = (
                (x - centre.0).abs() - inner.0,
                (y - centre.1).abs() - inner.1,
            );
            let outside = (dx.max(0.0).powi(2) + dy.max(0.0).powi(2)).sqrt();
            let distance = outside + dx.max(dy).min(0.0) - radius;
            let coverage = (0.5 - distance).clamp(0.0, 1.0);
            blend(pixel, colour, opacity * coverage);
        });
    }

    /// Fills a polygon, corners in either direction.
    pub fn fill(&mut self, corners: &[Point2], colour: Colour) {
        let xs = || corners.iter().map(|corner| corner.x as f32);
        let ys = || corners.iter().map(|corner| corner.y as f32);
        let (left, top) = (xs().fold(f32::MAX, f32::min), ys().fold(f32::MAX, f32::min));
        let (right, bottom) = (xs().fold(f32::MIN, f32::max), ys().fold(f32::MIN, f32::max));
        let rect = Rect {
            left,
            top,
            width: right - left,
            height: bottom - top,
        };
        self.each(rect, |x, y, pixel| {
            // 4 × 4 samples are smooth enough for arrow heads.
            let inside = (0..16)
                .filter(|i| {
                    let (dx, dy) = ((i % 4) as f64 / 4.0 - 0.375, (i / 4) as f64 / 4.0 - 0.375);
                    contains(corners, Point2::new(f64::from(x) + dx, f64::from(y) + dy))
                })
                .count();
            blend(pixel, colour, inside as f32 / 16.0);
        });
    }

    /// Writes a line of text: `x` is where it starts, `baseline` what it stands on, px.
    pub fn text(&mut self, text: &str, x: f32, baseline: f32, size_px: f32, colour: Colour) {
        let (width, height) = (self.picture.width() as i32, self.picture.height() as i32);
        let pixels: &mut [u8] = &mut self.picture;
        lettering::each_pixel(text, x, baseline, size_px, |x, y, coverage| {
            if (0..width).contains(&x) && (0..height).contains(&y) {
                let index = 3 * (y * width + x) as usize;
                blend(&mut pixels[index..index + 3], colour, coverage);
            }
        });
    }

    /// Notes how near every pixel around a segment is to it.
    fn mark(&mut self, from: Point2, to: Point2, reach: f32) {
        let (width, height) = (self.picture.width() as f32, self.picture.height() as f32);
        let (ax, ay) = (from.x as f32, from.y as f32);
        let (dx, dy) = (to.x as f32 - ax, to.y as f32 - ay);
        let clamp = |value: f32, end: f32| value.clamp(0.0, end) as usize;
        let (left, right) = (ax.min(ax + dx) - reach, ax.max(ax + dx) + reach + 1.0);
        let (top, bottom) = (ay.min(ay + dy) - reach, ay.max(ay + dy) + reach + 1.0);
        let (left, right) = (clamp(left, width), clamp(right, width));
        let (top, bottom) = (clamp(top, height), clamp(bottom, height));
        if left >= right {
            return;
        }
        let length_squared = (dx * dx + dy * dy).max(1e-12);
        for row in top..bottom {
            let touched = &mut self.touched[row];
            *touched = (touched.0.min(left), touched.1.max(right));
            let py = row as f32 + 0.5 - ay;
            let line = &mut self.nearness[row * width as usize..][left..right];
            for (column, near) in line.iter_mut().enumerate() {
                let px = (left + column) as f32 + 0.5 - ax;
                let along = ((px * dx + py * dy) / length_squared).clamp(0.0, 1.0);
                let (ex, ey) = (px - along * dx, py - along * dy);
                let distance = (ex * ex + ey * ey).sqrt();
                *near = (*near).max(((1.0 - distance / reach) * 255.0).max(0.0) as u8);
            }
        }
    }

    /// Calls `draw(x, y, pixel)` with the pixel's centre for every pixel in and around a rectangle.
    fn each(&mut self, rect: Rect, mut draw: impl FnMut(f32, f32, &mut [u8])) {
        let (width, height) = (self.picture.width() as f32, self.picture.height() as f32);
        let from = |edge: f32, end: f32| (edge - 1.0).clamp(0.0, end) as usize;
        let to = |edge: f32, end: f32| (edge + 2.0).clamp(0.0, end) as usize;
        for row in from(rect.top, height)..to(rect.top + rect.height, height) {
            for column in from(rect.left, width)..to(rect.left + rect.width, width) {
                let index = 3 * (row * width as usize + column);
                let pixel = &mut (*self.picture)[index..index + 3];
                draw(column as f32 + 0.5, row as f32 + 0.5, pixel);
            }
        }
    }
}

/// Cuts a line into dashes of `on` px with gaps of `off` px between them.
pub fn dashes(line: &[Point2], on: f64, off: f64) -> Vec<Vec<Point2>> {
    let mut dashes = Vec::new();
    let mut dash: Vec<Point2> = line.first().copied().into_iter().collect();
    let (mut drawing, mut left) = (true, on);
    for pair in line.windows(2) {
        let (mut from, to) = (pair[0], pair[1]);
        loop {
            let length = (to - from).norm();
            if length < left {
                left -= length;
                if drawing {
                    dash.push(to);
                }
                break;
            }
            from += (to - from) * (left / length.max(1e-12));
            if drawing {
                dash.push(from);
                dashes.push(std::mem::take(&mut dash));
                left = off;
            } else {
                dash = vec![from];
                left = on;
            }
            drawing = !drawing;
        }
    }
    if dash.len() > 1 {
        dashes.push(dash);
    }
    dashes
}

/// Leaves out points closer than 2 px to the one before: half the work, and nothing to be seen of it.
fn thin_out(line: &[Point2]) -> Vec<Point2> {
    let mut thin: Vec<Point2> = Vec::with_capacity(line.len());
    for (index, point) in line.iter().enumerate() {
        let last = index + 1 == line.len();
        if last
            || thin
                .last()
                .is_none_or(|before| (point - before).norm_squared() >= 4.0)
        {
            thin.push(*point);
        }
    }
    thin
}

fn contains(corners: &[Point2], point: Point2) -> bool {
    let edges = corners.iter().zip(corners.iter().cycle().skip(1));
    edges
        .filter(|(a, b)| {
            (a.y > point.y) != (b.y > point.y)
                && point.x < (b.x - a.x) * (point.y - a.y) / (b.y - a.y) + a.x
        })
        .count()
        % 2
        == 1
}

fn blend(pixel: &mut [u8], colour: Colour, opacity: f32) {
    for (channel, target) in pixel.iter_mut().zip(colour) {
        let value = f32::from(*channel);
        *channel = (value + (f32::from(target) - value) * opacity + 0.5) as u8;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    const PLAIN: Ink = Ink {
        colour: [255; 3],
        width_px: 3.0,
        casing: [0; 3],
        casing_px: 0.0,
        opacity: 1.0,
    };

    fn black() -> Canvas {
        Canvas::new(RgbImage::new(40, 20))
    }

    /// A rendered edge: ink spread over a line's cross-section adds up to its width, centred on it.
    #[test]
    fn a_line_is_as_wide_as_asked_and_lies_where_it_should() {
        let mut canvas = black();
        canvas.stroke(
            &[vec![Point2::new(5.0, 10.25), Point2::new(35.0, 10.25)]],
            PLAIN,
        );
        let picture = canvas.finish();
        let column: Vec<f64> = (0..20)
            .map(|y| f64::from(picture.get_pixel(20, y)[0]) / 255.0)
            .collect();
        let ink: f64 = column.iter().sum();
        let middle: f64 = column
            .iter()
            .enumerate()
            .map(|(y, v)| (y as f64 + 0.5) * v)
            .sum::<f64>()
            / ink;
        // The nearness is kept in 255 steps over 2 px.
        assert!((ink - 3.0).abs() < 0.05, "{ink}");
        assert!((middle - 10.25).abs() < 0.02, "{middle}");
    }

    #[test]
    fn crossing_lines_of_one_stroke_do_not_add_up() {
        let half = Ink {
            opacity: 0.5,
            ..PLAIN
        };
        let mut canvas = black();
        let across = vec![Point2::new(5.0, 10.0), Point2::new(35.0, 10.0)];
        let down = vec![Point2::new(20.0, 2.0), Point2::new(20.0, 18.0)];
        canvas.stroke(&[across, down], half);
        let picture = canvas.finish();
        assert_eq!(picture.get_pixel(19, 9), picture.get_pixel(10, 9));
        assert_eq!(picture.get_pixel(10, 9), &Rgb([128; 3]));
    }

    #[test]
    fn drawing_outside_the_picture_is_cut_off() {
        let mut canvas = black();
        let far = vec![Point2::new(-500.0, -300.0), Point2::new(900.0, 400.0)];
        canvas.stroke(&[far], PLAIN);
        let rect = Rect {
            left: -10.0,
            top: 15.0,
            width: 100.0,
            height: 100.0,
        };
        canvas.plate(rect, 4.0, [9; 3], 1.0);
        canvas.text("outside", 30.0, 5.0, 20.0, [255; 3]);
        assert_eq!(canvas.finish().dimensions(), (40, 20));
    }

    #[test]
    fn dashes_are_as_long_as_asked_around_corners() {
        let line = [
            Point2::new(0.0, 0.0),
            Point2::new(7.0, 0.0),
            Point2::new(7.0, 13.0),
        ];
        let lengths: Vec<f64> = dashes(&line, 6.0, 3.0)
            .iter()
            .map(|dash| dash.windows(2).map(|pair| (pair[1] - pair[0]).norm()).sum())
            .collect();
        // 20 px: dash, gap, dash, gap, and what is left of the third dash.
        assert_eq!(lengths.len(), 3);
        for (length, expected) in lengths.iter().zip([6.0, 6.0, 2.0]) {
            assert!((length - expected).abs() < 1e-9, "{lengths:?}");
        }
    }
}
