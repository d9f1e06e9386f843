//! The practice stitching: rows laid out along the design, led astray by the hand, cut into stitches.

use super::scene::{Row, Scene};
use super::seeded::{Seeded, Wander, derive};
use crate::design::Design;
use crate::geometry::{Point2, Vector2};

/// One stitch on the fabric, from hole to hole.
#[derive(Debug, Clone, Copy)]
pub struct Stitch {
    /// First hole, (x, s).
    pub from: Point2,
    /// Second hole.
    pub to: Point2,
    /// Arc length along the design from the zeroth repeat's start, mm.
    pub along_mm: f64,
    /// Unit normal of the undisturbed line in its middle.
    pub normal: Vector2,
    /// How far the hand strayed there.
    pub stray: Vector2,
    /// How far off the design a wrong turn has led, mm.
    pub off_design_mm: f64,
    /// False for a loose tail or a piece of lint.
    pub sewn: bool,
}

impl Stitch {
    /// Its middle.
    pub fn middle(&self) -> Point2 {
        nalgebra::center(&self.from, &self.to)
    }
}

/// y (that is s) of a row's baseline at x, without the hand.
pub fn baseline(row: &Row, width_mm: f64, x: f64) -> f64 {
    let half = width_mm / 2.0;
    row.offset_mm + row.slope_mm_per_m / 1000.0 * x + row.bow_mm * (1.0 - (x / half) * (x / half))
}

/// The stitches of a row, left to right along the line, from edge to edge of the quilt. They depend on
/// the quilt and the row alone, not on the photo.
pub fn stitch_row(scene: &Scene, design: &Design, row: &Row) -> Vec<Stitch> {
    let curve = &design.curve_mm;
    let mut arc = vec![0.0];
    for pair in curve.windows(2) {
        arc.push(arc.last().unwrap_or(&0.0) + (pair[1] - pair[0]).norm());
    }
    let repeat_arc = *arc.last().unwrap_or(&0.0);
    if curve.len() < 2 || repeat_arc <= 0.0 || design.repeat_mm <= 0.0 {
        return Vec::new();
    }
    let quilt = &scene.quilt;
    let own = derive(quilt.seed, u64::from(row.row));
    let [wobble_x, wobble_y] = [11, 12].map(|n| {
        let hand = &scene.hand;
        Wander::new(
            derive(own, n),
            hand.wobble_rms_mm,
            hand.wobble_correlation_mm,
        )
    });
    let [wander_x, wander_y] = [13, 14].map(|n| {
        let hand = &scene.hand;
        Wander::new(
            derive(own, n),
            hand.wander_rms_mm,
            hand.wander_correlation_mm,
        )
    });
    let phase = (f64::from(row.row) - 1.0) * quilt.stagger;
    let start = quilt.design_start_mm + phase.rem_euclid(1.0) * design.repeat_mm;

    // The undisturbed line and its direction at an arc length.
    let line = |along: f64| -> (Point2, Vector2) {
        let repeat = (along / repeat_arc).floor();
        let local = along - repeat * repeat_arc;
        let i = arc
            .partition_point(|a| *a <= local)
            .clamp(1, curve.len() - 1);
        let piece = (arc[i] - arc[i - 1]).max(1e-12);
        let p = curve[i - 1] + (curve[i] - curve[i - 1]) * ((local - arc[i - 1]) / piece);
        let x = (start + repeat * design.repeat_mm + p.x) * (1.0 + quilt.stretch_x) + row.shift_mm;
        let s = baseline(row, quilt.width_mm, x) + p.y * (1.0 + quilt.stretch_y);
        let d = curve[i] - curve[i - 1];
        (
            Point2::new(x, s),
            Vector2::new(d.x * (1.0 + quilt.stretch_x), d.y * (1.0 + quilt.stretch_y)),
        )
    };
    let half = quilt.width_mm / 2.0;
    let first = ((-half - row.shift_mm - start) / design.repeat_mm).floor() - 2.0;
    let last = ((half - row.shift_mm - start) / design.repeat_mm).ceil() + 2.0;
    let mut along = first * repeat_arc;
    let mut rng = Seeded::new(derive(own, 15));
    let stray = |along: f64| {
        Vector2::new(
            wobble_x.at(along) + wander_x.at(along),
            wobble_y.at(along) + wander_y.at(along),
        )
    };
    // A wrong turn swings off smoothly and back, by half a wave of a cosine at each end.
    let off_design = |x: f64| -> f64 {
        row.wrong_turns
            .iter()
            .filter(|turn| x > turn.from_mm && x < turn.to_mm)
            .map(|turn| {
                let t = (x - turn.from_mm) / (turn.to_mm - turn.from_mm);
                let ramp = (t.min(1.0 - t) / 0.3).min(1.0);
                turn.aside_mm * (0.5 - 0.5 * (std::f64::consts::PI * ramp).cos())
            })
            .sum()
    };
    let sewn_at = |along: f64| {
        let (p, direction) = line(along);
        let off = off_design(p.x);
        if off == 0.0 {
            p + stray(along)
        } else {
            p + stray(along) + Vector2::new(-direction.y, direction.x).normalize() * off
        }
    };
    let mut stitches = Vec::new();
    let mut from = sewn_at(along);
    while along < last * repeat_arc {
        let scatter = 1.0 + scene.hand.stitch_scatter * rng.normal();
        let length = scene.hand.stitch_mm.max(0.5) * scatter.clamp(0.5, 1.5);
        let next = along + length;
        let to = sewn_at(next);
        let middle = along + length / 2.0;
        let (on_design, direction) = line(middle);
        let stitch = Stitch {
            from,
            to,
            along_mm: middle,
            normal: Vector2::new(-direction.y, direction.x).normalize(),
            stray: stray(middle),
            off_design_mm: off_design(on_design.x),
            sewn: true,
        };
        let x = stitch.middle().x;
        let missed = row.missed.iter().any(|m| x >= m[0] && x <= m[1]);
        if x.abs() <= half && !missed {
            stitches.push(stitch);
        }
        along = next;
        from = to;
    }
    stitches
}

