//! `rowsight plan`

use super::tune::gather;
use super::{Outcome, hint, say, written_as};
use crate::design::import::{Imported, read as read_design, to_svg};
use crate::design::{Design, demo};
use crate::journal::Journal;
use crate::learn::earlier::EarlierQuilt;
use crate::learn::roll::{self, Roll};
use crate::learn::state::QuiltState;
use crate::plan::file::{self, PlanRequest};
use crate::plan::picture::picture;
use crate::plan::{Plan, Tolerance};
use crate::report::Style;
use crate::shell::argument;
use crate::units::{LengthUnit, parse_positive_length};
use crate::verdict::words::{advance_comes_out, length};
use crate::whole_file::write_whole;
use anyhow::{Context, anyhow, bail};
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};

/// Describe a quilt: its size, its design, where the rows are to fall
///
/// Without options it shows the plan that is there. With options it makes one, or changes those.
///
/// Example: rowsight plan harvest --width 84in --length 96in --design meander.svg --repeat 10in
/// --spacing 6in --stagger 0.5 --card-bar 149.6mm
#[derive(Args)]
pub struct PlanArguments {
    /// Folder of the quilt; made when it is not there
    folder: PathBuf,
    /// Width of the quilt across the frame, like 84in, 84 1/2", 7ft or 2.13m
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    width: Option<String>,
    /// Length of the quilt from its first to its last edge
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    length: Option<String>,
    /// Design as SVG or DXF, or the name of a practice design: ripple, meander, loops, petals
    #[arg(long, value_name = "FILE")]
    design: Option<String>,
    /// Measure without a design: rows are held against each other alone, so only gaps, skew, bow and shift from row to
    /// row are known
    #[arg(long, conflicts_with = "design")]
    no_design: bool,
    /// Length of one repeat along the row; the design's own size, or found in the photos, when left out
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    repeat: Option<String>,
    /// Distance from one row to the next
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    spacing: Option<String>,
    /// How far each row's design is moved against the row before, as a share of the repeat [default: 0]
    #[arg(long, value_name = "SHARE", value_parser = super::share, allow_hyphen_values = true)]
    stagger: Option<f64>,
    /// Number of rows [default: as many as fit]
    #[arg(long, value_name = "COUNT", value_parser = super::whole_number, allow_hyphen_values = true)]
    rows: Option<u32>,
    /// Middle of the first row below the first edge [default: rows centred on the quilt]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    first_row: Option<String>,
    /// What a ruler reads on the printed 150 mm check bar [default: 150mm]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    card_bar: Option<String>,
    /// How much a gap may be off the spacing [default: 1/8 in]
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    tolerance: Option<String>,
    /// Diameter of the bare take-up bar
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    roll_bar: Option<String>,
    /// Thickness of one layer of the quilt as rolled up under tension
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    loft: Option<String>,
    /// Depth of the machine's throat with nothing rolled up
    #[arg(long, value_name = "LENGTH", allow_hyphen_values = true)]
    depth: Option<String>,
    /// Your own earlier quilts, one or several folders: the advice then starts from how your advance went on
    /// them, and not from what is usual. Name quilts that you made on this frame, yourself; another frame, other
    /// batting or another person's hand may go otherwise, and then a few rows tell. What was taken in before is
    /// replaced; to do without, delete its lines at the end of plan.toml
    #[arg(long, value_name = "FOLDER", num_args = 1..)]
    earlier: Vec<PathBuf>,
    /// Show lengths in inches or millimetres [default: as the width is written]
    #[arg(long, value_enum)]
    unit: Option<UnitName>,
    /// Draw the plan: quilt, rows and their numbers, as SVG
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
}

#[derive(Clone, Copy, ValueEnum)]
pub(super) enum UnitName {
    In,
    Mm,
}

/// Reads the plan of a folder and its design, where it has one.
pub fn load(folder: &Path) -> anyhow::Result<(Plan, Option<Design>)> {
    let plan = file::read(folder)?;
    if !plan.has_design() {
        return Ok((plan, None));
    }
    let path = folder.join(&plan.design_file);
    let imported = read_design(&path, Some(plan.repeat_mm))
        .map_err(|(path, e)| anyhow!("the design {}: {e}", path.display()))?;
    Ok((plan, Some(imported.design)))
}

