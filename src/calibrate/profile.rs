//! Camera profiles: what a calibration found out, as one TOML file a camera in the user's data folder.
//!
//! A profile belongs to one make, model, focal length and picture size, all in the stored picture before
//! it is turned upright. Another focal length (zoom, or another lens of the same telephone) and another
//! size (cropping) are another camera, and a profile is never used for them.

use super::turn::Turn;
use super::{Calibration, LensCovariance};
use crate::geometry::Point2;
use crate::photo::CaptureFacts;
use crate::plane::camera::{CAMERA_VALUES, Camera};
use crate::plane::joint::CameraPrior;
use crate::whole_file::write_whole;
use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Name and version of the file format.
pub const FORMAT: &str = "rowsight.camera/1";
/// Environment variable that names another data folder.
pub const DATA_VARIABLE: &str = "ROWSIGHT_DATA";
/// Another name of it, which counts where the first is not set.
const HOME_VARIABLE: &str = "ROWSIGHT_HOME";
/// Focal lengths closer than this are the same, relative: makers round them to hundredths of a millimetre,
/// and to whole millimetres as equivalents.
const SAME_FOCAL: f64 = 0.01;
/// By how much the focal length changes when the camera focuses nearer or farther than at calibration,
/// relative: some 5 mm of focal length at half a metre to a metre and a half (thin lens; the distances are
/// common practice, no source).
const FOCUS_U: f64 = 0.005;
/// How far a steadied lens wanders, share of the picture's diagonal (common practice, no source).
const STEADY_U: f64 = 0.002;

/// What tells one camera from another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields)]
pub struct CameraKey {
    /// Maker, as the photos say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub make: Option<String>,
    /// Model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// Focal length, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focal_length_mm: Option<f64>,
    /// Focal length of a 35 mm film camera with the same angle of view, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focal_length_35mm: Option<f64>,
    /// Width and height of the stored picture, px.
    pub size_px: (u32, u32),
}

impl CameraKey {
    /// Key of a photo of this upright size, px.
    pub fn of_photo(facts: &CaptureFacts, upright_px: (u32, u32)) -> CameraKey {
        CameraKey {
            make: facts.make.clone(),
            model: facts.model.clone(),
            focal_length_mm: facts.focal_length_mm,
            focal_length_35mm: facts.focal_length_35mm,
            size_px: Turn::new(facts.orientation, upright_px).stored_size(upright_px),
        }
    }

    /// Whether the photo names its camera at all.
    pub fn says_something(&self) -> bool {
        self.make.is_some() || self.model.is_some()
    }

    /// Make and model: `Practice Camera 1`.
    pub fn title(&self) -> String {
        let words: Vec<&str> = [&self.make, &self.model]
            .into_iter()
            .flatten()
            .map(String::as_str)
            .collect();
        // Many models repeat their maker.
        match words[..] {
            [make, model] if model.starts_with(make) => model.to_owned(),
            [] => "an unnamed camera".to_owned(),
            _ => words.join(" "),
        }
        .replace(char::is_control, " ")
    }

    /// In what a photo differs from this camera; `None` when it is the same.
    pub fn difference(&self, photo: &CameraKey) -> Option<String> {
        if (&self.make, &self.model) != (&photo.make, &photo.model) {
            return Some(format!(
                "it was taken with {}, not with {}",
                photo.title(),
                self.title()
            ));
        }
        let differ = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => (a / b - 1.0).abs() > SAME_FOCAL,
            (a, b) => a != b,
        };
        let mm = |f: Option<f64>| f.map_or_else(|| "no".to_owned(), |f| format!("{f:.2} mm"));
        if differ(self.focal_length_mm, photo.focal_length_mm) {
            return Some(format!(
                "it was taken with another lens or zoom ({} focal length instead of {})",
                mm(photo.focal_length_mm),
                mm(self.focal_length_mm)
            ));
        }
        if differ(self.focal_length_35mm, photo.focal_length_35mm) {
            return Some(format!(
                "it was zoomed ({} equivalent focal length instead of {})",
                mm(photo.focal_length_35mm),
                mm(self.focal_length_35mm)
            ));
        }
        self.size_difference(photo)
    }

    /// In what a photo's size differs from this camera's.
    pub fn size_difference(&self, photo: &CameraKey) -> Option<String> {
        let (mine, theirs) = (self.size_px, photo.size_px);
        (mine != theirs).then(|| {
            format!(
                "it has {} × {} pixels instead of {} × {}: cropped, turned, or another setting",
                theirs.0, theirs.1, mine.0, mine.1
            )
        })
    }
}

