//! Finds measuring cards in a photo.
//!
//! The tags are read by the vendored C AprilTag library in a shrunk picture, where it is fast; their
//! ids say which card they belong to and so where its patches are, and these are located at full size
//! (see [`super::refine`]). When nothing or little is found, larger pictures are tried.

use super::geometry::CardId;
use super::refine::refine_patches;
use super::{CardInPhoto, CornerInPhoto, CornerKind};
use crate::geometry::{Point2, homography::Homography};
use apriltag::{DetectorBuilder, Family, Image};
use image::GrayImage;
use nalgebra::Matrix2;
use std::collections::BTreeMap;

/// Long side of the first, smallest picture that is searched, px.
const FIRST_LONG_SIDE_PX: u32 = 1400;
/// A tag's corner from the detector strays by about this share of a pixel of the picture searched.
const TAG_CORNER_U: f64 = 0.15;
/// Furthest a tag may lie from where the card's other tags put it, in tag sides.
const TAG_MISFIT: f64 = 0.12;
/// Fewest patches with which a card does without its tags' corners.
const ENOUGH_PATCHES: usize = 6;
/// Least decision margin of a tag that stands alone.
const SURE_MARGIN: f32 = 25.0;

/// Why no card can be used; messages are finished sentences but for the file's name.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CardError {
    /// The picture is mostly burnt out.
    #[error(
        "the photo is over-exposed, so no measuring card can be read; retake it with less light on the card"
    )]
    OverExposed,
    /// The picture is nearly black.
    #[error("the photo is too dark to read a measuring card; retake it with more light")]
    TooDark,
    /// The picture is too blurred.
    #[error(
        "the photo is too blurred to read a measuring card; hold the phone still, tap on the card to focus, and retake it"
    )]
    TooBlurred,
    /// Tags were read, but they are not on a rowsight card.
    #[error(
        "the tags in the photo (number {id}) are not from a rowsight card; print one with `rowsight card` and lay it beside the row"
    )]
    Foreign {
        /// One of the tags' ids.
        id: usize,
    },
    /// The same card lies there twice.
    #[error("{card} lies in the photo twice; leave one of the two and retake it")]
    Twice {
        /// Which card.
        card: CardId,
    },
    /// Nothing was found.
    #[error(
        "no measuring card was found; lay one flat beside the row, so that all of it is in the photo, and retake it"
    )]
    None,
    /// Too little of a card is left.
    #[error(
        "too little of {card} can be seen to measure by; uncover it or move it into the photo, and retake it"
    )]
    TooLittle {
        /// Which card.
        card: CardId,
    },
    /// The detector could not be set up.
    #[error("the tag reader could not be started ({0})")]
    Detector(String),
}

/// A tag as read.
#[derive(Debug, Clone)]
struct Tag {
    id: usize,
    margin: f32,
    /// Corners in the order top left, top right, bottom right, bottom left of the upright tag, px.
    corners_px: [Point2; 4],
    u_px: f64,
}

/// Finds the cards in a photo's luma.
///
/// # Errors
///
/// [`CardError`] when there is no usable card, with the reason that fits best.
pub fn find_cards(luma: &GrayImage) -> Result<Vec<CardInPhoto>, CardError> {
    let long = luma.width().max(luma.height());
    let first = long.div_ceil(FIRST_LONG_SIDE_PX).max(1);
    let mut tags: Vec<Tag> = Vec::new();
    let mut best = Err(CardError::None);
    // Halving from the coarse picture to the full one.
    let mut factor = first;
    loop {
        tags.extend(read_tags(luma, factor)?);
        match gather(luma, &tags) {
            Ok(cards) if complete(&cards) => return Ok(cards),
            found => best = better(best, found),
        }
        if factor == 1 {
            break;
        }
        // A card that can be measured by is enough; only then is time worth more than a few corners.
        if best.as_ref().is_ok_and(|cards| measurable(cards)) {
            break;
        }
        factor /= 2;
    }
    best.map_err(|error| explain(luma, &tags, error))
}

