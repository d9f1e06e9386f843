//! Draws random finished quilts and holds what is measured in their photos against their truth.
//!
//! `cargo run --release --example finished -- --folder target/finished --from 0 --to 12`
//! `cargo run --release --example finished -- --folder target/finished --from 0 --to 6 --several`
//!
//! Photos already in the folder are not drawn again. With `--several` the quilts are 2.4 x 2.6 m in 6 to 12
//! overlapping photos, otherwise about 1.6 x 2.0 m in one. Spacing is held against the truth at the x at which it was
//! measured; a quilt counts as found when every one of its rows has its true number and lies within a quarter of the
//! spacing of its true place.

use anyhow::Context;
use clap::Parser;
use rowsight::design::{Design, demo};
use rowsight::finished::{Finished, FinishedRecord, is_followed, measure_finished};
use rowsight::geometry::Point2;
use rowsight::photo::{self, Photo};
use rowsight::plan::{Plan, Tolerance};
use rowsight::record::{Stretch, XOrigin};
use rowsight::rehearse::{
    Advance, FinishedRange, PracticeQuilt, Quilt, SIDES, SceneRange, Seeded, Truth, derive,
    edge_line, finished_quilt, render, trial_design, whole_truth, write,
};
use rowsight::units::LengthUnit;
use std::path::{Path, PathBuf};

#[derive(Parser)]
struct Arguments {
    /// First seed
    #[arg(long, default_value_t = 0)]
    from: u64,
    /// One past the last seed
    #[arg(long, default_value_t = 12)]
    to: u64,
    /// Larger quilts in 6 to 12 overlapping photos
    #[arg(long)]
    several: bool,
    /// Easy cloth, thread, hand and lens
    #[arg(long)]
    easy: bool,
    /// Size of the photos, megapixels
    #[arg(long, default_value_t = 12.0)]
    megapixels: f64,
    /// Where the photos are kept
    #[arg(long)]
    folder: PathBuf,
    /// Only draw
    #[arg(long)]
    draw: bool,
}

const ROWS: u32 = 13;

struct Drawn {
    plan: Plan,
    design: Design,
    photos: Vec<PathBuf>,
    truth: Truth,
}

fn quilt(seed: u64, arguments: &Arguments) -> anyhow::Result<Drawn> {
    let mut rng = Seeded::new(derive(seed, 81));
    let (width_mm, length_mm) = match arguments.several {
        true => (2400.0, 2600.0),
        false => (rng.between(1520.0, 1650.0), rng.between(1900.0, 2050.0)),
    };
    let spacing_mm = length_mm / f64::from(ROWS) * rng.between(0.96, 0.995);
    let height_mm = spacing_mm * rng.between(0.6, 0.95);
    let repeat_mm = rng.between(170.0, 310.0);
    let design = match demo::NAMES.get(rng.below(5)) {
        Some(name) => demo::by_name(name, repeat_mm, height_mm).context("a known name")?,
        None => trial_design(),
    };
    let practice = PracticeQuilt {
        quilt: Quilt {
            seed: derive(seed, 82) >> 12,
            width_mm,
            length_mm,
            design_start_mm: -width_mm / 2.0,
            stagger: [0.0, 0.5, 0.5, 1.0 / 3.0][rng.below(4)],
            spacing_mm,
            stretch_x: 0.0,
            stretch_y: 0.0,
        },
        rows: ROWS,
        first_row_mm: (length_mm - f64::from(ROWS - 1) * spacing_mm) / 2.0,
        advance: Advance::default(),
    };
    let range = match arguments.easy {
        true => SceneRange::easy(),
        false => SceneRange::full_range(),
    };
    let range = FinishedRange::new(range.with_megapixels(arguments.megapixels));
    let photos = match arguments.several {
        true => 6 + rng.below(7) as u32,
        false => 1,
    };
    let scenes = finished_quilt(&practice, photos, derive(seed, 83), &range);
    let name = if arguments.several { "several" } else { "one" };
    let name = if arguments.easy {
        format!("easy-{name}")
    } else {
        name.to_owned()
    };
    let mut paths = Vec::new();
    for (i, scene) in scenes.iter().enumerate() {
        let stem = format!("{name}-{seed:03}-{}", i + 1);
        let path = arguments.folder.join(format!("{stem}.jpg"));
        if !path.exists() {
            write(&arguments.folder, &stem, &render(scene, &design))?;
        }
        paths.push(path);
    }
    let truth_path = arguments.folder.join(format!("{name}-{seed:03}.json"));
    if !truth_path.exists() {
        std::fs::write(
            &truth_path,
            serde_json::to_vec(&whole_truth(&scenes[0], &design))?,
        )?;
    }
    let truth: Truth = serde_json::from_slice(&std::fs::read(&truth_path)?)?;
    let plan = Plan {
        unit: LengthUnit::Millimetre,
        width_mm,
        length_mm,
        design_file: String::new(),
        repeat_mm: design.repeat_mm,
        spacing_mm,
        stagger: practice.quilt.stagger,
        rows: ROWS,
        first_row_mm: practice.first_row_mm,
        card_bar_mm: scenes[0].cards.first().map_or(150.0, |c| c.bar_mm),
        tolerance: Tolerance::default(),
        roll: Default::default(),
        earlier: Vec::new(),
    };
    Ok(Drawn {
        plan,
        design,
        photos: paths,
        truth,
    })
}

