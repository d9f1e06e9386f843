//! The corners of one card: from its tags to its patches, and from those to all of them.

use super::error::CardError;
use super::gather::TagGroup;
use super::refine::{PatchFit, refine_patch};
use super::tag_corners::refine_tag_corners;
use super::{CardInPhoto, CornerInPhoto, CornerKind};
use crate::geometry::Point2;
use crate::geometry::homography::Homography;
use crate::solve::median::median;
use image::GrayImage;
use rayon::prelude::*;

/// Blur, as a share of a tag's cell, from which a card is not used: its patches melt into grey.
const MOST_BLUR_CELLS: f64 = 0.55;
/// Pixels of a patch looked at for a first place.
const ROUGH_PIXELS: f64 = 300.0;
/// Pixels of a patch looked at for the final place; more cost time and change less than a hundredth of a
/// pixel.
pub const FINE_PIXELS: f64 = 4000.0;
/// Patches below which tag corners are taken in as well.
const FEW_PATCHES: usize = 6;

/// A card being located.
#[derive(Debug, Clone)]
pub struct Located {
    /// The card, with the corners located so far.
    pub card: CardInPhoto,
    /// Blur at its patches, standard deviation, px.
    pub blurs_px: Vec<f64>,
}

/// Locates the corners of one card. `Ok(None)`: a tag that was misread, there is no such card.
///
/// # Errors
///
/// [`CardError::TooBlurred`] and [`CardError::MostlyHidden`].
pub fn locate(
    luma: &GrayImage,
    light: &[f64; 256],
    group: &TagGroup,
    patch_pixels: f64,
) -> Result<Option<Located>, CardError> {
    let card = group.card;
    let nodes = card.patches_mm();
    // First from the tags around each patch, then from the patches around it.
    let mut fits: Vec<Option<PatchFit>> = nodes
        .par_iter()
        .map(|node| {
            refine_patch(
                luma,
                light,
                &group.around(*node)?,
                *node,
                1.0,
                None,
                ROUGH_PIXELS,
            )
        })
        .collect();
    keep_alike(&mut fits);
    let known: Vec<(Point2, Point2)> = nodes
        .iter()
        .zip(&fits)
        .filter_map(|(n, f)| Some((*n, f.as_ref()?.middle_px)))
        .collect();
    let blurs: Vec<f64> = fits.iter().flatten().map(|f| f.blur_px).collect();
    let blur = median(blurs, f64::total_cmp).unwrap_or(1.0);
    fits = nodes
        .par_iter()
        .zip(&fits)
        .map(|(node, rough)| {
            let around = if known.len() >= FEW_PATCHES {
                nearest(&known, *node)?
            } else {
                group.around(*node)?
            };
            refine_patch(
                luma,
                light,
                &around,
                *node,
                blur,
                rough.as_ref(),
                patch_pixels,
            )
        })
        .collect();
    keep_alike(&mut fits);
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
    let growths: Vec<f64> = fits.iter().flatten().map(|f| f.ink_growth_mm).collect();
    if patches < FEW_PATCHES && (group.sure() || patches >= 4) {
        let growth = median(growths, f64::total_cmp).unwrap_or(0.03);
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
    let blur_px = median(blurs_px.clone(), f64::total_cmp).unwrap_or(0.0);
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
pub fn usable(corners: &[CornerInPhoto]) -> bool {
    let source: Vec<Point2> = corners.iter().map(|c| c.on_card_mm).collect();
    let target: Vec<Point2> = corners.iter().map(|c| c.in_photo_px).collect();
    Homography::from_points(&source, &target).is_ok()
}

/// Drops patches unlike their neighbours in contrast or blur: something lies over them.
fn keep_alike(fits: &mut [Option<PatchFit>]) {
    let mid = |f: fn(&PatchFit) -> f64, fits: &[Option<PatchFit>]| {
        median(fits.iter().flatten().map(f).collect(), f64::total_cmp)
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
