//! What repeats in the cloth, checks, stripes, weaves and small prints, taken out of a photo.
//!
//! A pattern that repeats gathers in a few frequencies; a stitched line, which goes its own way, spreads over all of
//! them, and an edge or a straight piece of line over all along one direction. So, window by window, magnitudes far above the usual one
//! of their frequency, and above what lies on both sides of them in any direction, are cut down to that;
//! phases are kept. What this takes away is worked out at half size, and taken out of the photo itself.
//!
//! Windows with weights √(Hann) before and after, half a window apart, add up to one (D. W. Griffin, J. S. Lim, IEEE Trans. Acoustics,
//! Speech, Signal Processing 32(2), 1984, section II).

use super::map::half_size;
use image::GrayImage;
use rayon::prelude::*;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Side of a window, px of the halved photo: several repeats of a check, and little of the picture's perspective.
const N: usize = 128;
const HOP: usize = N / 2;
/// Frequencies below this, cycles a window, are light and shade.
const LOWEST: usize = 3;
/// How far a magnitude may lie above the middle one of its frequency. Of chance (Rayleigh's distribution) one in 500
/// does.
const MOST: f32 = 3.0;
/// Share of what varies in a window that has to be far above the rest before the cloth is said to repeat.
const REPEATS: f32 = 0.45;
/// Share below which a window is left as it is.
const HARDLY: f32 = 0.2;
/// Places on half a circle about a place in the spectrum, outside the weights' own width (three cycles a window).
const BESIDE: [(i64, i64); 8] = [
    (3, 0),
    (3, 1),
    (2, 2),
    (1, 3),
    (0, 3),
    (-1, 3),
    (-2, 2),
    (-3, 1),
];
/// Windows looked at to tell, across and down.
const LOOKS: usize = 6;

/// The photo without what repeats in it; `None` when hardly anything does.
pub fn without_repeats(luma: &GrayImage) -> Option<GrayImage> {
    let pattern = pattern(luma)?;
    let mut plain = luma.clone();
    add_to(&mut plain, |i| -pattern[i]);
    Some(plain)
}

/// What was taken out of a photo, to be put back.
#[derive(Debug, Clone)]
pub struct Repeats {
    /// Grey levels by pixel of the halved photo, to the nearest.
    levels: Vec<i8>,
}

impl Repeats {
    /// As [`without_repeats`], in place.
    pub fn taken_out(luma: &mut GrayImage) -> Option<Repeats> {
        let pattern = pattern(luma)?;
        add_to(luma, |i| -pattern[i]);
        Some(Repeats {
            levels: pattern.iter().map(|p| p.round() as i8).collect(),
        })
    }

    /// Puts it back into the photo it was taken out of: to a grey level, but for places that it made black or white.
    pub fn put_back(&self, luma: &mut GrayImage) {
        add_to(luma, |i| f32::from(self.levels[i]));
    }
}

