//! Ink on paper: how much darker each place of a photo is than the paper around it.
//!
//! The darkest of the three colours is taken, where a coloured line stands out like a black one. The
//! paper's own brightness is the picture after a closing (P. Soille, Morphological Image Analysis, 2nd
//! ed. 2004, section 4.3) wider than any line, so uneven light and the table's edge leave nothing.

use crate::geometry::Point2;
use crate::solve::median::median;
use image::RgbImage;
use rayon::prelude::*;

/// Half side of the closing's square, mm: lines up to twice as wide are ink, larger dark areas are not.
const CLOSING_MM: f64 = 5.0;
/// Finest picture that is worked on, mm a pixel: finer ones only take longer.
const FINEST_MM: f64 = 0.18;
/// Blur before anything else, px: noise of single pixels.
const BLUR: [f32; 5] = [0.06, 0.24, 0.40, 0.24, 0.06];
/// Ink is at least this many times darker than noise makes the paper, where a line begins and where it
/// goes on.
const SURE_NOISES: f32 = 6.0;
const WEAK_NOISES: f32 = 4.0;
/// The same as shares of the usual line's darkness.
const SURE_SHARE: f32 = 0.5;
const WEAK_SHARE: f32 = 0.33;
/// Least darkness that is ink at all, share of the paper's brightness: a tenth of a printed grey.
const LEAST_DARKNESS: f32 = 0.05;
/// What is darker than this share of the brightest surface in the photo is no paper.
const LEAST_PAPER: f32 = 0.35;
/// Around a card its shadow and its board's edge are no ink, mm.
const BESIDE_CARD_MM: f64 = 8.0;
/// Holes in the ink smaller than this are noise, mm².
const HOLE_MM2: f64 = 0.25;
/// Ink smaller than this is dirt, mm².
const DIRT_MM2: f64 = 0.4;

/// Darkness over a picture shrunk by a whole factor.
#[derive(Debug, Clone)]
pub struct Ink {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Darkness by row and column: 0 paper, 1 black.
    pub darkness: Vec<f32>,
    /// Side of a pixel in pixels of the photo.
    pub shrink: u32,
    /// Side of a pixel on the paper near the card, mm.
    pub mm_per_px: f64,
    /// Usual darkness of a printed line.
    pub level: f32,
    /// Scatter of the darkness of bare paper.
    pub noise: f32,
}

impl Ink {
    /// From a photo of which a pixel is `mm_per_px` wide near the card; `hidden` are outlines in the
    /// photo, px, of what is no paper.
    pub fn new(photo: &RgbImage, mm_per_px: f64, hidden: &[[Point2; 4]]) -> Ink {
        let shrink = (FINEST_MM / mm_per_px).floor().max(1.0) as u32;
        let mm_per_px = mm_per_px * f64::from(shrink);
        let (width, height, bright) = darkest_colour(photo, shrink as usize);
        let bright = blurred(&bright, width, height);
        let bytes: Vec<u8> = bright.par_iter().map(|v| v.round() as u8).collect();
        let radius = (CLOSING_MM / mm_per_px).round().max(2.0) as usize;
        let paper = closed(bytes, width, height, radius);
        let least = (LEAST_PAPER * brightest(&paper)).max(8.0);
        let dark = |(v, p): (&f32, &u8)| 1.0 - v / f32::from(*p);
        let on_paper: Vec<f32> = bright
            .iter()
            .zip(&paper)
            .step_by(7)
            .filter(|(_, p)| f32::from(**p) >= least)
            .map(dark)
            .collect();
        // A closing takes the brightest of the noise for the paper.
        let (middle, noise) = spread(on_paper);
        let mut darkness: Vec<f32> = bright
            .par_iter()
            .zip(&paper)
            .map(|(v, p)| {
                if f32::from(*p) >= least {
                    dark((v, p)) - middle
                } else {
                    0.0
                }
            })
            .collect();
        for outline in hidden {
            let outline = outline.map(|p| p / f64::from(shrink));
            blank(
                &mut darkness,
                width,
                height,
                &outline,
                BESIDE_CARD_MM / mm_per_px,
            );
        }
        let level = usual_level(&darkness, width, noise);
        Ink {
            width,
            height,
            darkness,
            shrink,
            mm_per_px,
            level,
            noise,
        }
    }