#[derive(Default)]
struct Tally {
    quilts: usize,
    found: usize,
    /// Measured, but the tool says that too little of the stitching was followed.
    retakes: usize,
    /// Error and u.
    spacing: Vec<(f64, f64)>,
    drift_last: Vec<(f64, f64)>,
    drift: Vec<(f64, f64)>,
    skew: Vec<(f64, f64)>,
    bow: Vec<(f64, f64)>,
    shrinkage: [Vec<(f64, f64)>; 2],
    /// Margins; widths and lengths from edge to edge; difference of the diagonals; lean of the edges.
    margins: Vec<(f64, f64)>,
    sizes: Vec<(f64, f64)>,
    diagonals: Vec<(f64, f64)>,
    edges_seen: usize,
    /// Rows; parts not stitched in them; of these told as missed or off the design; told falsely.
    parts: [usize; 4],
    seconds: Vec<f64>,
}

/// x of the truth's frame for x of the record's.
fn true_x(finished: &Finished, truth: &Truth) -> f64 {
    // Where the record counts from the quilt's middle the frames are the same; else the rows' own ends tell.
    let row = &finished.record.rows[0];
    if row.x_origin == XOrigin::Quilt {
        return 0.0;
    }
    truth.row(row.row).map_or(0.0, |t| {
        f64::midpoint(t.seen_from_mm, t.seen_to_mm)
            - f64::midpoint(row.seen_from_mm, row.seen_to_mm)
    })
}

/// x at which a row's drift in the centre is measured: the middle of what is seen of it and of the first row.
fn middle_of_shared(record: &FinishedRecord, row: u32) -> Option<f64> {
    let first = record.rows.first()?;
    let row = record.rows.iter().find(|r| r.row == row)?;
    let from = first.seen_from_mm.max(row.seen_from_mm);
    let to = first.seen_to_mm.min(row.seen_to_mm);
    Some(f64::midpoint(from, to))
}

