//! What was learned of the advance: in plain words, with all the statistics, and as a page with charts.

use super::Style;
use super::chart::{Chart, Line, Scale, WIDE, chart};
use super::colours::style_sheet;
use super::table::{plain, without_controls, wrap};
use crate::learn::charts::{CUSUM_H, CUSUM_K, cusum, ewma, ewma_half_width, zone_rule};
use crate::learn::statistics::Interval;
use crate::learn::tune::{AdvanceError, HabitEffect, History, Quantity, Tuned, Tuning};
use crate::record::At;
use crate::units::LengthUnit;
use crate::verdict::CAUTION;
use crate::verdict::words::{is_nothing, length, number, outward, side, signed, unit_name};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Weight and limit of the EWMA: 500 values between false signals (Lucas and Saccucci, Technometrics 32,
/// 1990).
const EWMA_WEIGHT: f64 = 0.2;
const EWMA_LIMIT: f64 = 2.962;

/// So many of the newest advances are drawn.
const DRAWN: usize = 200;

/// The first screen: what the advance does and what helps, without jargon.
pub fn summary(history: &History, tuning: &Tuning, unit: LengthUnit, style: Style) -> String {
    let mut text = format!("HOW YOU ADVANCE   {}\n\n", from_what(history));
    for sentence in sentences(history, tuning, unit) {
        text += &wrap(&sentence, "  - ", style.width);
    }
    text.push('\n');
    text += &plain(
        &[
            &format!("From now on ({})", unit_name(unit)),
            "left",
            "centre",
            "right",
        ],
        &[aim_off(tuning, unit)],
    );
    text += &wrap(
        "How far to stop before (-) or past (+) your mark, on top of what a verdict says.",
        "  ",
        style.width,
    );
    text.push('\n');
    text += &wrap(CAUTION, "  ! ", style.width);
    text
}

fn from_what(history: &History) -> String {
    let quilts = match history.quilts.len() {
        1 => "1 quilt".to_owned(),
        n => format!("{n} quilts"),
    };
    format!("{} advances on {quilts}", history.advances.len())
}

fn aim_off(tuning: &Tuning, unit: LengthUnit) -> Vec<String> {
    let at = tuning.quantities.iter().take(3);
    std::iter::once("aim off by".to_owned())
        .chain(at.map(|q| signed(q.aim_off_mm, unit)))
        .collect()
}

/// Every finding as one sentence, the most useful first.
fn sentences(history: &History, tuning: &Tuning, unit: LengthUnit) -> Vec<String> {
    let show = |mm: f64| length(mm.abs(), unit);
    let [_, centre, _, lean] = &tuning.quantities[..] else {
        return Vec::new();
    };
    let stands_out = |advance: &AdvanceError| {
        let places = [At::Left, At::Centre, At::Right]
            .into_iter()
            .zip(advance.error_mm());
        let farthest = places.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        let (at, mm) = farthest.unwrap_or((At::Centre, 0.0));
        format!(
            "Row {} of {} stands out: its advance came out {} {} at the {}. All else here is said without it; see whether \
             its photo is of that row, and none was passed over.",
            advance.to_row,
            history.quilts[advance.quilt],
            show(mm),
            if mm > 0.0 { "long" } else { "short" },
            side(at),
        )
    };
    let mut said: Vec<String> = history.left_out.iter().map(stands_out).collect();
    let between = |i: &Interval| {
        let (a, b) = (i.low.abs().min(i.high.abs()), i.low.abs().max(i.high.abs()));
        let [a, b] = outward(a, b, unit);
        format!(
            "{} (between {} and {})",
            show(i.value),
            number(a, unit),
            show(b)
        )
    };
    said.push(if centre.biased && !is_nothing(centre.bias.value, unit) {
        format!(
            "You stop {} {} your mark on average.",
            between(&centre.bias),
            if centre.bias.value > 0.0 {
                "past"
            } else {
                "before"
            },
        )
    } else {
        format!(
            "You stop on your mark on average, as far as {} advances can tell (to {}).",
            history.advances.len(),
            show(centre.bias.low.abs().max(centre.bias.high)),
        )
    });
    if lean.biased && !is_nothing(lean.bias.value, unit) {
        let (more, less) = if lean.bias.value > 0.0 {
            ("right", "left")
        } else {
            ("left", "right")
        };
        said.push(format!(
            "Your {more} end goes {} further than your {less} end.",
            between(&lean.bias)
        ));
    } else {
        said.push("Your two ends go equally far, as far as can be told.".to_owned());
    }
    said.push(format!(
        "Two advances of three end within {} of your own average.",
        show(outward(0.0, centre.scatter.value, unit)[1])
    ));
    let share = (100.0 * tuning.measurement.share).round();
    if share >= 50.0 {
        said.push(format!(
            "{share} % of that unevenness comes from the photos, not from you: better photos come first."
        ));
    }
    for (quantity, what) in [
        (centre, "how far you go"),
        (lean, "how far your right end goes against your left"),
    ] {
        let change = quantity
            .change
            .filter(|c| !is_nothing(c.after - c.before, unit));
        if let Some(change) = change {
            let size = change.after - change.before;
            let first = &history.advances[change.began];
            said.push(format!(
                "Something changed in {what}: since about row {} of {} it is {} {}.",
                first.to_row,
                history.quilts[first.quilt],
                show(size),
                if size > 0.0 { "more" } else { "less" },
            ));
        }
    }
    if let Some(trend) = centre.per_row.filter(|t| !t.holds(0.0)) {
        let over = 10.0 * trend.value;
        if !is_nothing(over, unit) {
            said.push(format!(
                "From row to row you go {} and {}: about {} over ten rows. A roll that grows does this when \
                 you turn by the same amount; measure each advance at the quilt instead.",
                if over > 0.0 { "further" } else { "less far" },
                if over > 0.0 { "further" } else { "less far" },
                show(over),
            ));
        }
    }
    if tuning.over_correction.is_some_and(|o| o.shown) {
        said.push(
            "After a wide gap you tend to make a narrow one, and the other way round: you correct what is \
             only chance. Leave it alone; the verdict says when a trim is worth it."
                .to_owned(),
        );
    }
    said.extend(tuning.habits.iter().map(|h| habit_in_words(h, unit)));
    said
}

fn habit_in_words(habit: &HabitEffect, unit: LengthUnit) -> String {
    let name = format!("{}={}", habit.name, habit.value);
    let effect = &habit.centre;
    let difference = effect.welch.difference;
    let groups = format!("{} rows with, {} without", effect.with, effect.without);
    let [low, high] = outward(difference.low, difference.high, unit);
    let amount = format!(
        "{} {} per advance (between {} and {})",
        length(difference.value.abs(), unit),
        if difference.value > 0.0 {
            "further"
        } else {
            "less"
        },
        signed(low, unit),
        signed(high, unit),
    );
    let mixed = if habit.before_after {
        " It began once and stayed, so anything else that changed then counts with it."
    } else {
        ""
    };
    if effect.shown {
        return format!("{name}: you go {amount}; {groups}.{mixed}");
    }
    let needed = effect.rows_needed.map_or_else(
        || "If it does anything, it is too little to see in a hundred rows.".to_owned(),
        |rows| {
            format!("About {rows} more rows would tell whether a difference of this size is real.")
        },
    );
    format!("{name}: not known yet; so far {amount}; {groups}. {needed}")
}

/// The second screen: every statistic.
pub fn details(history: &History, tuning: &Tuning, unit: LengthUnit, style: Style) -> String {
    let mut text = String::from("\nALL THE STATISTICS\n\n");
    let range = |i: &Interval| {
        format!(
            "{} ({} to {})",
            signed_fine(i.value),
            signed_fine(i.low),
            signed_fine(i.high)
        )
    };
    let lines: Vec<Vec<String>> = tuning
        .quantities
        .iter()
        .map(|q| {
            vec![
                quantity_name(q.quantity).to_owned(),
                range(&q.bias),
                range(&q.scatter),
            ]
        })
        .collect();
    text += &plain(&["mm, 95 %", "bias", "scatter"], &lines);
    text.push('\n');
    let lines: Vec<Vec<String>> = tuning
        .quantities
        .iter()
        .map(|q| {
            let c = &q.chart;
            vec![
                quantity_name(q.quantity).to_owned(),
                format!("{:.2}", c.mean),
                format!("{:.2} to {:.2}", c.lower, c.upper),
                format!("{:.2} (to {:.2})", c.mean_range, c.range_upper),
                zone_signals(history, q).to_string(),
                q.quilts_alike.map_or("-".to_owned(), |p| format!("{p:.3}")),
            ]
        })
        .collect();
    text += &plain(
        &[
            "mm",
            "mean",
            "limits",
            "moving range",
            "zones",
            "quilts alike p",
        ],
        &lines,
    );
    text.push('\n');
    let mut note = |line: String| text += &wrap(&line, "  ", style.width);
    let m = &tuning.measurement;
    note(format!(
        "Measurement: repeatability {:.2} mm ({}), {:.0} % of the variance of the errors in the middle.",
        m.repeatability_mm,
        match m.retakes {
            0 => "as the photos state".to_owned(),
            n => format!("from {n} retakes"),
        },
        100.0 * m.share
    ));
    for q in &tuning.quantities {
        if let Some(d) = q.per_row {
            note(format!(
                "{} per row: {} mm.",
                quantity_name(q.quantity),
                range(&d)
            ));
        }
        if let Some(d) = q.per_diameter {
            note(format!(
                "{} per mm of roll diameter: {} mm.",
                quantity_name(q.quantity),
                range(&d)
            ));
        }
        if let Some(c) = q.change {
            let at = |i: usize| {
                let a = &history.advances[i];
                format!("row {} of {}", a.to_row, history.quilts[a.quilt])
            };
            note(format!(
                "{}: CUSUM (k {CUSUM_K}, h {CUSUM_H} sigma) signals at {}; most likely change at {}, from {:.2} \
                 to {:.2} mm.",
                quantity_name(q.quantity),
                at(c.signalled),
                at(c.began),
                c.before,
                c.after
            ));
        }
    }
    if let Some(o) = tuning.over_correction {
        note(format!(
            "Correlation of an error with the gap before it: {:.2} (p {:.3}, one-sided, {} pairs); -0.5 is \
             correcting everything each time.",
            o.correlation, o.p, o.pairs
        ));
    }
    for h in &tuning.habits {
        let w = &h.centre.welch;
        note(format!(
            "{}={} ({}): middle {} mm, Welch t {:.2}, {:.1} degrees of freedom, p {:.4}; scatter ratio {}; lean {}.",
            h.name,
            h.value,
            if h.before_after {
                "before/after"
            } else {
                "with/without"
            },
            range(&w.difference),
            w.t,
            w.degrees,
            w.p,
            h.centre.scatter.as_ref().map_or("-".to_owned(), range),
            h.lean.as_ref().map_or("-".to_owned(), |l| format!(
                "{} mm",
                range(&l.welch.difference)
            )),
        ));
    }
    note(format!(
        "Errors are gap less plan less trim, in mm; the first screen is in {}. Intervals are 95 %: t for \
         means, chi-squared for scatters. A habit is believed beyond O'Brien and Fleming's boundary for a look \
         after every row, shared by all habits. Zones: values that break a Western Electric rule.",
        match unit {
            LengthUnit::Inch => "inches",
            LengthUnit::Millimetre => "millimetres",
        }
    ));
    text
}

fn signed_fine(mm: f64) -> String {
    format!("{mm:+.2}")
}

fn quantity_name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Left => "left",
        Quantity::Centre => "centre",
        Quantity::Right => "right",
        Quantity::RightLessLeft => "right less left",
    }
}