    /// Darkness between pixels; pixel (0, 0) has its centre at (0.5, 0.5).
    pub fn at(&self, place: Point2) -> f32 {
        let (x, y) = (place.x - 0.5, place.y - 0.5);
        if !(x >= 0.0 && y >= 0.0) {
            return 0.0;
        }
        let (i, j) = (x as usize, y as usize);
        if i + 1 >= self.width || j + 1 >= self.height {
            return 0.0;
        }
        let (tx, ty) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let at = j * self.width + i;
        let d = &self.darkness;
        let top = d[at] + tx * (d[at + 1] - d[at]);
        let below = at + self.width;
        let bottom = d[below] + tx * (d[below + 1] - d[below]);
        top + ty * (bottom - top)
    }

    /// Which pixels are ink: dark ones, and less dark ones that hang together with them; without dirt and
    /// without small holes.
    pub fn mask(&self) -> Vec<bool> {
        let sure = (SURE_NOISES * self.noise)
            .max(SURE_SHARE * self.level)
            .max(LEAST_DARKNESS);
        let weak = (WEAK_NOISES * self.noise)
            .max(WEAK_SHARE * self.level)
            .max(0.6 * LEAST_DARKNESS);
        let mut mask: Vec<bool> = self.darkness.iter().map(|d| *d > weak).collect();
        let area = |mm2: f64| (mm2 / self.mm_per_px.powi(2)).ceil() as usize;
        let dirt = area(DIRT_MM2);
        let is_dirt = |pixels: &[usize]| {
            pixels.len() < dirt || !pixels.iter().any(|i| self.darkness[*i] > sure)
        };
        flip_regions(&mut mask, self.width, true, is_dirt);
        let hole = area(HOLE_MM2);
        flip_regions(&mut mask, self.width, false, |pixels: &[usize]| {
            pixels.len() < hole
        });
        // The skeleton needs paper around the ink.
        for (i, m) in mask.iter_mut().enumerate() {
            let (x, y) = (i % self.width, i / self.width);
            *m &= x > 0 && y > 0 && x + 1 < self.width && y + 1 < self.height;
        }
        mask
    }
}

/// The darkest colour of each pixel, 0…255, shrunk by means.
fn darkest_colour(photo: &RgbImage, shrink: usize) -> (usize, usize, Vec<f32>) {
    let (full, height) = (photo.width() as usize, photo.height() as usize / shrink);
    let width = full / shrink;
    let bytes = photo.as_raw();
    let mut out = vec![0f32; width * height];
    out.par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(y, row)| {
            for (x, o) in row.iter_mut().enumerate() {
                let mut sum = [0u32; 3];
                for j in 0..shrink {
                    let from = 3 * ((y * shrink + j) * full + x * shrink);
                    for pixel in bytes[from..from + 3 * shrink].chunks_exact(3) {
                        for (s, b) in sum.iter_mut().zip(pixel) {
                            *s += u32::from(*b);
                        }
                    }
                }
                let darkest = sum.iter().min().copied().unwrap_or(0);
                *o = darkest as f32 / (shrink * shrink) as f32;
            }
        });
    (width, height, out)
}

fn blurred(values: &[f32], width: usize, height: usize) -> Vec<f32> {
    let half = BLUR.len() / 2;
    let pass = |get: &(dyn Fn(usize, usize) -> f32 + Sync)| {
        let mut out = vec![0f32; width * height];
        out.par_chunks_mut(width.max(1))
            .enumerate()
            .for_each(|(y, row)| {
                for (x, o) in row.iter_mut().enumerate() {
                    *o = get(x, y);
                }
            });
        out
    };
    let across = pass(&|x, y| {
        BLUR.iter()
            .enumerate()
            .map(|(k, w)| w * values[y * width + (x + k).saturating_sub(half).min(width - 1)])
            .sum()
    });
    pass(&|x, y| {
        BLUR.iter()
            .enumerate()
            .map(|(k, w)| w * across[(y + k).saturating_sub(half).min(height - 1) * width + x])
            .sum()
    })
}

