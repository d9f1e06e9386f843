//! From what was measured to the record's photos, rows and gaps.

use super::uncertainty::{learned_u_mm, ripple_u_mm};
use super::{Place, row_seen, seen_range, shared_range};
use crate::card::CardInPhoto;
use crate::card::geometry::print_scale_u_mm;
use crate::design::Design;
use crate::geometry::Point2;
use crate::line::strip::ARC_STEP_MM;
use crate::photo::Photo;
use crate::plan::Plan;
use crate::plane::camera::PreparedView;
use crate::record::{At, GapRecord, OffDesign, PhotoRecord, RowRecord, SpacingRecord, Stretch};
use crate::row::chance::Chance;
use crate::row::measure::{Measured, RowMeasured};
use crate::row::missed::{clearance, missed, planned_clearance_mm, shown_missed};
use crate::row::trace::TracePoint;
use crate::units::Uncertain;

/// The photos as the record names them; `cards` are those found in each.
pub(crate) fn photo_records(
    photos: &[&Photo],
    cards: &[Vec<CardInPhoto>],
    measured: &Measured,
) -> Vec<PhotoRecord> {
    let records = photos.iter().zip(cards).enumerate();
    records
        .map(|(i, (photo, cards))| photo_record(i, photo, cards, measured))
        .collect()
}

/// Pairs of rows that lie one below the other; `numbered` are rows as measured, each with its number.
pub(super) fn neighbours(
    numbered: &[(usize, u32)],
) -> impl DoubleEndedIterator<Item = ((usize, u32), (usize, u32))> {
    let pairs = numbered.windows(2).map(|pair| (pair[0], pair[1]));
    pairs.filter(|((_, above), (_, below))| *below == above + 1)
}

/// A photo as the record names it.
fn photo_record(
    i: usize,
    photo: &Photo,
    cards: &[CardInPhoto],
    measured: &Measured,
) -> PhotoRecord {
    let corners: usize = cards.iter().map(|c| c.corners.len()).sum();
    let square: f64 = cards
        .iter()
        .map(|c| corner_misfit_px(measured, i, c).powi(2) * c.corners.len() as f64)
        .sum();
    let middle = measured
        .rows
        .last()
        .map(seen_range)
        .map_or(Point2::origin(), |(from, to)| {
            let x = (from + to) / 2.0;
            Point2::new(x, measured.state.rows[measured.rows.len() - 1].y(x))
        });
    PhotoRecord {
        path: photo.path.display().to_string(),
        cards: cards.iter().map(|c| c.card.to_string()).collect(),
        corners,
        residual_px: (square / corners.max(1) as f64).sqrt(),
        mm_per_px: mm_per_px(&measured.views[i], middle),
        sha256: photo.sha256.clone(),
    }
}

/// RMS distance of a card's corners from the solved plane, px.
fn corner_misfit_px(measured: &Measured, photo: usize, card: &CardInPhoto) -> f64 {
    let Some(index) = measured.cards.iter().position(|c| *c == card.card) else {
        return 0.0;
    };
    let pose = &measured.state.cards[index];
    let square: f64 = card
        .corners
        .iter()
        .filter_map(|corner| {
            let on_card = corner.on_card_mm * measured.card_scale;
            let space = pose.in_space(on_card, &measured.state.surface);
            let px = measured.views[photo].photo_from_space(&space)?;
            Some((px - corner.in_photo_px).norm().powi(2))
        })
        .sum();
    (square / card.corners.len().max(1) as f64).sqrt()
}

/// Scale of a photo at a place of the quilt, the mean of both directions.
fn mm_per_px(view: &PreparedView, place: Point2) -> f64 {
    let along = view
        .photo_per_mm(place, nalgebra::Vector2::x())
        .map_or(1.0, |v| v.norm());
    let down = view
        .photo_per_mm(place, nalgebra::Vector2::y())
        .map_or(1.0, |v| v.norm());
    2.0 / (along + down)
}

