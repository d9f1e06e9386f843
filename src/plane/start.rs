//! First guess of cameras, poses and card places, from the cards alone.

use super::camera::{Camera, CardPose, Distortion, Pose, Surface, View};
use super::joint::{CameraPrior, CornerObservation, PhotoObservations, Priors, State, Stretch};
use crate::card::geometry::{CHECK_BAR_MM, CardId};
use crate::card::{CardInPhoto, CornerInPhoto, CornerKind};
use crate::geometry::{Point2, Vector2, homography::Homography};
use crate::photo::CaptureFacts;
use nalgebra::{Matrix2, Matrix3, Rotation2, Rotation3, Vector3};

/// Diagonal of a frame of 35 mm film, mm (36 × 24).
const FILM_DIAGONAL_MM: f64 = 43.266_615;
/// Systematic part of a corner's uncertainty, px: paper that is not quite flat, lens terms not modelled.
const CORNER_FLOOR_PX: f64 = 0.04;
/// The same for the corners of tags, whose edges move with ink spread and blur.
const TAG_CORNER_FLOOR_PX: f64 = 0.25;

/// Why the cards do not give a first guess.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StartError {
    /// Not one card was found in a photo.
    #[error("no card in photo {photo}")]
    NoCard {
        /// Which photo, counted from 0.
        photo: usize,
    },
    /// The corners of a card do not give a plane.
    #[error("the corners of {card} do not give a plane")]
    Degenerate {
        /// Which card.
        card: CardId,
    },
    /// A photo shares no card with the others.
    #[error("photo {photo} shares no card with the other photos")]
    NotLinked {
        /// Which photo, counted from 0.
        photo: usize,
    },
}

/// What EXIF lets one expect of a camera.
///
/// The focal length in pixels is f₃₅/43.27 mm times the picture's diagonal in pixels (Exif, CIPA
/// DC-008: FocalLengthIn35mmFilm); makers round it to whole millimetres and crop by a few per cent.
/// Without it a phone's main camera is taken, 26 mm give or take a fifth. Telephones correct most of their
/// lens distortion themselves: k1 within ±0.03 (common practice, no source).
///
/// All that holds for whole pictures. A shape that the camera trimmed itself is still about its middle, but may go by the
/// whole sensor's diagonal; one that no camera makes was cut by hand, who knows where.
pub fn camera_prior(facts: &CaptureFacts, width_px: u32, height_px: u32) -> CameraPrior {
    let (w, h) = (f64::from(width_px), f64::from(height_px));
    let (film_mm, focal_relative_u) = match facts.focal_length_35mm {
        Some(f) if (8.0..400.0).contains(&f) => (f, 0.03),
        _ => (26.0, 0.2),
    };
    let (least_focal_u, centre_u) = match cut(width_px, height_px) {
        Cut::Whole => (0.0, 0.006),
        Cut::ByTheCamera => (0.08, 0.006),
        Cut::ByHand => (0.2, 0.08),
    };
    CameraPrior {
        camera: Camera::new(
            film_mm / FILM_DIAGONAL_MM * w.hypot(h),
            Point2::new(w / 2.0, h / 2.0),
            Distortion::default(),
        ),
        focal_relative_u: f64::max(focal_relative_u, least_focal_u),
        centre_u_px: centre_u * w.hypot(h),
        bend: [0.04, 0.0, 0.0],
    }
}

/// What a picture's shape says of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cut {
    /// All that the sensor saw.
    Whole,
    /// A part about its middle, in a shape that is set at the camera.
    ByTheCamera,
    /// Any part.
    ByHand,
}

/// Long side over short side of sensors, and of what cameras trim them to (common practice, no source).
const SENSORS: [f64; 2] = [4.0 / 3.0, 3.0 / 2.0];
const TRIMMED: [f64; 6] = [1.0, 5.0 / 4.0, 16.0 / 9.0, 2.0, 19.5 / 9.0, 20.0 / 9.0];
/// By how much pixels make a shape miss its ratio, relative: 4208 × 3120 is 1.2 % off.
const OFF_SHAPE: f64 = 0.013;

