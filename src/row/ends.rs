//! Where the rows' stitching ends at the quilt's sides.
//!
//! A row is followed on past the quilt's side: over batting, backing and floor nothing of its line is
//! found. But nothing is found either where a print or a hand hides the line. So an end only counts where
//! several rows stop at the same x with a hand's breadth of view beyond.

use super::measure::RowMeasured;
use super::told::FOUND_STRENGTH;

/// Length along x in which places of the line are counted together, mm.
const BIN_MM: f64 = 10.0;
/// View that is needed beyond an end, mm.
const BEYOND_MM: f64 = 100.0;
/// Row that is needed before an end, mm.
const BEFORE_MM: f64 = 200.0;
/// Rows that have to agree, and how nearly, mm: a hand stops a little before or past the side.
const AGREE_ROWS: usize = 2;
const AGREE_MM: f64 = 25.0;
/// Share of places at which something answers although nothing was stitched; tried on practice photos.
const SHARE_BEYOND: f64 = 0.12;
/// Greatest share beyond an end, and least before it.
const MOST_BEYOND: f64 = 0.2;
const LEAST_BEFORE: f64 = 0.55;
/// Share from which on a row goes on.
const GOES_ON: f64 = 0.4;

/// x of the sides at which the rows end, on the quilt, mm; `None` where that is not clear.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ends {
    /// Left side.
    pub left: Option<f64>,
    /// Right side.
    pub right: Option<f64>,
}

/// Places of a row's line that are visible, and those at which it stands out, in one bin.
#[derive(Debug, Clone, Copy, Default)]
struct Bin {
    visible: f64,
    strong: f64,
}

/// Visible and strong places in all of them.
fn count(bins: &[Bin]) -> (f64, f64) {
    bins.iter()
        .fold((0.0, 0.0), |(n, m), b| (n + b.visible, m + b.strong))
}

/// A row's line by x.
struct Profile {
    first: i64,
    bins: Vec<Bin>,
}

impl Profile {
    fn new(row: &RowMeasured) -> Profile {
        let bin = |x: f64| (x / BIN_MM).floor() as i64;
        let visible = || row.trace.points.iter().filter(|p| p.is_visible());
        let (first, last) = visible().fold((i64::MAX, i64::MIN), |(a, b), p| {
            let i = bin(p.on_quilt.x);
            (a.min(i), b.max(i))
        });
        let mut bins = vec![Bin::default(); (last - first + 1).max(0) as usize];
        for p in visible() {
            let bin = &mut bins[(bin(p.on_quilt.x) - first) as usize];
            bin.visible += 1.0;
            bin.strong += f64::from(u8::from(p.strength >= FOUND_STRENGTH));
        }
        Profile { first, bins }
    }

    /// The same seen in a mirror, x to −x.
    fn mirrored(&self) -> Profile {
        Profile {
            first: -(self.first + self.bins.len() as i64),
            bins: self.bins.iter().rev().copied().collect(),
        }
    }

    /// x at which the line ends on the right, when it clearly does.
    ///
    /// The likeliest place of a change from the row's own share of strong places to that of nothing: the
    /// sum over the bins of m·ln p + (n − m)·ln(1 − p).
    fn right_end(&self) -> Option<f64> {
        let share = |bins: &[Bin]| {
            let (n, m) = count(bins);
            if n > 0.0 { m / n } else { 0.0 }
        };
        let mut shares: Vec<f64> = self
            .bins
            .iter()
            .filter(|b| b.visible >= BIN_MM / 2.0)
            .map(|b| b.strong / b.visible)
            .collect();
        if shares.is_empty() {
            return None;
        }
        let upper = shares.len() * 3 / 4;
        let within = *shares.select_nth_unstable_by(upper, f64::total_cmp).1;
        let within = within.clamp(0.3, 0.98);
        let gain = |b: &Bin| {
            b.strong * (within / SHARE_BEYOND).ln()
                + (b.visible - b.strong) * ((1.0 - within) / (1.0 - SHARE_BEYOND)).ln()
        };
        let mut sum = 0.0;
        let (mut best, mut end) = (0.0, 0);
        for (i, bin) in self.bins.iter().enumerate() {
            sum += gain(bin);
            if sum > best {
                (best, end) = (sum, i + 1);
            }
        }
        let (before, beyond) = self.bins.split_at(end);
        let near = &before[before.len().saturating_sub((BEFORE_MM / BIN_MM) as usize)..];
        let seen_beyond =
            beyond.iter().filter(|b| b.visible >= BIN_MM / 2.0).count() as f64 * BIN_MM;
        let enough_before = share(near) >= LEAST_BEFORE.min(0.7 * within)
            && near.len() as f64 * BIN_MM >= BEFORE_MM;
        (seen_beyond >= BEYOND_MM && enough_before && share(beyond) <= MOST_BEYOND)
            .then(|| (self.first + end as i64) as f64 * BIN_MM)
    }