fn zone_signals(history: &History, tuned: &Tuned) -> usize {
    let z: Vec<f64> = history
        .advances
        .iter()
        .map(|a| (tuned.quantity.of(a.error_mm()) - tuned.chart.mean) / tuned.chart.sigma.max(1e-9))
        .collect();
    (1..=z.len())
        .filter(|n| zone_rule(&z[n.saturating_sub(8)..*n]).is_some())
        .count()
}

/// The page: the first screen, the charts with a sentence each, and the statistics; one file that needs
/// nothing else.
pub fn page(history: &History, tuning: &Tuning, unit: LengthUnit) -> String {
    let details = details(history, tuning, unit, Style::default());
    let body: Markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "How you advance" }
                style { (PreEscaped(style_sheet() + STYLE)) }
            }
            body {
                h1 { "How you advance" }
                p { (from_what(history)) "." }
                ul { @for sentence in sentences(history, tuning, unit) { li { (sentence) } } }
                table {
                    caption { "From now on, stop before (-) or past (+) your mark by (" (unit_name(unit)) ")" }
                    thead { tr { td {} @for side in ["left", "centre", "right"] { th scope="col" { (side) } } } }
                    tbody {
                        tr {
                            @for (i, cell) in aim_off(tuning, unit).iter().enumerate() {
                                @if i == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
                            }
                        }
                    }
                }
                p.caution { (CAUTION) }
                @for quantity in [&tuning.quantities[1], &tuning.quantities[3]] {
                    (charts_of(history, quantity, unit))
                }
                details { summary { "All the statistics" } pre { (details.trim_start()) } }
            }
        }
    };
    without_controls(&body.into_string(), &[])
}

