//! `rowsight rehearse`

use super::{Outcome, hint, say, written_as};
use crate::design::Design;
use crate::journal::{Habit, Journal, NewCheck};
use crate::learn::state::to_places;
use crate::plan::Plan;
use crate::plan::file::to_toml;
use crate::rehearse::advances::{Policy, Quilter, play, played_picture, records};
use crate::rehearse::{
    Advance, FabricClass, FinishedRange, PracticeQuilt, Scene, SceneRange, Truth, finished_quilt,
    rehearse_quilt, render, whole_truth, write,
};
use crate::row::wobble::Fingerprint;
use crate::shell::argument;
use crate::units::parse_length;
use crate::verdict::words::length;
use crate::verdict::words::{signed, unit_name};
use crate::whole_file::write_whole;
use anyhow::{Context, anyhow};
use clap::Args;
use indicatif::ProgressBar;
use std::path::{Path, PathBuf};

/// Draw practice photos of an invented quilt, with the truth beside them
///
/// The quilt is the one of the plan; each photo shows it after one more row, with the errors of an
/// advance that is a little off. Measure them with `snap` and compare with the truth files.
///
/// Example: rowsight rehearse harvest --rows 3 --gap-error 1/16in
///
/// With --finished the whole quilt is drawn, relaxed and shrunk by its quilting, for `batch --finished`:
/// rowsight rehearse harvest --finished --photos 6
///
/// With --numbers a whole quilt is played without photos, for `forecast` and `tune`:
/// rowsight rehearse harvest --numbers --lean 1/8in --ignore-advice -o ignored
#[derive(Args)]
pub struct RehearseArguments {
    /// Folder of the quilt, with its plan
    folder: PathBuf,
    /// How many rows to draw, one photo each [default: the first 3, or all of fewer]
    #[arg(long, value_name = "COUNT")]
    rows: Option<u32>,
    /// Photos of each row, overlapping and with shared cards, from left to right; with --finished up to 40
    #[arg(long, default_value_t = 1, value_name = "COUNT")]
    photos: u32,
    /// Draw the finished quilt with all its rows off the frame, on a floor or a wall, cards scattered on it
    #[arg(long, conflicts_with_all = ["numbers", "rows"])]
    finished: bool,
    /// Another seed, another quilt
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How much too far each advance goes [default: 1/32 in]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    gap_error: Option<String>,
    /// How much farther the right end goes than the left at each advance [default: 1/32 in]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    lean: Option<String>,
    /// Fabric: solid, tonal, small-print, large-print, stripes, checks, patchwork, batik [default: by
    /// the seed]
    #[arg(long, value_name = "NAME")]
    fabric: Option<String>,
    /// Easy light, steady hand, bright thread
    #[arg(long)]
    easy: bool,
    /// Size of the photos in megapixels; a smaller photo shows less of the quilt
    #[arg(long, default_value_t = 12.0, value_name = "MP")]
    megapixels: f64,
    /// JPEG quality, 1 to 100 [default: by the seed, 75 to 95]
    #[arg(long, value_name = "QUALITY", value_parser = clap::value_parser!(u8).range(1..=100))]
    quality: Option<u8>,
    /// Play all rows of the quilt in numbers, without photos, and keep them in a practice quilt's journal
    #[arg(long)]
    numbers: bool,
    /// With --numbers: nothing that is advised is done
    #[arg(long, requires = "numbers")]
    ignore_advice: bool,
    /// With --numbers: how unevenly the advances go [default: 1 mm]
    #[arg(long, value_name = "LENGTH", requires = "numbers")]
    scatter: Option<String>,
    /// With --numbers: how much more every advance goes than the one before [default: nothing]
    #[arg(
        long,
        value_name = "LENGTH",
        requires = "numbers",
        allow_hyphen_values = true
    )]
    growth: Option<String>,
    /// With --numbers: from this row on the advances go otherwise
    #[arg(long, value_name = "ROW", requires = "change_error")]
    change_row: Option<u32>,
    /// With --change-row: how much too far they go then
    #[arg(
        long,
        value_name = "LENGTH",
        requires = "change_row",
        allow_hyphen_values = true
    )]
    change_error: Option<String>,
    /// With --numbers: draw the rows as they fell, as SVG
    #[arg(long, value_name = "FILE", requires = "numbers")]
    picture: Option<PathBuf>,
    /// Where the photos or the practice quilt go [default: the folder `practice` of the quilt]
    #[arg(short, long, value_name = "FOLDER")]
    output: Option<PathBuf>,
}

/// So many rows are drawn where no number is asked for.
const USUAL_ROWS: u32 = 3;

