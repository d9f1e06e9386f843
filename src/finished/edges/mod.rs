//! The quilt's edges where they can be seen: margins above the first and below the last row, how square the quilt is,
//! and drift from its top edge.

mod lines;
mod steps;

use super::record::{CardPlace, EdgeRecord, EdgesRecord, FromEdge, ToldBy};
use crate::card::geometry::print_scale_u_mm;
use crate::check::Place;
use crate::geometry::Point2;
use crate::photo::Photo;
use crate::plan::Plan;
use crate::plane::joint::State;
use crate::record::{At, DriftRecord, SpacingRecord, XOrigin};
use crate::row::measure::{Measured, paper};
use crate::units::{Uncertain, propagate};
use lines::{Edge, SIDES, Seen, Side, Where, edges, on_side};

/// A margin differs from the plan's by this much at most, mm, or by this share of it: quilts are trimmed.
const MARGIN_REACH_MM: f64 = 60.0;
const MARGIN_REACH: f64 = 0.65;
/// An edge at the rows' ends lies this near to where the plan's width puts it, mm.
const SIDE_REACH_MM: f64 = 60.0;
/// How far an edge's height may be from that of the stitching beside it, mm (common practice, no source).
const HEIGHT_U_MM: f64 = 3.0;
/// How well a quilter's tape tells how far a card lies below the edge, mm (common practice, no source).
const TAPE_U_MM: f64 = 1.0;

/// A value with its derivatives by the problem's parameters, and the rest of its variance, which it shares with
/// nothing else but the same edge: by edge, the derivatives by its `at` and `slope`.
#[derive(Debug, Clone, Default)]
struct Linear {
    value: f64,
    gradient: Vec<(usize, f64)>,
    of_edges: [[f64; 2]; 4],
    own_variance: f64,
}

impl Linear {
    fn plus(mut self, other: &Linear, times: f64) -> Linear {
        self.value += times * other.value;
        let scaled = other.gradient.iter().map(|(i, d)| (*i, times * d));
        self.gradient.extend(scaled);
        for (a, b) in self.of_edges.iter_mut().zip(&other.of_edges) {
            a[0] += times * b[0];
            a[1] += times * b[1];
        }
        self.own_variance += times * times * other.own_variance;
        self
    }
}

/// What was found of the edges, in the solved plane.
pub(super) struct Edges<'a> {
    measured: &'a Measured,
    place: &'a Place,
    plan: &'a Plan,
    found: [Option<Edge>; 4],
}

