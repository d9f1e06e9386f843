//! All whitened residuals of the problem with their gradients: corners, stitching, priors.

use super::hand::{Hand, Place};
use super::known::Prior;
use super::observed::{CornerObservation, LineObservation};
use super::seen::{SeenBy, moves_on};
use super::state::{
    GLOBALS, PER_CAMERA, PER_CARD, PER_PHOTO, PER_ROW, Stretch, card, habit_shares, row, strayed_mm,
};
use super::{Joint, Source};
use crate::geometry::{Point2, Vector2};
use crate::plane::camera::CardPose;
use crate::plane::relief::{AT_A_PLACE, Relief};
use crate::solve::levenberg_marquardt::{Loss, NormalEquations, Problem};
use nalgebra::DMatrix;
use rayon::prelude::*;
use std::sync::Arc;

/// Loss of a card corner: a corner under a thread tail or a fold must not bend the plane.
const CORNER_LOSS: Loss = Loss::Huber(3.0);

/// Loss of the design's stretch: a repeat that is wrong in the plan by some per cent must not bend the plane until it fits.
const STRETCH_LOSS: Loss = Loss::Cauchy(2.5);

/// Residual of a place that cannot be projected at all, in standard uncertainties.
const UNSEEN: f64 = 50.0;

/// Steps of the derivatives by a card's pose: mm, mm, rad, mm, and slopes.
const CARD_STEPS: [f64; PER_CARD] = [1e-3, 1e-3, 1e-6, 1e-3, 1e-6, 1e-6];

/// Largest number of parameters one observation depends on.
const MOST: usize = GLOBALS + PER_CAMERA + PER_PHOTO + PER_CARD + AT_A_PLACE;

/// Takes a residual with its source, its gradient and its loss.
type Sink<'a> = dyn FnMut(Source, f64, &[(usize, f64)], Loss) + 'a;

impl Problem for Joint {
    fn parameter_count(&self) -> usize {
        self.habit_at() + self.start.habit_mm.len()
    }

    fn linearise(&self, p: &[f64], with_gradients: bool, equations: &mut NormalEquations) {
        let strays = self.visit_apart(p, with_gradients, &mut |_, residual, gradient, loss| {
            equations.add(residual, gradient, loss);
        });
        let Some(hand) = &self.hand else { return };
        let products = |row: &&[Stray]| {
            let Whitened { unknowns, columns } = Whitened::new(hand, row);
            (unknowns, columns.transpose() * &columns, columns.nrows())
        };
        let rows: Vec<_> = by_row(&strays).par_iter().map(products).collect();
        for (unknowns, products, count) in rows {
            equations.add_products(&unknowns, &products, count);
        }
    }
}

impl Joint {
    /// Visits all residuals at a vector of parameters; their gradients are empty where they are not asked for, but for
    /// the priors'.
    pub(super) fn visit(&self, p: &[f64], with_gradients: bool, sink: &mut Sink) {
        let strays = self.visit_apart(p, with_gradients, sink);
        let Some(hand) = &self.hand else { return };
        for row in by_row(&strays) {
            let Whitened { unknowns, columns } = Whitened::new(hand, row);
            let mut gradient = Vec::with_capacity(unknowns.len());
            for k in 0..columns.nrows() {
                gradient.clear();
                let derivatives = unknowns.iter().enumerate();
                gradient.extend(derivatives.map(|(column, i)| (*i, columns[(k, column)])));
                let residual = columns[(k, unknowns.len())];
                sink(Source::Stitching, residual, &gradient, Loss::Squared);
            }
        }
    }