/// The lens, in the stored picture; Brown–Conrady terms of normalised image coordinates as in
/// [`Camera`]. Pixel (0, 0) has its centre at (0.5, 0.5).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LensValues {
    /// Focal length along x, px.
    pub fx_px: f64,
    /// Focal length along y, px.
    pub fy_px: f64,
    /// Principal point, x, px.
    pub cx_px: f64,
    /// Principal point, y, px.
    pub cy_px: f64,
    /// Radial term.
    pub k1: f64,
    /// Radial term.
    pub k2: f64,
    /// Radial term.
    pub k3: f64,
    /// Tangential term.
    pub p1: f64,
    /// Tangential term.
    pub p2: f64,
    /// Covariance of the nine, in this order.
    pub covariance: [[f64; 9]; 9],
}

/// How good a calibration is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Quality {
    /// When it was made.
    pub made: jiff::civil::Date,
    /// Photos used.
    pub photos: usize,
    /// Corners used.
    pub corners: usize,
    /// RMS distance of the corners from the fit, px.
    pub residual_px: f64,
    /// Flat things stay flat to this anywhere in the picture, 95 %, px.
    pub flat_px: f64,
}

/// A camera profile.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// [`FORMAT`].
    pub format: String,
    /// What the user calls it.
    pub name: String,
    /// Which camera.
    pub camera: CameraKey,
    /// How good it is.
    pub quality: Quality,
    /// Its lens.
    pub lens: LensValues,
}

/// Why a profile cannot be read, written or used.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// The system names no data folder.
    #[error(
        "no data folder is known on this system; name one in the environment variable {DATA_VARIABLE}"
    )]
    NoFolder,
    /// A file or folder.
    #[error("{} cannot be {what} ({reason}); check that you may use it", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Read, written or removed.
        what: &'static str,
        /// What the system says.
        reason: String,
    },
    /// Not a profile.
    #[error("{} is not a camera profile ({reason}); calibrate the camera again, or remove the file", path.display())]
    Broken {
        /// The file.
        path: PathBuf,
        /// Where and why.
        reason: String,
    },
    /// A name that is not there.
    #[error(
        "there is no camera profile named `{name}`; `rowsight calibrate --list` shows those there are"
    )]
    Unknown {
        /// The name.
        name: String,
    },
    /// A name that is taken.
    #[error(
        "there is a camera profile named `{name}` already; choose another name, or remove that one first"
    )]
    Taken {
        /// The name.
        name: String,
    },
    /// A name without a letter.
    #[error("`{name}` cannot be a name; use letters or digits, like `my phone`")]
    BadName {
        /// The name.
        name: String,
    },
}

/// A profile made of a calibration.
pub fn profile(
    name: &str,
    camera: &CameraKey,
    calibration: &Calibration,
    made: jiff::civil::Date,
) -> Profile {
    let [fx_px, fy_px, cx_px, cy_px, k1, k2, k3, p1, p2, _] = calibration.camera.values();
    let c = &calibration.covariance;
    Profile {
        format: FORMAT.to_owned(),
        name: name.to_owned(),
        camera: camera.clone(),
        quality: Quality {
            made,
            photos: calibration.photos.len(),
            corners: calibration.corners,
            residual_px: calibration.residual_px,
            flat_px: calibration.flat_px,
        },
        lens: LensValues {
            fx_px,
            fy_px,
            cx_px,
            cy_px,
            k1,
            k2,
            k3,
            p1,
            p2,
            covariance: std::array::from_fn(|i| std::array::from_fn(|j| c[(i, j)])),
        },
    }
}

impl Profile {
    /// The camera, in the stored picture.
    pub fn stored_camera(&self) -> Camera {
        let l = &self.lens;
        let values: [f64; CAMERA_VALUES] = [
            l.fx_px, l.fy_px, l.cx_px, l.cy_px, l.k1, l.k2, l.k3, l.p1, l.p2, 0.0,
        ];
        Camera::from_values(&values)
    }

    /// Covariance of the lens.
    pub fn covariance(&self) -> LensCovariance {
        LensCovariance::from_fn(|i, j| self.lens.covariance[i][j])
    }

