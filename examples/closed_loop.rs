//! Plays many quilts of 14 rows in numbers and prints what correcting does: never, each time, as advised,
//! as advised after three and ten earlier quilts of the same quilter, and the optimum that knows scatter, measurement
//! and what biases come to exactly. Twice: biases of a quilter's quilts that have nothing in common, and such as are
//! mostly the quilter's own.
//!
//! `cargo run --release --example closed_loop -- [quilts a setting, default 1000] [first seed] [square]`; with
//! `square` only how often setting square is missed or falsely told. What is chosen by simulation was chosen on seeds
//! from 100 000 on; the seeds of the report are others.

use rayon::prelude::*;
use rowsight::learn::correction::{Limits, Weights};
use rowsight::learn::earlier::EarlierQuilt;
use rowsight::learn::state::to_modes;
use rowsight::plan::{Plan, Tolerance};
use rowsight::rehearse::advances::{PlayedRow, Policy, Quilter, as_earlier, mode_u, play};
use rowsight::rehearse::{Advance, Seeded, derive};
use rowsight::units::LengthUnit;
use rowsight::verdict::{limits, unseen_mm};
use std::ops::Range;

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
        earlier: Vec::new(),
    }
}

/// Standard deviation of the bias (middle; right less left), scatter of the middle, measurement, all mm.
#[derive(Clone, Copy)]
struct Setting {
    bias: f64,
    scatter: f64,
    lean: f64,
    u: f64,
    /// Share of the bias's variance that is the same in all quilts of a quilter.
    own: f64,
}

/// How a quilt is steered.
#[derive(Clone, Copy)]
enum Rule {
    Never,
    EachTime,
    /// As advised after so many earlier quilts.
    Advice(usize),
    /// As advised to who knows all but chance.
    Known,
}

