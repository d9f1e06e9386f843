//! Cards found in a photo: coarse by their tags, fine by their patches.
//!
//! Tags are read in a shrunk photo, where that is fast; a finer one is tried when it shows too little.
//! The tags say which card it is and where its patches must be; those are then located in the photo
//! itself. Tags that do not lie as their card says are misread and dropped.

use super::error::{CardError, CardWarning};
use super::flatness::{Flatness, check_flatness};
use super::gather::gather;
use super::geometry::CardId;
use super::locate::{FINE_PIXELS, Located, locate, usable};
use super::nothing::nothing_found;
use super::refine::linear_light;
use super::tags::{ReadOptions, SeenTag, Shrunk, read_tags};
use super::{CardInPhoto, CornerInPhoto, CornerKind};
use crate::geometry::camera::Camera;
use crate::solve::median::median;
use image::GrayImage;

/// Longest side of the shrunk photo, px, least contrast looked at, grey levels, and bits of a code that
/// may be wrong: tried in turn until enough is found. The last one is also the largest picture tags
/// are ever read in.
const LEVELS: [(u32, u8, usize); 3] = [(1000, 24, 1), (2000, 14, 1), (4096, 5, 2)];
/// Tags shorter than this in the shrunk photo may have neighbours that went unread, px. In 30 practice
/// photos all 193 tags of 15 px and more were read, 49 of 76 of 12 to 14 px, none of 16 below that.
const SURE_SIDE_PX: f64 = 14.0;
/// A corner this far from where the others put it is not that corner: px, and standard uncertainties.
const OUTLIER: (f64, f64) = (0.35, 6.0);
/// A card is called bent from this sagitta on, mm, when it is also this many standard uncertainties.
const BENT: (f64, f64) = (1.0, 4.0);
/// Focal length assumed when none is given, share of the picture's diagonal (26 mm on 36 × 24 mm film,
/// a phone's main camera; common practice, no source).
const FOCAL_PER_DIAGONAL: f64 = 26.0 / 43.27;

/// How to look for cards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DetectOptions {
    /// Focal length, px, when known; used only to tell a bent card from lens distortion.
    pub focal_px: Option<f64>,
    /// The camera, when its lens is calibrated; used for the same.
    pub camera: Option<Camera>,
    /// Whether to leave out corners that do not lie as on a flat card seen through an ordinary lens, and to
    /// judge flatness. Off when it is the lens that is asked for: the corners farthest out say most about
    /// it. Default on.
    pub judge: bool,
    /// Whether to look for large cards first, in a picture of half the side: where the cards fill the photos, that
    /// finds them in a quarter of the time. Default off.
    pub large: bool,
    /// Pixels of a patch that are looked at, about. More take longer and average more noise away. Default
    /// 4000.
    pub patch_pixels: f64,
}

impl Default for DetectOptions {
    fn default() -> Self {
        DetectOptions {
            focal_px: None,
            camera: None,
            judge: true,
            large: false,
            patch_pixels: FINE_PIXELS,
        }
    }
}

/// What was found in one photo.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundCards {
    /// The cards, in order of their numbers, sheets first.
    pub cards: Vec<CardInPhoto>,
    /// What the user should know about them.
    pub warnings: Vec<CardWarning>,
    /// Median blur at the located patches, standard deviation, px; `None` without patches.
    pub blur_px: Option<f64>,
}

/// Finds the cards in a photo's luma.
///
/// # Errors
///
/// [`CardError`] when no card can be used, or one is there twice.
pub fn find_cards(luma: &GrayImage, options: &DetectOptions) -> Result<FoundCards, CardError> {
    let mut tags: Vec<SeenTag> = Vec::new();
    let mut coarsest: Option<Shrunk> = None;
    let mut finest = 1;
    let usual = levels(luma, false)[0].0;
    for (factor, reading) in levels(luma, options.large) {
        let small = Shrunk::new(luma, factor);
        for tag in read_tags(&small, &reading)? {
            take_in(&mut tags, tag);
        }
        // Why nothing is found is asked of a picture of the usual size.
        if coarsest.as_ref().is_none_or(|c| c.factor > usual) {
            coarsest = Some(small);
        }
        finest = factor;
        if enough(&tags, factor) {
            break;
        }
    }
    let foreign = tags
        .iter()
        .find(|t| t.wrong_bits == 0 && CardId::of_tag(t.id).is_none());
    let foreign = foreign.map(|t| t.id);
    let groups = gather(&tags)?;

    let light = linear_light();
    let mut located = Vec::new();
    let mut failures = Vec::new();
    for group in &groups {
        match locate(luma, &light, group, options.patch_pixels) {
            Ok(Some(card)) => located.push(card),
            Ok(None) => {}
            Err(failure) => failures.push(failure),
        }
    }
    let mut warnings = drop_outliers_and_judge(&mut located, &mut failures, luma, options);
    if located.is_empty() {
        return Err(match (failures.into_iter().next(), foreign, coarsest) {
            (Some(failure), _, _) => failure,
            (None, Some(id), _) => CardError::ForeignTags { id },
            (None, None, Some(small)) => nothing_found(&small, finest),
            (None, None, None) => CardError::NoCard { smallest_px: 0.0 },
        });
    }
    warnings.extend(failures.into_iter().map(CardWarning::LeftOut));
    warnings.extend(foreign.map(|id| CardWarning::ForeignTag { id }));
    let blurs: Vec<f64> = located
        .iter()
        .flat_map(|l| l.blurs_px.iter().copied())
        .collect();
    let mut cards: Vec<CardInPhoto> = located.into_iter().map(|l| l.card).collect();
    cards.sort_by_key(|c| c.card);
    Ok(FoundCards {
        cards,
        warnings,
        blur_px: median(blurs, f64::total_cmp),
    })
}