/// What repeats in a photo, grey levels by pixel of the halved photo; `None` when hardly anything does.
fn pattern(luma: &GrayImage) -> Option<Vec<f32>> {
    let half = half_size(luma);
    let (w, h) = (half.width() as usize, half.height() as usize);
    if w < 3 * N || h < 3 * N {
        return None;
    }
    let tools = Tools::new();
    let at = |k: usize, side: usize| ((side - N) * (2 * k + 1) / (2 * LOOKS)) as i64;
    // Every other pair of windows, as on a chessboard, first: where next to nothing repeats they are enough.
    let look = |half_of_them: usize| -> Vec<f32> {
        (0..LOOKS * LOOKS / 2)
            .into_par_iter()
            .filter(|i| (i % (LOOKS / 2) + i / (LOOKS / 2)) % 2 == half_of_them)
            .flat_map_iter(|i| {
                let (x, y) = (2 * (i % (LOOKS / 2)), at(i / (LOOKS / 2), h));
                let mut work = Work::default();
                tools.take_pair(&half, (at(x, w), at(x + 1, w)), y, &mut work);
                tools.to_pattern(&mut work)
            })
            .collect()
    };
    let repeat = |shares: &[f32]| shares.iter().filter(|share| **share >= REPEATS).count();
    let mut shares = look(0);
    if 5 * repeat(&shares) < shares.len() {
        return None;
    }
    shares.extend(look(1));
    // Rails and the floor fill up to six tenths of a picture; and at their edges, at those of a card and along straight seams
    // there is much in few frequencies too, in up to a quarter of the windows.
    if 8 * repeat(&shares) < 3 * shares.len() {
        return None;
    }
    // Bands of windows, each added up by one thread; neighbouring bands overlap by half a window.
    let pairs = w.div_ceil(HOP).div_ceil(2);
    let bands: Vec<Vec<f32>> = (0..h.div_ceil(HOP) + 1)
        .into_par_iter()
        .map_init(Work::default, |work, band| {
            let mut out = vec![0.0f32; N * w];
            // The first window lies half outside, as the last one does.
            let y = (band * HOP) as i64 - HOP as i64;
            for pair in 0..=pairs {
                let x = (2 * pair * HOP) as i64 - HOP as i64;
                let both = (x, x + HOP as i64);
                tools.take_pair(&half, both, y, work);
                if tools.to_pattern(work).iter().any(|share| *share > HARDLY) {
                    tools.back(work);
                    add(&mut out, w, both.0, work, &tools.weight, |v| v.re);
                    add(&mut out, w, both.1, work, &tools.weight, |v| v.im);
                }
            }
            out
        })
        .collect();
    let pattern: Vec<f32> = (0..h)
        .into_par_iter()
        .flat_map_iter(|y| {
            // Band b covers the rows from (b − 1)·HOP to (b + 1)·HOP.
            let b = y / HOP;
            let upper = &bands[b][(y - b * HOP + HOP) * w..][..w];
            let lower = &bands[b + 1][(y - b * HOP) * w..][..w];
            upper.iter().zip(lower).map(|(a, b)| a + b)
        })
        .collect();
    Some(pattern)
}

/// Adds a window to its band, weighted.
fn add(
    out: &mut [f32],
    w: usize,
    x: i64,
    work: &Work,
    weight: &[f32; N],
    part: impl Fn(&Complex<f32>) -> f32,
) {
    // The last window of a pair may lie beyond the picture.
    if x >= w as i64 {
        return;
    }
    let (first, last) = (x.clamp(0, w as i64), (x + N as i64).clamp(0, w as i64));
    let (from, to) = ((first - x) as usize, (last - x) as usize);
    for ((row, line), down) in out
        .chunks_exact_mut(w)
        .zip(work.window.chunks_exact(N))
        .zip(weight)
    {
        for ((o, v), across) in row[first as usize..last as usize]
            .iter_mut()
            .zip(&line[from..to])
            .zip(&weight[from..to])
        {
            *o += part(v) * across * down;
        }
    }
}

/// The photo less a pattern given at half size: the same on all four pixels of one, so that the halved photo is rid of it
/// wholly.
fn add_to(luma: &mut GrayImage, levels: impl Fn(usize) -> f32 + Sync) {
    let (width, height) = (luma.width() as usize, luma.height() as usize);
    let (w, h) = (width / 2, height / 2);
    luma.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        let from = (y / 2).min(h - 1) * w;
        // An odd last column has no pixel of its own in the halved photo.
        for (pair, i) in row.chunks_mut(2).zip(from..from + w) {
            for v in pair {
                *v = (f32::from(*v) + levels(i) + 0.5).clamp(0.0, 255.0) as u8;
            }
        }
    });
}

/// Two windows at work, one in the real part and one in the imaginary.
struct Work {
    window: Vec<Complex<f32>>,
    /// Spectrum, transposed.
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    /// Power by place in the spectrum, of each window.
    power: [Vec<f32>; 2],
    sorted: Vec<f32>,
}

impl Default for Work {
    fn default() -> Self {
        let zeros = || vec![Complex::ZERO; N * N];
        Work {
            window: zeros(),
            spectrum: zeros(),
            scratch: zeros(),
            power: [vec![0.0; N * N], vec![0.0; N * N]],
            sorted: Vec::new(),
        }
    }
}

struct Tools {
    forward: Arc<dyn Fft<f32>>,
    back: Arc<dyn Fft<f32>>,
    weight: [f32; N],
    /// Places in the spectrum with the same frequency, rounded, each with the place of the opposite one: half of the
    /// spectrum of a real picture says all.
    rings: Vec<Vec<(usize, usize)>>,
}

