//! The practice cloth: its colour at every place, drawn by rule, soft below the size of a pixel.

use super::scene::{Colour, Fabric, FabricClass};
use super::seeded::{lattice, value_noise};

/// Ground colours of the practice quilts: name them as you like.
pub(super) const GROUNDS: [Colour; 14] = [
    [0.93, 0.91, 0.86],
    [0.86, 0.80, 0.70],
    [0.55, 0.62, 0.50],
    [0.28, 0.38, 0.52],
    [0.16, 0.20, 0.33],
    [0.58, 0.22, 0.24],
    [0.80, 0.55, 0.58],
    [0.87, 0.72, 0.38],
    [0.42, 0.30, 0.45],
    [0.50, 0.52, 0.55],
    [0.13, 0.13, 0.14],
    [0.45, 0.60, 0.66],
    [0.70, 0.45, 0.28],
    [0.30, 0.45, 0.36],
];

/// One of the ground colours, by any number.
pub fn ground(n: usize) -> Colour {
    GROUNDS[n % GROUNDS.len()]
}

/// Linear-light colour from sRGB (IEC 61966-2-1).
pub fn linear(colour: Colour) -> Colour {
    colour.map(|c| {
        if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    })
}

fn blend(a: Colour, b: Colour, t: f32) -> Colour {
    std::array::from_fn(|i| a[i] + (b[i] - a[i]) * t)
}

/// Coverage of a half-plane whose edge is `distance` inside, seen through a pixel of width `fp`.
#[inline]
pub fn cover(distance: f32, fp: f32) -> f32 {
    (distance / fp + 0.5).clamp(0.0, 1.0)
}

/// What the cloth is like at one place.
#[derive(Debug, Clone, Copy)]
pub struct Cloth {
    /// Reflectance, linear light.
    pub colour: Colour,
    /// Slopes of seams and weave, dh/dx and dh/ds.
    pub slope: [f32; 2],
}

/// A fabric ready to be looked up.
#[derive(Debug, Clone)]
pub struct ClothMap {
    fabric: Fabric,
    base: Colour,
    second: Colour,
    seed: u32,
    turn: (f32, f32),
}

impl ClothMap {
    /// Prepares a fabric.
    pub fn new(fabric: &Fabric, seed: u32) -> ClothMap {
        let turn = (fabric.angle_deg as f32).to_radians();
        let base = linear(fabric.colour);
        ClothMap {
            fabric: fabric.clone(),
            base,
            second: blend(base, linear(fabric.second), fabric.contrast),
            seed,
            turn: (turn.cos(), turn.sin()),
        }
    }