/// Whether a picture is what its sensor saw, by its shape alone.
pub fn cut(width_px: u32, height_px: u32) -> Cut {
    let (w, h) = (f64::from(width_px), f64::from(height_px));
    let ratio = w.max(h) / w.min(h).max(1.0);
    let like = |shapes: &[f64]| shapes.iter().any(|s| (ratio / s - 1.0).abs() < OFF_SHAPE);
    if like(&SENSORS) {
        Cut::Whole
    } else if like(&TRIMMED) {
        Cut::ByTheCamera
    } else {
        Cut::ByHand
    }
}

/// One photo's cards and camera, as the start and the joint solve want them.
#[derive(Debug, Clone, PartialEq)]
pub struct PhotoCards {
    /// Which of the cameras took it.
    pub camera: usize,
    /// Cards found.
    pub cards: Vec<CardInPhoto>,
}

/// Cards of all photos, in the order in which the joint problem numbers them.
pub fn card_list(photos: &[PhotoCards]) -> Vec<CardId> {
    let mut cards: Vec<CardId> = Vec::new();
    for found in photos.iter().flat_map(|p| &p.cards) {
        if !cards.contains(&found.card) {
            cards.push(found.card);
        }
    }
    cards
}

/// Corner observations of a card with the printer's scale taken out: `card_bar_mm` is what a ruler
/// reads on the 150 mm check bar.
pub fn corner_observations(card: &CardInPhoto, card_bar_mm: f64) -> Vec<CornerObservation> {
    let scale = card_bar_mm / CHECK_BAR_MM;
    card.corners
        .iter()
        .map(|corner| observation(corner, scale))
        .collect()
}

fn observation(corner: &CornerInPhoto, scale: f64) -> CornerObservation {
    let floor = match corner.kind {
        CornerKind::Patch => CORNER_FLOOR_PX,
        CornerKind::Tag => TAG_CORNER_FLOOR_PX,
    };
    let covariance = corner.covariance_px2 + Matrix2::identity() * (floor * floor);
    let whitening = covariance
        .cholesky()
        .and_then(|c| c.l().try_inverse())
        .unwrap_or_else(|| Matrix2::identity() / floor.max(1.0));
    CornerObservation {
        on_card_mm: corner.on_card_mm * scale,
        in_photo_px: corner.in_photo_px,
        whitening,
    }
}

/// Pose of a plane z = 0 from its homography into the photo.
///
/// Z. Zhang, "A flexible new technique for camera calibration", IEEE TPAMI 22(11), 2000, section 3.1:
/// [r1 r2 t] ~ K⁻¹H; the nearest rotation by singular values.
pub fn pose_of_plane(photo_from_plane: &Matrix3<f64>, camera: &Camera) -> Option<Pose> {
    let f_y = camera.focal_px * camera.aspect;
    let k = Matrix3::new(
        camera.focal_px,
        camera.skew_px,
        camera.centre_px.x,
        0.0,
        f_y,
        camera.centre_px.y,
        0.0,
        0.0,
        1.0,
    );
    let k_inverse = k.try_inverse()?;
    let mut m = k_inverse * photo_from_plane;
    let scale = (m.column(0).norm() * m.column(1).norm()).sqrt();
    if !(scale.is_finite() && scale > 0.0) {
        return None;
    }
    m /= scale;
    if m[(2, 2)] < 0.0 {
        m = -m;
    }
    let (r1, r2, t) = (
        m.column(0).into_owned(),
        m.column(1).into_owned(),
        m.column(2).into_owned(),
    );
    let rough = Matrix3::from_columns(&[r1, r2, r1.cross(&r2)]);
    let svd = rough.svd(true, true);
    let rotation = svd.u? * svd.v_t?;
    Some(Pose {
        rotation: Rotation3::from_matrix_unchecked(rotation).scaled_axis(),
        translation: t,
    })
}