/// Closing with a square of half side `radius`: brightest around, then darkest of these around.
fn closed(bytes: Vec<u8>, width: usize, height: usize, radius: usize) -> Vec<u8> {
    let both = |bytes: Vec<u8>, pick: fn(u8, u8) -> u8| {
        let across = slid(&bytes, width, radius, pick);
        let down = slid(&turned(&across, width, height), height, radius, pick);
        turned(&down, height, width)
    };
    both(both(bytes, u8::max), u8::min)
}

/// The greatest (or least) of the `2·radius + 1` values around each, along the rows.
///
/// Windows of 2, 4, 8… are built of two half as wide; two of them cover the window asked for.
fn slid(bytes: &[u8], width: usize, radius: usize, pick: fn(u8, u8) -> u8) -> Vec<u8> {
    let window = 2 * radius + 1;
    let mut out = vec![0u8; bytes.len()];
    out.par_chunks_mut(width.max(1))
        .zip(bytes.par_chunks(width.max(1)))
        .for_each(|(out, row)| {
            let (first, last) = (row[0], row[row.len() - 1]);
            let mut run = vec![first; radius];
            run.extend_from_slice(row);
            run.resize(width + 2 * radius, last);
            let mut size = 1;
            while 2 * size <= window {
                for i in 0..run.len() - size {
                    run[i] = pick(run[i], run[i + size]);
                }
                size *= 2;
            }
            for (i, o) in out.iter_mut().enumerate() {
                *o = pick(run[i], run[i + window - size]);
            }
        });
    out
}

fn turned(bytes: &[u8], width: usize, height: usize) -> Vec<u8> {
    let mut out = vec![0u8; bytes.len()];
    out.par_chunks_mut(height.max(1))
        .enumerate()
        .for_each(|(x, column)| {
            for (y, o) in column.iter_mut().enumerate() {
                *o = bytes[y * width + x];
            }
        });
    out
}

/// Brightness that a twentieth of a picture exceeds.
fn brightest(bytes: &[u8]) -> f32 {
    let mut count = [0usize; 256];
    for b in bytes {
        count[usize::from(*b)] += 1;
    }
    let mut above = 0;
    let level = (0..256usize).rev().find(|level| {
        above += count[*level];
        above > bytes.len() / 20
    });
    level.unwrap_or(255) as f32
}

/// Median of values and their robust standard deviation (from the median of the lower deviations, as ink
/// only adds above).
fn spread(mut some: Vec<f32>) -> (f32, f32) {
    if some.is_empty() {
        return (0.0, 0.0);
    }
    some.sort_by(f32::total_cmp);
    let middle = some[some.len() / 2];
    // Median of the lower half: the 25th percentile of a normal distribution lies 0.6745 σ below.
    let low = some[some.len() / 4];
    (middle, ((middle - low) / 0.6745).max(0.002))
}

/// Median darkness on the backs of all dark lines.
fn usual_level(darkness: &[f32], width: usize, noise: f32) -> f32 {
    let least = (SURE_NOISES * noise).max(LEAST_DARKNESS);
    let mut backs: Vec<f32> = Vec::new();
    let n = darkness.len();
    for i in (2 * width..n.saturating_sub(2 * width)).step_by(3) {
        let d = darkness[i];
        let crest = |step: usize| {
            d >= darkness[i - step]
                && d >= darkness[i + step]
                && d > darkness[i - 2 * step]
                && d > darkness[i + 2 * step]
        };
        if d > least && (crest(1) || crest(width)) {
            backs.push(d);
        }
    }
    median(backs, f32::total_cmp).unwrap_or(1.0)
}

