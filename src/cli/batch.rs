//! `rowsight batch`

use super::{Outcome, complain, say, snap};
use crate::check::{Check, CheckError, check};
use crate::gap::places;
use crate::journal::Journal;
use crate::photo::{self, Photo};
use crate::plan::Plan;
use crate::record::Action;
use crate::report::{Style, plain, wrap};
use crate::verdict::words::{interval, number, signed, unit_name};
use anyhow::{Context, bail};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Measure a folder of photos taken row after row, as if each had been snapped, or a finished quilt
///
/// Photos are taken in the order of their time, or of their names when some do not say when they were
/// taken. Row numbers follow from rows that are already in the journal and seen again; a photo that shows
/// none of them is listed and not guessed. Photos that are in the journal are passed over, so an
/// interrupted run goes on where it stopped.
///
/// With --finished the photos show the quilt off the frame, on a floor or a wall, in any order and any way up, with
/// measuring cards scattered on it, arrows towards its first row. Every photo shares a card with another one. All rows
/// are numbered from the top and measured in one frame. Exit code 0: within the plan's tolerances as far as can be
/// told; 1: beyond one of them; 2: a photo was left out, or nothing could be measured; 3: rows are missing, or the photos
/// do not settle it.
///
/// Example: rowsight batch harvest harvest/row-photos
/// Example: rowsight batch harvest --finished quilt-*.jpg
#[derive(Args)]
pub struct BatchArguments {
    /// Folder of the quilt
    #[arg(required_unless_present = "each")]
    folder: Option<PathBuf>,
    /// Photos, one or more of each row, or folders of them
    #[arg(required_unless_present = "each", value_name = "PHOTO")]
    photos: Vec<PathBuf>,
    /// Do it for every sub-folder that has a plan, with the photos in it, and write each one's report
    #[arg(long, value_name = "FOLDER", conflicts_with = "folder")]
    each: Option<PathBuf>,
    /// The photos show the finished quilt off the frame, all its rows: one photo, or several that share cards
    #[arg(long, conflicts_with_all = ["each", "in_order"])]
    finished: bool,
    /// With --finished: print the numbers as one JSON document (lengths in mm)
    #[arg(long, requires = "finished")]
    json: bool,
    /// With --finished: only look, keep nothing in the journal
    #[arg(long, requires = "finished")]
    look: bool,
    /// Trust the order: a photo that shows no row known already is of the next row
    #[arg(long)]
    in_order: bool,
    /// Draw no overlays
    #[arg(long)]
    no_overlay: bool,
    /// Camera profile for photos that do not say what took them
    #[arg(long, value_name = "NAME")]
    camera: Option<String>,
}

pub fn run(arguments: &BatchArguments, style: Style) -> anyhow::Result<Outcome> {
    if let Some(parent) = &arguments.each {
        return each(arguments, parent);
    }
    let Some(folder) = &arguments.folder else {
        bail!("name the quilt's folder and its photos");
    };
    if arguments.finished {
        let mut photos = photos_in(&arguments.photos)?;
        photos.sort_by_cached_key(|path| by_name(path));
        let asked = super::finished::Asked {
            folder,
            photos,
            json: arguments.json,
            look: arguments.look,
            no_overlay: arguments.no_overlay,
            camera: arguments.camera.as_deref(),
        };
        return super::finished::run(&asked, style);
    }
    let progress = progress(&super::report::name(folder));
    let result = quilt(arguments, folder, &arguments.photos, &progress);
    progress.finish_and_clear();
    let (plan, done) = result?;
    say(&table(&done, &plan));
    say(&wrap(&done.in_words(), "  ", style.width));
    for failed in done.lines.iter().filter_map(|l| l.result.as_ref().err()) {
        complain(failed);
    }
    Ok(done.outcome())
}

/// What became of one photo.
struct Line {
    path: PathBuf,
    result: Result<Measured, String>,
}

/// What a table says of a measured photo.
struct Measured {
    row: u32,
    is_retake: bool,
    check: Check,
}

/// What became of a quilt's photos.
#[derive(Default)]
struct Done {
    lines: Vec<Line>,
    /// In the journal already, or the same picture twice.
    passed_over: usize,
}

impl Done {
    fn failed(&self) -> usize {
        self.lines.iter().filter(|l| l.result.is_err()).count()
    }

