//! How a hand strays, learned from the lines it has stitched.

use crate::geometry::Vector2;
use crate::plane::joint::{Hand, Place};
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

/// Lengths over which strays may hang together, mm.
const REACHES_MM: [f64; 5] = [15.0, 30.0, 60.0, 120.0, 240.0];
/// Shares of the variance that may be each place's own.
const OWN_SHARES: [f64; 3] = [0.1, 0.3, 0.6];
/// No hand is taken to be steadier than this, mm; nor one whose line is faint: of that, what is found is what strays least.
const LEAST_MM: f64 = 0.3;
const LEAST_FAINT_MM: f64 = 0.6;
/// Places of a row from which on they say how a hand strays.
const FEWEST: usize = 12;
/// Places of a stretch that may move as one: a foot of line.
const STRETCH: usize = 24;
/// Unknowns of a row that are not the hand's: where it lies, its slope, its bow, and how it is moved and drawn out.
const OF_ROW: usize = 5;

/// A place of a row's line, as seen once the row has been fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Strayed {
    /// Along the row's curve, mm.
    pub(super) arc_mm: f64,
    /// Along the row, mm.
    pub(super) along_mm: f64,
    /// Normal of the curve on the quilt, the mean of a bent piece.
    pub(super) normal: Vector2,
    /// How far off the line lies along it, mm.
    pub(super) off_mm: f64,
    /// How large what the place has by itself is taken to be, against that of other places.
    pub(super) own: f64,
}

/// A hand, and what each place strays by itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Learned {
    /// What hangs together.
    pub(super) hand: Hand,
    /// Standard deviation of what does not, at a place whose [`Strayed::own`] is 1, mm.
    pub(super) own_mm: f64,
}

impl Learned {
    /// The same with so many times its standard deviations.
    pub(super) fn widened(self, by: f64) -> Learned {
        Learned {
            hand: Hand {
                spread_mm: by * self.hand.spread_mm,
                ..self.hand
            },
            own_mm: by * self.own_mm,
        }
    }
}

/// What practice hands mostly are.
const USUAL: Learned = Learned {
    hand: Hand {
        spread_mm: 0.6,
        reach_mm: 30.0,
    },
    own_mm: 0.3,
};

/// The hand under which the rows' places, in their order, are likeliest, whatever the rows' own places are: restricted
/// likelihood (H. D. Patterson and R. Thompson, Biometrika 58, 1971) over a grid. [`USUAL`] where too little is seen.
pub(super) fn learn(rows: &[Vec<Strayed>], is_faint: bool) -> Learned {
    let least_mm = match is_faint {
        true => LEAST_FAINT_MM,
        false => LEAST_MM,
    };
    let told: Vec<&Vec<Strayed>> = rows.iter().filter(|row| row.len() >= FEWEST).collect();
    let Some(learned) = likeliest(&told, least_mm) else {
        return USUAL;
    };
    let unexplained = told.iter().filter_map(|row| unexplained(row, &learned));
    let (squares, freedom) = unexplained.fold((0.0, 0.0), |(a, b), (c, d)| (a + c, b + d));
    // What chance makes of so many at one in six is not held against the hand.
    let chance = freedom + (2.0 * freedom).sqrt();
    learned.widened((squares / f64::max(chance, 1.0)).sqrt().max(1.0))
}

/// The likeliest hand of the grid; its whole standard deviation is `least_mm` at least. `None` without rows.
fn likeliest(rows: &[&Vec<Strayed>], least_mm: f64) -> Option<Learned> {
    let grid: Vec<(f64, f64)> = REACHES_MM
        .iter()
        .flat_map(|reach_mm| OWN_SHARES.map(|own| (*reach_mm, own)))
        .collect();
    let fits = grid.par_iter().filter_map(|(reach_mm, own)| {
        let (cost, spread_mm) = cost_and_spread(rows, *reach_mm, *own)?;
        Some((cost, spread_mm.max(least_mm), *reach_mm, *own))
    });
    let best = fits.min_by(|a, b| a.0.total_cmp(&b.0));
    best.map(|(_, spread_mm, reach_mm, own)| Learned {
        hand: Hand {
            spread_mm: spread_mm * (1.0 - own).sqrt(),
            reach_mm,
        },
        own_mm: spread_mm * own.sqrt(),
    })
}

