//! Cameras, photos, cards and rows as one least-squares problem.
//!
//! Unknown are the camera (within its prior), a pose per photo, a pose per card (its height and rock
//! within their priors), the quilt's sag, the design's stretch, and offset, slope, bow and shift per
//! row. Observed are card corners and places of the stitched line, each along its curve's normal. The
//! stitching, with the design as the ruler, tells how the quilt's own plane lies against the cards;
//! what it cannot tell stays within the priors and so in the uncertainty.

use super::camera::{Camera, CardPose, Pose, PreparedView, Surface, View};
use super::relief::{AT_A_PLACE, Relief};
use crate::geometry::{Point2, Vector2};
use crate::solve::levenberg_marquardt::{
    Loss, NormalEquations, Options, Problem, Solution, SolveError, minimise,
};
use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix3, Matrix3x2, Rotation3, Vector3};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A value known beforehand, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Expected value.
    pub mean: f64,
    /// Standard uncertainty.
    pub u: f64,
}

impl Prior {
    /// A prior.
    pub const fn new(mean: f64, u: f64) -> Self {
        Prior { mean, u }
    }
}

/// What is known of a camera before the photo is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CameraPrior {
    /// What it is expected to be. Focal length and principal point are solved within their
    /// uncertainties, and the radial terms along `bend`; the rest is taken as it is.
    pub camera: Camera,
    /// Relative standard uncertainty of the focal length (`u` of ln f).
    pub focal_relative_u: f64,
    /// Standard uncertainty of the principal point along each axis, px.
    pub centre_u_px: f64,
    /// Change of k1, k2, k3 at one standard uncertainty, in the direction that is known least.
    pub bend: [f64; 3],
}

impl CameraPrior {
    /// The unknowns of a camera: ln f, c_x, c_y, and how many standard uncertainties its radial terms
    /// stand from the expected ones.
    fn to_parameters(self, camera: &Camera) -> [f64; PER_CAMERA] {
        let (known, now) = (self.camera.distortion.radial, camera.distortion.radial);
        let length2: f64 = self.bend.iter().map(|b| b * b).sum();
        let along: f64 = (0..3).map(|i| (now[i] - known[i]) * self.bend[i]).sum();
        [
            camera.focal_px.ln(),
            camera.centre_px.x,
            camera.centre_px.y,
            if length2 > 0.0 { along / length2 } else { 0.0 },
        ]
    }

    fn camera_at(&self, p: &[f64]) -> Camera {
        let mut camera = Camera {
            focal_px: p[0].exp(),
            centre_px: Point2::new(p[1], p[2]),
            ..self.camera
        };
        for (k, b) in camera.distortion.radial.iter_mut().zip(self.bend) {
            *k += p[3] * b;
        }
        camera
    }
}

/// What is known of cards, quilt and design before the photo is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Priors {
    /// Height of a card above the stitching, mm: its thickness and the puff of the batting.
    pub card_height_mm: Prior,
    /// Rock of a card on the quilt, as a slope.
    pub card_tilt: Prior,
    /// Sag down the quilt, 1/mm.
    pub sag_s: Prior,
    /// Sag across the quilt, 1/mm.
    pub sag_x: Prior,
    /// Stretch of the design common to x and y, relative.
    pub stretch: Prior,
    /// Difference of the stretch in y from that in x, relative.
    pub stretch_difference: Prior,
    /// Quadratic coefficient of a row's bow, 1/mm.
    pub bow: Prior,
    /// Heights of a relaxed quilt's hills, mm.
    pub relief_mm: Prior,
}

