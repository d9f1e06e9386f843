//! Cards found in a photo: coarse by their tags, fine by their patches.
//!
//! Tags are read in a shrunk photo, where that is fast; a finer one is tried when it shows too little.
//! The tags say which card it is and where its patches must be; those are then located in the photo
//! itself. Tags that do not lie as their card says are misread and dropped.

use super::flatness::{Flatness, check_flatness};
use super::gather::{TagGroup, gather};
use super::geometry::CardId;
use super::refine::{PatchFit, linear_light, refine_patch};
use super::tag_corners::refine_tag_corners;
use super::tags::{SeenTag, Shrunk, read_tags};
use super::{CardInPhoto, CornerInPhoto, CornerKind};
use crate::geometry::Point2;
use crate::geometry::homography::Homography;
use image::GrayImage;
use rayon::prelude::*;

/// Longest side of the shrunk photo, px, and least contrast looked at, grey levels: tried in turn until
/// enough is found. The last one is also the largest picture tags are ever read in.
const LEVELS: [(u32, u8); 3] = [(1000, 24), (2000, 14), (4096, 5)];
/// Tags shorter than this in the shrunk photo may have neighbours that went unread, px; see the table
/// of detection rates in `tests/card_detect.rs`.
const SURE_SIDE_PX: f64 = 13.0;
/// Blur, as a share of a tag's cell, from which a card is not used: its patches melt into grey.
const MOST_BLUR_CELLS: f64 = 0.55;
/// Pixels of a patch looked at, for a first and for the final place; more cost time and change less than
/// a hundredth of a pixel.
const ROUGH_PIXELS: f64 = 300.0;
const FINE_PIXELS: f64 = 4000.0;
/// Blur of the sharpest edges in a picture of 1000 px from which it, and not a missing card, is the
/// reason that nothing was found.
const MOST_BLUR_PX: f64 = 2.4;
/// Patches below which tag corners are taken in as well.
const FEW_PATCHES: usize = 6;
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
    /// Threads of the tag reader. Default 2.
    pub threads: u8,
    /// Focal length, px, when known; used only to tell a bent card from lens distortion.
    pub focal_px: Option<f64>,
}

impl Default for DetectOptions {
    fn default() -> Self {
        DetectOptions {
            threads: 2,
            focal_px: None,
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

/// Something about a card that does not stop measuring.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CardWarning {
    /// Bent paper or board.
    #[error("{card} is not flat: its middle stands about {:.0} mm {}; tape it to stiff board", mm.abs(), if *mm > 0.0 { "up" } else { "down" })]
    Curled {
        /// Which card.
        card: CardId,
        /// How far the middle stands above (+) or below (−) the edges, mm.
        mm: f64,
    },
    /// Fewer than half of its corners are seen.
    #[error("{card} is partly hidden or out of the picture: {found} of its {of} patches seen")]
    PartlyHidden {
        /// Which card.
        card: CardId,
        /// Patches located.
        found: usize,
        /// Patches on the card.
        of: usize,
    },
    /// A card that was recognised but could not be used, while others could.
    #[error("{0}; it was left out")]
    LeftOut(CardError),
    /// Tags of the family that no card carries.
    #[error("a tag with number {id} belongs to none of our cards; it was left out")]
    ForeignTag {
        /// Its id.
        id: u16,
    },
}

/// Why a photo gives no card.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CardError {
    /// Nothing that looks like a card.
    #[error("no measuring card found: no tag at least {smallest_px:.0} px wide could be read")]
    NoCard {
        /// Smallest tag that would have been read, px of the photo.
        smallest_px: f64,
    },
    /// Tags of the family, but not ours.
    #[error(
        "no measuring card found, only a tag with number {id}, which none of our cards carries"
    )]
    ForeignTags {
        /// One of them.
        id: u16,
    },
    /// Nothing found, and all edges in the photo are soft.
    #[error(
        "no measuring card found, and the photo is blurred: its sharpest edges are {edge_px:.0} px wide"
    )]
    Blurred {
        /// Width of the sharpest edges from 10 to 90 %, px.
        edge_px: f64,
    },
    /// A card is there, but its patches melt into grey.
    #[error(
        "{card} is too blurred to measure: blur of {blur_px:.1} px, at most {limit_px:.1} px can be used"
    )]
    TooBlurred {
        /// Which card.
        card: CardId,
        /// Standard deviation of the blur, px.
        blur_px: f64,
        /// Largest usable, px.
        limit_px: f64,
    },
    /// Nothing found, and much of the photo is plain white.
    #[error(
        "no measuring card found, and the photo is over-exposed: {percent:.0} % of it is plain white"
    )]
    OverExposed {
        /// Share of clipped pixels, %.
        percent: f64,
    },
    /// Nothing found, and the photo is nearly black.
    #[error("no measuring card found, and the photo is nearly black")]
    TooDark,
    /// Too little of the only card is seen.
    #[error(
        "{card} is mostly hidden: {found} of its corners could be located, 4 not on one line are needed"
    )]
    MostlyHidden {
        /// Which card.
        card: CardId,
        /// Corners located.
        found: usize,
    },
    /// Two prints of one card.
    #[error("{card} is in the photo twice: every card may be used only once, print another number")]
    Twice {
        /// Which card.
        card: CardId,
    },
    /// The tag reader could not start.
    #[error("the tag reader could not be started: {reason}")]
    Detector {
        /// What it says.
        reason: String,
    },
}

