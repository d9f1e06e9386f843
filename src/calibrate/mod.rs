//! A camera calibrated from photos of measuring cards: focal lengths, principal point and what the lens
//! does to straight lines, with their covariance, or a plain reason why not and what is still missing.
//!
//! Everything here is in the frame of the picture as the camera stored it, before it is turned upright:
//! a lens does not turn with the telephone. No files are touched; see `cli::calibrate`.

pub mod advice;
pub mod bundle;
pub mod error;
pub mod picture;
pub mod profile;
pub mod scales;
pub mod set;
pub mod turn;
pub mod zhang;

use crate::card::geometry::CardId;
use crate::card::{CardInPhoto, CornerInPhoto, CornerKind};
use crate::geometry::homography::Homography;
use crate::geometry::{Point2, Vector2};
use crate::plane::camera::{CAMERA_VALUES, Camera, Pose};
use crate::plane::start::pose_of_plane;
use crate::solve::levenberg_marquardt::Loss;
use crate::solve::median::median;
use crate::units::Uncertain;
use advice::{Advice, Coverage};
use bundle::{
    Bundle, BundleSolution, CardShape, CardView, Estimate, PlanePoint, SHAPE_VALUES, Unknown,
};
pub use error::{CannotCalibrate, Note, Refusal};
use nalgebra::{Matrix2, SMatrix};
use rayon::prelude::*;

/// Fewest photos a lens is calibrated from.
pub const FEWEST_PHOTOS: usize = 5;
/// Fewest corners of a card for it to count: a plane's eight unknowns, and as many again to spare.
const FEWEST_CORNERS: usize = 8;
/// Of a corner's uncertainty, px, what its own covariance does not hold: rounding of the picture, paper
/// that is not quite flat. The photos' own scatter scales everything afterwards.
const CORNER_FLOOR_PX: f64 = 0.02;
/// The same for corners of tags, whose edges move with ink spread and blur.
const TAG_CORNER_FLOOR_PX: f64 = 0.25;
/// A card tilted by less than this against the picture says next to nothing about the focal length, rad.
const FACE_ON: f64 = 10.0 * std::f64::consts::PI / 180.0;
/// Two photos closer in direction than this show the card the same way, rad.
const SAME_WAY: f64 = 7.0 * std::f64::consts::PI / 180.0;
/// Directions needed: three planes settle a camera (Zhang 2000, section 3.1).
const FEWEST_DIRECTIONS: usize = 3;
/// How well the focal length has to come out, relative standard uncertainty.
const MOST_FOCAL_U: f64 = 0.01;
/// Pixels of a sensor are square to this, relative (common practice, no source).
const SQUARE_U: f64 = 5e-4;
/// Prior scatter of a print's y-to-x scale less 1: home printers (common practice, no source).
const Y_TO_X_PRIOR: f64 = 0.005;
/// Prior scatter of a bend, mm: of any card, to see whether it is flat; and of one glued flat on board, once it
/// is (common practice, no source).
const BEND_PRIOR_MM: f64 = 4.0;
const GLUED_PRIOR_MM: f64 = 0.5;
/// Photos whose corners lie farther off than this in the middle do not show one lens, share of the picture's
/// diagonal: 1 px in 12 MP, several times what a poor print does.
const MISFIT: f64 = 2e-4;
/// A card is called bent from this on, mm, when it is also [`SURE`] standard uncertainties.
const BENT_MM: f64 = 1.0;
/// A print is called uneven from this on: half a millimetre on 151.2 mm, as `calibration/README.md` says.
const UNEVEN: f64 = 0.0033;
/// How many standard uncertainties make sure.
const SURE: f64 = 4.0;
/// A photo that fits this many times worse than the middle one does not belong to the others.
const STRANGE_PHOTO: f64 = 3.0;
/// A corner this far from where it should be is wrong: times the scatter of all, and px.
const STRANGE_CORNER: (f64, f64) = (5.0, 0.2);
/// Factor from a standard uncertainty to a 95 % interval (JCGM 100:2008, table G.2).
const K_95: f64 = 1.96;
/// A flat thing has to stay flat to this anywhere in the picture, 95 %, px, for a lens to be trusted.
pub const TRUSTED_PX: f64 = 1.0;