impl Default for Priors {
    /// Heights and rock as in the starting design's trial: cards 2–7 mm above the stitching (uniform:
    /// 4.5 ± 1.45), rocked by 0.2–1.5 degrees (0.8 degrees a side); a band of 500 mm sags by up to
    /// some 12 mm; a design is stretched by some 0.2 %. Common practice and trials, no source.
    fn default() -> Self {
        Priors {
            card_height_mm: Prior::new(4.5, 1.45),
            card_tilt: Prior::new(0.0, 0.8_f64.to_radians()),
            sag_s: Prior::new(-0.6e-4, 0.8e-4),
            sag_x: Prior::new(0.0, 0.5e-5),
            stretch: Prior::new(0.0, 0.002),
            stretch_difference: Prior::new(0.0, 0.0015),
            bow: Prior::new(0.0, 1.5e-5),
            relief_mm: Prior::new(0.0, 5.0),
        }
    }
}

/// A card corner located in a photo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CornerObservation {
    /// On the card, true mm (printer scale taken out).
    pub on_card_mm: Point2,
    /// In the photo, px.
    pub in_photo_px: Point2,
    /// Inverse square root of its covariance: whitens a residual, 1/px.
    pub whitening: Matrix2<f64>,
}

/// A place of the stitched line located in a photo along its curve's normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineObservation {
    /// Which row of the problem.
    pub row: usize,
    /// Along the unstretched row from its reference point, mm (repeats counted in).
    pub along_mm: f64,
    /// Across, from the baseline, mm, unstretched.
    pub across_mm: f64,
    /// In the photo, px.
    pub in_photo_px: Point2,
    /// Unit normal of the curve in the photo.
    pub normal: Vector2,
    /// Standard uncertainty along the normal, px.
    pub u_px: f64,
}

/// One photo's observations.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PhotoObservations {
    /// Which camera of the problem.
    pub camera: usize,
    /// Corners by card of the problem.
    pub cards: Vec<(usize, Vec<CornerObservation>)>,
    /// Places of the stitched line.
    pub lines: Vec<LineObservation>,
}

/// A row's place on the quilt: y(x) = offset + slope·x + bow·x², the design's start at x = shift.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RowPlace {
    /// y at x = 0, mm.
    pub offset: f64,
    /// Slope, mm per mm.
    pub slope: f64,
    /// Quadratic coefficient, 1/mm.
    pub bow: f64,
    /// x of the reference point of the design, mm.
    pub shift: f64,
}

impl RowPlace {
    /// y of the baseline, mm.
    pub fn y(&self, x: f64) -> f64 {
        self.offset + (self.slope + self.bow * x) * x
    }

    /// Place on the quilt of a point of the design, `along`/`across` unstretched mm.
    pub fn on_quilt(&self, along: f64, across: f64, stretch: &Stretch) -> Point2 {
        let x = self.shift + along * (1.0 + stretch.x);
        Point2::new(x, self.y(x) + across * (1.0 + stretch.y))
    }
}

/// Relative stretch of the design on the quilt.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stretch {
    /// Along the row.
    pub x: f64,
    /// Across the row.
    pub y: f64,
}

/// Everything that is estimated.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    /// The quilt's shape.
    pub surface: Surface,
    /// The design's stretch.
    pub stretch: Stretch,
    /// Cameras.
    pub cameras: Vec<Camera>,
    /// Pose of each photo.
    pub poses: Vec<Pose>,
    /// Pose of each card.
    pub cards: Vec<CardPose>,
    /// Place of each row.
    pub rows: Vec<RowPlace>,
}

const GLOBALS: usize = 4;
const PER_CAMERA: usize = 4;
const PER_PHOTO: usize = 6;
const PER_CARD: usize = 6;
const PER_ROW: usize = 4;
/// Largest number of parameters one observation depends on.
const MOST: usize = GLOBALS + PER_CAMERA + PER_PHOTO + PER_CARD + AT_A_PLACE;

impl State {
    /// The view of a photo.
    pub fn view(&self, photo: usize, camera: usize) -> PreparedView {
        View {
            camera: self.cameras[camera],
            pose: self.poses[photo],
            surface: self.surface.clone(),
        }
        .prepare()
    }

