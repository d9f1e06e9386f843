//! A coarse map of oriented line evidence over the quilt, for finding rows.
//!
//! The photo is rectified at about a millimetre, blurred to the scale of a stitched groove, and its
//! second derivatives give in each of eight directions how much more the picture bends across than
//! along (C. Steger, IEEE TPAMI 20(2), 1998, uses the same derivatives for the place of a line). The
//! sign is dropped: the same thread is light on one patch and dark on the next. Divided by the
//! fabric's own local mean in that direction, so that neither prints nor stripes shout a quiet line down.

use super::correlate;
use crate::geometry::Point2;
use crate::plane::camera::PreparedView;
use image::GrayImage;
use pulp::Arch;
use rayon::prelude::*;
use std::ops::Range;

/// Number of directions, over half a turn.
pub const DIRECTIONS: usize = 8;
/// Side of a cell of the map, mm.
pub const CELL_MM: f64 = 3.75;
/// Fine cells, in which the photo is rectified, along it: 1.25 mm each.
const POOL: usize = 3;
/// Half side of the neighbourhood that evidence is compared with, in map cells: about 30 mm.
const NEIGHBOURHOOD_CELLS: usize = 8;
/// Evidence above this many times the local mean counts no more: a seam or a card edge is not surer
/// than a stitched line.
const CLIP: f32 = 4.0;
/// Share of the mean over all directions in what a direction's evidence is compared with; the rest is that
/// direction's own mean, so that a line across stripes is not drowned by them.
const OF_ALL: f32 = 0.2;
/// Grey levels of curvature below which there is nothing but noise.
const FLOOR_LEVELS: f32 = 0.15;
/// Places further than this from the middle of the photo's picture of the quilt are left out, mm.
const REACH_MM: f64 = 1600.0;

/// A rectangle of the quilt, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Region {
    /// Left, top.
    pub min: Point2,
    /// Right, bottom.
    pub max: Point2,
}

/// Oriented line evidence by map cell.
#[derive(Debug, Clone, PartialEq)]
pub struct LineMap {
    /// Middle of the map's first cell, on the quilt, mm.
    pub origin: Point2,
    /// Cells across.
    pub width: usize,
    /// Cells down.
    pub height: usize,
    /// Side of a cell, mm.
    pub cell_mm: f64,
    /// Evidence by row, column and direction: direction d is a line whose normal stands at d·π/8 to x.
    pub evidence: Vec<[f32; DIRECTIONS]>,
    /// Whether the cell is seen and free of cards.
    pub seen: Vec<bool>,
}

/// A photo as the map needs it.
pub struct MapPhoto<'a> {
    /// Luma, mostly at half size: pixel (i, j) covers the photo's pixels 2i…2i+1, 2j…2j+1.
    pub luma: &'a GrayImage,
    /// Pixels of the photo along a pixel's side: 1 or 2.
    pub shrunk: u32,
    /// Where the quilt is.
    pub view: &'a PreparedView,
    /// Outlines of the cards on the quilt, mm: they hide what is below.
    pub cards: &'a [[Point2; 4]],
}

/// Halves a picture by 2 × 2 means.
pub fn half_size(luma: &GrayImage) -> GrayImage {
    let (w, h) = ((luma.width() / 2) as usize, (luma.height() / 2) as usize);
    let full = luma.width() as usize;
    let source = luma.as_raw();
    let mut out = vec![0u8; w * h];
    out.par_chunks_mut(w.max(1))
        .enumerate()
        .for_each(|(y, row)| {
            let top = &source[2 * y * full..2 * y * full + 2 * w];
            let bottom = &source[(2 * y + 1) * full..(2 * y + 1) * full + 2 * w];
            for ((o, a), b) in row
                .iter_mut()
                .zip(top.chunks_exact(2))
                .zip(bottom.chunks_exact(2))
            {
                let sum = u16::from(a[0]) + u16::from(a[1]) + u16::from(b[0]) + u16::from(b[1]);
                *o = ((sum + 2) / 4) as u8;
            }
        });
    GrayImage::from_raw(w as u32, h as u32, out).unwrap_or_default()
}

