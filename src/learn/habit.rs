//! What a habit does to the advance: rows with it against rows without it.

use super::statistics::{
    Interval, deviation, f_quantile, mean, normal_quantile, t_probability, t_quantile,
};

/// A difference of two groups' means with its 95 % interval (B. L. Welch, Biometrika 34, 1947).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Welch {
    /// Mean with less mean without.
    pub difference: Interval,
    /// Test statistic.
    pub t: f64,
    /// Degrees of freedom (Welch and Satterthwaite).
    pub degrees: f64,
    /// Two-sided probability of so large a difference by chance.
    pub p: f64,
}

/// Compares two groups whose scatters may differ; `None` when one has fewer than two values or neither
/// scatters.
pub fn welch(with: &[f64], without: &[f64]) -> Option<Welch> {
    let part = |values: &[f64]| -> Option<(f64, f64)> {
        let n = values.len() as f64;
        Some((deviation(values)?.powi(2) / n, n - 1.0))
    };
    let ((a, na), (b, nb)) = (part(with)?, part(without)?);
    let variance = a + b;
    if variance <= 0.0 {
        return None;
    }
    let degrees = variance * variance / (a * a / na + b * b / nb);
    let value = mean(with) - mean(without);
    let t = value / variance.sqrt();
    Some(Welch {
        difference: Interval::around(value, t_quantile(0.975, degrees) * variance.sqrt()),
        t,
        degrees,
        p: t_probability(t, degrees),
    })
}

/// Ratio of two groups' standard deviations with its 95 % F interval.
pub fn scatter_ratio(with: &[f64], without: &[f64]) -> Option<Interval> {
    let value = deviation(with)? / deviation(without)?;
    let [a, b] = [with, without].map(|v| v.len() as f64 - 1.0);
    value.is_finite().then(|| Interval {
        value,
        low: value / f_quantile(0.975, a, b).sqrt(),
        high: value / f_quantile(0.025, a, b).sqrt(),
    })
}

/// O'Brien and Fleming's constant for twenty looks at 5 %, two-sided: 2.126 (C. Jennison and B. W.
/// Turnbull, Group Sequential Methods, 2000, table 2.3; computed anew in make.py).
pub const LOOKS_CONSTANT: f64 = 2.126;

/// Rows with and rows without it at which a habit is meant to be settled.
const SETTLED_AT: f64 = 12.0;

/// Standard errors that looks beyond 12 + 12 rows need to begin with, see [`looks_boundary`].
const LATER_LOOKS: f64 = 3.0;

/// How many standard errors a difference has to have before it is believed, when it is looked at after
/// every row: `c/√t` with t the share of the information that 12 + 12 rows hold. Looks beyond them need
/// `√(9 + ln t)`, found in simulation: with it the false rate stays at 5 % up to 200 + 200 rows.
pub fn looks_boundary(with: usize, without: usize) -> f64 {
    let (a, b) = (with as f64, without as f64);
    let t = 2.0 * a * b / (a + b) / SETTLED_AT;
    if t > 1.0 {
        (LATER_LOOKS * LATER_LOOKS + t.ln()).sqrt()
    } else {
        LOOKS_CONSTANT / t.sqrt()
    }
}

/// Rows in each group, with and without, that show a difference of this many standard deviations in
/// eight cases of ten: `2 ((c + z₀.₈)/d)²`, and one more for the t distribution.
pub fn rows_to_know(difference_sds: f64) -> f64 {
    let rows = |c: f64| 2.0 * ((c + normal_quantile(0.8)) / difference_sds).powi(2) + 1.0;
    let early = rows(LOOKS_CONSTANT);
    if early <= SETTLED_AT {
        early
    } else {
        rows(LATER_LOOKS)
    }
}

/// What a habit does to one quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// Rows with the habit.
    pub with: usize,
    /// Rows without it.
    pub without: usize,
    /// Difference of the means, mm.
    pub welch: Welch,
    /// Ratio of the scatters.
    pub scatter: Option<Interval>,
    /// Whether the difference is believed, looks and number of habits counted.
    pub shown: bool,
    /// More rows, in all, that would settle a difference as large as the one seen; `None` when it is
    /// shown, or when it would take more than a hundred.
    pub rows_needed: Option<u32>,
}

/// More rows than this are not asked for.
const MOST_ROWS: f64 = 100.0;

