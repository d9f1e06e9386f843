//! What an overlay draws of a check.

use super::{Place, seen_range};
use crate::card::CardInPhoto;
use crate::card::geometry::CardId;
use crate::design::{Design, DesignPoint};
use crate::geometry::Point2;
use crate::line::strip::ARC_STEP_MM;
use crate::plan::Plan;
use crate::plane::camera::PreparedView;
use crate::plane::joint::{RowPlace, Stretch};
use crate::record::RowRecord;
use crate::report::overlay::OverlayRow;
use crate::row::measure::Measured;
use crate::row::trace::TracePoint;

/// What an overlay draws, in the record's frame.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// View of each photo, of the solved plane.
    views: Vec<PreparedView>,
    /// x of the record's origin in the solved plane, mm.
    x_middle: f64,
    /// Rows.
    pub rows: Vec<OverlayRow>,
    /// Outlines of the cards in each photo, px.
    pub cards_px: Vec<Vec<Vec<Point2>>>,
}

impl Drawn {
    /// Takes a point of the record's frame to a photo, px.
    pub fn to_photo(&self, photo: usize, place: Point2) -> Option<Point2> {
        self.views[photo].photo_from_quilt(Point2::new(place.x + self.x_middle, place.y))
    }
}

/// What an overlay draws of `rows`, whose records are `records`.
pub(crate) fn drawn(
    measured: &Measured,
    rows: &[usize],
    records: &[RowRecord],
    place: &Place,
    cards: &[Vec<CardInPhoto>],
    plan: &Plan,
    design: &Design,
) -> Drawn {
    let (state, x_middle) = (&measured.state, place.x_middle);
    let samples = design.sample(ARC_STEP_MM);
    let overlay_rows = rows
        .iter()
        .zip(records)
        .enumerate()
        .map(|(k, (&i, record))| {
            let seen = seen_range(&measured.rows[i]);
            let above = k
                .checked_sub(1)
                .filter(|k| records[*k].row + 1 == record.row);
            let is_missed = |p: &TracePoint| {
                let x = p.on_quilt.x - x_middle;
                let mut missed = record.missed.iter();
                missed.any(|m| x >= m.from_mm && x <= m.to_mm) && !p.found && p.is_visible()
            };
            let is_weak = |p: &TracePoint| {
                let within = p.on_quilt.x >= seen.0 && p.on_quilt.x <= seen.1;
                p.is_visible() && !p.found && within && !is_missed(p)
            };
            let points = &measured.rows[i].trace.points;
            OverlayRow {
                number: record.row,
                line_mm: fitted(
                    &state.rows[i],
                    &state.stretch,
                    design.repeat_mm,
                    &samples,
                    seen,
                    x_middle,
                ),
                baseline_mm: baseline(&state.rows[i], seen, 0.0, x_middle),
                planned_baseline_mm: above
                    .map(|k| baseline(&state.rows[rows[k]], seen, plan.spacing_mm, x_middle)),
                missed: stretches(points, is_missed, x_middle),
                weak: stretches(points, is_weak, x_middle),
            }
        })
        .collect();
    let cards_px = cards
        .iter()
        .zip(&measured.views)
        .map(|(cards, view)| {
            cards
                .iter()
                .map(|card| outline_px(measured, view, card))
                .collect()
        })
        .collect();
    Drawn {
        views: measured.views.clone(),
        x_middle,
        rows: overlay_rows,
        cards_px,
    }
}

/// A row's baseline moved down by `down_mm`, from one x on the quilt to another, in the record's frame.
fn baseline(row: &RowPlace, (from, to): (f64, f64), down_mm: f64, x_middle: f64) -> Vec<Point2> {
    (0..=24)
        .map(|k| {
            let x = from + (to - from) * f64::from(k) / 24.0;
            Point2::new(x - x_middle, row.y(x) + down_mm)
        })
        .collect()
}

/// The stretches of a row that pass a test, a dozen points long at least, in the record's frame.
fn stretches(
    points: &[TracePoint],
    test: impl Fn(&TracePoint) -> bool,
    x_middle: f64,
) -> Vec<Vec<Point2>> {
    points
        .chunk_by(|a, b| test(a) == test(b) && a.photo == b.photo)
        .filter(|run| run.len() >= 12 && test(&run[0]))
        .map(|run| {
            run.iter()
                .map(|p| Point2::new(p.on_quilt.x - x_middle, p.on_quilt.y))
                .collect()
        })
        .collect()
}

/// The whole curve of a row from one x on the quilt to another, whichever photo saw which part of it, in the
/// record's frame; in pieces where the design has breaks.
fn fitted(
    row: &RowPlace,
    stretch: &Stretch,
    repeat_mm: f64,
    samples: &[DesignPoint],
    (from, to): (f64, f64),
    x_middle: f64,
) -> Vec<Vec<Point2>> {
    let number = |x: f64| ((x - row.shift) / (repeat_mm * (1.0 + stretch.x))).floor() as i64;
    let points = (number(from) - 1..=number(to) + 1)
        .flat_map(|k| samples.iter().map(move |d| (k, d)))
        .map(|(k, d)| {
            let along = k as f64 * repeat_mm + d.position.x;
            (d.is_last, row.on_quilt(along, d.position.y, stretch))
        });
    // What lies beyond the view, or is not known, parts the line.
    let mut pieces = vec![Vec::new()];
    for (is_last, p) in points {
        let inside = p.x >= from && p.x <= to;
        if let Some(piece) = pieces.last_mut().filter(|_| inside) {
            piece.push(Point2::new(p.x - x_middle, p.y));
        }
        if is_last || !inside {
            pieces.push(Vec::new());
        }
    }
    pieces.retain(|piece| piece.len() > 1);
    pieces
}

/// Outline of a card's pattern in a photo, px.
fn outline_px(measured: &Measured, view: &PreparedView, card: &CardInPhoto) -> Vec<Point2> {
    let id: CardId = card.card;
    let Some(index) = measured.cards.iter().position(|c| *c == id) else {
        return Vec::new();
    };
    let (w, h) = id.size_mm();
    [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]
        .into_iter()
        .filter_map(|(i, j)| {
            let on_card = Point2::new(i * w, j * h) * measured.card_scale;
            view.photo_from_space(
                &measured.state.cards[index].in_space(on_card, &measured.state.surface),
            )
        })
        .collect()
}
