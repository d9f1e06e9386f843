//! `rowsight tune`

use super::note::{ROLL, TRIM, in_force, value_at};
use super::report::name;
use super::{Outcome, complain, hint, say, written_as};
use crate::gap::{places, spacing_across};
use crate::journal::{self, Habit, JournalError, SavedGap};
use crate::learn::roll;
use crate::learn::state::{self, Advance};
use crate::learn::tune::{AdvanceError, History, LEAST_ADVANCES, tune};
use crate::plan::Plan;
use crate::plan::file::PlanError;
use crate::record::Action;
use crate::report::log::Standing;
use crate::report::tune::{details, page, summary};
use crate::report::{Style, wrap};
use crate::shell::argument;
use crate::units::LengthUnit;
use crate::whole_file::write_whole;
use anyhow::{Context, bail};
use clap::Args;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What does my advance do, and what helps?
///
/// Learns from the journals of one or many quilts: how far past or before the mark you stop, whether one
/// end goes further, what to aim off from now on, and what each noted habit does.
///
/// Example: rowsight tune harvest ~/quilts/*
#[derive(Args)]
pub struct TuneArguments {
    /// Folders of quilts, in the order they were made
    #[arg(required = true, value_name = "FOLDER")]
    folders: Vec<PathBuf>,
    /// Show all the statistics after the summary
    #[arg(long)]
    details: bool,
    /// Write a page with charts, as one HTML file
    #[arg(long, value_name = "FILE")]
    page: Option<PathBuf>,
}

/// What is believed of a bias before anything is measured, mm; see [`state::Prior`].
const BIAS_SD_MM: f64 = 1.5;

/// One quilt's advances.
struct QuiltAdvances {
    plan: Plan,
    advances: Vec<AdvanceError>,
    repeats: Vec<Vec<f64>>,
}

enum Unusable {
    /// No plan there, so it is no quilt.
    NoQuilt,
    /// It is a quilt and cannot be read.
    Failed(String),
}

pub fn run(arguments: &TuneArguments, style: Style) -> anyhow::Result<Outcome> {
    if let Some(path) = &arguments.page {
        written_as("--page", path, &["html", "htm"])?;
    }
    let Gathered {
        history,
        unit,
        mixed,
        failed,
    } = gather(&arguments.folders);
    let Some(unit) = unit else {
        if failed {
            return Ok(Outcome::Failed);
        }
        bail!("none of the folders is a quilt; name folders that `rowsight plan` made");
    };
    if mixed {
        hint(&format!(
            "Quilts in inches and in mm are taken together; shown in {}, the unit of the first.",
            match unit {
                LengthUnit::Inch => "inches",
                LengthUnit::Millimetre => "mm",
            }
        ));
    }
    let outcome = if failed {
        Outcome::Failed
    } else {
        Outcome::Fine
    };
    let Some(tuning) = tune(&history, BIAS_SD_MM) else {
        say(&wrap(
            &format!(
                "{} measured so far; with {LEAST_ADVANCES} or more there is something to say. \
                 Check every row with `rowsight snap`.",
                match history.advances.len() {
                    1 => "1 advance".to_owned(),
                    n => format!("{n} advances"),
                }
            ),
            "",
            style.width,
        ));
        if let Some(path) = &arguments.page {
            hint(&format!("{} was not written.", path.display()));
        }
        return Ok(outcome);
    };
    say(&summary(&history, &tuning, unit, style));
    if arguments.details {
        say(&details(&history, &tuning, unit, style));
    }
    if let Some(path) = &arguments.page {
        write_whole(path, page(&history, &tuning, unit).as_bytes())
            .with_context(|| format!("{} cannot be written", path.display()))?;
        hint(&format!("Wrote {}.", path.display()));
    }
    if !failed {
        hint(
            "Instead of aiming off by yourself, let the advice of a new quilt start from this: `rowsight plan NEW-QUILT --earlier` and the folders named here.",
        );
    }
    Ok(outcome)
}

/// What the journals of some quilts say.
pub(super) struct Gathered {
    /// All that was measured.
    pub history: History,
    /// Unit of the first quilt; `None` when no folder is a quilt.
    unit: Option<LengthUnit>,
    /// Whether others are in another unit.
    mixed: bool,
    /// Whether a quilt could not be read; it was named.
    pub failed: bool,
}

/// Reads quilts' journals, an advance that stands out of its quilt's others left out. What cannot be read is named, what
/// has no plan is counted.
pub(super) fn gather(folders: &[PathBuf]) -> Gathered {
    // `rowsight tune harvest ~/quilts/*` may name one quilt twice; its advances count once.
    let mut seen = BTreeSet::new();
    let folders: Vec<&PathBuf> = (folders.iter())
        .filter(|f| seen.insert(f.canonicalize().unwrap_or_else(|_| f.to_path_buf())))
        .collect();
    let read: Vec<Result<QuiltAdvances, Unusable>> =
        folders.par_iter().map(|folder| read(folder)).collect();
    let mut history = History::default();
    let mut unit = None;
    let mut mixed = false;
    let (mut skipped, mut failed) = (0, false);
    for (folder, quilt) in folders.into_iter().zip(read) {
        match quilt {
            Ok(quilt) => {
                let number = history.quilts.len();
                mixed |= unit.is_some_and(|unit| unit != quilt.plan.unit);
                unit = unit.or(Some(quilt.plan.unit));
                history.quilts.push(name(folder));
                history.repeats.extend(quilt.repeats);
                history.advances.extend(
                    quilt
                        .advances
                        .into_iter()
                        .map(|a| AdvanceError { quilt: number, ..a }),
                );
            }
            Err(Unusable::NoQuilt) => skipped += 1,
            Err(Unusable::Failed(why)) => {
                complain(&why);
                failed = true;
            }
        }
    }
    if skipped > 0 {
        hint(&match skipped {
            1 => "One of those named has no plan and was passed over.".to_owned(),
            n => format!("{n} of those named have no plan and were passed over."),
        });
    }
    Gathered {
        history: history.without_outliers(),
        unit,
        mixed,
        failed,
    }
}