/// How near to a stretch off the design a missed one is the same, mm.
const BESIDE_MM: f64 = 20.0;

/// How far a line has to stray toward the next row to be named for coming near it, mm.
const PLAIN_STRAY_MM: f64 = 1.0;

/// Of the parts without a line, x from … to, those that were not stitched elsewhere.
fn really_missed(row: &RowMeasured, missed: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let elsewhere = |a: f64, b: f64| {
        let mut parts = row.astray.iter();
        parts.any(|part| a < part.to_mm + BESIDE_MM && b > part.from_mm - BESIDE_MM)
    };
    let missed = missed.iter().copied();
    missed.filter(|(a, b)| !elsewhere(*a, *b)).collect()
}

/// Share found of what is visible of a row's line between the ends of what was found.
pub(super) fn coverage(row: &RowMeasured) -> f64 {
    let (from, to) = seen_range(row);
    let points = || row.trace.points.iter();
    let within = |p: &&TracePoint| p.on_quilt.x >= from && p.on_quilt.x <= to;
    let visible = points().filter(within).filter(|p| p.is_visible()).count();
    points().filter(|p| p.found).count() as f64 / visible.max(1) as f64
}

impl Place {
    /// Every row of the record, and the gaps between neighbours; `numbered` are rows as measured, each with its number.
    pub(crate) fn rows_and_gaps(
        &self,
        measured: &Measured,
        numbered: &[(usize, u32)],
        plan: &Plan,
        design: &Design,
    ) -> (Vec<RowRecord>, Vec<GapRecord>) {
        let missed = missed(&measured.rows, design.sample(ARC_STEP_MM).len());
        let row = |&(i, number)| self.row(measured, i, number, &missed[i], plan, design);
        let gap =
            |((upper, number), (lower, _))| self.gap(measured, upper, lower, number, plan, design);
        let gaps = neighbours(numbered).map(gap).collect();
        (numbered.iter().map(row).collect(), gaps)
    }

    /// A row as measured, with its number; `missed` are its parts without a line, x from … to.
    fn row(
        &self,
        measured: &Measured,
        i: usize,
        number: u32,
        missed: &[(f64, f64)],
        plan: &Plan,
        design: &Design,
    ) -> RowRecord {
        let row = &measured.rows[i];
        let (from, to) = seen_range(row);
        let half = (to - from) / 2.0;
        // Against the topmost row, at the middle of the view and over the view's width.
        let x = self.x_middle;
        let offset = self.linear(
            measured,
            &[
                (i, Place::baseline_at(x, 1.0)),
                (self.datum, Place::baseline_at(x, -1.0)),
            ],
        );
        let chord = |sign: f64| [0.0, sign, sign * (self.left + self.right), 0.0];
        let slope = self.linear(measured, &[(i, chord(1.0)), (self.datum, chord(-1.0))]);
        let bow = self.linear(measured, &[(i, [0.0, 0.0, -half * half, 0.0])]);
        let shift = self.shift(measured, i, plan, design);
        let off_design = row
            .astray
            .iter()
            .map(|part| OffDesign {
                from_mm: part.from_mm - self.x_middle,
                to_mm: part.to_mm - self.x_middle,
                off_mm: part.off_mm,
            })
            .collect();
        let missed = really_missed(row, missed);
        let missed_in_photo = missed
            .iter()
            .map(|part| shown_missed(measured, i, *part))
            .collect();
        let missed = missed
            .iter()
            .map(|(a, b)| Stretch {
                from_mm: a - self.x_middle,
                to_mm: b - self.x_middle,
            })
            .collect();
        RowRecord {
            row: number,
            x_origin: self.x_origin,
            seen_from_mm: from - self.x_middle,
            seen_to_mm: to - self.x_middle,
            offset_mm: offset,
            slope_mm_per_m: Uncertain {
                value: slope.value * 1000.0,
                u: slope.u * 1000.0,
            },
            bow_mm: bow,
            shift_mm: shift,
            wobble_mm: row.wobble_mm,
            coverage: coverage(row),
            missed,
            missed_in_photo,
            off_design,
            chance: plan.has_design().then(|| Chance::of(&row_seen(row))),
        }
    }

