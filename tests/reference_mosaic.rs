//! Several photos of several cards, solved as one plane, against OpenCV's poses and scipy's least squares of the same
//! corners (`tests/reference/mosaic`: `make.py` and the versions in `mosaic.json`).

use nalgebra::{Matrix2, Rotation3, Vector3};
use rowsight::card::geometry::CardId;
use rowsight::card::{CardInPhoto, CornerInPhoto, CornerKind};
use rowsight::geometry::Point2;
use rowsight::plane::camera::{Camera, Distortion};
use rowsight::plane::joint::{CameraPrior, Joint, Prior, Priors, Solved, State};
use rowsight::plane::start::{PhotoCards, card_list, from_cards};
use rowsight::solve::levenberg_marquardt::Loss;
use serde::Deserialize;

#[derive(Deserialize)]
struct Fixture {
    focal_px: f64,
    centre_px: [f64; 2],
    k1: f64,
    noise_px: f64,
    cards: Vec<Card>,
    photos: Vec<Vec<Seen>>,
    solve_pnp: Vec<PoseRecord>,
    poses: Vec<PoseRecord>,
    places: Vec<[f64; 3]>,
    places_u: Vec<[f64; 3]>,
}

#[derive(Deserialize)]
struct Card {
    name: String,
    on_card_mm: Vec<[f64; 2]>,
}

#[derive(Deserialize)]
struct Seen {
    card: usize,
    px: Vec<[f64; 2]>,
}

#[derive(Deserialize)]
struct PoseRecord {
    rvec: [f64; 3],
    tvec: [f64; 3],
}

fn fixture() -> Fixture {
    serde_json::from_str(include_str!("reference/mosaic/mosaic.json")).unwrap()
}

/// Solved by our code: the lens known, cards flat on the quilt, as in the reference.
fn solved(of: &Fixture) -> (Solved, Vec<CardId>) {
    let id = |card: usize| CardId::from_name(&of.cards[card].name).unwrap();
    // The start adds 0.04 px, squared, to what a corner says of itself; both together are the noise drawn.
    let own = of.noise_px.powi(2) - 0.04_f64.powi(2);
    let photos: Vec<PhotoCards> = of
        .photos
        .iter()
        .enumerate()
        .map(|(camera, seen)| PhotoCards {
            camera,
            cards: seen
                .iter()
                .map(|seen| CardInPhoto {
                    card: id(seen.card),
                    corners: (of.cards[seen.card].on_card_mm.iter().zip(&seen.px))
                        .map(|(mm, px)| CornerInPhoto {
                            on_card_mm: Point2::new(mm[0], mm[1]),
                            in_photo_px: Point2::new(px[0], px[1]),
                            covariance_px2: Matrix2::identity() * own,
                            kind: CornerKind::Patch,
                        })
                        .collect(),
                    tags: Vec::new(),
                })
                .collect(),
        })
        .collect();
    let camera = CameraPrior {
        camera: Camera::new(
            of.focal_px,
            Point2::new(of.centre_px[0], of.centre_px[1]),
            Distortion::k1(of.k1),
        ),
        focal_relative_u: 1e-9,
        centre_u_px: 1e-6,
        bend: [0.0; 3],
    };
    let cameras = vec![camera; photos.len()];
    let priors = Priors {
        card_height_mm: Prior::new(0.0, 1e-6),
        card_tilt: Prior::new(0.0, 1e-9),
        sag_s: Prior::new(0.0, 1e-14),
        sag_x: Prior::new(0.0, 1e-14),
        ..Priors::default()
    };
    let (start, observations) = from_cards(&photos, &cameras, &priors, 150.0).unwrap();
    let joint = Joint {
        cameras,
        photos: observations,
        priors,
        start,
        line_loss: Loss::Squared,
        hand: None,
    };
    (joint.solve().unwrap(), card_list(&photos))
}

/// Angle between two rotations, rad, and distance of two camera centres, mm.
fn apart(state: &State, photo: usize, pose: &PoseRecord) -> (f64, f64) {
    let ours = &state.poses[photo];
    let theirs = Rotation3::from_scaled_axis(Vector3::from(pose.rvec));
    let eye = |r: &Rotation3<f64>, t: Vector3<f64>| -(r.inverse() * t);
    let off = eye(&ours.matrix(), ours.translation) - eye(&theirs, Vector3::from(pose.tvec));
    // Of small angles the Frobenius norm of the matrices' difference is √2 times the angle.
    let turned = (ours.matrix().matrix() - theirs.matrix()).norm() / 2f64.sqrt();
    (turned, off.norm())
}

/// The same problem, so the same answer: to 10 nm, a thousandth of its own uncertainties; these to 1 %.
#[test]
fn many_photos_solve_as_scipy_and_opencv_solve_them_together() {
    let of = fixture();
    let (solved, list) = solved(&of);
    for (photo, pose) in of.poses.iter().enumerate() {
        let (turned, moved) = apart(&solved.state, photo, pose);
        assert!(
            turned < 1e-8 && moved < 1e-5,
            "photo {photo}: {turned} rad, {moved} mm"
        );
    }
    for (i, (place, card)) in of.places.iter().zip(&of.cards).enumerate() {
        let at = list
            .iter()
            .position(|id| Some(*id) == CardId::from_name(&card.name))
            .unwrap();
        let ours = &solved.state.cards[at];
        let turned = (ours.angle - place[2]).sin();
        let off = (ours.x - place[0]).hypot(ours.s - place[1]);
        assert!(
            off < 1e-5 && turned.abs() < 1e-8,
            "{}: {off} mm {turned}",
            card.name
        );
        // The first card fixes the frame in both.
        let Some(u) = i.checked_sub(1).map(|i| of.places_u[i]) else {
            continue;
        };
        let index = solved.state.card_index(at);
        for (k, u) in u.iter().enumerate() {
            let stated = solved.covariance[(index + k, index + k)].sqrt();
            assert!(
                (stated / u - 1.0).abs() < 0.01,
                "{} {k}: {stated} {u}",
                card.name
            );
        }
    }
}

/// Each photo's pose alone by solvePnP, which is told where the cards lie: the same within what 0.05 px of noise leave
/// (0.1 mm and 0.1 mrad; the camera stands 1.3 to 1.7 m away).
#[test]
fn many_photos_solve_as_opencv_solves_each_of_them() {
    let of = fixture();
    let (solved, _) = solved(&of);
    for (photo, pose) in of.solve_pnp.iter().enumerate() {
        let (turned, moved) = apart(&solved.state, photo, pose);
        assert!(
            turned < 3e-4 && moved < 0.5,
            "photo {photo}: {turned} rad, {moved} mm"
        );
    }
}
