//! Planes as far off as the cards leave open, tried where rows are too faint to show on the plane that the cards give.
//!
//! A card that rocks by a degree lifts the plane by centimetres at the photo's far end, and the repeats of a row no
//! longer fall on each other. Rows that are plain show all the same, and their stitching then gives the plane; faint ones
//! do not. So for these the plane is looked for together with the rows, along the few ways in which it may lie
//! otherwise.

use super::find::placed;
use super::lay_out::LaidOut;
use crate::geometry::Point2;
use crate::line::map::LineMap;
use crate::plane::joint::{Joint, State};
use crate::row::search::{self, Found, Wanted};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// How many ways are tried, those first that move the quilt most.
const WAYS: usize = 3;
/// How far the plane is moved each way at first, standard deviations.
const FIRST_STEP: f64 = 1.4;
/// How far at most.
const FARTHEST: f64 = 2.5;
/// How many of these are looked at on the full map.
const CLOSER_LOOKS: usize = 6;
/// Farthest from a card that the plane matters, mm.
const REACH_MM: f64 = 900.0;
/// Distance of the places at which it is looked at, mm.
const EVERY_MM: f64 = 150.0;

/// Rows as found on a plane of their own.
pub(super) struct OnPlane {
    /// The rows, in the frame of `state`.
    pub(super) found: Found,
    /// Everything else, in a frame turned by the rows' direction.
    pub(super) state: State,
}

/// A direction and how far the plane is moved each way.
#[derive(Debug, Clone, Copy)]
struct Trial {
    /// Direction of the rows, rad.
    angle: f64,
    /// How much more it counts than its rows' strength.
    more: f64,
    /// Standard deviations.
    by: [f64; WAYS],
}

/// Finds the rows in one of the directions (rad), each with what it is to count more; and their plane.
pub(super) fn find(
    laid_out: &LaidOut,
    wanted: &Wanted,
    directions: &[(f64, f64)],
) -> Option<OnPlane> {
    let LaidOut {
        joint, map, views, ..
    } = laid_out;
    let ways = ways(laid_out);
    let state = |trial: &Trial| moved(joint, &ways, &trial.by).turned(trial.angle);
    let strength = |map: &LineMap, trial: &Trial| {
        let frame = placed(map, views, &state(trial), trial.angle);
        search::strength(map, wanted, &frame) + trial.more
    };
    let steps = [-FIRST_STEP, 0.0, FIRST_STEP];
    let trials = directions
        .iter()
        .flat_map(|&(angle, more)| {
            let planes = steps.iter().flat_map(|a| steps.map(|b| [*a, b, 0.0]));
            planes.map(move |by| Trial { angle, more, by })
        })
        .collect();
    let coarse = map.halved();
    let closer = ranked(trials, |trial| strength(&coarse, trial));
    let closer = closer.into_iter().take(CLOSER_LOOKS).map(|look| look.1);
    let looks = ranked(closer.collect(), |trial| strength(map, trial));
    let best = climbed(*looks.first()?, |trial| strength(map, trial));
    let state = state(&best);
    let found = search::rows_in(map, wanted, &placed(map, views, &state, best.angle))?;
    Some(OnPlane { found, state })
}

/// Trials with how far rows stand out in each, best first.
fn ranked(trials: Vec<Trial>, strength: impl Fn(&Trial) -> f64 + Sync) -> Vec<(f64, Trial)> {
    let looks = trials
        .into_par_iter()
        .map(|trial| (strength(&trial), trial));
    let mut looks: Vec<(f64, Trial)> = looks.collect();
    looks.sort_by(|a, b| b.0.total_cmp(&a.0));
    looks
}

/// The best trial so far moved uphill, each way by itself, in ever smaller steps.
fn climbed((mut best, mut trial): (f64, Trial), strength: impl Fn(&Trial) -> f64 + Sync) -> Trial {
    for step in [0.8, 0.4] {
        for _ in 0..2 {
            let tries = (0..=WAYS)
                .flat_map(|way| [-step, step].map(|by| (way, by)))
                .map(|(way, by)| {
                    let mut tried = trial;
                    match tried.by.get_mut(way) {
                        Some(now) => *now = (*now + by).clamp(-FARTHEST, FARTHEST),
                        None => tried.angle += by.to_radians(),
                    }
                    tried
                })
                .collect();
            match ranked(tries, &strength)[0] {
                (higher, tried) if higher > best => (best, trial) = (higher, tried),
                _ => break,
            }
        }
    }
    trial
}

