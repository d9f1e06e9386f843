//! Plays many quilts of 14 rows in numbers and prints what correcting does: never, each time, as advised,
//! and the optimum that knows scatter, measurement and spread of biases exactly.
//!
//! `cargo run --release --example closed_loop -- [quilts per setting, default 1000]`

use rayon::prelude::*;
use rowsight::learn::correction::{Limits, Weights};
use rowsight::plan::{Plan, Tolerance};
use rowsight::rehearse::advances::{PlayedRow, Policy, Quilter, mode_u, play};
use rowsight::rehearse::{Advance, Seeded, derive};
use rowsight::units::LengthUnit;
use rowsight::verdict::{limits, unseen_mm};

fn plan() -> Plan {
    Plan {
        unit: LengthUnit::Inch,
        width_mm: 2133.6,
        length_mm: 2133.6,
        design_file: "none.svg".into(),
        repeat_mm: 254.0,
        spacing_mm: 152.4,
        stagger: 0.5,
        rows: 14,
        first_row_mm: 76.2,
        card_bar_mm: 150.0,
        tolerance: Tolerance::default(),
        roll: Default::default(),
    }
}

/// Standard deviation of the bias from quilt to quilt (middle; right less left), scatter of the middle,
/// measurement, all mm; and the least step of a trim.
#[derive(Clone, Copy)]
struct Setting {
    bias: f64,
    scatter: f64,
    lean: f64,
    u: f64,
    step: Option<f64>,
}

/// What many quilts of one setting and policy came to: mean squares, then their roots.
#[derive(Default, Clone, Copy)]
struct Sums {
    /// The last row's drift, middle.
    drift: f64,
    /// The last row's lean.
    lean: f64,
    /// Gaps from neighbour to neighbour, middle.
    scatter: f64,
    /// Gaps about their mean, middle.
    spread: f64,
    /// Gaps against the plan, middle.
    off_plan: f64,
    cost: f64,
}

impl Sums {
    fn each(self, other: Sums, with: impl Fn(f64, f64) -> f64) -> Sums {
        Sums {
            drift: with(self.drift, other.drift),
            lean: with(self.lean, other.lean),
            scatter: with(self.scatter, other.scatter),
            spread: with(self.spread, other.spread),
            off_plan: with(self.off_plan, other.off_plan),
            cost: with(self.cost, other.cost),
        }
    }
}

fn quilter(setting: Setting, policy: Policy, random: &mut Seeded) -> Quilter {
    Quilter {
        advance: Advance {
            bias_mm: setting.bias * random.normal(),
            scatter_mm: setting.scatter,
            right_minus_left_mm: setting.lean * random.normal(),
            side_scatter_mm: setting.scatter,
            bow_scatter_mm: 0.0,
            shift_scatter_mm: 0.0,
        },
        growth_mm: 0.0,
        change: None,
        measurement_u_mm: setting.u,
        step_mm: setting.step,
        policy,
    }
}

fn sums(rows: &[PlayedRow]) -> Sums {
    let weights = Weights::default();
    let gaps: Vec<f64> = rows[1..].iter().map(|r| r.gap[0]).collect();
    let n = gaps.len() as f64;
    let mean = gaps.iter().sum::<f64>() / n;
    let last = rows.last().expect("a quilt has rows").drift;
    let cost = (0..2)
        .map(|mode| {
            let body: f64 = rows[1..]
                .iter()
                .map(|r| r.gap[mode].powi(2) + weights.drift * r.drift[mode].powi(2))
                .sum();
            body + (weights.end - weights.drift) * last[mode].powi(2)
        })
        .sum();
    let neighbours = gaps.windows(2).map(|g| (g[1] - g[0]).powi(2));
    Sums {
        drift: last[0].powi(2),
        lean: last[1].powi(2),
        scatter: neighbours.sum::<f64>() / (2.0 * (n - 1.0)),
        spread: gaps.iter().map(|g| (g - mean).powi(2)).sum::<f64>() / (n - 1.0),
        off_plan: gaps.iter().map(|g| g * g).sum::<f64>() / n,
        cost,
    }
}

fn average(quilts: u64, setting: Setting, policy: Policy) -> Sums {
    let plan = plan();
    let total = (0..quilts)
        .into_par_iter()
        .map(|seed| {
            // The same quilts for every policy.
            let mut random = Seeded::new(derive(seed, 7));
            let quilter = quilter(setting, policy, &mut random);
            sums(&play(&plan, &quilter, derive(seed, 8)))
        })
        .reduce(Sums::default, |a, b| a.each(b, |a, b| a + b));
    let n = quilts as f64;
    Sums {
        cost: total.cost / n,
        ..total.each(total, |a, _| (a / n).sqrt())
    }
}

