//! Control charts of single values: individuals and moving range, EWMA, CUSUM, and where a change began.
//!
//! Constants of samples of two, d₂ = 1.128 and D₄ = 3.267: ISO 7870-2, ASTM E2587.

/// Mean range of two values in standard deviations.
pub const D2: f64 = 1.128;
/// Upper limit of a moving range in mean moving ranges.
pub const D4: f64 = 3.267;

/// An individuals and moving-range chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Individuals {
    /// Centre line.
    pub mean: f64,
    /// Mean moving range.
    pub mean_range: f64,
    /// Standard deviation from the moving ranges.
    pub sigma: f64,
    /// Lower limit, 3 sigma below the mean.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Upper limit of a moving range.
    pub range_upper: f64,
}

/// Limits from the values themselves; `None` for fewer than two.
///
/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
pub fn individuals(x: &[f64]) -> Option<Individuals> {
    if x.len() < 2 {
        return None;
    }
    let mean = super::statistics::mean(x);
    let ranges = x.windows(2).map(|w| (w[1] - w[0]).abs());
    let mean_range = ranges.sum::<f64>() / (x.len() as f64 - 1.0);
    let sigma = mean_range / D2;
    Some(Individuals {
        mean,
        mean_range,
        sigma,
        lower: mean - 3.0 * sigma,
        upper: mean + 3.0 * sigma,
        range_upper: D4 * mean_range,
    })
}

/// Exponentially weighted moving average of each value and those before it, starting at `target`.
///
/// NIST/SEMATECH e-Handbook, 6.3.2.4.
pub fn ewma(x: &[f64], weight: f64, target: f64) -> Vec<f64> {
    let mut z = target;
    x.iter()
        .map(|x| {
            z += weight * (x - z);
            z
        })
        .collect()
}

/// Half the distance of an EWMA's limits at value number `t`, counted from 1:
/// `L σ √(λ/(2−λ) (1 − (1−λ)^2t))`.
pub fn ewma_half_width(weight: f64, limit_sigmas: f64, sigma: f64, t: usize) -> f64 {
    let grown = 1.0 - (1.0 - weight).powi(2 * t as i32);
    limit_sigmas * sigma * (weight / (2.0 - weight) * grown).sqrt()
}

/// Upper and lower cumulative sums after each value.
///
/// `S⁺ = max(0, S⁺ + x − target − k)`, `S⁻ = max(0, S⁻ + target − k − x)` (NIST/SEMATECH e-Handbook,
/// 6.3.2.3); `k` is the allowance in the unit of x.
pub fn cusum(x: &[f64], target: f64, k: f64) -> Vec<(f64, f64)> {
    let (mut high, mut low) = (0.0_f64, 0.0_f64);
    x.iter()
        .map(|x| {
            high = (high + x - target - k).max(0.0);
            low = (low + target - k - x).max(0.0);
            (high, low)
        })
        .collect()
}

/// A Western Electric rule (Statistical Quality Control Handbook, 1956).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ZoneRule {
    /// One value beyond 3 sigma.
    OneBeyond3,
    /// Two of three beyond 2 sigma on the same side.
    TwoOfThreeBeyond2,
    /// Four of five at 1 sigma or beyond on the same side.
    FourOfFiveBeyond1,
    /// Eight on one side.
    EightOnOneSide,
}

/// The first rule that the newest of these values breaks, in standard deviations from the centre.
pub fn zone_rule(z: &[f64]) -> Option<ZoneRule> {
    let newest = *z.last()?;
    let side = newest.signum();
    let count = |last: usize, from: f64| {
        let tail = &z[z.len().saturating_sub(last)..];
        tail.iter().filter(|z| **z * side >= from).count()
    };
    let counts = |from: f64| newest * side >= from;
    if newest.abs() > 3.0 {
        Some(ZoneRule::OneBeyond3)
    } else if counts(2.0) && count(3, 2.0) >= 2 {
        Some(ZoneRule::TwoOfThreeBeyond2)
    } else if counts(1.0) && count(5, 1.0) >= 4 {
        Some(ZoneRule::FourOfFiveBeyond1)
    } else if z.len() >= 8 && count(8, 0.0) == 8 {
        Some(ZoneRule::EightOnOneSide)
    } else {
        None
    }
}

/// A lasting change of the level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Index of the first value after the change.
    pub began: usize,
    /// Index of the value at which the CUSUM gave the signal.
    pub signalled: usize,
    /// Mean before.
    pub before: f64,
    /// Mean from the change on.
    pub after: f64,
}