/// The part of the quilt a photo shows, at most 1600 mm from the picture's middle.
pub fn seen_region(view: &PreparedView, width_px: u32, height_px: u32) -> Option<Region> {
    let (w, h) = (f64::from(width_px), f64::from(height_px));
    let middle = view.quilt_from_photo(Point2::new(w / 2.0, h / 2.0))?;
    let mut region = Region {
        min: middle,
        max: middle,
    };
    for i in 0..=8 {
        let t = f64::from(i) / 8.0;
        for px in [(t * w, 0.0), (t * w, h), (0.0, t * h), (w, t * h)] {
            let p = match view.quilt_from_photo(Point2::new(px.0, px.1)) {
                Some(p) => p,
                None => continue,
            };
            region.min.x = region.min.x.min(p.x).max(middle.x - REACH_MM);
            region.min.y = region.min.y.min(p.y).max(middle.y - REACH_MM);
            region.max.x = region.max.x.max(p.x).min(middle.x + REACH_MM);
            region.max.y = region.max.y.max(p.y).min(middle.y + REACH_MM);
        }
    }
    Some(region)
}

impl LineMap {
    /// Maps the evidence of all photos; where several show a cell, their mean.
    pub fn new(photos: &[MapPhoto], region: Region) -> LineMap {
        let mut map = LineMap::blank(region);
        let mut count = vec![0u8; map.width * map.height];
        for photo in photos {
            for sigma in if photo.shrunk == 1 {
                &BLURS[..]
            } else {
                &BLURS[..1]
            } {
                map.add(photo, *sigma, &mut count);
            }
        }
        map.divide_by(&count);
        map
    }

    /// A map on which nothing is seen.
    pub(super) fn blank(region: Region) -> LineMap {
        let width = ((region.max.x - region.min.x) / CELL_MM).ceil().max(1.0) as usize;
        let height = ((region.max.y - region.min.y) / CELL_MM).ceil().max(1.0) as usize;
        LineMap {
            origin: region.min + nalgebra::Vector2::new(CELL_MM / 2.0, CELL_MM / 2.0),
            width,
            height,
            cell_mm: CELL_MM,
            evidence: vec![[0.0; DIRECTIONS]; width * height],
            seen: vec![false; width * height],
        }
    }

    /// Sums of evidence become means over the photos that show each cell.
    pub(super) fn divide_by(&mut self, count: &[u8]) {
        for ((evidence, seen), n) in self.evidence.iter_mut().zip(&mut self.seen).zip(count) {
            *seen = *n > 0;
            for e in evidence.iter_mut() {
                *e /= f32::from((*n).max(1));
            }
        }
    }

    /// The map at half the resolution, for a first look.
    pub fn halved(&self) -> LineMap {
        let (width, height) = (self.width / 2, self.height / 2);
        let mut half = LineMap {
            origin: self.origin + nalgebra::Vector2::new(self.cell_mm / 2.0, self.cell_mm / 2.0),
            width,
            height,
            cell_mm: 2.0 * self.cell_mm,
            evidence: vec![[0.0; DIRECTIONS]; width * height],
            seen: vec![false; width * height],
        };
        for (i, (evidence, seen)) in half.evidence.iter_mut().zip(&mut half.seen).enumerate() {
            let (x, y) = (2 * (i % width), 2 * (i / width));
            let four = [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(a, b)| (y + b) * self.width + x + a);
            if four.iter().all(|at| self.seen[*at]) {
                *seen = true;
                for at in four {
                    for (e, s) in evidence.iter_mut().zip(&self.evidence[at]) {
                        *e += 0.25 * s;
                    }
                }
            }
        }
        half
    }

    fn cell(&self, place: Point2) -> Option<(f64, f64)> {
        let x = (place.x - self.origin.x) / CELL_MM;
        let y = (place.y - self.origin.y) / CELL_MM;
        let inside =
            x >= 0.0 && y >= 0.0 && x < (self.width - 1) as f64 && y < (self.height - 1) as f64;
        inside.then_some((x, y))
    }

    /// Whether the place is seen.
    pub fn is_seen(&self, place: Point2) -> bool {
        self.cell(place)
            .is_some_and(|(x, y)| self.seen[y.round() as usize * self.width + x.round() as usize])
    }