/// Tags of the family in the picture shrunk by a whole factor.
fn read_tags(luma: &GrayImage, factor: u32) -> Result<Vec<Tag>, CardError> {
    let failed = |e: apriltag::Error| CardError::Detector(e.to_string());
    let (w, h) = (
        (luma.width() / factor) as usize,
        (luma.height() / factor) as usize,
    );
    let mut image = Image::zeros_with_alignment(w, h, 16).map_err(failed)?;
    let stride = image.stride();
    shrink(luma, factor as usize, image.as_slice_mut(), stride, w, h);
    let mut detector = DetectorBuilder::new()
        .add_family_bits(Family::tag_36h11(), 1)
        .build()
        .map_err(failed)?;
    detector.set_thread_number(2);
    detector.set_decimation(1.0);
    detector.set_refine_edges(true);
    let scale = f64::from(factor);
    let tags = detector
        .detect(&image)
        .iter()
        .map(|d| {
            let [a, b, c, e] = d.corners().map(|[x, y]| Point2::new(x * scale, y * scale));
            Tag {
                id: d.id(),
                margin: d.decision_margin(),
                // The library goes round from the bottom left, against the clock on screen.
                corners_px: [e, c, b, a],
                u_px: TAG_CORNER_U * scale,
            }
        })
        .collect();
    Ok(tags)
}

/// Means over factor × factor pixels.
fn shrink(luma: &GrayImage, factor: usize, out: &mut [u8], stride: usize, w: usize, h: usize) {
    use rayon::prelude::*;
    let full = luma.width() as usize;
    let source = luma.as_raw();
    let area = (factor * factor) as u32;
    out.par_chunks_mut(stride)
        .take(h)
        .enumerate()
        .for_each(|(y, line)| {
            let mut sums = vec![0u32; w];
            for row in y * factor..(y + 1) * factor {
                let pixels = &source[row * full..row * full + w * factor];
                for (sum, group) in sums.iter_mut().zip(pixels.chunks_exact(factor)) {
                    *sum += group.iter().map(|p| u32::from(*p)).sum::<u32>();
                }
            }
            for (o, sum) in line.iter_mut().zip(sums) {
                *o = ((sum + area / 2) / area) as u8;
            }
        });
}

/// Cards from tags: those that agree with each other, then the patches between them.
fn gather(luma: &GrayImage, tags: &[Tag]) -> Result<Vec<CardInPhoto>, CardError> {
    let mut by_card: BTreeMap<CardId, BTreeMap<usize, Vec<&Tag>>> = BTreeMap::new();
    for tag in tags {
        if let Some((card, place)) = u16::try_from(tag.id).ok().and_then(CardId::of_tag) {
            by_card
                .entry(card)
                .or_default()
                .entry(place)
                .or_default()
                .push(tag);
        }
    }
    if by_card.is_empty() {
        return Err(CardError::None);
    }
    let mut cards = Vec::new();
    let mut too_little = None;
    for (card, places) in by_card {
        let Some(agreed) = agreeing(card, &places)? else {
            continue;
        };
        match card_in_photo(luma, card, &agreed) {
            Some(found) => cards.push(found),
            None => too_little = Some(card),
        }
    }
    match (cards.is_empty(), too_little) {
        (false, _) => Ok(cards),
        (true, Some(card)) => Err(CardError::TooLittle { card }),
        (true, None) => Err(CardError::None),
    }
}

