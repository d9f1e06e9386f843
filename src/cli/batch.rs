//! `rowsight batch`

use super::side_by_side::{cores, in_order, with_threads};
use super::{Outcome, complain, say, snap};
use crate::check::{Check, Known, Looked, SeenRow, is_recognised, judge, look};
use crate::design::Design;
use crate::finished::CardPlace;
use crate::gap::places;
use crate::journal::{Journal, JournalError};
use crate::photo::{self, Photo, Small};
use crate::plan::Plan;
use crate::record::Action;
use crate::report::overlay::LONGEST_PX;
use crate::report::{Style, plain, wrap};
use crate::units::parse_length;
use crate::verdict::words::{interval, number, signed, unit_name};
use anyhow::{Context, bail};
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use std::collections::{BTreeMap, BTreeSet};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::sync_channel;

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
    /// With --finished: a card whose place you know: how far its middle lies to the right of the quilt's middle (to the
    /// left with a minus), and after a comma how far below the quilt's top edge; "strip 3=24in,10in", or one of the two:
    /// "strip 3=24in", "strip 3=,10in". May be given again for another card
    #[arg(long, value_name = "CARD=RIGHT,DOWN", value_parser = card_place, requires = "finished")]
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
            card_at: &arguments.card_at,
        };
        return super::finished::run(&asked, style);
    }
    let progress = progress(&super::report::name(folder));
    let result = quilt(arguments, folder, &arguments.photos, &progress, cores());
    progress.finish_and_clear();
    let (plan, done) = result?;
    say(&table(&done, &plan));
    say(&wrap(&done.in_words(), "  ", style.width));
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
    check: Arc<Check>,
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
        let result = Err(format!("{error:#}"));
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

/// A quilt being measured.
struct Quilt<'a> {
    folder: &'a Path,
    plan: Plan,
    design: Design,
    arguments: &'a BatchArguments,
    progress: &'a ProgressBar,
}

/// What one photo shows by itself.
struct Seen {
    path: PathBuf,
    result: anyhow::Result<Shown>,
}

struct Shown {
    /// The photo, its pixels gone.
    photo: Photo,
    /// What is left of them to draw on.
    small: Option<Small>,
    rows: Looked,
}

/// A photo of which nothing tells yet which row it shows.
struct Unknown {
    path: PathBuf,
    rows: Vec<SeenRow>,
}

/// A picture to be drawn of a check.
struct Picture {
    photo: Photo,
    small: Small,
    check: Arc<Check>,
}

/// Measures a quilt's photos into its journal, `workers` at a time.
fn quilt(
    arguments: &BatchArguments,
    folder: &Path,
    named: &[PathBuf],
    progress: &ProgressBar,
    workers: usize,
) -> anyhow::Result<(Plan, Done)> {
    let (plan, design) = super::plan::load(folder)?;
    let mut paths = photos_in(named)?;
    // Of the same picture twice, the first by name counts.
    paths.sort_by_cached_key(|path| by_name(path));
    let mut journal = Journal::open(folder)?;
    let (waiting, mut done) = to_measure(&journal, paths, workers)?;
    progress.inc_length(waiting.len() as u64);
    let quilt = Quilt {
        folder,
        plan,
        design,
        arguments,
        progress,
    };
    std::thread::scope(|scope| {
        // Pictures are drawn beside the measuring; those of one row by one hand, one after the other.
        let painters: Vec<_> = (0..workers)
            .map(|_| {
                let (send, pictures) = sync_channel::<Picture>(1);
                let (quilt, threads) = (&quilt, (cores() / workers).max(1));
                let hand = scope.spawn(move || {
                    with_threads(Some(threads), || {
                        let all = pictures.into_iter();
                        all.filter_map(|p| quilt.draw(p).err()).collect::<Vec<_>>()
                    })
                });
                (send, hand)
            })
            .collect();
        let paint = |picture: Picture| {
            let (send, _) = &painters[picture.check.row as usize % painters.len()];
            // A painter that is gone has panicked; the scope passes that on.
            let _ = send.send(picture);
        };
        let mut unknown = Vec::new();
        let measured = in_order(
            waiting,
            workers,
            |path| quilt.look(path),
            |seen| quilt.take(seen, &mut journal, &mut done, &mut unknown, &paint),
        );
        let measured = measured.and_then(|()| {
            quilt.go_round(&mut journal, &mut done, &mut unknown, &paint)?;
            done.lines
                .extend(unknown.into_iter().map(|u| quilt.not_told(u.path)));
            Ok(())
        });
        for (send, hand) in painters {
            drop(send);
            let errors = hand
                .join()
                .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            done.not_drawn
                .extend(errors.iter().map(|e| format!("{e:#}")));
        }
        measured
    })?;
    Ok((quilt.plan, done))
}

