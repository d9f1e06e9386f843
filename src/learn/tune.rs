//! What one's own advance does, over one or many quilts, and what helps.
//!
//! An advance's *error* is the gap's difference from the plan less the trim that was rolled on advice:
//! what the quilter added unasked. Errors of one quilter are taken as independent from row to row.

use super::charts::{self, Change, Individuals};
use super::earlier::EarlierQuilt;
use super::habit::{self, Effect};
use super::state::{Sides, mode_u, to_modes};
use super::statistics::{
    self, Interval, deviation, deviation_from, mean, mean_interval, slope_interval, t_probability,
    t_quantile,
};
use crate::units::Uncertain;
use std::collections::BTreeMap;
use std::sync::Arc;

/// One measured advance.
#[derive(Debug, Clone, PartialEq)]
pub struct AdvanceError {
    /// Number of its quilt, from 0.
    pub quilt: usize,
    /// The row it led to.
    pub to_row: u32,
    /// The gap's difference from the plan at left, centre, right, mm.
    pub deviation_mm: Sides,
    /// The trim that was rolled on advice, mm.
    pub trim_mm: Sides,
    /// Standard uncertainty of the measured gap at left, centre, right, mm.
    pub u_mm: Sides,
    /// Standard uncertainty of the measured gap's skew, mm/m.
    pub skew_u_mm_per_m: f64,
    /// Half of the distance between left and right, mm.
    pub half_width_mm: f64,
    /// Diameter of the take-up roll, mm, where it is known.
    pub diameter_mm: Option<f64>,
    /// Habits noted for it: name and value.
    pub habits: Arc<BTreeMap<String, String>>,
}

impl AdvanceError {
    /// Its error at left, centre, right, mm.
    pub fn error_mm(&self) -> Sides {
        [0, 1, 2].map(|i| self.deviation_mm[i] - self.trim_mm[i])
    }

    /// Its error in the middle, mm, as skew, mm/m, and as sag, mm.
    fn modes(&self) -> [Uncertain; 3] {
        let [middle, lean, sag] = to_modes(self.error_mm());
        let half_width_m = self.half_width_mm / 1000.0;
        let [middle_u, _, sag_u] = mode_u(self.u_mm, self.skew_u_mm_per_m, self.half_width_mm);
        let of = |value: f64, u: f64| Uncertain { value, u };
        [
            of(middle, middle_u),
            of(lean / half_width_m, self.skew_u_mm_per_m),
            of(sag, sag_u),
        ]
    }
}

/// Everything measured so far, by quilt and row.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct History {
    /// Names of the quilts.
    pub quilts: Vec<String>,
    /// The advances, quilt by quilt in row order.
    pub advances: Vec<AdvanceError>,
    /// Gaps that were measured more than once: the differences from the plan at the centre, mm.
    pub repeats: Vec<Vec<f64>>,
    /// Advances that stand out of their quilt's others and were left out.
    pub left_out: Vec<AdvanceError>,
}

impl History {
    /// Leaves out the advance of each quilt that stands out of its others: one row that was passed over, or one slip, would
    /// stand for how unevenly all of them go.
    pub fn without_outliers(self) -> History {
        let by_quilt = self.advances.chunk_by(|a, b| a.quilt == b.quilt);
        let (mut advances, mut left_out) = (Vec::new(), self.left_out);
        for own in by_quilt {
            let out = standing_out(own);
            for (i, advance) in own.iter().enumerate() {
                match out == Some(i) {
                    true => left_out.push(advance.clone()),
                    false => advances.push(advance.clone()),
                }
            }
        }
        History {
            advances,
            left_out,
            ..self
        }
    }

    /// What each of the quilts says to the quilter's next one; quilts without a measured advance say nothing.
    pub fn as_earlier(&self) -> Vec<EarlierQuilt> {
        let by_quilt = self.advances.chunk_by(|a, b| a.quilt == b.quilt);
        let of = |own: &[AdvanceError]| {
            let name = &self.quilts[own[0].quilt];
            EarlierQuilt::of(
                name,
                &own.iter().map(AdvanceError::modes).collect::<Vec<_>>(),
            )
        };
        by_quilt.filter_map(of).collect()
    }
}

