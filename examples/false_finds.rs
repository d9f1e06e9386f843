//! Counts confident wrong rows: photos measured with designs that were not stitched in them, and photos without rows.
//!
//! `cargo run --release --example false_finds -- target/classes target/no-row --designs 6 --csv trials.csv`
//!
//! Each folder holds photos as `evaluate` draws them (`--classes all`, `--classes no-row --megapixels 3 --draw`). A photo
//! without truth beside it shows no row (`tests/outside/other_photos.py --no-rows`). Every photo is measured with
//! several other designs in the plan: the practice curves and random ones in other sizes, and the stitched one upside
//! down, mirrored, or drawn out. Every answer but "retake" is wrong then. With `--own` it is measured with the plan's own
//! design instead, for the scores of rows that are there.
//!
//! A design counts as another one when its line keeps 5 mm or more away from the stitched one, or the stitched one from
//! it, in the mean over 1.2 m at the best place: what comes nearer is the same line to the eye, and a row of it would be found rightly.

use anyhow::Context;
use clap::Parser;
use rayon::prelude::*;
use rowsight::check::{Known, judge, look};
use rowsight::design::{Design, demo};
use rowsight::geometry::Point2;
use rowsight::photo;
use rowsight::plan::Plan;
use rowsight::record::Action;
use rowsight::rehearse::{Scene, Seeded, Truth, derive, trial_design};
use rowsight::report::overlay::{LONGEST_PX, Overlay, draw};
use serde::{Deserialize, Serialize};
use statrs::distribution::{Beta, ContinuousCDF};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

#[path = "evaluate.rs"]
#[allow(dead_code)]
mod evaluate;

#[derive(Parser)]
struct Arguments {
    /// Folders of photos
    #[arg(required = true)]
    folders: Vec<PathBuf>,
    /// Other designs each photo is measured with; twice as many where no row is in it
    #[arg(long, default_value_t = 6)]
    designs: u64,
    /// First of them
    #[arg(long, default_value_t = 0)]
    first: u64,
    /// Measure with the plan's own design, for the scores of rows that are there
    #[arg(long)]
    own: bool,
    /// Where the score of each trial goes
    #[arg(long)]
    csv: Option<PathBuf>,
    /// Only photos whose name begins so
    #[arg(long, default_value = "")]
    only: String,
    /// Where the overlay of each confident wrong row goes
    #[arg(long)]
    overlays: Option<PathBuf>,
}

/// Mean distance over 1.2 m below which two lines are the same to the eye, mm.
const SAME_LINE_MM: f64 = 5.0;

/// What `evaluate` writes beside a photo; lengths mm.
#[derive(Deserialize)]
struct PlanBeside {
    repeat_mm: f64,
    spacing_mm: f64,
    stagger: f64,
    card_bar_mm: f64,
    curve_mm: Vec<Point2>,
}

/// One photo measured with one plan.
#[derive(Serialize)]
struct Trial {
    photo: String,
    design: &'static str,
    /// Distance of the plan's line from the stitched one, mm; empty where no row was stitched.
    distance_mm: Option<f64>,
    /// Refused, retake, or told with confidence.
    outcome: &'static str,
    /// In truth: whether the newest row is one that was stitched.
    is_true: bool,
    rows: usize,
    /// Of the newest row found.
    score: f64,
    by_threads: bool,
    visible_mm: f64,
    found_mm: f64,
    /// As [`rowsight::row::chance::RowSeen::surprise`], of the newest row, and the greatest strength of any.
    surprise: f64,
    most_strength: f64,
    wobble_mm: f64,
    /// Of the row that stands out most.
    best_score: f64,
    action: String,
    why: String,
}

/// A photo with what was stitched in it.
struct Shown {
    path: PathBuf,
    plan: Option<PlanBeside>,
    truth: Option<Truth>,
    stitched: Option<Design>,
}