    /// The cloth at (x, s), for a pixel `fp` mm wide.
    pub fn at(&self, x: f32, s: f32, fp: f32) -> Cloth {
        let (c, n) = self.turn;
        let (u, v) = (c * x + n * s, c * s - n * x);
        let motif = self.fabric.motif_mm as f32;
        let mut slope = [0.0, 0.0];
        let colour = if self.fabric.class == FabricClass::Patchwork {
            let piece = Piece::at(self.seed, u, v, motif);
            let h = piece.number;
            let pick = |n: u32| lattice(self.seed ^ 0x51ed, h as i32, n as i32);
            let classes = [
                FabricClass::Solid,
                FabricClass::Tonal,
                FabricClass::SmallPrint,
                FabricClass::SmallPrint,
                FabricClass::Batik,
                FabricClass::Stripes,
                FabricClass::Checks,
            ];
            let class = classes[(pick(1) * 7.0) as usize];
            let strength = self.fabric.contrast;
            let base = blend(
                self.base,
                linear(ground((pick(2) * 14.0) as usize)),
                0.3 + 0.7 * strength,
            );
            let second = blend(
                base,
                linear(ground((pick(3) * 14.0) as usize)),
                0.2 + 0.5 * strength,
            );
            let size = match class {
                FabricClass::SmallPrint => 6.0 + 10.0 * pick(4),
                FabricClass::Stripes | FabricClass::Checks => 3.0 + 12.0 * pick(4),
                _ => 15.0 + 40.0 * pick(4),
            };
            // Each piece is cut from its own place of its own cloth, along or across its grain.
            let (pu, pv) = if pick(5) < 0.5 { (u, v) } else { (v, -u) };
            let (du, dv) = (900.0 * pick(6), 900.0 * pick(7));
            let seed = self.seed ^ h.wrapping_mul(0x9e37);
            // Seam: one side pressed up over the allowance, a crease in the middle.
            let d = piece.seam;
            let step = 0.45 * (-d.abs() / 0.9).exp() + 0.10 * (-d.abs() / 4.0).exp();
            let along = piece.seam_normal;
            let lift = if d > 0.0 { step } else { -0.3 * step };
            slope = [
                lift * (c * along.0 - n * along.1),
                lift * (n * along.0 + c * along.1),
            ];
            let crease = 1.0 - 0.45 * (-(d / 0.35).powi(2)).exp();
            print(
                class,
                base,
                second,
                strength,
                size,
                seed,
                pu + du,
                pv + dv,
                fp,
            )
            .map(|v| v * crease)
        } else {
            print(
                self.fabric.class,
                self.base,
                self.second,
                self.fabric.contrast,
                motif,
                self.seed,
                u,
                v,
                fp,
            )
        };
        let (weave, weave_slope) = weave(self.seed, x, s, fp, self.fabric.weave);
        Cloth {
            colour: colour.map(|v| (v * weave).clamp(0.005, 0.95)),
            slope: [slope[0] + weave_slope, slope[1] - weave_slope],
        }
    }
}

/// Yarns about 0.4 mm apart, uneven, with slubs; fades where a pixel holds several.
fn weave(seed: u32, x: f32, s: f32, fp: f32, strength: f32) -> (f32, f32) {
    const YARN_MM: f32 = 0.42;
    let tau = std::f32::consts::TAU;
    // A square pixel keeps sinc² of it; what folds back beyond is left to the real cameras.
    let half_turn = std::f32::consts::PI * fp / YARN_MM;
    let seen = if fp < 0.8 * YARN_MM {
        (half_turn.sin() / half_turn).powi(2)
    } else {
        0.0
    };
    let wander = value_noise(seed ^ 0xaa, x / 7.0, s / 7.0);
    let fine = if seen > 0.0 {
        (tau * (x / YARN_MM + 0.6 * wander)).sin() * (tau * (s / YARN_MM - 0.6 * wander)).sin()
    } else {
        0.0
    };
    let slubs = 0.5 * value_noise(seed ^ 0xbb, x / 9.0, s / 0.7)
        + 0.5 * value_noise(seed ^ 0xcc, x / 0.7, s / 9.0);
    let grain = value_noise(seed ^ 0xdd, x / 0.9, s / 0.9);
    let broad = value_noise(seed ^ 0xee, x / 130.0, s / 130.0);
    (
        1.0 + strength * (0.20 * seen * fine + 0.10 * slubs + 0.07 * grain + 0.05 * broad),
        strength * 0.06 * grain,
    )
}

