//! Throughput and memory of `batch`: a folder of photos taken row after row, 1 to 1,000 of them, and finished quilts
//! in 1 to 40 photos, all of 12 megapixels; the whole command, with journal and overlays.
//!
//! `cargo bench --bench batch` draws the photos first (some minutes) and keeps them in `target/batch-bench`. The
//! thousand are ten photos again and again, each copy with a number in a comment segment of its own (ITU-T T.81,
//! B.2.4.5), since the same file twice is left out. They need 10 GB of disk for a while; `cargo bench --bench batch --
//! 100` stops at a hundred, `-- finished` leaves the rows out.

use practice::plan;
use rowsight::design::{Design, demo, import};
use rowsight::plan::{Plan, file};
use rowsight::rehearse::{
    Advance, FinishedRange, PracticeQuilt, SceneRange, finished_quilt, rehearse_quilt, render,
    write,
};
use std::path::{Path, PathBuf};
use std::process::Command;
use timing::{Usage, usage};

#[path = "practice/mod.rs"]
mod practice;
#[path = "timing/mod.rs"]
mod timing;

const ROWS: u32 = 10;

fn main() {
    let asked: Vec<String> = std::env::args().skip(1).collect();
    let most = asked.iter().find_map(|a| a.parse().ok()).unwrap_or(1000);
    let target = Path::new(env!("CARGO_TARGET_TMPDIR"))
        .parent()
        .expect("the target folder");
    let kept = target.join("batch-bench");
    std::fs::create_dir_all(&kept).expect("a folder for the photos");
    println!("photos of 12 MP, one run each, whole command with journal and overlays");
    if !asked.iter().any(|a| a == "finished") {
        rows(&kept, most);
    }
    finished(&kept);
}

fn heading(what: &str) {
    println!("{what}");
    println!("  photos        s   photos/s   s/photo   processor s/photo   peak MB");
}

fn line(photos: usize, used: Usage) {
    let (seconds, n) = (used.milliseconds / 1e3, photos as f64);
    println!(
        "  {photos:>6} {seconds:>8.1} {:>10.2} {:>9.3} {:>19.3} {:>9.0}",
        n / seconds,
        seconds / n,
        used.processor_s / n,
        used.megabytes
    );
}

/// A quilt's folder without anything measured.
fn quilt(target: &Path, plan: &Plan, design: &Design) -> tempfile::TempDir {
    let folder = tempfile::tempdir_in(target).expect("a temporary folder");
    std::fs::write(folder.path().join("meander.svg"), import::to_svg(design))
        .expect("a design file");
    file::write(folder.path(), plan).expect("plan.toml");
    folder
}

fn batch(folder: &Path, photos: &Path, finished: bool) -> Usage {
    let mut command = Command::new(env!("CARGO_BIN_EXE_rowsight"));
    command.arg("batch").arg(folder).arg(photos);
    if finished {
        command.arg("--finished");
    }
    command.env("ROWSIGHT_DATA", folder);
    usage(&mut command).expect("the command runs")
}

fn rows(kept: &Path, most: usize) {
    let design = demo::by_name("meander", 240.0, 110.0).expect("a practice design");
    let plan = plan(1700.0, &design);
    let range = SceneRange {
        card_bar_mm: [150.0; 2],
        ..SceneRange::easy()
    };
    let practice = PracticeQuilt {
        rows: ROWS,
        ..PracticeQuilt::from_plan(&plan, 5, Advance::default())
    };
    let mut drawn: Vec<PathBuf> = Vec::new();
    for (i, scene) in rehearse_quilt(&practice, 5, &range).iter().enumerate() {
        let name = format!("row-{:02}", i + 1);
        drawn.push(kept.join(format!("{name}.jpg")));
        if !drawn[i].exists() {
            write(kept, &name, &render(scene, &design)).expect("a photo");
        }
    }
    heading("rows, one photo each");
    for photos in [1, 10, 100, 1000].into_iter().filter(|n| *n <= most) {
        let place = quilt(kept, &plan, &design);
        let taken = place.path().join("taken");
        std::fs::create_dir(&taken).expect("a folder");
        for n in 0..photos {
            let bytes = std::fs::read(&drawn[n % drawn.len()]).expect("a photo");
            std::fs::write(taken.join(format!("{n:04}.jpg")), with_comment(&bytes, n))
                .expect("a copy");
        }
        line(photos, batch(place.path(), &taken, false));
    }
}

/// A JPEG with one more comment segment: FF FE, its length, its text.
fn with_comment(jpeg: &[u8], number: usize) -> Vec<u8> {
    let text = format!("{number:06}");
    let mut bytes = jpeg[..2].to_vec();
    bytes.extend([0xff, 0xfe, 0, text.len() as u8 + 2]);
    bytes.extend(text.as_bytes());
    bytes.extend(&jpeg[2..]);
    bytes
}

fn finished(kept: &Path) {
    let design = demo::by_name("meander", 240.0, 110.0).expect("a practice design");
    let plan = plan(2600.0, &design);
    let practice = PracticeQuilt::from_plan(&plan, 9, Advance::default());
    let range = FinishedRange::new(SceneRange {
        card_bar_mm: [150.0; 2],
        ..SceneRange::easy()
    });
    heading("a finished quilt of 2.0 x 2.6 m");
    for photos in [1, 6, 12, 40] {
        let place = quilt(kept, &plan, &design);
        let taken = kept.join(format!("finished-{photos:02}"));
        std::fs::create_dir_all(&taken).expect("a folder");
        let scenes = finished_quilt(&practice, photos, 9, &range);
        for (i, scene) in scenes.iter().enumerate() {
            let name = format!("{:02}", i + 1);
            if !taken.join(format!("{name}.jpg")).exists() {
                write(&taken, &name, &render(scene, &design)).expect("a photo");
            }
        }
        line(photos as usize, batch(place.path(), &taken, true));
    }
}