    /// As [`Joint::visit`], but for places of the line that hang together: these are handed back, row by row and along it.
    fn visit_apart(&self, p: &[f64], with_gradients: bool, sink: &mut Sink) -> Vec<Stray> {
        let present = Present {
            joint: self,
            p,
            relief: self.start.relief_of(p),
            with_gradients,
        };
        let mut strays = Vec::new();
        for (photo_index, photo) in self.photos.iter().enumerate() {
            let view = self.seen_by(p, photo_index, &present.relief);
            for (card_index, corners) in &photo.cards {
                present.visit_corners(&view, *card_index, corners, sink);
            }
            present.visit_lines(
                &view,
                &photo.lines,
                &mut |line, residual, gradient| match self.hand {
                    None => sink(Source::Stitching, residual, gradient, self.line_loss),
                    Some(_) => strays.push(Stray {
                        line: *line,
                        residual,
                        gradient: gradient.to_vec(),
                    }),
                },
            );
        }
        self.visit_priors(p, sink);
        strays.sort_by(|a: &Stray, b| {
            let by_row = a.line.row.cmp(&b.line.row);
            by_row.then(a.line.arc_mm.total_cmp(&b.line.arc_mm))
        });
        strays
    }

    fn visit_priors(&self, p: &[f64], sink: &mut Sink) {
        let mut prior = |source: Source, index: usize, known: Prior| {
            sink(
                source,
                (p[index] - known.mean) / known.u,
                &[(index, 1.0 / known.u)],
                Loss::Squared,
            );
        };
        prior(Source::Sag, 0, self.priors.sag_s);
        prior(Source::Sag, 1, self.priors.sag_x);
        for (i, camera) in self.cameras.iter().enumerate() {
            let at = self.camera_at(i);
            let [ln_f, x, y, bend] = camera.to_parameters(&camera.camera);
            prior(Source::Lens, at, Prior::new(ln_f, camera.focal_relative_u));
            prior(Source::Lens, at + 1, Prior::new(x, camera.centre_u_px));
            prior(Source::Lens, at + 2, Prior::new(y, camera.centre_u_px));
            prior(Source::Lens, at + 3, Prior::new(bend, 1.0));
        }
        for (i, pose) in self.start.cards.iter().enumerate() {
            let at = self.card_at(i);
            if i == 0 {
                // The first card holds the frame; a micrometre and a microradian are "exactly" here.
                prior(Source::Corners, at, Prior::new(pose.x, 1e-3));
                prior(Source::Corners, at + 1, Prior::new(pose.s, 1e-3));
                prior(Source::Corners, at + 2, Prior::new(pose.angle, 1e-6));
            }
            prior(Source::CardHeight, at + 3, self.priors.card_height_mm);
            prior(Source::CardTilt, at + 4, self.priors.card_tilt);
            prior(Source::CardTilt, at + 5, self.priors.card_tilt);
        }
        for (i, row) in self.start.rows.iter().enumerate() {
            let at = self.start.row_index(i);
            // Wide enough to say nothing; a row of which little is seen stays near where it was found.
            prior(Source::Rows, at, Prior::new(row.offset, 100.0));
            prior(Source::Rows, at + 1, Prior::new(row.slope, 0.05));
            prior(Source::Rows, at + 2, self.priors.bow);
            prior(Source::Rows, at + 3, Prior::new(row.shift, 100.0));
        }
        for i in self.relief_at()..self.habit_at() {
            prior(Source::Sag, i, self.priors.relief_mm);
        }
        for i in self.habit_at()..self.parameter_count() {
            prior(Source::Stitching, i, self.priors.habit_mm);
        }
        let common = self.priors.stretch;
        let r = (0.5 * (p[2] + p[3]) - common.mean) / common.u;
        sink(
            Source::Stretch,
            r,
            &[(2, 0.5 / common.u), (3, 0.5 / common.u)],
            STRETCH_LOSS,
        );
        let difference = self.priors.stretch_difference;
        let r = (p[3] - p[2] - difference.mean) / difference.u;
        sink(
            Source::Stretch,
            r,
            &[(2, -1.0 / difference.u), (3, 1.0 / difference.u)],
            Loss::Squared,
        );
    }
}

/// A place of the line before it is whitened.
struct Stray {
    line: LineObservation,
    residual: f64,
    gradient: Vec<(usize, f64)>,
}

/// A row's places whitened.
struct Whitened {
    /// In their order.
    unknowns: Vec<usize>,
    /// Derivatives by each of them, place by place, and last the residuals.
    columns: DMatrix<f64>,
}