/// One photo of cards, in the frame of the stored picture.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrationPhoto {
    /// What to call it.
    pub name: String,
    /// Cards found in it.
    pub cards: Vec<CardInPhoto>,
}

/// Which terms of the lens were estimated beside f_x, f_y, c_x, c_y, k1, k2.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Terms {
    /// Third radial term.
    pub k3: bool,
    /// Tangential terms p1, p2.
    pub tangential: bool,
}

/// All choices.
const TERMS: [Terms; 4] = [
    Terms {
        k3: false,
        tangential: false,
    },
    Terms {
        k3: true,
        tangential: false,
    },
    Terms {
        k3: false,
        tangential: true,
    },
    Terms {
        k3: true,
        tangential: true,
    },
];

impl std::fmt::Display for Terms {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match (self.k3, self.tangential) {
            (false, false) => "k1 k2",
            (true, false) => "k1 k2 k3",
            (false, true) => "k1 k2 p1 p2",
            (true, true) => "k1 k2 k3 p1 p2",
        })
    }
}

/// What of the camera is estimated.
pub fn unknowns(terms: Terms) -> [Unknown; CAMERA_VALUES] {
    let when = |free: bool| if free { Unknown::Free } else { Unknown::Fixed };
    let (k3, p) = (when(terms.k3), when(terms.tangential));
    let free = Unknown::Free;
    [free, free, free, free, free, free, k3, p, p, Unknown::Fixed]
}

/// A card in a photo, as fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct ViewFit {
    /// Which photo, as given.
    pub photo: usize,
    /// Which card.
    pub card: CardId,
    /// Card's frame in the camera's; mm of the card as drawn.
    pub pose: Pose,
    /// Corners used: where seen, and how far from there the fit puts them, px.
    pub corners: Vec<(Point2, Vector2)>,
    /// Tilt of the card against the picture, rad.
    pub tilt: f64,
}

/// The covariance of f_x, f_y, c_x, c_y, k1, k2, k3, p1, p2.
pub type LensCovariance = SMatrix<f64, 9, 9>;

/// A calibrated camera.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The camera.
    pub camera: Camera,
    /// Covariance of f_x, f_y, c_x, c_y, k1, k2, k3, p1, p2.
    pub covariance: LensCovariance,
    /// Which terms were estimated.
    pub terms: Terms,
    /// Bayesian information criterion of each choice of terms, less the best one.
    pub criteria: Vec<(Terms, f64)>,
    /// RMS distance of the corners from the fit, px.
    pub residual_px: f64,
    /// Corners used.
    pub corners: usize,
    /// Cards in photos, as used.
    pub views: Vec<ViewFit>,
    /// Names of the photos used.
    pub photos: Vec<String>,
    /// What was left out, and what was noticed.
    pub notes: Vec<Note>,
    /// Print scale along y over that along x, less 1, of each card.
    pub y_to_x: Vec<(CardId, Uncertain)>,
    /// By how much a flat thing may seem bent somewhere in the picture, 95 %, px.
    pub flat_px: f64,
    /// Where in the picture the cards were.
    pub coverage: Coverage,
    /// What would help most, first things first.
    pub advice: Vec<Advice>,
}

impl Calibration {
    /// Whether the lens is known well enough to measure with.
    pub fn trusted(&self) -> bool {
        self.flat_px <= TRUSTED_PX
    }
}

/// Calibrates the camera that took all these photos.
///
/// # Errors
///
/// [`Refusal`] with what is missing, and what was left out on the way.
pub fn calibrate(photos: &[CalibrationPhoto], size_px: (u32, u32)) -> Result<Calibration, Refusal> {
    let mut notes = Vec::new();
    match attempt(photos, size_px, &mut notes) {
        Ok(calibration) => Ok(Calibration {
            notes,
            ..calibration
        }),
        Err(reason) => Err(Refusal { reason, notes }),
    }
}