fn shown(path: &Path) -> anyhow::Result<Shown> {
    let text = |ending| std::fs::read_to_string(path.with_extension(ending)).ok();
    let parsed =
        |text: String| serde_json::from_str(&text).with_context(|| path.display().to_string());
    let plan: Option<PlanBeside> = text("plan.json").map(parsed).transpose()?;
    let truth: Option<Truth> = text("truth.json")
        .map(|text| serde_json::from_str(&text).with_context(|| path.display().to_string()))
        .transpose()?;
    let has_rows = truth.as_ref().is_some_and(|t| !t.scene.rows.is_empty());
    let stitched = plan.as_ref().filter(|_| has_rows).map(|p| Design {
        curve_mm: p.curve_mm.clone(),
        repeat_mm: p.repeat_mm,
        breaks: Vec::new(),
    });
    Ok(Shown {
        path: path.to_owned(),
        plan,
        truth,
        stitched,
    })
}

/// A curve put into a repeat and a height, from its points (0…1 along).
fn scaled(points: impl Iterator<Item = (f64, f64)>, repeat_mm: f64, height_mm: f64) -> Design {
    let raw: Vec<(f64, f64)> = points.collect();
    let x0 = raw[0].0;
    let long = raw[raw.len() - 1].0 - x0;
    let (top, bottom) = raw
        .iter()
        .fold((f64::MAX, f64::MIN), |(a, b), p| (a.min(p.1), b.max(p.1)));
    let tall = (bottom - top).max(1e-9);
    Design {
        curve_mm: raw
            .iter()
            .map(|(x, y)| {
                let y = (y - 0.5 * (top + bottom)) / tall * height_mm;
                Point2::new((x - x0) / long * repeat_mm, y)
            })
            .collect(),
        repeat_mm,
        breaks: Vec::new(),
    }
}

/// Random waves, or a chain of loops: the curves of `tests/outside/other_photos.py`.
fn random_curve(rng: &mut Seeded, repeat_mm: f64, height_mm: f64) -> Design {
    let at = |i: i32| f64::from(i) / 800.0;
    if rng.chance(0.5) {
        let waves: Vec<[f64; 2]> = (1..=3)
            .map(|k| [rng.normal() / f64::from(k), rng.between(0.0, TAU)])
            .collect();
        let lean = rng.between(0.0, 0.06);
        let point = |t: f64| {
            let y = (1..=3)
                .zip(&waves)
                .map(|(k, [a, phase])| a * (f64::from(k) * TAU * t + phase).sin());
            (t + lean * (2.0 * TAU * t).sin(), y.sum())
        };
        return scaled((0..=800).map(|i| point(at(i))), repeat_mm, height_mm);
    }
    let loops = 1.0 + rng.below(3) as f64;
    let (wide, sway) = (rng.between(0.9, 1.7), 0.5 * rng.normal());
    let point = |t: f64| {
        let phase = TAU * loops * t;
        (
            t + wide / (TAU * loops) * phase.sin(),
            phase.cos() + sway * (TAU * t).sin(),
        )
    };
    scaled((0..=800).map(|i| point(at(i))), repeat_mm, height_mm)
}

fn practice_curve(rng: &mut Seeded, repeat_mm: f64, height_mm: f64) -> Design {
    match demo::NAMES.get(rng.below(5)) {
        Some(name) => demo::by_name(name, repeat_mm, height_mm).expect("a known name"),
        None => {
            let curve = trial_design().curve_mm;
            scaled(curve.iter().map(|p| (p.x, p.y)), repeat_mm, height_mm)
        }
    }
}

