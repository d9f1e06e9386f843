//! Joins pieces of line into one.

use super::DesignError;
use crate::geometry::Point2;

/// Pieces this near to each other's ends belong together, mm, or this share of the drawing.
const GAP_MM: f64 = 0.5;
const GAP_SHARE: f64 = 0.003;

/// Larger side of the box around the points.
pub fn extent(points: &[Point2]) -> f64 {
    let (mut min, mut max) = (
        Point2::new(f64::MAX, f64::MAX),
        Point2::new(f64::MIN, f64::MIN),
    );
    for p in points {
        min = min.inf(p);
        max = max.sup(p);
    }
    (max.x - min.x).max(max.y - min.y)
}

/// One continuous line of all pieces, which may come in any order and run either way.
pub fn join(mut pieces: Vec<Vec<Point2>>) -> Result<Vec<Point2>, DesignError> {
    pieces.retain(|p| p.len() > 1 && extent(p) > 0.0);
    if pieces.is_empty() {
        return Err(DesignError::NoPath);
    }
    if pieces
        .iter()
        .flatten()
        .any(|p| !(p.x.is_finite() && p.y.is_finite()))
    {
        return Err(DesignError::NotFinite);
    }
    let all: Vec<Point2> = pieces.iter().flatten().copied().collect();
    let reach = GAP_MM
        .min(0.02 * extent(&all))
        .max(GAP_SHARE * extent(&all));
    let ends: Vec<(usize, bool, Point2)> = pieces
        .iter()
        .enumerate()
        .flat_map(|(i, p)| [(i, false, p[0]), (i, true, p[p.len() - 1])])
        .collect();
    // The line begins at the leftmost end to which no other piece joins.
    let lonely = |&(i, _, at): &(usize, bool, Point2)| {
        !ends
            .iter()
            .any(|(j, _, other)| *j != i && (other - at).norm() <= reach)
    };
    let start = ends
        .iter()
        .filter(|e| lonely(e))
        .min_by(|a, b| a.2.x.total_cmp(&b.2.x))
        .or_else(|| ends.iter().min_by(|a, b| a.2.x.total_cmp(&b.2.x)))
        .copied()
        .ok_or(DesignError::NoPath)?;
    let mut left: Vec<Option<Vec<Point2>>> = pieces.into_iter().map(Some).collect();
    let mut line = left[start.0].take().unwrap_or_default();
    if start.1 {
        line.reverse();
    }
    while left.iter().any(Option::is_some) {
        let end = line[line.len() - 1];
        let nearest = left
            .iter()
            .enumerate()
            .filter_map(|(i, p)| p.as_ref().map(|p| (i, p)))
            .flat_map(|(i, p)| {
                [
                    (i, false, (p[0] - end).norm()),
                    (i, true, (p[p.len() - 1] - end).norm()),
                ]
            })
            .min_by(|a, b| a.2.total_cmp(&b.2));
        let Some((i, backwards, gap)) = nearest else {
            break;
        };
        if gap > reach {
            return Err(DesignError::Pieces {
                pieces: 1 + left.iter().flatten().count(),
                gap_mm: gap,
                x: end.x,
                y: end.y,
            });
        }
        let mut piece = left[i].take().unwrap_or_default();
        if backwards {
            piece.reverse();
        }
        line.extend(piece.into_iter().skip(usize::from(gap < 1e-9)));
    }
    line.dedup_by(|a, b| (*a - *b).norm() < 1e-9);
    Ok(line)
}
