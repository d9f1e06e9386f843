//! Draws random practice photos and holds what is measured in them against their truth.
//!
//! `cargo run --release --example evaluate -- --folder target/evaluation --from 0 --to 60`
//!
//! Photos already in the folder are not drawn again. The table counts, by fabric, every spacing at left,
//! centre and right that was measured with a verdict other than "retake"; a scene counts as found when
//! its newest row is the true one.
//!
//! With `--classes` (and names, or `all`) it draws photos of one difficulty at a time instead, and the table goes
//! by these. Beside each photo lies `…plan.json`, what a program from outside needs to know of the plan
//! (`tests/outside/reference_rows.py`).

use anyhow::Context;
use clap::{Parser, ValueEnum};
use rowsight::check::{Check, Known, check};
use rowsight::design::{Design, demo};
use rowsight::geometry::{Point2, homography::Homography};
use rowsight::photo;
use rowsight::plan::Plan;
use rowsight::record::{Action, XOrigin};
use rowsight::rehearse::{PhotoClass, Scene, SceneRange, Truth, render, trial_design, write};
use rowsight::row::relaxed::stretched;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

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
    /// Cards bent by up to so much, mm
    #[arg(long, default_value_t = 0.0)]
    curl_mm: f64,
    /// Photos of one difficulty at a time: names of classes, or `all`
    #[arg(long, num_args = 1..)]
    classes: Vec<String>,
    /// Draw the photos, measure nothing
    #[arg(long)]
    draw: bool,
    /// Measure without the design; its repeat is told to every other photo
    #[arg(long)]
    no_design: bool,
    /// With classes: put another design into every plan, so that every answer but "retake" is wrong
    #[arg(long)]
    other_plan: bool,
    /// The plan's design is so much larger than the stitched one, per cent
    #[arg(long, default_value_t = 0.0, allow_hyphen_values = true)]
    repeat_wrong: f64,
}

/// A photo to be measured.
pub struct Case {
    stem: String,
    seed: u64,
    /// Its class's name; by the fabric where there is none.
    class: Option<String>,
    scene: Box<dyn Fn() -> Scene>,
    /// What was stitched, and what the plan says.
    stitched: Design,
    planned: Design,
    /// No row of the plan's is in the photo: every answer but "retake" is wrong.
    nothing_to_find: bool,
}

fn cases(arguments: &Arguments) -> anyhow::Result<Vec<Case>> {
    let megapixels = arguments.megapixels;
    let seeds = || arguments.from..arguments.to;
    if arguments.classes.is_empty() {
        let mut range = SceneRange::full_range().with_megapixels(megapixels);
        range.card_curl_mm = arguments.curl_mm;
        if arguments.missed {
            // A quarter of this is each row's chance.
            range.missed = 4.0;
        }
        return Ok(seeds()
            .map(|seed| {
                let range = range.clone();
                let design = design_of(seed, Scene::random(seed, &range).quilt.spacing_mm);
                Case {
                    stem: format!("s{seed}"),
                    seed,
                    class: None,
                    scene: Box::new(move || Scene::random(seed, &range)),
                    stitched: design.clone(),
                    planned: design,
                    nothing_to_find: false,
                }
            })
            .collect());
    }
    let mut classes = Vec::new();
    for name in &arguments.classes {
        if name == "all" {
            classes.extend(PhotoClass::value_variants());
        } else {
            let class = PhotoClass::from_str(name, false);
            classes.push(class.map_err(|why| anyhow::anyhow!("class {name}: {why}"))?);
        }
    }
    Ok(classes
        .into_iter()
        .flat_map(|class| seeds().map(move |seed| case_of(class, seed, megapixels)))
        .map(|case| match arguments.other_plan {
            true => Case {
                planned: design_of(case.seed + 1, 150.0),
                nothing_to_find: true,
                ..case
            },
            false => case,
        })
        .collect())
}

/// A photo of a class.
pub fn case_of(class: PhotoClass, seed: u64, megapixels: f64) -> Case {
    let name = class.to_possible_value().expect("no class is hidden");
    let name = name.get_name().to_owned();
    // The middle of the range of spacings: designs need not fit a scene's own to the millimetre.
    let design = |seed| design_of(seed, 150.0);
    let stitched = design(seed);
    let planned = match class {
        PhotoClass::OtherDesign => design(seed + 1),
        _ => design(seed),
    };
    let draw = stitched.clone();
    Case {
        stem: format!("{name}-{seed}"),
        seed,
        class: Some(name),
        scene: Box::new(move || Scene::of_class(class, seed, megapixels, &draw)),
        stitched,
        planned,
        nothing_to_find: matches!(class, PhotoClass::NoRow | PhotoClass::OtherDesign),
    }
}