/// The quilt's folder stands before its photos; `command` is where, such as `snap`.
pub fn folder_first(command: &str, folder: &Path, photos: &[PathBuf]) -> anyhow::Result<()> {
    let is_quilt = |path: &Path| path.join(file::FILE_NAME).is_file();
    if let Some(quilt) = photos.iter().find(|p| is_quilt(p) && !is_quilt(folder)) {
        bail!(
            "{} is a quilt's folder, and that has to come first, then its photos, as in `rowsight {command} {} {}`",
            quilt.display(),
            argument(quilt),
            argument(folder)
        );
    }
    Ok(())
}

/// Reads the plan of a folder and its design.
///
/// # Errors
///
/// Also when the plan has no design.
pub fn load_with_design(folder: &Path) -> anyhow::Result<(Plan, Design)> {
    let (plan, design) = load(folder)?;
    let design = design.ok_or_else(|| {
        anyhow!(
            "the plan of {} has no design, which this needs; give one with `rowsight plan {} --design FILE --repeat LENGTH`",
            folder.display(),
            argument(folder)
        )
    })?;
    Ok((plan, design))
}

pub fn run(arguments: &PlanArguments, style: Style) -> anyhow::Result<Outcome> {
    let _ = style;
    let folder = &arguments.folder;
    let changes = [
        &arguments.width,
        &arguments.length,
        &arguments.design,
        &arguments.repeat,
        &arguments.spacing,
        &arguments.first_row,
        &arguments.card_bar,
        &arguments.tolerance,
        &arguments.roll_bar,
        &arguments.loft,
        &arguments.depth,
    ]
    .iter()
    .any(|a| a.is_some())
        || arguments.stagger.is_some()
        || arguments.rows.is_some()
        || arguments.unit.is_some()
        || arguments.no_design
        || !arguments.earlier.is_empty();
    if let Some(path) = &arguments.picture {
        written_as("--picture", path, &["svg"])?;
    }
    let outcome = match changes {
        true => make(arguments)?,
        false => Outcome::Fine,
    };
    let (plan, design) = load(folder)?;
    if let Some(path) = &arguments.picture {
        not_the_design(path, folder, &plan)?;
        write_whole(path, picture(&plan, design.as_ref()).as_bytes())
            .with_context(|| format!("{} cannot be written", path.display()))?;
        hint(&format!("Drew the plan into {}.", path.display()));
    }
    say(&describe(&plan, design.as_ref()));
    if changes {
        hint(&format!(
            "Saved {}; it has comments and may be edited by hand.",
            folder.join(file::FILE_NAME).display()
        ));
    }
    Ok(outcome)
}

fn given(name: &str, text: &Option<String>) -> anyhow::Result<Option<f64>> {
    text.as_ref()
        .map(|t| {
            parse_positive_length(t)
                .map(|mm| mm.0)
                .map_err(|e| anyhow!("--{name}: {e}"))
        })
        .transpose()
}

/// A picture must not take the place of the quilt's design.
pub(super) fn not_the_design(path: &Path, folder: &Path, plan: &Plan) -> anyhow::Result<()> {
    let whole = |path: &Path| std::fs::canonicalize(path).ok();
    let design = whole(&folder.join(&plan.design_file));
    anyhow::ensure!(
        !plan.has_design() || design.is_none() || whole(path) != design,
        "--picture {}: that is the quilt's design; give the picture another name",
        path.display()
    );
    Ok(())
}

