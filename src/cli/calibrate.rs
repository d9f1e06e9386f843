//! `rowsight calibrate`

use super::{Outcome, complain, hint, say, spinner, written_as};
use crate::calibrate::profile::{self, CameraKey, Profile};
use crate::calibrate::{
    Calibration, CalibrationPhoto, Note, Refusal, TRUSTED_PX, calibrate, picture, set,
};
use crate::card::{CardWarning, DetectOptions, find_cards};
use crate::photo;
use crate::whole_file::write_whole;
use anyhow::{Context, bail};
use clap::Args;
use rayon::prelude::*;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Calibrate a camera once, from 8 to 20 photos of a sheet card; keep the profiles
///
/// The profile is picked by itself whenever a photo says it was taken with this camera and lens.
///
/// Example: rowsight calibrate card-1.jpg card-2.jpg card-3.jpg … card-12.jpg
#[derive(Args)]
#[command(group = clap::ArgGroup::new("what").required(true).args(["photos", "list", "show", "rename", "remove", "export"]))]
pub struct CalibrateArguments {
    /// Photos of one or more sheet cards, flat on a table, from varied angles
    #[arg(value_name = "PHOTO")]
    photos: Vec<PathBuf>,
    /// Name of the new profile [default: the camera's make and model]
    #[arg(long, value_name = "NAME", requires = "photos")]
    name: Option<String>,
    /// Draw where the cards were seen and what the fit leaves: coverage.svg and residuals.svg
    #[arg(long, value_name = "FOLDER", requires = "photos")]
    pictures: Option<PathBuf>,
    /// Only look: keep no profile
    #[arg(long, requires = "photos")]
    look: bool,
    /// List the profiles
    #[arg(long)]
    list: bool,
    /// Show a profile
    #[arg(long, value_name = "NAME")]
    show: Option<String>,
    /// Give a profile another name
    #[arg(long, num_args = 2, value_names = ["OLD", "NEW"])]
    rename: Option<Vec<String>>,
    /// Take a profile away
    #[arg(long, value_name = "NAME")]
    remove: Option<String>,
    /// Write a profile as TOML
    #[arg(long, value_name = "NAME")]
    export: Option<String>,
    /// File of the exported profile [default: the terminal]
    #[arg(short, long, value_name = "FILE", requires = "export")]
    output: Option<PathBuf>,
}

/// The profiles there are; files that are none are complained about.
pub fn profiles() -> Result<(PathBuf, Vec<Profile>), profile::ProfileError> {
    let folder = profile::folder()?;
    let (profiles, errors) = profile::read_all(&folder)?;
    for error in errors {
        complain(&error.to_string());
    }
    Ok((folder, profiles))
}

pub fn run(arguments: &CalibrateArguments) -> anyhow::Result<Outcome> {
    let (folder, profiles) = profiles()?;
    if arguments.list {
        say(&list(&profiles));
    } else if let Some(name) = &arguments.show {
        say(&show(profile::named(&profiles, name)?));
    } else if let Some([old, new]) = arguments.rename.as_deref() {
        profile::rename(&folder, &profiles, old, new)?;
        hint(&format!("`{}` is now `{}`.", old.trim(), new.trim()));
    } else if let Some(name) = &arguments.remove {
        let kept = profile::remove(&folder, &profiles, name)?;
        hint(&format!(
            "`{}` is removed; its file is kept as {}.",
            name.trim(),
            kept.display()
        ));
    } else if let Some(name) = &arguments.export {
        let text = profile::named(&profiles, name)?.to_toml();
        match &arguments.output {
            None => say(&text),
            Some(path) => {
                written_as("-o", path, &["toml"])?;
                write_whole(path, text.as_bytes())
                    .with_context(|| format!("{} cannot be written", path.display()))?;
                hint(&format!("Wrote {}.", path.display()));
            }
        }
    } else {
        return from_photos(arguments, &folder, &profiles);
    }
    Ok(Outcome::Fine)
}