/// What is measured of an advance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// At the left.
    Left,
    /// In the middle.
    Centre,
    /// At the right.
    Right,
    /// How much further the right end goes than the left.
    RightLessLeft,
}

impl Quantity {
    /// All of them.
    pub const ALL: [Quantity; 4] = [
        Quantity::Left,
        Quantity::Centre,
        Quantity::Right,
        Quantity::RightLessLeft,
    ];

    /// Of three places.
    pub fn of(self, [left, centre, right]: Sides) -> f64 {
        match self {
            Quantity::Left => left,
            Quantity::Centre => centre,
            Quantity::Right => right,
            Quantity::RightLessLeft => right - left,
        }
    }
}

/// What one quantity does.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuned {
    /// Which.
    pub quantity: Quantity,
    /// Mean error, mm.
    pub bias: Interval,
    /// Standard deviation of the errors about their mean, mm.
    pub scatter: Interval,
    /// Whether the bias differs from 0 at 95 %.
    pub biased: bool,
    /// Change of the error from row to row, mm a row.
    pub per_row: Option<Interval>,
    /// Change of the error with the roll's diameter, mm per mm.
    pub per_diameter: Option<Interval>,
    /// Probability that quilts differ as much as these by chance; `None` with one quilt.
    pub quilts_alike: Option<f64>,
    /// Individuals and moving-range chart.
    pub chart: Individuals,
    /// A lasting change.
    pub change: Option<Change>,
    /// How far to aim off from now on, drawn towards 0 when data are few, mm.
    pub aim_off_mm: f64,
}

/// How much of the scatter comes from measuring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measurement {
    /// Standard deviation of one measured gap at the centre, mm.
    pub repeatability_mm: f64,
    /// Degrees of freedom of the retakes behind it; 0 when it is what the measurements state.
    pub retakes: usize,
    /// Share of the errors' variance at the centre, 0…1.
    pub share: f64,
}

/// A correction of one's own on top of the advice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OverCorrection {
    /// Correlation of an error with the drift change before it, quilt levels taken out.
    pub correlation: f64,
    /// Probability of so negative a correlation by chance.
    pub p: f64,
    /// Pairs behind it.
    pub pairs: usize,
    /// Whether it is shown at 95 %.
    pub shown: bool,
}

/// A habit and what it does.
#[derive(Debug, Clone, PartialEq)]
pub struct HabitEffect {
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: String,
    /// Whether it changed only once, so that anything else that changed then is mixed up with it.
    pub before_after: bool,
    /// On the advance in the middle.
    pub centre: Effect,
    /// On how much further the right end goes than the left.
    pub lean: Option<Effect>,
}

/// What is learned from a history.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuning {
    /// Left, centre, right, right less left.
    pub quantities: Vec<Tuned>,
    /// The measurement's share.
    pub measurement: Measurement,
    /// A correction of one's own; `None` with few pairs.
    pub over_correction: Option<OverCorrection>,
    /// Habits, the clearest first.
    pub habits: Vec<HabitEffect>,
}

/// How likely chance may be to show an advance so far off in a quilt for it to be left out.
const STANDS_OUT: f64 = 0.001;

/// Which of a quilt's advances, at left, centre or right, lies farther from the others than chance takes one.
///
/// Grubbs' test: the value farthest from the mean of all n, as Student's t against the n − 1 others, with n − 2 degrees of
/// freedom; its probability times n (F. E. Grubbs, Technometrics 11, 1969; from memory), and here times three places. What the
/// others scatter is never taken for less than the photo's uncertainty.
fn standing_out(own: &[AdvanceError]) -> Option<usize> {
    let n = own.len();
    // Enough are left to learn from.
    let degrees = n.checked_sub(2).filter(|_| n > LEAST_ADVANCES)? as f64;
    let candidate = |place: usize| {
        let x: Vec<f64> = own.iter().map(|a| a.error_mm()[place]).collect();
        let middle = mean(&x);
        let off = |i: &usize| (x[*i] - middle).abs();
        let farthest = (0..n).max_by(|a, b| off(a).total_cmp(&off(b)))?;
        let mut others = x.clone();
        let value = others.swap_remove(farthest);
        let scatter = deviation(&others)?.max(own[farthest].u_mm[place]);
        let t = (value - mean(&others)) / (scatter * (1.0 + 1.0 / others.len() as f64).sqrt());
        Some((farthest, t_probability(t, degrees) * 3.0 * n as f64))
    };
    let likeliest = (0..3)
        .filter_map(candidate)
        .min_by(|a, b| a.1.total_cmp(&b.1))?;
    (likeliest.1 < STANDS_OUT).then_some(likeliest.0)
}