    /// The same scene in a frame whose x-axis stands at `angle` (rad) in this one, same origin. Sag and
    /// relief are taken as they are: they are solved anew.
    pub fn turned(&self, angle: f64) -> State {
        let about_z = Rotation3::from_axis_angle(&Vector3::z_axis(), angle);
        let (sin, cos) = angle.sin_cos();
        State {
            poses: self
                .poses
                .iter()
                .map(|pose| Pose {
                    rotation: (pose.matrix() * about_z).scaled_axis(),
                    translation: pose.translation,
                })
                .collect(),
            cards: self
                .cards
                .iter()
                .map(|card| CardPose {
                    x: cos * card.x + sin * card.s,
                    s: cos * card.s - sin * card.x,
                    angle: card.angle - angle,
                    ..*card
                })
                .collect(),
            ..self.clone()
        }
    }

    /// Indices of the design's stretch along and across in the solution.
    pub const STRETCH_INDEX: [usize; 2] = [2, 3];

    /// Index of a row's first parameter (offset, slope, bow, shift) in the solution.
    pub fn row_index(&self, row: usize) -> usize {
        GLOBALS
            + PER_CAMERA * self.cameras.len()
            + PER_PHOTO * self.poses.len()
            + PER_CARD * self.cards.len()
            + PER_ROW * row
    }

    /// Index of a card's first parameter (x, s, angle, height, tilts) in the solution.
    pub fn card_index(&self, card: usize) -> usize {
        self.row_index(0) - PER_CARD * (self.cards.len() - card)
    }

    fn to_parameters(&self, priors: &[CameraPrior]) -> Vec<f64> {
        let mut p = vec![
            self.surface.sag_s,
            self.surface.sag_x,
            self.stretch.x,
            self.stretch.y,
        ];
        for (prior, camera) in priors.iter().zip(&self.cameras) {
            p.extend(prior.to_parameters(camera));
        }
        for pose in &self.poses {
            p.extend(pose.rotation.iter().chain(pose.translation.iter()));
        }
        for c in &self.cards {
            p.extend([c.x, c.s, c.angle, c.height, c.tilt_x, c.tilt_y]);
        }
        for r in &self.rows {
            p.extend([r.offset, r.slope, r.bow, r.shift]);
        }
        if let Some(relief) = &self.surface.relief {
            p.extend(&relief.heights_mm);
        }
        p
    }

    /// The relief with the heights of a parameter vector; `None` when there is none.
    fn relief_of(&self, p: &[f64]) -> Option<Arc<Relief>> {
        self.surface.relief.as_ref().map(|relief| {
            let from = self.row_index(self.rows.len());
            Arc::new(Relief {
                heights_mm: p[from..from + relief.heights_mm.len()].to_vec(),
                ..Relief::clone(relief)
            })
        })
    }

    fn from_parameters(p: &[f64], shape: &State, priors: &[CameraPrior]) -> State {
        let mut rest = &p[GLOBALS..];
        let mut take = |n: usize| {
            let (head, tail) = rest.split_at(n);
            rest = tail;
            head
        };
        State {
            surface: Surface {
                sag_s: p[0],
                sag_x: p[1],
                relief: shape.relief_of(p),
            },
            stretch: Stretch { x: p[2], y: p[3] },
            cameras: priors
                .iter()
                .map(|prior| prior.camera_at(take(PER_CAMERA)))
                .collect(),
            poses: shape.poses.iter().map(|_| pose(take(PER_PHOTO))).collect(),
            cards: shape.cards.iter().map(|_| card(take(PER_CARD))).collect(),
            rows: shape.rows.iter().map(|_| row(take(PER_ROW))).collect(),
        }
    }
}

fn pose(p: &[f64]) -> Pose {
    Pose {
        rotation: Vector3::new(p[0], p[1], p[2]),
        translation: Vector3::new(p[3], p[4], p[5]),
    }
}
fn card(p: &[f64]) -> CardPose {
    CardPose {
        x: p[0],
        s: p[1],
        angle: p[2],
        height: p[3],
        tilt_x: p[4],
        tilt_y: p[5],
    }
}
fn row(p: &[f64]) -> RowPlace {
    RowPlace {
        offset: p[0],
        slope: p[1],
        bow: p[2],
        shift: p[3],
    }
}