fn compare(finished: &Finished, truth: &Truth, plan: &Plan, tally: &mut Tally) -> bool {
    let record = &finished.record;
    let by = true_x(finished, truth);
    let s = |row: u32, x: f64| truth.row(row).map(|r| r.stitched.s_at(x + by));
    let first = record.rows.first().map_or(1, |r| r.row);
    let placed = record.rows.iter().all(|r| {
        let (Some(here), Some(there)) = (s(r.row, 0.0), s(first, 0.0)) else {
            return false;
        };
        (r.offset_mm.value - (here - there)).abs() < plan.spacing_mm / 4.0
    });
    if !placed || record.rows.len() != truth.rows.len() {
        return false;
    }
    for gap in &record.gaps {
        for at in &gap.spacing {
            if let (Some(a), Some(b)) = (s(gap.from_row, at.x_mm), s(gap.to_row, at.x_mm)) {
                tally.spacing.push((at.value - (b - a), at.u));
            }
        }
        let truth = truth.gaps.iter().find(|g| g.to_row == gap.to_row);
        if let Some(truth) = truth {
            tally.skew.push((
                gap.skew_mm_per_m.value - truth.skew_mm_per_m,
                gap.skew_mm_per_m.u,
            ));
            tally
                .bow
                .push((gap.bow_mm.value - truth.bow_mm, gap.bow_mm.u));
        }
    }
    for drift in record.drift.iter().skip(1) {
        let Some(x) = middle_of_shared(record, drift.row) else {
            continue;
        };
        let (Some(here), Some(there)) = (s(drift.row, x), s(1, x)) else {
            continue;
        };
        let planned = f64::from(drift.row - 1) * plan.spacing_mm;
        let pair = (
            drift.centre.value - (here - there - planned),
            drift.centre.u,
        );
        tally.drift.push(pair);
        if drift.row == ROWS {
            tally.drift_last.push(pair);
        }
    }
    compare_parts(finished, truth, by, tally);
    compare_edges(finished, truth, by, tally);
    let quilt = &truth.scene.quilt;
    let shrinkage = &record.shrinkage;
    for (k, (measured, set)) in [
        (shrinkage.across, quilt.stretch_x),
        (shrinkage.down, quilt.stretch_y),
    ]
    .into_iter()
    .enumerate()
    {
        tally.shrinkage[k].push((measured.value - set, measured.u));
    }
    true
}

/// How near a part told has to be to one that was not stitched, mm.
const PART_NEAR_MM: f64 = 20.0;

fn compare_parts(finished: &Finished, truth: &Truth, by: f64, tally: &mut Tally) {
    for row in &finished.record.rows {
        let Some(set) = truth.row(row.row) else {
            continue;
        };
        let missed = row.missed.iter().map(|m| (m.from_mm, m.to_mm));
        let off = row.off_design.iter().map(|m| (m.from_mm, m.to_mm));
        let told: Vec<(f64, f64)> = missed.chain(off).collect();
        let same = |part: &Stretch, (from, to): &(f64, f64)| {
            part.from_mm < to + by + PART_NEAR_MM && from + by - PART_NEAR_MM < part.to_mm
        };
        let is_told = |part: &&Stretch| told.iter().any(|t| same(part, t));
        let is_true = |t: &&(f64, f64)| set.missed.iter().any(|part| same(part, t));
        tally.parts[0] += 1;
        tally.parts[1] += set.missed.len();
        tally.parts[2] += set.missed.iter().filter(is_told).count();
        tally.parts[3] += told.iter().filter(|t| !is_true(t)).count();
    }
}