/// Least advances for anything to be said.
pub const LEAST_ADVANCES: usize = 3;

/// Learns from a history; `None` with fewer than [`LEAST_ADVANCES`] advances.
///
/// `bias_sd_mm` is what is believed of a quilter's bias before anything is measured.
pub fn tune(history: &History, bias_sd_mm: f64) -> Option<Tuning> {
    if history.advances.len() < LEAST_ADVANCES {
        return None;
    }
    let quantities = Quantity::ALL
        .map(|quantity| tuned(history, quantity, bias_sd_mm))
        .into_iter()
        .collect::<Option<Vec<_>>>()?;
    Some(Tuning {
        measurement: measurement(history, quantities[1].scatter.value),
        over_correction: over_correction(history),
        habits: habits(history),
        quantities,
    })
}

fn tuned(history: &History, quantity: Quantity, bias_sd_mm: f64) -> Option<Tuned> {
    let advances = &history.advances;
    let x: Vec<f64> = advances.iter().map(|a| quantity.of(a.error_mm())).collect();
    let by_quilt = by_quilt(advances, &x);
    let quilts_alike = analysis_of_variance(&by_quilt);
    // Quilts that differ more than their rows do: the quilts are what repeats, not the rows.
    let differ = quilts_alike.is_some_and(|p| p < 0.01);
    let bias = if differ {
        let means: Vec<f64> = by_quilt.iter().map(|q| mean(q)).collect();
        mean_interval(&means)?
    } else {
        mean_interval(&x)?
    };
    let squares: f64 = by_quilt.iter().map(|q| statistics::squares(q)).sum();
    let levels = if differ { by_quilt.len() } else { 1 };
    let degrees = (x.len() - levels) as f64;
    let squares = if differ {
        squares
    } else {
        statistics::squares(&x)
    };
    let scatter = deviation_from((squares / degrees).sqrt(), degrees)?;
    let per = |of: &dyn Fn(&AdvanceError) -> Option<f64>| {
        let points: Option<Vec<_>> = advances
            .iter()
            .zip(&x)
            .map(|(a, y)| Some((a.quilt, of(a)?, *y)))
            .collect();
        slope_interval(&points?)
    };
    Some(Tuned {
        quantity,
        bias,
        scatter,
        biased: !bias.holds(0.0),
        per_row: per(&|a| Some(f64::from(a.to_row))),
        per_diameter: per(&|a| a.diameter_mm),
        quilts_alike,
        chart: charts::individuals(&x)?,
        change: charts::change(&x),
        aim_off_mm: -shrunk_mean(&x, scatter.value, bias_sd_mm),
    })
}

/// The mean drawn towards 0 for a bias believed to be N(0, s²) before: `Σ x/(n + σ²/s²)`, which is
/// Grubbs' extended harmonic rule (F. E. Grubbs 1954 and 1983); with a large s it is the mean, and its
/// gain for the t-th row is 1/t.
pub fn shrunk_mean(x: &[f64], scatter: f64, bias_sd: f64) -> f64 {
    x.iter().sum::<f64>() / (x.len() as f64 + scatter * scatter / (bias_sd * bias_sd))
}

fn by_quilt(advances: &[AdvanceError], x: &[f64]) -> Vec<Vec<f64>> {
    let mut groups: Vec<Vec<f64>> = Vec::new();
    for (i, value) in x.iter().enumerate() {
        if i == 0 || advances[i].quilt != advances[i - 1].quilt {
            groups.push(Vec::new());
        }
        if let Some(last) = groups.last_mut() {
            last.push(*value);
        }
    }
    groups
}