impl CardError {
    /// What to do about it, one line.
    pub fn remedy(&self) -> &'static str {
        match self {
            CardError::NoCard { .. } => {
                "lay a card flat beside the row, all of it in view and in focus, and take the photo again"
            }
            CardError::ForeignTags { .. } => {
                "print our own cards with `rowsight card` and lay one beside the row"
            }
            CardError::Blurred { .. } | CardError::TooBlurred { .. } => {
                "hold the phone still, tap on the card to focus, and take the photo again"
            }
            CardError::OverExposed { .. } => {
                "turn the flash off or keep the sun off the card, and take the photo again"
            }
            CardError::TooDark => "switch a lamp on and take the photo again",
            CardError::MostlyHidden { .. } => {
                "move hands, tools and folds off the card and take the photo again"
            }
            CardError::Twice { .. } => "take one of the two away, or print one with another number",
            CardError::Detector { .. } => "close other programs and try again",
        }
    }
}

/// Finds the cards in a photo's luma.
///
/// # Errors
///
/// [`CardError`] when no card can be used, or one is there twice.
pub fn find_cards(luma: &GrayImage, options: &DetectOptions) -> Result<FoundCards, CardError> {
    let mut tags: Vec<SeenTag> = Vec::new();
    let mut coarsest = None;
    for (factor, least_contrast) in levels(luma) {
        let small = Shrunk::new(luma, factor);
        for tag in read_tags(&small, least_contrast, options.threads)? {
            take_in(&mut tags, tag);
        }
        coarsest.get_or_insert(small);
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
        match locate(luma, &light, group) {
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
            (None, None, Some(small)) => nothing_found(&small, luma),
            (None, None, None) => CardError::NoCard { smallest_px: 0.0 },
        });
    }
    warnings.extend(failures.into_iter().map(CardWarning::LeftOut));
    warnings.extend(foreign.map(|id| CardWarning::ForeignTag { id }));
    let mut blurs: Vec<f64> = located
        .iter()
        .flat_map(|l| l.blurs_px.iter().copied())
        .collect();
    let mut cards: Vec<CardInPhoto> = located.into_iter().map(|l| l.card).collect();
    cards.sort_by_key(|c| c.card);
    Ok(FoundCards {
        cards,
        warnings,
        blur_px: median(&mut blurs),
    })
}