impl<'a> Edges<'a> {
    /// Looks for the edges around the rows of the photos. `rows` are those with a place, top to bottom, with the last
    /// one's number.
    pub fn look(
        measured: &'a Measured,
        place: &'a Place,
        photos: &[&Photo],
        plan: &'a Plan,
        rows: (usize, usize),
        last_number: u32,
    ) -> Edges<'a> {
        let seen: Vec<Seen> = photos
            .iter()
            .zip(&measured.views)
            .map(|(photo, view)| Seen {
                luma: &photo.luma,
                view,
            })
            .collect();
        let state = &measured.state;
        let papers: Vec<[Point2; 4]> = (measured.cards.iter().enumerate())
            .map(|(i, card)| paper(*card, state, i, plan.card_bar_mm))
            .collect();
        Edges {
            found: edges(
                &around(state, place, plan, rows, last_number),
                &seen,
                &papers,
            ),
            measured,
            place,
            plan,
        }
    }

    fn edge(&self, side: Side) -> Option<(usize, &Edge)> {
        let at = SIDES.iter().position(|s| *s == side)?;
        Some((at, self.found[at].as_ref()?))
    }

    /// The side's own coordinate of an edge, `t` along it.
    fn at(&self, side: Side, t: f64) -> Option<Linear> {
        let (number, edge) = self.edge(side)?;
        let value = edge.coordinate(t);
        let place = on_side(side, t, value);
        // The photo that shows it from nearest tells where it lies on the quilt.
        let (photo, px) = (0..self.measured.views.len())
            .filter_map(|photo| {
                let view = &self.measured.views[photo];
                let px = view.photo_from_quilt(place)?;
                let middle = view.view.camera.centre_px;
                Some((photo, px, (px - middle).norm()))
            })
            .min_by(|a, b| a.2.total_cmp(&b.2))
            .map(|(photo, px, _)| (photo, px))?;
        let own = match side {
            Side::Top | Side::Bottom => 1,
            Side::Left | Side::Right => 0,
        };
        let (_, gradient) =
            self.measured
                .problem
                .place_with_gradient(&self.measured.state, photo, px)?;
        let eye = self.measured.views[photo].eye();
        let slant = match own {
            1 => (place.y - eye.y) / eye.z,
            _ => (place.x - eye.x) / eye.z,
        };
        let mut of_edges = [[0.0; 2]; 4];
        of_edges[number] = [1.0, t - edge.middle];
        Some(Linear {
            value,
            gradient: gradient.iter().map(|(i, d)| (*i, d[own])).collect(),
            of_edges,
            own_variance: (HEIGHT_U_MM * slant).powi(2),
        })
    }

    fn uncertain(&self, v: &Linear) -> Uncertain {
        let plane = propagate(&v.gradient, &self.measured.covariance);
        let edges: f64 = (v.of_edges.iter().zip(&self.found))
            .filter_map(|(d, edge)| {
                let c = edge.as_ref()?.covariance;
                Some(
                    d[0] * d[0] * c[(0, 0)]
                        + 2.0 * d[0] * d[1] * c[(0, 1)]
                        + d[1] * d[1] * c[(1, 1)],
                )
            })
            .sum();
        Uncertain {
            value: v.value,
            u: (plane * plane + edges.max(0.0) + v.own_variance).sqrt(),
        }
    }

    fn with_print(&self, v: &Linear) -> Uncertain {
        let solved = self.uncertain(v);
        let print = print_scale_u_mm(v.value, self.plan.card_bar_mm);
        Uncertain {
            u: solved.u.hypot(print),
            ..solved
        }
    }

    fn row_at(&self, row: usize, x: f64) -> Linear {
        let terms = [(row, Place::baseline_at(x, 1.0))];
        let (value, gradient) = self.place.linear_with_gradient(self.measured, &terms);
        Linear {
            value,
            gradient,
            ..Linear::default()
        }
    }

    /// Left, centre and right of a row and an edge, x in the solved plane.
    fn xs(&self, row: usize) -> [f64; 3] {
        let seen = crate::check::seen_range(&self.measured.rows[row]);
        let (left, right) = self.place.whole_width(seen);
        [left, f64::midpoint(left, right), right]
    }

    /// From an edge to a row's baseline at left, centre and right.
    fn margin(&self, side: Side, row: usize) -> Vec<SpacingRecord> {
        let sign = if side == Side::Top { 1.0 } else { -1.0 };
        let at = |(at, x): (At, f64)| -> Option<SpacingRecord> {
            let edge = self.at(side, x)?;
            let from = Linear::default().plus(&self.row_at(row, x), sign);
            let margin = self.with_print(&from.plus(&edge, -sign));
            Some(SpacingRecord {
                at,
                x_mm: x - self.place.x_middle,
                value: margin.value,
                u: margin.u,
            })
        };
        [At::Left, At::Centre, At::Right]
            .into_iter()
            .zip(self.xs(row))
            .filter_map(at)
            .collect()
    }

    /// The corner where two edges meet: x, y.
    fn corner(&self, across: Side, down: Side) -> Option<[Linear; 2]> {
        let (_, horizontal) = self.edge(across)?;
        let (_, vertical) = self.edge(down)?;
        let mut x = vertical.at;
        for _ in 0..4 {
            x = vertical.coordinate(horizontal.coordinate(x));
        }
        Some([
            self.at(down, horizontal.coordinate(x))?,
            self.at(across, x)?,
        ])
    }

    /// Distance of two corners.
    fn distance(a: &[Linear; 2], b: &[Linear; 2]) -> Linear {
        let d = [b[0].value - a[0].value, b[1].value - a[1].value];
        let length = d[0].hypot(d[1]).max(1e-9);
        let mut sum = Linear::default();
        for k in 0..2 {
            sum = sum.plus(&b[k], d[k] / length).plus(&a[k], -d[k] / length);
        }
        sum
    }

    /// The slope of an edge against row 1, or against square to it; positive clockwise, mm/m.
    fn lean(&self, side: Side) -> Option<Uncertain> {
        let (_, edge) = self.edge(side)?;
        let (from, to) = edge.seen;
        let length = to - from;
        let change = self.at(side, to)?.plus(&self.at(side, from)?, -1.0);
        let datum = self.place.datum;
        let row = {
            let [left, _, right] = self.xs(datum);
            self.row_at(datum, right)
                .plus(&self.row_at(datum, left), -1.0)
                .scaled(1.0 / (right - left))
        };
        let slope = change.scaled(1.0 / length);
        let lean = match side {
            Side::Top | Side::Bottom => slope.plus(&row, -1.0),
            // x grows with y where the side leans to the right below, which is anticlockwise.
            Side::Left | Side::Right => Linear::default().plus(&slope, -1.0).plus(&row, -1.0),
        };
        let lean = self.uncertain(&lean);
        Some(Uncertain {
            value: 1000.0 * lean.value,
            u: 1000.0 * lean.u,
        })
    }

    /// All of it as a record. `rows`: the first and the last row.
    pub fn record(&self, rows: (usize, usize)) -> EdgesRecord {
        let edge = |side: Side| {
            let (_, edge) = self.edge(side)?;
            let offset = match side {
                Side::Top | Side::Bottom => self.place.x_middle,
                Side::Left | Side::Right => 0.0,
            };
            Some(EdgeRecord {
                lean_mm_per_m: self.lean(side)?,
                wave_mm: edge.wave_mm,
                share: edge.share,
                seen_from_mm: edge.seen.0 - offset,
                seen_to_mm: edge.seen.1 - offset,
            })
        };
        let [top_left, top_right, bottom_left, bottom_right] = [
            self.corner(Side::Top, Side::Left),
            self.corner(Side::Top, Side::Right),
            self.corner(Side::Bottom, Side::Left),
            self.corner(Side::Bottom, Side::Right),
        ];
        let length = |a: &Option<[Linear; 2]>, b: &Option<[Linear; 2]>| {
            Some(Edges::distance(a.as_ref()?, b.as_ref()?))
        };
        let down = length(&top_left, &bottom_right);
        let up = length(&bottom_left, &top_right);
        let measured = |v: Option<Linear>| v.map(|v| self.with_print(&v));
        EdgesRecord {
            top: edge(Side::Top),
            bottom: edge(Side::Bottom),
            left: edge(Side::Left),
            right: edge(Side::Right),
            above_first: self.margin(Side::Top, rows.0),
            below_last: self.margin(Side::Bottom, rows.1),
            width_at_top_mm: measured(length(&top_left, &top_right)),
            width_at_bottom_mm: measured(length(&bottom_left, &bottom_right)),
            length_at_left_mm: measured(length(&top_left, &bottom_left)),
            length_at_right_mm: measured(length(&top_right, &bottom_right)),
            diagonals_differ_mm: measured(down.and_then(|down| Some(down.plus(&up?, -1.0)))),
        }
    }

    /// Drift of the rows from the top edge, against the plan drawn in as the design's height was; where the edge is told
    /// by cards, from there, else where it is seen. `rows` are their indices and numbers.
    pub fn drift(&self, rows: &[(usize, u32)], cards: &[CardPlace]) -> Option<FromEdge> {
        let told = self.told_top(cards);
        let told_by = match told {
            Some(_) => ToldBy::Cards,
            None => ToldBy::Photos,
        };
        let top = |x: f64| match &told {
            Some(top) => Some(top(x)),
            None => self.at(Side::Top, x),
        };
        let stretch = State::STRETCH_INDEX[1];
        let drift = |(row, number): &(usize, u32)| -> Option<DriftRecord> {
            let planned = self.plan.first_row_mm + f64::from(number - 1) * self.plan.spacing_mm;
            let shrunk = Linear {
                value: planned * (1.0 + self.measured.state.stretch.y),
                gradient: vec![(stretch, planned)],
                ..Linear::default()
            };
            let at = |x: f64| {
                let below = self.row_at(*row, x).plus(&top(x)?, -1.0);
                Some(self.uncertain(&below.plus(&shrunk, -1.0)))
            };
            let [left, centre, right] = self.xs(*row);
            Some(DriftRecord {
                row: *number,
                left: at(left)?,
                centre: at(centre)?,
                right: at(right)?,
            })
        };
        let rows: Vec<DriftRecord> = rows.iter().filter_map(drift).collect();
        (!rows.is_empty()).then_some(FromEdge { told_by, rows })
    }

    /// The top edge by cards of which it is told how far below it they lie: a line through two or more, or one at the
    /// slant of row 1.
    fn told_top(&self, cards: &[CardPlace]) -> Option<Box<dyn Fn(f64) -> Linear + '_>> {
        let state = &self.measured.state;
        let told: Vec<(f64, Linear)> = cards
            .iter()
            .filter_map(|told| {
                let below = told.below_top_mm?;
                let at = self.measured.cards.iter().position(|c| *c == told.card)?;
                let card = &state.cards[at];
                let index = state.card_index(at) + 1;
                let edge = Linear {
                    value: card.s - below,
                    gradient: vec![(index, 1.0)],
                    own_variance: TAPE_U_MM * TAPE_U_MM,
                    ..Linear::default()
                };
                Some((card.x, edge))
            })
            .collect();
        let n = told.len() as f64;
        if told.is_empty() {
            return None;
        }
        let middle = told.iter().map(|t| t.0).sum::<f64>() / n;
        let moment: f64 = told.iter().map(|t| (t.0 - middle).powi(2)).sum();
        // Cards close together tell no direction.
        let leans = moment.sqrt() > 300.0;
        let datum = self.place.datum;
        Some(Box::new(move |x: f64| {
            let mut line = Linear::default();
            for (at, edge) in &told {
                let lever = match leans {
                    true => (x - middle) * (at - middle) / moment,
                    false => 0.0,
                };
                line = line.plus(edge, 1.0 / n + lever);
            }
            match leans {
                true => line,
                false => line
                    .plus(&self.row_at(datum, x), 1.0)
                    .plus(&self.row_at(datum, middle), -1.0),
            }
        }))
    }
}