/// Shrink factors and how to read there, coarse to fine.
fn levels(luma: &GrayImage, large: bool) -> Vec<(u32, ReadOptions)> {
    let long = f64::from(luma.width().max(luma.height()));
    let level = |(side, least_contrast, most_wrong_bits): (u32, u8, usize)| {
        let factor = (long / f64::from(side)).round() as u32;
        let reading = ReadOptions {
            least_contrast,
            most_wrong_bits,
        };
        (factor.max(1), reading)
    };
    let mut levels = LEVELS.map(level).to_vec();
    if large {
        let (side, contrast, bits) = LEVELS[0];
        levels.insert(0, level((side / 2, contrast, bits)));
    }
    // The last one reads all that the one before it would.
    let last = levels.len() - 1;
    if levels[last - 1].0 == levels[last].0 {
        levels.remove(last - 1);
    }
    levels
}

/// A tag read again in a finer picture takes the place of the coarse one.
fn take_in(tags: &mut Vec<SeenTag>, tag: SeenTag) {
    let near = 0.5 * tag.shortest_side_px();
    tags.retain(|t| t.id != tag.id || (t.middle_px() - tag.middle_px()).norm() > near);
    tags.push(tag);
}

/// Whether a finer picture would hardly show more.
fn enough(tags: &[SeenTag], factor: u32) -> bool {
    let ours = tags.iter().filter(|t| CardId::of_tag(t.id).is_some());
    let smallest = ours
        .clone()
        .map(SeenTag::shortest_side_px)
        .fold(f64::MAX, f64::min);
    ours.count() >= 3 && smallest >= SURE_SIDE_PX * f64::from(factor)
}

/// Corners as a lens without distortion would show them.
fn straightened(corners: &[CornerInPhoto], camera: Option<&Camera>) -> Vec<CornerInPhoto> {
    let Some(camera) = camera else {
        return corners.to_vec();
    };
    let pinhole = Camera::new(
        camera.focal_px,
        camera.centre_px,
        crate::geometry::camera::Distortion::default(),
    );
    let straight = |c: &CornerInPhoto| {
        let at = pinhole.project(&camera.ray(c.in_photo_px));
        CornerInPhoto {
            in_photo_px: at.unwrap_or(c.in_photo_px),
            ..c.clone()
        }
    };
    corners.iter().map(straight).collect()
}

/// Holds the corners of each card against one another, takes wrong ones out, and judges flatness.
fn drop_outliers_and_judge(
    located: &mut Vec<Located>,
    failures: &mut Vec<CardError>,
    luma: &GrayImage,
    options: &DetectOptions,
) -> Vec<CardWarning> {
    let size = luma.dimensions();
    let focal = options
        .camera
        .map(|c| c.focal_px)
        .or(options.focal_px)
        .unwrap_or(FOCAL_PER_DIAGONAL * f64::from(size.0).hypot(f64::from(size.1)));
    let judge = |located: &[Located]| -> Vec<Option<Flatness>> {
        if !options.judge {
            return vec![None; located.len()];
        }
        let straight: Vec<Vec<CornerInPhoto>> = located
            .iter()
            .map(|l| straightened(&l.card.corners, options.camera.as_ref()))
            .collect();
        let cards: Vec<_> = located
            .iter()
            .zip(&straight)
            .map(|(l, corners)| (l.card.card, &corners[..]))
            .collect();
        check_flatness(&cards, size, focal)
    };
    let mut flatness = judge(located);
    let mut dropped = false;
    for (l, flat) in located.iter_mut().zip(&flatness) {
        let Some(flat) = flat else { continue };
        let before = l.card.corners.len();
        let wrong = |d: &(f64, f64)| d.0 > OUTLIER.0 && d.1 > OUTLIER.1;
        // Where many disagree it is the card or the lens that is bent beyond the model.
        if 3 * flat.distances.iter().filter(|d| wrong(d)).count() > before {
            continue;
        }
        let mut distances = flat.distances.iter();
        l.card
            .corners
            .retain(|_| !distances.next().is_some_and(wrong));
        dropped |= l.card.corners.len() < before;
    }
    if dropped {
        located.retain(|l| {
            let fine = usable(&l.card.corners);
            if !fine {
                failures.push(CardError::MostlyHidden {
                    card: l.card.card,
                    found: l.card.corners.len(),
                });
            }
            fine
        });
        flatness = judge(located);
    }
    let mut warnings = Vec::new();
    for (l, flat) in located.iter_mut().zip(flatness) {
        let card = l.card.card;
        let of = card.patches_mm().len();
        let found = l
            .card
            .corners
            .iter()
            .filter(|c| c.kind == CornerKind::Patch)
            .count();
        if 2 * found < of {
            warnings.push(CardWarning::PartlyHidden { card, found, of });
        }
        let Some(flat) = flat else { continue };
        if flat.bend_mm.abs() > BENT.0 && flat.bend_mm.abs() > BENT.1 * flat.u_mm {
            warnings.push(CardWarning::Curled {
                card,
                mm: flat.bend_mm,
            });
        }
        // Corners that agree worse than they say are worth less: by chance alone 1.3 is not exceeded.
        if flat.misfit > 1.3 {
            for corner in &mut l.card.corners {
                corner.covariance_px2 *= flat.misfit * flat.misfit;
            }
        }
        // What is known of a bend is taken out, what is not widens the corners.
        for (corner, (moved_px, covariance_px2)) in l.card.corners.iter_mut().zip(&flat.moved_px) {
            corner.in_photo_px -= moved_px;
            corner.covariance_px2 += covariance_px2;
        }
    }
    warnings
}
