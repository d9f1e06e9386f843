//! Which photos belong together: by the cards they share, then by rows seen in both.

use crate::calibrate::profile::Profile;
use crate::card::geometry::CardId;
use crate::card::{CardError, DetectOptions, FoundCards, find_cards};
use crate::design::Design;
use crate::photo::Photo;
use crate::plan::Plan;
use crate::plane::joint::{CameraPrior, Priors};
use crate::plane::start::camera_prior;
use crate::row::link;
use crate::row::measure::{CannotMeasure, Job, Measured, PhotoView, measure};
use crate::row::unplanned;
use crate::verdict::Warning;
use crate::verdict::words::capital;
use rayon::prelude::*;
use std::borrow::Cow;

/// A photo that could not be measured with the others.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// The photo and why.
    pub what: String,
    /// What to do.
    pub remedy: String,
}

impl LeftOut {
    pub(crate) fn new(path: &str, why: &Unlinked) -> LeftOut {
        match why {
            Unlinked::Cards(error) => LeftOut {
                what: format!("{path}: {error}, so it was left out"),
                remedy: error.remedy().to_owned(),
            },
            Unlinked::NoSharedCard => LeftOut {
                what: format!(
                    "{path}: it shares no card with the other photos, and no stretch of a row seen in both tells where it belongs, so it was left out"
                ),
                remedy: "lay a card where two photos overlap, all of it in both, and retake them, \
                         or measure this photo by itself"
                    .to_owned(),
            },
        }
    }

    pub(super) fn warning(&self) -> Warning {
        Warning {
            what: self.what.clone() + ".",
            remedy: capital(&self.remedy) + ".",
            spoils: false,
        }
    }
}

/// Why a photo is not part of the measurement.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Unlinked {
    /// Nothing to measure by.
    Cards(CardError),
    /// Its cards are in none of the others, and no row seen in both joins it to them.
    NoSharedCard,
}

/// Photos by what joins them, and those without a card.
pub(crate) struct Linked {
    /// Photos that shared cards join, the largest group first, the first of equal ones; never empty.
    pub(super) groups: Vec<Vec<usize>>,
    left_out: Vec<(usize, Unlinked)>,
}

impl Linked {
    /// The largest group, and all other photos, each with the reason, in their order.
    pub(crate) fn largest(self) -> (Vec<usize>, Vec<(usize, Unlinked)>) {
        let used = self.groups.first().cloned().unwrap_or_default();
        let others = self.others(&used);
        (used, others)
    }

    /// All photos but those used, each with the reason, in their order.
    pub(super) fn others(self, used: &[usize]) -> Vec<(usize, Unlinked)> {
        let apart = self.groups.into_iter().flatten();
        let apart = apart.filter(|photo| !used.contains(photo));
        let mut others = self.left_out;
        others.extend(apart.map(|photo| (photo, Unlinked::NoSharedCard)));
        others.sort_by_key(|(photo, _)| *photo);
        others
    }
}

/// What is known of each photo's camera, and the cards found in it; `profiles` are of calibrated cameras, in the
/// photos' order.
pub(crate) fn cards_in(
    photos: &[Photo],
    profiles: &[Option<Profile>],
) -> (Vec<CameraPrior>, Vec<Result<FoundCards, CardError>>) {
    photos
        .par_iter()
        .enumerate()
        .map(|(i, photo)| {
            let (w, h) = photo.luma.dimensions();
            let profile = profiles.get(i).and_then(Option::as_ref);
            let prior = match profile {
                Some(profile) => profile.prior(photo.facts.orientation, (w, h)),
                None => camera_prior(&photo.facts, w, h),
            };
            let says_focal = photo.facts.focal_length_35mm.is_some();
            let options = DetectOptions {
                focal_px: says_focal.then_some(prior.camera.focal_px),
                camera: profile.map(|_| prior.camera),
                ..DetectOptions::default()
            };
            (prior, find_cards(&photo.luma, &options))
        })
        .unzip()
}