    /// What it says of the camera of a photo with this EXIF orientation and upright size: the calibration's
    /// own uncertainty, and what focusing and a steadied lens change from photo to photo.
    pub fn prior(&self, orientation: u8, upright_px: (u32, u32)) -> CameraPrior {
        let camera = self.stored_camera();
        let covariance = self.covariance();
        let diagonal = f64::from(upright_px.0).hypot(f64::from(upright_px.1));
        let centre_u = covariance[(2, 2)].max(covariance[(3, 3)]).max(0.0).sqrt();
        let focal_u = covariance[(0, 0)].max(0.0).sqrt() / camera.focal_px;
        let largest_r = 0.5 * diagonal / camera.focal_px;
        CameraPrior {
            camera: Turn::new(orientation, upright_px).upright_camera(&camera),
            focal_relative_u: focal_u.hypot(FOCUS_U),
            centre_u_px: centre_u.hypot(STEADY_U * diagonal),
            bend: bend(&covariance.fixed_view::<3, 3>(4, 4).into_owned(), largest_r),
        }
    }

    /// The file's text.
    pub fn to_toml(&self) -> String {
        // Plain numbers and strings: nothing in it that TOML cannot hold.
        let body = toml::to_string_pretty(self).unwrap_or_default();
        format!("# Camera profile of rowsight, written by `rowsight calibrate`.\n{body}")
    }
}

/// The change of (k1, k2, k3) that matters most of all that their covariance allows, at one standard
/// uncertainty: where what it moves in the picture, less a change of scale, is largest.
fn bend(covariance: &Matrix3<f64>, largest_r: f64) -> [f64; 3] {
    let mut gram = Matrix3::zeros();
    let steps = 40;
    let radii = || (1..=steps).map(|i| largest_r * f64::from(i) / f64::from(steps));
    // Rings weigh as their length; the scale that fits r³, r⁵, r⁷ best over the disc is taken out.
    let moments = |power: i32| {
        radii().map(|r| r * r.powi(power)).sum::<f64>() / radii().map(|r| r * r * r).sum::<f64>()
    };
    let scale = [moments(4), moments(6), moments(8)];
    for r in radii() {
        let phi = Vector3::from_fn(|k, _| r.powi(3 + 2 * k as i32) - scale[k] * r);
        gram += phi * phi.transpose() * r;
    }
    let eigen = covariance.symmetric_eigen();
    let root =
        eigen.eigenvectors * Matrix3::from_diagonal(&eigen.eigenvalues.map(|v| v.max(0.0).sqrt()));
    let most = (root.transpose() * gram * root).symmetric_eigen();
    let direction = root * most.eigenvectors.column(most.eigenvalues.imax());
    [direction[0], direction[1], direction[2]]
}

/// Which profile fits a photo.
#[derive(Debug, Clone, PartialEq)]
pub enum Picked<'a> {
    /// This one.
    Fits(&'a Profile),
    /// None, but one is of the same make and model: in what the photo differs from it.
    Near(&'a Profile, String),
    /// None.
    None,
}

/// Picks the profile for a photo by what its EXIF says.
pub fn pick<'a>(profiles: &'a [Profile], photo: &CameraKey) -> Picked<'a> {
    if !photo.says_something() {
        return Picked::None;
    }
    // Of several for one camera, the newest.
    let fits = |p: &&Profile| p.camera.difference(photo).is_none();
    if let Some(fits) = profiles.iter().filter(fits).max_by_key(|p| p.quality.made) {
        return Picked::Fits(fits);
    }
    profiles
        .iter()
        .filter(|p| p.camera.make == photo.make && p.camera.model == photo.model)
        .find_map(|p| Some(Picked::Near(p, p.camera.difference(photo)?)))
        .unwrap_or(Picked::None)
}

/// Folder of the profiles: `cameras` in the data folder, which [`DATA_VARIABLE`] overrides.
///
/// # Errors
///
/// [`ProfileError::NoFolder`] when the system names none.
pub fn folder() -> Result<PathBuf, ProfileError> {
    let variables = [DATA_VARIABLE, HOME_VARIABLE].into_iter();
    let mut named = variables.filter_map(std::env::var_os);
    if let Some(named) = named.find(|v| !v.is_empty()) {
        return Ok(PathBuf::from(named).join("cameras"));
    }
    directories::ProjectDirs::from("", "", "rowsight")
        .map(|dirs| dirs.data_dir().join("cameras"))
        .ok_or(ProfileError::NoFolder)
}