    fn outcome(&self) -> Outcome {
        if self.failed() > 0 {
            return Outcome::Failed;
        }
        let measured = || self.lines.iter().filter_map(|l| l.result.as_ref().ok());
        let asks = |m: &Measured| m.check.record.verdict.action;
        if measured().any(|m| asks(m) == Action::Retake) {
            return Outcome::Retake;
        }
        // What earlier rows asked for is past; the newest one's verdict is what there is to do.
        measured()
            .max_by_key(|m| m.row)
            .map_or(Outcome::Fine, |m| Outcome::of(asks(m)))
    }

    fn in_words(&self) -> String {
        let count = |n: usize, what: &str| match n {
            1 => format!("1 photo {what}"),
            n => format!("{n} photos {what}"),
        };
        let mut text = count(self.lines.len() - self.failed(), "measured");
        if self.failed() > 0 {
            text += &format!(", {} not", self.failed());
        }
        if self.passed_over > 0 {
            text += &format!(
                "; {}",
                count(self.passed_over, "passed over, measured before")
            );
        }
        text + "."
    }
}

/// Measures a quilt's photos into its journal.
fn quilt(
    arguments: &BatchArguments,
    folder: &Path,
    named: &[PathBuf],
    progress: &ProgressBar,
) -> anyhow::Result<(Plan, Done)> {
    let (plan, design) = super::plan::load(folder)?;
    let mut paths = photos_in(named)?;
    // Of the same picture twice, the first by name counts.
    paths.sort_by_cached_key(|path| by_name(path));
    let mut journal = Journal::open(folder)?;
    let mut seen: BTreeSet<String> = journal
        .history()?
        .into_iter()
        .flat_map(|c| c.record.photos.into_iter().map(|p| p.sha256))
        .collect();
    let mut done = Done::default();
    let mut waiting = Vec::new();
    // Looked at first for order and hash; the pictures themselves would not all fit into memory.
    let looked: Vec<(PathBuf, Result<_, String>)> = paths
        .into_par_iter()
        .map(|path| {
            let facts = photo::glance(&path).map_err(|e| e.to_string());
            (path, facts)
        })
        .collect();
    for (path, facts) in looked {
        match facts {
            Ok((taken, sha256)) if seen.insert(sha256.clone()) => waiting.push((taken, path)),
            Ok(_) => done.passed_over += 1,
            Err(error) => done.lines.push(Line {
                path,
                result: Err(error),
            }),
        }
    }
    let timeless = waiting.iter().filter(|(taken, _)| taken.is_none()).count();
    if timeless > 0 {
        waiting.sort_by_cached_key(|(_, path)| by_name(path));
    } else {
        waiting.sort_by_cached_key(|(taken, path)| (*taken, by_name(path)));
    }
    progress.inc_length(waiting.len() as u64);
    let mut waiting: Vec<PathBuf> = waiting.into_iter().map(|(_, path)| path).collect();
    // A photo that shows no known row may do so when others have been measured: go round until nothing moves.
    loop {
        let mut unknown = Vec::new();
        let before = waiting.len();
        for path in waiting {
            match one(
                arguments,
                folder,
                &plan,
                design.as_ref(),
                &mut journal,
                &path,
                progress,
            ) {
                Ok(Some(measured)) => done.lines.push(Line {
                    path,
                    result: Ok(measured),
                }),
                Ok(None) => unknown.push(path),
                Err(error) => {
                    // A journal that cannot be written fails for every photo.
                    if error.is::<crate::journal::JournalError>() {
                        return Err(error);
                    }
                    done.lines.push(Line {
                        path,
                        result: Err(format!("{error:#}")),
                    });
                }
            }
        }
        if unknown.is_empty() || unknown.len() == before {
            done.lines.extend(unknown.into_iter().map(|path| Line {
                result: Err(format!(
                    "{}: no row in it is known already, so its number cannot be told; give the photos of the rows \
                     between too, or `rowsight snap {} {} --row NUMBER`",
                    path.display(),
                    folder.display(),
                    path.display(),
                )),
                path,
            }));
            break;
        }
        waiting = unknown;
    }
    Ok((plan, done))
}

