//! `rowsight snap`

use super::note::trims_rolled;
use super::{Outcome, complain, hint, say, spinner};
use crate::calibrate::profile::{self, CameraKey, Picked, Profile};
use crate::card::geometry::CardId;
use crate::check::{Check, Known, check};
use crate::journal::{Habit, Journal, KeptPhoto, NewCheck, SavedCheck, gaps_of};
use crate::photo::{self, Photo, Small};
use crate::plan::Plan;
use crate::plan::file::to_toml;
use crate::record::{Action, At};
use crate::report::overlay::{Overlay, draw};
use crate::report::{Style, explain, json, terminal};
use crate::shell::argument;
use crate::units::parse_length;
use crate::whole_file::write_whole;
use anyhow::{Context, bail};
use clap::Args;
use image::RgbImage;
use jpeg_encoder::{ColorType, Encoder};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Measure the row just stitched from one or more photos, and say what to do next
///
/// Several photos show the same row and are linked by cards they share. The check is kept in the
/// quilt's journal, and an overlay of each photo in its folder `overlays`.
///
/// Example: rowsight snap harvest IMG_0412.jpg
#[derive(Args)]
pub struct SnapArguments {
    /// Folder of the quilt
    folder: PathBuf,
    /// Photos of the row, each with a measuring card in it
    #[arg(required = true, value_name = "PHOTO")]
    photos: Vec<PathBuf>,
    /// Number of the newest row in the photo [default: the next after the journal's newest]
    #[arg(long, value_name = "NUMBER", value_parser = super::whole_number, allow_hyphen_values = true)]
    row: Option<u32>,
    /// Part of the row that the photos show, where its ends cannot be made out: left or right when that end
    /// of the row is in view, centre when the quilt's middle is in the middle [default: found in the photos]
    #[arg(long, value_name = "PART")]
    at: Option<Part>,
    /// A card whose place you know: how far its middle lies to the right of the quilt's middle, as in
    /// "strip 3=24in"; to the left with a minus. May be given again for another card
    #[arg(long, value_name = "CARD=PLACE", value_parser = card_place, conflicts_with = "at")]
    card_at: Vec<(CardId, f64)>,
    /// Print the numbers as one JSON document (lengths in mm)
    #[arg(long)]
    json: bool,
    /// Only look: keep nothing in the journal
    #[arg(long)]
    look: bool,
    /// Say what the uncertainty of the newest gap rests on, and what would make it smaller
    #[arg(long, conflicts_with = "json")]
    explain: bool,
    /// Draw no overlay
    #[arg(long)]
    no_overlay: bool,
    /// Camera profile for photos that do not say what took them
    #[arg(long, value_name = "NAME")]
    camera: Option<String>,
}

/// Folder of the overlays in a quilt's folder.
pub(super) const OVERLAY_FOLDER: &str = "overlays";

/// A card and its place, as in `strip 3=24in`.
fn card_place(text: &str) -> Result<(CardId, f64), String> {
    let (card, place) = text
        .split_once('=')
        .ok_or("write the card and its place, as in \"strip 3=24in\"")?;
    let card = card_named(card)?;
    let place = parse_length(place).map_err(|e| e.to_string())?;
    Ok((card, place.0))
}

/// A card by the name printed on it.
pub(super) fn card_named(name: &str) -> Result<CardId, String> {
    let name = name.trim();
    CardId::from_name(name)
        .ok_or_else(|| format!("there is no card `{name}`; its name is printed on it"))
}

/// A card lies in one place.
pub(super) fn once_each(cards: impl Iterator<Item = CardId>) -> anyhow::Result<()> {
    let mut seen: Vec<CardId> = Vec::new();
    for card in cards {
        if seen.contains(&card) {
            bail!("--card-at names {card} twice; give one place for each card");
        }
        seen.push(card);
    }
    Ok(())
}

/// Part of the row.
#[derive(Clone, Copy, clap::ValueEnum)]
enum Part {
    Left,
    Centre,
    Right,
}