/// What is kept of a photo once its cards are found.
struct Looked {
    name: String,
    key: CameraKey,
    sha256: String,
    taken: CalibrationPhoto,
    notes: Vec<Note>,
}

fn look_at(path: &Path) -> Result<Looked, photo::PhotoError> {
    let photo = photo::read(path)?;
    let name = path
        .file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned();
    let upright_px = photo.luma.dimensions();
    // Photos are looked at side by side already. Hundreds of corners average noise away anyway, and what a
    // thinned patch says worse stays below the floor of a corner's uncertainty.
    let options = DetectOptions {
        judge: false,
        large: true,
        patch_pixels: 1000.0,
        ..DetectOptions::default()
    };
    let (mut notes, mut cards) = (Vec::new(), Vec::new());
    match find_cards(&photo.luma, &options) {
        Ok(found) => {
            for warning in &found.warnings {
                match warning {
                    CardWarning::LeftOut(error) => notes.push(Note::NoCard {
                        name: name.clone(),
                        reason: format!("{error}; {}", error.remedy()),
                    }),
                    CardWarning::Curled { .. }
                    | CardWarning::PartlyHidden { .. }
                    | CardWarning::ForeignTag { .. } => {}
                }
            }
            cards = profile::stored_cards(&found.cards, photo.facts.orientation, upright_px);
        }
        Err(error) => notes.push(Note::NoCard {
            name: name.clone(),
            reason: format!("{error}; {}", error.remedy()),
        }),
    }
    Ok(Looked {
        key: CameraKey::of_photo(&photo.facts, upright_px),
        sha256: photo.sha256,
        taken: CalibrationPhoto {
            name: name.clone(),
            cards,
        },
        name,
        notes,
    })
}

fn from_photos(
    arguments: &CalibrateArguments,
    folder: &Path,
    profiles: &[Profile],
) -> anyhow::Result<Outcome> {
    let progress = spinner("looking for cards");
    let read: Vec<_> = arguments.photos.par_iter().map(|p| look_at(p)).collect();
    progress.finish_and_clear();
    let mut unreadable = 0;
    let mut looked: Vec<Looked> = Vec::new();
    let mut notes = Vec::new();
    for result in read {
        match result {
            Err(error) => {
                complain(&error.to_string());
                unreadable += 1;
            }
            Ok(photo) => match looked.iter().find(|p| p.sha256 == photo.sha256) {
                Some(first) => notes.push(Note::SameFile {
                    name: photo.name,
                    first: first.name.clone(),
                }),
                None => looked.push(photo),
            },
        }
    }
    let outcome = settle(&looked, &mut notes);
    notes.extend(match &outcome {
        Ok((_, calibration)) => calibration.notes.clone(),
        Err(refusal) => refusal.notes.clone(),
    });
    for note in &notes {
        hint(&note.to_string());
    }
    let (key, calibration) = match outcome {
        Ok(outcome) => outcome,
        Err(refusal) => bail!("{refusal}\n  try: {}", refusal.reason.remedy()),
    };
    if let Some(pictures) = &arguments.pictures {
        write_pictures(pictures, &calibration)?;
    }
    say(&words(&key, &calibration));
    if !calibration.trusted() {
        hint(
            "No profile was kept. Take the photos named above, and give them together with these.",
        );
        return Ok(Outcome::Retake);
    }
    if arguments.look {
        return Ok(finished(unreadable));
    }
    let name = match &arguments.name {
        Some(name) => {
            let name = name.trim();
            if let Ok(other) = profile::named(profiles, name)
                && other.camera.difference(&key).is_some()
            {
                return Err(profile::ProfileError::Taken {
                    name: name.to_owned(),
                }
                .into());
            }
            name.to_owned()
        }
        None if !key.says_something() => bail!(
            "the photos do not say which camera took them, so nothing was kept; give the profile a name with --name, and use it with `rowsight snap --camera NAME`"
        ),
        None => profile::free_name(&key, profiles),
    };
    let made = jiff::ZonedDateTime::now().date();
    let path = profile::save(folder, &profile::profile(&name, &key, &calibration, made))?;
    hint(&format!(
        "Kept as camera profile `{name}` in {}.",
        path.display()
    ));
    Ok(finished(unreadable))
}