    /// Evidence at a place for a line whose normal lies `part` of the way from direction `bin` to the
    /// next; between cells interpolated.
    pub fn evidence_near(&self, place: Point2, bin: usize, part: f32) -> f32 {
        let Some((x, y)) = self.cell(place) else {
            return 0.0;
        };
        let (i, j) = (x as usize, y as usize);
        let (tx, ty) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let next = (bin + 1) % DIRECTIONS;
        let at = |i: usize, j: usize| {
            let e = &self.evidence[j * self.width + i];
            e[bin] + part * (e[next] - e[bin])
        };
        let top = at(i, j) + tx * (at(i + 1, j) - at(i, j));
        let bottom = at(i, j + 1) + tx * (at(i + 1, j + 1) - at(i, j + 1));
        top + ty * (bottom - top)
    }

    /// The part of the map of this size around a place, for a first look.
    pub fn around(&self, middle: Point2, half_mm: [f64; 2]) -> LineMap {
        let span = |at: f64, half: f64, origin: f64, n: usize| {
            let cell = |mm: f64| ((mm - origin) / self.cell_mm).clamp(0.0, n as f64) as usize;
            (cell(at - half), cell(at + half))
        };
        let (c0, c1) = span(middle.x, half_mm[0], self.origin.x, self.width);
        let (r0, r1) = span(middle.y, half_mm[1], self.origin.y, self.height);
        let corner = nalgebra::Vector2::new(c0 as f64, r0 as f64) * self.cell_mm;
        let lines = |row: usize| row * self.width + c0..row * self.width + c1;
        LineMap {
            origin: self.origin + corner,
            width: c1 - c0,
            height: r1 - r0,
            cell_mm: self.cell_mm,
            evidence: (r0..r1)
                .flat_map(|r| self.evidence[lines(r)].to_vec())
                .collect(),
            seen: (r0..r1)
                .flat_map(|r| self.seen[lines(r)].to_vec())
                .collect(),
        }
    }

    /// Columns and rows of the cells a photo may show: first, and one past the last.
    fn reach_of(&self, photo: &MapPhoto) -> Option<[(usize, usize); 2]> {
        let (w, h) = photo.luma.dimensions();
        let seen = seen_region(photo.view, photo.shrunk * w, photo.shrunk * h)?;
        let span = |from: f64, to: f64, origin: f64, n: usize| {
            // The picture's border is curved: a little more than its points tell.
            const MORE: f64 = 4.0;
            let cell = |mm: f64| (mm - origin) / self.cell_mm;
            let first = (cell(from) - MORE).floor().clamp(0.0, n as f64) as usize;
            let last = (cell(to) + MORE).ceil().clamp(0.0, n as f64) as usize;
            (last > first + 2).then_some((first, last))
        };
        Some([
            span(seen.min.x, seen.max.x, self.origin.x, self.width)?,
            span(seen.min.y, seen.max.y, self.origin.y, self.height)?,
        ])
    }

    /// The photo in fine cells, `pool` along the side of a cell of the map, blurred by `sigma` of them; `None` where it shows
    /// nothing of the map.
    pub(super) fn fine<'a>(
        &self,
        photo: &'a MapPhoto<'a>,
        pool: usize,
        sigma: f32,
    ) -> Option<Fine<'a>> {
        let [(c0, c1), (r0, r1)] = self.reach_of(photo)?;
        let (width, height) = (c1 - c0, r1 - r0);
        let (fw, fh) = (width * pool, height * pool);
        let corner = nalgebra::Vector2::new(c0 as f64, r0 as f64) * CELL_MM;
        let origin = self.origin + corner;
        let half_cell = nalgebra::Vector2::new(CELL_MM / 2.0, CELL_MM / 2.0);
        let sharp = rectify(photo, origin - half_cell, (fw, fh), CELL_MM / pool as f64);
        let blurred = blur(&sharp, fw, fh, sigma);
        Some(Fine {
            columns: c0..c1,
            rows: r0..r1,
            size: (fw, fh),
            mean_bend: local_means(&blurred, (width, height), pool),
            blurred,
            origin,
            cards: photo.cards,
        })
    }

    fn add(&mut self, photo: &MapPhoto, sigma: f32, count: &mut [u8]) {
        let Some(fine) = self.fine(photo, POOL, sigma) else {
            return;
        };
        let (width, height) = (fine.columns.len(), fine.rows.len());
        let Fine {
            blurred, mean_bend, ..
        } = &fine;
        let whole = self.width;
        let cells = fine.rows.start * whole..fine.rows.end * whole;
        self.evidence[cells.clone()]
            .par_chunks_mut(whole)
            .zip(count[cells].par_chunks_mut(whole))
            .enumerate()
            .for_each(|(row, (cells, counts))| {
                let cells = &mut cells[fine.columns.clone()];
                let counts = &mut counts[fine.columns.clone()];
                Arch::new().dispatch(|| {
                    for column in 0..width {
                        let at = row * width + column;
                        // The outermost cells have no neighbours to differentiate with.
                        let edge =
                            row == 0 || column == 0 || row + 1 == height || column + 1 == width;
                        if mean_bend[0][at].is_nan() || edge || fine.is_hidden(column, row) {
                            continue;
                        }
                        let all: f32 =
                            mean_bend.iter().map(|m| m[at]).sum::<f32>() / DIRECTIONS as f32;
                        let scale: [f32; DIRECTIONS] = std::array::from_fn(|d| {
                            1.0 / (mean_bend[d][at]
                                + OF_ALL * (all - mean_bend[d][at])
                                + FLOOR_LEVELS)
                        });
                        let mean = pooled(blurred, fine.size.0, (column, row), &scale);
                        add_to(&mut cells[column], &mut counts[column], mean);
                    }
                });
            });
    }
}

