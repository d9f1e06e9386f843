//! `rowsight batch`

mod quilt;

use super::side_by_side::{cores, in_order};
use super::{Outcome, complain, in_full, say, snap};
use crate::check::Check;
use crate::finished::CardPlace;
use crate::gap::places;
use crate::plan::Plan;
use crate::record::Action;
use crate::report::terminal::{signed_with_interval, with_interval};
use crate::report::{Style, plain, without_controls, wrap};
use crate::units::{Uncertain, parse_length};
use crate::verdict::caution_for;
use crate::verdict::words::unit_name;
use anyhow::{Context, bail};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use quilt::quilt;
use std::collections::BTreeMap;
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
///
/// Example: rowsight batch harvest --finished quilt-*.jpg
#[derive(Args)]
pub struct BatchArguments {
    /// Folder of the quilt
    #[arg(required_unless_present = "each")]
    folder: Option<PathBuf>,
    /// Photos, one or more of each row, or folders of them
    #[arg(required_unless_present = "each", value_name = "PHOTO")]
    photos: Vec<PathBuf>,
    /// Do it for every sub-folder that has a plan, with the photos in it (those in its folders `practice` and `finished`
    /// left out), and write each one's report
    #[arg(long, value_name = "FOLDER", conflicts_with = "folder")]
    each: Option<PathBuf>,
    /// The photos show the finished quilt off the frame, all its rows: one photo, or several that share cards
    #[arg(long, conflicts_with_all = ["each", "in_order"])]
    finished: bool,
    /// With --finished: print the numbers as one JSON document (lengths in mm)
    // What a conflict rules out is no longer asked for by `requires`, so --each is named too.
    #[arg(long, requires = "finished", conflicts_with = "each")]
    json: bool,
    /// With --finished: only look, keep nothing in the journal
    #[arg(long, requires = "finished", conflicts_with = "each")]
    look: bool,
    /// With --finished: a card whose place you know: how far its middle lies to the right of the quilt's middle (to the
    /// left with a minus), and after a comma how far below the quilt's top edge; "strip 3=24in,10in", or one of the two:
    /// "strip 3=24in", "strip 3=,10in". May be given again for another card
    #[arg(long, value_name = "CARD=RIGHT,DOWN", value_parser = card_place, requires = "finished",
        conflicts_with = "each")]
    card_at: Vec<CardPlace>,
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

/// A card and its place, as in `strip 3=24in,10in`.
fn card_place(text: &str) -> Result<CardPlace, String> {
    const AS_IN: &str = "write the card and its place, as in \"strip 3=24in,10in\"";
    let (card, place) = text.split_once('=').ok_or(AS_IN)?;
    let (right, down) = place.split_once(',').unwrap_or((place, ""));
    let length = |text: &str| match text.trim() {
        "" => Ok(None),
        text => parse_length(text)
            .map(|mm| Some(mm.0))
            .map_err(|e| e.to_string()),
    };
    let place = CardPlace {
        card: snap::card_named(card)?,
        right_mm: length(right)?,
        below_top_mm: length(down)?,
    };
    match (place.right_mm, place.below_top_mm) {
        (None, None) => Err(AS_IN.to_owned()),
        _ => Ok(place),
    }
}