/// What a program from outside needs to know of a plan: lengths mm.
#[derive(serde::Serialize)]
struct PlanForOthers<'a> {
    repeat_mm: f64,
    spacing_mm: f64,
    stagger: f64,
    card_bar_mm: f64,
    newest_row: u32,
    curve_mm: &'a [Point2],
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

/// Shortest line in view that counts as a missed part, mm.
const LEAST_MISSED_MM: f64 = 30.0;

/// What came of some photos.
#[derive(Default)]
pub struct Tally {
    /// Photos.
    pub scenes: usize,
    /// Those whose newest row a person can make out.
    pub readable: usize,
    /// The newest row was found.
    pub found: usize,
    /// Ended with the verdict "retake".
    pub retake: usize,
    /// Not measured.
    pub refused: usize,
    /// Another verdict than "retake" on another row than the newest.
    pub wrong: usize,
    /// Error and u, mm.
    pub spacing: Vec<(f64, f64)>,
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
    /// Stretches stitched off the design, and those of them where something was reported.
    wrong_turns: usize,
    wrong_turns_noticed: usize,
    /// Those told as stitched off the design, error of how far off, mm, and places told so that were not.
    wrong_turns_told: usize,
    off_by: Vec<f64>,
    off_false: usize,
    /// Found, of those that are readable.
    found_readable: usize,
    /// Of the newest row: contrast of the line over the texture's standard deviation.
    line_to_texture: Vec<f64>,
    seconds: Vec<f64>,
    processor_seconds: Vec<f64>,
}