pub fn run(arguments: &RehearseArguments) -> anyhow::Result<Outcome> {
    let (plan, design) = super::plan::load_with_design(&arguments.folder)?;
    if !(0.3..=50.0).contains(&arguments.megapixels) {
        anyhow::bail!("--megapixels is {}; give 0.3 to 50", arguments.megapixels);
    }
    let most = if arguments.finished { 40 } else { 9 };
    if !(1..=most).contains(&arguments.photos) {
        anyhow::bail!("--photos is {}; give 1 to {most}", arguments.photos);
    }
    if let Some(rows) = arguments.rows
        && !(1..=plan.rows).contains(&rows)
    {
        anyhow::bail!("--rows is {rows}; the plan has {} rows", plan.rows);
    }
    let mut range = if arguments.easy {
        SceneRange::easy()
    } else {
        SceneRange::full_range()
    }
    .with_megapixels(arguments.megapixels);
    // Practice cards have the bar the plan says.
    range.card_bar_mm = [plan.card_bar_mm; 2];
    if let Some(name) = &arguments.fabric {
        let class: FabricClass = serde_json::from_value(serde_json::Value::String(name.clone()))
            .map_err(|_| {
                anyhow!("--fabric {name} is not known; `rowsight rehearse --help` lists them")
            })?;
        range.fabrics = vec![class];
    }
    if let Some(quality) = arguments.quality {
        range.jpeg_quality = [f64::from(quality.clamp(1, 100)); 2];
    }
    let advance = Advance {
        bias_mm: length_or("gap-error", &arguments.gap_error, 0.8)?,
        right_minus_left_mm: length_or("lean", &arguments.lean, 0.8)?,
        ..Advance::default()
    };
    if let Some(path) = &arguments.picture {
        written_as("--picture", path, &["svg"])?;
    }
    if arguments.numbers {
        return play_numbers(arguments, &plan, advance);
    }
    let rows = if arguments.finished {
        plan.rows
    } else {
        arguments.rows.unwrap_or(plan.rows.min(USUAL_ROWS))
    };
    let practice = PracticeQuilt {
        rows,
        ..PracticeQuilt::from_plan(&plan, arguments.seed, advance)
    };
    let output = arguments
        .output
        .clone()
        .unwrap_or_else(|| arguments.folder.join("practice"));
    std::fs::create_dir_all(&output)
        .with_context(|| format!("the folder {} cannot be made", output.display()))?;
    if arguments.finished {
        return draw_finished(arguments, &practice, &design, range, &output);
    }
    let scenes = rehearse_quilt(&practice, arguments.seed, &range);
    let drawn: Vec<(String, Scene)> = (1..)
        .zip(scenes)
        .flat_map(|(row, scene)| photos_of(row, scene, arguments.photos, &range))
        .collect();
    spare(&output, drawn.iter().map(|(stem, _)| stem.as_str()))?;
    let progress = ProgressBar::new(drawn.len() as u64);
    for (stem, scene) in &drawn {
        let rehearsed = render(scene, &design);
        let (photo, _) = write(&output, stem, &rehearsed)?;
        progress.suspend(|| say(&line(&photo.display().to_string(), &rehearsed.truth, &plan)));
        progress.inc(1);
    }
    progress.finish_and_clear();
    hint("The truth lies beside each photo; measure them in order with `rowsight snap`.");
    Ok(Outcome::Fine)
}

/// A photo without its truth beside it was not drawn here, and is never written over.
fn spare<'a>(folder: &Path, mut stems: impl Iterator<Item = &'a str>) -> anyhow::Result<()> {
    let real = stems.find(|stem| {
        folder.join(format!("{stem}.jpg")).exists()
            && !folder.join(format!("{stem}.truth.json")).exists()
    });
    match real {
        Some(stem) => anyhow::bail!(
            "{} is there already and is no practice photo; name another folder with --output",
            folder.join(format!("{stem}.jpg")).display()
        ),
        None => Ok(()),
    }
}

/// The finished quilt of a plan in its photos, and one truth for all of them beside.
fn draw_finished(
    arguments: &RehearseArguments,
    practice: &PracticeQuilt,
    design: &Design,
    range: SceneRange,
    output: &Path,
) -> anyhow::Result<Outcome> {
    let range = FinishedRange::new(range);
    let scenes = finished_quilt(practice, arguments.photos, arguments.seed, &range);
    let stems: Vec<String> = (1..=scenes.len())
        .map(|n| format!("finished-{n:02}"))
        .collect();
    spare(output, stems.iter().map(String::as_str))?;
    let progress = ProgressBar::new(scenes.len() as u64);
    for (stem, scene) in stems.iter().zip(&scenes) {
        let (photo, _) = write(output, stem, &render(scene, design))?;
        progress.suspend(|| say(&format!("{}\n", photo.display())));
        progress.inc(1);
    }
    progress.finish_and_clear();
    let truth = scenes.first().map(|scene| whole_truth(scene, design));
    let path = output.join("finished.truth.json");
    write_whole(&path, &serde_json::to_vec_pretty(&truth)?)
        .with_context(|| format!("{} cannot be written", path.display()))?;
    hint(&format!(
        "The truth of the whole quilt is in {}; measure the photos with `rowsight batch {} --finished {}/finished-*.jpg`.",
        path.display(),
        argument(&arguments.folder),
        argument(output)
    ));
    Ok(Outcome::Fine)
}