/// In which steps, and whether a gap may show.
#[derive(Clone, Copy, PartialEq)]
enum Steps {
    Usual,
    Any,
    AnyAndMayShow,
    UsualAndMayShow,
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

/// The quilter of a seed at one of the quilts, whose own chance `purpose` tells apart, and how it is steered.
fn quilter(setting: Setting, rule: Rule, steps: Steps, seed: u64, purpose: u64) -> Quilter {
    // What is the quilter's own is the same in every quilt.
    let mut random = Seeded::new(derive(seed, 11));
    let [own, other] = [setting.own, 1.0 - setting.own].map(f64::sqrt);
    let spreads = [setting.bias, setting.lean];
    let means = spreads.map(|spread| own * spread * random.normal());
    let mut random = Seeded::new(derive(seed, purpose));
    let [bias_mm, right_minus_left_mm] =
        [0, 1].map(|i| means[i] + other * spreads[i] * random.normal());
    Quilter {
        advance: Advance {
            bias_mm,
            scatter_mm: setting.scatter,
            right_minus_left_mm,
            side_scatter_mm: setting.scatter,
            bow_scatter_mm: 0.0,
            shift_scatter_mm: 0.0,
        },
        growth_mm: 0.0,
        change: None,
        measurement_u_mm: setting.u,
        step_mm: matches!(steps, Steps::Any | Steps::AnyAndMayShow).then_some(0.0),
        may_show: matches!(steps, Steps::AnyAndMayShow | Steps::UsualAndMayShow),
        policy: match rule {
            Rule::Never => Policy::Never,
            Rule::EachTime => Policy::EachTime,
            Rule::Advice(_) => Policy::Advice { squares: false },
            Rule::Known => Policy::Known {
                bias_mm: [means[0], means[1] / 2.0],
                bias_sd_mm: [other * setting.bias, other * setting.lean / 2.0],
            },
        },
    }
}

/// The purposes of a quilter's earlier quilts lie so far apart.
const FAR: u64 = 1000;

/// What the quilter's earlier quilts showed, each made as advised after none.
fn earlier(setting: Setting, seed: u64, most: u64) -> Vec<EarlierQuilt> {
    let plan = plan();
    (1..=most)
        .filter_map(|quilt| {
            let quilter = quilter(
                setting,
                Rule::Advice(0),
                Steps::Usual,
                seed,
                7 + FAR * quilt,
            );
            let rows = play(&plan, &quilter, derive(seed, 8 + FAR * quilt));
            as_earlier(&plan, &quilter, &rows, "earlier")
        })
        .collect()
}

fn sums(rows: &[PlayedRow]) -> Sums {
    let weights = Weights::default();
    let gaps: Vec<f64> = rows[1..].iter().map(|r| r.gap[0]).collect();
    let n = gaps.len() as f64;
    let mean = gaps.iter().sum::<f64>() / n;
    let last = rows.last().expect("a quilt has rows").drift;
    let cost = (0..2)
        .map(|mode| {
            let drifts: f64 = rows[1..].iter().map(|r| r.drift[mode].powi(2)).sum();
            let changes = rows[1..]
                .windows(2)
                .map(|r| to_modes(r[1].trim)[mode] - to_modes(r[0].trim)[mode]);
            let end = (weights.end - weights.drift) * last[mode].powi(2);
            changes.map(|c| c * c).sum::<f64>() + weights.drift * drifts + end
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

fn average(
    seeds: &Range<u64>,
    setting: Setting,
    (rule, steps): (Rule, Steps),
    earlier: &[Vec<EarlierQuilt>],
) -> Sums {
    let total = seeds
        .clone()
        .into_par_iter()
        .map(|seed| {
            // The same quilts for every rule.
            let quilter = quilter(setting, rule, steps, seed, 7);
            let mut plan = plan();
            if let Rule::Advice(after) = rule {
                plan.earlier = earlier[(seed - seeds.start) as usize][..after].to_vec();
            }
            sums(&play(&plan, &quilter, derive(seed, 8)))
        })
        .reduce(Sums::default, |a, b| a.each(b, |a, b| a + b));
    let n = (seeds.end - seeds.start) as f64;
    Sums {
        cost: total.cost / n,
        ..total.each(total, |a, _| (a / n).sqrt())
    }
}

/// Seeds of the report, unless others are asked for.
const REPORTED: u64 = 500_000;

/// So many earlier quilts.
const FEW: usize = 3;
const MANY: usize = 10;

/// What is played of every setting.
const RUNS: [(&str, Rule, Steps); 13] = [
    ("never", Rule::Never, Steps::Usual),
    ("each time", Rule::EachTime, Steps::Usual),
    ("advice", Rule::Advice(0), Steps::Usual),
    ("any step", Rule::Advice(0), Steps::Any),
    ("any step, may show", Rule::Advice(0), Steps::AnyAndMayShow),
    ("known, 1/32 in", Rule::Known, Steps::UsualAndMayShow),
    ("optimum", Rule::Known, Steps::AnyAndMayShow),
    ("after 3: advice", Rule::Advice(FEW), Steps::Usual),
    ("any step", Rule::Advice(FEW), Steps::Any),
    (
        "any step, may show",
        Rule::Advice(FEW),
        Steps::AnyAndMayShow,
    ),
    ("after 10: advice", Rule::Advice(MANY), Steps::Usual),
    ("any step", Rule::Advice(MANY), Steps::Any),
    (
        "any step, may show",
        Rule::Advice(MANY),
        Steps::AnyAndMayShow,
    ),
];
/// Where the advice stands: after no earlier quilt, 3 and 10, each followed by any step and by any that may show.
const ADVICE: [(usize, &str); 3] = [
    (2, "no earlier quilt"),
    (7, "3 earlier quilts"),
    (10, "10 earlier quilts"),
];
const BEST: usize = 6;
type Runs = [Sums; RUNS.len()];

fn main() {
    let number = |n: usize| std::env::args().nth(n).and_then(|a| a.parse().ok());
    let quilts: u64 = number(1).unwrap_or(1000);
    let first = number(2).unwrap_or(REPORTED);
    let seeds = first..first + quilts;
    if std::env::args().nth(3).as_deref() == Some("square") {
        re_square(&seeds);
        return;
    }
    for (own, what) in [
        (0.0, "Biases of a quilter's quilts have nothing in common"),
        (
            0.8,
            "Of the biases' variance 80 % are the quilter's own, the same in every quilt",
        ),
    ] {
        println!(
            "{what}.
{quilts} quilts of 14 rows a setting, seeds from {first}; mm. Last drift: RMS of the last row's middle;
last lean: of half its right less left. Gap to gap: RMS difference of neighbouring gaps over the square root of 2,
and RMS about their mean, in units of the quilter's own scatter. Cost against the optimum: in steps of
1/32 in, and in any step, after no earlier quilt and after 3.

                    |     last drift, middle     |         last lean          | gap to gap       | about the mean   | never/advice  | cost        | after 3
bias   sd  r-l    u | never   each advice   best | never   each advice   best | each  adv.  best | each  adv.  best | drift    lean | 1/32    any | 1/32    any"
        );
        let mut all: Vec<(Setting, Runs)> = Vec::new();
        for bias in [0.0, 1.0, 2.0] {
            for scatter in [0.6, 1.0, 2.0] {
                for lean in [0.0, 1.0, 2.0] {
                    for u in [0.1, 0.2, 0.35, 0.6] {
                        let at = Setting {
                            bias,
                            scatter,
                            lean,
                            u,
                            own,
                        };
                        let earlier: Vec<Vec<EarlierQuilt>> = (seeds.clone().into_par_iter())
                            .map(|seed| earlier(at, seed, MANY as u64))
                            .collect();
                        let runs = RUNS
                            .map(|(_, rule, steps)| average(&seeds, at, (rule, steps), &earlier));
                        line(at, &runs);
                        all.push((at, runs));
                    }
                }
            }
        }
        summary(&all);
        losses(&all);
    }
    re_square(&seeds);
}

fn line(at: Setting, runs: &Runs) {
    let [never, each, advice, any, _, _, best, later, later_any, ..] = runs;
    let [e, a, b] = [each, advice, best].map(|s| s.scatter / at.scatter);
    let [f, c, d] = [each, advice, best].map(|s| s.spread / at.scatter);
    println!(
        "{:4.1} {:4.1} {:4.1} {:4.2} | {:5.2} {:6.2} {:6.2} {:6.2} | {:5.2} {:6.2} {:6.2} {:6.2} | \
         {e:4.2}  {a:4.2}  {b:4.2} | {f:4.2}  {c:4.2}  {d:4.2} | {:5.1}   {:5.1} | {:5.3} {:5.3} | {:5.3} {:5.3}",
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
        later.cost / best.cost,
        later_any.cost / best.cost,
    );
}

fn summary(all: &[(Setting, Runs)]) {
    println!(
        "\n{} settings. Met by the advice after no earlier quilt, 3, 10; in any step; by the optimum:",
        all.len()
    );
    type Test<'a> = &'a dyn Fn(&Runs, &Sums) -> bool;
    let met = |name: &str, test: Test| {
        let count = |i: usize| all.iter().filter(|(_, runs)| test(runs, &runs[i])).count();
        let [a, b, c] = ADVICE.map(|(i, _)| count(i));
        let [d, e, f] = ADVICE.map(|(i, _)| count(i + 1));
        println!("  {name}: {a}, {b}, {c}; {d}, {e}, {f}; {}", count(BEST));
    };
    met("drift 3 times less than never", &|runs, x| {
        runs[0].drift >= 3.0 * x.drift
    });
    met("lean 3 times less than never", &|runs, x| {
        runs[0].lean >= 3.0 * x.lean
    });
    met("gap to gap at most 1.15", &|runs, x| {
        x.scatter <= 1.15 * runs[0].scatter
    });
    met("about the mean at most 1.15", &|runs, x| {
        x.spread <= 1.15 * runs[0].spread
    });
    met("cost at most 1.05 of the optimum's", &|runs, x| {
        x.cost <= 1.05 * runs[BEST].cost
    });
    println!("All settings together:");
    let n = all.len() as f64;
    for (i, (name, ..)) in RUNS.iter().enumerate() {
        let rms = |of: &dyn Fn(&Sums) -> f64| {
            (all.iter().map(|(_, s)| of(&s[i]).powi(2)).sum::<f64>() / n).sqrt()
        };
        let mean = |of: &dyn Fn(&Setting, &Sums) -> f64| {
            all.iter().map(|(at, s)| of(at, &s[i])).sum::<f64>() / n
        };
        println!(
            "  {name:18} last drift {:5.2} mm, last lean {:4.2} mm, gap to gap {:.3}, about the mean {:.3}, off \
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

/// What each part of the advice costs against the optimum.
fn losses(all: &[(Setting, Runs)]) {
    println!(
        "\nCost above the optimum's by part, %, mean of the settings of a scatter (at most 5 % in so many of 36):"
    );
    let loss = |name: &str, of: usize, against: usize| {
        let by_scatter = [0.6, 1.0, 2.0].map(|scatter| {
            let those = || all.iter().filter(|(at, _)| at.scatter == scatter);
            let loss = |s: &Runs| (s[of].cost - s[against].cost) / s[BEST].cost;
            let mean = those().map(|(_, s)| loss(s)).sum::<f64>() / those().count() as f64;
            let within = those().filter(|(_, s)| s[of].cost <= 1.05 * s[BEST].cost);
            format!("{:5.1} ({:2})", 100.0 * mean, within.count())
        });
        let [a, b, c] = by_scatter;
        println!("  {name:28} sd 0.6 {a}, sd 1 {b}, sd 2 {c}");
    };
    for (advice, after) in ADVICE {
        println!(" {after}:");
        loss("learned, not known", advice + 2, BEST);
        loss("and never showing", advice + 1, advice + 2);
        loss("and in 1/32 in", advice, advice + 1);
        loss("all of it: the advice", advice, BEST);
    }
    loss("steps of 1/32 in alone", 5, BEST);
}

/// Misses and false alarms of the advice to set square, per quilt.
///
/// Needed at a row: the true lean lies beyond the tolerance, or the rows left cannot bring lean or middle
/// back inside without showing. A miss: needed on three rows running by more than the guard band of
/// 1.645 u of lean and middle as they can be known then, and not told by the third; "strict" leaves out
/// the guard band. A false alarm: told, not needed at that row, and not coming in two rows by the
/// quilter's own bias either, where he trims nothing.
fn re_square(seeds: &Range<u64>) {
    println!("\nTo set square, all scatters and leans together:");
    for (name, rule) in [
        ("advice followed", Rule::Advice(0)),
        ("the same after 3 quilts", Rule::Advice(FEW)),
        ("advice ignored", Rule::Never),
    ] {
        for u in [0.2, 0.35, 0.6] {
            let mut counts = [0_u64; 4];
            let mut total = 0;
            for scatter in [0.6, 1.0, 2.0] {
                for lean in [0.0, 1.0, 2.0, 4.0] {
                    let results: Vec<[bool; 4]> = seeds
                        .clone()
                        .into_par_iter()
                        .map(|seed| {
                            let at = Setting {
                                bias: 1.0,
                                scatter,
                                lean,
                                u,
                                own: 0.0,
                            };
                            let mut plan = plan();
                            let mut quilter = quilter(at, rule, Steps::Usual, seed, 9);
                            if let Rule::Advice(after) = rule {
                                quilter.policy = Policy::Advice { squares: true };
                                plan.earlier = earlier(at, seed, after as u64);
                            }
                            let rows = play(&plan, &quilter, derive(seed, 10));
                            let u = mode_u(&quilter);
                            let l = limits(
                                &plan,
                                plan.width_mm / 2.0,
                                unseen_mm(&plan, u[0].hypot(u[1])),
                            );
                            judge(&rows, &l, u, matches!(rule, Rule::Never))
                        })
                        .collect();
                    total += seeds.end - seeds.start;
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
