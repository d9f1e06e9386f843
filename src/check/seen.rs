//! How much is seen of a row, and from where to where.

use crate::row::chance::RowSeen;
use crate::row::measure::{Measured, RowMeasured};

/// How plain a row is.
pub(crate) fn row_seen(row: &RowMeasured) -> RowSeen {
    let (found, visible) = row.trace.found_of_visible();
    RowSeen {
        by_threads: row.by_threads,
        ..RowSeen::of_places(row.score, visible, found, row.wobble_mm)
    }
}

/// Share of what is visible of a row on which its line was found.
pub(crate) fn share_found(row: &RowMeasured) -> f64 {
    row_seen(row).share()
}

/// Ends of what was found of a row, x on the quilt, mm.
pub(crate) fn seen_range(row: &RowMeasured) -> (f64, f64) {
    row.trace
        .points
        .iter()
        .filter(|p| p.found)
        .map(|p| p.on_quilt.x)
        .fold((f64::MAX, f64::MIN), |(a, b), x| (a.min(x), b.max(x)))
}

/// Ends of what is seen of both rows, x on the quilt, mm.
pub(crate) fn shared_range(measured: &Measured, upper: usize, lower: usize) -> (f64, f64) {
    let (a, b) = (
        seen_range(&measured.rows[upper]),
        seen_range(&measured.rows[lower]),
    );
    (a.0.max(b.0), a.1.min(b.1))
}