/// A photo in fine cells over a part of the map.
pub(super) struct Fine<'a> {
    /// Columns and rows of the map.
    pub(super) columns: Range<usize>,
    pub(super) rows: Range<usize>,
    /// Fine cells across and down.
    pub(super) size: (usize, usize),
    /// Luma by fine cell, blurred; not a number where the photo does not show it.
    pub(super) blurred: Vec<f32>,
    /// See [`local_means`].
    pub(super) mean_bend: Vec<Vec<f32>>,
    /// Middle of its first map cell, on the quilt, mm.
    origin: Point2,
    cards: &'a [[Point2; 4]],
}

impl Fine<'_> {
    /// Whether a card lies over a map cell, counted from the first of the part.
    pub(super) fn is_hidden(&self, column: usize, row: usize) -> bool {
        let place = Point2::new(
            self.origin.x + column as f64 * CELL_MM,
            self.origin.y + row as f64 * CELL_MM,
        );
        self.cards.iter().any(|card| covers(card, place))
    }
}

/// Adds a photo's evidence to a cell's; next to the picture's edge the blur has nothing to go by, and it is not a number.
pub(super) fn add_to(cell: &mut [f32; DIRECTIONS], count: &mut u8, evidence: [f32; DIRECTIONS]) {
    if evidence.iter().any(|e| e.is_nan()) {
        return;
    }
    *count += 1;
    for (sum, e) in cell.iter_mut().zip(evidence) {
        *sum += e;
    }
}

/// Mean over the fine cells of a map cell of how much more the picture bends across each direction than along it, by
/// what is usual there.
#[inline(always)]
fn pooled(
    blurred: &[f32],
    fw: usize,
    (column, row): (usize, usize),
    scale: &[f32; DIRECTIONS],
) -> [f32; DIRECTIONS] {
    let mut sum = [0.0f32; DIRECTIONS];
    for y in row * POOL..(row + 1) * POOL {
        for x in column * POOL..(column + 1) * POOL {
            let bend = bends(blurred, fw, x, y);
            for (d, s) in sum.iter_mut().enumerate() {
                let e = (d + DIRECTIONS / 2) % DIRECTIONS;
                let across = bend[d].abs() * scale[d];
                let along = bend[e].abs() * scale[e];
                *s += (across - along).clamp(0.0, CLIP);
            }
        }
    }
    sum.map(|s| s / (POOL * POOL) as f32)
}

/// Mean size of the bend in each direction around each map cell; not a number where the photo does not
/// show the cell.
fn local_means(blurred: &[f32], (width, height): (usize, usize), pool: usize) -> Vec<Vec<f32>> {
    let fw = width * pool;
    let mut pooled = vec![[f32::NAN; DIRECTIONS]; width * height];
    pooled
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(row, cells)| {
            if row == 0 || row + 1 == height {
                return;
            }
            for (column, cell) in cells.iter_mut().enumerate().take(width - 1).skip(1) {
                let bend = bends(blurred, fw, column * pool + pool / 2, row * pool + pool / 2);
                *cell = bend.map(f32::abs);
            }
        });
    (0..DIRECTIONS)
        .into_par_iter()
        .map(|d| {
            let one: Vec<f32> = pooled.iter().map(|p| p[d]).collect();
            box_mean(&one, width, height, NEIGHBOURHOOD_CELLS)
        })
        .collect()
}