/// The n-th other design for a photo, and what it is called.
fn other(rng: &mut Seeded, n: u64, stitched: Option<&Design>) -> (&'static str, Design) {
    let (repeat_mm, height_mm) = (rng.between(140.0, 340.0), rng.between(60.0, 150.0));
    let changed = |from: &Design, by: f64, y: f64, along: f64| {
        let points = from.curve_mm.iter().map(|p| (p.x * along, p.y * y));
        let mut points: Vec<(f64, f64)> = points.collect();
        if along < 0.0 {
            points.reverse();
        }
        scaled(points.into_iter(), from.repeat_mm * by, from.height_mm())
    };
    match (n % 6, stitched) {
        (1, Some(design)) => ("upside down", changed(design, 1.0, -1.0, 1.0)),
        (3, Some(design)) => ("mirrored", changed(design, 1.0, 1.0, -1.0)),
        (5, Some(design)) => {
            let by = rng.between(1.08, 1.3);
            let by = if rng.chance(0.5) { by } else { 1.0 / by };
            ("drawn out", changed(design, by, 1.0, 1.0))
        }
        (k, _) if k % 2 == 0 => ("random", random_curve(rng, repeat_mm, height_mm)),
        _ => ("practice", practice_curve(rng, repeat_mm, height_mm)),
    }
}

/// Mean distance of one endless line's places from another's over 1.2 m, after the best move, mm.
fn one_way_mm(a: &Design, b: &Design) -> f64 {
    const CELL: f64 = 3.0;
    let columns = (b.repeat_mm / CELL).round().max(4.0) as usize;
    let cell = b.repeat_mm / columns as f64;
    let half = ((b.height_mm().max(a.height_mm()) / 2.0 + 15.0) / CELL).ceil() as i64;
    let places: Vec<Point2> = b.sample(CELL).iter().map(|p| p.position).collect();
    // Distance from the line, by cell of one repeat.
    let table: Vec<Vec<f64>> = (0..columns)
        .map(|column| {
            (-half..=half)
                .map(|row| {
                    let (x, y) = (column as f64 * cell, row as f64 * CELL);
                    let square = places.iter().map(|p| {
                        let dx = (p.x - x + 0.5 * b.repeat_mm).rem_euclid(b.repeat_mm)
                            - 0.5 * b.repeat_mm;
                        dx * dx + (p.y - y) * (p.y - y)
                    });
                    square.fold(f64::MAX, f64::min).sqrt()
                })
                .collect()
        })
        .collect();
    let mut line = Vec::new();
    let repeats = (1200.0 / a.repeat_mm).ceil() as i32;
    for k in 0..repeats {
        let by = f64::from(k) * a.repeat_mm;
        line.extend(
            a.sample(8.0)
                .iter()
                .map(|p| (p.position.x + by, p.position.y)),
        );
    }
    let mut best = f64::MAX;
    for shift in 0..columns {
        for down in -4..=4i64 {
            let sum: f64 = line
                .iter()
                .map(|(x, y)| {
                    let column = (x / cell).round() as i64 + shift as i64;
                    let row = ((y / CELL).round() as i64 + down).clamp(-half, half);
                    table[column.rem_euclid(columns as i64) as usize][(row + half) as usize]
                })
                .sum();
            best = best.min(sum / line.len() as f64);
        }
    }
    best
}

/// How far apart two lines are, mm; a line among the coils of another is far where the other is far from it.
fn distance_mm(a: &Design, b: &Design) -> f64 {
    one_way_mm(a, b).max(one_way_mm(b, a))
}

/// Where the newest row lies is a place where one was stitched.
fn lies_on_a_row(checked: &rowsight::check::Check, truth: &Truth) -> Option<bool> {
    let baseline = &checked.drawn.rows.last()?.baseline_mm;
    let px = checked
        .drawn
        .to_photo(0, *baseline.get(baseline.len() / 2)?)?;
    let place = evaluate::fabric_from_photo(truth, px)?;
    let mut rows = truth.rows.iter();
    Some(rows.any(|r| (r.stitched.s_at(place.x) - place.y).abs() < 20.0))
}

