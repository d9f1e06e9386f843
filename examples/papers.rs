//! Practice photos of printed paper designs: draws random ones into a folder.
//!
//! `cargo run --release --example papers -- FOLDER [--from 0] [--to 20] [--mp 4]`

use rowsight::rehearse::{jpeg, practice_paper, render_paper};
use std::path::PathBuf;

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let value = |name: &str, or: f64| {
        arguments
            .iter()
            .position(|a| a == name)
            .and_then(|i| arguments.get(i + 1)?.parse().ok())
            .unwrap_or(or)
    };
    let folder = PathBuf::from(arguments.first().map_or("target/papers", String::as_str));
    std::fs::create_dir_all(&folder)?;
    for seed in value("--from", 0.0) as u64..value("--to", 20.0) as u64 {
        let paper = practice_paper(seed, value("--mp", 4.0));
        let photo = render_paper(&paper);
        std::fs::write(
            folder.join(format!("paper-{seed:03}.jpg")),
            jpeg(&photo, &paper.scene)?,
        )?;
    }
    Ok(())
}
