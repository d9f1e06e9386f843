//! Speed and memory of calibrating a camera from 15 photos of 12 megapixels: the whole command against
//! `djpeg` (libjpeg-turbo) decoding the same files in colour, two at a time; and the solve for 40 photos of 40
//! cards.
//!
//! `cargo bench --bench calibrate` draws the photos first (about a minute).

use nalgebra::{Matrix2, Vector3};
use rowsight::card::geometry::CardId;
use rowsight::card::{CardInPhoto, CornerInPhoto, CornerKind};
use rowsight::geometry::Point2;
use rowsight::photo::CaptureFacts;
use rowsight::plane::camera::{CardPose, Pose, Surface, View};
use rowsight::plane::joint::{Joint, Priors};
use rowsight::plane::start::{PhotoCards, camera_prior, from_cards};
use rowsight::rehearse::{calibration_scene, render, trial_design};
use rowsight::solve::levenberg_marquardt::Loss;
use std::path::PathBuf;
use std::process::Command;
use timing::{median, run, stage, time};

#[path = "timing/mod.rs"]
mod timing;

const RUNS: usize = 7;
const PHOTOS: usize = 15;

fn main() {
    many_cards();
    let place = tempfile::tempdir().expect("a temporary folder");
    let folder = place.path();
    let design = trial_design();
    let photos: Vec<PathBuf> = (0..PHOTOS)
        .map(|number| {
            let path = folder.join(format!("card-{number:02}.jpg"));
            let drawn = render(&calibration_scene(number, 12.0), &design);
            std::fs::write(&path, drawn.jpeg().expect("a JPEG")).expect("a photo");
            path
        })
        .collect();
    println!("{PHOTOS} photos of 12 MP, medians of {RUNS} runs, in turns");
    let decode = format!(
        "ls {}/card-*.jpg | xargs -P 2 -n 1 djpeg -outfile /dev/null",
        folder.display()
    );
    let (mut ours, mut theirs, mut peak) = (Vec::new(), Vec::new(), 0.0f64);
    for _ in 0..RUNS {
        let mut command = Command::new(env!("CARGO_BIN_EXE_rowsight"));
        command
            .arg("calibrate")
            .args(&photos)
            .env("ROWSIGHT_DATA", folder);
        if let Some((milliseconds, megabytes)) = run(&mut command) {
            ours.push(milliseconds);
            peak = peak.max(megabytes);
        }
        theirs.extend(run(Command::new("sh").arg("-c").arg(&decode)).map(|r| r.0));
    }
    let (ours, theirs) = (median(ours), median(theirs));
    stage("calibrate", ours);
    stage("djpeg, colour, two at a time", theirs);
    println!("  {:<34} {:>7.2}", "calibrate / djpeg", ours / theirs);
    println!("  {:<34} {peak:>7.0} MB", "peak memory");
}

/// Cards in 5 columns of 8 rows, 480 mm by 320 mm apart, and as many photos, each from above a card and
/// tilted another way, in which the cards around are in view.
fn many_cards() {
    let facts = CaptureFacts::default();
    let prior = camera_prior(&facts, 4000, 3000);
    let surface = Surface::default();
    let at = |i: usize| Point2::new(480.0 * (i % 5) as f64, 320.0 * (i / 5) as f64);
    let poses: Vec<CardPose> = (0..40)
        .map(|i| CardPose {
            x: at(i).x,
            s: at(i).y,
            angle: 0.3 * (i as f64).sin(),
            height: 4.5,
            tilt_x: 0.0,
            tilt_y: 0.0,
        })
        .collect();
    let id = |i: usize| CardId::Strip(i as u16 + 1);
    let photos: Vec<PhotoCards> = (0..40)
        .map(|photo| {
            let (from, tilt) = (photo as f64, 0.35);
            let rotation = Vector3::new(tilt * from.cos(), tilt * from.sin(), 0.0);
            let turn = nalgebra::Rotation3::new(rotation);
            let middle = Vector3::new(at(photo).x, at(photo).y, 0.0);
            let pose = Pose {
                rotation,
                translation: Vector3::new(0.0, 0.0, 1400.0) - turn * middle,
            };
            let view = View {
                camera: prior.camera,
                pose,
                surface: surface.clone(),
            }
            .prepare();
            let seen = |card: usize| {
                let corners = id(card).patches_mm().into_iter().filter_map(|on_card_mm| {
                    let px = view.photo_from_space(&poses[card].in_space(on_card_mm, &surface))?;
                    let inside = px.x > 0.0 && px.y > 0.0 && px.x < 4000.0 && px.y < 3000.0;
                    inside.then(|| CornerInPhoto {
                        on_card_mm,
                        in_photo_px: px,
                        covariance_px2: Matrix2::identity() * 1e-4,
                        kind: CornerKind::Patch,
                    })
                });
                CardInPhoto {
                    card: id(card),
                    corners: corners.collect(),
                    tags: Vec::new(),
                }
            };
            PhotoCards {
                camera: photo,
                cards: (0..40)
                    .map(seen)
                    .filter(|c| c.corners.len() == 10)
                    .collect(),
            }
        })
        .collect();
    let corners: usize = photos
        .iter()
        .flat_map(|p| &p.cards)
        .map(|c| c.corners.len())
        .sum();
    let cameras = vec![prior; 40];
    let priors = Priors::default();
    let solve = || {
        let (start, photos) = from_cards(&photos, &cameras, &priors, 150.0).expect("linked photos");
        let joint = Joint {
            cameras: cameras.clone(),
            photos,
            priors,
            start,
            line_loss: Loss::Squared,
            hand: None,
        };
        drop(joint.solve().expect("a plane"));
    };
    println!("40 photos of 40 cards, {corners} corners");
    stage("start and solve, with covariance", time(3, solve));
}