fn make(arguments: &PlanArguments) -> anyhow::Result<Outcome> {
    let folder = &arguments.folder;
    let old = match file::read(folder) {
        Ok(plan) => Some(plan),
        Err(file::PlanError::Missing { .. }) => None,
        Err(other) => return Err(other.into()),
    };
    let needed = |name: &str, given: Option<f64>, old: Option<f64>| {
        given.or(old).ok_or_else(|| {
            anyhow!("a new plan needs --{name}; `rowsight plan --help` has an example")
        })
    };
    let unit = match (arguments.unit, &arguments.width, &old) {
        (Some(UnitName::In), ..) => LengthUnit::Inch,
        (Some(UnitName::Mm), ..) => LengthUnit::Millimetre,
        (None, _, Some(old)) => old.unit,
        (None, Some(width), None) if width.trim_end().ends_with('m') => LengthUnit::Millimetre,
        _ => LengthUnit::Inch,
    };
    let width_mm = needed(
        "width",
        given("width", &arguments.width)?,
        old.as_ref().map(|o| o.width_mm),
    )?;
    let length_mm = needed(
        "length",
        given("length", &arguments.length)?,
        old.as_ref().map(|o| o.length_mm),
    )?;
    let spacing_mm = needed(
        "spacing",
        given("spacing", &arguments.spacing)?,
        old.as_ref().map(|o| o.spacing_mm),
    )?;
    let repeat = given("repeat", &arguments.repeat)?;
    let tolerance_mm = given("tolerance", &arguments.tolerance)?;

    // The design first: without what is asked for there is no plan, and nothing is written.
    let asked = asked_design(arguments, old.as_ref(), repeat)?;
    for note in asked.read.iter().flat_map(|read| &read.notes) {
        hint(note);
    }
    let old_tolerance = old
        .as_ref()
        .map_or_else(Tolerance::default, |o| o.tolerance);
    let tolerance = Tolerance {
        spacing_mm: tolerance_mm.unwrap_or(old_tolerance.spacing_mm),
        ..old_tolerance
    };
    let old_roll = old.as_ref().map_or_else(Roll::default, |o| o.roll);
    let roll = Roll {
        bar_mm: given("roll-bar", &arguments.roll_bar)?.or(old_roll.bar_mm),
        loft_mm: given("loft", &arguments.loft)?.or(old_roll.loft_mm),
        depth_mm: given("depth", &arguments.depth)?.or(old_roll.depth_mm),
    };
    // Rows are counted anew when what they depend on changes.
    let layout_stays = arguments.length.is_none()
        && arguments.spacing.is_none()
        && arguments.design.is_none()
        && !arguments.no_design;
    // A row that is stitched stays where it is.
    let is_begun = match Journal::open_to_read(folder)? {
        Some(journal) => journal.newest_row()?.is_some(),
        None => false,
    };
    let design = asked.read.as_ref().map(|read| &read.design);
    let request = PlanRequest {
        unit,
        width_mm,
        length_mm,
        design_file: asked.file.clone(),
        repeat_mm: match (design, repeat) {
            (Some(design), _) => design.repeat_mm,
            (None, Some(repeat)) => repeat,
            // A repeat that was told for another design says nothing.
            (None, None) => old
                .as_ref()
                .filter(|o| !o.has_design())
                .map_or(0.0, |o| o.repeat_mm),
        },
        // A row of which nothing is known takes up all of its gap.
        design_height_mm: design.map_or(spacing_mm, Design::height_mm),
        spacing_mm,
        stagger: arguments
            .stagger
            .or(old.as_ref().map(|o| o.stagger))
            .unwrap_or(0.0),
        rows: arguments
            .rows
            .or(old.as_ref().filter(|_| layout_stays).map(|o| o.rows)),
        first_row_mm: given("first-row", &arguments.first_row)?.or(old
            .as_ref()
            .filter(|_| (layout_stays && arguments.rows.is_none()) || is_begun)
            .map(|o| o.first_row_mm)),
        card_bar_mm: given("card-bar", &arguments.card_bar)?
            .or(old.as_ref().map(|o| o.card_bar_mm))
            .unwrap_or(150.0),
        tolerance,
        roll,
    };
    let mut plan = request.plan()?;
    let mut outcome = Outcome::Fine;
    plan.earlier = old.as_ref().map_or_else(Vec::new, |o| o.earlier.clone());
    if !arguments.earlier.is_empty() {
        (plan.earlier, outcome) = earlier_quilts(folder, &arguments.earlier)?;
    }
    if arguments.card_bar.is_none() && old.is_none() {
        hint(
            "The check bar on your cards is taken as exactly 150 mm; lay a ruler on it and give what it reads as --card-bar.",
        );
    }
    std::fs::create_dir_all(folder)
        .with_context(|| format!("the folder {} cannot be made", folder.display()))?;
    if let Some(bytes) = asked.bytes {
        let path = folder.join(&asked.file);
        write_whole(&path, &bytes)
            .with_context(|| format!("{} cannot be written", path.display()))?;
    }
    file::write(folder, &plan)?;
    Ok(outcome)
}