/// Measures one photo and keeps it; `None` when nothing tells which row it shows.
fn one(
    arguments: &BatchArguments,
    folder: &Path,
    plan: &Plan,
    design: Option<&crate::design::Design>,
    journal: &mut Journal,
    path: &Path,
    progress: &ProgressBar,
) -> anyhow::Result<Option<Measured>> {
    let photos: [Photo; 1] = [photo::read(path)?];
    let (checks, habits) = (journal.current()?, journal.habits()?);
    let known = crate::check::Known {
        cameras: progress.suspend(|| snap::cameras(&photos, arguments.camera.as_deref()))?,
        ..snap::known(&checks, &habits)
    };
    let checked = check(&photos, plan, design, &known, None);
    progress.inc(1);
    let checked = match checked {
        // The row after the last one: its number was only a guess.
        Err(CheckError::NotInPlan { .. }) if known.newest.is_some() && !arguments.in_order => None,
        checked => Some(checked?),
    };
    let is_known =
        |checked: &Check| known.newest.is_none() || checked.is_recognised || arguments.in_order;
    let Some(checked) = checked.filter(is_known) else {
        progress.dec(1);
        return Ok(None);
    };
    // A later photo of the same row that asks for a retake must not push a good one aside.
    if checked.is_retake && checked.record.verdict.action == Action::Retake {
        bail!(
            "{}: shows row {} again, which is measured already, and is not good enough to take that one's place; \
             nothing is lost without it",
            path.display(),
            checked.row
        );
    }
    snap::keep(journal, &photos, &checked, plan)?;
    if !arguments.no_overlay {
        let colours = photos.iter().map(Photo::colour).collect();
        let pictures = snap::draw_all(&photos, colours, &checked, plan)?;
        snap::write_overlays(folder, checked.row, &pictures)?;
    }
    Ok(Some(Measured {
        row: checked.row,
        is_retake: checked.is_retake,
        check: checked,
    }))
}

/// Every quilt in a folder, one line each; a bad one does not stop the others.
fn each(arguments: &BatchArguments, parent: &Path) -> anyhow::Result<Outcome> {
    let mut quilts: Vec<PathBuf> = list(parent)?
        .into_iter()
        .filter(|p| p.join("plan.toml").is_file())
        .collect();
    quilts.sort_by_cached_key(|p| by_name(p));
    if quilts.is_empty() {
        bail!(
            "no folder in {} has a plan.toml; `rowsight plan` makes one",
            parent.display()
        );
    }
    let mut worst = Outcome::Fine;
    let mut lines = Vec::new();
    let mut verdicts = Vec::new();
    // Quilts have nothing to do with one another, so they are measured side by side.
    let progress = progress(&super::report::name(parent));
    let results: Vec<_> = quilts
        .par_iter()
        .map(|folder| {
            quilt(arguments, folder, std::slice::from_ref(folder), &progress)
                .and_then(|(_, done)| Ok((super::report::write_page(folder)?, done)))
        })
        .collect();
    progress.finish_and_clear();
    for (folder, result) in quilts.iter().zip(results) {
        let name = super::report::name(folder);
        match result {
            Ok((report, done)) => {
                for failed in done.lines.iter().filter_map(|l| l.result.as_ref().err()) {
                    complain(failed);
                }
                worst = worst.max(done.outcome());
                lines.push(vec![
                    shortened(&name),
                    format!("{} of {}", report.rows.len(), report.plan.rows),
                    (done.lines.len() - done.failed()).to_string(),
                    done.passed_over.to_string(),
                    done.failed().to_string(),
                ]);
                verdicts.push((name, report.verdict));
            }
            Err(error) => {
                complain(&format!("{}: {error:#}", folder.display()));
                worst = Outcome::Failed;
                let dash = || "-".to_owned();
                lines.push(vec![
                    shortened(&name),
                    dash(),
                    dash(),
                    dash(),
                    "failed".to_owned(),
                ]);
            }
        }
    }
    say(&plain(
        &["Quilt", "rows", "measured", "passed over", "not measured"],
        &lines,
    ));
    for (name, verdict) in verdicts {
        say(&wrap(&verdict, &format!("  {name}: "), 80));
    }
    Ok(worst)
}