/// Rows of places that come row by row; the same row in several photos is one line.
fn by_row(strays: &[Stray]) -> Vec<&[Stray]> {
    let rows = strays.chunk_by(|a, b| a.line.row == b.line.row);
    rows.collect()
}

impl Whitened {
    fn new(hand: &Hand, row: &[Stray]) -> Whitened {
        let of_all = row.iter().flat_map(|stray| &stray.gradient);
        let mut unknowns: Vec<usize> = of_all.map(|(i, _)| *i).collect();
        unknowns.sort_unstable();
        unknowns.dedup();
        let mut columns = DMatrix::zeros(row.len(), unknowns.len() + 1);
        for (k, stray) in row.iter().enumerate() {
            columns[(k, unknowns.len())] = stray.residual;
            for (i, d) in &stray.gradient {
                if let Ok(column) = unknowns.binary_search(i) {
                    columns[(k, column)] += d;
                }
            }
        }
        let whitening = hand.whitening(row.iter().map(Stray::place));
        for column in columns.as_mut_slice().chunks_exact_mut(row.len()) {
            whitening.whiten(column);
        }
        Whitened { unknowns, columns }
    }
}

impl Stray {
    fn place(&self) -> Place {
        Place {
            arc_mm: self.line.arc_mm,
            across: self.line.normal_on_quilt * (self.line.px_per_mm / self.line.u_px),
        }
    }
}

/// The problem at one vector of parameters.
struct Present<'a> {
    joint: &'a Joint,
    p: &'a [f64],
    relief: Option<Arc<Relief>>,
    with_gradients: bool,
}