/// What the journals of earlier quilts show; the quilt itself is none of them.
fn earlier_quilts(
    folder: &Path,
    named: &[PathBuf],
) -> anyhow::Result<(Vec<EarlierQuilt>, Outcome)> {
    let real = |path: &Path| path.canonicalize().ok();
    let itself = real(folder);
    let (own, others): (Vec<PathBuf>, Vec<PathBuf>) =
        (named.iter().cloned()).partition(|path| itself.is_some() && real(path) == itself);
    if !own.is_empty() {
        hint(&format!(
            "{} itself is left out: its own rows count anyway.",
            folder.display()
        ));
    }
    let gathered = gather(&others);
    let earlier = gathered.history.as_earlier();
    if earlier.is_empty() {
        bail!(
            "--earlier: no advance was measured in any of these folders; name quilts of which rows were checked with `rowsight snap`"
        );
    }
    let unmeasured = gathered.history.quilts.len() - earlier.len();
    if unmeasured > 0 {
        hint(&match unmeasured {
            1 => {
                "One quilt says nothing: no advance was measured on it, or none that can be right."
                    .to_owned()
            }
            n => format!(
                "{n} quilts say nothing: no advance was measured on them, or none that can be right."
            ),
        });
    }
    let outcome = match gathered.failed {
        true => Outcome::Failed,
        false => Outcome::Fine,
    };
    Ok((earlier, outcome))
}

/// The design asked for.
struct AskedDesign {
    /// Its file's name in the quilt's folder; empty for none.
    file: String,
    /// What is to be written there, where it is not there yet.
    bytes: Option<Vec<u8>>,
    /// The design as read; `None` for none.
    read: Option<Imported>,
}

fn asked_design(
    arguments: &PlanArguments,
    old: Option<&Plan>,
    repeat: Option<f64>,
) -> anyhow::Result<AskedDesign> {
    let folder = &arguments.folder;
    let cannot = |(path, e): (PathBuf, crate::design::import::DesignError)| {
        anyhow!("the design {}: {e}", path.display())
    };
    let asked = |file: String, bytes, read| AskedDesign {
        file,
        bytes,
        read: Some(read),
    };
    let name = match (&arguments.design, old) {
        (Some(name), _) => name,
        (None, Some(old)) if old.has_design() && !arguments.no_design => {
            let path = folder.join(&old.design_file);
            let read = read_design(&path, Some(repeat.unwrap_or(old.repeat_mm))).map_err(cannot)?;
            return Ok(asked(old.design_file.clone(), None, read));
        }
        (None, None) if !arguments.no_design => bail!(
            "a new plan needs --design, or --no-design to measure without one; `rowsight plan --help` has an example"
        ),
        (None, _) => {
            return Ok(AskedDesign {
                file: String::new(),
                bytes: None,
                read: None,
            });
        }
    };
    let repeat_mm = repeat.unwrap_or(254.0);
    if let Some(design) = demo::by_name(name, repeat_mm, repeat_mm * 0.45) {
        let svg = to_svg(&design);
        let read = crate::design::import::decode(svg.as_bytes(), repeat)
            .map_err(|e| anyhow!("the design {name}: {e}"))?;
        return Ok(asked(format!("{name}.svg"), Some(svg.into_bytes()), read));
    }
    let path = Path::new(name);
    if !path.exists() {
        bail!(
            "--design {name}: there is no such file; check the name, or name a practice design: {}",
            demo::NAMES.join(", ")
        );
    }
    let read = read_design(path, repeat).map_err(cannot)?;
    let file = path
        .file_name()
        .map(|f| f.to_string_lossy().into_owned())
        .ok_or_else(|| anyhow!("{name} names no file"))?;
    let same = folder.join(&file).canonicalize().ok() == path.canonicalize().ok();
    let bytes = match same {
        true => None,
        false => Some(std::fs::read(path)?),
    };
    Ok(asked(file, bytes, read))
}