/// The problem: observations, priors, and the loss under which stitching is trusted.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// Cameras before the photos were looked at.
    pub cameras: Vec<CameraPrior>,
    /// Observations by photo.
    pub photos: Vec<PhotoObservations>,
    /// Cards, quilt and design before the photos were looked at.
    pub priors: Priors,
    /// Numbers of cameras, photos, cards and rows; its first card fixes the frame.
    pub start: State,
    /// Loss of a place of the stitched line, in units of its standard uncertainty.
    pub line_loss: Loss,
}

/// The solved problem.
#[derive(Debug, Clone)]
pub struct Solved {
    /// Estimates.
    pub state: State,
    /// Covariance of all parameters, in the order of [`State::row_index`].
    pub covariance: DMatrix<f64>,
    /// Iterations taken.
    pub iterations: usize,
}

/// What an estimate, and so its uncertainty, rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// Where the card's corners lie in the photo.
    Corners,
    /// The stitching: the hand's wobble, and how much of the line is seen.
    Stitching,
    /// What is known of the camera.
    Lens,
    /// How high cards lie above the stitching.
    CardHeight,
    /// How cards rock.
    CardTilt,
    /// How the quilt sags, or rises and falls.
    Sag,
    /// How the design is stretched.
    Stretch,
    /// How rows bend.
    Rows,
}

/// Loss of a card corner: a corner under a thread tail or a fold must not bend the plane.
const CORNER_LOSS: Loss = Loss::Huber(3.0);
/// Residual of a place that cannot be projected at all, in standard uncertainties.
const UNSEEN: f64 = 50.0;

impl Joint {
    /// Solves the problem.
    ///
    /// # Errors
    ///
    /// [`SolveError`] when the normal equations are singular or the iteration fails.
    pub fn solve(&self) -> Result<Solved, SolveError> {
        self.solve_with(&Options::default())
    }

    /// As [`Joint::solve`], but stops when the cost falls by less than a thousandth: for a state from which
    /// the stitching is looked for anew.
    ///
    /// # Errors
    ///
    /// As [`Joint::solve`].
    pub fn solve_roughly(&self) -> Result<Solved, SolveError> {
        self.solve_with(&Options {
            iterations: 15,
            relative_cost: 1e-3,
        })
    }

    fn solve_with(&self, options: &Options) -> Result<Solved, SolveError> {
        let solution: Solution = minimise(self, &self.start.to_parameters(&self.cameras), options)?;
        Ok(Solved {
            state: State::from_parameters(&solution.parameters, &self.start, &self.cameras),
            covariance: solution.covariance,
            iterations: solution.iterations,
        })
    }

    /// The place on the quilt seen at a photo position, with its derivatives by parameter; `None` when the ray misses
    /// the quilt.
    ///
    /// The place moves so that what a parameter does to its picture is made good (implicit differentiation).
    pub fn place_with_gradient(
        &self,
        state: &State,
        photo: usize,
        px: Point2,
    ) -> Option<(Point2, Vec<(usize, Vector2)>)> {
        let p = state.to_parameters(&self.cameras);
        let relief = state.surface.relief.clone();
        let view = self.seen_by(&p, photo, &relief);
        let place = view.at.quilt_from_photo(px)?;
        let surface = &view.at.view.surface;
        let space = surface.at(place.x, place.y);
        let seen = view.look(&space)?;
        let moves = moves_on(surface, place, &space);
        let back = -(seen.by_space * Matrix3x2::from_columns(&moves)).try_inverse()?;
        let mut gradient: Vec<(usize, Vector2)> =
            seen.by_view.iter().map(|(i, d)| (*i, back * d)).collect();
        for (i, h, surface) in &view.sagged {
            let moved = (surface.at(place.x, place.y) - space) / *h;
            gradient.push((*i, back * (seen.by_space * moved)));
        }
        if let Some(relief) = &relief {
            let shares = relief.shares(place.x, place.y);
            let lower = back * seen.by_space.column(2);
            let heights = shares.index.iter().zip(shares.z);
            gradient.extend(heights.map(|(i, share)| (self.relief_at() + i, lower * share)));
        }
        Some((place, gradient))
    }