/// Edges as drawn, straightened, against the edges as measured.
fn compare_edges(finished: &Finished, truth: &Truth, by: f64, tally: &mut Tally) {
    let Some(edges) = &finished.record.edges else {
        return;
    };
    let [top, bottom, left, right] = SIDES.map(|side| edge_line(&truth.scene, side));
    let (Some(top), Some(bottom), Some(left), Some(right)) = (top, bottom, left, right) else {
        return;
    };
    let seen = [&edges.top, &edges.bottom, &edges.left, &edges.right];
    tally.edges_seen += seen.iter().filter(|e| e.is_some()).count();
    let at = |line: (f64, f64), t: f64| line.0 + line.1 * t;
    let s = |row: u32, x: f64| truth.row(row).map(|r| r.stitched.s_at(x));
    for m in &edges.above_first {
        let x = m.x_mm + by;
        if let Some(row) = s(1, x) {
            tally.margins.push((m.value - (row - at(top, x)), m.u));
        }
    }
    for m in &edges.below_last {
        let x = m.x_mm + by;
        if let Some(row) = s(ROWS, x) {
            tally.margins.push((m.value - (at(bottom, x) - row), m.u));
        }
    }
    let half_length = truth.scene.quilt.length_mm / 2.0;
    let corner = |across: (f64, f64), down: (f64, f64)| {
        let mut x = down.0;
        for _ in 0..5 {
            x = at(down, at(across, x) - half_length);
        }
        Point2::new(x, at(across, x))
    };
    let [tl, tr] = [left, right].map(|side| corner(top, side));
    let [bl, br] = [left, right].map(|side| corner(bottom, side));
    for (measured, set) in [
        (edges.width_at_top_mm, (tr - tl).norm()),
        (edges.width_at_bottom_mm, (br - bl).norm()),
        (edges.length_at_left_mm, (bl - tl).norm()),
        (edges.length_at_right_mm, (br - tr).norm()),
    ] {
        tally.sizes.extend(measured.map(|m| (m.value - set, m.u)));
    }
    let set = (br - tl).norm() - (tr - bl).norm();
    let differ = edges.diagonals_differ_mm.map(|m| (m.value - set, m.u));
    tally.diagonals.extend(differ);
}