/// One photo of a row as it came, or several side by side, with their file names' stems.
fn photos_of(row: u32, scene: Scene, photos: u32, range: &SceneRange) -> Vec<(String, Scene)> {
    let names: Vec<String> = match photos {
        1 => return vec![(format!("row-{row:02}"), scene)],
        3 => ["left", "centre", "right"].map(str::to_owned).to_vec(),
        _ => (1..=photos).map(|n| n.to_string()).collect(),
    };
    names
        .iter()
        .map(|name| format!("row-{row:02}-{name}"))
        .zip(scene.several(photos, range))
        .collect()
}

fn length_or(name: &str, text: &Option<String>, or_mm: f64) -> anyhow::Result<f64> {
    match text {
        None => Ok(or_mm),
        Some(text) => parse_length(text)
            .map(|mm| mm.0)
            .map_err(|e| anyhow!("--{name}: {e}")),
    }
}

/// Uncertainty of a gap in the middle that a photo usually gives, mm (the practice photos' RMS error).
const USUAL_U_MM: f64 = 0.35;

fn play_numbers(
    arguments: &RehearseArguments,
    plan: &Plan,
    advance: Advance,
) -> anyhow::Result<Outcome> {
    let advance = Advance {
        scatter_mm: length_or("scatter", &arguments.scatter, 1.0)?,
        ..advance
    };
    let changed_mm = length_or("change-error", &arguments.change_error, 0.0)?;
    let quilter = Quilter {
        advance,
        growth_mm: length_or("growth", &arguments.growth, 0.0)?,
        change: arguments.change_row.map(|row| {
            let bias_mm = changed_mm;
            (row, Advance { bias_mm, ..advance })
        }),
        measurement_u_mm: USUAL_U_MM,
        step_mm: None,
        may_show: false,
        policy: match arguments.ignore_advice {
            true => Policy::Never,
            false => Policy::Advice { squares: true },
        },
    };
    let rows = play(plan, &quilter, arguments.seed);
    let folder = arguments
        .output
        .clone()
        .unwrap_or_else(|| arguments.folder.join("practice"));
    // A quilt that is there is never written over.
    let taken = [crate::journal::FILE_NAME, crate::plan::file::FILE_NAME];
    if let Some(name) = taken.iter().find(|name| folder.join(name).exists()) {
        anyhow::bail!(
            "{} has a {name} already; name another folder with --output",
            folder.display()
        );
    }
    std::fs::create_dir_all(&folder)
        .with_context(|| format!("the folder {} cannot be made", folder.display()))?;
    std::fs::copy(
        arguments.folder.join(&plan.design_file),
        folder.join(&plan.design_file),
    )
    .with_context(|| format!("the design cannot be copied into {}", folder.display()))?;
    crate::plan::file::write(&folder, plan)?;
    let mut journal = Journal::open(&folder)?;
    let text = to_toml(plan);
    let nothing = Fingerprint {
        samples_per_repeat: 0,
        hundredths_mm: Vec::new(),
    };
    for record in records(plan, &quilter, &rows) {
        journal.save(&NewCheck {
            row: record.rows.last().map_or(1, |r| r.row),
            record: &record,
            fingerprint: &nothing,
            photos: &[],
            plan: &text,
        })?;
    }
    if arguments.ignore_advice {
        let (row, name, value) = (1, "trim".to_owned(), "no".to_owned());
        journal.add_habit(&Habit { row, name, value })?;
    }
    if let Some(path) = &arguments.picture {
        let title = match arguments.ignore_advice {
            true => "The advice ignored",
            false => "The advice followed",
        };
        super::plan::not_the_design(path, &arguments.folder, plan)?;
        write_whole(path, played_picture(plan, &rows, title).as_bytes())
            .with_context(|| format!("{} cannot be written", path.display()))?;
    }
    let last = rows.last().map_or([0.0; 3], |r| r.drift);
    let [left, centre, right] = to_places(last).map(|mm| signed(mm, plan.unit));
    say(&format!(
        "The last row lies off its place by {left} at the left, {centre} in the middle and {right} at the right ({}).\n",
        unit_name(plan.unit)
    ));
    let where_to = argument(&folder);
    hint(&format!(
        "Look at it with `rowsight log {where_to}`, `rowsight forecast {where_to}` and `rowsight tune {where_to}`."
    ));
    Ok(Outcome::Fine)
}

fn line(path: &str, truth: &Truth, plan: &Plan) -> String {
    let gap = truth.gaps.last().map_or_else(String::new, |gap| {
        let at: Vec<String> = gap
            .spacing
            .iter()
            .map(|s| length(s.stitched_mm, plan.unit))
            .collect();
        format!(", true gap {}", at.join(" / "))
    });
    let row = truth.rows.last().map_or(0, |r| r.row);
    format!("{path}: row {row}{gap}\n")
}
