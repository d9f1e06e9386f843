//! Grooves lit from one side, told by the walls that are followed in place of their middles.
//!
//! Stitching lies in a groove. Where light falls across it one wall is light and the other dark, and where the thread hardly
//! differs from the cloth these are all there is to follow: a light line on one side of the middle, a dark one on the other.
//! Which side that is depends on the light alone, so the walls of all lines of a photo lie `±n·w` off, with the line's normal `n`
//! and one `w` of the photo. Rows told by light lines alone, or dark ones, are all moved by `w` alike, which harms no spacing; a
//! line that jumps from one to the other seems to stray.

use super::spread::robust_spread;
use crate::geometry::Vector2;
use crate::solve::levenberg_marquardt::Loss;
use nalgebra::{DMatrix, DVector};

/// Share of light lines, or of dark ones, from which both are followed; fewer are something else than the other wall.
const LEAST_SHARE: f64 = 0.15;
/// Farther off no wall of a groove lies, mm.
const FARTHEST_WALL_MM: f64 = 2.0;
/// Places from which on walls can be told from a hand's straying.
const LEAST_PLACES: usize = 200;
/// Rounds of weighting down what lies far off, how it is, by distance in spreads, and the least spread, mm.
const ROUNDS: usize = 8;
const FAR: Loss = Loss::Cauchy(2.0);
const LEAST_SPREAD_MM: f64 = 0.2;
/// Of the spread of what a hand leaves unexplained, what is left at most where walls explain more.
const CLEARER: f64 = 0.95;
/// Ridge that keeps a row of one direction solvable, places.
const RIDGE: f64 = 1e-3;

/// A place at which a line was followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    /// Which row.
    pub row: usize,
    /// Unit normal of the curve on the quilt.
    pub normal: Vector2,
    /// How far it lies off the fitted design along the normal, mm.
    pub off_mm: f64,
    /// Light, or dark.
    pub is_light: bool,
}

/// How far light lines lie from the middle of their grooves, mm on the quilt, and dark ones to the other side: nothing where rows
/// do not stray less for it; `None` where only one kind was followed, or too little.
pub(super) fn light_wall_mm(places: &[Place]) -> Option<Vector2> {
    let light = places.iter().filter(|p| p.is_light).count();
    let fewer = light.min(places.len() - light);
    if places.len() < LEAST_PLACES || (fewer as f64) < LEAST_SHARE * places.len() as f64 {
        return None;
    }
    let with_walls = Fit::of(places, true)?;
    let without = Fit::of(places, false)?;
    let is_wall = with_walls.spread_mm < CLEARER * without.spread_mm
        && with_walls.wall_mm.norm() < FARTHEST_WALL_MM;
    Some(if is_wall {
        with_walls.wall_mm
    } else {
        Vector2::zeros()
    })
}

/// `off = n·m_row ± n·w` by least squares, places far off weighted down as under Cauchy's distribution; `m_row` is where each row
/// lies as a whole.
struct Fit {
    wall_mm: Vector2,
    /// Of what is left.
    spread_mm: f64,
}

impl Fit {
    /// `None` where nothing fits.
    fn of(places: &[Place], has_walls: bool) -> Option<Fit> {
        let rows = 1 + places.iter().map(|p| p.row).max()?;
        let unknowns = 2 * (rows + 1);
        let terms = |p: &Place| {
            let side = match (has_walls, p.is_light) {
                (false, _) => 0.0,
                (true, true) => 1.0,
                (true, false) => -1.0,
            };
            [
                (2 * p.row, p.normal.x),
                (2 * p.row + 1, p.normal.y),
                (2 * rows, side * p.normal.x),
                (2 * rows + 1, side * p.normal.y),
            ]
        };
        let mut solved = DVector::zeros(unknowns);
        let mut rests_mm: Vec<f64> = places.iter().map(|p| p.off_mm).collect();
        // At first all count alike.
        let mut spread_mm = f64::INFINITY;
        for _ in 0..ROUNDS {
            let mut left = DMatrix::identity(unknowns, unknowns) * RIDGE;
            let mut right = DVector::<f64>::zeros(unknowns);
            for (p, rest_mm) in places.iter().zip(&rests_mm) {
                let weight = FAR.weight(rest_mm / spread_mm);
                let terms = terms(p);
                for (i, x) in terms {
                    right[i] += weight * x * p.off_mm;
                    for (j, y) in terms {
                        left[(i, j)] += weight * x * y;
                    }
                }
            }
            solved = left.cholesky()?.solve(&right);
            let fitted_mm = |p| terms(p).iter().map(|(i, x)| x * solved[*i]).sum::<f64>();
            rests_mm = places.iter().map(|p| p.off_mm - fitted_mm(p)).collect();
            spread_mm = robust_spread(&rests_mm).max(LEAST_SPREAD_MM);
        }
        Some(Fit {
            wall_mm: Vector2::new(solved[2 * rows], solved[2 * rows + 1]),
            spread_mm,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearse::Seeded;
    use std::f64::consts::TAU;

    /// Three rows of waves, each moved as a whole, on walls `wall_mm` off that change from light to dark by chance, by a hand that
    /// strays by 0.3 mm; every tenth place is something else.
    fn places(wall_mm: Vector2, light: f64) -> Vec<Place> {
        let mut rng = Seeded::new(3);
        let mut is_light = true;
        (0..3000)
            .map(|i| {
                let row = i / 1000;
                if i % 40 == 0 {
                    is_light = rng.chance(light);
                }
                let slope = 1.2 * (TAU * f64::from(i) / 220.0).cos();
                let normal = Vector2::new(-slope, 1.0).normalize();
                let as_whole = Vector2::new(0.5 * f64::from(row), 0.3);
                let side = if is_light { 1.0 } else { -1.0 };
                let hand_mm = if i % 10 == 0 { 4.0 } else { 0.3 };
                Place {
                    row: row as usize,
                    normal,
                    off_mm: normal.dot(&(as_whole + wall_mm * side)) + hand_mm * rng.normal(),
                    is_light,
                }
            })
            .collect()
    }

    #[test]
    fn walls_on_both_sides_tell_how_far_they_lie_off() {
        for wall_mm in [
            Vector2::new(0.5, -0.9),
            Vector2::new(-0.8, 0.2),
            Vector2::zeros(),
        ] {
            let told = light_wall_mm(&places(wall_mm, 0.6)).unwrap();
            assert!((told - wall_mm).norm() < 0.06, "{told:?} for {wall_mm:?}");
        }
    }

    #[test]
    fn one_kind_of_line_tells_nothing() {
        assert_eq!(light_wall_mm(&places(Vector2::new(0.5, 0.5), 1.0)), None);
        assert_eq!(
            light_wall_mm(&places(Vector2::new(0.5, 0.5), 0.5)[..100]),
            None
        );
    }
}