/// One tag for each place such that all lie on one plane; `None` when not even one can be trusted.
fn agreeing<'a>(
    card: CardId,
    places: &BTreeMap<usize, Vec<&'a Tag>>,
) -> Result<Option<Vec<(usize, &'a Tag)>>, CardError> {
    // Every tag in turn speaks for a plane; the one most others agree with wins.
    let all: Vec<(usize, &Tag)> = places
        .iter()
        .flat_map(|(place, tags)| tags.iter().map(|t| (*place, *t)))
        .collect();
    let agree_with = |place: usize, tag: &Tag| -> Vec<(usize, &'a Tag)> {
        let Ok(plane) = Homography::from_points(&card.tag_corners_mm(place), &tag.corners_px)
        else {
            return Vec::new();
        };
        // One tag's plane is uncertain far off: the error grows with the distance in tag sides.
        let mut agreed: BTreeMap<usize, &'a Tag> = BTreeMap::new();
        for (other, candidate) in &all {
            let side = side_px(candidate);
            let far = (card.tag_top_left_mm(*other) - card.tag_top_left_mm(place)).norm()
                / super::geometry::TAG_SIDE_MM;
            let limit = side * TAG_MISFIT * (1.0 + far) + 2.0 * candidate.u_px;
            let fits = card
                .tag_corners_mm(*other)
                .iter()
                .zip(&candidate.corners_px)
                .all(|(mm, px)| (plane.apply(*mm) - px).norm() < limit);
            if fits {
                // The finest reading of a tag counts.
                let entry = agreed.entry(*other).or_insert(candidate);
                if candidate.u_px < entry.u_px {
                    *entry = candidate;
                }
            }
        }
        agreed.into_iter().collect()
    };
    let Some(best) = all
        .iter()
        .map(|(place, tag)| agree_with(*place, tag))
        .max_by_key(Vec::len)
    else {
        return Ok(None);
    };
    // A second print of the same card: as good tags that lie elsewhere.
    let elsewhere = all.iter().filter(|(place, tag)| {
        tag.margin > SURE_MARGIN
            && best.iter().any(|(p, kept)| {
                p == place && (middle(kept) - middle(tag)).norm() > 2.0 * side_px(kept)
            })
    });
    if elsewhere.count() >= 1 {
        return Err(CardError::Twice { card });
    }
    let trusted = best.len() >= 2 || best.iter().any(|(_, tag)| tag.margin > SURE_MARGIN);
    Ok(trusted.then_some(best))
}

fn middle(tag: &Tag) -> Point2 {
    Point2::from(
        tag.corners_px
            .iter()
            .map(|p| p.coords)
            .sum::<nalgebra::Vector2<f64>>()
            / 4.0,
    )
}

fn side_px(tag: &Tag) -> f64 {
    let c = &tag.corners_px;
    (0..4).map(|i| (c[(i + 1) % 4] - c[i]).norm()).sum::<f64>() / 4.0
}

/// The card's corners: its patches at full size, and its tags' corners when patches are few.
fn card_in_photo(luma: &GrayImage, card: CardId, tags: &[(usize, &Tag)]) -> Option<CardInPhoto> {
    let (mm, px): (Vec<Point2>, Vec<Point2>) = tags
        .iter()
        .flat_map(|(place, tag)| card.tag_corners_mm(*place).into_iter().zip(tag.corners_px))
        .unzip();
    let plane = Homography::from_points(&mm, &px).ok()?;
    let mut corners = refine_patches(luma, card, &plane);
    // What was found places the rest better.
    if corners.len() >= 4 && corners.len() < card.patches_mm().len() {
        let (mm, px): (Vec<Point2>, Vec<Point2>) = corners
            .iter()
            .map(|c| (c.on_card_mm, c.in_photo_px))
            .unzip();
        if let Ok(plane) = Homography::from_points(&mm, &px) {
            let again = refine_patches(luma, card, &plane);
            if again.len() > corners.len() {
                corners = again;
            }
        }
    }
    if corners.len() < ENOUGH_PATCHES {
        for (place, tag) in tags {
            corners.extend(
                card.tag_corners_mm(*place)
                    .into_iter()
                    .zip(tag.corners_px)
                    .map(|(on_card_mm, in_photo_px)| CornerInPhoto {
                        on_card_mm,
                        in_photo_px,
                        covariance_px2: Matrix2::identity() * tag.u_px.powi(2),
                        kind: CornerKind::Tag,
                    }),
            );
        }
    }
    // A single tag's square is a plane, but a poor one; it takes more of the card to measure by.
    (corners.len() >= 4 && spread(&corners)).then(|| CardInPhoto {
        card,
        corners,
        tags: tags.iter().map(|(_, tag)| tag.id as u16).collect(),
    })
}