fn describe(plan: &Plan, design: Option<&Design>) -> String {
    let show = |mm: f64| length(mm, plan.unit);
    let last = plan.baseline_mm(plan.rows);
    let mut text = format!(
        "Quilt {} wide, {} long\n\
         Rows {}, {} from one to the next, stagger {}\n",
        show(plan.width_mm),
        show(plan.length_mm),
        plan.rows,
        show(plan.spacing_mm),
        plan.stagger,
    );
    text += &match design {
        Some(design) => {
            let half = design.height_mm() / 2.0;
            format!(
                "Design {}: repeat {}, height {}\n\
                 First row {} below the edge; design starts {} below it and ends {} above the last edge\n",
                plan.design_file,
                show(plan.repeat_mm),
                show(design.height_mm()),
                show(plan.first_row_mm),
                show(plan.first_row_mm - half),
                show(plan.length_mm - last - half),
            )
        }
        None => format!(
            "No design{}: rows are measured against each other alone\n\
             First row {} below the edge, the last one {} above the last edge\n",
            plan.told_repeat_mm()
                .map_or_else(String::new, |mm| format!(", repeat {}", show(mm))),
            show(plan.first_row_mm),
            show(plan.length_mm - last),
        ),
    };
    text += &format!(
        "Check bar on the cards {}\n\
         Tolerance: gap {}, drift {}, skew {} mm/m, bow {}\n",
        length(plan.card_bar_mm, LengthUnit::Millimetre),
        show(plan.tolerance.spacing_mm),
        show(plan.tolerance.drift_mm),
        plan.tolerance.skew_mm_per_m,
        show(plan.tolerance.bow_mm),
    );
    text += &describe_earlier(plan);
    let Some(design) = design else {
        return text;
    };
    text += &describe_roll(plan, design);
    let clearance = crate::row::missed::planned_clearance_mm(design, plan.spacing_mm, plan.stagger);
    if let Some(clearance) = clearance {
        if clearance < 0.0 {
            text += &format!(
                "Neighbouring rows cross by {}; take a larger spacing if that is not meant\n",
                show(-clearance)
            );
        } else {
            text += &format!("Neighbouring rows come as near as {}\n", show(clearance));
        }
    }
    text
}

/// What the advice starts from, when it is the quilter's own.
fn describe_earlier(plan: &Plan) -> String {
    if plan.earlier.is_empty() {
        return String::new();
    }
    let advances = match plan.earlier.iter().map(|quilt| quilt.advances).sum::<u32>() {
        1 => "1 advance".to_owned(),
        n => format!("{n} advances"),
    };
    let quilts = match plan.earlier.len() {
        1 => "One earlier quilt".to_owned(),
        n => format!("{n} earlier quilts"),
    };
    let bias = QuiltState::of(plan, &[], plan.width_mm / 2.0).bias_mm();
    format!(
        "{quilts}, {advances}: an advance of yours {}; the advice starts from that\n",
        advance_comes_out(bias.map(|b| b.value), plan.unit),
    )
}

/// What the take-up roll leaves at the first, middle and last row.
fn describe_roll(plan: &Plan, design: &Design) -> String {
    let show = |mm: f64| length(mm, plan.unit);
    let Some(rows) = roll::at_rows(plan, design.height_mm()) else {
        return String::new();
    };
    let mut text = String::new();
    let mut shown = vec![1, plan.rows.div_ceil(2), plan.rows];
    shown.dedup();
    for at in rows.iter().filter(|r| shown.contains(&r.row)) {
        let free = at
            .free_mm
            .map_or_else(String::new, |mm| format!(", leaves {} of depth", show(mm)));
        text += &format!(
            "Roll at row {}: {} across{free}; one turn moves the quilt {}\n",
            at.row,
            show(at.diameter_mm),
            show(at.turn_mm),
        );
    }
    match roll::greatest_height_mm(&rows) {
        None => {
            text += "Give --depth as well to see whether the design still fits at the last row\n"
        }
        Some(most) if most >= design.height_mm() => {
            text += &format!(
                "The design fits to the end: it is {} high, and up to {} would fit\n",
                show(design.height_mm()),
                show(most)
            );
        }
        Some(most) => {
            let fits = rows
                .iter()
                .take_while(|r| r.free_mm.is_some_and(|f| f >= design.height_mm()))
                .count();
            text += &format!(
                "The design does not fit to the end: it is {} high and fits to row {fits} of {}; at the last \
                 row {} is left. Take a lower design, or roll from the other end for the rest\n",
                show(design.height_mm()),
                plan.rows,
                show(most.max(0.0)),
            );
        }
    }
    text
}