impl Linear {
    fn scaled(&self, by: f64) -> Linear {
        Linear::default().plus(self, by)
    }
}

/// Where the edges are looked for.
fn around(
    state: &State,
    place: &Place,
    plan: &Plan,
    (first, last): (usize, usize),
    last_number: u32,
) -> [Option<Where>; 4] {
    let shrunk = 1.0 + state.stretch.y;
    let below = plan.length_mm - plan.first_row_mm - f64::from(last_number - 1) * plan.spacing_mm;
    let margins = [plan.first_row_mm, below.max(0.0)].map(|mm| mm * shrunk);
    let out = |margin: f64| {
        let reach = (MARGIN_REACH * margin).max(MARGIN_REACH_MM);
        (margin - reach, margin + reach)
    };
    let known = place.x_origin == XOrigin::Quilt;
    let across = match known {
        true => (
            place.x_middle - place.half_width_mm,
            place.x_middle + place.half_width_mm,
        ),
        false => (place.left, place.right),
    };
    let row = |i: usize| [state.rows[i].offset, state.rows[i].slope, state.rows[i].bow];
    let level = |i: usize, side: Side, margin: f64| {
        Some(Where {
            side,
            along: across,
            ends_known: known,
            out: out(margin),
            base: row(i),
        })
    };
    let middle_y = |i: usize| state.rows[i].y(place.x_middle);
    let upright = |side: Side, x: f64| {
        known.then_some(Where {
            side,
            along: (middle_y(first) - margins[0], middle_y(last) + margins[1]),
            ends_known: true,
            out: (-SIDE_REACH_MM, SIDE_REACH_MM),
            base: [x, 0.0, 0.0],
        })
    };
    [
        level(first, Side::Top, margins[0]),
        level(last, Side::Bottom, margins[1]),
        upright(Side::Left, across.0),
        upright(Side::Right, across.1),
    ]
}
