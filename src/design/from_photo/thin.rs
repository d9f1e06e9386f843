//! Thins ink to lines one pixel wide.

/// The skeleton of a mask, by row and column; the mask's outermost pixels have to be empty.
///
/// T. Y. Zhang, C. Y. Suen, "A fast parallel algorithm for thinning digital patterns", Communications of
/// the ACM 27(3), 1984: with P₂…P₉ the neighbours clockwise from the top, B their number and A the number
/// of changes from empty to ink around, a pixel goes when 2 ≤ B ≤ 6, A = 1 and (first pass)
/// P₂P₄P₆ = P₄P₆P₈ = 0, (second pass) P₂P₄P₈ = P₂P₆P₈ = 0.
pub fn thin(mask: &[bool], width: usize) -> Vec<bool> {
    let mut ink = mask.to_vec();
    let mut left: Vec<usize> = (0..ink.len()).filter(|i| ink[*i]).collect();
    loop {
        let before = left.len();
        for second in [false, true] {
            let gone: Vec<usize> = left
                .iter()
                .copied()
                .filter(|i| goes(&neighbours(&ink, width, *i), second))
                .collect();
            for i in gone {
                ink[i] = false;
            }
            left.retain(|i| ink[*i]);
        }
        if left.len() == before {
            return ink;
        }
    }
}

/// The eight neighbours of a pixel, clockwise from the top.
pub fn neighbours(ink: &[bool], width: usize, i: usize) -> [bool; 8] {
    around(width, i).map(|at| ink[at])
}

/// Places of the eight neighbours of a pixel that is not outermost, clockwise from the top.
pub fn around(width: usize, i: usize) -> [usize; 8] {
    [
        i - width,
        i - width + 1,
        i + 1,
        i + width + 1,
        i + width,
        i + width - 1,
        i - 1,
        i - width - 1,
    ]
}

/// Changes from empty to ink on the way around a pixel.
pub fn changes(p: &[bool; 8]) -> usize {
    (0..8).filter(|k| !p[*k] && p[(k + 1) % 8]).count()
}

fn goes(p: &[bool; 8], second: bool) -> bool {
    let count = p.iter().filter(|v| **v).count();
    if !(2..=6).contains(&count) || changes(p) != 1 {
        return false;
    }
    let [top, _, right, _, bottom, _, left, _] = *p;
    if second {
        !(top && left && (right || bottom))
    } else {
        !(right && bottom && (top || left))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `tests/reference/design/skeleton.txt`: a drawn mask (`#`) and what OpenCV's thinning leaves of it
    /// (`@`), made by `skeleton.py` beside it.
    #[test]
    fn skeleton_equals_that_of_opencv() {
        let text = include_str!("../../../tests/reference/design/skeleton.txt");
        let rows: Vec<&str> = text.lines().filter(|l| !l.starts_with('%')).collect();
        let width = rows[0].len();
        let cells: Vec<u8> = rows.iter().flat_map(|r| r.bytes()).collect();
        let mask: Vec<bool> = cells.iter().map(|c| *c != b'.').collect();
        let found = thin(&mask, width);
        let differ = (0..cells.len())
            .filter(|i| found[*i] != (cells[*i] == b'@'))
            .count();
        let lines = cells.iter().filter(|c| **c == b'@').count();
        assert!(lines > 200, "{lines}");
        assert_eq!(differ, 0);
    }
}