impl From<Part> for At {
    fn from(part: Part) -> At {
        match part {
            Part::Left => At::Left,
            Part::Centre => At::Centre,
            Part::Right => At::Right,
        }
    }
}

/// What the journal knows. A check that asked for a retake settles nothing: neither its numbers nor which
/// row comes next.
pub(super) fn known(checks: &[SavedCheck], habits: &[Habit]) -> Known {
    let settled: Vec<SavedCheck> = checks
        .iter()
        .filter(|c| c.record.verdict.action != Action::Retake)
        .cloned()
        .collect();
    Known {
        gaps: gaps_of(&settled),
        trims: trims_rolled(&settled, habits),
        fingerprints: settled
            .iter()
            .filter_map(|c| Some((c.row, c.fingerprint.clone()?)))
            .collect(),
        newest: settled.last().map(|c| c.row),
        cameras: Vec::new(),
        at: None,
        card_at: Vec::new(),
    }
}

/// The camera profile of each photo; says which photo goes without one although its camera has one.
pub(super) fn cameras(
    photos: &[Photo],
    named: Option<&str>,
) -> anyhow::Result<Vec<Option<Profile>>> {
    let (picked, hints) = cameras_and_hints(photos, named)?;
    for (what, paths) in &hints {
        hint(&format!("{}: {what}", paths.join(", ")));
    }
    Ok(picked)
}

/// What there is to say of camera profiles, each with the photos that it is said of.
pub(super) type CameraHints = BTreeMap<String, Vec<String>>;

/// As [`cameras`], and leaves the saying to the caller.
pub(super) fn cameras_and_hints(
    photos: &[Photo],
    named: Option<&str>,
) -> anyhow::Result<(Vec<Option<Profile>>, CameraHints)> {
    let mut hints = CameraHints::new();
    let profiles = match super::calibrate::profiles() {
        Ok((_, profiles)) => profiles,
        // Without a data folder, or one that cannot be read, there is no profile; that is only wrong when
        // one is asked for.
        Err(error) if named.is_some() => return Err(error.into()),
        Err(error) => {
            complain(&error.to_string());
            Vec::new()
        }
    };
    let named = named
        .map(|name| profile::named(&profiles, name))
        .transpose()?;
    let picked = photos
        .iter()
        .map(|photo| {
            let path = photo.path.display();
            let mut say = |what: String| hints.entry(what).or_default().push(path.to_string());
            let key = CameraKey::of_photo(&photo.facts, photo.luma.dimensions());
            if let Some(named) = named {
                let why = if key.says_something() {
                    named.camera.difference(&key)
                } else {
                    named.camera.size_difference(&key)
                };
                if let Some(why) = why {
                    bail!(
                        "{path}: the camera profile `{}` does not fit: {why}; leave --camera out, or calibrate this camera",
                        named.name
                    );
                }
                return Ok(Some(named.clone()));
            }
            Ok(match profile::pick(&profiles, &key) {
                Picked::Fits(profile) => {
                    say(format!("lens as calibrated, profile `{}`.", profile.name));
                    Some(profile.clone())
                }
                Picked::Near(near, why) => {
                    say(format!(
                        "does not fit the camera profile `{}`: {why}. Measured without one; `rowsight calibrate` makes one for this lens.",
                        near.name
                    ));
                    None
                }
                Picked::None => None,
            })
        })
        .collect::<anyhow::Result<_>>()?;
    Ok((picked, hints))
}

/// A photo from which another row of the journal was measured than `row`, and that row.
fn kept_for_another_row<'a>(
    photos: &'a [Photo],
    checks: &[SavedCheck],
    row: u32,
) -> Option<(&'a Path, u32)> {
    photos.iter().find_map(|photo| {
        let is_of = |check: &&SavedCheck| {
            let mut kept = check.record.photos.iter();
            check.row != row && kept.any(|p| p.sha256 == photo.sha256)
        };
        Some((&*photo.path, checks.iter().find(is_of)?.row))
    })
}