pub fn run(arguments: &BatchArguments, style: Style) -> anyhow::Result<Outcome> {
    if let Some(parent) = &arguments.each {
        return each(arguments, parent);
    }
    let Some(folder) = &arguments.folder else {
        bail!("name the quilt's folder and its photos");
    };
    super::plan::folder_first("batch", folder, &arguments.photos)?;
    if arguments.finished {
        snap::once_each(arguments.card_at.iter().map(|place| place.card))?;
        let mut photos = photos_in(&arguments.photos, &[snap::OVERLAY_FOLDER])?;
        photos.sort_by_cached_key(|path| by_name(path));
        let asked = super::finished::Asked {
            folder,
            photos,
            json: arguments.json,
            look: arguments.look,
            no_overlay: arguments.no_overlay,
            camera: arguments.camera.as_deref(),
            card_at: &arguments.card_at,
        };
        return super::finished::run(&asked, style);
    }
    let progress = progress(&super::report::name(folder));
    let result = quilt(arguments, folder, &arguments.photos, &progress, cores());
    progress.finish_and_clear();
    let (plan, done) = result?;
    if done.lines.is_empty() && done.passed_over == 0 {
        bail!("there are no photos there; name photos, or a folder that holds some");
    }
    say(&table(&done, &plan));
    say(&wrap(&done.in_words(), "  ", style.width));
    if let Some(action) = done.asked() {
        say(&wrap(caution_for(action), "  ! ", style.width));
    }
    for complaint in done.complaints() {
        complain(complaint);
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
    action: Action,
    /// In the middle, to the row above.
    gap: Option<Uncertain>,
    /// In the middle.
    drift: Option<Uncertain>,
}

impl Measured {
    /// Of a check only this is kept: a thousand whole ones would fill the memory.
    fn of(check: &Check) -> Measured {
        let record = &check.record;
        let gap = record.gaps.iter().find(|g| g.to_row == check.row);
        let drift = record.drift.iter().find(|d| d.row == check.row);
        Measured {
            row: check.row,
            is_retake: check.is_retake,
            action: record.verdict.action,
            gap: gap.and_then(places).map(|[_, at, _]| at.spacing()),
            drift: drift.map(|d| d.centre),
        }
    }
}

/// What became of a quilt's photos.
#[derive(Default)]
struct Done {
    lines: Vec<Line>,
    /// In the journal already, or the same picture twice.
    passed_over: usize,
    /// Overlays that could not be drawn or written, with the reason.
    not_drawn: Vec<String>,
}

impl Done {
    fn failed(&self) -> usize {
        self.lines.iter().filter(|l| l.result.is_err()).count()
    }

    fn failed_with(&mut self, path: PathBuf, error: &anyhow::Error) {
        let result = Err(in_full(error));
        self.lines.push(Line { path, result });
    }

    /// What went wrong, one sentence each.
    fn complaints(&self) -> impl Iterator<Item = &String> {
        let failed = self.lines.iter().filter_map(|l| l.result.as_ref().err());
        failed.chain(&self.not_drawn)
    }

    fn outcome(&self) -> Outcome {
        if self.failed() > 0 || !self.not_drawn.is_empty() {
            return Outcome::Failed;
        }
        if self.measured().any(|m| m.action == Action::Retake) {
            return Outcome::Retake;
        }
        self.asked().map_or(Outcome::Fine, Outcome::of)
    }

    fn measured(&self) -> impl Iterator<Item = &Measured> {
        self.lines.iter().filter_map(|l| l.result.as_ref().ok())
    }

    /// What there is to do: what the newest row's check asks for. What earlier ones asked for is past.
    fn asked(&self) -> Option<Action> {
        self.measured().max_by_key(|m| m.row).map(|m| m.action)
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
    let side_by_side = cores().min(quilts.len());
    let mut results = Vec::new();
    in_order(
        quilts.iter().collect(),
        side_by_side,
        |folder: &PathBuf| {
            let workers = cores() / side_by_side;
            quilt(
                arguments,
                folder,
                std::slice::from_ref(folder),
                &progress,
                workers,
            )
            .and_then(|(_, done)| Ok((super::report::write_page(folder)?, done)))
        },
        |result| {
            results.push(result);
            anyhow::Ok(())
        },
    )?;
    progress.finish_and_clear();
    for (folder, result) in quilts.iter().zip(results) {
        let name = super::report::name(folder);
        match result {
            Ok((report, done)) => {
                for complaint in done.complaints() {
                    complain(complaint);
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
                complain(&format!("{}: {}", folder.display(), in_full(&error)));
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
        let gap = measured
            .gap
            .map_or("-".to_owned(), |at| with_interval(at.value, at.u, unit));
        let drift = measured
            .drift
            .map_or("-".to_owned(), |at| signed_with_interval(at, unit));
        let again = if measured.is_retake { " again" } else { "" };
        let cells = vec![
            name,
            format!("{}{again}", measured.row),
            crate::report::log::action(measured.action).to_owned(),
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

/// Sub-folders whose pictures are no photos of rows on the frame: overlays, practice photos (`rehearse` puts them there) and
/// the finished quilt's.
const NO_ROWS: [&str; 3] = [snap::OVERLAY_FOLDER, "practice", "finished"];

/// The photos named, and those in folders named and in their sub-folders, these left out.
fn photos_in(named: &[PathBuf], left_out: &[&str]) -> anyhow::Result<Vec<PathBuf>> {
    let mut photos = Vec::new();
    for path in named {
        if !path.is_dir() {
            photos.push(path.clone());
            continue;
        }
        for inside in list(path)? {
            if inside.is_dir() && !left_out.iter().any(|name| inside.ends_with(name)) {
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
    bar.set_message(without_controls(name, &[]));
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