fn finished(unreadable: usize) -> Outcome {
    if unreadable > 0 {
        Outcome::Failed
    } else {
        Outcome::Fine
    }
}

/// One camera's photos, calibrated.
fn settle(looked: &[Looked], notes: &mut Vec<Note>) -> Result<(CameraKey, Calibration), Refusal> {
    notes.extend(looked.iter().flat_map(|p| p.notes.iter().cloned()));
    let keys: Vec<(String, CameraKey)> = looked
        .iter()
        .map(|p| (p.name.clone(), p.key.clone()))
        .collect();
    let (key, kept, others) = set::one_camera(&keys)?;
    notes.extend(others);
    let photos: Vec<CalibrationPhoto> = kept.iter().map(|i| looked[*i].taken.clone()).collect();
    let calibration = calibrate(&photos, key.size_px)?;
    Ok((key, calibration))
}

fn write_pictures(folder: &Path, calibration: &Calibration) -> anyhow::Result<()> {
    std::fs::create_dir_all(folder)
        .with_context(|| format!("the folder {} cannot be made", folder.display()))?;
    for (name, text) in [
        ("coverage.svg", picture::coverage(calibration)),
        ("residuals.svg", picture::residuals(calibration)),
    ] {
        let path = folder.join(name);
        write_whole(&path, text.as_bytes())
            .with_context(|| format!("{} cannot be written", path.display()))?;
        hint(&format!("Picture: {}", path.display()));
    }
    Ok(())
}

/// What a quilter wants to know first, then the numbers.
fn words(key: &CameraKey, c: &Calibration) -> String {
    let mut out = String::new();
    let focal = key
        .focal_length_mm
        .map_or_else(String::new, |f| format!(", {f:.1} mm lens"));
    let _ = writeln!(
        out,
        "{}{focal}, {} × {} pixels: {} photos, {} corners.",
        key.title(),
        key.size_px.0,
        key.size_px.1,
        c.photos.len(),
        c.corners
    );
    if c.trusted() {
        let _ = writeln!(
            out,
            "Good: flat things look bent by at most {:.2} px anywhere in the picture (95 %),\n\
             {:.2} mm on a quilt where a pixel is 0.4 mm.",
            c.flat_px,
            0.4 * c.flat_px
        );
    } else {
        let _ = writeln!(
            out,
            "Not good enough yet: flat things may look bent by {:.1} px somewhere in the\n\
             picture (95 %); {TRUSTED_PX:.0} px is the most to measure with.",
            c.flat_px
        );
    }
    if c.advice.is_empty() && !c.trusted() {
        let more = "take as many photos again, sharp and in good light, with the card filling half of the picture's width";
        let _ = writeln!(out, "What is missing:\n{}", wrapped(more, "  - ", "    "));
    }
    if !c.advice.is_empty() {
        let _ = writeln!(
            out,
            "{}",
            if c.trusted() {
                "To make it better:"
            } else {
                "What is missing:"
            }
        );
        for advice in c.advice.iter().take(4) {
            let _ = writeln!(out, "{}", wrapped(&advice.to_string(), "  - ", "    "));
        }
    }
    let u = |i: usize| 1.96 * c.covariance[(i, i)].sqrt();
    let v = c.camera.values();
    let _ = writeln!(
        out,
        "\nThe lens, with 95 % intervals (px where no other unit):\n\
         \x20 focal length      {:.2} ± {:.2} across, {:.2} ± {:.2} down\n\
         \x20 principal point   {:.2} ± {:.2}, {:.2} ± {:.2}",
        v[0],
        u(0),
        v[1],
        u(1),
        v[2],
        u(2),
        v[3],
        u(3)
    );
    for (i, name) in [(4, "k1"), (5, "k2"), (6, "k3"), (7, "p1"), (8, "p2")] {
        if c.covariance[(i, i)] > 0.0 {
            let _ = writeln!(out, "  {name:<17} {:.5} ± {:.5}", v[i], u(i));
        }
    }
    let others: Vec<String> = c
        .criteria
        .iter()
        .filter(|(terms, _)| *terms != c.terms)
        .map(|(terms, worse)| format!("{terms} {worse:.0} worse"))
        .collect();
    let set_in = " ".repeat(20);
    let _ = writeln!(
        out,
        "  corners fit to    {:.3} px RMS\n  terms             {} by the Bayesian information criterion;\n{}",
        c.residual_px,
        c.terms,
        wrapped(&others.join(", "), &set_in, &set_in)
    );
    out
}