fn attempt(
    photos: &[CalibrationPhoto],
    size_px: (u32, u32),
    notes: &mut Vec<Note>,
) -> Result<Calibration, CannotCalibrate> {
    let mut work = Work::new(photos, notes);
    work.enough()?;
    let guess = work.guess(size_px)?;
    work.directions(&guess.poses)?;

    // A convex loss first: from afar a bounded one is flat and leads nowhere.
    let base = Terms::default();
    let robust = Loss::Huber(3.0);
    let mut fitted = work.solve(base, guess, robust, BEND_PRIOR_MM)?;
    while let Some(strange) = work.strange_photo(&fitted) {
        notes.push(Note::StrangePhoto {
            name: photos[strange.photo].name.clone(),
            residual_px: strange.residual_px,
            usual_px: strange.usual_px,
        });
        let start = work.without_photo(strange.photo, &fitted.solution.estimate);
        if work.photos().len() < FEWEST_PHOTOS || 3 * work.photos().len() < 2 * photos.len() {
            return Err(CannotCalibrate::NotOneCamera {
                fit: work.photos().len(),
                of: photos.len(),
            });
        }
        fitted = work.solve(base, start, robust, BEND_PRIOR_MM)?;
    }
    let (off_u, off_px) = fitted.scatter(0..work.views.len());
    let diagonal_px = f64::from(size_px.0).hypot(f64::from(size_px.1));
    // Blurred and noisy photos scatter as far too, but their corners say so themselves.
    if off_px > MISFIT * diagonal_px && off_u > STRANGE_PHOTO * 2f64.sqrt() {
        return Err(CannotCalibrate::Misfit { off_px });
    }
    work.drop_corners(&fitted, photos, notes);
    let start = work.without_bare_views(fitted.solution.estimate, photos, notes);
    work.enough()?;
    let fitted = work.solve(base, start.clone(), Loss::Squared, BEND_PRIOR_MM)?;
    let y_to_x = work.judge_prints(&fitted, notes)?;

    // Who is in is settled; which terms the corners ask for is judged on the same corners.
    let fits: Vec<Fitted> = TERMS
        .par_iter()
        .map(|terms| work.solve(*terms, start.clone(), Loss::Squared, GLUED_PRIOR_MM))
        .collect::<Result<_, _>>()?;
    let least = fits.iter().map(Fitted::criterion).fold(f64::MAX, f64::min);
    let criteria: Vec<(Terms, f64)> = fits
        .iter()
        .map(|f| (f.terms, f.criterion() - least))
        .collect();
    let best = fits.into_iter().find(|f| f.criterion() == least);
    let Some(fitted) = best else {
        return Err(CannotCalibrate::NoSolution);
    };
    work.directions(&fitted.solution.estimate.poses)?;
    notes.extend(scales::compare(
        &work.cards,
        &work.owners,
        &fitted.bundle.views,
        &fitted.solution.estimate,
    ));

    let variance = fitted.variance_factor();
    let covariance: LensCovariance =
        LensCovariance::from_fn(|i, j| fitted.solution.head_covariance[(i, j)] * variance);
    let estimate = &fitted.solution.estimate;
    let focal_u = covariance[(0, 0)].sqrt() / estimate.camera.focal_px;
    if focal_u > MOST_FOCAL_U {
        return Err(CannotCalibrate::FocalOpen {
            percent: 100.0 * K_95 * focal_u,
        });
    }
    let views: Vec<ViewFit> = work.view_fits(&fitted);
    let coverage = Coverage::new(&views, size_px);
    let bends = advice::flat_u_px(&estimate.camera, &covariance, size_px);
    let corners: usize = views.iter().map(|v| v.corners.len()).sum();
    let square: f64 = views
        .iter()
        .flat_map(|v| &v.corners)
        .map(|c| c.1.norm_squared())
        .sum();
    Ok(Calibration {
        camera: estimate.camera,
        covariance,
        terms: fitted.terms,
        criteria,
        residual_px: (square / corners as f64).sqrt(),
        corners,
        photos: work
            .photos()
            .iter()
            .map(|i| photos[*i].name.clone())
            .collect(),
        notes: Vec::new(),
        y_to_x,
        flat_px: K_95 * bends.iter().map(|b| b.1).fold(0.0, f64::max),
        advice: advice::advice(&coverage, &bends),
        coverage,
        views,
    })
}

/// Views with the photo each is from.
struct Work {
    cards: Vec<CardId>,
    views: Vec<CardView>,
    /// Photo of each view.
    owners: Vec<usize>,
}

struct Fitted {
    terms: Terms,
    bundle: Bundle,
    solution: BundleSolution,
}

struct Strange {
    photo: usize,
    residual_px: f64,
    usual_px: f64,
}

