//! Speed and memory of measuring one 12-megapixel photo: stage by stage in this process, and the whole
//! command against `djpeg` (libjpeg-turbo) decoding the same file in colour, run side by side.
//!
//! `cargo bench` draws the photo first (a few seconds) and prints medians of several runs.

use rowsight::card::{DetectOptions, find_cards};
use rowsight::check::{Known, check};
use rowsight::design::demo;
use rowsight::plan::file::PlanRequest;
use rowsight::plan::{Tolerance, file};
use rowsight::rehearse::{Advance, PracticeQuilt, SceneRange, rehearse_quilt, render, write};
use rowsight::row::measure::{Job, PhotoView, measure};
use rowsight::units::LengthUnit;
use rowsight::{design, photo, plane};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

const RUNS: usize = 9;

fn median(mut times: Vec<f64>) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

fn time(mut work: impl FnMut()) -> f64 {
    median(
        (0..RUNS)
            .map(|_| {
                let start = Instant::now();
                work();
                start.elapsed().as_secs_f64() * 1e3
            })
            .collect(),
    )
}

fn stage(name: &str, milliseconds: f64) {
    println!("  {name:<34} {milliseconds:>7.1} ms");
}

/// Wall time of a command, ms, and its peak memory, MB (from /proc, so on Linux only).
fn run(command: &mut Command) -> Option<(f64, f64)> {
    let start = Instant::now();
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kb = 0.0f64;
    loop {
        if let Ok(text) = std::fs::read_to_string(&status) {
            let peak = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
            let kb = peak.and_then(|l| l.trim().trim_end_matches(" kB").trim().parse().ok());
            peak_kb = peak_kb.max(kb.unwrap_or(0.0));
        }
        if child.try_wait().ok()?.is_some() {
            break;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    Some((start.elapsed().as_secs_f64() * 1e3, peak_kb / 1024.0))
}

fn main() {
    let place = tempfile::tempdir().expect("a temporary folder");
    let folder = place.path();
    let drawn = demo::by_name("meander", 240.0, 110.0).expect("a practice design");
    std::fs::write(folder.join("meander.svg"), design::import::to_svg(&drawn))
        .expect("a design file");
    let plan = PlanRequest {
        unit: LengthUnit::Millimetre,
        width_mm: 2000.0,
        length_mm: 1800.0,
        design_file: "meander.svg".to_owned(),
        repeat_mm: 240.0,
        design_height_mm: 110.0,
        spacing_mm: 150.0,
        stagger: 0.5,
        rows: None,
        first_row_mm: None,
        card_bar_mm: 150.0,
        roll: Default::default(),
        tolerance: Tolerance::default(),
    }
    .plan()
    .expect("a plan");
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
    stage("read and decode luma", time(|| drop(photo::read(&path))));
    stage("decode colour", time(|| drop(photo.colour())));
    stage(
        "find cards",
        time(|| drop(find_cards(&photo.luma, &DetectOptions::default()))),
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
    stage("plane, rows, lines", time(|| drop(measure(&job))));
    let photos = [photo];
    let whole = || drop(check(&photos, &plan, &drawn, &Known::default(), Some(5)));
    stage("cards to verdict, all of it", time(whole));

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