/// The print of one cloth.
#[allow(clippy::too_many_arguments)]
fn print(
    class: FabricClass,
    base: Colour,
    second: Colour,
    contrast: f32,
    motif: f32,
    seed: u32,
    u: f32,
    v: f32,
    fp: f32,
) -> Colour {
    match class {
        FabricClass::Solid | FabricClass::Patchwork => base,
        FabricClass::Tonal => {
            let t = 0.6 * value_noise(seed, u / motif, v / motif)
                + 0.3 * value_noise(seed ^ 1, u * 2.3 / motif, v * 2.3 / motif)
                + 0.2 * value_noise(seed ^ 2, u * 6.1 / motif, v * 6.1 / motif);
            base.map(|c| c * (1.0 + 0.35 * contrast * t))
        }
        FabricClass::Stripes => blend(base, second, stripe(u, motif, fp)),
        FabricClass::Checks => {
            let (a, b) = (stripe(u, motif, fp), stripe(v, motif, fp));
            blend(base, second, 0.5 * (a + b))
        }
        FabricClass::Batik => {
            let warp = 1.2 * value_noise(seed ^ 3, u / motif, v / motif);
            let a = value_noise(seed, u / motif + warp, v / motif - warp);
            let b = value_noise(seed ^ 1, u * 2.7 / motif - warp, v * 2.7 / motif + warp);
            let cloud = (0.5 + 0.6 * a + 0.25 * b).clamp(0.0, 1.0);
            // Crackle: thin lines where the wax broke.
            let c = value_noise(seed ^ 7, u / 14.0 + 2.0 * a + b, v / 14.0 + 1.5 * b)
                + value_noise(
                    seed ^ 8,
                    (0.8 * u + 0.6 * v) / 11.0,
                    (0.8 * v - 0.6 * u) / 11.0,
                );
            let crackle = (1.0 - (c * 14.0 / 3.0).abs() / (0.35 + fp)).max(0.0);
            blend(
                blend(base, second, cloud),
                second.map(|c| c * 0.6),
                0.4 * crackle * contrast,
            )
        }
        FabricClass::SmallPrint => {
            let mut colour = base;
            let (i, j) = ((u / motif).floor() as i32, (v / motif).floor() as i32);
            for dj in -1..=1 {
                for di in -1..=1 {
                    let (ci, cj) = (i + di, j + dj);
                    let r = |n: u32| lattice(seed ^ n.wrapping_mul(0x0123_4567), ci, cj);
                    let du = u - (ci as f32 + 0.25 + 0.5 * r(1)) * motif;
                    let dv = v - (cj as f32 + 0.25 + 0.5 * r(2)) * motif;
                    let d = (du * du + dv * dv).sqrt();
                    if d > motif * 0.5 {
                        continue;
                    }
                    let size = motif * (0.16 + 0.2 * r(3));
                    let turn = std::f32::consts::TAU * r(4);
                    if r(5) < 0.4 {
                        colour = blend(colour, second, cover(size * 0.6 - d, fp));
                    } else {
                        let petals = 3.0 + (r(6) * 4.0).floor();
                        let angle = dv.atan2(du) + turn;
                        let edge = size * (0.62 + 0.38 * (petals * angle).cos());
                        colour = blend(colour, second, cover(edge - d, fp));
                        let heart = base.map(|c| c * 0.6);
                        colour = blend(colour, heart, cover(size * 0.22 - d, fp));
                    }
                }
            }
            colour
        }
        FabricClass::LargePrint => {
            // Scrolls: lines of equal height of a smooth noise wander like a quilting design.
            let g = |du: f32, dv: f32| {
                value_noise(seed, (u + du) / motif * 1.6, (v + dv) / motif * 1.6)
                    + 0.25 * value_noise(seed ^ 1, (u + du) * 4.0 / motif, (v + dv) * 4.0 / motif)
            };
            let here = g(0.0, 0.0);
            let slope = ((g(0.5, 0.0) - here).powi(2) + (g(0.0, 0.5) - here).powi(2)).sqrt() * 2.0;
            let mut colour = base;
            for level in [-0.35, 0.05, 0.45] {
                let distance = (here - level).abs() / slope.max(1e-3);
                let width = if level > 0.3 { 1.6 } else { 0.8 };
                colour = blend(colour, second, 0.9 * cover(width / 2.0 - distance, fp));
            }
            // Flowers with outlined petals.
            let (i, j) = ((u / motif).floor() as i32, (v / motif).floor() as i32);
            for dj in -1..=1 {
                for di in -1..=1 {
                    let (ci, cj) = (i + di, j + dj);
                    let r = |n: u32| lattice(seed ^ n.wrapping_mul(0x0765_4321), ci, cj);
                    let du = u - (ci as f32 + r(1)) * motif;
                    let dv = v - (cj as f32 + r(2)) * motif;
                    let d = (du * du + dv * dv).sqrt();
                    let size = motif * (0.15 + 0.22 * r(3));
                    if d > size * 1.2 {
                        continue;
                    }
                    let petals = 5.0 + (r(4) * 3.0).floor();
                    let angle = dv.atan2(du) + std::f32::consts::TAU * r(5);
                    let edge = size * (0.72 + 0.28 * (petals * angle).cos());
                    let fill = blend(base, second, 0.35 + 0.3 * r(6));
                    colour = blend(colour, fill, cover(edge - d, fp));
                    let outline = second.map(|c| c * 0.7);
                    colour = blend(colour, outline, cover(0.7 - (edge - d).abs() * 0.75, fp));
                    let ring = (d - size * 0.25).abs();
                    colour = blend(colour, outline, cover(0.6 - ring, fp));
                }
            }
            colour
        }
    }
}

