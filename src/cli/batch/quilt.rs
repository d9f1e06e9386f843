//! The photos of one quilt: looked at side by side, numbered and kept in their order, drawn beside it.

use super::super::side_by_side::{cores, in_order, with_threads};
use super::super::{hint, in_full, plan, snap};
use super::{BatchArguments, Done, Line, Measured, NO_ROWS, by_name, photos_in};
use crate::check::{Check, Known, Looked, SeenRow, is_recognised, judge, look};
use crate::design::Design;
use crate::journal::{Journal, JournalError};
use crate::photo::{self, Photo, Small};
use crate::plan::Plan;
use crate::record::Action;
use crate::report::overlay::LONGEST_PX;
use crate::shell::argument;
use anyhow::bail;
use indicatif::ProgressBar;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;
use std::sync::{Mutex, PoisonError};

/// A quilt being measured.
struct Quilt<'a> {
    folder: &'a Path,
    plan: Plan,
    design: Option<Design>,
    arguments: &'a BatchArguments,
    progress: &'a ProgressBar,
    /// What was said of camera profiles: once for all photos that it holds for.
    told: Mutex<BTreeSet<String>>,
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
    check: Check,
}

/// Measures a quilt's photos into its journal, `workers` at a time.
pub(super) fn quilt(
    arguments: &BatchArguments,
    folder: &Path,
    named: &[PathBuf],
    progress: &ProgressBar,
    workers: usize,
) -> anyhow::Result<(Plan, Done)> {
    let (plan, design) = plan::load(folder)?;
    let mut paths = photos_in(named, &NO_ROWS)?;
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
        told: Mutex::default(),
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
            done.not_drawn.extend(errors.iter().map(in_full));
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
            let (cameras, hints) = snap::cameras_and_hints(&photos, named)?;
            for (what, paths) in hints {
                let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
                if told.insert(what.clone()) {
                    let text = format!("{} and photos like it: {what}", paths.join(", "));
                    self.progress.suspend(|| hint(&text));
                }
            }
            let rows = look(&photos, &self.plan, self.design.as_ref(), &cameras)?;
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
        let check = judge(rows, &photos, &self.plan, known, None)?;
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
        let measured = Measured::of(&check);
        if let Some(small) = small {
            let [photo] = photos;
            paint(Picture {
                photo,
                small,
                check,
            });
        }
        Ok(measured)
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
        let folder = argument(self.folder);
        Line {
            result: Err(format!(
                "{}: no row in it is known already, so its number cannot be told; give the photos of the rows \
                 between too, or `rowsight snap {folder} {} --row NUMBER`",
                path.display(),
                argument(&path),
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
