//! Cards, cameras and the map of line evidence, before any row is known.

use super::{CannotMeasure, Job, paper};
use crate::card::geometry::CardId;
use crate::geometry::Point2;
use crate::line::map::{LineMap, MapPhoto, Region, half_size, seen_region};
use crate::plane::camera::PreparedView;
use crate::plane::joint::{CameraPrior, Joint};
use crate::plane::start::{PhotoCards, card_list, from_cards};
use crate::row::relaxed;
use crate::solve::levenberg_marquardt::Loss;
use image::GrayImage;
use nalgebra::DMatrix;
use std::f64::consts::PI;

/// Cards, cameras and the map of line evidence, before any row is known.
pub(in crate::row) struct LaidOut {
    /// Cards and cameras; no rows yet.
    pub(in crate::row) joint: Joint,
    /// Covariance of its start.
    pub(super) covariance: DMatrix<f64>,
    /// Cards in the order of the state.
    pub(in crate::row) cards: Vec<CardId>,
    /// The map, in the frame of the first card.
    pub(in crate::row) map: LineMap,
    /// View of each photo under which the map was made.
    pub(super) views: Vec<PreparedView>,
    /// Size of each photo, px.
    pub(super) sizes: Vec<(u32, u32)>,
    /// Outlines of the cards' papers on the quilt, mm.
    pub(super) papers: Vec<[Point2; 4]>,
    /// What the map shows of the quilt.
    pub(super) region: Region,
}

impl LaidOut {
    /// The same map of the thread alone: slower, and what shows rows too faint for the other.
    pub(super) fn map_of_threads(&self, job: &Job) -> LineMap {
        let photos = job.photos.iter().zip(&self.views);
        let photos: Vec<MapPhoto> = photos
            .map(|(photo, view)| MapPhoto {
                luma: photo.luma,
                shrunk: 1,
                view,
                cards: &self.papers,
            })
            .collect();
        LineMap::of_threads(&photos, self.region)
    }

    /// Middles of the cards, mm.
    pub(in crate::row) fn card_middles(&self) -> Vec<Point2> {
        let cards = self.joint.start.cards.iter();
        cards.map(|card| Point2::new(card.x, card.s)).collect()
    }

    /// Directions in which rows mostly run, rad in the map: along the cards, which point up the quilt, and across the
    /// picture.
    pub(super) fn likely_directions(&self) -> Vec<f64> {
        let cards = self.joint.start.cards.iter().map(|card| card.angle);
        let across = self
            .views
            .iter()
            .zip(&self.sizes)
            .filter_map(|(view, (w, h))| {
                let at = |x: f64| {
                    view.quilt_from_photo(Point2::new(x * f64::from(*w), 0.5 * f64::from(*h)))
                };
                let along = at(0.6)? - at(0.4)?;
                let angle = along.y.atan2(along.x);
                // A photo may be taken from the other side of the frame.
                Some(if along.x < 0.0 { angle + PI } else { angle })
            });
        cards.chain(across).collect()
    }
}

/// Scale from which a photo is mapped at full size, mm/px: half of it would be coarser than the map's cells.
const COARSE_MM_PER_PX: f64 = 0.45;

/// Scale in the picture's middle, mm/px.
fn mm_per_px(view: &PreparedView, luma: &GrayImage) -> f64 {
    let (w, h) = (f64::from(luma.width()), f64::from(luma.height()));
    let middle = view.quilt_from_photo(Point2::new(w / 2.0, h / 2.0));
    let along = middle.and_then(|p| view.photo_per_mm(p, nalgebra::Vector2::x()));
    along.map_or(0.0, |px| 1.0 / px.norm())
}

/// Lays the photos out by their cards and maps them; the job's design is not looked at.
pub(in crate::row) fn lay_out(job: &Job) -> Result<LaidOut, CannotMeasure> {
    let photo_cards: Vec<PhotoCards> = job
        .photos
        .iter()
        .enumerate()
        .map(|(i, p)| PhotoCards {
            camera: i,
            cards: p.cards.to_vec(),
        })
        .collect();
    let cameras: Vec<CameraPrior> = job.photos.iter().map(|p| p.camera).collect();
    let cards = card_list(&photo_cards);
    let (start, photos) = from_cards(&photo_cards, &cameras, &job.priors, job.card_bar_mm)?;
    let mut joint = Joint {
        cameras,
        photos,
        priors: match job.relaxed {
            Some(_) => relaxed::priors_without_hills(),
            None => job.priors,
        },
        start,
        line_loss: Loss::Cauchy(2.0),
        hand: None,
    };
    let solved = joint.solve()?;
    joint.start = solved.state;

    // The map, in the frame of the first card.
    let sizes: Vec<(u32, u32)> = job.photos.iter().map(|p| p.luma.dimensions()).collect();
    let views: Vec<PreparedView> = (0..job.photos.len())
        .map(|i| joint.start.view(i, i))
        .collect();
    let papers: Vec<[Point2; 4]> = cards
        .iter()
        .enumerate()
        .map(|(i, card)| paper(*card, &joint.start, i, job.card_bar_mm))
        .collect();
    let region = views
        .iter()
        .zip(&sizes)
        .filter_map(|(view, (w, h))| seen_region(view, *w, *h))
        .reduce(|a, b| Region {
            min: Point2::new(a.min.x.min(b.min.x), a.min.y.min(b.min.y)),
            max: Point2::new(a.max.x.max(b.max.x), a.max.y.max(b.max.y)),
        })
        .ok_or(CannotMeasure::NoView)?;
    // A whole quilt is seen from afar, where half size would be too coarse.
    let halves: Vec<Option<GrayImage>> = job
        .photos
        .iter()
        .zip(&views)
        .map(|(p, view)| {
            let coarse = job.relaxed.is_some() && mm_per_px(view, p.luma) > COARSE_MM_PER_PX;
            (!coarse).then(|| half_size(p.luma))
        })
        .collect();
    let map_photos: Vec<MapPhoto> = halves
        .iter()
        .zip(job.photos)
        .zip(&views)
        .map(|((half, photo), view)| MapPhoto {
            luma: half.as_ref().unwrap_or(photo.luma),
            shrunk: if half.is_some() { 2 } else { 1 },
            view,
            cards: &papers,
        })
        .collect();
    let map = LineMap::new(&map_photos, region);
    Ok(LaidOut {
        joint,
        covariance: solved.covariance,
        cards,
        map,
        views,
        sizes,
        papers,
        region,
    })
}