impl Fitted {
    /// Bayesian information criterion n·ln(χ²/n) + k·ln n, up to a constant (G. Schwarz, Annals of
    /// Statistics 6(2), 1978; unknown variance), n less the poses' unknowns: what they take up says nothing
    /// about the lens.
    fn criterion(&self) -> f64 {
        let poses = 6 * self.bundle.views.len();
        let n = (self.solution.observations - poses).max(1) as f64;
        let k = (self.solution.unknowns - poses) as f64;
        n * (self.solution.cost / n).ln() + k * n.ln()
    }

    /// What the corners scatter more than their covariance says; never less, as what is the same in all
    /// photos does not show in their scatter.
    fn variance_factor(&self) -> f64 {
        (self.solution.cost / self.solution.degrees_of_freedom().max(1.0)).max(1.0)
    }

    /// Median distance of the corners of some views from the fit: in their standard uncertainties and in px,
    /// both as the RMS of normal scatter with that median. A few wrong corners do not move it.
    fn scatter(&self, views: impl Iterator<Item = usize>) -> (f64, f64) {
        let estimate = &self.solution.estimate;
        let (mut whitened, mut px) = (Vec::new(), Vec::new());
        let norm = |r: Option<Vector2>| r.map_or(f64::INFINITY, |r| r.norm());
        for view in views {
            whitened.extend(self.bundle.residuals(estimate, view).into_iter().map(norm));
            px.extend(
                self.bundle
                    .residuals_px(estimate, view)
                    .into_iter()
                    .map(norm),
            );
        }
        // The distance of two unit normal coordinates has median √(2 ln 2) and RMS √2.
        let rms =
            |values: Vec<f64>| median(values, f64::total_cmp).unwrap_or(0.0) / 2f64.ln().sqrt();
        (rms(whitened), rms(px))
    }
}

fn point(corner: &CornerInPhoto) -> Option<PlanePoint> {
    let floor = match corner.kind {
        CornerKind::Patch => CORNER_FLOOR_PX,
        CornerKind::Tag => TAG_CORNER_FLOOR_PX,
    };
    let covariance = corner.covariance_px2 + Matrix2::identity() * (floor * floor);
    Some(PlanePoint {
        on_card: corner.on_card_mm,
        in_photo_px: corner.in_photo_px,
        whitening: covariance.cholesky()?.l().try_inverse()?,
    })
}

impl Work {
    fn new(photos: &[CalibrationPhoto], notes: &mut Vec<Note>) -> Work {
        let mut work = Work {
            cards: Vec::new(),
            views: Vec::new(),
            owners: Vec::new(),
        };
        for (i, photo) in photos.iter().enumerate() {
            for found in &photo.cards {
                let points: Vec<PlanePoint> = found.corners.iter().filter_map(point).collect();
                if points.len() < FEWEST_CORNERS {
                    notes.push(Note::FewCorners {
                        name: photo.name.clone(),
                        card: found.card,
                        found: points.len(),
                    });
                    continue;
                }
                let known = work.cards.iter().position(|c| *c == found.card);
                let card = known.unwrap_or_else(|| {
                    work.cards.push(found.card);
                    work.cards.len() - 1
                });
                work.views.push(CardView { card, points });
                work.owners.push(i);
            }
        }
        work
    }

    /// Photos still in, each once.
    fn photos(&self) -> Vec<usize> {
        let mut photos = self.owners.clone();
        photos.dedup();
        photos
    }

    fn enough(&self) -> Result<(), CannotCalibrate> {
        let found = self.photos().len();
        if found < FEWEST_PHOTOS {
            return Err(CannotCalibrate::TooFewPhotos {
                found,
                needed: FEWEST_PHOTOS,
            });
        }
        Ok(())
    }

    fn guess(&self, size_px: (u32, u32)) -> Result<Estimate, CannotCalibrate> {
        let homographies: Vec<Homography> = self
            .views
            .iter()
            .map(|view| {
                let (on_card, seen): (Vec<_>, Vec<_>) = view
                    .points
                    .iter()
                    .map(|p| (p.on_card, p.in_photo_px))
                    .unzip();
                Homography::from_points(&on_card, &seen).map_err(|_| CannotCalibrate::NoSolution)
            })
            .collect::<Result<_, _>>()?;
        let camera = zhang::first_guess(&homographies, size_px);
        let shapes = self
            .cards
            .iter()
            .map(|card| {
                let (w, h) = card.size_mm();
                CardShape::flat((w / 2.0, h / 2.0))
            })
            .collect();
        let poses = homographies
            .iter()
            .map(|h| pose_of_plane(h.matrix(), &camera).ok_or(CannotCalibrate::NoSolution))
            .collect::<Result<_, _>>()?;
        Ok(Estimate {
            camera,
            shapes,
            poses,
        })
    }