/// A part of the fabric: x from, x to, s from, s to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Left.
    pub x0: f64,
    /// Right.
    pub x1: f64,
    /// Top.
    pub s0: f64,
    /// Bottom.
    pub s1: f64,
}

impl Patch {
    /// Whether it holds a point, with a margin around it.
    pub fn holds(&self, p: Point2, margin: f64) -> bool {
        p.x >= self.x0 - margin
            && p.x <= self.x1 + margin
            && p.y >= self.s0 - margin
            && p.y <= self.s1 + margin
    }
}

/// Loose tails and lint scattered over a patch, as short unsewn pieces of thread.
pub fn loose_threads(scene: &Scene, patch: &Patch) -> Vec<Stitch> {
    let mut rng = Seeded::new(derive(scene.quilt.seed, 21));
    let area_dm2 = (patch.x1 - patch.x0) * (patch.s1 - patch.s0) / 1e4;
    let count = (scene.thread.tails_per_dm2 * area_dm2).round() as usize;
    let mut pieces = Vec::new();
    for _ in 0..count {
        let mut at = Point2::new(
            rng.between(patch.x0, patch.x1),
            rng.between(patch.s0, patch.s1),
        );
        let mut heading = rng.between(0.0, std::f64::consts::TAU);
        let bend = rng.between(-0.25, 0.25);
        for _ in 0..2 + rng.below(14) {
            heading += bend + 0.15 * rng.normal();
            let to = at + Vector2::new(heading.cos(), heading.sin());
            pieces.push(Stitch {
                from: at,
                to,
                along_mm: 0.0,
                normal: Vector2::new(0.0, 1.0),
                stray: Vector2::zeros(),
                off_design_mm: 0.0,
                sewn: false,
            });
            at = to;
        }
    }
    pieces
}