fn read(folder: &Path) -> Result<QuiltAdvances, Unusable> {
    let plan = match crate::plan::file::read(folder) {
        Ok(plan) => plan,
        // `~/quilts/*` names files too.
        Err(PlanError::Missing { .. } | PlanError::NoFolder { .. }) => {
            return Err(Unusable::NoQuilt);
        }
        Err(e) => return Err(Unusable::Failed(format!("{}: {e}", folder.display()))),
    };
    if !folder.join(journal::FILE_NAME).exists() {
        return Ok(QuiltAdvances {
            plan,
            advances: Vec::new(),
            repeats: Vec::new(),
        });
    }
    match journal::read_gaps(folder) {
        Ok((gaps, habits)) => Ok(advances(plan, &gaps, &habits)),
        Err(JournalError::Damaged { path }) => Err(Unusable::Failed(format!(
            "{} is damaged and was left out; {} of its checks can still be read, `rowsight log {} --repair` \
             saves them and keeps a copy of the old file",
            path.display(),
            journal::readable_checks(folder),
            argument(folder),
        ))),
        Err(e) => Err(Unusable::Failed(e.to_string())),
    }
}

/// The errors of one quilt's advances. Gaps are taken at the places they were seen at.
fn advances(plan: Plan, gaps: &[SavedGap], habits: &[Habit]) -> QuiltAdvances {
    let habits = in_force(habits);
    let none: Arc<BTreeMap<String, String>> = Arc::default();
    let mut trims: BTreeMap<u32, [f64; 3]> = BTreeMap::new();
    let mut measured: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
    let mut errors = Vec::new();
    for saved in gaps.iter().filter(|g| g.action != Action::Retake) {
        let to_row = saved.row;
        let current = saved.standing == Standing::Current;
        if let (true, Some(trim)) = (current, saved.next_advance_mm)
            && value_at(&habits, TRIM, to_row + 1) != Some("no")
        {
            trims.insert(to_row + 1, [trim.left, trim.centre, trim.right]);
        }
        let Some((gap, [left, _, right])) = saved.gap.as_ref().and_then(|g| Some((g, places(g)?)))
        else {
            continue;
        };
        let Some(places) = spacing_across(gap, 0.0) else {
            continue;
        };
        let deviation_mm = places.map(|p| p.value - plan.spacing_mm);
        if !deviation_mm.iter().all(|d| d.is_finite()) {
            continue;
        }
        measured.entry(to_row).or_default().push(deviation_mm[1]);
        if !current {
            continue;
        }
        let diameter_mm = plan
            .roll
            .bar_mm
            .zip(plan.roll.loft_mm)
            .map(|(bar, loft)| roll::diameter_mm(bar, loft, plan.baseline_mm(to_row)));
        errors.push(AdvanceError {
            quilt: 0,
            to_row,
            deviation_mm,
            trim_mm: trims.get(&to_row).copied().unwrap_or_default(),
            u_mm: places.map(|p| p.u),
            skew_u_mm_per_m: gap.skew_mm_per_m.u,
            half_width_mm: (right.x_mm - left.x_mm) / 2.0,
            diameter_mm,
            habits: at(&habits, to_row, &none),
        });
    }
    if !followed(&errors) {
        for error in &mut errors {
            error.trim_mm = [0.0; 3];
        }
    }
    QuiltAdvances {
        plan,
        advances: errors,
        repeats: measured.into_values().filter(|m| m.len() > 1).collect(),
    }
}

/// Whether the gaps look as if the advised trims had been rolled; the filter's judgement.
fn followed(errors: &[AdvanceError]) -> bool {
    if errors.iter().all(|e| e.trim_mm == [0.0; 3]) {
        return true;
    }
    let advances: Vec<Advance> = errors
        .iter()
        .map(|e| Advance {
            to_row: e.to_row,
            deviation_mm: Some(e.deviation_mm),
            // The ends' errors are a turn and a shift of like size: half of the ends' u is the lean's.
            u_mm: [
                e.u_mm[1],
                f64::midpoint(e.u_mm[0], e.u_mm[2]) / 2.0,
                e.u_mm[1],
            ],
            trim_mm: e.trim_mm,
            squared: false,
        })
        .collect();
    state::followed(&advances)
}

/// The habits that hold for the advance to a row.
fn at(
    habits: &[Habit],
    row: u32,
    none: &Arc<BTreeMap<String, String>>,
) -> Arc<BTreeMap<String, String>> {
    if habits.is_empty() {
        return none.clone();
    }
    let hold = habits
        .iter()
        .filter(|h| h.row <= row && h.name != TRIM && h.name != ROLL);
    // Later ones take the place of earlier ones.
    Arc::new(hold.map(|h| (h.name.clone(), h.value.clone())).collect())
}