fn main() {
    let quilts = std::env::args()
        .nth(1)
        .and_then(|a| a.parse().ok())
        .unwrap_or(1000);
    println!(
        "{quilts} quilts of 14 rows a setting; mm. Last drift: RMS of the last row's middle; last lean: of half
its right less left. Gap to gap: RMS difference of neighbouring gaps over the square root of 2, and
RMS about their mean, in units of the quilter's own scatter. Cost against the optimum: in steps of
1/32 in, and in any step.

                    |     last drift, middle     |         last lean          | gap to gap       | about the mean   | never/advice  | cost
bias   sd  r-l    u | never   each advice   best | never   each advice   best | each  adv.  best | each  adv.  best | drift    lean | 1/32    any"
    );
    let mut all: Vec<(Setting, [Sums; 5])> = Vec::new();
    for bias in [0.0, 1.0, 2.0] {
        for scatter in [0.6, 1.0, 2.0] {
            for lean in [0.0, 1.0, 2.0] {
                for u in [0.1, 0.2, 0.35, 0.6] {
                    let at = Setting {
                        bias,
                        scatter,
                        lean,
                        u,
                        step: None,
                    };
                    let any_step = Setting {
                        step: Some(0.0),
                        ..at
                    };
                    let advice = Policy::Advice { squares: false };
                    let bias_sd_mm = [bias, lean / 2.0];
                    let runs = [
                        average(quilts, at, Policy::Never),
                        average(quilts, at, Policy::EachTime),
                        average(quilts, at, advice),
                        average(quilts, any_step, advice),
                        average(quilts, at, Policy::Optimum { bias_sd_mm }),
                    ];
                    line(at, &runs);
                    all.push((at, runs));
                }
            }
        }
    }
    summary(&all);
    re_square(quilts);
}

fn line(at: Setting, [never, each, advice, any, best]: &[Sums; 5]) {
    let [e, a, b] = [each, advice, best].map(|s| s.scatter / at.scatter);
    let [f, c, d] = [each, advice, best].map(|s| s.spread / at.scatter);
    println!(
        "{:4.1} {:4.1} {:4.1} {:4.2} | {:5.2} {:6.2} {:6.2} {:6.2} | {:5.2} {:6.2} {:6.2} {:6.2} | \
         {e:4.2}  {a:4.2}  {b:4.2} | {f:4.2}  {c:4.2}  {d:4.2} | {:5.1}   {:5.1} | {:5.3} {:5.3}",
        at.bias,
        at.scatter,
        at.lean,
        at.u,
        never.drift,
        each.drift,
        advice.drift,
        best.drift,
        never.lean,
        each.lean,
        advice.lean,
        best.lean,
        never.drift / advice.drift,
        never.lean / advice.lean,
        advice.cost / best.cost,
        any.cost / best.cost,
    );
}

fn summary(all: &[(Setting, [Sums; 5])]) {
    const ADVICE: usize = 2;
    const BEST: usize = 4;
    let count = |test: &dyn Fn(&Setting, &[Sums; 5]) -> bool| {
        all.iter().filter(|(at, runs)| test(at, runs)).count()
    };
    println!(
        "\n{} settings. Met by the advice, and by the optimum:",
        all.len()
    );
    let both = |name: &str, test: &dyn Fn(&Setting, &Sums, &Sums) -> bool| {
        let [a, b] = [ADVICE, BEST].map(|i| count(&|at, runs| test(at, &runs[0], &runs[i])));
        println!("  {name}: {a}, {b}");
    };
    both("drift 3 times less than never", &|_, n, x| {
        n.drift >= 3.0 * x.drift
    });
    both("lean 3 times less than never", &|_, n, x| {
        n.lean >= 3.0 * x.lean
    });
    both("gap to gap at most 1.15", &|at, _, x| {
        x.scatter <= 1.15 * at.scatter
    });
    both("about the mean at most 1.15", &|at, _, x| {
        x.spread <= 1.15 * at.scatter
    });
    let cost = |i: usize| count(&|_, runs| runs[i].cost <= 1.05 * runs[BEST].cost);
    println!(
        "  cost at most 1.05 of the optimum: {} in 1/32 in, {} in any step",
        cost(2),
        cost(3)
    );
    println!("All settings together:");
    let n = all.len() as f64;
    for (i, name) in ["never", "each time", "advice", "any step", "optimum"]
        .iter()
        .enumerate()
    {
        let rms = |of: &dyn Fn(&Sums) -> f64| {
            (all.iter().map(|(_, s)| of(&s[i]).powi(2)).sum::<f64>() / n).sqrt()
        };
        let mean = |of: &dyn Fn(&Setting, &Sums) -> f64| {
            all.iter().map(|(at, s)| of(at, &s[i])).sum::<f64>() / n
        };
        println!(
            "  {name:10} last drift {:5.2} mm, last lean {:4.2} mm, gap to gap {:.3}, about the mean {:.3}, off \
             plan {:.2} mm, cost {:.1}",
            rms(&|s| s.drift),
            rms(&|s| s.lean),
            mean(&|at, s| s.scatter / at.scatter),
            mean(&|at, s| s.spread / at.scatter),
            rms(&|s| s.off_plan),
            mean(&|_, s| s.cost),
        );
    }
}

