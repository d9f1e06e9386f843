//! Draws random practice photos and holds what is measured in them against their truth.
//!
//! `cargo run --release --example evaluate -- --folder target/evaluation --from 0 --to 60`
//!
//! Photos already in the folder are not drawn again. The table counts, by fabric, every spacing at left,
//! centre and right that was measured with a verdict other than "retake"; a scene counts as found when
//! its newest row is the true one.

use anyhow::Context;
use clap::Parser;
use rowsight::check::{Check, Known, check};
use rowsight::design::{Design, demo};
use rowsight::geometry::{Point2, homography::Homography};
use rowsight::photo;
use rowsight::plan::{Plan, Tolerance};
use rowsight::record::{Action, XOrigin};
use rowsight::rehearse::{Scene, SceneRange, Truth, render, trial_design, write};
use rowsight::units::LengthUnit;
use std::collections::BTreeMap;
use std::path::PathBuf;

#[derive(Parser)]
struct Arguments {
    /// First seed
    #[arg(long, default_value_t = 0)]
    from: u64,
    /// One past the last seed
    #[arg(long, default_value_t = 60)]
    to: u64,
    /// Size of the photos, megapixels
    #[arg(long, default_value_t = 12.0)]
    megapixels: f64,
    /// Where the photos are kept
    #[arg(long)]
    folder: PathBuf,
    /// One line for each scene
    #[arg(long)]
    each: bool,
    /// Leave a part of every row's design unstitched
    #[arg(long)]
    missed: bool,
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

/// A plan that knows what a quilter would know of the scene.
fn plan_of(scene: &Scene, design: &Design) -> Plan {
    Plan {
        unit: LengthUnit::Millimetre,
        width_mm: scene.quilt.width_mm,
        length_mm: scene.quilt.length_mm,
        design_file: String::new(),
        repeat_mm: design.repeat_mm,
        spacing_mm: scene.quilt.spacing_mm,
        stagger: scene.quilt.stagger,
        rows: 100,
        first_row_mm: 90.0,
        card_bar_mm: scene.cards.first().map_or(150.0, |c| c.bar_mm),
        tolerance: Tolerance::default(),
        roll: Default::default(),
    }
}

/// Shortest line in view that counts as a missed part, mm.
const LEAST_MISSED_MM: f64 = 30.0;

#[derive(Default)]
struct Tally {
    scenes: usize,
    readable: usize,
    found: usize,
    retake: usize,
    refused: usize,
    wrong: usize,
    /// Error and u.
    spacing: Vec<(f64, f64)>,
    skew: Vec<(f64, f64)>,
    shift: Vec<(f64, f64)>,
    /// Photos with a side of the quilt well in view, those whose x counts from the quilt's middle, and by how
    /// much that is off, mm.
    with_side: usize,
    from_middle: Vec<f64>,
    /// Rows looked at; stretches missed in truth, found of them, and reported without being missed.
    rows: usize,
    missed: usize,
    missed_found: usize,
    missed_false: usize,
    /// Row and middle of each of the latter, mm on the cloth.
    missed_false_at: Vec<(u32, f64)>,
}

/// A point of the photo on the fabric, by the nearest known places.
fn fabric_from_photo(truth: &Truth, px: Point2) -> Option<Point2> {
    let mut near: Vec<_> = truth.places.iter().collect();
    near.sort_by(|a, b| {
        (a.photo_px - px)
            .norm()
            .total_cmp(&(b.photo_px - px).norm())
    });
    let (a, b): (Vec<Point2>, Vec<Point2>) = near
        .iter()
        .take(9)
        .map(|p| (p.photo_px, p.fabric_mm))
        .unzip();
    Homography::from_points(&a, &b).ok().map(|h| h.apply(px))
}

/// Compares one check with its truth; whether the newest row is the true one.
fn compare(checked: &Check, truth: &Truth, tally: &mut Tally) -> Option<bool> {
    let record = &checked.record;
    let newest = record.rows.last()?;
    let drawn = checked.drawn.rows.last()?;
    let middle = drawn.baseline_mm.get(drawn.baseline_mm.len() / 2)?;
    let on_fabric = fabric_from_photo(truth, checked.drawn.to_photo(0, *middle)?)?;
    let true_newest = truth.rows.iter().rfind(|r| r.readable)?;
    let right = (true_newest.stitched.s_at(on_fabric.x) - on_fabric.y).abs() < 20.0;
    let to_quilt = on_fabric.x - middle.x;
    let half = truth.scene.quilt.width_mm / 2.0;
    let side_in_view = |side: f64| {
        let corner = |s: f64| {
            checked
                .drawn
                .to_photo(0, Point2::new(side * (half + 130.0) - to_quilt, s))
        };
        let px = corner(middle.y);
        px.is_some_and(|p| {
            p.x > 0.0
                && p.y > 0.0
                && p.x < f64::from(truth.size_px[0])
                && p.y < f64::from(truth.size_px[1])
        })
    };
    tally.with_side += usize::from(side_in_view(-1.0) || side_in_view(1.0));
    if record.rows[0].x_origin == XOrigin::Quilt {
        tally.from_middle.push(to_quilt);
    }
    if !right || record.verdict.action == Action::Retake {
        return Some(right);
    }
    for gap in &record.gaps {
        let at = |x: f64| truth.spacing_at(gap.from_row, gap.to_row, x + to_quilt);
        for place in &gap.spacing {
            if let Some(spacing) = at(place.x_mm) {
                tally.spacing.push((place.value - spacing, place.u));
            }
        }
        let ends = [gap.spacing.first()?.x_mm, gap.spacing.last()?.x_mm];
        if let (Some(a), Some(b)) = (at(ends[0]), at(ends[1])) {
            let skew = (b - a) / (ends[1] - ends[0]) * 1000.0;
            tally
                .skew
                .push((gap.skew_mm_per_m.value - skew, gap.skew_mm_per_m.u));
        }
    }
    for row in &record.rows {
        let Some(set) = truth.row(row.row) else {
            continue;
        };
        tally.rows += 1;
        let overlap = |a: [f64; 2], b: [f64; 2]| a[0] < b[1] + 20.0 && b[0] < a[1] + 20.0;
        let reported: Vec<[f64; 2]> = row
            .missed
            .iter()
            .map(|m| [m.from_mm + to_quilt, m.to_mm + to_quilt])
            .collect();
        let ends = [row.seen_from_mm + to_quilt, row.seen_to_mm + to_quilt];
        let missed: Vec<[f64; 2]> = set
            .missed
            .iter()
            .zip(&set.missed_line_mm)
            .filter(|(_, line_mm)| **line_mm >= LEAST_MISSED_MM)
            .map(|(m, _)| [m.from_mm, m.to_mm])
            .filter(|m| m[0] > ends[0] + 20.0 && m[1] < ends[1] - 20.0)
            .collect();
        tally.missed += missed.len();
        tally.missed_found += missed
            .iter()
            .filter(|m| reported.iter().any(|r| overlap(**m, *r)))
            .count();
        let true_ones = set
            .missed
            .iter()
            .map(|m| [m.from_mm, m.to_mm])
            .collect::<Vec<_>>();
        for r in &reported {
            if !true_ones.iter().any(|m| overlap(*m, *r)) {
                tally.missed_false += 1;
                tally.missed_false_at.push((row.row, 0.5 * (r[0] + r[1])));
            }
        }
    }
    let shift_of = |row: u32| truth.row(row).map(|r| r.stitched.shift_mm);
    if let (Some(first), Some(last)) = (shift_of(record.rows[0].row), shift_of(newest.row))
        && record.rows.len() > 1
    {
        tally
            .shift
            .push((newest.shift_mm.value - (last - first), newest.shift_mm.u));
    }
    Some(right)
}

fn rms(values: &[(f64, f64)]) -> f64 {
    (values.iter().map(|(e, _)| e * e).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

fn held(values: &[(f64, f64)]) -> f64 {
    let inside = values.iter().filter(|(e, u)| e.abs() <= 1.96 * u).count();
    100.0 * inside as f64 / values.len().max(1) as f64
}

fn worst(values: &[(f64, f64)]) -> f64 {
    values
        .iter()
        .map(|(e, u)| (e / u).abs())
        .fold(0.0, f64::max)
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    std::fs::create_dir_all(&arguments.folder)?;
    let mut range = SceneRange::full_range().with_megapixels(arguments.megapixels);
    if arguments.missed {
        // A quarter of this is each row's chance.
        range.missed = 4.0;
    }
    let mut by_class: BTreeMap<String, Tally> = BTreeMap::new();
    let mut seconds = Vec::new();
    for seed in arguments.from..arguments.to {
        let stem = format!("s{seed}");
        let scene = Scene::random(seed, &range);
        let design = design_of(seed, scene.quilt.spacing_mm);
        let path = arguments.folder.join(format!("{stem}.jpg"));
        if !path.exists() {
            write(&arguments.folder, &stem, &render(&scene, &design))?;
        }
        let text = std::fs::read_to_string(arguments.folder.join(format!("{stem}.truth.json")))
            .with_context(|| format!("truth of {stem}"))?;
        let truth: Truth = serde_json::from_str(&text)?;
        let plan = plan_of(&truth.scene, &design);
        let newest = truth.rows.last().map_or(1, |r| r.row);
        let readable = truth.rows.last().is_some_and(|r| r.readable);
        let start = std::time::Instant::now();
        let photos = [photo::read(&path)?];
        let result = check(&photos, &plan, &design, &Known::default(), Some(newest));
        seconds.push(start.elapsed().as_secs_f64());
        let class = format!("{:?}", truth.scene.fabric.class);
        let mut this = Tally {
            scenes: 1,
            readable: usize::from(readable),
            ..Tally::default()
        };
        let said = match &result {
            Err(error) => {
                this.refused = 1;
                error.to_string()
            }
            Ok(checked) => {
                let right = compare(checked, &truth, &mut this);
                let retake = checked.record.verdict.action == Action::Retake;
                this.retake = usize::from(retake);
                this.found = usize::from(right == Some(true));
                this.wrong = usize::from(right != Some(true) && !retake);
                let warned: Vec<&str> = checked.warnings.iter().map(|w| w.what.as_str()).collect();
                format!(
                    "{} {:?} {}",
                    if right == Some(true) {
                        "right"
                    } else {
                        "WRONG ROW"
                    },
                    checked.record.verdict.action,
                    warned.join(" ")
                )
            }
        };
        if arguments.each {
            println!(
                "{stem} {class} rms {:.2} worst {:.1} u, missed {} of {} and false {:.0?}, {:.2} s: {said}",
                rms(&this.spacing).abs(),
                worst(&this.spacing),
                this.missed_found,
                this.missed,
                this.missed_false_at,
                seconds[seconds.len() - 1]
            );
        }
        for name in [class, "all".to_owned()] {
            let tally = by_class.entry(name).or_default();
            tally.scenes += this.scenes;
            tally.readable += this.readable;
            tally.found += this.found;
            tally.retake += this.retake;
            tally.refused += this.refused;
            tally.wrong += this.wrong;
            tally.spacing.extend(&this.spacing);
            tally.skew.extend(&this.skew);
            tally.shift.extend(&this.shift);
            tally.with_side += this.with_side;
            tally.from_middle.extend(&this.from_middle);
            tally.rows += this.rows;
            tally.missed += this.missed;
            tally.missed_found += this.missed_found;
            tally.missed_false += this.missed_false;
        }
    }
    println!(
        "{:<11} {:>6} {:>8} {:>5} {:>6} {:>7} {:>5} | {:>4} {:>8} {:>6} {:>7} | {:>9} {:>8}",
        "fabric",
        "scenes",
        "readable",
        "found",
        "retake",
        "refused",
        "wrong",
        "n",
        "spacing",
        "95 %",
        "worst u",
        "skew mm/m",
        "shift mm"
    );
    for (name, t) in &by_class {
        println!(
            "{name:<11} {:>6} {:>8} {:>5} {:>6} {:>7} {:>5} | {:>4} {:>8.3} {:>5.1}% {:>7.1} | {:>9.3} {:>8.3}",
            t.scenes,
            t.readable,
            t.found,
            t.retake,
            t.refused,
            t.wrong,
            t.spacing.len(),
            rms(&t.spacing),
            held(&t.spacing),
            worst(&t.spacing),
            rms(&t.skew),
            rms(&t.shift)
        );
    }
    if let Some(t) = by_class.get("all") {
        println!(
            "missed parts: {} of {} found, {} false reports in {} rows",
            t.missed_found, t.missed, t.missed_false, t.rows
        );
        let worst = t.from_middle.iter().map(|x| x.abs()).fold(0.0, f64::max);
        println!(
            "sides: {} photos show one; x counted from the quilt's middle in {}, at most {worst:.0} mm off",
            t.with_side,
            t.from_middle.len()
        );
    }
    seconds.sort_by(f64::total_cmp);
    println!(
        "seconds a photo: median {:.2}, most {:.2}",
        seconds[seconds.len() / 2],
        seconds[seconds.len() - 1]
    );
    Ok(())
}
