//! A map of evidence for thin lines, for rows that do not stand out at the scale of a groove.
//!
//! A thread on a print is thinner, fainter and rarer than the print, and yet the eye follows it: on the cloth between
//! the print's figures it is light, or dark, for a centimetre on end. So the picture's bend is taken at half a millimetre,
//! no stronger one counting more than is usual around, and summed with its sign along the line before the sign is
//! dropped: figures and weave, which bend both ways, cancel.

use super::map::{DIRECTIONS, Fine, LineMap, MapPhoto, Region, add_to, bends};
use pulp::Arch;
use rayon::prelude::*;
use std::f64::consts::{FRAC_PI_2, PI};

/// Fine cells along the side of a cell of the map: 0.54 mm each.
const POOL: usize = 7;
/// Blur, fine cells: half a millimetre, a thread's own scale.
const BLUR: f32 = 0.93;
/// Half length of the line along which the bend is summed, fine cells: 8 mm in all.
const ALONG_HALF: i32 = 7;
/// A bend more than this many times the local mean counts no more.
const CLIP: f32 = 1.0;
/// Grey levels of curvature below which there is nothing but noise.
const FLOOR_LEVELS: f32 = 0.1;
/// Rows of cells worked on at a time.
const BAND: usize = 8;

impl LineMap {
    /// Maps the evidence for threads in all photos, at full size; where several show a cell, their mean.
    pub fn of_threads(photos: &[MapPhoto], region: Region) -> LineMap {
        let mut map = LineMap::blank(region);
        let mut count = vec![0u8; map.width * map.height];
        for photo in photos {
            map.add_threads(photo, &mut count);
        }
        map.divide_by(&count);
        map
    }

    fn add_threads(&mut self, photo: &MapPhoto, count: &mut [u8]) {
        let Some(fine) = self.fine(photo, POOL, BLUR) else {
            return;
        };
        let width = fine.columns.len();
        let whole = self.width;
        let cells = fine.rows.start * whole..fine.rows.end * whole;
        self.evidence[cells.clone()]
            .par_chunks_mut(whole * BAND)
            .zip(count[cells].par_chunks_mut(whole * BAND))
            .enumerate()
            .for_each(|(band, (cells, counts))| {
                let means = averaged_along(&fine, band * BAND);
                for (i, mean) in means.into_iter().enumerate() {
                    let (line, column) = (i / width, i % width);
                    let at = line * whole + fine.columns.start + column;
                    if !fine.is_hidden(column, band * BAND + line) {
                        add_to(&mut cells[at], &mut counts[at], mean);
                    }
                }
            });
    }
}

/// Mean over each map cell of a band of how much more the bend across each direction, clipped and averaged with its
/// sign along the line, is than that along it. Not a number where that is not known.
fn averaged_along(fine: &Fine, first_row: usize) -> Vec<[f32; DIRECTIONS]> {
    let Fine {
        blurred, mean_bend, ..
    } = fine;
    let (fw, fh) = fine.size;
    let width = fw / POOL;
    let rows = BAND.min(fh / POOL - first_row);
    let halo = ALONG_HALF as usize;
    let top = (first_row * POOL) as i64 - halo as i64;
    let lines = rows * POOL + 2 * halo;
    let mut out = vec![[f32::NAN; DIRECTIONS]; rows * width];
    let mut clipped = [vec![0.0f32; lines * fw], vec![0.0f32; lines * fw]];
    let mut summed = [
        vec![0.0f32; rows * POOL * fw],
        vec![0.0f32; rows * POOL * fw],
    ];
    for d in 0..DIRECTIONS / 2 {
        let pair = [d, d + DIRECTIONS / 2];
        for line in 0..lines {
            let y = top + line as i64;
            let at = line * fw..(line + 1) * fw;
            let [first, second] = &mut clipped;
            let (first, second) = (&mut first[at.clone()], &mut second[at]);
            if y < 1 || y + 1 >= fh as i64 {
                first.fill(f32::NAN);
                second.fill(f32::NAN);
                continue;
            }
            let y = y as usize;
            let cells = y / POOL * width;
            Arch::new().dispatch(|| {
                for column in 0..width {
                    let scale = pair.map(|d| 1.0 / (mean_bend[d][cells + column] + FLOOR_LEVELS));
                    for x in (column * POOL).max(1)..((column + 1) * POOL).min(fw - 1) {
                        let bend = bends(blurred, fw, x, y);
                        first[x] = (bend[pair[0]] * scale[0]).clamp(-CLIP, CLIP);
                        second[x] = (bend[pair[1]] * scale[1]).clamp(-CLIP, CLIP);
                    }
                }
                for x in [0, fw - 1] {
                    first[x] = f32::NAN;
                    second[x] = f32::NAN;
                }
            });
        }
        for ((d, clipped), summed) in pair.iter().zip(&clipped).zip(&mut summed) {
            sum_along(clipped, summed, fw, *d);
        }
        for row in 0..rows {
            for column in 0..width {
                let mut sum = [0.0f32; 2];
                for y in row * POOL..(row + 1) * POOL {
                    let at = y * fw + column * POOL;
                    for (a, b) in summed[0][at..at + POOL]
                        .iter()
                        .zip(&summed[1][at..at + POOL])
                    {
                        let more = a.abs() - b.abs();
                        // Sums that are not numbers stay so.
                        sum[0] += if more < 0.0 { 0.0 } else { more };
                        sum[1] += if more > 0.0 { 0.0 } else { -more };
                    }
                }
                for (d, sum) in pair.iter().zip(sum) {
                    out[row * width + column][*d] = sum / (POOL * POOL) as f32;
                }
            }
        }
    }
    out
}