/// Misses and false alarms of the advice to set square, per quilt.
///
/// Needed at a row: the true lean lies beyond the tolerance, or the rows left cannot bring lean or middle
/// back inside without showing. A miss: needed on three rows running by more than the guard band of
/// 1.645 u of lean and middle as they can be known then, and not told by the third; "strict" leaves out
/// the guard band. A false alarm: told, not needed at that row, and not coming in two rows by the
/// quilter's own bias either, where he trims nothing.
fn re_square(quilts: u64) {
    println!("\nTo set square, all scatters and leans together:");
    let plan = plan();
    for (name, policy) in [
        ("advice followed", Policy::Advice { squares: true }),
        ("advice ignored", Policy::Never),
    ] {
        for u in [0.2, 0.35, 0.6] {
            let mut counts = [0_u64; 4];
            let mut total = 0;
            for scatter in [0.6, 1.0, 2.0] {
                for lean in [0.0, 1.0, 2.0, 4.0] {
                    let results: Vec<[bool; 4]> = (0..quilts)
                        .into_par_iter()
                        .map(|seed| {
                            let mut random = Seeded::new(derive(seed, 9));
                            let at = Setting {
                                bias: 1.0,
                                scatter,
                                lean,
                                u,
                                step: None,
                            };
                            let quilter = quilter(at, policy, &mut random);
                            let rows = play(&plan, &quilter, derive(seed, 10));
                            let u = mode_u(&quilter);
                            let l = limits(
                                &plan,
                                plan.width_mm / 2.0,
                                unseen_mm(&plan, u[0].hypot(u[1])),
                            );
                            judge(&rows, &l, u, policy == Policy::Never)
                        })
                        .collect();
                    total += quilts;
                    for (i, count) in counts.iter_mut().enumerate() {
                        *count += results.iter().filter(|r| r[i]).count() as u64;
                    }
                }
            }
            let percent = |count: u64| 100.0 * count as f64 / total as f64;
            println!(
                "  {name}, u {u:.2} mm: needed in {:.1} %, missed {:.2} % (strict {:.2} %), falsely told {:.2} %",
                percent(counts[0]),
                percent(counts[1]),
                percent(counts[3]),
                percent(counts[2]),
            );
        }
    }
}

/// Needed, missed, falsely told, strictly missed.
fn judge(rows: &[PlayedRow], limits: &Limits, u: [f64; 3], own_trend: bool) -> [bool; 4] {
    let needs = |r: &PlayedRow, guards: f64| {
        let left = rows.len() as f64 - f64::from(r.row);
        let [middle, lean, _] = r.drift.map(f64::abs);
        let known = guards * 1.645 * f64::from(r.row - 1).sqrt();
        let hidden = left * limits.unseen_mm;
        left > 0.0
            && (lean > limits.lean_mm + known * u[1]
                || middle - hidden > limits.drift_mm + known * u[0]
                || lean - hidden > limits.lean_mm + known * u[1])
    };
    let leaving =
        |r: &PlayedRow| own_trend && (r.drift[1] + 2.0 * r.bias[1]).abs() > limits.lean_mm;
    let told = rows.iter().position(|r| r.re_square.is_some());
    let missed = |guards: f64| {
        let third = (2..rows.len()).find(|i| rows[i - 2..=*i].iter().all(|r| needs(r, guards)));
        third.is_some_and(|i| told.is_none_or(|t| t > i))
    };
    let needed = rows.iter().any(|r| needs(r, 0.0));
    let alarm = told.is_some_and(|t| !needs(&rows[t], 0.0) && !leaving(&rows[t]));
    [needed, missed(1.0), alarm, missed(0.0)]
}
