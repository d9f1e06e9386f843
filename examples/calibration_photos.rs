//! Draws the sample photos of `calibration/sample`: one sheet card on a table, from varied angles, by one
//! invented camera, with the truth about its lens beside them.
//!
//! `cargo run --release --example calibration_photos -- calibration/sample`

use anyhow::Context;
use rowsight::card::geometry::CardId;
use rowsight::rehearse::{CardOnQuilt, FabricClass, Picture, Scene, render, trial_design};
use std::path::PathBuf;

/// Tilt, side the camera stands on, roll (degrees), and by how much it aims past the card, mm.
const VIEWS: [(f64, f64, f64, [f64; 2]); 12] = [
    (6.0, 20.0, 0.0, [62.0, -42.0]),
    (35.0, 0.0, 3.0, [-55.0, 28.0]),
    (38.0, 90.0, -4.0, [50.0, -38.0]),
    (36.0, 180.0, 5.0, [45.0, 5.0]),
    (40.0, 270.0, 2.0, [-55.0, -30.0]),
    (28.0, 45.0, 88.0, [40.0, 30.0]),
    (30.0, 225.0, 92.0, [-20.0, -45.0]),
    (33.0, 135.0, -6.0, [-50.0, -25.0]),
    (33.0, 315.0, 4.0, [55.0, 35.0]),
    (22.0, 10.0, 180.0, [50.0, -30.0]),
    (24.0, 190.0, -90.0, [15.0, 40.0]),
    (8.0, 60.0, 8.0, [-60.0, 40.0]),
];

/// What is true of the lens: all that a calibration finds out.
#[derive(serde::Serialize)]
struct LensTruth {
    size_px: [u32; 2],
    focal_px: f64,
    principal_px: [f64; 2],
    k1: f64,
    k2: f64,
}

fn main() -> anyhow::Result<()> {
    let folder: PathBuf = std::env::args_os()
        .nth(1)
        .context("name the folder for the photos")?
        .into();
    std::fs::create_dir_all(&folder)?;
    let mut scene = Scene::default();
    // A table: plain, flat, nothing stitched.
    scene.rows.clear();
    scene.band.sag_mm = 0.0;
    scene.fabric.class = FabricClass::Solid;
    scene.fabric.weave = 0.1;
    scene.light.mixed = 0.0;
    scene.cards = vec![CardOnQuilt {
        card: CardId::Sheet(1),
        s_mm: scene.band.middle_s_mm,
        height_mm: 3.0,
        ..CardOnQuilt::default()
    }];
    scene.picture = Picture {
        blur_px: 0.7,
        jpeg_quality: 80,
        ..Picture::default()
    };
    scene.camera.megapixels = 2.0;
    scene.camera.off_centre = [0.006, -0.009];
    scene.camera.k1 = -0.2;
    scene.camera.k2 = 0.06;
    let design = trial_design();
    let mut lens = None;
    for (i, (tilt, from, roll, aim)) in (1..).zip(VIEWS) {
        scene.seed = i;
        let camera = &mut scene.camera;
        camera.tilt_deg = tilt;
        camera.from_deg = from;
        camera.roll_deg = roll;
        camera.mm_per_px = 0.24;
        camera.target_x_mm = aim[0];
        camera.target_s_mm = scene.band.middle_s_mm + aim[1];
        let drawn = render(&scene, &design);
        let path = folder.join(format!("card-{i:02}.jpg"));
        std::fs::write(&path, drawn.jpeg()?)?;
        println!("{}", path.display());
        lens = Some(LensTruth {
            size_px: drawn.truth.size_px,
            focal_px: drawn.truth.focal_px,
            principal_px: [drawn.truth.principal_px.x, drawn.truth.principal_px.y],
            k1: scene.camera.k1,
            k2: scene.camera.k2,
        });
    }
    let truth = serde_json::to_string_pretty(&lens)?;
    std::fs::write(folder.join("truth.json"), truth + "\n")?;
    Ok(())
}