/// One-way analysis of variance: probability that the groups' means differ as much by chance.
fn analysis_of_variance(groups: &[Vec<f64>]) -> Option<f64> {
    use statrs::distribution::{ContinuousCDF, FisherSnedecor};
    let n: usize = groups.iter().map(Vec::len).sum();
    let (between, within) = (groups.len() as f64 - 1.0, (n - groups.len()) as f64);
    if between < 1.0 || within < 1.0 {
        return None;
    }
    let all = groups.iter().flatten().sum::<f64>() / n as f64;
    let squares: f64 = groups.iter().map(|g| statistics::squares(g)).sum();
    let of_means = groups
        .iter()
        .map(|g| g.len() as f64 * (mean(g) - all).powi(2));
    let ratio = of_means.sum::<f64>() / between / (squares / within);
    let f = FisherSnedecor::new(between, within).ok()?;
    ratio.is_finite().then(|| f.sf(ratio))
}

/// Pooled standard deviation within groups of repeated measurements (repeatability, AIAG Measurement
/// Systems Analysis, 4th ed.), and its degrees of freedom.
pub fn repeatability(repeats: &[Vec<f64>]) -> Option<(f64, usize)> {
    let degrees: usize = repeats.iter().map(|r| r.len().saturating_sub(1)).sum();
    let squares: f64 = repeats.iter().map(|r| statistics::squares(r)).sum();
    (degrees > 0).then(|| ((squares / degrees as f64).sqrt(), degrees))
}

/// So many retakes are needed before they count more than what the measurements state.
const ENOUGH_RETAKES: usize = 5;

fn measurement(history: &History, scatter: f64) -> Measurement {
    let stated: Vec<f64> = history.advances.iter().map(|a| a.u_mm[1].powi(2)).collect();
    let (repeatability_mm, retakes) = repeatability(&history.repeats)
        .filter(|(_, degrees)| *degrees >= ENOUGH_RETAKES)
        .unwrap_or((mean(&stated).sqrt(), 0));
    Measurement {
        repeatability_mm,
        retakes,
        share: (repeatability_mm / scatter).powi(2).min(1.0),
    }
}

/// Fewer pairs than this say nothing about over-correction.
const LEAST_PAIRS: usize = 8;

/// Whether an error answers the deviation before it: correlation of the error with the gap before,
/// within quilts.
///
/// Who adds nothing of his own has independent errors; who takes back each deviation has a correlation
/// of −1/2 (Deming 1986, rule 2 of the funnel). Taking the quilts' means out pulls the correlation of
/// independent values to −1/(n − 1) for n of a quilt (M. G. Kendall, Biometrika 41, 1954, to first
/// order), which is put back. Student's t for a correlation coefficient, one-sided.
fn over_correction(history: &History) -> Option<OverCorrection> {
    let advances = &history.advances;
    let errors: Vec<f64> = advances.iter().map(|a| a.error_mm()[1]).collect();
    let before: Vec<f64> = advances.iter().map(|a| a.deviation_mm[1]).collect();
    let mut pairs: Vec<(usize, f64, f64)> = Vec::new();
    for i in 1..advances.len() {
        let neighbours = advances[i].quilt == advances[i - 1].quilt
            && advances[i].to_row == advances[i - 1].to_row + 1;
        if neighbours {
            pairs.push((advances[i].quilt, before[i - 1], errors[i]));
        }
    }
    if pairs.len() < LEAST_PAIRS {
        return None;
    }
    let mut sums: BTreeMap<usize, (f64, f64, f64)> = BTreeMap::new();
    for (quilt, a, b) in &pairs {
        let sum = sums.entry(*quilt).or_default();
        *sum = (sum.0 + 1.0, sum.1 + a, sum.2 + b);
    }
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (quilt, a, b) in &pairs {
        let (n, sa, sb) = sums[quilt];
        let (a, b) = (a - sa / n, b - sb / n);
        (ab, aa, bb) = (ab + a * b, aa + a * a, bb + b * b);
    }
    let n = pairs.len() as f64;
    let pull = sums.len() as f64 / n;
    let correlation = (ab / (aa * bb).sqrt() + pull).clamp(-0.999, 0.999);
    let degrees = n - sums.len() as f64 - 1.0;
    if !correlation.is_finite() || degrees < 3.0 {
        return None;
    }
    let t = correlation * (degrees / (1.0 - correlation * correlation)).sqrt();
    let half = t_probability(t, degrees) / 2.0;
    let p = if t < 0.0 { half } else { 1.0 - half };
    Some(OverCorrection {
        correlation,
        p,
        pairs: pairs.len(),
        shown: t < -t_quantile(0.95, degrees),
    })
}