/// File name of a profile: its name in small letters, everything else a hyphen.
fn file_name(name: &str) -> Result<String, ProfileError> {
    let hyphened: String = name
        .to_lowercase()
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || c == '.' {
                c
            } else {
                '-'
            }
        })
        .collect();
    let parts: Vec<&str> = hyphened.split('-').filter(|p| !p.is_empty()).collect();
    if !hyphened.chars().any(char::is_alphanumeric) {
        return Err(ProfileError::BadName {
            name: name.to_owned(),
        });
    }
    Ok(format!("{}.toml", parts.join("-").trim_matches('.')))
}

fn failed<'a>(path: &'a Path, what: &'static str) -> impl Fn(std::io::Error) -> ProfileError + 'a {
    move |e| ProfileError::File {
        path: path.to_owned(),
        what,
        reason: e.to_string(),
    }
}

/// Reads one profile.
///
/// # Errors
///
/// [`ProfileError`] when it cannot be read or is none.
pub fn read(path: &Path) -> Result<Profile, ProfileError> {
    let broken = |reason: String| ProfileError::Broken {
        path: path.to_owned(),
        reason,
    };
    let text = std::fs::read_to_string(path).map_err(failed(path, "read"))?;
    let profile: Profile = toml::from_str(&text).map_err(|e| broken(e.message().to_owned()))?;
    if profile.format != FORMAT {
        return Err(broken(format!(
            "its format is `{}`, not `{FORMAT}`",
            profile.format
        )));
    }
    let l = &profile.lens;
    let values = [
        l.fx_px, l.fy_px, l.cx_px, l.cy_px, l.k1, l.k2, l.k3, l.p1, l.p2,
    ];
    let numbers = values.iter().chain(l.covariance.iter().flatten());
    if numbers.clone().any(|v| !v.is_finite()) || l.fx_px <= 0.0 || l.fy_px <= 0.0 {
        return Err(broken("its lens has a number that cannot be".to_owned()));
    }
    if (0..9).any(|i| l.covariance[i][i] < 0.0) {
        return Err(broken("its covariance has a negative variance".to_owned()));
    }
    Ok(profile)
}

/// All profiles of a folder, by name; a folder that is not there has none. Files that are no profile come
/// back as errors beside the others.
///
/// # Errors
///
/// [`ProfileError::File`] when the folder cannot be read.
pub fn read_all(folder: &Path) -> Result<(Vec<Profile>, Vec<ProfileError>), ProfileError> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok((Vec::new(), Vec::new())),
        Err(e) => return Err(failed(folder, "read")(e)),
    };
    let mut paths: Vec<PathBuf> = entries
        .filter_map(|e| Some(e.ok()?.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "toml"))
        .collect();
    paths.sort();
    let (mut profiles, mut errors) = (Vec::new(), Vec::new());
    for path in paths {
        match read(&path) {
            Ok(profile) => profiles.push(profile),
            Err(error) => errors.push(error),
        }
    }
    Ok((profiles, errors))
}

/// The profile of a name; capitals do not matter.
///
/// # Errors
///
/// [`ProfileError::Unknown`] when there is none.
pub fn named<'a>(profiles: &'a [Profile], name: &str) -> Result<&'a Profile, ProfileError> {
    profiles
        .iter()
        .find(|p| p.name.to_lowercase() == name.trim().to_lowercase())
        .ok_or_else(|| ProfileError::Unknown {
            name: name.trim().to_owned(),
        })
}

/// Writes a profile; an older one of that name is kept beside it, ending in `.before`. Returns the file.
///
/// # Errors
///
/// [`ProfileError`] when it cannot be written.
pub fn save(folder: &Path, profile: &Profile) -> Result<PathBuf, ProfileError> {
    let path = folder.join(file_name(&profile.name)?);
    std::fs::create_dir_all(folder).map_err(failed(folder, "made"))?;
    // Two names may differ in what a file name does not hold.
    if let Ok(other) = read(&path)
        && other.name.to_lowercase() != profile.name.to_lowercase()
    {
        return Err(ProfileError::Taken { name: other.name });
    }
    if path.exists() {
        let before = path.with_extension("toml.before");
        std::fs::rename(&path, &before).map_err(failed(&before, "written"))?;
    }
    write_whole(&path, profile.to_toml().as_bytes()).map_err(failed(&path, "written"))?;
    Ok(path)
}