    /// Whether the cards are seen from enough directions.
    fn directions(&self, poses: &[Pose]) -> Result<(), CannotCalibrate> {
        let tilts: Vec<f64> = poses.iter().map(tilt).collect();
        let most = tilts.iter().copied().fold(0.0, f64::max);
        if most < FACE_ON {
            return Err(CannotCalibrate::FaceOn {
                photos: self.photos().len(),
                most_deg: most.to_degrees(),
            });
        }
        let mut directions: Vec<nalgebra::Vector3<f64>> = Vec::new();
        for normal in poses.iter().map(normal) {
            if directions.iter().all(|d| d.angle(&normal) > SAME_WAY) {
                directions.push(normal);
            }
        }
        if directions.len() < FEWEST_DIRECTIONS {
            return Err(CannotCalibrate::SameWay {
                photos: self.photos().len(),
                directions: directions.len(),
            });
        }
        Ok(())
    }

    fn solve(
        &self,
        terms: Terms,
        start: Estimate,
        loss: Loss,
        bend_u_mm: f64,
    ) -> Result<Fitted, CannotCalibrate> {
        let bend = Unknown::Within(bend_u_mm);
        // Priors stand about a true and flat card, wherever the search begins.
        let flat = Estimate {
            shapes: start
                .shapes
                .iter()
                .map(|s| CardShape::flat(s.half))
                .collect(),
            ..start
        };
        let bundle = Bundle {
            views: self.views.clone(),
            start: flat,
            camera: unknowns(terms),
            shape: [Unknown::Within(Y_TO_X_PRIOR), bend, bend, bend],
            square_u: Some(SQUARE_U),
            relative_cost: if loss == Loss::Squared { 1e-9 } else { 1e-5 },
            loss,
        };
        let solution = bundle.solve().map_err(|_| CannotCalibrate::NoSolution)?;
        Ok(Fitted {
            terms,
            bundle,
            solution,
        })
    }

    /// The photo that fits worst, when it does not belong to the others.
    fn strange_photo(&self, fitted: &Fitted) -> Option<Strange> {
        let scatter: Vec<(usize, f64, f64)> = self
            .photos()
            .into_iter()
            .map(|photo| {
                let views = (0..self.owners.len()).filter(|v| self.owners[*v] == photo);
                let (whitened, px) = fitted.scatter(views);
                (photo, whitened, px)
            })
            .collect();
        let worst = scatter.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let others = |pick: fn(&(usize, f64, f64)) -> f64| {
            let others = scatter.iter().filter(|s| s.0 != worst.0).map(pick);
            median(others.collect(), f64::total_cmp).unwrap_or(0.0)
        };
        (worst.1 > STRANGE_PHOTO * others(|s| s.1)).then(|| Strange {
            photo: worst.0,
            residual_px: worst.2,
            usual_px: others(|s| s.2),
        })
    }

    /// Takes a photo out; the estimate of the rest.
    fn without_photo(&mut self, photo: usize, estimate: &Estimate) -> Estimate {
        let keep: Vec<bool> = self.owners.iter().map(|o| *o != photo).collect();
        self.retain(&keep, estimate.clone())
    }

    /// Takes views out of which too few corners are left; the estimate of the rest.
    fn without_bare_views(
        &mut self,
        estimate: Estimate,
        photos: &[CalibrationPhoto],
        notes: &mut Vec<Note>,
    ) -> Estimate {
        let enough = |v: &CardView| v.points.len() >= FEWEST_CORNERS;
        let keep: Vec<bool> = self.views.iter().map(enough).collect();
        for (view, owner) in self.views.iter().zip(&self.owners) {
            if !enough(view) {
                notes.push(Note::FewCorners {
                    name: photos[*owner].name.clone(),
                    card: self.cards[view.card],
                    found: view.points.len(),
                });
            }
        }
        self.retain(&keep, estimate)
    }

