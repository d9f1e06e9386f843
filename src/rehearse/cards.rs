//! The printed card as an object: what is black on it, and where it is in the world.

use super::scene::CardOnQuilt;
use super::surface::{SagCurve, Surface};
use crate::card::geometry::{CHECK_BAR_MM, CardId, PATCH_SIDE_MM, TAG_SIDE_MM};
use crate::card::tag36h11::{CELLS, white_cells};
use crate::geometry::Point2;
use nalgebra::{Point3, Rotation3, Unit, Vector3};

/// Black rectangles of a card as printed at 100 %: left, top, right, bottom.
type Rect = [f64; 4];

/// The print of a card, ready to be looked up.
#[derive(Debug)]
pub struct Print {
    u_lines: Vec<f64>,
    v_lines: Vec<f64>,
    black: Vec<bool>,
    /// Half the paper's width and height.
    pub half_paper: (f64, f64),
}

impl Print {
    /// The card's pattern, its arrow and its check bar, each edge of the ink grown by `spread_mm`.
    pub fn new(card: CardId, spread_mm: f64) -> Print {
        let mut rects = black_rects(card);
        for r in &mut rects {
            *r = [
                r[0] - spread_mm,
                r[1] - spread_mm,
                r[2] + spread_mm,
                r[3] + spread_mm,
            ];
        }
        let lines = |a: usize, b: usize| {
            let mut v: Vec<f64> = rects.iter().flat_map(|r| [r[a], r[b]]).collect();
            v.sort_by(f64::total_cmp);
            v.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
            v
        };
        let (u_lines, v_lines) = (lines(0, 2), lines(1, 3));
        let columns = u_lines.len() + 1;
        let mut black = vec![false; columns * (v_lines.len() + 1)];
        // Cell i lies between line i − 1 and line i.
        let index = |lines: &[f64], at: f64| lines.partition_point(|l| *l < at - 1e-9);
        for r in &rects {
            for row in index(&v_lines, r[1]) + 1..=index(&v_lines, r[3]) {
                for column in index(&u_lines, r[0]) + 1..=index(&u_lines, r[2]) {
                    black[row * columns + column] = true;
                }
            }
        }
        // Paper: A4 landscape for a sheet, half of that for a strip.
        let half_paper = match card {
            CardId::Sheet(_) => (148.5, 105.0),
            CardId::Strip(_) => (148.5, 52.5),
        };
        Print {
            u_lines,
            v_lines,
            black,
            half_paper,
        }
    }

    /// Whether the print is black at a place of the card (as printed at 100 %).
    pub fn is_black(&self, u: f64, v: f64) -> bool {
        let column = self.u_lines.partition_point(|l| *l <= u);
        let row = self.v_lines.partition_point(|l| *l <= v);
        self.black[row * (self.u_lines.len() + 1) + column]
    }

    /// Whether an edge of the print or of the paper may lie within `reach` of a place.
    pub fn has_edge_near(&self, u: f64, v: f64, reach: f64) -> bool {
        let near = |lines: &[f64], at: f64| {
            let i = lines.partition_point(|l| *l < at - reach);
            i < lines.len() && lines[i] <= at + reach
        };
        near(&self.u_lines, u)
            || near(&self.v_lines, v)
            || (u.abs() - self.half_paper.0).abs() <= reach
            || (v.abs() - self.half_paper.1).abs() <= reach
    }
}