    /// Shift of a row's design against the plan, relative to the topmost row.
    fn shift(&self, measured: &Measured, i: usize, plan: &Plan, design: &Design) -> Uncertain {
        let sum = self.linear(
            measured,
            &[
                (i, [0.0, 0.0, 0.0, 1.0]),
                (self.datum, [0.0, 0.0, 0.0, -1.0]),
            ],
        );
        let rows = f64::from(measured.rows[i].index - measured.rows[self.datum].index);
        let repeat = design.repeat_mm * (1.0 + measured.state.stretch.x);
        let planned = (rows * plan.stagger).rem_euclid(1.0) * repeat;
        let off = sum.value - planned;
        Uncertain {
            value: off - (off / repeat).round() * repeat,
            u: sum.u,
        }
    }

    /// The gap between two rows, of which the upper one is number `from_row`.
    fn gap(
        &self,
        measured: &Measured,
        upper: usize,
        lower: usize,
        from_row: u32,
        plan: &Plan,
        design: &Design,
    ) -> GapRecord {
        let (left, right) = self.whole_width(shared_range(measured, upper, lower));
        let difference = |x: f64| {
            self.linear(
                measured,
                &[
                    (lower, Place::baseline_at(x, 1.0)),
                    (upper, Place::baseline_at(x, -1.0)),
                ],
            )
        };
        let spacing = [
            (At::Left, left),
            (At::Centre, (left + right) / 2.0),
            (At::Right, right),
        ]
        .into_iter()
        .map(|(at, x)| {
            let spacing = difference(x);
            let below = Point2::new(x, measured.state.rows[lower].y(x));
            let ripple_u = ripple_u_mm(measured, below);
            let print_u = print_scale_u_mm(spacing.value, plan.card_bar_mm);
            SpacingRecord {
                at,
                x_mm: x - self.x_middle,
                value: spacing.value,
                u: spacing
                    .u
                    .hypot(ripple_u)
                    .hypot(print_u)
                    .hypot(learned_u_mm(plan)),
            }
        })
        .collect();
        let chord = |sign: f64| [0.0, sign, sign * (left + right), 0.0];
        let skew = self.linear(measured, &[(lower, chord(1.0)), (upper, chord(-1.0))]);
        let half = (right - left) / 2.0;
        let sagitta = |sign: f64| [0.0, 0.0, -sign * half * half, 0.0];
        let bow = self.linear(measured, &[(lower, sagitta(1.0)), (upper, sagitta(-1.0))]);
        let at_centre = difference((left + right) / 2.0);
        let nearest = clearance(&measured.rows[upper], &measured.rows[lower]);
        GapRecord {
            from_row,
            to_row: from_row + 1,
            plan_mm: plan.spacing_mm,
            clearance_mm: nearest.map(|nearest| {
                // The two lines' own places on top of the gap's.
                Uncertain {
                    value: nearest.distance_mm,
                    u: (at_centre.u.powi(2) + 2.0 * 0.3f64.powi(2)).sqrt(),
                }
            }),
            // What was learned from the rows themselves is no plan.
            plan_clearance_mm: plan
                .has_design()
                .then(|| planned_clearance_mm(design, plan.spacing_mm, plan.stagger))
                .flatten(),
            clearance_x_mm: nearest.map(|nearest| nearest.x_mm - self.x_middle),
            clearance_row: nearest.and_then(|nearest| {
                let [above, below] = nearest.strays_mm;
                (above.max(below) >= PLAIN_STRAY_MM).then_some(if above > below {
                    from_row
                } else {
                    from_row + 1
                })
            }),
            spacing,
            skew_mm_per_m: Uncertain {
                value: skew.value * 1000.0,
                u: skew.u * 1000.0,
            },
            bow_mm: bow,
        }
    }
}