impl Tools {
    fn new() -> Tools {
        let mut planner = FftPlanner::new();
        let signed = |k: usize| k as f32 - if k > N / 2 { N as f32 } else { 0.0 };
        let mut rings = vec![Vec::new(); N];
        for k in 0..N * N {
            let (i, j) = (k % N, k / N);
            let opposite = (N - j) % N * N + (N - i) % N;
            let ring = signed(i).hypot(signed(j)).round() as usize;
            if ring >= LOWEST && k <= opposite {
                rings[ring].push((k, opposite));
            }
        }
        rings.retain(|ring| !ring.is_empty());
        Tools {
            forward: planner.plan_fft_forward(N),
            back: planner.plan_fft_inverse(N),
            weight: std::array::from_fn(|i| {
                (std::f32::consts::PI * (i as f32 + 0.5) / N as f32).sin()
            }),
            rings,
        }
    }

    /// Takes two windows out of the picture, mirrored at its edges, without their means, weighted.
    fn take_pair(&self, half: &GrayImage, x: (i64, i64), y: i64, work: &mut Work) {
        let (w, h) = (i64::from(half.width()), i64::from(half.height()));
        let mirrored = |k: i64, n: i64| {
            let k = if k < 0 { -1 - k } else { k };
            (if k >= n { 2 * n - 1 - k } else { k }).clamp(0, n - 1)
        };
        let pixels = half.as_raw();
        let mut sum = Complex::ZERO;
        for (j, line) in work.window.chunks_exact_mut(N).enumerate() {
            let row = mirrored(y + j as i64, h) * w;
            for (i, v) in line.iter_mut().enumerate() {
                let at = |x: i64| f32::from(pixels[(row + mirrored(x + i as i64, w)) as usize]);
                *v = Complex::new(at(x.0), at(x.1));
                sum += *v;
            }
        }
        let mean = sum / (N * N) as f32;
        for (line, down) in work.window.chunks_exact_mut(N).zip(&self.weight) {
            for (v, across) in line.iter_mut().zip(&self.weight) {
                *v = (*v - mean) * (across * down);
            }
        }
    }

    /// Leaves in the spectrum of both windows the patterns that repeat in them; gives each one's share of the power.
    fn to_pattern(&self, work: &mut Work) -> [f32; 2] {
        self.forward
            .process_with_scratch(&mut work.window, &mut work.scratch);
        transpose(&work.window, &mut work.spectrum);
        self.forward
            .process_with_scratch(&mut work.spectrum, &mut work.scratch);
        let Work {
            window,
            spectrum,
            power,
            sorted,
            ..
        } = work;
        let both = |(k, opposite): (usize, usize)| {
            let (s, o) = (spectrum[k], spectrum[opposite].conj());
            let difference = (s - o) * 0.5;
            [(s + o) * 0.5, Complex::new(difference.im, -difference.re)]
        };
        for at in self.rings.iter().flatten() {
            for (power, v) in power.iter_mut().zip(both(*at)) {
                (power[at.0], power[at.1]) = (v.norm_sqr(), v.norm_sqr());
            }
        }
        let (mut all, mut over) = ([0.0f32; 2], [0.0f32; 2]);
        // The window becomes the pattern's spectrum.
        window.fill(Complex::ZERO);
        let scale = 1.0 / (N * N) as f32;
        for ring in &self.rings {
            let usual = power.each_ref().map(|power| {
                sorted.clear();
                sorted.extend(ring.iter().map(|at| power[at.0]));
                let middle = sorted.len() / 2;
                *sorted.select_nth_unstable_by(middle, f32::total_cmp).1
            });
            for (k, opposite) in ring {
                let mut pattern = [Complex::ZERO; 2];
                for i in [0, 1] {
                    let here = power[i][*k];
                    all[i] += here;
                    if here <= MOST * MOST * usual[i] {
                        continue;
                    }
                    let usual = usual[i].max(self.beside(&power[i], *k));
                    if here > MOST * MOST * usual {
                        over[i] += here - usual;
                        pattern[i] =
                            both((*k, *opposite))[i] * (scale * (1.0 - (usual / here).sqrt()));
                    }
                }
                let [a, b] = pattern;
                window[*k] = a + Complex::new(-b.im, b.re);
                window[*opposite] = a.conj() + Complex::new(b.im, b.re);
            }
        }
        std::mem::swap(&mut work.window, &mut work.spectrum);
        [0, 1].map(|i| over[i] / all[i].max(1e-6))
    }

