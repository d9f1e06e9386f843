//! A row's own wobble as its fingerprint: no hand strays the same way twice.

use super::trace::{OBSERVE_EVERY, RowTrace, repeat_at_start};
use serde::{Deserialize, Serialize};

/// A row's deviations along its curve, for recognising it in another photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fingerprint {
    /// Samples in one repeat of the design.
    pub samples_per_repeat: usize,
    /// Deviations by sample from the start of a repeat, 0.01 mm; `None` where the line was not found.
    pub hundredths_mm: Vec<Option<i16>>,
}

/// How alike two fingerprints are, at the best whole number of repeats between them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Correlation of the deviations, −1…1.
    pub correlation: f64,
    /// How many samples both have.
    pub samples: usize,
}

/// Samples that two rows have to have in common before their likeness says anything.
pub(super) const TOLD_SAMPLES: usize = 120;

impl Likeness {
    /// What several pairs of rows say together: their mean, those without enough in common left out. `None` when
    /// none is left.
    pub fn agreed(pairs: &[Likeness]) -> Option<Likeness> {
        let told: Vec<&Likeness> = pairs.iter().filter(|p| p.samples > 0).collect();
        let samples = told.iter().map(|p| p.samples).min()?;
        let sum: f64 = told.iter().map(|p| p.correlation).sum();
        Some(Likeness {
            correlation: sum / told.len() as f64,
            samples,
        })
    }

    /// Whether it is the same row. Wobble hangs together over centimetres, so a few hundred samples
    /// hold some tens of independent ones; 0.5 is then far beyond chance, also over all repeats tried.
    pub fn is_same_row(&self) -> bool {
        self.correlation > 0.5 && self.samples >= TOLD_SAMPLES
    }

    /// Whether it may well be the same row, where something else speaks for it too.
    pub fn is_likely_same_row(&self) -> bool {
        self.correlation > 0.4 && self.samples >= 200
    }
}

/// Wider than this the deviation is the plane's, not the hand's: it is taken out, samples.
const WIDE: usize = 40;

impl Fingerprint {
    /// That of nothing: it is like no other.
    pub fn none() -> Fingerprint {
        Fingerprint {
            samples_per_repeat: 0,
            hundredths_mm: Vec::new(),
        }
    }

    /// Of a traced row; `samples` is the number of millimetre samples in one repeat.
    pub fn new(trace: &RowTrace, samples: usize, repeat_mm: f64) -> Fingerprint {
        let per_repeat = samples / OBSERVE_EVERY;
        let first = first_repeat(trace, repeat_mm);
        let mut sums: Vec<(f64, u32)> = Vec::new();
        // Each repeat has the same number of samples.
        for photo in trace.by_photo() {
            let start = repeat_at_start(photo, repeat_mm);
            for (i, p) in photo.iter().enumerate() {
                if !p.found {
                    continue;
                }
                let repeat = start + (i / samples) as i64 - first;
                let Ok(repeat) = usize::try_from(repeat) else {
                    continue;
                };
                let at = repeat * per_repeat + (i % samples / OBSERVE_EVERY).min(per_repeat - 1);
                if sums.len() <= at {
                    sums.resize(at + 1, (0.0, 0));
                }
                sums[at].0 += p.deviation_mm;
                sums[at].1 += 1;
            }
        }
        let raw: Vec<Option<f64>> = sums
            .iter()
            .map(|(s, n)| (*n > 0).then(|| s / f64::from(*n)))
            .collect();
        let hundredths_mm = (0..raw.len())
            .map(|i| {
                let near = &raw[i.saturating_sub(WIDE)..(i + WIDE + 1).min(raw.len())];
                let known: Vec<f64> = near.iter().flatten().copied().collect();
                let mean = known.iter().sum::<f64>() / known.len().max(1) as f64;
                raw[i].map(|d| ((d - mean) * 100.0).round().clamp(-3000.0, 3000.0) as i16)
            })
            .collect();
        Fingerprint {
            samples_per_repeat: per_repeat,
            hundredths_mm,
        }
    }

    /// How alike two rows are.
    pub fn likeness(&self, other: &Fingerprint) -> Likeness {
        let mut best = Likeness {
            correlation: 0.0,
            samples: 0,
        };
        if self.samples_per_repeat != other.samples_per_repeat || self.samples_per_repeat == 0 {
            return best;
        }
        for shift in self.shifts(other) {
            let likeness = self.products(other, shift).likeness();
            if likeness.samples >= TOLD_SAMPLES && likeness.correlation > best.correlation {
                best = likeness;
            }
        }
        best
    }

    /// All whole numbers of repeats by which two fingerprints may be shifted against each other.
    pub(super) fn shifts(&self, other: &Fingerprint) -> std::ops::RangeInclusive<i64> {
        let longest = self.hundredths_mm.len().max(other.hundredths_mm.len());
        let repeats = (longest / self.samples_per_repeat.max(1)) as i64 + 1;
        -repeats..=repeats
    }

    /// Sums of products with another one whose repeat `i + shift` is held against this one's `i`.
    pub(super) fn products(&self, other: &Fingerprint, shift: i64) -> Products {
        let by = shift * self.samples_per_repeat as i64;
        let mut sums = Products::default();
        for (i, x) in self.hundredths_mm.iter().enumerate() {
            let Ok(j) = usize::try_from(i as i64 + by) else {
                continue;
            };
            let (Some(x), Some(Some(y))) = (x, other.hundredths_mm.get(j)) else {
                continue;
            };
            let (x, y) = (f64::from(*x), f64::from(*y));
            sums += Products {
                ab: x * y,
                aa: x * x,
                bb: y * y,
                samples: 1,
            };
        }
        sums
    }
}

/// Number of the repeat in which a row's found line begins.
pub(super) fn first_repeat(trace: &RowTrace, repeat_mm: f64) -> i64 {
    trace
        .points
        .iter()
        .filter(|p| p.found)
        .map(|p| (p.along_mm / repeat_mm).floor() as i64)
        .min()
        .unwrap_or(0)
}

/// Sums of products of two rows' deviations.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Products {
    ab: f64,
    aa: f64,
    bb: f64,
    samples: usize,
}

impl std::ops::AddAssign for Products {
    fn add_assign(&mut self, other: Products) {
        self.ab += other.ab;
        self.aa += other.aa;
        self.bb += other.bb;
        self.samples += other.samples;
    }
}

impl Products {
    pub(super) fn likeness(&self) -> Likeness {
        Likeness {
            correlation: self.ab / (self.aa * self.bb).sqrt().max(1e-9),
            samples: self.samples,
        }
    }
}