    fn camera_at(&self, camera: usize) -> usize {
        GLOBALS + PER_CAMERA * camera
    }
    fn photo_at(&self, photo: usize) -> usize {
        self.camera_at(self.start.cameras.len()) + PER_PHOTO * photo
    }
    fn card_at(&self, card: usize) -> usize {
        self.photo_at(self.start.poses.len()) + PER_CARD * card
    }

    fn relief_at(&self) -> usize {
        self.start.row_index(self.start.rows.len())
    }

    /// A photo's view at the present parameters, ready for derivatives.
    fn seen_by(&self, p: &[f64], photo: usize, relief: &Option<Arc<Relief>>) -> SeenBy {
        let camera = self.photos[photo].camera;
        let (camera_at, pose_at) = (self.camera_at(camera), self.photo_at(photo));
        let sagged = |by: [f64; 2]| Surface {
            sag_s: p[0] + by[0],
            sag_x: p[1] + by[1],
            relief: relief.clone(),
        };
        let pose = pose(&p[pose_at..pose_at + PER_PHOTO]);
        // Central differences of a rotation's matrix: good to some 1e-11.
        const TURN: f64 = 1e-5;
        let turned = |axis: usize, by: f64| {
            let mut rotation = pose.rotation;
            rotation[axis] += by;
            Rotation3::from_scaled_axis(rotation).into_inner()
        };
        let [h_s, h_x] = SAG_STEPS;
        SeenBy {
            at: View {
                camera: self.cameras[camera].camera_at(&p[camera_at..camera_at + PER_CAMERA]),
                pose,
                surface: sagged([0.0; 2]),
            }
            .prepare(),
            turns: [0, 1, 2].map(|k| (turned(k, TURN) - turned(k, -TURN)) / (2.0 * TURN)),
            bend: self.cameras[camera].bend,
            camera_at,
            pose_at,
            sagged: [(0, h_s, sagged([h_s, 0.0])), (1, h_x, sagged([0.0, h_x]))],
        }
    }
}

/// Steps of the derivatives by the two sags, 1/mm: small against their curvature, large against rounding.
const SAG_STEPS: [f64; 2] = [1e-8, 1e-9];
/// The same for a card's pose: mm, mm, rad, mm, and slopes.
const CARD_STEPS: [f64; PER_CARD] = [1e-3, 1e-3, 1e-6, 1e-3, 1e-6, 1e-6];

/// By how much a point of the quilt moves in space when its place moves across or down, mm per mm.
fn moves_on(surface: &Surface, place: Point2, space: &Vector3<f64>) -> [Vector3<f64>; 2] {
    const STEP_MM: f64 = 1e-3;
    [(STEP_MM, 0.0), (0.0, STEP_MM)]
        .map(|(dx, ds)| (surface.at(place.x + dx, place.y + ds) - space) / STEP_MM)
}

/// A photo's view at the present parameters, with what its derivatives are made of.
struct SeenBy {
    at: PreparedView,
    /// Derivatives of the rotation's matrix by the pose's three rotations.
    turns: [Matrix3<f64>; 3],
    /// Change of the radial terms per unit of the camera's fourth unknown.
    bend: [f64; 3],
    camera_at: usize,
    pose_at: usize,
    /// The surface with each of its sags moved a little: index of the unknown, step, surface.
    sagged: [(usize, f64, Surface); 2],
}

/// Where a point in space is seen, px.
struct Seen {
    px: Point2,
    /// Derivatives by the point.
    by_space: Matrix2x3<f64>,
    /// Derivatives by the unknowns of camera and pose, with their indices.
    by_view: [(usize, Vector2); PER_CAMERA + PER_PHOTO],
}