fn black_rects(card: CardId) -> Vec<Rect> {
    let cell = TAG_SIDE_MM / CELLS as f64;
    let mut rects = Vec::new();
    for (place, tag) in card.tag_ids().enumerate() {
        let origin = card.tag_top_left_mm(place);
        for (row, cells) in white_cells(tag).iter().enumerate() {
            // One rectangle per run of black cells: no seams between them.
            let mut column = 0;
            while column < CELLS {
                let run = cells[column..].iter().take_while(|white| !**white).count();
                if run > 0 {
                    let (x, y) = (
                        origin.x + column as f64 * cell,
                        origin.y + row as f64 * cell,
                    );
                    rects.push([x, y, x + run as f64 * cell, y + cell]);
                }
                column += run.max(1);
            }
        }
    }
    let quarter = PATCH_SIDE_MM / 2.0;
    for p in card.patches_mm() {
        rects.push([p.x - quarter, p.y - quarter, p.x, p.y]);
        rects.push([p.x, p.y, p.x + quarter, p.y + quarter]);
    }
    let (_, height) = card.size_mm();
    let half = height / 2.0;
    // Arrow in the top margin as a stepped triangle, check bar in the bottom margin.
    for step in 0..6 {
        let y = -half - 9.0 + f64::from(step);
        let w = 0.8 * f64::from(step + 1);
        rects.push([-w, y, w, y + 1.0]);
    }
    let bar = CHECK_BAR_MM / 2.0;
    rects.push([-bar, half + 4.0, bar, half + 5.0]);
    for end in [-bar, bar] {
        rects.push([end - 0.2, half + 3.0, end + 0.2, half + 6.0]);
    }
    rects
}

/// A card in the world.
#[derive(Debug)]
pub struct CardInWorld {
    /// Its print.
    pub print: Print,
    /// Its middle.
    pub middle: Point3<f64>,
    /// World from card: right, down, below.
    pub axes: Rotation3<f64>,
    /// Print scale along x and y.
    pub scale: (f64, f64),
    curl: SagCurve,
}

impl CardInWorld {
    /// Lays a card on the surface.
    pub fn new(card: &CardOnQuilt, surface: &Surface) -> CardInWorld {
        let fabric = Point2::new(card.x_mm, card.s_mm);
        let below = surface.world(fabric);
        let (dx, dy) = surface.slopes(below.x, below.y);
        // Level with the cloth below it, turned, then rocked.
        let normal = Vector3::new(-dx, -dy, 1.0).normalize();
        let level =
            Rotation3::rotation_between(&Vector3::z(), &normal).unwrap_or(Rotation3::identity());
        let axis = |v: Vector3<f64>| Unit::new_unchecked(v);
        let turn = Rotation3::from_axis_angle(&axis(Vector3::z()), card.angle_deg.to_radians());
        // Lifting is towards −z: the lower edge (+y) rises when turning about −x.
        let rock_x = Rotation3::from_axis_angle(&axis(-Vector3::x()), card.rock_x_deg.to_radians());
        let rock_y = Rotation3::from_axis_angle(&axis(Vector3::y()), card.rock_y_deg.to_radians());
        let scale = card.bar_mm / CHECK_BAR_MM;
        let print = Print::new(card.card, card.ink_spread_mm);
        CardInWorld {
            middle: below - normal * card.height_mm,
            axes: level * turn * rock_x * rock_y,
            scale: (scale, scale * card.y_to_x),
            curl: SagCurve::new(card.curl_mm, 2.0 * print.half_paper.0 * scale),
            print,
        }
    }

    /// The place of a point of the card (as printed at 100 %) in the world.
    pub fn world(&self, on_card: Point2) -> Point3<f64> {
        let (a, b) = (on_card.x * self.scale.0, on_card.y * self.scale.1);
        let a = self.curl.fabric_at(a);
        let lift = self.curl.depth(a).0;
        self.middle + self.axes * Vector3::new(a, b, -lift)
    }

    /// Where a ray meets the card's (endless) sheet, as printed at 100 %, and how far along the ray.
    pub fn meet(&self, from: &Point3<f64>, ray: &Vector3<f64>) -> Option<(Point2, f64)> {
        let o = self.axes.inverse() * (from - self.middle);
        let d = self.axes.inverse() * ray;
        if d.z <= 1e-3 {
            return None;
        }
        let mut t = -o.z / d.z;
        for _ in 0..20 {
            let (z, slope) = self.curl.depth(o.x + t * d.x);
            let step = (o.z + t * d.z + z) / (d.z + slope * d.x);
            t -= step;
            if step.abs() < 1e-10 {
                break;
            }
        }
        let a = self.curl.arc(o.x + t * d.x);
        Some((
            Point2::new(a / self.scale.0, (o.y + t * d.y) / self.scale.1),
            t,
        ))
    }
}
