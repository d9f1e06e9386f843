//! What is still missing: where in the picture no card was seen, and from which side.

use super::{LensCovariance, ViewFit, normal};
use crate::geometry::{Point2, Vector2};
use crate::plane::camera::Camera;
use nalgebra::{DMatrix, Matrix2, SMatrix};

/// Columns and rows of regions.
const REGIONS: usize = 3;
/// A region counts as seen from this many corners on.
const SEEN: usize = 6;
/// A photo counts as slanted from this tilt on, rad.
const SLANTED: f64 = 15.0 * std::f64::consts::PI / 180.0;

/// Which side of the card is nearer to the camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// What is on the left of the picture.
    Left,
    /// What is on the right.
    Right,
    /// What is at the top.
    Top,
    /// What is at the bottom.
    Bottom,
}

/// All sides.
pub const SIDES: [Side; 4] = [Side::Left, Side::Right, Side::Top, Side::Bottom];

impl std::fmt::Display for Side {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Side::Left => "left",
            Side::Right => "right",
            Side::Top => "top",
            Side::Bottom => "bottom",
        })
    }
}

/// Where the cards were in the pictures, and from which sides they were seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Coverage {
    /// Size of the pictures, px.
    pub size_px: (u32, u32),
    /// Corners in each ninth of the picture, row by row.
    pub corners: [[usize; REGIONS]; REGIONS],
    /// Slanted photos by the side that is nearer.
    pub slanted: [(Side, usize); 4],
    /// Farthest corner from the picture's middle, in half diagonals.
    pub reach: f64,
}

impl Coverage {
    /// Counts them.
    pub fn new(views: &[ViewFit], size_px: (u32, u32)) -> Coverage {
        let (w, h) = (f64::from(size_px.0), f64::from(size_px.1));
        let mut corners = [[0; REGIONS]; REGIONS];
        let mut reach: f64 = 0.0;
        for (seen, _) in views.iter().flat_map(|v| &v.corners) {
            let (row, column) = region(*seen, size_px);
            corners[row][column] += 1;
            reach = reach.max((seen - Point2::new(w / 2.0, h / 2.0)).norm() / (0.5 * w.hypot(h)));
        }
        let near: Vec<Side> = views
            .iter()
            .filter(|v| v.tilt > SLANTED)
            .map(nearer)
            .collect();
        Coverage {
            size_px,
            corners,
            slanted: SIDES.map(|side| (side, near.iter().filter(|n| **n == side).count())),
            reach,
        }
    }

    /// Whether too few corners were seen in a ninth of the picture.
    pub fn is_missing(&self, row: usize, column: usize) -> bool {
        self.corners[row][column] < SEEN
    }
}

/// The side of the picture where the card is nearer. Its plane n·p = d has depth d/(n·(x, y, 1)) at image
/// point (x, y), so it comes nearer the way (n_x, n_y) points (n away from the viewer).
fn nearer(view: &ViewFit) -> Side {
    let n = normal(&view.pose);
    let n = if n.z < 0.0 { -n } else { n };
    match (n.x.abs() > n.y.abs(), n.x > 0.0, n.y > 0.0) {
        (true, true, _) => Side::Right,
        (true, false, _) => Side::Left,
        (false, _, true) => Side::Bottom,
        (false, _, false) => Side::Top,
    }
}

/// Row and column of a place's region.
fn region(px: Point2, size_px: (u32, u32)) -> (usize, usize) {
    let part = |v: f64, of: u32| ((v / f64::from(of) * REGIONS as f64) as usize).min(REGIONS - 1);
    (part(px.y, size_px.1), part(px.x, size_px.0))
}

/// A region's name.
pub fn region_name(row: usize, column: usize) -> &'static str {
    match (row, column) {
        (0, 0) => "top left",
        (0, 1) => "top",
        (0, _) => "top right",
        (1, 0) => "left",
        (1, 1) => "middle",
        (1, _) => "right",
        (_, 0) => "bottom left",
        (_, 1) => "bottom",
        _ => "bottom right",
    }
}