fn habits(history: &History) -> Vec<HabitEffect> {
    // Values of each habit, and the quilts that note it at all.
    let mut noted: BTreeMap<&str, (Vec<usize>, BTreeMap<&str, usize>)> = BTreeMap::new();
    for advance in &history.advances {
        for (name, value) in advance.habits.iter() {
            let (quilts, values) = noted.entry(name).or_default();
            if quilts.last() != Some(&advance.quilt) {
                quilts.push(advance.quilt);
            }
            *values.entry(value).or_default() += 1;
        }
    }
    let questions: Vec<(&str, &str)> = noted
        .iter()
        .flat_map(|(name, (_, values))| {
            // Of yes and no one is enough.
            let redundant = |v: &str| v == "no" && values.len() == 2 && values.contains_key("yes");
            values
                .keys()
                .filter(move |v| !redundant(v))
                .map(move |v| (*name, *v))
        })
        .collect();
    let mut effects: Vec<HabitEffect> = questions
        .iter()
        .filter_map(|(name, value)| {
            let quilts = &noted[name].0;
            let rows: Vec<&AdvanceError> = history
                .advances
                .iter()
                .filter(|a| quilts.binary_search(&a.quilt).is_ok())
                .collect();
            let has = |a: &AdvanceError| a.habits.get(*name).is_some_and(|v| v == value);
            let split = |quantity: Quantity| -> [Vec<f64>; 2] {
                [true, false].map(|with| {
                    let those = rows.iter().filter(|a| has(a) == with);
                    those.map(|a| quantity.of(a.error_mm())).collect()
                })
            };
            let [with, without] = split(Quantity::Centre);
            let [lean_with, lean_without] = split(Quantity::RightLessLeft);
            let switches = rows.windows(2).filter(|w| has(w[0]) != has(w[1])).count();
            Some(HabitEffect {
                name: (*name).to_owned(),
                value: (*value).to_owned(),
                before_after: switches <= 1,
                centre: habit::effect(&with, &without, questions.len())?,
                lean: habit::effect(&lean_with, &lean_without, questions.len()),
            })
        })
        .collect();
    effects.sort_by(|a, b| a.centre.welch.p.total_cmp(&b.centre.welch.p));
    effects
}

#[cfg(test)]
mod tests {
    use super::super::statistics::tests::close;
    use super::*;
    use crate::rehearse::Seeded;

    fn history(errors: impl Iterator<Item = (usize, u32, f64, f64)>) -> History {
        let none = Arc::new(BTreeMap::new());
        let advances: Vec<AdvanceError> = errors
            .map(|(quilt, to_row, deviation, trim)| AdvanceError {
                quilt,
                to_row,
                deviation_mm: [deviation; 3],
                trim_mm: [trim; 3],
                u_mm: [0.2; 3],
                skew_u_mm_per_m: 0.15,
                half_width_mm: 1000.0,
                diameter_mm: None,
                habits: none.clone(),
            })
            .collect();
        let quilts = advances.last().map_or(0, |a| a.quilt + 1);
        History {
            quilts: (0..quilts).map(|q| format!("quilt {q}")).collect(),
            advances,
            ..History::default()
        }
    }