/// How far whole stretches of a row lie off, in squares of the standard deviations that the hand leaves them, summed, and how many
/// of these are to be expected.
///
/// What neighbouring places do together is told best by the many places near one another; a cloth that rises and falls, or a
/// stretch followed along something else, moves a hand's breadth at once, farther than such a hand would.
fn unexplained(row: &[Strayed], learned: &Learned) -> Option<(f64, f64)> {
    let columns = whitened(row, &learned.hand, learned.own_mm).0;
    let of_row = columns.columns(0, OF_ROW);
    let off = columns.column(OF_ROW);
    let known = (of_row.transpose() * of_row + ridge()).cholesky()?;
    let left = off - of_row * known.solve(&(of_row.transpose() * off));
    let stretches = (0..row.len() / STRETCH).filter_map(|k| {
        let places = |column: usize| columns.view((k * STRETCH, column), (STRETCH, 1));
        // Moved along x and along y.
        let moved = DMatrix::from_fn(STRETCH, 2, |i, j| places(2 * j)[i]);
        let by_itself = (moved.transpose() * &moved).cholesky()?;
        let pull = moved.transpose() * left.rows(k * STRETCH, STRETCH);
        // What the row's own unknowns have taken of it.
        let shared = moved.transpose() * of_row.rows(k * STRETCH, STRETCH);
        let taken = by_itself.solve(&(&shared * known.solve(&shared.transpose())));
        Some((pull.dot(&by_itself.solve(&pull)), 2.0 - taken.trace()))
    });
    Some(stretches.fold((0.0, 0.0), |(a, b), (c, d)| (a + c, b + d)))
}

/// So small that it says nothing: a straight line says nothing along itself.
fn ridge() -> DMatrix<f64> {
    DMatrix::identity(OF_ROW, OF_ROW) * 1e-6
}

/// Minus twice the logarithm of the restricted likelihood, and the whole standard deviation at which it is greatest, mm.
fn cost_and_spread(rows: &[&Vec<Strayed>], reach_mm: f64, own: f64) -> Option<(f64, f64)> {
    let hand = Hand {
        spread_mm: (1.0 - own).sqrt(),
        reach_mm,
    };
    let (mut squares, mut freedom, mut ln_determinants) = (0.0, 0usize, 0.0);
    for row in rows {
        let (columns, ln_determinant) = whitened(row, &hand, own.sqrt());
        let of_row = columns.columns(0, OF_ROW);
        let off: DVector<f64> = columns.column(OF_ROW).into_owned();
        let known = (of_row.transpose() * of_row + ridge()).cholesky()?;
        let pull = of_row.transpose() * &off;
        squares += off.norm_squared() - pull.dot(&known.solve(&pull));
        freedom += row.len() - OF_ROW;
        ln_determinants += ln_determinant + known.ln_determinant();
    }
    let freedom = freedom as f64;
    (freedom > 0.0 && squares > 0.0).then(|| {
        let cost = ln_determinants + freedom * squares.ln();
        (cost, (squares / freedom).sqrt())
    })
}