/// Compares rows with and without a habit; `habits` is how many habits are looked at together, which
/// share the 5 % (Bonferroni).
pub fn effect(with: &[f64], without: &[f64], habits: usize) -> Option<Effect> {
    let welch = welch(with, without)?;
    // As a normal value, so that one boundary serves all degrees of freedom.
    let shared = (welch.p * habits.max(1) as f64).clamp(1e-300, 1.0);
    let z = -normal_quantile((shared / 2.0).max(1e-300));
    let shown = z >= looks_boundary(with.len(), without.len());
    let pooled = (0.5 * (deviation(with)?.powi(2) + deviation(without)?.powi(2))).sqrt();
    let each = rows_to_know(welch.difference.value.abs() / pooled).ceil();
    let have = [with.len(), without.len()].map(|n| n as f64);
    let more: f64 = have.iter().map(|n| (each - n).max(0.0)).sum();
    Some(Effect {
        with: with.len(),
        without: without.len(),
        welch,
        scatter: scatter_ratio(with, without),
        shown,
        rows_needed: (!shown && more <= MOST_ROWS).then_some((more as u32).max(1)),
    })
}

#[cfg(test)]
mod tests {
    use super::super::statistics::tests::{close, computed, numbers};
    use super::*;
    use crate::rehearse::Seeded;

    /// scipy.stats.ttest_ind, statsmodels' CompareMeans and scipy's F distribution (make.py).
    #[test]
    fn differences_are_those_of_scipy_and_statsmodels() {
        for case in computed()["welch"].as_array().unwrap() {
            let (with, without) = (numbers(&case["with"]), numbers(&case["without"]));
            let got = welch(&with, &without).unwrap();
            close(got.t, &case["t"], 1e-9);
            close(got.degrees, &case["df"], 1e-9);
            close(got.p, &case["p"], 1e-6);
            close(got.difference.low, &case["low"], 1e-6);
            close(got.difference.high, &case["high"], 1e-6);
            let ratio = scatter_ratio(&with, &without).unwrap();
            close(ratio.value, &case["sd_ratio"], 1e-9);
            close(ratio.low, &case["sd_ratio_low"], 1e-6);
            close(ratio.high, &case["sd_ratio_high"], 1e-6);
        }
    }

    /// Recursive integration in make.py; printed in Jennison and Turnbull as 2.126.
    #[test]
    fn the_constant_for_twenty_looks_is_the_published_one() {
        let table = computed()["obrien_fleming"].clone();
        let twenty = table
            .as_array()
            .unwrap()
            .iter()
            .find(|r| r["looks"] == 20)
            .unwrap();
        assert!((LOOKS_CONSTANT - twenty["c"].as_f64().unwrap()).abs() < 6e-4);
    }

    /// statsmodels' TTestIndPower (make.py) for one look; looking after every row asks for more.
    #[test]
    fn rows_to_know_are_those_of_a_single_look_and_the_price_of_looking_often() {
        for case in computed()["power"]["n_for_80_percent"].as_array().unwrap() {
            let one_look = case["n"].as_f64().unwrap();
            let got = rows_to_know(case["d"].as_f64().unwrap());
            // ((c + 0.842)/(1.96 + 0.842))² with c = 2.126 is 1.12, with c = 3 it is 1.88.
            let price = if got <= 12.0 { 1.12 } else { 1.88 };
            assert!((got / one_look - price).abs() < 0.06, "{case} {got}");
        }
    }

    /// A habit looked at after every row, with no effect and with one of one standard deviation.
    #[test]
    fn looking_after_every_row_keeps_the_false_rate_and_finds_a_real_effect() {
        let mut random = Seeded::new(11);
        let mut found = |size: f64, rows: usize| -> f64 {
            let runs = 3000;
            let mut hits = 0;
            for _ in 0..runs {
                let with: Vec<f64> = (0..rows).map(|_| random.normal() + size).collect();
                let without: Vec<f64> = (0..rows).map(|_| random.normal()).collect();
                let shown =
                    |n: usize| effect(&with[..n], &without[..n], 1).is_some_and(|e| e.shown);
                hits += usize::from((3..=rows).any(shown));
            }
            f64::from(hits as u32) / f64::from(runs)
        };
        let (false_rate, power) = (found(0.0, 12), found(1.0, 12));
        let later = found(0.0, 40);
        // Four standard errors of 3000 runs: 1.6 and 3.5 points.
        assert!(
            false_rate <= 0.05 + 0.016 && later <= 0.05 + 0.016,
            "{false_rate} {later}"
        );
        assert!(power >= 0.6 - 0.035, "{power}");
    }

    #[test]
    fn too_few_rows_have_no_effect() {
        assert_eq!(effect(&[1.0], &[0.0, 1.0], 1), None);
        assert_eq!(effect(&[1.0, 1.0], &[0.0, 0.0], 1), None);
    }
}