impl SeenBy {
    fn look(&self, space: &Vector3<f64>) -> Option<Seen> {
        let camera = &self.at.view.camera;
        let (px, by_point, by_value) =
            camera.project_with_derivatives(&self.at.in_camera(space))?;
        let (f_x, f_y) = (camera.focal_px, camera.focal_px * camera.aspect);
        let bent: Vector2 = (0..3).map(|k| by_value[4 + k] * self.bend[k]).sum();
        let (c, q) = (self.camera_at, self.pose_at);
        let turn = |k: usize| by_point * (self.turns[k] * space);
        Some(Seen {
            px,
            by_space: by_point * self.at.rotation(),
            by_view: [
                // The first unknown is ln f; the aspect is kept.
                (c, by_value[0] * f_x + by_value[1] * f_y),
                (c + 1, by_value[2]),
                (c + 2, by_value[3]),
                (c + 3, bent),
                (q, turn(0)),
                (q + 1, turn(1)),
                (q + 2, turn(2)),
                (q + 3, by_point.column(0).into_owned()),
                (q + 4, by_point.column(1).into_owned()),
                (q + 5, by_point.column(2).into_owned()),
            ],
        })
    }
}

impl Problem for Joint {
    fn parameter_count(&self) -> usize {
        let heights = self.start.surface.relief.as_ref();
        self.relief_at() + heights.map_or(0, |relief| relief.heights_mm.len())
    }

    fn linearise(&self, p: &[f64], with_gradients: bool, equations: &mut NormalEquations) {
        self.visit(p, with_gradients, &mut |_, residual, gradient, loss| {
            equations.add(residual, gradient, loss);
        });
    }
}

/// Takes a residual with its source, its gradient and its loss.
type Sink<'a> = dyn FnMut(Source, f64, &[(usize, f64)], Loss) + 'a;

impl Joint {
    /// By how much of the variance of linear functions of the parameters each source is to blame, in the
    /// functions' unit squared; a function is the list of its derivatives by parameter.
    ///
    /// With v = C·g, the variance gᵀCg is the sum of w·(aᵀv)² over all whitened observations and priors with
    /// gradient a and weight w, as C is the inverse of the sum of w·aaᵀ: each source has its own sum.
    pub fn variances_by_source<const N: usize>(
        &self,
        state: &State,
        covariance: &DMatrix<f64>,
        gradients: &[Vec<(usize, f64)>; N],
    ) -> [BTreeMap<Source, f64>; N] {
        let pulls = gradients.each_ref().map(|gradient| {
            let mut g = DVector::zeros(self.parameter_count());
            for (i, d) in gradient {
                g[*i] += d;
            }
            covariance * g
        });
        let mut shares: [BTreeMap<Source, f64>; N] = std::array::from_fn(|_| BTreeMap::new());
        self.visit(
            &state.to_parameters(&self.cameras),
            true,
            &mut |source, residual, a, loss| {
                for (v, shares) in pulls.iter().zip(&mut shares) {
                    let pull: f64 = a.iter().map(|(i, d)| d * v[*i]).sum();
                    *shares.entry(source).or_default() += loss.weight(residual) * pull * pull;
                }
            },
        );
        shares
    }

