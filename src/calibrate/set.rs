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

#[cfg(test)]
mod tests {
    use super::*;

    fn photo(name: &str, model: &str, focal_mm: f64) -> (String, CameraKey) {
        let key = CameraKey {
            model: (!model.is_empty()).then(|| model.to_owned()),
            focal_length_mm: Some(focal_mm),
            size_px: (4000, 3000),
            ..CameraKey::default()
        };
        (name.to_owned(), key)
    }

    #[test]
    fn most_photos_decide_and_the_others_are_named() {
        let mut set: Vec<_> = (0..6).map(|i| photo(&format!("{i}"), "A", 5.9)).collect();
        set.insert(2, photo("wide", "A", 2.2));
        set.insert(0, photo("other", "B", 5.9));
        let (key, kept, notes) = one_camera(&set).unwrap();
        assert_eq!(key.model.as_deref(), Some("A"));
        assert_eq!(kept, [1, 2, 4, 5, 6, 7]);
        let says: Vec<String> = notes.iter().map(ToString::to_string).collect();
        assert!(
            says[0].contains("other was left out: it was taken with B, not with A"),
            "{says:?}"
        );
        assert!(
            says[1].contains("wide was left out: it was taken with another lens"),
            "{says:?}"
        );
    }

    #[test]
    fn photos_that_say_nothing_go_with_the_others_of_their_size() {
        let mut set: Vec<_> = (0..5).map(|i| photo(&format!("{i}"), "A", 5.9)).collect();
        set.push((
            "silent".to_owned(),
            CameraKey {
                size_px: (4000, 3000),
                ..CameraKey::default()
            },
        ));
        set.push((
            "small".to_owned(),
            CameraKey {
                size_px: (1000, 750),
                ..CameraKey::default()
            },
        ));
        let (_, kept, notes) = one_camera(&set).unwrap();
        assert_eq!(kept, [0, 1, 2, 3, 4, 5]);
        assert!(matches!(&notes[..], [Note::OtherCamera { name, .. }] if name == "small"));
    }

    #[test]
    fn a_few_photos_each_of_several_cameras_are_refused() {
        let set: Vec<_> = (0..8)
            .map(|i| photo(&format!("{i}"), ["A", "B", "C"][i % 3], 5.9))
            .collect();
        let error = one_camera(&set).unwrap_err();
        assert!(
            matches!(error, CannotCalibrate::Mixed { cameras: 3, .. }),
            "{error}"
        );
    }
}
