//! Draws random practice photos and holds what is measured in them against their truth.
//!
//! `cargo run --release --example evaluate -- --from 0 --to 60 --folder target/evaluation`
//!
//! Photos already in the folder are not drawn again.

use clap::Parser;
use rowsight::design::{Design, demo};
use rowsight::rehearse::{Scene, SceneRange, render, trial_design, write};
use std::path::PathBuf;

#[derive(Parser)]
struct Arguments {
    /// First seed.
    #[arg(long, default_value_t = 0)]
    from: u64,
    /// One past the last seed.
    #[arg(long, default_value_t = 60)]
    to: u64,
    /// Size of the photos.
    #[arg(long, default_value_t = 12.0)]
    megapixels: f64,
    /// Where the photos are kept.
    #[arg(long)]
    folder: PathBuf,
}

/// The design of a seed's quilt: five curves in many sizes.
fn design_of(seed: u64, spacing_mm: f64) -> Design {
    let height_mm = spacing_mm * (0.6 + 0.35 * ((seed * 37 % 101) as f64 / 100.0));
    let repeat_mm = 170.0 + 140.0 * ((seed * 61 % 97) as f64 / 96.0);
    match demo::NAMES.get((seed % 5) as usize) {
        Some(name) => demo::by_name(name, repeat_mm, height_mm).expect("a known name"),
        None => trial_design(),
    }
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    std::fs::create_dir_all(&arguments.folder)?;
    let range = SceneRange::issue_range().with_megapixels(arguments.megapixels);
    for seed in arguments.from..arguments.to {
        let stem = format!("s{seed}");
        if !arguments.folder.join(format!("{stem}.jpg")).exists() {
            let scene = Scene::random(seed, &range);
            let design = design_of(seed, scene.quilt.spacing_mm);
            write(&arguments.folder, &stem, &render(&scene, &design))?;
        }
    }
    Ok(())
}