    /// Whether the row plainly goes on to the right of x.
    fn goes_on_beyond(&self, x: f64) -> bool {
        let from = ((x / BIN_MM).ceil() as i64 - self.first).max(0) as usize;
        let to = from + (BEYOND_MM / BIN_MM) as usize;
        let beyond = self.bins.get(from..to).unwrap_or_default();
        let (n, m) = count(beyond);
        n >= BEYOND_MM && m >= GOES_ON * n
    }
}

/// The x at which rows agree to end on the right; none when a row clearly goes on.
fn agreed(profiles: &[Profile]) -> Option<f64> {
    let ends: Vec<Option<f64>> = profiles.iter().map(Profile::right_end).collect();
    let mut clear: Vec<f64> = ends.iter().flatten().copied().collect();
    clear.sort_by(f64::total_cmp);
    let middle = *clear.get(clear.len() / 2)?;
    let agree = clear
        .iter()
        .filter(|x| (*x - middle).abs() <= AGREE_MM)
        .count();
    let against = profiles
        .iter()
        .any(|profile| profile.goes_on_beyond(middle + AGREE_MM));
    (agree >= AGREE_ROWS && !against).then_some(middle)
}

/// Where the rows end at both sides.
pub fn ends<'a>(rows: impl Iterator<Item = &'a RowMeasured>) -> Ends {
    let profiles: Vec<Profile> = rows.map(Profile::new).collect();
    let mirrored: Vec<Profile> = profiles.iter().map(Profile::mirrored).collect();
    Ends {
        left: agreed(&mirrored).map(|x| -x),
        right: agreed(&profiles),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A row seen from `from` to `to` with `share` strong places up to `end` and `beyond` after it.
    fn profile(from: i64, to: i64, end: i64, share: f64, beyond: f64) -> Profile {
        let bins = (from..to)
            .map(|i| Bin {
                visible: 16.0,
                strong: 16.0 * if i < end { share } else { beyond },
            })
            .collect();
        Profile { first: from, bins }
    }

    #[test]
    fn two_rows_that_stop_together_in_full_view_end_there() {
        let rows = [
            profile(-60, 60, 40, 0.9, 0.05),
            profile(-58, 61, 41, 0.8, 0.1),
        ];
        let end = agreed(&rows).unwrap();
        assert!((end - 405.0).abs() <= 5.0, "{end}");
        let mirrored: Vec<Profile> = rows.iter().map(Profile::mirrored).collect();
        assert_eq!(agreed(&mirrored), None);
    }

    #[test]
    fn one_row_alone_a_short_view_and_rows_that_disagree_settle_nothing() {
        let one = [profile(-60, 60, 40, 0.9, 0.05)];
        assert_eq!(agreed(&one), None);
        // 80 mm of view beyond.
        let short = [
            profile(-60, 48, 40, 0.9, 0.05),
            profile(-60, 48, 40, 0.9, 0.05),
        ];
        assert_eq!(agreed(&short), None);
        let apart = [
            profile(-60, 60, 40, 0.9, 0.05),
            profile(-60, 60, 30, 0.9, 0.05),
        ];
        assert_eq!(agreed(&apart), None);
        // A third one goes on: something hides the other two.
        let hidden = [
            profile(-60, 60, 40, 0.9, 0.05),
            profile(-60, 60, 40, 0.9, 0.05),
            profile(-60, 60, 60, 0.9, 0.9),
        ];
        assert_eq!(agreed(&hidden), None);
    }
}