/// First guess from the cards: the frame is the plane of the first card of the first photo, its x-axis
/// the card's; every photo is reached over shared cards. No rows yet.
///
/// # Errors
///
/// [`StartError`] for a photo without a card or without a link, and for corners on one line.
pub fn from_cards(
    photos: &[PhotoCards],
    cameras: &[CameraPrior],
    priors: &Priors,
    card_bar_mm: f64,
) -> Result<(State, Vec<PhotoObservations>), StartError> {
    let list = card_list(photos);
    let observations: Vec<PhotoObservations> = photos
        .iter()
        .map(|photo| PhotoObservations {
            camera: photo.camera,
            cards: photo
                .cards
                .iter()
                .map(|c| {
                    let index = list.iter().position(|known| *known == c.card).unwrap_or(0);
                    (index, corner_observations(c, card_bar_mm))
                })
                .collect(),
            lines: Vec::new(),
        })
        .collect();
    let camera_states: Vec<Camera> = cameras.iter().map(|c| c.camera).collect();

    if let Some(photo) = photos.iter().position(|p| p.cards.is_empty()) {
        return Err(StartError::NoCard { photo });
    }
    let alone: Vec<Alone> = observations
        .iter()
        .map(|photo| {
            Alone::of(photo, &camera_states[photo.camera])
                .map_err(|card| StartError::Degenerate { card: list[card] })
        })
        .collect::<Result<_, _>>()?;
    let mut poses: Vec<Option<Pose>> = vec![None; photos.len()];
    let mut places: Vec<Option<Lying>> = vec![None; list.len()];
    // The card seen with the most corners holds the frame; it is number 0 by the caller's order.
    places[0] = Some(Lying::default());
    // The photo whose shared cards hold it best comes next, so that errors do not add up along a chain of
    // photos that hardly overlap.
    let shared = |i: usize, places: &[Option<Lying>]| -> Vec<(Point2, Point2)> {
        let cards = observations[i].cards.iter().zip(&alone[i].cards);
        cards
            .filter_map(|((card, corners), here)| Some((corners, places[*card]?, (*here)?)))
            .flat_map(|(corners, there, here)| {
                let both =
                    move |c: &CornerObservation| (here.at(c.on_card_mm), there.at(c.on_card_mm));
                corners.iter().map(both)
            })
            .collect()
    };
    while let Some((photo, points)) = (0..photos.len())
        .filter(|i| poses[*i].is_none())
        .map(|i| (i, shared(i, &places)))
        .filter(|(_, points)| !points.is_empty())
        .max_by(|a, b| {
            spread_mm2(&a.1)
                .total_cmp(&spread_mm2(&b.1))
                .then(b.0.cmp(&a.0))
        })
    {
        // Where this photo's own frame lies in the common one.
        let frame = Lying::fitted(&points);
        poses[photo] = Some(alone[photo].pose_in(&frame));
        for ((card, _), here) in observations[photo].cards.iter().zip(&alone[photo].cards) {
            if let (None, Some(here)) = (places[*card], here) {
                places[*card] = Some(frame.then(here));
            }
        }
    }
    if let Some(photo) = poses.iter().position(Option::is_none) {
        return Err(StartError::NotLinked { photo });
    }
    let state = State {
        surface: Surface::default(),
        stretch: Stretch::default(),
        cameras: camera_states,
        poses: poses
            .into_iter()
            .flatten()
            .map(|pose| lowered(pose, priors))
            .collect(),
        cards: places
            .into_iter()
            .map(|place| place.unwrap_or_default().card(priors))
            .collect(),
        rows: Vec::new(),
        habit_mm: Vec::new(),
    };
    Ok((state, observations))
}

/// The pose was found for the card's plane z = 0; the quilt lies below it by the card's height, so the
/// card's plane becomes z = −height.
fn lowered(pose: Pose, priors: &Priors) -> Pose {
    let up = pose.matrix() * Vector3::new(0.0, 0.0, -priors.card_height_mm.mean);
    Pose {
        translation: pose.translation - up,
        ..pose
    }
}

/// Where something lies in the plane z = 0: a turn by `angle` (rad), then a move.
#[derive(Debug, Clone, Copy, Default)]
struct Lying {
    x: f64,
    s: f64,
    angle: f64,
}

impl Lying {
    /// The turn and move that bring the first of each pair nearest to the second, in least squares.
    fn fitted(pairs: &[(Point2, Point2)]) -> Lying {
        let from = middle(pairs.iter().map(|pair| pair.0));
        let to = middle(pairs.iter().map(|pair| pair.1));
        let (mut dot, mut cross) = (0.0, 0.0);
        for (a, b) in pairs {
            let (a, b) = (a - from, b - to);
            dot += a.dot(&b);
            cross += a.x * b.y - a.y * b.x;
        }
        let angle = cross.atan2(dot);
        let turned = Rotation2::new(angle) * from;
        Lying {
            x: to.x - turned.x,
            s: to.y - turned.y,
            angle,
        }
    }

    fn at(&self, p: Point2) -> Point2 {
        Rotation2::new(self.angle) * p + Vector2::new(self.x, self.s)
    }

