//! Lens, sensor and camera software: blur, noise, tone.

use super::Stage;
use crate::rehearse::scene::Scene;
use crate::rehearse::seeded::{derive, mix};
use image::RgbImage;
use rayon::prelude::*;

/// Lens, sensor and camera software: blur, noise, tone.
pub(super) fn develop(scene: &Scene, stage: &Stage, mut light: Vec<[f32; 3]>) -> RgbImage {
    let (w, h) = (
        stage.camera.width_px as usize,
        stage.camera.height_px as usize,
    );
    let picture = &scene.picture;
    if picture.blur_px > 0.0 {
        blur(&mut light, w, h, &gaussian(picture.blur_px));
    }
    if picture.motion_px > 0.0 {
        light = motion(&light, w, h, picture.motion_px, picture.motion_deg);
    }
    let seed = derive(scene.seed, 61);
    let (shot, read) = (picture.shot_noise, picture.read_noise);
    light.par_iter_mut().enumerate().for_each(|(i, pixel)| {
        for (c, value) in pixel.iter_mut().enumerate() {
            let bits = mix(seed ^ ((3 * i + c) as u64));
            // Four 16-bit uniforms summed are normal enough: variance 4/12.
            let sum = (0..4)
                .map(|k| (bits >> (16 * k) & 0xffff) as f32)
                .sum::<f32>();
            let normal = (sum / 65535.0 - 2.0) * 3f32.sqrt();
            let sigma = (shot * value.max(0.0) + read * read).sqrt();
            *value = (*value + sigma * normal).min(1.0);
        }
    });
    // Interpolating the colour mosaic ties the noise of neighbours together.
    blur(&mut light, w, h, &[0.12, 0.76, 0.12]);
    if picture.sharpen > 0.0 {
        let mut soft = light.clone();
        blur(&mut soft, w, h, &gaussian(1.2));
        light.par_iter_mut().zip(&soft).for_each(|(pixel, soft)| {
            for (v, s) in pixel.iter_mut().zip(soft) {
                *v += picture.sharpen * (*v - s);
            }
        });
    }
    let table: Vec<u8> = (0..=16384)
        .map(|i| (255.0 * srgb(i as f32 / 16384.0)).round() as u8)
        .collect();
    let bytes: Vec<u8> = light
        .par_iter()
        .flat_map_iter(|pixel| {
            let table = &table;
            pixel
                .iter()
                .map(move |v| table[(v.clamp(0.0, 1.0) * 16384.0 + 0.5) as usize])
        })
        .collect();
    RgbImage::from_raw(w as u32, h as u32, bytes).unwrap_or_default()
}

/// sRGB from linear light (IEC 61966-2-1).
fn srgb(v: f32) -> f32 {
    if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    }
}

fn gaussian(sigma: f64) -> Vec<f32> {
    let radius = (3.5 * sigma).ceil() as i32;
    let weights: Vec<f64> = (-radius..=radius)
        .map(|i| (-0.5 * (f64::from(i) / sigma).powi(2)).exp())
        .collect();
    let sum: f64 = weights.iter().sum();
    weights.iter().map(|w| (w / sum) as f32).collect()
}

/// Convolves rows, then columns, with an odd symmetric kernel; the border repeats.
fn blur(light: &mut [[f32; 3]], w: usize, h: usize, kernel: &[f32]) {
    let radius = kernel.len() / 2;
    light.par_chunks_mut(w).for_each(|line| {
        let padded: Vec<[f32; 3]> = (0..w + 2 * radius)
            .map(|i| line[i.saturating_sub(radius).min(w - 1)])
            .collect();
        for (i, pixel) in line.iter_mut().enumerate() {
            let mut sum = [0f32; 3];
            for (k, p) in kernel.iter().zip(&padded[i..]) {
                for c in 0..3 {
                    sum[c] += k * p[c];
                }
            }
            *pixel = sum;
        }
    });
    let source = light.to_vec();
    light.par_chunks_mut(w).enumerate().for_each(|(j, line)| {
        line.fill([0.0; 3]);
        for (k, weight) in kernel.iter().enumerate() {
            let row = (j + k).saturating_sub(radius).min(h - 1);
            for (pixel, p) in line.iter_mut().zip(&source[row * w..(row + 1) * w]) {
                for c in 0..3 {
                    pixel[c] += weight * p[c];
                }
            }
        }
    });
}

/// Averages along a straight path, centred, so that nothing moves.
fn motion(light: &[[f32; 3]], w: usize, h: usize, length: f64, degrees: f64) -> Vec<[f32; 3]> {
    let taps = (2.0 * length).ceil() as usize + 1;
    let (s, c) = degrees.to_radians().sin_cos();
    let offsets: Vec<(isize, isize, [f32; 4])> = (0..taps)
        .map(|k| {
            let at = length * ((k as f64 + 0.5) / taps as f64 - 0.5);
            let (x, y) = (at * c, at * s);
            let (fx, fy) = (x.floor(), y.floor());
            let (u, v) = ((x - fx) as f32, (y - fy) as f32);
            let weights = [(1.0 - u) * (1.0 - v), u * (1.0 - v), (1.0 - u) * v, u * v];
            (fx as isize, fy as isize, weights)
        })
        .collect();
    let mut out = vec![[0f32; 3]; w * h];
    out.par_chunks_mut(w).enumerate().for_each(|(j, line)| {
        for (i, pixel) in line.iter_mut().enumerate() {
            let mut sum = [0f32; 3];
            for (dx, dy, weights) in &offsets {
                for (n, weight) in weights.iter().enumerate() {
                    let x = (i as isize + dx + (n % 2) as isize).clamp(0, w as isize - 1);
                    let y = (j as isize + dy + (n / 2) as isize).clamp(0, h as isize - 1);
                    let p = light[y as usize * w + x as usize];
                    for c in 0..3 {
                        sum[c] += weight * p[c];
                    }
                }
            }
            *pixel = sum.map(|v| v / taps as f32);
        }
    });
    out
}