impl Present<'_> {
    /// Visits the corners of a card in a photo.
    fn visit_corners(
        &self,
        view: &SeenBy,
        card_index: usize,
        corners: &[CornerObservation],
        sink: &mut Sink,
    ) {
        let mut gradient_x: Vec<(usize, f64)> = Vec::with_capacity(MOST);
        let mut gradient_y: Vec<(usize, f64)> = Vec::with_capacity(MOST);
        let surface = &view.at.view.surface;
        let relief_at = self.joint.relief_at();
        let from = self.joint.card_at(card_index);
        let card_now = card(&self.p[from..from + PER_CARD]);
        let (sin, cos) = card_now.angle.sin_cos();
        let hill = self
            .relief
            .as_ref()
            .map(|r| r.shares(card_now.x, card_now.s));
        let moved: [CardPose; PER_CARD] = std::array::from_fn(|k| {
            let mut moved: [f64; PER_CARD] = std::array::from_fn(|i| self.p[from + i]);
            moved[k] += CARD_STEPS[k];
            card(&moved)
        });
        for corner in corners {
            gradient_x.clear();
            gradient_y.clear();
            let space = card_now.in_space(corner.on_card_mm, surface);
            let residual = |px: Point2| corner.whitening * (px - corner.in_photo_px);
            let mut r = Vector2::new(UNSEEN, UNSEEN);
            if !self.with_gradients {
                r = view.at.photo_from_space(&space).map_or(r, residual);
            } else if let Some(seen) = view.look(&space) {
                r = residual(seen.px);
                let mut push = |i: usize, d: Vector2| {
                    gradient_x.push((i, d.x));
                    gradient_y.push((i, d.y));
                };
                for (i, d) in seen.by_view {
                    push(i, corner.whitening * d);
                }
                let by_space = corner.whitening * seen.by_space;
                for (i, h, surface) in &view.sagged {
                    let moved = card_now.in_space(corner.on_card_mm, surface);
                    push(*i, by_space * ((moved - space) / *h));
                }
                let by_card: [Vector2; PER_CARD] = std::array::from_fn(|k| {
                    let moved = moved[k].in_space(corner.on_card_mm, surface);
                    by_space * ((moved - space) / CARD_STEPS[k])
                });
                for (k, d) in by_card.iter().enumerate() {
                    push(from + k, *d);
                }
                // A hill lifts the card as its own height does, the other way round, and its slopes
                // rock it, in the quilt's axes instead of its own.
                if let Some(hill) = &hill {
                    let (rock_x, rock_y) = (by_card[4], by_card[5]);
                    let by_dx = rock_y * sin - rock_x * cos;
                    let by_ds = -rock_x * sin - rock_y * cos;
                    for k in 0..AT_A_PLACE {
                        let d = -by_card[3] * hill.z[k] + by_dx * hill.dx[k] + by_ds * hill.ds[k];
                        push(relief_at + hill.index[k], d);
                    }
                }
            }
            sink(Source::Corners, r.x, &gradient_x, CORNER_LOSS);
            sink(Source::Corners, r.y, &gradient_y, CORNER_LOSS);
        }
    }

    /// Visits the places of the stitched line in a photo, each by itself.
    fn visit_lines(
        &self,
        view: &SeenBy,
        lines: &[LineObservation],
        put: &mut impl FnMut(&LineObservation, f64, &[(usize, f64)]),
    ) {
        let mut gradient: Vec<(usize, f64)> = Vec::with_capacity(MOST);
        let (joint, p) = (self.joint, self.p);
        let surface = &view.at.view.surface;
        let (relief_at, habit_at) = (joint.relief_at(), joint.habit_at());
        let habit_mm = &p[habit_at..];
        let stretch = Stretch { x: p[2], y: p[3] };
        for line in lines {
            gradient.clear();
            let from = joint.start.row_index(line.row);
            let row_now = row(&p[from..from + PER_ROW]);
            let place = row_now.on_quilt(line.along_mm, line.across_mm, &stretch);
            let space = surface.at(place.x, place.y);
            let across = line.normal / line.u_px;
            let per_mm = line.px_per_mm / line.u_px;
            let strayed = strayed_mm(habit_mm, line.phase) * per_mm;
            let residual = |px: Point2| across.dot(&(px - line.in_photo_px)) + strayed;
            let mut r = UNSEEN;
            if !self.with_gradients {
                r = view.at.photo_from_space(&space).map_or(r, residual);
            } else if let Some(seen) = view.look(&space) {
                r = residual(seen.px);
                let by_view = seen.by_view.iter();
                gradient.extend(by_view.map(|(i, d)| (*i, across.dot(d))));
                let by_space = seen.by_space.tr_mul(&across);
                for (i, h, surface) in &view.sagged {
                    let moved = surface.at(place.x, place.y) - space;
                    gradient.push((*i, by_space.dot(&moved) / *h));
                }
                // The row's parameters and the stretch act through the place alone.
                let [dx, dy] = moves_on(surface, place, &space).map(|m| by_space.dot(&m));
                let slope_here = row_now.slope + 2.0 * row_now.bow * place.x;
                let d_along = dx + slope_here * dy;
                gradient.push((2, d_along * line.along_mm));
                gradient.push((3, dy * line.across_mm));
                gradient.push((from, dy));
                gradient.push((from + 1, dy * place.x));
                gradient.push((from + 2, dy * place.x * place.x));
                gradient.push((from + 3, d_along));
                let habit = habit_shares(habit_mm.len(), line.phase);
                let habit = habit.iter().flatten();
                gradient.extend(habit.map(|(i, share)| (habit_at + i, share * per_mm)));
                if let Some(relief) = &self.relief {
                    let shares = relief.shares(place.x, place.y);
                    let heights = shares.index.iter().zip(shares.z);
                    gradient.extend(
                        heights.map(|(index, share)| (relief_at + index, by_space.z * share)),
                    );
                }
            }
            put(line, r, &gradient);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::camera::{Camera, Distortion, Pose, Surface};
    use crate::plane::joint::{CameraPrior, PhotoObservations, Priors, RowPlace, State};
    use nalgebra::{Matrix2, Vector3};

    /// A card and a few places of a row on hills, seen aslant.
    fn problem() -> Joint {
        let mut relief = Relief::level(
            Point2::new(-300.0, -300.0),
            Point2::new(300.0, 300.0),
            150.0,
        );
        for (k, z) in relief.heights_mm.iter_mut().enumerate() {
            *z = ((k * 5 + 2) % 7) as f64 - 3.0;
        }
        let camera = Camera::new(3000.0, Point2::new(2000.0, 1500.0), Distortion::k1(-0.04));
        let prior = CameraPrior {
            camera,
            focal_relative_u: 0.03,
            centre_u_px: 30.0,
            bend: [0.04, 0.0, 0.0],
        };
        let start = State {
            surface: Surface {
                sag_s: 2e-6,
                sag_x: -1e-6,
                relief: Some(Arc::new(relief)),
            },
            stretch: Stretch {
                x: -0.02,
                y: -0.015,
            },
            cameras: vec![camera],
            poses: vec![Pose {
                rotation: Vector3::new(0.25, -0.1, 0.3),
                translation: Vector3::new(30.0, -20.0, 1900.0),
            }],
            cards: vec![CardPose {
                x: 40.0,
                s: -60.0,
                angle: 0.7,
                height: 4.0,
                tilt_x: 0.01,
                tilt_y: -0.02,
            }],
            rows: vec![RowPlace {
                offset: 90.0,
                slope: 0.004,
                bow: 2e-6,
                shift: 12.0,
            }],
            habit_mm: vec![0.2, -0.4, 0.1, 0.3, -0.1],
        };
        let corner = |x, y| CornerObservation {
            on_card_mm: Point2::new(x, y),
            in_photo_px: Point2::new(2000.0, 1500.0),
            whitening: Matrix2::identity() * 10.0,
        };
        let line = |along_mm: f64| LineObservation {
            row: 0,
            along_mm,
            across_mm: 0.2 * along_mm,
            in_photo_px: Point2::new(2000.0, 1500.0),
            normal: Vector2::new(0.6, 0.8),
            u_px: 0.5,
            arc_mm: 1.2 * along_mm,
            normal_on_quilt: Vector2::new(0.6, 0.8),
            phase: 0.5 + along_mm / 400.0,
            px_per_mm: 1.7,
        };
        Joint {
            cameras: vec![prior],
            photos: vec![PhotoObservations {
                camera: 0,
                cards: vec![(0, vec![corner(-100.0, -70.0), corner(90.0, 60.0)])],
                lines: [-180.0, 20.0, 150.0].map(line).to_vec(),
            }],
            priors: Priors::default(),
            start,
            line_loss: Loss::Squared,
            hand: None,
        }
    }

    /// Every derivative against a central difference of the residual itself.
    #[test]
    fn gradients_on_hills_are_the_derivatives_of_the_residuals() {
        check_gradients(&problem());
    }

    #[test]
    fn so_are_those_of_a_line_whitened_along_itself() {
        let mut joint = problem();
        joint.hand = Some(Hand {
            spread_mm: 0.5,
            reach_mm: 200.0,
        });
        check_gradients(&joint);
    }

    fn check_gradients(joint: &Joint) {
        let p = joint.start.to_parameters(&joint.cameras);
        assert_eq!(p.len(), joint.parameter_count());
        let residuals = |p: &[f64]| {
            let mut all = Vec::new();
            joint.visit(p, false, &mut |_, r, _, _| all.push(r));
            all
        };
        let mut stated: Vec<Vec<(usize, f64)>> = Vec::new();
        joint.visit(&p, true, &mut |_, _, gradient, _| {
            stated.push(gradient.to_vec())
        });
        for i in 0..p.len() {
            // Small against the residuals' curvature, large against rounding.
            let h = match i {
                0 | 1 => 1e-8,
                _ if i >= joint.relief_at() => 1e-2,
                _ => 1e-6 * p[i].abs().max(0.1),
            };
            let [up, down] = [h, -h].map(|by| {
                let mut moved = p.clone();
                moved[i] += by;
                residuals(&moved)
            });
            for (k, gradient) in stated.iter().enumerate() {
                let true_one = (up[k] - down[k]) / (2.0 * h);
                let told: f64 = gradient.iter().filter(|g| g.0 == i).map(|g| g.1).sum();
                // One-sided steps in the code, for sags and cards: wrong by their length times the curvature.
                let room = 2e-3 * true_one.abs() + 1e-5;
                assert!(
                    (told - true_one).abs() < room,
                    "parameter {i}, residual {k}: {told} {true_one}"
                );
            }
        }
    }
}