/// The photos that shared cards join, and those without a card, each with the reason.
///
/// # Errors
///
/// The first photo with its error when none has a card.
pub(crate) fn linked(
    found: &[Result<FoundCards, CardError>],
) -> Result<Linked, (usize, CardError)> {
    let mut groups: Vec<(Vec<usize>, Vec<CardId>)> = Vec::new();
    let mut left_out = Vec::new();
    for (photo, found) in found.iter().enumerate() {
        let mut joined = match found {
            Ok(found) => (
                vec![photo],
                found.cards.iter().map(|c| c.card).collect::<Vec<_>>(),
            ),
            Err(error) => {
                left_out.push((photo, Unlinked::Cards(error.clone())));
                continue;
            }
        };
        // All groups this photo shares a card with become one.
        groups.retain(|(photos, cards): &(Vec<usize>, Vec<CardId>)| {
            let shares = cards.iter().any(|card| joined.1.contains(card));
            if shares {
                joined.0.extend(photos);
                joined.1.extend(cards);
            }
            !shares
        });
        groups.push(joined);
    }
    for (photos, _) in &mut groups {
        photos.sort_unstable();
    }
    groups.sort_by_key(|(photos, _)| (std::cmp::Reverse(photos.len()), photos[0]));
    if groups.is_empty() {
        return Err(match left_out.into_iter().next() {
            Some((photo, Unlinked::Cards(error))) => (photo, error),
            _ => (0, CardError::NoCard { smallest_px: 0.0 }),
        });
    }
    Ok(Linked {
        groups: groups.into_iter().map(|(photos, _)| photos).collect(),
        left_out,
    })
}

/// Photos measured together.
pub(super) struct Grouped {
    pub(super) measured: Measured,
    /// Which photos, in the order of the measurement.
    pub(super) used: Vec<usize>,
    /// The design they were measured by: the plan's, or what was learned from the rows themselves.
    pub(super) design: Design,
}

/// Stands where a design is not known.
static NO_LINE: Design = Design {
    curve_mm: Vec::new(),
    repeat_mm: 1.0,
    breaks: Vec::new(),
};

/// Measures the first group of photos and, as far as rows seen in both join them, the others with it; says
/// which photos were measured. Without a design the line is learned from the first group.
///
/// # Errors
///
/// [`CannotMeasure`] of the first group.
pub(super) fn measure_groups<'a>(
    groups: &[Vec<usize>],
    view: impl Fn(usize) -> PhotoView<'a>,
    plan: &Plan,
    design: Option<&Design>,
) -> Result<Grouped, CannotMeasure> {
    type Work<'w> = dyn Fn(&Job) -> Result<Measured, CannotMeasure> + 'w;
    let repeat_mm = plan.told_repeat_mm().filter(|_| design.is_none());
    let base = Job {
        photos: &[],
        design: design.unwrap_or(&NO_LINE),
        spacing_mm: plan.spacing_mm,
        stagger: plan.stagger,
        card_bar_mm: plan.card_bar_mm,
        priors: Priors::default(),
        relaxed: None,
    };
    let design = match design {
        Some(design) => Cow::Borrowed(design),
        None => {
            let views: Vec<PhotoView> = groups[0].iter().map(|i| view(*i)).collect();
            Cow::Owned(unplanned::learn(
                &Job {
                    photos: &views,
                    ..base
                },
                repeat_mm,
            )?)
        }
    };
    let priors = match design {
        Cow::Borrowed(_) => Priors::default(),
        Cow::Owned(_) => unplanned::priors(repeat_mm.is_some()),
    };
    let with_photos = |photos: &[usize], work: &Work| {
        let views: Vec<PhotoView> = photos.iter().map(|i| view(*i)).collect();
        work(&Job {
            design: &design,
            priors,
            photos: &views,
            ..base
        })
    };
    let mut used = groups[0].clone();
    let mut measured = with_photos(&used, &measure)?;
    let mut others: Vec<(&Vec<usize>, Measured)> = groups[1..]
        .iter()
        .filter_map(|group| Some((group, with_photos(group, &measure).ok()?)))
        .collect();
    // Each one joined may show a row that joins the next.
    while let Some((at, tie)) = others
        .iter()
        .enumerate()
        .find_map(|(at, (_, other))| Some((at, link::tie(&measured, other, &design)?)))
    {
        let (photos, other) = others.remove(at);
        let all = [&used[..], photos].concat();
        let together = with_photos(&all, &|job| {
            link::measure_tied(job, &measured, &other, &tie)
        });
        if let Ok(together) = together {
            (measured, used) = (together, all);
        }
    }
    Ok(Grouped {
        measured,
        used,
        design: design.into_owned(),
    })
}
