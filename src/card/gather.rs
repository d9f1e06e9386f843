//! Tags gathered to cards: which lie as their card says, which were misread, which card is there twice.

use super::error::CardError;
use super::geometry::{CardId, TAG_SIDE_MM};
use super::tags::SeenTag;
use crate::geometry::Point2;
use crate::geometry::homography::Homography;

/// How far a tag's corner may lie from where the other tags put it, share of its side: coarse corners
/// err by a few hundredths, a strong lens bends the grid by as much again.
const AGREE: f64 = 0.2;

/// The tags of one card that lie as the card says.
#[derive(Debug, Clone, PartialEq)]
pub struct TagGroup {
    /// Which card.
    pub card: CardId,
    /// Place on the card (row by row) and tag.
    pub tags: Vec<(usize, SeenTag)>,
}

impl TagGroup {
    /// Whether the card is there beyond doubt: two tags agree, or one was read without a wrong bit.
    pub fn sure(&self) -> bool {
        self.tags.len() > 1 || self.tags.iter().any(|(_, t)| t.wrong_bits == 0)
    }

    /// Width of a tag's cell in the photo where it is narrowest, px.
    pub fn cell_px(&self) -> f64 {
        let sides = self.tags.iter().map(|(_, t)| t.shortest_side_px());
        sides.fold(f64::MAX, f64::min) / super::tag36h11::CELLS as f64
    }

    /// Photo-from-card near a place on the card: from the tags that touch it, or the two nearest.
    pub fn around(&self, on_card_mm: Point2) -> Option<Homography> {
        let mut near: Vec<(f64, &(usize, SeenTag))> = self
            .tags
            .iter()
            .map(|t| {
                let half = TAG_SIDE_MM / 2.0;
                let middle = self.card.tag_top_left_mm(t.0) + nalgebra::Vector2::new(half, half);
                ((middle - on_card_mm).norm(), t)
            })
            .collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0));
        // Half the grid's diagonal is 38.6 mm.
        let touching = near.iter().filter(|n| n.0 < 40.0).count();
        fit(self.card, near.iter().take(touching.max(2)).map(|n| n.1))
    }
}

fn fit<'a>(card: CardId, tags: impl Iterator<Item = &'a (usize, SeenTag)>) -> Option<Homography> {
    let (mut on_card, mut seen) = (Vec::new(), Vec::new());
    for (place, tag) in tags {
        on_card.extend(card.tag_corners_mm(*place));
        seen.extend(tag.corners_px);
    }
    Homography::from_points(&on_card, &seen).ok()
}

/// Gathers tags to cards; those that no card carries, or that lie where their card cannot have them,
/// are left out.
///
/// # Errors
///
/// [`CardError::Twice`] when a card's tags form two grids.
pub fn gather(tags: &[SeenTag]) -> Result<Vec<TagGroup>, CardError> {
    let mut by_card: std::collections::BTreeMap<CardId, Vec<(usize, SeenTag)>> = Default::default();
    for tag in tags {
        if let Some((card, place)) = CardId::of_tag(tag.id) {
            by_card.entry(card).or_default().push((place, tag.clone()));
        }
    }
    by_card
        .into_iter()
        .map(|(card, tags)| {
            let (grid, rest) = largest_grid(card, tags);
            // Another grid, or a faultless tag where this grid has none: another print of the card.
            let (second, _) = largest_grid(card, rest.clone());
            let elsewhere = rest.iter().any(|(place, t)| {
                t.wrong_bits == 0
                    && fit(card, grid.iter()).is_some_and(|h| {
                        let at = card.tag_corners_mm(*place).map(|p| h.apply(p));
                        let side = t.shortest_side_px();
                        (0..4)
                            .all(|i| (0..4).all(|k| (at[i] - t.corners_px[k]).norm() > 0.5 * side))
                    })
            });
            if second.len() > 1 || elsewhere {
                return Err(CardError::Twice { card });
            }
            Ok(TagGroup { card, tags: grid })
        })
        .collect()
}

type Places = Vec<(usize, SeenTag)>;

/// The largest set of tags that lie as the card says, and the others.
fn largest_grid(card: CardId, tags: Places) -> (Places, Places) {
    let mut best: Vec<bool> = Vec::new();
    let count = |agree: &[bool]| agree.iter().filter(|a| **a).count();
    'seeds: for i in 0..tags.len() {
        for k in i + 1..tags.len() {
            // Two tags span a grid well enough to say where the others are.
            let Some(h) = fit(card, [&tags[i], &tags[k]].into_iter()) else {
                continue;
            };
            let agree: Vec<bool> = tags.iter().map(|t| lies_as(card, t, &h)).collect();
            if agree[i] && agree[k] && count(&agree) > count(&best) {
                best = agree;
                if count(&best) == tags.len() {
                    break 'seeds;
                }
            }
        }
    }
    if best.is_empty() {
        // No two agree: the tag read best stands for the card.
        let first = (0..tags.len()).min_by_key(|i| tags[*i].1.wrong_bits);
        best = (0..tags.len()).map(|i| Some(i) == first).collect();
    }
    let (mut inside, mut outside) = (Vec::new(), Vec::new());
    for (tag, agrees) in tags.into_iter().zip(best) {
        if agrees { &mut inside } else { &mut outside }.push(tag);
    }
    (inside, outside)
}

fn lies_as(card: CardId, (place, tag): &(usize, SeenTag), h: &Homography) -> bool {
    let limit = AGREE * tag.shortest_side_px();
    card.tag_corners_mm(*place)
        .iter()
        .zip(&tag.corners_px)
        .all(|(p, seen)| (h.apply(*p) - seen).norm() <= limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sheet 2 at 2 px/mm, seen askew.
    fn seen(place: usize) -> SeenTag {
        let h = Homography::new(crate::geometry::Matrix3::new(
            2.0, 0.3, 500.0, -0.2, 1.8, 400.0, 2e-4, 1e-4, 1.0,
        ));
        SeenTag {
            id: 12 + place as u16,
            wrong_bits: 0,
            corners_px: CardId::Sheet(2).tag_corners_mm(place).map(|p| h.apply(p)),
        }
    }

    #[test]
    fn misread_tag_is_left_out_of_its_card() {
        let mut wrong = seen(3);
        wrong.id = 12 + 9;
        wrong.wrong_bits = 1;
        let groups = gather(&[seen(0), seen(5), wrong, seen(11)]).unwrap();
        let places: Vec<usize> = groups[0].tags.iter().map(|t| t.0).collect();
        assert_eq!((groups.len(), places), (1, vec![0, 5, 11]));
    }

    #[test]
    fn tag_read_without_fault_where_its_card_has_none_means_a_second_print() {
        let mut elsewhere = seen(3);
        elsewhere.id = 12 + 9;
        let found = gather(&[seen(0), seen(5), elsewhere, seen(11)]);
        let card = CardId::Sheet(2);
        assert_eq!(found, Err(CardError::Twice { card }));
    }

    #[test]
    fn place_beside_one_tag_is_predicted_from_it_alone() {
        let groups = gather(&[seen(5)]).unwrap();
        assert!(groups[0].sure());
        let corner = CardId::Sheet(2).tag_corners_mm(5)[2];
        let px = groups[0].around(corner).unwrap().apply(corner);
        assert!((px - seen(5).corners_px[2]).norm() < 1e-6);
    }
}
