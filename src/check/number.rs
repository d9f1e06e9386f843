//! Which row of the plan the newest one in the photos is.

use super::{Known, SeenRow};
use crate::row::wobble::Likeness;
use crate::verdict::Warning;

/// What rows seen and journal say together.
pub(super) struct Numbering {
    pub(super) newest: u32,
    pub(super) is_retake: bool,
    pub(super) is_recognised: bool,
    pub(super) warnings: Vec<Warning>,
}

/// Which row the newest one in the photo is: as told, by its own wobble, or the next after the
/// journal's newest.
pub(super) fn number(rows: &[SeenRow], known: &Known, told: Option<u32>) -> Numbering {
    let in_journal = |row: u32| known.fingerprints.iter().any(|(r, _)| *r == row);
    let last_index = rows.last().map_or(0, |r| r.index);
    // What the rows seen say: each one that is known by its wobble gives the newest one's number. Two rows may
    // be alike by chance (0.6 was seen between rows of one hand), so the others of that photo have to agree.
    let agreed = |newest: u32| {
        let pairs: Vec<Likeness> = rows
            .iter()
            .filter_map(|row| {
                let number = newest.checked_sub((last_index - row.index) as u32)?;
                let old = known.fingerprints.iter().find(|(n, _)| *n == number)?;
                Some(row.fingerprint.likeness(&old.1))
            })
            .collect();
        Likeness::agreed(&pairs)
    };
    let recognised = rows
        .iter()
        .flat_map(|row| {
            let below = (last_index - row.index) as u32;
            let alike = known
                .fingerprints
                .iter()
                .filter(|(_, old)| row.fingerprint.likeness(old).is_same_row());
            alike.map(move |(number, _)| *number + below)
        })
        .filter_map(|newest| {
            let agreed = agreed(newest)?;
            agreed.is_same_row().then_some((agreed.correlation, newest))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, newest)| newest);
    let mut warnings = Vec::new();
    let expected = known.newest.map_or(last_index as u32 + 1, |n| n + 1);
    let newest = match (told, recognised) {
        (Some(told), Some(seen)) if told != seen => {
            warnings.push(Warning {
                what: format!(
                    "By its own wobble the newest row looks like row {seen}, not row {told}."
                ),
                remedy: format!("Leave --row out, or undo row {told} if it is wrong."),
                spoils: false,
            });
            told
        }
        (Some(told), _) => told,
        (None, Some(seen)) => {
            // A row was skipped: the next advance was not photographed.
            seen
        }
        (None, None) => expected,
    };
    // The row that comes next anyway needs less to be known.
    let is_recognised = recognised.is_some()
        || newest == expected && agreed(expected).is_some_and(|a| a.is_likely_same_row());
    if told.is_none() && !is_recognised && !known.fingerprints.is_empty() {
        warnings.push(Warning {
            what: format!(
                "No row in the photo was known again by its wobble: the newest was taken for row {newest}, \
                 the next one."
            ),
            remedy: "Say with --row which it is, if it is another.".to_owned(),
            spoils: false,
        });
    }
    Numbering {
        newest,
        is_retake: in_journal(newest),
        is_recognised,
        warnings,
    }
}
