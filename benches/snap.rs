//! Speed and memory of measuring one 12-megapixel photo: stage by stage in this process, and the whole
//! command against `djpeg` (libjpeg-turbo) decoding the same file in colour, run side by side.
//!
//! `cargo bench` draws the photo first (a few seconds) and prints medians of several runs.

use rowsight::card::{DetectOptions, find_cards};
use rowsight::check::{Known, check};
use rowsight::design::demo;
use rowsight::plan::file;
use rowsight::rehearse::{Advance, PracticeQuilt, SceneRange, rehearse_quilt, render, write};
use rowsight::row::measure::{Job, PhotoView, measure};
use rowsight::{design, photo, plane};
use std::path::Path;
use std::process::Command;
use timing::{median, run, stage, time};

#[path = "practice/mod.rs"]
mod practice;
#[path = "timing/mod.rs"]
mod timing;

const RUNS: usize = 9;

fn main() {
    let place = tempfile::tempdir().expect("a temporary folder");
    let folder = place.path();
    let drawn = demo::by_name("meander", 240.0, 110.0).expect("a practice design");
    std::fs::write(folder.join("meander.svg"), design::import::to_svg(&drawn))
        .expect("a design file");
    let plan = practice::plan(1800.0, &drawn);
    file::write(folder, &plan).expect("plan.toml");
    let range = SceneRange {
        card_bar_mm: [150.0; 2],
        ..SceneRange::easy()
    };
    let practice = PracticeQuilt {
        rows: 5,
        ..PracticeQuilt::from_plan(&plan, 5, Advance::default())
    };
    let scenes = rehearse_quilt(&practice, 5, &range);
    write(folder, "row", &render(&scenes[4], &drawn)).expect("a photo");
    let path = folder.join("row.jpg");

    let photo = photo::read(&path).expect("the photo");
    let (w, h) = photo.luma.dimensions();
    println!("one photo of {w} × {h} px, medians of {RUNS} runs");
    stage(
        "read and decode luma",
        time(RUNS, || drop(photo::read(&path))),
    );
    stage("decode colour", time(RUNS, || drop(photo.colour())));
    stage(
        "find cards",
        time(RUNS, || {
            drop(find_cards(&photo.luma, &DetectOptions::default()))
        }),
    );
    let cards = find_cards(&photo.luma, &DetectOptions::default())
        .expect("cards")
        .cards;
    let views = [PhotoView {
        luma: &photo.luma,
        cards: &cards,
        camera: plane::start::camera_prior(&photo.facts, w, h),
    }];
    let job = Job {
        photos: &views,
        design: &drawn,
        spacing_mm: plan.spacing_mm,
        stagger: plan.stagger,
        card_bar_mm: plan.card_bar_mm,
        priors: plane::joint::Priors::default(),
        relaxed: None,
    };
    stage("plane, rows, lines", time(RUNS, || drop(measure(&job))));
    let photos = [photo];
    let whole = || {
        drop(check(
            &photos,
            &plan,
            Some(&drawn),
            &Known::default(),
            Some(5),
        ))
    };
    stage("cards to verdict, all of it", time(RUNS, whole));

    whole_command(folder, &path);
}

/// The whole command and `djpeg`, in turns so that both see the same machine.
fn whole_command(folder: &Path, path: &Path) {
    let (mut ours, mut look, mut theirs, mut peak) = (Vec::new(), Vec::new(), Vec::new(), 0.0f64);
    for _ in 0..RUNS {
        let mut command = Command::new(env!("CARGO_BIN_EXE_rowsight"));
        command
            .arg("snap")
            .arg(folder)
            .arg(path)
            .args(["--row", "5"]);
        if let Some((milliseconds, megabytes)) = run(&mut command) {
            ours.push(milliseconds);
            peak = peak.max(megabytes);
        }
        let mut command = Command::new(env!("CARGO_BIN_EXE_rowsight"));
        command
            .arg("snap")
            .arg(folder)
            .arg(path)
            .args(["--row", "5", "--look"]);
        look.extend(run(&mut command).map(|r| r.0));
        theirs.extend(run(Command::new("djpeg").arg(path)).map(|r| r.0));
    }
    let (ours, look) = (median(ours), median(look));
    println!("whole command");
    stage("snap, journal and overlay included", ours);
    stage("snap --look", look);
    println!("  {:<34} {peak:>7.0} MB", "peak memory of snap");
    if theirs.is_empty() {
        println!("  djpeg is not installed: no ratio (it comes with libjpeg-turbo)");
        return;
    }
    let theirs = median(theirs);
    stage("djpeg, colour", theirs);
    println!("  {:<34} {:>7.1}", "snap / djpeg", ours / theirs);
    println!("  {:<34} {:>7.1}", "snap --look / djpeg", look / theirs);
}
