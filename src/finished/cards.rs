//! Photos that do not belong to the others: cards lie otherwise in them, or their rows are not there.

use crate::card::geometry::CardId;
use crate::card::{CardError, FoundCards};
use crate::check::LeftOut;
use crate::plane::joint::{CameraPrior, Joint};
use crate::plane::start::{PhotoCards, card_list, from_cards};
use crate::row::measure::Measured;
use crate::row::relaxed;
use crate::solve::levenberg_marquardt::Loss;
use std::collections::BTreeMap;

/// How far apart the same two cards may seem to lie in two photos, mm and share of their distance: a card alone
/// tells a photo's scale and slant to a per cent or two at the other end of a quilt.
const MOVED_MM: f64 = 30.0;
const MOVED_SHARE: f64 = 0.05;
/// How much they may seem turned against each other, rad.
const MOVED_RAD: f64 = 0.12;
/// Share of a photo's line that is found, against the middle photo's, below which it shows something else.
const STRANGE_SHARE: f64 = 0.35;

/// Where cards lie as one photo alone sees it: x, y, angle in the frame of its first card, mm, rad.
type Layout = BTreeMap<CardId, (f64, f64, f64)>;

fn layout(found: &FoundCards, camera: CameraPrior, card_bar_mm: f64) -> Option<Layout> {
    let cards = [PhotoCards {
        camera: 0,
        cards: found.cards.clone(),
    }];
    let priors = relaxed::priors_without_hills();
    let (start, photos) = from_cards(&cards, &[camera], &priors, card_bar_mm).ok()?;
    let joint = Joint {
        cameras: vec![camera],
        photos,
        priors,
        start,
        line_loss: Loss::Squared,
        hand: None,
    };
    let state = joint.solve_roughly().ok()?.state;
    let places = state.cards.iter().map(|c| (c.x, c.s, c.angle));
    Some(card_list(&cards).into_iter().zip(places).collect())
}

/// Whether two photos agree on how two cards lie to each other.
fn agree(a: &Layout, b: &Layout, first: CardId, second: CardId) -> bool {
    let relative = |layout: &Layout| {
        let (p, q) = (layout[&first], layout[&second]);
        let (sin, cos) = p.2.sin_cos();
        let (dx, dy) = (q.0 - p.0, q.1 - p.1);
        (cos * dx + sin * dy, cos * dy - sin * dx, q.2 - p.2)
    };
    let (p, q) = (relative(a), relative(b));
    let apart = (p.0 - q.0).hypot(p.1 - q.1);
    let turned = (p.2 - q.2).sin().abs().max(-(p.2 - q.2).cos());
    apart <= MOVED_MM + MOVED_SHARE * p.0.hypot(p.1) && turned <= MOVED_RAD
}

/// Photos in which cards lie otherwise to each other than in most photos that show them.
pub(super) fn moved(
    found: &[Result<FoundCards, CardError>],
    cameras: &[CameraPrior],
    card_bar_mm: f64,
) -> Vec<usize> {
    let layouts: Vec<Option<Layout>> = found
        .iter()
        .zip(cameras)
        .map(|(found, camera)| layout(found.as_ref().ok()?, *camera, card_bar_mm))
        .collect();
    // Which photos contradict each other.
    let contradict = |i: usize, j: usize| {
        let (Some(a), Some(b)) = (&layouts[i], &layouts[j]) else {
            return false;
        };
        let shared: Vec<CardId> = a
            .keys()
            .filter(|card| b.contains_key(card))
            .copied()
            .collect();
        let pairs = shared.windows(2).map(|pair| agree(a, b, pair[0], pair[1]));
        pairs.fold((0, 0), |(yes, no), agree| match agree {
            true => (yes + 1, no),
            false => (yes, no + 1),
        }) > (0, 0)
            && shared.windows(2).any(|pair| !agree(a, b, pair[0], pair[1]))
    };
    let n = found.len();
    let mut against: Vec<Vec<usize>> = (0..n)
        .map(|i| (0..n).filter(|j| *j != i && contradict(i, *j)).collect())
        .collect();
    // The photo with most against it goes, until nobody contradicts anybody; of two equal ones the later.
    let mut out = Vec::new();
    while let Some(worst) = (0..n)
        .filter(|i| !against[*i].is_empty())
        .max_by_key(|i| (against[*i].len(), *i))
    {
        against[worst].clear();
        for others in &mut against {
            others.retain(|j| *j != worst);
        }
        out.push(worst);
    }
    out.sort_unstable();
    out
}

pub(super) fn left_out(path: &str) -> LeftOut {
    LeftOut {
        what: format!(
            "{path}: its cards lie otherwise than in the other photos, so it was left out"
        ),
        remedy: "is it of another quilt, or was a card moved between two photos? Measure it by itself, or take \
                 all photos again without touching the cards"
            .to_owned(),
    }
}

/// A photo in which hardly any of the rows is found where the others say they are.
pub(super) fn stranger(measured: &Measured) -> Option<usize> {
    let shares: Vec<(usize, f64)> = (0..measured.views.len())
        .filter_map(|photo| {
            let points = measured.rows.iter().flat_map(|r| &r.trace.points);
            let (found, visible) = points
                .filter(|p| p.photo == photo && p.is_visible())
                .fold((0u32, 0u32), |(f, n), p| (f + u32::from(p.found), n + 1));
            (visible > 1000).then(|| (photo, f64::from(found) / f64::from(visible)))
        })
        .collect();
    let mut sorted: Vec<f64> = shares.iter().map(|s| s.1).collect();
    sorted.sort_by(f64::total_cmp);
    let middle = *sorted.get(sorted.len() / 2)?;
    let least = shares.into_iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    (least.1 < STRANGE_SHARE * middle).then_some(least.0)
}

pub(super) fn stranger_left_out(path: &str) -> LeftOut {
    LeftOut {
        what: format!("{path}: hardly any of the rows is found in it, so it was left out"),
        remedy:
            "is it of another quilt, or too dark or blurred to show the stitching? Take it again"
                .to_owned(),
    }
}