/// Lines of at most 80 columns, the first after `lead`, the others after `rest`.
fn wrapped(text: &str, lead: &str, rest: &str) -> String {
    let mut lines = vec![lead.to_owned()];
    for word in text.split_whitespace() {
        let line = lines.last().map_or(0, |l| l.chars().count());
        if line + 1 + word.chars().count() > 80 {
            lines.push(rest.to_owned());
        }
        if let Some(line) = lines.last_mut() {
            if !line.is_empty() && !line.ends_with(' ') {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines.join("\n")
}

fn list(profiles: &[Profile]) -> String {
    if profiles.is_empty() {
        return "No camera has been calibrated yet; begin with `rowsight calibrate PHOTOS`.\n"
            .to_owned();
    }
    profiles.iter().fold(String::new(), |mut out, p| {
        let lens = p
            .camera
            .focal_length_mm
            .map_or_else(String::new, |f| format!(", {f:.1} mm lens"));
        let line = format!(
            "{}: {}{lens}, {} × {} pixels; {} from {} photos, flat to {:.2} px",
            p.name,
            p.camera.title(),
            p.camera.size_px.0,
            p.camera.size_px.1,
            p.quality.made,
            p.quality.photos,
            p.quality.flat_px
        );
        let _ = writeln!(out, "{}", wrapped(&line, "", "    "));
        out
    })
}

fn show(p: &Profile) -> String {
    let l = &p.lens;
    let u = |i: usize| 1.96 * l.covariance[i][i].max(0.0).sqrt();
    let mut out = list(std::slice::from_ref(p));
    let values = [
        ("focal length across", l.fx_px, 2),
        ("focal length down", l.fy_px, 2),
        ("principal point x", l.cx_px, 2),
        ("principal point y", l.cy_px, 2),
        ("k1", l.k1, 5),
        ("k2", l.k2, 5),
        ("k3", l.k3, 5),
        ("p1", l.p1, 5),
        ("p2", l.p2, 5),
    ];
    for (i, (name, value, digits)) in values.into_iter().enumerate() {
        if l.covariance[i][i] == 0.0 {
            let _ = writeln!(out, "  {name:<20} not needed");
            continue;
        }
        let unit = if i < 4 { " px" } else { "" };
        let _ = writeln!(
            out,
            "  {name:<20} {value:.digits$} ± {:.digits$}{unit} (95 %)",
            u(i)
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_advice_is_broken_at_80_columns_and_set_in() {
        let text = "word ".repeat(40);
        let wrapped = wrapped(&text, "  - ", "    ");
        assert!(
            wrapped.lines().all(|l| l.chars().count() <= 80),
            "{wrapped}"
        );
        assert!(
            wrapped.lines().skip(1).all(|l| l.starts_with("    word")),
            "{wrapped}"
        );
        assert_eq!(wrapped.matches("word").count(), 40);
    }
}