fn table(done: &Done, plan: &Plan) -> String {
    let unit = plan.unit;
    let mut by_row: BTreeMap<(u32, usize), Vec<String>> = BTreeMap::new();
    for (i, line) in done.lines.iter().enumerate() {
        let name = line.path.file_name().unwrap_or_default().to_string_lossy();
        let name = shortened(&name);
        let Ok(measured) = &line.result else {
            let dash = || "-".to_owned();
            by_row.insert(
                (u32::MAX, i),
                vec![name, dash(), "not measured".to_owned(), dash(), dash()],
            );
            continue;
        };
        let record = &measured.check.record;
        let gap = record.gaps.iter().find(|g| g.to_row == measured.row);
        let gap = gap.and_then(places).map_or("-".to_owned(), |[_, at, _]| {
            format!("{} ± {}", number(at.value, unit), interval(at.u, unit))
        });
        let drift = record.drift.iter().find(|d| d.row == measured.row);
        let drift = drift.map_or("-".to_owned(), |d| {
            format!(
                "{} ± {}",
                signed(d.centre.value, unit),
                interval(d.centre.u, unit)
            )
        });
        let again = if measured.is_retake { " again" } else { "" };
        let cells = vec![
            name,
            format!("{}{again}", measured.row),
            crate::report::log::action(record.verdict.action).to_owned(),
            gap,
            drift,
        ];
        by_row.insert((measured.row, i), cells);
    }
    let lines: Vec<Vec<String>> = by_row.into_values().collect();
    if lines.is_empty() {
        return String::new();
    }
    let gap = format!("gap ({})", unit_name(unit));
    let drift = format!("drift ({})", unit_name(unit));
    plain(&["Photo", "row", "verdict", &gap, &drift], &lines)
}

/// A name that leaves room for the other columns; the end is kept, that is where numbers are.
fn shortened(name: &str) -> String {
    const MOST: usize = 28;
    match name.chars().count() {
        n if n <= MOST => name.to_owned(),
        n => format!("…{}", name.chars().skip(n + 1 - MOST).collect::<String>()),
    }
}

/// The photos named, and those in folders named and in their sub-folders, drawn overlays left out.
fn photos_in(named: &[PathBuf]) -> anyhow::Result<Vec<PathBuf>> {
    let mut photos = Vec::new();
    for path in named {
        if !path.is_dir() {
            photos.push(path.clone());
            continue;
        }
        for inside in list(path)? {
            if inside.is_dir() && !inside.ends_with(snap::OVERLAY_FOLDER) {
                photos.extend(list(&inside)?.into_iter().filter(|p| is_picture(p)));
            } else if is_picture(&inside) {
                photos.push(inside);
            }
        }
    }
    Ok(photos)
}

fn list(folder: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let entries = std::fs::read_dir(folder).with_context(|| {
        format!(
            "the folder {} cannot be read; check its name",
            folder.display()
        )
    })?;
    Ok(entries
        .filter_map(|entry| Some(entry.ok()?.path()))
        .collect())
}

/// By its name; what a named file really is, reading it tells.
fn is_picture(path: &Path) -> bool {
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    let ending = ending.to_lowercase();
    path.is_file()
        && matches!(
            &*ending,
            "jpg" | "jpeg" | "png" | "webp" | "tif" | "tiff" | "heic" | "heif"
        )
}

/// Key of a name in which numbers count as numbers: `row-2` before `row-10`.
fn by_name(path: &Path) -> Vec<(u64, String)> {
    let name = path.to_string_lossy().into_owned();
    let chars: Vec<char> = name.chars().collect();
    chars
        .chunk_by(|a, b| a.is_ascii_digit() == b.is_ascii_digit())
        .map(|run| {
            let text: String = run.iter().collect();
            // Words sort behind every number, as letters stand behind digits.
            (text.parse().unwrap_or(u64::MAX), text)
        })
        .collect()
}

/// Photos done, rate and time left, on a terminal only.
fn progress(name: &str) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(0);
    if let Ok(style) =
        ProgressStyle::with_template("{msg} {bar:30} {pos} of {len} photos, {per_sec}, {eta} left")
    {
        bar.set_style(style);
    }
    bar.set_message(name.to_owned());
    bar
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_names_count_as_numbers() {
        let mut names = ["row-10.jpg", "row-2.jpg", "row-1.jpg", "cover.jpg"].map(PathBuf::from);
        names.sort_by_cached_key(|p| by_name(p));
        assert_eq!(
            names,
            ["cover.jpg", "row-1.jpg", "row-2.jpg", "row-10.jpg"].map(PathBuf::from)
        );
    }
}