pub fn run(arguments: &SnapArguments, style: Style) -> anyhow::Result<Outcome> {
    let folder = &arguments.folder;
    super::plan::folder_first("snap", folder, &arguments.photos)?;
    let (plan, design) = super::plan::load(folder)?;
    once_each(arguments.card_at.iter().map(|(card, _)| *card))?;
    let progress = spinner("measuring");
    let photos: Vec<Result<Photo, photo::PhotoError>> = arguments
        .photos
        .par_iter()
        .map(|path| photo::read(path))
        .collect();
    let mut good: Vec<Photo> = Vec::new();
    let mut failed = false;
    let mut is_copied = false;
    for photo in photos {
        match photo {
            // Counted twice, its errors would seem half as large.
            Ok(copy) if good.iter().any(|p| p.sha256 == copy.sha256) => {
                is_copied = true;
                progress.suspend(|| {
                    complain(&format!(
                        "{}: the same picture was given before, so it was left out; nothing is lost without it",
                        copy.path.display()
                    ));
                });
            }
            Ok(photo) => good.push(photo),
            Err(error) => {
                progress.suspend(|| complain(&error.to_string()));
                failed = true;
            }
        }
    }
    if failed {
        progress.finish_and_clear();
        return Ok(Outcome::Failed);
    }
    let journal = if arguments.look {
        Journal::open_to_read(folder)?
    } else {
        Some(Journal::open(folder)?)
    };
    let checks = journal
        .as_ref()
        .map(Journal::current)
        .transpose()?
        .unwrap_or_default();
    let habits = journal
        .as_ref()
        .map(Journal::habits)
        .transpose()?
        .unwrap_or_default();
    let picked = progress.suspend(|| cameras(&good, arguments.camera.as_deref()));
    if picked.is_err() {
        progress.finish_and_clear();
    }
    let known = Known {
        cameras: picked?,
        at: arguments.at.map(At::from),
        card_at: arguments.card_at.clone(),
        ..known(&checks, &habits)
    };
    // Colour is only needed for the picture; it is decoded while the row is measured.
    let draws = !arguments.no_overlay && !arguments.look;
    let (checked, colours) = rayon::join(
        || check(&good, &plan, design.as_ref(), &known, arguments.row),
        || draws.then(|| good.iter().map(Photo::colour).collect::<Vec<_>>()),
    );
    progress.finish_and_clear();
    let checked = checked?;
    if !arguments.look
        && let Some((path, row)) = kept_for_another_row(&good, &checks, checked.row)
    {
        bail!(
            "{}: row {row} was measured from this very picture, so it is not row {}; give `--row {row}` to measure it again, or the photo of row {}",
            path.display(),
            checked.row,
            checked.row
        );
    }
    for photo in &checked.left_out {
        complain(&format!("{}; {}", photo.what, photo.remedy));
    }
    let good = only(good, &checked.used);
    let colours = colours.map(|colours| only(colours, &checked.used));
    // The pictures are drawn while the journal is written and the verdict said.
    std::thread::scope(|scope| {
        let pictures = colours.map(|colours| {
            scope.spawn(|| {
                let whole = |colour: Result<RgbImage, _>| colour.map(Small::whole);
                let colours = colours.into_iter().map(whole).collect::<Result<_, _>>()?;
                draw_all(&good, colours, &checked, &plan)
            })
        });
        if !arguments.look
            && let Some(mut journal) = journal
        {
            keep(&mut journal, &good, &checked, &plan)?;
        }
        if checked.is_retake && !arguments.look {
            hint(&format!(
                "Row {} was checked before; this check takes its place (`rowsight log {} --undo` takes it back).",
                checked.row,
                argument(folder)
            ));
        }
        if arguments.json {
            say(&(json(&checked.record)? + "\n"));
        } else {
            say(&terminal(&checked.record, &plan, style));
        }
        if arguments.explain {
            let budget = checked.budget.as_ref();
            say(&format!(
                "\n{}",
                explain(&checked.record, budget, &plan, style)
            ));
        }
        if let Some(pictures) = pictures {
            let pictures = pictures.join().map_err(|_| {
                anyhow::anyhow!("the overlay could not be drawn; the check is kept")
            })??;
            for path in write_overlays(folder, checked.row, &pictures)? {
                hint(&format!("Overlay: {}", path.display()));
            }
        }
        Ok(match checked.left_out.is_empty() && !is_copied {
            true => Outcome::of(checked.record.verdict.action),
            false => Outcome::Failed,
        })
    })
}