fn trials_of(path: &Path, arguments: &Arguments) -> anyhow::Result<Vec<Trial>> {
    let name = path
        .file_stem()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    let photo_shown = shown(path)?;
    let mut hasher = DefaultHasher::new();
    name.hash(&mut hasher);
    let seed = hasher.finish();
    let stitched = photo_shown.stitched.as_ref();
    let beside = photo_shown.plan.as_ref();
    let photos = [photo::read(&photo_shown.path)?];
    let designs: Vec<(&'static str, Design, f64, f64)> = if arguments.own {
        let plan = beside.context("no plan beside the photo")?;
        let Some(design) = stitched else {
            return Ok(Vec::new());
        };
        vec![("own", design.clone(), plan.spacing_mm, plan.stagger)]
    } else {
        let count = arguments.designs * if stitched.is_none() { 2 } else { 1 };
        (arguments.first..arguments.first + count)
            .map(|n| {
                let mut rng = Seeded::new(derive(seed, n));
                // The curve of another seed's plan lies beside photos of this class.
                let unknown = name.starts_with("other-design");
                let (called, design) = other(&mut rng, if unknown { 2 * n } else { n }, stitched);
                let own_spacing = design.height_mm() + rng.between(10.0, 50.0);
                let (spacing, stagger) = match beside {
                    Some(plan) if rng.chance(0.5) => (plan.spacing_mm, plan.stagger),
                    _ => (own_spacing, [0.0, 0.5, 1.0 / 3.0][rng.below(3)]),
                };
                (called, design, spacing, stagger)
            })
            .collect()
    };
    let mut trials = Vec::new();
    for (n, (called, design, spacing_mm, stagger)) in designs.into_iter().enumerate() {
        let distance = stitched.map(|s| distance_mm(&design, s));
        if !arguments.own && distance.is_some_and(|mm| mm < SAME_LINE_MM) {
            continue;
        }
        let plan = Plan {
            width_mm: 2400.0,
            spacing_mm,
            stagger,
            card_bar_mm: beside.map_or(150.0, |p| p.card_bar_mm),
            ..Scene::default().plan(Some(&design))
        };
        let mut trial = Trial {
            photo: name.clone(),
            design: called,
            distance_mm: distance,
            outcome: "refused",
            is_true: false,
            rows: 0,
            score: f64::NAN,
            by_threads: false,
            visible_mm: f64::NAN,
            found_mm: f64::NAN,
            surprise: f64::NAN,
            most_strength: f64::NAN,
            wobble_mm: f64::NAN,
            best_score: f64::NAN,
            action: String::new(),
            why: String::new(),
        };
        match look(&photos, &plan, Some(&design), &[]) {
            Err(error) => trial.why = error.to_string(),
            Ok(looked) => {
                let rows = looked.rows();
                trial.rows = rows.len();
                trial.score = rows.last().map_or(f64::NAN, |r| r.seen.score);
                trial.by_threads = rows.last().is_some_and(|r| r.seen.by_threads);
                trial.visible_mm = rows.last().map_or(f64::NAN, |r| r.seen.visible_mm);
                trial.found_mm = rows.last().map_or(f64::NAN, |r| r.seen.found_mm);
                trial.surprise = rows.last().map_or(f64::NAN, |r| r.seen.surprise());
                let strengths = rows.iter().map(|r| r.seen.strength());
                trial.most_strength = strengths.fold(f64::NAN, f64::max);
                trial.best_score = rows.iter().map(|r| r.seen.score).fold(f64::NAN, f64::max);
                match judge(looked, &photos, &plan, &Known::default(), Some(50)) {
                    Err(error) => trial.why = error.to_string(),
                    Ok(checked) => {
                        let record = &checked.record;
                        trial.wobble_mm = record.rows.last().map_or(f64::NAN, |r| r.wobble_mm);
                        let retake = record.verdict.action == Action::Retake;
                        trial.outcome = if retake { "retake" } else { "told" };
                        trial.action = format!("{:?}", record.verdict.action);
                        trial.is_true = photo_shown
                            .truth
                            .as_ref()
                            .is_some_and(|t| lies_on_a_row(&checked, t) == Some(true));
                        let spoils = checked.warnings.iter().filter(|w| w.spoils);
                        trial.why = spoils
                            .map(|w| w.what.as_str())
                            .collect::<Vec<_>>()
                            .join(" ");
                        if let Some(folder) = arguments
                            .overlays
                            .as_ref()
                            .filter(|_| !retake && !arguments.own)
                        {
                            draw_overlay(
                                &checked,
                                &photos[0],
                                &plan,
                                &folder.join(format!("{name}-{n}.jpg")),
                            )?;
                        }
                    }
                }
            }
        }
        trials.push(trial);
    }
    Ok(trials)
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    if let Some(folder) = &arguments.overlays {
        std::fs::create_dir_all(folder)?;
    }
    let mut paths = Vec::new();
    for folder in &arguments.folders {
        let entries = std::fs::read_dir(folder).with_context(|| folder.display().to_string())?;
        for entry in entries {
            let path = entry?.path();
            let name = path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            if path.extension().is_some_and(|e| e == "jpg") && name.starts_with(&arguments.only) {
                paths.push(path);
            }
        }
    }
    paths.sort();
    let trials: Vec<Trial> = paths
        .par_iter()
        .map(|path| trials_of(path, &arguments))
        .collect::<anyhow::Result<Vec<_>>>()?
        .into_iter()
        .flatten()
        .collect();
    if let Some(path) = &arguments.csv {
        let mut writer = csv::Writer::from_path(path)?;
        for trial in &trials {
            writer.serialize(trial)?;
        }
        writer.flush()?;
    }
    print_rates(&trials, paths.len());
    Ok(())
}