/// Ways in which the plane may lie otherwise, a standard deviation each, as moves of the joint problem's parameters:
/// the principal components of the places' covariance, without what only moves or turns the quilt as a whole, which
/// the search for rows does anyway.
fn ways(laid_out: &LaidOut) -> Vec<DVector<f64>> {
    let (places, jacobian) = places(laid_out);
    let rows = jacobian.nrows();
    if rows < 8 {
        return Vec::new();
    }
    let whole = DMatrix::from_fn(rows, 3, |i, k| match (k, i % 2) {
        (0, 0) | (1, 1) => 1.0,
        (2, 0) => -places[i / 2].y,
        (2, 1) => places[i / 2].x,
        _ => 0.0,
    });
    let whole = whole.qr().q();
    let jacobian = &jacobian - &whole * (whole.transpose() * &jacobian);
    let covariance = &laid_out.covariance;
    let moved = (&jacobian * covariance * jacobian.transpose()).symmetric_eigen();
    let mut order: Vec<usize> = (0..rows).collect();
    order.sort_by(|a, b| moved.eigenvalues[*b].total_cmp(&moved.eigenvalues[*a]));
    order
        .into_iter()
        .take(WAYS)
        .filter(|i| moved.eigenvalues[*i] > 0.0)
        .map(|i| {
            let way = moved.eigenvectors.column(i) / moved.eigenvalues[i].sqrt();
            covariance * jacobian.transpose() * way
        })
        .collect()
}

/// Places all over the quilt around the cards, mm, and how each (x, then y) moves with the joint problem's parameters.
fn places(laid_out: &LaidOut) -> (Vec<Point2>, DMatrix<f64>) {
    let LaidOut {
        joint, map, views, ..
    } = laid_out;
    let middles = laid_out.card_middles();
    let every = (EVERY_MM / map.cell_mm) as usize;
    let n = laid_out.covariance.nrows();
    let mut places: Vec<Point2> = Vec::new();
    let mut moves: Vec<DVector<f64>> = Vec::new();
    for (i, j) in (0..map.height)
        .step_by(every)
        .flat_map(|j| (0..map.width).step_by(every).map(move |i| (i, j)))
    {
        let place = Point2::new(
            map.origin.x + i as f64 * map.cell_mm,
            map.origin.y + j as f64 * map.cell_mm,
        );
        let near = middles.iter().any(|m| (m - place).norm() < REACH_MM);
        if !near || !map.seen[j * map.width + i] {
            continue;
        }
        let seen = views.iter().enumerate().find_map(|(photo, view)| {
            joint.place_with_gradient(&joint.start, photo, view.photo_from_quilt(place)?)
        });
        if let Some((place, gradient)) = seen {
            let (mut x, mut y) = (DVector::zeros(n), DVector::zeros(n));
            for (parameter, by) in gradient {
                x[parameter] += by.x;
                y[parameter] += by.y;
            }
            places.push(place);
            moves.extend([x, y]);
        }
    }
    let jacobian = DMatrix::from_fn(moves.len(), n, |i, k| moves[i][k]);
    (places, jacobian)
}