    /// AIAG's example: repeatability of the crossed study, published as a mean square of 0.04598.
    #[test]
    fn repeatability_is_that_of_the_published_gauge_study() {
        let table = include_str!("../../tests/reference/learn/gauge_rr_aiag.csv");
        let mut groups: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for line in table.lines().filter(|l| !l.starts_with('#')).skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let group = groups
                .entry(format!("{} {}", cells[0], cells[2]))
                .or_default();
            group.push(cells[3].parse().unwrap());
        }
        let repeats: Vec<Vec<f64>> = groups.into_values().collect();
        assert_eq!(repeats.len(), 30);
        let (sd, degrees) = repeatability(&repeats).unwrap();
        assert_eq!(degrees, 60);
        assert!((sd * sd - 0.04598).abs() < 6e-6, "{sd}");
    }

    /// Grubbs' harmonic rule, numeric case of adjustment_checks.json: moving by −yₜ/t leaves the
    /// setting at minus the mean of the errors, which is the aim-off with no belief beforehand.
    #[test]
    fn the_aim_off_is_grubbs_harmonic_rule() {
        let checks: serde_json::Value = serde_json::from_str(include_str!(
            "../../tests/reference/learn/adjustment_checks.json"
        ))
        .unwrap();
        let case = &checks["grubbs_harmonic"]["numeric_case"];
        let offset = case["initial_offset"].as_f64().unwrap();
        let mut errors = Vec::new();
        for step in case["steps"].as_array().unwrap() {
            let number = |key: &str| step[key].as_f64().unwrap();
            let aim_off = -shrunk_mean(&errors, 1.0, 1e6);
            if !errors.is_empty() {
                // The file's errors carry 1e-12 of the belief of 1e6.
                assert!((offset + aim_off - number("setting_before")).abs() < 1e-9);
            }
            errors.push(offset + number("e"));
            let adjust = -shrunk_mean(&errors, 1.0, 1e6) - aim_off;
            close(adjust, &step["adjust"], 1e-9);
        }
    }

    /// Rule 1 and rule 2 of the funnel (Deming 1986): variance 1 and 2, correlation 0 and −1/2.
    #[test]
    fn correcting_every_deviation_doubles_the_variance_and_is_noticed() {
        let mut random = Seeded::new(3);
        let e: Vec<f64> = (0..4000).map(|_| random.normal()).collect();
        let leave: Vec<f64> = e.clone();
        let chase: Vec<f64> = (0..e.len())
            .map(|i| e[i] - if i > 0 { e[i - 1] } else { 0.0 })
            .collect();
        let variance = |x: &[f64]| statistics::deviation(x).unwrap().powi(2);
        // 4 standard errors of a variance ratio of 4000 values: 13 %.
        let ratio = variance(&chase) / variance(&leave);
        assert!((ratio - 2.0).abs() < 0.26, "{ratio}");
        let of = |x: &[f64]| {
            let rows = (2..).zip(x).map(|(row, y)| (0, row, *y, 0.0));
            tune(&history(rows), 1.0).unwrap().over_correction.unwrap()
        };
        let (left, chased) = (of(&leave), of(&chase));
        assert!(
            (chased.correlation + 0.5).abs() < 0.06 && chased.shown,
            "{chased:?}"
        );
        assert!(left.correlation.abs() < 0.07, "{left:?}");
    }

    #[test]
    fn over_correction_is_falsely_reported_in_about_one_quilt_of_twenty() {
        let mut random = Seeded::new(17);
        let runs = 2000;
        let shown = (0..runs)
            .filter(|_| {
                let rows = (2..16).map(|row| (0, row, 0.5 + random.normal(), 0.0));
                over_correction(&history(rows)).unwrap().shown
            })
            .count();
        let rate = shown as f64 / f64::from(runs);
        assert!((0.02..0.07).contains(&rate), "{rate}");
    }

    #[test]
    fn intervals_hold_the_truth_in_93_to_97_of_100() {
        let mut random = Seeded::new(21);
        let (runs, mut bias, mut scatter, mut slope) = (3000, 0, 0, 0);
        for _ in 0..runs {
            let rows = (0..3).flat_map(|quilt| (2..12).map(move |row| (quilt, row)));
            let rows: Vec<_> = rows
                .map(|(quilt, row)| (quilt, row, 0.8 + 1.4 * random.normal(), 0.0))
                .collect();
            let tuning = tune(&history(rows.into_iter()), 1.0).unwrap();
            let centre = &tuning.quantities[1];
            bias += usize::from(centre.bias.holds(0.8));
            scatter += usize::from(centre.scatter.holds(1.4));
            slope += usize::from(centre.per_row.unwrap().holds(0.0));
        }
        for held in [bias, scatter, slope] {
            let share = held as f64 / f64::from(runs);
            assert!((0.93..=0.97).contains(&share), "{bias} {scatter} {slope}");
        }
    }

    #[test]
    fn a_habit_is_compared_with_the_rows_without_it_in_the_same_quilts() {
        let mut random = Seeded::new(2);
        let rows: Vec<_> = (0..2)
            .flat_map(|quilt| (2..26).map(move |row| (quilt, row)))
            .collect();
        let mut history = history(rows.iter().map(|(quilt, row)| {
            let straps = *quilt == 0 && *row >= 14;
            (
                *quilt,
                *row,
                random.normal() * 0.5 - if straps { 2.0 } else { 0.0 },
                0.0,
            )
        }));
        for advance in &mut history.advances {
            if advance.quilt == 0 && advance.to_row >= 14 {
                let habit = BTreeMap::from([("straps".to_owned(), "yes".to_owned())]);
                advance.habits = Arc::new(habit);
            }
        }
        let tuning = tune(&history, 1.0).unwrap();
        let [habit] = &tuning.habits[..] else {
            panic!("{:?}", tuning.habits)
        };
        assert_eq!((habit.centre.with, habit.centre.without), (12, 12));
        assert!(habit.before_after && habit.centre.shown);
        assert!(habit.centre.welch.difference.holds(-2.0), "{habit:?}");
        let change = tuning.quantities[1].change.unwrap();
        assert!((10..=26).contains(&change.began), "{change:?}");
    }

    /// One advance 15 mm too far among 14 that scatter by 0.6 mm is told; the others' scatter is then theirs again.
    #[test]
    fn the_one_advance_that_stands_out_is_left_out_and_named() {
        let mut random = Seeded::new(5);
        let rows: Vec<_> = (2..17)
            .map(|row| {
                (
                    0,
                    row,
                    0.6 * random.normal() + if row == 9 { 15.0 } else { 0.0 },
                    0.0,
                )
            })
            .collect();
        let history = history(rows.into_iter());
        let scatter = |history: &History| tune(history, 1.0).unwrap().quantities[1].scatter.value;
        assert!(scatter(&history) > 3.0);
        let history = history.without_outliers();
        let named: Vec<u32> = history.left_out.iter().map(|a| a.to_row).collect();
        assert_eq!((named, history.advances.len()), (vec![9], 14));
        assert!((0.3..0.9).contains(&scatter(&history)));
        // Once more, nothing stands out.
        assert_eq!(history.clone().without_outliers(), history);
    }

    /// By chance one in 1,000 quilts may lose an advance (3 of 5,000 quilts are few, 15 many: Poisson, 5 expected, two in
    /// a thousand are beyond 13; places go alike, so fewer are expected). A level that changed is no outlier.
    #[test]
    fn hardly_any_advance_stands_out_by_chance_and_a_change_does_not() {
        let mut random = Seeded::new(6);
        for count in [3, 4, 8, 15] {
            let lost = (0..5000)
                .filter(|_| {
                    let rows = (2..2 + count).map(|row| (0, row, random.normal(), 0.0));
                    !history(rows).without_outliers().left_out.is_empty()
                })
                .count();
            assert!(lost <= 13, "{lost} of 5000 with {count} advances");
        }
        let changed = (2..17).map(|row| {
            (
                0,
                row,
                0.6 * random.normal() + if row > 14 { 15.0 } else { 0.0 },
                0.0,
            )
        });
        assert!(history(changed).without_outliers().left_out.is_empty());
    }

    #[test]
    fn too_few_advances_say_nothing() {
        assert_eq!(tune(&History::default(), 1.0), None);
        assert_eq!(tune(&history([(0, 2, 1.0, 0.0)].into_iter()), 1.0), None);
    }
}