/// Allowance and decision interval of the CUSUM in standard deviations: one false signal in about 930
/// values on each side (Lucas and Crosier; ARL 465 for both, Montgomery's table).
pub const CUSUM_K: f64 = 0.5;
/// Decision interval, see [`CUSUM_K`].
pub const CUSUM_H: f64 = 5.0;

/// Standard errors that a step has to have at the best of all splits; found in simulation, so that about
/// one steady series of twenty is reported as changed.
const LEAST_CHANGE: f64 = 3.2;

/// A lasting change, when the CUSUM gives a signal, and where it most likely began: the split of the
/// values in two that makes their means differ most (maximum likelihood for one step; D. V. Hinkley,
/// Biometrika 57, 1970).
pub fn change(x: &[f64]) -> Option<Change> {
    let chart = individuals(x)?;
    if chart.sigma <= 0.0 {
        return None;
    }
    let sums = cusum(x, chart.mean, CUSUM_K * chart.sigma);
    let limit = CUSUM_H * chart.sigma;
    let signalled = sums.iter().position(|(high, low)| high.max(*low) > limit)?;
    let n = x.len() as f64;
    let mut sum = 0.0;
    let (began, _) = x[..x.len() - 1]
        .iter()
        .enumerate()
        .map(|(i, value)| {
            sum += value - chart.mean;
            let k = i as f64 + 1.0;
            (i + 1, sum * sum / (k * (n - k)))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (before, after) = (began as f64, n - began as f64);
    let step = super::statistics::mean(&x[began..]) - super::statistics::mean(&x[..began]);
    let size = step.abs() / (chart.sigma * (1.0 / before + 1.0 / after).sqrt());
    if size < LEAST_CHANGE {
        return None;
    }
    Some(Change {
        began,
        signalled,
        before: super::statistics::mean(&x[..began]),
        after: super::statistics::mean(&x[began..]),
    })
}

#[cfg(test)]
mod tests {
    use super::super::statistics::tests::{close, numbers};
    use super::*;
    use crate::rehearse::Seeded;
    use serde_json::Value;

    fn reference() -> Value {
        serde_json::from_str(include_str!(
            "../../tests/reference/learn/spc_examples.json"
        ))
        .unwrap()
    }

    /// ISO 7870-2 and ASTM E2587, as printed in control_chart_constants.csv.
    #[test]
    fn constants_are_those_of_the_published_tables() {
        let table = include_str!("../../tests/reference/learn/control_chart_constants.csv");
        let mut lines = table.lines().filter(|l| !l.starts_with('#'));
        let heading: Vec<&str> = lines.next().unwrap().split(',').collect();
        let row: Vec<&str> = lines
            .find(|l| l.starts_with("2,"))
            .unwrap()
            .split(',')
            .collect();
        let printed = |name: &str| -> f64 {
            let column = heading.iter().position(|h| h.starts_with(name)).unwrap();
            row[column].parse().unwrap()
        };
        // Half of the last printed digit.
        assert!((D2 - printed("d2")).abs() < 6e-4);
        assert!((D4 - printed("D4")).abs() < 6e-4);
    }

    /// NIST/SEMATECH e-Handbook 6.3.2.2, flow rate example.
    #[test]
    fn the_individuals_chart_of_the_handbook_is_reproduced() {
        let example = &reference()["individuals_moving_range"];
        let x = numbers(&example["x"]);
        let chart = individuals(&x).unwrap();
        let published = &example["published"];
        for (got, key) in [
            (chart.mean, "mean"),
            (chart.mean_range, "mr_mean"),
            (chart.upper, "ucl"),
            (chart.lower, "lcl"),
        ] {
            assert!(
                (got - published[key].as_f64().unwrap()).abs() < 5.1e-5,
                "{key}: {got}"
            );
        }
        close(
            chart.range_upper,
            &example["recomputed"]["mr_ucl_D4_3p267"],
            1e-9,
        );
        assert!(x.iter().all(|x| (chart.lower..chart.upper).contains(x)));
    }

    /// NIST/SEMATECH e-Handbook 6.3.2.4.
    #[test]
    fn the_ewma_of_the_handbook_is_reproduced() {
        let example = &reference()["ewma"];
        let number = |key: &str| example[key].as_f64().unwrap();
        let z = ewma(&numbers(&example["x"]), number("lam"), number("target"));
        let published = numbers(&example["published"]["ewma_from_t0"]);
        assert_eq!(z.len() + 1, published.len());
        for (got, expected) in z.iter().zip(&published[1..]) {
            assert!((got - expected).abs() <= 0.0051, "{got} {expected}");
        }
        let steady = ewma_half_width(number("lam"), 3.0, number("s"), 1000);
        assert!((50.0 + steady - 52.5884).abs() < 1e-4);
        let early = numbers(&example["recomputed"]["exact_limits_half_width_t1_to_t5"]);
        for (t, expected) in (1..).zip(early) {
            let got = ewma_half_width(number("lam"), 3.0, number("s"), t);
            assert!((got - expected).abs() < 1e-6, "{t}: {got}");
        }
    }

    /// NIST/SEMATECH e-Handbook 6.3.2.3.
    #[test]
    fn the_cusum_of_the_handbook_is_reproduced() {
        let example = &reference()["cusum"];
        let number = |key: &str| example[key].as_f64().unwrap();
        let sums = cusum(&numbers(&example["x"]), number("target"), number("k"));
        let published = example["published"].as_array().unwrap();
        for ((high, low), row) in sums.iter().zip(published) {
            let row = numbers(row);
            assert!((high - row[1]).abs() < 0.0051, "{high} {row:?}");
            assert!((low - row[2]).abs() < 0.0051, "{low} {row:?}");
        }
        let first = sums.iter().position(|(h, l)| h.max(*l) > number("h"));
        assert_eq!(
            first.map(|i| i as u64 + 1),
            example["first_signal_group"].as_u64()
        );
        // The data shift up after group 12, which is where the change is put.
        let found = change(&numbers(&example["x"])).unwrap();
        assert_eq!(found.began, 12);
    }

    #[test]
    fn the_western_electric_rules_fire_where_the_handbook_says() {
        let reference = reference();
        let sequences = reference["western_electric"]["example_sequences"]
            .as_array()
            .unwrap();
        assert_eq!(sequences.len(), 6);
        for sequence in sequences {
            let z = numbers(&sequence["z"]);
            let fired = (1..=z.len()).find_map(|n| Some((n, zone_rule(&z[..n])?)));
            let number = |rule| match rule {
                ZoneRule::OneBeyond3 => 1,
                ZoneRule::TwoOfThreeBeyond2 => 2,
                ZoneRule::FourOfFiveBeyond1 => 3,
                ZoneRule::EightOnOneSide => 4,
            };
            let got = fired.map(|(n, rule)| (number(rule), n as u64));
            let expected = sequence["rule"].as_u64().zip(sequence["at"].as_u64());
            assert_eq!(got, expected, "{sequence}");
        }
    }

    /// Steady series of one, three and fifteen quilts, and ones that change by two sigma half-way.
    #[test]
    fn a_steady_series_is_rarely_reported_as_changed_and_a_changed_one_mostly() {
        let mut random = Seeded::new(8);
        for n in [13, 39, 195] {
            let mut share = |step: f64| {
                let runs = 1500;
                let found = (0..runs).filter(|_| {
                    let level = |i: usize| if i >= n / 2 { step } else { 0.0 };
                    let x: Vec<f64> = (0..n).map(|i| level(i) + random.normal()).collect();
                    change(&x).is_some()
                });
                found.count() as f64 / f64::from(runs)
            };
            let (steady, changed) = (share(0.0), share(2.0));
            assert!(steady <= 0.06, "{n}: {steady}");
            assert!(n == 13 || changed >= 0.8, "{n}: {changed}");
        }
    }

    /// Champ and Woodall 1987: 91.75 values between false signals of all four rules; Montgomery's
    /// table: 465 for the CUSUM with k = 1/2 and h = 5, 10.4 at a shift of one sigma.
    #[test]
    fn run_lengths_are_those_of_the_published_tables() {
        let mut random = Seeded::new(5);
        let mut mean_run = |runs: usize, shift: f64, stop: &dyn Fn(&[f64]) -> bool| {
            let total: usize = (0..runs)
                .map(|_| {
                    let mut z = Vec::new();
                    loop {
                        z.push(random.normal() + shift);
                        if stop(&z) {
                            return z.len();
                        }
                    }
                })
                .sum();
            total as f64 / runs as f64
        };
        let zones = mean_run(6000, 0.0, &|z| zone_rule(z).is_some());
        // Run lengths scatter by about their mean: 4 standard errors of 6000 runs are 5 %.
        assert!((zones - 91.75).abs() < 0.052 * 91.75, "{zones}");
        let quick = mean_run(6000, 1.0, &|z| {
            let (high, low) = *cusum(z, 0.0, CUSUM_K).last().unwrap();
            high.max(low) > CUSUM_H
        });
        // Scatter of about half the mean: 4 standard errors are 2.6 %.
        assert!((quick - 10.4).abs() < 0.03 * 10.4, "{quick}");
    }
}