fn moved(joint: &Joint, ways: &[DVector<f64>], by: &[f64; WAYS]) -> State {
    let n = ways.first().map_or(0, DVector::len);
    let sum = ways
        .iter()
        .zip(by)
        .fold(DVector::zeros(n), |sum, (way, by)| sum + way * *by);
    joint.moved(sum.as_slice())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::geometry::{CHECK_BAR_MM, CardId};
    use crate::card::{CardInPhoto, CornerInPhoto, CornerKind};
    use crate::design::{Design, demo};
    use crate::line::map::{CELL_MM, DIRECTIONS, Region};
    use crate::plane::camera::{Camera, CardPose, Distortion, Pose, Surface, View};
    use crate::plane::joint::{CameraPrior, Priors};
    use crate::plane::start::{PhotoCards, from_cards};
    use crate::rehearse::Seeded;
    use crate::solve::levenberg_marquardt::Loss;
    use nalgebra::{Matrix2, Vector3};
    use std::f64::consts::PI;

    const SPACING_MM: f64 = 150.0;

    fn design() -> Design {
        demo::by_name("meander", 250.0, 90.0).unwrap()
    }

    /// A sheet in the middle of a slanted photo of 4000 × 3000, and nothing but noise around it.
    fn laid_out(random: &mut Seeded) -> LaidOut {
        let camera = Camera::new(3000.0, Point2::new(2000.0, 1500.0), Distortion::default());
        let pose = Pose {
            rotation: Vector3::new(0.6, 0.15, 0.05),
            translation: Vector3::new(0.0, 0.0, 1300.0),
        };
        let surface = Surface::default();
        let view = View {
            camera,
            pose,
            surface: surface.clone(),
        };
        let lies = CardPose {
            x: 0.0,
            s: 0.0,
            angle: 0.0,
            height: Priors::default().card_height_mm.mean,
            tilt_x: 0.0,
            tilt_y: 0.0,
        };
        let corners = CardId::Sheet(1).patches_mm().into_iter().map(|on_card_mm| {
            let space = lies.in_space(on_card_mm, &surface);
            CornerInPhoto {
                on_card_mm,
                in_photo_px: view.clone().prepare().photo_from_space(&space).unwrap(),
                covariance_px2: Matrix2::identity() * 0.0025,
                kind: CornerKind::Patch,
            }
        });
        let card = CardInPhoto {
            card: CardId::Sheet(1),
            corners: corners.collect(),
            tags: Vec::new(),
        };
        let cameras = vec![CameraPrior {
            camera,
            focal_relative_u: 0.03,
            centre_u_px: 30.0,
            bend: [0.04, 0.0, 0.0],
        }];
        let photo_cards = [PhotoCards {
            camera: 0,
            cards: vec![card],
        }];
        let priors = Priors::default();
        let (start, photos) = from_cards(&photo_cards, &cameras, &priors, CHECK_BAR_MM).unwrap();
        let mut joint = Joint {
            cameras,
            photos,
            priors,
            start,
            line_loss: Loss::Squared,
            hand: None,
        };
        let solved = joint.solve().unwrap();
        joint.start = solved.state;
        let (width, height) = (800, 300);
        let noise = |_| std::array::from_fn(|_| random.normal().abs() as f32);
        let map = LineMap {
            origin: Point2::new(-0.5 * 800.0 * CELL_MM, -0.5 * 300.0 * CELL_MM),
            width,
            height,
            cell_mm: CELL_MM,
            evidence: (0..width * height).map(noise).collect(),
            seen: vec![true; width * height],
        };
        LaidOut {
            views: vec![joint.start.view(0, 0)],
            joint,
            covariance: solved.covariance,
            cards: vec![CardId::Sheet(1)],
            map,
            sizes: vec![(4000, 3000)],
            papers: Vec::new(),
            region: Region {
                min: Point2::origin(),
                max: Point2::origin(),
            },
        }
    }

    /// Three rows stitched faintly on a plane.
    fn stitch(laid_out: &mut LaidOut, on: &State) {
        let view = on.view(0, 0);
        let to_map = |p: Point2| laid_out.views[0].quilt_from_photo(view.photo_from_quilt(p)?);
        for row in -1..=1 {
            for repeat in -4..4 {
                for point in design().sample(CELL_MM) {
                    let along = 250.0 * f64::from(repeat) + 70.0 + point.position.x;
                    let at = Point2::new(along, SPACING_MM * f64::from(row) + point.position.y);
                    let (Some(here), Some(ahead)) = (to_map(at), to_map(at + point.tangent)) else {
                        continue;
                    };
                    let tangent = ahead - here;
                    let turn = (tangent.x.atan2(-tangent.y) / PI).rem_euclid(1.0);
                    let bin = (turn * DIRECTIONS as f64).round() as usize % DIRECTIONS;
                    let cell = (here - laid_out.map.origin) / CELL_MM;
                    let (i, j) = (cell.x.round() as usize, cell.y.round() as usize);
                    if i < laid_out.map.width && j < laid_out.map.height {
                        laid_out.map.evidence[j * laid_out.map.width + i][bin] += 0.45;
                    }
                }
            }
        }
    }

    #[test]
    fn ways_are_a_standard_deviation_each_and_the_first_moves_most() {
        let laid_out = laid_out(&mut Seeded::new(5));
        let ways = ways(&laid_out);
        assert_eq!(ways.len(), WAYS);
        let (_, jacobian) = places(&laid_out);
        let rms_mm: Vec<f64> = ways
            .iter()
            .map(|way| (&jacobian * way).norm() / (jacobian.nrows() as f64).sqrt())
            .collect();
        // A card may rock by a degree, which 900 mm away lifts the quilt by 16 mm.
        assert!((2.0..20.0).contains(&rms_mm[0]), "{rms_mm:?}");
        let inverse = laid_out.covariance.clone().pseudo_inverse(1e-14).unwrap();
        for way in &ways {
            let deviations = (way.transpose() * &inverse * way)[0].sqrt();
            assert!((deviations - 1.0).abs() < 0.02, "{deviations}");
        }
    }

    #[test]
    fn rows_too_faint_on_the_cards_plane_show_on_their_own() {
        let mut laid_out = laid_out(&mut Seeded::new(6));
        let ways = ways(&laid_out);
        let truth = moved(&laid_out.joint, &ways, &[1.6, -1.2, 0.0]);
        stitch(&mut laid_out, &truth);
        let design = design();
        let wanted = Wanted {
            design: &design,
            spacing_mm: SPACING_MM,
            stagger: 0.0,
            cards: &[Point2::origin()],
            all_rows: None,
        };
        let flat = placed(&laid_out.map, &laid_out.views, &laid_out.joint.start, 0.0);
        let on_cards_plane = search::strength(&laid_out.map, &wanted, &flat);
        let OnPlane { found, .. } = find(&laid_out, &wanted, &[(0.0, 0.0)]).unwrap();
        assert!(
            found.strength > 1.5 * on_cards_plane,
            "{} {on_cards_plane}",
            found.strength
        );
        assert_eq!(found.rows.len(), 3, "{:?}", found.rows);
        for (row, planned) in found.rows.iter().zip([-150.0, 0.0, 150.0]) {
            assert!((row.across_mm - planned).abs() < 15.0, "{row:?}");
        }
    }
}
