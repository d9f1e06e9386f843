//! Which photos of a set were taken by one camera.

use super::FEWEST_PHOTOS;
use super::error::{CannotCalibrate, Note};
use super::profile::CameraKey;

/// The camera most photos were taken with, which photos these are, and why the others were not taken.
///
/// Photos that do not say what took them go with the others of their size.
///
/// # Errors
///
/// [`CannotCalibrate::Mixed`] when there are several cameras and none took enough photos.
pub fn one_camera(
    photos: &[(String, CameraKey)],
) -> Result<(CameraKey, Vec<usize>, Vec<Note>), CannotCalibrate> {
    let mut groups: Vec<(CameraKey, usize)> = Vec::new();
    for (_, key) in photos.iter().filter(|p| p.1.says_something()) {
        match groups.iter_mut().find(|g| g.0.difference(key).is_none()) {
            Some(group) => group.1 += 1,
            None => groups.push((key.clone(), 1)),
        }
    }
    if groups.is_empty() {
        for (_, key) in photos {
            match groups.iter_mut().find(|g| g.0 == *key) {
                Some(group) => group.1 += 1,
                None => groups.push((key.clone(), 1)),
            }
        }
    }
    let Some((key, count)) = groups.iter().rev().max_by_key(|g| g.1).cloned() else {
        return Err(CannotCalibrate::TooFewPhotos {
            found: 0,
            needed: FEWEST_PHOTOS,
        });
    };
    if groups.len() > 1 && count < FEWEST_PHOTOS {
        return Err(CannotCalibrate::Mixed {
            cameras: groups.len(),
            needed: FEWEST_PHOTOS,
        });
    }
    let (mut kept, mut notes) = (Vec::new(), Vec::new());
    for (i, (name, other)) in photos.iter().enumerate() {
        let silent = !other.says_something() && other.size_px == key.size_px;
        match key.difference(other).filter(|_| !silent) {
            None => kept.push(i),
            Some(why) => notes.push(Note::OtherCamera {
                name: name.clone(),
                why,
            }),
        }
    }
    Ok((key, kept, notes))
}