/// Upper end of the 95 % interval of a rate (Clopper and Pearson, Biometrika 26, 1934); with no case the one-sided bound,
/// which is 3 in n (rule of three).
fn bound(cases: usize, trials: usize) -> f64 {
    if cases >= trials {
        return 1.0;
    }
    let level = if cases == 0 { 0.95 } else { 0.975 };
    Beta::new(cases as f64 + 1.0, (trials - cases) as f64)
        .map_or(1.0, |beta| beta.inverse_cdf(level))
}

fn print_rates(trials: &[Trial], photos: usize) {
    let mut groups: BTreeMap<String, Vec<&Trial>> = BTreeMap::new();
    for trial in trials {
        let rows = if trial.distance_mm.is_some() {
            "rows of another design"
        } else {
            "no row"
        };
        for group in [
            format!("{rows}, {}", trial.design),
            rows.to_owned(),
            "all".to_owned(),
        ] {
            groups.entry(group).or_default().push(trial);
        }
    }
    println!("{photos} photos\n");
    println!(
        "| plan's design | trials | refused | retake | told | rate per 1000 | 95 % at most |\n| --- | --- | --- | --- | --- | --- | --- |"
    );
    for (name, trials) in groups {
        let count = |outcome| trials.iter().filter(|t| t.outcome == outcome).count();
        let (n, told) = (trials.len(), count("told"));
        println!(
            "| {name} | {n} | {} | {} | {told} | {:.2} | {:.2} |",
            count("refused"),
            count("retake"),
            1000.0 * told as f64 / n as f64,
            1000.0 * bound(told, n),
        );
    }
}

/// The overlay that the command draws, as JPEG.
fn draw_overlay(
    checked: &rowsight::check::Check,
    photo: &photo::Photo,
    plan: &Plan,
    path: &Path,
) -> anyhow::Result<()> {
    let small = photo::picture(&photo.path, LONGEST_PX)?;
    let picture = draw(&Overlay {
        title: None,
        photo: &small.picture,
        photo_scale: small.scale,
        photo_from_quilt: &|p| checked.drawn.to_photo(0, p),
        rows: &checked.drawn.rows,
        cards_px: &checked.drawn.cards_px[0],
        record: &checked.record,
        plan,
        name: &path.display().to_string(),
    });
    picture.save(path)?;
    Ok(())
}
