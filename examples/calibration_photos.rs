//! Draws the sample photos of `calibration/sample`: one sheet card on a table, from varied angles, by one
//! invented camera, with the truth about its lens beside them.
//!
//! `cargo run --release --example calibration_photos -- calibration/sample`

use anyhow::Context;
use rowsight::rehearse::{calibration_scene, render, trial_design};
use std::path::PathBuf;

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
    let design = trial_design();
    let mut lens = None;
    for number in 0..12 {
        let scene = calibration_scene(number, 2.0);
        let drawn = render(&scene, &design);
        let path = folder.join(format!("card-{:02}.jpg", number + 1));
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