/// 1 in every other band of half a period.
fn stripe(u: f32, period: f32, fp: f32) -> f32 {
    let t = (u / period).rem_euclid(1.0) * period;
    let half = period / 2.0;
    let inside = (half / 2.0) - (t - half / 2.0).abs();
    let wrapped = (half / 2.0) - (t - period - half / 2.0).abs();
    cover(inside.max(wrapped), fp)
}

/// The patchwork piece at one place.
struct Piece {
    number: u32,
    /// Signed distance to the nearest seam; its sign says on which side.
    seam: f32,
    seam_normal: (f32, f32),
}

impl Piece {
    /// Rows of pieces of uneven height, pieces of uneven width, some cut along a diagonal.
    fn at(seed: u32, u: f32, v: f32, size: f32) -> Piece {
        let (row, v0, v1) = interval(seed, 0, v, size);
        let (column, u0, u1) = interval(seed ^ 0x77, row, u, size);
        let cut = lattice(seed ^ 0x99, column, row);
        let mut number = (lattice(seed ^ 0x33, column, row) * 65536.0) as u32;
        let mut nearest = (v - v0, (0.0, 1.0));
        for (d, normal) in [
            (v - v1, (0.0, 1.0)),
            (u - u0, (1.0, 0.0)),
            (u - u1, (1.0, 0.0)),
        ] {
            if f32::abs(d) < f32::abs(nearest.0) {
                nearest = (d, normal);
            }
        }
        if cut < 0.45 {
            let (w, h) = (u1 - u0, v1 - v0);
            let long = (w * w + h * h).sqrt();
            let falling = cut < 0.22;
            let d = if falling {
                ((u - u0) * h - (v - v0) * w) / long
            } else {
                ((u - u0) * h + (v - v1) * w) / long
            };
            if d > 0.0 {
                number = number.wrapping_mul(31).wrapping_add(17) & 0xffff;
            }
            if d.abs() < nearest.0.abs() {
                let sign = if falling { -1.0 } else { 1.0 };
                nearest = (d, (h / long, sign * w / long));
            }
        }
        Piece {
            number,
            seam: nearest.0,
            seam_normal: nearest.1,
        }
    }
}

/// Which interval of an uneven division of the line holds `at`, and its ends.
fn interval(seed: u32, line: i32, at: f32, size: f32) -> (i32, f32, f32) {
    let border = |n: i32| (n as f32 + 0.5 * (lattice(seed, n, line) - 0.5)) * size;
    let mut n = (at / size).floor() as i32;
    if at < border(n) {
        n -= 1;
    } else if at >= border(n + 1) {
        n += 1;
    }
    (n, border(n), border(n + 1))
}