/// Shrink factors with the least contrast each, coarse to fine.
fn levels(luma: &GrayImage) -> Vec<(u32, u8)> {
    let long = luma.width().max(luma.height());
    let mut levels: Vec<(u32, u8)> = LEVELS
        .iter()
        .map(|(side, contrast)| {
            (
                ((f64::from(long) / f64::from(*side)).round() as u32).max(1),
                *contrast,
            )
        })
        .collect();
    if levels[1].0 == levels[2].0 {
        levels.remove(1);
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

/// A card being located.
struct Located {
    card: CardInPhoto,
    blurs_px: Vec<f64>,
}

/// Locates the corners of one card. `Ok(None)`: a tag that was misread, there is no such card.
fn locate(
    luma: &GrayImage,
    light: &[f64; 256],
    group: &TagGroup,
) -> Result<Option<Located>, CardError> {
    let card = group.card;
    let nodes = card.patches_mm();
    // First from the tags around each patch, then from the patches around it.
    let mut fits: Vec<Option<PatchFit>> = nodes
        .par_iter()
        .map(|node| refine_patch(luma, light, &group.around(*node)?, *node, 1.0, ROUGH_PIXELS))
        .collect();
    keep_alike(&mut fits);
    let known: Vec<(Point2, Point2)> = nodes
        .iter()
        .zip(&fits)
        .filter_map(|(n, f)| Some((*n, f.as_ref()?.middle_px)))
        .collect();
    let mut blurs: Vec<f64> = fits.iter().flatten().map(|f| f.blur_px).collect();
    let blur = median(&mut blurs).unwrap_or(1.0);
    if known.len() >= FEW_PATCHES {
        fits = nodes
            .par_iter()
            .map(|node| {
                refine_patch(
                    luma,
                    light,
                    &nearest(&known, *node)?,
                    *node,
                    blur,
                    FINE_PIXELS,
                )
            })
            .collect();
        keep_alike(&mut fits);
    }
    let mut corners: Vec<CornerInPhoto> = nodes
        .iter()
        .zip(&fits)
        .filter_map(|(node, fit)| {
            let fit = fit.as_ref()?;
            Some(CornerInPhoto {
                on_card_mm: *node,
                in_photo_px: fit.middle_px,
                covariance_px2: fit.covariance_px2,
                kind: CornerKind::Patch,
            })
        })
        .collect();
    let patches = corners.len();
    let mut growths: Vec<f64> = fits.iter().flatten().map(|f| f.ink_growth_mm).collect();
    if patches < FEW_PATCHES && (group.sure() || patches >= 4) {
        let growth = median(&mut growths).unwrap_or(0.03);
        for (place, tag) in &group.tags {
            let refined = refine_tag_corners(luma, light, &tag.corners_px, growth);
            for (on_card, (seen, covariance)) in card
                .tag_corners_mm(*place)
                .iter()
                .zip(refined.into_iter().flatten())
            {
                corners.push(CornerInPhoto {
                    on_card_mm: *on_card,
                    in_photo_px: seen,
                    covariance_px2: covariance,
                    kind: CornerKind::Tag,
                });
            }
        }
    }
    if !group.sure() && patches < 4 {
        return Ok(None);
    }
    let blurs_px: Vec<f64> = fits.iter().flatten().map(|f| f.blur_px).collect();
    let blur_px = median(&mut blurs_px.clone()).unwrap_or(0.0);
    let limit_px = MOST_BLUR_CELLS * group.cell_px();
    if blur_px > limit_px {
        return Err(CardError::TooBlurred {
            card,
            blur_px,
            limit_px,
        });
    }
    if !usable(&corners) {
        return Err(CardError::MostlyHidden {
            card,
            found: corners.len(),
        });
    }
    Ok(Some(Located {
        card: CardInPhoto {
            card,
            corners,
            tags: group.tags.iter().map(|(_, t)| t.id).collect(),
        },
        blurs_px,
    }))
}

/// Whether corners determine a plane: four, not all (but one) on a line.
fn usable(corners: &[CornerInPhoto]) -> bool {
    let source: Vec<Point2> = corners.iter().map(|c| c.on_card_mm).collect();
    let target: Vec<Point2> = corners.iter().map(|c| c.in_photo_px).collect();
    Homography::from_points(&source, &target).is_ok()
}

/// Drops patches unlike their neighbours in contrast or blur: something lies over them.
fn keep_alike(fits: &mut [Option<PatchFit>]) {
    let mid = |f: fn(&PatchFit) -> f64, fits: &[Option<PatchFit>]| {
        median(&mut fits.iter().flatten().map(f).collect::<Vec<_>>())
    };
    let (Some(contrast), Some(blur)) = (mid(|f| f.contrast, fits), mid(|f| f.blur_px, fits)) else {
        return;
    };
    for fit in fits {
        if fit.is_some_and(|f| f.contrast < 0.35 * contrast || f.blur_px > 2.5 * blur + 0.5) {
            *fit = None;
        }
    }
}

/// Homography from the patches nearest to a place.
fn nearest(known: &[(Point2, Point2)], node: Point2) -> Option<Homography> {
    let mut by_distance: Vec<_> = known.to_vec();
    by_distance.sort_by(|a, b| (a.0 - node).norm().total_cmp(&(b.0 - node).norm()));
    by_distance.truncate(9);
    let (on_card, seen): (Vec<_>, Vec<_>) = by_distance.into_iter().unzip();
    Homography::from_points(&on_card, &seen).ok()
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
        .focal_px
        .unwrap_or(FOCAL_PER_DIAGONAL * f64::from(size.0).hypot(f64::from(size.1)));
    let judge = |located: &[Located]| -> Vec<Option<Flatness>> {
        let cards: Vec<_> = located
            .iter()
            .map(|l| (l.card.card, &l.card.corners[..]))
            .collect();
        check_flatness(&cards, size, focal)
    };
    let mut flatness = judge(located);
    let mut dropped = false;
    for (l, flat) in located.iter_mut().zip(&flatness) {
        let Some(flat) = flat else { continue };
        let mut distances = flat.distances.iter();
        let before = l.card.corners.len();
        l.card.corners.retain(|_| {
            distances
                .next()
                .is_none_or(|(px, u)| *px < OUTLIER.0 || *u < OUTLIER.1)
        });
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
    }
    warnings
}

/// Why nothing was found, as far as the picture says.
fn nothing_found(small: &Shrunk, luma: &GrayImage) -> CardError {
    let pixels = small.picture.as_raw();
    let share = |f: fn(u8) -> bool| {
        pixels.iter().filter(|v| f(**v)).count() as f64 / pixels.len().max(1) as f64
    };
    let clipped = share(|v| v >= 252);
    if clipped > 0.3 {
        return CardError::OverExposed {
            percent: 100.0 * clipped,
        };
    }
    if share(|v| v > 40) < 0.01 {
        return CardError::TooDark;
    }
    // In a picture of 1000 px a card that would be of use has cells of 2 px and more.
    let blur = sharpest_edge(&small.picture);
    if blur > MOST_BLUR_PX {
        // From 10 to 90 % of a Gaussian edge: 2.56 standard deviations.
        return CardError::Blurred {
            edge_px: 2.56 * blur * f64::from(small.factor),
        };
    }
    let finest = levels(luma).last().map_or(1, |l| l.0);
    CardError::NoCard {
        smallest_px: 20.0_f64.max(12.0 * f64::from(finest)),
    }
}

/// Blur of the sharpest strong edges of a picture, standard deviation, px: contrast over slope.
///
/// For a step of height C blurred by σ the steepest slope is C/(√(2π)·σ). Of all places whose contrast
/// along the row is among the strongest twentieth, the twentieth percentile. The slope is taken over
/// 4 px, clear of noise; that alone looks like a blur of 1.6 px.
fn sharpest_edge(picture: &GrayImage) -> f64 {
    const REACH: usize = 20;
    let width = picture.width() as usize;
    let mut edges: Vec<(u8, f64)> = Vec::new();
    for row in picture.as_raw().chunks_exact(width.max(1)).step_by(3) {
        for window in row.windows(2 * REACH + 1).step_by(REACH) {
            let low = window.iter().min().copied().unwrap_or(0);
            let high = window.iter().max().copied().unwrap_or(0);
            let rise = window
                .windows(5)
                .map(|p| p[0].abs_diff(p[4]))
                .max()
                .unwrap_or(0);
            let slope = f64::from(rise.max(1)) / 4.0;
            let contrast = high - low;
            edges.push((contrast, f64::from(contrast) / (2.507 * slope)));
        }
    }
    edges.sort_by_key(|e| std::cmp::Reverse(e.0));
    edges.truncate(edges.len().div_ceil(20));
    let mut blurs: Vec<f64> = edges.into_iter().map(|e| e.1).collect();
    blurs.sort_by(f64::total_cmp);
    blurs.get(blurs.len() / 20).copied().unwrap_or(0.0)
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