/// Whether a convex outline, clockwise on screen, holds a place.
pub fn covers(card: &[Point2; 4], place: Point2) -> bool {
    (0..4).all(|i| {
        let (a, b) = (card[i], card[(i + 1) % 4]);
        (b - a).perp(&(place - a)) >= 0.0
    })
}

/// Bend of the blurred picture in each direction, grey levels per fine cell².
#[inline(always)]
pub(super) fn bends(b: &[f32], w: usize, x: usize, y: usize) -> [f32; DIRECTIONS] {
    let i = y * w + x;
    let xx = b[i - 1] - 2.0 * b[i] + b[i + 1];
    let yy = b[i - w] - 2.0 * b[i] + b[i + w];
    let xy = 0.25 * (b[i + w + 1] - b[i + w - 1] - b[i - w + 1] + b[i - w - 1]);
    // n·H·n for normals at d·π/8: half sums of cos and sin of twice the angle.
    let (mean, half, cross) = (0.5 * (xx + yy), 0.5 * (xx - yy), xy);
    const H: f32 = std::f32::consts::FRAC_1_SQRT_2;
    let diagonal = H * (half + cross);
    let counter = H * (cross - half);
    [
        mean + half,
        mean + diagonal,
        mean + cross,
        mean + counter,
        mean - half,
        mean - diagonal,
        mean - cross,
        mean - counter,
    ]
}

/// Blurs in which lines are looked for, fine cells: 1.5 mm, the scale between a thread and its groove; and in photos
/// from afar, where a thread is hardly a pixel wide, 0.9 mm for the thread alone.
const BLURS: [f32; 2] = [1.2, 0.7];

/// Places in a fine cell, in cells from its middle, whose mean stands for it.
const QUARTERS: [(f32, f32); 4] = [(-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)];

/// The photo in fine cells of a size (mm) from a corner on; NaN where it does not show the quilt.
fn rectify(photo: &MapPhoto, corner: Point2, (fw, fh): (usize, usize), fine_mm: f64) -> Vec<f32> {
    const LATTICE: usize = 24;
    let (lw, lh) = (fw / LATTICE + 2, fh / LATTICE + 2);
    let place = |x: usize, y: usize| {
        Point2::new(
            corner.x + (x as f64 + 0.5) * fine_mm,
            corner.y + (y as f64 + 0.5) * fine_mm,
        )
    };
    // Perspective is smooth: it is worked out on a lattice and interpolated between.
    let lattice: Vec<Option<(f32, f32)>> = (0..lw * lh)
        .map(|i| {
            let p = photo
                .view
                .photo_from_quilt(place(i % lw * LATTICE, i / lw * LATTICE))?;
            let shrunk = photo.shrunk as f32;
            Some((p.x as f32 / shrunk - 0.5, p.y as f32 / shrunk - 0.5))
        })
        .collect();
    let (w, h) = (photo.luma.width() as usize, photo.luma.height() as usize);
    let pixels = photo.luma.as_raw();
    let sample = |px: f32, py: f32| {
        if px < 0.0 || py < 0.0 || px >= (w - 1) as f32 || py >= (h - 1) as f32 {
            return f32::NAN;
        }
        let (ix, iy) = (px as usize, py as usize);
        let (tx, ty) = (px - ix as f32, py - iy as f32);
        let at = |dx: usize, dy: usize| f32::from(pixels[(iy + dy) * w + ix + dx]);
        let top = at(0, 0) + tx * (at(1, 0) - at(0, 0));
        let bottom = at(0, 1) + tx * (at(1, 1) - at(0, 1));
        top + ty * (bottom - top)
    };
    let mut out = vec![f32::NAN; fw * fh];
    out.par_chunks_mut(fw).enumerate().for_each(|(y, row)| {
        let (ly, ty) = (y / LATTICE, (y % LATTICE) as f32 / LATTICE as f32);
        for lx in 0..lw - 1 {
            let corner = |dx: usize, dy: usize| lattice[(ly + dy) * lw + lx + dx];
            let (Some(a), Some(b), Some(c), Some(d)) =
                (corner(0, 0), corner(1, 0), corner(0, 1), corner(1, 1))
            else {
                continue;
            };
            let left = (a.0 + ty * (c.0 - a.0), a.1 + ty * (c.1 - a.1));
            let right = (b.0 + ty * (d.0 - b.0), b.1 + ty * (d.1 - b.1));
            let (sx, sy) = (
                (right.0 - left.0) / LATTICE as f32,
                (right.1 - left.1) / LATTICE as f32,
            );
            let down = (LATTICE as f32, c.0 - a.0, c.1 - a.1);
            let (dx, dy) = (down.1 / down.0, down.2 / down.0);
            let from = lx * LATTICE;
            for (k, o) in row[from.min(fw)..(from + LATTICE).min(fw)]
                .iter_mut()
                .enumerate()
            {
                let (px, py) = (left.0 + k as f32 * sx, left.1 + k as f32 * sy);
                *o = match photo.shrunk {
                    // At full size a thread is thinner than a cell and would fall between two samples.
                    1 => {
                        QUARTERS
                            .iter()
                            .map(|(a, b)| sample(px + a * sx + b * dx, py + a * sy + b * dy))
                            .sum::<f32>()
                            / QUARTERS.len() as f32
                    }
                    _ => sample(px, py),
                };
            }
        }
    });
    out
}

