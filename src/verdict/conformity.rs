//! Is a measured value inside its tolerance? Decided with its uncertainty, after JCGM 106:2012 and
//! ISO 14253-1:2017.

use crate::units::Uncertain;
use serde::{Deserialize, Serialize};

/// Standard normal quantile of 95 %, one-sided: the guard band is this many standard uncertainties.
/// ISO 14253-1:2017 rounds it to 1.65; the digits are in `tests/reference/uncertainty/`.
pub const Z_95: f64 = 1.644_853_626_951_472_2;

/// Probability at which something counts as shown, the other side of a 5 % risk (ISO 14253-1:2017).
pub const SHOWN: f64 = 0.95;

/// The guard band may use up this share of the tolerance before a value in the undecided zone calls
/// for a better photo. At a half, every value in the undecided zone differs from the plan at 95 %,
/// so a correction never chases noise; at more, it may.
pub(super) const LARGEST_GUARD_SHARE: f64 = 0.5;

/// What a measured deviation says about its tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// Inside the tolerance at 95 %.
    Inside,
    /// Near the limit: neither inside nor beyond at 95 %, but surely not 0.
    Near,
    /// Beyond the tolerance at 95 %.
    Beyond,
    /// The uncertainty is too large for the tolerance to say any of these.
    Unsettled,
}

/// The worst of some findings; without any, nothing is settled.
pub fn worst(findings: impl IntoIterator<Item = Finding>) -> Finding {
    let rank = |f: &Finding| match f {
        Finding::Inside => 0,
        Finding::Unsettled => 1,
        Finding::Near => 2,
        Finding::Beyond => 3,
    };
    findings
        .into_iter()
        .max_by_key(rank)
        .unwrap_or(Finding::Unsettled)
}

/// Judges a deviation from the plan against the tolerance `±limit`, same unit.
///
/// ```text
/// p ≥ 0.95        inside        p = Φ((limit − value)/u) − Φ((−limit − value)/u)
/// p ≤ 0.05        beyond
/// otherwise       near, when the guard band g = 1.645·u ≤ limit/2, else unsettled
/// ```
///
/// Source: conformance probability, JCGM 106:2012, clause 7.4; the guard band of 1.645 u on each
/// side of a limit, ISO 14253-1:2017. A value or `u` that is not a number is unsettled.
pub fn judge(deviation: Uncertain, limit: f64) -> Finding {
    let inside = conformance_probability(deviation, -limit, limit);
    if !inside.is_finite() || !deviation.u.is_finite() {
        Finding::Unsettled
    } else if inside >= SHOWN {
        Finding::Inside
    } else if inside <= 1.0 - SHOWN && deviation.value.abs() > limit {
        Finding::Beyond
    } else if guard_band(deviation.u) <= LARGEST_GUARD_SHARE * limit {
        Finding::Near
    } else {
        Finding::Unsettled
    }
}

/// Probability that the true value lies between two limits, for a normal distribution with standard
/// deviation `u` about the measured value (JCGM 106:2012, clause 7.4); same units throughout.
///
/// An infinite limit makes it one-sided. With `u` = 0 it is 1 or 0.
pub fn conformance_probability(measured: Uncertain, lower: f64, upper: f64) -> f64 {
    let Uncertain { value, u } = measured;
    if u == 0.0 {
        return f64::from(u8::from((lower..=upper).contains(&value)));
    }
    normal_cdf((upper - value) / u) - normal_cdf((lower - value) / u)
}

/// Width of the guard band at 5 % risk: `g = 1.645·u` (ISO 14253-1:2017), same unit as `u`.
pub fn guard_band(u: f64) -> f64 {
    Z_95 * u
}