fn rms(values: &[(f64, f64)]) -> f64 {
    (values.iter().map(|(e, _)| e * e).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

fn line(name: &str, unit: &str, values: &[(f64, f64)]) {
    let held = values.iter().filter(|(e, u)| e.abs() <= 1.96 * u).count();
    let worst = values.iter().map(|(e, _)| e.abs()).fold(0.0, f64::max);
    let u = (values.iter().map(|(_, u)| u * u).sum::<f64>() / values.len().max(1) as f64).sqrt();
    println!(
        "{name:<22} {:>4} values, RMS {:.3}, most {worst:.3}, stated u {u:.3} {unit}, 95 % hold {:.1} %",
        values.len(),
        rms(values),
        100.0 * held as f64 / values.len().max(1) as f64
    );
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    std::fs::create_dir_all(&arguments.folder)?;
    let mut all = Tally::default();
    for seed in arguments.from..arguments.to {
        let drawn = quilt(seed, &arguments)?;
        if arguments.draw {
            continue;
        }
        let start = std::time::Instant::now();
        let read = |path: &PathBuf| photo::read(path);
        let mut photos = drawn
            .photos
            .iter()
            .map(read)
            .collect::<Result<Vec<Photo>, _>>()?;
        let result = measure_finished(&mut photos, &drawn.plan, &drawn.design, &[], &[]);
        let seconds = start.elapsed().as_secs_f64();
        let scene = &drawn.truth.scene;
        let readable = readable(&drawn.photos, &drawn.truth)?;
        let mut this = Tally::default();
        let said = match &result {
            Err(error) => error.to_string(),
            Ok(finished) => {
                let found = compare(finished, &drawn.truth, &drawn.plan, &mut this);
                this.found = usize::from(found);
                let followed = finished.record.rows.iter().map(|r| r.coverage);
                let (n, sum) = followed
                    .clone()
                    .fold((0.0, 0.0), |(n, s), c| (n + 1.0, s + c));
                let least = followed.fold(1.0, f64::min);
                let retake = !is_followed(&finished.record);
                if retake {
                    // The tool says itself that these numbers are not to be trusted.
                    this = Tally::default();
                    all.retakes += 1;
                }
                let record = &finished.record;
                format!(
                    "{} of {ROWS} rows{}{}, followed on {:.0} % (least {:.0} %), spacing RMS {:.2}, last drift off {:.2} ± {:.2}, {} photos left out. {} {}",
                    record.rows_found,
                    if found { "" } else { " WRONG" },
                    if retake { " RETAKE" } else { "" },
                    100.0 * sum / f64::max(n, 1.0),
                    100.0 * least,
                    rms(&this.spacing),
                    this.drift_last.first().map_or(f64::NAN, |d| d.0),
                    this.drift_last.first().map_or(f64::NAN, |d| 1.96 * d.1),
                    record.not_used.len(),
                    record
                        .not_used
                        .iter()
                        .map(|n| n.why.as_str())
                        .collect::<Vec<_>>()
                        .join(" "),
                    record.notes.join(" ")
                )
            }
        };
        println!(
            "{seed} {:?} {} photos, {readable} rows readable, {:.2} mm/px, {seconds:.1} s: {said}",
            scene.fabric.class,
            photos.len(),
            mm_per_px(&drawn.photos[0])?,
        );
        all.quilts += 1;
        all.found += this.found;
        all.seconds.push(seconds / photos.len() as f64);
        all.spacing.extend(this.spacing);
        all.drift.extend(this.drift);
        all.drift_last.extend(this.drift_last);
        all.skew.extend(this.skew);
        all.bow.extend(this.bow);
        let most = this.margins.iter().map(|m| m.0.abs()).fold(0.0, f64::max);
        println!(
            "  {} edges seen, {} margins, off by {most:.2} mm at most",
            this.edges_seen,
            this.margins.len()
        );
        all.edges_seen += this.edges_seen;
        for (all, this) in all.parts.iter_mut().zip(this.parts) {
            *all += this;
        }
        all.margins.extend(this.margins);
        all.sizes.extend(this.sizes);
        all.diagonals.extend(this.diagonals);
        for (all, this) in all.shrinkage.iter_mut().zip(this.shrinkage) {
            all.extend(this);
        }
    }
    println!(
        "{} of {} quilts with every row found",
        all.found, all.quilts
    );
    line("spacing", "mm", &all.spacing);
    line("drift of all rows", "mm", &all.drift);
    line("drift of the last row", "mm", &all.drift_last);
    line("skew", "mm/m", &all.skew);
    line("bow", "mm", &all.bow);
    line("shrinkage across", "", &all.shrinkage[0]);
    line("shrinkage down", "", &all.shrinkage[1]);
    let [rows, parts, told, falsely] = all.parts;
    println!("parts not stitched: {told} of {parts} told, {falsely} falsely in {rows} rows");
    println!("{} of {} edges seen", all.edges_seen, 4 * all.found);
    line("margins", "mm", &all.margins);
    line("widths and lengths", "mm", &all.sizes);
    line("difference of diagonals", "mm", &all.diagonals);
    println!(
        "seconds a photo: {:.2}",
        all.seconds.iter().sum::<f64>() / all.seconds.len().max(1) as f64
    );
    Ok(())
}

fn truth_beside(photo: &Path) -> anyhow::Result<Truth> {
    let path = photo.with_extension("truth.json");
    let bytes = std::fs::read(&path).with_context(|| path.display().to_string())?;
    Ok(serde_json::from_slice(&bytes)?)
}

/// Rows that a person can make out in at least one photo.
fn readable(photos: &[PathBuf], truth: &Truth) -> anyhow::Result<usize> {
    let truths: Vec<Truth> = photos
        .iter()
        .map(|p| truth_beside(p))
        .collect::<Result<_, _>>()?;
    let seen = |row: u32| {
        truths
            .iter()
            .any(|t| t.row(row).is_some_and(|r| r.readable))
    };
    Ok(truth.rows.iter().filter(|r| seen(r.row)).count())
}

fn mm_per_px(photo: &Path) -> anyhow::Result<f64> {
    Ok(truth_beside(photo)?.scene.camera.mm_per_px)
}
