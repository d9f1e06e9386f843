//! First guess of cameras, poses and card places, from the cards alone.

use super::camera::{Camera, CardPose, Distortion, Pose, Surface, View};
use super::joint::{CameraPrior, CornerObservation, PhotoObservations, Priors, State, Stretch};
use crate::card::geometry::{CHECK_BAR_MM, CardId};
use crate::card::{CardInPhoto, CornerInPhoto, CornerKind};
use crate::geometry::{Point2, homography::Homography};
use crate::photo::CaptureFacts;
use nalgebra::{Matrix2, Matrix3, Rotation3, Vector3};

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
pub fn camera_prior(facts: &CaptureFacts, width_px: u32, height_px: u32) -> CameraPrior {
    let (w, h) = (f64::from(width_px), f64::from(height_px));
    let (film_mm, focal_relative_u) = match facts.focal_length_35mm {
        Some(f) if (8.0..400.0).contains(&f) => (f, 0.03),
        _ => (26.0, 0.2),
    };
    CameraPrior {
        camera: Camera::new(
            film_mm / FILM_DIAGONAL_MM * w.hypot(h),
            Point2::new(w / 2.0, h / 2.0),
            Distortion::default(),
        ),
        focal_relative_u,
        centre_u_px: 0.006 * w.hypot(h),
        bend: [0.04, 0.0, 0.0],
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
    let mut poses: Vec<Option<Pose>> = vec![None; photos.len()];
    let mut places: Vec<Option<CardPose>> = vec![None; list.len()];
    let flat = |x, s, angle| CardPose {
        x,
        s,
        angle,
        height: priors.card_height_mm.mean,
        tilt_x: 0.0,
        tilt_y: 0.0,
    };
    // The card seen with the most corners holds the frame; it is number 0 by the caller's order.
    places[0] = Some(flat(0.0, 0.0, 0.0));
    loop {
        let mut progress = false;
        for (i, photo) in observations.iter().enumerate() {
            let camera = &camera_states[photo.camera];
            if poses[i].is_none() {
                // Corners of every card with a known place give this photo's pose.
                let (mut plane, mut px) = (Vec::new(), Vec::new());
                for (card, corners) in &photo.cards {
                    if let Some(place) = places[*card] {
                        for c in corners {
                            let p = place.in_space(c.on_card_mm, &Surface::default());
                            plane.push(Point2::new(p.x, p.y));
                            let ray = camera.ray(c.in_photo_px);
                            let pinhole = Camera {
                                distortion: Distortion::default(),
                                ..*camera
                            };
                            px.extend(pinhole.project(&ray));
                        }
                    }
                }
                if !plane.is_empty() {
                    let card = list[photo.cards[0].0];
                    let fit = Homography::from_points(&plane, &px)
                        .map_err(|_| StartError::Degenerate { card })?;
                    let pose = pose_of_plane(fit.matrix(), camera)
                        .ok_or(StartError::Degenerate { card })?;
                    poses[i] = Some(pose);
                    progress = true;
                }
            }
            if let Some(pose) = poses[i] {
                for (card, corners) in &photo.cards {
                    if places[*card].is_none()
                        && let Some((x, s, angle)) = lying_card(corners, camera, &pose)
                    {
                        places[*card] = Some(flat(x, s, angle));
                        progress = true;
                    }
                }
            }
        }
        if !progress {
            break;
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
            .map(|p| p.unwrap_or_else(|| flat(0.0, 0.0, 0.0)))
            .collect(),
        rows: Vec::new(),
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

/// Place and angle of a card that lies flat in the plane z = 0 seen by `pose`.
fn lying_card(
    corners: &[CornerObservation],
    camera: &Camera,
    pose: &Pose,
) -> Option<(f64, f64, f64)> {
    let view = View {
        camera: *camera,
        pose: *pose,
        surface: Surface::default(),
    }
    .prepare();
    let n = corners.len() as f64;
    let seen: Vec<Point2> = corners
        .iter()
        .map(|c| view.quilt_from_photo(c.in_photo_px))
        .collect::<Option<_>>()?;
    let mean = |points: &mut dyn Iterator<Item = Point2>| {
        points.fold(nalgebra::Vector2::zeros(), |sum, p| sum + p.coords) / n
    };
    let on_card = mean(&mut corners.iter().map(|c| c.on_card_mm));
    let on_plane = mean(&mut seen.iter().copied());
    // Least-squares rotation between two centred point sets in the plane.
    let (mut dot, mut cross) = (0.0, 0.0);
    for (corner, place) in corners.iter().zip(&seen) {
        let (a, b) = (corner.on_card_mm.coords - on_card, place.coords - on_plane);
        dot += a.dot(&b);
        cross += a.x * b.y - a.y * b.x;
    }
    let angle = cross.atan2(dot);
    let turned = nalgebra::Rotation2::new(angle) * on_card;
    Some((on_plane.x - turned.x, on_plane.y - turned.y, angle))
}