/// An overlay as it is kept.
pub(super) fn overlay_jpeg(picture: &RgbImage) -> anyhow::Result<Vec<u8>> {
    let side = |px: u32| u16::try_from(px).context("an overlay has too many pixels");
    let size = (side(picture.width())?, side(picture.height())?);
    let mut bytes = Vec::new();
    Encoder::new(&mut bytes, 85).encode(picture.as_raw(), size.0, size.1, ColorType::Rgb)?;
    Ok(bytes)
}

/// The values of these photos.
fn only<T>(values: Vec<T>, used: &[usize]) -> Vec<T> {
    let mut values: Vec<Option<T>> = values.into_iter().map(Some).collect();
    used.iter()
        .filter_map(|i| values.get_mut(*i)?.take())
        .collect()
}

pub(super) fn keep(
    journal: &mut Journal,
    photos: &[Photo],
    checked: &Check,
    plan: &Plan,
) -> anyhow::Result<()> {
    let kept: Vec<KeptPhoto> = photos
        .iter()
        .map(|p| KeptPhoto {
            sha256: &p.sha256,
            path: &p.path,
            bytes: &p.bytes,
        })
        .collect();
    journal.save(&NewCheck {
        row: checked.row,
        record: &checked.record,
        fingerprint: &checked.fingerprint,
        photos: &kept,
        plan: &to_toml(plan),
    })?;
    Ok(())
}

/// An overlay of each photo, as JPEG.
pub(super) fn draw_all(
    photos: &[Photo],
    pictures: Vec<Small>,
    checked: &Check,
    plan: &Plan,
) -> anyhow::Result<Vec<Vec<u8>>> {
    let mut drawn = Vec::new();
    for (i, (photo, small)) in photos.iter().zip(pictures).enumerate() {
        let name = photo.path.file_name().unwrap_or_default().to_string_lossy();
        let picture = draw(&Overlay {
            title: None,
            photo: &small.picture,
            photo_scale: small.scale,
            photo_from_quilt: &|p| checked.drawn.to_photo(i, p),
            rows: &checked.drawn.rows,
            cards_px: &checked.drawn.cards_px[i],
            record: &checked.record,
            plan,
            name: &name,
        });
        drawn.push(overlay_jpeg(&picture)?);
    }
    Ok(drawn)
}

pub(super) fn write_overlays(
    folder: &Path,
    row: u32,
    pictures: &[Vec<u8>],
) -> anyhow::Result<Vec<PathBuf>> {
    let out = folder.join(OVERLAY_FOLDER);
    std::fs::create_dir_all(&out)
        .with_context(|| format!("the folder {} cannot be made", out.display()))?;
    let paths = overlay_paths(folder, row, pictures.len());
    for (path, bytes) in paths.iter().zip(pictures) {
        write_whole(path, bytes)
            .with_context(|| format!("{} cannot be written", path.display()))?;
    }
    Ok(paths)
}

/// Where the overlays of a row's photos lie.
pub(super) fn overlay_paths(folder: &Path, row: u32, photos: usize) -> Vec<PathBuf> {
    let name = |i: usize| match photos {
        1 => format!("row-{row:02}.jpg"),
        _ => format!("row-{row:02}-{}.jpg", i + 1),
    };
    let out = folder.join(OVERLAY_FOLDER);
    (0..photos).map(|i| out.join(name(i))).collect()
}