/// A photo that would help.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Advice {
    /// No card seen there.
    #[error("take a photo or two with the card in the {} of the picture", region_name(*row, *column))]
    Region {
        /// Row of the region, from the top.
        row: usize,
        /// Column of the region, from the left.
        column: usize,
    },
    /// No photo slanted so.
    #[error(
        "take a photo or two slanted by 30 to 45 degrees, over the edge of the card that is at the {0} of the picture, so that this edge is nearest"
    )]
    Slant(Side),
}

/// What would help most, first things first: `bends` as [`flat_u_px`] gives them.
pub fn advice(coverage: &Coverage, bends: &[(Point2, f64)]) -> Vec<Advice> {
    let mut out: Vec<Advice> = coverage
        .slanted
        .iter()
        .filter(|(_, count)| *count == 0)
        .map(|(side, _)| Advice::Slant(*side))
        .collect();
    let mut missing: Vec<(f64, usize, usize)> = Vec::new();
    for (row, counts) in coverage.corners.iter().enumerate() {
        for (column, count) in counts.iter().enumerate() {
            if *count < SEEN {
                let worst = bends
                    .iter()
                    .filter(|(p, _)| region(*p, coverage.size_px) == (row, column))
                    .fold(0.0, |worst: f64, (_, u)| worst.max(*u));
                missing.push((worst, row, column));
            }
        }
    }
    missing.sort_by(|a, b| b.0.total_cmp(&a.0));
    out.extend(
        missing
            .into_iter()
            .map(|(_, row, column)| Advice::Region { row, column }),
    );
    out
}

/// Places of the grid over the picture.
const GRID: (usize, usize) = (13, 9);

/// How far the straight pictures of flat things may seem bent because the lens is known so well only: for
/// places all over the picture, the standard uncertainty of what no plane can take up, px.
///
/// With J the derivatives of the undistorted places by the camera's values and M those by the eight
/// unknowns of a homography, the covariance is Q·J·C·Jᵀ·Q with Q = I − M(MᵀM)⁻¹Mᵀ.
pub fn flat_u_px(
    camera: &Camera,
    covariance: &LensCovariance,
    size_px: (u32, u32),
) -> Vec<(Point2, f64)> {
    let places: Vec<Point2> = (0..GRID.1)
        .flat_map(|j| {
            (0..GRID.0).map(move |i| {
                let part =
                    |k: usize, n: usize, size: u32| k as f64 / (n - 1) as f64 * f64::from(size);
                Point2::new(part(i, GRID.0, size_px.0), part(j, GRID.1, size_px.1))
            })
        })
        .collect();
    let n = 2 * places.len();
    let mut by_values = DMatrix::zeros(n, 9);
    let mut by_plane = DMatrix::zeros(n, 8);
    for (k, px) in places.iter().enumerate() {
        let ray = camera.ray(*px);
        let (x, y) = (ray.x, ray.y);
        let Some((_, by_place, values)) = camera.project_with_derivatives(&ray) else {
            continue;
        };
        let Some(inverse) = by_place.fixed_view::<2, 2>(0, 0).into_owned().try_inverse() else {
            continue;
        };
        let inverse: Matrix2<f64> = inverse * camera.focal_px;
        for (i, d) in values.iter().take(9).enumerate() {
            let moved: Vector2 = -inverse * d;
            by_values[(2 * k, i)] = moved.x;
            by_values[(2 * k + 1, i)] = moved.y;
        }
        let plane = [
            [1.0, 0.0],
            [0.0, 1.0],
            [x, 0.0],
            [y, 0.0],
            [0.0, x],
            [0.0, y],
            [x * x, x * y],
            [x * y, y * y],
        ];
        for (i, [dx, dy]) in plane.into_iter().enumerate() {
            by_plane[(2 * k, i)] = dx;
            by_plane[(2 * k + 1, i)] = dy;
        }
    }
    let Some(inverse) = (by_plane.transpose() * &by_plane).try_inverse() else {
        return Vec::new();
    };
    let kept = &by_values - &by_plane * (inverse * (by_plane.transpose() * &by_values));
    places
        .iter()
        .enumerate()
        .map(|(k, px)| {
            let j: SMatrix<f64, 2, 9> = SMatrix::from_fn(|r, c| kept[(2 * k + r, c)]);
            let c = j * covariance * j.transpose();
            (*px, c.symmetric_eigenvalues().max().max(0.0).sqrt())
        })
        .collect()
}