    /// The most that a place in the spectrum has on both its sides, power: beside a peak there is little, on the ridge
    /// that an edge makes there is as much as on the place itself.
    fn beside(&self, power: &[f32], k: usize) -> f32 {
        let (i, j) = ((k % N) as i64, (k / N) as i64);
        let at = |x: i64, y: i64| {
            power[(y.rem_euclid(N as i64) * N as i64 + x.rem_euclid(N as i64)) as usize]
        };
        let pair = |(x, y): &(i64, i64)| at(i + x, j + y).min(at(i - x, j - y));
        BESIDE.iter().map(pair).fold(0.0, f32::max)
    }

    /// The windows whose spectrum is at work.
    fn back(&self, work: &mut Work) {
        self.back
            .process_with_scratch(&mut work.spectrum, &mut work.scratch);
        transpose(&work.spectrum, &mut work.window);
        self.back
            .process_with_scratch(&mut work.window, &mut work.scratch);
    }
}

fn transpose(from: &[Complex<f32>], to: &mut [Complex<f32>]) {
    const BLOCK: usize = 16;
    for j in (0..N).step_by(BLOCK) {
        for i in (0..N).step_by(BLOCK) {
            for y in j..j + BLOCK {
                for x in i..i + BLOCK {
                    to[x * N + y] = from[y * N + x];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A check of three tones, and a thin light line that is no part of it.
    fn check(with_line: bool) -> GrayImage {
        GrayImage::from_fn(900, 900, |x, y| {
            let band = |k: u32| f64::from(u8::from(k % 36 < 18));
            let level = 60.0 + 50.0 * band(x + y / 9) + 50.0 * band(y + 3 - (x / 300).min(3));
            let line = (f64::from(y) - 450.0 - 120.0 * (f64::from(x) / 70.0).sin()).abs() < 1.6;
            image::Luma([(level + if with_line && line { 30.0 } else { 0.0 }) as u8])
        })
    }

    fn spread(picture: &GrayImage) -> f64 {
        let inner: Vec<f64> = (200..700)
            .flat_map(|y| (200..700).map(move |x| (x, y)))
            .map(|(x, y)| f64::from(picture.get_pixel(x, y)[0]))
            .collect();
        let mean = inner.iter().sum::<f64>() / inner.len() as f64;
        (inner.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / inner.len() as f64).sqrt()
    }

    #[test]
    fn what_was_taken_out_can_be_put_back() {
        let before = check(true);
        let mut luma = before.clone();
        let repeats = Repeats::taken_out(&mut luma).unwrap();
        assert_eq!(luma, without_repeats(&before).unwrap());
        repeats.put_back(&mut luma);
        let off = |(a, b): (&u8, &u8)| a.abs_diff(*b);
        assert!(before.iter().zip(luma.iter()).map(off).max() <= Some(1));
    }

    #[test]
    fn check_goes_and_line_stays() {
        let (plain, lined) = (check(false), check(true));
        let (a, b) = (
            without_repeats(&plain).unwrap(),
            without_repeats(&lined).unwrap(),
        );
        assert!(
            spread(&a) < 0.25 * spread(&plain),
            "{} of {}",
            spread(&a),
            spread(&plain)
        );
        // On the line it is lighter by most of what was drawn.
        let (mut on, mut n) = (0.0, 0.0);
        for x in 200..700u32 {
            let y = (450.0 + 120.0 * (f64::from(x) / 70.0).sin()).round() as u32;
            on += f64::from(b.get_pixel(x, y)[0]) - f64::from(a.get_pixel(x, y)[0]);
            n += 1.0;
        }
        assert!(on / n > 20.0, "{}", on / n);
    }

    #[test]
    fn cloth_that_does_not_repeat_is_left_alone() {
        let mut state = 1u32;
        let noise = GrayImage::from_fn(900, 900, |_, _| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            image::Luma([100 + (state >> 26) as u8])
        });
        assert_eq!(without_repeats(&noise), None);
    }
}