/// Takes the inside of an outline, and `margin` px around it, for bare paper.
fn blank(darkness: &mut [f32], width: usize, height: usize, outline: &[Point2; 4], margin: f64) {
    let middle = outline
        .iter()
        .fold(Point2::origin(), |m, p| m + p.coords / 4.0);
    let wider = outline.map(|p| {
        let out = p - middle;
        middle + out * (1.0 + 1.5 * margin / out.norm().max(1.0))
    });
    let bound = |v: f64, most: usize| v.clamp(0.0, most as f64) as usize;
    let xs = wider.map(|p| p.x);
    let ys = wider.map(|p| p.y);
    let (left, right) = (
        xs.iter().copied().fold(f64::MAX, f64::min),
        xs.iter().copied().fold(f64::MIN, f64::max),
    );
    let (top, bottom) = (
        ys.iter().copied().fold(f64::MAX, f64::min),
        ys.iter().copied().fold(f64::MIN, f64::max),
    );
    // Either way round.
    let turn = (wider[1] - wider[0]).perp(&(wider[2] - wider[1])).signum();
    for y in bound(top, height)..bound(bottom + 1.0, height) {
        for x in bound(left, width)..bound(right + 1.0, width) {
            let p = Point2::new(x as f64 + 0.5, y as f64 + 0.5);
            if (0..4).all(|k| turn * (wider[(k + 1) % 4] - wider[k]).perp(&(p - wider[k])) >= 0.0) {
                darkness[y * width + x] = 0.0;
            }
        }
    }
}

/// Turns over every connected region of `value` for which `small` holds: ink hangs together over corners,
/// paper does not.
fn flip_regions(mask: &mut [bool], width: usize, value: bool, small: impl Fn(&[usize]) -> bool) {
    let mut seen = vec![false; mask.len()];
    let mut region: Vec<usize> = Vec::new();
    for start in 0..mask.len() {
        if seen[start] || mask[start] != value {
            continue;
        }
        region.clear();
        region.push(start);
        seen[start] = true;
        let mut next = 0;
        while next < region.len() {
            let at = region[next];
            next += 1;
            let x = at % width;
            let mut visit = |i: Option<usize>| {
                if let Some(i) = i.filter(|i| *i < mask.len() && !seen[*i] && mask[*i] == value) {
                    seen[i] = true;
                    region.push(i);
                }
            };
            for row in [at.checked_sub(width), Some(at), Some(at + width)] {
                let straight = row == Some(at);
                if !straight {
                    visit(row);
                }
                if straight || value {
                    visit(row.filter(|_| x > 0).and_then(|r| r.checked_sub(1)));
                    visit(row.filter(|_| x + 1 < width).map(|r| r + 1));
                }
            }
        }
        if small(&region) {
            for i in &region {
                mask[*i] = !value;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A slow, plain closing is the oracle of the fast one.
    #[test]
    fn closing_equals_the_definition() {
        let (w, h, r) = (23usize, 17usize, 3usize);
        let bytes: Vec<u8> = (0..w * h).map(|i| (i * 7919 % 251) as u8).collect();
        let around = |b: &[u8], pick: fn(u8, u8) -> u8| -> Vec<u8> {
            (0..w * h)
                .map(|i| {
                    let (x, y) = (i % w, i / w);
                    let mut best = b[i];
                    for v in y.saturating_sub(r)..(y + r + 1).min(h) {
                        for u in x.saturating_sub(r)..(x + r + 1).min(w) {
                            best = pick(best, b[v * w + u]);
                        }
                    }
                    best
                })
                .collect()
        };
        let expected = around(&around(&bytes, u8::max), u8::min);
        assert_eq!(closed(bytes, w, h, r), expected);
    }

    #[test]
    fn grey_and_coloured_lines_are_ink_and_a_shadow_is_not() {
        let mut photo = RgbImage::from_fn(200, 120, |x, _| {
            // A soft shadow over 60 px.
            let light = 230.0 - 60.0 * ((f64::from(x) - 70.0) / 60.0).clamp(0.0, 1.0);
            image::Rgb([light as u8; 3])
        });
        for y in 10..110 {
            for x in [30u32, 31, 32] {
                photo.put_pixel(x, y, image::Rgb([150, 150, 150]));
                photo.put_pixel(x + 130, y, image::Rgb([60, 90, 170]));
            }
        }
        let ink = Ink::new(&photo, 0.4, &[]);
        let mask = ink.mask();
        let row: Vec<usize> = (0..200).filter(|x| mask[60 * 200 + x]).collect();
        assert!(row.contains(&31) && row.contains(&161), "{row:?}");
        assert!(
            row.iter()
                .all(|x| (28..36).contains(x) || (158..166).contains(x)),
            "{row:?}"
        );
    }
}