const STYLE: &str = "body{max-width:50rem}svg{margin:.5rem 0 1.5rem}td,th{padding:.2rem 1rem .2rem 0}\
    pre{white-space:pre-wrap;font-size:13px}";

fn charts_of(history: &History, tuned: &Tuned, unit: LengthUnit) -> Markup {
    let all: Vec<f64> = history
        .advances
        .iter()
        .map(|a| tuned.quantity.of(a.error_mm()))
        .collect();
    let from = all.len().saturating_sub(DRAWN);
    let labels: Vec<String> = history.advances[from..]
        .iter()
        .map(|a| format!("row {} of {}", a.to_row, history.quilts[a.quilt]))
        .collect();
    let ends = [labels.first(), labels.last()];
    let ticks: Vec<(usize, String)> = [0, labels.len().saturating_sub(1)]
        .into_iter()
        .zip(ends.into_iter().flatten().cloned())
        .collect();
    let scale = Scale::Length(unit);
    let c = &tuned.chart;
    let (what, subject) = match tuned.quantity {
        Quantity::RightLessLeft => ("Right end against left end", "further the right end went"),
        _ => ("How far past the mark", "further you went"),
    };
    let tail = |values: Vec<f64>| values[from..].to_vec();
    let averages = tail(ewma(&all, EWMA_WEIGHT, c.mean));
    let steady = ewma_half_width(EWMA_WEIGHT, EWMA_LIMIT, c.sigma, 10_000);
    let sums = cusum(&all, c.mean, CUSUM_K * c.sigma);
    let limit = CUSUM_H * c.sigma;
    let outside = all[from..]
        .iter()
        .filter(|x| !(c.lower..=c.upper).contains(*x))
        .count();
    let outside = match outside {
        0 => "none lies outside".to_owned(),
        1 => "one lies outside".to_owned(),
        n => format!("{n} lie outside"),
    };
    let individuals = Chart {
        title: format!("{what}, advance by advance"),
        description: format!(
            "{} advances; the higher, the {subject}. Mean {}, limits {} to {}; {outside}.",
            labels.len(),
            length(c.mean, unit),
            length(c.lower, unit),
            length(c.upper, unit),
        ),
        lines: vec![Line::dots("advance", all[from..].to_vec())],
        limits: vec![
            (c.lower, "lower limit"),
            (c.mean, "mean"),
            (c.upper, "upper limit"),
        ],
        band: None,
        labels: labels.clone(),
        ticks: ticks.clone(),
        scale,
        width: WIDE,
    };
    let smoothed = Chart {
        title: format!("{what}, smoothed"),
        description:
            "A running average that forgets slowly; outside its limits, your level has moved."
                .to_owned(),
        lines: vec![Line::path("running average", averages)],
        limits: vec![
            (c.mean - steady, "lower limit"),
            (c.mean, "mean"),
            (c.mean + steady, "upper limit"),
        ],
        band: None,
        labels: labels.clone(),
        ticks: ticks.clone(),
        scale,
        width: WIDE,
    };
    let summed = Chart {
        title: format!("{what}, summed up"),
        description: match tuned.change {
            None => "Small lasting changes add up here; none is seen.".to_owned(),
            Some(change) => {
                let a = &history.advances[change.began];
                format!(
                    "Small lasting changes add up here. The level most likely changed at row {} of {}.",
                    a.to_row, history.quilts[a.quilt]
                )
            }
        },
        lines: vec![
            Line::path("upward", tail(sums.iter().map(|s| s.0).collect())),
            Line::path("downward", tail(sums.iter().map(|s| -s.1).collect())),
        ],
        limits: vec![(-limit, "limit"), (0.0, "none"), (limit, "limit")],
        band: None,
        labels,
        ticks,
        scale,
        width: WIDE,
    };
    html! {
        section {
            h2 { (what) }
            @for drawn in [&individuals, &smoothed, &summed] {
                h3 { (drawn.title) }
                p { (drawn.description) }
                (chart(drawn))
            }
        }
    }
}