/// Whether the corners reach far enough both ways to hold a plane: 40 mm at least.
fn spread(corners: &[CornerInPhoto]) -> bool {
    let n = corners.len() as f64;
    let mean = corners
        .iter()
        .map(|c| c.on_card_mm.coords)
        .sum::<nalgebra::Vector2<f64>>()
        / n;
    let scatter: Matrix2<f64> = corners
        .iter()
        .map(|c| {
            let d = c.on_card_mm.coords - mean;
            d * d.transpose()
        })
        .sum();
    (scatter / n).symmetric_eigenvalues().min() > 15.0f64.powi(2)
}

fn complete(cards: &[CardInPhoto]) -> bool {
    cards
        .iter()
        .all(|c| c.corners.len() * 10 >= c.card.patches_mm().len() * 9)
}

fn measurable(cards: &[CardInPhoto]) -> bool {
    cards.iter().map(|c| c.corners.len()).sum::<usize>() >= 10
        && cards.iter().any(|c| c.tags.len() >= 3)
}

fn better(
    a: Result<Vec<CardInPhoto>, CardError>,
    b: Result<Vec<CardInPhoto>, CardError>,
) -> Result<Vec<CardInPhoto>, CardError> {
    let corners = |cards: &[CardInPhoto]| cards.iter().map(|c| c.corners.len()).sum::<usize>();
    match (a, b) {
        (Ok(a), Ok(b)) => Ok(if corners(&a) > corners(&b) { a } else { b }),
        (Ok(a), Err(_)) => Ok(a),
        (Err(_), Ok(b)) => Ok(b),
        (Err(CardError::None), Err(b)) => Err(b),
        (Err(a), Err(_)) => Err(a),
    }
}

/// Why there is nothing, from what the picture looks like.
fn explain(luma: &GrayImage, tags: &[Tag], error: CardError) -> CardError {
    if error != CardError::None {
        return error;
    }
    if let Some(tag) = tags.iter().find(|t| t.margin > SURE_MARGIN) {
        return CardError::Foreign { id: tag.id };
    }
    let pixels = luma.as_raw();
    let sampled = pixels.iter().step_by(7);
    let n = sampled.clone().count().max(1);
    let share =
        |test: fn(u8) -> bool| sampled.clone().filter(|p| test(**p)).count() as f64 / n as f64;
    if share(|p| p >= 250) > 0.35 {
        CardError::OverExposed
    } else if share(|p| p < 16) > 0.9 {
        CardError::TooDark
    } else if sharpest_step(luma) < 0.35 {
        CardError::TooBlurred
    } else {
        CardError::None
    }
}

/// How much of a strong edge happens between two neighbouring pixels rather than over eight: above 0.5
/// for a sharp picture, an eighth for a wholly blurred one. The best hundredth of strong edges speaks.
fn sharpest_step(luma: &GrayImage) -> f64 {
    let w = luma.width() as usize;
    let mut steps: Vec<f64> = Vec::new();
    for row in luma.as_raw().chunks_exact(w.max(1)).step_by(5) {
        for at in (0..row.len().saturating_sub(9)).step_by(3) {
            let span = &row[at..at + 9];
            let whole = (f64::from(span[8]) - f64::from(span[0])).abs();
            if whole > 60.0 {
                let step = span
                    .windows(2)
                    .map(|p| (f64::from(p[1]) - f64::from(p[0])).abs())
                    .fold(0.0, f64::max);
                steps.push(step / whole);
            }
        }
    }
    if steps.len() < 50 {
        // Hardly an edge anywhere: plain cloth, or a picture out of focus; do not call it blurred.
        return 1.0;
    }
    let at = steps.len() * 95 / 100;
    *steps.select_nth_unstable_by(at, f64::total_cmp).1
}