/// The photos that are not in the journal yet, in the order in which they were taken.
fn to_measure(
    journal: &Journal,
    paths: Vec<PathBuf>,
    workers: usize,
) -> anyhow::Result<(Vec<PathBuf>, Done)> {
    let mut seen: BTreeSet<String> = journal
        .history()?
        .into_iter()
        .flat_map(|c| c.record.photos.into_iter().map(|p| p.sha256))
        .collect();
    let mut done = Done::default();
    let mut waiting = Vec::new();
    // Looked at first for order and hash; the pictures themselves would not all fit into memory.
    in_order(
        paths,
        workers,
        |path| {
            let facts = photo::glance(&path).map_err(|e| e.to_string());
            (path, facts)
        },
        |(path, facts)| {
            match facts {
                Ok((taken, sha256)) if seen.insert(sha256.clone()) => waiting.push((taken, path)),
                Ok(_) => done.passed_over += 1,
                Err(error) => done.lines.push(Line {
                    path,
                    result: Err(error),
                }),
            }
            anyhow::Ok(())
        },
    )?;
    let timeless = waiting.iter().filter(|(taken, _)| taken.is_none()).count();
    if timeless > 0 {
        waiting.sort_by_cached_key(|(_, path)| by_name(path));
    } else {
        waiting.sort_by_cached_key(|(taken, path)| (*taken, by_name(path)));
    }
    Ok((waiting.into_iter().map(|(_, path)| path).collect(), done))
}

impl Quilt<'_> {
    /// What a photo shows, whatever the other photos say.
    fn look(&self, path: PathBuf) -> Seen {
        let look = || {
            let (photo, small) = match self.arguments.no_overlay {
                true => (photo::read(&path)?, None),
                false => {
                    let (photo, small) = photo::read_with_small(&path, LONGEST_PX)?;
                    (photo, Some(small))
                }
            };
            let photos = [photo];
            let named = self.arguments.camera.as_deref();
            let cameras = self.progress.suspend(|| snap::cameras(&photos, named))?;
            let rows = look(&photos, &self.plan, &self.design, &cameras)?;
            let [photo] = photos;
            // Pixels of photos that wait for their turn would fill the memory.
            let luma = image::GrayImage::default();
            let photo = Photo { luma, ..photo };
            Ok(Shown { photo, small, rows })
        };
        let result = look();
        self.progress.inc(1);
        Seen { path, result }
    }

    fn known(&self, journal: &Journal) -> anyhow::Result<Known> {
        Ok(snap::known(&journal.current()?, &journal.habits()?))
    }

    /// Numbers a photo and keeps it, or sets it aside when nothing tells which row it shows.
    fn take(
        &self,
        seen: Seen,
        journal: &mut Journal,
        done: &mut Done,
        unknown: &mut Vec<Unknown>,
        paint: &impl Fn(Picture),
    ) -> anyhow::Result<()> {
        let known = self.known(journal)?;
        let shown = match seen.result {
            Ok(seen) => seen,
            Err(error) => {
                done.failed_with(seen.path, &error);
                return Ok(());
            }
        };
        if !self.arguments.in_order && !is_recognised(shown.rows.rows(), &known) {
            unknown.push(Unknown {
                path: seen.path,
                rows: shown.rows.rows().to_vec(),
            });
            return Ok(());
        }
        match self.keep(shown, &known, journal, paint) {
            Ok(measured) => done.lines.push(Line {
                path: seen.path,
                result: Ok(measured),
            }),
            // A journal that cannot be written fails for every photo.
            Err(error) if error.is::<JournalError>() => return Err(error),
            Err(error) => done.failed_with(seen.path, &error),
        }
        Ok(())
    }

    fn keep(
        &self,
        shown: Shown,
        known: &Known,
        journal: &mut Journal,
        paint: &impl Fn(Picture),
    ) -> anyhow::Result<Measured> {
        let Shown { photo, small, rows } = shown;
        let photos = [photo];
        let check = judge(rows, &photos, &self.plan, &self.design, known, None)?;
        // A later photo of the same row that asks for a retake must not push a good one aside.
        if check.is_retake && check.record.verdict.action == Action::Retake {
            bail!(
                "{}: shows row {} again, which is measured already, and is not good enough to take that one's place; \
                 nothing is lost without it",
                photos[0].path.display(),
                check.row
            );
        }
        snap::keep(journal, &photos, &check, &self.plan)?;
        let check = Arc::new(check);
        if let Some(small) = small {
            let [photo] = photos;
            let check = check.clone();
            paint(Picture {
                photo,
                small,
                check,
            });
        }
        Ok(Measured {
            row: check.row,
            is_retake: check.is_retake,
            check,
        })
    }

    /// A photo that shows no known row may do so when others have been measured: goes round until nothing moves.
    fn go_round(
        &self,
        journal: &mut Journal,
        done: &mut Done,
        unknown: &mut Vec<Unknown>,
        paint: &impl Fn(Picture),
    ) -> anyhow::Result<()> {
        loop {
            let before = unknown.len();
            for one in std::mem::take(unknown) {
                if !is_recognised(&one.rows, &self.known(journal)?) {
                    unknown.push(one);
                    continue;
                }
                // Only what tells the row was kept; the rest is looked at anew.
                let seen = self.look(one.path);
                self.progress.dec(1);
                self.take(seen, journal, done, unknown, paint)?;
            }
            if unknown.len() == before {
                return Ok(());
            }
        }
    }

    fn not_told(&self, path: PathBuf) -> Line {
        let folder = self.folder.display();
        Line {
            result: Err(format!(
                "{}: no row in it is known already, so its number cannot be told; give the photos of the rows \
                 between too, or `rowsight snap {folder} {} --row NUMBER`",
                path.display(),
                path.display(),
            )),
            path,
        }
    }

    fn draw(&self, picture: Picture) -> anyhow::Result<()> {
        let Picture {
            photo,
            small,
            check,
        } = picture;
        let pictures = snap::draw_all(&[photo], vec![small], &check, &self.plan)?;
        snap::write_overlays(self.folder, check.row, &pictures)?;
        Ok(())
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