/// Gives a profile another name.
///
/// # Errors
///
/// [`ProfileError`] when the new name is taken or the files cannot be written.
pub fn rename(
    folder: &Path,
    profiles: &[Profile],
    old: &str,
    new: &str,
) -> Result<(), ProfileError> {
    let profile = named(profiles, old)?;
    let (old_path, new_path) = (
        folder.join(file_name(&profile.name)?),
        folder.join(file_name(new)?),
    );
    let same_file = old_path == new_path;
    if !same_file && (new_path.exists() || named(profiles, new).is_ok()) {
        return Err(ProfileError::Taken {
            name: new.trim().to_owned(),
        });
    }
    let renamed = Profile {
        name: new.trim().to_owned(),
        ..profile.clone()
    };
    write_whole(&new_path, renamed.to_toml().as_bytes()).map_err(failed(&new_path, "written"))?;
    if !same_file {
        std::fs::remove_file(&old_path).map_err(failed(&old_path, "removed"))?;
    }
    Ok(())
}

/// Takes a profile away; its file is kept beside the others, ending in `.removed`.
///
/// # Errors
///
/// [`ProfileError`] when it is not there or cannot be removed.
pub fn remove(folder: &Path, profiles: &[Profile], name: &str) -> Result<PathBuf, ProfileError> {
    let path = folder.join(file_name(&named(profiles, name)?.name)?);
    let kept = path.with_extension("toml.removed");
    std::fs::rename(&path, &kept).map_err(failed(&path, "removed"))?;
    Ok(kept)
}

/// A name for a camera's profile that is not taken by another camera's.
pub fn free_name(camera: &CameraKey, profiles: &[Profile]) -> String {
    // The same camera calibrated again takes the earlier one's place.
    if let Some(same) = profiles
        .iter()
        .find(|p| p.camera.difference(camera).is_none())
    {
        return same.name.clone();
    }
    let title = camera.title();
    let taken = |name: &str| named(profiles, name).is_ok();
    if !taken(&title) {
        return title;
    }
    let lens = camera
        .focal_length_mm
        .map_or_else(String::new, |f| format!(" {f:.1} mm"));
    let with_lens = format!("{title}{lens}");
    if !taken(&with_lens) {
        return with_lens;
    }
    let sized = format!("{with_lens} {} × {}", camera.size_px.0, camera.size_px.1);
    (1..)
        .map(|n| {
            if n == 1 {
                sized.clone()
            } else {
                format!("{sized} ({n})")
            }
        })
        .find(|name| !taken(name))
        .unwrap_or(sized)
}