/// What a row's own unknowns do at its places, and last how far off these lie, whitened along the line; and the logarithm of the
/// determinant of their covariance. `own_mm` is what a place strays by itself.
fn whitened(row: &[Strayed], hand: &Hand, own_mm: f64) -> (DMatrix<f64>, f64) {
    let own_of = |p: &Strayed| own_mm * p.own;
    let place = |p: &Strayed| Place {
        arc_mm: p.arc_mm,
        across: p.normal / own_of(p),
    };
    let whitening = hand.whitening(row.iter().map(place));
    let ends = [row[0].along_mm, row[row.len() - 1].along_mm];
    let (middle, half) = (0.5 * (ends[0] + ends[1]), 0.5 * (ends[1] - ends[0]).abs());
    let mut columns = DMatrix::from_fn(row.len(), OF_ROW + 1, |i, j| {
        let p = &row[i];
        let x = (p.along_mm - middle) / half.max(1.0);
        let value = match j {
            0 => p.normal.x,
            1 => p.normal.x * x,
            2 => p.normal.y,
            3 => p.normal.y * x,
            4 => p.normal.y * x * x,
            _ => p.off_mm,
        };
        value / own_of(p)
    });
    for column in columns.as_mut_slice().chunks_exact_mut(row.len()) {
        whitening.whiten(column);
    }
    let own: f64 = row.iter().map(|p| 2.0 * own_of(p).ln()).sum();
    (columns, whitening.ln_determinant() + own)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    /// Made by `tests/reference/hand/make.py` with scikit-learn and statsmodels.
    fn reference() -> Value {
        serde_json::from_str(include_str!("../../tests/reference/hand/hand.json")).unwrap()
    }

    fn number(value: &Value) -> f64 {
        value.as_f64().unwrap()
    }

    fn rows(reference: &Value) -> Vec<Vec<Strayed>> {
        let row = |row: &Value| {
            let at = |name: &str, i: usize| number(&row[name][i]);
            let strayed = |i: usize| Strayed {
                arc_mm: at("arc", i),
                along_mm: at("along", i),
                normal: Vector2::new(number(&row["normal"][i][0]), number(&row["normal"][i][1])),
                off_mm: at("off", i),
                own: at("own", i),
            };
            (0..row["arc"].as_array().unwrap().len())
                .map(strayed)
                .collect()
        };
        reference["rows"]
            .as_array()
            .unwrap()
            .iter()
            .map(row)
            .collect()
    }

    #[test]
    fn likelihoods_are_those_of_the_reference_and_so_is_the_hand() {
        let reference = reference();
        let rows = rows(&reference);
        let told: Vec<&Vec<Strayed>> = rows.iter().collect();
        let fits = reference["fits"].as_array().unwrap();
        assert_eq!(fits.len(), REACHES_MM.len() * OWN_SHARES.len());
        let ours = |fit: &Value| {
            cost_and_spread(&told, number(&fit["reach_mm"]), number(&fit["own"])).unwrap()
        };
        let common = ours(&fits[0]).0 - number(&fits[0]["cost"]);
        for fit in fits {
            let (cost, spread_mm) = ours(fit);
            let off = cost - common - number(&fit["cost"]);
            assert!(off.abs() < 1e-4, "{fit}: {off}");
            assert!((spread_mm / number(&fit["spread_mm"]) - 1.0).abs() < 1e-6);
        }
        let learned = likeliest(&told, LEAST_MM).unwrap();
        let best = &reference["best"];
        assert_eq!(learned.hand.reach_mm, number(&best["reach_mm"]));
        let whole_mm = learned.hand.spread_mm.hypot(learned.own_mm);
        assert!((whole_mm - number(&best["spread_mm"])).abs() < 1e-6);
        let own = (learned.own_mm / whole_mm).powi(2);
        assert!((own - number(&best["own"])).abs() < 1e-9);
    }

    #[test]
    fn stretches_that_move_as_wholes_are_told_from_a_hand() {
        let mut rows = rows(&reference());
        let told: Vec<&Vec<Strayed>> = rows.iter().collect();
        let hand = likeliest(&told, LEAST_MM).unwrap();
        let beyond = |row: &[Strayed]| {
            let (squares, expected) = unexplained(row, &hand).unwrap();
            squares / expected
        };
        // Drawn from that hand: chance alone, with room for so few.
        assert!(
            (0.3..2.0).contains(&beyond(&rows[0])),
            "{}",
            beyond(&rows[0])
        );
        // A cloth that rises and falls.
        for (place, moved_mm) in [(24, 2.0), (96, -2.0)] {
            for strayed in &mut rows[0][place..place + STRETCH] {
                strayed.off_mm += moved_mm * strayed.normal.y;
            }
        }
        assert!(beyond(&rows[0]) > 2.5, "{}", beyond(&rows[0]));
    }

    #[test]
    fn of_too_little_the_hand_is_the_usual_one() {
        let mut rows = rows(&reference());
        rows.iter_mut().for_each(|row| row.truncate(FEWEST - 1));
        assert_eq!(learn(&rows, false), USUAL);
    }
}