/// Means along the lines whose normal stands at d·π/8 to x; `clipped` reaches [`ALONG_HALF`] lines further up and down.
fn sum_along(clipped: &[f32], summed: &mut [f32], fw: usize, d: usize) {
    let along = d as f64 * PI / DIRECTIONS as f64 + FRAC_PI_2;
    let (sin, cos) = along.sin_cos();
    let processor = Arch::new();
    summed.fill(0.0);
    const WEIGHT: f32 = 1.0 / (2 * ALONG_HALF + 1) as f32;
    for (y, out) in summed.chunks_exact_mut(fw).enumerate() {
        for t in -ALONG_HALF..=ALONG_HALF {
            let dx = (f64::from(t) * cos).round() as i64;
            let dy = (f64::from(t) * sin).round() as i64;
            let line = (y as i64 + i64::from(ALONG_HALF) + dy) as usize;
            let source = &clipped[line * fw..(line + 1) * fw];
            let (from, to) = (dx.max(0) as usize, (-dx).max(0) as usize);
            let n = fw - dx.unsigned_abs() as usize;
            processor.dispatch(|| {
                for (o, v) in out[to..to + n].iter_mut().zip(&source[from..from + n]) {
                    *o += WEIGHT * v;
                }
            });
        }
        let ends = ALONG_HALF as usize;
        out[..ends].fill(f32::NAN);
        out[fw - ends..].fill(f32::NAN);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Point2;
    use crate::plane::camera::{Camera, Distortion, Pose, Surface, View};
    use crate::rehearse::Seeded;
    use image::{GrayImage, Luma};
    use nalgebra::Vector3;

    /// Half a millimetre to the pixel, straight from above, the middle at the origin.
    const MM_PER_PX: f64 = 0.5;
    const SIZE_PX: [u32; 2] = [720, 480];

    fn view() -> crate::plane::camera::PreparedView {
        let middle = Point2::new(f64::from(SIZE_PX[0]) / 2.0, f64::from(SIZE_PX[1]) / 2.0);
        View {
            camera: Camera::new(2000.0, middle, Distortion::default()),
            pose: Pose {
                rotation: Vector3::zeros(),
                translation: Vector3::new(0.0, 0.0, 2000.0 * MM_PER_PX),
            },
            surface: Surface::default(),
        }
        .prepare()
    }

    /// Cloth printed with dots of 80 levels, one or two to the square centimetre, and across its middle, at 30 degrees, a thread of
    /// 0.5 mm that is 12 levels lighter; noise of 3 levels.
    fn dotted_cloth(random: &mut Seeded) -> GrayImage {
        let mut cloth = vec![90.0f64; (SIZE_PX[0] * SIZE_PX[1]) as usize];
        for _ in 0..1300 {
            let at = |n: u32| f64::from(n);
            let (x, y) = (
                random.unit() * at(SIZE_PX[0]),
                random.unit() * at(SIZE_PX[1]),
            );
            let radius = 2.0 + 2.0 * random.unit();
            for j in (y - radius) as i64..=(y + radius) as i64 {
                for i in (x - radius) as i64..=(x + radius) as i64 {
                    let inside = (i as f64 - x).hypot(j as f64 - y) < radius;
                    let here = (0..i64::from(SIZE_PX[0])).contains(&i)
                        && (0..i64::from(SIZE_PX[1])).contains(&j);
                    if inside && here {
                        cloth[(j * i64::from(SIZE_PX[0]) + i) as usize] = 170.0;
                    }
                }
            }
        }
        GrayImage::from_fn(SIZE_PX[0], SIZE_PX[1], |i, j| {
            let (x, y) = (f64::from(i) - 359.5, f64::from(j) - 239.5);
            let across = y * 30f64.to_radians().cos() - x * 30f64.to_radians().sin();
            let thread = 12.0 * (-0.5 * (across / 0.6).powi(2)).exp();
            let value = cloth[(j * SIZE_PX[0] + i) as usize] + thread + 3.0 * random.normal();
            Luma([value.round().clamp(0.0, 255.0) as u8])
        })
    }

    /// How far the evidence along the thread stands out of that along lines beside it, in their standard deviations.
    fn stands_out(map: &LineMap) -> f64 {
        let (sin, cos) = 30f64.to_radians().sin_cos();
        // The normal stands at 120 degrees: two thirds of the way from direction 5 to 6.
        let mean = |across: f64| {
            let along = (-120..=120).map(f64::from);
            let sum: f64 = along
                .map(|t| Point2::new(t * cos - across * sin, t * sin + across * cos))
                .map(|place| f64::from(map.evidence_near(place, 5, 1.0 / 3.0)))
                .sum();
            sum / 241.0
        };
        let beside: Vec<f64> = (2..10)
            .flat_map(|k| [mean(5.0 * f64::from(k)), mean(-5.0 * f64::from(k))])
            .collect();
        let n = beside.len() as f64;
        let middle = beside.iter().sum::<f64>() / n;
        let variance: f64 = beside.iter().map(|b| (b - middle).powi(2)).sum::<f64>() / (n - 1.0);
        (mean(0.0) - middle) / variance.sqrt()
    }

    #[test]
    fn a_thread_that_the_eye_follows_through_a_print_shows_among_its_dots() {
        let view = view();
        let region = Region {
            min: Point2::new(-175.0, -115.0),
            max: Point2::new(175.0, 115.0),
        };
        for seed in 1..=3 {
            let luma = dotted_cloth(&mut Seeded::new(seed));
            let photos = [MapPhoto {
                luma: &luma,
                shrunk: 1,
                view: &view,
                cards: &[],
            }];
            let threads = stands_out(&LineMap::of_threads(&photos, region));
            let grooves = stands_out(&LineMap::new(&photos, region));
            assert!(
                threads > 6.0 && threads > 2.0 * grooves,
                "{threads} {grooves}"
            );
        }
    }

    #[test]
    fn what_no_photo_shows_and_what_a_card_hides_is_not_seen() {
        let view = view();
        let luma = GrayImage::from_pixel(SIZE_PX[0], SIZE_PX[1], Luma([120]));
        let corner = |x: f64, y: f64| Point2::new(x, y);
        let card = [
            corner(-40.0, -30.0),
            corner(40.0, -30.0),
            corner(40.0, 30.0),
            corner(-40.0, 30.0),
        ];
        let photos = [MapPhoto {
            luma: &luma,
            shrunk: 1,
            view: &view,
            cards: &[card],
        }];
        let region = Region {
            min: Point2::new(-300.0, -115.0),
            max: Point2::new(175.0, 115.0),
        };
        let map = LineMap::of_threads(&photos, region);
        assert!(map.is_seen(Point2::new(100.0, 60.0)));
        assert!(!map.is_seen(Point2::new(-250.0, 0.0)));
        assert!(!map.is_seen(Point2::new(10.0, 10.0)));
        // Plain cloth has no lines.
        assert!(map.evidence.iter().flatten().all(|e| e.abs() < 1e-3));
    }
}