/// Gaussian blur, in fine cells.
fn blur(fine: &[f32], w: usize, h: usize, sigma: f32) -> Vec<f32> {
    const R: usize = 4;
    let mut kernel: [f32; 2 * R + 1] =
        std::array::from_fn(|i| (-0.5 * ((i as f32 - R as f32) / sigma).powi(2)).exp());
    let sum: f32 = kernel.iter().sum();
    kernel.iter_mut().for_each(|k| *k /= sum);
    // Written out once more for processors with wider registers.
    let processor = Arch::new();
    let mut across = vec![f32::NAN; w * h];
    across
        .par_chunks_mut(w)
        .zip(fine.par_chunks(w))
        .for_each(|(out, row)| {
            correlate(row, &kernel, &mut out[R..row.len().max(2 * R) - R]);
        });
    let mut out = vec![f32::NAN; w * h];
    out.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        if y < R || y + R >= h {
            return;
        }
        row.fill(0.0);
        processor.dispatch(|| {
            for (k, weight) in kernel.iter().enumerate() {
                let source = &across[(y + k - R) * w..(y + k - R + 1) * w];
                for (o, a) in row.iter_mut().zip(source) {
                    *o += weight * a;
                }
            }
        });
    });
    out
}

/// Mean over a square of side 2r+1, over the numbers in it; NaN stays NaN in its middle.
pub(crate) fn box_mean(values: &[f32], w: usize, h: usize, r: usize) -> Vec<f32> {
    let mut sums = vec![(0.0f64, 0u32); (w + 1) * (h + 1)];
    for y in 0..h {
        let mut line = (0.0f64, 0u32);
        for x in 0..w {
            let v = values[y * w + x];
            if !v.is_nan() {
                line = (line.0 + f64::from(v), line.1 + 1);
            }
            let above = sums[y * (w + 1) + x + 1];
            sums[(y + 1) * (w + 1) + x + 1] = (above.0 + line.0, above.1 + line.1);
        }
    }
    (0..w * h)
        .map(|i| {
            if values[i].is_nan() {
                return f32::NAN;
            }
            let (x, y) = (i % w, i / w);
            let (x0, x1) = (x.saturating_sub(r), (x + r + 1).min(w));
            let (y0, y1) = (y.saturating_sub(r), (y + r + 1).min(h));
            let at = |x: usize, y: usize| sums[y * (w + 1) + x];
            let sum = at(x1, y1).0 - at(x0, y1).0 - at(x1, y0).0 + at(x0, y0).0;
            let n = at(x1, y1).1 + at(x0, y0).1 - at(x0, y1).1 - at(x1, y0).1;
            (sum / f64::from(n.max(1))) as f32
        })
        .collect()
}
