//! What the uncertainty of a gap rests on, largest first, and what would make it smaller.

use crate::plane::joint::Source;
use std::collections::BTreeMap;

/// A cause of uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// What the solved problem rests on.
    Solved(Source),
    /// Ripples and puff of the cloth.
    Ripples,
    /// Reading the card's check bar.
    Print,
    /// The line is not planned but learned from the photo.
    Learned,
}

impl Cause {
    /// In a quilter's words.
    pub fn words(self) -> &'static str {
        match self {
            Cause::Solved(Source::Corners) => "finding the card's corners",
            Cause::Solved(Source::Stitching) => "the hand's wobble, and how much is seen",
            Cause::Solved(Source::Lens) => "the lens",
            Cause::Solved(Source::CardHeight) => "how high the card lies above the stitching",
            Cause::Solved(Source::CardTilt) => "how the card rocks on the quilt",
            Cause::Solved(Source::Sag) => "how the quilt sags",
            Cause::Solved(Source::Stretch) => "how the design is stretched",
            Cause::Solved(Source::Rows) => "how far rows may bend",
            Cause::Ripples => "ripples and puff of the cloth",
            Cause::Print => "reading the card's check bar",
            Cause::Learned => "the line, learned from the photo itself",
        }
    }

    /// What makes it smaller.
    pub fn remedy(self) -> &'static str {
        match self {
            Cause::Solved(Source::Corners) => "go nearer, hold still, and give the card even light",
            Cause::Solved(Source::Stitching) => {
                "have more of both rows in the photo, in light that falls across the quilt from one side"
            }
            Cause::Solved(Source::Lens) => "calibrate the camera once with `rowsight calibrate`",
            Cause::Solved(Source::CardHeight) => {
                "press the card flat, or add a second photo of the same card from another side"
            }
            Cause::Solved(Source::CardTilt) => {
                "lay the card where it does not rock, or use a sheet card"
            }
            Cause::Solved(Source::Sag) => "lay a second card on the quilt, further up or down",
            Cause::Solved(Source::Stretch) => "lay a second card on the quilt, far from the first",
            Cause::Solved(Source::Rows) => "have more of both rows in the photo",
            Cause::Ripples => "look down on the quilt more steeply",
            Cause::Print => "read the check bar to a tenth of a millimetre",
            Cause::Learned => "give the design, as from `rowsight design --from-photo`",
        }
    }
}

/// Variances by cause at left, centre and right, mm².
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    at: [BTreeMap<Cause, f64>; 3],
}

impl Budget {
    /// From variances by cause, mm², at left, centre and right.
    pub fn new(at: [BTreeMap<Cause, f64>; 3]) -> Budget {
        Budget { at }
    }

    /// Standard uncertainties at left, centre and right, mm.
    pub fn u_mm(&self) -> [f64; 3] {
        [0, 1, 2].map(|k| self.at[k].values().sum::<f64>().sqrt())
    }

    /// Causes with their shares of the variance at left, centre and right, 0…1; largest first.
    pub fn shares(&self) -> Vec<(Cause, [f64; 3])> {
        let total = [0, 1, 2].map(|k| self.at[k].values().sum::<f64>().max(f64::MIN_POSITIVE));
        let mut shares: Vec<(Cause, [f64; 3])> = self.at[1]
            .keys()
            .map(|cause| {
                let share = |k: usize| self.at[k].get(cause).copied().unwrap_or(0.0) / total[k];
                (*cause, [share(0), share(1), share(2)])
            })
            .collect();
        let most = |shares: &[f64; 3]| shares.iter().sum::<f64>();
        shares.sort_by(|a, b| most(&b.1).total_cmp(&most(&a.1)));
        shares
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// GUM (JCGM 100:2008) 5.1.2: for independent contributions the variances add.
    #[test]
    fn shares_are_of_the_whole_and_largest_first() {
        let at = BTreeMap::from([(Cause::Solved(Source::Lens), 0.09), (Cause::Ripples, 0.16)]);
        let budget = Budget::new([at.clone(), at.clone(), at]);
        let u = budget.u_mm();
        assert!((u[0] - 0.5).abs() < 1e-12);
        let shares = budget.shares();
        assert_eq!(shares[0].0, Cause::Ripples);
        assert!((shares[0].1[1] - 0.64).abs() < 1e-12);
    }
}