/// Standard normal distribution function Φ.
///
/// Abramowitz and Stegun, Handbook of Mathematical Functions (1964), formula 26.2.17: absolute error
/// below 7.5e-8. Coefficients from memory, checked against reference values in the tests.
pub fn normal_cdf(z: f64) -> f64 {
    const COEFFICIENTS: [f64; 5] = [
        0.319_381_530,
        -0.356_563_782,
        1.781_477_937,
        -1.821_255_978,
        1.330_274_429,
    ];
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let polynomial = COEFFICIENTS.iter().rev().fold(0.0, |sum, c| (sum + c) * t);
    let density = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
    let tail = density * polynomial;
    if z < 0.0 { tail } else { 1.0 - tail }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    fn reference() -> Value {
        serde_json::from_str(include_str!(
            "../../tests/reference/uncertainty/conformity.json"
        ))
        .unwrap()
    }

    fn number(value: &Value) -> f64 {
        value
            .as_f64()
            .unwrap_or_else(|| panic!("not a number: {value}"))
    }

    /// JCGM 106:2012, examples of clauses 7.3 and 7.4. The file says their inputs and printed results
    /// are from memory; the probabilities to 1e-6 were computed with scipy.
    #[test]
    fn conformance_probability_matches_the_examples_of_jcgm_106() {
        for example in &reference()["examples"].as_array().unwrap()[..2] {
            let measured = Uncertain {
                value: number(&example["y"]),
                u: number(&example["u"]),
            };
            let lower = example["TL"].as_f64().unwrap_or(f64::NEG_INFINITY);
            let pc = conformance_probability(measured, lower, number(&example["TU"]));
            assert!(
                (pc - number(&example["pc"])).abs() < 1e-6,
                "{example}: {pc}"
            );
            // Printed to two decimals.
            assert!(
                (pc - number(&example["pc_published"])).abs() < 0.005,
                "{example}: {pc}"
            );
        }
    }

    /// ILAC-G8:09/2019, table of guard bands w for U = 2u; the risk of each rule, computed with scipy.
    #[test]
    fn false_acceptance_at_the_acceptance_limit_matches_the_table_of_ilac_g8() {
        let reference = reference();
        let rows = reference["ilac_g8_table"]["rows"].as_array().unwrap();
        let with_risk = rows.iter().filter(|row| row.get("pfa_exact").is_some());
        assert_eq!(with_risk.clone().count(), 5);
        for row in with_risk {
            let at_limit = Uncertain {
                value: -2.0 * number(&row["w_over_U"]),
                u: 1.0,
            };
            let risk = 1.0 - conformance_probability(at_limit, f64::NEG_INFINITY, 0.0);
            assert!(
                (risk - number(&row["pfa_exact"])).abs() < 1e-7,
                "{row}: {risk}"
            );
        }
    }

    /// ISO 14253-1:2017: factor 1.65 at a 95 % conformance probability (confirmed, see the file).
    #[test]
    fn the_guard_band_is_the_factor_of_iso_14253_1() {
        let iso = &reference()["iso_14253_1"];
        assert!((Z_95 - number(&iso["exact"])).abs() < 1e-12);
        assert!((guard_band(1.0) - number(&iso["g_over_u"])).abs() < 0.006); // printed to 0.01
        assert!((normal_cdf(Z_95) - SHOWN).abs() < 1e-7);
    }

    /// Cases for rows worked in the reference file (own inputs, probabilities computed with scipy).
    #[test]
    fn deviations_are_judged_as_in_the_worked_cases() {
        let reference = reference();
        let [row, too_tight] = &reference["worked_for_rows"].as_array().unwrap()[..] else {
            panic!("two worked cases")
        };
        let (limit, u) = (number(&row["TU"]), number(&row["u"]));
        assert!((limit - guard_band(u) - number(&row["accept"][1])).abs() < 1e-9);
        for case in row["cases"].as_array().unwrap() {
            let deviation = Uncertain {
                value: number(&case["y"]),
                u,
            };
            let pc = conformance_probability(deviation, -limit, limit);
            assert!((pc - number(&case["pc"])).abs() < 1e-6, "{case}: {pc}");
            let expected = match case["decision"].as_str().unwrap() {
                "go on" => Finding::Inside,
                "correct at next advance (undecided zone)" => Finding::Near,
                "re-square or correct (non-conformance shown)" => Finding::Beyond,
                other => panic!("unknown decision {other}"),
            };
            assert_eq!(judge(deviation, limit), expected, "{case}");
            let mirrored = Uncertain {
                value: -deviation.value,
                u,
            };
            assert_eq!(judge(mirrored, limit), expected, "mirrored {case}");
        }
        // Too tight a tolerance for the uncertainty: not even 0 can be accepted.
        let zero = Uncertain {
            value: 0.0,
            u: number(&too_tight["u"]),
        };
        assert!(
            (conformance_probability(zero, -1.0, 1.0) - number(&too_tight["pc_at_0"])).abs() < 1e-6
        );
        assert_eq!(judge(zero, 1.0), Finding::Unsettled);
        // 1.96 u: the smallest tolerance in which a value of 0 can be accepted at 95 %.
        let ratio = number(&too_tight["smallest_T_over_u_for_95pct_at_centre"]);
        assert_eq!(
            judge(Uncertain { value: 0.0, u: 1.0 }, ratio + 1e-5),
            Finding::Inside
        );
        assert_eq!(
            judge(Uncertain { value: 0.0, u: 1.0 }, ratio - 1e-5),
            Finding::Unsettled
        );
    }

    #[test]
    fn a_value_in_the_undecided_zone_always_differs_from_the_plan_at_95_percent() {
        for step in 1..2000 {
            let deviation = Uncertain {
                value: f64::from(step) * 0.002,
                u: 0.9,
            };
            for limit in [0.5, 1.0, 2.0, 2.9, 2.97, 3.1, 4.0] {
                if judge(deviation, limit) == Finding::Near {
                    // 1e-3 of u: the normal distribution's far side, which the bound leaves out.
                    assert!(
                        deviation.value > (Z_95 - 1e-3) * deviation.u,
                        "{deviation:?} {limit}"
                    );
                }
            }
        }
    }

    #[test]
    fn numbers_that_are_none_settle_nothing() {
        for (value, u) in [(f64::NAN, 1.0), (0.0, f64::NAN), (0.0, f64::INFINITY)] {
            assert_eq!(judge(Uncertain { value, u }, 3.0), Finding::Unsettled);
        }
        assert_eq!(
            judge(Uncertain { value: 3.0, u: 0.0 }, 3.0),
            Finding::Inside
        );
        assert_eq!(
            judge(Uncertain { value: 3.1, u: 0.0 }, 3.0),
            Finding::Beyond
        );
    }
}