    /// Where something lies that lies `inner` in the frame that lies so.
    fn then(&self, inner: &Lying) -> Lying {
        let origin = self.at(Point2::new(inner.x, inner.s));
        Lying {
            x: origin.x,
            s: origin.y,
            angle: self.angle + inner.angle,
        }
    }

    fn card(&self, priors: &Priors) -> CardPose {
        CardPose {
            x: self.x,
            s: self.s,
            angle: self.angle,
            height: priors.card_height_mm.mean,
            tilt_x: 0.0,
            tilt_y: 0.0,
        }
    }
}

fn middle(points: impl ExactSizeIterator<Item = Point2>) -> Point2 {
    let n = points.len() as f64;
    Point2::from(points.map(|p| p.coords).sum::<Vector2>() / n)
}

/// Sum of the squared distances of the pairs' places from their middle: how firmly they hold a turn.
fn spread_mm2(pairs: &[(Point2, Point2)]) -> f64 {
    let middle = middle(pairs.iter().map(|pair| pair.1));
    pairs.iter().map(|(_, p)| (p - middle).norm_squared()).sum()
}

/// What one photo says by itself: its pose over the plane of the card it shows best, and where its cards lie
/// in that plane.
struct Alone {
    pose: Pose,
    cards: Vec<Option<Lying>>,
}

impl Alone {
    /// # Errors
    ///
    /// The card shown best, when no card gives a plane.
    fn of(photo: &PhotoObservations, camera: &Camera) -> Result<Alone, usize> {
        // A strip across the picture holds the tilt less well than a sheet with as many corners: what counts
        // is how far its corners spread across its narrow side.
        let mut cards: Vec<(usize, f64)> = photo
            .cards
            .iter()
            .map(|(_, c)| breadth_px2(c))
            .enumerate()
            .collect();
        cards.sort_by(|a, b| b.1.total_cmp(&a.1));
        let found = cards
            .iter()
            .find_map(|(card, _)| pose_over(&photo.cards[*card].1, camera));
        let pose = found.ok_or_else(|| photo.cards[cards[0].0].0)?;
        let cards = photo.cards.iter();
        Ok(Alone {
            pose,
            cards: cards
                .map(|(_, corners)| lying_card(corners, camera, &pose))
                .collect(),
        })
    }

    /// The photo's pose in the frame in which its own frame lies `frame`.
    fn pose_in(&self, frame: &Lying) -> Pose {
        let back = Rotation3::from_axis_angle(&Vector3::z_axis(), -frame.angle);
        let rotation = self.pose.matrix() * back;
        Pose {
            rotation: rotation.scaled_axis(),
            translation: self.pose.translation - rotation * Vector3::new(frame.x, frame.s, 0.0),
        }
    }
}

/// Smaller eigenvalue of the scatter of a card's corners in the photo, px².
fn breadth_px2(corners: &[CornerObservation]) -> f64 {
    let middle = middle(corners.iter().map(|c| c.in_photo_px));
    let scatter: Matrix2<f64> = corners
        .iter()
        .map(|c| c.in_photo_px - middle)
        .map(|d| d * d.transpose())
        .sum();
    scatter.symmetric_eigenvalues().min()
}

/// Pose over the plane of a card, from its corners.
fn pose_over(corners: &[CornerObservation], camera: &Camera) -> Option<Pose> {
    let pinhole = Camera {
        distortion: Distortion::default(),
        ..*camera
    };
    let (plane, px): (Vec<Point2>, Vec<Point2>) = corners
        .iter()
        .filter_map(|c| Some((c.on_card_mm, pinhole.project(&camera.ray(c.in_photo_px))?)))
        .unzip();
    let fit = Homography::from_points(&plane, &px).ok()?;
    pose_of_plane(fit.matrix(), camera)
}