/// Place in the stored picture of a corner found in the upright one: everything calibrated stands there.
pub fn stored_cards(
    cards: &[crate::card::CardInPhoto],
    orientation: u8,
    upright_px: (u32, u32),
) -> Vec<crate::card::CardInPhoto> {
    let turn = Turn::new(orientation, upright_px);
    let mut cards = cards.to_vec();
    for corner in cards.iter_mut().flat_map(|c| &mut c.corners) {
        let at: Point2 = turn.stored(corner.in_photo_px);
        corner.in_photo_px = at;
        corner.covariance_px2 = turn.stored_covariance(&corner.covariance_px2);
    }
    cards
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key() -> CameraKey {
        CameraKey {
            make: Some("Practice".to_owned()),
            model: Some("Camera 1".to_owned()),
            focal_length_mm: Some(5.89),
            focal_length_35mm: Some(26.0),
            size_px: (4000, 3000),
        }
    }

    fn made(name: &str, day: i8) -> Profile {
        let mut covariance = [[0.0; 9]; 9];
        for (i, u) in [2.0, 2.0, 1.0, 3.0, 1e-3].into_iter().enumerate() {
            covariance[i][i] = u * u;
        }
        Profile {
            format: FORMAT.to_owned(),
            name: name.to_owned(),
            camera: key(),
            quality: Quality {
                made: jiff::civil::date(2024, 5, day),
                photos: 12,
                corners: 240,
                residual_px: 0.1,
                flat_px: 0.2,
            },
            lens: LensValues {
                fx_px: 3000.0,
                fy_px: 3003.0,
                cx_px: 2020.0,
                cy_px: 1480.0,
                k1: -0.1,
                k2: 0.02,
                k3: 0.0,
                p1: 0.001,
                p2: -0.002,
                covariance,
            },
        }
    }

    #[test]
    fn zoom_another_lens_another_size_and_another_camera_are_told_apart() {
        let profiles = [made("phone", 17)];
        assert_eq!(pick(&profiles, &key()), Picked::Fits(&profiles[0]));
        let near = |photo: CameraKey, says: &str| match pick(&profiles, &photo) {
            Picked::Near(_, why) => assert!(why.contains(says), "{why}"),
            other => panic!("{other:?}"),
        };
        let lens = CameraKey {
            focal_length_mm: Some(2.2),
            focal_length_35mm: Some(13.0),
            ..key()
        };
        near(lens, "another lens or zoom (2.20 mm");
        let zoom = CameraKey {
            focal_length_35mm: Some(52.0),
            ..key()
        };
        near(zoom, "zoomed (52.00 mm");
        let crop = CameraKey {
            size_px: (3000, 3000),
            ..key()
        };
        near(crop, "3000 × 3000 pixels instead of 4000 × 3000");
        let silent_about_lens = CameraKey {
            focal_length_mm: None,
            ..key()
        };
        near(silent_about_lens, "no focal length instead of 5.89 mm");
        let other = CameraKey {
            model: Some("Camera 2".to_owned()),
            ..key()
        };
        assert_eq!(pick(&profiles, &other), Picked::None);
        assert_eq!(pick(&profiles, &CameraKey::default()), Picked::None);
        // A photo turned by 90 degrees is stored the same way.
        let facts = CaptureFacts {
            make: key().make,
            model: key().model,
            focal_length_mm: Some(5.89),
            focal_length_35mm: Some(26.0),
            taken: None,
            orientation: 6,
        };
        let turned = CameraKey::of_photo(&facts, (3000, 4000));
        assert_eq!(pick(&profiles, &turned), Picked::Fits(&profiles[0]));
    }

    #[test]
    fn of_two_profiles_for_one_camera_the_newest_is_picked() {
        let profiles = [made("a", 3), made("b", 17), made("c", 9)];
        assert_eq!(pick(&profiles, &key()), Picked::Fits(&profiles[1]));
    }

    #[test]
    fn prior_turns_with_the_photo_and_is_never_tighter_than_focusing_allows() {
        let profile = made("phone", 17);
        let level = profile.prior(1, (4000, 3000));
        assert_eq!(level.camera, profile.stored_camera());
        assert!(level.focal_relative_u > FOCUS_U && level.centre_u_px > 3.0);
        // Only k1 is uncertain, so the bend is k1 at one standard uncertainty.
        let [k1, k2, k3] = level.bend;
        assert!(
            (k1.abs() - 1e-3).abs() < 1e-12 && k2 == 0.0 && k3 == 0.0,
            "{:?}",
            level.bend
        );
        // Orientation 6: shown turned by 90 degrees clockwise, so stored y runs from right to left.
        let turned = profile.prior(6, (3000, 4000));
        assert_eq!(
            turned.camera.centre_px,
            Point2::new(3000.0 - 1480.0, 2020.0)
        );
        assert!((turned.camera.focal_px - 3003.0).abs() < 1e-9);
    }

    #[test]
    fn profile_survives_the_way_to_the_file_and_back() {
        let folder = tempfile::tempdir().unwrap();
        let profile = made("My Phone", 17);
        let path = save(folder.path(), &profile).unwrap();
        assert_eq!(path.file_name().unwrap(), "my-phone.toml");
        assert_eq!(read(&path).unwrap(), profile);
        // Another name for the same file is not let in.
        let error = save(folder.path(), &made("my/phone", 17)).unwrap_err();
        assert!(matches!(error, ProfileError::Taken { .. }), "{error}");
        assert!(matches!(
            save(folder.path(), &made("../", 1)),
            Err(ProfileError::BadName { .. })
        ));
        let broken = profile.to_toml().replace("fx_px = 3000.0", "fx_px = nan");
        std::fs::write(&path, broken).unwrap();
        let error = read(&path).unwrap_err();
        assert!(
            error.to_string().contains("a number that cannot be"),
            "{error}"
        );
    }

    #[test]
    fn a_camera_keeps_its_name_and_another_one_gets_a_free_one() {
        assert_eq!(free_name(&key(), &[]), "Practice Camera 1");
        assert_eq!(free_name(&key(), &[made("Old", 1)]), "Old");
        let mut wide = made("Practice Camera 1", 1);
        wide.camera.focal_length_mm = Some(2.2);
        assert_eq!(free_name(&key(), &[wide]), "Practice Camera 1 5.9 mm");
    }
}