/// Stitches by place.
#[derive(Debug)]
pub struct StitchGrid {
    patch: Patch,
    columns: usize,
    rows: usize,
    starts: Vec<u32>,
    entries: Vec<u32>,
    /// All stitches in it.
    pub stitches: Vec<Stitch>,
}

/// Side of a cell, mm.
const CELL_MM: f64 = 2.5;
/// A stitch is looked up in all cells within this distance of it, mm: thread, hole and shadow.
const REACH_MM: f64 = 1.4;

impl StitchGrid {
    /// Sorts stitches into cells over `patch`.
    pub fn new(stitches: Vec<Stitch>, patch: Patch) -> StitchGrid {
        let columns = ((patch.x1 - patch.x0) / CELL_MM).ceil().max(1.0) as usize;
        let rows = ((patch.s1 - patch.s0) / CELL_MM).ceil().max(1.0) as usize;
        let mut by_cell: Vec<(u32, u32)> = Vec::new();
        for (n, stitch) in stitches.iter().enumerate() {
            let (a, b) = (stitch.from, stitch.to);
            let cell = |v: f64, origin: f64| ((v - origin) / CELL_MM).floor() as i64;
            for row in
                cell(a.y.min(b.y) - REACH_MM, patch.s0)..=cell(a.y.max(b.y) + REACH_MM, patch.s0)
            {
                for column in cell(a.x.min(b.x) - REACH_MM, patch.x0)
                    ..=cell(a.x.max(b.x) + REACH_MM, patch.x0)
                {
                    if row >= 0 && column >= 0 && row < rows as i64 && column < columns as i64 {
                        by_cell.push(((row * columns as i64 + column) as u32, n as u32));
                    }
                }
            }
        }
        by_cell.sort_unstable();
        let mut starts = vec![0u32; columns * rows + 1];
        for (cell, _) in &by_cell {
            starts[*cell as usize + 1] += 1;
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        StitchGrid {
            patch,
            columns,
            rows,
            starts,
            entries: by_cell.into_iter().map(|(_, n)| n).collect(),
            stitches,
        }
    }

    /// The stitches that may touch (x, s).
    pub fn near(&self, x: f64, s: f64) -> impl Iterator<Item = &Stitch> {
        let column = (x - self.patch.x0) / CELL_MM;
        let row = (s - self.patch.s0) / CELL_MM;
        let inside =
            column >= 0.0 && row >= 0.0 && column < self.columns as f64 && row < self.rows as f64;
        let range = if inside {
            let cell = row as usize * self.columns + column as usize;
            self.starts[cell] as usize..self.starts[cell + 1] as usize
        } else {
            0..0
        };
        self.entries[range]
            .iter()
            .map(|n| &self.stitches[*n as usize])
    }
}

/// How the stitching pulls the top in: slopes of the puff and how deep in the groove a place lies.
#[derive(Debug)]
pub struct PuffMap {
    patch: Patch,
    columns: usize,
    rows: usize,
    /// (dh/dx, dh/ds, depth in the groove 0…1), h upwards.
    cells: Vec<[f32; 3]>,
}

/// Cell of the puff map, mm: a groove is 3 mm wide or more.
const PUFF_CELL_MM: f64 = 0.7;

impl PuffMap {
    /// The puff around these stitches.
    pub fn new(stitches: &[Stitch], patch: Patch, scene: &Scene) -> PuffMap {
        let columns = ((patch.x1 - patch.x0) / PUFF_CELL_MM).ceil().max(2.0) as usize + 1;
        let rows = ((patch.s1 - patch.s0) / PUFF_CELL_MM).ceil().max(2.0) as usize + 1;
        let puff = &scene.puff;
        let reach = 1.8 * puff.groove_mm;
        let mut distance = vec![reach as f32; columns * rows];
        for stitch in stitches.iter().filter(|s| s.sewn) {
            let (a, b) = (stitch.from, stitch.to);
            let d = b - a;
            let squared = d.norm_squared().max(1e-9);
            let low = |v: f64, origin: f64| {
                (((v - reach - origin) / PUFF_CELL_MM).ceil().max(0.0)) as usize
            };
            let high = |v: f64, origin: f64, n: usize| {
                (((v + reach - origin) / PUFF_CELL_MM).floor() + 1.0).clamp(0.0, n as f64) as usize
            };
            for row in low(a.y.min(b.y), patch.s0)..high(a.y.max(b.y), patch.s0, rows) {
                for column in low(a.x.min(b.x), patch.x0)..high(a.x.max(b.x), patch.x0, columns) {
                    let p = Point2::new(
                        patch.x0 + column as f64 * PUFF_CELL_MM,
                        patch.s0 + row as f64 * PUFF_CELL_MM,
                    );
                    let t = ((p - a).dot(&d) / squared).clamp(0.0, 1.0);
                    let far = (p - (a + d * t)).norm() as f32;
                    let cell = &mut distance[row * columns + column];
                    *cell = cell.min(far);
                }
            }
        }
        // A pillow's profile: steep at the stitching, level a groove's width away.
        let scale = puff.groove_mm as f32 / 2.2;
        let seed = derive(scene.quilt.seed, 31) as u32;
        let height: Vec<f32> = distance
            .iter()
            .enumerate()
            .map(|(i, d)| {
                let (x, s) = (
                    (i % columns) as f32 * PUFF_CELL_MM as f32 + patch.x0 as f32,
                    (i / columns) as f32 * PUFF_CELL_MM as f32 + patch.s0 as f32,
                );
                let soft = (d * d + 0.16).sqrt() - 0.4;
                let in_groove = (-soft / scale).exp();
                let noise = super::seeded::value_noise;
                let pull = 1.0 + 0.35 * noise(seed, x / 25.0, s / 25.0);
                let puckers = puff.puckers as f32
                    * (0.5 * noise(seed ^ 5, x / 4.0, s / 4.0)
                        + 0.5 * noise(seed ^ 9, x / 9.0, s / 9.0));
                -(puff.depth_mm as f32) * in_groove * pull * (1.0 + 0.9 * puckers)
                    + 0.25 * puff.depth_mm as f32 * noise(seed ^ 77, x / 40.0, s / 40.0)
            })
            .collect();
        let at = |row: usize, column: usize| {
            height[row.min(rows - 1) * columns + column.min(columns - 1)]
        };
        let step = 2.0 * PUFF_CELL_MM as f32;
        let cells = (0..columns * rows)
            .map(|i| {
                let (row, column) = (i / columns, i % columns);
                let dx = (at(row, column + 1) - at(row, column.saturating_sub(1))) / step;
                let ds = (at(row + 1, column) - at(row.saturating_sub(1), column)) / step;
                [dx, ds, (-distance[i] / scale).exp()]
            })
            .collect();
        PuffMap {
            patch,
            columns,
            rows,
            cells,
        }
    }

    /// (dh/dx, dh/ds, depth in the groove 0…1) at (x, s).
    pub fn at(&self, x: f64, s: f64) -> [f32; 3] {
        let column = ((x - self.patch.x0) / PUFF_CELL_MM).clamp(0.0, self.columns as f64 - 1.001);
        let row = ((s - self.patch.s0) / PUFF_CELL_MM).clamp(0.0, self.rows as f64 - 1.001);
        let (i, j) = (column as usize, row as usize);
        let (u, v) = ((column - i as f64) as f32, (row - j as f64) as f32);
        let cell = |i: usize, j: usize| &self.cells[j * self.columns + i];
        let (a, b, c, d) = (
            cell(i, j),
            cell(i + 1, j),
            cell(i, j + 1),
            cell(i + 1, j + 1),
        );
        std::array::from_fn(|k| {
            let top = a[k] + (b[k] - a[k]) * u;
            let bottom = c[k] + (d[k] - c[k]) * u;
            top + (bottom - top) * v
        })
    }
}