/// Where a card lies that lies flat in the plane z = 0 seen by `pose`; `None` when it cannot be seen there.
fn lying_card(corners: &[CornerObservation], camera: &Camera, pose: &Pose) -> Option<Lying> {
    let view = View {
        camera: *camera,
        pose: *pose,
        surface: Surface::default(),
    }
    .prepare();
    let pairs: Vec<(Point2, Point2)> = corners
        .iter()
        .map(|c| Some((c.on_card_mm, view.quilt_from_photo(c.in_photo_px)?)))
        .collect::<Option<_>>()?;
    Some(Lying::fitted(&pairs))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn camera() -> Camera {
        Camera::new(3300.0, Point2::new(2000.0, 1500.0), Distortion::default())
    }

    fn seen(card: CardId, lies: &CardPose, pose: Pose, noise_px: f64) -> CardInPhoto {
        let surface = Surface::default();
        let view = View {
            camera: camera(),
            pose,
            surface: surface.clone(),
        }
        .prepare();
        let corners = card.patches_mm().into_iter().enumerate();
        CardInPhoto {
            card,
            corners: corners
                .map(|(i, on_card_mm)| CornerInPhoto {
                    on_card_mm,
                    in_photo_px: view
                        .photo_from_space(&lies.in_space(on_card_mm, &surface))
                        .unwrap()
                        // The same pattern each time, as good as random.
                        + Vector2::new((7.0 * i as f64).sin(), (11.0 * i as f64).cos()) * noise_px,
                    covariance_px2: Matrix2::identity() * noise_px.powi(2),
                    kind: CornerKind::Patch,
                })
                .collect(),
            tags: Vec::new(),
        }
    }

    /// Sizes of pictures as sensors and their software give them (common practice, no source), and of parts of them.
    #[test]
    fn a_picture_cut_by_hand_is_known_by_its_shape_and_leaves_its_middle_open() {
        for whole in [(4032, 3024), (3024, 4032), (4208, 3120), (6000, 4000)] {
            assert_eq!(cut(whole.0, whole.1), Cut::Whole, "{whole:?}");
        }
        for trimmed in [(3840, 2160), (3024, 3024), (4608, 2304), (4000, 1800)] {
            assert_eq!(cut(trimmed.0, trimmed.1), Cut::ByTheCamera, "{trimmed:?}");
        }
        for part in [(3440, 2640), (4000, 2400), (1000, 3000), (0, 5)] {
            assert_eq!(cut(part.0, part.1), Cut::ByHand, "{part:?}");
        }
        let facts = CaptureFacts {
            focal_length_35mm: Some(26.0),
            ..CaptureFacts::default()
        };
        let whole = camera_prior(&facts, 4000, 3000);
        let part = camera_prior(&facts, 4000, 2400);
        assert!((whole.focal_relative_u, whole.centre_u_px) == (0.03, 30.0));
        assert!(part.focal_relative_u > 0.1 && part.centre_u_px > 300.0);
    }

    /// The strip that two photos share says little of the second photo's tilt; the sheet it also shows does.
    #[test]
    fn a_photo_linked_by_a_strip_takes_its_tilt_from_its_own_sheet() {
        let priors = Priors::default();
        let lies = |x, s, angle| Lying { x, s, angle }.card(&priors);
        let (first, strip, last) = (
            lies(0.0, 0.0, 0.0),
            lies(500.0, 60.0, 0.2),
            lies(1000.0, -80.0, 0.5),
        );
        let pose = |x: f64, tilt: f64| {
            let rotation = Vector3::new(tilt, 0.5 * tilt, 0.0);
            let back = Rotation3::new(rotation) * Vector3::new(x, 0.0, 0.0);
            Pose {
                rotation,
                translation: Vector3::new(0.0, 0.0, 2800.0) - back,
            }
        };
        let (left, right) = (pose(250.0, 0.3), pose(750.0, -0.25));
        let (sheet_1, strip_1, sheet_2) = (CardId::Sheet(1), CardId::Strip(1), CardId::Sheet(2));
        let photos = [
            vec![
                seen(sheet_1, &first, left, 0.5),
                seen(strip_1, &strip, left, 0.5),
            ],
            vec![
                seen(strip_1, &strip, right, 0.5),
                seen(sheet_2, &last, right, 0.5),
            ],
        ]
        .map(|cards| PhotoCards { camera: 0, cards });
        let prior = CameraPrior {
            camera: camera(),
            focal_relative_u: 0.03,
            centre_u_px: 30.0,
            bend: [0.04, 0.0, 0.0],
        };
        let (state, _) = from_cards(&photos, &[prior], &priors, CHECK_BAR_MM).unwrap();
        let off = Vector2::new(state.cards[2].x - last.x, state.cards[2].s - last.s);
        assert!(off.norm() < 20.0, "{off}");
        let turned = (state.poses[1].matrix().inverse() * right.matrix()).angle();
        assert!(turned < 0.04, "{turned}");
    }
}