    fn visit(&self, p: &[f64], with_gradients: bool, sink: &mut Sink) {
        let mut gradient_x: Vec<(usize, f64)> = Vec::with_capacity(MOST);
        let mut gradient_y: Vec<(usize, f64)> = Vec::with_capacity(MOST);
        let relief = self.start.relief_of(p);
        let relief_at = self.relief_at();
        for (photo_index, photo) in self.photos.iter().enumerate() {
            let view = self.seen_by(p, photo_index, &relief);
            let surface = &view.at.view.surface;
            for (card_index, corners) in &photo.cards {
                let from = self.card_at(*card_index);
                let card_now = card(&p[from..from + PER_CARD]);
                let (sin, cos) = card_now.angle.sin_cos();
                let hill = relief.as_ref().map(|r| r.shares(card_now.x, card_now.s));
                let moved: [CardPose; PER_CARD] = std::array::from_fn(|k| {
                    let mut moved: [f64; PER_CARD] = std::array::from_fn(|i| p[from + i]);
                    moved[k] += CARD_STEPS[k];
                    card(&moved)
                });
                for corner in corners {
                    gradient_x.clear();
                    gradient_y.clear();
                    let space = card_now.in_space(corner.on_card_mm, surface);
                    let residual = |px: Point2| corner.whitening * (px - corner.in_photo_px);
                    let mut r = Vector2::new(UNSEEN, UNSEEN);
                    if !with_gradients {
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
                                let d = -by_card[3] * hill.z[k]
                                    + by_dx * hill.dx[k]
                                    + by_ds * hill.ds[k];
                                push(relief_at + hill.index[k], d);
                            }
                        }
                    }
                    sink(Source::Corners, r.x, &gradient_x, CORNER_LOSS);
                    sink(Source::Corners, r.y, &gradient_y, CORNER_LOSS);
                }
            }
            let stretch = Stretch { x: p[2], y: p[3] };
            for line in &photo.lines {
                gradient_x.clear();
                let from = self.start.row_index(line.row);
                let row_now = row(&p[from..from + PER_ROW]);
                let place = row_now.on_quilt(line.along_mm, line.across_mm, &stretch);
                let space = surface.at(place.x, place.y);
                let across = line.normal / line.u_px;
                let residual = |px: Point2| across.dot(&(px - line.in_photo_px));
                let mut r = UNSEEN;
                if !with_gradients {
                    r = view.at.photo_from_space(&space).map_or(r, residual);
                } else if let Some(seen) = view.look(&space) {
                    r = residual(seen.px);
                    let by_view = seen.by_view.iter();
                    gradient_x.extend(by_view.map(|(i, d)| (*i, across.dot(d))));
                    let by_space = seen.by_space.tr_mul(&across);
                    for (i, h, surface) in &view.sagged {
                        let moved = surface.at(place.x, place.y) - space;
                        gradient_x.push((*i, by_space.dot(&moved) / *h));
                    }
                    // The row's parameters and the stretch act through the place alone.
                    let [dx, dy] = moves_on(surface, place, &space).map(|m| by_space.dot(&m));
                    let slope_here = row_now.slope + 2.0 * row_now.bow * place.x;
                    let d_along = dx + slope_here * dy;
                    gradient_x.push((2, d_along * line.along_mm));
                    gradient_x.push((3, dy * line.across_mm));
                    gradient_x.push((from, dy));
                    gradient_x.push((from + 1, dy * place.x));
                    gradient_x.push((from + 2, dy * place.x * place.x));
                    gradient_x.push((from + 3, d_along));
                    if let Some(relief) = &relief {
                        let shares = relief.shares(place.x, place.y);
                        let heights = shares.index.iter().zip(shares.z);
                        gradient_x.extend(
                            heights.map(|(index, share)| (relief_at + index, by_space.z * share)),
                        );
                    }
                }
                sink(Source::Stitching, r, &gradient_x, self.line_loss);
            }
        }
        self.visit_priors(p, sink);
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
        for i in self.relief_at()..self.parameter_count() {
            prior(Source::Sag, i, self.priors.relief_mm);
        }
        let common = self.priors.stretch;
        let r = (0.5 * (p[2] + p[3]) - common.mean) / common.u;
        sink(
            Source::Stretch,
            r,
            &[(2, 0.5 / common.u), (3, 0.5 / common.u)],
            Loss::Squared,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::camera::Distortion;

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
        }
    }

    /// Every derivative against a central difference of the residual itself.
    #[test]
    fn gradients_on_hills_are_the_derivatives_of_the_residuals() {
        let joint = problem();
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
