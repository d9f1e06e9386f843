//! `rowsight batch --finished`: the whole quilt off the frame.

use super::side_by_side::{cores, in_order};
use super::{Outcome, complain, hint, say, snap, spinner};
use crate::calibrate::profile::Profile;
use crate::finished::{CardPlace, Finished, NotUsed, is_followed, measure_finished};
use crate::journal::{Journal, KeptPhoto, NewFinished};
use crate::photo::{self, Photo};
use crate::plan::Plan;
use crate::plan::file::to_toml;
use crate::report::Style;
use crate::report::finished::finished;
use crate::report::overlay::{LONGEST_PX, Overlay, draw};
use crate::verdict::conformity::Finding;
use crate::whole_file::write_whole;
use anyhow::{Context, bail};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What is asked for.
pub(super) struct Asked<'a> {
    pub folder: &'a Path,
    pub photos: Vec<PathBuf>,
    pub json: bool,
    pub look: bool,
    pub no_overlay: bool,
    pub camera: Option<&'a str>,
    pub card_at: &'a [CardPlace],
}

pub(super) fn run(asked: &Asked, style: Style) -> anyhow::Result<Outcome> {
    let (plan, design) = super::plan::load_with_design(asked.folder)?;
    let mut journal = match asked.look {
        true => None,
        // Before anything is measured: a journal that cannot be written must not cost the measuring.
        false => Some(Journal::open(asked.folder)?),
    };
    let progress = spinner("measuring the quilt");
    let (mut photos, mut not_used) = read_all(&asked.photos);
    if photos.is_empty() {
        progress.finish_and_clear();
        for photo in &not_used {
            complain(&photo.why);
        }
        bail!("none of the photos can be used, so nothing is measured");
    }
    let cameras: anyhow::Result<Vec<Option<Profile>>> =
        progress.suspend(|| snap::cameras(&photos, asked.camera));
    let measured = cameras.and_then(|cameras| {
        Ok(measure_finished(
            &mut photos,
            &plan,
            &design,
            &cameras,
            asked.card_at,
        )?)
    });
    progress.finish_and_clear();
    let mut measured = measured?;
    not_used.append(&mut measured.record.not_used);
    measured.record.not_used = not_used;
    let paths: Vec<PathBuf> = measured
        .used
        .iter()
        .map(|i| photos[*i].path.clone())
        .collect();
    let hashes: Vec<String> = measured
        .used
        .iter()
        .map(|i| photos[*i].sha256.clone())
        .collect();
    drop(photos);
    if let Some(journal) = &mut journal {
        keep(journal, &measured, &paths, &hashes, &plan)?;
    }
    if asked.json {
        say(&(serde_json::to_string_pretty(&measured.record)? + "\n"));
        for photo in &measured.record.not_used {
            complain(&format!("{}; {}", photo.why, photo.remedy));
        }
    } else {
        say(&finished(&measured.record, &plan, style));
    }
    if journal.is_some() && !asked.no_overlay {
        overlays(asked.folder, &measured, &paths, &plan)?;
    }
    Ok(outcome(&measured))
}

fn outcome(measured: &Finished) -> Outcome {
    let record = &measured.record;
    let relative = &record.relative;
    let findings = [relative.gaps, relative.drift, relative.skew, relative.bow];
    if !record.not_used.is_empty() {
        Outcome::Failed
    } else if !is_followed(record)
        || record.rows_found != record.plan_rows
        || findings.contains(&Finding::Unsettled)
    {
        Outcome::Retake
    } else if findings.contains(&Finding::Beyond) {
        Outcome::Act
    } else {
        Outcome::Fine
    }
}

/// The photos that can be read, each picture once, without the files' bytes; and the others with the reason.
fn read_all(paths: &[PathBuf]) -> (Vec<Photo>, Vec<NotUsed>) {
    let read: Vec<Result<Photo, photo::PhotoError>> = paths
        .par_iter()
        .map(|path| {
            // Forty photos with their files would not fit into memory; where these are wanted they are read again.
            photo::read(path).map(|photo| Photo {
                bytes: Vec::new(),
                ..photo
            })
        })
        .collect();
    let mut photos: Vec<Photo> = Vec::new();
    let mut not_used = Vec::new();
    let mut seen: BTreeMap<String, String> = BTreeMap::new();
    for (path, photo) in paths.iter().zip(read) {
        let path = path.display().to_string();
        match photo {
            Ok(photo) => match seen.get(&photo.sha256) {
                Some(first) => not_used.push(NotUsed {
                    why: format!("{path}: the same picture as {first}, so it was left out"),
                    remedy: "nothing is lost without it".to_owned(),
                    path,
                }),
                None => {
                    seen.insert(photo.sha256.clone(), path);
                    photos.push(photo);
                }
            },
            Err(error) => not_used.push(NotUsed {
                why: error.to_string(),
                remedy: "the quilt was measured without it".to_owned(),
                path,
            }),
        }
    }
    (photos, not_used)
}

fn keep(
    journal: &mut Journal,
    measured: &Finished,
    paths: &[PathBuf],
    hashes: &[String],
    plan: &Plan,
) -> anyhow::Result<()> {
    let bytes = paths
        .iter()
        .map(|path| {
            std::fs::read(path)
                .with_context(|| format!("{} cannot be read any more", path.display()))
        })
        .collect::<anyhow::Result<Vec<_>>>()?;
    let photos: Vec<KeptPhoto> = paths
        .iter()
        .zip(hashes)
        .zip(&bytes)
        .map(|((path, sha256), bytes)| KeptPhoto {
            sha256,
            path,
            bytes,
        })
        .collect();
    journal.save_finished(&NewFinished {
        record: &measured.record,
        photos: &photos,
        plan: &to_toml(plan),
    })?;
    Ok(())
}

/// Where the overlays of a finished quilt's photos lie.
pub(super) fn overlay_path(folder: &Path, photo: usize) -> PathBuf {
    folder
        .join(snap::OVERLAY_FOLDER)
        .join(format!("finished-{:02}.jpg", photo + 1))
}

/// Draws what was found into each photo, as many at a time as there are cores.
fn overlays(
    folder: &Path,
    measured: &Finished,
    paths: &[PathBuf],
    plan: &Plan,
) -> anyhow::Result<()> {
    let out = folder.join(snap::OVERLAY_FOLDER);
    std::fs::create_dir_all(&out)
        .with_context(|| format!("the folder {} cannot be made", out.display()))?;
    let record = measured.record.as_check(plan.tolerance.spacing_mm);
    let one = |(i, path): (usize, &PathBuf)| -> anyhow::Result<()> {
        let small = photo::picture(path, LONGEST_PX)?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let picture = draw(&Overlay {
            title: Some("The finished quilt"),
            photo: &small.picture,
            photo_scale: small.scale,
            photo_from_quilt: &|p| measured.drawn.to_photo(i, p),
            rows: &measured.drawn.rows,
            cards_px: &measured.drawn.cards_px[i],
            record: &record,
            plan,
            name: &name,
        });
        let bytes = snap::overlay_jpeg(&picture)?;
        let path = overlay_path(folder, i);
        write_whole(&path, &bytes).with_context(|| format!("{} cannot be written", path.display()))
    };
    in_order(paths.iter().enumerate().collect(), cores(), one, |drawn| {
        drawn
    })?;
    hint(&format!(
        "Overlays: {}",
        out.join("finished-*.jpg").display()
    ));
    Ok(())
}