impl Tally {
    fn add(&mut self, other: &Tally) {
        self.scenes += other.scenes;
        self.readable += other.readable;
        self.found += other.found;
        self.retake += other.retake;
        self.refused += other.refused;
        self.wrong += other.wrong;
        self.spacing.extend(&other.spacing);
        self.skew.extend(&other.skew);
        self.shift.extend(&other.shift);
        self.with_side += other.with_side;
        self.from_middle.extend(&other.from_middle);
        self.rows += other.rows;
        self.missed += other.missed;
        self.missed_found += other.missed_found;
        self.missed_false += other.missed_false;
        self.missed_false_at.extend(&other.missed_false_at);
        self.wrong_turns += other.wrong_turns;
        self.wrong_turns_noticed += other.wrong_turns_noticed;
        self.wrong_turns_told += other.wrong_turns_told;
        self.off_by.extend(&other.off_by);
        self.off_false += other.off_false;
        self.found_readable += other.found_readable;
        self.line_to_texture.extend(&other.line_to_texture);
        self.seconds.extend(&other.seconds);
        self.processor_seconds.extend(&other.processor_seconds);
    }
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

/// The table, to be read and to be pasted.
fn print_table(by_class: &BTreeMap<String, Tally>) {
    println!(
        "| class | scenes | readable | found | of readable | retake | refused | wrong | n | spacing mm | 95 % | worst u \
         | skew mm/m | shift mm | missed | false | wrong turns noticed, told | off by | falsely off | line / texture | s median | s most | cpu s |"
    );
    println!("|{}", " --- |".repeat(23));
    for (name, t) in by_class {
        let most = t.seconds.iter().copied().fold(0.0, f64::max);
        println!(
            "| {name} | {} | {} | {} | {} | {} | {} | {} | {} | {:.2} | {:.1} | {:.1} | {:.2} | {:.2} | {} of {} | {} in {} \
             | {}, {} of {} | {:+.1} | {} | {:.2} | {:.2} | {most:.2} | {:.2} |",
            t.scenes,
            t.readable,
            t.found,
            t.found_readable,
            t.retake,
            t.refused,
            t.wrong,
            t.spacing.len(),
            rms(&t.spacing),
            held(&t.spacing),
            worst(&t.spacing),
            rms(&t.skew),
            rms(&t.shift),
            t.missed_found,
            t.missed,
            t.missed_false,
            t.rows,
            t.wrong_turns_noticed,
            t.wrong_turns_told,
            t.wrong_turns,
            median(&t.off_by),
            t.off_false,
            median(&t.line_to_texture),
            median(&t.seconds),
            median(&t.processor_seconds),
        );
    }
}

/// A point of the photo on the fabric, by the nearest known places.
pub fn fabric_from_photo(truth: &Truth, px: Point2) -> Option<Point2> {
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
///
/// `within_mm` is how near a row's middle has to lie to its true one: without a design it lies where the line as
/// learned has its middle.
fn compare(checked: &Check, truth: &Truth, tally: &mut Tally, within_mm: f64) -> Option<bool> {
    let record = &checked.record;
    let newest = record.rows.last()?;
    let drawn = checked.drawn.rows.last()?;
    let middle = drawn.baseline_mm.get(drawn.baseline_mm.len() / 2)?;
    let on_fabric = fabric_from_photo(truth, checked.drawn.to_photo(0, *middle)?)?;
    // The newest row, or where a person cannot make it out the last one that is readable.
    let last = truth.rows.last()?;
    let readable = truth.rows.iter().rfind(|r| r.readable).unwrap_or(last);
    let matched = [last, readable]
        .into_iter()
        .find(|r| (r.stitched.s_at(on_fabric.x) - on_fabric.y).abs() < within_mm);
    let right = matched.is_some();
    // Rows are numbered from the newest that the plan knows of.
    let of_truth = |row: u32| matched.map_or(0, |m| (m.row + row).saturating_sub(newest.row));
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
        let at =
            |x: f64| truth.spacing_at(of_truth(gap.from_row), of_truth(gap.to_row), x + to_quilt);
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
        let Some(set) = truth.row(of_truth(row.row)) else {
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
            .enumerate()
            .filter(|(i, _)| {
                // Truth written earlier does not say.
                let line_mm = set.missed_line_mm.get(*i);
                line_mm.is_none_or(|line_mm| *line_mm >= LEAST_MISSED_MM)
            })
            .map(|(_, m)| [m.from_mm, m.to_mm])
            .filter(|m| m[0] > ends[0] + 20.0 && m[1] < ends[1] - 20.0)
            .collect();
        tally.missed += missed.len();
        tally.missed_found += missed
            .iter()
            .filter(|m| reported.iter().any(|r| overlap(**m, *r)))
            .count();
        let off: Vec<[f64; 2]> = row
            .off_design
            .iter()
            .map(|part| [part.from_mm + to_quilt, part.to_mm + to_quilt])
            .collect();
        let turns = || set.wrong_turns.iter().map(|t| [t.from_mm, t.to_mm]);
        let in_view = || turns().filter(|t| t[0] > ends[0] + 20.0 && t[1] < ends[1] - 20.0);
        tally.wrong_turns += in_view().count();
        tally.wrong_turns_noticed += in_view()
            .filter(|t| reported.iter().chain(&off).any(|r| overlap(*t, *r)))
            .count();
        tally.wrong_turns_told += in_view()
            .filter(|t| off.iter().any(|r| overlap(*t, *r)))
            .count();
        for (part, at) in row.off_design.iter().zip(&off) {
            let turn = set
                .wrong_turns
                .iter()
                .find(|t| overlap([t.from_mm, t.to_mm], *at));
            match turn {
                Some(turn) => tally.off_by.push(part.off_mm - turn.aside_mm.abs()),
                None => tally.off_false += 1,
            }
        }
        let true_ones = set
            .missed
            .iter()
            .map(|m| [m.from_mm, m.to_mm])
            .chain(turns())
            .collect::<Vec<_>>();
        for r in &reported {
            if !true_ones.iter().any(|m| overlap(*m, *r)) {
                tally.missed_false += 1;
                tally.missed_false_at.push((row.row, 0.5 * (r[0] + r[1])));
            }
        }
    }
    let shift_of = |row: u32| truth.row(of_truth(row)).map(|r| r.stitched.shift_mm);
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
    (values.iter().map(|(e, _)| e * e).sum::<f64>() / values.len() as f64).sqrt()
}

fn held(values: &[(f64, f64)]) -> f64 {
    let inside = values.iter().filter(|(e, u)| e.abs() <= 1.96 * u).count();
    100.0 * inside as f64 / values.len() as f64
}

fn worst(values: &[(f64, f64)]) -> f64 {
    values
        .iter()
        .map(|(e, u)| (e / u).abs())
        .fold(0.0, f64::max)
}

/// Processor time this program has used so far, s; not a number where the system does not tell as Linux does.
fn processor_seconds() -> f64 {
    // Fields 14 and 15 of proc(5)'s stat, in hundredths of a second; the name in field 2 ends with the last ")".
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |n: usize| {
        let field = fields.split_whitespace().nth(n - 3);
        field
            .and_then(|t| t.parse::<f64>().ok())
            .unwrap_or(f64::NAN)
    };
    (ticks(14) + ticks(15)) / 100.0
}

/// Draws a case into the folder, with its truth and its plan, unless it is there.
fn draw(case: &Case, folder: &Path) -> anyhow::Result<(Truth, Plan)> {
    let (stem, design) = (&case.stem, &case.planned);
    if !folder.join(format!("{stem}.jpg")).exists() {
        write(folder, stem, &render(&(case.scene)(), &case.stitched))?;
    }
    let text = std::fs::read_to_string(folder.join(format!("{stem}.truth.json")))
        .with_context(|| format!("truth of {stem}"))?;
    let truth: Truth = serde_json::from_str(&text)?;
    let plan = truth.scene.plan(Some(design));
    let plan_path = folder.join(format!("{stem}.plan.json"));
    if plan_path.exists() {
        return Ok((truth, plan));
    }
    let for_others = PlanForOthers {
        repeat_mm: design.repeat_mm,
        spacing_mm: plan.spacing_mm,
        stagger: plan.stagger,
        card_bar_mm: plan.card_bar_mm,
        newest_row: truth.rows.last().map_or(1, |r| r.row),
        curve_mm: &design.curve_mm,
    };
    std::fs::write(plan_path, serde_json::to_string(&for_others)?)?;
    Ok((truth, plan))
}

/// Measures a case, drawing it where it is not in the folder yet: its class, the comparison, and a line about it.
pub fn measured(
    case: &Case,
    folder: &Path,
    no_design: bool,
) -> anyhow::Result<(String, Tally, String)> {
    let (truth, mut plan) = draw(case, folder)?;
    if no_design {
        plan.design_file.clear();
        if case.seed.is_multiple_of(2) {
            plan.repeat_mm = 0.0;
        }
    }
    let newest = truth.rows.last().map_or(1, |r| r.row);
    let readable = truth.rows.last().is_some_and(|r| r.readable);
    let (start, processor) = (std::time::Instant::now(), processor_seconds());
    let photos = [photo::read(&folder.join(format!("{}.jpg", case.stem)))?];
    let result = check(
        &photos,
        &plan,
        Some(&case.planned).filter(|_| !no_design),
        &Known::default(),
        Some(newest),
    );
    let within_mm = match no_design {
        true => 0.4 * plan.spacing_mm,
        false => 20.0,
    };
    let seconds = start.elapsed().as_secs_f64();
    let mut this = Tally {
        scenes: 1,
        readable: usize::from(readable),
        seconds: vec![seconds],
        processor_seconds: vec![processor_seconds() - processor],
        line_to_texture: truth
            .rows
            .last()
            .map(|r| r.line_to_texture)
            .into_iter()
            .collect(),
        ..Tally::default()
    };
    let said = match &result {
        Err(error) => {
            this.refused = 1;
            error.to_string()
        }
        Ok(checked) => {
            let right =
                compare(checked, &truth, &mut this, within_mm).filter(|_| !case.nothing_to_find);
            let retake = checked.record.verdict.action == Action::Retake;
            this.retake = usize::from(retake);
            this.found = usize::from(right == Some(true));
            this.found_readable = usize::from(right == Some(true) && readable);
            this.wrong = usize::from(right != Some(true) && !retake);
            let warned: Vec<&str> = checked.warnings.iter().map(|w| w.what.as_str()).collect();
            let found: Vec<String> = checked
                .record
                .rows
                .iter()
                .map(|r| format!("{:.0}", 100.0 * r.coverage))
                .collect();
            format!(
                "{} {:?} found {} % {}",
                if right == Some(true) {
                    "right"
                } else {
                    "WRONG ROW"
                },
                checked.record.verdict.action,
                found.join(" "),
                warned.join(" ")
            )
        }
    };
    let class = match &case.class {
        Some(class) => class.clone(),
        None => format!("{:?}", truth.scene.fabric.class),
    };
    let said = format!(
        "{} {class} rms {:.2} worst {:.1} u, missed {} of {}, falsely {:.0?}, x off {:.0?}, {seconds:.2} s: {said}",
        case.stem,
        rms(&this.spacing),
        worst(&this.spacing),
        this.missed_found,
        this.missed,
        this.missed_false_at,
        this.from_middle,
    );
    Ok((class, this, said))
}

fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    std::fs::create_dir_all(&arguments.folder)?;
    let mut by_class: BTreeMap<String, Tally> = BTreeMap::new();
    for mut case in cases(&arguments)? {
        if arguments.draw {
            draw(&case, &arguments.folder)?;
            continue;
        }
        let larger = arguments.repeat_wrong / 100.0;
        case.planned = stretched(&case.planned, larger, larger);
        let (class, this, said) = measured(&case, &arguments.folder, arguments.no_design)?;
        if arguments.each {
            println!("{said}");
        }
        for name in [class, "all".to_owned()] {
            by_class.entry(name).or_default().add(&this);
        }
    }
    print_table(&by_class);
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
    Ok(())
}
