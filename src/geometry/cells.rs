//! Things by their place, in square cells.

use super::Point2;

/// Things sorted into square cells of the plane that they fill.
#[derive(Debug, Clone)]
pub struct Cells<T> {
    side: f64,
    first: (i64, i64),
    columns: i64,
    rows: i64,
    cells: Vec<Vec<T>>,
}

impl<T> Cells<T> {
    /// Sorts things by their place into cells of this side; what is not at a finite place is left out.
    pub fn new(side: f64, things: impl IntoIterator<Item = (Point2, T)>) -> Cells<T> {
        let of = |p: Point2| ((p.x / side).floor() as i64, (p.y / side).floor() as i64);
        let things: Vec<((i64, i64), T)> = things
            .into_iter()
            .filter(|(p, _)| p.x.is_finite() && p.y.is_finite())
            .map(|(p, thing)| (of(p), thing))
            .collect();
        let ends = |of: fn(&(i64, i64)) -> i64| {
            let all = things.iter().map(|(cell, _)| of(cell));
            all.fold((i64::MAX, i64::MIN), |e, k| (e.0.min(k), e.1.max(k)))
        };
        let (x, y) = (ends(|c| c.0), ends(|c| c.1));
        if things.is_empty() {
            return Cells {
                side,
                first: (0, 0),
                columns: 0,
                rows: 0,
                cells: Vec::new(),
            };
        }
        let (columns, rows) = (x.1 - x.0 + 1, y.1 - y.0 + 1);
        let mut cells: Vec<Vec<T>> = Vec::new();
        cells.resize_with((columns * rows) as usize, Vec::new);
        for ((i, j), thing) in things {
            cells[((j - y.0) * columns + i - x.0) as usize].push(thing);
        }
        Cells {
            side,
            first: (x.0, y.0),
            columns,
            rows,
            cells,
        }
    }

    /// The cell of a place.
    pub fn of(&self, p: Point2) -> (i64, i64) {
        (
            (p.x / self.side).floor() as i64,
            (p.y / self.side).floor() as i64,
        )
    }

    /// What lies in a cell.
    pub fn at(&self, (i, j): (i64, i64)) -> &[T] {
        let (i, j) = (i - self.first.0, j - self.first.1);
        let inside = i >= 0 && j >= 0 && i < self.columns && j < self.rows;
        match inside {
            true => &self.cells[(j * self.columns + i) as usize],
            false => &[],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn things_are_found_in_their_own_cell_only() {
        let places = [(0.5, 0.5), (-0.5, 0.2), (9.9, -3.1), (f64::NAN, 0.0)];
        let cells = Cells::new(
            1.0,
            places
                .iter()
                .enumerate()
                .map(|(i, p)| (Point2::new(p.0, p.1), i)),
        );
        assert_eq!(cells.at(cells.of(Point2::new(0.9, 0.1))), &[0]);
        assert_eq!(cells.at((-1, 0)), &[1]);
        assert_eq!(cells.at((9, -4)), &[2]);
        assert!(cells.at((50, 50)).is_empty());
        assert!(Cells::<u8>::new(1.0, []).at((0, 0)).is_empty());
    }
}