    fn retain(&mut self, keep: &[bool], mut estimate: Estimate) -> Estimate {
        fn kept<T>(values: &mut Vec<T>, keep: &[bool]) {
            let mut keep = keep.iter();
            values.retain(|_| keep.next().is_some_and(|k| *k));
        }
        kept(&mut estimate.poses, keep);
        kept(&mut self.views, keep);
        kept(&mut self.owners, keep);
        estimate
    }

    fn drop_corners(
        &mut self,
        fitted: &Fitted,
        photos: &[CalibrationPhoto],
        notes: &mut Vec<Note>,
    ) {
        let estimate = &fitted.solution.estimate;
        let all: Vec<Vec<(f64, f64)>> = (0..self.views.len())
            .map(|view| {
                let whitened = fitted.bundle.residuals(estimate, view);
                let px = fitted.bundle.residuals_px(estimate, view);
                let norm = |r: Option<Vector2>| r.map_or(f64::INFINITY, |r| r.norm());
                whitened
                    .into_iter()
                    .zip(px)
                    .map(|(a, b)| (norm(a), norm(b)))
                    .collect()
            })
            .collect();
        let scale = fitted.scatter(0..self.views.len()).0 / 2f64.sqrt();
        for ((view, owner), residuals) in self.views.iter_mut().zip(&self.owners).zip(&all) {
            let mut i = 0;
            view.points.retain(|p| {
                let (distance, px) = residuals[i];
                i += 1;
                let wrong = distance > STRANGE_CORNER.0 * scale && px > STRANGE_CORNER.1;
                if wrong {
                    notes.push(Note::StrangeCorner {
                        name: photos[*owner].name.clone(),
                        card: self.cards[view.card],
                        on_card_mm: p.on_card,
                        off_px: px,
                    });
                }
                !wrong
            });
        }
    }

    /// Whether the prints are flat and even; y-to-x scale of each card.
    fn judge_prints(
        &self,
        fitted: &Fitted,
        notes: &mut Vec<Note>,
    ) -> Result<Vec<(CardId, Uncertain)>, CannotCalibrate> {
        let variance = fitted.variance_factor();
        let u = |i: usize| (fitted.solution.head_covariance[(i, i)] * variance).sqrt();
        let mut scales = Vec::new();
        for (i, (card, shape)) in self
            .cards
            .iter()
            .zip(&fitted.solution.estimate.shapes)
            .enumerate()
        {
            let own = CAMERA_VALUES + SHAPE_VALUES * i;
            let bend = (0..3)
                .map(|k| (shape.bend[k], u(own + 1 + k)))
                .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
            if let Some((mm, u)) = bend
                && mm.abs() > BENT_MM
                && mm.abs() > SURE * u
            {
                return Err(CannotCalibrate::Curled { card: *card, mm });
            }
            let scale = Uncertain {
                value: shape.y_to_x,
                u: u(own),
            };
            if scale.value.abs() > SURE * scale.u && scale.value.abs() > 0.001 {
                if scale.value.abs() > UNEVEN {
                    return Err(CannotCalibrate::UnevenPrint {
                        card: *card,
                        percent: 100.0 * scale.value,
                    });
                }
                notes.push(Note::SlightlyUneven {
                    card: *card,
                    percent: 100.0 * scale.value,
                });
            }
            scales.push((*card, scale));
        }
        Ok(scales)
    }

    fn view_fits(&self, fitted: &Fitted) -> Vec<ViewFit> {
        let estimate = &fitted.solution.estimate;
        (0..self.views.len())
            .map(|i| {
                let off = fitted.bundle.residuals_px(estimate, i);
                ViewFit {
                    photo: self.owners[i],
                    card: self.cards[self.views[i].card],
                    pose: estimate.poses[i],
                    corners: self.views[i]
                        .points
                        .iter()
                        .zip(off)
                        .filter_map(|(p, off)| Some((p.in_photo_px, off?)))
                        .collect(),
                    tilt: tilt(&estimate.poses[i]),
                }
            })
            .collect()
    }
}

/// Direction into the card, in the camera frame.
pub(crate) fn normal(pose: &Pose) -> nalgebra::Vector3<f64> {
    pose.matrix() * nalgebra::Vector3::z()
}

/// Angle between the card and the picture, rad.
fn tilt(pose: &Pose) -> f64 {
    normal(pose).z.abs().min(1.0).acos()
}
