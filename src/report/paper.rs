//! A traced paper to look at: the paper seen straight from above, the design drawn over its print.

use super::overlay::canvas::{Canvas, Colour, Ink};
use crate::design::from_photo::TracedDesign;
use crate::geometry::{Point2, Vector2};
use crate::units::LengthUnit;
use crate::verdict::words::length;
use image::RgbImage;

/// Longest side of the picture, px.
const LONGEST_PX: f64 = 2200.0;
/// Paper around the line, mm.
const MARGIN_MM: f64 = 20.0;
/// Colours of the repeats in turn, of marks and of gaps: from the palette of Okabe and Ito (Color Universal
/// Design, 2008). Repeats also differ in width, so that the picture reads without colour.
const REPEATS: [(Colour, f32); 2] = [([213, 94, 0], 3.0), ([0, 114, 178], 2.0)];
const MARK: Colour = [0, 0, 0];
const WHITE: Colour = [255, 255, 255];
const GAP: Colour = [204, 121, 167];

/// Draws the picture. Where the print shows beside the line, the two differ.
pub fn draw(photo: &RgbImage, traced: &TracedDesign, unit: LengthUnit) -> RgbImage {
    let places: Vec<Point2> = traced
        .traces
        .iter()
        .flatten()
        .filter_map(|p| traced.view.quilt_from_photo(p.in_photo_px))
        .collect();
    let (mut min, mut max) = (Point2::origin(), Point2::origin());
    if let Some(first) = places.first() {
        (min, max) = places
            .iter()
            .fold((*first, *first), |(a, b), p| (a.inf(p), b.sup(p)));
    }
    let margin = Vector2::new(MARGIN_MM, MARGIN_MM);
    let (min, max) = (min - margin, max + margin);
    let size = max - min;
    let px_per_mm = (LONGEST_PX / size.x.max(size.y)).min(5.0);
    let to_px = |p: Point2| Point2::from((p - min) * px_per_mm);
    let flat = straightened(photo, traced, min, size, px_per_mm);
    let mut canvas = Canvas::new(flat);
    let ink = |colour, width_px| Ink {
        colour,
        width_px,
        casing: WHITE,
        casing_px: 0.8,
        opacity: 0.85,
    };
    let design = &traced.design;
    let half = design.height_mm() / 2.0;
    let repeat = design.repeat_mm;
    for start in &traced.starts {
        let number = |x: f64| ((x - start.x) / repeat).floor() as i64;
        for k in number(min.x) - 1..=number(max.x) {
            let by = start.coords + Vector2::new(k as f64 * repeat, 0.0);
            let line = design.curve_mm.iter().map(|p| to_px(p + by)).collect();
            let (colour, width) = REPEATS[k.rem_euclid(2) as usize];
            canvas.stroke(&[line], ink(colour, width));
            let top = Point2::from(by) - Vector2::new(0.0, half + 4.0);
            let bottom = Point2::from(by) + Vector2::new(0.0, half + 4.0);
            canvas.stroke(&[vec![to_px(top), to_px(bottom)]], ink(MARK, 2.0));
        }
    }
    for bridge in &traced.bridges {
        if let Some(at) = traced.view.quilt_from_photo(bridge.in_photo_px) {
            let radius = bridge.length_mm / 2.0 + 2.0;
            let ring = (0..=32)
                .map(|i| {
                    let a = f64::from(i) / 32.0 * std::f64::consts::TAU;
                    to_px(at + Vector2::new(a.cos(), a.sin()) * radius)
                })
                .collect();
            canvas.stroke(&[ring], ink(GAP, 2.0));
        }
    }
    let label = format!("one repeat {}", length(repeat, unit));
    canvas.text(&label, 12.0, 30.0, 24.0, MARK);
    canvas.finish()
}

/// The paper at an even scale, the picture's left top at `min`.
fn straightened(
    photo: &RgbImage,
    traced: &TracedDesign,
    min: Point2,
    size: Vector2,
    px_per_mm: f64,
) -> RgbImage {
    let (w, h) = (
        (size.x * px_per_mm).ceil().max(1.0) as u32,
        (size.y * px_per_mm).ceil().max(1.0) as u32,
    );
    RgbImage::from_par_fn(w, h, |x, y| {
        let place = min + Vector2::new(f64::from(x) + 0.5, f64::from(y) + 0.5) / px_per_mm;
        let Some(px) = traced.view.photo_from_quilt(place) else {
            return image::Rgb(WHITE);
        };
        let (u, v) = (px.x - 0.5, px.y - 0.5);
        let inside = u >= 0.0
            && v >= 0.0
            && u + 1.0 < f64::from(photo.width())
            && v + 1.0 < f64::from(photo.height());
        if !inside {
            return image::Rgb(WHITE);
        }
        let (i, j) = (u as u32, v as u32);
        let (tx, ty) = (u - f64::from(i), v - f64::from(j));
        let at = |di, dj| photo.get_pixel(i + di, j + dj).0;
        let [a, b, c, d] = [at(0, 0), at(1, 0), at(0, 1), at(1, 1)];
        image::Rgb(std::array::from_fn(|k| {
            let mix = |p: u8, q: u8, t: f64| f64::from(p) + (f64::from(q) - f64::from(p)) * t;
            let (top, bottom) = (mix(a[k], b[k], tx), mix(c[k], d[k], tx));
            (top + (bottom - top) * ty).round() as u8
        }))
    })
}
